package simulate

import (
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"

	"evenlight/fitsutil"
)

// TubeFile is the name of the file, in the folder of the truth, that
// [LoadTube] reads.
const TubeFile = "tube.json"

// EXTNAMEs of planes that only tubes have.
const (
	planeResidual = "RESIDUAL" // rho P', e-, in the truth of a frame
	planeC2       = "C2"       // 1/DN, in the maps
	planeC3       = "C3"       // 1/DN^2, in the maps
	planeMarks    = "MARKS"    // share of the light let through, in the maps
)

// TubeTruth is the truth about a tube besides its planes.
type TubeTruth struct {
	Instrument string      `json:"instrument"`
	Detector   string      `json:"detector"`
	Fraction   float64     `json:"residual_fraction"`
	MaxGapS    float64     `json:"residual_max_gap_s"`
	Distortion Distortion  `json:"distortion"`
	Marks      []TubeMark  `json:"marks"`
	Frames     []TubeFrame `json:"frames"`
}

// TubeFrame tells what a frame shows besides its own light.
type TubeFrame struct {
	Name   string  `json:"name"`
	Before string  `json:"before"` // frame whose light is left in it; empty: none
	GapS   float64 `json:"gap_s"`  // between the starts of the two; 0: none
}

// TubeIdealFile names the file that holds the truth of a scene in true
// geometry: Radiance is the undistorted picture and Electrons K_b L t. It has
// no other truth: its planes of cosmic rays, saturation and defects are 0.
func TubeIdealFile(truthDir, frame, detector string) string {
	return strings.TrimSuffix(TruthFile(truthDir, frame, detector), ".fits") + "-ideal.fits"
}

// WriteTube takes all frames of a plan and writes each as dir/NAME.fits, as
// [WriteFrames] does. Each frame keeps the residual image of the frame before
// it in the plan, of any kind, if that began less than MaxGapS before.
//
// The truth goes to truthDir: [TruthFile] names the file of a scene in the
// geometry of the raw frame, with the residual image, e-, in a plane RESIDUAL;
// [TubeIdealFile] that in true geometry; [MapsFile] that of the tube, with B,
// d, F by band, defects, c2, c3 and the light that the marks let through in
// planes PATTERN, DARK_CURRENT, FLAT, DEFECTS, C2, C3 and MARKS;
// [ScalarsFile] and [TubeFile] hold what is not a plane.
func WriteTube(dir, truthDir string, tube *Tube, plan []Planned, workers int) error {
	r := tubeRecorder{recorder: recorder{dir: dir, truthDir: truthDir, sensors: []*Sensor{tube.base}}, tube: tube, plan: plan}
	var err error
	if r.hdus, err = layOut(r.sensors); err != nil {
		return fmt.Errorf("simulating frames of %s: %w", tube.Profile.Instrument, err)
	}
	if err := r.makeFolders(); err != nil {
		return fmt.Errorf("simulating frames: %w", err)
	}
	if err := r.writeCommonTruth(); err != nil {
		return fmt.Errorf("writing the truth about %s: %w", tube.Profile.Instrument, err)
	}
	return inParallel(len(plan), workers, r.record)
}

// tubeRecorder writes the frames of one tube.
type tubeRecorder struct {
	recorder
	tube *Tube
	plan []Planned
}

func (r *tubeRecorder) writeCommonTruth() error {
	t := r.tube
	if err := writeJSON(filepath.Join(r.truthDir, ScalarsFile), []Scalars{t.Scalars()}); err != nil {
		return err
	}
	facts := TubeTruth{
		Instrument: t.Profile.Instrument, Detector: t.Detector.Name,
		Fraction: t.Fraction, MaxGapS: t.MaxGapS, Distortion: t.Distortion, Marks: t.Marks,
	}
	for i := range r.plan {
		frame := TubeFrame{Name: r.plan[i].Name}
		if before, gapS := r.before(i); before != nil {
			frame.Before, frame.GapS = before.Name, gapS
		}
		facts.Frames = append(facts.Frames, frame)
	}
	if err := writeJSON(filepath.Join(r.truthDir, TubeFile), facts); err != nil {
		return err
	}
	return writeTubeMaps(MapsFile(r.truthDir, t.Detector.Name), t)
}

func writeTubeMaps(path string, t *Tube) error {
	planes := []plane{
		floatPlane(planePattern, "adu", t.Pattern),
		floatPlane(planeDark, "electron s-1", t.Dark),
	}
	for i := range t.Profile.Bands {
		band := t.Profile.Bands[i].Name
		flat := floatPlane(planeFlat, "", t.flats[band])
		flat.band, flat.version = band, int64(i+1)
		planes = append(planes, flat)
	}
	planes = append(planes,
		defectPlane(t.Defects),
		floatPlane(planeC2, "adu-1", t.C2),
		floatPlane(planeC3, "adu-2", t.C3),
		floatPlane(planeMarks, "", t.Passed),
	)
	return writePlanes(path, cards{{"DETECTOR", t.Detector.Name, ""}}, t.Detector.Width, t.Detector.Height, planes)
}

