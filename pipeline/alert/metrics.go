package alert

import (
	"context"
	"errors"
	"maps"
	"math"
	"slices"
	"time"

	"evenlight/configs"
	"evenlight/pipeline/ledger"
	"evenlight/pipeline/trend"
)

// Metrics is the state of an archive in figures. What is empty or zero is left
// out of the file, but for counts.
type Metrics struct {
	Software, Version string

	Frames     ledger.Counts        // of all runs
	Quarantine int                  // frames in it
	Alerts     []ledger.Alert       // that hold
	Arrivals   map[string]time.Time // of the last new frame, by instrument
	LastRun    *ledger.Run          // the last that ended; nil: none did
	Free       map[string]uint64    // bytes that can still be written, by the configuration's word for the folder
	Levels     []Level
	Controls   []Control
}

// Level is the latest value of a metric of a series.
type Level struct {
	ledger.Series
	Metric string
	Time   time.Time // of the exposure
	Value  float64
}

// Control is a control chart at its last point.
type Control struct {
	ledger.Series
	Rule, Metric         string
	Chart                trend.Kind
	Statistic            float64 // NaN: no frame has come after the baseline
	Centre, Lower, Upper float64
}

// recentRuns is how many runs are looked at for one that ended; the others go
// on or broke off.
const recentRuns = 100

// Gather fills in what the ledger and the disk tell. The charts are those of
// the control rules; those that cannot be drawn are left out, since [Judge]
// tells of them, and so are folders whose free space is not known. Software,
// Version and, where the keeper has them, Alerts are the caller's to set.
func Gather(ctx context.Context, led *ledger.Ledger, rules []configs.Rule, env Env) (Metrics, error) {
	j := &judge{env, led}
	var m Metrics
	var runs []ledger.Run
	err := errors.Join(
		set(&m.Frames)(led.CountsSince(ctx, time.Time{})),
		set(&m.Quarantine)(led.CountFailures(ctx)),
		set(&m.Alerts)(led.Alerts(ctx, false)),
		set(&m.Arrivals)(led.Arrivals(ctx)),
		set(&runs)(led.Runs(ctx, recentRuns)),
		set(&m.Levels)(j.levels(ctx)),
		set(&m.Controls)(j.controls(ctx, rules)),
	)
	if i := slices.IndexFunc(runs, func(r ledger.Run) bool { return !r.Ended.IsZero() }); i >= 0 {
		m.LastRun = &runs[i]
	}
	m.Free = j.free()
	return m, err
}

// set stores the value of a call that may fail.
func set[T any](to *T) func(T, error) error {
	return func(v T, err error) error {
		if err == nil {
			*to = v
		}
		return err
	}
}

func (j *judge) free() map[string]uint64 {
	free := map[string]uint64{}
	if j.Free == nil {
		return free
	}
	for _, word := range slices.Sorted(maps.Keys(j.Folders)) {
		if n, err := j.Free(j.Folders[word]); err == nil {
			free[word] = n
		}
	}
	return free
}

// levels reads the latest value of each metric of each series.
func (j *judge) levels(ctx context.Context) ([]Level, error) {
	series, err := seriesOf(ctx, j.led, ledger.Filter{})
	if err != nil {
		return nil, err
	}
	var all []Level
	for _, s := range series {
		names, err := j.led.MetricNames(ctx, j.What, s)
		if err != nil {
			return nil, err
		}
		for _, name := range names {
			last, err := j.led.MetricPoints(ctx, j.What, name, s, time.Time{}, 1, false)
			if err != nil {
				return nil, err
			}
			for _, p := range last {
				all = append(all, Level{s, name, p.Begin, p.Value})
			}
		}
	}
	return all, nil
}

// controls draws the charts of the control rules.
func (j *judge) controls(ctx context.Context, rules []configs.Rule) ([]Control, error) {
	var all []Control
	for i := range rules {
		r := &rules[i]
		if r.Kind != configs.RuleControl {
			continue
		}
		series, err := seriesOf(ctx, j.led, ledger.Filter{Instrument: r.Instrument, Detector: r.Detector, Mode: r.Mode, Band: r.Band})
		if err != nil {
			return nil, err
		}
		for _, s := range series {
			c, err := j.chart(ctx, r, s)
			if ctx.Err() != nil {
				return nil, ctx.Err()
			}
			if err != nil {
				continue
			}
			all = append(all, Control{s, r.Name, r.Metric, c.Kind, lastStatistic(c), c.Centre, c.Lower, c.Upper})
		}
	}
	return all, nil
}

func lastStatistic(c *followed) float64 {
	if len(c.Points) == 0 {
		return math.NaN()
	}
	return c.Points[len(c.Points)-1].Statistic
}
