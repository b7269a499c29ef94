package calib

import (
	"math"
)

// FrameNoise is the expected variance of one frame's sample whose true level
// is c, in the units of the samples: A + B max(c, 0).
//
//	bias   A = (r/g)^2 + 1/12           B = 0        DN^2
//	dark   A = (r^2 + g^2/12) / (h t)^2 B = 1/(h t)  (e-/s)^2
//	flat   A = (r^2 + g^2/12) / level^2 B = 1/level  relative
type FrameNoise struct{ A, B float64 }

// Combiner makes the robust mean of many frames, pixel by pixel.
//
// Samples further from the pixel's median than Reject expected sigmas are
// left out; where the scatter about the median (MAD) is larger than expected,
// it takes the place of the expectation, so an unsteady pixel is not clipped
// to pieces, nor does a coarse converter or a small set let the limit shrink
// to nothing. The clipping acts once. On normal noise it leaves the mean
// unbiased and takes 2 k phi(k) from the variance: 0.11 % for k = 4 and
// 0.0015 % for k = 5, which is not corrected.
//
// Frames of unlike noise (dark exposures of different lengths) are weighted
// by 1/(A + B typical level).
type Combiner struct {
	Reject float64      // k; 0: nothing is left out
	Noise  []FrameNoise // one for each frame
	// Typical is the level at which frames are weighted, in the samples' units.
	Typical float64

	weights []float64  // nil: all alike
	floor   FrameNoise // the smallest of each term, for the limit
	mean    FrameNoise // the mean of each term, for the scatter
}

// alikeNoise is the ratio of largest to smallest expected sigma up to which
// frames are averaged with equal weights: the loss of precision is below 1 %.
const alikeNoise = 1.2

// NewCombiner prepares a robust mean of len(noise) frames.
func NewCombiner(reject float64, noise []FrameNoise, typical float64) *Combiner {
	c := &Combiner{Reject: reject, Noise: noise, Typical: typical, floor: noise[0]}
	lowest, highest := math.Inf(1), 0.0
	for _, n := range noise {
		v := n.A + n.B*max(typical, 0)
		lowest, highest = min(lowest, v), max(highest, v)
		c.floor.A, c.floor.B = min(c.floor.A, n.A), min(c.floor.B, n.B)
		c.mean.A += n.A / float64(len(noise))
		c.mean.B += n.B / float64(len(noise))
	}
	if highest > alikeNoise*alikeNoise*lowest {
		c.weights = make([]float64, len(noise))
		for i, n := range noise {
			c.weights[i] = 1 / (n.A + n.B*max(typical, 0))
		}
	}
	return c
}

// MeanOf returns the mean of one number for each frame, weighted as the frames
// are in the result.
func (c *Combiner) MeanOf(v []float64) float64 {
	var sw, swv float64
	for i, x := range v {
		w := 1.0
		if c.weights != nil {
			w = c.weights[i]
		}
		sw += w
		swv += w * x
	}
	return swv / sw
}

// Combined receives the result for a run of pixels. Scatter is the reduced
// chi-square of the kept samples about the mean: 1 where a pixel is as noisy
// as expected; a sample that was left out, such as a cosmic-ray hit, says
// nothing about the pixel's steadiness. It may be nil.
type Combined struct {
	Value    []float32
	Variance []float32 // of Value
	Samples  []int32   // kept
	Scatter  []float32
}

// combineRun is the number of pixels whose sums are kept in the first-level
// cache while the frames are gone through.
const combineRun = 512

// CombineScratch is the working memory of one goroutine.
type CombineScratch struct {
	centre, sum, square [combineRun]float32
	far                 [combineRun]int32
	samples, sorted     []float32
	frames              []int
}

// Combine makes the mean of samples[i][p] over the frames i for each pixel p.
// A NaN sample is not there. A pixel without samples becomes NaN, one with a
// single sample has the expected variance.
func (c *Combiner) Combine(samples [][]float32, out Combined, s *CombineScratch) {
	for p0 := 0; p0 < len(out.Value); p0 += combineRun {
		p1 := min(p0+combineRun, len(out.Value))
		if c.weights != nil {
			for p := p0; p < p1; p++ {
				c.careful(samples, p, out, s)
			}
			continue
		}
		c.quick(samples, p0, p1, out, s)
	}
}

