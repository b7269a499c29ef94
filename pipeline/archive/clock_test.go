package archive_test

import (
	"context"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"evenlight/configs"
	"evenlight/pipeline/alert"
	"evenlight/pipeline/archive"
	"evenlight/pipeline/ledger"
)

const (
	day  = 24 * time.Hour
	year = 365 * day
)

// jumps are how a clock is set between passes: back, far ahead, and to the very
// beginning, as one does that has lost its battery.
var jumps = []struct {
	name string
	by   []time.Duration
}{
	{"back a day", []time.Duration{-day}},
	{"ahead a year and back", []time.Duration{year, -year}},
	{"back a day, ahead a year, back to 1970", []time.Duration{-day, year, time.Unix(0, 0).Sub(begun.Add(year - day))}},
}

func TestAClockThatJumpsNeitherLosesNorRepeatsWork(t *testing.T) {
	steady := newHouse(t, "quillon", nil)
	steady.arrive(steady.c.scenes...)
	steady.pass()
	want := steady.products()
	for _, jump := range jumps {
		t.Run(jump.name, func(t *testing.T) {
			h := newHouse(t, "quillon", nil)
			part := (len(h.c.scenes) + len(jump.by)) / (len(jump.by) + 1)
			runs := 0
			for scenes := range slices.Chunk(h.c.scenes, part) {
				h.arrive(scenes...)
				did(t, h.pass(), len(scenes), 0, 0)
				h.later(time.Minute)
				did(t, h.pass(), 0, 0, 0)
				if runs < len(jump.by) {
					h.later(jump.by[runs])
				}
				runs++
				did(t, h.pass(), 0, 0, 0)
				h.reopen()
				did(t, h.pass(), 0, 0, 0)
			}
			if got := h.products(); !maps.Equal(got, want) {
				t.Errorf("the products are\n%v\nwant\n%v", got, want)
			}
			h.isCurrent(len(h.c.scenes))
			mustHaveRuns(t, h, runs)
			// What the ledger knows of runs comes back from the journal, whose
			// files are named by months that jump too.
			h.loseLedger()
			if _, err := h.Rebuild(context.Background()); err != nil {
				t.Fatal(err)
			}
			did(t, h.pass(), 0, len(h.c.scenes), 0)
			mustHaveRuns(t, h, runs+2) // the rebuild is one, too
			h.isCurrent(len(h.c.scenes))
		})
	}
}

// mustHaveRuns fails unless the ledger has so many runs, all of them ended.
func mustHaveRuns(t *testing.T, h *house, want int) {
	t.Helper()
	runs, err := h.Ledger().Runs(context.Background(), 1000)
	must(t, err)
	if len(runs) != want {
		t.Errorf("the ledger knows of %d runs, want %d", len(runs), want)
	}
	for _, r := range runs {
		if r.Ended.IsZero() || r.Outcome != "done" {
			t.Errorf("a run is %+v, want one that ended well", r)
		}
	}
}

func TestProductsAreRemadeOnceAlthoughTheClockJumps(t *testing.T) {
	h := newHouse(t, "quillon", nil)
	h.arrive(h.c.scenes...)
	h.pass()
	first := h.products()
	h.cfg.Sources[0].Set = append(settings("quillon"), "output.quantity=electrons")
	h.later(-day)
	h.reopen()
	n := len(h.c.scenes)
	did(t, h.reprocess(h.plan(archive.Selection{}), archive.Limits{MostFrames: n / 2}), n/2, 0, 0)
	h.later(year)
	did(t, h.reprocess(h.plan(archive.Selection{}), archive.Limits{}), n-n/2, 0, 0)
	h.later(-2 * year)
	did(t, h.reprocess(h.plan(archive.Selection{}), archive.Limits{}), 0, 0, 0)
	h.isCurrent(n)
	earlier := slices.Sorted(maps.Values(contents(t, h.cfg.Earlier)))
	want := slices.Sorted(maps.Values(first))
	earlier = slices.DeleteFunc(earlier, func(s string) bool { return len(s) != 64 }) // names of folders
	want = slices.DeleteFunc(want, func(s string) bool { return len(s) != 64 })
	if !slices.Equal(earlier, want) {
		t.Errorf("%d earlier versions are kept, want %d as they were", len(earlier), len(want))
	}
	if s := h.stats(); s.Products != n || s.Superseded != n {
		t.Errorf("the ledger has %d current and %d earlier versions, want %d of each", s.Products, s.Superseded, n)
	}
}

