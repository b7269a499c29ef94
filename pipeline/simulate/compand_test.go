package simulate

import (
	"math"
	"strings"
	"testing"

	"evenlight/configs"
)

// compandedCamera is smallCamera with a converter of 12 bits whose samples are
// sent as 256 codes by the square root. The converter saturates before full
// well.
func compandedCamera() *configs.Profile {
	p := smallCamera()
	d := &p.Detectors[0]
	d.ADCBits = 12
	d.Decompanding = &configs.Decompanding{SquareRoot: &configs.SquareRoot{Codes: 256, MaxDN: 4095}}
	return p
}

// squareRootEdges are e_0 to e_codes by the rule that the profile's
// description states: e_0 = 0 and e_k = max(e_(k-1) + 1, round((max_dn + 1)
// (k/codes)^2)). Code k stands for e_k to e_(k+1) - 1.
func squareRootEdges(codes, maxDN int) []int {
	edges := make([]int, codes+1)
	for k := 1; k <= codes; k++ {
		square := (2*(maxDN+1)*k*k + codes*codes) / (2 * codes * codes) // rounded, in whole numbers
		edges[k] = max(edges[k-1]+1, square)
	}
	return edges
}

func TestEveryDNIsSentAsTheCodeOfItsBin(t *testing.T) {
	s := mustNew(t, compandedCamera(), noiseless(1))
	edges := squareRootEdges(256, 4095)
	k := 0
	for dn := range 4096 {
		if k < 255 && dn >= edges[k+1] {
			k++
		}
		if got, last := s.companded(uint16(dn)); int(got) != k || last != (k == 255) {
			t.Fatalf("%d DN is sent as code %d (last: %t), want %d", dn, got, last, k)
		}
	}
}

// A table by hand, with bins that touch, a gap from 4.5 to 9 whose DN go to
// the nearer bin, and DN beyond the last.
func TestDNBetweenBinsIsSentAsTheNearerCode(t *testing.T) {
	p := smallCamera()
	d := &p.Detectors[0]
	d.ADCBits = 4
	d.Decompanding = &configs.Decompanding{DN: []float64{0, 3, 10}, WidthDN: []float64{3, 3, 2}}
	d.Saturation.FullWellE, d.Amplifiers[0].OffsetDN, d.Amplifiers[1].OffsetDN = 0, 1, 1
	s := mustNew(t, p, noiseless(1))
	for dn, want := range []uint16{0, 0, 1, 1, 1, 1, 1, 2, 2, 2, 2, 2, 2, 2, 2, 2} {
		if got, _ := s.companded(uint16(dn)); got != want {
			t.Errorf("%d DN is sent as code %d, want %d", dn, got, want)
		}
	}
}

// The code is that of the sample that the same camera sends without
// companding, and C[code] misses that sample by an error of variance (w^2 -
// 1)/12: w whole numbers, all as likely. Light that rises evenly over many bins
// makes them so. The normalised square of an even error has mean 1 and variance
// at most 4/5 (that of a continuous one): the limit is 5 sqrt(0.8/n).
func TestCompandingAddsTheQuantisationOfItsBins(t *testing.T) {
	with, without := compandedCamera(), compandedCamera()
	without.Detectors[0].Decompanding = nil
	radiance := make([]float32, 128*96)
	for i := range radiance {
		radiance[i] = float32(3.3e-3 * float64(i) / float64(len(radiance)))
	}
	e := Exposure{Band: "green", ExposureS: 1, Radiance: radiance}
	codes := mustExpose(t, mustNew(t, with, plain(19)), e)
	samples := mustExpose(t, mustNew(t, without, plain(19)), e)
	edges := squareRootEdges(256, 4095)
	var sum float64
	n := 0
	for i, code := range codes.Samples {
		low, width := float64(edges[code]), float64(edges[code+1]-edges[code])
		miss := low + (width-1)/2 - float64(samples.Samples[i])
		if math.Abs(miss) > (width-1)/2 {
			t.Fatalf("sample %d of %d DN is sent as code %d, which is for %g DN and %g more", i, samples.Samples[i], code, low, width-1)
		}
		if x := i % 144; width > 4 && x >= 8 && x < 136 {
			sum += miss * miss / ((width*width - 1) / 12)
			n++
		}
	}
	if mean, limit := sum/float64(n), 5*math.Sqrt(0.8/float64(n)); n < 5000 || math.Abs(mean-1) > limit {
		t.Errorf("the error's square is %.4f of theory's over %d samples, want 1 within %.4f", mean, n, limit)
	}
}

func TestLastCodeIsMarkedSaturated(t *testing.T) {
	p := compandedCamera()
	s := mustNew(t, p, noiseless(20))
	raw := mustExpose(t, s, Exposure{Band: "green", ExposureS: 1, Radiance: Ramp(0.0045)(128, 96)})
	saturated := 0
	for i, marked := range raw.Truth.Saturated {
		code := raw.Samples[i/128*144+i%128+8]
		if marked != (code == 255) {
			t.Fatalf("pixel %d with code %d: saturated is %t", i, code, marked)
		}
		if marked {
			saturated++
		}
	}
	if saturated == 0 || saturated == len(raw.Truth.Saturated) {
		t.Errorf("%d of %d pixels saturate; the test needs some of both", saturated, len(raw.Truth.Saturated))
	}
}

func TestImpossibleCompandingIsRefused(t *testing.T) {
	for name, d := range map[string]configs.Decompanding{
		"falls":         {DN: []float64{0, 5, 4}},
		"one code":      {DN: []float64{0}},
		"widths differ": {DN: []float64{0, 5, 9}, WidthDN: []float64{1, 1}},
	} {
		p := smallCamera()
		p.Detectors[0].Decompanding = &d
		if _, err := New(p, "main", Options{}); err == nil || !strings.Contains(err.Error(), "companding") {
			t.Errorf("%s: error %v", name, err)
		}
	}
}