// quick sums the samples as if none had to be left out, and proves pixel by
// pixel that it was so: the median is never further from the mean than one
// standard deviation, so where the sample furthest from the mean is within
// the limit less that distance, no sample can be outside. The other pixels are
// done with care. Samples are taken relative to the mean of the first few, so
// that single precision is enough.
func (c *Combiner) quick(samples [][]float32, p0, p1 int, out Combined, s *CombineScratch) {
	n := p1 - p0
	s.begin(samples[:min(len(samples), centreFrames)], p0, n)
	rest := samples
	for len(rest) >= 4 {
		s.addFour(rest[0][p0:p1], rest[1][p0:p1], rest[2][p0:p1], rest[3][p0:p1])
		rest = rest[4:]
	}
	for _, f := range rest {
		s.addOne(f[p0:p1])
	}
	count := float32(len(samples))
	k := float32(c.limit(1))
	a, b := float32(c.floor.A), float32(c.floor.B)
	meanA, meanB := float32(c.mean.A), float32(c.mean.B)
	for i := range n {
		mean := s.sum[i] / count
		q := max(s.square[i]-s.sum[i]*mean, 0)
		spread := sqrt32(q / count)
		centre := s.centre[i]
		far := math.Float32frombits(uint32(s.far[i]))
		limit := k * sqrt32(a+b*max(centre-far, 0))
		// A NaN anywhere makes the comparison false. The furthest from the
		// mean is no further from the centre than far; where that is not
		// near enough to decide, it is looked for.
		if !(far+abs32(mean)+spread <= limit && len(samples) > 1) &&
			!(len(samples) > 1 && furthest(samples, p0+i, centre+mean)+spread <= limit) {
			c.careful(samples, p0+i, out, s)
			continue
		}
		variance := q / (count - 1)
		out.Value[p0+i] = centre + mean
		out.Variance[p0+i] = variance / count
		out.Samples[p0+i] = int32(len(samples))
		if out.Scatter != nil {
			out.Scatter[p0+i] = variance / (meanA + meanB*max(centre+mean, 0))
		}
	}
}

// centreFrames is the number of frames whose mean the samples are taken
// relative to.
const centreFrames = 8

// begin clears the sums and sets the centre to the mean of a few frames.
func (s *CombineScratch) begin(few [][]float32, p0, n int) {
	clear(s.centre[:n])
	clear(s.sum[:n])
	clear(s.square[:n])
	clear(s.far[:n])
	k := 1 / float32(len(few))
	for _, f := range few {
		for i, v := range f[p0 : p0+n] {
			s.centre[i] += v * k
		}
	}
}

// magnitude clears the sign of a float32; what is left orders as an integer
// as the numbers do, with NaN above all.
const magnitude = 1<<31 - 1

// addFour takes four frames into the sums at once, which spares three of four
// loads and stores of the sums.
func (s *CombineScratch) addFour(r0, r1, r2, r3 []float32) {
	n := len(r0)
	r1, r2, r3 = r1[:n], r2[:n], r3[:n]
	sum, square, far, centre := s.sum[:n], s.square[:n], s.far[:n], s.centre[:n]
	for i, f := range centre {
		d0, d1, d2, d3 := r0[i]-f, r1[i]-f, r2[i]-f, r3[i]-f
		sum[i] += (d0 + d1) + (d2 + d3)
		square[i] += (d0*d0 + d1*d1) + (d2*d2 + d3*d3)
		a := max(int32(math.Float32bits(d0)&magnitude), int32(math.Float32bits(d1)&magnitude))
		b := max(int32(math.Float32bits(d2)&magnitude), int32(math.Float32bits(d3)&magnitude))
		far[i] = max(far[i], a, b)
	}
}

// addOne takes one frame into the sums.
func (s *CombineScratch) addOne(row []float32) {
	n := len(row)
	sum, square, far, centre := s.sum[:n], s.square[:n], s.far[:n], s.centre[:n]
	for i, v := range row {
		d := v - centre[i]
		sum[i] += d
		square[i] += d * d
		far[i] = max(far[i], int32(math.Float32bits(d)&magnitude))
	}
}

