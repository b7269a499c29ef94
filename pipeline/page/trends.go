package page

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"evenlight/pipeline"
	"evenlight/pipeline/plots"
	"evenlight/pipeline/trend"
)

// trendSeries are frames that can be compared with one another.
type trendSeries struct{ instrument, detector, mode, band string }

func (a trendSeries) compare(b trendSeries) int {
	return cmp.Or(strings.Compare(a.instrument, b.instrument), strings.Compare(a.detector, b.detector), strings.Compare(a.mode, b.mode), strings.Compare(a.band, b.band))
}

// String names a series for people.
func (a trendSeries) String() string {
	words := slices.DeleteFunc([]string{a.instrument, a.detector, a.mode, a.band}, func(w string) bool { return w == "" })
	return show(strings.Join(words, ", "))
}

// point is one value of one frame.
type point struct {
	trend.Sample
	n int // Frame.N
}

// track is one metric of one series.
type track struct {
	series trendSeries
	metric string
	points []point
}

// tracks gathers what is followed over time.
type tracks struct {
	byName map[string]*track
}

// followed tells whether a figure is of the camera rather than of the scene, so
// that it should stay as it is.
func followed(metric string) bool {
	name, _, _ := strings.Cut(metric, ".")
	switch name {
	case "offset_dn", "read_noise_e", "temperature_k", "noise_ratio", "good_fraction":
		return true
	}
	return false
}

// add follows the figures of a frame.
func (t *tracks) add(f *Frame, r *pipeline.FrameReport) {
	at, err := time.Parse(time.RFC3339, f.Time)
	if err != nil {
		return // a summary without a time: there is nothing to follow
	}
	s := trendSeries{f.Instrument, f.Detector, f.Mode, f.Band}
	for _, figure := range r.Figures() {
		if !followed(figure.Name) {
			continue
		}
		key := strings.Join([]string{s.instrument, s.detector, s.mode, s.band, figure.Name}, "\x00")
		one := t.byName[key]
		if one == nil {
			one = &track{series: s, metric: figure.Name}
			t.byName[key] = one
		}
		one.points = append(one.points, point{trend.Sample{Time: at, Name: f.Name, Value: figure.Value}, f.N})
	}
}

// sorted lists the tracks by series and metric, the points of each by time.
func (t *tracks) sorted() []*track {
	var out []*track
	for _, one := range t.byName {
		slices.SortFunc(one.points, func(a, b point) int { return cmp.Or(a.Time.Compare(b.Time), cmp.Compare(a.n, b.n)) })
		out = append(out, one)
	}
	slices.SortFunc(out, func(a, b *track) int { return cmp.Or(a.series.compare(b.series), strings.Compare(a.metric, b.metric)) })
	return out
}

// Baseline of the charts: as many values as 'evenlight trends' takes unless told
// otherwise, in a run half of its frames at most.
const (
	fullBaseline  = 30
	leastBaseline = 5
	limitSigmas   = 3
)

// baselineOf returns the values that set the limits of a chart; nil: the points
// of the page themselves do.
type baselineOf func(s trendSeries, metric string) ([]trend.Sample, error)

// judged is a track with limits.
type judged struct {
	*track
	limits  trend.Limits
	problem string // why there are no limits
	out     []bool // by point
	after   int    // points from this one on are compared with the limits
}

