package pipeline

import (
	"fmt"
	"math"
	"os"
	"path/filepath"
	"slices"
	"time"

	"evenlight/calib"
	"evenlight/configs"
	"evenlight/fitsutil"
)

// bandRows is the number of image rows that one job takes through the stages
// and writes. It is fixed, so results do not depend on the number of workers.
const bandRows = 64

// worker is the working memory of one goroutine. It is kept from frame to
// frame.
type worker struct {
	scratch             calib.Scratch
	rows                rawRows
	after               after
	value, unc, quality []byte
	tally               tally
}

// calibrator turns scene frames into products.
type calibrator struct {
	in      *Instrument
	lib     *Library
	cache   *masterCache
	workers []*worker
	buf     []byte // the raw file
	profile []byte
	// sequence is of the run's frames, where one may keep something of the
	// one before; else nil.
	sequence *sequence
	openRaw  func(path string) (*os.File, error)
}

func newCalibrator(in *Instrument, lib *Library, cache *masterCache, workers int) *calibrator {
	c := &calibrator{in: in, lib: lib, cache: cache, profile: in.Profile.Canonical(), openRaw: os.Open}
	for range max(1, workers) {
		c.workers = append(c.workers, &worker{})
	}
	return c
}

// open reads a raw file whole, in one pass for content and hash, and finds
// its frames. The frames are valid until the next call.
func (c *calibrator) open(path string) ([]*Frame, []error) {
	_, frames, errs := c.openHashed(path)
	return frames, errs
}

// openHashed is open that also returns the hash of the content, as far as the
// file could be read at all.
func (c *calibrator) openHashed(path string) (sha string, frames []*Frame, errs []error) {
	data, sha, err := c.read(path, c.buf)
	if err != nil {
		return "", nil, []error{&FrameError{Path: path, Err: err}}
	}
	c.buf = data
	file, err := openWhole(path, data)
	if err != nil {
		return sha, nil, []error{&FrameError{Path: path, Err: err}}
	}
	frames, errs = c.in.framesIn(path, sha, file)
	return sha, frames, errs
}

// read reads a raw file whole.
func (c *calibrator) read(path string, buf []byte) (data []byte, sha string, err error) {
	file, err := c.openRaw(path)
	if err != nil {
		return nil, "", err
	}
	defer file.Close()
	return fitsutil.ReadOpen(file, buf, maxRawBytes)
}

// openWhole opens a file that lies in memory and verifies the checksums that
// it carries.
func openWhole(path string, data []byte) (*fitsutil.File, error) {
	file, err := fitsutil.OpenBytes(path, data, maxRawBytes)
	if err != nil {
		return nil, err
	}
	if _, err := file.VerifyChecksums(); err != nil {
		return nil, err
	}
	return file, nil
}

// openOwn opens a file that this software wrote, all of whose HDUs carry
// checksums: a damaged header may hide one, but not that it is missing.
func openOwn(path string, data []byte) (*fitsutil.File, error) {
	file, err := fitsutil.OpenBytes(path, data, maxRawBytes)
	if err != nil {
		return nil, err
	}
	if err := file.RequireChecksums(); err != nil {
		return nil, err
	}
	return file, nil
}

// start finds the masters that a frame needs up to a stage and measures its
// offsets.
func (c *calibrator) start(f *Frame, through string) (*plan, error) {
	masters, err := c.in.selectMasters(f, through, c.lib, c.cache)
	if err != nil {
		return nil, err
	}
	offset := c.in.stageOn(configs.StageOffset, f.Detector)
	traces, err := measureOffsets(f.sensor, &rawRows{f: f}, offset)
	if err != nil {
		return nil, err
	}
	return c.in.newPlan(f, traces, masters), nil
}

// prepare assembles a frame's stages.
func (c *calibrator) prepare(f *Frame) (*plan, *calib.Chain, error) {
	p, err := c.start(f, configs.StageBadPixels)
	if err != nil {
		return nil, nil, err
	}
	c.residual(p, residualDepth)
	if c.in.stageOn(configs.StageSmear, f.Detector) {
		before, err := p.local(configs.StageResidual)
		if err != nil {
			return nil, nil, err
		}
		if err := p.solveSmear(&rawRows{f: f}, before, len(c.workers)); err != nil {
			return nil, nil, err
		}
	}
	chain, err := p.chain()
	return p, chain, err
}

