package pipeline

import (
	"errors"
	"fmt"
	"math"
	"strconv"

	"go.uber.org/zap"

	"evenlight/calib/align"
	"evenlight/fitsutil"
)

// remakeCube makes a band cube in memory from the calibrated frames that its
// record lists, in the way that it says.
func remakeCube(in *Instrument, record *Provenance, h *fitsutil.Header, folders []string, workers int) ([]byte, error) {
	opt, err := cubeOptionsOf(record, h)
	if err != nil {
		return nil, err
	}
	opt.Workers = workers
	var paths []string
	for _, input := range record.Inputs {
		path, err := findInput(input, folders)
		if err != nil {
			return nil, err
		}
		paths = append(paths, path)
	}
	b := &cubeBuilder{in: in, opt: opt, profile: in.Profile.Canonical(), out: &CubeSummary{}}
	sets := b.sets(b.headers(paths))
	if len(b.out.Failures) > 0 {
		return nil, errors.New(b.out.Failures[0].Reason)
	}
	if len(sets) != 1 {
		return nil, fmt.Errorf("its inputs make %d cubes and not one", len(sets))
	}
	set, err := sets[0].make(sets[0])
	if err != nil {
		return nil, err
	}
	w := fitsutil.CreateBuffer()
	if _, err := b.write(w, set); err != nil {
		return nil, err
	}
	if err := w.Commit(); err != nil {
		return nil, err
	}
	return w.Bytes(), nil
}

// cubeOptionsOf reads the options with which a cube was made from its record.
func cubeOptionsOf(record *Provenance, h *fitsutil.Header) (CubeOptions, error) {
	opt := CubeOptions{WithinS: math.Inf(1), Log: zap.NewNop(), Kernel: align.Cubic}
	r := cardReader{h: h, path: record.File}
	for i := range r.count("NBANDS", 99) {
		opt.Bands = append(opt.Bands, r.text(fmt.Sprintf("BAND%02d", i+1)))
	}
	for _, stage := range record.Stages {
		if stage.Name == stageKeepPlace {
			opt.KeepPlace = true
		}
		for _, s := range stage.Settings {
			var err error
			switch s.Name {
			case "kernel":
				opt.Kernel, err = align.ParseKernel(s.Value)
			case "max_shift_px":
				opt.MaxShiftPx, err = strconv.ParseFloat(s.Value, 64)
			}
			if err != nil {
				return opt, fmt.Errorf("stage %q of its record: %w", stage.Name, err)
			}
		}
	}
	return opt, r.err
}
