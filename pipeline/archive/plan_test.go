package archive_test

import (
	"context"
	"errors"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"evenlight/configs"
	"evenlight/pipeline"
	"evenlight/pipeline/archive"
	"evenlight/pipeline/ledger"
)

// filled is an archive of the main camera whose first n scenes are calibrated:
// two violet ones, two green, two red, two near infrared, one green.
func filled(t testing.TB, n int, change func(*configs.Archive)) *house {
	t.Helper()
	h := newHouse(t, "quillon", change)
	h.arrive(h.c.scenes[:n]...)
	did(t, h.pass(), n, 0, 0)
	return h
}

// bandOf reads the band of a product.
func bandOf(t testing.TB, path string) string {
	t.Helper()
	p, err := pipeline.ReadProvenance(path)
	must(t, err)
	return p.Band
}

// scenesOf counts the first n scenes of a band.
func (h *house) scenesOf(n int, bands ...string) int {
	h.t.Helper()
	count := 0
	for _, f := range h.c.scenes[:n] {
		if slices.Contains(bands, bandOf(h.t, h.product(filepath.Join(h.src, filepath.Base(f))))) {
			count++
		}
	}
	return count
}

// marks are the times of the products, by which it is seen that they were not
// even touched.
func marks(t testing.TB, dir string) map[string]time.Time {
	t.Helper()
	out := map[string]time.Time{}
	for _, name := range files(contents(t, dir)) {
		info, err := os.Stat(filepath.Join(dir, name))
		must(t, err)
		out[name] = info.ModTime()
	}
	return out
}

// changedSince lists the files whose content or time is another.
func changedSince(t testing.TB, dir string, content map[string]string, times map[string]time.Time) []string {
	t.Helper()
	now, nowTimes := contents(t, dir), marks(t, dir)
	var out []string
	for _, name := range files(now) {
		if now[name] != content[name] || !nowTimes[name].Equal(times[name]) {
			out = append(out, name)
		}
	}
	return out
}

func TestOnlyWhatIsStaleIsMadeAgain(t *testing.T) {
	t.Parallel()
	h := filled(t, 9, nil)
	before, times := h.products(), marks(t, h.cfg.Products)
	h.newFlat("red")
	did(t, h.pass(), 0, 0, 0) // an intake remakes nothing
	n := h.scenesOf(9, "red")
	if n == 0 || n == 9 {
		t.Fatalf("%d of 9 scenes are red: nothing is tested", n)
	}
	p := h.plan(archive.Selection{})
	if p.Stale != n || p.Current != 9-n || !maps.Equal(p.Reasons, map[string]int{archive.ReasonMaster: n}) {
		t.Errorf("%d are stale %v and %d current, want %d by the master", p.Stale, p.Reasons, p.Current, n)
	}
	did(t, h.reprocess(p, archive.Limits{}), n, 0, 0)
	changed := changedSince(t, h.cfg.Products, before, times)
	for _, name := range changed {
		if band := bandOf(t, filepath.Join(h.cfg.Products, name)); band != "red" {
			t.Errorf("%s of band %s was touched", name, band)
		}
	}
	if len(changed) != n {
		t.Errorf("%d products changed, want %d", len(changed), n)
	}
	h.isCurrent(9)
	sameContents(t, "products", h.products(), inCamera("quillon", calibrated(t, h.c, h.cfg.Masters, h.c.scenes)))
	did(t, h.reprocess(h.plan(archive.Selection{}), archive.Limits{}), 0, 0, 0)
}

