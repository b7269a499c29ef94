package ledger_test

import (
	"bytes"
	"context"
	"database/sql"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"net/url"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"evenlight/pipeline/ledger"
)

// postgresVariable names the server on which the tests run as well.
const postgresVariable = "EVENLIGHT_TEST_POSTGRES"

var schemas atomic.Int64 // numbers them, so that each test has its own

// onEach runs a test on SQLite, and on PostgreSQL where there is a server. The
// address is that of a ledger that is not there yet.
func onEach(t *testing.T, test func(t *testing.T, address string)) {
	t.Helper()
	t.Run("sqlite", func(t *testing.T) { test(t, filepath.Join(t.TempDir(), "ledger.db")) })
	server := os.Getenv(postgresVariable)
	if server == "" {
		return
	}
	t.Run("postgres", func(t *testing.T) { test(t, newSchema(t, server)) })
}

func newSchema(t testing.TB, server string) string {
	t.Helper()
	db, err := sql.Open("pgx", server)
	if err != nil {
		t.Fatal(err)
	}
	name := fmt.Sprintf("test_%d_%d", os.Getpid(), schemas.Add(1))
	if _, err := db.Exec(`CREATE SCHEMA ` + name); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if _, err := db.Exec(`DROP SCHEMA ` + name + ` CASCADE`); err != nil {
			t.Error(err)
		}
		db.Close()
	})
	u, err := url.Parse(server)
	if err != nil {
		t.Fatal(err)
	}
	q := u.Query()
	q.Set("search_path", name)
	u.RawQuery = q.Encode()
	return u.String()
}

func open(t testing.TB, address string) *ledger.Ledger {
	t.Helper()
	l, err := ledger.Open(context.Background(), address, ledger.Options{})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := l.Close(); err != nil {
			t.Error(err)
		}
	})
	return l
}

// onLedger runs a test on an empty ledger of each kind.
func onLedger(t *testing.T, test func(t *testing.T, l *ledger.Ledger)) {
	t.Helper()
	onEach(t, func(t *testing.T, address string) { test(t, open(t, address)) })
}

