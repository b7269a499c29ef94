package mosaic

import (
	"math"
	"slices"
)

// balanceCells bounds the rows of cells over which the balance is measured:
// 256 of them hold samples enough, and it takes no notable time.
const balanceCells = 256

// balance measures how strongly each colour varies over the frame, in units of
// that colour. The ratio of two of them tells how much of a detail seen in one
// colour is expected in the other. (The ratio of the mean levels would do for
// a grey scene only: in a scene of coloured objects, edges and highlights are
// about as strong in each colour, and means differ.)
//
// The measure is the root mean square of x - (a+b)/2 over samples x and their
// neighbours a and b of the same colour one cell away, along rows and columns,
// without what noise adds. Differences of more than outlier times their mean
// modulus count as that, so that single hits have no say. A colour whose
// detail is lost in noise gets the smallest detail that would have been seen,
// which is in proportion to its noise.
func (f *frame) balance(workers int) []float64 {
	limit := slices.Repeat([]float64{math.Inf(1)}, len(f.p.colours))
	for c, s := range f.details(workers, limit) {
		limit[c] = outlier * s.modulus / float64(max(s.n, 1))
	}
	var scale []float64
	for _, s := range f.details(workers, limit) {
		scale = append(scale, s.detail())
	}
	fillZeros(scale)
	return scale
}

// outlier is far beyond the edges of a scene: in photographs the mean square
// hardly changes from here on.
const outlier = 20

// details sums up the frame, by colour, with differences cut at a limit. Rows
// are added in their order, whoever worked them out.
func (f *frame) details(workers int, limit []float64) []detailSum {
	rows, colours := f.balanceRows(), len(limit)
	sums := make([]detailSum, len(rows)*colours)
	inParallel(workers, len(rows), func(i int) {
		f.sumDetail(rows[i], limit, sums[i*colours:(i+1)*colours])
	})
	all := make([]detailSum, colours)
	for i, s := range sums {
		all[i%colours].add(s)
	}
	return all
}

func (f *frame) balanceRows() []int {
	ph := f.p.height
	cells := (f.r.Height + ph - 1) / ph
	stride := (cells + balanceCells - 1) / balanceCells
	var rows []int
	for y := range f.r.Height {
		if y/ph%stride == 0 {
			rows = append(rows, y)
		}
	}
	return rows
}

// detailSum sums differences.
type detailSum struct {
	modulus, square float64
	noise           float64 // what is expected of noise alone in square
	n               int
}

func (s *detailSum) add(o detailSum) {
	s.modulus += o.modulus
	s.square += o.square
	s.noise += o.noise
	s.n += o.n
}

// detail gives the root mean square without its noise. Ten standard deviations
// of the mean square are the least that counts as seen: 10 × 2/√n of it, as
// single squares deviate by about twice their mean.
func (s *detailSum) detail() float64 {
	if s.n == 0 {
		return 0
	}
	seen := min(1, 10*2/math.Sqrt(float64(s.n))) * s.square
	return math.Sqrt(max(s.square-s.noise, seen) / float64(s.n))
}

// sumDetail adds up a row, by colour.
func (f *frame) sumDetail(y int, limit []float64, sums []detailSum) {
	w, h := f.r.Width, f.r.Height
	pw, ph := f.p.width, f.p.height
	for px := range min(pw, w) {
		c := f.p.At(px, y)
		s := &sums[c]
		for x := px; x < w; x += pw {
			i := y*w + x
			if x >= pw && x+pw < w {
				f.addDetail(s, i-pw, i, i+pw, limit[c])
			}
			if y >= ph && y+ph < h {
				f.addDetail(s, i-ph*w, i, i+ph*w, limit[c])
			}
		}
	}
}

func (f *frame) addDetail(s *detailSum, a, x, b int, limit float64) {
	if f.out[a] || f.out[x] || f.out[b] {
		return
	}
	v, u := f.r.Value, f.r.Variance
	d := min(math.Abs(float64(v[x])-(float64(v[a])+float64(v[b]))/2), limit)
	s.modulus += d
	s.square += d * d
	s.noise += float64(u[x]) + (float64(u[a])+float64(u[b]))/4
	s.n++
}

// fillZeros gives colours without any detail so small a scale that no detail
// of other colours is carried into them. In a frame without detail all scales
// are 1.
func fillZeros(scale []float64) {
	least := math.Inf(1)
	for _, s := range scale {
		if s > 0 {
			least = min(least, s)
		}
	}
	fill := least * 1e-3
	if math.IsInf(least, 1) {
		fill = 1
	}
	for c, s := range scale {
		if s == 0 {
			scale[c] = fill
		}
	}
}
