package archive_test

import (
	"bytes"
	"compress/gzip"
	"context"
	"errors"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"evenlight/configs"
	"evenlight/fitsutil"
	"evenlight/pipeline"
	"evenlight/pipeline/archive"
	"evenlight/pipeline/ledger"
)

func TestFramesMayArriveInAnyOrder(t *testing.T) {
	t.Parallel()
	c := mustSimulate(t, "quillon")
	h := newHouse(t, "quillon", nil)
	for _, f := range slices.Backward(c.scenes[:4]) {
		h.arrive(f)
		did(t, h.pass(), 1, 0, 0)
	}
	h.arrive(c.files[0], c.files[40]) // calibration frames among them
	did(t, h.pass(), 0, 0, 0)
	did(t, h.pass(), 0, 0, 0)
	h.isCurrent(4)
	sameContents(t, "products", h.products(), inCamera("quillon", calibrated(t, c, c.masters, c.scenes[:4])))
}

// The same content is the same frame, wherever and whenever it arrives.
func TestOneContentHasOneProduct(t *testing.T) {
	t.Parallel()
	c := mustSimulate(t, "quillon")
	for name, twin := range map[string]string{"two names": "again.fits", "two folders": "second/" + filepath.Base(c.scenes[0])} {
		t.Run(name+" in one pass", func(t *testing.T) {
			t.Parallel()
			h := newHouse(t, "quillon", nil)
			h.arrive(c.scenes[0])
			h.arriveAs(c.scenes[0], twin)
			did(t, h.pass(), 1, 1, 0)
			if n := len(files(h.products())); n != 1 {
				t.Errorf("%d products, want 1", n)
			}
			h.isCurrent(1)
		})
		t.Run(name+" in two passes", func(t *testing.T) {
			t.Parallel()
			h := newHouse(t, "quillon", nil)
			h.arrive(c.scenes[0])
			did(t, h.pass(), 1, 0, 0)
			before := h.products()
			h.arriveAs(c.scenes[0], twin)
			did(t, h.pass(), 0, 1, 0)
			did(t, h.pass(), 0, 0, 0) // it is not even looked at again
			sameContents(t, "products", h.products(), before)
			h.isCurrent(1)
		})
	}
}

// pieces are lengths at which a file may be looked at while it grows: at and
// beside the ends of the Standard's blocks, of header and of data.
func pieces(size int) []int {
	return []int{0, 1, 80, 2879, 2880, 2881, size / 2, size - 2881, size - 2880, size - 1}
}

func TestAFileThatGrowsIsTakenOnceItIsWhole(t *testing.T) {
	t.Parallel()
	c := mustSimulate(t, "quillon")
	h := newHouse(t, "quillon", nil)
	name := filepath.Base(c.scenes[0])
	for _, n := range pieces(len(read(t, c.scenes[0]))) {
		copyFile(t, c.scenes[0], filepath.Join(h.src, name), n)
		h.later(time.Minute)
		if r := h.pass(); r.Waiting != 1 || r.Counts.Found != 0 {
			t.Errorf("of %d bytes: %d wait, %d frames found %v; want 1 and 0", n, r.Waiting, r.Counts.Found, r.Failures)
		}
	}
	if n := len(h.quarantined()); n != 0 {
		t.Errorf("%d frames are in quarantine, want none", n)
	}
	h.arrive(c.scenes[0])
	did(t, h.pass(), 1, 0, 0)
	h.isCurrent(1)
	if s := h.stats(); s.Frames != 1 {
		t.Errorf("%d frames are known, want the whole one only", s.Frames)
	}
}

func TestACompressedFileThatGrowsIsTakenOnceItIsWhole(t *testing.T) {
	t.Parallel()
	c := mustSimulate(t, "quillon")
	h := newHouse(t, "quillon", nil)
	packed := zipped(t, c.scenes[0])
	path := filepath.Join(h.src, filepath.Base(c.scenes[0])+".gz")
	for _, n := range []int{0, 1, 5, 10, 100, len(packed) / 2, len(packed) - 8, len(packed) - 1} {
		write(t, path, packed[:n])
		if r := h.pass(); r.Waiting != 1 || r.Counts.Found != 0 {
			t.Errorf("of %d bytes: %d wait, %d frames found %v; want 1 and 0", n, r.Waiting, r.Counts.Found, r.Failures)
		}
	}
	write(t, path, packed)
	did(t, h.pass(), 1, 0, 0)
	h.isCurrent(1)
	if _, ok := h.products()["quillon/"+filepath.Base(path)+"-calibrated.fits"]; !ok {
		t.Errorf("no product bears the whole name of the compressed file: %v", files(h.products()))
	}
}

