package calib

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/stat/distuv"
)

// AgreeOptions says how two images of the same ground are compared.
type AgreeOptions struct {
	// BlockPx is the side of the square blocks whose sums are compared,
	// pixels; 0: 32. It should exceed both the disparity that is left and
	// the length over which the disparity changes.
	BlockPx int
	// RejectSigma is the limit, in robust standard deviations (MAD) of the
	// blocks' ratios about their median, beyond which a block is left out
	// (a glint that one eye sees, a mover); 0: 5.
	RejectSigma float64
	// LevelBins is the number of signal levels, with equal numbers of
	// blocks, for which a ratio of their own is given; 0: 5.
	LevelBins int
	// Systematic lists the relative standard uncertainties of both eyes'
	// calibrations. What the eyes have in common, such as the lamp that
	// both were calibrated with, cancels in the ratio and stays out.
	Systematic []float64
	// CoverageFactor is the number of combined standard uncertainties within
	// which a ratio of 1 is consistent; 0: 2, about 95 %.
	CoverageFactor float64
}

// withDefaults fills in what the caller left at zero.
func (o AgreeOptions) withDefaults() (AgreeOptions, error) {
	o.BlockPx = cmp.Or(o.BlockPx, 32)
	o.RejectSigma = cmp.Or(o.RejectSigma, 5)
	o.LevelBins = cmp.Or(o.LevelBins, 5)
	o.CoverageFactor = cmp.Or(o.CoverageFactor, 2)
	switch {
	case o.BlockPx < 2:
		return o, fmt.Errorf("the block size is %d pixels; give 2 or more", o.BlockPx)
	case !(o.RejectSigma >= 3):
		return o, fmt.Errorf("the rejection limit is %g sigma; give 3 or more", o.RejectSigma)
	case o.LevelBins < 0:
		return o, fmt.Errorf("%d signal levels are asked for; give 1 or more", o.LevelBins)
	case !(o.CoverageFactor > 0):
		return o, fmt.Errorf("the coverage factor is %g; give a number above 0", o.CoverageFactor)
	}
	for i, s := range o.Systematic {
		if !(s >= 0) {
			return o, fmt.Errorf("systematic uncertainty %d is %g; give a relative standard uncertainty, 0 or more", i+1, s)
		}
	}
	return o, nil
}

// RatioAt is the ratio of the eyes over some of the blocks.
type RatioAt struct {
	Level  float64 // mean signal, as the left eye measures it
	Ratio  float64 // right over left
	U      float64 // random standard uncertainty of Ratio; NaN for a single block
	Blocks int
}

// Agreement is how two eyes see the same ground. Ratios are right over left.
type Agreement struct {
	// Ratio is the ratio of the sums of all blocks that were kept, U its
	// random standard uncertainty from the scatter between blocks, which
	// holds noise, parallax and texture alike, and DoF the degrees of freedom
	// that U rests on.
	Ratio, U, DoF float64
	// NoiseU is the part of U that the pixels' variances explain.
	NoiseU float64
	// Right = Offset + Slope x Left, in the images' unit, is the line
	// through the blocks' means where the offset is free; with standard
	// uncertainties from leaving out one block after another. NaN where the
	// scene is too even to tell an offset from a ratio. Shading that is
	// stronger than the scene's own contrast is mistaken for an offset, so
	// look at Quadrants first.
	Slope, SlopeU   float64
	Offset, OffsetU float64
	// Levels shows curvature: the ratio from the darkest blocks to the
	// brightest.
	Levels []RatioAt
	// Quadrants shows shading: upper left, upper right, lower left, lower
	// right. One without blocks has NaN.
	Quadrants [4]RatioAt

	// Systematic is the root of the sum of squares of what was passed in.
	Systematic float64
	// Deviation is (Ratio-1)/sqrt(U^2 + (Ratio Systematic)^2), and Consistent
	// tells whether its size is within the coverage factor.
	Deviation  float64
	Consistent bool

	Pixels   int // compared, in blocks that were kept
	Blocks   int // kept
	Rejected int // blocks left out as outliers
	Dark     int // blocks without significant light
}

