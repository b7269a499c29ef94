package calib

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/stat/distuv"
)

// VariancePool makes the variances of a combiner's means better known.
//
// The scatter of n frames tells the variance of their mean with n-1 degrees of
// freedom only. Used as it is, it makes pulls that a master's noise rules
// heavier than normal: they follow Student's t, whose variance is
// (n-1)/(n-3). But the noise of good pixels is alike, up to its expected
// dependence on the level. So the scatter s^2 of each pixel is taken together
// with what the expected noise v says of it,
//
//	V = (nu0 R v + nu s^2) / (nu0 + nu),   nu = n-1
//
// with R the ratio of found to expected variance over all pixels, which takes
// the noise from the frames and not from the profile, and nu0 the degrees of
// freedom that the expectation is worth, from how much the ratios spread
// beyond their own 2/nu: with p the relative variance of the pixels' true
// noise, nu0 = 2/p. This is the moderated variance of Smyth (2004), Stat.
// Appl. Genet. Mol. Biol. 3(1), 3 (from memory), by moments. A pixel whose
// scatter stands out by more than standOutZ sigmas is noisier than the others
// and keeps its own.
type VariancePool struct {
	c      *Combiner
	model  FrameNoise // of the mean of all frames
	perNu  float64    // degrees of freedom of a pixel, for one frame more
	ratios []float32

	r, prior float64 // R and nu0, once fitted
	whole    wholePixel
}

// standOutZ is the departure, in sigmas, beyond which a pixel's scatter is no
// chance: 3e-5 of good pixels.
const standOutZ = 4

// poolSamples bounds the ratios that a pool looks at.
const poolSamples = 1 << 16

// NewVariancePool prepares the pool of a combiner's means.
func NewVariancePool(c *Combiner) *VariancePool {
	p := &VariancePool{c: c}
	var sw, sww float64
	for i, n := range c.Noise {
		w := 1.0
		if c.weights != nil {
			w = c.weights[i]
		}
		sw += w
		sww += w * w
		p.model.A += w * w * n.A
		p.model.B += w * w * n.B
	}
	p.model.A /= sw * sw
	p.model.B /= sw * sw
	p.perNu = sw * sw / sww / float64(len(c.Noise))
	return p
}

// expected is the variance of the mean of n frames at a level, where samples
// were multiplied with scale besides: A scale^2 + B scale level.
func (p *VariancePool) expected(level, scale float32, n int32) float64 {
	k := float64(scale)
	return (p.model.A*k + p.model.B*float64(max(level, 0))) * k * float64(len(p.c.Noise)) / float64(n)
}

// freedom is the number of degrees of freedom of the scatter of n frames.
func (p *VariancePool) freedom(n int32) float64 { return max(float64(n)*p.perNu-1, 0) }

// Add shows the pool a pixel: the variance of its mean by scatter, from n
// frames, with the level and the scale of its samples. Pixels that lost frames
// say little and are left out.
func (p *VariancePool) Add(variance, level, scale float32, n int32) {
	if int(n) < len(p.c.Noise) || !(variance >= 0) || len(p.ratios) >= poolSamples {
		return
	}
	p.ratios = append(p.ratios, float32(float64(variance)/p.expected(level, scale, n)))
}

// Fit finds R and nu0 from the pixels that were added. Pixels that stand out
// are left out, and the limit for that asks for R, so it is found twice, first
// from the median. What the truncation at 4 sigmas takes from the moments is
// below 0.2 %.
func (p *VariancePool) Fit() {
	nu := p.freedom(int32(len(p.c.Noise)))
	p.r, p.prior = 1, 1
	if len(p.ratios) > 0 && nu > 0 {
		p.moments(nu)
	}
	share := p.prior / (p.prior + nu)
	p.whole = wholePixel{a: float32(p.r * p.model.A), b: float32(p.r * p.model.B),
		limit: float32(p.standOut(nu)), alike: float32(share), own: float32(1 - share)}
}

// wholePixel is what Variance needs for a pixel that lost no frame.
type wholePixel struct {
	a, b       float32 // R times the model
	limit      float32 // ratio from which it stands out
	alike, own float32 // weights of expectation and scatter
}

// moments finds R and nu0 by the first two moments of the ratios.
func (p *VariancePool) moments(nu float64) {
	half := distuv.ChiSquared{K: nu}.Quantile(0.5) / nu
	p.r = float64(Median(slices.Clone(p.ratios))) / half
	if !(p.r > 0) { // a converter so coarse that half of the pixels do not scatter
		p.r = 1
	}
	var spread, kept float64
	for range 2 {
		limit := p.r * farRatio(nu, standOutZ)
		var sum, square float64
		kept = 0
		for _, x := range p.ratios {
			if v := float64(x); v <= limit {
				sum += v
				square += v * v
				kept++
			}
		}
		if !(sum > 0) {
			p.r, p.prior = 1, 1 // nothing scatters: what is expected counts
			return
		}
		p.r = sum / kept
		spread = square/kept/(p.r*p.r) - 1
	}
	most := nu * kept // what all pixels together are worth
	own := (spread - 2/nu) / (1 + 2/nu)
	p.prior = min(2/max(own, 2/most), most)
}

// standOut is the ratio of scatter to R v beyond which a pixel with nu degrees
// of freedom keeps its own scatter: that of both chance and spread.
func (p *VariancePool) standOut(nu float64) float64 {
	if nu == 0 {
		return math.Inf(1)
	}
	return farRatio(1/(1/nu+1/p.prior), standOutZ)
}

// farRatio is the ratio to its mean that a chi-square of nu degrees of freedom
// exceeds by z sigmas, by the cube-root approximation of Wilson & Hilferty
// (1931), Proc. Natl. Acad. Sci. 17, 684 (from memory).
func farRatio(nu, z float64) float64 {
	k := 2 / (9 * nu)
	c := 1 - k + z*math.Sqrt(k)
	return c * c * c
}

// Variance returns the variance of a pixel's mean, from its scatter, as Add
// takes it. NaN stays.
func (p *VariancePool) Variance(variance, level, scale float32, n int32) float32 {
	if int(n) == len(p.c.Noise) {
		w := &p.whole
		alike := (w.a*scale + w.b*max(level, 0)) * scale
		if variance <= alike*w.limit {
			variance = w.alike*alike + w.own*variance
		}
		return variance
	}
	if variance != variance || n == 0 {
		return variance
	}
	nu := p.freedom(n)
	alike := p.r * p.expected(level, scale, n)
	s := float64(variance)
	if s > alike*p.standOut(nu) {
		return variance
	}
	return float32((p.prior*alike + nu*s) / (p.prior + nu))
}
