package calib

import (
	"fmt"
	"math"
	"testing"
)

// frames draws samples of pixels with the given levels and noise.
func frames(seed uint64, noise []FrameNoise, pixels int, level float64) [][]float32 {
	rng := newRand(seed)
	samples := make([][]float32, len(noise))
	for f, n := range noise {
		samples[f] = make([]float32, pixels)
		sigma := math.Sqrt(n.A + n.B*max(level, 0))
		for p := range samples[f] {
			samples[f][p] = float32(level + sigma*rng.NormFloat64())
		}
	}
	return samples
}

func alike(n int, noise FrameNoise) []FrameNoise {
	all := make([]FrameNoise, n)
	for i := range all {
		all[i] = noise
	}
	return all
}

func combine(c *Combiner, samples [][]float32) Combined {
	out := newCombined(len(samples[0]))
	c.Combine(samples, out, new(CombineScratch))
	return out
}

// A frame without samples sends every pixel down the careful path and changes
// nothing else: sums over n float32 differences, none larger than 2 k sigma,
// differ by n roundings from those in double precision.
func TestCombinerQuickPathEqualsTheCarefulOne(t *testing.T) {
	const pixels, level, k = 1500, 300.0, 5.0
	for _, n := range []int{2, 3, 10, 64} {
		t.Run(fmt.Sprintf("%d frames", n), func(t *testing.T) {
			noise := FrameNoise{A: 16, B: 0.01}
			samples := frames(21, alike(n, noise), pixels, level)
			addHits(samples, 7)
			empty := make([]float32, pixels)
			for p := range empty {
				empty[p] = float32(math.NaN())
			}
			quick := combine(NewCombiner(k, alike(n, noise), level), samples)
			careful := combine(NewCombiner(k, alike(n+1, noise), level), append(samples[:n:n], empty))
			const eps = 0x1p-24
			steps := float64(n + 4)
			sigma := math.Sqrt(noise.A + noise.B*level)
			for p := range pixels {
				if quick.Samples[p] != careful.Samples[p] {
					t.Fatalf("pixel %d: %d samples kept, want %d", p, quick.Samples[p], careful.Samples[p])
				}
				// Rounding of the value itself, and of the mean difference.
				value := eps*level*2 + steps*eps*2*k*sigma
				within(t, "value", float64(quick.Value[p]), float64(careful.Value[p]), value)
				// The squares of the differences from the first sample may be
				// (2k)^2 times the variance that is left when the mean is off.
				spread := math.Sqrt(float64(careful.Variance[p]) * float64(n))
				amplified := 1 + 4*k*k*sigma*sigma/(spread*spread)
				within(t, "variance", float64(quick.Variance[p]), float64(careful.Variance[p]), steps*eps*amplified*float64(careful.Variance[p]))
				within(t, "scatter", float64(quick.Scatter[p]), float64(careful.Scatter[p]), steps*eps*amplified*float64(careful.Scatter[p]))
			}
		})
	}
}

// addHits spoils one sample of every step-th pixel, of the first frame too.
func addHits(samples [][]float32, step int) {
	for p := 0; p < len(samples[0]); p += step {
		samples[(p/step)%len(samples)][p] += 4000
	}
}

func TestCombinerLeavesHitsOut(t *testing.T) {
	const n, pixels, level, step = 20, 4000, 300.0, 3
	noise := alike(n, FrameNoise{A: 16})
	clean := frames(22, noise, pixels, level)
	spoilt := frames(22, noise, pixels, level)
	addHits(spoilt, step)
	got := combine(NewCombiner(6, noise, level), spoilt)
	for p := range pixels {
		hit := -1
		if p%step == 0 {
			hit = (p / step) % n
		}
		var kept []float64
		for f := range n {
			if f != hit {
				kept = append(kept, float64(clean[f][p]))
			}
		}
		want := meanOf(kept)
		if int(got.Samples[p]) != len(kept) {
			t.Fatalf("pixel %d: %d samples kept, want %d", p, got.Samples[p], len(kept))
		}
		within(t, "value", float64(got.Value[p]), want.Mean, 1e-4)
		variance := want.Sigma * want.Sigma / float64(len(kept))
		within(t, "variance", float64(got.Variance[p]), variance, 1e-5*variance)
		scatter := want.Sigma * want.Sigma / 16 // the hit says nothing of the pixel
		within(t, "scatter", float64(got.Scatter[p]), scatter, 1e-5*scatter)
	}
}