func zipped(t *testing.T, path string) []byte {
	t.Helper()
	var b bytes.Buffer
	w := gzip.NewWriter(&b)
	_, err := w.Write(read(t, path))
	must(t, errors.Join(err, w.Close()))
	return b.Bytes()
}

func TestAPlainAndACompressedFileOfOneNameHaveAProductEach(t *testing.T) {
	t.Parallel()
	c := mustSimulate(t, "quillon")
	h := newHouse(t, "quillon", nil)
	h.arrive(c.scenes[0])
	write(t, filepath.Join(h.src, filepath.Base(c.scenes[0])+".gz"), zipped(t, c.scenes[1]))
	did(t, h.pass(), 2, 0, 0)
	h.isCurrent(2)
}

func TestAFileThatStaysIncompleteGoesToQuarantineAndReturnsWhenItIsWhole(t *testing.T) {
	t.Parallel()
	c := mustSimulate(t, "quillon")
	size := len(read(t, c.scenes[0]))
	for name, steps := range map[string][]int{
		"at once":              {},
		"after one more piece": {size - 5000},
		"after several pieces": {size - 5000, size - 3000, size - 100},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			h := newHouse(t, "quillon", nil)
			path := filepath.Join(h.src, filepath.Base(c.scenes[0]))
			copyFile(t, c.scenes[0], path, size/2)
			if r := h.pass(); r.Waiting != 1 {
				t.Fatalf("%d files wait, want 1", r.Waiting)
			}
			h.later(25 * time.Hour)
			if r := h.pass(); r.Quarantined != 1 || r.Counts.Failed != 1 {
				t.Fatalf("%d went to quarantine, %d failed; want 1, 1", r.Quarantined, r.Counts.Failed)
			}
			text, _ := h.reason()
			says(t, text, filepath.Base(path))
			for _, n := range steps {
				h.later(time.Minute)
				copyFile(t, c.scenes[0], path, n)
				h.pass()
			}
			h.later(time.Minute)
			h.arrive(c.scenes[0])
			did(t, h.pass(), 1, 0, 0)
			if n := h.quarantined(); len(n) != 0 {
				t.Errorf("%v is still in quarantine", n)
			}
			if n := h.failures(); n != 0 {
				t.Errorf("the ledger has %d failures, want none", n)
			}
			h.isCurrent(1)
		})
	}
}

func TestAFileMayBeReplacedByAnotherContent(t *testing.T) {
	t.Parallel()
	c := mustSimulate(t, "quillon")
	for _, policy := range []string{configs.VersionsKeep, configs.VersionsReplace} {
		for _, how := range []string{"at once", "in pieces"} {
			t.Run(policy+" "+how, func(t *testing.T) {
				t.Parallel()
				h := newHouse(t, "quillon", func(c *configs.Archive) { c.Versions = policy })
				path := h.arriveAs(c.scenes[0], "downlink.fits")
				h.pass()
				first := hashOf(t, h.product(path)).String()
				if how == "in pieces" {
					copyFile(t, c.scenes[2], path, 5000)
					h.later(time.Second)
					h.pass()
				}
				copyFile(t, c.scenes[2], path, -1)
				h.later(time.Second)
				did(t, h.pass(), 1, 0, 0)
				p, err := pipeline.ReadProvenance(h.product(path))
				must(t, err)
				if p.Inputs[0].SHA256 != hashOf(t, path).String() {
					t.Error("the product is not that of the new content")
				}
				kept := contents(t, h.cfg.Earlier)
				if policy == configs.VersionsReplace && len(kept) > 0 {
					t.Errorf("earlier versions are kept: %v", kept)
				}
				if policy == configs.VersionsKeep && (len(files(kept)) != 1 || kept[files(kept)[0]] != first) {
					t.Errorf("earlier versions: %v, want the first product", kept)
				}
				p2 := h.plan(archive.Selection{Files: true})
				if p2.Stale != 0 {
					t.Errorf("the plan calls for %d products %v, want none", p2.Stale, p2.Reasons)
				}
				// Nor does it when all products become stale that can be.
				h.newFlat("red", "green", "violet", "nir")
				if p := h.plan(archive.Selection{}); p.Stale != 1 {
					t.Errorf("with new flats the plan calls for %d products, want that of the new content only", p.Stale)
				}
			})
		}
	}
}