func must(t testing.TB, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

func got[T any](t testing.TB) func(T, error) T {
	t.Helper()
	return func(v T, err error) T {
		t.Helper()
		must(t, err)
		return v
	}
}

// start is when the invented probe began to take pictures.
var start = time.Date(2031, 4, 5, 6, 7, 8, 123456789, time.UTC)

const calibrated = "calibrated frame"

// frame is the i-th frame of a campaign.
func frame(i int) ledger.Frame {
	return ledger.Frame{
		SHA256: of("raw", i), Path: fmt.Sprintf("/archive/quillon/%06d-scene.fits", i), Name: fmt.Sprintf("%06d-scene.fits", i),
		Bytes: 2_104_320, Seen: start.Add(2 * time.Hour),
		Parts: []ledger.Part{{Instrument: "quillon", Detector: "main", Kind: "scene", Mode: "full", Band: "green", Begin: start.Add(time.Duration(i) * time.Minute), TempK: 233.15}},
	}
}

var run = ledger.Run{What: "intake", Owner: "worker", Host: "host", Started: start}

var recipe = ledger.Recipe{Profile: of("profile"), Version: "0.3", Text: "quantity: radiance\n"}

// identity is what the i-th frame's product is made of.
func identity(i int) ledger.Identity {
	return ledger.Identity{
		What: calibrated, Detector: "main", Recipe: recipe.Hash(), Algorithm: "1",
		Inputs: []ledger.Input{{"bias", of("bias")}, {"flat", of("flat")}, {"raw", of("raw", i)}},
	}
}

func product(i int) *ledger.Product {
	return &ledger.Product{Identity: identity(i), Path: fmt.Sprintf("/products/%06d.fits", i), SHA256: of("product", i), Bytes: 12_600_000,
		Made: start.Add(3 * time.Hour), Took: 1500 * time.Millisecond, State: ledger.Current}
}

// outcome is what came of the i-th frame.
func outcome(i int) ledger.Outcome {
	f := frame(i)
	return ledger.Outcome{Frame: &f, Product: product(i), Metrics: []ledger.Metric{{"median_snr", float64(i) + 0.25}, {"saturated", 0}}}
}

// made is a ledger with outcomes of some frames.
func made(t *testing.T, l *ledger.Ledger, frames ...int) {
	t.Helper()
	got[ledger.Hash](t)(l.AddRecipe(context.Background(), recipe))
	for _, i := range frames {
		must(t, l.Record(context.Background(), outcome(i)))
	}
}

// rows lists all parts with their products.
func rows(t *testing.T, l *ledger.Ledger, filter ledger.Filter) (all []ledger.FrameRow) {
	t.Helper()
	must(t, l.EachFrame(context.Background(), calibrated, filter, func(r *ledger.FrameRow) error {
		all = append(all, *r)
		return nil
	}))
	return all
}

func TestAFrameIsReadBackAsItWasRecorded(t *testing.T) {
	onLedger(t, func(t *testing.T, l *ledger.Ledger) {
		f := frame(1)
		f.Path = "/archive/\xff not text/'; DROP TABLE frame; --.fits" // as a file system may have it
		f.Name = "two\nlines, \"quotes\", été \xfe.fits"
		f.Failure, f.FailedAs = "no end of header", of("attempt")
		f.Parts[0].TempK = 233.1
		cube := f.Parts[0]
		cube.Plane, cube.Kind, cube.Begin = 1, "dark", start.Add(time.Nanosecond)
		f.Parts = append(f.Parts, cube)
		must(t, l.AddFrames(context.Background(), []ledger.Frame{f}))
		back := got[ledger.Frame](t)(l.Frame(context.Background(), f.SHA256))
		if fmt.Sprintf("%+v", back) != fmt.Sprintf("%+v", f) {
			t.Errorf("read back\n%+v, recorded\n%+v", back, f)
		}
	})
}

func TestAnUnknownTemperatureStaysUnknown(t *testing.T) {
	onLedger(t, func(t *testing.T, l *ledger.Ledger) {
		f := frame(1)
		f.Parts[0].TempK = math.NaN()
		must(t, l.AddFrames(context.Background(), []ledger.Frame{f}))
		if r := rows(t, l, ledger.Filter{}); len(r) != 1 || !math.IsNaN(r[0].TempK) {
			t.Errorf("rows %+v, want one of unknown temperature", r)
		}
	})
}

func TestAMovedFrameIsTheSameFrame(t *testing.T) {
	onLedger(t, func(t *testing.T, l *ledger.Ledger) {
		ctx := context.Background()
		f := frame(1)
		must(t, l.AddFrames(ctx, []ledger.Frame{f}))
		f.Path, f.Seen = "/elsewhere/1.fits", f.Seen.Add(time.Hour)
		f.Parts[0].Band = "red" // the profile was mended
		must(t, l.AddFrames(ctx, []ledger.Frame{f}))
		r := rows(t, l, ledger.Filter{})
		if len(r) != 1 || r[0].Path != f.Path || r[0].Band != "red" || r[0].Frame != f.SHA256 || !r[0].Seen.Equal(f.Seen) {
			t.Errorf("rows %+v, want one, at the new place, in the new band and of the time that was recorded last", r)
		}
	})
}

func TestAnOutcomeIsReadBackAsItWasRecorded(t *testing.T) {
	onLedger(t, func(t *testing.T, l *ledger.Ledger) {
		ctx := context.Background()
		id := got[int64](t)(l.BeginRun(ctx, run))
		made(t, l)
		o := outcome(7)
		o.Product.Run = id
		o.Metrics = []ledger.Metric{{"a", math.Inf(1)}, {"b", math.NaN()}, {"c", 0.1}}
		must(t, l.Record(ctx, o))
		p, metrics, err := l.Product(ctx, ledger.ProductID(identity(7)))
		must(t, err)
		if fmt.Sprintf("%+v", p) != fmt.Sprintf("%+v", *o.Product) {
			t.Errorf("read back\n%+v, recorded\n%+v", p, *o.Product)
		}
		if fmt.Sprint(metrics) != fmt.Sprint(o.Metrics) {
			t.Errorf("metrics %v, want %v", metrics, o.Metrics)
		}
		if ledger.ProductID(p.Identity) != ledger.ProductID(identity(7)) {
			t.Error("what was read back has another identity")
		}
		if r := got[ledger.Recipe](t)(l.Recipe(ctx, p.Recipe)); r != recipe {
			t.Errorf("recipe %+v, want %+v", r, recipe)
		}
	})
}

// A cube is made of several files; none of them is its own.
func TestAProductOfSeveralFilesKeepsThemAll(t *testing.T) {
	onLedger(t, func(t *testing.T, l *ledger.Ledger) {
		ctx := context.Background()
		made(t, l)
		p := product(1)
		p.What, p.Inputs = "band cube", []ledger.Input{{"raw", of("raw", 1)}, {"raw", of("raw", 2)}}
		slices.SortFunc(p.Inputs, func(a, b ledger.Input) int { return bytes.Compare(a.SHA256[:], b.SHA256[:]) })
		must(t, l.Record(ctx, ledger.Outcome{Product: p}))
		back, _, err := l.Product(ctx, ledger.ProductID(p.Identity))
		must(t, err)
		if !slices.Equal(back.Inputs, p.Inputs) {
			t.Errorf("inputs %v, want %v", back.Inputs, p.Inputs)
		}
	})
}

func TestRecordingAgainChangesNothing(t *testing.T) {
	onLedger(t, func(t *testing.T, l *ledger.Ledger) {
		ctx := context.Background()
		fill := func() string {
			made(t, l, 1, 2, 3)
			must(t, l.AddMasters(ctx, []ledger.Master{master("flat", 1)}))
			return got[string](t)(l.Dump(ctx))
		}
		first := fill()
		if again := fill(); again != first {
			t.Errorf("then\n%s\nand now\n%s", first, again)
		}
		if n := strings.Count(first, "product ["); n != 3 {
			t.Errorf("%d products, want 3:\n%s", n, first)
		}
	})
}

func TestANewRecipeTakesThePlaceAndTheOldOneComesBack(t *testing.T) {
	onLedger(t, func(t *testing.T, l *ledger.Ledger) {
		ctx := context.Background()
		made(t, l, 1)
		other := recipe
		other.Text = "quantity: electrons\n"
		p := product(1)
		p.Recipe, p.Path = got[ledger.Hash](t)(l.AddRecipe(ctx, other)), "/products/another.fits"
		steps := []*ledger.Product{p, product(1), p}
		before := product(1)
		for _, now := range steps {
			must(t, l.Record(ctx, ledger.Outcome{Product: now}))
			if r := rows(t, l, ledger.Filter{}); len(r) != 1 || r[0].Product != ledger.ProductID(now.Identity) {
				t.Fatalf("rows %+v, want the product recorded last", r)
			}
			was, _, err := l.Product(ctx, ledger.ProductID(before.Identity))
			must(t, err)
			if was.State != ledger.Replaced {
				t.Errorf("the product before is %s", was.State)
			}
			before = now
		}
	})
}

func TestAProductTakesThePlaceOfOthersAtItsPath(t *testing.T) {
	onLedger(t, func(t *testing.T, l *ledger.Ledger) {
		ctx := context.Background()
		made(t, l, 1, 2, 3)
		must(t, l.SetProductState(ctx, ledger.ProductID(identity(2)), ledger.Missing))
		for i, path := range map[int]string{4: product(1).Path, 5: product(2).Path} {
			o := outcome(i)
			o.Product.Path = path
			must(t, l.Record(ctx, o))
		}
		for i, want := range map[int]ledger.State{1: ledger.Replaced, 2: ledger.Replaced, 3: ledger.Current, 4: ledger.Current, 5: ledger.Current} {
			p, _, err := l.Product(ctx, ledger.ProductID(identity(i)))
			must(t, err)
			if p.State != want {
				t.Errorf("product %d is %s, want %s", i, p.State, want)
			}
		}
	})
}

func TestProductsOfOtherKindsFromTheSameFrameStandBesideEachOther(t *testing.T) {
	onLedger(t, func(t *testing.T, l *ledger.Ledger) {
		ctx := context.Background()
		made(t, l, 1)
		p := product(1)
		p.What, p.Path = "picture", "/products/1.png"
		must(t, l.Record(ctx, ledger.Outcome{Product: p}))
		var of []string
		must(t, l.ProductsOf(ctx, frame(1).SHA256, func(_ ledger.Hash, path string) error {
			of = append(of, path)
			return nil
		}))
		if !slices.Equal(of, []string{product(1).Path, p.Path}) {
			t.Errorf("current products %q", of)
		}
	})
}

func TestAMissingProductIsNotCurrent(t *testing.T) {
	onLedger(t, func(t *testing.T, l *ledger.Ledger) {
		ctx := context.Background()
		made(t, l, 1)
		id := ledger.ProductID(identity(1))
		must(t, l.SetProductState(ctx, id, ledger.Missing))
		if r := rows(t, l, ledger.Filter{}); !r[0].Product.IsZero() {
			t.Errorf("row %+v", r[0])
		}
		made(t, l, 1)
		if r := rows(t, l, ledger.Filter{}); r[0].Product != id {
			t.Errorf("made again: row %+v", r[0])
		}
	})
}

func TestTheProductsOfAMasterAreFound(t *testing.T) {
	onLedger(t, func(t *testing.T, l *ledger.Ledger) {
		ctx := context.Background()
		made(t, l, 1, 2)
		other := outcome(3)
		other.Product.Inputs[1].SHA256 = of("another flat")
		must(t, l.Record(ctx, other))
		for master, want := range map[ledger.Hash][]string{
			of("flat"): {product(1).Path, product(2).Path}, of("another flat"): {product(3).Path},
			of("bias"): {product(1).Path, product(2).Path, product(3).Path}, of("raw", 2): {product(2).Path}, of("unknown"): nil,
		} {
			var paths []string
			must(t, l.ProductsOf(ctx, master, func(_ ledger.Hash, path string) error {
				paths = append(paths, path)
				return nil
			}))
			if !slices.Equal(paths, want) {
				t.Errorf("products %q, want %q", paths, want)
			}
		}
	})
}

func TestAFailureIsRememberedUntilAProductIsMade(t *testing.T) {
	onLedger(t, func(t *testing.T, l *ledger.Ledger) {
		ctx := context.Background()
		made(t, l)
		f := frame(1)
		wanted := ledger.ProductID(identity(1))
		must(t, l.Record(ctx, ledger.Outcome{Frame: &f, Failure: &ledger.Failure{Wanted: wanted, Frame: f.SHA256, Detector: "main", Message: "every sample is lost"}}))
		if r := rows(t, l, ledger.Filter{}); r[0].Failed != wanted || r[0].Failure != "every sample is lost" || !r[0].Product.IsZero() {
			t.Errorf("after the failure: %+v", r[0])
		}
		must(t, l.AddFrames(ctx, []ledger.Frame{f}))
		if r := rows(t, l, ledger.Filter{}); r[0].Failed != wanted {
			t.Errorf("seen again: %+v", r[0])
		}
		made(t, l, 1)
		if r := rows(t, l, ledger.Filter{}); !r[0].Failed.IsZero() || r[0].Failure != "" || r[0].Product != wanted {
			t.Errorf("after the product: %+v", r[0])
		}
	})
}

func TestOfABatchAllIsRecordedOrNothing(t *testing.T) {
	wrong := map[string]func(*ledger.Outcome){
		"a recipe that is not known":    func(o *ledger.Outcome) { o.Product.Recipe = of("nothing") },
		"a raw frame that is not known": func(o *ledger.Outcome) { o.Frame = nil },
		"a detector that saw nothing":   func(o *ledger.Outcome) { o.Product.Detector = "spare" },
		"a product without a hash":      func(o *ledger.Outcome) { o.Product.SHA256 = ledger.Hash{} },
		"a frame without a hash":        func(o *ledger.Outcome) { o.Frame.SHA256 = ledger.Hash{} },
		"an input without a hash":       func(o *ledger.Outcome) { o.Product.Inputs[0].SHA256 = ledger.Hash{} },
		"a product of nothing":          func(o *ledger.Outcome) { o.Product.Inputs = nil },
		"a state that there is not":     func(o *ledger.Outcome) { o.Product.State = "gone" },
		"the same metric twice":         func(o *ledger.Outcome) { o.Metrics[1].Name = o.Metrics[0].Name },
		"a run that there is not":       func(o *ledger.Outcome) { o.Product.Run = 999 },
		"bytes that are no text":        func(o *ledger.Outcome) { o.Frame.Parts[0].Mode = "\xff" },
		"a zero byte in a text":         func(o *ledger.Outcome) { o.Metrics[0].Name = "a\x00b" },
		"a time before the calendar":    func(o *ledger.Outcome) { o.Frame.Parts[0].Begin = time.Date(1600, 1, 1, 0, 0, 0, 0, time.UTC) },
		"a time that was never set":     func(o *ledger.Outcome) { o.Frame.Parts[0].Begin = time.Time{} },
		"a time of the far future":      func(o *ledger.Outcome) { o.Frame.Seen = time.Date(2300, 1, 1, 0, 0, 0, 0, time.UTC) },
		"an attempt without a failure":  func(o *ledger.Outcome) { o.Frame.FailedAs = of("attempt") },
		"a failure without a reason":    func(o *ledger.Outcome) { o.Failure = &ledger.Failure{Wanted: of("attempt"), Frame: o.Frame.SHA256} },
		"a failure without an attempt":  func(o *ledger.Outcome) { o.Failure = &ledger.Failure{Frame: o.Frame.SHA256, Message: "m"} },
		"a failure of no frame": func(o *ledger.Outcome) {
			o.Failure = &ledger.Failure{Wanted: of("attempt"), Frame: of("?"), Message: "m"}
		},
	}
	onLedger(t, func(t *testing.T, l *ledger.Ledger) {
		ctx := context.Background()
		made(t, l, 1)
		before := got[string](t)(l.Dump(ctx))
		for name, spoil := range wrong {
			bad := outcome(3)
			spoil(&bad)
			if err := l.Record(ctx, outcome(2), bad); err == nil {
				t.Errorf("%s is recorded", name)
			}
			if after := got[string](t)(l.Dump(ctx)); after != before {
				t.Fatalf("%s leaves a trace:\n%s", name, after)
			}
		}
	})
}

func TestWhatIsNotThereIsUnknown(t *testing.T) {
	onLedger(t, func(t *testing.T, l *ledger.Ledger) {
		ctx := context.Background()
		nothing := of("nothing")
		_, frameErr := l.Frame(ctx, nothing)
		_, _, productErr := l.Product(ctx, nothing)
		_, recipeErr := l.Recipe(ctx, nothing)
		for name, err := range map[string]error{
			"frame": frameErr, "product": productErr, "recipe": recipeErr, "end of a run": l.EndRun(ctx, 5, start, ledger.Counts{}, "done"),
			"state of a product": l.SetProductState(ctx, nothing, ledger.Missing), "state of a master": l.SetMasterState(ctx, nothing, ledger.Missing),
			"path of a frame": l.SetFramePath(ctx, nothing, "/path"), "alert that is told": l.AlertTold(ctx, "rule", "subject", start),
			"origin of a product": l.Record(ctx, ledger.Outcome{Product: product(1)}),
		} {
			if !errors.Is(err, ledger.ErrUnknown) || !strings.Contains(err.Error(), l.Name()) {
				t.Errorf("%s: %v", name, err)
			}
		}
	})
}

// several are parts of some detectors, modes, bands, kinds and times, some of
// which are equal.
func several() (all []ledger.Frame) {
	for i := range 330 { // a series of them repeats every 54
		f := frame(i)
		p := &f.Parts[0]
		p.Instrument = []string{"quillon", "Pellam", "brindle"}[i%3]
		p.Detector = []string{"main", "a b", "ab"}[i/3%3]
		p.Band = []string{"green", "Red", "_"}[i/9%3]
		p.Kind = []string{"scene", "flat"}[i/27%2]
		p.Begin = start.Add(time.Duration(i/54%3) * time.Second)
		second := *p
		second.Plane = 2
		p.Plane = 1
		f.Parts = []ledger.Part{second, *p}
		all = append(all, f)
	}
	return all
}

// order is that of EachFrame, in Go's own words.
func order(a, b ledger.FrameRow) int {
	for _, c := range []int{
		strings.Compare(a.Instrument, b.Instrument), strings.Compare(a.Detector, b.Detector), strings.Compare(a.Mode, b.Mode),
		strings.Compare(a.Band, b.Band), strings.Compare(a.Kind, b.Kind), a.Begin.Compare(b.Begin), bytes.Compare(a.Frame[:], b.Frame[:]), a.Plane - b.Plane,
	} {
		if c != 0 {
			return c
		}
	}
	return 0
}

func TestFramesComeInOneOrderWhateverTheOrderOfRecording(t *testing.T) {
	var want []ledger.FrameRow
	for _, f := range several() {
		for _, p := range f.Parts {
			want = append(want, ledger.FrameRow{Part: p, Frame: f.SHA256, Path: f.Path, Seen: f.Seen})
		}
	}
	slices.SortFunc(want, order)
	onLedger(t, func(t *testing.T, l *ledger.Ledger) {
		frames := several()
		rand.New(rand.NewPCG(1, 2)).Shuffle(len(frames), func(i, j int) { frames[i], frames[j] = frames[j], frames[i] })
		must(t, l.AddFrames(context.Background(), frames))
		if r := rows(t, l, ledger.Filter{}); !slices.Equal(r, want) {
			t.Errorf("rows\n%v, want\n%v", r, want)
		}
	})
}

func TestAFilterChoosesFrames(t *testing.T) {
	from, to := start.Add(time.Second), start.Add(2*time.Second)
	filters := map[string]struct {
		ledger.Filter
		takes func(ledger.Part) bool
	}{
		"instrument": {ledger.Filter{Instrument: "quillon"}, func(p ledger.Part) bool { return p.Instrument == "quillon" }},
		"kind":       {ledger.Filter{Kind: "flat"}, func(p ledger.Part) bool { return p.Kind == "flat" }},
		"detector":   {ledger.Filter{Detector: "ab"}, func(p ledger.Part) bool { return p.Detector == "ab" }},
		"mode":       {ledger.Filter{Mode: "half"}, func(p ledger.Part) bool { return false }},
		"band":       {ledger.Filter{Band: "Red"}, func(p ledger.Part) bool { return p.Band == "Red" }},
		"beginning":  {ledger.Filter{From: from}, func(p ledger.Part) bool { return !p.Begin.Before(from) }},
		"end":        {ledger.Filter{To: to}, func(p ledger.Part) bool { return p.Begin.Before(to) }},
		"several": {ledger.Filter{Instrument: "brindle", Kind: "scene", From: from, To: to}, func(p ledger.Part) bool {
			return p.Instrument == "brindle" && p.Kind == "scene" && !p.Begin.Before(from) && p.Begin.Before(to)
		}},
	}
	onLedger(t, func(t *testing.T, l *ledger.Ledger) {
		must(t, l.AddFrames(context.Background(), several()))
		all := rows(t, l, ledger.Filter{})
		for name, f := range filters {
			want := slices.DeleteFunc(slices.Clone(all), func(r ledger.FrameRow) bool { return !f.takes(r.Part) })
			if r := rows(t, l, f.Filter); !slices.Equal(r, want) {
				t.Errorf("%s: %d rows, want %d", name, len(r), len(want))
			}
		}
	})
}

func TestFramesAreOfOneMomentWhileTheyAreGoneThrough(t *testing.T) {
	onLedger(t, func(t *testing.T, l *ledger.Ledger) {
		ctx := context.Background()
		got[ledger.Hash](t)(l.AddRecipe(ctx, recipe))
		for i := range 5 {
			f := frame(i)
			f.Parts[0].Band = campaignBands[i%2] // not all in one query
			must(t, l.AddFrames(ctx, []ledger.Frame{f}))
		}
		seen := 0
		must(t, l.EachFrame(ctx, calibrated, ledger.Filter{}, func(r *ledger.FrameRow) error {
			if !r.Product.IsZero() {
				t.Errorf("frame %d shows a product that was made after the beginning", seen)
			}
			seen++
			for i := range 5 {
				o := outcome(i)
				o.Frame = nil
				if err := l.Record(ctx, o); err != nil {
					return err
				}
			}
			f := frame(100 + seen)
			f.Parts[0].Band = campaignBands[1]
			return l.AddFrames(ctx, []ledger.Frame{f})
		}))
		if seen != 5 {
			t.Errorf("%d frames, want the 5 of the beginning", seen)
		}
		if r := rows(t, l, ledger.Filter{}); len(r) != 10 {
			t.Errorf("afterwards %d frames, want 10", len(r))
		}
	})
}

func TestGoingThroughFramesStopsAtAnError(t *testing.T) {
	onLedger(t, func(t *testing.T, l *ledger.Ledger) {
		must(t, l.AddFrames(context.Background(), []ledger.Frame{frame(1), frame(2)}))
		enough, calls := errors.New("enough"), 0
		err := l.EachFrame(context.Background(), calibrated, ledger.Filter{}, func(*ledger.FrameRow) error {
			calls++
			return enough
		})
		if !errors.Is(err, enough) || calls != 1 {
			t.Errorf("%d calls, error %v", calls, err)
		}
	})
}

func master(kind string, i int) ledger.Master {
	return ledger.Master{SHA256: of(kind, i), ID: of("made of", kind, i), Kind: kind, Instrument: "quillon", Detector: "main", Mode: "full", Band: "green",
		Begin: start.Add(time.Duration(i) * time.Hour), End: start.Add(time.Duration(i)*time.Hour + time.Minute), TempMinK: 233, TempMaxK: 234, Frames: 16,
		Path: fmt.Sprintf("/masters/%s-%d.fits", kind, i), State: ledger.Current}
}

func TestMastersComeSortedAndAsTheyWereRecorded(t *testing.T) {
	onLedger(t, func(t *testing.T, l *ledger.Ledger) {
		ctx := context.Background()
		want := []ledger.Master{master("Zebra", 3), master("bias", 1), master("bias", 2), master("flat", 0), master("flat", 1)}
		want[1].ID, want[1].Band = ledger.Hash{}, ""
		want[2].Band = ""
		shuffled := []ledger.Master{want[4], want[2], want[0], want[1], want[3]}
		other := master("flat", 9)
		other.Instrument = "pellam"
		must(t, l.AddMasters(ctx, append(shuffled, other)))
		if m := got[[]ledger.Master](t)(l.Masters(ctx, "quillon", ledger.Current)); !slices.Equal(m, want) {
			t.Errorf("masters\n%v, want\n%v", m, want)
		}
	})
}

func TestAMasterTakesThePlaceOfAnotherAtItsPath(t *testing.T) {
	onLedger(t, func(t *testing.T, l *ledger.Ledger) {
		ctx := context.Background()
		old, anew := master("flat", 1), master("flat", 2)
		anew.Path = old.Path
		must(t, l.AddMasters(ctx, []ledger.Master{old, anew}))
		current := got[[]ledger.Master](t)(l.Masters(ctx, "quillon", ledger.Current))
		old.State = ledger.Replaced
		replaced := got[[]ledger.Master](t)(l.Masters(ctx, "quillon", ledger.Replaced))
		if !slices.Equal(current, []ledger.Master{anew}) || !slices.Equal(replaced, []ledger.Master{old}) {
			t.Errorf("current %v, replaced %v", current, replaced)
		}
		must(t, l.SetMasterState(ctx, anew.SHA256, ledger.Missing))
		if left := got[[]ledger.Master](t)(l.Masters(ctx, "quillon", ledger.Current)); len(left) != 0 {
			t.Errorf("a missing master is current: %v", left)
		}
	})
}

func TestRunsAreKeptWithTheirCounts(t *testing.T) {
	onLedger(t, func(t *testing.T, l *ledger.Ledger) {
		ctx := context.Background()
		first := got[int64](t)(l.BeginRun(ctx, run))
		later := ledger.Run{What: "reprocess", Owner: "worker 2", Host: "host", Started: start.Add(time.Second)}
		second := got[int64](t)(l.BeginRun(ctx, later))
		later.ID = second
		counts := ledger.Counts{Found: 15, Done: 8, Skipped: 4, Failed: 2, Warned: 1}
		must(t, l.EndRun(ctx, first, start.Add(time.Minute), counts, "done"))
		want := []ledger.Run{
			later,
			{ID: first, What: "intake", Owner: "worker", Host: "host", Started: start, Ended: start.Add(time.Minute), Counts: counts, Outcome: "done"},
		}
		if runs := got[[]ledger.Run](t)(l.Runs(ctx, 10)); !slices.Equal(runs, want) {
			t.Errorf("runs\n%+v, want\n%+v", runs, want)
		}
		if runs := got[[]ledger.Run](t)(l.Runs(ctx, 1)); !slices.Equal(runs, want[:1]) {
			t.Errorf("the last run is %+v", runs)
		}
	})
}

func TestTheRunsOfATimeAreListedAndAddedUp(t *testing.T) {
	onLedger(t, func(t *testing.T, l *ledger.Ledger) {
		ctx := context.Background()
		var all []ledger.Run
		for _, hour := range []int{2, 0, 3, 1} { // the clock jumped
			r := ledger.Run{What: "intake", Started: start.Add(time.Duration(hour) * time.Hour), Ended: start.Add(time.Duration(hour+1) * time.Hour), Outcome: "done",
				Counts: ledger.Counts{Found: 1 << hour, Done: 10 << hour, Skipped: 100 << hour, Failed: 1000 << hour, Warned: 10000 << hour}}
			r.ID = got[int64](t)(l.BeginRun(ctx, r))
			must(t, l.EndRun(ctx, r.ID, r.Ended, r.Counts, r.Outcome))
			all = append(all, r)
		}
		sorted := []ledger.Run{all[1], all[3], all[0], all[2]}
		for _, c := range []struct {
			from, to time.Time
			want     []ledger.Run
		}{
			{time.Time{}, time.Time{}, sorted},
			{start.Add(time.Hour), time.Time{}, sorted[1:]},
			{time.Time{}, start.Add(time.Hour), sorted[:1]},
			{start.Add(1), start.Add(3 * time.Hour), sorted[1:3]},
		} {
			var is []ledger.Run
			must(t, l.RunsBetween(ctx, c.from, c.to, func(r ledger.Run) error {
				is = append(is, r)
				return nil
			}))
			if !slices.Equal(is, c.want) {
				t.Errorf("runs between %v and %v\n%+v, want\n%+v", c.from, c.to, is, c.want)
			}
		}
		for from, want := range map[time.Time]int{{}: 15, start: 15, start.Add(1): 14, start.Add(3 * time.Hour): 8, start.Add(4 * time.Hour): 0} {
			if c := got[ledger.Counts](t)(l.CountsSince(ctx, from)); c != (ledger.Counts{Found: want, Done: 10 * want, Skipped: 100 * want, Failed: 1000 * want, Warned: 10000 * want}) {
				t.Errorf("since %v: %+v, want %d and its multiples", from, c, want)
			}
		}
	})
}

func TestAnAlertIsRaisedOnceRenewedAndCleared(t *testing.T) {
	onLedger(t, func(t *testing.T, l *ledger.Ledger) {
		ctx := context.Background()
		raise := func(subject, message string, minute int) bool {
			return got[bool](t)(l.RaiseAlert(ctx, "offset drift", subject, message, start.Add(time.Duration(minute)*time.Minute)))
		}
		if !raise("main", "2 DN", 1) || raise("main", "3 DN", 2) || !raise("spare", "4 DN", 3) {
			t.Error("an alert is new the first time and only then")
		}
		must(t, l.AlertTold(ctx, "offset drift", "main", start.Add(3*time.Minute)))
		if !got[bool](t)(l.ClearAlert(ctx, "offset drift", "main", start.Add(4*time.Minute))) || got[bool](t)(l.ClearAlert(ctx, "offset drift", "main", start)) {
			t.Error("an alert is cleared once")
		}
		if !raise("main", "5 DN", 5) {
			t.Error("a cleared alert that is raised again is new")
		}
		at := func(minute int) time.Time { return start.Add(time.Duration(minute) * time.Minute) }
		want := []ledger.Alert{
			{"offset drift", "main", "3 DN", at(1), at(2), at(3), at(4)},
			{"offset drift", "spare", "4 DN", at(3), at(3), time.Time{}, time.Time{}},
			{"offset drift", "main", "5 DN", at(5), at(5), time.Time{}, time.Time{}},
		}
		if all := got[[]ledger.Alert](t)(l.Alerts(ctx, true)); !slices.Equal(all, want) {
			t.Errorf("alerts\n%v, want\n%v", all, want)
		}
		if open := got[[]ledger.Alert](t)(l.Alerts(ctx, false)); !slices.Equal(open, want[1:]) {
			t.Errorf("open alerts %v", open)
		}
	})
}
