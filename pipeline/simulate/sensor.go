package simulate

import (
	"errors"
	"fmt"
	"math"
	"math/rand/v2"

	"evenlight/configs"
)

// Options chooses the sensor. The zero value with a seed is a complete
// sensor; each switch takes one effect away and leaves all the others,
// number by number, as they were.
type Options struct {
	Seed uint64

	NoPattern      bool // B = 0, and overscan at the level of the image
	NoDrift        bool // o_a(y) is the profile's offset in every row and frame
	NoDark         bool // d = 0 everywhere, hot and unstable pixels included
	NoHot          bool // no hot pixels
	NoUnstable     bool // no pixels with telegraph dark current
	NoDead         bool // no dead pixels and no dead column
	NoLow          bool // no pixels of low response
	NoUnevenness   bool // F = 1 (dead and low pixels stay)
	NoCurvature    bool // lin(v) = v
	NoBadLinearity bool // no pixels with a curve of their own
	NoShotNoise    bool // N before read noise is Q itself, not a Poisson number
	NoReadNoise    bool // r_a = 0
	NoSmear        bool // m = 0

	// GainError is the relative amount by which every true gain exceeds the
	// profile's: what a calibration that trusts the profile gets wrong, and
	// a photon transfer finds.
	GainError float64

	// WanderDN is the rms of an offset that besides its drift wanders along
	// the rows as a sum of waves about WanderRows rows long, another in each
	// frame and amplifier; 0: none.
	WanderDN, WanderRows float64
}

// Defect tells what is wrong with a pixel; the bits may be added up, though a
// simulated pixel has one defect at most.
type Defect uint8

// What can be wrong with a pixel.
const (
	Dead      Defect = 1 << iota // response 0 to 0.05 of its neighbours'
	Low                          // response 0.25 to 0.55 of its neighbours'
	Hot                          // dark current of 200 to 20000 e-/s at T0
	Unstable                     // dark current that jumps between two values from frame to frame
	Nonlinear                    // a linearity of its own
)

// Amplifier is the truth about one output.
type Amplifier struct {
	Name       string  `json:"name"`
	GainEPerDN float64 `json:"gain_e_per_dn"` // g_a
	ReadNoiseE float64 `json:"read_noise_e"`  // r_a
	OffsetDN   float64 `json:"offset_dn"`     // o_a without drift
	C2         float64 `json:"c2"`            // 1/DN
	C3         float64 `json:"c3"`            // 1/DN^2
	// OverscanLevelDN is by how much the overscan of zero-exposure frames
	// lies above the image's offset.
	OverscanLevelDN float64 `json:"overscan_level_dn"`

	region, overscan box
	curve            curve
}

// Linear returns lin(v): linear DN for v measured DN above offset.
func (a *Amplifier) Linear(v float64) float64 { return a.curve.linear(v) }

// Measured returns lin^-1(u), to 1e-10 DN: measured DN above offset for u
// linear DN.
func (a *Amplifier) Measured(u float64) float64 { return a.curve.inverse(u) }

// MeasuredBent is Measured for a pixel that adds bend to c2; the curve of a
// simulated one was found to be invertible when the sensor was made.
func (a *Amplifier) MeasuredBent(u, bend float64) float64 {
	bent, _ := newCurve(a.C2+bend, a.C3, math.MaxUint16, 0)
	return bent.inverse(u)
}

// Sensor is the truth about one detector of a camera. Its planes cover the
// whole raw frame, row by row. It is not changed by use and may expose
// several frames at once.
type Sensor struct {
	Profile    *configs.Profile
	Detector   configs.Detector
	Options    Options
	Amplifiers []Amplifier
	FullWellE  float64 // e-; +Inf where the converter saturates first

	Pattern   []float32 // B(x,y), DN; the overscan has a level of its own
	Dark      []float32 // d(x,y) at T0, e-/s; of an unstable pixel, its lower value
	Telegraph []float32 // what an unstable pixel adds to Dark in about half of the frames, e-/s
	Bend      []float32 // what a nonlinear pixel adds to its amplifier's c2, 1/DN
	Defects   []Defect

	flats   map[string][]float32 // F_b(x,y) by band
	image   box
	masked  box     // where rows without light are shifted through the image
	ceiling float64 // highest code of the converter

	bandAt  []int16   // number of the band that a pixel sees, or noBand; nil: that of the exposure
	ownFlat []float32 // F of each pixel's own band; nil where bandAt is

	codes    []uint16 // companded code by DN; nil: samples are sent as they are
	lastCode uint16
}

