package simulate

import (
	"encoding/json"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strconv"

	"evenlight/fitsutil"
)

// EXTNAMEs of the truth's planes.
const (
	planeElectrons = "SCENE_ELECTRONS"
	planeRadiance  = "SCENE_RADIANCE"
	planeCosmic    = "COSMIC_RAYS"
	planeSaturated = "SATURATED"
	planeDefects   = "DEFECTS"
	planeBand      = "BANDRAD" // EXTVER counts the profile's bands from 1
	planeSmear     = "SMEAR"

	planePattern = "PATTERN"
	planeDark    = "DARK_CURRENT"
	planeFlat    = "FLAT" // EXTVER counts the profile's bands from 1
	planeBend    = "BEND"
)

// TruthFile names the file that holds the truth of one frame on one detector.
func TruthFile(truthDir, frame, detector string) string {
	return filepath.Join(truthDir, "truth-"+frame+"-"+detector+".fits")
}

// MapsFile names the file that holds the truth about the pixels of a detector
// over the raw frame: B in DN, d in e-/s at T0, F of every band, defects, and
// of frames what nonlinear pixels add to c2.
func MapsFile(truthDir, detector string) string {
	return filepath.Join(truthDir, "sensor-"+detector+".fits")
}

// ScalarsFile is the name of the file that [LoadScalars] reads.
const ScalarsFile = "sensor.json"

// plane is an image to be written.
type plane struct {
	name, unit string
	band       string // empty: the plane is not of one band
	version    int64  // EXTVER; 0: no such card
	bitpix     int
	data       []byte
}

func floatPlane(name, unit string, values []float32) plane {
	data := make([]byte, 4*len(values))
	fitsutil.EncodeFloat32(data, values)
	return plane{name: name, unit: unit, bitpix: bitpixFloat32, data: data}
}

func defectPlane(defects []Defect) plane {
	data := make([]byte, len(defects))
	for i, d := range defects {
		data[i] = byte(d)
	}
	return plane{name: planeDefects, bitpix: bitpixBytes, data: data}
}

func boolPlane(name string, values []bool) plane {
	data := make([]byte, len(values))
	for i, v := range values {
		if v {
			data[i] = 1
		}
	}
	return plane{name: name, bitpix: bitpixBytes, data: data}
}

// writeTruth writes the truth of a frame.
func writeTruth(path, frame string, t *Truth) error {
	about := cards{
		{"FRAME", frame, "raw frame that this is the truth of"},
		{"DETECTOR", t.Detector, ""},
	}
	planes := []plane{
		floatPlane(planeElectrons, "electron", t.Electrons),
		floatPlane(planeRadiance, "W m-2 sr-1 nm-1", t.Radiance),
		floatPlane(planeCosmic, "electron", t.Cosmic),
		boolPlane(planeSaturated, t.Saturated),
		defectPlane(t.Defects),
	}
	for b := range t.BandRadiance {
		one := floatPlane(planeBand, "W m-2 sr-1 nm-1", t.BandRadiance[b])
		one.band, one.version = t.BandNames[b], int64(b+1)
		planes = append(planes, one)
	}
	if t.Smear != nil {
		planes = append(planes, floatPlane(planeSmear, "electron", t.Smear))
	}
	return writePlanes(path, about, t.Width, t.Height, planes)
}

// writeMaps writes the truth about a sensor's pixels.
func writeMaps(path string, s *Sensor) error {
	planes := []plane{
		floatPlane(planePattern, "adu", s.Pattern),
		floatPlane(planeDark, "electron s-1", s.Dark),
	}
	for i := range s.Profile.Bands {
		band := s.Profile.Bands[i].Name
		values, seen := s.flats[band]
		if !seen {
			continue
		}
		flat := floatPlane(planeFlat, "", values)
		flat.band, flat.version = band, int64(i+1)
		planes = append(planes, flat)
	}
	planes = append(planes, defectPlane(s.Defects), floatPlane(planeBend, "adu-1", s.Bend))
	about := cards{{"DETECTOR", s.Detector.Name, ""}}
	return writePlanes(path, about, s.Detector.Width, s.Detector.Height, planes)
}

// writePlanes writes planes of one size as image extensions.
func writePlanes(path string, about cards, width, height int, planes []plane) error {
	w, err := fitsutil.Create(path, fitsutil.CreateOptions{})
	if err != nil {
		return err
	}
	defer w.Abort()
	primary, err := about.header(nil)
	if err != nil {
		return err
	}
	primary.AddComment("Truth of a simulation. Bits of " + planeDefects +
		": 1 dead, 2 low response, 4 hot, 8 unstable dark current, 16 linearity of its own.")
	if _, err := w.AddImage(primary, bitpixBytes); err != nil {
		return err
	}
	for i := range planes {
		if err := planes[i].write(w, width, height); err != nil {
			return err
		}
	}
	return w.Commit()
}

