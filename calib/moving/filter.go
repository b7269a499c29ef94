package moving

import (
	"math"
	"slices"
	"sync"
)

// Sizes of the matched filters, sigma in cells of their level: two to an
// octave, so that a mover is at most 2^(1/4) off the nearest one.
const (
	scaleFirst  = 1.5
	scaleSecond = 1.5 * math.Sqrt2
)

// surround is the size of the surroundings whose mean the filter takes off,
// in units of the sigma of the filter.
const surround = 2

// answerGain is the answer to a blob of contrast 1 and of the filter's own
// size over the variance of the answer, for even weights: with s the size and
// 2 s that of the surroundings, (1 - 2/5) / (1 - 4/5 + 1/4).
const answerGain = 4.0 / 3

// clutterSide is the side of the tiles over which the scatter of the filter's
// own answers is taken, in units of the sigma of the filter.
const clutterSide = 32

// The scatter is taken from the size that clutterShare of the answers do not
// exceed, and clutterDeviate is the normal deviate that belongs to it. Coloured
// ground has longer tails than noise, which the median would not see; a few
// movers in a tile stay within the rest.
const (
	clutterShare   = 0.85
	clutterDeviate = 1.4395
)

// filtered holds the answers of a matched filter on a level:
//
//	A_b = sum m w (u - mean u),  the mean taken with weights w over the surroundings
//
// V_b is the variance of A_b under noise, and clutter the factor, 1 or more,
// by which the answers around scatter more than noise does.
type filtered struct {
	level   *level
	sigma   float64 // cells
	answer  [][]float32
	vary    [][]float32
	clutter []tiles
	overlap []float32 // correlation of two filters by their distance, in steps of overlapStep

	groundOnce sync.Once
	ground     *filtered // the same filter over the brightness, made when first asked for
}

// tiles holds one number for each tile of a level.
type tiles struct {
	side, cols int
	v          []float32
}

func (t *tiles) at(x, y int) float32 { return t.v[y/t.side*t.cols+x/t.side] }

// overlapStep is the step of the table of overlaps, in cells.
const overlapStep = 0.25

// newFiltered runs the filter of the given sigma over a level.
func newFiltered(l *level, sigma float64, workers int) *filtered {
	n := len(l.w)
	f := &filtered{level: l, sigma: sigma, answer: rowsOf(n, l.width*l.height), vary: rowsOf(n, l.width*l.height)}
	shape, around := gaussTaps(sigma), gaussTaps(surround*sigma)
	noise := float32(noiseShare(shape, around))
	smooth := newSmoother(l.width, l.height, workers)
	plane := rowsOf(3, l.width*l.height)
	for b := range n {
		smooth.run(f.answer[b], l.wu[b], shape)
		smooth.run(f.vary[b], l.w[b], shape)
		smooth.run(plane[0], l.wu[b], around)
		smooth.run(plane[1], l.w[b], around)
		eachBlock(l.height, workers, func(_, y0, y1 int) {
			for i := y0 * l.width; i < y1*l.width; i++ {
				if plane[1][i] > 0 {
					f.answer[b][i] -= f.vary[b][i] * plane[0][i] / plane[1][i]
				}
				f.vary[b][i] *= noise
			}
		})
		f.clutter = append(f.clutter, f.clutterOf(b, workers))
	}
	f.overlap = overlapTable(shape, around)
	return f
}

// gaussTaps returns the half (from the centre) of a Gaussian of peak 1.
func gaussTaps(sigma float64) []float32 {
	taps := make([]float32, int(3.2*sigma)+2)
	for i := range taps {
		taps[i] = float32(math.Exp(-float64(i*i) / (2 * sigma * sigma)))
	}
	return taps
}

// product returns the sum over the line of the product of two kernels, the
// second one moved by shift.
func product(a, b []float32, shift int) float64 {
	var s float64
	for i := -len(a) + 1; i < len(a); i++ {
		j := i - shift
		if j < 0 {
			j = -j
		}
		if j < len(b) {
			k := i
			if k < 0 {
				k = -k
			}
			s += float64(a[k]) * float64(b[j])
		}
	}
	return s
}

// total returns the sum of a kernel over the line.
func total(a []float32) float64 {
	s := float64(a[0])
	for _, v := range a[1:] {
		s += 2 * float64(v)
	}
	return s
}

// noiseShare returns sum m~^2 / sum m for even weights, where m~ is the shape
// less its mean over the surroundings: V = noiseShare * sum m w.
func noiseShare(shape, around []float32) float64 {
	return filterProduct(shape, around, 0) / (total(shape) * total(shape))
}