// New makes the sensor of one detector of a profile. Dark current, response,
// pattern and defects are drawn from the seed; gain, read noise, offset, full
// well and temperature law are the profile's. The linearity is the profile's
// where the profile states it, and drawn (2 to 3 percent at full well) where
// it is to be measured from a ladder. A detector whose offset is not taken
// from overscan has an offset without drift, as nothing could follow it.
//
// Light reaches the sensor as the profile says: through one filter at a time,
// through a mosaic or strips of filters, or in the one band of the detector.
// Rolling exposure, smear and companding follow the profile, too.
//
// The error tells what in the profile cannot be simulated: a detector that
// does not exist, more than 16 bits, a region outside the frame, a linearity
// that cannot be inverted, an unknown band, or a companding table that does
// not rise.
func New(p *configs.Profile, detector string, opt Options) (*Sensor, error) {
	d, err := findDetector(p, detector)
	if err != nil {
		return nil, fmt.Errorf("simulating %s: %w", p.Instrument, err)
	}
	if err := checkDetector(d); err != nil {
		return nil, fmt.Errorf("simulating detector %s of %s: %w", detector, p.Instrument, err)
	}
	pixels := d.Width * d.Height
	s := &Sensor{
		Profile: p, Detector: *d, Options: opt,
		FullWellE: fullWell(d),
		Pattern:   make([]float32, pixels),
		Dark:      make([]float32, pixels),
		Telegraph: make([]float32, pixels),
		Bend:      make([]float32, pixels),
		Defects:   make([]Defect, pixels),
		flats:     make(map[string][]float32, len(p.Bands)),
		image:     boxOf(d.Image),
		masked:    maskedBox(d),
		ceiling:   ceilingOf(d),
	}
	if err := s.make(); err != nil {
		return nil, fmt.Errorf("simulating detector %s of %s: %w", detector, p.Instrument, err)
	}
	return s, nil
}

// make draws the truth about the sensor.
func (s *Sensor) make() error {
	var err error
	if s.bandAt, err = mapBands(s.Profile, &s.Detector); err != nil {
		return err
	}
	if s.codes, err = codesOf(&s.Detector); err != nil {
		return err
	}
	if s.codes != nil {
		s.lastCode = s.codes[len(s.codes)-1]
	}
	if err := s.makeAmplifiers(); err != nil {
		return err
	}
	s.makePattern()
	s.makeDefects()
	s.makeDark()
	if err := s.makeBend(); err != nil {
		return err
	}
	return s.makeFlats()
}

// NewAll makes the sensors of all detectors of a profile, in its order, each
// with a seed of its own derived from opt.Seed (the first has opt.Seed).
func NewAll(p *configs.Profile, opt Options) ([]*Sensor, error) {
	sensors := make([]*Sensor, len(p.Detectors))
	for i := range p.Detectors {
		own := opt
		if i > 0 {
			own.Seed = scramble(opt.Seed + uint64(i))
		}
		var err error
		if sensors[i], err = New(p, p.Detectors[i].Name, own); err != nil {
			return nil, err
		}
	}
	return sensors, nil
}

// Flat returns F_b(x,y) of a band over the raw frame: response relative to
// the plain mean over the good pixels of the reference region; 0 outside the
// image region. Where the pixels see bands of their own, the mean is that over
// the band's pixels, and the other pixels have 0. The slice is the sensor's
// own.
func (s *Sensor) Flat(band string) ([]float32, error) {
	flat, ok := s.flats[band]
	if !ok {
		return nil, fmt.Errorf("detector %s does not see a band %q; the profile has %s", s.Detector.Name, band, bandNames(s.Profile))
	}
	return flat, nil
}

// ImageWidth returns the number of columns of the image region.
func (s *Sensor) ImageWidth() int { return s.image.x1 - s.image.x0 }

