package ledger_test

import (
	"context"
	"errors"
	"fmt"
	"iter"
	"slices"
	"strings"
	"testing"
	"time"

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
		r.ProductInputs = 0 // is only a key
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
		got[int64](t)(l.BeginRun(ctx, run))
		got[bool](t)(l.RaiseAlert(ctx, "rule", "subject", "message", start))
		must(t, l.SetPlaces(ctx, place(1)))
		must(t, l.AddPost(ctx, "body", start))
		must(t, l.Record(ctx, ledger.Outcome{Failure: failure(1)}, ledger.Outcome{Failure: failure(2)}))
		arrivals := got[map[string]time.Time](t)(l.Arrivals(ctx))
		got[int](t)(l.Rebuild(ctx, archive(nil, 2)))
		if n := got[int](t)(l.CountFailures(ctx)); n != 0 {
			t.Errorf("%d failures are left", n)
		}
		if places := got[[]ledger.Place](t)(l.PlacesOf(ctx, of("raw", 1))); places != nil {
			t.Errorf("places are left: %+v", places)
		}
		if now := got[map[string]time.Time](t)(l.Arrivals(ctx)); fmt.Sprint(now) != fmt.Sprint(arrivals) || len(got[[]ledger.Post](t)(l.Posts(ctx))) != 1 {
			t.Errorf("arrivals %v, want those of before, %v, and the message that waits", now, arrivals)
		}
		if r := rows(t, l, ledger.Filter{}); len(r) != 1 || r[0].Frame != frame(2).SHA256 {
			t.Errorf("rows %+v, want the one of the archive", r)
		}
		if len(got[[]ledger.Run](t)(l.Runs(ctx, 9))) != 1 || len(got[[]ledger.Alert](t)(l.Alerts(ctx, true))) != 1 {
			t.Error("runs or alerts are gone, and no file tells of them")
		}
	})
}

// journal is what a lost ledger cannot read from headers.
func journal(runs []ledger.Run, alerts []ledger.Alert) iter.Seq2[ledger.Record, error] {
	return func(yield func(ledger.Record, error) bool) {
		for i := range runs {
			if !yield(ledger.Record{Run: &runs[i]}, nil) {
				return
			}
		}
		for i := range alerts {
			if !yield(ledger.Record{Alert: &alerts[i]}, nil) {
				return
			}
		}
	}
}

func TestRunsAndAlertsComeBackFromAJournalOnce(t *testing.T) {
	at := func(hour int) time.Time { return start.Add(time.Duration(hour) * time.Hour) }
	runs := []ledger.Run{
		{What: "intake", Owner: "worker", Host: "host", Started: at(0), Ended: at(1), Counts: ledger.Counts{Found: 15, Done: 8, Skipped: 4, Failed: 2, Warned: 1}, Outcome: "done"},
		{What: "intake", Owner: "another", Started: at(0)},
		{What: "reprocess", Owner: "worker", Started: at(2)},
	}
	alerts := []ledger.Alert{
		{Rule: "drift", Subject: "main", Message: "2 DN", First: at(1), Last: at(2), Told: at(1), Cleared: at(3)},
		{Rule: "drift", Subject: "main", Message: "3 DN", First: at(4), Last: at(5)},
		{Rule: "drift", Subject: "spare", Message: "4 DN", First: at(4), Last: at(5), Told: at(4)},
	}
	onLedger(t, func(t *testing.T, l *ledger.Ledger) {
		ctx := context.Background()
		now := func() ([]ledger.Run, []ledger.Alert) {
			var is []ledger.Run
			must(t, l.RunsBetween(ctx, time.Time{}, time.Time{}, func(r ledger.Run) error {
				r.ID = 0 // is new
				is = append(is, r)
				return nil
			}))
			return is, got[[]ledger.Alert](t)(l.Alerts(ctx, true))
		}
		for range 2 { // the second time all is there
			got[int](t)(l.Rebuild(ctx, journal(runs, alerts)))
			if r, a := now(); !slices.Equal(r, runs) || !slices.Equal(a, alerts) {
				t.Errorf("runs\n%+v, want\n%+v; alerts\n%+v, want\n%+v", r, runs, a, alerts)
			}
		}
		// What the ledger knows counts more than the journal.
		got[bool](t)(l.ClearAlert(ctx, "drift", "spare", at(6)))
		got[bool](t)(l.RaiseAlert(ctx, "drift", "spare", "5 DN", at(7)))
		_, before := now()
		other := []ledger.Alert{alerts[2], {Rule: "drift", Subject: "spare", Message: "also open", First: at(6), Last: at(6)}}
		got[int](t)(l.Rebuild(ctx, journal(nil, other)))
		if _, after := now(); !slices.Equal(after, before) {
			t.Errorf("alerts\n%+v, want as before\n%+v", after, before)
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
		got[int64](t)(l.BeginRun(ctx, run))
		got[bool](t)(l.RaiseAlert(ctx, "rule", "subject", "message", start))
		must(t, l.SetPlaces(ctx, place(1)))
		must(t, l.AddPost(ctx, "body", start))
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
	rows, err := l.Writer().Query(`SELECT name FROM sqlite_master WHERE type = 'table' AND name NOT LIKE 'sqlite_%'`)
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