// calibrate makes the product of one frame in a writer that it does not
// commit, and lists what it was made from.
func (c *calibrator) calibrate(f *Frame, w *fitsutil.Writer) (*FrameReport, []Input, error) {
	p, chain, err := c.prepare(f)
	if err != nil {
		return nil, nil, err
	}
	passes, err := p.passes()
	if err != nil {
		return nil, nil, err
	}
	record := p.provenance(chain, passes)
	out, err := c.startProduct(w, p, record)
	if err != nil {
		return nil, nil, err
	}
	if err := c.run(f, chain, passes, out); err != nil {
		return nil, nil, err
	}
	report := c.report(p, chain)
	return report, record.Inputs, addFigures(w, report)
}

// run takes the frame through its stages and passes, rows split over the
// workers.
func (c *calibrator) run(f *Frame, chain *calib.Chain, passes []calib.Pass, out *product) error {
	im := chain.Sensor.Image
	rows := bandRows
	if len(passes) > 0 {
		rows = blockRows
	}
	for _, w := range c.workers {
		w.rows.f = f
		w.tally.reset(chain.Sensor)
		w.after.start(passes, im)
		w.value = grow(w.value, 4*rows*im.Width())
		w.unc = grow(w.unc, 4*rows*im.Width())
		w.quality = grow(w.quality, 4*rows*im.Width())
	}
	jobs := (im.Height() + rows - 1) / rows
	return parallel(len(c.workers), jobs, func(i, job int) error {
		w := c.workers[i]
		y0 := job * rows
		y1 := min(y0+rows, im.Height())
		run := w.runChain
		if len(passes) > 0 {
			run = w.runWithPasses
		}
		if err := run(chain, y0, y1); err != nil {
			return err
		}
		return out.write(w, y0, y1-y0, im.Width())
	})
}

// runChain makes rows y0 <= y < y1 of a product without passes.
func (w *worker) runChain(chain *calib.Chain, y0, y1 int) error {
	return chain.Run(&w.rows, y0, y1, &w.scratch, func(r *calib.Row) error {
		w.encode(r, r.Y-y0)
		return nil
	})
}

func grow(b []byte, n int) []byte {
	if cap(b) < n {
		return make([]byte, n)
	}
	return b[:n]
}

// encode writes row number i of the band as the product holds it: value and
// standard uncertainty as IEEE single, flags as 32-bit integer. The
// uncertainty takes the place of the variance in the row.
func (w *worker) encode(r *calib.Row, i int) {
	n := len(r.V)
	u := r.Var[:n]
	for x, v := range u {
		u[x] = float32(math.Sqrt(float64(v)))
	}
	w.tally.add(r)
	fitsutil.EncodeFloat32(w.value[4*n*i:4*n*(i+1)], r.V)
	fitsutil.EncodeFloat32(w.unc[4*n*i:4*n*(i+1)], u)
	encodeFlags(w.quality[4*n*i:4*n*(i+1)], r.Flags)
}

// product is the file that a frame's result goes to.
type product struct {
	value, unc, quality *fitsutil.ImageWriter
}

func (p *product) write(w *worker, y0, n, width int) error {
	if err := p.value.WriteRows(0, y0, n, w.value[:4*width*n]); err != nil {
		return err
	}
	if err := p.unc.WriteRows(0, y0, n, w.unc[:4*width*n]); err != nil {
		return err
	}
	return p.quality.WriteRows(0, y0, n, w.quality[:4*width*n])
}

// Extension names of a product.
const (
	extValue       = "VALUE"
	extUncertainty = "UNCERTAINTY"
	extFlags       = "FLAGS"
	extRaw         = "RAWHEAD"
)

