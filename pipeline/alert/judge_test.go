package alert_test

import (
	"context"
	"errors"
	"fmt"
	"math"
	"path/filepath"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"evenlight/configs"
	"evenlight/pipeline/alert"
	"evenlight/pipeline/ledger"
)

func number(v float64) *float64 { return &v }

func env() alert.Env { return alert.Env{Now: start.Add(1000 * time.Hour), What: calibrated} }

func judge(t *testing.T, l *ledger.Ledger, e alert.Env, rules ...configs.Rule) []alert.Finding {
	t.Helper()
	found, err := alert.Judge(context.Background(), l, rules, e)
	must(t, err)
	return found
}

// expect checks that there is one finding, whose message says some things.
func expect(t *testing.T, found []alert.Finding, subject string, since time.Time, says ...string) {
	t.Helper()
	if len(found) != 1 {
		t.Fatalf("%d findings: %+v", len(found), found)
	}
	f := found[0]
	if f.Subject != subject || !f.Since.Equal(since) {
		t.Errorf("subject %q since %v, want %q since %v", f.Subject, f.Since, subject, since)
	}
	for _, s := range says {
		if !strings.Contains(f.Message, s) {
			t.Errorf("the message does not say %q: %s", s, f.Message)
		}
	}
}

func TestThresholdIsBrokenByLastFramesInARow(t *testing.T) {
	long := make([]float64, 150)
	for i := range long {
		long[i] = 2
	}
	tests := []struct {
		name   string
		rule   configs.Rule
		values []float64
		since  int // frame; -1: all is well
		says   []string
	}{
		{"above", configs.Rule{Above: number(1.2)}, []float64{1, 1.5}, 1, []string{"is 1.5 in 000001-scene.fits of 2031-04-05T06:01:00Z", "above the bound of 1.2 by 0.3", "(1 frame)"}},
		{"at the bound", configs.Rule{Above: number(1.2)}, []float64{1, 1.2}, -1, nil},
		{"below", configs.Rule{Below: number(0.8)}, []float64{1, 0.5, 0.6}, 1, []string{"is 0.6", "below the bound of 0.8 by 0.2", "since 000001-scene.fits of 2031-04-05T06:01:00Z (2 frames)"}},
		{"one bound and the other", configs.Rule{Above: number(1.2), Below: number(0.8), Frames: 2}, []float64{1, 2, 0}, 1, []string{"is 0 in"}},
		{"it was, and is not", configs.Rule{Above: number(1.2)}, []float64{1.5, 1}, -1, nil},
		{"not long enough", configs.Rule{Above: number(1.2), Frames: 3}, []float64{1, 2, 2}, -1, nil},
		{"long enough", configs.Rule{Above: number(1.2), Frames: 3}, []float64{1, 2, 2, 2}, 1, []string{"(3 frames)"}},
		{"fewer frames than are asked for", configs.Rule{Above: number(1.2), Frames: 3}, []float64{2, 2}, -1, nil},
		{"for longer than is looked back", configs.Rule{Above: number(1.2)}, long, 50, []string{"(100 frames or more)"}},
		{"more frames than are looked back", configs.Rule{Above: number(1.2), Frames: 140}, long, 10, []string{"(140 frames or more)"}},
		{"another metric", configs.Rule{Above: number(1.2), Metric: "median"}, []float64{2}, -1, nil},
		{"another instrument", configs.Rule{Above: number(1.2), Instrument: "pellam"}, []float64{2}, -1, nil},
		{"another detector", configs.Rule{Above: number(1.2), Detector: "left"}, []float64{2}, -1, nil},
		{"another mode", configs.Rule{Above: number(1.2), Mode: "binned"}, []float64{2}, -1, nil},
		{"another band", configs.Rule{Above: number(1.2), Band: "red"}, []float64{2}, -1, nil},
	}
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			l := newLedger(t)
			measure(t, l, green, "noise_ratio", 0, test.values...)
			test.rule.Name, test.rule.Kind = "noise", configs.RuleThreshold
			if test.rule.Metric == "" {
				test.rule.Metric = "noise_ratio"
			}
			found := judge(t, l, env(), test.rule)
			if test.since < 0 {
				if len(found) > 0 {
					t.Errorf("findings %+v", found)
				}
				return
			}
			expect(t, found, greenSubject, minute(test.since), append(test.says, "noise_ratio of instrument=quillon")...)
			if found[0].Rule != "noise" || found[0].Unjudged {
				t.Errorf("finding %+v", found[0])
			}
		})
	}
}

