package ledger_test

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"evenlight/pipeline/ledger"
)

// long is for what comes at once unless something is broken.
const long = time.Minute

func take(t *testing.T, l *ledger.Ledger) *ledger.Turn {
	t.Helper()
	turn := got[*ledger.Turn](t)(l.TakeTurn(context.Background(), "intake", long))
	t.Cleanup(func() { _ = turn.End() }) // may have been lost on purpose
	return turn
}

func isBusy(t *testing.T, l *ledger.Ledger) bool {
	t.Helper()
	turn, err := l.TakeTurn(context.Background(), "other", 0)
	if err == nil {
		must(t, turn.End())
	} else if !errors.Is(err, ledger.ErrBusy) {
		t.Fatal(err)
	}
	return err != nil
}

func TestOneTurnIsHeldAtATime(t *testing.T) {
	onEach(t, func(t *testing.T, address string) {
		l, other := open(t, address), open(t, address)
		turn := take(t, l)
		if !isBusy(t, l) || !isBusy(t, other) {
			t.Error("a second turn is given while the first is held")
		}
		must(t, turn.Check(context.Background()))
		must(t, turn.End())
		if isBusy(t, other) {
			t.Error("the turn was given back and is not free")
		}
		must(t, turn.End()) // does nothing
		if err := turn.Check(context.Background()); !errors.Is(err, ledger.ErrTurnLost) {
			t.Errorf("a turn that has ended is held: %v", err)
		}
	})
}

func TestATurnIsGivenToWhoWaits(t *testing.T) {
	onLedger(t, func(t *testing.T, l *ledger.Ledger) {
		turn := take(t, l)
		waiting := make(chan error)
		go func() {
			next, err := l.TakeTurn(context.Background(), "next", long)
			if err == nil {
				err = next.End()
			}
			waiting <- err
		}()
		must(t, turn.End())
		must(t, <-waiting)
	})
}

func TestWaitingForATurnEndsWhenItIsCalledOff(t *testing.T) {
	onLedger(t, func(t *testing.T, l *ledger.Ledger) {
		turn := take(t, l)
		ctx, cancel := context.WithCancel(context.Background())
		waiting := make(chan error)
		go func() {
			_, err := l.TakeTurn(ctx, "next", long)
			waiting <- err
		}()
		cancel()
		if err := <-waiting; !errors.Is(err, context.Canceled) {
			t.Errorf("error %v, want that it was called off", err)
		}
		must(t, turn.Check(context.Background()))
	})
}

// A run that is told to stop still looks whether it may finish what it does.
func TestATurnOutlivesTheContextOfItsRun(t *testing.T) {
	onLedger(t, func(t *testing.T, l *ledger.Ledger) {
		ctx, cancel := context.WithCancel(context.Background())
		turn := got[*ledger.Turn](t)(l.TakeTurn(ctx, "intake", 0))
		cancel()
		must(t, turn.Check(ctx))
		if !isBusy(t, l) {
			t.Error("the turn is gone with the context")
		}
		must(t, turn.End())
	})
}

func TestATurnThatIsLostSaysSo(t *testing.T) {
	onEach(t, func(t *testing.T, address string) {
		l := open(t, address)
		turn := take(t, l)
		if strings.HasPrefix(address, "postgres") {
			// As when the server is restarted, or the network breaks.
			var ended bool
			must(t, l.Writer().QueryRow(`SELECT bool_and(pg_terminate_backend(pid)) FROM pg_stat_activity WHERE application_name LIKE 'intake, %'`).Scan(&ended))
		} else {
			must(t, os.Remove(address+"-turn"))
		}
		waitFor(t, func() bool { return !isBusy(t, l) })
		refused(t, turn.Check(context.Background()), ledger.ErrTurnLost, l.Name(), "start it again")
	})
}

// waitFor waits for what another process is about to do.
func waitFor(t *testing.T, done func() bool) {
	t.Helper()
	for end := time.Now().Add(long); !done(); time.Sleep(time.Millisecond) {
		if time.Now().After(end) {
			t.Fatal("it does not happen")
		}
	}
}

func TestTheTurnsOfSeveralLedgersAreTheirOwn(t *testing.T) {
	onLedger(t, func(t *testing.T, l *ledger.Ledger) {
		take(t, l)
		other := filepath.Join(t.TempDir(), "other.db")
		if server := os.Getenv(postgresVariable); strings.HasPrefix(l.Name(), "postgres") {
			other = newSchema(t, server)
		}
		if isBusy(t, open(t, other)) {
			t.Error("the turn of one ledger is that of another")
		}
	})
}

func TestALedgerOfTwoNamesHasOneTurn(t *testing.T) {
	dir := t.TempDir()
	address, link := filepath.Join(dir, "ledger.db"), filepath.Join(dir, "link.db")
	l := open(t, address)
	must(t, os.Symlink(address, link))
	take(t, l)
	if !isBusy(t, open(t, link)) {
		t.Error("the turn is given twice, by a link")
	}
}

func TestTheLockOfATurnFollowsNoLink(t *testing.T) {
	dir := t.TempDir()
	address, target := filepath.Join(dir, "ledger.db"), filepath.Join(dir, "precious")
	l := open(t, address)
	must(t, os.WriteFile(target, []byte("precious"), 0o666))
	must(t, os.Symlink(target, address+"-turn"))
	_, err := l.TakeTurn(context.Background(), "intake", 0)
	refused(t, err, nil, address+"-turn", "no link")
	if text := got[[]byte](t)(os.ReadFile(target)); string(text) != "precious" {
		t.Errorf("the file behind the link now says %q", text)
	}
}

func TestTheNameOfATurnIsOneLineWithTheProcess(t *testing.T) {
	for _, who := range []string{"", "intake", strings.Repeat("é", 100), "two\nlines", "\xff", "\x00"} {
		name := ledger.TurnName(who)
		if len(name) > 63 || !strings.Contains(name, fmt.Sprintf("process %d on ", os.Getpid())) || strings.ContainsAny(name, "\n\x00") || strings.ToValidUTF8(name, "") != name {
			t.Errorf("%q becomes %q", who, name)
		}
	}
}

// work takes turns to record the outcomes of those products that are not
// there, and tells of each that it made.
func work(ctx context.Context, l *ledger.Ledger, who string, products int, did func(i int)) error {
	for i := range products {
		turn, err := takeEagerly(ctx, l, who)
		if err != nil {
			return err
		}
		o := outcome(i)
		_, _, err = l.Product(ctx, ledger.ProductID(o.Product.Identity))
		if errors.Is(err, ledger.ErrUnknown) {
			did(i)
			err = l.Record(ctx, o)
		}
		if err := errors.Join(err, turn.End()); err != nil {
			return err
		}
	}
	return nil
}

// takeEagerly asks for the turn more often than TakeTurn does, so that those
// who share it really take turns.
func takeEagerly(ctx context.Context, l *ledger.Ledger, who string) (*ledger.Turn, error) {
	for {
		turn, err := l.TakeTurn(ctx, who, 0)
		if !errors.Is(err, ledger.ErrBusy) {
			return turn, err
		}
		time.Sleep(time.Millisecond)
	}
}

func TestWorkersAtOnceMakeEachProductOnce(t *testing.T) {
	const workers, products = 4, 15
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
