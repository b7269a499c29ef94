package archive_test

import (
	"context"
	"encoding/json"
	"errors"
	"maps"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"evenlight/configs"
	"evenlight/pipeline"
	"evenlight/pipeline/archive"
	"evenlight/pipeline/ledger"
)

// metrics are all metrics of all current products, by the raw file's content,
// the detector, the plane and the metric's name.
func (h *house) metrics() map[string]float64 {
	h.t.Helper()
	ctx := context.Background()
	out := map[string]float64{}
	must(h.t, h.Ledger().EachFrame(ctx, pipeline.ProductFrame, ledger.Filter{}, func(row *ledger.FrameRow) error {
		if row.Product.IsZero() {
			return nil
		}
		_, metrics, err := h.Ledger().Product(ctx, row.Product)
		for _, m := range metrics {
			out[strings.Join([]string{row.Frame.String(), row.Detector, string(rune('0' + row.Plane)), m.Name}, " ")] = m.Value
		}
		return err
	}))
	return out
}

// runs are those that worked on frames.
func (h *house) runs() []ledger.Run {
	h.t.Helper()
	runs, err := h.Ledger().Runs(context.Background(), 1000)
	must(h.t, err)
	runs = slices.DeleteFunc(runs, func(r ledger.Run) bool { return r.What == "rebuild" })
	for i := range runs {
		runs[i].ID = 0 // numbers may be given anew
	}
	return runs
}

func (h *house) alerts() []ledger.Alert {
	h.t.Helper()
	alerts, err := h.Ledger().Alerts(context.Background(), true)
	must(h.t, err)
	for i := range alerts {
		alerts[i].Last, alerts[i].Told = time.Time{}, time.Time{} // of the last look, which the journal does not follow
	}
	return alerts
}

// Losing the ledger loses nothing.
func TestALostLedgerIsMadeAnew(t *testing.T) {
	t.Parallel()
	for _, camera := range []string{"quillon", "pellam", "umber", "sallow", "tarn"} {
		t.Run(camera, func(t *testing.T) {
			t.Parallel()
			h := newHouse(t, camera, nil)
			h.arrive(h.c.scenes...)
			n := h.pass().Counts.Done
			products, metrics, runs, stats := h.products(), h.metrics(), h.runs(), h.stats()
			if n < len(h.c.scenes) || len(metrics) < 5*n {
				t.Fatalf("%d products with %d metrics", n, len(metrics))
			}
			r := h.rebuilt()
			if r.Products != n || r.Masters != stats.Masters || len(r.Skipped) > 0 {
				t.Errorf("%d products, %d masters are read back, %v skipped; want %d, %d, none", r.Products, r.Masters, r.Skipped, n, stats.Masters)
			}
			if got := h.metrics(); !maps.Equal(got, metrics) {
				t.Errorf("%d metrics are other ones", differing(got, metrics))
			}
			if got := h.runs(); !reflect.DeepEqual(got, runs) {
				t.Errorf("the runs are %+v, want %+v", got, runs)
			}
			did(t, h.pass(), 0, n, 0)
			h.isCurrent(n)
			sameContents(t, "products", h.products(), products)
			did(t, h.pass(), 0, 0, 0)
			if got := h.stats(); !reflect.DeepEqual(got, stats) {
				t.Errorf("the ledger has %+v, and had %+v", got, stats)
			}
		})
	}
}

func differing(a, b map[string]float64) int {
	n := 0
	for k, v := range a {
		if w, ok := b[k]; !ok || v != w {
			n++
		}
	}
	for k := range b {
		if _, ok := a[k]; !ok {
			n++
		}
	}
	return n
}