func TestEachSeriesIsJudgedByItself(t *testing.T) {
	l := newLedger(t)
	red, blue := green, green
	red.Band, blue.Band = "red", "dark blue"
	measure(t, l, green, "noise_ratio", 0, 1)
	measure(t, l, red, "noise_ratio", 10, 2)
	measure(t, l, blue, "noise_ratio", 20, 3)
	found := judge(t, l, env(), configs.Rule{Name: "noise", Kind: configs.RuleThreshold, Metric: "noise_ratio", Above: number(1.5)})
	if len(found) != 2 {
		t.Fatalf("findings %+v", found)
	}
	for i, want := range []string{`band="dark blue"`, "band=red"} {
		if !strings.Contains(found[i].Subject, want) {
			t.Errorf("subject %d is %s", i, found[i].Subject)
		}
	}
}

// steady is a baseline of 9 and 11 in turn: mean 10, mean moving range 2 and
// so sigma 2/1.128 = 1.773; standard deviation sqrt(30/29) = 1.017.
func steady() []float64 {
	v := make([]float64, 30)
	for i := range v {
		v[i] = 9 + 2*float64(i%2)
	}
	return v
}

func TestControlIsBrokenOutsideOfTheChart(t *testing.T) {
	individuals := configs.Rule{Chart: configs.ChartIndividuals}
	average := configs.Rule{Chart: configs.ChartEWMA}
	tests := []struct {
		name   string
		rule   configs.Rule
		before []float64 // the baseline
		after  []float64
		since  int // frame after the baseline; -1: all is well
		says   []string
	}{
		{"within the limits", individuals, steady(), []float64{15.3, 4.7}, -1, nil}, // 10 ± 3 x 1.773 = 4.681, 15.319
		{"above", individuals, steady(), []float64{10, 15.4}, 1, []string{"is 15.4 in 000031-scene.fits of 2031-04-05T06:31:00Z", "above the limit of 15.3191", "30 frames from 2031-04-05T06:00:00Z to 2031-04-05T06:29:00Z", "around 10", "(1 frame)"}},
		{"below", individuals, steady(), []float64{4.6, 3}, 0, []string{"is 3 in", "below the limit of 4.68085", "since 000030-scene.fits", "(2 frames)"}},
		{"back again", individuals, steady(), []float64{20, 10}, -1, nil},
		{"narrow limits", configs.Rule{Chart: configs.ChartIndividuals, Sigmas: 1}, steady(), []float64{12}, 0, []string{"limit of 11.773"}},
		// Half width 3 x 1.017 x sqrt(0.2/1.8) = 1.017; from 10 the average goes
		// by 2 (1 - 0.8^n): 0.4, 0.72, 0.976, 1.181.
		{"small change that lasts", average, steady(), []float64{12, 12, 12, 12}, 3, []string{"is 12 (moving average 11.1808)", "limit of 11.0171"}},
		{"small change so far", average, steady(), []float64{12, 12, 12}, -1, nil},
		{"same change on individuals", individuals, steady(), []float64{12, 12, 12, 12}, -1, nil},
		{"quicker average", configs.Rule{Chart: configs.ChartEWMA, Lambda: 1}, steady(), []float64{13.1}, 0, []string{"limit of 13.0513"}},
		{"nothing after the baseline", individuals, steady(), nil, -1, nil},
		{"no baseline yet", individuals, []float64{9, 11, 9}, []float64{100}, -1, nil},
		{"shorter baseline", configs.Rule{Chart: configs.ChartIndividuals, Baseline: 4}, []float64{9, 11, 9, 11}, []float64{16}, 0, []string{"4 frames from"}},
		{"outlier in the baseline", individuals, append(steady()[:29], 80), []float64{-50}, 0, []string{"1 of the baseline lie far out themselves, the first in 000029-scene.fits"}},
	}
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			l := newLedger(t)
			measure(t, l, green, "noise_ratio", 0, append(test.before, test.after...)...)
			test.rule.Name, test.rule.Kind, test.rule.Metric = "noise", configs.RuleControl, "noise_ratio"
			found := judge(t, l, env(), test.rule)
			if test.since < 0 {
				if len(found) > 0 {
					t.Errorf("findings %+v", found)
				}
				return
			}
			expect(t, found, greenSubject, minute(len(test.before)+test.since), test.says...)
		})
	}
}