// Interval returns the ends of the interval that covers the true ratio with
// probability p by the random uncertainty alone (Student's t with DoF degrees
// of freedom; JCGM 100:2008, G.3).
func (a *Agreement) Interval(p float64) (low, high float64) {
	half := distuv.StudentsT{Mu: 0, Sigma: 1, Nu: a.DoF}.Quantile((1+p)/2) * a.U
	return a.Ratio - half, a.Ratio + half
}

// minAgreeBlocks is the number of lit blocks below which the scatter between
// them tells too little: 16 leave about 7 degrees of freedom.
const minAgreeBlocks = 16

// litSigma is the number of noise sigmas that a block's light must have.
const litSigma = 10

// ErrTooFewBlocks says that two images share too little usable, lit ground.
var ErrTooFewBlocks = errors.New("too few blocks of shared, lit, unflagged pixels")

// block holds the sums over the usable pixels of one square.
type block struct {
	bx, by      int // column and row of the block
	quadrant    int
	pixels      int
	left, right float64
	varL, varR  float64
}

// light is the block's mean signal on the left eye's scale, from both eyes
// alike: ordering by one eye alone would pull its noise into the ratio.
func (b *block) light(ratio float64) float64 {
	return (b.left + b.right/ratio) / (2 * float64(b.pixels))
}

// Agree compares two calibrated images of the same ground on one grid, the
// left and the right eye of a stereo pair. Only pixels without any flag in
// both images count. Disparity of up to a pixel or so may be left: it moves
// light between neighbouring pixels and leaves sums over blocks nearly alone.
//
// The ratio is that of sums, R = sum r_k / sum l_k over blocks k, in which
// noise in the left eye biases nothing (as it would in a regression on
// pixels). Its variance is
//
//	U^2 = c sum_s (sum_{k in s} e_k)^2 / (4 (sum l_k)^2),  e_k = r_k - R l_k
//
// over all overlapping groups s of 2 x 2 blocks, so that what neighbouring
// blocks have in common, or exchange across their borders, is counted (the
// spatial form of overlapping batch means; equal to Bartlett weights at lag 1,
// Newey & West 1987; from memory). c undoes that the e_k sum to zero. DoF is
// that of the quadratic form for equal blocks.
//
// It is an error when the images are unlike in size or fewer than 16 blocks
// have enough usable pixels (half a block) and light (ErrTooFewBlocks).
func Agree(left, right *Raster, opt AgreeOptions) (*Agreement, error) {
	o, err := opt.withDefaults()
	if err != nil {
		return nil, fmt.Errorf("agreement: %w", err)
	}
	if left.Width != right.Width || left.Height != right.Height {
		return nil, fmt.Errorf("agreement: the left image has %d x %d pixels and the right one %d x %d; bring both onto one grid first",
			left.Width, left.Height, right.Width, right.Height)
	}
	a := &Agreement{}
	all := blockSums(left, right, o.BlockPx)
	kept := a.choose(all, o.RejectSigma)
	if len(kept) < minAgreeBlocks {
		return nil, fmt.Errorf("agreement: %w: %d, and %d are needed (%d of %d blocks with enough pixels are dark, %d are outliers); use blocks smaller than %d pixels, or more ground",
			ErrTooFewBlocks, len(kept), minAgreeBlocks, a.Dark, len(all), a.Rejected, o.BlockPx)
	}
	a.setRatio(kept)
	a.setLine(kept)
	a.setLevels(kept, o.LevelBins)
	a.setQuadrants(kept)
	a.judge(o)
	return a, nil
}

// blockSums sums what both images have without any flag. Blocks with less
// than half of a full block's pixels are left out.
func blockSums(left, right *Raster, size int) []block {
	w, h := left.Width, left.Height
	columns := (w + size - 1) / size
	var out []block
	row := make([]block, columns)
	for y0 := 0; y0 < h; y0 += size {
		clear(row)
		for y := y0; y < min(y0+size, h); y++ {
			for bx := range row {
				row[bx].add(left, right, y*w+bx*size, y*w+min((bx+1)*size, w))
			}
		}
		for bx, b := range row {
			if 2*b.pixels < size*size {
				continue
			}
			b.bx, b.by = bx, y0/size
			if 2*bx*size+size > w {
				b.quadrant++
			}
			if 2*y0+size > h {
				b.quadrant += 2
			}
			out = append(out, b)
		}
	}
	return out
}