// ImageHeight returns the number of rows of the image region.
func (s *Sensor) ImageHeight() int { return s.image.y1 - s.image.y0 }

// Trim copies the image region out of a plane that covers the raw frame.
func Trim[T any](s *Sensor, plane []T) []T {
	out := make([]T, 0, s.ImageWidth()*s.ImageHeight())
	for y := s.image.y0; y < s.image.y1; y++ {
		row := y * s.Detector.Width
		out = append(out, plane[row+s.image.x0:row+s.image.x1]...)
	}
	return out
}

// box is a region with zero-based, half-open ranges.
type box struct{ x0, y0, x1, y1 int }

func boxOf(r configs.Region) box {
	return box{x0: r.Columns[0] - 1, y0: r.Rows[0] - 1, x1: r.Columns[1], y1: r.Rows[1]}
}

func (b box) hasRow(y int) bool { return y >= b.y0 && y < b.y1 }

func (b box) pixels() int { return (b.x1 - b.x0) * (b.y1 - b.y0) }

// inside tells whether b is a region, with at least one pixel, of a frame.
func (b box) inside(width, height int) bool {
	return b.x0 >= 0 && b.y0 >= 0 && b.x0 < b.x1 && b.y0 < b.y1 && b.x1 <= width && b.y1 <= height
}

func findDetector(p *configs.Profile, name string) (*configs.Detector, error) {
	names := make([]string, len(p.Detectors))
	for i := range p.Detectors {
		if p.Detectors[i].Name == name {
			return &p.Detectors[i], nil
		}
		names[i] = p.Detectors[i].Name
	}
	return nil, fmt.Errorf("the profile has no detector %q; it has %q", name, names)
}

func bandNames(p *configs.Profile) string {
	names := make([]string, len(p.Bands))
	for i := range p.Bands {
		names[i] = p.Bands[i].Name
	}
	return fmt.Sprintf("%q", names)
}

// checkDetector refuses what would be simulated wrongly or not at all. It
// does not repeat the checks that reading a profile makes.
func checkDetector(d *configs.Detector) error {
	if d.ADCBits < 1 || d.ADCBits > 16 {
		return fmt.Errorf("adc_bits is %d; simulated samples have 1 to 16 bits", d.ADCBits)
	}
	if !boxOf(d.Image).inside(d.Width, d.Height) {
		return fmt.Errorf("the image region is not inside the frame of %d x %d; correct the profile", d.Width, d.Height)
	}
	if !boxOf(d.Reference).inside(d.Width, d.Height) {
		return fmt.Errorf("the reference region is not inside the frame of %d x %d; correct the profile", d.Width, d.Height)
	}
	for i := range d.Amplifiers {
		a := &d.Amplifiers[i]
		if !boxOf(a.Region).inside(d.Width, d.Height) || a.Overscan != nil && !boxOf(*a.Overscan).inside(d.Width, d.Height) {
			return fmt.Errorf("amplifier %s reaches outside the frame of %d x %d; correct the profile", a.Name, d.Width, d.Height)
		}
		if a.GainEPerDN <= 0 {
			return fmt.Errorf("amplifier %s has gain %g e-/DN; it must be above 0", a.Name, a.GainEPerDN)
		}
	}
	if d.Dark.Law == configs.DarkDoubling && d.Dark.IntervalK <= 0 {
		return errors.New("the doubling law of the dark current needs interval_k above 0")
	}
	if r := d.Rolling; r != nil && (!(r.RowS >= 0) || math.IsInf(r.RowS, 1)) {
		return fmt.Errorf("rolling.row_s is %g s; it must be finite and not negative", r.RowS)
	}
	return checkSmear(d)
}

func fullWell(d *configs.Detector) float64 {
	if d.Saturation.FullWellE > 0 {
		return d.Saturation.FullWellE
	}
	return math.Inf(1)
}

func ceilingOf(d *configs.Detector) float64 {
	return float64(uint64(1)<<d.ADCBits - 1)
}

// topDN is the linear level, DN above offset, at which full well or the
// converter's ceiling ends the range of an amplifier.
func topDN(d *configs.Detector, a *configs.Amplifier) float64 {
	return math.Min(fullWell(d)/a.GainEPerDN, ceilingOf(d)-a.OffsetDN)
}

