package archive

import (
	"context"
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"evenlight/pipeline"
	"evenlight/pipeline/alert"
	"evenlight/pipeline/ledger"
	"evenlight/pipeline/trend"
)

// Status says how an archive is. Its JSON form is documented in the README.
type Status struct {
	Ledger     string            `json:"ledger"`
	Tables     int               `json:"tables_version"`
	Frames     int               `json:"frames"` // raw files
	Parts      map[string]int    `json:"parts"`  // of them, by kind
	Products   int               `json:"products"`
	Earlier    int               `json:"earlier_versions"`
	Masters    int               `json:"masters"`
	Quarantine []QuarantineView  `json:"quarantine"`
	Arrivals   map[string]string `json:"last_arrival"` // by instrument
	Runs       []RunView         `json:"runs"`         // the last ones, the latest first
	Alerts     []AlertView       `json:"alerts"`       // that hold
}

// QuarantineView is a frame, or a part of one, that cannot be processed.
type QuarantineView struct {
	Raw      string `json:"raw"`
	Detector string `json:"detector,omitempty"`
	Plane    int    `json:"plane,omitempty"`
	Entry    string `json:"entry"` // folder in quarantine
	Reason   string `json:"reason"`
}

// RunView is a run as a status shows it.
type RunView struct {
	ID      int64     `json:"id"`
	What    string    `json:"what"`
	Host    string    `json:"host"`
	Owner   string    `json:"owner"`
	Started time.Time `json:"started"`
	Ended   time.Time `json:"ended,omitzero"` // absent: it goes on, or broke off
	Found   int       `json:"found"`
	Done    int       `json:"done"`
	Failed  int       `json:"failed"`
	Skipped int       `json:"skipped"`
	Warned  int       `json:"warned"`
	Outcome string    `json:"outcome"`
}

// shownRuns is the number of runs that a status shows.
const shownRuns = 10

// Status gathers how the archive is, from the ledger alone.
func (a *Archive) Status(ctx context.Context) (*Status, error) {
	n, err := a.led.Stats(ctx)
	if err != nil {
		return nil, err
	}
	s := &Status{Ledger: a.led.Name(), Tables: n.Version, Frames: n.Frames, Parts: n.Parts, Products: n.Products, Earlier: n.Superseded, Masters: n.Masters,
		Quarantine: []QuarantineView{}, Arrivals: map[string]string{}, Runs: []RunView{}, Alerts: []AlertView{}}
	err = a.led.EachFailure(ctx, func(f *ledger.FailureRow) error {
		path := f.Path
		if path == "" {
			path = f.Name
		}
		s.Quarantine = append(s.Quarantine, QuarantineView{path, f.Detector, f.Plane, a.entryOf(f.Frame), f.Message})
		return nil
	})
	if err != nil {
		return nil, err
	}
	if err := a.addStaying(s); err != nil {
		return nil, err
	}
	arrivals, err := a.led.Arrivals(ctx)
	if err != nil {
		return nil, err
	}
	for instrument, at := range arrivals {
		s.Arrivals[instrument] = at.UTC().Format(time.RFC3339)
	}
	runs, err := a.led.Runs(ctx, shownRuns)
	if err != nil {
		return nil, err
	}
	for _, r := range runs {
		c := r.Counts
		s.Runs = append(s.Runs, RunView{r.ID, r.What, r.Host, r.Owner, r.Started, r.Ended, c.Found, c.Done, c.Failed, c.Skipped, c.Warned, r.Outcome})
	}
	alerts, err := a.led.Alerts(ctx, false)
	if err != nil {
		return nil, err
	}
	for _, h := range alerts {
		s.Alerts = append(s.Alerts, AlertView{h.Rule, h.Subject, h.Message, h.First})
	}
	return s, nil
}

