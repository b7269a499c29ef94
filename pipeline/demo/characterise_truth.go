package demo

import (
	"fmt"
	"math"
	"path/filepath"

	"gonum.org/v1/gonum/stat"

	"evenlight/calib"
	"evenlight/calib/measure"
	"evenlight/configs"
	"evenlight/pipeline"
	"evenlight/pipeline/simulate"
)

// sensorTruth is what the simulator knows of a camera.
type sensorTruth []*detectorTruth

// detectorTruth is what it knows of one detector.
type detectorTruth struct {
	profile  *configs.Profile
	detector *configs.Detector
	scalars  simulate.Scalars
	maps     *simulate.Maps
}

// loadSensorTruth reads the truth about all detectors.
func loadSensorTruth(dir string, p *configs.Profile) (sensorTruth, error) {
	scalars, err := simulate.LoadScalars(filepath.Join(dir, simulate.ScalarsFile))
	if err != nil {
		return nil, err
	}
	var out sensorTruth
	for _, s := range scalars {
		maps, err := simulate.LoadMaps(simulate.MapsFile(dir, s.Detector))
		if err != nil {
			return nil, err
		}
		out = append(out, &detectorTruth{profile: p, detector: detectorOf(p, s.Detector), scalars: s, maps: maps})
	}
	return out, nil
}

func (s sensorTruth) of(detector string) (*detectorTruth, error) {
	for _, t := range s {
		if t.scalars.Detector == detector {
			return t, nil
		}
	}
	return nil, fmt.Errorf("there is no truth about detector %s: simulate the frames again", detector)
}

func (t *detectorTruth) amplifier(name string) *simulate.Amplifier {
	for i := range t.scalars.Amplifiers {
		if t.scalars.Amplifiers[i].Name == name {
			return &t.scalars.Amplifiers[i]
		}
	}
	return &t.scalars.Amplifiers[0]
}

// pixels are the places in the maps of the pixels of the reference region that
// an amplifier reads, of one band where it is named, without those that the
// characterisation marks as bad and leaves out. It does not look for pixels
// with a curve of their own, so those stay.
func (t *detectorTruth) pixels(amplifier, band string) []int {
	d := t.detector
	var read configs.Region
	for i := range d.Amplifiers {
		if d.Amplifiers[i].Name == amplifier {
			read = d.Amplifiers[i].Region
		}
	}
	width := d.Image.Columns[1] - d.Image.Columns[0] + 1
	height := d.Image.Rows[1] - d.Image.Rows[0] + 1
	bands := bandsOfPixels(t.profile, d, "", width, height)
	var out []int
	for y := max(read.Rows[0], d.Reference.Rows[0]); y <= min(read.Rows[1], d.Reference.Rows[1]); y++ {
		for x := max(read.Columns[0], d.Reference.Columns[0]); x <= min(read.Columns[1], d.Reference.Columns[1]); x++ {
			i := (y-1)*d.Width + x - 1
			seen := bands[(y-d.Image.Rows[0])*width+x-d.Image.Columns[0]]
			if t.maps.Defects[i]&^simulate.Nonlinear == 0 && (band == "" || seen >= 0 && t.profile.Bands[seen].Name == band) {
				out = append(out, i)
			}
		}
	}
	return out
}

// fullWellE is full well, e-; NaN where the converter is full first.
func (t *detectorTruth) fullWellE() float64 {
	e := t.scalars.FullWellE
	top := math.Pow(2, float64(t.detector.ADCBits)) - 1
	for _, a := range t.scalars.Amplifiers {
		if a.OffsetDN+a.Measured(e/a.GainEPerDN) > top {
			return math.NaN()
		}
	}
	if e == 0 {
		return math.NaN()
	}
	return e
}

// meanDark is the mean dark current of pixels at the reference temperature.
func (t *detectorTruth) meanDark(pixels []int) float64 {
	sum := 0.0
	for _, i := range pixels {
		sum += float64(t.maps.Dark[i])
	}
	return sum / float64(len(pixels))
}

func (t *detectorTruth) doublingK() float64 {
	if t.detector.Dark.Law != configs.DarkDoubling {
		return math.NaN()
	}
	return t.detector.Dark.IntervalK
}

func (t *detectorTruth) energyEV() float64 {
	if t.detector.Dark.Law != configs.DarkActivation {
		return math.NaN()
	}
	return t.detector.Dark.EnergyEV
}

// linearityError is EMVA 1288's linearity error of the true curve at the
// levels where it was measured: their light is what the curve makes of them.
func (t *detectorTruth) linearityError(a *simulate.Amplifier, points []pipeline.Point) float64 {
	var levels []measure.Exposed
	top := 0.0
	for _, p := range points {
		if p.Used {
			levels = append(levels, measure.Exposed{ExposureS: a.Linear(p.X), Mean: measure.Figure{Value: p.X, U: 1}})
			top = math.Max(top, p.X)
		}
	}
	// The used levels are those between 5 and 95 percent of saturation.
	l, err := measure.LinearityError(levels, top/0.95)
	if err != nil {
		return math.NaN()
	}
	return l.Error.Value
}

