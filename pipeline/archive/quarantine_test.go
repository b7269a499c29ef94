package archive_test

import (
	"bytes"
	"context"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"evenlight/configs"
	"evenlight/pipeline"
	"evenlight/pipeline/archive"
)

// lacking is an archive with a frame in quarantine because its flats are
// missing.
func lacking(t *testing.T, change func(*configs.Archive)) (h *house, raw string) {
	t.Helper()
	h = newHouse(t, "quillon", change)
	h.dropMasters("flat-*.fits")
	h.arrive(h.c.files[0]) // so that the source is not empty without it
	raw = h.arriveAs(h.c.scenes[0], "day 1/0099.fits")
	if r := h.pass(); r.Quarantined != 1 || r.Counts.Failed != 1 {
		t.Fatalf("%d went to quarantine, %d failed; want 1, 1", r.Quarantined, r.Counts.Failed)
	}
	return h, raw
}

// returned says that the frame is out of quarantine and has its product, and
// that its raw file is in its place.
func (h *house) returned(raw string) {
	h.t.Helper()
	if n := h.quarantined(); len(n) > 0 {
		h.t.Errorf("%v is still in quarantine", n)
	}
	if n := h.failures(); n > 0 {
		h.t.Errorf("the ledger has %d failures, want none", n)
	}
	if !isThere(raw) || !bytes.Equal(read(h.t, raw), read(h.t, h.c.scenes[0])) {
		h.t.Error("the raw file is not in its place")
	}
	if !isThere(h.product(raw)) {
		h.t.Error("there is no product")
	}
	if n := h.events(archive.EventReturned); n != 1 {
		h.t.Errorf("%d frames are said to return, want 1", n)
	}
	h.isCurrent(1)
	if r := h.pass(); r.Counts.Done+r.Counts.Failed > 0 {
		h.t.Errorf("%d are made again and %d fail", r.Counts.Done, r.Counts.Failed)
	}
}

func TestTheReasonSaysWhatIsMissingAndWhatToDo(t *testing.T) {
	t.Parallel()
	h, raw := lacking(t, nil)
	text, file := h.reason()
	says(t, text, "raw: "+strconv.Quote(raw), "sha256: "+hashOf(t, raw).String(), "no flat master", "violet", "build one", h.cfg.Masters)
	if strings.Contains(text, file) {
		t.Errorf("the reason speaks of the file in quarantine, %q, which nobody put there", text)
	}
	if !bytes.Equal(read(t, file), read(t, raw)) || filepath.Base(file) != filepath.Base(raw) {
		t.Errorf("%s is not the raw file", file)
	}
	status, err := h.Status(context.Background())
	must(t, err)
	if len(status.Quarantine) != 1 || status.Quarantine[0].Raw != raw || filepath.Dir(file) != status.Quarantine[0].Entry {
		t.Errorf("the status says %+v, want %s in %s", status.Quarantine, raw, filepath.Dir(file))
	}
}

func TestAFrameReturnsWhenItsMasterArrives(t *testing.T) {
	t.Parallel()
	for name, meanwhile := range map[string]func(h *house, raw string){
		"":                                       func(*house, string) {},
		"although its sender took it away":       func(h *house, raw string) { must(h.t, os.Remove(raw)) },
		"although its folder is gone":            func(h *house, raw string) { must(h.t, os.RemoveAll(filepath.Dir(raw))) },
		"although the ledger was lost":           func(h *house, raw string) { h.rebuilt() },
		"although ledger and raw file were lost": func(h *house, raw string) { must(h.t, os.Remove(raw)); h.rebuilt() },
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			h, raw := lacking(t, nil)
			meanwhile(h, raw)
			h.pass()
			if len(h.quarantined()) != 1 || h.events(archive.EventReturned) != 0 {
				t.Fatal("the frame left quarantine although its master is still missing")
			}
			_, file := h.reason()
			if !bytes.Equal(read(t, file), read(t, h.c.scenes[0])) {
				t.Error("what is in quarantine is not the frame any more")
			}
			h.takeMasters("flat-*.fits")
			did(t, h.pass(), 1, 0, 0)
			h.returned(raw)
		})
	}
}

// rebuilt loses the ledger and makes it anew.
func (h *house) rebuilt() *archive.Rebuilt {
	h.t.Helper()
	h.loseLedger()
	h.later(time.Second) // runs are told apart by when they began
	r, err := h.Rebuild(context.Background())
	must(h.t, err)
	return r
}

