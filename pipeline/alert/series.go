package alert

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"time"

	"evenlight/configs"
	"evenlight/pipeline/ledger"
	"evenlight/pipeline/trend"
)

// Values of rules that do not set them.
const (
	defaultFrames   = 1
	defaultBaseline = 30
	defaultSigmas   = 3
	defaultLambda   = 0.2
)

// lookBack is how many frames of a series are looked at, so that a message can
// tell since when; mostPoints bounds what a moving average may need besides.
const (
	lookBack   = 100
	mostPoints = 2000
)

// threshold judges whether the last frames of a series all lie outside of
// fixed bounds.
func (j *judge) threshold(ctx context.Context, r *configs.Rule, s ledger.Series) (*Finding, error) {
	need := cmp.Or(r.Frames, defaultFrames)
	points, err := j.led.MetricPoints(ctx, j.What, r.Metric, s, time.Time{}, max(lookBack, need), false)
	if err != nil {
		return nil, err
	}
	run := outsideAtEnd(r, points)
	if len(run) < need {
		return nil, nil
	}
	last := run[len(run)-1]
	_, by := outside(r, last.Value)
	message := fmt.Sprintf("%s of %s is %.6g in %s, %s; so since %s (%s); look at these frames and at their QA summaries",
		r.Metric, subjectOf(s), last.Value, frameWords(last.Name, last.Begin), by, frameWords(run[0].Name, run[0].Begin), frameCount(len(run), len(run) == len(points)))
	return &Finding{Message: message, Since: run[0].Begin}, nil
}

// outsideAtEnd returns the points that are out of bounds without interruption
// up to the last one.
func outsideAtEnd(r *configs.Rule, points []ledger.MetricPoint) []ledger.MetricPoint {
	i := len(points)
	for i > 0 {
		if out, _ := outside(r, points[i-1].Value); !out {
			break
		}
		i--
	}
	return points[i:]
}

// outside tells whether a value is out of a rule's bounds, and how.
func outside(r *configs.Rule, v float64) (bool, string) {
	switch {
	case r.Above != nil && v > *r.Above:
		return true, fmt.Sprintf("above the bound of %.6g by %.3g", *r.Above, v-*r.Above)
	case r.Below != nil && v < *r.Below:
		return true, fmt.Sprintf("below the bound of %.6g by %.3g", *r.Below, *r.Below-v)
	}
	return false, ""
}

// control judges whether a series is outside of the limits of its chart.
func (j *judge) control(ctx context.Context, r *configs.Rule, s ledger.Series) (*Finding, error) {
	c, err := j.chart(ctx, r, s)
	switch {
	case errors.Is(err, trend.ErrTooFew):
		return nil, nil
	case errors.Is(err, trend.ErrNoSpread), errors.Is(err, trend.ErrNotFinite):
		return &Finding{Message: fmt.Sprintf("%s of %s cannot be judged: %v; move the baseline with since, or use a threshold", r.Metric, subjectOf(s), err)}, nil
	case err != nil:
		return nil, err
	}
	run := c.OutSince()
	if len(run) == 0 {
		return nil, nil
	}
	return &Finding{Message: controlMessage(r, s, c), Since: run[0].Time}, nil
}

func controlMessage(r *configs.Rule, s ledger.Series, c *followed) string {
	run := c.OutSince()
	last := run[len(run)-1]
	what := ""
	if c.Kind == trend.EWMA {
		what = fmt.Sprintf(" (moving average %.6g)", last.Statistic)
	}
	side, limit := "above", c.Upper
	if last.Statistic < c.Lower {
		side, limit = "below", c.Lower
	}
	message := fmt.Sprintf("%s of %s is %.6g%s in %s, %s the limit of %.6g that %d frames from %s to %s set around %.6g; so since %s (%s)",
		r.Metric, subjectOf(s), last.Value, what, frameWords(last.Name, last.Time), side, limit, c.Baseline, clock(c.from), clock(c.to), c.Centre,
		frameWords(run[0].Name, run[0].Time), frameCount(len(run), c.cut && len(run) == len(c.Points)))
	if n := len(c.Suspects); n > 0 {
		message += fmt.Sprintf("; %d of the baseline lie far out themselves, the first in %s: move the baseline with since if something was wrong then", n, frameWords(c.Suspects[0].Name, c.Suspects[0].Time))
	}
	return message + "; look at what changed in the camera or its masters at that time"
}

// followed is a chart and where its baseline lies.
type followed struct {
	trend.Chart
	from, to time.Time
	cut      bool // there may be points between baseline and chart
}

// chart draws the last part of a series' chart. The errors are those of
// [trend.Settings.Limits] and of the ledger.
func (j *judge) chart(ctx context.Context, r *configs.Rule, s ledger.Series) (*followed, error) {
	settings := trend.Settings{Kind: trend.Kind(r.Chart), Baseline: cmp.Or(r.Baseline, defaultBaseline), Sigmas: cmp.Or(r.Sigmas, defaultSigmas), Lambda: cmp.Or(r.Lambda, defaultLambda)}
	since, err := baselineStart(r)
	if err != nil {
		return nil, err
	}
	baseline, err := j.led.MetricPoints(ctx, j.What, r.Metric, s, since, settings.Baseline, true)
	if err != nil {
		return nil, err
	}
	limits, err := settings.Limits(samples(baseline))
	if err != nil {
		return nil, err
	}
	n := min(lookBack+settings.Memory(), mostPoints)
	last, err := j.led.MetricPoints(ctx, j.What, r.Metric, s, time.Time{}, n, false)
	if err != nil {
		return nil, err
	}
	after := afterBaseline(baseline, last)
	cut := len(after) == n
	c := limits.Chart(samples(after))
	if cut {
		c = c.Last(lookBack)
	}
	return &followed{c, baseline[0].Begin, baseline[len(baseline)-1].Begin, cut}, nil
}

func baselineStart(r *configs.Rule) (time.Time, error) {
	if r.Since == "" {
		return time.Time{}, nil
	}
	t, err := time.Parse(time.RFC3339, r.Since)
	if err != nil {
		return t, fmt.Errorf("since is %q, which is no time: write it as in 2031-04-05T06:07:08Z", r.Since)
	}
	return t, nil
}

// afterBaseline returns the points that come after a baseline, which has at
// least one. Several may be of the same time, such as the planes of a cube.
func afterBaseline(baseline, points []ledger.MetricPoint) []ledger.MetricPoint {
	end := baseline[len(baseline)-1].Begin
	of := make(map[ledger.Hash]bool, len(baseline))
	for _, p := range baseline {
		of[p.Product] = true
	}
	var after []ledger.MetricPoint
	for _, p := range points {
		if !p.Begin.Before(end) && !of[p.Product] {
			after = append(after, p)
		}
	}
	return after
}

func samples(points []ledger.MetricPoint) []trend.Sample {
	s := make([]trend.Sample, len(points))
	for i, p := range points {
		s[i] = trend.Sample{Time: p.Begin, Name: p.Name, Value: p.Value}
	}
	return s
}

func frameWords(name string, at time.Time) string { return plain(name) + " of " + clock(at) }

func frameCount(n int, orMore bool) string {
	switch {
	case orMore && n >= lookBack:
		return fmt.Sprintf("%d frames or more", n)
	case n == 1:
		return "1 frame"
	}
	return fmt.Sprintf("%d frames", n)
}
