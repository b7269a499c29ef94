// Package demo runs the whole pipeline on simulated frames of an invented
// camera and compares the result with the truth that the simulator kept.
package demo

import (
	"fmt"
	"path/filepath"
	"strings"

	"go.uber.org/zap"

	"evenlight/pipeline"
)

// Options says how the demo runs.
type Options struct {
	Dir     string
	Camera  string // a built-in profile; empty: quillon
	Profile []byte // text of a profile to simulate in place of the built-in one
	Seed    uint64
	Scale   float64 // of the numbers of calibration frames; 0: 1
	Workers int
	Set     []string // profile overrides
	// Colour goes on after the calibration, to what colour brings: sequences
	// of bands, band cubes, pictures, or the agreement of two eyes.
	Colour bool
	// Sensor measures the detectors from the calibration frames, to which it
	// adds some beyond full well.
	Sensor   bool
	Log      *zap.Logger
	Progress func(done, total int, what string)
}

// Result is what the demo made and how it compares with the truth.
type Result struct {
	Dir     string                `json:"dir"`
	Frames  int                   `json:"raw_frames"`
	Masters *pipeline.BuildResult `json:"masters"`
	Run     *pipeline.RunSummary  `json:"run"`
	Truth   *Comparison           `json:"truth"`
	Sensor  *Sensor               `json:"sensor,omitempty"`
	Colour  *Colour               `json:"colour,omitempty"`
}

// Folders of a demo below its own.
const (
	RawDir      = "raw"
	TruthDir    = "truth"
	MastersDir  = "masters"
	ProductsDir = "products"
	CubesDir    = "cubes"
	SensorDir   = "sensor"
	ProfileFile = "profile.yaml"
	SummaryFile = "summary.json"
)

// Run simulates a campaign, makes masters, calibrates the scenes and compares
// them with the truth; with Options.Sensor it measures the detectors and with
// Options.Colour it makes band cubes and pictures besides.
func Run(opt Options) (*Result, error) {
	step := func(what string) {
		if opt.Progress != nil {
			opt.Progress(0, 0, what)
		}
	}
	step("simulating raw frames")
	in, n, err := Simulate(opt)
	if err != nil {
		return nil, err
	}
	r := &Result{Dir: opt.Dir, Frames: n}
	files, err := pipeline.FindFrames([]string{filepath.Join(opt.Dir, RawDir)})
	if err != nil {
		return nil, err
	}
	step("making masters")
	masters := filepath.Join(opt.Dir, MastersDir)
	if r.Masters, err = pipeline.BuildMasters(in, files, pipeline.BuildOptions{OutDir: masters, Workers: opt.Workers, Log: opt.Log, Progress: opt.Progress}); err != nil {
		return nil, err
	}
	step("calibrating scenes")
	r.Run, err = pipeline.Calibrate(in, files, pipeline.RunOptions{MastersDir: masters, OutDir: filepath.Join(opt.Dir, ProductsDir),
		Workers: opt.Workers, Log: opt.Log, Progress: opt.Progress})
	if err != nil {
		return nil, err
	}
	step("comparing with the truth")
	if r.Truth, err = Compare(r.Run, filepath.Join(opt.Dir, TruthDir), in.Profile); err != nil {
		return r, err
	}
	if opt.Sensor {
		step("measuring the sensor")
		if r.Sensor, err = characterise(in, files, opt); err != nil {
			return r, fmt.Errorf("measuring the sensor: %w", err)
		}
	}
	if !opt.Colour {
		return r, nil
	}
	step("bringing bands together")
	c := &campaign{opt: opt, in: in, run: r.Run, shots: shotsOf(files, r.Run)}
	if r.Colour, err = c.colour(); err != nil {
		return r, fmt.Errorf("comparing bands with the truth: %w", err)
	}
	return r, nil
}

// Text writes the result for people.
func (r *Result) Text() string {
	parts := []string{r.Masters.Text(), r.Run.Text(), r.Truth.Text()}
	where := "raw, truth, masters, products"
	if r.Sensor != nil {
		parts = append(parts, r.Sensor.Text())
		where += ", " + SensorDir
	}
	if r.Colour != nil {
		parts = append(parts, r.Colour.Text())
		where += r.Colour.folders()
	}
	parts = append(parts, fmt.Sprintf("Everything is in %s: %s and %s.\n", r.Dir, where, ProfileFile))
	return "\n" + strings.Join(parts, "\n")
}