// dsnu is the spread of the zero-exposure pattern over pixels, DN. The offset
// that frames are freed of is that of the overscan, whose pattern varies along
// the rows, too.
func (t *detectorTruth) dsnu(amplifier string, pixels []int) float64 {
	offset := t.overscanPattern(amplifier)
	values := make([]float64, len(pixels))
	for i, p := range pixels {
		values[i] = float64(t.maps.Pattern[p]) - offset[p/t.maps.Width]
	}
	return stat.StdDev(values, nil)
}

// overscanPattern is the mean pattern of an amplifier's overscan by row, over
// the rows that the profile smooths it over.
func (t *detectorTruth) overscanPattern(amplifier string) []float64 {
	out := make([]float64, t.maps.Height)
	var o *configs.Region
	for i := range t.detector.Amplifiers {
		if t.detector.Amplifiers[i].Name == amplifier {
			o = t.detector.Amplifiers[i].Overscan
		}
	}
	half := t.detector.Offset.SmoothRows / 2
	if o == nil || t.detector.Offset.From != configs.OffsetOverscan || half == 0 {
		return out
	}
	for y := range out {
		var near []float64
		for row := max(y-half, o.Rows[0]-1); row <= min(y+half, o.Rows[1]-1); row++ {
			for column := o.Columns[0] - 1; column < o.Columns[1]; column++ {
				near = append(near, float64(t.maps.Pattern[row*t.maps.Width+column]))
			}
		}
		if len(near) > 0 {
			out[y] = stat.Mean(near, nil)
		}
	}
	return out
}

// prnu is the spread of the pixels in a flat of the given level, percent of
// its mean, with the second-order shading taken off: the true response to
// light, which the characterisation tells from the bent one by the amplifier's
// curve. A pixel with a curve of its own differs by what that curve leaves.
func (t *detectorTruth) prnu(a *simulate.Amplifier, band string, levelDN float64, pixels []int) float64 {
	flat := t.flat(band)
	if flat == nil || len(pixels) == 0 {
		return math.NaN()
	}
	light := a.Linear(levelDN)
	design, signal, even := make([][]float64, len(pixels)), make([]float64, len(pixels)), make([]float64, len(pixels))
	for i, p := range pixels {
		x := 2*float64(p%t.maps.Width)/float64(t.maps.Width) - 1
		y := 2*float64(p/t.maps.Width)/float64(t.maps.Height) - 1
		design[i] = []float64{1, x, y, x * x, x * y, y * y}
		even[i] = 1
		signal[i] = float64(flat[p]) * light
		if t.maps.Bend != nil && t.maps.Bend[p] != 0 {
			signal[i] = a.Linear(a.MeasuredBent(signal[i], float64(t.maps.Bend[p])))
		}
	}
	fit, err := calib.LeastSquares(design, signal, even)
	if err != nil {
		return math.NaN()
	}
	sum := 0.0
	for i := range pixels {
		shade := 0.0
		for k, c := range fit.Coef {
			shade += c * design[i][k]
		}
		sum += (signal[i]/shade - 1) * (signal[i]/shade - 1)
	}
	return 100 * math.Sqrt(sum/float64(len(pixels)-1))
}

// flat is the true response in a band; a detector that sees one band only has
// one.
func (t *detectorTruth) flat(band string) []float32 {
	if len(t.maps.Flats) == 1 {
		for _, f := range t.maps.Flats {
			return f
		}
	}
	return t.maps.Flats[band]
}

// count is the number of pixels with a defect.
func (t *detectorTruth) count(defect simulate.Defect) float64 {
	n := 0
	for _, d := range t.maps.Defects {
		if d&defect != 0 {
			n++
		}
	}
	return float64(n)
}

// responding is the number of pixels of the image whose response in any band
// that they see lies between two limits.
func (t *detectorTruth) responding(from, to float64) float64 {
	d := t.detector
	n := 0
	for y := d.Image.Rows[0]; y <= d.Image.Rows[1]; y++ {
		for x := d.Image.Columns[0]; x <= d.Image.Columns[1]; x++ {
			if t.responds((y-1)*d.Width+x-1, from, to) {
				n++
			}
		}
	}
	return float64(n)
}

func (t *detectorTruth) responds(pixel int, from, to float64) bool {
	ownBand := t.detector.Mosaic != nil || len(t.detector.Strips) > 0
	for _, flat := range t.maps.Flats {
		f := float64(flat[pixel])
		if f >= from && f < to && !(ownBand && f == 0) {
			return true
		}
	}
	return false
}
