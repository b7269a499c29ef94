package archive_test

import (
	"context"
	"path/filepath"
	"testing"
	"time"

	"evenlight/configs"
	"evenlight/pipeline"
	"evenlight/pipeline/alert"
	"evenlight/pipeline/archive"
	"evenlight/pipeline/ledger"
)

// told says how often people were told of alerts, since the archive was opened.
func told(t *testing.T, h *house, raised, repeated, cleared int) {
	t.Helper()
	r, p, c := h.events(alert.EventRaised), h.events(alert.EventRepeated), h.events(alert.EventCleared)
	if r != raised || p != repeated || c != cleared {
		t.Errorf("%d raised, %d repeated, %d cleared; want %d, %d, %d", r, p, c, raised, repeated, cleared)
	}
}

// seriesOf is the only series of scenes of an archive.
func seriesOf(t *testing.T, h *house) ledger.Series {
	t.Helper()
	var all []ledger.Series
	must(t, h.Ledger().EachSeries(context.Background(), ledger.Filter{Kind: configs.KindScene}, func(s ledger.Series) error {
		all = append(all, s)
		return nil
	}))
	if len(all) != 1 {
		t.Fatalf("there are the series %v, want one", all)
	}
	return all[0]
}

// warm is a rule that the first two violet scenes are judged by: the detector is
// above the bound in the one and below it in the other.
func warm(t *testing.T, h *house) configs.Rule {
	t.Helper()
	h.arrive(h.c.scenes[:2]...)
	h.pass()
	points, err := h.Ledger().MetricPoints(context.Background(), pipeline.ProductFrame, "temperature_k",
		seriesOf(t, h), time.Time{}, 10, true)
	must(t, err)
	if len(points) != 2 || points[0].Value == points[1].Value {
		t.Fatalf("the temperatures are %v", points)
	}
	middle := (points[0].Value + points[1].Value) / 2
	rule := configs.Rule{Name: "warm", Kind: configs.RuleThreshold, Metric: "temperature_k", Above: &middle}
	if points[0].Value < middle {
		rule.Above, rule.Below = nil, &middle
	}
	return rule
}

func TestAnAlertIsRaisedOnceAndCleared(t *testing.T) {
	t.Parallel()
	rule := warm(t, newHouse(t, "quillon", nil))
	h := newHouse(t, "quillon", func(c *configs.Archive) {
		c.Alerts.Rules = []configs.Rule{rule}
		c.Alerts.MetricsFile = filepath.Join(filepath.Dir(c.Masters), "metrics.txt")
	})
	h.pass()
	told(t, h, 0, 0, 0)
	h.arrive(h.c.scenes[0])
	r := h.pass()
	told(t, h, 1, 0, 0)
	if len(r.Alerts) != 1 || r.Alerts[0].Rule != "warm" {
		t.Errorf("the report has the alerts %+v", r.Alerts)
	}
	says(t, string(read(t, h.cfg.Alerts.MetricsFile)), "warm", "# EOF") // OpenMetrics 1.0 ends with that line
	for range 3 {
		h.later(time.Hour)
		if r := h.pass(); len(r.Alerts) != 1 {
			t.Errorf("the report has the alerts %+v", r.Alerts)
		}
	}
	h.reopen()
	h.pass()
	told(t, h, 0, 0, 0)
	h.later(24 * time.Hour)
	h.pass()
	told(t, h, 0, 1, 0)
	h.arrive(h.c.scenes[1])
	if r := h.pass(); len(r.Alerts) != 0 {
		t.Errorf("the report has the alerts %+v", r.Alerts)
	}
	told(t, h, 0, 1, 1)
	h.pass()
	told(t, h, 0, 1, 1)
	status, err := h.Status(context.Background())
	must(t, err)
	if len(status.Alerts) != 0 {
		t.Errorf("the status has the alerts %+v", status.Alerts)
	}
}

func TestFailuresRaiseAnAlertOnceUntilTheyAreOutOfSight(t *testing.T) {
	t.Parallel()
	h := newHouse(t, "quillon", func(c *configs.Archive) {
		c.Alerts.Rules = []configs.Rule{{Name: "failing", Kind: configs.RuleFailures, Percent: 30, AtLeast: 2, Hours: 24}}
	})
	write(t, filepath.Join(h.src, "bad.fits"), flipped(t, h.c.scenes[1]))
	h.pass()
	told(t, h, 0, 0, 0) // one alone says little
	h.later(time.Hour)
	h.arrive(h.c.scenes[0])
	r := h.pass() // one of two
	told(t, h, 1, 0, 0)
	if len(r.Alerts) != 1 {
		t.Fatalf("the report has the alerts %+v", r.Alerts)
	}
	says(t, r.Alerts[0].Message, "1 of 2", "50 %")
	for range 3 {
		h.later(time.Hour)
		h.pass()
	}
	told(t, h, 1, 0, 0)
	h.later(time.Hour)
	h.arrive(h.c.scenes[2:5]...)
	h.pass() // one of five
	told(t, h, 1, 0, 1)
}

func TestReprocessingJudgesTheRulesToo(t *testing.T) {
	t.Parallel()
	h := filled(t, 2, nil)
	high := 0.0
	h.cfg.Alerts.Rules = []configs.Rule{{Name: "good", Kind: configs.RuleThreshold, Metric: "good_fraction", Above: &high}}
	h.reopen()
	h.newFlat("violet")
	r := h.reprocess(h.plan(archive.Selection{}), archive.Limits{})
	told(t, h, 1, 0, 0)
	if len(r.Alerts) != 1 {
		t.Errorf("the report has the alerts %+v", r.Alerts)
	}
}
