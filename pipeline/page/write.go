package page

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"regexp"

	"evenlight/fitsutil"
)

// Files of a page.
const (
	IndexFile    = "index.html"
	DataFile     = "page.json"
	framesFile   = "frames.csv"
	mastersFile  = "masters.csv"
	failuresFile = "failures.csv"
	trendsFile   = "trends.csv"
)

// A part file holds so many frames at most, and begins anew beyond so many
// bytes, so that none comes near 20 MB.
const (
	framesInPart = 100
	bytesInPart  = 8 << 20
)

// pageWriter writes the files of a page. The details of frames come one after
// the other; those of one part are held at a time.
type pageWriter struct {
	out   string
	page  *Page
	kind  string // of the part that is held
	held  Part
	size  int  // bytes of the held part, as HTML, about
	first bool // the held part is the first: it may go into the index
}

func newPageWriter(out string, p *Page) *pageWriter {
	return &pageWriter{out: out, page: p, kind: PartFrames, first: true}
}

// addFrame takes the details of the next frame.
func (w *pageWriter) addFrame(d *Detail) error {
	if err := w.room(PartFrames, len(w.held.Frames), sizeOf(d.Images, d.Plots, len(d.Provenance))); err != nil {
		return err
	}
	w.held.Frames = append(w.held.Frames, *d)
	return nil
}

// addMaster takes the details of the next master, after all frames.
func (w *pageWriter) addMaster(d *MasterDetail) error {
	if err := w.room(PartMasters, len(w.held.Masters), sizeOf(d.Images, nil, len(d.Provenance)+150*len(d.Inputs))); err != nil {
		return err
	}
	w.held.Masters = append(w.held.Masters, *d)
	return nil
}

// sizeOf is about what details take in HTML: pictures are written with 4
// characters for 3 bytes (RFC 4648, section 4).
func sizeOf(images []Image, plots []Plot, text int) int {
	n := 4096 + 2*text
	for i := range images {
		n += len(images[i].PNG) * 4 / 3
	}
	for i := range plots {
		n += len(plots[i].SVG)
	}
	return n
}

// room makes room for details of so many bytes: the held part is written where
// it would become too large. The first part takes masters in behind the frames,
// since all of it may go into the index.
func (w *pageWriter) room(kind string, have, size int) error {
	full := have >= framesInPart || w.size+size > bytesInPart && w.size > 0
	other := kind != w.kind && !w.first
	if full || other {
		if err := w.flush(kind); err != nil {
			return err
		}
	}
	w.kind = kind
	w.size += size
	return nil
}

// partName is the name of a part file.
func partName(kind string, n int) string { return fmt.Sprintf("%s-%04d", kind, n) }

// flush writes the held part, frames and masters into files of their own. next
// is the kind of what follows; empty: nothing.
func (w *pageWriter) flush(next string) error {
	frames, masters := w.held.Frames, w.held.Masters
	w.held, w.size, w.first = Part{}, 0, false
	if len(frames) > 0 {
		if err := w.writePart(PartFrames, frames, nil, next == PartFrames); err != nil {
			return err
		}
	}
	if len(masters) > 0 {
		return w.writePart(PartMasters, nil, masters, next == PartMasters)
	}
	return nil
}

// writePart writes one part file and its JSON. more says that another part of
// the kind follows.
func (w *pageWriter) writePart(kind string, frames []Detail, masters []MasterDetail, more bool) error {
	p := w.page
	n := 1
	first := 1
	before := ""
	for _, r := range p.Parts {
		if r.Kind == kind {
			n, first, before = n+1, r.Last+1, r.File
		}
	}
	name := partName(kind, n)
	ref := PartRef{File: name + ".html", Kind: kind, First: first, Last: first + len(frames) + len(masters) - 1}
	part := &Part{Title: fmt.Sprintf("%s: %s %d to %d", p.Title, kind, ref.First, ref.Last), Software: p.Software, Version: p.Version, Sampling: p.Sampling,
		Ref: ref, Before: before, Frames: frames, Masters: masters}
	if more {
		part.After = partName(kind, n+1) + ".html"
	}
	for i := range frames {
		frames[i].Frame.Part = ref.File
		p.Frames[frames[i].Frame.N-1].Part = ref.File
	}
	for i := range masters {
		masters[i].Master.Part = ref.File
		p.Masters[first-1+i].Part = ref.File
	}
	p.Parts = append(p.Parts, ref)
	var html bytes.Buffer
	if err := RenderPart(&html, part); err != nil {
		return fmt.Errorf("%s: %w", ref.File, err)
	}
	if err := w.write(ref.File, html.Bytes()); err != nil {
		return err
	}
	data, err := jsonOf(part)
	if err != nil {
		return fmt.Errorf("%s.json: %w", name, err)
	}
	return w.write(name+".json", data)
}