func TestAFrameReturnsWhenTheProfileChanges(t *testing.T) {
	t.Parallel()
	// Of masters of no age but these, the frame is a day younger.
	h := newHouse(t, "quillon", func(c *configs.Archive) {
		c.Sources[0].Set = append(slices.Clone(c.Sources[0].Set), "selection.flat.max_age_days=0.01")
	})
	raw := h.arrive(h.c.scenes[0])[0]
	did(t, h.pass(), 0, 0, 1)
	text, _ := h.reason()
	says(t, text, "within the limits", "selection.flat")
	h.cfg.Sources[0].Set = settings("quillon")
	h.reopen()
	if p := h.plan(archive.Selection{}); p.Stale != 1 || p.Reasons[archive.ReasonRetry] != 1 {
		t.Errorf("the plan has %d stale %v, want 1 to retry", p.Stale, p.Reasons)
	}
	did(t, h.pass(), 1, 0, 0)
	h.returned(raw)
}

func TestWhatWouldFailAgainIsNotTried(t *testing.T) {
	t.Parallel()
	h, _ := lacking(t, nil)
	text, _ := h.reason()
	for range 3 {
		h.later(time.Hour)
		did(t, h.pass(), 0, 0, 0)
	}
	h.takeMasters("dark-*.fits") // as it is
	h.dropMasters("bad-pixels-*.fits")
	h.takeMasters("bad-pixels-*.fits")
	did(t, h.pass(), 0, 0, 0)
	h.reopen()
	did(t, h.pass(), 0, 0, 0)
	h.isBlocked(1)
	did(t, h.passWith(archive.PassOptions{Retry: true}), 0, 0, 1)
	if n := h.events(pipeline.EventFrameFailed); n != 1 { // since it was opened again
		t.Errorf("%d tries failed, want the one that was asked for", n)
	}
	if again, _ := h.reason(); again != text {
		t.Errorf("the reason has become %q from %q", again, text)
	}
	if n := h.events(archive.EventQuarantined); n != 0 {
		t.Errorf("it is said %d times that the frame goes to quarantine, where it was", n)
	}
}

// A master that arrives is a reason to try although another is still missing:
// the reason then says so.
func TestTheReasonFollowsWhatIsMissing(t *testing.T) {
	t.Parallel()
	h := newHouse(t, "quillon", nil)
	h.dropMasters("flat-*.fits")
	h.dropMasters("dark-*.fits")
	h.arrive(h.c.scenes[0])
	h.pass()
	before, _ := h.reason()
	if strings.Contains(before, "no dark master") {
		h.takeMasters("dark-*.fits")
	} else {
		h.takeMasters("flat-*.fits")
	}
	did(t, h.pass(), 0, 0, 1)
	after, _ := h.reason()
	if after == before {
		t.Errorf("the reason is still %q", after)
	}
	h.takeMasters("*.fits")
	did(t, h.pass(), 1, 0, 0)
	h.isCurrent(1)
}

// While a frame was in quarantine another file took its name: neither is lost.
func TestAFrameReturnsBesideTheOneThatTookItsName(t *testing.T) {
	t.Parallel()
	h, raw := lacking(t, nil)
	copyFile(t, h.c.scenes[1], raw+".new", -1)
	must(t, os.Rename(raw+".new", raw)) // as senders do that write whole files
	h.later(time.Second)
	did(t, h.pass(), 0, 0, 1)
	if n := len(h.quarantined()); n != 2 {
		t.Fatalf("%d frames are in quarantine, want both", n)
	}
	h.takeMasters("flat-*.fits")
	did(t, h.pass(), 2, 0, 0)
	if got, want := hashOf(t, raw), hashOf(t, h.c.scenes[1]); got != want {
		t.Error("the file that took the name is not in its place")
	}
	made := map[string]bool{}
	for _, name := range files(h.products()) {
		p, err := pipeline.ReadProvenance(filepath.Join(h.cfg.Products, name))
		must(t, err)
		made[p.Inputs[0].SHA256] = true
	}
	for _, scene := range h.c.scenes[:2] {
		if !made[hashOf(t, scene).String()] {
			t.Errorf("%s has no current product", filepath.Base(scene))
		}
	}
	if p := h.plan(archive.Selection{Files: true}); p.Stale != 0 || p.Current != 2 {
		t.Errorf("%d are stale %v and %d current, want 0 and 2", p.Stale, p.Reasons, p.Current)
	}
	kept := contents(t, h.cfg.Quarantine)
	if want := hashOf(t, h.c.scenes[0]).String(); !slices.Contains(slices.Collect(maps.Values(kept)), want) {
		t.Errorf("the quarantine holds %v, and the frame whose name is taken lies nowhere", kept)
	}
	h.newFlat("violet")
	did(t, h.reprocess(h.plan(archive.Selection{}), archive.Limits{}), 2, 0, 0)
	h.isCurrent(2)
	before := h.logs.Len()
	h.pass()
	h.pass()
	for _, e := range h.logs.All()[before:] {
		if e.Level > 0 {
			t.Errorf("nothing has happened, and yet the log says %s %v", e.Message, e.ContextMap())
		}
	}
}

