package simulate

import (
	"errors"
	"fmt"
	"math"
	"math/rand/v2"

	"evenlight/configs"
)

// Purposes of the random streams of a camera tube.
const (
	forTubeDefects purpose = iota + 2000
	forTubePattern
	forTubeDark
	forTubeShading
	forTubeGrain
	forTubeResponse
	forTubeDistortion
	forTubeReadout
)

// TubeOptions chooses the tube; each switch takes one effect away and leaves
// all the others as they were.
type TubeOptions struct {
	Options
	NoResidual   bool // nothing is left of the frame before
	NoDistortion bool // the picture has its true geometry
	NoMarks      bool // the faceplate bears no marks
}

// Tube is the truth about a camera tube. Its planes cover the whole raw frame,
// row by row, in the geometry of the raw frame. It is not changed by use and
// may expose several frames at once.
//
// The model is that of [Sensor] with these differences:
//
//	Q   = P + d h(T) (t + wait) + rho P'        P = F_b (K_b L + lamp) t, light only
//	lin = v + c2(x,y) v^2 + c3(x,y) v^3          one curve for each pixel
//
// P' is the light P of the frame before, up to full well; neither dark charge
// nor the residual image that the frame before had itself is passed on. L is
// the radiance at the place where the distortion puts it, see [Tube.View].
type Tube struct {
	Profile    *configs.Profile
	Detector   configs.Detector
	Options    TubeOptions
	Amplifiers []Amplifier // C2 and C3 are 0: the planes below tell them
	FullWellE  float64     // e-; +Inf where the converter saturates first
	Fraction   float64     // rho
	MaxGapS    float64     // s between the starts of two frames beyond which nothing is left
	Distortion Distortion
	Marks      []TubeMark

	Pattern []float32 // B(x,y), DN
	Dark    []float32 // d(x,y) at T0, e-/s
	C2      []float32 // 1/DN
	C3      []float32 // 1/DN^2
	Passed  []float32 // share of the light that the reference marks let through
	Defects []Defect  // Dead and Low; a mark is none

	flats  map[string][]float32 // F_b, marks included
	base   *Sensor              // image region, converter, temperature law
	places []place              // true places of the sub-pixels, see View
}

// NewTube makes a camera tube. Shading, response, pattern, dark current, bad
// spots and distortion are drawn from the seed; the rest is the profile's. A
// response that the profile states is that of all pixels; one that is to be
// measured from a ladder departs from a straight line by 3 to 12 percent at
// the top of the range and varies smoothly over the target. The flat field
// includes the reference marks, and has mean 1 over the pixels of the
// reference region that are neither bad nor shaded by a mark. The offset does
// not drift, as a tube has no overscan that could follow it. Of the options
// those about drift and about hot, unstable and nonlinear pixels have no
// effect.
//
// The error tells what in the profile cannot be simulated: what [New] names,
// or a distortion that would fold the picture.
func NewTube(p *configs.Profile, detector string, opt TubeOptions) (*Tube, error) {
	d, err := findDetector(p, detector)
	if err != nil {
		return nil, fmt.Errorf("simulating %s: %w", p.Instrument, err)
	}
	t, err := newTube(p, d, opt)
	if err != nil {
		return nil, fmt.Errorf("simulating detector %s of %s: %w", detector, p.Instrument, err)
	}
	return t, nil
}

func newTube(p *configs.Profile, d *configs.Detector, opt TubeOptions) (*Tube, error) {
	straight := opt.Options
	straight.NoCurvature = true
	base, err := newBase(p, d, straight)
	if err != nil {
		return nil, err
	}
	pixels := d.Width * d.Height
	t := &Tube{
		Profile: p, Detector: *d, Options: opt,
		Amplifiers: base.Amplifiers, FullWellE: base.FullWellE,
		Pattern: make([]float32, pixels),
		Dark:    make([]float32, pixels),
		C2:      make([]float32, pixels),
		C3:      make([]float32, pixels),
		Passed:  make([]float32, pixels),
		Defects: make([]Defect, pixels),
		flats:   make(map[string][]float32, len(p.Bands)),
		base:    base,
	}
	if d.Residual != nil && !opt.NoResidual {
		t.Fraction, t.MaxGapS = d.Residual.Fraction, d.Residual.MaxGapS
	}
	if err := t.makeGeometry(); err != nil {
		return nil, err
	}
	t.makeDefects()
	t.makePattern()
	t.makeDark()
	if err := t.makeResponse(); err != nil {
		return nil, err
	}
	return t, t.makeFlats()
}