// add sums the pixels from p0 to before p1.
func (b *block) add(left, right *Raster, p0, p1 int) {
	lv, lq, lf := left.Value[p0:p1], left.Variance[p0:p1], left.Flags[p0:p1]
	rv, rq, rf := right.Value[p0:p1], right.Variance[p0:p1], right.Flags[p0:p1]
	for i, l := range lv {
		r := rv[i]
		if lf[i]|rf[i] != 0 || l != l || r != r {
			continue
		}
		b.pixels++
		b.left += float64(l)
		b.right += float64(r)
		b.varL += float64(lq[i])
		b.varR += float64(rq[i])
	}
}

// choose leaves out dark blocks and outliers and counts them.
func (a *Agreement) choose(all []block, reject float64) []block {
	var lit []block
	var ratios []float64
	for _, b := range all {
		if !(b.left > litSigma*math.Sqrt(b.varL) && b.right > litSigma*math.Sqrt(b.varR)) {
			a.Dark++
			continue
		}
		lit = append(lit, b)
		ratios = append(ratios, b.right/b.left)
	}
	median, sigma := MedianMAD(ratios)
	kept := slices.DeleteFunc(lit, func(b block) bool { return math.Abs(b.right/b.left-median) > reject*sigma })
	a.Rejected = len(ratios) - len(kept)
	return kept
}

// setRatio sets the ratio of the sums and its uncertainties.
func (a *Agreement) setRatio(kept []block) {
	var l, r, vl, vr float64
	for _, b := range kept {
		l, r, vl, vr = l+b.left, r+b.right, vl+b.varL, vr+b.varR
		a.Pixels += b.pixels
	}
	a.Blocks = len(kept)
	a.Ratio = r / l
	a.NoiseU = math.Sqrt(vr+a.Ratio*a.Ratio*vl) / l
	square, dof := groupScatter(kept, a.Ratio)
	a.U, a.DoF = math.Sqrt(square)/l, dof
}

// groupScatter estimates the variance of the sum of e_k = r_k - R l_k from
// all overlapping 2 x 2 groups, and the degrees of freedom of the estimate,
// (tr A)^2 / tr(A^2) for the quadratic form e^T A e of equal normal e_k.
func groupScatter(kept []block, ratio float64) (variance, dof float64) {
	columns, rows := 0, 0
	for _, b := range kept {
		columns, rows = max(columns, b.bx+1), max(rows, b.by+1)
	}
	// A margin of one empty block around makes every block part of 4 groups.
	stride := columns + 2
	e, there := make([]float64, stride*(rows+2)), make([]float64, stride*(rows+2))
	for _, b := range kept {
		i := (b.by+1)*stride + b.bx + 1
		e[i], there[i] = b.right-ratio*b.left, 1
	}
	n := float64(len(kept))
	expected := 0.0 // of the estimate, in units of the blocks' variance
	for by := range rows + 1 {
		for bx := range columns + 1 {
			i := by*stride + bx
			sum := e[i] + e[i+1] + e[i+stride] + e[i+stride+1]
			m := there[i] + there[i+1] + there[i+stride] + there[i+stride+1]
			variance += sum * sum / 4
			expected += m * (1 - m/n) / 4
		}
	}
	trace2 := 0.0
	for i, t := range there {
		if t == 0 {
			continue
		}
		trace2 += 1 + (there[i-1]+there[i+1]+there[i-stride]+there[i+stride])/4 +
			(there[i-stride-1]+there[i-stride+1]+there[i+stride-1]+there[i+stride+1])/16
	}
	return variance * n / expected, n * n / trace2
}

// ratioOf is the ratio of sums over some blocks, with the uncertainty from
// the scatter of blocks taken as independent.
func ratioOf(blocks []block, ratio float64) RatioAt {
	var l, r, level float64
	pixels := 0
	for _, b := range blocks {
		l, r = l+b.left, r+b.right
		level += b.light(ratio) * float64(b.pixels)
		pixels += b.pixels
	}
	out := RatioAt{Level: level / float64(pixels), Ratio: r / l, U: math.NaN(), Blocks: len(blocks)}
	if n := float64(len(blocks)); n > 1 {
		q := 0.0
		for _, b := range blocks {
			e := b.right - out.Ratio*b.left
			q += e * e
		}
		out.U = math.Sqrt(q*n/(n-1)) / l
	}
	return out
}