func TestAFrameMayBeDroppedFromQuarantineByHand(t *testing.T) {
	t.Parallel()
	h, raw := lacking(t, nil)
	must(t, os.Remove(raw))
	must(t, os.RemoveAll(h.quarantined()[0]))
	did(t, h.pass(), 0, 0, 0)
	h.takeMasters("flat-*.fits")
	did(t, h.pass(), 0, 0, 0)
	if p := h.plan(archive.Selection{}); p.Stale != 0 {
		t.Errorf("the plan calls for %d products %v of a frame that is nowhere", p.Stale, p.Reasons)
	}
}

func TestAnEntryWithoutAReasonIsReported(t *testing.T) {
	t.Parallel()
	h, _ := lacking(t, nil)
	entry := h.quarantined()[0]
	must(t, os.Remove(filepath.Join(entry, "reason.txt")))
	h.loseLedger()
	must(t, os.RemoveAll(h.src))
	must(t, os.MkdirAll(h.src, 0o777))
	h.pass()
	if h.events(archive.EventQuarantineOdd) != 1 {
		t.Errorf("%d problems are reported, want 1", h.events(archive.EventQuarantineOdd))
	}
	if !isThere(filepath.Join(entry, "0099.fits")) {
		t.Error("the frame in quarantine is gone")
	}
}

func TestASecondNameIsTheSameFileAndNeverTakesAnother(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	from, to, taken := filepath.Join(dir, "from"), filepath.Join(dir, "to"), filepath.Join(dir, "taken")
	write(t, from, []byte("one"))
	write(t, taken, []byte("two"))
	must(t, archive.Double(from, to))
	must(t, archive.Double(from, taken))
	if string(read(t, to)) != "one" || string(read(t, taken)) != "two" {
		t.Errorf("the second name reads %q, and the one that was taken %q", read(t, to), read(t, taken))
	}
}

// A damaged master is no reason to try over and over; a sound one in its place
// is.
func TestAFrameWhoseMasterIsDamagedReturnsWhenItIsSound(t *testing.T) {
	t.Parallel()
	h := newHouse(t, "quillon", nil)
	flat := glob(t, h.cfg.Masters, "flat-*-violet-*.fits")[0]
	write(t, flat, flipped(t, flat))
	raw := h.arrive(h.c.scenes[0])[0]
	did(t, h.pass(), 0, 0, 1)
	text, _ := h.reason()
	says(t, text, filepath.Base(flat), "sum")
	for range 2 {
		h.later(time.Hour)
		did(t, h.pass(), 0, 0, 0)
	}
	h.isBlocked(1)
	did(t, h.reprocess(h.plan(archive.Selection{}), archive.Limits{}), 0, 0, 0)
	h.takeMasters("flat-*-violet-*.fits")
	if p := h.plan(archive.Selection{}); p.Stale != 1 || p.Reasons[archive.ReasonRetry] != 1 {
		t.Errorf("the plan has %d stale %v, want 1 to retry", p.Stale, p.Reasons)
	}
	did(t, h.pass(), 1, 0, 0)
	h.returned(raw)
}

// Where a product cannot be made again, the one that there is stays, and the
// plan does not call for it over and over.
func TestAProductStaysWhereItCannotBeMadeAgain(t *testing.T) {
	t.Parallel()
	h := filled(t, 2, nil)
	before := h.products()
	h.newFlat("violet")
	flat := glob(t, h.cfg.Masters, "flat-*-violet-*.fits")[0]
	sound := read(t, flat)
	write(t, flat, flipped(t, flat))
	did(t, h.reprocess(h.plan(archive.Selection{}), archive.Limits{}), 0, 0, 2)
	sameContents(t, "products", h.products(), before)
	h.isBlocked(2)
	did(t, h.pass(), 0, 0, 0)
	write(t, flat, sound)
	h.pass()
	h.reprocess(h.plan(archive.Selection{}), archive.Limits{})
	h.isCurrent(2)
	if n := len(h.quarantined()); n != 0 {
		t.Errorf("%d frames are in quarantine, want none", n)
	}
	sameProducts(t, h)
}