func TestBaselineBeginsWhereTheRuleSays(t *testing.T) {
	l := newLedger(t)
	measure(t, l, green, "noise_ratio", 0, append([]float64{100, 200, 300}, append(steady(), 20)...)...)
	rule := configs.Rule{Name: "noise", Kind: configs.RuleControl, Metric: "noise_ratio", Chart: configs.ChartIndividuals, Since: "2031-04-05T06:03:00Z"}
	expect(t, judge(t, l, env(), rule), greenSubject, minute(33), "is 20 in", "limit of 15.3191", "from 2031-04-05T06:03:00Z to 2031-04-05T06:32:00Z")
	rule.Since = "yesterday"
	found := judge(t, l, env(), rule)
	expect(t, found, alert.SubjectRule, time.Time{}, `since is "yesterday"`, "2031-04-05T06:07:08Z")
	if !found[0].Unjudged {
		t.Error("the rule was not judged, and that is not said")
	}
}

func TestBaselineWithoutSpreadIsToldOf(t *testing.T) {
	l := newLedger(t)
	measure(t, l, green, "flagged.saturated", 0, make([]float64, 31)...)
	rule := configs.Rule{Name: "bright", Kind: configs.RuleControl, Metric: "flagged.saturated", Chart: configs.ChartEWMA}
	expect(t, judge(t, l, env(), rule), greenSubject, time.Time{}, "cannot be judged", "all 30 are 0", "use a threshold")
}

// The chart of a long series is drawn from its end only; its statistic must be
// that of the whole series.
func TestLongMemoryIsNotCutShort(t *testing.T) {
	const n, lambda = 900, 0.05
	values := steady()
	z := 10.0
	for i := range n {
		v := 10 + 3*math.Sin(float64(i)/200)
		values = append(values, v)
		z = lambda*v + (1-lambda)*z
	}
	l := newLedger(t)
	measure(t, l, green, "noise_ratio", 0, values...)
	rule := configs.Rule{Name: "noise", Kind: configs.RuleControl, Metric: "noise_ratio", Chart: configs.ChartEWMA, Lambda: lambda}
	m, err := alert.Gather(context.Background(), l, []configs.Rule{rule}, env())
	must(t, err)
	// What is left out weighs less than 1e-9 of at most 3 from the centre.
	if len(m.Controls) != 1 || math.Abs(m.Controls[0].Statistic-z) > 3e-9 {
		t.Errorf("controls %+v, the whole series ends at %v", m.Controls, z)
	}
}

