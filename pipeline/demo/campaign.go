package demo

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"

	"evenlight/configs"
	"evenlight/pipeline"
	"evenlight/pipeline/simulate"
)

// Simulate writes the profile and the raw frames of the demo campaign, and
// the truth beside them, and returns the instrument and the number of frames.
func Simulate(opt Options) (*pipeline.Instrument, int, error) {
	if err := mustBeNew(filepath.Join(opt.Dir, RawDir)); err != nil {
		return nil, 0, err
	}
	p, text, err := opt.profile()
	if err != nil {
		return nil, 0, err
	}
	n, err := simulateFrames(p, opt)
	if err != nil {
		return nil, 0, err
	}
	if err := os.WriteFile(filepath.Join(opt.Dir, ProfileFile), text, 0o666); err != nil {
		return nil, 0, err
	}
	return pipeline.NewInstrument(p), n, nil
}

func mustBeNew(dir string) error {
	if _, err := os.Stat(dir); !errors.Is(err, fs.ErrNotExist) {
		return fmt.Errorf("%s is there already: name a new folder for the demo, or remove it", dir)
	}
	return nil
}

// profile returns the camera's profile and its text.
func (opt *Options) profile() (*configs.Profile, []byte, error) {
	name, text := opt.Camera, opt.Profile
	if name == "" {
		name = "quillon"
	}
	if len(text) == 0 {
		var err error
		if text, err = configs.Builtin(name); err != nil {
			return nil, nil, err
		}
	}
	p, err := configs.Parse(name, text, configs.Overrides{Set: opt.Set})
	if err != nil {
		return nil, nil, err
	}
	if len(opt.Set) > 0 {
		text = p.Canonical()
	}
	return p, text, nil
}

// simulateFrames takes the campaign with the simulator of the camera's kind
// and returns the number of files.
func simulateFrames(p *configs.Profile, opt Options) (int, error) {
	raw, truth := filepath.Join(opt.Dir, RawDir), filepath.Join(opt.Dir, TruthDir)
	sensor := simulate.Options{Seed: opt.Seed}
	plan := simulate.ScenarioOptions{Seed: opt.Seed, Scale: opt.Scale, Sequence: opt.Colour, Overfull: opt.Sensor}
	switch familyOf(p) {
	case stackedDiodes:
		s, err := simulate.NewStack(p, sensor)
		if err != nil {
			return 0, err
		}
		frames := simulate.PlanStack(p, plan)
		return len(frames), simulate.WriteStack(raw, truth, s, frames, opt.Workers)
	case lineScanner:
		s, err := simulate.NewLineScanners(p, sensor)
		if err != nil {
			return 0, err
		}
		files := simulate.PlanLines(p, plan)
		return len(files), simulate.WriteLines(raw, truth, s, files, opt.Workers)
	case cameraTube:
		s, err := simulate.NewTube(p, p.Detectors[0].Name, simulate.TubeOptions{Options: sensor})
		if err != nil {
			return 0, err
		}
		frames := simulate.PlanTube(p, plan)
		return len(frames), simulate.WriteTube(raw, truth, s, frames, opt.Workers)
	}
	s, err := simulate.NewAll(p, sensor)
	if err != nil {
		return 0, err
	}
	frames := simulate.Scenario(p, plan)
	return len(frames), simulate.WriteFrames(raw, truth, s, frames, opt.Workers)
}

// family is a kind of camera, by how its bands come to one place.
type family int

const (
	singleBand    family = iota // one band, one eye
	filterWheel                 // bands one after another
	stereoPair                  // two eyes
	colourMosaic                // bands in neighbouring pixels
	filterStrips                // bands in strips that the ground passes
	lineScanner                 // bands in detectors that scan lines
	stackedDiodes               // bands in layers
	cameraTube
)

func familyOf(p *configs.Profile) family {
	d := &p.Detectors[0]
	switch {
	case p.Stack != nil:
		return stackedDiodes
	case d.LineScan != nil:
		return lineScanner
	case d.Residual != nil || d.Marks != nil:
		return cameraTube
	case d.Mosaic != nil:
		return colourMosaic
	case len(d.Strips) > 0:
		return filterStrips
	case p.Stereo != nil:
		return stereoPair
	case len(p.Bands) > 1:
		return filterWheel
	}
	return singleBand
}

// campaign is a simulated and calibrated campaign.
type campaign struct {
	opt   Options
	in    *pipeline.Instrument
	run   *pipeline.RunSummary
	shots []shot
}

// shot is a raw frame of a scene and what was made of it.
type shot struct {
	raw      string
	stem     string   // of the raw file, by which the truth goes
	products []string // in the order of the detectors
}

// product is the one product of a frame.
func (s *shot) product() string { return s.products[0] }

// shotsOf lists the raw frames of scenes in the order in which they were
// taken; their names begin with their number.
func shotsOf(files []string, run *pipeline.RunSummary) []shot {
	var out []shot
	for _, f := range files {
		s := shot{raw: f, stem: stemOf(f)}
		if !strings.HasSuffix(s.stem, "-"+configs.KindScene) {
			continue
		}
		for i := range run.Frames {
			if stemOf(run.Frames[i].Raw) == s.stem {
				s.products = append(s.products, run.Frames[i].Product)
			}
		}
		out = append(out, s)
	}
	return out
}

func stemOf(path string) string { return strings.TrimSuffix(filepath.Base(path), filepath.Ext(path)) }

// named finds the shot of a raw frame.
func (c *campaign) named(stem string) (*shot, error) {
	for i := range c.shots {
		if c.shots[i].stem == stem && len(c.shots[i].products) > 0 {
			return &c.shots[i], nil
		}
	}
	return nil, fmt.Errorf("frame %s was not calibrated: see the failures of the run", stem)
}

// at returns the n-th scenes of the campaign, counted from 0; every one must
// have been calibrated.
func (c *campaign) at(numbers ...int) ([]*shot, error) {
	var out []*shot
	for _, n := range numbers {
		if n >= len(c.shots) || len(c.shots[n].products) == 0 {
			return nil, fmt.Errorf("scene %d of the campaign was not calibrated: see the failures of the run", n+1)
		}
		out = append(out, &c.shots[n])
	}
	return out, nil
}

func (c *campaign) truthDir() string { return filepath.Join(c.opt.Dir, TruthDir) }

// truth loads the truth of a shot as a detector sees it.
func (c *campaign) truth(s *shot, detector int) (*simulate.Truth, error) {
	return simulate.LoadTruth(simulate.TruthFile(c.truthDir(), s.stem, c.in.Profile.Detectors[detector].Name))
}

// products lists the products of shots.
func products(shots []*shot) []string {
	var out []string
	for _, s := range shots {
		out = append(out, s.products...)
	}
	return out
}
