package ledger_test

import (
	"bufio"
	"context"
	"fmt"
	"iter"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"evenlight/pipeline/ledger"
)

const (
	fewFrames  = 1_000
	manyFrames = 1_000_000
)

// The bands of the campaign, and how long a set of masters serves.
var campaignBands = []string{"blue", "green", "red", "near"}

const mastersServe = 24 * time.Hour

// campaignFrame is one of a picture a minute, the bands by turns.
func campaignFrame(i int) ledger.Frame {
	f := frame(i)
	f.Parts[0].Band = campaignBands[i%len(campaignBands)]
	return f
}

// masters are those of the campaign, a day at a time.
type masters struct {
	shared []ledger.Input // the same for all bands
	flats  map[string]ledger.Input
}

// campaignMasters are the masters of the days of some frames.
func campaignMasters(frames int) []masters {
	days := make([]masters, 1+int(time.Duration(frames)*time.Minute/mastersServe))
	for day := range days {
		m := &days[day]
		for _, kind := range []string{"bad-pixels", "bias", "dark", "linearity"} {
			m.shared = append(m.shared, ledger.Input{Role: kind, SHA256: of(kind, day)})
		}
		m.flats = map[string]ledger.Input{}
		for _, band := range campaignBands {
			m.flats[band] = ledger.Input{Role: "flat", SHA256: of("flat", band, day)}
		}
	}
	return days
}

// inputs appends what a frame is made with.
func inputs(to []ledger.Input, days []masters, p *ledger.Part, raw ledger.Hash) []ledger.Input {
	m := &days[p.Begin.Sub(start)/mastersServe]
	to = append(to, m.shared...)
	return append(to, m.flats[p.Band], ledger.Input{Role: ledger.RoleRaw, SHA256: raw})
}

func campaignOutcome(i int, days []masters) ledger.Outcome {
	f := campaignFrame(i)
	p := product(i)
	p.Inputs = inputs(nil, days, &f.Parts[0], f.SHA256)
	return ledger.Outcome{Frame: &f, Product: p, Metrics: []ledger.Metric{{"median_snr", 55.5}, {"saturated", 0}, {"offset_dn", 101.25}}}
}

// campaign is an archive of that many frames.
func campaign(frames int) iter.Seq2[ledger.Record, error] {
	return func(yield func(ledger.Record, error) bool) {
		days := campaignMasters(frames)
		for i := range frames {
			o := campaignOutcome(i, days)
			if !yield(ledger.Record{Recipe: &recipe, Outcome: &o}, nil) {
				return
			}
		}
	}
}

// benchmarkAddress is on the server, if there is one, or else in a file.
func benchmarkAddress(b *testing.B, name string) string {
	if server := os.Getenv(postgresVariable); server != "" {
		return newSchema(b, server)
	}
	return filepath.Join(b.TempDir(), name+".db")
}

// BenchmarkFrames measures on a ledger of a thousand frames and on one of a
// million: reading it back from the archive, recording one frame more (durably,
// in a transaction of its own), planning, which goes through all frames, finds
// what each should be made of and tells which products are out of date, the
// points of a control chart, and what a look at the state of things asks for.
func BenchmarkFrames(b *testing.B) {
	ctx := context.Background()
	ledgers := map[int]*ledger.Ledger{}
	for _, n := range []int{fewFrames, manyFrames} {
		l := open(b, benchmarkAddress(b, fmt.Sprint(n)))
		ledgers[n] = l
		begin := time.Now()
		got[int](b)(l.Rebuild(ctx, campaign(n)))
		took := time.Since(begin)
		b.Run(fmt.Sprintf("rebuild=%d", n), func(b *testing.B) {
			for b.Loop() { // measured once, above
			}
			b.ReportMetric(took.Seconds(), "s")
			b.ReportMetric(float64(took.Microseconds())/float64(n), "us/frame")
			b.ReportMetric(0, "ns/op")
		})
	}
	b.Run("record", func(b *testing.B) { benchmarkRecord(b, ledgers[fewFrames], ledgers[manyFrames]) })
	for _, n := range []int{fewFrames, manyFrames} {
		b.Run(fmt.Sprintf("plan=%d", n), func(b *testing.B) { benchmarkPlan(b, ledgers[n]) })
		b.Run(fmt.Sprintf("chart=%d", n), func(b *testing.B) { benchmarkChart(b, ledgers[n]) })
		b.Run(fmt.Sprintf("failures=%d", n), func(b *testing.B) {
			for b.Loop() {
				must(b, ledgers[n].EachFailure(ctx, func(*ledger.FailureRow) error { return nil }))
			}
		})
		b.Run(fmt.Sprintf("stats=%d", n), func(b *testing.B) {
			for b.Loop() {
				got[ledger.Stats](b)(ledgers[n].Stats(ctx))
			}
		})
		b.Run(fmt.Sprintf("check=%d", n), func(b *testing.B) {
			for b.Loop() {
				must(b, ledgers[n].Check(ctx))
			}
		})
	}
}