// The baseline may end amid frames of one time, such as the planes of a cube.
func TestFramesOfTheTimeOfTheBaselinesEndAreJudged(t *testing.T) {
	l := newLedger(t)
	measure(t, l, green, "noise_ratio", 0, steady()...)
	raw := of("cube")
	frame := ledger.Frame{SHA256: raw, Name: "cube.fits"}
	var outcomes []ledger.Outcome
	for plane := 1; plane <= 3; plane++ {
		frame.Parts = append(frame.Parts, ledger.Part{Instrument: green.Instrument, Detector: green.Detector, Mode: green.Mode, Band: green.Band, Kind: green.Kind, Plane: plane, Begin: minute(29)})
		outcomes = append(outcomes, ledger.Outcome{
			Product: &ledger.Product{Identity: ledger.Identity{What: calibrated, Detector: green.Detector, Plane: plane, Recipe: recipe.Hash(), Algorithm: "1",
				Inputs: []ledger.Input{{Role: ledger.RoleRaw, SHA256: raw}, {Role: "flat", SHA256: of("flat")}}}, Path: fmt.Sprintf("/products/cube-%d.fits", plane), SHA256: of("plane", plane)},
			Metrics: []ledger.Metric{{Name: "noise_ratio", Value: 50}},
		})
	}
	must(t, l.AddFrames(context.Background(), []ledger.Frame{frame}))
	must(t, l.Record(context.Background(), outcomes...))
	rule := configs.Rule{Name: "noise", Kind: configs.RuleControl, Metric: "noise_ratio", Chart: configs.ChartIndividuals, Baseline: 29}
	c, err := alert.Gather(context.Background(), l, []configs.Rule{rule}, env())
	must(t, err)
	// 29 frames come before minute 29, whose four points are judged.
	if len(c.Controls) != 1 || c.Controls[0].Centre != (30*10-11)/29.0 {
		t.Fatalf("controls %+v", c.Controls)
	}
	rule.Baseline = 31 // the frame of minute 29 and one of the planes are in, or two planes
	c, err = alert.Gather(context.Background(), l, []configs.Rule{rule}, env())
	must(t, err)
	if len(c.Controls) != 1 || math.IsNaN(c.Controls[0].Statistic) {
		t.Errorf("the planes after the baseline were not judged: %+v", c.Controls)
	}
}

func run(t *testing.T, l *ledger.Ledger, began time.Time, c ledger.Counts) {
	t.Helper()
	ctx := context.Background()
	id, err := l.BeginRun(ctx, ledger.Run{What: "intake", Owner: "test", Started: began})
	must(t, err)
	must(t, l.EndRun(ctx, id, began.Add(time.Minute), c, "done"))
}

func TestFailuresAreJudgedByTheirShareOfTheFramesTried(t *testing.T) {
	now := env().Now
	ago := func(h float64) time.Time { return now.Add(-time.Duration(h * float64(time.Hour))) }
	tests := []struct {
		name string
		runs map[float64]ledger.Counts // by hours ago
		rule configs.Rule
		says []string // nil: all is well
		ago  float64  // since when
	}{
		{"many", map[float64]ledger.Counts{20: {Found: 50, Done: 50}, 10: {Found: 70, Done: 30, Skipped: 20, Failed: 20}}, configs.Rule{Percent: 10, Hours: 24}, []string{"20 of 100 frames", "20 %, more than 10 %", "last 24 hours", "the first in the run of 2031-05-16T12:00:00Z"}, 10},
		{"no more than allowed", map[float64]ledger.Counts{10: {Done: 90, Failed: 10}}, configs.Rule{Percent: 10, Hours: 24}, nil, 0},
		{"skipped frames do not count", map[float64]ledger.Counts{10: {Skipped: 1000, Done: 85, Failed: 15}}, configs.Rule{Percent: 10, Hours: 24}, []string{"15 of 100"}, 10},
		{"too few to judge", map[float64]ledger.Counts{10: {Failed: 9}}, configs.Rule{Percent: 10, Hours: 24}, nil, 0},
		{"enough to judge", map[float64]ledger.Counts{10: {Failed: 10}}, configs.Rule{Percent: 10, Hours: 24}, []string{"10 of 10"}, 10},
		{"fewer are enough", map[float64]ledger.Counts{10: {Failed: 3}}, configs.Rule{Percent: 10, Hours: 24, AtLeast: 3}, []string{"3 of 3"}, 10},
		{"too long ago", map[float64]ledger.Counts{25: {Failed: 100}}, configs.Rule{Percent: 10, Hours: 24}, nil, 0},
		{"just now", map[float64]ledger.Counts{0: {Failed: 100}}, configs.Rule{Percent: 10, Hours: 24}, []string{"100 of 100"}, 0},
		{"ahead, as after a clock was set back", map[float64]ledger.Counts{-5: {Failed: 100}}, configs.Rule{Percent: 10, Hours: 24}, nil, 0},
		{"hours beyond any ledger", map[float64]ledger.Counts{10: {Failed: 100}}, configs.Rule{Percent: 10, Hours: 1e12}, []string{"100 of 100"}, 10},
	}
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			l := newLedger(t)
			for h, c := range test.runs {
				run(t, l, ago(h), c)
			}
			test.rule.Name, test.rule.Kind = "failing", configs.RuleFailures
			if found := judge(t, l, env(), test.rule); len(found) > 0 {
				t.Errorf("no frame is left that failed, and yet: %+v", found)
			}
			if err := l.AddFrames(t.Context(), []ledger.Frame{{SHA256: ledger.Hash{1}, Name: "0001.fits", Failure: "damaged", FailedAs: ledger.Hash{2}}}); err != nil {
				t.Fatal(err)
			}
			found := judge(t, l, env(), test.rule)
			if test.says == nil {
				if len(found) > 0 {
					t.Errorf("findings %+v", found)
				}
				return
			}
			expect(t, found, "archive", ago(test.ago), test.says...)
		})
	}
}

