package archive_test

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"evenlight/fitsutil"
	"evenlight/pipeline"
	"evenlight/pipeline/archive"
)

// outside is a folder beside the archive, with a frame in it.
func (h *house) outside() (dir, frame string) {
	h.t.Helper()
	dir = filepath.Join(h.top, "outside")
	return dir, copyFile(h.t, h.c.scenes[5], filepath.Join(dir, "secret.fits"), -1)
}

func TestLinksAreNotFollowed(t *testing.T) {
	t.Parallel()
	h := newHouse(t, "quillon", nil)
	dir, frame := h.outside()
	link(t, frame, filepath.Join(h.src, "link.fits"))
	link(t, dir, filepath.Join(h.src, "folder"))
	link(t, dir, filepath.Join(h.src, "folder.fits"))
	must(t, os.Mkdir(filepath.Join(h.src, "a folder.fits"), 0o777))
	before := h.elsewhere()
	if r := h.pass(); r.Counts.Found+r.Waiting != 0 {
		t.Errorf("%d found, %d wait; want none", r.Counts.Found, r.Waiting)
	}
	if r := h.passWith(archive.PassOptions{Folders: []string{filepath.Join(h.src, "folder"), dir, h.top}}); r.Counts.Found+r.Waiting != 0 {
		t.Errorf("of folders that are none of the source: %d found, %d wait; want none", r.Counts.Found, r.Waiting)
	}
	sameContents(t, "outside", h.elsewhere(), before)
}

// link makes a link, and the folder that it is to lie in.
func link(t testing.TB, to, path string) {
	t.Helper()
	must(t, os.MkdirAll(filepath.Dir(path), 0o777))
	must(t, os.Symlink(to, path))
}

// swap puts a link in the place of a file or folder.
func swap(t testing.TB, path, to string) {
	t.Helper()
	must(t, os.RemoveAll(path))
	link(t, to, path)
}

// nothingOfTheSecret says that nothing was made of the frame outside, and
// nothing changed there.
func (h *house) nothingOfTheSecret(frame string, before map[string]string) {
	h.t.Helper()
	secret := hashOf(h.t, frame).String()
	sameContents(h.t, "outside", h.elsewhere(), before)
	for _, dir := range []string{h.cfg.Products, h.cfg.Quarantine, h.cfg.Earlier} {
		for name, sha := range contents(h.t, dir) {
			if sha == secret {
				h.t.Errorf("%s in %s is the frame outside", name, dir)
			}
			if !strings.HasSuffix(name, "-calibrated.fits") || len(sha) != 64 {
				continue
			}
			p, err := pipeline.ReadProvenance(filepath.Join(dir, name))
			must(h.t, err)
			if p.Inputs[0].SHA256 == secret {
				h.t.Errorf("%s in %s was made of the frame outside", name, dir)
			}
		}
	}
}

func TestALinkThatComesInTheWayIsNotFollowed(t *testing.T) {
	t.Parallel()
	for name, swapped := range map[string]func(h *house, raw, dir, frame string){
		"in place of the file":    func(h *house, raw, dir, frame string) { swap(h.t, raw, frame) },
		"in place of the folder":  func(h *house, raw, dir, frame string) { swap(h.t, filepath.Dir(raw), dir) },
		"relative, of the folder": func(h *house, raw, dir, frame string) { swap(h.t, filepath.Dir(raw), "../../../outside") },
	} {
		t.Run(name+" before it is read", func(t *testing.T) {
			t.Parallel()
			h := newHouse(t, "quillon", nil)
			dir, frame := h.outside()
			raw := h.arriveAs(h.c.scenes[0], "inside/secret.fits")
			before := h.elsewhere()
			r := h.passWith(archive.PassOptions{Begin: func() { swapped(h, raw, dir, frame) }})
			if r.Counts.Done > 0 {
				t.Errorf("%d products were made", r.Counts.Done)
			}
			h.pass()
			h.nothingOfTheSecret(frame, before)
		})
		t.Run(name+" between two passes", func(t *testing.T) {
			t.Parallel()
			h := newHouse(t, "quillon", nil)
			dir, frame := h.outside()
			raw := h.arriveAs(h.c.scenes[0], "inside/secret.fits")
			did(t, h.pass(), 1, 0, 0)
			made := h.products()
			before := h.elsewhere()
			swapped(h, raw, dir, frame)
			did(t, h.pass(), 0, 0, 0)
			h.newFlat("red", "green", "violet", "nir")
			r := h.reprocess(h.plan(archive.Selection{}), archive.Limits{})
			if r.Counts.Done > 0 {
				t.Errorf("%d products were made anew", r.Counts.Done)
			}
			h.nothingOfTheSecret(frame, before)
			sameContents(t, "products", h.products(), made)
		})
		t.Run(name+" while it is in quarantine", func(t *testing.T) {
			t.Parallel()
			h, raw := lacking(t, nil)
			dir, frame := h.outside()
			before := h.elsewhere()
			swapped(h, raw, dir, frame)
			h.pass()
			h.takeMasters("flat-*.fits")
			h.pass()
			h.pass()
			h.nothingOfTheSecret(frame, before)
			made := 0
			for _, name := range files(h.products()) {
				p, err := pipeline.ReadProvenance(filepath.Join(h.cfg.Products, name))
				must(t, err)
				if p.Inputs[0].SHA256 == hashOf(t, h.c.scenes[0]).String() {
					made++
				}
			}
			if made != 1 {
				t.Errorf("the frame that was in quarantine has %d products, want 1", made)
			}
		})
	}
}