// What a process made that was stopped before it could tell the ledger is taken
// over as it is.
func TestAPassAdoptsProductsThatTheLedgerDoesNotKnow(t *testing.T) {
	t.Parallel()
	for _, camera := range []string{"quillon", "sallow", "umber"} {
		t.Run(camera, func(t *testing.T) {
			t.Parallel()
			maker := newHouse(t, camera, nil)
			maker.arrive(maker.c.scenes...)
			n := maker.pass().Counts.Done
			h := newHouse(t, camera, nil)
			h.arrive(h.c.scenes[0])
			first := h.pass().Counts.Done
			for _, name := range files(maker.products()) {
				if to := filepath.Join(h.cfg.Products, name); !isThere(to) {
					copyFile(t, filepath.Join(maker.cfg.Products, name), to, -1)
				}
			}
			before, times := h.products(), marks(t, h.cfg.Products)
			h.arrive(h.c.scenes[1:]...)
			r := h.pass()
			did(t, r, 0, 0, 0)
			if r.Adopted != n-first {
				t.Errorf("%d products were adopted, want %d", r.Adopted, n-first)
			}
			if changed := changedSince(t, h.cfg.Products, before, times); len(changed) > 0 {
				t.Errorf("%v were touched", changed)
			}
			if got, want := h.metrics(), maker.metrics(); !maps.Equal(got, want) {
				t.Errorf("%d metrics are other ones", differing(got, want))
			}
			h.isCurrent(n)
		})
	}
}

// An empty ledger beside products was lost, or is the wrong one: nothing is
// done until it is made anew.
func TestAnEmptyLedgerBesideProductsIsRefused(t *testing.T) {
	t.Parallel()
	h := filled(t, 3, nil)
	before, times := h.products(), marks(t, h.cfg.Products)
	h.loseLedger()
	h.newFlat("violet")
	h.arrive(h.c.scenes[3])
	for range 2 {
		if _, err := h.Pass(context.Background(), archive.PassOptions{}); !errors.Is(err, archive.ErrLedgerLost) {
			t.Errorf("the pass ends with %v, want that the ledger was lost", err)
		} else {
			says(t, err.Error(), "ledger rebuild")
		}
	}
	if changed := changedSince(t, h.cfg.Products, before, times); len(changed) > 0 {
		t.Errorf("%v were touched", changed)
	}
	_, err := h.Rebuild(context.Background())
	must(t, err)
	did(t, h.pass(), 1, 3, 0)
	runs, err := h.Ledger().Runs(context.Background(), 10)
	must(t, err)
	if !slices.ContainsFunc(runs, func(r ledger.Run) bool { return r.What == "rebuild" && !r.Ended.IsZero() }) {
		t.Errorf("the runs are %+v, want one of the rebuild among them", runs)
	}
}

func TestADamagedProductIsLeftOutReportedAndMadeAgain(t *testing.T) {
	t.Parallel()
	for _, camera := range []string{"quillon", "sallow"} {
		for name, damage := range map[string]func(data []byte) []byte{
			"a flipped bit": func(data []byte) []byte { data[len(data)/2] ^= 1; return data },
			"cut off":       func(data []byte) []byte { return data[:len(data)/3] },
			"empty":         func([]byte) []byte { return nil },
		} {
			t.Run(camera+" "+name, func(t *testing.T) {
				t.Parallel()
				h := newHouse(t, camera, nil)
				at := h.arrive(h.c.scenes...)
				n := h.pass().Counts.Done
				before := h.products()
				victim := h.product(at[len(at)-2])
				write(t, victim, damage(read(t, victim)))
				r := h.rebuilt()
				if r.Products != n-1 || len(r.Skipped) != 1 || h.events(archive.EventRebuildSkipped) != 1 {
					t.Fatalf("%d products are read back and %v is skipped, want %d and the damaged one", r.Products, r.Skipped, n-1)
				}
				says(t, r.Skipped[0], victim)
				did(t, h.pass(), 1, n-1, 0)
				h.isCurrent(n)
				sameContents(t, "products", h.products(), before)
			})
		}
	}
}

// The ledger knows earlier versions again, and where they lie.
func TestEarlierVersionsAreKnownAfterwards(t *testing.T) {
	t.Parallel()
	h := filled(t, 3, nil)
	h.newFlat("violet")
	h.reprocess(h.plan(archive.Selection{}), archive.Limits{})
	before := h.superseded()
	if len(before) != h.scenesOf(3, "violet") {
		t.Fatalf("%d products are superseded", len(before))
	}
	r := h.rebuilt()
	if r.Earlier != len(before) || r.Products != 3 {
		t.Errorf("%d earlier versions and %d products, want %d and 3", r.Earlier, r.Products, len(before))
	}
	for id, path := range before {
		p, _, err := h.Ledger().Product(context.Background(), id)
		must(t, err)
		if p.State != ledger.Superseded || p.Path != path {
			t.Errorf("the earlier version is %s at %s, want superseded at %s", p.State, p.Path, path)
		}
	}
	did(t, h.pass(), 0, 3, 0)
	h.isCurrent(3)
}

