package ledger_test

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"testing"

	"evenlight/pipeline/ledger"
)

// failure is that of the i-th frame as a whole.
func failure(i int) *ledger.Failure {
	return &ledger.Failure{Wanted: of("attempt", i), Frame: of("raw", i), Message: fmt.Sprint("no end of header ", i)}
}

func failures(t *testing.T, l *ledger.Ledger) (all []ledger.FailureRow) {
	t.Helper()
	must(t, l.EachFailure(context.Background(), func(r *ledger.FailureRow) error {
		all = append(all, *r)
		return nil
	}))
	return all
}

func TestFailuresComeInTheOrderOfPathsWithTheirFrames(t *testing.T) {
	onLedger(t, func(t *testing.T, l *ledger.Ledger) {
		ctx := context.Background()
		made(t, l, 1, 2) // without failure
		cube := frame(3)
		cube.Path, cube.Name = "/archive/a\n", "a\n"
		cube.Parts = nil
		for plane := range 3 {
			p := frame(3).Parts[0]
			p.Plane = plane + 1
			cube.Parts = append(cube.Parts, p)
		}
		mute := frame(4) // tells nothing
		mute.Path, mute.Name, mute.Parts = "/archive/b", "b", nil
		alone := frame(5)
		alone.Path, alone.Name = "/archive/\xff", "\xff"
		alone.Failure, alone.FailedAs = "later", of("attempt", 5)
		must(t, l.AddFrames(ctx, []ledger.Frame{alone, mute, cube}))
		part := func(plane int) *ledger.Failure {
			return &ledger.Failure{Wanted: of("attempt", plane), Frame: cube.SHA256, Detector: "main", Plane: plane, Message: "no flat"}
		}
		must(t, l.Record(ctx, ledger.Outcome{Failure: part(3)}, ledger.Outcome{Failure: failure(4)}, ledger.Outcome{Failure: part(1)}, ledger.Outcome{Failure: failure(3)}))
		want := []ledger.FailureRow{
			{*failure(3), cube.Path, cube.Name, "quillon"},
			{*part(1), cube.Path, cube.Name, "quillon"},
			{*part(3), cube.Path, cube.Name, "quillon"},
			{*failure(4), mute.Path, mute.Name, ""},
			{ledger.Failure{Wanted: of("attempt", 5), Frame: alone.SHA256, Message: "later"}, alone.Path, alone.Name, "quillon"},
		}
		if is := failures(t, l); !slices.Equal(is, want) {
			t.Errorf("failures\n%+v, want\n%+v", is, want)
		}
		if n := got[int](t)(l.CountFailures(ctx)); n != 3 {
			t.Errorf("%d frames failed, want 3", n)
		}
	})
}

func TestAFailureOfAFileHoldsUntilItIsClearedOrAllIsWell(t *testing.T) {
	ends := map[string]func(t *testing.T, l *ledger.Ledger, f ledger.Frame){
		"recorded again": func(t *testing.T, l *ledger.Ledger, f ledger.Frame) {
			must(t, l.AddFrames(context.Background(), []ledger.Frame{f}))
		},
		"cleared": func(t *testing.T, l *ledger.Ledger, f ledger.Frame) {
			must(t, l.ClearFailure(context.Background(), f.SHA256, "", 0))
		},
		"made": func(t *testing.T, l *ledger.Ledger, f ledger.Frame) {
			must(t, l.Record(context.Background(), ledger.Outcome{Product: product(1)}))
		},
	}
	onLedger(t, func(t *testing.T, l *ledger.Ledger) {
		ctx := context.Background()
		made(t, l, 2)
		f := frame(1)
		must(t, l.AddFrames(ctx, []ledger.Frame{f}))
		for name, end := range ends {
			must(t, l.Record(ctx, ledger.Outcome{Failure: failure(1)}, ledger.Outcome{Failure: failure(2)}))
			must(t, l.SetFramePath(ctx, f.SHA256, "/elsewhere/1.fits")) // changes nothing else
			is := got[ledger.Frame](t)(l.Frame(ctx, f.SHA256))
			if is.Failure != failure(1).Message || is.FailedAs != failure(1).Wanted || is.Path != "/elsewhere/1.fits" || is.Name != f.Name {
				t.Errorf("%s: before %+v", name, is)
			}
			end(t, l, f)
			if is := got[ledger.Frame](t)(l.Frame(ctx, f.SHA256)); is.Failure != "" || !is.FailedAs.IsZero() {
				t.Errorf("%s: after %+v", name, is)
			}
			if left := failures(t, l); len(left) != 1 || left[0].Frame != of("raw", 2) {
				t.Errorf("%s: left %+v, want the failure of the other frame", name, left)
			}
		}
	})
}

func TestAFailureOfAPartCanBeCleared(t *testing.T) {
	onLedger(t, func(t *testing.T, l *ledger.Ledger) {
		ctx := context.Background()
		f := frame(1)
		second := f.Parts[0]
		second.Detector = "spare"
		f.Parts = append(f.Parts, second)
		must(t, l.AddFrames(ctx, []ledger.Frame{f}))
		for _, d := range []string{"", "main", "spare"} {
			must(t, l.Record(ctx, ledger.Outcome{Failure: &ledger.Failure{Wanted: of("attempt"), Frame: f.SHA256, Detector: d, Message: "no flat"}}))
		}
		must(t, l.ClearFailure(ctx, f.SHA256, "main", 0))
		must(t, l.ClearFailure(ctx, f.SHA256, "main", 1))       // there is no such part
		must(t, l.ClearFailure(ctx, of("unknown"), "spare", 0)) // nor such a frame
		if left := failures(t, l); len(left) != 2 || left[0].Detector != "" || left[1].Detector != "spare" {
			t.Errorf("left %+v, want those of the file and of the spare detector", left)
		}
	})
}

func TestGoingThroughFailuresTheLedgerCanBeUsed(t *testing.T) {
	onLedger(t, func(t *testing.T, l *ledger.Ledger) {
		ctx := context.Background()
		must(t, l.AddFrames(ctx, []ledger.Frame{frame(1), frame(2)}))
		must(t, l.Record(ctx, ledger.Outcome{Failure: failure(1)}, ledger.Outcome{Failure: failure(2)}))
		must(t, l.EachFailure(ctx, func(r *ledger.FailureRow) error { return l.ClearFailure(ctx, r.Frame, r.Detector, r.Plane) }))
		if left := failures(t, l); left != nil {
			t.Errorf("left %+v", left)
		}
		must(t, l.Record(ctx, ledger.Outcome{Failure: failure(1)}))
		enough := errors.New("enough")
		if err := l.EachFailure(ctx, func(*ledger.FailureRow) error { return enough }); !errors.Is(err, enough) {
			t.Errorf("error %v", err)
		}
	})
}