// ImageWidth returns the number of columns of the image region.
func (t *Tube) ImageWidth() int { return t.base.ImageWidth() }

// ImageHeight returns the number of rows of the image region.
func (t *Tube) ImageHeight() int { return t.base.ImageHeight() }

// Flat returns F_b(x,y) of a band over the raw frame, marks included. The
// slice is the tube's own.
func (t *Tube) Flat(band string) ([]float32, error) {
	flat, ok := t.flats[band]
	if !ok {
		return nil, fmt.Errorf("detector %s: the profile has no band %q; it has %s", t.Detector.Name, band, bandNames(t.Profile))
	}
	return flat, nil
}

// Scalars returns the scalar truth about the tube.
func (t *Tube) Scalars() Scalars {
	base := *t.base
	base.Defects = t.Defects
	return base.Scalars()
}

// surface is a smooth random function over the image, a polynomial of low
// order whose values reach from -1 to 1.
type surface struct {
	terms  []float64 // ordered as those of a Distortion
	middle float64
	half   float64
}

// newSurface draws a polynomial of second order.
func newSurface(r *rand.Rand) surface {
	s := surface{terms: make([]float64, termCount(2)), half: 1}
	for i := 1; i < len(s.terms); i++ {
		s.terms[i] = r.NormFloat64()
	}
	low, high := math.Inf(1), math.Inf(-1)
	eachOfGrid(func(u, v float64) {
		low, high = min(low, s.at(u, v)), max(high, s.at(u, v))
	})
	s.middle, s.half = (low+high)/2, (high-low)/2
	return s
}

// at returns the value at u, v from -1 to 1.
func (s *surface) at(u, v float64) float64 {
	return (polynomialAt(s.terms, u, v) - s.middle) / s.half
}

// eachOfGrid calls do at 33 x 33 places of the image, its edges included.
func eachOfGrid(do func(u, v float64)) {
	const steps = 32
	for j := range steps + 1 {
		for i := range steps + 1 {
			do(2*float64(i)/steps-1, 2*float64(j)/steps-1)
		}
	}
}

// unit returns the coordinates of a pixel's middle, -1 to 1 over the image.
func (t *Tube) unit(pixel int) (u, v float64) {
	x, y := pixel%t.Detector.Width, pixel/t.Detector.Width
	return t.Distortion.unit(float64(x+1), float64(y+1))
}

// each calls do with the index of every pixel of the image region.
func (t *Tube) each(do func(pixel int)) { t.base.each(t.base.image, do) }

// makeDefects chooses dead spots and spots of low response, one draw a pixel.
func (t *Tube) makeDefects() {
	r := rand.New(newStream(t.Options.Seed, forTubeDefects, 0, 0))
	t.each(func(p int) {
		switch u := r.Float64(); {
		case u < deadShare:
			if !t.Options.NoDead {
				t.Defects[p] = Dead
			}
		case u < deadShare+lowShare:
			if !t.Options.NoLow {
				t.Defects[p] = Low
			}
		}
	})
}

// makePattern draws B: a smooth part of up to 4 DN either way (less where the
// offset is small) and 0.4 DN rms from pixel to pixel.
func (t *Tube) makePattern() {
	if t.Options.NoPattern {
		return
	}
	const smoothDN, pixelDN = 4.0, 0.4
	height := smoothDN
	for i := range t.Amplifiers {
		height = min(height, t.Amplifiers[i].OffsetDN/8)
	}
	r := rand.New(newStream(t.Options.Seed, forTubePattern, 0, 0))
	smooth := newSurface(r)
	t.each(func(p int) {
		t.Pattern[p] = float32(height*smooth.at(t.unit(p)) + pixelDN*r.NormFloat64())
	})
}

