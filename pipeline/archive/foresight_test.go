package archive_test

import (
	"context"
	"fmt"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"evenlight/configs"
	"evenlight/fitsutil"
	"evenlight/pipeline"
	"evenlight/pipeline/archive"
	"evenlight/pipeline/ledger"
)

// What is foretold without reading a pixel is what the products are made from,
// for each kind of camera: else a plan would call for products that are as they
// should be, or keep still about others.
func TestWhatIsForetoldIsWhatIsMade(t *testing.T) {
	t.Parallel()
	for _, camera := range configs.BuiltinNames() {
		t.Run(camera, func(t *testing.T) {
			c := mustSimulate(t, camera)
			h := newHouse(t, camera, nil)
			files := c.scenes
			if c.in.ResidualGapS() > 0 {
				files = c.files // each may leave something in the next
			}
			h.arrive(files...)
			r := h.pass()
			if r.Counts.Failed > 0 || r.Counts.Done < len(c.scenes) {
				t.Fatalf("%d products of %d scenes; failures %v", r.Counts.Done, len(c.scenes), r.Failures)
			}
			h.isCurrent(r.Counts.Done)
			headersTellTheInputs(t, h, r.Counts.Done)
			sameContents(t, "products of the archive beside those of a run", h.products(), inCamera(camera, calibrated(t, c, c.masters, files)))
		})
	}
}

// headersTellTheInputs compares the identity of each product in the ledger with
// the inputs that its header lists.
func headersTellTheInputs(t *testing.T, h *house, n int) {
	t.Helper()
	reader := pipeline.NewProductReader()
	seen := 0
	err := h.Ledger().EachFrame(context.Background(), pipeline.ProductFrame, ledger.Filter{Kind: configs.KindScene}, func(row *ledger.FrameRow) error {
		seen++
		p, _, err := h.Ledger().Product(context.Background(), row.Product)
		if err != nil {
			return err
		}
		record, err := reader.Read(row.ProductPath)
		if err != nil {
			return err
		}
		want := identityOf(t, record.Profile, record.Provenance)
		if id := ledger.ProductID(want); id != row.Product || ledger.ProductID(p.Identity) != id {
			t.Errorf("%s: the ledger has it as made from %v, and its header lists %v", row.ProductPath, p.Inputs, record.Inputs)
		}
		return nil
	})
	must(t, err)
	if seen != n {
		t.Errorf("the ledger has %d scenes, want %d", seen, n)
	}
}

// identityOf is the identity of a product by the words of its header alone.
func identityOf(t *testing.T, profile []byte, p *pipeline.Provenance) ledger.Identity {
	t.Helper()
	sha, err := ledger.ParseHash(p.ProfileHash)
	must(t, err)
	id := ledger.Identity{What: p.What, Detector: p.Detector, Plane: p.Plane, Algorithm: p.Version,
		Recipe: ledger.Recipe{Profile: sha, Version: p.Version, Text: string(profile)}.Hash()}
	for _, in := range p.Inputs {
		sha, err := ledger.ParseHash(in.SHA256)
		must(t, err)
		id.Inputs = append(id.Inputs, ledger.Input{Role: in.Role, SHA256: sha})
	}
	return id
}

// tubeScenes are the raw files of a camera tube that leave something in one
// another: its scenes.
func tubeScenes(t *testing.T) *campaign {
	t.Helper()
	c := mustSimulate(t, "sallow")
	if c.in.ResidualGapS() == 0 {
		t.Fatal("the camera tube has no residual images")
	}
	return c
}

// followed counts the products that a frame before was taken off from.
func followed(t *testing.T, h *house) int {
	t.Helper()
	n := 0
	for name := range h.products() {
		if !strings.HasSuffix(name, ".fits") {
			continue
		}
		p, err := pipeline.ReadProvenance(filepath.Join(h.cfg.Products, name))
		must(t, err)
		if slices.ContainsFunc(p.Inputs, func(in pipeline.Input) bool { return in.Role == pipeline.RoleBefore }) {
			n++
		}
	}
	return n
}