// filterProduct returns the sum over the plane of m~ times m~ moved by shift
// along x.
func filterProduct(shape, around []float32, shift int) float64 {
	beta := total(shape) * total(shape) / (total(around) * total(around))
	mm := product(shape, shape, shift) * product(shape, shape, 0)
	mh := product(shape, around, shift) * product(shape, around, 0)
	hh := product(around, around, shift) * product(around, around, 0)
	return mm - 2*beta*mh + beta*beta*hh
}

// overlapTable returns the correlation of two filters by their distance.
func overlapTable(shape, around []float32) []float32 {
	whole := make([]float64, 2*len(around)+2)
	for d := range whole {
		whole[d] = filterProduct(shape, around, d)
	}
	table := make([]float32, int(float64(len(whole)-1)/overlapStep))
	for i := range table {
		d := float64(i) * overlapStep
		k := int(d)
		t := d - float64(k)
		left := whole[1] // the correlation is even about zero
		if k > 0 {
			left = whole[k-1]
		}
		right := whole[min(k+2, len(whole)-1)]
		table[i] = float32(cubic(left, whole[k], whole[k+1], right, t) / whole[0])
	}
	return table
}

// cubic interpolates between b and c (Keys 1981, a = -1/2, from memory).
func cubic(a, b, c, d, t float64) float64 {
	return b + t/2*(c-a+t*(2*a-5*b+4*c-d+t*(3*(b-c)+d-a)))
}

// correlation returns the correlation of two filters at a squared distance.
func (f *filtered) correlation(squared float64) float32 {
	i := int(math.Sqrt(squared)/overlapStep + 0.5)
	if i >= len(f.overlap) {
		return 0
	}
	return f.overlap[i]
}

// clutterOf returns the scatter of the answers, in sigmas, by tiles.
func (f *filtered) clutterOf(b, workers int) tiles {
	l := f.level
	t := tiles{side: int(clutterSide * f.sigma)}
	t.cols = (l.width + t.side - 1) / t.side
	rows := (l.height + t.side - 1) / t.side
	t.v = make([]float32, t.cols*rows)
	inParallel(len(t.v), workers, func(i int) {
		y0, x0 := i/t.cols*t.side, i%t.cols*t.side
		var sizes []float32
		for y := y0; y < min(l.height, y0+t.side); y++ {
			for x := x0 + y%2; x < min(l.width, x0+t.side); x += 2 {
				k := y*l.width + x
				if v := f.vary[b][k]; v > 0 {
					sizes = append(sizes, f.answer[b][k]*f.answer[b][k]/v)
				}
			}
		}
		t.v[i] = 1
		if len(sizes) > 0 {
			slices.Sort(sizes)
			typical := float64(sizes[int(clutterShare*float64(len(sizes)))])
			t.v[i] = float32(max(1, math.Sqrt(typical)/clutterDeviate))
		}
	})
	return t
}

// smoother runs separable kernels over planes.
type smoother struct {
	width, height, workers int
	across                 []float32
}

func newSmoother(width, height, workers int) *smoother {
	return &smoother{width, height, workers, make([]float32, width*height)}
}

// run writes src convolved with the kernel along x and y; beyond the edge all
// is zero, which is right for weights.
func (s *smoother) run(dst, src, taps []float32) {
	eachBlock(s.height, s.workers, func(_, y0, y1 int) {
		padded := make([]float32, s.width+2*len(taps))
		for y := y0; y < y1; y++ {
			copy(padded[len(taps):], src[y*s.width:][:s.width])
			smoothRow(s.across[y*s.width:][:s.width], padded, taps)
		}
	})
	eachBlock(s.height, s.workers, func(_, y0, y1 int) {
		for y := y0; y < y1; y++ {
			s.smoothColumn(dst[y*s.width:][:s.width], y, taps)
		}
	})
}

// smoothRow convolves a row that is padded with len(taps) zeros at each end.
func smoothRow(dst, padded, taps []float32) {
	reach := len(taps)
	centre := padded[reach:][:len(dst)]
	for x, v := range centre {
		dst[x] = v * taps[0]
	}
	for k := 1; k < reach; k++ {
		t := taps[k]
		left, right := padded[reach-k:][:len(dst)], padded[reach+k:][:len(dst)]
		for x := range dst {
			dst[x] += t * (left[x] + right[x])
		}
	}
}

// smoothColumn convolves the rows around y into one.
func (s *smoother) smoothColumn(dst []float32, y int, taps []float32) {
	for x, v := range s.across[y*s.width:][:s.width] {
		dst[x] = v * taps[0]
	}
	for k := 1; k < len(taps); k++ {
		t := taps[k]
		for _, r := range [2]int{y - k, y + k} {
			if r < 0 || r >= s.height {
				continue
			}
			row := s.across[r*s.width:][:len(dst)]
			for x := range dst {
				dst[x] += t * row[x]
			}
		}
	}
}
