package calib

import (
	"fmt"
	"math"
	"testing"
)

// pooled combines frames of the given noise and pools the variances.
func pooled(noise []FrameNoise, samples [][]float32, reject float64) (own, better Combined) {
	c := NewCombiner(reject, noise, 0)
	own, better = combine(c, samples), combine(c, samples)
	pool := NewVariancePool(c)
	for i, v := range own.Variance {
		pool.Add(v, own.Value[i], 1, own.Samples[i])
	}
	pool.Fit()
	for i, v := range own.Variance {
		better.Variance[i] = pool.Variance(v, own.Value[i], 1, own.Samples[i])
	}
	return own, better
}

// Means of few frames over their own scatter follow Student's t with n-1
// degrees of freedom, which has no finite variance for n = 2 and 3 and
// (n-1)/(n-3) above; over the pooled variance they are normal. The true noise
// is 1.7 times what is expected: it comes from the frames.
func TestPooledVarianceOfFewFramesGivesNormalPulls(t *testing.T) {
	const pixels, level = 40000, 100
	for _, n := range []int{2, 3, 5, 10} {
		t.Run(fmt.Sprintf("%d frames", n), func(t *testing.T) {
			samples := frames(uint64(900+n), alike(n, FrameNoise{A: 1.7 * 1.7 * 9}), pixels, level)
			own, better := pooled(alike(n, FrameNoise{A: 9}), samples, 0)
			var before, after moments
			for i, v := range own.Value {
				before.add(float64(v-level) / math.Sqrt(float64(own.Variance[i])))
				after.add(float64(v-level) / math.Sqrt(float64(better.Variance[i])))
			}
			// The pooled ratio is known to sqrt(2/(n-1)/pixels). Scatter beyond
			// 4 sigmas keeps its own, which is no chance only 3e-5 of the time.
			bound := sigmas * math.Sqrt(2/after.n+2/float64(n-1)/pixels)
			within(t, "squared pull", after.meanSquare(), 1, bound+2.0/float64(n-1)*0.002)
			within(t, "mean pull", after.mean(), 0, sigmas/math.Sqrt(after.n))
			if n > 5 {
				want := float64(n-1) / float64(n-3)
				// The fourth moment of t with nu degrees is 3 nu^2/((nu-2)(nu-4)).
				nu := float64(n - 1)
				fourth := 3 * nu * nu / ((nu - 2) * (nu - 4))
				within(t, "squared pull by own scatter", before.meanSquare(), want, sigmas*math.Sqrt((fourth-want*want)/before.n))
			} else if !(before.meanSquare() > 1.5) {
				t.Errorf("squared pull by own scatter is %g, want far above 1", before.meanSquare())
			}
		})
	}
}

// Where the pixels' noise differs by a variance ratio of relative variance p,
// the expectation is worth 2/p degrees of freedom, to which the number of pixels
// tells it; an unsteady pixel keeps its own scatter.
func TestPoolKnowsHowFarNoiseDiffers(t *testing.T) {
	const pixels, n, level = 1 << 16, 6, 0
	rng := newRand(910)
	samples := make([][]float32, n)
	for f := range samples {
		samples[f] = make([]float32, pixels)
	}
	const p = 0.08
	for i := range pixels {
		// A sum of k squared normal numbers has relative variance 2/k = p.
		v := 0.0
		for range 25 {
			z := rng.NormFloat64()
			v += z * z / 25
		}
		if i == 7 {
			v = 400
		}
		for f := range samples {
			samples[f][i] = float32(level + math.Sqrt(v)*rng.NormFloat64())
		}
	}
	c := NewCombiner(0, alike(n, FrameNoise{A: 1}), 0)
	out := combine(c, samples)
	pool := NewVariancePool(c)
	for i, v := range out.Variance {
		pool.Add(v, out.Value[i], 1, out.Samples[i])
	}
	pool.Fit()
	// The ratios have the variance S = p + 2/nu (1 + p), known to
	// sqrt((k-1)/pixels) of itself, k about 3 + 12/nu for a chi-square of nu.
	const nu = n - 1
	spread := p + 2.0/nu*(1+p)
	known := sigmas * spread * math.Sqrt((2+12.0/nu+6*p)/pixels)
	within(t, "relative variance of the noise", 2/pool.prior, p, (known+0.004)/(1+2.0/nu))
	within(t, "ratio of found to expected", pool.r, 1, sigmas*math.Sqrt(spread/pixels)+0.002)
	if got := pool.Variance(out.Variance[7], 0, 1, n); got != out.Variance[7] {
		t.Errorf("a pixel of 20 sigmas of noise has the variance %g, want its own %g", got, out.Variance[7])
	}
}

// What a pool has nothing to go by stays or is what is expected.
func TestPoolOfWhatTellsNothing(t *testing.T) {
	noise := alike(3, FrameNoise{A: 9})
	nan := float32(math.NaN())
	samples := [][]float32{{5, nan, nan, 4}, {5, nan, nan, 4}, {5, 7, nan, 4}}
	_, better := pooled(noise, samples, 5)
	within(t, "variance of a pixel with one sample", float64(better.Variance[1]), 9, 1e-6)
	if !isNaN(better.Variance[2]) {
		t.Errorf("a pixel without samples has the variance %g", better.Variance[2])
	}
	// Three frames that agree to the last code have the rounding at least.
	if !(better.Variance[0] > 0) || better.Variance[0] != better.Variance[3] {
		t.Errorf("frames that agree have the variances %g and %g", better.Variance[0], better.Variance[3])
	}
}

// The level of a flat's pixel is that of the pixels about it, whatever its own
// error, but for a pixel that is another kind.
func TestSurroundingsLeaveOutThePixelItself(t *testing.T) {
	nan := float32(math.NaN())
	flat := []float32{
		1.0, 1.1, 0.9, 1.0,
		0.9, 1.2, 1.1, 0.1,
		1.0, nan, 1.0, 0.9,
	}
	got := make([]float32, 4)
	new(Surroundings).Flat(4, flat, 1, got)
	for x, want := range []float64{
		(1.0 + 1.1 + 1.2 + 1.0) / 4,
		(1.0 + 1.1 + 0.9 + 0.9 + 1.1 + 1.0 + 1.0) / 7,
		(1.1 + 0.9 + 1.0 + 1.2 + 0.1 + 1.0 + 0.9) / 7,
		0.1, // a dead pixel
	} {
		within(t, fmt.Sprintf("level of column %d", x), float64(got[x]), want, 1e-6)
	}
}
