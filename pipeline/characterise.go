package pipeline

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"

	"go.uber.org/zap"
)

// CharacteriseOptions says how a sensor is measured.
type CharacteriseOptions struct {
	OutDir string
	// Overwrite replaces a characterisation of other measurements.
	Overwrite bool
	Workers   int
	Log       *zap.Logger
	// Progress, if set, is told of each group of frames as it is begun.
	Progress func(done, total int, what string)
}

// CharacteriseResult lists what became of a run that measured sensors.
type CharacteriseResult struct {
	Made     []*Characterisation `json:"made"`
	Files    []string            `json:"files"` // as written, tables and plots included
	Failures []Failure           `json:"failures"`
	Found    int                 `json:"found"`   // files looked at
	Skipped  int                 `json:"skipped"` // frames that are not calibration frames
}

// Characterise measures the sensors of a camera from the calibration frames
// in the given files, each detector and mode by itself, and writes for each
// what it found to opt.OutDir. A frame that cannot be used is named in the
// result and the others go on.
func Characterise(in *Instrument, files []string, opt CharacteriseOptions) (*CharacteriseResult, error) {
	if err := os.MkdirAll(opt.OutDir, 0o777); err != nil {
		return nil, fmt.Errorf("output folder: %w", err)
	}
	r := &CharacteriseResult{Found: len(files), Made: []*Characterisation{}, Files: []string{}, Failures: []Failure{}}
	fail := func(event, what string, err error) {
		r.Failures = append(r.Failures, Failure{what, err.Error()})
		opt.Log.Error(event, zap.String("what", what), zap.Error(err))
	}
	frames, skipped, errs := in.lookAll(files, opt.Workers)
	r.Skipped = skipped
	for i := range files {
		for _, err := range errs[i] {
			fail(EventFrameFailed, files[i], err)
		}
	}
	for _, s := range in.sensorSets(frames) {
		c, failures := s.measure(opt)
		for _, err := range failures {
			fail(EventFrameFailed, s.name(), err)
		}
		logFindings(opt.Log, s.name(), c)
		if !c.anything() && !s.sensor.LineScan { // a line scanner's file says why
			fail(EventSensorFailed, s.name(), fmt.Errorf("its %d frames measure nothing: %s", len(s.all), c.reasons()))
			continue
		}
		written, err := c.write(opt.OutDir, opt.Overwrite, opt.Workers)
		if err != nil {
			fail(EventSensorFailed, s.name(), err)
			continue
		}
		opt.Log.Info(EventSensorMeasured, zap.String("file", written[0]), zap.Int("frames", len(c.Inputs)))
		r.Made, r.Files = append(r.Made, c), append(r.Files, written...)
	}
	return r, nil
}

// logFindings writes one event for each finding.
func logFindings(log *zap.Logger, what string, c *Characterisation) {
	for _, f := range c.Findings {
		log.Warn(EventSensorFinding, zap.String("what", what), zap.String("kind", f.Kind), zap.Strings("files", f.Files), zap.String("finding", f.What), zap.String("remedy", f.Remedy))
	}
}

// name describes a set for people.
func (s *sensorSet) name() string {
	return strings.Join(nonEmpty("detector "+s.in.Profile.Detectors[s.detector].Name, prefixed("mode ", s.mode)), ", ")
}

// anything tells whether any figure was measured.
func (c *Characterisation) anything() bool {
	for i := range c.Cells {
		f := &c.Cells[i]
		if f.Gain != nil || f.ReadNoise != nil || f.ReadNoiseDN != nil || f.DarkRate != nil || f.LinearityError != nil || len(f.PRNU) > 0 {
			return true
		}
	}
	return false
}

// reasons says in one line why nothing was measured.
func (c *Characterisation) reasons() string {
	var all []string
	for _, n := range c.NotMeasured {
		all = append(all, n.Figure+": "+n.Why)
	}
	return strings.Join(all, "; ")
}

// Stem is what the names of a characterisation's files begin with.
func (c *Characterisation) Stem() string {
	return strings.Join(nonEmpty(c.Instrument, c.Detector, plainName(c.Mode), "characterisation"), "-")
}

// file is the name of one of its files.
func (c *Characterisation) file(dir, ending string) string {
	return filepath.Join(dir, c.Stem()+ending)
}