func TestAnIncompleteFileRestsAtLeastItsTimeWhenTheClockGoesBack(t *testing.T) {
	h := newHouse(t, "quillon", nil)
	whole := h.c.scenes[0]
	cut := copyFile(t, whole, filepath.Join(h.src, filepath.Base(whole)), 5760)
	mustRest := func(when string) {
		t.Helper()
		if r := h.pass(); r.Waiting != 1 || r.Counts.Failed != 0 {
			t.Errorf("%s: %d files wait and %d failed, want 1 and none", when, r.Waiting, r.Counts.Failed)
		}
	}
	mustRest("at first")
	h.later(-day)
	mustRest("the clock went back")
	h.later(23 * time.Hour)
	mustRest("23 hours later")
	h.later(2 * time.Hour)
	did(t, h.pass(), 0, 0, 1)

	copyFile(t, whole, cut, -1)
	did(t, h.pass(), 1, 0, 0)
	if left := h.quarantined(); len(left) > 0 {
		t.Errorf("the quarantine still holds %v", left)
	}
	h.isCurrent(1)
}

// A clock that is set ahead cannot be told from time that passed. What it
// brings about has to come right again by itself.
func TestAnIncompleteFileThatWasGivenUpTooEarlyIsTakenWhenItIsWhole(t *testing.T) {
	h := newHouse(t, "quillon", nil)
	whole := h.c.scenes[0]
	cut := copyFile(t, whole, filepath.Join(h.src, filepath.Base(whole)), 5760)
	h.pass()
	h.later(year)
	did(t, h.pass(), 0, 0, 1)
	h.later(-year)
	did(t, h.pass(), 0, 0, 0)
	copyFile(t, whole, cut, -1)
	did(t, h.pass(), 1, 0, 0)
	if left := h.quarantined(); len(left) > 0 {
		t.Errorf("the quarantine still holds %v", left)
	}
	h.isCurrent(1)
}

func TestAlertsAreRaisedOnceAndClearedAlthoughTheClockJumps(t *testing.T) {
	h := newHouse(t, "quillon", func(c *configs.Archive) {
		c.Alerts.Rules = []configs.Rule{{Name: "quiet", Kind: configs.RuleSilence, Instrument: "quillon", Hours: 36}}
	})
	mustHold := func(when string, want int, raised, cleared int) {
		t.Helper()
		if r := h.pass(); len(r.Alerts) != want {
			t.Errorf("%s: %d alerts hold, want %d", when, len(r.Alerts), want)
		}
		if got := [2]int{h.events(alert.EventRaised), h.events(alert.EventCleared)}; got != [2]int{raised, cleared} {
			t.Errorf("%s: alerts were raised %d times and cleared %d times, want %d and %d", when, got[0], got[1], raised, cleared)
		}
	}
	h.arrive(h.c.scenes[0])
	mustHold("a frame came", 0, 0, 0)
	h.later(-day)
	mustHold("the clock went back a day", 0, 0, 0)
	h.later(year)
	mustHold("the clock went ahead a year", 1, 1, 0)
	h.later(time.Hour)
	mustHold("an hour later", 1, 1, 0)
	h.later(-year)
	mustHold("the clock went back again", 0, 1, 1)
	h.arrive(h.c.scenes[1])
	mustHold("another frame came", 0, 1, 1)

	told, err := h.Ledger().Alerts(context.Background(), true)
	must(t, err)
	if len(told) != 1 || told[0].Cleared.IsZero() {
		t.Errorf("the ledger has the alerts %+v, want one that was cleared", told)
	}
	h.loseLedger()
	if _, err := h.Rebuild(context.Background()); err != nil {
		t.Fatal(err)
	}
	again, err := h.Ledger().Alerts(context.Background(), true)
	must(t, err)
	same := slices.EqualFunc(again, told, func(a, b ledger.Alert) bool {
		return a.Rule == b.Rule && a.Subject == b.Subject && a.First.Equal(b.First) && a.Cleared.Equal(b.Cleared)
	})
	if !same {
		t.Errorf("after a rebuild the alerts are\n%+v\nwant\n%+v", again, told)
	}
}

func TestTheTimesOfFilesMayLieInTheFuture(t *testing.T) {
	h := newHouse(t, "quillon", nil)
	for i, raw := range h.arrive(h.c.scenes...) {
		at := begun.Add(time.Duration(i-1) * year) // before, now and long after
		must(t, os.Chtimes(raw, at, at))
	}
	did(t, h.pass(), len(h.c.scenes), 0, 0)
	did(t, h.pass(), 0, 0, 0)
	h.isCurrent(len(h.c.scenes))
}