func (s *Sensor) makeAmplifiers() error {
	s.Amplifiers = make([]Amplifier, len(s.Detector.Amplifiers))
	for i := range s.Amplifiers {
		known := &s.Detector.Amplifiers[i]
		a := &s.Amplifiers[i]
		a.Name = known.Name
		a.GainEPerDN = known.GainEPerDN * (1 + s.Options.GainError)
		a.ReadNoiseE = known.ReadNoiseE
		if s.Options.NoReadNoise {
			a.ReadNoiseE = 0
		}
		a.OffsetDN = known.OffsetDN
		a.region = boxOf(known.Region)
		if known.Overscan != nil {
			a.overscan = boxOf(*known.Overscan)
			a.OverscanLevelDN = s.overscanLevel(i)
		}
		a.C2, a.C3 = s.linearityOf(i)
		var err error
		if a.curve, err = newCurve(a.C2, a.C3, s.ceiling, s.mostDN(a)); err != nil {
			return fmt.Errorf("amplifier %s: %w", a.Name, err)
		}
	}
	return nil
}

// mostDN is the highest linear level that an amplifier can be given: full
// well and the largest read noise that is ever drawn.
func (s *Sensor) mostDN(a *Amplifier) float64 {
	return (s.FullWellE + 10*a.ReadNoiseE) / a.GainEPerDN
}

func (s *Sensor) overscanLevel(amplifier int) float64 {
	if s.Options.NoPattern {
		return 0
	}
	r := rand.New(newStream(s.Options.Seed, forOverscanLevel, uint64(amplifier), 0))
	level := between(r, 0.5, 2)
	if r.Uint64()&1 == 0 {
		return -level
	}
	return level
}

// linearityOf returns c2 and c3 of an amplifier. Drawn ones depart from a
// straight line by 2 to 3 percent at the top of the range.
func (s *Sensor) linearityOf(amplifier int) (c2, c3 float64) {
	known := &s.Detector.Amplifiers[amplifier]
	switch {
	case s.Options.NoCurvature || s.Detector.Linearity.From == configs.LinearityNone:
		return 0, 0
	case s.Detector.Linearity.From == configs.LinearityProfile:
		return known.C2, known.C3
	}
	r := rand.New(newStream(s.Options.Seed, forLinearity, uint64(amplifier), 0))
	departure := between(r, 0.02, 0.03)
	cubic := between(r, -0.3, 0.4)
	top := topDN(&s.Detector, known)
	return departure * (1 - cubic) / top, departure * cubic / (top * top)
}

// makePattern draws B: columns, rows and single pixels, 1.5 DN rms together.
func (s *Sensor) makePattern() {
	if s.Options.NoPattern {
		return
	}
	const columnDN, rowDN, pixelDN = 0.8, 0.7, 1.0
	columns := gaussians(rand.New(newStream(s.Options.Seed, forColumns, 0, 0)), s.Detector.Width, columnDN)
	rows := gaussians(rand.New(newStream(s.Options.Seed, forRows, 0, 0)), s.Detector.Height, rowDN)
	r := rand.New(newStream(s.Options.Seed, forPattern, 0, 0))
	for y, row := range rows {
		for x, column := range columns {
			s.Pattern[y*s.Detector.Width+x] = float32(row + column + pixelDN*r.NormFloat64())
		}
	}
	for i := range s.Amplifiers {
		a := &s.Amplifiers[i]
		s.each(a.overscan, func(p int) { s.Pattern[p] += float32(a.OverscanLevelDN) })
	}
}

func gaussians(r *rand.Rand, n int, sigma float64) []float64 {
	out := make([]float64, n)
	for i := range out {
		out[i] = sigma * r.NormFloat64()
	}
	return out
}

// each calls do with the index of every pixel of b, row by row.
func (s *Sensor) each(b box, do func(pixel int)) {
	for y := b.y0; y < b.y1; y++ {
		for x := b.x0; x < b.x1; x++ {
			do(y*s.Detector.Width + x)
		}
	}
}

// Shares of the image's pixels that have a defect.
const (
	deadShare      = 0.0003
	lowShare       = 0.0005
	hotShare       = 0.001
	unstableShare  = 0.0004
	nonlinearShare = 0.0003
)

