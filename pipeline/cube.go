package pipeline

import (
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"go.uber.org/zap"

	"evenlight/calib"
	"evenlight/calib/align"
	"evenlight/calib/moving"
	"evenlight/fitsutil"
)

// CubeOptions says how calibrated frames become band cubes.
type CubeOptions struct {
	OutDir    string
	Overwrite bool
	Workers   int
	// Bands are those that a cube must have, in its order; empty: all of the
	// profile.
	Bands []string
	// WithinS is the time within which the frames of a filter-wheel set were
	// begun; 0: an hour.
	WithinS float64
	// Kernel resamples aligned bands.
	Kernel align.Kernel
	// KeepPlace leaves bands where they are, for a camera that is known to
	// have looked at one place; they are not aligned.
	KeepPlace bool
	// MaxShiftPx is the largest displacement between bands that is looked
	// for; 0: a quarter of the image's side.
	MaxShiftPx float64
	// MetrePerPx is the scale on the ground, for speeds; 0: not known.
	MetrePerPx float64
	Log        *zap.Logger
	Progress   func(done, total int, what string)
}

// CubeSummary tells what became of a run that made cubes.
type CubeSummary struct {
	Software string       `json:"software"`
	Version  string       `json:"version"`
	Cubes    []CubeReport `json:"cubes"`
	Failures []Failure    `json:"failures"`
}

// CubeReport is the summary of one band cube.
type CubeReport struct {
	Cube     string       `json:"cube"`
	Way      string       `json:"way"` // how the bands came together
	Unit     string       `json:"unit"`
	Width    int          `json:"width"`
	Height   int          `json:"height"`
	Bands    []BandOfCube `json:"bands"`
	Measured float64      `json:"measured_fraction"` // samples that were measured and not interpolated, of all
	// Disagreement is absent where all bands were exposed at once.
	Disagreement *Disagreement `json:"disagreement,omitempty"`
	Movers       []MoverReport `json:"movers,omitempty"`
	Warnings     []string      `json:"warnings"`
}

// BandOfCube is one band of a cube and how it came to its place.
type BandOfCube struct {
	Name      string   `json:"name"`
	Products  []string `json:"products"`
	Time      string   `json:"time"` // start of the exposure; of strips the first frame's
	OffsetS   float64  `json:"offset_s"`
	ExposureS float64  `json:"exposure_s"`
	// DX and DY are the displacement against the reference band that was
	// taken out, pixels, with standard uncertainties; the reference has 0.
	DX     float64 `json:"dx"`
	DY     float64 `json:"dy"`
	SigmaX float64 `json:"sigma_x"`
	SigmaY float64 `json:"sigma_y"`
	// LagX and LagY are the correlation of neighbouring pixels' errors.
	LagX float64 `json:"lag_x"`
	LagY float64 `json:"lag_y"`
	// NoiseGain is by how much the separation of layers raised the noise.
	NoiseGain float64 `json:"noise_gain,omitempty"`
	// ChiSquare is the reduced chi-square of overlapping frames of strips.
	ChiSquare *float64 `json:"chi_square,omitempty"`
	GapRows   int      `json:"gap_rows,omitempty"`
}

// Disagreement tells how far the bands disagree beyond their uncertainty.
type Disagreement struct {
	BeyondSigma float64 `json:"beyond_sigma"`
	Beyond      float64 `json:"beyond_fraction"` // of the pixels, beyond so many sigmas
	Expected    float64 `json:"expected_fraction"`
	RMSExcess   float64 `json:"rms_excess_sigma"`
	Scatter     float64 `json:"scatter"`
	Marked      int     `json:"marked_pixels"`
}