func TestAPlanGivesTheReason(t *testing.T) {
	t.Parallel()
	for reason, bring := range map[string]func(t *testing.T) (h *house, stale, current int){
		archive.ReasonProfile: func(t *testing.T) (*house, int, int) {
			h := filled(t, 3, nil)
			h.cfg.Sources[0].Set = append(slices.Clone(h.cfg.Sources[0].Set), "output.quantity=electrons")
			h.reopen()
			return h, 3, 0
		},
		archive.ReasonMaster: func(t *testing.T) (*house, int, int) {
			h := filled(t, 4, nil)
			h.newFlat(bandOf(t, h.product(filepath.Join(h.src, filepath.Base(h.c.scenes[0])))))
			return h, 2, 2
		},
		archive.ReasonFile: func(t *testing.T) (*house, int, int) {
			h := filled(t, 3, nil)
			must(t, os.Remove(h.product(filepath.Join(h.src, filepath.Base(h.c.scenes[1])))))
			return h, 1, 2
		},
		archive.ReasonRetry: func(t *testing.T) (*house, int, int) {
			h, _ := lacking(t, nil)
			h.takeMasters("flat-*.fits")
			return h, 1, 0
		},
		archive.ReasonVersion: func(t *testing.T) (*house, int, int) {
			// A product as another version of the software would leave it: a
			// ledger that is made anew believes its header.
			h := filled(t, 2, nil)
			path := h.product(filepath.Join(h.src, filepath.Base(h.c.scenes[0])))
			version := []byte(pipeline.Version)
			version[len(version)-1] ^= 1
			write(t, path, patched(t, path, "SOFTVERS= '"+pipeline.Version, "SOFTVERS= '"+string(version)))
			if r := h.rebuilt(); r.Products != 2 {
				t.Fatalf("%d products are read back, %v skipped; want 2", r.Products, r.Skipped)
			}
			did(t, h.pass(), 0, 2, 0)
			return h, 1, 1
		},
		archive.ReasonNew: func(t *testing.T) (*house, int, int) {
			// The frames of a tube are noted before the first of them is
			// calibrated, and the process is stopped then.
			h := newHouse(t, "sallow", nil)
			h.arrive(h.c.scenes...)
			ctx, cancel := context.WithCancel(context.Background())
			h.progress = func(int, int, string) { cancel() }
			r, err := h.Pass(ctx, archive.PassOptions{})
			if !errors.Is(err, context.Canceled) || r.Counts.Done == 0 || r.Counts.Done >= len(h.c.scenes) {
				t.Fatalf("stopped with %v after %d products", err, r.Counts.Done)
			}
			h.progress = nil
			return h, len(h.c.scenes) - r.Counts.Done, r.Counts.Done
		},
	} {
		t.Run(reason, func(t *testing.T) {
			t.Parallel()
			h, stale, current := bring(t)
			sel := archive.Selection{Files: reason == archive.ReasonFile}
			p := h.plan(sel)
			if p.Stale != stale || p.Current != current || !maps.Equal(p.Reasons, map[string]int{reason: stale}) {
				t.Errorf("%d are stale %v and %d current; want %d and %d", p.Stale, p.Reasons, p.Current, stale, current)
			}
			for _, other := range archive.Reasons() {
				sel := archive.Selection{Files: sel.Files, Reasons: []string{other}}
				if p := h.plan(sel); other != reason && (p.Stale != 0 || p.Passed != stale) || other == reason && p.Stale != stale {
					t.Errorf("by the reason %s, %d are chosen and %d passed over", other, p.Stale, p.Passed)
				}
			}
			before, times := h.products(), marks(t, h.cfg.Products)
			did(t, h.reprocess(p, archive.Limits{}), stale, 0, 0)
			if changed := changedSince(t, h.cfg.Products, before, times); len(changed) != stale {
				t.Errorf("%v are new, want %d", changed, stale)
			}
			h.isCurrent(stale + current)
			sameProducts(t, h)
		})
	}
	if _, err := newHouse(t, "quillon", nil).Plan(context.Background(), archive.Selection{Reasons: []string{"because"}}); err == nil {
		t.Error("a reason that there is not is taken")
	} else {
		says(t, err.Error(), `"because"`, archive.ReasonMaster)
	}
}

