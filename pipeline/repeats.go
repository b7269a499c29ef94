package pipeline

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"

	"evenlight/calib"
	"evenlight/calib/align"
	"evenlight/calib/hits"
	"evenlight/fitsutil"
)

// RepeatOptions says how exposures of one scene are compared.
type RepeatOptions struct {
	OutDir    string
	Overwrite bool
	WithinS   float64 // between the starts of the first and the last exposure of a set, s
	Sigma     float64 // departure from the others from which on a pixel was hit
	// MaxShiftPx is the displacement against the first exposure, pixels, beyond
	// which a set is refused.
	MaxShiftPx float64
	Workers    int
}

// RepeatSummary is the answer of [FlagRepeats].
type RepeatSummary struct {
	Software string         `json:"software"`
	Version  string         `json:"version"`
	Frames   []RepeatReport `json:"frames"`
	Failures []Failure      `json:"failures"`
}

// RepeatReport is one product whose hits were flagged.
type RepeatReport struct {
	From    string  `json:"from"` // the product that it is a copy of
	Product string  `json:"product"`
	Frames  int     `json:"frames"`          // that were compared
	ShiftPx float64 `json:"displacement_px"` // against the first
	Pixels  int     `json:"pixels"`          // flagged hit that were not before
}

// Text writes the summary for people.
func (s *RepeatSummary) Text() string {
	var b strings.Builder
	for _, f := range s.Frames {
		fmt.Fprintf(&b, "%s: one of %d, displaced by %.3f pixels, %d more pixels flagged hit\n", f.Product, f.Frames, f.ShiftPx, f.Pixels)
	}
	for _, f := range s.Failures {
		fmt.Fprintf(&b, "failed: %s\n", f.Reason)
	}
	return b.String()
}

// stageRepeats is what the comparison is called in records.
const stageRepeats = "repeats"

// FlagRepeats finds calibrated frames that show one scene, by detector, plane,
// mode, band, unit, profile and target, and by time; compares them, and writes a
// copy of each in which the pixels that stick out are flagged hit too.
func FlagRepeats(in *Instrument, files []string, opt RepeatOptions) (*RepeatSummary, error) {
	switch {
	case !(opt.WithinS > 0):
		return nil, fmt.Errorf("a time of %g s holds no two exposures: give more than 0", opt.WithinS)
	case !(opt.Sigma >= 3):
		return nil, fmt.Errorf("a limit of %g sigma takes noise for hits: give 3 or more", opt.Sigma)
	case !(opt.MaxShiftPx >= 0 && opt.MaxShiftPx <= 1):
		return nil, fmt.Errorf("a displacement of %g pixels: give 0 to 1", opt.MaxShiftPx)
	}
	out := &RepeatSummary{Software: Software, Version: Version, Frames: []RepeatReport{}, Failures: []Failure{}}
	var all []*productFile
	seen := map[string]string{}
	for _, path := range files {
		p, err := in.readProductHeader(path)
		if err == nil && p.record.hasRole(roleRepeat) {
			err = fmt.Errorf("%s was compared with other exposures before: name the product that it was made from", path)
		}
		if err == nil {
			err = p.isAnother(seen)
		}
		if err != nil {
			out.Failures = append(out.Failures, Failure{path, err.Error()})
			continue
		}
		all = append(all, p)
	}
	for _, set := range repeatSets(all, opt.WithinS) {
		reports, err := in.writeRepeats(set, opt)
		out.Frames = append(out.Frames, reports...)
		if err != nil {
			out.Failures = append(out.Failures, Failure{set[0].path, err.Error()})
		}
	}
	return out, nil
}

// isAnother refuses a product of an exposure that is there already, which says
// nothing new, and one whose copy would take the place of another's. seen holds
// the products so far by both.
func (p *productFile) isAnother(seen map[string]string) error {
	exposure := fmt.Sprintf("%s %d of %v", p.record.Detector, p.record.Plane, rawInputs(p.record))
	for _, key := range []string{exposure, p.name()} {
		if other, ok := seen[key]; ok {
			return fmt.Errorf("%s is of the same exposure as %s, or has its name: compare one of the two at a time", p.path, other)
		}
	}
	seen[exposure], seen[p.name()] = p.path, p.path
	return nil
}