// MoverReport is something that moved between the bands.
type MoverReport struct {
	X            []float64 `json:"x"` // centre in each band, pixels from 1
	Y            []float64 `json:"y"`
	SigmaPx      float64   `json:"sigma_px"`
	SizePx       float64   `json:"size_px"`
	Contrast     float64   `json:"contrast"`
	Significance float64   `json:"significance_sigma"`
	Motion       string    `json:"motion"`
	VX           *float64  `json:"vx_px_per_s,omitempty"`
	VY           *float64  `json:"vy_px_per_s,omitempty"`
	Speed        *float64  `json:"speed_px_per_s,omitempty"`
	SpeedSigma   *float64  `json:"speed_sigma_px_per_s,omitempty"`
	GroundSpeed  *float64  `json:"speed_m_per_s,omitempty"`
	GroundSigma  *float64  `json:"speed_sigma_m_per_s,omitempty"`
}

// bandSet is a cube in the making.
type bandSet struct {
	stem     string
	way      string
	unit     string
	detector string
	mode     string
	target   string
	begin    time.Time
	end      time.Time
	sunAU    float64 // mean distance of the target to the Sun; NaN: not known
	bands    []BandOfCube
	rasters  []*calib.Raster
	products []*productFile
	stages   []StageRecord
	systems  []Term
	warnings []string
	// alignSigma is the uncertainty of the bands' places, pixels; NaN where
	// all bands were exposed at once and share their pixels.
	alignSigma float64
}

// Shares of the pixels from which a cube calls for a look.
const (
	mostFlagged  = 0.5
	disagreeHigh = 1e-3
)

// defaultWithinS is the time that the frames of a filter wheel's set may take.
const defaultWithinS = 3600

// BuildCubes makes band cubes of calibrated frames: which belong together, and
// how their bands come onto one grid, follows from the profile. A set that
// fails is reported and the others go on.
func BuildCubes(in *Instrument, files []string, opt CubeOptions) (*CubeSummary, error) {
	if err := in.CheckCubes(opt); err != nil {
		return nil, err
	}
	if opt.WithinS == 0 {
		opt.WithinS = defaultWithinS
	}
	if err := os.MkdirAll(opt.OutDir, 0o777); err != nil {
		return nil, fmt.Errorf("output folder: %w", err)
	}
	b := &cubeBuilder{in: in, opt: opt, profile: in.Profile.Canonical(),
		out: &CubeSummary{Software: Software, Version: Version, Cubes: []CubeReport{}, Failures: []Failure{}}}
	products := b.headers(files)
	sets := b.sets(products)
	taken := map[string]string{}
	for i, s := range sets {
		if other, ok := taken[s.stem]; ok {
			b.fail("cube of "+s.products[0].path, fmt.Errorf("it would take the same name as that of %s: make cubes of the two folders in separate output folders", other))
			continue
		}
		taken[s.stem] = s.products[0].path
		if opt.Progress != nil {
			opt.Progress(i, len(sets), "cube of "+s.stem)
		}
		b.one(s)
	}
	if opt.Progress != nil {
		opt.Progress(len(sets), len(sets), "cubes")
	}
	return b.out, nil
}

// CheckCubes tells what in the options no cube can be made with.
func (in *Instrument) CheckCubes(opt CubeOptions) error {
	for i, b := range opt.Bands {
		switch {
		case b == "" || in.band(b) == nil:
			return fmt.Errorf("the profile has no band %q; it has %s", b, strings.Join(in.bandNames(), ", "))
		case slices.Contains(opt.Bands[:i], b):
			return fmt.Errorf("band %s is asked for twice: name each band once", b)
		}
	}
	for _, o := range []struct {
		name  string
		value float64
	}{{"time within which a set was begun (--within)", opt.WithinS}, {"largest displacement (--max-shift)", opt.MaxShiftPx}, {"scale on the ground (--metre-per-pixel)", opt.MetrePerPx}} {
		if !(o.value >= 0) || math.IsInf(o.value, 1) {
			return fmt.Errorf("the %s is %g: name a number above 0, or leave it out", o.name, o.value)
		}
	}
	return nil
}

// bandNames lists the profile's bands.
func (in *Instrument) bandNames() []string {
	var out []string
	for _, b := range in.Profile.Bands {
		out = append(out, b.Name)
	}
	return out
}