// sameProducts says that the products are those that a run without an archive
// makes with the archive's profile, its masters and its raw files.
func sameProducts(t *testing.T, h *house) {
	t.Helper()
	p, _, err := h.cfg.Sources[0].LoadProfile()
	must(t, err)
	c := *h.c
	c.in = pipeline.NewInstrument(p)
	found, err := pipeline.FindFrames([]string{h.src})
	must(t, err)
	want := map[string]string{}
	for name, sha := range calibrated(t, &c, h.cfg.Masters, found) {
		want[name] = sha
	}
	got := map[string]string{}
	all := h.products()
	for _, name := range files(all) {
		got[filepath.Base(name)] = all[name]
	}
	sameContents(t, "products", got, want)
}

// A frame that arrives late makes the products of those after it stale; where
// the process is stopped before these are made again, a plan says so.
func TestAPlanKnowsOfAFrameBefore(t *testing.T) {
	t.Parallel()
	h := newHouse(t, "sallow", nil)
	take := chain(t, h)
	for i := 1; i < 6; i++ {
		take(i)
	}
	did(t, h.pass(), 5, 0, 0)
	take(0)
	ctx, cancel := context.WithCancel(context.Background())
	h.progress = func(int, int, string) { cancel() } // while no more than two are in hand
	r, err := h.Pass(ctx, archive.PassOptions{})
	h.progress = nil
	all := 1 + pipeline.ResidualDepth
	if !errors.Is(err, context.Canceled) || r.Counts.Done == 0 || r.Counts.Done >= all-1 {
		t.Fatalf("it ended with %v after %d products, want that it was told to stop before most were made", err, r.Counts.Done)
	}
	p := h.plan(archive.Selection{Reasons: []string{archive.ReasonBefore}})
	if p.Stale == 0 || !maps.Equal(p.Reasons, map[string]int{archive.ReasonBefore: p.Stale}) {
		t.Errorf("%d are stale %v, want some of those that follow", p.Stale, p.Reasons)
	}
	did(t, h.reprocess(h.plan(archive.Selection{}), archive.Limits{}), all-r.Counts.Done, 0, 0)
	h.pass()
	h.isCurrent(6)
	sameProducts(t, h)
}