// repeatSets puts products of one scene together, in the order of time.
func repeatSets(all []*productFile, withinS float64) [][]*productFile {
	key := func(p *productFile) string {
		r := p.record
		return strings.Join([]string{r.Detector, strconv.Itoa(r.Plane), r.Mode, r.Band, p.unit, r.ProfileHash, p.target, strconv.Itoa(p.widthPx), strconv.Itoa(p.heightPx)}, "\x00")
	}
	slices.SortFunc(all, func(a, b *productFile) int {
		return cmp.Or(cmp.Compare(key(a), key(b)), a.time.Compare(b.time), cmp.Compare(a.name(), b.name()), cmp.Compare(a.path, b.path))
	})
	var sets [][]*productFile
	for i, p := range all {
		last := len(sets) - 1
		if i > 0 && key(p) == key(all[i-1]) && p.time.Sub(sets[last][0].time).Seconds() <= withinS {
			sets[last] = append(sets[last], p)
			continue
		}
		sets = append(sets, []*productFile{p})
	}
	return sets
}

func (in *Instrument) writeRepeats(set []*productFile, opt RepeatOptions) ([]RepeatReport, error) {
	if len(set) < 2 {
		return nil, fmt.Errorf("%s: no other exposure of the same scene was begun within %g s: name more products, or see --within", set[0].path, opt.WithinS)
	}
	if n := len(set); n > hits.MostRepeats { // before they are all in memory
		return nil, fmt.Errorf("%d exposures of one scene, from %s on, are more than %d: name fewer at a time, or a shorter --within", n, set[0].path, hits.MostRepeats)
	}
	c, err := in.compareRepeats(set, opt)
	if err != nil {
		return nil, err
	}
	if err := os.MkdirAll(opt.OutDir, 0o777); err != nil {
		return nil, err
	}
	var reports []RepeatReport
	for k, p := range set {
		path := filepath.Join(opt.OutDir, p.name())
		if (&Frame{Path: p.path}).samePlace(path) {
			return reports, fmt.Errorf("the copy of %s would take its place: choose another output folder", p.path)
		}
		w, err := fitsutil.Create(path, fitsutil.CreateOptions{Overwrite: opt.Overwrite})
		if err != nil {
			return reports, err
		}
		err = c.write(w, k)
		if err == nil {
			err = w.Commit()
		}
		if err != nil {
			w.Abort()
			return reports, err
		}
		reports = append(reports, RepeatReport{From: p.path, Product: path, Frames: len(set), ShiftPx: c.shift[k], Pixels: c.found[k]})
	}
	return reports, nil
}

// comparedRepeats is a set of products whose hits were flagged in memory.
type comparedRepeats struct {
	in       *Instrument
	opt      RepeatOptions
	products []*productFile // with rasters
	shift    []float64      // pixels, against the first
	found    []int          // pixels newly flagged
}

// compareRepeats reads a set of products and flags what sticks out.
func (in *Instrument) compareRepeats(set []*productFile, opt RepeatOptions) (*comparedRepeats, error) {
	c := &comparedRepeats{in: in, opt: opt}
	o := hits.RepeatOptions{Sigma: opt.Sigma, StepX: 1, StepY: 1}
	var rasters []*calib.Raster
	for _, s := range set {
		p, err := in.readProduct(s.path, opt.Workers)
		if err != nil {
			return nil, err
		}
		c.products, rasters = append(c.products, p), append(rasters, p.raster)
		o.PerElectron = append(o.PerElectron, p.record.perElectron())
	}
	if m := in.Profile.Detectors[set[0].detector].Mosaic; m != nil {
		o.StepX, o.StepY = len(m.Pattern[0]), len(m.Pattern)
	}
	for k, p := range c.products {
		shift, sigma, err := displacement(rasters[0], rasters[k], o.StepX, o.StepY, opt)
		if err == nil && shift > opt.MaxShiftPx {
			err = fmt.Errorf("it is displaced by %.3f pixels, and %g are allowed: compare exposures of a camera that kept its pointing", shift, opt.MaxShiftPx)
		}
		if err != nil {
			return nil, fmt.Errorf("%s against %s: %w", p.path, c.products[0].path, err)
		}
		c.shift = append(c.shift, shift)
		o.ShiftPixels = append(o.ShiftPixels, math.Hypot(shift, sigma))
	}
	// The others may be displaced against one that stands where the first does.
	most := slices.Max(o.ShiftPixels)
	for k := range o.ShiftPixels {
		o.ShiftPixels[k] = most
	}
	before := make([]int, len(rasters))
	for k, r := range rasters {
		before[k] = countHits(r)
	}
	if _, err := hits.Repeated(rasters, o); err != nil {
		return nil, err
	}
	for k, r := range rasters {
		c.found = append(c.found, countHits(r)-before[k])
		if share := float64(c.found[k]) / float64(len(r.Flags)); share > mostStruck {
			return nil, fmt.Errorf("%s departs from the other exposures in %.1f %% of its pixels: they do not show one scene", c.products[k].path, 100*share)
		}
	}
	return c, nil
}