type cubeBuilder struct {
	in      *Instrument
	opt     CubeOptions
	profile []byte
	out     *CubeSummary
}

// source is a set of products that make one cube, and the way to do it.
type source struct {
	stem     string
	products []*productFile
	make     func(*source) (*bandSet, error)
}

func (b *cubeBuilder) fail(what string, err error) {
	b.out.Failures = append(b.out.Failures, Failure{what, err.Error()})
	b.opt.Log.Error(EventCubeFailed, zap.String("what", what), zap.Error(err))
}

// headers reads the headers of all products.
func (b *cubeBuilder) headers(files []string) []*productFile {
	found, errs := make([]*productFile, len(files)), make([]error, len(files))
	_ = parallel(b.opt.Workers, len(files), func(_, i int) error {
		found[i], errs[i] = b.in.readProductHeader(files[i])
		return nil
	})
	var out []*productFile
	for i, p := range found {
		if errs[i] != nil {
			b.fail(files[i], errs[i])
			continue
		}
		out = append(out, p)
	}
	slices.SortStableFunc(out, func(x, y *productFile) int {
		if c := x.time.Compare(y.time); c != 0 {
			return c
		}
		return strings.Compare(x.path, y.path)
	})
	return out
}

// load reads the pixels of all products of a source.
func (b *cubeBuilder) load(s *source) error {
	for i, p := range s.products {
		whole, err := b.in.readProduct(p.path, b.opt.Workers)
		if err != nil {
			return err
		}
		if err := b.rectify(whole); err != nil {
			return fmt.Errorf("%s: %w", p.path, err)
		}
		s.products[i] = whole
	}
	return nil
}

// one makes and writes one cube.
func (b *cubeBuilder) one(s *source) {
	set, err := s.make(s)
	if err == nil {
		err = b.finish(set)
	}
	if err != nil {
		b.fail("cube of "+s.stem, err)
	}
	for _, p := range s.products {
		p.raster = nil
	}
}

// finish compares the bands, writes the cube and reports it.
func (b *cubeBuilder) finish(set *bandSet) error {
	path := filepath.Join(b.opt.OutDir, set.stem+cubeEnding)
	w, err := fitsutil.Create(path, fitsutil.CreateOptions{Overwrite: b.opt.Overwrite})
	if err != nil {
		return err
	}
	defer w.Abort()
	r, err := b.write(w, set)
	if err != nil {
		return err
	}
	if err := w.Commit(); err != nil {
		return err
	}
	r.Cube = path
	b.out.Cubes = append(b.out.Cubes, *r)
	b.opt.Log.Info(EventCubeDone, zap.String("cube", r.Cube), zap.Int("bands", len(r.Bands)), zap.Int("movers", len(r.Movers)))
	for _, w := range r.Warnings {
		b.opt.Log.Warn(EventCubeWarning, zap.String("cube", r.Cube), zap.String("warning", w))
	}
	return nil
}

// measuredFraction is the share of samples that were measured where they are.
func measuredFraction(rasters []*calib.Raster) float64 {
	measured, all := 0, 0
	for _, r := range rasters {
		all += len(r.Flags)
		for _, f := range r.Flags {
			if f&(calib.Interpolated|calib.Filled|calib.Missing) == 0 {
				measured++
			}
		}
	}
	return float64(measured) / float64(all)
}

// flagFraction is the share of pixels with a flag.
func flagFraction(r *calib.Raster, flag calib.Flags) float64 {
	n := 0
	for _, f := range r.Flags {
		if f&flag != 0 {
			n++
		}
	}
	return float64(n) / float64(len(r.Flags))
}