func TestAPlanMayBeForSome(t *testing.T) {
	t.Parallel()
	h := filled(t, 9, nil)
	old := glob(t, h.cfg.Masters, "flat-*-red-*.fits")[0]
	oldDigits := hashOf(t, old).String()
	h.newFlat("red", "green", "violet", "nir")
	fresh := glob(t, h.cfg.Masters, "flat-*-red-*.fits")[0]
	bias := glob(t, h.cfg.Masters, "bias-*.fits")[0]
	red := h.scenesOf(9, "red")
	var times []time.Time
	h.plan(archive.Selection{}).Each(func(_ ledger.Hash, _ string, _ int, begin time.Time, _ []string) { times = append(times, begin) })
	if len(times) != 9 || !slices.IsSortedFunc(times, time.Time.Compare) {
		t.Fatalf("the plan goes through %v, want 9 in the order of time", times)
	}
	for _, given := range []struct {
		name   string
		sel    archive.Selection
		stale  int
		looked int
	}{
		{"all", archive.Selection{}, 9, 9},
		{"band", archive.Selection{Band: "red"}, red, red},
		{"another band", archive.Selection{Band: "ultraviolet"}, 0, 0},
		{"instrument", archive.Selection{Instrument: "quillon"}, 9, 9},
		{"another instrument", archive.Selection{Instrument: "pellam"}, 0, 0},
		{"detector", archive.Selection{Detector: h.c.in.Profile.Detectors[0].Name}, 9, 9},
		{"another detector", archive.Selection{Detector: "second"}, 0, 0},
		{"mode", archive.Selection{Mode: "normal"}, 9, 9},
		{"another mode", archive.Selection{Mode: "slow"}, 0, 0},
		{"from", archive.Selection{From: times[3]}, 6, 6},
		{"to", archive.Selection{To: times[3]}, 3, 3},
		{"from and to", archive.Selection{From: times[2], To: times[5]}, 3, 3},
		{"the master that is chosen now", archive.Selection{Master: filepath.Base(fresh)}, red, 9},
		{"its digits", archive.Selection{Master: hashOf(t, fresh).String()[:10]}, red, 9},
		{"its digits in capitals", archive.Selection{Master: strings.ToUpper(hashOf(t, fresh).String())}, red, 9},
		{"digits of the one before", archive.Selection{Master: oldDigits[:6]}, red, 9},
		{"too few digits", archive.Selection{Master: oldDigits[:5]}, 0, 9},
		{"a master that did not change", archive.Selection{Master: filepath.Base(bias)}, 9, 9},
		{"a master that there is not", archive.Selection{Master: "flat-none.fits"}, 0, 9},
		{"reason and band", archive.Selection{Band: "red", Reasons: []string{archive.ReasonMaster}}, red, red},
		{"another reason", archive.Selection{Reasons: []string{archive.ReasonProfile, archive.ReasonNew}}, 0, 9},
	} {
		p := h.plan(given.sel)
		if p.Stale != given.stale || p.Looked != given.looked || p.Stale+p.Passed != given.looked {
			t.Errorf("%s: %d stale, %d passed over of %d; want %d of %d", given.name, p.Stale, p.Passed, p.Looked, given.stale, given.looked)
		}
		n := 0
		for _, g := range p.Groups {
			n += g.Stale
		}
		if n != p.Stale {
			t.Errorf("%s: the groups have %d stale, the plan %d", given.name, n, p.Stale)
		}
	}
	did(t, h.reprocess(h.plan(archive.Selection{Band: "red"}), archive.Limits{}), red, 0, 0)
	if p := h.plan(archive.Selection{}); p.Stale != 9-red || p.Current != red {
		t.Errorf("%d are stale and %d current, want %d and %d", p.Stale, p.Current, 9-red, red)
	}
}

func TestAPlanChangesNothing(t *testing.T) {
	t.Parallel()
	h := filled(t, 3, nil)
	h.newFlat("red", "green", "violet", "nir")
	all := func() map[string]string {
		out := contents(t, h.top)
		maps.DeleteFunc(out, func(name, _ string) bool { return strings.HasPrefix(filepath.Base(name), "ledger.db") })
		return out
	}
	before, times, stats := all(), marks(t, h.dir), h.stats()
	runs, err := h.Ledger().Runs(context.Background(), 100)
	must(t, err)
	for _, sel := range []archive.Selection{{}, {Files: true}, {Band: "red"}} {
		h.plan(sel)
	}
	sameContents(t, "the archive", all(), before)
	for name, at := range marks(t, h.dir) {
		if !strings.HasPrefix(name, "ledger.db") && !at.Equal(times[name]) {
			t.Errorf("%s was touched", name)
		}
	}
	now := h.stats()
	if now.Frames != stats.Frames || now.Products != stats.Products || now.Superseded != stats.Superseded || now.Failures != stats.Failures {
		t.Errorf("the ledger has %+v, and had %+v", now, stats)
	}
	after, err := h.Ledger().Runs(context.Background(), 100)
	must(t, err)
	if len(after) != len(runs) {
		t.Errorf("the ledger has %d runs, and had %d", len(after), len(runs))
	}
}

