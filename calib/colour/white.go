package colour

import (
	"errors"
	"fmt"
	"math"

	"evenlight/calib"
)

// White says what is white: the value of each band that becomes 1.
type White struct {
	Values      []float64 // by band, in the unit of the band's values, above zero
	Uncertainty []float64 // standard uncertainty, same unit; common to all pixels
	Source      string    // for people and for the record
}

// SunWhite is the white of I/F in n bands: a perfect diffuse reflector that
// faces the Sun has 1 in each.
func SunWhite(n int) White {
	w := White{Values: make([]float64, n), Uncertainty: make([]float64, n), Source: "sunlit perfect diffuser (I/F)"}
	for i := range w.Values {
		w.Values[i] = 1
	}
	return w
}

// TargetWhite takes as white the mean of each band over a region that shows a
// target, say a calibration plate. Pixels without a value or uncertainty in
// any of the bands are left out of all, so that the bands see the same
// surface. The uncertainty is the larger of what the pixels' scatter says,
// s/sqrt(n), and what their variances say (JCGM 100:2008, 4.2.3 and 5.1).
func TargetWhite(names []string, bands []*calib.Raster, region calib.Region) (White, error) {
	if err := sameShape(names, bands); err != nil {
		return White{}, fmt.Errorf("white reference: %w", err)
	}
	good, err := goodPixels(bands, region)
	if err != nil {
		return White{}, fmt.Errorf("white reference: %w", err)
	}
	w := White{Source: "target at " + region.String()}
	for j, b := range bands {
		mean, uncertainty := meanOf(b, good)
		if !(mean > 0) {
			return White{}, fmt.Errorf("white reference, band %s: mean over %s is %g, not above zero: choose a lit target", names[j], region, mean)
		}
		w.Values = append(w.Values, mean)
		w.Uncertainty = append(w.Uncertainty, uncertainty)
	}
	return w, nil
}

func sameShape(names []string, bands []*calib.Raster) error {
	if len(bands) == 0 {
		return errors.New("no bands: give at least one")
	}
	if len(names) != len(bands) {
		return fmt.Errorf("%d names for %d bands: give each band one name", len(names), len(bands))
	}
	for j, b := range bands {
		if b.Width != bands[0].Width || b.Height != bands[0].Height {
			return fmt.Errorf("band %s is %d x %d pixels, band %s %d x %d: bring them to one grid first",
				names[j], b.Width, b.Height, names[0], bands[0].Width, bands[0].Height)
		}
	}
	return nil
}

func goodPixels(bands []*calib.Raster, region calib.Region) ([]int, error) {
	whole := calib.Region{X1: bands[0].Width, Y1: bands[0].Height}
	if region.Empty() || region.Intersect(whole) != region {
		return nil, fmt.Errorf("%s is not within the image of %d x %d pixels: choose a region inside", region, whole.X1, whole.Y1)
	}
	var good []int
	for y := region.Y0; y < region.Y1; y++ {
		for x := region.X0; x < region.X1; x++ {
			if i := y*whole.X1 + x; goodInAll(bands, i) {
				good = append(good, i)
			}
		}
	}
	if len(good) < 2 {
		return nil, fmt.Errorf("%s has %d pixels that are good in all bands: choose a region with two at least", region, len(good))
	}
	return good, nil
}

func goodInAll(bands []*calib.Raster, i int) bool {
	for _, b := range bands {
		if !b.Good(i) {
			return false
		}
	}
	return true
}

func meanOf(b *calib.Raster, pixels []int) (mean, uncertainty float64) {
	n := float64(len(pixels))
	var variances float64
	for _, i := range pixels {
		mean += float64(b.Value[i]) / n
		variances += float64(b.Variance[i])
	}
	var squares float64
	for _, i := range pixels {
		squares += square(float64(b.Value[i]) - mean)
	}
	return mean, math.Sqrt(max(squares/(n-1), variances/n) / n)
}

func (w White) check(n int) error {
	if len(w.Values) != n || len(w.Uncertainty) != n {
		return fmt.Errorf("white reference has %d values and %d uncertainties for %d bands: give one of each a band", len(w.Values), len(w.Uncertainty), n)
	}
	for j, v := range w.Values {
		if !(v > 0) || math.IsInf(v, 0) {
			return fmt.Errorf("white reference: value %d is %g: it must be above zero", j+1, v)
		}
		if u := w.Uncertainty[j]; !(u >= 0) {
			return fmt.Errorf("white reference: uncertainty %d is %g: it must be zero or above", j+1, u)
		}
	}
	return nil
}

// Scale divides one pixel's band values by white. Random holds the variances
// that come from those of the values, common those that come from white's own
// uncertainty, which all pixels share; both belong to scaled (first order,
// JCGM 100:2008, 5.1). Each may go to [Transform.RGBCovariance].
func (w White) Scale(values, variances []float64) (scaled, random, common []float64) {
	n := len(w.Values)
	scaled, random, common = make([]float64, n), make([]float64, n), make([]float64, n)
	for j, white := range w.Values {
		scaled[j] = values[j] / white
		random[j] = variances[j] / square(white)
		common[j] = square(scaled[j] * w.Uncertainty[j] / white)
	}
	return scaled, random, common
}

// Settings records the white.
func (w White) Settings() []calib.Setting {
	return []calib.Setting{
		{Name: "white.source", Value: w.Source},
		{Name: "white.values", Value: numbers(w.Values...)},
		{Name: "white.uncertainty", Value: numbers(w.Uncertainty...)},
	}
}
