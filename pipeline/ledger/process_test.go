package ledger_test

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"strconv"
	"strings"
	"testing"
	"time"

	"evenlight/pipeline/ledger"
)

// The tests start this program a second time, with what to do in these.
const (
	roleVariable    = "EVENLIGHT_TEST_ROLE"
	addressVariable = "EVENLIGHT_TEST_LEDGER"
)

// productsOfProcesses is how many products the processes share out.
const productsOfProcesses = 40

var roles = map[string]func(context.Context, *ledger.Ledger) error{
	"share": func(ctx context.Context, l *ledger.Ledger) error {
		return work(ctx, l, fmt.Sprint("process ", os.Getpid()), productsOfProcesses, func(i int) { fmt.Println("did", i) })
	},
	"keep": func(ctx context.Context, l *ledger.Ledger) error {
		if _, err := l.TakeTurn(ctx, "night shift", long); err != nil {
			return err
		}
		fmt.Println("did", 0)
		_, err := io.Copy(io.Discard, os.Stdin) // until it is killed
		return err
	},
	"record": func(ctx context.Context, l *ledger.Ledger) error {
		for i := 0; ; i++ { // until it is killed
			if err := l.Record(ctx, outcome(i)); err != nil {
				return err
			}
			fmt.Println("did", i)
		}
	},
	"hold": func(ctx context.Context, l *ledger.Ledger) error {
		tx, err := l.Writer().BeginTx(ctx, nil)
		if err != nil {
			return err
		}
		defer tx.Rollback()
		if _, err := tx.ExecContext(ctx, `UPDATE ledger_version SET version = version`); err != nil {
			return err
		}
		if _, err := tx.ExecContext(ctx, `UPDATE run SET outcome = 'held'`); err != nil {
			return err
		}
		fmt.Println("did", 0)
		_, err = io.Copy(io.Discard, os.Stdin)
		return err
	},
}

func TestMain(m *testing.M) {
	role, ok := roles[os.Getenv(roleVariable)]
	if !ok {
		os.Exit(m.Run())
	}
	ctx := context.Background()
	l, err := ledger.Open(ctx, os.Getenv(addressVariable), ledger.Options{Wait: time.Minute})
	if err == nil {
		err = errors.Join(role(ctx, l), l.Close())
	}
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
}

// process is this program in another role.
type process struct {
	*exec.Cmd
	stdin io.Closer
	lines *bufio.Scanner
}

func startProcess(t *testing.T, role, address string) *process {
	t.Helper()
	c := exec.Command(os.Args[0])
	c.Env = append(os.Environ(), roleVariable+"="+role, addressVariable+"="+address)
	c.Stderr = os.Stderr
	in := got[io.WriteCloser](t)(c.StdinPipe())
	out := got[io.ReadCloser](t)(c.StdoutPipe())
	must(t, c.Start())
	return &process{c, in, bufio.NewScanner(out)}
}

// did is the number of the next thing that the process did; false at the end.
func (p *process) did(t *testing.T) (int, bool) {
	t.Helper()
	if !p.lines.Scan() {
		return 0, false
	}
	word, ok := strings.CutPrefix(p.lines.Text(), "did ")
	if !ok {
		t.Fatalf("the process says %q", p.lines.Text())
	}
	return got[int](t)(strconv.Atoi(word)), true
}

func TestProcessesAtOnceMakeEachProductOnce(t *testing.T) {
	onEach(t, func(t *testing.T, address string) {
		made(t, open(t, address))
		processes := []*process{startProcess(t, "share", address), startProcess(t, "share", address)}
		times := map[int]int{}
		for _, p := range processes {
			for i, ok := p.did(t); ok; i, ok = p.did(t) {
				times[i]++
			}
			must(t, p.Wait())
		}
		for i := range productsOfProcesses {
			if times[i] != 1 {
				t.Errorf("product %d was made %d times", i, times[i])
			}
		}
	})
}

func TestTheTurnOfAKilledProcessIsFreeAndUntilThenSaysWhoHasIt(t *testing.T) {
	onEach(t, func(t *testing.T, address string) {
		ctx := context.Background()
		l := open(t, address)
		holder := startProcess(t, "keep", address)
		if _, ok := holder.did(t); !ok {
			t.Fatal("the process does not get the turn")
		}
		host := got[string](t)(os.Hostname())
		for _, wait := range []time.Duration{0, 120 * time.Millisecond} { // at once, and asked for some times
			_, err := l.TakeTurn(ctx, "other", wait)
			refused(t, err, ledger.ErrBusy, l.Name(), "night shift", fmt.Sprintf("process %d on %s", holder.Process.Pid, host[:min(len(host), 20)]), "wait until it is done")
		}
		waiting := make(chan error)
		go func() {
			turn, err := l.TakeTurn(ctx, "next", long)
			if err == nil {
				err = errors.Join(turn.Check(ctx), turn.End())
			}
			waiting <- err
		}()
		must(t, holder.Process.Kill())
		must(t, <-waiting)
		if err := holder.Wait(); err == nil {
			t.Error("the process was not killed")
		}
	})
}