func TestReprocessingKeepsItsLimits(t *testing.T) {
	t.Parallel()
	h := filled(t, 5, nil)
	h.newFlat("red", "green", "violet", "nir")
	size := int64(len(read(t, h.product(filepath.Join(h.src, filepath.Base(h.c.scenes[0]))))))

	r, err := h.Reprocess(context.Background(), h.plan(archive.Selection{}), archive.Limits{MinFreeGiB: 1e9})
	if !errors.Is(err, archive.ErrStopped) {
		t.Errorf("without room it ends with %v, want that it had to stop", err)
	}
	did(t, r, 0, 0, 0)
	says(t, r.Stopped, "1000000000.00 are to stay free", "make room")

	r = h.reprocess(h.plan(archive.Selection{}), archive.Limits{MostFrames: 2})
	did(t, r, 2, 0, 0)
	says(t, r.Stopped, "2 products", "run again")
	if p := h.plan(archive.Selection{}); p.Stale != 3 {
		t.Errorf("%d are stale, want 3", p.Stale)
	}

	// It stops at the first batch that reaches the bound.
	r = h.reprocess(h.plan(archive.Selection{}), archive.Limits{MostFrames: 1, MostBytes: size})
	did(t, r, 1, 0, 0)
	if r.Bytes != size {
		t.Errorf("%d bytes were written, want %d", r.Bytes, size)
	}

	r = h.reprocess(h.plan(archive.Selection{}), archive.Limits{})
	did(t, r, 2, 0, 0)
	if r.Stopped != "" {
		t.Errorf("it stopped: %s", r.Stopped)
	}
	h.isCurrent(5)
	for _, f := range h.logs.FilterMessage(pipeline.EventFrameDone).All()[5:] {
		if n := h.logs.FilterMessage(pipeline.EventFrameDone).FilterField(f.Context[0]).Len(); n != 2 {
			t.Errorf("%v was made %d times, want twice", f.ContextMap()["raw"], n)
		}
	}
}

func TestReprocessingWritesNoMoreThanAllowed(t *testing.T) {
	t.Parallel()
	h := filled(t, 5, nil)
	h.newFlat("red", "green", "violet", "nir")
	size := int64(len(read(t, h.product(filepath.Join(h.src, filepath.Base(h.c.scenes[0]))))))
	r := h.reprocess(h.plan(archive.Selection{}), archive.Limits{MostBytes: 2 * size})
	if r.Bytes > 2*size {
		t.Errorf("%d bytes were written, %d are allowed", r.Bytes, 2*size)
	}
	if r.Stopped == "" || r.Counts.Done == 0 {
		t.Errorf("%d done, stopped %q", r.Counts.Done, r.Stopped)
	}
}

func TestReprocessingOfSeveralDetectorsMakesNoMoreThanAllowed(t *testing.T) {
	t.Parallel()
	h := newHouse(t, "pellam", nil)
	h.arrive(h.c.scenes...)
	n := h.pass().Counts.Done
	h.cfg.Sources[0].Set = append(slices.Clone(h.cfg.Sources[0].Set), "output.quantity=electrons")
	h.reopen()
	p := h.plan(archive.Selection{})
	if p.Stale != n || n != 2*len(h.c.scenes) {
		t.Fatalf("%d of %d products are stale, want both of each of %d frames", p.Stale, n, len(h.c.scenes))
	}
	did(t, h.reprocess(p, archive.Limits{MostFrames: 3}), 3, 0, 0)
	did(t, h.reprocess(h.plan(archive.Selection{}), archive.Limits{}), n-3, 0, 0)
	h.isCurrent(n)
	sameProducts(t, h)
}

// With a pace of one an hour the first comes at once, and the second is waited
// for until the process is told to stop.
func TestReprocessingKeepsItsPace(t *testing.T) {
	t.Parallel()
	h := filled(t, 3, nil)
	h.newFlat("red", "green", "violet", "nir")
	ctx, cancel := context.WithCancel(context.Background())
	h.progress = func(int, int, string) { time.AfterFunc(time.Second, cancel) } // more than enough for the others
	r, err := h.Reprocess(ctx, h.plan(archive.Selection{}), archive.Limits{FramesPerHour: 1})
	if !errors.Is(err, context.Canceled) {
		t.Errorf("it ended with %v, want that it was told to stop", err)
	}
	did(t, r, 1, 0, 0)
	h.progress = nil
	did(t, h.reprocess(h.plan(archive.Selection{}), archive.Limits{FramesPerHour: 1e9}), 2, 0, 0)
	h.isCurrent(3)
}