// makeDark draws the dark current: 20 e-/s in the middle of its range, 40
// percent more or less over the target, 10 percent from pixel to pixel.
func (t *Tube) makeDark() {
	if t.Options.NoDark {
		return
	}
	const mean, swing, grain = 20.0, 0.4, 0.1
	r := rand.New(newStream(t.Options.Seed, forTubeDark, 0, 0))
	smooth := newSurface(r)
	t.each(func(p int) {
		t.Dark[p] = float32(mean * (1 + swing*smooth.at(t.unit(p))) * math.Exp(grain*r.NormFloat64()))
	})
}

// makeResponse draws c2 and c3.
func (t *Tube) makeResponse() error {
	if t.Options.NoCurvature || t.Detector.Linearity.From == configs.LinearityNone {
		return nil
	}
	r := rand.New(newStream(t.Options.Seed, forTubeResponse, 0, 0))
	departure, cubic := newSurface(r), newSurface(r)
	for i := range t.Amplifiers {
		a, known := &t.Amplifiers[i], &t.Detector.Amplifiers[i]
		top := topDN(&t.Detector, known)
		var bad error
		t.base.each(a.region, func(p int) {
			c2, c3 := known.C2, known.C3
			if t.Detector.Linearity.From == configs.LinearityLadder {
				u, v := t.unit(p)
				d, k := 0.075+0.045*departure.at(u, v), 0.05+0.35*cubic.at(u, v)
				c2, c3 = d*(1-k)/top, d*k/(top*top)
			}
			t.C2[p], t.C3[p] = float32(c2), float32(c3)
			if _, err := newCurve(c2, c3, t.base.ceiling, t.base.mostDN(a)); err != nil {
				bad = err
			}
		})
		if bad != nil {
			return fmt.Errorf("amplifier %s: %w", a.Name, bad)
		}
	}
	return nil
}

// makeFlats draws F_b of every band: shading that falls with the square of
// the distance from the centre, to 0.7 in the corners, a slope of 3 percent
// that differs between the bands, 0.5 percent from pixel to pixel, bad spots
// and the reference marks.
func (t *Tube) makeFlats() error {
	const fallOff, slope, grain = 0.30, 0.03, 0.005
	grains := rand.New(newStream(t.Options.Seed, forTubeGrain, 0, 0))
	own := make([]float64, len(t.Passed))
	t.each(func(p int) {
		noise, u := grains.NormFloat64(), grains.Float64()
		own[p] = 1
		if !t.Options.NoUnevenness {
			own[p] += grain * noise
		}
		switch t.Defects[p] {
		case Dead:
			own[p] *= 0.05 * u
		case Low:
			own[p] *= 0.25 + 0.30*u
		}
	})
	for b := range t.Profile.Bands {
		r := rand.New(newStream(t.Options.Seed, forTubeShading, uint64(b), 0))
		east, south := between(r, -slope, slope)/2, between(r, -slope, slope)/2
		flat := make([]float32, len(own))
		t.each(func(p int) {
			light := own[p] * float64(t.Passed[p])
			if u, v := t.unit(p); !t.Options.NoUnevenness {
				light *= 1 - fallOff*(u*u+v*v)/2 + east*u + south*v
			}
			flat[p] = float32(light)
		})
		if err := t.normalise(flat); err != nil {
			return err
		}
		t.flats[t.Profile.Bands[b].Name] = flat
	}
	return nil
}

// normalise scales a flat to mean 1 over the reference region, where neither
// bad spots nor marks are.
func (t *Tube) normalise(flat []float32) error {
	const unshaded = 0.999
	var sum float64
	var count int
	t.base.each(boxOf(t.Detector.Reference), func(p int) {
		if t.Defects[p] == 0 && t.Passed[p] > unshaded {
			sum += float64(flat[p])
			count++
		}
	})
	if count == 0 || sum <= 0 {
		return errors.New("the reference region holds no good pixel that sees light; choose a reference region inside the image region")
	}
	for p := range flat {
		flat[p] = float32(float64(flat[p]) * float64(count) / sum)
	}
	return nil
}