// mostStruck is the share of the pixels beyond which it was not particles that
// made an exposure differ from the others.
const mostStruck = 0.02

func countHits(r *calib.Raster) int {
	n := 0
	for _, f := range r.Flags {
		if f&calib.Hit != 0 {
			n++
		}
	}
	return n
}

// displacement measures how far an exposure is displaced against the first,
// with its uncertainty, pixels. Of a mosaic one place of the pattern is looked
// at, since the pattern itself stands still. A scene without texture, or too
// small to be aligned, shows no displacement.
func displacement(first, other *calib.Raster, stepX, stepY int, opt RepeatOptions) (shift, sigma float64, err error) {
	if first == other {
		return 0, 0, nil
	}
	s, err := align.Find(everyNth(first, stepX, stepY), everyNth(other, stepX, stepY), align.Options{Workers: opt.Workers})
	if errors.Is(err, align.ErrTexture) || errors.Is(err, align.ErrSize) {
		return 0, 0, nil
	}
	return math.Hypot(s.DX*float64(stepX), s.DY*float64(stepY)), math.Hypot(s.SigmaX*float64(stepX), s.SigmaY*float64(stepY)), err
}

// everyNth is the raster of the pixels of one place in a pattern.
func everyNth(r *calib.Raster, stepX, stepY int) *calib.Raster {
	if stepX == 1 && stepY == 1 {
		return r
	}
	out := calib.NewRaster(r.Width/stepX, r.Height/stepY)
	for i := range out.Value {
		from := i/out.Width*stepY*r.Width + i%out.Width*stepX
		out.Value[i], out.Variance[i], out.Flags[i] = r.Value[from], r.Variance[from], r.Flags[from]
	}
	return out
}

// perElectron is the product's unit for one electron, the largest where bands
// differ; 1 for electrons.
func (p *Provenance) perElectron() float64 {
	most := 0.0
	for _, s := range p.Stages {
		for _, v := range s.Settings {
			if name, _, _ := strings.Cut(v.Name, "."); name == "per_electron" {
				if x, err := strconv.ParseFloat(v.Value, 64); err == nil {
					most = max(most, x)
				}
			}
		}
	}
	if most == 0 {
		return 1
	}
	return most
}

func (p *Provenance) hasRole(role string) bool {
	return slices.ContainsFunc(p.Inputs, func(i Input) bool { return i.Role == role })
}

// write writes the copy of product k: the same but for flags, what follows from
// them, and a record that goes on.
func (c *comparedRepeats) write(w *fitsutil.Writer, k int) error {
	p := c.products[k]
	data, _, err := fitsutil.ReadAll(p.path, nil, maxRawBytes)
	if err != nil {
		return err
	}
	f, err := openOwn(p.path, data)
	if err != nil {
		return err
	}
	h := f.HDUs()[0].Header.Clone()
	if err := c.record(h, k); err != nil {
		return err
	}
	if _, err := w.AddImage(h, 8); err != nil {
		return err
	}
	flags := make([]byte, 4*len(p.raster.Flags))
	encodeFlags(flags, p.raster.Flags)
	for _, name := range []string{extValue, extUncertainty, extFlags} {
		from, err := f.Find(name)
		if err != nil {
			return err
		}
		rows := flags
		if name != extFlags {
			if rows, err = rowsOf(f, from, 0, 0, p.heightPx); err != nil {
				return err
			}
		}
		to, err := w.AddImage(from.Header, from.Bitpix, from.Axes...)
		if err != nil {
			return err
		}
		if err := to.WriteRows(0, 0, p.heightPx, rows); err != nil {
			return err
		}
	}
	raw, err := f.Find(extRaw)
	if err != nil {
		return err
	}
	if err := addRawHeader(w, raw.Header); err != nil {
		return err
	}
	profile, err := readProfile(f)
	if err != nil {
		return err
	}
	if err := addProfile(w, profile); err != nil {
		return err
	}
	figures, err := readFigures(f)
	if err != nil {
		return err
	}
	if err := c.recount(figures, p); err != nil {
		return err
	}
	return writeFigures(w, figures)
}