// newFlat puts other flats in the place of those of some bands.
func (h *house) newFlat(bands ...string) {
	h.t.Helper()
	made, err := otherFlats()
	must(h.t, err)
	for _, band := range bands {
		h.dropMasters("flat-*-" + band + "-*.fits")
		for _, f := range glob(h.t, made, "flat-*-"+band+"-*.fits") {
			copyFile(h.t, f, filepath.Join(h.cfg.Masters, filepath.Base(f)), -1)
		}
	}
}

func TestAMovedFileKeepsItsProduct(t *testing.T) {
	t.Parallel()
	c := mustSimulate(t, "quillon")
	h := newHouse(t, "quillon", nil)
	old := h.arrive(c.scenes[0])[0]
	h.pass()
	first := hashOf(t, h.product(old)).String()
	moved := filepath.Join(h.src, "by day", "moved.fits")
	must(t, os.MkdirAll(filepath.Dir(moved), 0o777))
	must(t, os.Rename(old, moved))
	did(t, h.pass(), 0, 1, 0)
	h.isCurrent(1)

	// When it is made again, the earlier version is no current product any more.
	h.newFlat("red", "green", "violet", "nir")
	did(t, h.reprocess(h.plan(archive.Selection{}), archive.Limits{}), 1, 0, 0)
	h.isCurrent(1)
	if got := files(h.products()); len(got) != 1 {
		t.Errorf("products: %v, want one", got)
	}
	kept := contents(t, h.cfg.Earlier)
	if got := files(kept); len(got) != 1 || kept[got[0]] != first {
		t.Errorf("earlier versions: %v, want the first product", kept)
	}
}

func TestAFileThatIsDeletedAfterwardsLeavesItsProduct(t *testing.T) {
	t.Parallel()
	c := mustSimulate(t, "quillon")
	h := newHouse(t, "quillon", nil)
	path := h.arrive(c.scenes[0], c.files[0])[0]
	h.pass()
	before := h.products()
	must(t, os.Remove(path))
	did(t, h.pass(), 0, 0, 0)
	h.isCurrent(1)
	h.newFlat("red", "green", "violet", "nir")
	h.pass()
	if p := h.plan(archive.Selection{}); p.Held != 1 || p.Stale != 0 {
		t.Errorf("%d are held and %d stale, want 1 and 0: the raw file is gone", p.Held, p.Stale)
	}
	sameContents(t, "products", h.products(), before)
	h.arrive(c.scenes[0])
	did(t, h.pass(), 0, 1, 0)
	did(t, h.reprocess(h.plan(archive.Selection{}), archive.Limits{}), 1, 0, 0)
	h.isCurrent(1)
}

// A source that is empty of a sudden is rather not mounted: nothing is
// forgotten, and nothing is done again when it is back.
func TestASourceThatGoesAwayAndComesBackCostsNothing(t *testing.T) {
	t.Parallel()
	for name, left := range map[string]bool{"its folder stays": true, "its folder goes too": false} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			h := filled(t, 3, nil)
			away := h.src + "-away"
			must(t, os.Rename(h.src, away))
			if left {
				must(t, os.Mkdir(h.src, 0o777))
			}
			for range 2 {
				did(t, h.pass(), 0, 0, 0)
			}
			if h.events(archive.EventSourceMissing) == 0 {
				t.Error("nobody is told")
			}
			if left {
				must(t, os.Remove(h.src))
			}
			must(t, os.Rename(away, h.src))
			did(t, h.pass(), 0, 0, 0)
			h.isCurrent(3)
			h.newFlat("red", "green", "violet", "nir")
			did(t, h.reprocess(h.plan(archive.Selection{}), archive.Limits{}), 3, 0, 0)
		})
	}
}