func (p *plane) write(w *fitsutil.Writer, width, height int) error {
	h := fitsutil.NewHeader()
	all := cards{{"EXTNAME", p.name, ""}}
	if p.version != 0 {
		all = append(all, card{"EXTVER", p.version, ""})
	}
	if p.band != "" {
		all = append(all, card{"BAND", p.band, ""})
	}
	if p.unit != "" {
		all = append(all, card{"BUNIT", p.unit, ""})
	}
	if err := setAll(h, all); err != nil {
		return err
	}
	image, err := w.AddImage(h, p.bitpix, width, height)
	if err != nil {
		return err
	}
	return image.WriteRows(0, 0, height, p.data)
}

// Maps are the truth about the pixels of a detector, over the raw frame, or of
// the columns of an unbinned line.
type Maps struct {
	Width, Height int
	Pattern       []float32 // B, DN
	Dark          []float32 // d at T0, e-/s; of an unstable pixel, its lower value
	Flats         map[string][]float32
	Defects       []Defect
	Bend          []float32 // what a nonlinear pixel adds to its amplifier's c2, 1/DN; nil where none is drawn
}

// LoadMaps reads the truth about a detector's pixels from the file that
// [MapsFile] names.
func LoadMaps(path string) (*Maps, error) {
	f, err := fitsutil.Open(path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	r := truthReader{file: f}
	m := r.maps()
	if r.err != nil {
		return nil, fmt.Errorf("reading the truth about a detector's pixels from %s: %w", path, r.err)
	}
	return m, nil
}

// LoadTruth reads the truth of a frame from a file that [WriteFrames] wrote;
// [TruthFile] gives its name.
func LoadTruth(path string) (*Truth, error) {
	f, err := fitsutil.Open(path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	r := truthReader{file: f}
	t := r.truth()
	if r.err != nil {
		return nil, fmt.Errorf("reading the truth of a frame from %s: %w", path, r.err)
	}
	return t, nil
}

// truthReader reads planes until the first error.
type truthReader struct {
	file *fitsutil.File
	err  error
}

func (r *truthReader) truth() *Truth {
	t := &Truth{}
	t.Detector, _, r.err = r.file.HDUs()[0].Header.Text("DETECTOR")
	t.Electrons = r.floats(planeElectrons)
	t.Radiance = r.floats(planeRadiance)
	t.Cosmic = r.floats(planeCosmic)
	t.Width, t.Height = r.size(planeElectrons)
	saturated := r.bytes(planeSaturated)
	t.Saturated = make([]bool, len(saturated))
	for i, b := range saturated {
		t.Saturated[i] = b != 0
	}
	t.Defects = r.defects()
	for _, hdu := range r.planes(planeBand) {
		name, _, err := hdu.Header.Text("BAND")
		if err != nil {
			r.err = err
		}
		t.BandNames = append(t.BandNames, name)
		t.BandRadiance = append(t.BandRadiance, r.floats(strconv.Itoa(hdu.Index)))
	}
	if len(r.planes(planeSmear)) > 0 {
		t.Smear = r.floats(planeSmear)
	}
	return t
}

func (r *truthReader) maps() *Maps {
	m := &Maps{Pattern: r.floats(planePattern), Dark: r.floats(planeDark), Defects: r.defects(), Flats: map[string][]float32{}}
	m.Width, m.Height = r.size(planePattern)
	for _, hdu := range r.planes(planeFlat) {
		band, _, err := hdu.Header.Text("BAND")
		if err != nil {
			r.err = err
		}
		m.Flats[band] = r.floats(strconv.Itoa(hdu.Index))
	}
	if len(r.planes(planeBend)) > 0 {
		m.Bend = r.floats(planeBend)
	}
	return m
}

func (r *truthReader) defects() []Defect {
	values := r.bytes(planeDefects)
	out := make([]Defect, len(values))
	for i, b := range values {
		out[i] = Defect(b)
	}
	return out
}

// planes returns the planes of one name, which a truth may have or not.
func (r *truthReader) planes(name string) []*fitsutil.HDU {
	return slices.DeleteFunc(slices.Clone(r.file.HDUs()), func(hdu *fitsutil.HDU) bool {
		own, _, err := hdu.Header.Text("EXTNAME")
		return err != nil || own != name
	})
}

func (r *truthReader) size(name string) (width, height int) {
	if r.err != nil {
		return 0, 0
	}
	hdu, err := r.file.Find(name)
	if err != nil {
		r.err = err
		return 0, 0
	}
	return hdu.Width(), hdu.Height()
}

// bytes returns the data of a plane as the file holds them.
func (r *truthReader) bytes(name string) []byte {
	if r.err != nil {
		return nil
	}
	hdu, err := r.file.Find(name)
	if err != nil {
		r.err = err
		return nil
	}
	data, err := r.file.ReadRows(hdu, 0, 0, hdu.Height(), nil)
	r.err = err
	return data
}

func (r *truthReader) floats(name string) []float32 {
	data := r.bytes(name)
	if r.err != nil {
		return nil
	}
	hdu, err := r.file.Find(name)
	if err != nil {
		r.err = err
		return nil
	}
	values := make([]float32, hdu.Width()*hdu.Height())
	r.err = hdu.DecodeFloat32(values, data)
	return values
}

// Scalars are the numbers of the truth that are common to a detector's frames.
type Scalars struct {
	Instrument   string        `json:"instrument"`
	Detector     string        `json:"detector"`
	Seed         uint64        `json:"seed"`
	FullWellE    float64       `json:"full_well_e"` // 0: the converter saturates first
	ReferenceK   float64       `json:"dark_reference_k"`
	Amplifiers   []Amplifier   `json:"amplifiers"`
	Bands        []BandTruth   `json:"bands"`
	DefectCounts []DefectCount `json:"defects"`
}

// BandTruth is the truth about one band.
type BandTruth struct {
	Name         string  `json:"name"`
	Responsivity float64 `json:"responsivity"` // K_b, e-/s per W m^-2 sr^-1 nm^-1
}

// DefectCount is the number of pixels with one defect.
type DefectCount struct {
	Name   string `json:"name"`
	Pixels int    `json:"pixels"`
}

// Scalars returns the scalar truth about a sensor.
func (s *Sensor) Scalars() Scalars {
	out := Scalars{
		Instrument: s.Profile.Instrument, Detector: s.Detector.Name, Seed: s.Options.Seed,
		ReferenceK: s.Detector.Dark.ReferenceK, Amplifiers: s.Amplifiers,
	}
	if !math.IsInf(s.FullWellE, 1) {
		out.FullWellE = s.FullWellE
	}
	for i := range s.Profile.Bands {
		name := s.Profile.Bands[i].Name
		out.Bands = append(out.Bands, BandTruth{Name: name, Responsivity: responsivity(s.Profile, name)})
	}
	for _, kind := range [...]struct {
		defect Defect
		name   string
	}{{Dead, "dead"}, {Low, "low"}, {Hot, "hot"}, {Unstable, "unstable"}, {Nonlinear, "nonlinear"}} {
		count := DefectCount{Name: kind.name}
		for _, d := range s.Defects {
			if d&kind.defect != 0 {
				count.Pixels++
			}
		}
		out.DefectCounts = append(out.DefectCounts, count)
	}
	return out
}

// writeScalars writes the scalar truth of all detectors, and refuses to
// replace a file.
func writeScalars(path string, sensors []*Sensor) error {
	all := make([]Scalars, len(sensors))
	for i, s := range sensors {
		all[i] = s.Scalars()
	}
	return writeJSON(path, all)
}

// writeJSON writes a value as a file, and refuses to replace one.
func writeJSON(path string, value any) error {
	text, err := json.MarshalIndent(value, "", "  ")
	if err != nil {
		return err
	}
	f, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o666)
	if err != nil {
		return fmt.Errorf("%w; choose a new folder, or remove the old simulation", err)
	}
	if _, err := f.Write(append(text, '\n')); err != nil {
		f.Close()
		return err
	}
	return f.Close()
}

// LoadScalars reads the scalar truth, a detector at a time, from the file
// that [WriteFrames] wrote.
func LoadScalars(path string) ([]Scalars, error) {
	text, err := os.ReadFile(path)
	if err != nil {
		return nil, err
	}
	var all []Scalars
	if err := json.Unmarshal(text, &all); err != nil {
		return nil, fmt.Errorf("reading the scalar truth from %s: %w; simulate the frames again", path, err)
	}
	for i := range all {
		for j := range all[i].Amplifiers {
			a := &all[i].Amplifiers[j]
			if a.curve, err = newCurve(a.C2, a.C3, math.MaxUint16, 0); err != nil {
				return nil, fmt.Errorf("reading the scalar truth from %s: amplifier %s: %w", path, a.Name, err)
			}
		}
	}
	return all, nil
}