// judge finds limits, from a baseline or, where that is nil, from the first
// half of the points themselves.
func (t *track) judge(baseline []trend.Sample) *judged {
	j := &judged{track: t, out: make([]bool, len(t.points)), after: len(t.points)}
	settings := trend.Settings{Kind: trend.Individuals, Baseline: len(baseline), Sigmas: limitSigmas}
	all := make([]trend.Sample, len(t.points))
	for i, p := range t.points {
		all[i] = p.Sample
	}
	if baseline == nil {
		settings.Baseline = min(fullBaseline, len(all)/2)
		if settings.Baseline < leastBaseline {
			j.problem = fmt.Sprintf("%d frames are too few for limits: it takes %d", len(all), 2*leastBaseline)
			return j
		}
		baseline, j.after = all[:settings.Baseline], settings.Baseline
	} else {
		end := baseline[len(baseline)-1].Time
		if i := slices.IndexFunc(all, func(s trend.Sample) bool { return s.Time.After(end) }); i >= 0 {
			j.after = i
		}
	}
	limits, err := settings.Limits(baseline)
	if err != nil {
		j.problem = err.Error()
		j.after = len(all)
		return j
	}
	j.limits = limits
	for i, p := range limits.Chart(all[j.after:]).Points {
		j.out[j.after+i] = p.Out
	}
	return j
}

// chart makes the chart of a judged track.
func (j *judged) chart(id string) (Chart, error) {
	s := j.series
	c := Chart{ID: id, Instrument: s.instrument, Detector: s.detector, Mode: s.mode, Band: s.band, Metric: j.metric,
		Title: fmt.Sprintf("%s of %s", show(j.metric), s), Kind: string(trend.Individuals), Problem: j.problem, Points: len(j.points), Worst: []ChartPoint{}}
	if j.problem == "" {
		c.Centre, c.Lower, c.Upper = &j.limits.Centre, &j.limits.Lower, &j.limits.Upper
	}
	var worst []point
	for i, p := range j.points {
		if !j.out[i] {
			continue
		}
		c.Out++
		if c.FirstOut == nil {
			c.FirstOut = p.shown()
		}
		worst = append(worst, p)
	}
	far := func(p point) float64 { return -math.Abs(p.Value - j.limits.Centre) }
	slices.SortStableFunc(worst, func(a, b point) int { return cmp.Compare(far(a), far(b)) })
	for _, p := range worst[:min(len(worst), MostNamed)] {
		c.Worst = append(c.Worst, *p.shown())
	}
	c.Last = j.points[len(j.points)-1].shown()
	since := len(j.points)
	for since > 0 && j.out[since-1] {
		since--
	}
	if since < len(j.points) {
		c.OutSince = j.points[since].shown()
	}
	c.Alt = j.alt(&c)
	svg, err := j.draw(&c)
	c.SVG = svg
	return c, err
}

func (p point) shown() *ChartPoint {
	return &ChartPoint{Time: p.Time.UTC().Format(time.RFC3339), Name: p.Name, N: p.n, Value: p.Value, Statistic: p.Value}
}

func (j *judged) alt(c *Chart) string {
	text := fmt.Sprintf("%s over time, %d points", c.Title, c.Points)
	switch {
	case j.problem != "":
		return text + "; no limits: " + j.problem
	case c.Out == 0:
		return text + fmt.Sprintf("; none is outside of the limits %.5g and %.5g", j.limits.Lower, j.limits.Upper)
	}
	return text + fmt.Sprintf("; %d outside of the limits %.5g and %.5g, the first at %s", c.Out, j.limits.Lower, j.limits.Upper, c.FirstOut.Time)
}

// drawnPoints bounds the points of a drawing, so that a chart of a year takes
// no more room than one of a night.
const drawnPoints = 400

// drawn chooses the points of a drawing: all that are out, as far as there is
// room, and others evenly spread.
func (j *judged) drawn() []int {
	var out, in []int
	for i := range j.points {
		if j.out[i] {
			out = append(out, i)
		} else {
			in = append(in, i)
		}
	}
	pick := func(from []int, most int) []int {
		var some []int
		for _, k := range spread(len(from), most, nil) {
			some = append(some, from[k])
		}
		return some
	}
	shown := pick(out, drawnPoints/2)
	shown = append(shown, pick(in, drawnPoints-len(shown))...)
	slices.Sort(shown)
	return shown
}