// The limit counts from the median: in both cases the last sample is less
// than 4 sigmas from the mean.
func TestCombinerCountsTheLimitFromTheMedian(t *testing.T) {
	for _, c := range []struct {
		last float32
		kept int32
	}{{4.5, 4}, {3.9, 5}} {
		samples := [][]float32{{0}, {0}, {0}, {0}, {c.last}}
		got := combine(NewCombiner(4, alike(5, FrameNoise{A: 1}), 0), samples)
		if got.Samples[0] != c.kept {
			t.Errorf("with a sample at %g sigmas %d are kept, want %d", c.last, got.Samples[0], c.kept)
		}
	}
}

// A pixel that is noisier than expected sets its own limit, and is not
// clipped to pieces.
func TestCombinerKeepsUnsteadyPixelsWhole(t *testing.T) {
	const n, pixels = 40, 2000
	samples := frames(23, alike(n, FrameNoise{A: 100}), pixels, 50)
	got := combine(NewCombiner(5, alike(n, FrameNoise{A: 1}), 50), samples)
	var kept, scatter moments
	for p := range pixels {
		kept.add(float64(got.Samples[p]))
		scatter.add(float64(got.Scatter[p]))
	}
	// A limit of 5 robust sigmas of 40 samples is never below 3, where 0.27 %
	// of normal noise lies.
	if kept.mean() < n*0.9973 {
		t.Errorf("%.2f of %d samples are kept on average", kept.mean(), n)
	}
	// A reduced chi-square of n-1 degrees of freedom times the true ratio.
	within(t, "scatter", scatter.mean(), 100, sigmas*100*math.Sqrt(2.0/(n-1)/pixels))
}

// On normal noise the clipping at k sigmas moves nothing and takes at most
// 2 k phi(k) of the variance.
func TestCombinerClippingCostsNextToNothing(t *testing.T) {
	const n, pixels = 32, 80000
	noise := alike(n, FrameNoise{A: 9})
	samples := frames(24, noise, pixels, 0)
	all := combine(NewCombiner(0, noise, 0), samples)
	for _, k := range []float64{4, 5} {
		t.Run(fmt.Sprintf("k = %g", k), func(t *testing.T) {
			got := combine(NewCombiner(k, noise, 0), samples)
			var before, after, shift float64
			out := 0
			for p := range pixels {
				before += float64(all.Variance[p]) * float64(all.Samples[p])
				after += float64(got.Variance[p]) * float64(got.Samples[p])
				shift += float64(got.Value[p]) - float64(all.Value[p])
				out += n - int(got.Samples[p])
			}
			phi := math.Exp(-k*k/2) / math.Sqrt(2*math.Pi)
			beyond := math.Erfc(k/math.Sqrt2) * n * pixels
			if most := beyond + sigmas*math.Sqrt(beyond); float64(out) > most {
				t.Errorf("%d samples are left out, at most %.0f may be", out, most)
			}
			most := 2*k*phi + sigmas*1.1*k*k*math.Sqrt(beyond)/(n*pixels)
			const rounding = n * 0x1p-24
			if lost := 1 - after/before; lost < -rounding || lost > most {
				t.Errorf("the variance is smaller by %.3g, at most %.3g may be lost", lost, most)
			}
			// Left and right tails are Poisson numbers of equal mean; each
			// sample of k sigmas moves the mean of its pixel by k sigma/n.
			within(t, "shift of the mean", shift/pixels, 0, sigmas*3*1.1*k/n*math.Sqrt(beyond)/pixels)
		})
	}
}

