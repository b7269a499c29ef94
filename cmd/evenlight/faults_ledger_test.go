//go:build unix

package main

import (
	"database/sql"
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

// writer opens the archive's SQLite file behind the ledger's back.
func (a *kept) writer() *sql.DB {
	a.t.Helper()
	db, err := sql.Open("sqlite", "file:"+a.ledger+"?_txlock=immediate")
	if err != nil {
		a.t.Fatal(err)
	}
	return db
}

// commandsOnLedger are those that need the ledger.
var commandsOnLedger = [][]string{{"intake"}, {"watch"}, {"plan"}, {"reprocess"}, {"status"}, {"ledger", "check"}, {"ledger", "rebuild"}}

func TestALedgerThatAnotherProcessHoldsIsWaitedForAndThenTheMessageSaysWhoHoldsIt(t *testing.T) {
	d := sharedDownlink(t, 3)
	a := inProcesses(arrived(t, t.TempDir(), d))
	a.mustRun(exitDone, "status")
	db := a.writer()
	defer db.Close()
	tx, err := db.Begin()
	if err != nil {
		t.Fatal(err)
	}
	defer tx.Rollback()
	got := a.mustRun(exitBusy, "intake")
	mustContain(t, "the message", message(got), a.ledger, fmt.Sprintf("process %d", os.Getpid()), "wait until it is done")
	if made := a.tree("products"); len(made) > 0 {
		t.Errorf("products were made that nobody could record: %v", made)
	}
	if err := tx.Rollback(); err != nil {
		t.Fatal(err)
	}
	a.intake(exitDone)
	a.mustAgree(len(d.scenes))
}

// damage is what can happen to the file of a ledger.
var damage = []struct {
	name string
	do   func(t *testing.T, a *kept)
	say  string
	// words are the commands that come to the damage; nil: all do.
	words [][]string
}{
	{"it was overwritten in its middle", func(t *testing.T, a *kept) {
		changeLedger(t, a, func(b []byte) []byte {
			for i := len(b) / 4; i < len(b)*3/4; i++ {
				b[i] = 0xa5
			}
			return b
		})
	}, "evenlight ledger rebuild", nil},
	{"a page of it is lost", func(t *testing.T, a *kept) { losePage(t, a, pagesInUse(t, a)["product"]) }, "evenlight ledger rebuild",
		[][]string{{"plan"}, {"reprocess"}, {"ledger", "check"}, {"ledger", "rebuild"}}},
	{"it was cut off", func(t *testing.T, a *kept) {
		changeLedger(t, a, func(b []byte) []byte { return b[:len(b)/2] })
	}, "evenlight ledger rebuild", nil},
	{"it is another kind of file", func(t *testing.T, a *kept) {
		changeLedger(t, a, func(b []byte) []byte { return []byte(strings.Repeat("no ledger at all\n", len(b)/17)) })
	}, "evenlight ledger rebuild", nil},
	{"it was written by software to come", func(t *testing.T, a *kept) {
		db := a.writer()
		defer db.Close()
		if _, err := db.Exec(`UPDATE ledger_version SET version = 999`); err != nil {
			t.Fatal(err)
		}
	}, "install the version of the software", nil},
}

// pagesInUse returns, for each table and index, the number of its first page.
func pagesInUse(t *testing.T, a *kept) map[string]int64 {
	t.Helper()
	db := a.writer()
	defer db.Close()
	rows, err := db.Query(`SELECT name, rootpage FROM sqlite_master WHERE rootpage > 0`)
	if err != nil {
		t.Fatal(err)
	}
	defer rows.Close()
	pages := map[string]int64{}
	for rows.Next() {
		var name string
		var page int64
		if err := rows.Scan(&name, &page); err != nil {
			t.Fatal(err)
		}
		pages[name] = page
	}
	if err := rows.Err(); err != nil {
		t.Fatal(err)
	}
	return pages
}

// pageBytes is the size of a page, SQLite's own choice
// (https://www.sqlite.org/pragma.html#pragma_page_size).
const pageBytes = 4096

// losePage overwrites a page with zeros, as a disk does that lost it.
func losePage(t *testing.T, a *kept, page int64) {
	t.Helper()
	changeLedger(t, a, func(b []byte) []byte {
		clear(b[(page-1)*pageBytes : page*pageBytes])
		return b
	})
}

func TestTheCheckFindsEachPageThatIsLost(t *testing.T) {
	d := sharedDownlink(t, 3)
	a := inProcesses(arrived(t, t.TempDir(), d))
	a.intake(exitDone)
	pages := pagesInUse(t, a)
	whole := readFile(t, a.ledger)
	for _, name := range slices.Sorted(maps.Keys(pages)) {
		losePage(t, a, pages[name])
		if got := a.run("ledger", "check"); got.code != exitNothing || !strings.Contains(got.errors, "evenlight ledger rebuild") {
			t.Errorf("the first page of %s is lost and the check ends with code %d\n%s%s", name, got.code, got.out, got.errors)
		}
		changeLedger(t, a, func([]byte) []byte { return whole })
	}
	a.mustRun(exitDone, "ledger", "check")
}

func changeLedger(t *testing.T, a *kept, change func([]byte) []byte) {
	t.Helper()
	if err := os.WriteFile(a.ledger, change(readFile(t, a.ledger)), 0o600); err != nil {
		t.Fatal(err)
	}
}

func TestADamagedLedgerIsRefusedAndWhatTheMessageSaysBringsAllBack(t *testing.T) {
	d := sharedDownlink(t, 6)
	for _, damage := range damage {
		t.Run(damage.name, func(t *testing.T) {
			a := inProcesses(lostLedger(t, t.TempDir(), d)) // with two versions of each product
			a.mustRun(exitDone, "ledger", "rebuild")
			a.intake(exitDone)
			runs := runsIn(t, a)
			products, ids, earlier := a.tree("products"), a.identities("products"), a.identities("earlier")

			damage.do(t, a)
			file := hashOf(t, a.ledger)
			words := damage.words
			if words == nil {
				words = commandsOnLedger
			}
			for _, words := range words {
				got := a.mustRun(exitNothing, words...)
				mustContain(t, strings.Join(words, " "), message(got), a.ledger, damage.say, "rebuild")
			}
			if hashOf(t, a.ledger) != file {
				t.Error("the damaged ledger was written to")
			}
			a.mustBeUntouched("refused", "products", ids)

			a.moveLedgerAway()
			a.mustRun(exitDone, "ledger", "rebuild")
			r, _ := a.intake(exitDone)
			if r.Counts.Done+r.Adopted > 0 || r.Known != len(d.scenes) {
				t.Errorf("after the ledger was rebuilt: %+v", r)
			}
			a.mustBeIn("products", products)
			a.mustBeUntouched("rebuilt", "products", ids)
			a.mustBeUntouched("rebuilt", "earlier", earlier)
			a.mustAgree(len(d.scenes))
			a.mustPlanNothing()
			mustKnowEarlier(t, a, len(d.scenes))
			now := runsIn(t, a)
			for run := range runs {
				if !now[run] {
					t.Errorf("the rebuilt ledger has forgotten the run %s", run)
				}
			}
		})
	}
}

// moveLedgerAway moves the ledger's file and those beside it that begin with
// its name, as the message says.
func (a *kept) moveLedgerAway() {
	a.t.Helper()
	files, err := filepath.Glob(a.ledger + "*")
	if err != nil {
		a.t.Fatal(err)
	}
	away := a.path("away")
	if err := os.Mkdir(away, 0o755); err != nil {
		a.t.Fatal(err)
	}
	for _, f := range files {
		if err := os.Rename(f, filepath.Join(away, filepath.Base(f))); err != nil {
			a.t.Fatal(err)
		}
	}
}

// runsIn are the runs that the ledger knows, but for those that nothing was
// found by.
func runsIn(t *testing.T, a *kept) map[string]bool {
	t.Helper()
	l := a.openLedger()
	defer l.Close()
	runs, err := l.Runs(t.Context(), 1000)
	if err != nil {
		t.Fatal(err)
	}
	out := map[string]bool{}
	for _, r := range runs {
		if !r.Ended.IsZero() {
			out[fmt.Sprintf("%s %s %v %s", r.What, r.Started.UTC(), r.Counts, r.Outcome)] = true
		}
	}
	return out
}

func TestALostLedgerIsMissedAndMadeAnewWithoutMakingAnyProduct(t *testing.T) {
	d := sharedDownlink(t, 6)
	a := inProcesses(arrived(t, t.TempDir(), d))
	a.intake(exitDone)
	products, ids := a.tree("products"), a.identities("products")
	a.dropLedger()
	mustContain(t, "the message", message(a.mustRun(exitNothing, "intake")), "evenlight ledger rebuild")
	a.mustRun(exitDone, "ledger", "rebuild")
	if r, _ := a.intake(exitDone); r.Counts.Done+r.Adopted > 0 || r.Known != len(d.scenes) {
		t.Errorf("after the ledger was made anew: %+v", r)
	}
	a.mustBeUntouched("the ledger was lost", "products", ids)
	if got := a.tree("products"); !maps.Equal(got, products) {
		t.Errorf("the folder of products holds %v, want %v", got, products)
	}
	a.mustAgree(len(d.scenes))
	a.mustPlanNothing()
}