// A file that is deleted between the look at its folder and the reading of it
// is no failure.
func TestAFileThatIsDeletedBeforeItIsReadIsNoFailure(t *testing.T) {
	t.Parallel()
	c := mustSimulate(t, "quillon")
	h := newHouse(t, "quillon", nil)
	at := h.arrive(c.scenes[0], c.scenes[1])
	r := h.passWith(archive.PassOptions{Begin: func() { must(t, os.Remove(at[0])) }})
	did(t, r, 1, 0, 0)
	if r.Gone != 1 {
		t.Errorf("%d files are gone, want 1", r.Gone)
	}
	did(t, h.pass(), 0, 0, 0)
	h.isCurrent(1)
}

func TestADetectorThatIsMissingFailsAlone(t *testing.T) {
	t.Parallel()
	c := mustSimulate(t, "pellam")
	h := newHouse(t, "pellam", nil)
	half := cutAfterFirst(t, c.scenes[0])
	path := filepath.Join(h.src, filepath.Base(c.scenes[0]))
	write(t, path, half)
	did(t, h.pass(), 1, 0, 1)
	text, _ := h.reason()
	says(t, text, filepath.Base(path), c.in.Profile.Detectors[1].Name)
	if n := h.failures(); n != 1 {
		t.Errorf("the ledger has %d failures, want 1", n)
	}
	for range 3 {
		did(t, h.pass(), 0, 0, 0)
	}
	if n := h.events(pipeline.EventFrameFailed); n != 1 {
		t.Errorf("%d tries failed, want 1: nothing has changed since", n)
	}
	h.arrive(c.scenes[0])
	did(t, h.pass(), 2, 0, 0)
	if n := h.quarantined(); len(n) != 0 {
		t.Errorf("%v is still in quarantine", n)
	}
	if p := h.plan(archive.Selection{}); p.Stale != 0 {
		t.Errorf("the plan calls for %d products", p.Stale)
	}
}

// cutAfterFirst returns a file up to the end of the first HDU that holds
// samples.
func cutAfterFirst(t *testing.T, path string) []byte {
	t.Helper()
	f, err := fitsutil.Open(path)
	must(t, err)
	defer f.Close()
	for i, h := range f.HDUs() {
		if h.Width() > 0 && i+1 < len(f.HDUs()) {
			w := fitsutil.CreateBuffer()
			for _, h := range f.HDUs()[:i+1] {
				copyHDU(t, w, f, h)
			}
			must(t, w.Commit())
			return w.Bytes()
		}
	}
	t.Fatalf("%s has samples in one HDU only", path)
	return nil
}

func copyHDU(t *testing.T, w *fitsutil.Writer, f *fitsutil.File, h *fitsutil.HDU) {
	t.Helper()
	header := h.Header.Clone()
	for _, key := range []string{"CHECKSUM", "DATASUM"} {
		header.Delete(key)
	}
	iw, err := w.AddImage(header, h.Bitpix, h.Axes...)
	must(t, err)
	if h.Width() == 0 {
		return
	}
	for p := range h.Planes() {
		rows, err := f.ReadRows(h, p, 0, h.Height(), nil)
		must(t, err)
		must(t, iw.WriteRows(p, 0, h.Height(), rows))
	}
}

// cubeOf writes the images of raw files as the planes of one.
func cubeOf(t *testing.T, to string, raws ...string) {
	t.Helper()
	w, err := fitsutil.Create(to, fitsutil.CreateOptions{NoSync: true})
	must(t, err)
	defer w.Abort()
	var iw *fitsutil.ImageWriter
	for p, raw := range raws {
		f, err := fitsutil.Open(raw)
		must(t, err)
		h := f.HDUs()[0]
		if iw == nil {
			header := h.Header.Clone()
			for _, key := range []string{"CHECKSUM", "DATASUM"} {
				header.Delete(key)
			}
			iw, err = w.AddImage(header, h.Bitpix, h.Width(), h.Height(), len(raws))
			must(t, err)
		}
		rows, err := f.ReadRows(h, 0, 0, h.Height(), nil)
		must(t, err)
		must(t, iw.WriteRows(p, 0, h.Height(), rows))
		f.Close()
	}
	must(t, w.Commit())
}