func TestSilenceIsTimeWithoutNewFrames(t *testing.T) {
	l := newLedger(t)
	measure(t, l, green, "noise_ratio", 0, 1)                                        // arrived an hour after it was taken
	measure(t, l, ledger.Series{Instrument: "pellam"}, "noise_ratio", 6000, 1, 1, 1) // 100 hours later
	arrived := start.Add(time.Hour)
	rule := configs.Rule{Name: "quiet", Kind: configs.RuleSilence, Instrument: "quillon", Hours: 48}
	at := func(after time.Duration) alert.Env { return alert.Env{Now: arrived.Add(after), What: calibrated} }

	expect(t, judge(t, l, at(48*time.Hour+time.Second), rule), "instrument=quillon", arrived, "no new frame of quillon", "48.0 hours (more than 48)", "since 2031-04-05T07:00:00Z")
	if found := judge(t, l, at(48*time.Hour), rule); len(found) > 0 {
		t.Errorf("after 48 hours, no more: %+v", found)
	}
	if found := judge(t, l, at(-48*time.Hour), rule); len(found) > 0 {
		t.Errorf("with a clock that was set back: %+v", found)
	}
	expect(t, judge(t, l, at(-1000*time.Hour), rule), "instrument=quillon", time.Time{}, "2031-04-05T07:00:00Z", "lies ahead of now")
	rule.Instrument = ""
	if found := judge(t, l, at(1000*time.Hour), rule); len(found) != 2 {
		t.Errorf("both are silent: %+v", found)
	}
	rule.Instrument = "pellam"
	expect(t, judge(t, l, at(1000*time.Hour), rule), "instrument=pellam", minute(6002).Add(time.Hour))
	rule.Instrument = "brindle"
	if found := judge(t, l, at(1000*time.Hour), rule); len(found) > 0 {
		t.Errorf("an instrument that never delivered: %+v", found)
	}
}

func TestSpaceIsJudgedByWhatIsLeft(t *testing.T) {
	l := newLedger(t)
	e := env()
	e.Folders = map[string]string{"products": "/srv/my products", "earlier": "/srv/earlier"}
	e.Free = func(folder string) (uint64, error) {
		if folder == "/srv/earlier" {
			return 0, errors.New("no such folder\n\x00\xff at all")
		}
		return 5 << 30, nil
	}
	rule := func(folder string, gib float64) configs.Rule {
		return configs.Rule{Name: "room", Kind: configs.RuleSpace, Folder: folder, BelowGiB: gib}
	}
	expect(t, judge(t, l, e, rule("products", 5.1)), "folder=products", time.Time{}, "5.00 GiB are left", `"/srv/my products"`, "less than 5.1 GiB", "make room")
	if found := judge(t, l, e, rule("products", 5)); len(found) > 0 {
		t.Errorf("as much as asked for: %+v", found)
	}
	found := judge(t, l, e, rule("earlier", 1))
	expect(t, found, "folder=earlier", time.Time{}, "no such folder; \ufffd\ufffd at all", "mounted")
	expect(t, judge(t, l, e, rule("cellar", 1)), alert.SubjectRule, time.Time{}, `no folder of "cellar"`, "[earlier products]")
	e.Free = nil
	expect(t, judge(t, l, e, rule("products", 1)), alert.SubjectRule, time.Time{}, "remove the rule")
}

