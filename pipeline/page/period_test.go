package page

import (
	"context"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"go.uber.org/zap"

	"evenlight/configs"
	"evenlight/pipeline"
	"evenlight/pipeline/archive"
)

// arrivals is an archive into which the scenes of a run arrive in two passes, an
// hour apart, the second half of the run first.
type arrivals struct {
	*archive.Archive
	run Run
	now time.Time
	src string
}

var arrived = time.Date(2031, 6, 1, 12, 0, 0, 0, time.UTC)

func newArrivals(t *testing.T) *arrivals {
	t.Helper()
	a := &arrivals{run: aRun(t, "quillon"), now: arrived}
	dir := t.TempDir()
	a.src = filepath.Join(dir, "raw")
	cfg := &configs.Archive{Format: 1, Ledger: filepath.Join(dir, "ledger.db"), Versions: configs.VersionsKeep,
		Masters: a.run.Masters, Products: filepath.Join(dir, "products"), Earlier: filepath.Join(dir, "earlier"),
		Quarantine: filepath.Join(dir, "quarantine"), Journal: filepath.Join(dir, "journal"),
		Sources: []configs.Source{{Name: "quillon", Folder: a.src, Profile: "quillon", Set: small["quillon"]}},
		Intake:  configs.Intake{RescanMinutes: 15, IncompleteHours: 24, CacheMiB: 256},
		Alerts:  configs.Alerts{RepeatHours: 24, Rules: []configs.Rule{{Name: "good", Kind: configs.RuleThreshold, Metric: "good_fraction", Below: new(float64)}}}}
	*cfg.Alerts.Rules[0].Below = 2 // every frame is below
	var err error
	a.Archive, err = archive.Open(context.Background(), cfg, archive.Options{Workers: 2, Log: zap.NewNop(), Now: func() time.Time { return a.now }})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { a.Close() })
	return a
}

// take lets files arrive and takes them in.
func (a *arrivals) take(t *testing.T, content map[string][]byte) {
	t.Helper()
	for name, b := range content {
		path := filepath.Join(a.src, name)
		if err := os.MkdirAll(a.src, 0o777); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path, b, 0o666); err != nil {
			t.Fatal(err)
		}
		old := time.Now().Add(-time.Hour) // it has settled
		if err := os.Chtimes(path, old, old); err != nil {
			t.Fatal(err)
		}
	}
	if _, err := a.Pass(context.Background(), archive.PassOptions{}); err != nil {
		t.Fatal(err)
	}
}

func read(t *testing.T, path string) []byte {
	t.Helper()
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func TestAPageOfAPeriodIsMadeOutOfTheLedger(t *testing.T) {
	a := newArrivals(t)
	frames := a.run.Summary.Frames
	half := len(frames) / 2
	late, early := map[string][]byte{}, map[string][]byte{}
	for _, f := range frames[half:] {
		late[filepath.Base(f.Raw)] = read(t, f.Raw)
	}
	for _, f := range frames[:half] {
		early[filepath.Base(f.Raw)] = read(t, f.Raw)
	}
	// A frame whose band is not known: it fails and goes to quarantine.
	early["odd.fits"] = []byte(strings.Replace(string(read(t, frames[0].Raw)), "FILTPOS =", "FILTPOX =", 1))
	a.take(t, late)
	a.now = arrived.Add(time.Hour)
	a.take(t, early)

	first, last := timeOf(t, frames[0].Time), timeOf(t, frames[half].Time)
	for _, c := range []struct {
		name string
		span Span
		want []pipeline.FrameReport
		fail int
	}{
		{"all by exposure", Span{By: ByExposure}, frames, 1},
		{"by exposure", Span{From: first, To: last, By: ByExposure}, frames[:half], 0}, // the odd file arrived at another time
		{"by arrival, first pass", Span{To: arrived.Add(time.Minute), By: ByArrival}, frames[half:], 0},
		{"by arrival, second pass", Span{From: arrived.Add(time.Minute), By: ByArrival}, frames[:half], 1},
		{"nothing", Span{From: arrived.Add(day), By: ByArrival}, nil, 0},
	} {
		t.Run(c.name, func(t *testing.T) {
			p, err := OfPeriod(context.Background(), a.Archive, c.span, Options{Out: t.TempDir(), Workers: 2})
			if err != nil {
				t.Fatal(err)
			}
			want := map[string]pipeline.FrameReport{}
			for _, f := range c.want {
				want[filepath.Base(f.Raw)] = f
			}
			if len(p.Frames) != len(want) || len(p.Failures) != c.fail || p.Counts.Failed != c.fail || p.Counts.Quarantined != c.fail {
				t.Fatalf("%d frames, want %d; failures %+v, counts %+v", len(p.Frames), len(want), p.Failures, p.Counts)
			}
			for i, d := range p.Details {
				s := want[d.Frame.Name]
				if d.Problem != "" || len(d.Images) != 3 || *d.Frame.Good != s.Good || d.Frame.Time != s.Time+"Z" || d.Frame.Target != s.Target || i > 0 && c.span.By == ByExposure && d.Frame.Time < p.Details[i-1].Frame.Time {
					t.Errorf("%+v (%s), want %+v", d.Frame, d.Problem, s)
				}
				for j, m := range d.Masters {
					if *m.AgeDays != s.Masters[j].AgeDays {
						t.Errorf("age of %s: %v, want %v", m.Name, *m.AgeDays, s.Masters[j].AgeDays)
					}
				}
			}
			for _, f := range p.Failures {
				if f.Name != "odd.fits" || f.Entry == "" {
					t.Errorf("%+v", f)
				}
			}
			if c.name != "nothing" && c.span.To.IsZero() && (len(p.Alerts) == 0 || p.Attention[0].Grade != GradeAct) {
				t.Errorf("alerts %+v, attention %+v", p.Alerts, p.Attention)
			}
		})
	}
}

func timeOf(t *testing.T, text string) time.Time {
	t.Helper()
	at, err := time.Parse("2006-01-02T15:04:05.000", text)
	if err != nil {
		t.Fatal(err)
	}
	return at
}
