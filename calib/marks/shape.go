package marks

import (
	"fmt"
	"math"
)

// Kind is the kind of a mark.
type Kind int

// The kinds of mark.
const (
	Dot   Kind = iota // a Gaussian dip
	Disc              // a round spot with a blurred edge
	Cross             // two blurred bars across each other
)

// Shape is what the optics make of a mark, before the pixels sample it. How
// dark it is at its deepest is found in the frame.
type Shape struct {
	Kind Kind
	// BlurPx is the standard deviation of the Gaussian blur, pixels; of a
	// Dot, that of the whole dip.
	BlurPx float64
	// RadiusPx is the radius of a Disc, and for a Cross the length of an arm
	// from the centre to its end; unused for a Dot.
	RadiusPx float64
	// WidthPx is the full width of a Cross's bars; unused otherwise.
	WidthPx float64
}

// check names what is impossible about a shape.
func (s Shape) check() error {
	switch {
	case s.Kind < Dot || s.Kind > Cross:
		return fmt.Errorf("the shape of the marks is kind %d; give Dot, Disc or Cross", s.Kind)
	case !(s.BlurPx >= 0.1 && s.BlurPx <= 20):
		return fmt.Errorf("the blur of the marks is %g pixels; give 0.1 to 20", s.BlurPx)
	case s.Kind != Dot && !(s.RadiusPx > 0 && s.RadiusPx <= 50):
		return fmt.Errorf("the radius of the marks is %g pixels; give a number above 0, up to 50", s.RadiusPx)
	case s.Kind == Cross && !(s.WidthPx > 0 && s.WidthPx <= s.RadiusPx):
		return fmt.Errorf("the bars of the crosses are %g pixels wide; give a number above 0, up to the radius %g", s.WidthPx, s.RadiusPx)
	}
	return nil
}

// At returns the mean depth of the dip over the square of a pixel whose centre
// is (dx, dy) from that of the mark; 1 is the full depth of a large mark.
func (s Shape) At(dx, dy float64) float64 {
	switch s.Kind {
	case Dot:
		// A Gaussian is a slab of no width; its height is 1.
		k := math.Sqrt(math.Pi/2) * s.BlurPx
		return k * s.step(dx) * k * s.step(dy)
	case Disc:
		return s.disc(dx, dy)
	default:
		longX, longY := s.slab(dx, s.RadiusPx), s.slab(dy, s.RadiusPx)
		thinX, thinY := s.slab(dx, s.WidthPx/2), s.slab(dy, s.WidthPx/2)
		return longX*thinY + thinX*longY - thinX*thinY
	}
}

// step is the integral over a pixel of a Gaussian of height
// sqrt(2/pi)/BlurPx.
func (s Shape) step(x float64) float64 {
	k := 1 / (math.Sqrt2 * s.BlurPx)
	return math.Erf((x+0.5)*k) - math.Erf((x-0.5)*k)
}

// slab is the mean over a pixel of the blurred profile of |x| < half.
func (s Shape) slab(x, half float64) float64 {
	k := 1 / (math.Sqrt2 * s.BlurPx)
	up := erfIntegral((x+half+0.5)*k) - erfIntegral((x+half-0.5)*k)
	down := erfIntegral((x-half+0.5)*k) - erfIntegral((x-half-0.5)*k)
	return (up - down) / (2 * k)
}

// erfIntegral is an antiderivative of erf.
func erfIntegral(z float64) float64 {
	return z*math.Erf(z) + math.Exp(-z*z)/math.Sqrt(math.Pi)
}

// gauss4 holds places and weights of Gauss-Legendre integration over
// -1/2 < x < 1/2.
var gauss4 = [4][2]float64{
	{-0.4305681557970263, 0.1739274225687269},
	{-0.1699905217924281, 0.3260725774312731},
	{0.1699905217924281, 0.3260725774312731},
	{0.4305681557970263, 0.1739274225687269},
}

// disc is the mean over a pixel of a blurred disc. Its edge is blurred as a
// straight one, which holds to second order in blur over radius.
func (s Shape) disc(dx, dy float64) float64 {
	k := 1 / (math.Sqrt2 * s.BlurPx)
	sum := 0.0
	for _, v := range gauss4 {
		for _, u := range gauss4 {
			sum += u[1] * v[1] * math.Erfc((math.Hypot(dx+u[0], dy+v[0])-s.RadiusPx)*k)
		}
	}
	return sum / 2
}

// Reach is the distance from the centre beyond which the dip is below about
// one hundredth of its depth, pixels.
func (s Shape) Reach() float64 {
	if s.Kind == Dot {
		return 3*s.BlurPx + 0.5
	}
	return s.RadiusPx + 2.3*s.BlurPx + 0.5
}

// slope returns the derivatives of At, by central differences: the mean over a
// pixel is smooth enough for a relative error below 1e-4.
func (s Shape) slope(dx, dy float64) (sx, sy float64) {
	const h = 1e-3
	return (s.At(dx+h, dy) - s.At(dx-h, dy)) / (2 * h), (s.At(dx, dy+h) - s.At(dx, dy-h)) / (2 * h)
}
