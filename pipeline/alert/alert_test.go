package alert_test

import (
	"context"
	"crypto/sha256"
	"fmt"
	"path/filepath"
	"testing"
	"time"

	"evenlight/pipeline/ledger"
)

// What the tests share: a ledger of the invented camera quillon.

const calibrated = "calibrated frame"

var (
	start  = time.Date(2031, 4, 5, 6, 0, 0, 0, time.UTC)
	recipe = ledger.Recipe{Profile: of("profile"), Version: "1", Text: "quantity: radiance\n"}
)

func of(parts ...any) ledger.Hash { return sha256.Sum256([]byte(fmt.Sprintln(parts...))) }

func must(t testing.TB, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

func openAt(t testing.TB, path string) *ledger.Ledger {
	t.Helper()
	l, err := ledger.Open(context.Background(), path, ledger.Options{Wait: 100 * time.Millisecond})
	must(t, err)
	t.Cleanup(func() { _ = l.Close() }) // some tests close it themselves
	return l
}

func newLedger(t testing.TB) *ledger.Ledger {
	t.Helper()
	return openAt(t, filepath.Join(t.TempDir(), "ledger.db"))
}

// green is the series of the tests, in which a frame is taken each minute.
var green = ledger.Series{Instrument: "quillon", Detector: "main", Mode: "full", Band: "green", Kind: "scene"}

const greenSubject = "instrument=quillon detector=main mode=full band=green kind=scene"

func nameOf(i int) string { return fmt.Sprintf("%06d-scene.fits", i) }

func minute(i int) time.Time { return start.Add(time.Duration(i) * time.Minute) }

// measure records frames of a series with their products and one metric, from
// the i-th frame on.
func measure(t testing.TB, l *ledger.Ledger, s ledger.Series, metric string, i int, values ...float64) {
	t.Helper()
	ctx := context.Background()
	_, err := l.AddRecipe(ctx, recipe)
	must(t, err)
	outcomes := make([]ledger.Outcome, len(values))
	for k, v := range values {
		raw := of("raw", s, i+k)
		outcomes[k] = ledger.Outcome{
			Frame: &ledger.Frame{SHA256: raw, Path: "/archive/quillon/" + nameOf(i+k), Name: nameOf(i + k), Bytes: 2_104_320, Seen: minute(i + k).Add(time.Hour),
				Parts: []ledger.Part{{Instrument: s.Instrument, Detector: s.Detector, Mode: s.Mode, Band: s.Band, Kind: s.Kind, Begin: minute(i + k), TempK: 233.15}}},
			Product: &ledger.Product{
				Identity: ledger.Identity{What: calibrated, Detector: s.Detector, Recipe: recipe.Hash(), Algorithm: "1",
					Inputs: []ledger.Input{{Role: ledger.RoleRaw, SHA256: raw}, {Role: "flat", SHA256: of("flat")}}},
				Path: fmt.Sprintf("/products/%s/%06d.fits", s.Band, i+k), SHA256: of("product", s, i+k), Bytes: 4_000_000, Made: minute(i + k).Add(time.Hour)},
			Metrics: []ledger.Metric{{Name: metric, Value: v}},
		}
	}
	must(t, l.Record(ctx, outcomes...))
}
