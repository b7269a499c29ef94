package archive_test

import (
	"context"
	"math"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"evenlight/configs"
	"evenlight/pipeline"
	"evenlight/pipeline/alert"
	"evenlight/pipeline/archive"
	"evenlight/pipeline/ledger"
	"evenlight/pipeline/trend"
)

func TestTheStatusTellsHowTheArchiveIs(t *testing.T) {
	t.Parallel()
	h := newHouse(t, "quillon", nil)
	h.dropMasters("flat-*-red-*.fits")
	h.arrive(h.c.scenes...)
	h.arrive(h.c.files[:2]...)
	first := h.pass()
	red := first.Counts.Failed
	h.later(time.Hour)
	h.takeMasters("flat-*-red-*.fits")
	second := h.pass()
	h.newFlat("violet")
	third := h.reprocess(h.plan(archive.Selection{}), archive.Limits{})

	s, err := h.Status(context.Background())
	must(t, err)
	kind := strings.TrimSuffix(filepath.Base(h.c.files[0])[5:], ".fits")
	if s.Frames != 11 || s.Parts[configs.KindScene] != 9 || s.Parts[kind] != 2 {
		t.Errorf("%d raw files with %v, want 11: 9 scenes and 2 of kind %s", s.Frames, s.Parts, kind)
	}
	if violet := h.scenesOf(9, "violet"); s.Products != 9 || s.Earlier != violet || len(s.Quarantine) != 0 {
		t.Errorf("%d products, %d earlier versions, %d in quarantine; want 9, %d, none", s.Products, s.Earlier, len(s.Quarantine), violet)
	}
	if n := len(glob(t, h.cfg.Masters, "*.fits")); s.Masters != n {
		t.Errorf("%d masters, want %d", s.Masters, n)
	}
	if got := s.Arrivals["quillon"]; got != begun.Format(time.RFC3339) {
		t.Errorf("the last frame arrived at %s, want %s: what is only made anew does not arrive", got, begun.Format(time.RFC3339))
	}
	if red == 0 || len(s.Runs) != 3 {
		t.Fatalf("%d failed at first; the runs are %+v, want three", red, s.Runs)
	}
	for i, want := range []struct {
		r       *archive.Report
		outcome string
	}{{third, "done"}, {second, "done"}, {first, "some failed"}} { // the latest first
		got, c := s.Runs[i], want.r.Counts
		if got.What != want.r.What || got.Done != c.Done || got.Failed != c.Failed || got.Skipped != c.Skipped || got.Outcome != want.outcome || got.Ended.IsZero() {
			t.Errorf("run %d is %+v, and its report says %+v", i, got, c)
		}
	}
}

// Values, limits and points of a trend are worked out here from the products
// themselves, with the formulas of the NIST/SEMATECH e-Handbook, 6.3.2.2.
func TestATrendIsDrawnFromTheProducts(t *testing.T) {
	t.Parallel()
	h := newHouse(t, "oxlip", nil)
	at := h.arrive(h.c.scenes...)
	n := h.pass().Counts.Done
	const metric = "temperature_k"
	type value struct {
		begin time.Time
		x     float64
	}
	series := map[string][]value{}
	reader := pipeline.NewProductReader()
	for _, raw := range at {
		r, err := reader.Read(h.product(raw))
		must(t, err)
		i := slices.IndexFunc(r.Figures, func(f pipeline.Figure) bool { return f.Name == metric })
		if i < 0 {
			t.Fatalf("%s has no %s", h.product(raw), metric)
		}
		series[r.Frame.Mode+" "+r.Frame.Band] = append(series[r.Frame.Mode+" "+r.Frame.Band], value{r.Frame.Time, r.Figures[i].Value})
	}
	const baseline = 3
	trends, err := h.Trends(context.Background(), archive.TrendOptions{Metric: metric, Last: 100, Filter: ledger.Filter{Kind: configs.KindScene},
		Settings: trend.Settings{Kind: trend.Individuals, Baseline: baseline, Sigmas: 3}})
	must(t, err)
	if len(trends) != len(series) || n != len(at) {
		t.Fatalf("%d trends of %d products, want one of each of %d series", len(trends), n, len(series))
	}
	judged := 0
	for _, got := range trends {
		want := series[got.Series.Mode+" "+got.Series.Band]
		slices.SortFunc(want, func(a, b value) int { return a.begin.Compare(b.begin) })
		if len(want) < baseline {
			if got.Problem == "" || len(got.Points) != len(want) {
				t.Errorf("%v: of %d values, the problem is %q and %d points are shown", got.Series, len(want), got.Problem, len(got.Points))
			}
			continue
		}
		judged++
		mean, ranges := 0.0, 0.0
		for i, v := range want[:baseline] {
			mean += v.x / baseline
			if i > 0 {
				ranges += math.Abs(v.x-want[i-1].x) / (baseline - 1)
			}
		}
		half := 3 * ranges / 1.128
		if !nearly(got.Centre, mean) || !nearly(got.Lower, mean-half) || !nearly(got.Upper, mean+half) {
			t.Errorf("%v: centre %g, limits %g to %g; want %g, %g to %g", got.Series, got.Centre, got.Lower, got.Upper, mean, mean-half, mean+half)
		}
		if len(got.Points) != len(want)-baseline {
			t.Errorf("%v: %d points, want %d", got.Series, len(got.Points), len(want)-baseline)
			continue
		}
		for i, p := range got.Points {
			w := want[baseline+i]
			if p.Value != w.x || !p.Time.Equal(w.begin) || p.Out != (w.x < mean-half || w.x > mean+half) {
				t.Errorf("%v: point %d is %+v, want %v", got.Series, i, p, w)
			}
		}
	}
	if judged == 0 {
		t.Error("no series is long enough: nothing is tested")
	}

	levels, err := h.Metrics(context.Background(), ledger.Filter{Kind: configs.KindScene})
	must(t, err)
	for _, want := range series {
		last := want[len(want)-1]
		if !slices.ContainsFunc(levels, func(l alert.Level) bool {
			return l.Metric == metric && l.Value == last.x && l.Time.Equal(last.begin)
		}) {
			t.Errorf("the latest value, %v, is not among the levels", last)
		}
	}
}

// nearly allows for the rounding of sums.
func nearly(a, b float64) bool { return math.Abs(a-b) <= 1e-12*math.Max(math.Abs(a), math.Abs(b)) }
