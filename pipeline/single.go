package pipeline

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"syscall"

	"evenlight/configs"
	"evenlight/fitsutil"
)

// Calibrator makes products of raw files one at a time, for callers that keep
// account themselves of what there is and what is to be done. It belongs to one
// goroutine.
type Calibrator struct{ c *calibrator }

// CalibratorOptions says how calibrators work.
type CalibratorOptions struct {
	Workers  int // goroutines for the rows of one frame
	CacheMiB int // for masters in memory, together
	// Open opens a raw file; nil: os.Open.
	Open func(path string) (*os.File, error)
}

// NewCalibrators makes n calibrators that share the masters in memory.
func NewCalibrators(n int, in *Instrument, lib *Library, opt CalibratorOptions) []*Calibrator {
	cache := newMasterCache(int64(opt.CacheMiB) << 20)
	lanes := make([]*Calibrator, n)
	for i := range lanes {
		c := newCalibrator(in, lib, cache, opt.Workers)
		if opt.Open != nil {
			c.openRaw = opt.Open
		}
		lanes[i] = &Calibrator{c}
	}
	return lanes
}

// Follow tells which exposures frames may keep something of; nil where the
// instrument has no residual images.
func (c *Calibrator) Follow(e *Exposures) {
	c.c.sequence = nil
	if e != nil {
		c.c.sequence = &e.sequence
	}
}

// RawFile is a raw file that was read whole.
type RawFile struct {
	Path   string
	SHA256 string // empty: it could not be read
	Bytes  int64
	Frames []*Frame // valid until the calibrator opens the next file
	Errs   []error  // what could not be read of it: a *FrameError each
	// Header is what the instrument makes of the primary header of a file whose
	// structure is broken; nil: nothing.
	Header *configs.FrameInfo
}

// Open reads a raw file, in one pass for content and hash.
func (c *Calibrator) Open(path string) *RawFile {
	sha, frames, errs := c.c.openHashed(path)
	r := &RawFile{Path: path, SHA256: sha, Frames: frames, Errs: errs, Bytes: int64(len(c.c.buf))}
	if sha != "" && len(frames) == 0 {
		r.Header = c.c.headerOf(path)
	}
	return r
}

func (c *calibrator) headerOf(path string) *configs.FrameInfo {
	file, err := c.openRaw(path)
	if err != nil {
		return nil
	}
	defer file.Close()
	h, err := fitsutil.PrimaryHeaderOf(file)
	if err != nil {
		return nil
	}
	info, err := c.in.Profile.Describe(h)
	if err != nil {
		return nil
	}
	return &info
}

// Make makes the product of a frame of the file that was opened last, in the
// place of what may be at path. It returns what the product was made from.
// before, if set, is called when the product is complete and about to take its
// name; its error leaves everything as it was.
func (c *Calibrator) Make(f *Frame, path string, before func() error) (*FrameReport, []Input, error) {
	w, err := fitsutil.Create(path, fitsutil.CreateOptions{Overwrite: true})
	if err != nil {
		return nil, nil, &WriteError{path, err}
	}
	defer w.Abort()
	report, inputs, err := c.c.calibrate(f, w)
	if errors.Is(err, syscall.ENOSPC) || errors.Is(err, syscall.EDQUOT) || errors.Is(err, syscall.EROFS) {
		return nil, nil, &WriteError{path, err}
	}
	if err != nil {
		return nil, nil, c.c.in.frameError(f, err)
	}
	report.Product = path
	if before != nil {
		if err := before(); err != nil {
			return nil, nil, err
		}
	}
	if err := w.Commit(); err != nil {
		return nil, nil, &WriteError{path, err}
	}
	return report, inputs, nil
}

// WriteError is a file that could not be written. The frame is not to blame.
type WriteError struct {
	Path string
	Err  error
}

func (e *WriteError) Error() string {
	return fmt.Sprintf("writing %s: %v: see that there is room and leave to write", e.Path, e.Err)
}

func (e *WriteError) Unwrap() error { return e.Err }

// NeedOf tells what the choice of masters looks at in a frame, but for the
// kind.
func (in *Instrument) NeedOf(f *Frame) Need { return in.need(f) }

// Exposures are exposures in the order of time, by detector.
type Exposures struct{ sequence sequence }

// ResidualGapS is the longest time, in seconds, after which any detector keeps
// something of the frame before; 0: the instrument has no residual images.
func (in *Instrument) ResidualGapS() float64 {
	gap := 0.0
	for i := range in.Profile.Detectors {
		if r := in.Profile.Detectors[i].Residual; r != nil && in.stageOn(configs.StageResidual, i) {
			gap = max(gap, r.MaxGapS)
		}
	}
	return gap
}

