// Package demo runs the whole pipeline on simulated frames of an invented
// camera and compares the result with the truth that the simulator kept.
package demo

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"

	"go.uber.org/zap"

	"evenlight/configs"
	"evenlight/pipeline"
	"evenlight/pipeline/simulate"
)

// Options says how the demo runs.
type Options struct {
	Dir      string
	Camera   string // a built-in profile; empty: quillon
	Seed     uint64
	Scale    float64 // of the numbers of calibration frames; 0: 1
	Workers  int
	Set      []string // profile overrides
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
}

// Folders of a demo below its own.
const (
	RawDir      = "raw"
	TruthDir    = "truth"
	MastersDir  = "masters"
	ProductsDir = "products"
	ProfileFile = "profile.yaml"
	SummaryFile = "summary.json"
)

// Simulate writes the profile and the raw frames of the demo campaign, and
// the truth beside them, and returns the instrument and the number of frames.
func Simulate(opt Options) (*pipeline.Instrument, int, error) {
	if opt.Camera == "" {
		opt.Camera = "quillon"
	}
	if err := mustBeNew(filepath.Join(opt.Dir, RawDir)); err != nil {
		return nil, 0, err
	}
	text, err := configs.Builtin(opt.Camera)
	if err != nil {
		return nil, 0, err
	}
	p, err := configs.Parse(opt.Camera, text, configs.Overrides{Set: opt.Set})
	if err != nil {
		return nil, 0, err
	}
	sensors, err := simulate.NewAll(p, simulate.Options{Seed: opt.Seed})
	if err != nil {
		return nil, 0, err
	}
	plan := simulate.Scenario(p, simulate.ScenarioOptions{Seed: opt.Seed, Scale: opt.Scale})
	err = simulate.WriteFrames(filepath.Join(opt.Dir, RawDir), filepath.Join(opt.Dir, TruthDir), sensors, plan, opt.Workers)
	if err != nil {
		return nil, 0, err
	}
	if len(opt.Set) > 0 {
		text = p.Canonical()
	}
	if err := os.WriteFile(filepath.Join(opt.Dir, ProfileFile), text, 0o666); err != nil {
		return nil, 0, err
	}
	return pipeline.NewInstrument(p), len(plan), nil
}

func mustBeNew(dir string) error {
	if _, err := os.Stat(dir); !errors.Is(err, fs.ErrNotExist) {
		return fmt.Errorf("%s is there already: name a new folder for the demo, or remove it", dir)
	}
	return nil
}

// Run simulates a campaign, makes masters, calibrates the scenes and compares
// them with the truth.
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
	r.Truth, err = Compare(r.Run, filepath.Join(opt.Dir, TruthDir), in.Profile)
	return r, err
}
