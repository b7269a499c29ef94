package simulate

import (
	"errors"
	"fmt"
	"path/filepath"

	"evenlight/configs"
	"evenlight/fitsutil"
)

// LinesFile is the name of the file, in the folder of the truth, that tells
// how each file of a line scanner was taken: a list of [LinesTruth].
const LinesFile = "lines.json"

// LinesTruth is the truth about one file of lines besides its planes.
type LinesTruth struct {
	Name          string  `json:"name"`
	Kind          string  `json:"kind"`
	LineTimeS     float64 `json:"line_time_s"`
	Stages        int     `json:"charge_stages"`
	Binning       int     `json:"binning"`
	Lines         int     `json:"lines"`
	GroundSpeedMS float64 `json:"ground_speed_m_s"`
	FootprintM    float64 `json:"footprint_m"` // of an output pixel
	SmearLines    float64 `json:"smear_lines"` // output lines over which the scene is smeared
	LampRate      float64 `json:"lamp_e_per_s"`
}

// WriteLines takes all files of a plan and writes each as dir/NAME.fits, as
// [WriteFrames] does for frames. The truth goes to truthDir: [TruthFile] names
// the file of a scene on one detector, whose planes show the ground in pace;
// [MapsFile] that of a detector, with planes of one unbinned line: B in DN, d
// in e-/s at T0, F (EXTVER is the number of the detector's band), defects;
// [ScalarsFile] and [LinesFile] hold what is not a plane.
func WriteLines(dir, truthDir string, scanners []*LineScanner, plan []PlannedLines, workers int) error {
	if len(scanners) == 0 {
		return errors.New("simulating lines: there is no detector; make them with NewLineScanner or NewLineScanners")
	}
	r := lineRecorder{recorder: recorder{dir: dir, truthDir: truthDir}, scanners: scanners}
	var err error
	if r.hdus, err = r.layOut(); err != nil {
		return fmt.Errorf("simulating lines of %s: %w", scanners[0].Profile.Instrument, err)
	}
	if err := r.makeFolders(); err != nil {
		return fmt.Errorf("simulating lines: %w", err)
	}
	if err := r.writeCommonTruth(plan); err != nil {
		return fmt.Errorf("writing the truth about %s: %w", scanners[0].Profile.Instrument, err)
	}
	return inParallel(len(plan), workers, func(i int) error { return r.record(&plan[i]) })
}

// lineRecorder writes the files of one line scanner.
type lineRecorder struct {
	recorder
	scanners []*LineScanner
}

func (r *lineRecorder) layOut() ([]frameHDU, error) {
	places := make([]*Sensor, len(r.scanners))
	for i, s := range r.scanners {
		places[i] = s.base
	}
	return layOut(places)
}

func (r *lineRecorder) writeCommonTruth(plan []PlannedLines) error {
	scalars := make([]Scalars, len(r.scanners))
	for i, s := range r.scanners {
		scalars[i] = s.Scalars()
		if err := writeLineMaps(MapsFile(r.truthDir, s.Detector.Name), s); err != nil {
			return err
		}
	}
	if err := writeJSON(filepath.Join(r.truthDir, ScalarsFile), scalars); err != nil {
		return err
	}
	facts := make([]LinesTruth, len(plan))
	for i := range plan {
		f, e := &plan[i], &plan[i].Exposure
		facts[i] = LinesTruth{
			Name: f.Name, Kind: f.Kind,
			LineTimeS: e.LineTimeS, Stages: e.Stages, Binning: max(e.Binning, 1), Lines: e.Lines,
			GroundSpeedMS: e.GroundSpeedMS, FootprintM: e.FootprintM,
			SmearLines: e.SmearLines(), LampRate: e.LampRate,
		}
	}
	return writeJSON(filepath.Join(r.truthDir, LinesFile), facts)
}

func writeLineMaps(path string, s *LineScanner) error {
	flat := floatPlane(planeFlat, "", s.Flat)
	flat.band, flat.version = s.Band.Name, int64(lineBandNumber(s.Profile, s.Band.Name))
	about := cards{{"DETECTOR", s.Detector.Name, ""}}
	return writePlanes(path, about, s.Detector.Width, 1, []plane{
		floatPlane(planePattern, "adu", s.Pattern),
		floatPlane(planeDark, "electron s-1", s.Dark),
		flat,
		defectPlane(s.Defects),
	})
}

// lineBandNumber counts the profile's bands from 1.
func lineBandNumber(p *configs.Profile, band string) int {
	for i := range p.Bands {
		if p.Bands[i].Name == band {
			return i + 1
		}
	}
	return 0
}

// record takes one file with every detector and writes it and its truth.
func (r *lineRecorder) record(f *PlannedLines) error {
	path := filepath.Join(r.dir, f.Name+".fits")
	raws := make([]*Raw, len(r.scanners))
	for i, s := range r.scanners {
		e := f.Exposure
		if f.Scene != nil {
			e.Radiance = f.Scene(s, &e)
		}
		var err error
		if raws[i], err = s.Expose(e); err != nil {
			return fmt.Errorf("simulating %s: %w", path, err)
		}
	}
	if err := r.writeRaw(path, f, raws); err != nil {
		return fmt.Errorf("simulating %s: %w", path, err)
	}
	if f.Scene == nil {
		return nil
	}
	for _, raw := range raws {
		if err := writeTruth(TruthFile(r.truthDir, f.Name, raw.Truth.Detector), f.Name, &raw.Truth); err != nil {
			return fmt.Errorf("writing the truth of %s: %w", path, err)
		}
	}
	return nil
}