// benchmarkRecord records by turns in both ledgers, so that what else the
// computer does strikes both, and gives the medians.
func benchmarkRecord(b *testing.B, few, many *ledger.Ledger) {
	ledgers := [2]*ledger.Ledger{few, many}
	var took [2][]float64
	next := manyFrames
	days := campaignMasters(2 * manyFrames)
	for b.Loop() {
		o := campaignOutcome(next, days)
		next++
		for i, l := range ledgers {
			begin := time.Now()
			must(b, l.Record(context.Background(), o))
			took[i] = append(took[i], float64(time.Since(begin).Nanoseconds())/1e3)
		}
	}
	var median [2]float64
	for i := range took {
		slices.Sort(took[i])
		median[i] = took[i][len(took[i])/2]
	}
	b.ReportMetric(median[0], "us/frame-of-few")
	b.ReportMetric(median[1], "us/frame-of-many")
	b.ReportMetric(median[1]/median[0], "ratio")
}

// benchmarkChart reads what a control chart of one series needs: its baseline
// and the latest points.
func benchmarkChart(b *testing.B, l *ledger.Ledger) {
	s := scenes
	s.Band = campaignBands[0]
	for b.Loop() {
		for _, c := range []struct {
			n     int
			first bool
		}{{30, true}, {100, false}} {
			if points := got[[]ledger.MetricPoint](b)(l.MetricPoints(context.Background(), calibrated, "offset_dn", s, time.Time{}, c.n, c.first)); len(points) != c.n {
				b.Fatalf("%d points, want %d", len(points), c.n)
			}
		}
	}
}

// benchmarkPlan plans with other algorithms for every hundredth frame, whose
// product is thereby out of date.
func benchmarkPlan(b *testing.B, l *ledger.Ledger) {
	days := campaignMasters(2 * manyFrames)
	madeBy := recipe.Hash()
	made := make([]ledger.Input, 0, 8)
	forgetPeak()
	for b.Loop() {
		frames, stale := 0, 0
		must(b, l.EachFrame(context.Background(), calibrated, ledger.Filter{Instrument: "quillon", Kind: "scene"}, func(r *ledger.FrameRow) error {
			wanted := ledger.Identity{What: calibrated, Detector: r.Detector, Plane: r.Plane, Recipe: madeBy, Algorithm: "1",
				Inputs: inputs(made, days, &r.Part, r.Frame)}
			if frames%100 == 0 {
				wanted.Algorithm = "2"
			}
			frames++
			if ledger.ProductID(wanted) != r.Product {
				stale++
			}
			if r.ProductPath == "" || r.ProductRecipe != madeBy || r.ProductInputs == 0 {
				b.Errorf("what is known of a product is not told: %+v", r)
			}
			return nil
		}))
		if want := (frames + 99) / 100; stale != want || frames < fewFrames {
			b.Fatalf("%d of %d products are out of date, want %d", stale, frames, want)
		}
	}
	if peak, ok := peakMiB(); ok {
		b.ReportMetric(peak, "MiB-peak")
	}
}

// forgetPeak and peakMiB look at the most memory that the process had, that of
// the database included (proc(5)).
func forgetPeak() { _ = os.WriteFile("/proc/self/clear_refs", []byte("5"), 0) }

func peakMiB() (float64, bool) {
	f, err := os.Open("/proc/self/status")
	if err != nil {
		return 0, false
	}
	defer f.Close()
	for lines := bufio.NewScanner(f); lines.Scan(); {
		if rest, ok := strings.CutPrefix(lines.Text(), "VmHWM:"); ok {
			var kib float64
			_, err := fmt.Sscan(rest, &kib)
			return kib / 1024, err == nil
		}
	}
	return 0, false
}