// superseded lists the earlier versions by identity with their paths.
func (h *house) superseded() map[ledger.Hash]string {
	h.t.Helper()
	out := map[ledger.Hash]string{}
	reader := pipeline.NewProductReader()
	for _, name := range files(contents(h.t, h.cfg.Earlier)) {
		path := filepath.Join(h.cfg.Earlier, name)
		record, err := reader.Read(path)
		must(h.t, err)
		profile, err := ledger.ParseHash(record.ProfileHash)
		must(h.t, err)
		id := ledger.Identity{What: record.What, Detector: record.Detector, Plane: record.Plane, Algorithm: record.Version,
			Recipe: ledger.Recipe{Profile: profile, Version: record.Version, Text: string(record.Profile)}.Hash()}
		for _, in := range record.Inputs {
			sha, err := ledger.ParseHash(in.SHA256)
			must(h.t, err)
			id.Inputs = append(id.Inputs, ledger.Input{Role: in.Role, SHA256: sha})
		}
		out[ledger.ProductID(id)] = path
	}
	return out
}

func TestRunsAndAlertsAreReadFromTheJournal(t *testing.T) {
	t.Parallel()
	low := 2.0
	h := newHouse(t, "quillon", func(c *configs.Archive) {
		c.Alerts.Rules = []configs.Rule{
			{Name: "good", Kind: configs.RuleThreshold, Metric: "good_fraction", Below: &low}, // a share is never that high
			{Name: "failed", Kind: configs.RuleFailures, Percent: 10, AtLeast: 1, Hours: 1},
		}
	})
	h.arrive(h.c.scenes[0])
	write(t, filepath.Join(h.src, "bad.fits"), flipped(t, h.c.scenes[1]))
	h.pass()
	h.later(2 * time.Hour) // the failure is out of sight
	h.arrive(h.c.scenes[2])
	h.pass()
	runs, alerts := h.runs(), h.alerts()
	cleared := slices.IndexFunc(alerts, func(a ledger.Alert) bool { return !a.Cleared.IsZero() })
	if len(runs) != 2 || len(alerts) < 2 || cleared < 0 {
		t.Fatalf("%d runs and alerts %+v; want 2, and one that is over among two or more", len(runs), alerts)
	}

	// The process was killed while it wrote the last line.
	journal := glob(t, h.cfg.Journal, "*.jsonl")
	text := read(t, journal[len(journal)-1])
	write(t, journal[len(journal)-1], append(slices.Clone(text), []byte(`{"run":{"What":"intake","Owner":"proc`)...))
	r := h.rebuilt()
	if r.Runs != 2 {
		t.Errorf("%d runs are read back, want 2", r.Runs)
	}
	if got := h.runs(); !reflect.DeepEqual(got, runs) {
		t.Errorf("the runs are %+v, want %+v", got, runs)
	}
	if got := h.alerts(); !sameAlerts(got, alerts) {
		t.Errorf("the alerts are %+v, want %+v", got, alerts)
	}
	// The next line is whole, and the torn one stays what it is.
	h.later(time.Minute)
	h.arrive(h.c.scenes[3])
	h.pass()
	whole := 0
	for line := range strings.Lines(string(read(t, journal[len(journal)-1]))) {
		if json.Valid([]byte(line)) {
			whole++
		}
	}
	if want := strings.Count(string(text), "\n"); whole <= want {
		t.Errorf("%d lines of the journal are whole, want more than the %d before", whole, want)
	}
	if r := h.rebuilt(); r.Runs < 3 {
		t.Errorf("%d runs are read back, want those before and after the torn line", r.Runs)
	}
}

func sameAlerts(a, b []ledger.Alert) bool {
	key := func(x ledger.Alert) string {
		text, _ := json.Marshal(x)
		return string(text)
	}
	var x, y []string
	for i := range a {
		x = append(x, key(a[i]))
	}
	for i := range b {
		y = append(y, key(b[i]))
	}
	slices.Sort(x)
	slices.Sort(y)
	return slices.Equal(x, y)
}

