package hits

import "math"

// narrower is the width that the detector allows for, as a share of the stated
// one: real optics have cores somewhat sharper than the Gaussian of their full
// width at half maximum, and widths are not known well.
const narrower = 0.9

// SharpestRatios returns r of the package comment, for neighbours along rows
// and columns and along diagonals, for images whose points are at least fwhm
// pixels wide at half maximum, the pixel's own width included: the smallest
// ratio of a pair of neighbours to the pixel between them, both above the
// background that the detector takes, which a Gaussian point or line of nine
// tenths of that width or more gives at any place and in any direction.
func SharpestRatios(fwhm float64) (straight, slant float64) {
	straight, slant = 1, 1
	for _, wider := range []float64{1, 1.1, 1.25, 1.5, 2, 3} {
		w := narrower * wider * fwhm
		k := 4 * math.Ln2 / (w * w)
		point := func(x, y float64) float64 { return math.Exp(-k * (x*x + y*y)) }
		for i := range 11 {
			for j := range 11 { // the rest follows by symmetry
				straight, slant = leastRatios(straight, slant, point, float64(i)/20, float64(j)/20)
			}
		}
		for turn := range 16 {
			sin, cos := math.Sincos(math.Pi / 16 * float64(turn))
			line := func(x, y float64) float64 { return math.Exp(-k * (x*cos + y*sin) * (x*cos + y*sin)) }
			for i := range 11 {
				straight, slant = leastRatios(straight, slant, line, float64(i)/20*cos, float64(i)/20*sin)
			}
		}
	}
	return straight, slant
}

// leastRatios lowers the ratios to those of a shape at (x, y) from its middle.
// Only pairs that stand out count.
func leastRatios(straight, slant float64, shape func(x, y float64) float64, x, y float64) (float64, float64) {
	ground := func(from [][3][2]int) float64 {
		lowest := math.Inf(1)
		for _, g := range from {
			sum := 0.0
			for _, p := range g {
				sum += shape(x+float64(p[0]), y+float64(p[1]))
			}
			lowest = min(lowest, sum/3)
		}
		return lowest
	}
	pair := func(dx, dy float64) float64 { return (shape(x+dx, y+dy) + shape(x-dx, y-dy)) / 2 }
	here := shape(x, y)
	b := ground(grounds[:sides])
	for _, p := range []float64{pair(1, 0), pair(0, 1)} {
		straight = min(straight, (p-b)/(here-b))
	}
	b = ground(grounds[:])
	for _, p := range []float64{pair(1, 1), pair(1, -1)} {
		slant = min(slant, (p-b)/(here-b))
	}
	return straight, slant
}
