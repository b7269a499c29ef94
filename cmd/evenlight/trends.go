package main

import (
	"cmp"
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"evenlight/configs"
	"evenlight/pipeline/alert"
	"evenlight/pipeline/archive"
	"evenlight/pipeline/ledger"
	"evenlight/pipeline/trend"
)

func sortedKeys[V any](m map[string]V) []string { return slices.Sorted(maps.Keys(m)) }

// trendView is a control chart of one series, for machines.
type trendView struct {
	Instrument string           `json:"instrument"`
	Detector   string           `json:"detector"`
	Mode       string           `json:"mode,omitempty"`
	Band       string           `json:"band,omitempty"`
	Metric     string           `json:"metric"`
	Chart      string           `json:"chart"`
	Centre     *float64         `json:"centre,omitempty"`
	Lower      *float64         `json:"lower,omitempty"`
	Upper      *float64         `json:"upper,omitempty"`
	Problem    string           `json:"problem,omitempty"`  // why there are no limits
	Suspects   []string         `json:"suspects,omitempty"` // frames of the baseline that stand out
	Points     []trendPointView `json:"points"`
}

type trendPointView struct {
	Time      time.Time `json:"time"`
	Raw       string    `json:"raw"`
	Value     float64   `json:"value"`
	Statistic float64   `json:"statistic"`
	Out       bool      `json:"out"`
}

// levelView is the latest value of a metric of one series.
type levelView struct {
	Instrument string    `json:"instrument"`
	Detector   string    `json:"detector"`
	Mode       string    `json:"mode,omitempty"`
	Band       string    `json:"band,omitempty"`
	Metric     string    `json:"metric"`
	Time       time.Time `json:"time"`
	Value      float64   `json:"value"`
}

func trendsCommand(s *settings) *cobra.Command {
	k := &keeping{settings: s}
	opt := archive.TrendOptions{Settings: trend.Settings{Kind: trend.EWMA, Baseline: 30, Sigmas: 3, Lambda: 0.2}}
	var since, chart string
	c := &cobra.Command{
		Use:   "trends --archive FILE",
		Short: "Show how a metric of the products goes over time, on a control chart",
		Long: `Without --metric, lists the metrics and their latest values. With it, draws for
each series (instrument, detector, mode, band) a control chart (NIST/SEMATECH
e-Handbook of Statistical Methods, 6.3.2): the first values set centre and limits,
the last ones are compared with them.`,
		Example: "  evenlight trends --archive archive.yaml\n  evenlight trends --archive archive.yaml --metric read_noise_e.left --chart individuals --last 50",
		Args:    cobra.NoArgs,
		PreRunE: func(*cobra.Command, []string) error {
			var sel archive.Selection
			if err := parseTimes(&sel, since, ""); err != nil {
				return fmt.Errorf("--since: %w", err)
			}
			opt.Filter.From, opt.Filter.Kind, opt.Settings.Kind = sel.From, configs.KindScene, trend.Kind(chart)
			return checkTrend(&opt)
		},
		RunE: k.on(false, func(c *cobra.Command, a *opened) error {
			if opt.Metric == "" {
				levels, err := a.Metrics(a.ctx, opt.Filter)
				if err != nil {
					return failed(err)
				}
				views := levelViews(levels)
				return k.answer(c, views, levelsText(views))
			}
			trends, err := a.Trends(a.ctx, opt)
			if err != nil {
				return failed(err)
			}
			if len(trends) == 0 {
				return failed(fmt.Errorf("no product has a metric %s: 'evenlight trends' without --metric lists them", opt.Metric))
			}
			views := trendViews(trends, opt.Metric, chart)
			return k.answer(c, views, trendsText(views))
		}),
	}
	needArchive(c, &k.path)
	f := c.Flags()
	f.StringVar(&opt.Metric, "metric", "", "metric to draw")
	f.StringVar(&chart, "chart", configs.ChartEWMA, "kind of chart: individuals or ewma")
	f.IntVar(&opt.Settings.Baseline, "baseline", opt.Settings.Baseline, "frames that set the limits")
	f.StringVar(&since, "since", "", "the baseline begins at this time (default: with the first frame)")
	f.Float64Var(&opt.Settings.Sigmas, "sigmas", opt.Settings.Sigmas, "half width of the limits, in standard deviations")
	f.Float64Var(&opt.Settings.Lambda, "lambda", opt.Settings.Lambda, "weight of the newest value, of an ewma chart")
	f.IntVar(&opt.Last, "last", 20, "points to show")
	f.StringVar(&opt.Filter.Instrument, "instrument", "", "of this instrument only")
	f.StringVar(&opt.Filter.Detector, "detector", "", "of this detector only")
	f.StringVar(&opt.Filter.Mode, "mode", "", "in this readout mode only")
	f.StringVar(&opt.Filter.Band, "band", "", "of this band only")
	return c
}