// finish writes what is held, the tables, the data, and last the index, so that
// it names nothing that is not there.
func (w *pageWriter) finish(all []*judged) error {
	before := w.partsBefore()
	p := w.page
	if w.first {
		p.Details, p.MasterDetails = w.held.Frames, w.held.Masters
	} else if err := w.flush(""); err != nil {
		return err
	}
	if err := w.tables(all); err != nil {
		return err
	}
	data, err := jsonOf(p)
	if err != nil {
		return fmt.Errorf("%s: %w", DataFile, err)
	}
	if err := w.write(DataFile, data); err != nil {
		return err
	}
	var html bytes.Buffer
	if err := Render(&html, p); err != nil {
		return fmt.Errorf("%s: %w", IndexFile, err)
	}
	if err := w.write(IndexFile, html.Bytes()); err != nil {
		return err
	}
	return w.dropOld(before)
}

func (w *pageWriter) tables(all []*judged) error {
	p := w.page
	var frames, masters, failures, trends [][]string
	for i := range p.Frames {
		frames = append(frames, frameRow(&p.Frames[i]))
	}
	for i := range p.Masters {
		masters = append(masters, masterRow(&p.Masters[i]))
	}
	for i := range p.Failures {
		failures = append(failures, failureRow(&p.Failures[i]))
	}
	for i := range p.Trends {
		trends = append(trends, trendRows(&p.Trends[i], all[i])...)
	}
	for _, t := range []struct {
		file string
		head []string
		rows [][]string
	}{{framesFile, frameHead, frames}, {mastersFile, masterHead, masters}, {failuresFile, failureHead, failures}, {trendsFile, trendHead, trends}} {
		b, err := csvOf(t.head, t.rows)
		if err != nil {
			return fmt.Errorf("%s: %w", t.file, err)
		}
		if err := w.write(t.file, b); err != nil {
			return err
		}
	}
	return nil
}

func (w *pageWriter) write(name string, b []byte) error {
	path := filepath.Join(w.out, name)
	if err := fitsutil.WriteFile(path, b, fitsutil.CreateOptions{Overwrite: true}); err != nil {
		return fmt.Errorf("page: %w", err)
	}
	return nil
}

// jsonOf writes JSON on one line. Text of others stays text wherever the data
// may be put: < > & are escaped.
func jsonOf(v any) ([]byte, error) {
	b, err := json.Marshal(v)
	return append(b, '\n'), err
}

var partFile = regexp.MustCompile(`^(frames|masters)-[0-9]{4}\.html$`)

// partsBefore lists the part files of the page that lies in the folder already.
func (w *pageWriter) partsBefore() []string {
	text, err := os.ReadFile(filepath.Join(w.out, DataFile))
	if err != nil {
		return nil
	}
	var old struct{ Parts []PartRef }
	if json.Unmarshal(text, &old) != nil {
		return nil // not one of ours: nothing of it is touched
	}
	var names []string
	for _, p := range old.Parts {
		if partFile.MatchString(p.File) {
			names = append(names, p.File)
		}
	}
	return names
}

// dropOld removes the part files of a page before that had more of them.
func (w *pageWriter) dropOld(before []string) error {
	now := map[string]bool{}
	for _, p := range w.page.Parts {
		now[p.File] = true
	}
	for _, name := range before {
		if now[name] {
			continue
		}
		base := filepath.Join(w.out, name[:len(name)-len(".html")])
		for _, end := range []string{".html", ".json"} {
			if err := os.Remove(base + end); err != nil && !errors.Is(err, fs.ErrNotExist) {
				return fmt.Errorf("page: a part file of the page before: %w", err)
			}
		}
	}
	return nil
}