func (j *judged) draw(c *Chart) ([]byte, error) {
	first := j.points[0].Time
	inside, outside := plots.Points{Name: "in"}, plots.Points{Name: "out"}
	shown := j.drawn()
	for _, i := range shown {
		p := j.points[i]
		set := &inside
		if j.out[i] {
			set = &outside
		}
		set.X = append(set.X, p.Time.Sub(first).Hours())
		set.Y = append(set.Y, p.Value)
		set.Used = append(set.Used, i >= j.after || j.problem != "")
	}
	d := plots.Chart{Hollow: "baseline", Heading: plots.Heading{Title: show(j.metric), Subject: j.series.String()}, Y: plots.Axis{Label: show(j.metric)}, X: timeAxis(first, j.points[len(j.points)-1].Time)}
	if len(inside.X) > 0 {
		d.Points = append(d.Points, inside)
	}
	if len(outside.X) > 0 {
		d.Points = append(d.Points, outside)
	}
	if j.problem == "" {
		d.Limits = []plots.Limit{{Name: "upper", At: j.limits.Upper}, {Name: "centre", At: j.limits.Centre}, {Name: "lower", At: j.limits.Lower}}
		if j.after > 0 {
			d.Notes = append(d.Notes, "Hollow points are of the baseline and are not compared with the limits.")
		}
	} else {
		d.Notes = append(d.Notes, "No limits: "+show(j.problem)+".")
	}
	if len(shown) < len(j.points) {
		d.Notes = append(d.Notes, fmt.Sprintf("%d of %d points are drawn: those that are out first, the others evenly spread.", len(shown), len(j.points)))
	}
	return svgOf(d.Draw())
}

// timeSteps are distances of marks on an axis of time.
var timeSteps = [...]time.Duration{time.Second, 5 * time.Second, 15 * time.Second, time.Minute, 5 * time.Minute, 15 * time.Minute, time.Hour, 3 * time.Hour, 6 * time.Hour, 12 * time.Hour,
	day, 2 * day, 7 * day, 14 * day, 30 * day, 60 * day, 120 * day, 365 * day, 5 * 365 * day}

const day = 24 * time.Hour

// mostTicks bounds the marks on an axis of time.
const mostTicks = 6

// timeAxis counts hours from a time and writes dates.
func timeAxis(first, last time.Time) plots.Axis {
	span := last.Sub(first)
	step := timeSteps[len(timeSteps)-1]
	for _, s := range timeSteps {
		if span/s < mostTicks {
			step = s
			break
		}
	}
	form := time.DateOnly
	switch {
	case step < time.Minute:
		form = time.TimeOnly
	case step < day:
		form = "01-02 15:04"
	}
	a := plots.Axis{Label: "start of the exposure, UTC, from " + first.UTC().Format("2006-01-02 15:04:05")}
	for t := first.UTC().Truncate(step); !t.After(last.Add(step)); t = t.Add(step) {
		if !t.Before(first) && !t.After(last) {
			a.Ticks = append(a.Ticks, plots.Tick{At: t.Sub(first).Hours(), Label: t.Format(form)})
		}
	}
	if len(a.Ticks) == 0 {
		a.Ticks = []plots.Tick{{At: 0, Label: first.UTC().Format(time.DateOnly)}}
	}
	return a
}

// charts judges and draws all tracks that have two points or more.
func (t *tracks) charts(baseline baselineOf) (charts []Chart, all []*judged, err error) {
	for _, one := range t.sorted() {
		if len(one.points) < 2 {
			continue
		}
		var base []trend.Sample
		if baseline != nil {
			if base, err = baseline(one.series, one.metric); err != nil {
				return nil, nil, err
			}
		}
		j := one.judge(base)
		c, err := j.chart(fmt.Sprintf("t%03d", len(charts)+1))
		if err != nil {
			return nil, nil, err
		}
		charts, all = append(charts, c), append(all, j)
	}
	return charts, all, nil
}