func checkTrend(o *archive.TrendOptions) error {
	s := o.Settings
	switch {
	case s.Kind != trend.EWMA && s.Kind != trend.Individuals:
		return fmt.Errorf("--chart %q: choose %s or %s", s.Kind, configs.ChartIndividuals, configs.ChartEWMA)
	case s.Baseline < 2:
		return fmt.Errorf("--baseline %d: name a number from 2", s.Baseline)
	case !(s.Sigmas > 0):
		return fmt.Errorf("--sigmas %g: name a number above 0", s.Sigmas)
	case !(s.Lambda > 0 && s.Lambda <= 1):
		return fmt.Errorf("--lambda %g: name a number above 0, at most 1", s.Lambda)
	case o.Last < 1:
		return fmt.Errorf("--last %d: name a number from 1", o.Last)
	}
	return nil
}

func levelViews(levels []alert.Level) []levelView {
	views := make([]levelView, len(levels))
	for i, l := range levels {
		views[i] = levelView{l.Instrument, l.Detector, l.Mode, l.Band, l.Metric, l.Time, l.Value}
	}
	return views
}

func levelsText(levels []levelView) string {
	var b strings.Builder
	last := ledger.Series{}
	for _, l := range levels {
		if s := (ledger.Series{Instrument: l.Instrument, Detector: l.Detector, Mode: l.Mode, Band: l.Band}); s != last {
			fmt.Fprintf(&b, "%s, at %s\n", seriesText(s.Instrument, s.Detector, s.Mode, s.Band), l.Time.UTC().Format(time.RFC3339))
			last = s
		}
		fmt.Fprintf(&b, "  %-32s %.6g\n", l.Metric, l.Value)
	}
	return cmp.Or(b.String(), "no products yet\n")
}

func seriesText(words ...string) string {
	return strings.Join(slices.DeleteFunc(words, func(w string) bool { return w == "" }), ", ")
}

func trendViews(trends []archive.Trend, metric, chart string) []trendView {
	views := make([]trendView, len(trends))
	for i := range trends {
		t := &trends[i]
		s := t.Series
		v := trendView{Instrument: s.Instrument, Detector: s.Detector, Mode: s.Mode, Band: s.Band, Metric: metric, Chart: chart, Problem: t.Problem, Points: []trendPointView{}}
		if t.Problem == "" {
			v.Centre, v.Lower, v.Upper = &t.Centre, &t.Lower, &t.Upper
		}
		for _, x := range t.Suspects {
			v.Suspects = append(v.Suspects, x.Name)
		}
		for _, p := range t.Points {
			v.Points = append(v.Points, trendPointView{p.Time, p.Name, p.Value, p.Statistic, p.Out})
		}
		views[i] = v
	}
	return views
}

func trendsText(trends []trendView) string {
	var b strings.Builder
	for _, t := range trends {
		fmt.Fprintf(&b, "%s: %s\n", seriesText(t.Instrument, t.Detector, t.Mode, t.Band), t.Metric)
		if t.Problem != "" {
			fmt.Fprintf(&b, "  no limits: %s\n", t.Problem)
		} else {
			fmt.Fprintf(&b, "  %s chart: centre %.6g, limits %.6g and %.6g\n", t.Chart, *t.Centre, *t.Lower, *t.Upper)
		}
		if len(t.Suspects) > 0 {
			fmt.Fprintf(&b, "  the baseline has values that stand out: %s\n", visible(strings.Join(t.Suspects, ", ")))
		}
		for _, p := range t.Points {
			fmt.Fprintf(&b, "  %s %12.6g %12.6g %-3s %s\n", p.Time.UTC().Format("2006-01-02T15:04:05"), p.Value, p.Statistic, map[bool]string{true: "OUT"}[p.Out], visible(p.Raw))
		}
	}
	return b.String()
}
