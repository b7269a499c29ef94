package ledger_test

import (
	"context"
	"errors"
	"slices"
	"testing"

	"evenlight/pipeline/ledger"
)

// anew is the i-th product, made by other algorithms.
func anew(i int, algorithm string) *ledger.Product {
	p := product(i)
	p.Algorithm, p.SHA256 = algorithm, of("product", i, algorithm)
	return p
}

func TestTheVersionBeforeIsKeptWhereItWasPutOrIsGone(t *testing.T) {
	const kept = "/earlier/000001-\xff.fits"
	cases := map[string]struct {
		now   func(t *testing.T, l *ledger.Ledger) ledger.Outcome
		state ledger.State
		path  string
	}{
		"kept": {func(*testing.T, *ledger.Ledger) ledger.Outcome {
			return ledger.Outcome{Product: anew(1, "2"), Kept: kept}
		}, ledger.Superseded, kept},
		"gone": {func(*testing.T, *ledger.Ledger) ledger.Outcome {
			return ledger.Outcome{Product: anew(1, "2")}
		}, ledger.Replaced, product(1).Path},
		"kept, the new one elsewhere": {func(*testing.T, *ledger.Ledger) ledger.Outcome {
			p := anew(1, "2")
			p.Path = "/products/by another name.fits"
			return ledger.Outcome{Product: p, Kept: kept}
		}, ledger.Superseded, kept},
		"of another frame, kept": {func(*testing.T, *ledger.Ledger) ledger.Outcome {
			p := anew(2, "2")
			p.Path = product(1).Path
			return ledger.Outcome{Product: p, Kept: kept}
		}, ledger.Superseded, kept},
		"missing": {func(t *testing.T, l *ledger.Ledger) ledger.Outcome {
			must(t, l.SetProductState(context.Background(), ledger.ProductID(identity(1)), ledger.Missing))
			p := anew(1, "2")
			p.Path = "/products/by another name.fits"
			return ledger.Outcome{Product: p}
		}, ledger.Replaced, product(1).Path},
		"kept, and its place taken later": {func(t *testing.T, l *ledger.Ledger) ledger.Outcome {
			must(t, l.Record(context.Background(), ledger.Outcome{Product: anew(1, "2"), Kept: kept}))
			p := anew(3, "2")
			p.Path = kept
			return ledger.Outcome{Product: p}
		}, ledger.Replaced, kept},
		"not before but of another kind": {func(*testing.T, *ledger.Ledger) ledger.Outcome {
			p := anew(1, "2")
			p.What, p.Path = "picture", "/products/1.png"
			return ledger.Outcome{Product: p, Kept: kept}
		}, ledger.Current, product(1).Path},
	}
	for name, c := range cases {
		t.Run(name, func(t *testing.T) {
			onLedger(t, func(t *testing.T, l *ledger.Ledger) {
				ctx := context.Background()
				made(t, l, 1, 3)
				must(t, l.AddFrames(ctx, []ledger.Frame{frame(2)}))
				now := c.now(t, l)
				must(t, l.Record(ctx, now))
				was, metrics, err := l.Product(ctx, ledger.ProductID(identity(1)))
				must(t, err)
				if was.State != c.state || was.Path != c.path || len(metrics) != 2 {
					t.Errorf("the version before is %s at %q with %d metrics, want %s at %q with 2", was.State, was.Path, len(metrics), c.state, c.path)
				}
				is, _, err := l.Product(ctx, ledger.ProductID(now.Product.Identity))
				must(t, err)
				if is.State != ledger.Current || is.Path != now.Product.Path {
					t.Errorf("the new version is %s at %q", is.State, is.Path)
				}
			})
		})
	}
}

// Where both were at other places there is one kept file, that of the version
// before; what lay at the new path is gone.
func TestTheKeptFileIsThatOfTheVersionBefore(t *testing.T) {
	onLedger(t, func(t *testing.T, l *ledger.Ledger) {
		ctx := context.Background()
		made(t, l, 1, 2)
		p := anew(1, "2")
		p.Path = product(2).Path
		must(t, l.Record(ctx, ledger.Outcome{Product: p, Kept: "/earlier/1.fits"}))
		before, _, err := l.Product(ctx, ledger.ProductID(identity(1)))
		must(t, err)
		other, _, err := l.Product(ctx, ledger.ProductID(identity(2)))
		must(t, err)
		if before.State != ledger.Superseded || before.Path != "/earlier/1.fits" || other.State != ledger.Replaced || other.Path != p.Path {
			t.Errorf("before: %s at %q; the other: %s at %q", before.State, before.Path, other.State, other.Path)
		}
	})
}

