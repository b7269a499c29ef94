package colour

import (
	"errors"
	"fmt"
	"math"
)

// Point is one point of a curve over wavelength.
type Point struct {
	WavelengthNM float64
	Relative     float64 // in any unit
}

// Response is how a band answers to spectral radiance (energy, not photons).
type Response struct {
	Band string
	// Points is the response, linear in between and zero outside;
	// wavelengths ascend, values are not negative.
	Points []Point
	// CentreNM serves where there are no points: a Gaussian is assumed, and
	// all that follows is approximate.
	CentreNM float64
	// WidthNM is the full width at half maximum that goes with CentreNM;
	// 0: AssumedWidthNM.
	WidthNM float64
}

// AssumedWidthNM is the full width at half maximum of a band of which only
// the centre is known.
const AssumedWidthNM = 40

// Gaussian returns the response of a band that is known to be a Gaussian of
// full width widthNM at half maximum.
func Gaussian(band string, centreNM, widthNM float64) Response {
	return Response{Band: band, Points: gaussianPoints(centreNM, widthNM)}
}

// gaussianPoints samples a Gaussian out to 1.5 full widths, where it is 0.2 %
// of its peak.
func gaussianPoints(centreNM, widthNM float64) []Point {
	const half = 30
	points := make([]Point, 2*half+1)
	for i := range points {
		u := 1.5 * float64(i-half) / half // in full widths
		points[i] = Point{centreNM + u*widthNM, math.Exp(-4 * math.Ln2 * u * u)}
	}
	return points
}

// curve returns the points of the response, and whether they are assumed.
func (r *Response) curve() (points []Point, assumed bool, err error) {
	if len(r.Points) > 0 {
		return r.Points, false, checkPoints(r.Points)
	}
	if !(r.CentreNM >= firstGridNM && r.CentreNM <= lastGridNM) {
		return nil, true, fmt.Errorf("centre wavelength %g nm is not within %d to %d nm: give the response or the centre",
			r.CentreNM, firstGridNM, lastGridNM)
	}
	width := r.WidthNM
	if width == 0 {
		width = AssumedWidthNM
	}
	if !(width > 0 && width < math.Inf(1)) {
		return nil, true, fmt.Errorf("width %g nm: give a positive width, or 0 for %d nm", r.WidthNM, AssumedWidthNM)
	}
	return gaussianPoints(r.CentreNM, width), true, nil
}

func checkPoints(points []Point) error {
	if len(points) < 2 {
		return errors.New("fewer than two points: give a curve of wavelengths and values")
	}
	for i, p := range points {
		if !(p.WavelengthNM > 0) || math.IsInf(p.WavelengthNM, 0) {
			return fmt.Errorf("point %d: wavelength %g nm is impossible", i+1, p.WavelengthNM)
		}
		if !(p.Relative >= 0) || math.IsInf(p.Relative, 0) {
			return fmt.Errorf("point %d, at %g nm: value %g: set it to zero or above", i+1, p.WavelengthNM, p.Relative)
		}
		if i > 0 && p.WavelengthNM <= points[i-1].WavelengthNM {
			return fmt.Errorf("point %d: %g nm does not follow %g nm: sort the points by wavelength, each once",
				i+1, p.WavelengthNM, points[i-1].WavelengthNM)
		}
	}
	return nil
}

// between interpolates linearly on the line through a and b.
func between(a, b Point, nm float64) float64 {
	u := (nm - a.WavelengthNM) / (b.WavelengthNM - a.WavelengthNM)
	return a.Relative + u*(b.Relative-a.Relative)
}

// lostShare is the share of a band's response that may lie where nothing is
// known of the light.
const lostShare = 0.002

// weights returns w such that the band's value for a surface of reflectance
// rho is the sum of w[i] rho[i]: the sum of w is 1, so that white has 1.
func (r *Response) weights(ill *Illuminant) (w spectrum, assumed bool, err error) {
	points, assumed, err := r.curve()
	if err != nil {
		return w, assumed, fmt.Errorf("band %s: %w", r.Band, err)
	}
	w = projected(points)
	var whole, inside, sum float64
	for i := 1; i < len(points); i++ {
		whole += (points[i].WavelengthNM - points[i-1].WavelengthNM) * (points[i].Relative + points[i-1].Relative) / 2
	}
	for i := range w {
		if nm := gridNM(i); nm >= ill.fromNM && nm <= ill.toNM {
			inside += w[i]
		}
		w[i] *= ill.power[i]
		sum += w[i]
	}
	if whole == 0 {
		return w, assumed, fmt.Errorf("band %s: the response is zero everywhere: give at least one positive value", r.Band)
	}
	if inside < (1-lostShare)*whole {
		return w, assumed, fmt.Errorf("band %s: %.1f %% of the response lies outside %g to %g nm, where illuminant %s is not known: choose another illuminant or leave the band out",
			r.Band, 100*(1-inside/whole), ill.fromNM, ill.toNM, ill.Name)
	}
	if sum <= 0 {
		return w, assumed, fmt.Errorf("band %s: illuminant %s has no power in this band: choose another illuminant or leave the band out", r.Band, ill.Name)
	}
	for i := range w {
		w[i] /= sum
	}
	return w, assumed, nil
}

// projected integrates the curve against the hat function of each grid point,
// exactly: w[i] is the integral of curve times hat_i. So a filter narrower
// than the grid keeps its place and its area.
func projected(points []Point) (w spectrum) {
	for k := 1; k < len(points); k++ {
		a, b := points[k-1], points[k]
		start := max(a.WavelengthNM, firstGridNM)
		stop := min(b.WavelengthNM, lastGridNM)
		for start < stop {
			cell := min(int((start-firstGridNM)/stepNM), gridPoints-2)
			end := min(stop, gridNM(cell+1))
			left, right := projectedPiece(between(a, b, start), between(a, b, end), start, end, gridNM(cell))
			w[cell] += left
			w[cell+1] += right
			start = end
		}
	}
	return w
}

// projectedPiece does so for one straight piece within the grid cell that
// begins at cellNM; Simpson's rule is exact for the product of two lines.
func projectedPiece(atStart, atEnd, start, end, cellNM float64) (left, right float64) {
	u0, u1 := (start-cellNM)/stepNM, (end-cellNM)/stepNM
	h := (end - start) / 6
	middle := (atStart + atEnd) / 2
	right = h * (atStart*u0 + 4*middle*(u0+u1)/2 + atEnd*u1)
	whole := h * (atStart + 4*middle + atEnd)
	return whole - right, right
}
