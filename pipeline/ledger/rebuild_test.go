package ledger_test

import (
	"context"
	"errors"
	"fmt"
	"iter"
	"slices"
	"strings"
	"testing"

	"evenlight/pipeline/ledger"
)

// archive is what the headers of some files tell; wrong, if set, ends it.
func archive(wrong error, frames ...int) iter.Seq2[ledger.Record, error] {
	return func(yield func(ledger.Record, error) bool) {
		m := master("flat", 1)
		if !yield(ledger.Record{Recipe: &recipe, Master: &m}, nil) {
			return
		}
		for _, i := range frames {
			o := outcome(i)
			if !yield(ledger.Record{Recipe: &recipe, Outcome: &o}, nil) {
				return
			}
		}
		if wrong != nil {
			yield(ledger.Record{}, wrong)
		}
	}
}

// told is all that a ledger tells of frames, products and masters.
func told(t *testing.T, l *ledger.Ledger) string {
	t.Helper()
	ctx := context.Background()
	var b strings.Builder
	for _, r := range rows(t, l, ledger.Filter{}) {
		p, metrics, err := l.Product(ctx, r.Product)
		must(t, err)
		f := got[ledger.Frame](t)(l.Frame(ctx, r.Frame))
		fmt.Fprintln(&b, r, p, metrics, f)
	}
	fmt.Fprintln(&b, got[[]ledger.Master](t)(l.Masters(ctx, "quillon", ledger.Current)))
	return b.String()
}

func TestALostLedgerIsRebuiltFromTheArchive(t *testing.T) {
	onEach(t, func(t *testing.T, address string) {
		ctx := context.Background()
		l := open(t, address)
		made(t, l, 1, 2, 3)
		must(t, l.AddMasters(ctx, []ledger.Master{master("flat", 1)}))
		want := told(t, l)
		must(t, l.Forget(ctx))
		n := got[int](t)(l.Rebuild(ctx, archive(nil, 3, 1, 2)))
		if now := told(t, l); now != want || n != 4 {
			t.Errorf("%d records tell\n%s, want\n%s", n, now, want)
		}
	})
}

func TestARebuildForgetsWhatTheArchiveDoesNotTell(t *testing.T) {
	onLedger(t, func(t *testing.T, l *ledger.Ledger) {
		ctx := context.Background()
		made(t, l, 1, 2)
		got[int64](t)(l.BeginRun(ctx, "worker", "host", start))
		got[bool](t)(l.RaiseAlert(ctx, "rule", "subject", "message", start))
		got[int](t)(l.Rebuild(ctx, archive(nil, 2)))
		if r := rows(t, l, ledger.Filter{}); len(r) != 1 || r[0].Frame != frame(2).SHA256 {
			t.Errorf("rows %+v, want the one of the archive", r)
		}
		if len(got[[]ledger.Run](t)(l.Runs(ctx, 9))) != 1 || len(got[[]ledger.Alert](t)(l.Alerts(ctx, true))) != 1 {
			t.Error("runs or alerts are gone, and no file tells of them")
		}
	})
}

func TestARebuildThatFailsLeavesTheLedgerAsItWas(t *testing.T) {
	onLedger(t, func(t *testing.T, l *ledger.Ledger) {
		ctx := context.Background()
		made(t, l, 1, 2)
		before := got[string](t)(l.Dump(ctx))
		wrong := errors.New("a file cannot be read")
		if n, err := l.Rebuild(ctx, archive(wrong, 3)); !errors.Is(err, wrong) || n != 0 {
			t.Errorf("%d, %v", n, err)
		}
		if after := got[string](t)(l.Dump(ctx)); after != before {
			t.Errorf("then\n%s\nand now\n%s", before, after)
		}
	})
}

func TestForgettingLeavesNothing(t *testing.T) {
	onLedger(t, func(t *testing.T, l *ledger.Ledger) {
		ctx := context.Background()
		made(t, l, 1)
		must(t, l.AddMasters(ctx, []ledger.Master{master("flat", 1)}))
		got[int64](t)(l.BeginRun(ctx, "worker", "host", start))
		got[bool](t)(l.RaiseAlert(ctx, "rule", "subject", "message", start))
		got[bool](t)(l.Claim(ctx, of("id"), "worker", start, start.Add(1)))
		dump := got[string](t)(l.Dump(ctx))
		for _, table := range ledger.Tables() {
			if !strings.Contains(dump, table+" [") {
				t.Errorf("the test leaves table %s empty", table)
			}
		}
		must(t, l.Forget(ctx))
		if left := got[string](t)(l.Dump(ctx)); left != "" {
			t.Errorf("left:\n%s", left)
		}
	})
}

// What a test calls all tables has to be all of them.
func TestTheListOfTablesIsWhole(t *testing.T) {
	l := open(t, t.TempDir()+"/ledger.db")
	rows, err := l.Writer().Query(`SELECT name FROM sqlite_master WHERE type = 'table'`)
	must(t, err)
	defer rows.Close()
	var names []string
	for rows.Next() {
		var name string
		must(t, rows.Scan(&name))
		names = append(names, name)
	}
	must(t, rows.Err())
	want := append(ledger.Tables(), "ledger_version")
	slices.Sort(names)
	slices.Sort(want)
	if !slices.Equal(names, want) {
		t.Errorf("tables %v, want %v", names, want)
	}
}
