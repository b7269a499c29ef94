package simulate

import "math"

// A LineScene paints the radiance L, W m^-2 sr^-1 nm^-1, that falls on the
// image region of a detector during an exposure, line by line. Radiance of the
// exposure is not yet set.
type LineScene func(s *LineScanner, e *LineExposure) []float32

// fillRadiance is L at which a pixel with F = 1 gathers the given charge, e-.
func (s *LineScanner) fillRadiance(e *LineExposure, electrons float64) float64 {
	return electrons / (responsivity(s.Profile, s.Band.Name) * e.integrationS() * float64(max(e.Binning, 1)))
}

// LineRamp is [Ramp] over columns and lines; at its peak a pixel with F = 1
// gathers peakE electrons in any detector and mode.
func LineRamp(peakE float64) LineScene {
	return func(s *LineScanner, e *LineExposure) []float32 {
		return Ramp(s.fillRadiance(e, peakE))(s.ImageWidth(max(e.Binning, 1)), e.Lines)
	}
}

// LineGround is an invented landscape of Tessaly seen from above: hills, plains
// with sharp shores, and land of another colour. All detectors see the same
// ground: the middle of each looks at the same point and their pixels are of
// one size, so that a shorter one sees the middle of what a longer one sees.
// Binned pixels show the mean of the unbinned ones. The light is such that a
// white surface would give whiteE electrons in a pixel with F = 1.
func LineGround(seed uint64, whiteE float64) LineScene {
	return func(s *LineScanner, e *LineExposure) []float32 {
		b := max(e.Binning, 1)
		width := s.ImageWidth(b)
		g := newLineGround(seed, s.Band.WavelengthNM)
		white := s.fillRadiance(e, whiteE)
		out := make([]float32, e.Lines*width)
		left := -float64(s.base.ImageWidth()) / 2
		for y := range e.Lines {
			for x := range width {
				out[y*width+x] = float32(white * g.mean(left+float64(x*b), float64(y*b), b))
			}
		}
		return out
	}
}

// lineGround is the landscape's albedo at one wavelength; coordinates count
// unbinned pixels.
type lineGround struct {
	seed   uint64
	colour float64 // departure from the middle wavelength, relative
}

func newLineGround(seed uint64, wavelengthNM float64) lineGround {
	wavelengthNM = orElse(wavelengthNM, middleNM)
	return lineGround{seed: seed, colour: (wavelengthNM - middleNM) / middleNM}
}

// mean returns the mean albedo of b x b pixels, the first of which has its
// corner at (x, y).
func (g lineGround) mean(x, y float64, b int) float64 {
	var sum float64
	for j := range b {
		for i := range b {
			sum += g.albedo(x+float64(i)+0.5, y+float64(j)+0.5)
		}
	}
	return sum / float64(b*b)
}

func (g lineGround) albedo(x, y float64) float64 {
	const (
		hillPixels, rockPixels, plainPixels, colourPixels = 60, 13, 110, 85
		shore                                             = 0.58 // level of the plain's noise at its shore
	)
	albedo := 0.45 + 0.3*(g.noise(0, x/hillPixels, y/hillPixels)-0.5) + 0.12*(g.noise(1, x/rockPixels, y/rockPixels)-0.5)
	if g.noise(2, x/plainPixels, y/plainPixels) > shore {
		albedo *= 0.7
	}
	albedo *= 1 + g.colour*(0.3+0.8*(g.noise(3, x/colourPixels, y/colourPixels)-0.5))
	return min(max(albedo, 0.04), 1)
}

// noise is a smooth random field with values from 0 to 1: random values on
// the whole numbers, and a cubic that is level there in between.
func (g lineGround) noise(layer uint64, x, y float64) float64 {
	x0, y0 := math.Floor(x), math.Floor(y)
	u, v := x-x0, y-y0
	u, v = u*u*(3-2*u), v*v*(3-2*v)
	i, j := int64(x0), int64(y0)
	top := g.knot(layer, i, j)*(1-u) + g.knot(layer, i+1, j)*u
	bottom := g.knot(layer, i, j+1)*(1-u) + g.knot(layer, i+1, j+1)*u
	return top*(1-v) + bottom*v
}

// knot is the random value at one whole place of a layer.
func (g lineGround) knot(layer uint64, i, j int64) float64 {
	z := scramble(scramble(g.seed+uint64(forLineGround)) + layer)
	z = scramble(scramble(z^uint64(i)) + uint64(j))
	return float64(z>>11) / (1 << 53)
}