func TestEachPlaneOfACubeHasAProduct(t *testing.T) {
	t.Parallel()
	c := mustSimulate(t, "quillon")
	h := newHouse(t, "quillon", nil)
	path := filepath.Join(h.src, "cube.fits")
	cubeOf(t, path, c.scenes[0], c.scenes[1])
	did(t, h.pass(), 2, 0, 0)
	h.isCurrent(2)
	headersTellTheInputs(t, h, 2)
	sameContents(t, "products", h.products(), inCamera("quillon", calibrated(t, c, c.masters, []string{path})))
	must(t, os.Remove(filepath.Join(h.cfg.Products, "quillon", "cube-plane002-calibrated.fits")))
	p := h.plan(archive.Selection{Files: true})
	if p.Stale != 1 || p.Reasons[archive.ReasonFile] != 1 {
		t.Errorf("%d are stale %v, want the plane whose product is gone", p.Stale, p.Reasons)
	}
	did(t, h.reprocess(p, archive.Limits{}), 1, 0, 0)
	h.isCurrent(2)
}

func TestWhatIsNoFrameGoesToQuarantineWithItsReason(t *testing.T) {
	t.Parallel()
	c := mustSimulate(t, "quillon")
	maker := newHouse(t, "quillon", nil)
	raw := maker.arrive(c.scenes[0])[0]
	maker.pass()
	product := read(t, maker.product(raw))
	for name, given := range map[string]struct {
		data  []byte
		words []string
	}{
		"not FITS at all": {[]byte("the camera was switched off\n"), []string{"odd.fits"}},
		"a product":       {product, []string{"odd.fits", "calibrated frame", "not a raw frame"}},
		"a flipped bit":   {flipped(t, c.scenes[0]), []string{"odd.fits", "sum"}},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			h := newHouse(t, "quillon", func(c *configs.Archive) { c.Intake.IncompleteHours = 0 })
			write(t, filepath.Join(h.src, "odd.fits"), given.data)
			h.pass() // first seen
			h.later(time.Second)
			h.pass()
			text, file := h.reason()
			says(t, text, given.words...)
			if !bytes.Equal(read(t, file), given.data) {
				t.Error("what is in quarantine is not the file")
			}
			if got := files(h.products()); len(got) != 0 {
				t.Errorf("products: %v", got)
			}
			h.later(time.Second)
			h.pass()
			if n := h.events(pipeline.EventFrameFailed); n != 1 {
				t.Errorf("%d tries failed, want 1: nothing has changed since", n)
			}
			if p := h.plan(archive.Selection{}); p.Stale != 0 {
				t.Errorf("the plan calls for %d products", p.Stale)
			}
		})
	}
}

// flipped is a file with one bit of its data changed, so that the checksum
// that it carries is wrong.
func flipped(t *testing.T, path string) []byte {
	t.Helper()
	data := read(t, path)
	data[len(data)-2880] ^= 1
	return data
}

func TestOnlyFITSFilesThatAreNotHiddenAreTaken(t *testing.T) {
	t.Parallel()
	c := mustSimulate(t, "quillon")
	h := newHouse(t, "quillon", nil)
	for _, name := range []string{".hidden.fits", "frame.fits.part", "frame.txt", "frame", "frame.fits.tmp", "fits"} {
		h.arriveAs(c.scenes[0], name)
	}
	if r := h.pass(); r.Counts.Found+r.Waiting != 0 {
		t.Errorf("%d found, %d wait; want none", r.Counts.Found, r.Waiting)
	}
	for _, name := range []string{"A.FITS", "b.fit", "c.fts"} { // endings in use: common practice, no source
		h.arriveAs(c.scenes[0], name)
	}
	did(t, h.pass(), 1, 2, 0)
}

