package simulate

import (
	"fmt"
	"path/filepath"

	"evenlight/fitsutil"
)

// StackBandsFile names the file that holds the radiance of a stack's scene:
// one plane SCENE_RADIANCE for each band of the profile, in its order, with
// the band's name in BAND and its number from 1 in EXTVER.
func StackBandsFile(truthDir, frame string) string { return TruthFile(truthDir, frame, "bands") }

// LoadStackBands reads the radiance of a scene, W m^-2 sr^-1 nm^-1, by band
// from a file that [WriteStack] wrote; [StackBandsFile] gives its name.
func LoadStackBands(path string, bands int) ([][]float32, error) {
	f, err := fitsutil.Open(path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	r := truthReader{file: f}
	out := make([][]float32, bands)
	for b := range out {
		out[b] = r.floats(fmt.Sprintf("%s,%d", planeRadiance, b+1))
	}
	if r.err != nil {
		return nil, fmt.Errorf("reading the radiance of %d bands from %s: %w", bands, path, r.err)
	}
	return out, nil
}

// WriteStack takes all frames of a plan and writes each as dir/NAME.fits, a
// cube with a plane for each layer where the profile looks for it, as
// [WriteFrames] does for frames. The truth goes to truthDir: [TruthFile] names
// the file of a scene in one layer, [StackBandsFile] that of its radiance by
// band, [MapsFile] that of a layer (FLAT is the layer's one response), and
// [ScalarsFile] holds the rest.
func WriteStack(dir, truthDir string, stack *Stack, plan []PlannedStack, workers int) error {
	r := stackRecorder{recorder: recorder{dir: dir, truthDir: truthDir, sensors: stack.Layers}, stack: stack}
	if err := r.layOut(); err != nil {
		return fmt.Errorf("simulating frames of %s: %w", stack.Profile.Instrument, err)
	}
	if err := r.makeFolders(); err != nil {
		return fmt.Errorf("simulating frames: %w", err)
	}
	if err := r.writeCommonTruth(); err != nil {
		return fmt.Errorf("writing the truth about %s: %w", stack.Profile.Instrument, err)
	}
	return inParallel(len(plan), workers, func(i int) error { return r.record(&plan[i]) })
}

// stackRecorder writes the frames of one stack.
type stackRecorder struct {
	recorder
	stack *Stack
}

// layOut finds the HDU of the cube. All layers must be in it, and in planes 1
// to the number of layers.
func (r *stackRecorder) layOut() error {
	taken := make([]bool, len(r.sensors))
	for _, s := range r.sensors {
		d := &s.Detector
		if d.HDU != r.sensors[0].Detector.HDU {
			return fmt.Errorf("layer %s is in HDU %q and layer %s in HDU %q; simulated layers are planes of one cube",
				d.Name, d.HDU, r.sensors[0].Detector.Name, r.sensors[0].Detector.HDU)
		}
		if d.Plane < 1 || d.Plane > len(taken) || taken[d.Plane-1] {
			return fmt.Errorf("layer %s is plane %d; give the %d layers the planes 1 to %d", d.Name, d.Plane, len(taken), len(taken))
		}
		taken[d.Plane-1] = true
	}
	var err error
	r.hdus, err = layOut(r.sensors[:1])
	return err
}

func (r *stackRecorder) writeCommonTruth() error {
	scalars := make([]Scalars, len(r.sensors))
	for i, s := range r.sensors {
		if err := writeMaps(MapsFile(r.truthDir, s.Detector.Name), s); err != nil {
			return err
		}
		scalars[i] = s.Scalars()
		scalars[i].Bands = nil
		for _, b := range r.stack.Profile.Bands {
			scalars[i].Bands = append(scalars[i].Bands, BandTruth{Name: b.Name, Responsivity: responsivity(r.stack.Profile, b.Name)})
		}
	}
	return writeJSON(filepath.Join(r.truthDir, ScalarsFile), scalars)
}

// record takes one frame with every layer and writes it and its truth.
func (r *stackRecorder) record(f *PlannedStack) error {
	path := filepath.Join(r.dir, f.Name+".fits")
	e := f.Exposure
	exposure := StackExposure{
		ExposureS: e.ExposureS, WaitS: e.WaitS, TempK: e.TempK,
		LampRate: e.LampRate, CosmicRate: e.CosmicRate, Index: e.Index, Workers: e.Workers,
	}
	if f.Colours != nil {
		exposure.Radiance = f.Colours(r.sensors[0].ImageWidth(), r.sensors[0].ImageHeight())
	}
	raws, err := r.stack.Expose(exposure)
	if err != nil {
		return fmt.Errorf("simulating %s: %w", path, err)
	}
	if err := r.writeCube(path, f, raws); err != nil {
		return fmt.Errorf("simulating %s: %w", path, err)
	}
	if f.Colours == nil {
		return nil
	}
	if err := r.writeTruth(f.Name, exposure.Radiance, raws); err != nil {
		return fmt.Errorf("writing the truth of %s: %w", path, err)
	}
	return nil
}

func (r *stackRecorder) writeCube(path string, f *PlannedStack, raws []*Raw) error {
	header, err := frameHeader(r.stack.Profile, &f.Planned)
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

func (r *stackRecorder) writeHDU(w *fitsutil.Writer, header *fitsutil.Header, hdu *frameHDU, raws []*Raw) error {
	if err := hdu.nameIn(header); err != nil {
		return err
	}
	if hdu.sensor == noSensor {
		_, err := w.AddImage(header, bitpixInt16)
		return err
	}
	if err := setAll(header, unsignedCards()); err != nil {
		return err
	}
	width, height := r.sensors[0].Detector.Width, r.sensors[0].Detector.Height
	cube, err := w.AddImage(header, bitpixInt16, width, height, len(raws))
	if err != nil {
		return err
	}
	data := make([]byte, 2*width*height)
	for i, raw := range raws {
		fitsutil.EncodeUint16Offset(data, raw.Samples)
		if err := cube.WriteRows(r.sensors[i].Detector.Plane-1, 0, height, data); err != nil {
			return err
		}
	}
	return nil
}

// unsignedCards describe unsigned samples, which FITS Standard 4.0 holds as
// signed ones with BZERO 32768 (4.4.2.5, table 11).
func unsignedCards() cards {
	return cards{
		{"BZERO", int64(32768), "samples are unsigned"},
		{"BSCALE", int64(1), ""},
		{"BUNIT", "adu", "raw code of the converter"},
	}
}

func (r *stackRecorder) writeTruth(frame string, radiance [][]float32, raws []*Raw) error {
	for _, raw := range raws {
		if err := writeTruth(TruthFile(r.truthDir, frame, raw.Truth.Detector), frame, &raw.Truth); err != nil {
			return err
		}
	}
	planes := make([]plane, len(radiance))
	for b := range radiance {
		planes[b] = floatPlane(planeRadiance, "W m-2 sr-1 nm-1", radiance[b])
		planes[b].band, planes[b].version = r.stack.Profile.Bands[b].Name, int64(b+1)
	}
	about := cards{{"FRAME", frame, "raw frame that this is the truth of"}}
	t := &raws[0].Truth
	return writePlanes(StackBandsFile(r.truthDir, frame), about, t.Width, t.Height, planes)
}