func TestReprocessingGoesOnWhereItWasStopped(t *testing.T) {
	t.Parallel()
	h := filled(t, 9, nil)
	h.newFlat("red", "green", "violet", "nir")
	ctx, cancel := context.WithCancel(context.Background())
	h.progress = func(done, _ int, _ string) {
		if done == 2 {
			cancel()
		}
	}
	r, err := h.Reprocess(ctx, h.plan(archive.Selection{}), archive.Limits{})
	if !errors.Is(err, context.Canceled) || r.Counts.Done < 2 || r.Counts.Done >= 9 {
		t.Fatalf("it ended with %v after %d products", err, r.Counts.Done)
	}
	runs, err := h.Ledger().Runs(context.Background(), 1)
	must(t, err)
	if runs[0].Outcome != "stopped" || runs[0].Counts.Done != r.Counts.Done || runs[0].Ended.IsZero() {
		t.Errorf("the ledger has the run as %+v", runs[0])
	}
	h.progress = nil
	h.reopen()
	p := h.plan(archive.Selection{})
	if p.Stale != 9-r.Counts.Done {
		t.Errorf("%d are stale, want %d", p.Stale, 9-r.Counts.Done)
	}
	did(t, h.reprocess(p, archive.Limits{}), 9-r.Counts.Done, 0, 0)
	h.isCurrent(9)
	sameProducts(t, h)
	if n := len(files(contents(t, h.cfg.Earlier))); n != 9 {
		t.Errorf("%d earlier versions are kept, want one of each", n)
	}
}

// A plan that has aged does no harm: what others made meanwhile is not made
// again.
func TestAnOldPlanDoesNoHarm(t *testing.T) {
	t.Parallel()
	h := filled(t, 3, nil)
	h.newFlat("red", "green", "violet", "nir")
	old := h.plan(archive.Selection{})
	did(t, h.reprocess(h.plan(archive.Selection{}), archive.Limits{}), 3, 0, 0)
	before, times := h.products(), marks(t, h.cfg.Products)
	did(t, h.reprocess(old, archive.Limits{}), 0, 3, 0)
	if changed := changedSince(t, h.cfg.Products, before, times); len(changed) > 0 {
		t.Errorf("%v were made again", changed)
	}
}

func TestEarlierVersionsAreKeptOrReplaced(t *testing.T) {
	t.Parallel()
	for _, policy := range []string{configs.VersionsKeep, configs.VersionsReplace} {
		t.Run(policy, func(t *testing.T) {
			t.Parallel()
			h := filled(t, 2, func(c *configs.Archive) { c.Versions = policy })
			before := h.products()
			ids := map[string]ledger.Hash{} // by path
			must(t, h.Ledger().EachFrame(context.Background(), pipeline.ProductFrame, ledger.Filter{}, func(row *ledger.FrameRow) error {
				ids[row.ProductPath] = row.Product
				return nil
			}))
			h.newFlat("violet")
			did(t, h.reprocess(h.plan(archive.Selection{}), archive.Limits{}), 2, 0, 0)
			kept := contents(t, h.cfg.Earlier)
			for _, name := range files(before) {
				p, _, err := h.Ledger().Product(context.Background(), ids[filepath.Join(h.cfg.Products, name)])
				must(t, err)
				if policy == configs.VersionsReplace {
					if p.State != ledger.Replaced || len(kept) > 0 {
						t.Errorf("%s is %s, and earlier versions are %v; want replaced, and none", name, p.State, kept)
					}
					continue
				}
				rel, ok := strings.CutPrefix(p.Path, h.cfg.Earlier+"/")
				if p.State != ledger.Superseded || !ok || kept[rel] != before[name] || p.SHA256.String() != before[name] {
					t.Errorf("%s is %s at %s; want superseded, among the earlier versions, and what it was", name, p.State, p.Path)
				}
			}
			// And back again: the first flat returns, and with it the product
			// that was made with it.
			h.dropMasters("flat-*-violet-*.fits")
			h.takeMasters("flat-*-violet-*.fits")
			did(t, h.reprocess(h.plan(archive.Selection{}), archive.Limits{}), 2, 0, 0)
			h.isCurrent(2)
			sameContents(t, "products", h.products(), before)
			want := 4
			if policy == configs.VersionsReplace {
				want = 0
			}
			if n := len(files(contents(t, h.cfg.Earlier))); n != want {
				t.Errorf("%d earlier versions, want %d", n, want)
			}
		})
	}
}

