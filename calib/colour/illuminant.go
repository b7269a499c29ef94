package colour

import (
	"fmt"
	"math"
)

// The grid on which bands and illuminants are integrated. It is wider than
// the visible range, because a camera's bands often are.
const (
	firstGridNM = 300
	lastGridNM  = 1100
	gridPoints  = (lastGridNM-firstGridNM)/stepNM + 1
	visibleAt   = (firstVisibleNM - firstGridNM) / stepNM // grid index of 380 nm
)

// spectrum is a function of wavelength, 300 to 1100 nm every 5 nm, linear in
// between.
type spectrum [gridPoints]float64

func gridNM(i int) float64 { return firstGridNM + float64(i)*stepNM }

// Illuminant is the light in which a scene lay and in which its colours are
// to be seen: relative spectral power per unit wavelength.
type Illuminant struct {
	Name  string
	power spectrum
	// The range over which the power is known.
	fromNM, toNM float64
}

// D65 returns the CIE standard illuminant D65 (ISO/CIE 11664-2). Beyond
// 830 nm, where the standard ends, it goes on as a black body of 6504 K; only
// bands that reach so far notice.
func D65() Illuminant {
	ill := Illuminant{Name: "D65", fromNM: firstGridNM, toNM: lastGridNM}
	table := daylight()
	n := copy(ill.power[:], table[:])
	scale := table[n-1] / planck(lastDaylightNM, 6504)
	for i := n; i < gridPoints; i++ {
		ill.power[i] = scale * planck(gridNM(i), 6504)
	}
	return ill
}

// EqualEnergy returns the illuminant E: the same power at all wavelengths.
func EqualEnergy() Illuminant {
	ill := Illuminant{Name: "E", fromNM: firstGridNM, toNM: lastGridNM}
	for i := range ill.power {
		ill.power[i] = 1
	}
	return ill
}

// SunTemperatureK is the nominal effective temperature of the Sun (IAU 2015
// Resolution B3).
const SunTemperatureK = 5772

// Blackbody returns a black body of tempK kelvin. It panics where tempK is not
// above zero.
func Blackbody(tempK float64) Illuminant {
	if !(tempK > 0) {
		panic(fmt.Sprintf("colour: a black body of %g K", tempK))
	}
	ill := Illuminant{Name: fmt.Sprintf("black body %g K", tempK), fromNM: firstGridNM, toNM: lastGridNM}
	peak := planck(560, tempK)
	for i := range ill.power {
		ill.power[i] = 100 * planck(gridNM(i), tempK) / peak
	}
	return ill
}

// planck is Planck's law but for a factor, with c2 = h c / k from the exact
// SI constants.
func planck(wavelengthNM, tempK float64) float64 {
	const c2NMK = 1.438776877e7
	return math.Pow(wavelengthNM, -5) / math.Expm1(c2NMK/(wavelengthNM*tempK))
}

// Tabulated returns an illuminant from its relative spectral power per unit
// wavelength, linear between the points, whose wavelengths ascend and span 380
// to 780 nm at least.
func Tabulated(name string, points []Point) (Illuminant, error) {
	if err := checkPoints(points); err != nil {
		return Illuminant{}, fmt.Errorf("illuminant %s: %w", name, err)
	}
	from, to := points[0].WavelengthNM, points[len(points)-1].WavelengthNM
	if from > firstVisibleNM || to < lastVisibleNM {
		return Illuminant{}, fmt.Errorf("illuminant %s: spans %g to %g nm: give its power from %d to %d nm at least",
			name, from, to, firstVisibleNM, lastVisibleNM)
	}
	ill := Illuminant{Name: name, fromNM: from, toNM: to}
	var k int
	for i := range ill.power {
		nm := gridNM(i)
		if nm < from || nm > to {
			continue
		}
		for k < len(points)-2 && points[k+1].WavelengthNM < nm {
			k++
		}
		ill.power[i] = between(points[k], points[k+1], nm)
	}
	if ill.xyz(perfectWhite())[1] <= 0 {
		return Illuminant{}, fmt.Errorf("illuminant %s: no power where the eye sees: give positive values between %d and %d nm",
			name, firstVisibleNM, lastVisibleNM)
	}
	return ill, nil
}

func perfectWhite() *spectrum {
	var s spectrum
	for i := range s {
		s[i] = 1
	}
	return &s
}

// xyz sums, every 5 nm, what a surface of the given reflectance sends to the
// eye; not normalised.
func (ill *Illuminant) xyz(reflectance *spectrum) [3]float64 {
	var sum [3]float64
	for i, bar := range observer() {
		light := ill.power[visibleAt+i] * reflectance[visibleAt+i]
		for c := range sum {
			sum[c] += light * bar[c]
		}
	}
	return sum
}

// White returns X, Y and Z of a perfect white in this light, with Y = 1.
func (ill Illuminant) White() [3]float64 {
	return scaled(ill.xyz(perfectWhite()), 1/ill.xyz(perfectWhite())[1])
}

// Chromaticity returns x and y of the light.
func (ill Illuminant) Chromaticity() (x, y float64) {
	w := ill.White()
	sum := w[0] + w[1] + w[2]
	return w[0] / sum, w[1] / sum
}

func scaled(v [3]float64, by float64) [3]float64 {
	return [3]float64{v[0] * by, v[1] * by, v[2] * by}
}