// before returns the frame whose light is left in frame i, and the time
// between the starts of the two, s; nil where there is none.
func (r *tubeRecorder) before(i int) (*Planned, float64) {
	if i == 0 || r.tube.Fraction == 0 {
		return nil, 0
	}
	gapS := r.plan[i].Time.Sub(r.plan[i-1].Time).Seconds()
	if gapS < 0 || gapS >= r.tube.MaxGapS {
		return nil, 0
	}
	return &r.plan[i-1], gapS
}

// seen returns the exposure of a planned frame with what the tube sees, and
// the undistorted picture; nil where it does not look at a scene.
func (r *tubeRecorder) seen(f *Planned) (e Exposure, ideal []float32) {
	e = f.Exposure
	if f.Scene != nil {
		e.Radiance, ideal = r.tube.View(f.Scene)
	}
	return e, ideal
}

// lightBefore is the light that is left in frame i.
func (r *tubeRecorder) lightBefore(i int) ([]float64, error) {
	before, _ := r.before(i)
	if before == nil {
		return nil, nil
	}
	e, _ := r.seen(before)
	return r.tube.Light(e)
}

// record takes one frame and writes it and its truth.
func (r *tubeRecorder) record(i int) error {
	f := &r.plan[i]
	path := filepath.Join(r.dir, f.Name+".fits")
	before, err := r.lightBefore(i)
	if err != nil {
		return fmt.Errorf("simulating %s: %w", path, err)
	}
	e, ideal := r.seen(f)
	raw, residual, err := r.tube.expose(e, before)
	if err != nil {
		return fmt.Errorf("simulating %s: %w", path, err)
	}
	if err := r.writeRaw(path, f, []*Raw{raw}); err != nil {
		return fmt.Errorf("simulating %s: %w", path, err)
	}
	if f.Scene == nil {
		return nil
	}
	err = errors.Join(r.writeTruth(f.Name, &raw.Truth, residual), r.writeIdeal(f, ideal))
	if err != nil {
		return fmt.Errorf("writing the truth of %s: %w", path, err)
	}
	return nil
}

// writeTruth writes the truth of a frame as writeTruth for other sensors does,
// and the residual image.
func (r *tubeRecorder) writeTruth(frame string, t *Truth, residual []float32) error {
	about := cards{
		{"FRAME", frame, "raw frame that this is the truth of"},
		{"DETECTOR", t.Detector, ""},
	}
	return writePlanes(TruthFile(r.truthDir, frame, t.Detector), about, t.Width, t.Height, []plane{
		floatPlane(planeElectrons, "electron", t.Electrons),
		floatPlane(planeRadiance, "W m-2 sr-1 nm-1", t.Radiance),
		floatPlane(planeCosmic, "electron", t.Cosmic),
		boolPlane(planeSaturated, t.Saturated),
		defectPlane(t.Defects),
		floatPlane(planeResidual, "electron", residual),
	})
}

func (r *tubeRecorder) writeIdeal(f *Planned, ideal []float32) error {
	t := Truth{
		Detector: r.tube.Detector.Name, Width: r.tube.ImageWidth(), Height: r.tube.ImageHeight(),
		Electrons: make([]float32, len(ideal)), Radiance: ideal, Cosmic: make([]float32, len(ideal)),
		Saturated: make([]bool, len(ideal)), Defects: make([]Defect, len(ideal)),
	}
	k := responsivity(r.tube.Profile, f.Exposure.Band)
	for i, l := range ideal {
		t.Electrons[i] = float32(k * float64(l) * f.Exposure.ExposureS)
	}
	return writeTruth(TubeIdealFile(r.truthDir, f.Name, t.Detector), f.Name, &t)
}

// LoadTubeResidual reads the residual image, e- over the image region, from
// the truth of a scene that [WriteTube] wrote; [TruthFile] gives its name.
func LoadTubeResidual(path string) ([]float32, error) {
	f, err := fitsutil.Open(path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	r := truthReader{file: f}
	residual := r.floats(planeResidual)
	if r.err != nil {
		return nil, fmt.Errorf("reading the residual image from %s: %w", path, r.err)
	}
	return residual, nil
}

// LoadTube reads the truth about a tube from the file that [WriteTube] wrote.
func LoadTube(path string) (*TubeTruth, error) {
	text, err := os.ReadFile(path)
	if err != nil {
		return nil, err
	}
	t := &TubeTruth{}
	if err := json.Unmarshal(text, t); err != nil {
		return nil, fmt.Errorf("reading the truth about a tube from %s: %w; simulate the frames again", path, err)
	}
	if err := t.Distortion.readTerms(); err != nil {
		return nil, fmt.Errorf("reading the truth about a tube from %s: %w; simulate the frames again", path, err)
	}
	return t, nil
}
