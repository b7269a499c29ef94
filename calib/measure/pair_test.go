package measure

import (
	"math"
	"math/rand/v2"
	"testing"
)

// noisePair returns two frames of normal noise about a level.
func noisePair(seed uint64, n int, level, sigma float64) (a, b []float32) {
	rng := newRand(seed)
	a, b = make([]float32, n), make([]float32, n)
	for i := range a {
		a[i] = float32(level + sigma*rng.NormFloat64())
		b[i] = float32(level + sigma*rng.NormFloat64())
	}
	return a, b
}

func pairOf(a, b []float32) Pair {
	var p PairSums
	p.Add(a, b)
	return p.Pair()
}

// EMVA 1288 (from memory): sigma_y^2 = mean of (a-b)^2 / 2 - (mean a - mean b)^2 / 2.
// Of the same data, ours differs by what is proportional to the mean, one
// degree of freedom, and by the clipping, 1.5e-5.
func TestVarianceOfPairIsEMVAs(t *testing.T) {
	a, b := noisePair(1, 50_000, 300, 7)
	var ma, mb, q float64
	n := float64(len(a))
	for i := range a {
		ma, mb = ma+float64(a[i])/n, mb+float64(b[i])/n
		d := float64(a[i]) - float64(b[i])
		q += d * d / n
	}
	want := q/2 - (ma-mb)*(ma-mb)/2
	p := pairOf(a, b)
	if p.Left > 3 { // expected: 50000 * 2 * 5.7e-7
		t.Errorf("%d pixels of clean noise are left out", p.Left)
	}
	freedom := 10 * want / n // chi-square of one degree, below 10 but for 0.2 %
	within(t, "variance", p.Variance.Value, want, freedom+5e-5*want)
	within(t, "mean of A", p.MeanA, ma, 25*7/n) // a clipped pixel stands 25 sigma off at most
	within(t, "mean of B", p.MeanB, mb, 25*7/n)
	within(t, "mean", p.Mean.Value, (ma+mb)/2, 25*7/n)
	within(t, "uncertainty of the mean", p.Mean.U, 7/math.Sqrt(2*n), 0.02*7/math.Sqrt(2*n))
	// Normal noise: sqrt(2/N); the fourth moment scatters by sqrt(96/N) of 3.
	within(t, "relative uncertainty of the variance", p.Variance.U/p.Variance.Value, math.Sqrt(2/n), math.Sqrt(2/n)*4*math.Sqrt(96/n)/4)
}

func TestIntervalsOfPairHoldTheTruth(t *testing.T) {
	const sets, pixels = 3000, 1500
	type exposer func(s sensor, rng *rand.Rand, q []float64) []float32
	for _, c := range []struct {
		name            string
		s               sensor
		expose          exposer
		q, shade, drift float64
	}{
		{"dark", sensor{gain: 2, readNoise: 6, offset: 300}, sensor.exposeNormal, 0, 0, 0},
		{"few electrons", sensor{gain: 0.1, readNoise: 0.5, offset: 300}, sensor.expose, 3, 0, 0},
		{"shaded light of a drifting lamp", sensor{gain: 1.5, readNoise: 5, offset: 300}, sensor.exposeNormal, 20000, 0.3, 0.02},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			qa, qb := even(pixels, c.q), even(pixels, c.q)
			charge := 0.0
			for i := range qa {
				qa[i] *= 1 + c.shade*(float64(i)/pixels-0.5)
				qb[i] = qa[i] * (1 + c.drift)
				charge += (qa[i] + qb[i]) / 2 / pixels
			}
			rng := newRand(2)
			var mean, variance coverage
			for range sets {
				p := pairOf(c.expose(c.s, rng, qa), c.expose(c.s, rng, qb))
				mean.add(p.Mean, charge/c.s.gain)
				variance.add(p.Variance, (charge+c.s.readNoise*c.s.readNoise)/(c.s.gain*c.s.gain)+rounding)
			}
			mean.check(t, "mean", 0)
			// A variance and its own uncertainty are correlated: pulls of a
			// chi-square of N-2 degrees have the mean -sqrt(2/N).
			variance.check(t, "variance", math.Sqrt(2.0/pixels))
		})
	}
}

// Hits come as tracks of neighbours in one frame, bad pixels in both.
func TestPairLeavesHitsAndBadPixelsOut(t *testing.T) {
	const pixels = 400_000
	rng := newRand(3)
	a, b := noisePair(4, pixels, 5000, 40)
	spoilt := 0
	for range pixels / 1000 { // 0.5 % of the pixels
		at := rng.IntN(pixels - 5)
		for k := range 5 {
			a[at+k] += 3000
			spoilt++
		}
	}
	for range pixels / 1000 {
		dead, hot := rng.IntN(pixels), rng.IntN(pixels)
		a[dead], b[dead] = 3, 2
		a[hot], b[hot] = 30000, 30100
		spoilt += 2
	}
	a[7], b[11] = float32(math.NaN()), float32(math.NaN())
	p := pairOf(a, b)
	if p.Left < spoilt*95/100 || p.Left > spoilt+5 { // places may coincide
		t.Errorf("%d pixels left out, %d are spoilt", p.Left, spoilt)
	}
	if p.N+p.Left != pixels {
		t.Errorf("%d used and %d left of %d", p.N, p.Left, pixels)
	}
	within(t, "variance", p.Variance.Value, 1600, 4*1600*math.Sqrt(2.0/pixels))
	within(t, "mean", p.Mean.Value, 5000, 4*40/math.Sqrt(2.0*pixels))
}