// compare measures how far bands that were exposed one after another disagree,
// finds what moved, and marks it.
func (b *cubeBuilder) compare(set *bandSet, r *CubeReport) (*moving.Disagreement, []moving.Mover, error) {
	if math.IsNaN(set.alignSigma) || len(set.rasters) < 2 {
		return nil, nil, nil
	}
	opt := moving.Options{AlignSigmaPx: max(set.alignSigma, leastAlignSigma), MetrePerPx: b.opt.MetrePerPx}
	bands := without(set.rasters, wholeFrame)
	d, err := moving.Compare(bands, opt, b.opt.Workers)
	if errors.Is(err, moving.ErrNoOverlap) {
		return nil, nil, fmt.Errorf("%w: the bands see no common ground, so no cube is made", err)
	}
	if err != nil {
		return nil, nil, err
	}
	var times []float64
	for _, band := range set.bands {
		times = append(times, band.OffsetS)
	}
	movers, err := moving.Find(bands, times, opt, b.opt.Workers)
	if err != nil {
		return nil, nil, err
	}
	marked, err := moving.Mark(set.rasters, nil, movers, opt)
	if err != nil {
		return nil, nil, err
	}
	r.Disagreement = &Disagreement{BeyondSigma: d.BeyondSigma, Beyond: d.Beyond, Expected: d.Expected, RMSExcess: d.RMSExcess, Scatter: d.Scatter, Marked: marked}
	for _, m := range movers {
		r.Movers = append(r.Movers, moverReport(m, b.opt.MetrePerPx > 0))
	}
	if n := len(movers); n > 0 {
		r.Warnings = append(r.Warnings, fmt.Sprintf("%s moved between the bands: the colour of the %d pixels flagged moved is not the target's", plural(n, "thing"), marked))
	}
	return d, movers, nil
}

// wholeFrame holds flags that all pixels of a frame may carry: they tell the
// user to beware, and do not keep the bands from being compared.
const wholeFrame = calib.LineSmear | calib.ResidualUnsure | calib.OffsetUnsure | calib.SmearUnsure

// without returns the rasters without some flags; values are shared.
func without(rasters []*calib.Raster, flags calib.Flags) []*calib.Raster {
	out := make([]*calib.Raster, len(rasters))
	for i, r := range rasters {
		out[i] = r
		if !slices.ContainsFunc(r.Flags, func(f calib.Flags) bool { return f&flags != 0 }) {
			continue
		}
		own := *r
		own.Flags = slices.Clone(r.Flags)
		for p := range own.Flags {
			own.Flags[p] &^= flags
		}
		out[i] = &own
	}
	return out
}

// leastAlignSigma keeps the comparison from trusting an alignment beyond what
// resampling and optics that differ from band to band allow, pixels.
const leastAlignSigma = 0.03

func moverReport(m moving.Mover, scale bool) MoverReport {
	r := MoverReport{SizePx: m.SizePx, Contrast: m.Contrast, Significance: m.Significance, Motion: m.Motion.String()}
	for _, p := range m.Positions {
		r.X, r.Y = append(r.X, p.X+1), append(r.Y, p.Y+1)
		r.SigmaPx = max(r.SigmaPx, p.SigmaX, p.SigmaY)
	}
	if v := m.Velocity; v != nil {
		r.VX, r.VY, r.Speed, r.SpeedSigma = finite(v.VX), finite(v.VY), finite(v.Speed), finite(v.SpeedSigma)
		if scale {
			r.GroundSpeed, r.GroundSigma = finite(v.GroundSpeed), finite(v.GroundSpeedSigma)
		}
	}
	return r
}

// wanted lists the bands that a cube must have.
func (b *cubeBuilder) wanted() []string {
	if len(b.opt.Bands) > 0 {
		return b.opt.Bands
	}
	return b.in.bandNames()
}

// newSet starts a cube from its products.
func newSet(s *source, way string) *bandSet {
	first, last := s.products[0], s.products[len(s.products)-1]
	set := &bandSet{stem: s.stem, way: way, unit: first.unit, detector: first.record.Detector, mode: first.record.Mode,
		target: first.target, begin: first.time, end: last.time, products: s.products, alignSigma: math.NaN()}
	set.sunAU = 0
	for _, p := range s.products {
		if p.geometry != nil {
			set.stages = append(set.stages, p.geometry.record(p.name()))
		}
		set.sunAU += p.sunAU / float64(len(s.products))
		set.addSystematic(p.record.Systematic)
		if p.record.Detector != set.detector {
			set.detector = ""
		}
	}
	return set
}

