package simulate

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"sync"

	"evenlight/fitsutil"
)

// WriteFrames takes all frames of a plan and writes each as dir/NAME.fits,
// with the headers and in the layout that the profile of the sensors expects.
// The truth is written to truthDir: [TruthFile] names the file of a scene,
// [MapsFile] that of a detector, [ScalarsFile] holds the numbers that are
// common to all frames, and [SequenceFile] and [GroundFile] tell about frames
// that belong together, where the plan has such. All sensors are of one camera. Folders are made where
// they are missing; a file that exists is never replaced.
//
// The workers take a frame each at a time; the files do not depend on their
// number. The first error in the order of the plan is returned and names the
// file.
func WriteFrames(dir, truthDir string, sensors []*Sensor, plan []Planned, workers int) error {
	if len(sensors) == 0 {
		return errors.New("simulating frames: there is no sensor; make them with New or NewAll")
	}
	hdus, err := layOut(sensors)
	if err != nil {
		return fmt.Errorf("simulating frames of %s: %w", sensors[0].Profile.Instrument, err)
	}
	r := recorder{dir: dir, truthDir: truthDir, sensors: sensors, hdus: hdus}
	if err := r.makeFolders(); err != nil {
		return fmt.Errorf("simulating frames: %w", err)
	}
	if err := r.writeCommonTruth(); err != nil {
		return err
	}
	if err := writeSequences(truthDir, plan); err != nil {
		return fmt.Errorf("writing the truth about sequences of %s: %w", sensors[0].Profile.Instrument, err)
	}
	return inParallel(len(plan), workers, func(i int) error { return r.record(&plan[i]) })
}

// inParallel runs do for 0 to n-1 and returns the error with the lowest
// number. After an error no further work is begun.
func inParallel(n, workers int, do func(i int) error) error {
	var mu sync.Mutex
	next, failed := 0, n
	var first error
	take := func() (int, bool) {
		mu.Lock()
		defer mu.Unlock()
		next++
		return next - 1, next <= n && first == nil
	}
	fail := func(i int, err error) {
		mu.Lock()
		defer mu.Unlock()
		if i < failed {
			failed, first = i, err
		}
	}
	var done sync.WaitGroup
	for range max(workers, 1) {
		done.Go(func() {
			for i, ok := take(); ok; i, ok = take() {
				if err := do(i); err != nil {
					fail(i, err)
				}
			}
		})
	}
	done.Wait()
	return first
}

// recorder writes the frames of one camera.
type recorder struct {
	dir, truthDir string
	sensors       []*Sensor
	hdus          []frameHDU
}

func (r *recorder) makeFolders() error {
	if err := os.MkdirAll(r.dir, 0o777); err != nil {
		return err
	}
	return os.MkdirAll(r.truthDir, 0o777)
}

// writeCommonTruth writes what does not change from frame to frame.
func (r *recorder) writeCommonTruth() error {
	if err := writeScalars(filepath.Join(r.truthDir, ScalarsFile), r.sensors); err != nil {
		return fmt.Errorf("writing the truth about %s: %w", r.sensors[0].Profile.Instrument, err)
	}
	for _, s := range r.sensors {
		if err := writeMaps(MapsFile(r.truthDir, s.Detector.Name), s); err != nil {
			return fmt.Errorf("writing the truth about detector %s: %w", s.Detector.Name, err)
		}
	}
	return nil
}

// record takes one frame with every sensor and writes it and its truth.
func (r *recorder) record(f *Planned) error {
	path := filepath.Join(r.dir, f.Name+".fits")
	raws, err := r.expose(f)
	if err != nil {
		return fmt.Errorf("simulating %s: %w", path, err)
	}
	if err := r.writeRaw(path, f, raws); err != nil {
		return fmt.Errorf("simulating %s: %w", path, err)
	}
	if !f.looks() {
		return nil
	}
	for _, raw := range raws {
		if err := writeTruth(TruthFile(r.truthDir, f.Name, raw.Truth.Detector), f.Name, &raw.Truth); err != nil {
			return fmt.Errorf("writing the truth of %s: %w", path, err)
		}
	}
	return nil
}

// expose takes one frame with every sensor.
func (r *recorder) expose(f *Planned) ([]*Raw, error) {
	raws := make([]*Raw, len(r.sensors))
	for i, s := range r.sensors {
		var err error
		if raws[i], err = s.Expose(f.exposure(i, s)); err != nil {
			return nil, err
		}
	}
	return raws, nil
}

// writeRaw writes the file of a raw frame. All that is known about the frame
// stands in the primary header.
func (r *recorder) writeRaw(path string, f *Planned, raws []*Raw) error {
	header, err := frameHeader(r.sensors[0].Profile, f)
	if err != nil {
		return err
	}
	w, err := fitsutil.Create(path, fitsutil.CreateOptions{})
	if err != nil {
		return err
	}
	defer w.Abort()
	for i := range r.hdus {
		if i > 0 {
			header = fitsutil.NewHeader()
		}
		if err := r.writeHDU(w, header, &r.hdus[i], raws); err != nil {
			return err
		}
	}
	return w.Commit()
}

func (r *recorder) writeHDU(w *fitsutil.Writer, header *fitsutil.Header, hdu *frameHDU, raws []*Raw) error {
	if err := hdu.nameIn(header); err != nil {
		return err
	}
	if hdu.sensor == noSensor {
		_, err := w.AddImage(header, bitpixInt16)
		return err
	}
	return writeSamples(w, header, &r.sensors[hdu.sensor].Detector, raws[hdu.sensor].Samples)
}