func TestWhatAKilledProcessRecordedIsThereAndWhole(t *testing.T) {
	onEach(t, func(t *testing.T, address string) {
		ctx := context.Background()
		made(t, open(t, address))
		for _, kill := range []int{1, 7, 20, 33} {
			p := startProcess(t, "record", address)
			last := -1
			for range kill {
				i, ok := p.did(t)
				if !ok {
					t.Fatal("the process ended by itself")
				}
				last = i
			}
			must(t, p.Process.Kill())
			for i, ok := p.did(t); ok; i, ok = p.did(t) {
				last = i // was under way to us
			}
			if err := p.Wait(); err == nil {
				t.Fatal("the process was not killed")
			}
			l := open(t, address) // and searches for damage
			all := rows(t, l, ledger.Filter{})
			if len(all) < last+1 {
				t.Fatalf("%d frames, and the process recorded %d", len(all), last+1)
			}
			for i, r := range all {
				p, metrics, err := l.Product(ctx, r.Product)
				if err != nil || p.SHA256 != product(i).SHA256 || len(metrics) != 2 {
					t.Fatalf("frame %d is half recorded: %+v, %v, %v", i, p, metrics, err)
				}
			}
		}
	})
}

func TestALockedLedgerIsWaitedForAndThenSaysWhoHoldsIt(t *testing.T) {
	onEach(t, func(t *testing.T, address string) {
		ctx := context.Background()
		id := got[int64](t)(open(t, address).BeginRun(ctx, run))
		holder := startProcess(t, "hold", address)
		if _, ok := holder.did(t); !ok {
			t.Fatal("the process does not hold the lock")
		}
		l, err := ledger.Open(ctx, address, ledger.Options{Wait: 20 * time.Millisecond})
		must(t, err)
		defer l.Close()
		rows(t, l, ledger.Filter{}) // reading does not wait
		err = l.EndRun(ctx, id, start, ledger.Counts{}, "done")
		if !errors.Is(err, ledger.ErrLocked) {
			t.Fatalf("error %v, want that the ledger is locked", err)
		}
		want := fmt.Sprintf("process %d", holder.Process.Pid)
		if strings.HasPrefix(address, "postgres") {
			want = "(evenlight on this computer)" // the server knows sessions
		}
		if _, statErr := os.Stat("/proc/locks"); statErr != nil && !strings.HasPrefix(address, "postgres") {
			want = "another process"
		}
		for _, part := range []string{want, "20ms", l.Name(), "wait until it is done"} {
			if !strings.Contains(err.Error(), part) {
				t.Errorf("the error %q does not say %q", err, part)
			}
		}
		must(t, holder.stdin.Close())
		must(t, holder.Wait())
		must(t, l.EndRun(ctx, id, start, ledger.Counts{}, "done"))
	})
}

// The lines are in the form of proc(5).
func TestTheWriterIsReadFromTheListOfLocks(t *testing.T) {
	lines := map[string]int{
		"1: POSIX  ADVISORY  WRITE 4242 08:01:777 120 120":    4242,
		"2: POSIX  ADVISORY  WRITE 4242 08:01:777 0 EOF":      4242,
		"3: POSIX  ADVISORY  READ  4242 08:01:777 120 120":    0, // reads
		"4: POSIX  ADVISORY  WRITE 4242 08:01:7777 120 120":   0, // another file
		"5: POSIX  ADVISORY  WRITE 4242 08:01:777 121 128":    0, // another lock
		"6: POSIX  ADVISORY  WRITE 4242 08:01:777 0 119":      0,
		"7: FLOCK  ADVISORY  WRITE 4242 08:01:777 0 EOF":      0, // another kind
		"8: -> POSIX  ADVISORY  WRITE 4242 08:01:777 120 120": 0, // waits
		"9: OFDLCK ADVISORY  WRITE -1 08:01:777 120 120":      0, // no process
		"10: POSIX ADVISORY  WRITE 0 08:01:777 120 120":       0, // of another container
		"": 0,
	}
	for line, want := range lines {
		if pid, ok := ledger.WriterIn(line, 777); pid != want && ok || ok != (want > 0) {
			t.Errorf("%q: process %d, %v, want %d", line, pid, ok, want)
		}
	}
}
