package archive_test

import (
	"context"
	"maps"
	"path/filepath"
	"testing"
	"time"

	"evenlight/configs"
	"evenlight/pipeline"
	"evenlight/pipeline/archive"
)

// decide records a decision about a master at the clock's time.
func (h *house) decide(what, master string) {
	h.t.Helper()
	h.later(time.Minute)
	must(h.t, pipeline.Record(h.cfg.Masters, pipeline.Decision{What: what, At: h.time.Now(), By: "A. Rook", Why: "the lamp drifted",
		SHA256: hashOf(h.t, master).String(), Name: filepath.Base(master)}))
}

// require lets only accepted masters serve, or all.
func (h *house) require(on bool) {
	h.t.Helper()
	h.later(time.Minute)
	must(h.t, pipeline.Record(h.cfg.Masters, pipeline.Decision{What: pipeline.DecisionRequire, At: h.time.Now(), By: "A. Rook", Why: "products are published", On: &on}))
}

// twoRed is an archive of nine scenes with two red flats, of which the one that
// serves is returned.
func twoRed(t *testing.T) (h *house, serving string, red int) {
	t.Helper()
	h = newHouse(t, "quillon", nil)
	made, err := otherFlats()
	must(t, err)
	for _, f := range glob(t, made, "flat-*-red-*.fits") {
		copyFile(t, f, filepath.Join(h.cfg.Masters, filepath.Base(f)), -1)
	}
	h.arrive(h.c.scenes[:9]...)
	did(t, h.pass(), 9, 0, 0)
	for _, f := range h.c.scenes[:9] {
		p, err := pipeline.ReadProvenance(h.product(filepath.Join(h.src, filepath.Base(f))))
		must(t, err)
		if p.Band != "red" {
			continue
		}
		red++
		for _, in := range p.Inputs {
			if in.Role == pipeline.MasterFlat {
				serving = filepath.Join(h.cfg.Masters, in.Name)
			}
		}
	}
	if red == 0 || red == 9 {
		t.Fatalf("%d of 9 scenes are red: nothing is tested", red)
	}
	return h, serving, red
}

func TestWithdrawingAMasterPlansTheProductsThatUsedItAndNoOthers(t *testing.T) {
	t.Parallel()
	h, flat, red := twoRed(t)
	before, times := h.products(), marks(t, h.cfg.Products)

	uses, err := h.Uses(context.Background(), hashOf(t, flat).String(), nil)
	must(t, err)
	if len(uses) != red {
		t.Errorf("the ledger lists %d products of the flat, want the %d red ones: %v", len(uses), red, uses)
	}
	for _, u := range uses {
		if band := bandOf(t, u.Product); band != "red" {
			t.Errorf("%s of band %s is listed", u.Product, band)
		}
	}
	h.decide(pipeline.DecisionNote, flat)
	h.isCurrent(9)

	h.decide(pipeline.DecisionWithdraw, flat)
	did(t, h.pass(), 0, 0, 0) // an intake remakes nothing
	p := h.plan(archive.Selection{})
	if p.Stale != red || p.Current != 9-red || !maps.Equal(p.Reasons, map[string]int{archive.ReasonMaster: red}) {
		t.Fatalf("%d are stale %v and %d current, want %d by the master", p.Stale, p.Reasons, p.Current, red)
	}
	did(t, h.reprocess(p, archive.Limits{}), red, 0, 0)
	if changed := changedSince(t, h.cfg.Products, before, times); len(changed) != red {
		t.Errorf("%v changed, want the %d red ones", changed, red)
	}
	h.isCurrent(9)
	headersTellTheInputs(t, h, 9)
	sameContents(t, "products of the archive beside those of a run", h.products(), inCamera("quillon", calibrated(t, h.c, h.cfg.Masters, h.c.scenes[:9])))
	if uses, err = h.Uses(context.Background(), hashOf(t, flat).String(), nil); err != nil || len(uses) > 0 {
		t.Errorf("the ledger still lists %v, %v", uses, err)
	}

	h.decide(pipeline.DecisionAccept, flat)
	did(t, h.reprocess(h.plan(archive.Selection{}), archive.Limits{}), red, 0, 0)
	sameContents(t, "products with the flat accepted again", h.products(), before)
}

func TestProductsOfAMasterThatHasNoSuccessorStay(t *testing.T) {
	t.Parallel()
	h := filled(t, 3, nil)
	before := h.products()
	h.decide(pipeline.DecisionWithdraw, glob(t, h.cfg.Masters, "dark-*.fits")[0])
	did(t, h.pass(), 0, 0, 0)
	if p := h.plan(archive.Selection{}); p.Stale != 0 || p.Held != 3 {
		t.Errorf("%d are stale, %d held; want 3 held, since no dark may serve", p.Stale, p.Held)
	}
	sameContents(t, "products", h.products(), before)
}

func TestAFrameWaitsForMastersToBeAccepted(t *testing.T) {
	t.Parallel()
	h := newHouse(t, "quillon", nil)
	h.require(true)
	raw := h.arrive(h.c.scenes[0])[0]
	if r := h.pass(); r.Quarantined != 1 || r.Counts.Failed != 1 {
		t.Fatalf("%d went to quarantine, %d failed; want 1, 1", r.Quarantined, r.Counts.Failed)
	}
	text, _ := h.reason()
	says(t, text, "bias", "was not accepted", "A. Rook", "products are published", "evenlight library accept")
	masters := glob(t, h.cfg.Masters, "*.fits")
	for _, m := range masters[1:] {
		h.decide(pipeline.DecisionAccept, m)
	}
	did(t, h.pass(), 0, 0, 1) // one is still missing
	h.decide(pipeline.DecisionAccept, masters[0])
	did(t, h.pass(), 1, 0, 0)
	h.returned(raw)
}

func TestARecordThatCannotBeReadStopsThePass(t *testing.T) {
	t.Parallel()
	h := filled(t, 1, nil)
	path := filepath.Join(h.cfg.Masters, pipeline.DecisionsFile)
	write(t, path, []byte("withdraw all flats\n"))
	h.arrive(h.c.scenes[1])
	_, err := h.Pass(context.Background(), archive.PassOptions{})
	if err == nil {
		t.Fatal("the pass went on, though masters may have been withdrawn")
	}
	says(t, err.Error(), path+":1", "correct the line")
	write(t, path, []byte("{\"decision\":\"with"))
	did(t, h.pass(), 1, 0, 0)
	if n := h.events(pipeline.EventDecisionTorn); n == 0 {
		t.Error("nobody was told of the line that was cut off")
	}
}

func TestAMasterThatWasWithdrawnIsNotTheNewest(t *testing.T) {
	t.Parallel()
	days := begun.Sub(time.Date(2031, 3, 1, 0, 0, 0, 0, time.UTC)).Hours() / 24 // older than any
	h := newHouse(t, "quillon", func(cfg *configs.Archive) {
		cfg.Alerts.Rules = []configs.Rule{{Name: "old", Kind: configs.RuleMasterAge, Days: days, Master: pipeline.MasterDark}}
	})
	h.arrive(h.c.scenes[0])
	h.pass()
	told(t, h, 0, 0, 0)
	dark := glob(t, h.cfg.Masters, "dark-*.fits")[0]
	h.decide(pipeline.DecisionWithdraw, dark)
	h.pass()
	told(t, h, 1, 0, 0)
	h.decide(pipeline.DecisionAccept, dark)
	h.pass()
	told(t, h, 1, 0, 1)
}