// Names hold anything that a file system allows.
func TestNamesMayHoldAnything(t *testing.T) {
	t.Parallel()
	c := mustSimulate(t, "quillon")
	h := newHouse(t, "quillon", nil)
	names := []string{"with space.fits", "quote'\"`.fits", "line\nend.fits", "übergröße-月.fits", "bytes\xff\xfe.fits", "-dash.fits", "a/b c/%2e%2e/$(x).fits", "*?.fits"}
	for i, name := range names {
		h.arriveAs(c.scenes[i], name)
	}
	did(t, h.pass(), len(names), 0, 0)
	h.isCurrent(len(names))
	for _, name := range names {
		if !isThere(h.product(filepath.Join(h.src, name))) {
			t.Errorf("%q has no product", name)
		}
	}
	h.loseLedger()
	_, err := h.Rebuild(context.Background())
	must(t, err)
	did(t, h.pass(), 0, len(names), 0)
	h.isCurrent(len(names))
}

func TestASecondRunLeavesAFrameThatAnotherHasInHand(t *testing.T) {
	t.Parallel()
	c := mustSimulate(t, "quillon")
	h := newHouse(t, "quillon", nil)
	h.arrive(c.scenes[0])
	h.passWith(archive.PassOptions{Begin: func() {
		_, err := h.Pass(context.Background(), archive.PassOptions{})
		if !errors.Is(err, ledger.ErrBusy) {
			t.Errorf("the second run ends with %v, want that another has the turn", err)
		}
	}})
	h.isCurrent(1)
}

// What another run took in while this one waited for its turn is not made
// again.
func TestARunThatWaitedFindsWhatAnotherMade(t *testing.T) {
	t.Parallel()
	c := mustSimulate(t, "quillon")
	h := newHouse(t, "quillon", nil)
	h.arrive(c.scenes[0])
	second := *h
	second.open()
	defer second.Close()
	done := make(chan *archive.Report)
	h.passWith(archive.PassOptions{Begin: func() {
		go func() {
			r, err := second.Pass(context.Background(), archive.PassOptions{Wait: time.Minute})
			if err != nil {
				t.Error(err)
			}
			done <- r
		}()
		time.Sleep(100 * time.Millisecond) // it scans meanwhile; sooner, it proves less
	}})
	if r := <-done; r != nil {
		did(t, r, 0, 0, 0)
	}
	h.isCurrent(1)
}

// A file that changes while it is given time to settle waits.
func TestAFileThatStillChangesWaits(t *testing.T) {
	t.Parallel()
	h := newHouse(t, "quillon", func(c *configs.Archive) { c.Intake.SettleS = 0.5 })
	raw := h.arrive(h.c.scenes[0])[0]
	stop, stopped := make(chan struct{}), make(chan struct{})
	go func() {
		defer close(stopped)
		for i := 1; ; i++ {
			select {
			case <-stop:
				return
			case <-time.After(5 * time.Millisecond):
				at := begun.Add(time.Duration(i) * time.Millisecond)
				if err := os.Chtimes(raw, at, at); err != nil {
					t.Error(err)
				}
			}
		}
	}()
	if r := h.pass(); r.Waiting != 1 || r.Counts.Found != 0 {
		t.Errorf("%d wait, %d found; want 1, 0", r.Waiting, r.Counts.Found)
	}
	close(stop)
	<-stopped
	did(t, h.pass(), 1, 0, 0)
	h.isCurrent(1)
}

// A pass over some folders looks there and nowhere else.
func TestAPassMayLookIntoSomeFolders(t *testing.T) {
	t.Parallel()
	h := newHouse(t, "quillon", nil)
	one := h.arriveAs(h.c.scenes[0], "one/a.fits")
	inside := h.arriveAs(h.c.scenes[1], "one/inside/b.fits")
	two := h.arriveAs(h.c.scenes[2], "two/c.fits")
	did(t, h.passWith(archive.PassOptions{Folders: []string{filepath.Dir(one), filepath.Join(h.src, "none"), h.dir}}), 1, 0, 0)
	if !isThere(h.product(one)) || isThere(h.product(inside)) || isThere(h.product(two)) {
		t.Errorf("products: %v", files(h.products()))
	}
	did(t, h.passWith(archive.PassOptions{Folders: []string{h.src}}), 0, 0, 0)
	did(t, h.pass(), 2, 0, 0)
	h.isCurrent(3)
}