// addSystematic keeps the largest uncertainty of each kind.
func (s *bandSet) addSystematic(terms []Term) {
	for _, t := range terms {
		i := slices.IndexFunc(s.systems, func(o Term) bool { return o.Name == t.Name })
		if i < 0 {
			s.systems = append(s.systems, t)
			continue
		}
		s.systems[i].Relative = max(s.systems[i].Relative, t.Relative)
	}
}

// bandOf describes a band that a product shows.
func (p *productFile) bandOf(name string, begin time.Time) BandOfCube {
	return BandOfCube{Name: name, Products: []string{p.name()}, Time: p.time.UTC().Format(timeForm), OffsetS: p.time.Sub(begin).Seconds(),
		ExposureS: p.exposureS, LagX: p.lagX, LagY: p.lagY}
}

// stem is the name that a cube of a product is built on.
func (p *productFile) stem() string {
	return strings.TrimSuffix(strings.TrimSuffix(p.name(), ".fits"), "-calibrated")
}

// cubeEnding follows the stem of a cube's name.
const cubeEnding = "-cube.fits"

// Extensions of a cube besides those of a product.
const (
	extDisagree = "DISAGREEMENT"
	extBands    = "BANDS"
	extMovers   = "MOVERS"
)

// write compares a set's bands and writes the cube to w, which it does not
// commit.
func (b *cubeBuilder) write(w *fitsutil.Writer, set *bandSet) (*CubeReport, error) {
	r := &CubeReport{Way: set.way, Unit: set.unit, Width: set.rasters[0].Width, Height: set.rasters[0].Height, Bands: set.bands, Warnings: []string{}}
	d, movers, err := b.compare(set, r)
	if err != nil {
		return nil, err
	}
	r.Measured = measuredFraction(set.rasters)
	if f := flagFraction(set.rasters[0], calib.MixUnsure); set.way == wayStack && f > unsureHigh {
		r.Warnings = append(r.Warnings, fmt.Sprintf("%.1f %% of the pixels are too dark or too bright for their layers to be separated", 100*f))
	}
	for _, f := range calib.FlagTable() {
		if flag := calib.Flags(1 << f.Bit); flag&wholeFrame != 0 && flagFraction(set.rasters[0], flag) > mostFlagged {
			r.Warnings = append(r.Warnings, fmt.Sprintf("most pixels are flagged %s: %s", f.Name, f.Meaning))
		}
	}
	if d != nil && d.Excess > disagreeHigh {
		r.Warnings = append(r.Warnings, fmt.Sprintf("the bands disagree beyond %g sigma in %.2f %% of the pixels: something moved, or sharp edges of colour or a poor alignment are the cause; see %s", d.BeyondSigma, 100*d.Beyond, extDisagree))
	}
	r.Warnings = append(r.Warnings, set.warnings...)
	return r, b.writeParts(w, set, d, movers)
}

// writeParts writes the HDUs of a cube.
func (b *cubeBuilder) writeParts(w *fitsutil.Writer, set *bandSet, d *moving.Disagreement, movers []moving.Mover) error {
	width, height := set.rasters[0].Width, set.rasters[0].Height
	if err := b.cubeHeader(w, set); err != nil {
		return err
	}
	if err := writePlanes(w, set, b.opt.Workers); err != nil {
		return err
	}
	if d != nil {
		h, err := imageHeader(extDisagree, "", "How far the bands disagree beyond their uncertainty, in standard deviations.")
		if err != nil {
			return err
		}
		iw, err := w.AddImage(h, -32, width, height)
		if err != nil {
			return err
		}
		if err := writeFloats(iw, 0, width, height, d.Map.Value, b.opt.Workers); err != nil {
			return err
		}
	}
	for _, t := range b.in.cubeTables(set, movers) {
		th, err := tableHeader(t.name, t.comment)
		if err != nil {
			return err
		}
		if err := w.AddTable(th, &fitsutil.Table{Columns: t.columns}); err != nil {
			return err
		}
	}
	return addProfile(w, b.profile)
}

