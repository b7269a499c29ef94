package calib

import (
	"fmt"
	"math"
	"testing"
)

// meanCode is the mean of what codes stand for over samples of a mean and a
// sigma, by counting samples on a fine grid of their distribution.
func meanCode(stands []float64, codeOf []uint16, mean, sigma float64) float64 {
	sum, weight := 0.0, 0.0
	for z := -7.0; z <= 7; z += 0.002 {
		p := math.Exp(-z * z / 2)
		dn := min(max(int(math.Round(mean+sigma*z)), 0), len(codeOf)-1)
		sum += p * stands[codeOf[dn]]
		weight += p
	}
	return sum / weight
}

// At every level of a square-root table whose bins are as wide as the noise the
// mean of what codes stand for is the level, to half of what middles of bins
// give at worst.
func TestUnbiasedCodesHaveTheLevelAsMean(t *testing.T) {
	const zero, gain, readDN = 60, 5.5, 14 / 5.5
	table, codes := squareRoot(256, 4095)
	codeOf := make([]uint16, len(codes))
	for i, c := range codes {
		codeOf[i] = uint16(c)
	}
	noise := CodeNoise{ZeroDN: zero, ReadDN: readDN, GainEPerDN: gain}
	table.Unbias(noise)
	for _, r := range []struct{ from, to float64 }{{52, 80}, {80, 200}, {200, 1000}} {
		t.Run(fmt.Sprintf("%g to %g DN", r.from, r.to), func(t *testing.T) {
			middle, corrected := 0.0, 0.0
			for level := r.from; level < r.to; level += (r.to - r.from) / 97 {
				sigma := noise.sigma(level)
				middle = max(middle, math.Abs(meanCode(table.DN, codeOf, level, sigma)-level)/sigma)
				corrected = max(corrected, math.Abs(meanCode(table.Mean, codeOf, level, sigma)-level)/sigma)
			}
			t.Logf("worst mean: middles %.4f sigma, corrected %.4f sigma", middle, corrected)
			if !(corrected < 0.7*middle) {
				t.Errorf("the mean departs by %.4f sigma, that of middles by %.4f", corrected, middle)
			}
		})
	}
	for k := range table.Mean[1:] {
		if !(table.Mean[k+1] > table.Mean[k]) {
			t.Errorf("code %d stands for %g DN and the next for %g", k, table.Mean[k], table.Mean[k+1])
		}
	}
	last := len(table.DN) - 1
	if table.Mean[last] != table.DN[last] {
		t.Errorf("the last code stands for %g, want its middle %g", table.Mean[last], table.DN[last])
	}
}

// Whole DN are their own mean: nothing is to be corrected. A table counts as
// holding samples of which it lacks 1e-6 at 6 sigmas, 6 DN each here, in each of
// four steps.
func TestUnbiasLeavesEvenCodesAlone(t *testing.T) {
	table := &CodeTable{}
	for k := range 200 {
		table.DN, table.Width = append(table.DN, float64(k)), append(table.Width, 1)
	}
	table.Unbias(CodeNoise{ZeroDN: 100, ReadDN: 0.6, GainEPerDN: 3})
	for k, v := range table.Mean {
		within(t, fmt.Sprintf("code %d", k), v, float64(k), 4*1e-6*6*6)
	}
}