// Products of one kind of frame are of one size, so the estimate of what will
// be written is exact.
func TestThePlanTellsWhatWillBeWritten(t *testing.T) {
	t.Parallel()
	h := filled(t, 4, nil)
	h.newFlat("red", "green", "violet", "nir")
	p := h.plan(archive.Selection{})
	if p.Unknown != 0 || p.Seconds <= 0 || p.Free <= 0 {
		t.Errorf("%d without an estimate, %g s, %d bytes free", p.Unknown, p.Seconds, p.Free)
	}
	r := h.reprocess(p, archive.Limits{})
	if r.Bytes != p.Bytes || r.Bytes == 0 {
		t.Errorf("%d bytes were written and %d foretold", r.Bytes, p.Bytes)
	}
	// Of what nothing was made yet, it says that it cannot tell.
	l, _ := lacking(t, nil)
	l.takeMasters("flat-*.fits")
	if p := l.plan(archive.Selection{}); p.Stale != 1 || p.Unknown != 1 || p.Bytes != 0 {
		t.Errorf("%d stale, %d of them without an estimate, %d bytes; want 1, 1, 0", p.Stale, p.Unknown, p.Bytes)
	}
}

// A product whose master is gone stays as it is.
func TestAProductWhoseMasterIsGoneIsHeld(t *testing.T) {
	t.Parallel()
	h := filled(t, 2, nil)
	before := h.products()
	h.dropMasters("flat-*-violet-*.fits")
	h.pass()
	p := h.plan(archive.Selection{})
	if p.Held != 2 || p.Stale != 0 {
		t.Errorf("%d are held, %d stale %v; want 2, 0", p.Held, p.Stale, p.Reasons)
	}
	sameContents(t, "products", h.products(), before)
	h.takeMasters("flat-*-violet-*.fits")
	h.isCurrent(2)
}

// While much is made again new frames are taken in between, by another process,
// and neither undoes what the other did.
func TestNewFramesAreTakenInWhileOthersAreMadeAgain(t *testing.T) {
	t.Parallel()
	for _, camera := range []string{"quillon", "sallow"} {
		t.Run(camera, func(t *testing.T) {
			t.Parallel()
			late := mustSimulate(t, camera).scenes[0]
			if camera == "sallow" {
				late, _ = pair(t)
			}
			h := newHouse(t, camera, nil)
			n := 0
			for _, f := range h.c.scenes {
				if f != late {
					h.arrive(f)
					n++
				}
			}
			did(t, h.pass(), n, 0, 0)
			h.cfg.Sources[0].Set = append(slices.Clone(h.cfg.Sources[0].Set), "output.quantity=electrons")
			h.reopen()
			other := *h
			other.open()
			defer other.Close()
			taken := make(chan error, 1)
			started := false
			h.progress = func(int, int, string) {
				if started {
					return
				}
				started = true
				h.arrive(late)
				go func() {
					_, err := other.Pass(context.Background(), archive.PassOptions{Wait: time.Minute})
					taken <- err
				}()
			}
			// One at a time, so that there is an in-between.
			r := h.reprocess(h.plan(archive.Selection{}), archive.Limits{FramesPerHour: 1e9})
			must(t, <-taken)
			if r.Counts.Failed > 0 || r.Counts.Done > n {
				t.Errorf("%d of %d were made, %d failed", r.Counts.Done, n, r.Counts.Failed)
			}
			h.isCurrent(n + 1)
			sameProducts(t, h)
		})
	}
}