// A master that arrives is a reason to look at the quarantine, whichever
// folders a pass is for.
func TestAPassOverSomeFoldersNoticesMasters(t *testing.T) {
	t.Parallel()
	h, raw := lacking(t, nil)
	opt := archive.PassOptions{Folders: []string{h.cfg.Masters}}
	did(t, h.passWith(opt), 0, 0, 0)
	h.takeMasters("flat-*.fits")
	did(t, h.passWith(opt), 1, 0, 0)
	h.returned(raw)
}

// Two sources may be of one instrument: a frame that lies in both has one
// product.
func TestSourcesMayShareAnInstrument(t *testing.T) {
	t.Parallel()
	var other string
	h := newHouse(t, "quillon", func(c *configs.Archive) {
		other = filepath.Join(filepath.Dir(c.Masters), "raw-of-another-station")
		c.Sources = append(c.Sources, configs.Source{Name: "station", Folder: other, Profile: "quillon", Set: settings("quillon")})
	})
	h.arrive(h.c.scenes[0], h.c.scenes[1])
	copyFile(t, h.c.scenes[1], filepath.Join(other, "x.fits"), -1)
	copyFile(t, h.c.scenes[2], filepath.Join(other, "y.fits"), -1)
	did(t, h.pass(), 3, 1, 0)
	h.isCurrent(3)
	if !isThere(filepath.Join(h.cfg.Products, "station", "y-calibrated.fits")) {
		t.Errorf("products: %v", files(h.products()))
	}
}

func TestSourcesOfOneInstrumentNeedOneProfile(t *testing.T) {
	t.Parallel()
	h := newHouse(t, "quillon", nil)
	must(t, h.Close())
	h.cfg.Sources = append(h.cfg.Sources, configs.Source{Name: "station", Folder: filepath.Join(h.dir, "station"), Profile: "quillon"})
	_, err := archive.Open(context.Background(), h.cfg, archive.Options{})
	if err == nil {
		t.Fatal("two profiles of one instrument are taken")
	}
	says(t, err.Error(), "station", "quillon", "give both the same profile")
	h.cfg.Sources = h.cfg.Sources[:1]
	h.open()
}

// Several cameras may share an archive.
func TestAnArchiveMayHoldSeveralCameras(t *testing.T) {
	t.Parallel()
	second := mustSimulate(t, "sallow")
	var other string
	h := newHouse(t, "quillon", func(c *configs.Archive) {
		other = filepath.Join(filepath.Dir(c.Masters), "raw-of-the-tube")
		c.Sources = append(c.Sources, configs.Source{Name: "tube", Folder: other, Profile: "sallow", Set: settings("sallow")})
	})
	for _, f := range glob(t, second.masters, "*.fits") {
		copyFile(t, f, filepath.Join(h.cfg.Masters, "tube", filepath.Base(f)), -1)
	}
	h.arrive(h.c.scenes...)
	for _, f := range second.scenes {
		copyFile(t, f, filepath.Join(other, filepath.Base(f)), -1)
	}
	n := len(h.c.scenes) + len(second.scenes)
	did(t, h.pass(), n, 0, 0)
	h.isCurrent(n)
	want := inCamera("quillon", calibrated(t, h.c, h.c.masters, h.c.scenes))
	maps.Copy(want, inCamera("tube", calibrated(t, second, second.masters, second.scenes)))
	sameContents(t, "products", h.products(), want)
	h.newFlat("red", "green", "violet", "nir")
	if p := h.plan(archive.Selection{Instrument: "sallow"}); p.Looked != len(second.scenes) || p.Stale != 0 {
		t.Errorf("of the tube %d are looked at and %d stale", p.Looked, p.Stale)
	}
	if p := h.plan(archive.Selection{}); p.Stale != len(h.c.scenes) {
		t.Errorf("%d are stale, want those of the other camera", p.Stale)
	}
}