// Nor is a link that stays inside of the source: what it leads to has a place
// of its own.
func TestALinkInsideTheSourceIsNotFollowed(t *testing.T) {
	t.Parallel()
	h := newHouse(t, "quillon", nil)
	folder := h.arriveAs(h.c.scenes[0], "inside/a.fits")
	file := h.arriveAs(h.c.scenes[1], "b.fits")
	h.arriveAs(h.c.scenes[2], "other/a.fits")
	r := h.passWith(archive.PassOptions{Begin: func() {
		swap(t, filepath.Dir(folder), "other")
		swap(t, file, "other/a.fits")
	}})
	if r.Counts.Done != 1 || r.Known != 0 || isThere(h.product(folder)) || isThere(h.product(file)) {
		t.Errorf("products: %v, %d known; want that of the file itself only", files(h.products()), r.Known)
	}
	h.pass()
	h.isCurrent(1)
}

func TestNothingIsWrittenThroughALink(t *testing.T) {
	t.Parallel()
	for name, inside := range map[string]string{"in place of the source's folder of products": "quillon", "in place of a folder inside": "quillon/day"} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			h := newHouse(t, "quillon", nil)
			dir, _ := h.outside()
			at := filepath.Join(h.cfg.Products, inside)
			link(t, dir, at)
			h.arriveAs(h.c.scenes[0], "day/one.fits")
			before := h.elsewhere()
			_, err := h.Pass(context.Background(), archive.PassOptions{})
			if !errors.Is(err, archive.ErrStopped) {
				t.Errorf("the pass ends with %v, want that it had to stop", err)
			} else {
				says(t, err.Error(), at, "link", "put a folder in its place")
			}
			sameContents(t, "outside", h.elsewhere(), before)
			if n := len(h.quarantined()); n != 0 {
				t.Error("the frame went to quarantine, and is not to blame")
			}
			must(t, os.Remove(at))
			did(t, h.pass(), 1, 0, 0)
			h.isCurrent(1)
		})
	}
	t.Run("in place of a product", func(t *testing.T) {
		t.Parallel()
		h := newHouse(t, "quillon", nil)
		_, frame := h.outside()
		raw := h.arrive(h.c.scenes[0])[0]
		must(t, os.MkdirAll(filepath.Dir(h.product(raw)), 0o777))
		link(t, frame, h.product(raw))
		before := h.elsewhere()
		h.pass()
		sameContents(t, "outside", h.elsewhere(), before)
		h.isCurrent(1)
	})
	t.Run("in place of the folder of earlier versions", func(t *testing.T) {
		t.Parallel()
		h := newHouse(t, "quillon", nil)
		dir, _ := h.outside()
		h.arrive(h.c.scenes[0])
		h.pass()
		made := h.products()
		link(t, dir, filepath.Join(h.cfg.Earlier, "quillon"))
		before := h.elsewhere()
		h.newFlat("violet")
		if _, err := h.Reprocess(context.Background(), h.plan(archive.Selection{}), archive.Limits{}); !errors.Is(err, archive.ErrStopped) {
			t.Errorf("the run ends with %v, want that it had to stop", err)
		}
		sameContents(t, "outside", h.elsewhere(), before)
		sameContents(t, "products", h.products(), made)
	})
	t.Run("in place of an entry of the quarantine", func(t *testing.T) {
		t.Parallel()
		h := newHouse(t, "quillon", nil)
		dir, _ := h.outside()
		h.dropMasters("flat-*.fits")
		h.arrive(h.c.scenes[0])
		link(t, dir, filepath.Join(h.cfg.Quarantine, hashOf(t, h.c.scenes[0]).String()[:16]))
		before := h.elsewhere()
		if _, err := h.Pass(context.Background(), archive.PassOptions{}); err == nil {
			t.Error("the pass says nothing of it")
		}
		sameContents(t, "outside", h.elsewhere(), before)
	})
}

