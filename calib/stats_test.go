package calib

import (
	"math"
	"slices"
	"testing"
)

func TestMedianIsTheMiddleOfTheSortedSamples(t *testing.T) {
	rng := newRand(1)
	for n := 1; n <= 130; n++ {
		x := make([]float64, n)
		for i := range x {
			x[i] = float64(rng.IntN(n)) // with ties
		}
		sorted := slices.Clone(x)
		slices.Sort(sorted)
		want := (sorted[(n-1)/2] + sorted[n/2]) / 2
		if got := Median(slices.Clone(x)); got != want {
			t.Errorf("median of %d samples is %g, want %g", n, got, want)
		}
		x32 := make([]float32, n)
		for i := range x {
			x32[i] = float32(x[i])
		}
		if got := Median(x32); got != float32(want) {
			t.Errorf("median of %d single-precision samples is %g, want %g", n, got, want)
		}
	}
}

// Orders that lead a median of three into a quadratic walk are still right.
func TestMedianOfOrderedSamples(t *testing.T) {
	const n = 2001
	for name, at := range map[string]func(i int) float64{
		"rising":     func(i int) float64 { return float64(i) },
		"falling":    func(i int) float64 { return float64(n - 1 - i) },
		"organ pipe": func(i int) float64 { return float64(min(2*i, 2*(n-1-i)+1)) },
	} {
		x := make([]float64, n)
		for i := range x {
			x[i] = at(i)
		}
		if got := Median(x); got != (n-1)/2 {
			t.Errorf("%s: median is %g, want %d", name, got, (n-1)/2)
		}
	}
}

// Many samples are counted by their leading bits: of both signs, with ties and
// without, with an even number and an odd one.
func TestMedianOfManySamples(t *testing.T) {
	rng := newRand(2)
	for name, draw := range map[string]func() float32{
		"normal":        func() float32 { return float32(rng.NormFloat64()) },
		"far from zero": func() float32 { return float32(30000 + rng.NormFloat64()) },
		"half steps":    func() float32 { return float32(math.Round(6*rng.NormFloat64())) / 2 },
		"two values":    func() float32 { return float32(rng.IntN(2))*8 - 4 },
		"with infinite": func() float32 { return []float32{float32(math.Inf(-1)), 1, 2, float32(math.Inf(1))}[rng.IntN(4)] },
	} {
		for n := manySamples; n < manySamples+5; n++ {
			x := make([]float32, n)
			for i := range x {
				x[i] = draw()
			}
			sorted := slices.Clone(x)
			slices.Sort(sorted)
			want := (sorted[(n-1)/2] + sorted[n/2]) / 2
			if n%2 == 1 {
				want = sorted[n/2]
			}
			if got := Median(x); got != want {
				t.Errorf("%s: median of %d samples is %g, want %g", name, n, got, want)
			}
		}
	}
}

func TestMedianOfNothingIsNaN(t *testing.T) {
	if got := Median([]float64{}); !math.IsNaN(got) {
		t.Errorf("median of no sample is %g, want NaN", got)
	}
	if median, sigma := MedianMAD([]float32{}); !isNaN(median) || !isNaN(sigma) {
		t.Errorf("median and sigma of no sample are %g and %g, want NaN", median, sigma)
	}
}

// 1/Phi^-1(3/4) = 1.482602218505602 is the factor for normal noise.
func TestMedianMADGivesTheSigmaOfNormalNoise(t *testing.T) {
	const n, mean, sigma = 200001, 40.0, 3.0
	rng := newRand(2)
	x := make([]float64, n)
	for i := range x {
		x[i] = mean + sigma*rng.NormFloat64()
	}
	median, s := MedianMAD(x)
	// The median has the variance pi/2 sigma^2/n; the MAD the efficiency
	// 0.3675 beside the standard deviation's sigma^2/(2n) (Rousseeuw & Croux
	// 1993, section 1).
	within(t, "median", median, mean, sigmas*sigma*math.Sqrt(math.Pi/2/n))
	within(t, "sigma", s, sigma, sigmas*sigma/math.Sqrt(2*n*0.3675))
}

func TestMedianMADByHand(t *testing.T) {
	// Deviations from the median 5: 4 2 0 2 95, of which 2 is the median.
	median, sigma := MedianMAD([]float64{1, 3, 5, 7, 100})
	within(t, "median", median, 5, 0)
	within(t, "sigma", sigma, 2*1.482602218505602, 1e-15)
}

func TestClippedMeanLeavesOutOutliersOnce(t *testing.T) {
	for _, c := range []struct {
		name string
		x    []float64
		want Clipped
	}{
		// Median 5, MAD 2: 100 is 32 robust sigmas away. The sum of squares
		// of 1 3 5 7 about 4 is 20.
		{"an outlier", []float64{1, 3, 100, 5, 7}, Clipped{4, math.Sqrt(20.0 / 3), 4}},
		{"none", []float64{1, 3, 5, 7}, Clipped{4, math.Sqrt(20.0 / 3), 4}},
		{"equal samples", []float64{2, 2, 2}, Clipped{2, 0, 3}},
		{"one sample", []float64{2}, Clipped{2, math.NaN(), 1}},
		{"no sample", nil, Clipped{math.NaN(), math.NaN(), 0}},
		// Median 10, MAD 1, limit 5.93: 16 goes and 5 stays, though 5 would
		// be out in a second round.
		{"once only", []float64{5, 9, 9, 10, 10, 11, 16}, Clipped{9, math.Sqrt(22.0 / 5), 6}},
	} {
		got := ClippedMean(c.x, 4)
		if got.N != c.want.N || !same(got.Mean, c.want.Mean) || !same(got.Sigma, c.want.Sigma) {
			t.Errorf("%s: %+v, want %+v", c.name, got, c.want)
		}
	}
}

// same tells whether two numbers agree to rounding, or are both NaN.
func same(a, b float64) bool {
	return math.IsNaN(a) && math.IsNaN(b) || math.Abs(a-b) <= 1e-14*math.Abs(b)
}

// A limit of k sigmas takes 2 k phi(k) of the variance and nothing of the
// mean: 0.107 % for k = 4, which is half as much of the standard deviation.
func TestClippedMeanCostsOfNormalNoiseWhatItsCommentSays(t *testing.T) {
	const n, sets, k = 200000, 10, 4
	rng := newRand(3)
	var lost, all, shift float64
	out := 0
	for range sets {
		x := make([]float64, n)
		for i := range x {
			x[i] = rng.NormFloat64()
		}
		whole := meanOf(x)
		clipped := ClippedMean(x, k)
		lost += whole.Sigma*whole.Sigma - clipped.Sigma*clipped.Sigma
		all += whole.Sigma * whole.Sigma
		shift += clipped.Mean - whole.Mean
		out += whole.N - clipped.N
	}
	phi := math.Exp(-k*k/2.0) / math.Sqrt(2*math.Pi)
	beyond := math.Erfc(k/math.Sqrt2) * n * sets // 127 expected
	// Each sample beyond takes about k^2; their number is Poisson, and so is
	// the difference of the numbers on both sides that moves the mean.
	within(t, "samples beyond the limit", float64(out), beyond, sigmas*math.Sqrt(beyond))
	within(t, "share of the variance lost", lost/all, 2*k*phi, sigmas*1.1*k*k*math.Sqrt(beyond)/(n*sets))
	within(t, "shift of the mean", shift/sets, 0, sigmas*1.1*k*math.Sqrt(beyond)/(n*sets))
}