// startProduct lays out a product: primary header with the provenance, the
// three planes, the camera's own header and the profile.
func (c *calibrator) startProduct(w *fitsutil.Writer, p *plan, record *Provenance) (*product, error) {
	h := fitsutil.NewHeader()
	if err := p.frame.describe(h, c.in, record); err != nil {
		return nil, err
	}
	if err := p.describeCommon(h); err != nil {
		return nil, err
	}
	if _, err := w.AddImage(h, 8); err != nil {
		return nil, err
	}
	unit, err := p.unit()
	if err != nil {
		return nil, err
	}
	im := p.sensor.Image
	out := &product{}
	for _, e := range []struct {
		to      **fitsutil.ImageWriter
		name    string
		unit    string
		bitpix  int
		comment string
	}{
		{&out.value, extValue, unit, -32, "Calibrated value; NaN where there is none."},
		{&out.unc, extUncertainty, unit, -32, "Random standard uncertainty (1 sigma); NaN where VALUE is none or a bound."},
		{&out.quality, extFlags, "", 32, ""},
	} {
		eh, err := imageHeader(e.name, e.unit, e.comment)
		if err != nil {
			return nil, err
		}
		if e.name == extFlags {
			if err := describeFlags(eh); err != nil {
				return nil, err
			}
		}
		if *e.to, err = w.AddImage(eh, e.bitpix, im.Width(), im.Height()); err != nil {
			return nil, err
		}
	}
	if err := addRawHeader(w, p.frame.header); err != nil {
		return nil, err
	}
	return out, addProfile(w, c.profile)
}

// describe writes what a product is to its primary header.
func (f *Frame) describe(h *fitsutil.Header, in *Instrument, record *Provenance) error {
	d := &in.Profile.Detectors[f.Detector]
	w := cardWriter{h: h}
	w.set("PRODUCT", record.What, "what this file is")
	w.set("INSTRUME", in.Profile.Instrument, "instrument")
	w.set("DETECTOR", d.Name, "detector")
	for _, c := range []struct{ key, value, comment string }{
		{"READMODE", f.Info.Mode, "readout mode"},
		{"BAND", record.Band, "spectral band"},
		{"OBJECT", f.Info.Target, "what was looked at"},
	} {
		if c.value != "" {
			w.set(c.key, c.value, c.comment)
		}
	}
	w.set("DATE-BEG", f.Info.Time.UTC().Format(timeForm), "start of the exposure, UTC")
	w.set("XPOSURE", f.Info.ExposureS, "[s] exposure time")
	if f.Info.WaitS != 0 {
		w.set("WAITTIME", f.Info.WaitS, "[s] time after it that dark charge was collected")
	}
	if !math.IsNaN(f.Info.TempK) {
		w.set("DETTEMP", f.Info.TempK, "[K] detector temperature")
	}
	if !math.IsNaN(f.Info.SunDistanceAU) {
		w.set("SUNDIST", f.Info.SunDistanceAU, "[au] distance of the target to the Sun")
	}
	if f.Info.LineTimeS > 0 {
		w.set("LINETIME", f.Info.LineTimeS, "[s] time from line to line")
		w.set("CHSTEPS", f.Info.ChargeStages, "lines that the charge was stepped through")
		w.set("BINNING", f.Info.Binning, "pixels that were added up on the chip, each way")
	}
	if r := d.Rolling; r != nil {
		w.set("ROWTIME", r.RowS, "[s] from row to row")
		w.set("ROWKIND", r.Kind, "rows begin (shutter) or end (reset) in turn")
		w.set("ROWFIRST", r.First, "raw row that comes first")
	}
	if f.Planes > 1 {
		w.set("PLANE", f.Plane+1, "plane of the cube, from 1")
	}
	im := f.sensor.Image
	w.set("TRIMCOL1", im.X0+1, "raw column of the first column here, from 1")
	w.set("TRIMROW1", im.Y0+1, "raw row of the first row here, from 1")
	if w.err != nil {
		return w.err
	}
	return record.writeTo(h)
}