func TestFramesThatFollowOneAnotherMayArriveInAnyOrder(t *testing.T) {
	t.Parallel()
	c := tubeScenes(t)
	want := inCamera("sallow", calibrated(t, c, c.masters, c.scenes))
	for name, order := range map[string]func([]string){
		"in order":         func([]string) {},
		"backwards":        slices.Reverse[[]string],
		"the second first": func(f []string) { f[0], f[1] = f[1], f[0] },
	} {
		t.Run(name, func(t *testing.T) {
			h := newHouse(t, "sallow", nil)
			files := slices.Clone(c.scenes)
			order(files)
			for _, f := range files {
				h.arrive(f)
				if r := h.pass(); r.Counts.Failed > 0 {
					t.Fatal(r.Failures)
				}
			}
			if followed(t, h) == 0 {
				t.Fatal("no frame of the campaign follows another: nothing is tested")
			}
			h.isCurrent(len(files))
			sameContents(t, "products", h.products(), want)
		})
	}
}

// pair is two scenes of the tube, of which the first leaves something in the
// second.
func pair(t *testing.T) (first, second string) {
	t.Helper()
	c := tubeScenes(t)
	h := newHouse(t, "sallow", nil)
	at := h.arrive(c.scenes...)
	h.pass()
	for i := 1; i < len(at); i++ {
		p, err := pipeline.ReadProvenance(h.product(at[i]))
		must(t, err)
		for _, in := range p.Inputs {
			if in.Role == pipeline.RoleBefore && in.Name == filepath.Base(at[i-1]) {
				return c.scenes[i-1], c.scenes[i]
			}
		}
	}
	t.Fatal("no scene follows another")
	return "", ""
}

func TestABrokenFrameBeforeIsForetold(t *testing.T) {
	t.Parallel()
	first, second := pair(t)
	size := len(read(t, first))
	for _, name := range []string{"first", "last", "together"} {
		t.Run(name, func(t *testing.T) {
			h := newHouse(t, "sallow", func(c *configs.Archive) { c.Intake.IncompleteHours = 0 })
			broken := func() { copyFile(t, first, filepath.Join(h.src, filepath.Base(first)), size/2) }
			if name != "last" {
				broken()
			}
			if name == "first" {
				h.pass()
				h.later(1)
				h.pass()
			}
			h.arrive(second)
			h.pass()
			if name == "last" {
				broken()
			}
			for range 3 {
				h.later(1)
				h.pass()
			}
			h.isCurrent(1)
			p, err := pipeline.ReadProvenance(h.product(filepath.Join(h.src, filepath.Base(second))))
			must(t, err)
			if !slices.ContainsFunc(p.Inputs, func(in pipeline.Input) bool { return in.Role == pipeline.RoleBefore }) {
				t.Error("the broken frame before is not among the inputs")
			}
		})
	}
}

func TestAFrameBeforeWithoutMastersIsForetold(t *testing.T) {
	t.Parallel()
	first, second := pair(t)
	h := newHouse(t, "sallow", nil)
	h.dropMasters("flat-*.fits")
	h.arrive(first, second)
	h.pass()
	h.isBlocked(2)
	h.takeMasters("*.fits")
	if r := h.pass(); r.Counts.Done != 2 || r.Returned != 2 {
		t.Errorf("%d done, %d returned; want 2, 2", r.Counts.Done, r.Returned)
	}
	h.isCurrent(2)
	sameContents(t, "products", h.products(), inCamera("sallow", calibrated(t, h.c, h.cfg.Masters, []string{first, second})))
}

// isBlocked says that so many scenes failed, and nothing calls for another try.
func (h *house) isBlocked(n int) {
	h.t.Helper()
	if p := h.plan(archive.Selection{}); p.Blocked != n || p.Stale != 0 {
		h.t.Errorf("%d are blocked and %d stale %v; want %d and none", p.Blocked, p.Stale, p.Reasons, n)
	}
}

// The frame before is too warm for any master: nothing can be taken off, and
// both the products and what is foretold say so.
func TestAFrameBeforeThatNoMasterFitsIsForetold(t *testing.T) {
	t.Parallel()
	first, second := pair(t)
	for name, firstLast := range map[string]bool{"it comes first": false, "it comes last": true} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			h := newHouse(t, "sallow", nil)
			warm := func() { withKey(t, first, filepath.Join(h.src, filepath.Base(first)), "TUBETEMP", 80.0) }
			if !firstLast {
				warm()
				did(t, h.pass(), 0, 0, 1)
			}
			at := h.arrive(second)[0]
			did(t, h.pass(), 1, 0, 0)
			if firstLast {
				warm()
				did(t, h.pass(), 1, 0, 1) // what follows is made again
			}
			if p := h.plan(archive.Selection{}); p.Stale != 0 || p.Current != 1 || p.Blocked != 1 {
				t.Errorf("%d are stale %v, %d current, %d blocked; want 0, 1, 1", p.Stale, p.Reasons, p.Current, p.Blocked)
			}
			p, err := pipeline.ReadProvenance(h.product(at))
			must(t, err)
			if !slices.ContainsFunc(p.Inputs, func(in pipeline.Input) bool { return in.Role == pipeline.RoleBefore && in.Name == filepath.Base(first) }) {
				t.Errorf("the frame before is not among the inputs %v", p.Inputs)
			}
		})
	}
}

