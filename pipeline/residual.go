package pipeline

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"evenlight/calib"
	"evenlight/configs"
	"evenlight/fitsutil"
)

// sequence knows which exposure of a detector came before another: a camera
// tube keeps a residual image of it.
type sequence struct {
	byDetector [][]Exposure // by detector, in the order of time
}

// Exposure is a frame that may have left something in the next one.
type Exposure struct {
	Need
	Path   string
	SHA256 string // of the file; empty where nobody asks
	Plane  int    // of a cube, from 0
	Broken bool   // the samples cannot be read
}

// newSequence reads the headers of all files of an instrument that has
// residual images; nil for others. A file that is cut short still tells by its
// header when it was exposed, and what it leaves behind cannot be taken off; one
// that tells nothing is left out, and reported where it is calibrated.
func (in *Instrument) newSequence(files []string, workers int) *sequence {
	if !slices.ContainsFunc(in.Profile.Detectors, func(d configs.Detector) bool { return d.Residual != nil }) {
		return nil
	}
	s := &sequence{make([][]Exposure, len(in.Profile.Detectors))}
	frames, errs := in.survey(files, workers)
	for i, path := range files {
		if len(errs[i]) > 0 {
			s.addUnreadable(in, path)
		}
	}
	for _, f := range frames {
		if f.Info.Kind != configs.KindIgnore {
			s.byDetector[f.Detector] = append(s.byDetector[f.Detector], Exposure{Path: f.Path, Plane: f.Plane, Need: in.need(f)})
		}
	}
	s.sort()
	return s
}

func (s *sequence) sort() {
	for _, d := range s.byDetector {
		slices.SortFunc(d, func(a, b Exposure) int {
			if c := a.Time.Compare(b.Time); c != 0 {
				return c
			}
			return strings.Compare(a.Path, b.Path)
		})
	}
}

// addUnreadable takes in a file whose samples cannot be read, by the time in
// its header.
func (s *sequence) addUnreadable(in *Instrument, path string) {
	h, err := fitsutil.PrimaryHeader(path)
	if err != nil {
		return
	}
	info, err := in.Profile.Describe(h)
	if err != nil || info.Kind == configs.KindIgnore {
		return
	}
	for i := range s.byDetector {
		s.byDetector[i] = append(s.byDetector[i], Exposure{Path: path, Plane: max(in.Profile.Detectors[i].Plane-1, 0), Need: Need{Time: info.Time}, Broken: true})
	}
}

// before returns the exposure before a frame that is near enough in time to
// have left something.
func (s *sequence) before(detector int, at time.Time, maxGapS float64) (Exposure, bool) {
	if s == nil {
		return Exposure{}, false
	}
	all := s.byDetector[detector]
	i, _ := slices.BinarySearchFunc(all, at, func(e Exposure, t time.Time) int { return e.Time.Compare(t) })
	if i == 0 {
		return Exposure{}, false
	}
	e := all[i-1]
	return e, at.Sub(e.Time).Seconds() < maxGapS
}

// residualDepth is how many frames back a residual image is followed: what a
// frame keeps of the one before contains a share of the one before that.
const residualDepth = 3

// residual finds what the frame keeps of the one before.
func (c *calibrator) residual(p *plan, depth int) {
	p.residual = p.noResidual()
	if p.residual == nil {
		return
	}
	f := p.frame
	e, ok := c.sequence.before(f.Detector, f.Info.Time, c.in.Profile.Detectors[f.Detector].Residual.MaxGapS)
	if !ok || depth == 0 {
		return
	}
	before, err := c.lightOf(e, f.Detector, depth-1)
	if err != nil {
		p.residual.Unsure, p.residual.BeforeName, p.residualErr = true, headerName(baseName(e.Path)), err
		if _, sha, err := c.read(e.Path, nil); err == nil {
			p.before = []Input{{roleBefore, baseName(e.Path), sha}}
		}
		return
	}
	p.residual.Before, p.residual.BeforeName = before.plane, headerName(baseName(e.Path))
	p.before = before.inputs
}

func baseName(path string) string { return path[strings.LastIndexAny(path, "/\\")+1:] }

// lightBefore is the light that a frame gathered, e-, before the flat field.
type lightBefore struct {
	plane  *calib.Plane
	inputs []Input // it and those before it, nearest first, and their masters
}

// lightOf calibrates an exposure up to its own residual image.
func (c *calibrator) lightOf(e Exposure, detector, depth int) (*lightBefore, error) {
	data, sha, err := c.read(e.Path, nil)
	if err != nil {
		return nil, err
	}
	file, err := openWhole(e.Path, data)
	if err != nil {
		return nil, err
	}
	frames, errs := c.in.framesIn(e.Path, sha, file)
	for _, f := range frames {
		if f.Detector == detector && f.Plane == e.Plane {
			return c.gathered(f, depth)
		}
	}
	if len(errs) > 0 {
		return nil, errs[0]
	}
	return nil, fmt.Errorf("%s changed while it was being read: run again", e.Path)
}

func (c *calibrator) gathered(f *Frame, depth int) (*lightBefore, error) {
	p, err := c.start(f, configs.StageResidual)
	if err != nil {
		return nil, err
	}
	c.residual(p, depth)
	stages, err := p.local(configs.StageResidual)
	if err != nil {
		return nil, err
	}
	im := f.sensor.Image
	n := im.Width() * im.Height()
	out := &calib.Plane{Width: im.Width(), Value: make([]float32, n), Variance: make([]float32, n)}
	chain := calib.NewChain(f.sensor, stages, nil, nil)
	chain.Grow = 0
	var scratch calib.Scratch
	err = chain.Run(&rawRows{f: f}, 0, im.Height(), &scratch, func(r *calib.Row) error {
		at := r.Y * im.Width()
		for x, v := range r.V {
			if r.Flags[x]&calib.Unusable != 0 {
				v = float32(math.NaN())
			}
			// Its own shot noise makes the light known no better than this.
			out.Value[at+x], out.Variance[at+x] = v, r.Var[x]+max(v, 0)
		}
		return nil
	})
	inputs := append([]Input{{roleBefore, f.Name(), f.SHA256}}, p.before...)
	for _, m := range p.masters.list() {
		inputs = append(inputs, m.input())
	}
	return &lightBefore{out, inputs}, err
}
