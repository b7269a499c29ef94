package align

import (
	"math"

	"evenlight/calib"
)

// prepared is an image ready for correlation: its mean taken off, and a value
// everywhere.
type prepared struct {
	width, height, workers int
	value                  []float32 // NaN nowhere; where the pixel is not good, the mean of the good ones near
	variance               []float32 // positive
	good                   []bool    // the pixel's own value was used
	clear                  []bool    // good, and so are the eight pixels around it
}

// prepare makes an image ready.
func prepare(r *calib.Raster, opt Options) *prepared {
	n := r.Width * r.Height
	p := &prepared{
		width: r.Width, height: r.Height, workers: max(1, opt.Workers),
		value: make([]float32, n), variance: make([]float32, n),
		good: make([]bool, n), clear: make([]bool, n),
	}
	mean := p.markGood(r, opt.Allow)
	p.takeOff(r, float32(mean))
	p.fill()
	return p
}

// markGood finds the good pixels and returns their mean.
func (p *prepared) markGood(r *calib.Raster, allow calib.Flags) float64 {
	bad := ^((calib.Interpolated | allow) &^ calib.Unusable)
	sums := make([]float64, p.height)
	counts := make([]int, p.height)
	eachBlock(p.workers, p.height, func(_, y0, y1 int) {
		for y := y0; y < y1; y++ {
			o := y * p.width
			flags, good := r.Flags[o:o+p.width], p.good[o:o+p.width]
			for x, v := range r.Value[o : o+p.width] {
				if flags[x]&bad == 0 && v-v == 0 { // neither NaN nor infinite
					good[x] = true
					sums[y] += float64(v)
					counts[y]++
				}
			}
		}
	})
	sum, count := 0.0, 0
	for y, s := range sums {
		sum += s
		count += counts[y]
	}
	return sum / max(1, float64(count))
}

// takeOff copies values, less the mean, and variances. No variance is less
// than that of the rounding to single precision.
func (p *prepared) takeOff(r *calib.Raster, mean float32) {
	const rounding = 0x1p-24 * 0x1p-24 / 3 // variance of an error evenly within half a unit in the last place
	eachBlock(p.workers, p.height, func(_, y0, y1 int) {
		for i := y0 * p.width; i < y1*p.width; i++ {
			if !p.good[i] {
				continue
			}
			v := r.Value[i]
			p.value[i] = v - mean
			p.variance[i] = max(v*v, mean*mean)*rounding + math.SmallestNonzeroFloat32
			if s := r.Variance[i]; s > p.variance[i] && s <= math.MaxFloat32 {
				p.variance[i] = s
			}
		}
	})
}

// fillReach is how far, in pixels, the good pixels may lie whose mean is put
// in the place of one that is not.
const fillReach = 4

// fill gives a value to the pixels that are not good: the mean of the good
// ones in the smallest square around them that holds any, or the mean of the
// image, which is zero here.
func (p *prepared) fill() {
	eachBlock(p.workers, p.height, func(_, y0, y1 int) {
		column := make([]bool, p.width)
		for y := y0; y < y1; y++ {
			p.markClear(y, column)
			for x, good := range p.good[y*p.width : (y+1)*p.width] {
				if !good {
					p.value[y*p.width+x] = p.near(x, y)
				}
			}
		}
	})
}

// markClear finds the pixels of row y with nothing but good ones around them.
func (p *prepared) markClear(y int, column []bool) {
	row := func(y int) []bool {
		y = max(0, min(p.height-1, y))
		return p.good[y*p.width : (y+1)*p.width]
	}
	above, here, below := row(y-1), row(y), row(y+1)
	for x, g := range here {
		column[x] = g && above[x] && below[x]
	}
	clear := p.clear[y*p.width : (y+1)*p.width]
	last := len(column) - 1
	for x := range clear {
		clear[x] = column[x] && column[max(0, x-1)] && column[min(last, x+1)]
	}
}

func (p *prepared) near(x, y int) float32 {
	for reach := 1; reach <= fillReach; reach++ {
		sum, n := float32(0), float32(0)
		for v := max(0, y-reach); v < min(p.height, y+reach+1); v++ {
			for u := max(0, x-reach); u < min(p.width, x+reach+1); u++ {
				if p.good[v*p.width+u] {
					sum += p.value[v*p.width+u]
					n++
				}
			}
		}
		if n > 0 {
			return sum / n
		}
	}
	return 0
}
