package ledger_test

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"sync"
	"testing"
	"time"

	"evenlight/pipeline/ledger"
)

func TestAClaimKeepsOthersOutUntilItRunsOut(t *testing.T) {
	at := func(s int) time.Time { return start.Add(time.Duration(s) * time.Second) }
	steps := []struct {
		what       string
		owner      string
		now, until int
		want       bool
	}{
		{"the first", "a", 0, 10, true},
		{"another", "b", 5, 20, false},
		{"the first again, for longer", "a", 8, 15, true},
		{"another after the first end", "b", 12, 20, false},
		{"another just before the second end", "b", 14, 20, false},
		{"another at the second end", "b", 15, 25, true},
		{"the first, too late", "a", 16, 30, false},
	}
	onLedger(t, func(t *testing.T, l *ledger.Ledger) {
		for _, s := range steps {
			if ok := got[bool](t)(l.Claim(context.Background(), of("id"), s.owner, at(s.now), at(s.until))); ok != s.want {
				t.Errorf("%s: %v, want %v", s.what, ok, s.want)
			}
		}
	})
}

func TestAClaimThatIsGivenBackIsFree(t *testing.T) {
	onLedger(t, func(t *testing.T, l *ledger.Ledger) {
		ctx := context.Background()
		id, until := of("id"), start.Add(time.Hour)
		claim := func(owner string) bool { return got[bool](t)(l.Claim(ctx, id, owner, start, until)) }
		if !claim("a") {
			t.Fatal("the first claim fails")
		}
		must(t, l.Release(ctx, id, "b")) // has none to give back
		if claim("b") {
			t.Error("b released the claim of a")
		}
		must(t, l.Release(ctx, id, "a"))
		if !claim("b") {
			t.Error("the claim was released and is not free")
		}
	})
}

func TestWhatIsMadeCannotBeClaimed(t *testing.T) {
	onLedger(t, func(t *testing.T, l *ledger.Ledger) {
		ctx := context.Background()
		made(t, l, 1)
		id, until := ledger.ProductID(identity(1)), start.Add(time.Hour)
		if got[bool](t)(l.Claim(ctx, id, "a", start, until)) {
			t.Error("a current product is claimed")
		}
		must(t, l.SetProductState(ctx, id, ledger.Missing))
		if !got[bool](t)(l.Claim(ctx, id, "b", start, until)) {
			t.Error("a missing product cannot be claimed: the failed claim has left a trace")
		}
	})
}

func TestOnlyTheOwnerOfAClaimRecordsTheOutcome(t *testing.T) {
	onLedger(t, func(t *testing.T, l *ledger.Ledger) {
		ctx := context.Background()
		made(t, l)
		id := ledger.ProductID(identity(1))
		claim := func(owner string, s int) bool {
			now := start.Add(time.Duration(s) * time.Second)
			return got[bool](t)(l.Claim(ctx, id, owner, now, now.Add(time.Second)))
		}
		if !claim("slow", 0) || !claim("quick", 1) {
			t.Fatal("a claim that ran out is not taken")
		}
		o := outcome(1)
		o.Owner = "slow"
		if err := l.Record(ctx, o); !errors.Is(err, ledger.ErrClaimLost) {
			t.Errorf("the outcome of a lost claim: %v", err)
		}
		f := o
		f.Product, f.Metrics, f.Failure = nil, nil, &ledger.Failure{Wanted: id, Frame: frame(1).SHA256, Detector: "main", Message: "m"}
		if err := l.Record(ctx, f); !errors.Is(err, ledger.ErrClaimLost) {
			t.Errorf("the failure of a lost claim: %v", err)
		}
		o.Owner = "quick"
		must(t, l.Record(ctx, o))
		must(t, l.SetProductState(ctx, id, ledger.Missing))
		if !claim("slow", 1) {
			t.Error("the claim is left after the outcome")
		}
	})
}

func TestAClaimNeedsAnOwnerAndAnEndAhead(t *testing.T) {
	onLedger(t, func(t *testing.T, l *ledger.Ledger) {
		ctx := context.Background()
		for name, err := range map[string]error{
			"no owner":         second(l.Claim(ctx, of("id"), "", start, start.Add(1))),
			"no time":          second(l.Claim(ctx, of("id"), "a", start, start)),
			"no product":       second(l.Claim(ctx, ledger.Hash{}, "a", start, start.Add(1))),
			"end out of range": second(l.Claim(ctx, of("id"), "a", start, start.AddDate(300, 0, 0))),
		} {
			if err == nil {
				t.Errorf("%s: the claim is taken", name)
			}
		}
	})
}

func second[T any](_ T, err error) error { return err }

// work claims products and records their outcomes, each that is free, and
// tells of each that it made.
func work(ctx context.Context, l *ledger.Ledger, owner string, products int, did func(i int)) error {
	for i := range products {
		o := outcome(i)
		id := ledger.ProductID(o.Product.Identity)
		ok, err := l.Claim(ctx, id, owner, start, start.Add(time.Hour))
		if err != nil {
			return err
		}
		if !ok {
			continue
		}
		o.Owner = owner
		if err := l.Record(ctx, o); err != nil {
			return err
		}
		did(i)
	}
	return nil
}

func TestWorkersAtOnceMakeEachProductOnce(t *testing.T) {
	const workers, products = 6, 40
	onEach(t, func(t *testing.T, address string) {
		l := open(t, address)
		made(t, l)
		var mu sync.Mutex
		times := map[int]int{}
		var all sync.WaitGroup
		for w := range workers {
			all.Go(func() {
				err := work(context.Background(), l, fmt.Sprint("worker ", w), products, func(i int) {
					mu.Lock()
					defer mu.Unlock()
					times[i]++
				})
				if err != nil {
					t.Error(err)
				}
			})
		}
		all.Wait()
		for i := range products {
			if times[i] != 1 {
				t.Errorf("product %d was made %d times", i, times[i])
			}
		}
	})
}

func TestLedgersOpenedAtOnceMakeTheTablesOnce(t *testing.T) {
	onEach(t, func(t *testing.T, address string) {
		var all sync.WaitGroup
		for i := range 6 {
			all.Go(func() {
				l, err := ledger.Open(context.Background(), address, ledger.Options{})
				if err != nil {
					t.Error(err)
					return
				}
				defer l.Close()
				if err := l.AddFrames(context.Background(), []ledger.Frame{frame(i)}); err != nil {
					t.Error(err)
				}
			})
		}
		all.Wait()
		if r := rows(t, open(t, address), ledger.Filter{}); len(r) != 6 {
			t.Errorf("%d frames, want 6", len(r))
		}
	})
}

func TestChangesToTheSameRowsAtOnceAllSucceed(t *testing.T) {
	onLedger(t, func(t *testing.T, l *ledger.Ledger) {
		made(t, l)
		forwards, backwards := []ledger.Outcome{}, []ledger.Outcome{}
		for i := range 8 {
			forwards, backwards = append(forwards, outcome(i)), append(backwards, outcome(7-i))
		}
		var all sync.WaitGroup
		for _, batch := range [][]ledger.Outcome{forwards, backwards} {
			all.Go(func() {
				for range 5 {
					if err := l.Record(context.Background(), batch...); err != nil {
						t.Error(err)
					}
				}
			})
		}
		all.Wait()
		if r := rows(t, l, ledger.Filter{}); len(r) != 8 || strings.Count(got[string](t)(l.Dump(context.Background())), "product [") != 8 {
			t.Errorf("%d frames, want 8 with a product each", len(r))
		}
	})
}