// addStaying adds the entries of quarantine that the ledger has no failure of,
// such as those that cannot go back to their places.
func (a *Archive) addStaying(s *Status) error {
	folders, err := os.ReadDir(a.cfg.Quarantine)
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	if err != nil {
		return err
	}
	for _, f := range folders {
		folder := filepath.Join(a.cfg.Quarantine, f.Name())
		if slices.ContainsFunc(s.Quarantine, func(q QuarantineView) bool { return q.Entry == folder }) {
			continue
		}
		view := QuarantineView{Entry: folder, Reason: "it holds no readable " + reasonFile}
		if e, err := readEntry(folder); err == nil {
			view.Raw, view.Reason = e.raw, strings.Join(e.reasons, "; ")
		}
		s.Quarantine = append(s.Quarantine, view)
	}
	return nil
}

// TrendOptions says what a trend shows.
type TrendOptions struct {
	Metric   string
	Filter   ledger.Filter // From: where the baseline begins
	Settings trend.Settings
	Last     int // points that are shown
}

// Trend is a metric of one series on a control chart.
type Trend struct {
	Series ledger.Series
	// Limits are unset, and Problem says why, where the baseline tells none.
	trend.Chart
	Problem string
}

// Trends draws a metric of each series that the options choose and that has
// values of it: limits from the first values, and the last ones after those.
func (a *Archive) Trends(ctx context.Context, opt TrendOptions) ([]Trend, error) {
	series, err := a.series(ctx, opt.Filter)
	if err != nil {
		return nil, err
	}
	var out []Trend
	for _, s := range series {
		first, err := a.samples(ctx, s, opt, opt.Settings.Baseline, true)
		if err != nil {
			return nil, err
		}
		if len(first) == 0 {
			continue
		}
		last, err := a.samples(ctx, s, opt, opt.Last+opt.Settings.Memory(), false)
		if err != nil {
			return nil, err
		}
		out = append(out, drawn(s, opt, first, last))
	}
	return out, nil
}

func drawn(s ledger.Series, opt TrendOptions, first, last []trend.Sample) Trend {
	limits, err := opt.Settings.Limits(first)
	if err != nil {
		t := Trend{Series: s, Problem: err.Error()}
		for _, x := range last[max(0, len(last)-opt.Last):] {
			t.Points = append(t.Points, trend.Point{Sample: x, Statistic: x.Value})
		}
		return t
	}
	end := first[len(first)-1].Time
	after := slices.DeleteFunc(last, func(x trend.Sample) bool { return !x.Time.After(end) })
	return Trend{Series: s, Chart: limits.Chart(after).Last(opt.Last)}
}

func (a *Archive) series(ctx context.Context, filter ledger.Filter) ([]ledger.Series, error) {
	var series []ledger.Series
	err := a.led.EachSeries(ctx, filter, func(s ledger.Series) error {
		series = append(series, s)
		return nil
	})
	return series, err
}

func (a *Archive) samples(ctx context.Context, s ledger.Series, opt TrendOptions, n int, first bool) ([]trend.Sample, error) {
	points, err := a.led.MetricPoints(ctx, pipeline.ProductFrame, opt.Metric, s, opt.Filter.From, n, first)
	out := make([]trend.Sample, len(points))
	for i, p := range points {
		out[i] = trend.Sample{Time: p.Begin, Name: p.Name, Value: p.Value}
	}
	return out, err
}

// Metrics returns, for each series, the latest value of each metric that its
// products have.
func (a *Archive) Metrics(ctx context.Context, filter ledger.Filter) ([]alert.Level, error) {
	series, err := a.series(ctx, filter)
	if err != nil {
		return nil, err
	}
	var out []alert.Level
	for _, s := range series {
		names, err := a.led.MetricNames(ctx, pipeline.ProductFrame, s)
		if err != nil {
			return nil, err
		}
		for _, name := range names {
			points, err := a.led.MetricPoints(ctx, pipeline.ProductFrame, name, s, time.Time{}, 1, false)
			if err != nil {
				return nil, err
			}
			for _, p := range points {
				out = append(out, alert.Level{Series: s, Metric: name, Time: p.Begin, Value: p.Value})
			}
		}
	}
	return out, nil
}
