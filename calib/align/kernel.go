package align

import (
	"fmt"
	"math"
)

// Kernel is a rule by which a value between pixels is made from those around.
type Kernel int

// The kernels.
const (
	// Nearest takes the nearest pixel: no value is mixed, and the place is
	// wrong by up to half a pixel along either axis.
	Nearest Kernel = iota
	// Bilinear mixes the 2 x 2 pixels around; it smooths.
	Bilinear
	// Cubic mixes the 4 x 4 pixels around by the cubic convolution of Keys
	// (1981) with a = -1/2, which is the spline of Catmull and Rom; it is
	// exact for parabolas.
	Cubic
)

// String names the kernel.
func (k Kernel) String() string {
	switch k {
	case Nearest:
		return "nearest"
	case Bilinear:
		return "bilinear"
	case Cubic:
		return "cubic"
	}
	return fmt.Sprintf("Kernel(%d)", int(k))
}

// ParseKernel returns the kernel of a name.
func ParseKernel(name string) (Kernel, error) {
	for k := Nearest; k <= Cubic; k++ {
		if k.String() == name {
			return k, nil
		}
	}
	return 0, fmt.Errorf("no kernel is called %q; use nearest, bilinear or cubic", name)
}

// wholePixel is the fraction of a pixel below which a place is a pixel's own.
const wholePixel = 1e-6

// weights are those of the pixels first to first + 3 along an axis.
type weights struct {
	first int
	w     [4]float64
	whole bool // only w[1] counts, and is 1
}

// at returns the weights for the coordinate u. They add up to one.
func (k Kernel) at(u float64) weights {
	if near := math.Round(u); math.Abs(u-near) <= wholePixel || k == Nearest {
		return weights{int(near) - 1, [4]float64{0, 1, 0, 0}, math.Abs(u-near) <= wholePixel}
	}
	floor := math.Floor(u)
	f := u - floor
	if k == Bilinear {
		return weights{int(floor) - 1, [4]float64{0, 1 - f, f, 0}, false}
	}
	return weights{int(floor) - 1, [4]float64{
		f * (-0.5 + f*(1-0.5*f)),
		1 + f*f*(-2.5+1.5*f),
		f * (0.5 + f*(2-1.5*f)),
		f * f * (-0.5 + 0.5*f),
	}, false}
}

// Correlation returns the correlation coefficients between the errors of
// pixels that are neighbours in a row (lagX) and in a column (lagY) after
// [Resample] by dx, dy: sum w_k w_k+1 / sum w_k^2, for pixels whose errors
// were independent before. For diagonal neighbours it is the product of both.
// For Cubic, pixels two and three apart are correlated too, weakly.
func Correlation(kernel Kernel, dx, dy float64) (lagX, lagY float64) {
	return kernel.lagOne(dx), kernel.lagOne(dy)
}

func (k Kernel) lagOne(u float64) float64 {
	w := k.at(u).w
	return (w[0]*w[1] + w[1]*w[2] + w[2]*w[3]) / (w[0]*w[0] + w[1]*w[1] + w[2]*w[2] + w[3]*w[3])
}