// setLevels cuts the blocks, ordered by their light, into bins of equal
// number.
func (a *Agreement) setLevels(kept []block, bins int) {
	sorted := slices.Clone(kept)
	slices.SortStableFunc(sorted, func(p, q block) int { return cmp.Compare(p.light(a.Ratio), q.light(a.Ratio)) })
	bins = min(bins, len(sorted))
	for k := range bins {
		a.Levels = append(a.Levels, ratioOf(sorted[k*len(sorted)/bins:(k+1)*len(sorted)/bins], a.Ratio))
	}
}

// setQuadrants groups the blocks by where their middle lies.
func (a *Agreement) setQuadrants(kept []block) {
	var part [4][]block
	for _, b := range kept {
		part[b.quadrant] = append(part[b.quadrant], b)
	}
	for q := range part {
		a.Quadrants[q] = ratioOf(part[q], a.Ratio)
	}
}

// lineSums holds what a line through points needs, so that one point can be
// taken out again.
type lineSums struct{ n, x, y, xx, xy, yy float64 }

func (s *lineSums) add(x, y, w float64) {
	s.n += w
	s.x += w * x
	s.y += w * y
	s.xx += w * x * x
	s.xy += w * x * y
	s.yy += w * y * y
}

// line fits y = offset + slope x with errors in both, those of y being ratio
// times those of x (Deming regression; Fuller, Measurement Error Models, 1.3;
// from memory). Both are NaN where y does not rise with x.
func (s lineSums) line(ratio float64) (slope, offset float64) {
	sxx := s.xx - s.x*s.x/s.n
	syy := s.yy - s.y*s.y/s.n
	sxy := s.xy - s.x*s.y/s.n
	if !(sxy > 0) {
		return math.NaN(), math.NaN()
	}
	d := syy - ratio*ratio*sxx
	slope = (d + math.Sqrt(d*d+4*ratio*ratio*sxy*sxy)) / (2 * sxy)
	return slope, (s.y - slope*s.x) / s.n
}

// setLine fits the line with a free offset to the blocks' means, relative to
// the mean level so that no digits are lost, and gets its uncertainties from
// leaving out one block after another (jackknife; Efron & Stein 1981, from
// memory).
func (a *Agreement) setLine(kept []block) {
	origin := ratioOf(kept, a.Ratio).Level
	var all lineSums
	point := func(b block) (x, y float64) {
		n := float64(b.pixels)
		return b.left/n - origin, b.right/n - a.Ratio*origin
	}
	for _, b := range kept {
		x, y := point(b)
		all.add(x, y, 1)
	}
	atZero := func(slope, offset float64) float64 { return offset + (a.Ratio-slope)*origin }
	slope, offset := all.line(a.Ratio)
	a.Slope, a.Offset = slope, atZero(slope, offset)
	var slopes, offsets []float64
	for _, b := range kept {
		less := all
		x, y := point(b)
		less.add(x, y, -1)
		s, o := less.line(a.Ratio)
		slopes, offsets = append(slopes, s), append(offsets, atZero(s, o))
	}
	// meanOf has n-1 in the denominator, the jackknife (n-1)/n of the sum.
	scale := float64(len(kept)-1) / math.Sqrt(float64(len(kept)))
	a.SlopeU, a.OffsetU = scale*meanOf(slopes).Sigma, scale*meanOf(offsets).Sigma
}

// judge compares the ratio with 1.
func (a *Agreement) judge(o AgreeOptions) {
	q := 0.0
	for _, s := range o.Systematic {
		q += s * s
	}
	a.Systematic = math.Sqrt(q)
	if a.Ratio != 1 { // equal images have no scatter either
		a.Deviation = (a.Ratio - 1) / math.Hypot(a.U, a.Ratio*a.Systematic)
	}
	a.Consistent = math.Abs(a.Deviation) <= o.CoverageFactor
}