func TestQuarantineIsFoundAgainWithoutLedgerAndRawFiles(t *testing.T) {
	t.Parallel()
	h := newHouse(t, "quillon", nil)
	h.dropMasters("flat-*-red-*.fits")
	at := h.arrive(h.c.scenes...)
	h.pass()
	n := len(h.quarantined())
	if n == 0 || n == len(at) {
		t.Fatalf("%d of %d frames are in quarantine: nothing is tested", n, len(at))
	}
	must(t, os.RemoveAll(h.src))
	must(t, os.MkdirAll(h.src, 0o777))
	h.rebuilt()
	did(t, h.pass(), 0, 0, n)
	if got := h.failures(); got != n {
		t.Errorf("the ledger has %d failures, want %d", got, n)
	}
	did(t, h.pass(), 0, 0, 0)
	h.takeMasters("flat-*-red-*.fits")
	did(t, h.pass(), n, 0, 0)
	if p := h.plan(archive.Selection{Files: true}); p.Stale != 0 || p.Current != len(at) {
		t.Errorf("%d are stale %v and %d current, want 0 and %d", p.Stale, p.Reasons, p.Current, len(at))
	}
	if got := len(h.quarantined()); got != 0 {
		t.Errorf("%d frames are still in quarantine", got)
	}
}

// A raw file of a tube that is moved goes on being the frame before of those
// that arrive with the move.
func TestAMovedFrameBeforeIsFound(t *testing.T) {
	t.Parallel()
	first, second := pair(t)
	h := newHouse(t, "sallow", nil)
	old := h.arrive(first)[0]
	did(t, h.pass(), 1, 0, 0)
	moved := filepath.Join(h.src, "moved", filepath.Base(first))
	must(t, os.MkdirAll(filepath.Dir(moved), 0o777))
	must(t, os.Rename(old, moved))
	h.arrive(second)
	did(t, h.pass(), 1, 1, 0)
	h.isCurrent(2)
	sameProducts(t, h)
}

// Where the frame before is gone for good, what is made without it is not
// called stale for ever.
func TestAFrameBeforeThatIsGoneIsNotWaitedFor(t *testing.T) {
	t.Parallel()
	first, second := pair(t)
	h := newHouse(t, "sallow", nil)
	old := h.arrive(first)[0]
	h.pass()
	must(t, os.Remove(old))
	h.arrive(second)
	did(t, h.pass(), 1, 0, 0)
	h.reprocess(h.plan(archive.Selection{}), archive.Limits{})
	h.pass()
	if p := h.plan(archive.Selection{}); p.Stale != 0 {
		t.Errorf("%d are stale %v after all was made again", p.Stale, p.Reasons)
	}
}

// Where the raw files are gone too, products are what there is: none is called
// stale, and none is touched.
func TestWithoutLedgerAndRawFilesProductsStay(t *testing.T) {
	t.Parallel()
	for _, camera := range []string{"quillon", "sallow"} {
		t.Run(camera, func(t *testing.T) {
			t.Parallel()
			h := newHouse(t, camera, nil)
			h.arrive(h.c.scenes...)
			n := h.pass().Counts.Done
			before, times := h.products(), marks(t, h.cfg.Products)
			must(t, os.RemoveAll(h.src))
			h.rebuilt()
			h.pass()
			if p := h.plan(archive.Selection{Files: true}); p.Stale != 0 || p.Current+p.Held != n {
				t.Errorf("%d are stale %v, %d current and %d held; want none stale of %d", p.Stale, p.Reasons, p.Current, p.Held, n)
			}
			if changed := changedSince(t, h.cfg.Products, before, times); len(changed) > 0 {
				t.Errorf("%v were touched", changed)
			}
		})
	}
}

// A raw file that is taken away after both products were made does not call for
// a worse product of the frame that follows it.
func TestAProductIsNotMadeAgainForTheLackOfTheFrameBefore(t *testing.T) {
	t.Parallel()
	first, second := pair(t)
	h := newHouse(t, "sallow", nil)
	old := h.arrive(first, second)[0]
	did(t, h.pass(), 2, 0, 0)
	must(t, os.Remove(old))
	h.pass()
	if p := h.plan(archive.Selection{}); p.Stale != 0 {
		t.Errorf("%d are stale %v, want none", p.Stale, p.Reasons)
	}
}
