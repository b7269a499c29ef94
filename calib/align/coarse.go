package align

import (
	"fmt"
	"math"
	"math/cmplx"

	"evenlight/calib"
)

// Limits of the binning before phase correlation.
const (
	mostCells  = 1 << 21 // cells above which pixels are binned further
	largestBin = 4       // px
	fewestBins = 64      // cells that are left along the shorter side
)

// binFor returns the side of the squares of pixels that are averaged before
// phase correlation.
func binFor(width, height int) int {
	bin := 1
	for bin < largestBin && width*height/(bin*bin) > mostCells && min(width, height)/(2*bin) >= fewestBins {
		bin *= 2
	}
	return bin
}

// correlator is a reference image transformed for phase correlation.
type correlator struct {
	bin            int
	width, height  int // of the transform, in cells of bin x bin pixels
	limitX, limitY float64
	needed         float64 // height of a significant peak
	transform      *transform2D
	spectrum       []complex128
}

// coarseShift is a displacement found by phase correlation, px.
type coarseShift struct {
	dx, dy float64
	height float64 // of the peak, in standard deviations of the surface
}

func newCorrelator(a *prepared, opt Options) *correlator {
	c := &correlator{bin: binFor(a.width, a.height)}
	c.width, c.height = goodSize(a.width/c.bin), goodSize(a.height/c.bin)
	c.limitX, c.limitY = opt.limits(a.width, a.height)
	c.needed = peakLimit(opt.falseAlarm(), c.width*c.height)
	c.transform = newTransform2D(c.width, c.height, a.workers)
	c.spectrum = c.transform.forward(c.flatten(a))
	return c
}

// peakLimit returns the height that the largest of n independent standard
// normal numbers exceeds with the given probability.
func peakLimit(probability float64, n int) float64 {
	each := -math.Expm1(math.Log1p(-min(probability, 1-1e-9)) / float64(n))
	return math.Sqrt2 * math.Erfcinv(2*each)
}

// correlate returns the displacement of b, or why there is none.
func (c *correlator) correlate(b *prepared) (coarseShift, error) {
	surface := c.transform.backward(c.crossSpectrum(c.transform.forward(c.flatten(b))))
	at, sigma, lowest := highest(surface)
	height, depth := 0.0, 0.0
	if sigma > 0 {
		height, depth = surface[at]/sigma, -lowest/sigma
	}
	if depth > c.needed && depth > height {
		return coarseShift{}, fmt.Errorf("%w: brightness rises in one image where it falls in the other (%.1f sigma against %.1f sigma of the phase correlation); give the negative of one, or take a band of like contrast as the reference",
			ErrDisagree, depth, height)
	}
	if !(height > c.needed) {
		return coarseShift{}, fmt.Errorf("%w: the highest peak of the phase correlation is %.1f sigma of its surface and chance explains %.1f; use frames with more light or a textured scene, or bands of like contrast",
			ErrTexture, height, c.needed)
	}
	s := c.position(surface, at)
	s.height = height
	if math.Abs(s.dx) > c.limitX+1 || math.Abs(s.dy) > c.limitY+1 {
		return s, beyond(s.dx, s.dy, c.limitX, c.limitY)
	}
	return s, nil
}

// crossSpectrum turns the spectrum of b into conj(A) B / sqrt|A B|.
func (c *correlator) crossSpectrum(b []complex128) []complex128 {
	half := c.transform.half()
	eachBlock(c.transform.workers, c.height, func(_, y0, y1 int) {
		a, b := c.spectrum[y0*half:y1*half], b[y0*half:y1*half]
		for i := range b {
			cross := cmplx.Conj(a[i]) * b[i]
			if m := math.Sqrt(real(cross)*real(cross) + imag(cross)*imag(cross)); m > 0 {
				cross *= complex(1/math.Sqrt(m), 0)
			}
			b[i] = cross
		}
	})
	b[0] = 0
	return b
}

// highest returns the place of the maximum, the root mean square, and the
// minimum.
func highest(surface []float64) (at int, rms, lowest float64) {
	sum := 0.0
	for i, v := range surface {
		sum += v * v
		if v > surface[at] {
			at = i
		}
		lowest = min(lowest, v)
	}
	return at, math.Sqrt(sum / float64(len(surface))), lowest
}

// position returns the displacement of the peak at a cell, with the parabola
// through its neighbours, px.
func (c *correlator) position(surface []float64, at int) coarseShift {
	x, y := at%c.width, at/c.width
	value := func(x, y int) float64 {
		return surface[(y+c.height)%c.height*c.width+(x+c.width)%c.width]
	}
	top := value(x, y)
	signed := func(i, n int) float64 {
		if i > n/2 {
			i -= n
		}
		return float64(i)
	}
	bin := float64(c.bin)
	return coarseShift{
		dx: bin * (signed(x, c.width) + vertex(value(x-1, y), top, value(x+1, y))),
		dy: bin * (signed(y, c.height) + vertex(value(x, y-1), top, value(x, y+1))),
	}
}