// A file whose last block lacks its fill bytes (FITS Standard 4.0, clause 3.1)
// may still grow; when it has rested it is taken as it is.
func TestAFileWithoutItsFillBytesIsTakenInTheEnd(t *testing.T) {
	t.Parallel()
	h := newHouse(t, "quillon", nil)
	data := read(t, h.c.scenes[0])
	if data[len(data)-1] != 0 {
		t.Fatal("the file ends with a sample, not with fill bytes")
	}
	write(t, filepath.Join(h.src, "short.fits"), data[:len(data)-1])
	if r := h.pass(); r.Waiting != 1 {
		t.Errorf("%d files wait, want 1", r.Waiting)
	}
	h.later(24 * time.Hour)
	did(t, h.pass(), 1, 0, 0)
	h.isCurrent(1)
}

// Where a name is used again after its file was moved, both frames have their
// products.
func TestANameMayBeUsedAgain(t *testing.T) {
	t.Parallel()
	h := newHouse(t, "quillon", nil)
	old := h.arriveAs(h.c.scenes[0], "latest.fits")
	h.pass()
	must(t, os.MkdirAll(filepath.Join(h.src, "done"), 0o777))
	must(t, os.Rename(old, filepath.Join(h.src, "done", "first.fits")))
	did(t, h.pass(), 0, 1, 0)
	h.arriveAs(h.c.scenes[1], "latest.fits")
	h.pass()
	h.isCurrent(2)
	h.hasProducts(h.c.scenes[:2]...)
}

// hasProducts says that each of some contents has one product.
func (h *house) hasProducts(scenes ...string) {
	h.t.Helper()
	made := map[string]int{}
	for _, name := range files(h.products()) {
		p, err := pipeline.ReadProvenance(filepath.Join(h.cfg.Products, name))
		must(h.t, err)
		made[p.Inputs[0].SHA256]++
	}
	for _, s := range scenes {
		if n := made[hashOf(h.t, s).String()]; n != 1 {
			h.t.Errorf("%s has %d products, want 1", filepath.Base(s), n)
		}
	}
}

// The product of a cube's plane has the name that the product of another file
// would have: neither is lost.
func TestACubeAndAFileOfItsPlanesNameHaveTheirProducts(t *testing.T) {
	t.Parallel()
	h := newHouse(t, "quillon", nil)
	cubeOf(t, filepath.Join(h.src, "a.fits"), h.c.scenes[0], h.c.scenes[1])
	h.arriveAs(h.c.scenes[2], "a-plane001.fits")
	h.pass()
	h.pass()
	h.isCurrent(3)
	if n := len(files(h.products())); n != 3 {
		t.Errorf("%d products, want 3", n)
	}
}

// A frame that lies in two places is read from the one that is left.
func TestAFrameIsReadFromThePlaceThatIsLeft(t *testing.T) {
	t.Parallel()
	h := newHouse(t, "quillon", nil)
	h.arriveAs(h.c.scenes[0], "one.fits")
	h.arriveAs(h.c.scenes[0], "two.fits")
	did(t, h.pass(), 1, 1, 0)
	h.newFlat("violet")
	frame, err := h.Ledger().Frame(context.Background(), hashOf(t, h.c.scenes[0]))
	must(t, err)
	must(t, os.Remove(frame.Path))
	h.pass()
	did(t, h.reprocess(h.plan(archive.Selection{}), archive.Limits{}), 1, 0, 0)
	h.isCurrent(1)
}

// Of two detectors one lacks its master: the other's product is made, and not
// again when the master arrives.
func TestADetectorThatLacksItsMasterWaitsAlone(t *testing.T) {
	t.Parallel()
	h := newHouse(t, "pellam", nil)
	second := h.c.in.Profile.Detectors[1].Name
	h.dropMasters("dark-" + second + "-*.fits")
	h.arrive(h.c.scenes[0])
	did(t, h.pass(), 1, 0, 1)
	text, _ := h.reason()
	says(t, text, second, "no dark master")
	for range 2 {
		did(t, h.pass(), 0, 0, 0)
	}
	before, times := h.products(), marks(t, h.cfg.Products)
	h.takeMasters("dark-" + second + "-*.fits")
	did(t, h.pass(), 1, 1, 0)
	if changed := changedSince(t, h.cfg.Products, before, times); len(changed) != 1 {
		t.Errorf("%v are new, want the product of the second detector", changed)
	}
	if n := len(h.quarantined()); n != 0 {
		t.Errorf("%d frames are still in quarantine", n)
	}
	h.isCurrent(2)
}