// What is not proportional to the light stays: the difference of two frames
// with independent noise in rows counts as noise, as in EMVA 1288.
func TestDriftOfTheLampIsNotNoise(t *testing.T) {
	const pixels = 200_000
	rng := newRand(5)
	a, b := make([]float32, pixels), make([]float32, pixels)
	for i := range a {
		light := 10000 * (0.6 + 0.8*float64(i%500)/500)
		a[i] = float32(light + 20*rng.NormFloat64())
		b[i] = float32(light*1.05 + 20*rng.NormFloat64())
	}
	p := pairOf(a, b)
	within(t, "variance", p.Variance.Value, 400, 4*400*math.Sqrt(2.0/pixels))
	drift := p.Drift()
	within(t, "drift", drift.Value, 0.05, 4*drift.U)
	// u(drift) = sqrt(u_b^2 + 1.05^2 u_a^2) / mean a
	within(t, "uncertainty of the drift", drift.U, math.Hypot(1, 1.05)*20/math.Sqrt(pixels)/10000, 0.01*drift.U)
}

func TestPairDoesNotDependOnHowRowsAreCut(t *testing.T) {
	a, b := noisePair(6, 10_000, 100, 3)
	want := pairOf(a, b)
	for _, cut := range []int{1, 17, 1024, 1500, 9999} {
		var p PairSums
		for i := 0; i < len(a); i += cut {
			end := min(i+cut, len(a))
			p.Add(a[i:end], b[i:end])
		}
		if got := p.Pair(); got != want {
			t.Errorf("rows of %d pixels give %+v, want %+v", cut, got, want)
		}
	}
}

func TestMergedPairsAreThePairOfAll(t *testing.T) {
	a, b := noisePair(7, 8*blockPixels, 100, 3)
	want := pairOf(a, b)
	var p, q, empty PairSums
	p.Add(a[:3*blockPixels], b[:3*blockPixels])
	q.Add(a[3*blockPixels:], b[3*blockPixels:])
	p.Merge(&q)
	p.Merge(&empty)
	got := p.Pair()
	if got.N != want.N || got.Left != want.Left {
		t.Errorf("%d and %d pixels, want %d and %d", got.N, got.Left, want.N, want.Left)
	}
	const digits = 1e-11 // sums of 8192 squares of 1e2 in double precision
	within(t, "variance", got.Variance.Value, want.Variance.Value, digits*want.Variance.Value)
	within(t, "its uncertainty", got.Variance.U, want.Variance.U, digits*want.Variance.U)
	within(t, "mean", got.Mean.Value, want.Mean.Value, digits*want.Mean.Value)
	if again := q.Pair(); again.N != 0 {
		t.Errorf("%d pixels are left in what was merged", again.N)
	}
}

func TestPairOfHardlyAnyPixelsHasNoVariance(t *testing.T) {
	for n := range 3 {
		p := pairOf(make([]float32, n), make([]float32, n))
		if p.N != n || !math.IsNaN(p.Variance.Value) {
			t.Errorf("%d pixels: %+v", n, p)
		}
	}
	if p := pairOf([]float32{1, 2, 3}, []float32{1, 2, 3}); p.N != 3 || p.Variance.Value != 0 {
		t.Errorf("three equal pixels: %+v", p)
	}
}

func TestPairSumsDoNotAllocate(t *testing.T) {
	a, b := noisePair(8, 3000, 100, 3)
	var p PairSums
	if n := testing.AllocsPerRun(10, func() { p.Add(a, b) }); n != 0 {
		t.Errorf("%g allocations for each Add", n)
	}
}

// The constants against integrals by the rule of Simpson.
func TestRobustConstants(t *testing.T) {
	phi := func(x float64) float64 { return math.Exp(-x*x/2) / math.Sqrt(2*math.Pi) }
	f := func(x float64) float64 { return math.Erf(x / math.Sqrt2) }
	within(t, "mean of the median of three |z|", middleOfThree,
		simpson(func(x float64) float64 { return x * 6 * f(x) * (1 - f(x)) * 2 * phi(x) }, 0, 10), 1e-9)
	for _, k := range []float64{2, 3, 5} {
		kept := simpson(func(x float64) float64 { return x * x * phi(x) }, -k, k) / simpson(phi, -k, k)
		within(t, "share of the variance beyond", clippedShare(k), 1-kept, 1e-9)
	}
}

func simpson(f func(float64) float64, a, b float64) float64 {
	const n = 2000
	h := (b - a) / n
	sum := f(a) + f(b)
	for i := 1; i < n; i++ {
		sum += float64(2+2*(i%2)) * f(a+float64(i)*h)
	}
	return sum * h / 3
}

// EMVA 1288 (from memory): below 0.24 DN^2 only the upper limit 0.40/K e- can be told.
func TestReadNoise(t *testing.T) {
	r, hidden := ReadNoise(Figure{9 + 1.0/12, 0.02}, 1, Figure{2, 0.01})
	within(t, "read noise", r.Value, 6, 1e-12)
	within(t, "uncertainty", r.U, math.Hypot(2*0.02/6, 3*0.01), 1e-12)
	if hidden {
		t.Error("a noise of 3 DN is called hidden")
	}
	r, hidden = ReadNoise(Figure{0.2, 0.001}, 1, Figure{2, 0.01})
	within(t, "upper limit", r.Value, 0.40*2, 0.005*2)
	if !hidden {
		t.Error("a noise below half a step is not called hidden")
	}
}
