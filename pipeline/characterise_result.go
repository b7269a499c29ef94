package pipeline

import (
	"math"

	"evenlight/calib/measure"
)

// CharacterisationFormat is the version of the form of [Characterisation].
const CharacterisationFormat = 1

// whatCharacterisation is what such a file says that it is.
const whatCharacterisation = "sensor characterisation"

// Characterisation is what calibration frames tell of one detector in one
// mode. Its JSON form is documented in the README and stable. Names and
// definitions are those of EMVA Standard 1288, Release 4.0 Linear, where it
// has them; what departs from it is said at the field.
type Characterisation struct {
	Format      int             `json:"format"`
	What        string          `json:"what"`
	Software    string          `json:"software"`
	Version     string          `json:"version"`
	Instrument  string          `json:"instrument"`
	Detector    string          `json:"detector"`
	Mode        string          `json:"mode,omitempty"`
	ProfileHash string          `json:"profile_sha256"`
	Begin       string          `json:"begin"` // of the first exposure, UTC
	End         string          `json:"end"`   // start of the last one
	Cells       []CellFigures   `json:"cells"`
	BadPixels   *BadPixelCount  `json:"bad_pixels,omitempty"`
	Findings    []SensorFinding `json:"findings"`
	NotMeasured []NotMeasured   `json:"not_measured"`
	Inputs      []Input         `json:"inputs"` // frames that were gone through
	// SHA256 is the identity of the file: the SHA-256 of its own text with
	// this value empty.
	SHA256 string `json:"sha256"`
}

// SensorFigure is one figure.
type SensorFigure struct {
	Value float64 `json:"value"`
	U     float64 `json:"u"` // standard uncertainty
	Unit  string  `json:"unit,omitempty"`
	// Bound is "at least" or "at most" where Value is only a limit.
	Bound string `json:"bound,omitempty"`
	// Nominal is what the profile says, NominalU the uncertainty that it states.
	Nominal  *float64 `json:"nominal,omitempty"`
	NominalU *float64 `json:"nominal_u,omitempty"`
	// Sigmas is Value less Nominal over the uncertainty of both.
	Sigmas *float64 `json:"sigmas,omitempty"`
}

// Bounds of a figure.
const (
	AtLeast = "at least"
	AtMost  = "at most"
)

// sensorFigure makes a figure; nil where it is no finite number.
func sensorFigure(f measure.Figure, unit string) *SensorFigure {
	if finite(f.Value) == nil || finite(f.U) == nil {
		return nil
	}
	return &SensorFigure{Value: f.Value, U: f.U, Unit: unit}
}

// beside puts the profile's value beside a figure.
func (m *SensorFigure) beside(nominal, relativeU float64) *SensorFigure {
	if m == nil || nominal == 0 {
		return m
	}
	m.Nominal = &nominal
	u := math.Abs(nominal) * relativeU
	if u > 0 {
		m.NominalU = &u
	}
	if all := math.Hypot(m.U, u); all > 0 && m.Bound == "" {
		sigmas := (m.Value - nominal) / all
		m.Sigmas = &sigmas
	}
	return m
}