func TestAFrameComesWithAllThatAPlannerAsksOfItsProduct(t *testing.T) {
	onLedger(t, func(t *testing.T, l *ledger.Ledger) {
		ctx := context.Background()
		made(t, l, 1, 2)
		must(t, l.AddFrames(ctx, []ledger.Frame{frame(0)}))
		other := recipe
		other.Text = "quantity: electrons\n"
		p := anew(2, "2")
		p.Recipe = got[ledger.Hash](t)(l.AddRecipe(ctx, other))
		p.Path, p.Bytes, p.Took = "/products/\xff\n.fits", 7, 0
		p.Inputs = append(p.Inputs, ledger.Input{Role: "dark", SHA256: of("dark")})
		must(t, l.Record(ctx, ledger.Outcome{Product: p}))

		bare := func(i int) ledger.FrameRow {
			return ledger.FrameRow{Part: frame(i).Parts[0], Frame: of("raw", i), Path: frame(i).Path, Seen: frame(i).Seen}
		}
		want := []ledger.FrameRow{bare(0), bare(1), bare(2)}
		for i, p := range map[int]*ledger.Product{1: product(1), 2: p} {
			r := &want[i]
			r.Product, r.ProductPath, r.ProductRecipe, r.ProductAlgorithm = ledger.ProductID(p.Identity), p.Path, p.Recipe, p.Algorithm
			r.ProductBytes, r.ProductTook = p.Bytes, p.Took
		}
		inputs := [][]ledger.Input{nil, {{"bias", of("bias")}, {"flat", of("flat")}}, {{"bias", of("bias")}, {"dark", of("dark")}, {"flat", of("flat")}}}
		seen := 0
		must(t, l.EachFrame(ctx, calibrated, ledger.Filter{}, func(r *ledger.FrameRow) error {
			set := got[[]ledger.Input](t)(l.InputsOf(ctx, r.ProductInputs))
			if !slices.Equal(set, inputs[seen]) {
				t.Errorf("frame %d: inputs %v, want %v", seen, set, inputs[seen])
			}
			is := *r
			is.ProductInputs = 0 // is only a key
			if is != want[seen] {
				t.Errorf("frame %d:\n%+v, want\n%+v", seen, is, want[seen])
			}
			seen++
			return nil
		}))
		if seen != len(want) {
			t.Errorf("%d frames, want %d", seen, len(want))
		}
	})
}

// Each of them holds a connection while it asks for another.
func TestManyGoThroughTheFramesAndLookUpMeanwhile(t *testing.T) {
	const readers = 12
	onLedger(t, func(t *testing.T, l *ledger.Ledger) {
		ctx, cancel := context.WithTimeout(context.Background(), long)
		defer cancel()
		made(t, l, 1)
		here := make(chan struct{}, readers)
		all := make(chan struct{})
		done := make(chan error, readers)
		for range readers {
			go func() {
				done <- l.EachFrame(ctx, calibrated, ledger.Filter{}, func(r *ledger.FrameRow) error {
					here <- struct{}{}
					<-all
					inputs, err := l.InputsOf(ctx, r.ProductInputs)
					if err == nil && len(inputs) != 2 {
						err = errors.New("inputs are missing")
					}
					return err
				})
			}()
		}
		for range readers {
			select {
			case <-here:
			case <-ctx.Done():
				t.Fatal("not all readers get a connection")
			}
		}
		close(all)
		for range readers {
			must(t, <-done)
		}
	})
}

func TestWhatIsInALedgerIsCounted(t *testing.T) {
	onLedger(t, func(t *testing.T, l *ledger.Ledger) {
		ctx := context.Background()
		empty := got[ledger.Stats](t)(l.Stats(ctx))
		if len(empty.Parts) != 0 || empty.Version != 1 || empty.Frames+empty.Products+empty.Superseded+empty.Missing+empty.Masters+empty.Failures != 0 {
			t.Errorf("an empty ledger has %+v", empty)
		}
		made(t, l, 1, 2, 3, 4, 5, 6)
		flat, band := frame(7), frame(8)
		flat.Parts[0].Kind, band.Parts[0].Band = "flat", "red"
		must(t, l.AddFrames(ctx, []ledger.Frame{flat, band}))
		must(t, l.Record(ctx, ledger.Outcome{Product: anew(1, "2"), Kept: "/earlier/1.fits"}, ledger.Outcome{Product: anew(2, "2")}))
		must(t, l.SetProductState(ctx, ledger.ProductID(identity(3)), ledger.Missing))
		must(t, l.SetProductState(ctx, ledger.ProductID(identity(4)), ledger.Missing))
		must(t, l.AddMasters(ctx, []ledger.Master{master("flat", 1), master("flat", 2), master("bias", 1)}))
		must(t, l.SetMasterState(ctx, of("bias", 1), ledger.Missing))
		must(t, l.Record(ctx, ledger.Outcome{Failure: failure(7)}))
		is := got[ledger.Stats](t)(l.Stats(ctx))
		if is.Parts["scene"] != 7 || is.Parts["flat"] != 1 || len(is.Parts) != 2 {
			t.Errorf("parts %v, want 7 scenes and a flat", is.Parts)
		}
		is.Parts = nil
		if is.Frames != 8 || is.Products != 4 || is.Superseded != 1 || is.Missing != 2 || is.Masters != 2 || is.Failures != 1 || is.Version != 1 {
			t.Errorf("%+v", is)
		}
	})
}