// Two kinds of dark exposure, 10 s and 100 s, whose noise differs tenfold:
// the mean is as precise as inverse-variance weights allow, 1/sum(1/sigma^2),
// and the variance says so.
func TestCombinerWeighsUnlikeFrames(t *testing.T) {
	const pixels, level = 20000, 2.0
	var noise []FrameNoise
	precision := 0.0
	for i := range 24 {
		ht := 10.0
		if i%3 == 0 {
			ht = 100
		}
		noise = append(noise, FrameNoise{A: 64 / (ht * ht), B: 1 / ht})
		precision += 1 / (64/(ht*ht) + level/ht)
	}
	got := combine(NewCombiner(5, noise, level), frames(25, noise, pixels, level))
	var e, variance, scatter moments
	for p := range pixels {
		e.add(float64(got.Value[p]) - level)
		variance.add(float64(got.Variance[p]))
		scatter.add(float64(got.Scatter[p]))
	}
	within(t, "mean error", e.mean(), 0, sigmas/math.Sqrt(precision*pixels))
	within(t, "squared error times the best precision", e.meanSquare()*precision, 1, sigmas*math.Sqrt(2.0/pixels))
	// The stated variance rests on 8 good frames at least: its own relative
	// variance is below 2/7.
	within(t, "stated variance times the best precision", variance.mean()*precision, 1, sigmas*math.Sqrt(2.0/7/pixels))
	// The median of the scatter's own level carries the noise of the mean.
	within(t, "scatter", scatter.mean(), 1, sigmas*math.Sqrt(2.0/23/pixels)+1/(precision*level*level))
}

// The weights hold for the typical level. A hot pixel's noise is shot noise,
// in which long exposures are better by less; its stated variance must still
// be that of its mean.
func TestCombinerStatesTheVarianceOfHotPixelsHonestly(t *testing.T) {
	const pixels, typical, hot = 20000, 0.05, 500.0
	var noise []FrameNoise
	var sw, sww float64
	for i := range 20 {
		ht := 10.0
		if i%2 == 0 {
			ht = 100
		}
		f := FrameNoise{A: 100 / (ht * ht), B: 1 / ht}
		noise = append(noise, f)
		w := 1 / (f.A + f.B*typical)
		sw += w
		sww += w * w * (f.A + f.B*hot)
	}
	truth := sww / (sw * sw)
	got := combine(NewCombiner(5, noise, typical), frames(26, noise, pixels, hot))
	var e, variance moments
	for p := range pixels {
		e.add(float64(got.Value[p]) - hot)
		variance.add(float64(got.Variance[p]))
	}
	within(t, "squared error over its theory", e.meanSquare()/truth, 1, sigmas*math.Sqrt(2.0/pixels))
	// Ten long frames carry nearly all the weight. Their weights differ from
	// the best, which leaves a bias of the order of 1/20 times the share of
	// the short frames' weight.
	within(t, "stated variance over the true one", variance.mean()/truth, 1, sigmas*math.Sqrt(2.0/9/pixels)+0.02)
}

// Exposures that differ by less than a fifth in sigma are averaged alike;
// their scatter is measured against their own noise all the same.
func TestScatterIsOneForNearlyAlikeFrames(t *testing.T) {
	const n, pixels, level = 16, 20000, 100.0
	var noise []FrameNoise
	for i := range n {
		noise = append(noise, FrameNoise{A: 4 + 1.6*float64(i%2)}) // sigma ratio 1.18
	}
	got := combine(NewCombiner(5, noise, level), frames(27, noise, pixels, level))
	var scatter moments
	for p := range pixels {
		scatter.add(float64(got.Scatter[p]))
	}
	within(t, "scatter", scatter.mean(), 1, sigmas*math.Sqrt(2.0/(n-1)/pixels)*1.1)
}

