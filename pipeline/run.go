package pipeline

import (
	"errors"
	"fmt"
	"os"
	"sync"
	"time"

	"go.uber.org/zap"

	"evenlight/configs"
)

// RunOptions says how a batch of frames is calibrated.
type RunOptions struct {
	MastersDir string
	OutDir     string
	Overwrite  bool
	Workers    int // goroutines for the rows of one frame; 0: one for each processor
	CacheMiB   int // for masters in memory; 0: 2048
	Log        *zap.Logger
	// Progress, if set, is told of each file when it is done.
	Progress func(done, total int, name string)
}

// framesInFlight is the number of frames treated at a time: while one is
// being synced to the disk, the other is calculated.
const framesInFlight = 2

// defaultCacheMiB bounds the masters in memory.
const defaultCacheMiB = 2048

// Calibrate makes the products of the scene frames in the given files. A
// frame that fails is reported and the others go on. The frames in the
// summary are in the order of the files, whatever the number of workers.
func Calibrate(in *Instrument, files []string, opt RunOptions) (*RunSummary, error) {
	start := time.Now()
	lib, err := OpenLibrary(opt.MastersDir)
	if err != nil {
		return nil, err
	}
	lib.report(opt.Log)
	if err := os.MkdirAll(opt.OutDir, 0o777); err != nil {
		return nil, fmt.Errorf("output folder: %w", err)
	}
	if opt.CacheMiB == 0 {
		opt.CacheMiB = defaultCacheMiB
	}
	cache := newMasterCache(int64(opt.CacheMiB) << 20)
	lanes := make([]*calibrator, framesInFlight)
	order := in.newSequence(files, opt.Workers)
	for i := range lanes {
		lanes[i] = newCalibrator(in, lib, cache, opt.Workers)
		lanes[i].sequence = order
	}
	twins := sameStem(files)
	outcomes := make([][]Outcome, len(files))
	var mu sync.Mutex
	done := 0
	_ = parallel(len(lanes), len(files), func(lane, i int) error {
		outcomes[i] = lanes[lane].calibrateFile(files[i], opt.OutDir, opt.Overwrite, twins[files[i]])
		mu.Lock()
		defer mu.Unlock()
		done++
		logOutcomes(opt.Log, outcomes[i])
		if opt.Progress != nil {
			opt.Progress(done, len(files), files[i])
		}
		return nil
	})
	return in.summarise(outcomes, time.Since(start)), nil
}

// sameStem finds files in different folders whose products would take each
// other's name, and tells for each of them another one.
func sameStem(files []string) map[string]string {
	first, twins := map[string]string{}, map[string]string{}
	for _, path := range files {
		stem := fileStem(path)
		other, ok := first[stem]
		if !ok {
			first[stem] = path
			continue
		}
		twins[path] = other
		if twins[other] == "" {
			twins[other] = path
		}
	}
	return twins
}

// logOutcomes writes one event a frame, and one a warning.
func logOutcomes(log *zap.Logger, outcomes []Outcome) {
	for _, o := range outcomes {
		switch {
		case o.Err != nil:
			log.Error(EventFrameFailed, zap.String("raw", o.Raw), zap.Error(o.Err))
		case o.Report == nil:
			log.Debug(EventFrameSkipped, zap.String("raw", o.Raw), zap.String("kind", o.Kind))
		default:
			log.Info(EventFrameDone, zap.String("raw", o.Raw), zap.String("product", o.Product), zap.Duration("took", o.Took))
			for _, w := range o.Report.Warnings {
				log.Warn(EventFrameWarning, zap.String("raw", o.Raw), zap.String("product", o.Product), zap.String("warning", w))
			}
		}
	}
}

// summarise makes the QA summary of a run.
func (in *Instrument) summarise(outcomes [][]Outcome, took time.Duration) *RunSummary {
	s := &RunSummary{Software: Software, Version: Version, Instrument: in.Profile.Instrument, ProfileHash: in.Hash,
		Frames: []FrameReport{}, Failures: []Failure{}}
	pixels := 0.0
	for _, of := range outcomes {
		for _, o := range of {
			s.Counts.Found++
			switch {
			case o.Err != nil:
				s.Counts.Failed++
				s.Failures = append(s.Failures, Failure{o.Raw, o.Err.Error()})
			case o.Report == nil:
				s.Counts.Skipped++
			default:
				s.Counts.Done++
				if len(o.Report.Warnings) > 0 {
					s.Counts.Warned++
				}
				s.Frames = append(s.Frames, *o.Report)
				pixels += float64(o.Report.pixels)
			}
		}
	}
	seconds := took.Seconds()
	s.Throughput = Throughput{seconds, float64(s.Counts.Done) / seconds, pixels / 1e6 / seconds}
	return s
}

// Inspect reads the headers of a raw file as the profile understands them.
func (in *Instrument) Inspect(path string) ([]FrameView, error) {
	frames, errs := newCalibrator(in, &Library{}, nil, 1).open(path)
	var out []FrameView
	for _, f := range frames {
		out = append(out, FrameView{File: path, Detector: in.Profile.Detectors[f.Detector].Name, Plane: f.Plane + 1, Info: f.Info})
	}
	return out, errors.Join(errs...)
}

// FrameView is what a profile makes of a raw frame's header.
type FrameView struct {
	File     string
	Detector string
	Plane    int
	Info     configs.FrameInfo
}