// addRawHeader keeps the camera's own cards, in their order and with their
// comments, in an extension without data.
func addRawHeader(w *fitsutil.Writer, raw *fitsutil.Header) error {
	h := raw.Clone()
	for _, key := range []string{"EXTNAME", "EXTVER", "EXTLEVEL", "BZERO", "BSCALE", "BLANK", "BUNIT", "INHERIT", "CHECKSUM", "DATASUM"} {
		h.Delete(key)
	}
	cw := cardWriter{h: h}
	cw.set("EXTNAME", extRaw, "header of the raw frame, as the camera wrote it")
	cw.set("BUNIT", "", "no data here")
	if cw.err != nil {
		return cw.err
	}
	_, err := w.AddImage(h, 8)
	return err
}

// provenance tells how the product is made.
func (p *plan) provenance(chain *calib.Chain, passes []calib.Pass) *Provenance {
	d := &p.in.Profile.Detectors[p.frame.Detector]
	r := &Provenance{
		Software: Software, Version: Version, What: whatFrame,
		Instrument: p.in.Profile.Instrument, Detector: d.Name, Mode: p.frame.Info.Mode, Band: p.frame.Info.Band,
		ProfileHash: p.in.Hash, Stages: append(records(chain.Stages()), records(passes)...), Systematic: p.systematic(),
		Inputs: []Input{{roleRaw, p.frame.Name(), p.frame.SHA256}},
	}
	if p.frame.Planes > 1 {
		r.Plane = p.frame.Plane + 1
	}
	inputs := p.before
	for _, m := range p.masters.list() {
		inputs = append(inputs, m.input())
	}
	for _, i := range inputs {
		if !slices.Contains(r.Inputs, i) { // masters that served several frames
			r.Inputs = append(r.Inputs, i)
		}
	}
	return r
}

// input names a master as an input.
func (l *loaded) input() Input { return Input{l.Kind, l.Name(), l.SHA256} }

// Outcome is what became of one raw frame.
type Outcome struct {
	Raw     string
	Product string       // path, where one was written
	Report  *FrameReport // nil for frames that are not scenes
	Kind    string       // kind of frame, where it is known
	Err     error
	Took    time.Duration
}

// calibrateFile makes the products of all scene frames in one raw file. twin
// names another file of the run whose products would have the same names, in
// which case neither has any.
func (c *calibrator) calibrateFile(path, outDir string, overwrite bool, twin string) []Outcome {
	start := time.Now()
	frames, errs := c.open(path)
	var out []Outcome
	for _, err := range errs {
		out = append(out, Outcome{Raw: path, Err: err})
	}
	for _, f := range frames {
		o := Outcome{Raw: path, Kind: f.Info.Kind}
		if f.Info.Kind == configs.KindScene {
			o.Product = filepath.Join(outDir, f.Stem(c.in.Profile)+productEnding)
			if twin != "" {
				o.Err = fmt.Errorf("its product would take the same name as that of %s: calibrate the two folders into separate output folders", twin)
			} else {
				o.Report, o.Err = c.calibrateFrame(f, o.Product, overwrite)
			}
			if o.Err != nil {
				o.Product, o.Err = "", c.in.frameError(f, o.Err)
			}
		}
		out = append(out, o)
	}
	for i := range out {
		out[i].Took = time.Since(start)
	}
	return out
}

// productEnding follows the stem of the raw frame's name.
const productEnding = "-calibrated.fits"

func (c *calibrator) calibrateFrame(f *Frame, path string, overwrite bool) (*FrameReport, error) {
	if f.samePlace(path) {
		return nil, fmt.Errorf("the product would take the raw frame's place: choose another output folder")
	}
	w, err := fitsutil.Create(path, fitsutil.CreateOptions{Overwrite: overwrite})
	if err != nil {
		return nil, err
	}
	defer w.Abort()
	report, _, err := c.calibrate(f, w)
	if err != nil {
		return nil, err
	}
	report.Product = path
	return report, w.Commit()
}

// samePlace tells whether path is the raw file itself.
func (f *Frame) samePlace(path string) bool {
	a, errA := os.Stat(f.Path)
	b, errB := os.Stat(path)
	return errA == nil && errB == nil && os.SameFile(a, b)
}