// record adds the other exposures and the comparison to a primary header.
func (c *comparedRepeats) record(h *fitsutil.Header, k int) error {
	old := c.products[k].record
	w := cardWriter{h: h}
	n := len(old.Inputs)
	w.comment("Compared with other exposures of the scene: the flags are its own.")
	for i, p := range c.products {
		role := roleRepeat
		if i == k {
			role = roleProduct
		}
		n++
		w.set(fmt.Sprintf("INRL%04d", n), role, "role of the input")
		w.set(fmt.Sprintf("INNM%04d", n), headerName(p.name()), "")
		w.set(fmt.Sprintf("INSH%04d", n), p.sha, "")
	}
	w.set("NINPUTS", n, "number of input files")
	stage := StageRecord{stageRepeats, []calib.Setting{
		{Name: "sigma", Value: strconv.FormatFloat(c.opt.Sigma, 'g', -1, 64)},
		{Name: "max_shift_px", Value: strconv.FormatFloat(c.opt.MaxShiftPx, 'g', -1, 64)},
		{Name: "frames", Value: strconv.Itoa(len(c.products))},
		{Name: "shift_px", Value: strconv.FormatFloat(c.shift[k], 'f', 4, 64)},
	}}
	w.set(fmt.Sprintf("STAGE%02d", len(old.Stages)+1), stage.text(), "")
	w.set("NSTAGES", len(old.Stages)+1, "number of stages, in the order of acting")
	return w.err
}

// recount corrects the figures that follow from the flags.
func (c *comparedRepeats) recount(figures []Figure, p *productFile) error {
	sensor, err := c.in.sensorFor(p.detector, p.heightPx, max(1, (c.in.Profile.Detectors[p.detector].Image.Width())/max(1, p.widthPx)))
	if err != nil {
		return err
	}
	good, pixels := map[string]int{}, map[string]int{}
	for i, f := range p.raster.Flags {
		names := [2]string{"good_fraction"}
		if m := sensor.Map; m != nil {
			if b := m.Row(i / p.widthPx)[i%p.widthPx]; b != calib.NoBand {
				names[1] = "good_fraction." + c.in.Profile.Bands[b].Name
			}
		}
		for _, name := range names {
			pixels[name]++
			if f == 0 {
				good[name]++
			}
		}
	}
	for i := range figures {
		switch name := figures[i].Name; {
		case name == "flagged.hit":
			figures[i].Value = float64(countHits(p.raster)) / float64(len(p.raster.Flags))
		case pixels[name] > 0:
			figures[i].Value = float64(good[name]) / float64(pixels[name])
		}
	}
	return nil
}

// remakeRepeats makes a product that was compared with other exposures again,
// from the products that its record lists.
func remakeRepeats(in *Instrument, record *Provenance, folders []string, workers int) ([]byte, error) {
	opt := RepeatOptions{Workers: workers, WithinS: math.Inf(1)}
	for _, s := range record.Stages {
		for _, v := range s.Settings {
			if s.Name != stageRepeats {
				continue
			}
			var err error
			switch v.Name {
			case "sigma":
				opt.Sigma, err = strconv.ParseFloat(v.Value, 64)
			case "max_shift_px":
				opt.MaxShiftPx, err = strconv.ParseFloat(v.Value, 64)
			}
			if err != nil {
				return nil, fmt.Errorf("stage %q of its record: %w", s.Name, err)
			}
		}
	}
	var set []*productFile
	own := -1
	for _, input := range record.Inputs {
		if input.Role != roleRepeat && input.Role != roleProduct {
			continue
		}
		path, err := findInput(input, folders)
		if err != nil {
			return nil, err
		}
		p, err := in.readProductHeader(path)
		if err != nil {
			return nil, err
		}
		if input.Role == roleProduct {
			own = len(set)
		}
		set = append(set, p)
	}
	if own < 0 {
		return nil, errors.New("its header does not list the product that it was made from")
	}
	c, err := in.compareRepeats(set, opt)
	if err != nil {
		return nil, err
	}
	w := fitsutil.CreateBuffer()
	if err := c.write(w, own); err != nil {
		return nil, err
	}
	if err := w.Commit(); err != nil {
		return nil, err
	}
	return w.Bytes(), nil
}