// furthest returns the largest distance of pixel p's samples from a level; it
// is NaN where a sample is.
func furthest(samples [][]float32, p int, level float32) float32 {
	far := int32(0)
	for _, f := range samples {
		far = max(far, int32(math.Float32bits(f[p]-level)&magnitude))
	}
	return math.Float32frombits(uint32(far))
}

func abs32(v float32) float32 { return math.Float32frombits(math.Float32bits(v) & magnitude) }

func sqrt32(v float32) float32 { return float32(math.Sqrt(float64(v))) }

// careful does one pixel by the definition.
func (c *Combiner) careful(samples [][]float32, p int, out Combined, s *CombineScratch) {
	s.samples, s.frames = s.samples[:0], s.frames[:0]
	for i, f := range samples {
		if v := f[p]; v == v {
			s.samples = append(s.samples, v)
			s.frames = append(s.frames, i)
		}
	}
	if len(s.samples) == 0 {
		nan := float32(math.NaN())
		out.Value[p], out.Variance[p], out.Samples[p] = nan, nan, 0
		if out.Scatter != nil {
			out.Scatter[p] = nan
		}
		return
	}
	s.sorted = append(s.sorted[:0], s.samples...)
	median := float64(Median(s.sorted))
	scale := c.scale(s, median)
	mean, variance, kept := c.average(s, median, scale)
	out.Value[p] = float32(mean)
	out.Variance[p] = float32(variance)
	out.Samples[p] = int32(kept)
	if out.Scatter != nil {
		out.Scatter[p] = float32(c.scatter(s, median, scale, mean))
	}
}

// variance returns the expected variance of frame i at level c.
func (c *Combiner) variance(i int, level float64) float64 {
	return c.Noise[i].A + c.Noise[i].B*max(level, 0)
}

// scale returns by how much the scatter about the median exceeds what is
// expected, 1 at least.
func (c *Combiner) scale(s *CombineScratch, median float64) float64 {
	s.sorted = s.sorted[:0]
	for j, v := range s.samples {
		d := math.Abs(float64(v)-median) / math.Sqrt(c.variance(s.frames[j], median))
		s.sorted = append(s.sorted, float32(d))
	}
	return max(1, float64(Median(s.sorted))*madToSigma)
}

// average returns the weighted mean of the samples within the limit, its
// variance and their number. The variance is that of the samples about the
// mean, sum w^2 (x-m)^2 / ((sum w)^2 - sum w^2). It is unbiased where the
// weights are the inverse variances, is s^2/n for equal weights, and holds
// for a hot pixel too, whose noise the weights, made for the typical level,
// do not fit.
func (c *Combiner) average(s *CombineScratch, median, scale float64) (mean, variance float64, kept int) {
	limit := c.limit(scale)
	var sw, sww, swd, swwd, swwdd, expected float64
	for j, v := range s.samples {
		i := s.frames[j]
		d := float64(v) - median
		v := c.variance(i, median)
		if d*d > limit*limit*v {
			continue
		}
		expected = v
		w := 1.0
		if c.weights != nil {
			w = c.weights[i]
		}
		kept++
		sw += w
		sww += w * w
		swd += w * d
		swwd += w * w * d
		swwdd += w * w * d * d
	}
	shift := swd / sw
	if kept == 1 {
		return median + shift, expected, kept
	}
	variance = max(swwdd-2*shift*swwd+shift*shift*sww, 0) / (sw*sw - sww)
	return median + shift, variance, kept
}

// limit returns the distance from the median, in expected sigmas, beyond
// which a sample is left out.
func (c *Combiner) limit(scale float64) float64 {
	if c.Reject > 0 {
		return c.Reject * scale
	}
	return math.Inf(1)
}

// scatter returns the reduced chi-square of the kept samples about the mean.
func (c *Combiner) scatter(s *CombineScratch, median, scale, mean float64) float64 {
	limit := c.limit(scale)
	q, n := 0.0, 0
	for j, v := range s.samples {
		i := s.frames[j]
		if d := float64(v) - median; d*d > limit*limit*c.variance(i, median) {
			continue
		}
		d := float64(v) - mean
		q += d * d / c.variance(i, mean)
		n++
	}
	if n < 2 {
		return 1
	}
	return q / float64(n-1)
}
