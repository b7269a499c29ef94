package measure

import (
	"math"
	"slices"
	"testing"
)

// rates draws dark currents: a log-normal body with a tail, and noise.
func rates(seed uint64, n int, noise float64) []float32 {
	rng := newRand(seed)
	out := make([]float32, n)
	for i := range out {
		v := 0.5 * math.Exp(0.4*rng.NormFloat64())
		if rng.IntN(100) == 0 {
			v += 20 * rng.ExpFloat64()
		}
		out[i] = float32(v + noise*rng.NormFloat64())
	}
	return out
}

func TestQuantilesAreThoseOfTheSortedValues(t *testing.T) {
	v := rates(91, 10_001, 0.3) // some are negative
	v = append(v, float32(math.NaN()))
	d := NewDistribution(v)
	sorted := slices.Clone(v[:10_001])
	slices.Sort(sorted)
	if d.N() != 10_001 {
		t.Errorf("%d values", d.N())
	}
	for _, p := range []float64{0, 0.001, 0.25, 0.5, 0.9, 0.9999, 1} { // multiples of 1/10000
		within(t, "quantile", d.Quantile(p).Value, float64(sorted[int(math.Round(p*10000))]), 1e-4)
	}
	within(t, "quantile between two", d.Quantile(0.50005).Value, (float64(sorted[5000])+float64(sorted[5001]))/2, 1e-6)
	if !math.IsNaN(NewDistribution(nil).Quantile(0.5).Value) {
		t.Error("no values have a median")
	}
}

func TestIntervalsOfDistributionHoldTheTruth(t *testing.T) {
	const n = 3000
	// A log-normal distribution: median 2, quantile 2 exp(0.4 z).
	rng := newRand(92)
	var median, high, tail coverage
	v := make([]float32, n)
	for range 2500 {
		for i := range v {
			v[i] = float32(2 * math.Exp(0.4*rng.NormFloat64()))
		}
		d := NewDistribution(v)
		median.add(d.Quantile(0.5), 2)
		high.add(d.Quantile(0.95), 2*math.Exp(0.4*1.6448536269514722))
		tail.add(d.Above(2*math.Exp(0.4*1.6448536269514722)), 0.05)
	}
	// The uncertainty itself comes from a few dozen order statistics and is
	// correlated with the quantile, or the share.
	median.check(t, "median", 0.05)
	high.check(t, "95 % quantile", 0.1)
	tail.check(t, "share above", 0.1)
}

// No pixel above the limit does not mean that there can be none: 1/(n+2).
func TestEmptyTailIsUncertain(t *testing.T) {
	d := NewDistribution(make([]float32, 998))
	f := d.Above(1)
	within(t, "share", f.Value, 0, 0)
	within(t, "uncertainty", f.U, 0.001, 0.00001)
}

func TestLogHistogramCountsAll(t *testing.T) {
	v := rates(93, 20_000, 0.1)
	v = append(v, 0.1, 10, 0.0999, float32(math.NaN()), -5)
	d := NewDistribution(v)
	h := d.LogHistogram(0.1, 10, 10)
	if len(h.Count) != 20 || len(h.Edges) != 21 {
		t.Fatalf("%d bins", len(h.Count))
	}
	within(t, "last edge", h.Edges[20], 10, 1e-12)
	total := h.Below + h.Above
	for i, c := range h.Count {
		want := 0
		for _, f := range v {
			if float64(f) >= h.Edges[i] && float64(f) < h.Edges[i+1] {
				want++
			}
		}
		within(t, "count", c.Value, float64(want), 0)
		total += want
	}
	if total != d.N() {
		t.Errorf("%d counted of %d", total, d.N())
	}
	within(t, "uncertainty of the fullest bin", h.Count[7].U, math.Sqrt(h.Count[7].Value*(1-h.Count[7].Value/20004)), 0.01*h.Count[7].U)
}