// What the reason beside a frame says is as little trusted as what a header
// says: whoever can write to the quarantine cannot thereby write elsewhere.
func TestAReasonLeadsNowhereOutside(t *testing.T) {
	t.Parallel()
	for name, raw := range map[string]func(h *house) string{
		"beside the sources":      func(h *house) string { return filepath.Join(h.top, "outside", "new.fits") },
		"up and out":              func(h *house) string { return h.src + "/../../../outside/new.fits" },
		"up into the archive":     func(h *house) string { return h.src + "/../new/new.fits" },
		"up in the middle":        func(h *house) string { return h.src + "/day/../../../../outside/new.fits" },
		"relative":                func(h *house) string { return "../outside/new.fits" },
		"a folder":                func(h *house) string { return h.src + "/" },
		"the source itself":       func(h *house) string { return h.src },
		"through a linked folder": func(h *house) string { return h.src + "/linked/new.fits" },
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			h := newHouse(t, "quillon", nil)
			dir, _ := h.outside()
			link(t, dir, filepath.Join(h.src, "linked"))
			sha := hashOf(t, h.c.scenes[0]).String()
			entry := filepath.Join(h.cfg.Quarantine, sha[:16])
			copyFile(t, h.c.scenes[0], filepath.Join(entry, "new.fits"), -1)
			write(t, filepath.Join(entry, "reason.txt"), fmt.Appendf(nil, "raw: %s\nsha256: %s\nreason: none\n", strconv.Quote(raw(h)), sha))
			before := h.elsewhere()
			for range 2 {
				if _, err := h.Pass(context.Background(), archive.PassOptions{Retry: true}); err != nil {
					t.Error(err)
				}
			}
			sameContents(t, "outside", h.elsewhere(), before)
			for name := range h.products() {
				if first, _, _ := strings.Cut(name, "/"); first != "quillon" {
					t.Errorf("there is %s in the folder of products", name)
				}
			}
		})
	}
}

// patched returns a product with another text in the place of one in its
// primary header, of the same length, and a checksum that agrees.
func patched(t *testing.T, path, from, to string) []byte {
	t.Helper()
	if len(from) != len(to) {
		t.Fatalf("%q and %q differ in length", from, to)
	}
	data := read(t, path)
	f, err := fitsutil.OpenBytes(path, data, int64(len(data)))
	must(t, err)
	size := len(f.HDUs()[0].Header.Encode())
	header := string(data[:size])
	if !strings.Contains(header, from) {
		t.Fatalf("the header of %s does not hold %q", path, from)
	}
	header = strings.Replace(header, from, to, 1)
	// The 16 characters of the sum follow the keyword (FITS Standard 4.0, 4.4.2.7).
	at := strings.Index(header, "CHECKSUM= '") + len("CHECKSUM= '")
	header = header[:at] + strings.Repeat("0", 16) + header[at+16:]
	sum := fitsutil.EncodeChecksum(fitsutil.Checksum([]byte(header), 0), true)
	copy(data, header[:at]+sum+header[at+16:])
	return data
}

// The name of the raw file that stands in a product's header is a name for
// people, and no path.
func TestANameInAHeaderIsNoPath(t *testing.T) {
	t.Parallel()
	h := newHouse(t, "quillon", nil)
	h.outside()
	raw := h.arriveAs(h.c.scenes[0], "nnnnnnnnnnnnnnnnnnnnnnnnnnn.fits")
	h.pass()
	crafted := patched(t, h.product(raw), "nnnnnnnnnnnnnnnnnnnnnnnnnnn.fits", "../../../../../outside/evil.fits")
	must(t, os.RemoveAll(filepath.Join(h.cfg.Products, "quillon")))
	write(t, filepath.Join(h.cfg.Products, "quillon", "one-calibrated.fits"), crafted)
	before := h.elsewhere()

	r := h.rebuilt()
	if r.Products != 1 || len(r.Skipped) > 0 {
		t.Fatalf("%d products are read back, %v skipped; want the crafted one", r.Products, r.Skipped)
	}
	must(t, os.Remove(raw))
	h.newFlat("violet")
	h.pass()
	h.reprocess(h.plan(archive.Selection{}), archive.Limits{})
	h.arriveAs(h.c.scenes[0], "back.fits")
	h.later(time.Second)
	h.pass()
	h.reprocess(h.plan(archive.Selection{Files: true}), archive.Limits{})
	_, err := h.Status(context.Background())
	must(t, err)
	sameContents(t, "outside", h.elsewhere(), before)
	for name := range h.products() {
		if first, _, _ := strings.Cut(name, "/"); first != "quillon" {
			t.Errorf("there is %s in the folder of products", name)
		}
	}
}

// Nothing is removed through a link either.
func TestNothingIsRemovedThroughALink(t *testing.T) {
	t.Parallel()
	h := newHouse(t, "quillon", nil)
	dir, _ := h.outside()
	write(t, filepath.Join(dir, "letter.txt"), []byte("not of the archive"))
	link(t, dir, filepath.Join(h.cfg.Quarantine, hashOf(t, h.c.scenes[0]).String()[:16]))
	h.arrive(h.c.scenes[0])
	before := h.elsewhere()
	for range 2 {
		_, err := h.Pass(context.Background(), archive.PassOptions{Retry: true}) // it may refuse, and say why
		if err != nil {
			says(t, err.Error(), "link")
		}
	}
	sameContents(t, "outside", h.elsewhere(), before)
}