func TestCombinerOfMissingSamples(t *testing.T) {
	nan := float32(math.NaN())
	inf := float32(math.Inf(1))
	noise := alike(4, FrameNoise{A: 4, B: 0.5})
	for _, c := range []struct {
		name     string
		samples  [4]float32
		value    float64
		variance float64
		kept     int32
		scatter  float64
	}{
		{"none there", [4]float32{nan, nan, nan, nan}, math.NaN(), math.NaN(), 0, math.NaN()},
		// The expected variance at level 10 is 4 + 0.5 * 10.
		{"one there", [4]float32{nan, 10, nan, nan}, 10, 9, 1, 1},
		// s^2 = 8, over n = 2; chi-square 8 / (4 + 0.5 * 12).
		{"two there", [4]float32{10, nan, nan, 14}, 12, 4, 2, 0.8},
		{"first missing", [4]float32{nan, 10, 12, 14}, 12, 4.0 / 3, 3, 0.4},
		{"below zero the level counts as zero", [4]float32{-6, nan, -8, nan}, -7, 1, 2, 0.5},
		{"equal samples", [4]float32{5, 5, 5, 5}, 5, 0, 4, 0},
		{"an endless sample", [4]float32{5, inf, 5, 5}, 5, 0, 3, 0},
	} {
		samples := make([][]float32, 4)
		for f := range samples {
			samples[f] = []float32{c.samples[f]}
		}
		got := combine(NewCombiner(5, noise, 10), samples)
		if got.Samples[0] != c.kept || !near32(got.Value[0], c.value) || !near32(got.Variance[0], c.variance) || !near32(got.Scatter[0], c.scatter) {
			t.Errorf("%s: value %g, variance %g, %d kept, scatter %g; want %g, %g, %d, %g", c.name,
				got.Value[0], got.Variance[0], got.Samples[0], got.Scatter[0], c.value, c.variance, c.kept, c.scatter)
		}
	}
}

// near32 tells whether two numbers agree to single precision or are both NaN.
func near32(got float32, want float64) bool {
	if math.IsNaN(want) || math.IsInf(want, 0) {
		return isNaN(got) == math.IsNaN(want) && math.IsInf(float64(got), 0) == math.IsInf(want, 0)
	}
	return math.Abs(float64(got)-want) <= 1e-6*math.Abs(want)
}

func TestCombinerWithoutScatterGivesTheSameMean(t *testing.T) {
	noise := alike(6, FrameNoise{A: 4})
	samples := frames(28, noise, 100, 10)
	samples[2][50] = float32(math.NaN())
	want := combine(NewCombiner(5, noise, 10), samples)
	got := newCombined(100)
	got.Scatter = nil
	NewCombiner(5, noise, 10).Combine(samples, got, new(CombineScratch))
	for p := range got.Value {
		if got.Value[p] != want.Value[p] || got.Variance[p] != want.Variance[p] {
			t.Fatalf("pixel %d: %g and %g, want %g and %g", p, got.Value[p], got.Variance[p], want.Value[p], want.Variance[p])
		}
	}
}

// Runs of every length give the same bytes, whatever the scratch held before.
func TestCombinerDoesNotDependOnTheRun(t *testing.T) {
	const pixels = 1300
	noise := alike(9, FrameNoise{A: 4})
	samples := frames(29, noise, pixels, 10)
	addHits(samples, 5)
	c := NewCombiner(5, noise, 10)
	want := combine(c, samples)
	var s CombineScratch
	for _, run := range []int{1, 7, 511, 512, 513} {
		for p := 0; p < pixels; p += run {
			end := min(p+run, pixels)
			part := make([][]float32, len(samples))
			for f := range samples {
				part[f] = samples[f][p:end]
			}
			out := newCombined(end - p)
			c.Combine(part, out, &s)
			for i := range out.Value {
				if out.Value[i] != want.Value[p+i] || out.Variance[i] != want.Variance[p+i] || out.Scatter[i] != want.Scatter[p+i] {
					t.Fatalf("runs of %d: pixel %d differs", run, p+i)
				}
			}
		}
	}
}