func (r *lineRecorder) writeRaw(path string, f *PlannedLines, raws []*Raw) error {
	header, err := lineHeader(r.scanners[0].Profile, f)
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
		if err := r.writeHDU(w, header, &r.hdus[i], &f.Exposure, raws); err != nil {
			return err
		}
	}
	return w.Commit()
}

func (r *lineRecorder) writeHDU(w *fitsutil.Writer, header *fitsutil.Header, hdu *frameHDU, e *LineExposure, raws []*Raw) error {
	if err := hdu.nameIn(header); err != nil {
		return err
	}
	if hdu.sensor == noSensor {
		_, err := w.AddImage(header, bitpixInt16)
		return err
	}
	s := r.scanners[hdu.sensor]
	shape := configs.Detector{Width: s.RawWidth(max(e.Binning, 1)), Height: e.Lines}
	return writeSamples(w, header, &shape, raws[hdu.sensor].Samples)
}

// lineHeader writes the header cards of a file of lines the way the profile
// reads them, and has read them back through the profile, as frameHeader does.
func lineHeader(p *configs.Profile, f *PlannedLines) (*fitsutil.Header, error) {
	facts, err := lineCards(p, f)
	if err != nil {
		return nil, err
	}
	for i := range p.FrameKinds {
		rule := &p.FrameKinds[i]
		if rule.Kind != f.Kind {
			continue
		}
		h, err := facts.header(kindCards(rule, facts))
		if err != nil {
			return nil, err
		}
		if saysWhatWasPlanned(p, h, f) {
			return h, addInnocentCards(h, p)
		}
	}
	return nil, fmt.Errorf("no frame_kinds rule of the profile makes a file of lines of kind %s with %d stages; give the kind a rule that the rules before it leave alone, and keywords.line_time_s, charge_stages and binning",
		f.Kind, f.Exposure.Stages)
}

// saysWhatWasPlanned reads a header through the profile.
func saysWhatWasPlanned(p *configs.Profile, h *fitsutil.Header, f *PlannedLines) bool {
	info, err := p.Describe(h)
	return err == nil && info.Kind == f.Kind &&
		info.ChargeStages == f.Exposure.Stages && info.Binning == max(f.Exposure.Binning, 1)
}

// lineCards returns the cards of what is known about a file of lines besides
// its kind.
func lineCards(p *configs.Profile, f *PlannedLines) (cards, error) {
	c, err := factCards(p, &Planned{
		Exposure: Exposure{TempK: f.Exposure.TempK}, Time: f.Time, Mode: f.Mode, Target: f.Target, SunDistanceAU: f.SunDistanceAU,
	})
	if err != nil {
		return nil, err
	}
	k, e := &p.Keywords, &f.Exposure
	for _, q := range []struct {
		key     *configs.Quantity
		value   float64
		comment string
	}{
		{k.LineTimeS, e.LineTimeS, "time from line to line"},
		{k.ChargeStages, float64(e.Stages), "lines that charge is stepped through"},
		{k.Binning, float64(max(e.Binning, 1)), "columns and lines summed"},
		{k.GroundSpeedMS, e.GroundSpeedMS, "speed over the ground"},
		{k.FootprintM, e.FootprintM, "size of a pixel on the ground"},
	} {
		if q.key == nil || q.key.Key == "" || c.has(q.key.Key) {
			continue
		}
		value, err := rawLineQuantity(q.key, q.value)
		if err != nil {
			return nil, err
		}
		comment := q.comment
		if q.key.Unit != "" {
			comment = fmt.Sprintf("[%s] %s", q.key.Unit, q.comment)
		}
		c = append(c, card{q.key.Key, value, comment})
	}
	return c, nil
}

// rawLineQuantity returns the header's value, coded word or number in the
// header's unit, of a quantity of a line scanner in our own unit.
func rawLineQuantity(q *configs.Quantity, value float64) (any, error) {
	for i := range q.Words {
		if q.Words[i].Is == value {
			return coded(q.Words[i].Raw), nil
		}
	}
	switch q.Unit {
	case "s", "m", "m/s":
		return tidy(value), nil
	case "ms":
		return tidy(value * 1e3), nil
	case "us":
		return tidy(value * 1e6), nil
	case "min":
		return tidy(value / 60), nil
	case "km", "km/s":
		return tidy(value / 1e3), nil
	case "cm":
		return tidy(value * 100), nil
	case "", "1", "count":
		return int64(value), nil
	}
	return nil, fmt.Errorf("keyword %s has unit %q, which the simulator does not know; use s, ms, us, min, m, km, cm, m/s, km/s or count", q.Key, q.Unit)
}