// makeDefects chooses the bad pixels: one draw a pixel, so that switching one
// kind off does not move the others, and one dead column.
func (s *Sensor) makeDefects() {
	kinds := [...]struct {
		defect Defect
		share  float64
		off    bool
	}{
		{Dead, deadShare, s.Options.NoDead},
		{Low, lowShare, s.Options.NoLow},
		{Hot, hotShare, s.Options.NoHot || s.Options.NoDark},
		{Unstable, unstableShare, s.Options.NoUnstable || s.Options.NoDark},
		{Nonlinear, nonlinearShare, s.Options.NoBadLinearity},
	}
	r := rand.New(newStream(s.Options.Seed, forDefects, 0, 0))
	s.each(s.image, func(p int) {
		u := r.Float64()
		for _, k := range kinds {
			if u < k.share {
				if !k.off {
					s.Defects[p] = k.defect
				}
				return
			}
			u -= k.share
		}
	})
	if !s.Options.NoDead {
		s.killColumn()
	}
}

func (s *Sensor) killColumn() {
	r := rand.New(newStream(s.Options.Seed, forDeadColumn, 0, 0))
	x := s.image.x0 + r.IntN(s.ImageWidth())
	s.each(box{x0: x, x1: x + 1, y0: s.image.y0, y1: s.image.y1}, func(p int) { s.Defects[p] = Dead })
}

// makeDark draws the dark current: lognormal with mean 2 e-/s, hot pixels
// evenly over the logarithm. Every pixel draws all its numbers, needed or not,
// so that they do not depend on what the other pixels are.
func (s *Sensor) makeDark() {
	if s.Options.NoDark {
		return
	}
	r := rand.New(newStream(s.Options.Seed, forDark, 0, 0))
	hot := rand.New(newStream(s.Options.Seed, forHot, 0, 0))
	telegraph := rand.New(newStream(s.Options.Seed, forTelegraph, 0, 0))
	s.each(s.image, func(p int) {
		s.Dark[p] = float32(ordinaryDark(r))
		hotLog := between(hot, math.Log(200), math.Log(20000))
		telegraphLog := between(telegraph, math.Log(100), math.Log(1000))
		switch s.Defects[p] {
		case Hot:
			s.Dark[p] = float32(math.Exp(hotLog))
		case Unstable:
			s.Telegraph[p] = float32(math.Exp(telegraphLog))
		}
	})
	s.makeMaskedDark()
}

// ordinaryDark draws the dark current of a good pixel, e-/s.
func ordinaryDark(r *rand.Rand) float64 {
	const mean, spread = 2.0, 0.35 // e-/s; standard deviation of the logarithm
	logMedian := math.Log(mean) - spread*spread/2
	return math.Exp(logMedian + spread*r.NormFloat64())
}

// makeBend gives the nonlinear pixels a curve that departs from their
// amplifier's by 8 to 18 percent at the top of the range, either way.
func (s *Sensor) makeBend() error {
	var bad error
	r := rand.New(newStream(s.Options.Seed, forBend, 0, 0))
	for i := range s.Amplifiers {
		a := &s.Amplifiers[i]
		top := topDN(&s.Detector, &s.Detector.Amplifiers[i])
		s.each(a.region, func(p int) {
			departure := between(r, 0.08, 0.18)
			if r.Uint64()&1 == 0 {
				departure = -departure
			}
			if s.Defects[p] != Nonlinear {
				return
			}
			s.Bend[p] = float32(departure / top)
			if _, err := newCurve(a.C2+float64(s.Bend[p]), a.C3, s.ceiling, s.mostDN(a)); err != nil {
				bad = fmt.Errorf("nonlinear pixel of amplifier %s: %w", a.Name, err)
			}
		})
	}
	return bad
}

// responsivity is K_b, e-/s per unit of L. A band without one in its profile
// has 1: its scenes are then given in e-/s.
func responsivity(p *configs.Profile, band string) float64 {
	for i := range p.Bands {
		if p.Bands[i].Name == band && p.Bands[i].Responsivity > 0 {
			return p.Bands[i].Responsivity
		}
	}
	return 1
}