// chain lets scenes of the tube arrive as if each had been taken nearly the
// longest time after the one before that still leaves something.
func chain(t *testing.T, h *house) (take func(i int) string) {
	t.Helper()
	start := time.Date(2031, 3, 15, 18, 0, 0, 0, time.UTC)
	step := time.Duration(h.c.in.ResidualGapS()*float64(time.Second)) - 5*time.Second
	return func(i int) string {
		to := filepath.Join(h.src, fmt.Sprintf("%d.fits", i))
		withKey(t, h.c.scenes[i], to, "SCANSTRT", start.Add(time.Duration(i)*step).Format("2006-01-02T15:04:05.000"))
		return to
	}
}

// What a frame leaves is followed over several frames, each of which may come
// nearly the longest time after the one before: a frame that arrives late makes
// all of these stale, and no more.
func TestALateFrameReachesAsFarAsItsTraces(t *testing.T) {
	t.Parallel()
	c := tubeScenes(t)
	h := newHouse(t, "sallow", nil)
	take := chain(t, h)
	var raws []string
	for i := 1; i < 6; i++ {
		raws = append(raws, take(i))
	}
	did(t, h.pass(), 5, 0, 0)
	before, times := h.products(), marks(t, h.cfg.Products)
	raws = append(raws, take(0))
	did(t, h.pass(), 1+pipeline.ResidualDepth, 0, 0)
	if changed := changedSince(t, h.cfg.Products, before, times); len(changed) != 1+pipeline.ResidualDepth {
		t.Errorf("%v are new, want the product of the late frame and of the %d after it", changed, pipeline.ResidualDepth)
	}
	h.isCurrent(6)
	sameContents(t, "products", h.products(), inCamera("sallow", calibrated(t, c, c.masters, raws)))
}

// withKey writes a raw file anew with another value of a keyword.
func withKey(t *testing.T, from, to, key string, value any) {
	t.Helper()
	f, err := fitsutil.Open(from)
	must(t, err)
	defer f.Close()
	w, err := fitsutil.Create(to, fitsutil.CreateOptions{NoSync: true})
	must(t, err)
	defer w.Abort()
	for i, h := range f.HDUs() {
		if i == 0 {
			must(t, h.Header.Set(key, value, ""))
		}
		copyHDU(t, w, f, h)
	}
	must(t, w.Commit())
}

// Filling changes what is made of a frame and not what it is made from, so that
// a profile that begins to ask for it makes all products stale, once.
func TestFilledProductsAreForetold(t *testing.T) {
	t.Parallel()
	const camera, filling = "brindle", "detectors.0.fill={causes: [bad_pixels]}"
	c := mustSimulate(t, camera)
	h := newHouse(t, camera, nil)
	h.arrive(c.scenes[:2]...)
	did(t, h.pass(), 2, 0, 0)
	h.cfg.Sources[0].Set = append(slices.Clone(h.cfg.Sources[0].Set), filling)
	h.reopen()
	if p := h.plan(archive.Selection{}); p.Stale != 2 || p.Current != 0 {
		t.Errorf("%d are stale %v and %d current; want 2 and none", p.Stale, p.Reasons, p.Current)
	}
	h.reprocess(h.plan(archive.Selection{}), archive.Limits{})
	h.isCurrent(2)
	headersTellTheInputs(t, h, 2)
	text, err := configs.Builtin(camera)
	must(t, err)
	profile, err := configs.Parse(camera, text, configs.Overrides{Set: h.cfg.Sources[0].Set})
	must(t, err)
	filled := *c
	filled.in = pipeline.NewInstrument(profile)
	want := inCamera(camera, calibrated(t, &filled, c.masters, c.scenes[:2]))
	sameContents(t, "products of the archive beside those of a run", h.products(), want)
	for name := range h.products() {
		if strings.HasSuffix(name, ".fits") {
			p, err := pipeline.ReadProvenance(filepath.Join(h.cfg.Products, name))
			must(t, err)
			if last := p.Stages[len(p.Stages)-1].Name; last != "fill" {
				t.Errorf("%s: the last stage is %s", name, last)
			}
		}
	}
}