// cubeHeader writes the primary header: what the cube is and how it was made.
func (b *cubeBuilder) cubeHeader(w *fitsutil.Writer, set *bandSet) error {
	h := fitsutil.NewHeader()
	cw := cardWriter{h: h}
	record := &Provenance{Software: Software, Version: Version, What: whatCube, Instrument: b.in.Profile.Instrument,
		Detector: set.detector, Mode: set.mode, ProfileHash: b.in.Hash, Stages: set.stages, Systematic: set.systems}
	if record.Detector == "" {
		record.Detector = "several"
	}
	for _, p := range set.products {
		record.Inputs = append(record.Inputs, Input{roleProduct, p.name(), p.sha})
	}
	cw.set("PRODUCT", whatCube, "what this file is")
	cw.set("INSTRUME", record.Instrument, "instrument")
	cw.set("DETECTOR", record.Detector, "detector")
	if set.mode != "" {
		cw.set("READMODE", set.mode, "readout mode")
	}
	if set.target != "" {
		cw.set("OBJECT", set.target, "what was looked at")
	}
	cw.set("DATE-BEG", set.begin.UTC().Format(timeForm), "start of the first exposure, UTC")
	cw.set("DATE-END", set.end.UTC().Format(timeForm), "start of the last exposure, UTC")
	if !math.IsNaN(set.sunAU) {
		cw.set("SUNDIST", set.sunAU, "[au] mean distance of the target to the Sun")
	}
	cw.set("CUBEWAY", set.way, "how the bands came together")
	cw.set("NBANDS", len(set.bands), "number of bands")
	for i, band := range set.bands {
		cw.set(fmt.Sprintf("BAND%02d", i+1), band.Name, "plane "+fmt.Sprint(i+1))
	}
	if cw.err != nil {
		return cw.err
	}
	if err := record.writeTo(h); err != nil {
		return err
	}
	_, err := w.AddImage(h, 8)
	return err
}

// writePlanes writes values, uncertainties and flags of all bands.
func writePlanes(w *fitsutil.Writer, set *bandSet, workers int) error {
	width, height := set.rasters[0].Width, set.rasters[0].Height
	for _, e := range []struct {
		name, unit, comment string
		bitpix              int
		put                 func(dst []byte, r *calib.Raster, from, to int)
	}{
		{extValue, set.unit, "Value of each band, one plane a band; NaN where there is none.", -32, func(dst []byte, r *calib.Raster, from, to int) {
			fitsutil.EncodeFloat32(dst, r.Value[from:to])
		}},
		{extUncertainty, set.unit, "Random standard uncertainty (1 sigma); neighbours of resampled bands are correlated, see BANDS.", -32, func(dst []byte, r *calib.Raster, from, to int) {
			encodeRoots(dst, r.Variance[from:to])
		}},
		{extFlags, "", "", 32, func(dst []byte, r *calib.Raster, from, to int) { encodeFlags(dst, r.Flags[from:to]) }},
	} {
		h, err := imageHeader(e.name, e.unit, e.comment)
		if err != nil {
			return err
		}
		if e.name == extFlags {
			if err := describeFlags(h); err != nil {
				return err
			}
		}
		iw, err := w.AddImage(h, e.bitpix, width, height, len(set.rasters))
		if err != nil {
			return err
		}
		blocks := (height + bandRows - 1) / bandRows
		bufs := make([][]byte, max(1, workers))
		err = parallel(workers, blocks*len(set.rasters), func(worker, job int) error {
			plane, y0 := job/blocks, job%blocks*bandRows
			n := min(bandRows, height-y0)
			bufs[worker] = grow(bufs[worker], 4*n*width)
			e.put(bufs[worker], set.rasters[plane], y0*width, (y0+n)*width)
			return iw.WriteRows(plane, y0, n, bufs[worker])
		})
		if err != nil {
			return err
		}
	}
	return nil
}