// CellFigures are the figures of one amplifier, or of one band of it, over the
// reference region; the dark current's distribution is over the whole image.
type CellFigures struct {
	Name      string `json:"name"`
	Amplifier string `json:"amplifier"`
	Band      string `json:"band,omitempty"`

	Gain      *SensorFigure `json:"gain,omitempty"`       // e-/DN; 1/K of EMVA 1288
	ReadNoise *SensorFigure `json:"read_noise,omitempty"` // e-; from pairs of biases, or of darks, else from the transfer; sigma_d of EMVA 1288
	// TransferReadNoise is what the photon transfer alone says of it.
	TransferReadNoise *SensorFigure `json:"transfer_read_noise,omitempty"`
	// ReadNoiseDN is the temporal noise of pairs of biases, rounding included, DN.
	ReadNoiseDN *SensorFigure `json:"read_noise_dn,omitempty"`
	Saturation  *SensorFigure `json:"saturation,omitempty"` // e-; level of the largest variance, EMVA 1288
	FullWell    *SensorFigure `json:"full_well,omitempty"`  // e-
	Bend        *SensorFigure `json:"bend,omitempty"`       // e-; where the variance leaves the curve
	ChiSquare   *float64      `json:"transfer_chi_square,omitempty"`

	LinearityError *SensorFigure `json:"linearity_error,omitempty"` // LE of EMVA 1288, percent, of the response as it is
	LinearityC2    *SensorFigure `json:"linearity_c2,omitempty"`    // 1/DN
	LinearityC3    *SensorFigure `json:"linearity_c3,omitempty"`    // 1/DN^2

	DSNU *NonUniformity      `json:"dsnu,omitempty"` // DSNU1288 of the biases, e-; bad pixels left out
	PRNU []BandNonUniformity `json:"prnu,omitempty"` // PRNU1288, percent; bad pixels left out, shading of second order taken off

	DarkRate       *SensorFigure `json:"dark_rate,omitempty"` // e-/s at reference temperature, mean of the good pixels
	DarkReferenceK *float64      `json:"dark_reference_k,omitempty"`
	DarkLaw        string        `json:"dark_law,omitempty"`      // of the profile: doubling or activation
	Doubling       *SensorFigure `json:"doubling_k,omitempty"`    // K
	Activation     *SensorFigure `json:"energy_ev,omitempty"`     // eV
	BetterLaw      string        `json:"better_law,omitempty"`    // where the data tell
	DarkShape      *Shape        `json:"dark_shape,omitempty"`    // distribution over the pixels
	Transfer       []Point       `json:"transfer,omitempty"`      // x: mean, DN on the linear scale; y: variance without rounding, DN^2
	Curve          []float64     `json:"curve,omitempty"`         // of the transfer, by power of x
	Linearity      []Point       `json:"linearity,omitempty"`     // x: mean, DN; y: deviation, percent
	Dark           []Point       `json:"dark,omitempty"`          // x: K; y: e-/s
	BiasColumn     []float64     `json:"bias_column,omitempty"`   // means of columns about the region's, DN
	BiasRow        []float64     `json:"bias_row,omitempty"`      // the same by row
	BiasNoise      *float64      `json:"bias_noise_dn,omitempty"` // what noise leaves in a pixel of the biases' mean, DN
	BiasFirst      *[2]int       `json:"bias_first,omitempty"`    // raw column and row, from 1, of the first of them

	saturationDN float64 // of the measured scale, above the bias
}

// NonUniformity is a non-uniformity and its parts (total, row, column, pixel).
type NonUniformity struct {
	Total  *SensorFigure `json:"total"`
	Row    *SensorFigure `json:"row"`
	Column *SensorFigure `json:"column"`
	Pixel  *SensorFigure `json:"pixel"`
}

// BandNonUniformity is a spread in one band of the flats.
type BandNonUniformity struct {
	Band string `json:"band,omitempty"`
	NonUniformity
	Level float64 `json:"level_dn"` // of the flats, above the bias
}

// Point is one measured point of a curve.
type Point struct {
	X    float64 `json:"x"`
	Y    float64 `json:"y"`
	U    float64 `json:"u"`    // of y
	Used bool    `json:"used"` // in the fit
	Why  string  `json:"why,omitempty"`
}

// Shape is a distribution of dark current, e-/s at the reference temperature.
type Shape struct {
	Pixels    int             `json:"pixels"`
	Quantiles []ShapeQuantile `json:"quantiles"`
	AboveHot  *SensorFigure   `json:"above_hot,omitempty"` // share of pixels above the profile's limit of hot ones
	Edges     []float64       `json:"edges"`
	Counts    []float64       `json:"counts"`
	Below     int             `json:"below"` // the first edge
	Above     int             `json:"above"` // the last
}

// ShapeQuantile is one quantile of a distribution.
type ShapeQuantile struct {
	P     float64       `json:"p"`
	Value *SensorFigure `json:"value"`
}

// BadPixelCount counts bad pixels of the whole image by the profile's limits.
// U is what the noise of pixels near a limit makes of the number.
type BadPixelCount struct {
	Pixels   int           `json:"pixels"`
	Hot      *SensorFigure `json:"hot,omitempty"`
	Unstable *SensorFigure `json:"unstable,omitempty"`
	Dead     *SensorFigure `json:"dead,omitempty"`
	Low      *SensorFigure `json:"low,omitempty"`
}