func TestMasterAgeIsThatOfTheNewestOfItsSeries(t *testing.T) {
	l := newLedger(t)
	measure(t, l, green, "noise_ratio", 0, 1) // so that quillon is known
	day := func(n int) time.Time { return start.AddDate(0, 0, n) }
	master := func(kind, band string, end int, state ledger.State) ledger.Master {
		return ledger.Master{SHA256: of(kind, band, end), Kind: kind, Instrument: "quillon", Detector: "main", Mode: "full", Band: band, Begin: day(end - 1), End: day(end),
			TempMinK: 230, TempMaxK: 240, Frames: 9, Path: fmt.Sprintf("/masters/%s-%s-%d.fits", kind, band, end), State: state}
	}
	must(t, l.AddMasters(context.Background(), []ledger.Master{
		master("flat", "green", 0, ""), master("flat", "green", 10, ""), master("flat", "red", 0, ""), master("dark", "", 0, ""),
		master("bias", "", 9, ""), master("bias", "", 30, ledger.Superseded),
	}))
	at := func(n int) alert.Env { return alert.Env{Now: day(n), What: calibrated} }
	const of = " instrument=quillon detector=main mode=full"
	tests := []struct {
		name string
		rule configs.Rule
		day  int
		want []string // subjects
	}{
		{"none", configs.Rule{Days: 10}, 10, nil},
		{"each kind", configs.Rule{Days: 10}, 11, []string{"master=dark" + of, "master=flat" + of + " band=red"}},
		{"the newest counts, and only what is current", configs.Rule{Days: 10}, 20, []string{"master=bias" + of, "master=dark" + of, "master=flat" + of + " band=red"}},
		{"one kind", configs.Rule{Days: 10, Master: "flat"}, 21, []string{"master=flat" + of + " band=green", "master=flat" + of + " band=red"}},
		{"one instrument", configs.Rule{Days: 10, Instrument: "quillon", Detector: "main", Master: "dark"}, 21, []string{"master=dark" + of}},
		{"another detector", configs.Rule{Days: 10, Detector: "left"}, 21, nil},
		{"another instrument", configs.Rule{Days: 10, Instrument: "pellam"}, 21, nil},
		{"clock set back", configs.Rule{Days: 10}, -400, nil},
	}
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			test.rule.Name, test.rule.Kind = "old", configs.RuleMasterAge
			var got []string
			for _, f := range judge(t, l, at(test.day), test.rule) {
				got = append(got, f.Subject)
			}
			if strings.Join(got, "\n") != strings.Join(test.want, "\n") {
				t.Errorf("subjects %q, want %q", got, test.want)
			}
		})
	}
	found := judge(t, l, at(11), configs.Rule{Name: "old", Kind: configs.RuleMasterAge, Days: 10, Master: "dark"})
	expect(t, found, "master=dark"+of, day(10), "11.0 days old (more than 10)", "/masters/dark--0.fits", "build a master")

	barred := at(14) // what nobody may use is not the newest of anything
	barred.Barred = map[ledger.Hash]bool{master("flat", "green", 10, "").SHA256: true, master("bias", "", 9, "").SHA256: true}
	flats := judge(t, l, barred, configs.Rule{Name: "old", Kind: configs.RuleMasterAge, Days: 12, Master: "flat"})
	if len(flats) != 2 {
		t.Fatalf("%d findings on flats, want one for each band", len(flats))
	}
	expect(t, flats[:1], "master=flat"+of+" band=green", day(12), "14.0 days old (more than 12)", "/masters/flat-green-0.fits")
	expect(t, judge(t, l, barred, configs.Rule{Name: "old", Kind: configs.RuleMasterAge, Days: 12, Master: "bias"}), "master=bias"+of, time.Time{},
		"no master bias", "may serve", "withdrawn", "library list")

	e := at(11)                                                                                // masters may be given instead
	e.Masters = []ledger.Master{master("flat", "blue", 0, ""), master("flat", "blue", -5, "")} // in any order
	expect(t, judge(t, l, e, configs.Rule{Name: "old", Kind: configs.RuleMasterAge, Days: 10}), "master=flat"+of+" band=blue", day(10))
}

