package page

import (
	"fmt"
	"path/filepath"
	"strings"

	"evenlight/calib"
	"evenlight/pipeline"
)

// item is a product that goes onto a page.
type item struct {
	product string                // path
	raw     string                // path of the raw frame; empty: it was not found, and noRaw says why
	noRaw   string                //
	report  *pipeline.FrameReport // of the run's summary; nil: what the product tells
	look    []string              // what of it is out of the way among its like
}

// built is an item with its details, and the figures that are followed.
type built struct {
	Detail
	report *pipeline.FrameReport // nil: nothing is known of it
}

// worker makes details. It keeps its memory from frame to frame.
type worker struct {
	reader *pipeline.ProductReader
	sample sample
}

// detail reads an item's files. What cannot be read is told in the detail.
func (w *worker) detail(it *item, masters *masterIndex) built {
	v, err := w.reader.View(it.product)
	if err != nil {
		b := built{Detail: Detail{Problem: err.Error()}, report: it.report}
		b.Frame = frameOf(it, it.report)
		b.Frame.State, b.Frame.Warnings = StateBroken, append(b.Frame.Warnings, "the product cannot be read")
		return b
	}
	defer v.Close()
	report := it.report
	if report == nil {
		report = v.Report
	}
	b := built{report: report}
	b.Frame = frameOf(it, report)
	b.Frame.Instrument = v.Instrument
	b.Provenance = v.Text()
	b.Bands, b.Amplifiers = bandLevels(report), amplifiers(report)
	b.Masters = masters.uses(v, it.report)
	for _, m := range b.Masters {
		if m.AgeDays != nil && (b.Frame.OldestDays == nil || *m.AgeDays > *b.Frame.OldestDays) {
			b.Frame.OldestDays = m.AgeDays
		}
	}
	var problems []string
	if err := w.look(it, v, &b.Detail, &problems); err != nil {
		problems = append(problems, err.Error())
	}
	b.Problem = strings.Join(problems, "; ")
	return b
}

// look makes the pictures and plots of a product that is open.
func (w *worker) look(it *item, v *pipeline.ProductView, d *Detail, problems *[]string) error {
	s := &w.sample
	if err := s.read(v); err != nil {
		return err
	}
	switch err := w.lookAtRaw(it, v); {
	case it.raw == "":
		*problems = append(*problems, it.noRaw)
	case err != nil:
		s.raw = s.raw[:0]
		*problems = append(*problems, "no picture of the raw frame: "+err.Error())
	}
	var err error
	if d.Images, err = s.images(v.Report.Unit); err != nil {
		return err
	}
	plots, missing, err := s.plots(v.Report.Unit)
	d.Plots = plots
	*problems = append(*problems, missing...)
	return err
}

func (w *worker) lookAtRaw(it *item, v *pipeline.ProductView) error {
	if it.raw == "" {
		return nil
	}
	raw, err := v.OpenRaw(it.raw)
	if err != nil {
		return err
	}
	defer raw.Close()
	return w.sample.readRaw(raw)
}

// frameOf makes the line of a frame; r may be nil.
func frameOf(it *item, r *pipeline.FrameReport) Frame {
	f := Frame{Product: it.product, Raw: it.raw, State: StateGood, Warnings: []string{}, Flags: []FlagPart{}}
	if r == nil {
		f.Name = filepath.Base(it.product)
		return f
	}
	if f.Raw == "" {
		f.Raw = r.Raw
	}
	f.Name, f.Detector, f.Band, f.Mode, f.Target = filepath.Base(f.Raw), r.Detector, r.Band, r.Mode, r.Target
	f.ExposureS, f.TempK, f.Unit = r.ExposureS, r.TempK, r.Unit
	if r.Time != "" {
		f.Time = r.Time + "Z" // summaries leave out that it is UTC
	}
	f.Background, f.Median, f.Good, f.NoiseRatio = r.Background, r.Median, &r.Good, r.NoiseRatio
	f.Saturated = r.Fractions["saturated"]
	for _, flag := range calib.FlagTable() {
		if share := r.Fractions[flag.Name]; share > 0 {
			f.Flags = append(f.Flags, FlagPart{flag.Name, share})
		}
	}
	f.Warnings = append(append(f.Warnings, r.Warnings...), it.look...)
	if len(f.Warnings) > 0 {
		f.State = StateLook
	}
	return f
}

func amplifiers(r *pipeline.FrameReport) []Amplifier {
	out := []Amplifier{}
	for _, a := range r.Amplifiers {
		out = append(out, Amplifier{a.Name, a.OffsetDN, a.DriftDN, a.ReadNoiseE})
	}
	return out
}

func bandLevels(r *pipeline.FrameReport) []BandLevel {
	out := []BandLevel{}
	for i := range r.Bands {
		b := &r.Bands[i]
		out = append(out, BandLevel{b.Name, b.Background, b.Median, &b.Good, b.NoiseRatio})
	}
	return out
}

// provenanceCommand is what a person types to see how a file was made.
func provenanceCommand(path string) string { return "evenlight provenance " + quoted(path) }

// quoted writes a word for a POSIX shell (IEEE Std 1003.1, clause 2.2.2).
func quoted(word string) string {
	plain := func(r rune) bool {
		return r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z' || r >= '0' && r <= '9' || strings.ContainsRune("/._-+=:@%,", r)
	}
	if word != "" && !strings.ContainsFunc(word, func(r rune) bool { return !plain(r) }) {
		return word
	}
	return "'" + strings.ReplaceAll(word, "'", `'\''`) + "'"
}

// link returns a file's address relative to the page's folder, with slashes;
// empty: there is none, as from one volume to another.
func link(out, path string) string {
	from, errOut := filepath.Abs(out)
	to, errPath := filepath.Abs(path)
	if errOut != nil || errPath != nil {
		return ""
	}
	rel, err := filepath.Rel(from, to)
	if err != nil {
		return ""
	}
	return filepath.ToSlash(rel)
}

func frameID(n int) string { return fmt.Sprintf("f%05d", n) }