// ResidualDepth is how many frames back a residual image is followed.
const ResidualDepth = residualDepth

// NewExposures sorts exposures of an instrument.
func (in *Instrument) NewExposures(all []Exposure) *Exposures {
	e := &Exposures{sequence{make([][]Exposure, len(in.Profile.Detectors))}}
	for _, x := range all {
		if i := in.detector(x.Detector); i >= 0 {
			e.sequence.byDetector[i] = append(e.sequence.byDetector[i], x)
		}
	}
	e.sequence.sort()
	return e
}

// detector is the index of a detector in the profile; -1: it has none of that
// name.
func (in *Instrument) detector(name string) int {
	return slices.IndexFunc(in.Profile.Detectors, func(d configs.Detector) bool { return d.Name == name })
}

// Chooser foretells what products are made from, without reading a pixel. It
// remembers which masters are alike, so it is quick for many frames. It belongs
// to one goroutine.
type Chooser struct {
	in     *Instrument
	lib    *Library
	like   map[Need][]*Master // with zero times and temperatures
	needed map[string][]string
}

// NewChooser makes a chooser.
func NewChooser(in *Instrument, lib *Library) *Chooser {
	return &Chooser{in, lib, map[Need][]*Master{}, map[string][]string{}}
}

// Inputs lists what the product of a frame would be made from, besides the raw
// file, in the words of a provenance record. A master that is missing is an
// input without a hash, whose role says so, and the error names the first; so
// the list changes when such a master arrives.
func (c *Chooser) Inputs(n Need, exposures *Exposures) ([]Input, error) {
	d := c.in.detector(n.Detector)
	if d < 0 {
		return nil, fmt.Errorf("the profile has no detector %s: name the profile that the frame was taken in with", n.Detector)
	}
	masters, missing := c.masters(n, d, configs.StageBadPixels)
	var before []Input
	if exposures != nil && c.in.stageOn(configs.StageResidual, d) {
		before = c.before(n, d, exposures, residualDepth)
	}
	return append(before, masters...), missing
}

// masters lists the masters of a frame up to a stage.
func (c *Chooser) masters(n Need, d int, through string) (inputs []Input, missing error) {
	key := through + " " + n.Detector
	kinds, ok := c.needed[key]
	if !ok {
		kinds = c.in.neededMasters(through, d)
		c.needed[key] = kinds
	}
	for _, kind := range kinds {
		n.Kind = kind
		m, sha, err := c.master(&n)
		if err != nil {
			inputs = append(inputs, Input{Role: "missing " + kind})
			if missing == nil {
				missing = err
			}
			continue
		}
		inputs = append(inputs, Input{kind, m.Name(), sha})
	}
	return inputs, missing
}

// master chooses one master, with its content.
func (c *Chooser) master(n *Need) (*Master, string, error) {
	alike, err := c.alike(n)
	if err != nil {
		return nil, "", err
	}
	m, err := c.lib.choose(n, alike, c.in.limits(n.Kind))
	if err != nil {
		return nil, "", err
	}
	sha, err := c.lib.Content(m)
	return m, sha, err
}

// alike lists the masters that fit a frame but for time and temperature, without
// those that may serve none.
func (c *Chooser) alike(n *Need) ([]*Master, error) {
	key := Need{Kind: n.Kind, Instrument: n.Instrument, Detector: n.Detector, Mode: n.Mode}
	if n.Kind == MasterFlat {
		key.Band = n.Band
	}
	all, ok := c.like[key]
	if !ok {
		for _, m := range c.lib.Masters {
			if !key.fits(m) {
				continue
			}
			barred, err := c.lib.Bars(m)
			if err != nil {
				return nil, err
			}
			if !barred {
				all = append(all, m)
			}
		}
		c.like[key] = all
	}
	return all, nil
}

// before lists the frames that a residual image comes from, and their masters,
// as calibrator.residual finds them.
func (c *Chooser) before(n Need, d int, exposures *Exposures, depth int) []Input {
	e, ok := exposures.sequence.before(d, n.Time, c.in.Profile.Detectors[d].Residual.MaxGapS)
	if !ok || depth == 0 {
		return nil
	}
	itself := []Input{{roleBefore, filepath.Base(e.Path), e.SHA256}}
	if e.Broken {
		return itself
	}
	masters, missing := c.masters(e.Need, d, configs.StageResidual)
	if missing != nil {
		return itself
	}
	itself = append(itself, c.before(e.Need, d, exposures, depth-1)...)
	return append(itself, masters...)
}