func TestRuleThatCannotBeJudgedLeavesTheOthersAlone(t *testing.T) {
	l := newLedger(t)
	measure(t, l, green, "noise_ratio", 0, 2)
	found := judge(t, l, env(), configs.Rule{Name: "odd", Kind: "odd"},
		configs.Rule{Name: "noise", Kind: configs.RuleThreshold, Metric: "noise_ratio", Above: number(1)})
	if len(found) != 2 || found[0].Rule != "odd" || !found[0].Unjudged || found[1].Rule != "noise" || found[1].Unjudged {
		t.Errorf("findings %+v", found)
	}
	must(t, l.Close())
	found = judge(t, l, env(), configs.Rule{Name: "quiet", Kind: configs.RuleSilence, Hours: 1}, configs.Rule{Name: "noise", Kind: configs.RuleThreshold, Metric: "noise_ratio", Above: number(1)})
	if len(found) != 2 || !found[0].Unjudged || !found[1].Unjudged {
		t.Errorf("findings on a ledger that cannot be read: %+v", found)
	}
}

func TestCancelledJudgingFindsNothing(t *testing.T) {
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	found, err := alert.Judge(ctx, newLedger(t), []configs.Rule{{Name: "quiet", Kind: configs.RuleSilence, Hours: 1}}, env())
	if !errors.Is(err, context.Canceled) || found != nil {
		t.Errorf("%v, %v", found, err)
	}
}

// File names are any bytes. What a finding says of them must be one line of
// text that a ledger takes.
func TestHostileFileNamesMakePlainMessages(t *testing.T) {
	l := newLedger(t)
	measure(t, l, green, "noise_ratio", 0, 1)
	raw := of("hostile")
	must(t, l.AddFrames(context.Background(), []ledger.Frame{{SHA256: raw, Name: "a\nalert-cleared \"x\" \x00\xff\x1b[2J.fits",
		Parts: []ledger.Part{{Instrument: green.Instrument, Detector: green.Detector, Mode: green.Mode, Band: green.Band, Kind: green.Kind, Begin: minute(5)}}}}))
	must(t, l.Record(context.Background(), ledger.Outcome{
		Product: &ledger.Product{Identity: ledger.Identity{What: calibrated, Detector: green.Detector, Recipe: recipe.Hash(), Algorithm: "1",
			Inputs: []ledger.Input{{Role: ledger.RoleRaw, SHA256: raw}}}, Path: filepath.Join("/products", "p.fits"), SHA256: of("p")},
		Metrics: []ledger.Metric{{Name: "noise_ratio", Value: 9}}}))
	found := judge(t, l, env(), configs.Rule{Name: "noise", Kind: configs.RuleThreshold, Metric: "noise_ratio", Above: number(2)})
	expect(t, found, greenSubject, minute(5), `"a\nalert-cleared \"x\" \x00\xff\x1b[2J.fits"`)
	for _, r := range found[0].Message {
		if r < ' ' || r == utf8.RuneError {
			t.Errorf("the message holds %q", r)
		}
	}
	_, err := l.RaiseAlert(context.Background(), found[0].Rule, found[0].Subject, found[0].Message, start)
	must(t, err)
}