// encodeRoots writes standard uncertainties of variances.
func encodeRoots(dst []byte, variance []float32) {
	var row [512]float32
	for i := 0; i < len(variance); i += len(row) {
		part := variance[i:min(i+len(row), len(variance))]
		for x, v := range part {
			row[x] = float32(math.Sqrt(float64(v)))
		}
		fitsutil.EncodeFloat32(dst[4*i:4*(i+len(part))], row[:len(part)])
	}
}

func writeFloats(iw *fitsutil.ImageWriter, plane, width, height int, v []float32, workers int) error {
	return parallel(workers, (height+bandRows-1)/bandRows, func(_, band int) error {
		y0, n := band*bandRows, min(bandRows, height-band*bandRows)
		buf := make([]byte, 4*n*width)
		fitsutil.EncodeFloat32(buf, v[y0*width:(y0+n)*width])
		return iw.WriteRows(plane, y0, n, buf)
	})
}

// cubeTables lists the bands and what moved between them.
func (in *Instrument) cubeTables(set *bandSet, movers []moving.Mover) []table {
	n := len(set.bands)
	names, files, times := make([]string, n), make([]string, n), make([]string, n)
	columns := map[string][]float64{}
	order := []string{"WAVELENGTH", "OFFSET", "EXPOSURE", "DX", "DY", "U_DX", "U_DY", "LAG_X", "LAG_Y"}
	units := map[string]string{"WAVELENGTH": "nm", "OFFSET": "s", "EXPOSURE": "s", "DX": "pixel", "DY": "pixel", "U_DX": "pixel", "U_DY": "pixel"}
	for i, b := range set.bands {
		names[i], times[i] = b.Name, b.Time
		files[i] = b.Products[0]
		if len(b.Products) > 1 {
			files[i] = fmt.Sprintf("%d products", len(b.Products))
		}
		for name, v := range map[string]float64{"OFFSET": b.OffsetS, "EXPOSURE": b.ExposureS, "DX": b.DX, "DY": b.DY,
			"U_DX": b.SigmaX, "U_DY": b.SigmaY, "LAG_X": b.LagX, "LAG_Y": b.LagY, "WAVELENGTH": in.wavelength(b.Name)} {
			columns[name] = append(columns[name], v)
		}
	}
	t := table{name: extBands, comment: "The planes of the cube; DX and DY were taken out.",
		columns: []fitsutil.Column{{Name: "BAND", Data: names}, {Name: "PRODUCT", Data: files}, {Name: "TIME", Data: times}}}
	for _, name := range order {
		t.columns = append(t.columns, fitsutil.Column{Name: name, Unit: units[name], Data: columns[name]})
	}
	if len(movers) == 0 {
		return []table{t}
	}
	return []table{t, moverTable(set, movers)}
}

// wavelength is a band's wavelength, nm; NaN where the profile tells none.
func (in *Instrument) wavelength(band string) float64 {
	if b := in.band(band); b != nil && b.WavelengthNM > 0 {
		return b.WavelengthNM
	}
	return math.NaN()
}