// vertex returns where the parabola through three neighbours has its maximum,
// counted from the middle one.
func vertex(left, middle, right float64) float64 {
	bend := left - 2*middle + right
	if bend >= 0 {
		return 0
	}
	return max(-0.5, min(0.5, (left-right)/2/bend))
}

// contrastReach is the half side of the square of cells with which a cell is
// compared.
const contrastReach = 8

// flatten bins an image and returns its local contrast under a window: each
// cell less the mean of its surroundings, divided by their scatter. To the
// scatter that of the whole image is added, so that noise in an empty part is
// not blown up.
func (c *correlator) flatten(p *prepared) []float64 {
	w, h := p.width/c.bin, p.height/c.bin
	value, good := p.binned(c.bin, w, h)
	count := boxSum(good, w, h, p.workers)
	local := boxSum(value, w, h, p.workers)
	squares := make([]float32, w*h)
	for i, g := range good {
		if g > 0 {
			value[i] -= local[i] / count[i]
			squares[i] = value[i] * value[i]
		}
	}
	scatter := boxSum(squares, w, h, p.workers)
	typical := typicalScatter(scatter, count)
	image := make([]float64, c.width*c.height)
	windowX, windowY := tukey(w), tukey(h)
	for y := range h {
		for x := range w {
			i := y*w + x
			if s := scatter[i]/max(1, count[i]) + typical; good[i] > 0 && s > 0 {
				image[y*c.width+x] = windowX[x] * windowY[y] * float64(value[i]) / math.Sqrt(float64(s))
			}
		}
	}
	return image
}

// binned averages the good pixels of each square of bin x bin; good is 1 where
// there was any, and 0 elsewhere.
func (p *prepared) binned(bin, w, h int) (value, good []float32) {
	value, good = make([]float32, w*h), make([]float32, w*h)
	eachBlock(p.workers, h, func(_, y0, y1 int) {
		counts := make([]float32, w)
		for y := y0; y < y1; y++ {
			row := value[y*w : (y+1)*w]
			clear(counts)
			for v := y * bin; v < (y+1)*bin; v++ {
				from := v * p.width
				for x := range row {
					for i := from + x*bin; i < from+(x+1)*bin; i++ {
						if p.good[i] {
							row[x] += p.value[i]
							counts[x]++
						}
					}
				}
			}
			for x, n := range counts {
				if n > 0 {
					row[x] /= n
					good[y*w+x] = 1
				}
			}
		}
	})
	return value, good
}

// boxSum returns the sum over the square of contrastReach cells around each
// cell, as far as it lies within the image.
func boxSum(in []float32, w, h, workers int) []float32 {
	rows, out := make([]float32, w*h), make([]float32, w*h)
	eachBlock(workers, h, func(_, y0, y1 int) {
		for y := y0; y < y1; y++ {
			slidingSum(rows[y*w:(y+1)*w], in[y*w:(y+1)*w])
		}
	})
	eachBlock(workers, h, func(_, y0, y1 int) {
		for y := y0; y < y1; y++ {
			dst := out[y*w : (y+1)*w]
			for v := max(0, y-contrastReach); v < min(h, y+contrastReach+1); v++ {
				for x, s := range rows[v*w : (v+1)*w] {
					dst[x] += s
				}
			}
		}
	})
	return out
}

// slidingSum sums along a row. The running sum is in double precision, where
// what is added and taken off again leaves next to nothing.
func slidingSum(dst, src []float32) {
	sum := 0.0
	for x := range min(contrastReach, len(src)) {
		sum += float64(src[x])
	}
	for x := range dst {
		if in := x + contrastReach; in < len(src) {
			sum += float64(src[in])
		}
		dst[x] = float32(sum)
		if out := x - contrastReach; out >= 0 {
			sum -= float64(src[out])
		}
	}
}

// typicalScatter returns the median of the local variances, so that a bright
// part does not set it.
func typicalScatter(scatter, count []float32) float32 {
	var local []float32
	for i, s := range scatter {
		if count[i] > 0 {
			local = append(local, s/count[i])
		}
	}
	if len(local) == 0 {
		return 0
	}
	return calib.Median(local)
}

// taperShare is the share of a side over which the window falls to zero, at
// either end.
const taperShare = 0.125

// tukey returns the Tukey window (tapered cosine) of n samples.
func tukey(n int) []float64 {
	w := make([]float64, n)
	taper := taperShare * float64(n)
	for i := range w {
		edge := math.Min(float64(i), float64(n-1-i)) + 0.5
		w[i] = 1
		if edge < taper {
			w[i] = (1 - math.Cos(math.Pi*edge/taper)) / 2
		}
	}
	return w
}