// moverTable has a row for each mover and band.
func moverTable(set *bandSet, movers []moving.Mover) table {
	var number []int32
	var bands, motion []string
	columns := make([][]float64, 9)
	for i, m := range movers {
		for b, p := range m.Positions {
			number, bands, motion = append(number, int32(i+1)), append(bands, set.bands[b].Name), append(motion, m.Motion.String())
			row := []float64{p.X + 1, p.Y + 1, p.SigmaX, p.SigmaY, m.SizePx, m.BandContrast[b], m.Significance, math.NaN(), math.NaN()}
			if v := m.Velocity; v != nil {
				row[7], row[8] = v.Speed, v.SpeedSigma
			}
			for c, v := range row {
				columns[c] = append(columns[c], v)
			}
		}
	}
	t := table{name: extMovers, comment: "What moved between the bands; centres in pixels from 1.",
		columns: []fitsutil.Column{{Name: "MOVER", Data: number}, {Name: "BAND", Data: bands}}}
	for c, name := range []string{"X", "Y", "U_X", "U_Y", "SIZE", "CONTRAST", "SIGNIFICANCE", "SPEED", "U_SPEED"} {
		unit := "pixel"
		switch c {
		case 5, 6:
			unit = ""
		case 7, 8:
			unit = "pixel s-1"
		}
		t.columns = append(t.columns, fitsutil.Column{Name: name, Unit: unit, Data: columns[c]})
	}
	t.columns = append(t.columns, fitsutil.Column{Name: "MOTION", Data: motion})
	return t
}

// plural counts things.
func plural(n int, thing string) string {
	if n != 1 {
		thing += "s"
	}
	return fmt.Sprintf("%d %s", n, thing)
}

// Text writes the summary for people.
func (s *CubeSummary) Text() string {
	var b strings.Builder
	fmt.Fprintf(&b, "%s made, %s\n", plural(len(s.Cubes), "cube"), plural(len(s.Failures), "failure"))
	for _, c := range s.Cubes {
		fmt.Fprintf(&b, "\n%s: %s, %d x %d pixels, %.1f %% of the samples not interpolated\n", filepath.Base(c.Cube), c.Way, c.Width, c.Height, 100*c.Measured)
		for _, band := range c.Bands {
			fmt.Fprintf(&b, "  %-10s +%8.2f s", band.Name, band.OffsetS)
			switch {
			case c.Way != wayWheel && c.Way != wayLines:
			case band.SigmaX == 0 && band.SigmaY == 0:
				fmt.Fprint(&b, "  stays in its place")
			default:
				fmt.Fprintf(&b, "  shift %8.3f ± %.3f, %8.3f ± %.3f pixels", band.DX, band.SigmaX, band.DY, band.SigmaY)
			}
			if band.NoiseGain > 0 {
				fmt.Fprintf(&b, "  noise x %.2f", band.NoiseGain)
			}
			if band.ChiSquare != nil {
				fmt.Fprintf(&b, "  chi-square of overlaps %.3f, %d gap rows", *band.ChiSquare, band.GapRows)
			}
			fmt.Fprintln(&b)
		}
		if d := c.Disagreement; d != nil {
			fmt.Fprintf(&b, "  bands disagree beyond %g sigma in %.4f %% of the pixels (noise: %.4f %%), rms excess %.2f sigma\n", d.BeyondSigma, 100*d.Beyond, 100*d.Expected, d.RMSExcess)
		}
		for i, m := range c.Movers {
			fmt.Fprintf(&b, "  mover %d: %s motion, size %.1f pixels, contrast %+.3f, %.0f sigma;", i+1, m.Motion, m.SizePx, m.Contrast, m.Significance)
			for k := range m.X {
				fmt.Fprintf(&b, " (%.2f, %.2f)", m.X[k], m.Y[k])
			}
			if m.Speed != nil {
				fmt.Fprintf(&b, ", %.4g ± %.2g pixels/s", *m.Speed, *m.SpeedSigma)
			}
			if m.GroundSpeed != nil {
				fmt.Fprintf(&b, ", %.4g ± %.2g m/s", *m.GroundSpeed, *m.GroundSigma)
			}
			fmt.Fprintln(&b)
		}
		for _, w := range c.Warnings {
			fmt.Fprintf(&b, "  warning: %s\n", w)
		}
	}
	for _, f := range s.Failures {
		fmt.Fprintf(&b, "failed: %s: %s\n", f.Raw, f.Reason)
	}
	return b.String()
}
