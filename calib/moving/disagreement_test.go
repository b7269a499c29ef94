package moving

import (
	"fmt"
	"math"
	"testing"

	"evenlight/calib"
)

func compare(t *testing.T, bands []*calib.Raster, opt Options) *Disagreement {
	t.Helper()
	d, err := Compare(bands, opt, 2)
	if err != nil {
		t.Fatal(err)
	}
	return d
}

// Under noise alone the map is a standard normal deviate: as many pixels
// exceed k sigma as the normal distribution says, and the mean of chi2/dof is
// 1. The gains cost a few hundredths of a per cent of the degrees of freedom
// (one gain per band for 33 x 33 pixels), which three sigmas of the binomial
// distribution and a relative 1 % cover.
func TestNoiseAloneDisagreesAsOftenAsTheNormalDistributionSays(t *testing.T) {
	for bands := 2; bands <= shorter(4, 2); bands++ {
		for _, k := range []float64{1, 2, 3} {
			t.Run(fmt.Sprint(bands, " bands beyond ", k, " sigma"), func(t *testing.T) {
				s := scene{width: 512, height: 512, bands: bands, level: 50, noise: 0.02}
				d := compare(t, s.expose(newRNG(1)), Options{BeyondSigma: k})
				p := math.Erfc(k/math.Sqrt2) / 2
				n := float64(s.width * s.height)
				if d.Usable != s.width*s.height || d.Expected != p {
					t.Errorf("%d usable, expected fraction %v", d.Usable, d.Expected)
				}
				if bound := 3*math.Sqrt(p*(1-p)/n) + 0.01*p; math.Abs(d.Excess) > bound {
					t.Errorf("fraction %.5f beyond, %.5f expected, bound %.5f", d.Beyond, d.Expected, bound)
				}
				// mean(chi2/dof) has the standard error sqrt(2/dof/n).
				if bound := math.Sqrt(4 * math.Sqrt(2/float64(bands-1)/n)); d.RMSExcess > bound {
					t.Errorf("root mean square excess %.4f, bound %.4f", d.RMSExcess, bound)
				}
				if d.Scatter != 1 {
					t.Errorf("scatter %v", d.Scatter)
				}
			})
		}
	}
}

// Coloured land, craters and a misalignment of up to 0.1 px raise no alarm:
// beyond 5 sigma there is less than one pixel in 20 000.
func TestStaticColourRaisesNoAlarm(t *testing.T) {
	for _, disc := range []bool{false, true} {
		for seed := range uint64(shorter(4, 1)) {
			rng := newRNG(300 + seed)
			s := scene{width: 448, height: 448, bands: 3, level: 80, noise: 0.01, disc: disc, land: landscape(rng, 448, 448)}
			for b := range 3 {
				s.shift[b] = point{0.2*rng.Float64() - 0.1, 0.2*rng.Float64() - 0.1}
			}
			d := compare(t, s.expose(rng), Options{})
			t.Logf("disc %v: excess %.2g, root mean square %.3f, scatter %.3f", disc, d.Excess, d.RMSExcess, d.Scatter)
			if d.Excess > 1.0/20000 {
				t.Errorf("disc %v, seed %d: fraction %.2g beyond %g sigma", disc, seed, d.Beyond, d.BeyondSigma)
			}
		}
	}
}

// A blob of ten sigmas stands out at its place in each band, and nowhere else.
// At such a place one band departs from two, so chi is 10 sqrt(2/3) = 8.2 at
// the centre, 10 % less for what the gains follow (2 pi 3^2 of 33^2 pixels,
// twice), and 0.3 less as a deviate with two degrees of freedom: 7.1. Over the
// middle nine pixels the mean is 7 % lower, with a standard error of 1/3.
func TestMapShowsAMoverAtEachOfItsPlaces(t *testing.T) {
	s := scene{width: 256, height: 256, bands: 3, level: 50, noise: 0.01}
	s.blobs = []blob{{[]point{{80, 90}, {120, 100}, {160, 110}}, 3, 0.1}}
	d := compare(t, s.expose(newRNG(5)), Options{})
	for _, p := range s.blobs[0].at {
		var mean float64
		for k := range 9 {
			mean += float64(d.Map.Value[(int(p.y)+k/3-1)*256+int(p.x)+k%3-1]) / 9
		}
		if math.Abs(mean-6.6) > 4.0/3 {
			t.Errorf("disagreement %.1f sigma around %.0f, %.0f", mean, p.x, p.y)
		}
	}
	for i, v := range d.Map.Value {
		x, y := float64(i%256), float64(i/256)
		near := false
		for _, p := range s.blobs[0].at {
			near = near || math.Hypot(x-p.x, y-p.y) < 4*3
		}
		if !near && v > 6 {
			t.Errorf("disagreement %.1f sigma at %.0f, %.0f, where nothing moved", v, x, y)
		}
	}
	if !(d.Excess > 0 && d.RMSExcess > 0) {
		t.Errorf("excess %g, root mean square %g", d.Excess, d.RMSExcess)
	}
}

// Ground whose scatter is understated by a factor of two in sigma has its
// tiles raised to what they show: four in variance.
func TestUnderstatedScatterIsSeenAndAllowedFor(t *testing.T) {
	s := scene{width: 256, height: 256, bands: 3, level: 50, noise: 0.02}
	bands := s.expose(newRNG(2))
	for _, r := range bands {
		for i := range r.Variance {
			r.Variance[i] /= 4
		}
	}
	d := compare(t, bands, perfect)
	// Three standard errors of a tile's median, 16 %, are given away on purpose.
	if d.Scatter < 4*0.8 || d.Scatter > 4 {
		t.Errorf("scatter %.2f, truth 4", d.Scatter)
	}
	if math.Abs(d.RMSExcess-math.Sqrt(3)) > 0.03 {
		t.Errorf("root mean square excess %.3f, truth sqrt(4 - 1)", d.RMSExcess)
	}
}

// The shift that is taken out is that of a band against the mean of all,
// somewhat too small since the gains follow part of it.
func TestShiftsOfTheBandsAreMeasured(t *testing.T) {
	rng := newRNG(9)
	s := scene{width: 512, height: 512, bands: 3, level: 80, noise: 0.005, land: landscape(rng, 512, 512)}
	s.shift = [4]point{{0.08, -0.05}, {-0.07, 0.06}, {-0.01, -0.01}} // their mean is zero
	d := compare(t, s.expose(rng), Options{})
	for b, got := range d.ShiftPx {
		want := [2]float64{s.shift[b].x, s.shift[b].y}
		for k := range 2 {
			if math.Abs(got[k]-want[k]) > 0.35*math.Abs(want[k])+0.01 {
				t.Errorf("band %d: shift %.3f, truth %.3f", b, got[k], want[k])
			}
		}
	}
}

func TestPixelsWithoutTwoBandsHaveNoValue(t *testing.T) {
	s := scene{width: 128, height: 128, bands: 2, level: 50, noise: 0.02}
	bands := s.expose(newRNG(2))
	spoil(bands[1], calib.Region{X0: 0, X1: 10, Y0: 0, Y1: 128}, calib.Missing)
	d := compare(t, bands, Options{})
	if d.Usable != 118*128 {
		t.Errorf("%d usable pixels, there are %d", d.Usable, 118*128)
	}
	if v := d.Map.Value[5*128+5]; v == v || d.Map.Flags[5*128+5] != calib.Missing {
		t.Errorf("value %v, flags %v where one band is missing", v, d.Map.Flags[5*128+5])
	}
}

// Upper tail quantiles of chi-square and of the normal distribution, from
// memory of the usual tables: the same tail probability on both sides.
func TestChiSquareBecomesTheNormalDeviateOfTheSameTail(t *testing.T) {
	for _, c := range []struct {
		dof         int
		chi2, sigma float64
	}{
		{1, 3.8415, 1.6449}, // 5 %
		{1, 6.6349, 2.3263}, // 1 %
		{2, 5.9915, 1.6449},
		{2, 9.2103, 2.3263},
		{3, 7.8147, 1.6449},
		{3, 16.266, 3.0902}, // 0.1 %
	} {
		if got := newSigmaTable(c.dof).at(float32(c.chi2)); math.Abs(float64(got)-c.sigma) > 1e-3 {
			t.Errorf("chi-square %g with %d degrees of freedom: %.4f sigma, want %.4f", c.chi2, c.dof, got, c.sigma)
		}
	}
}

func TestSigmasGrowWithoutEnd(t *testing.T) {
	table := newSigmaTable(2)
	last := table.at(0)
	for root := float32(0.05); root < 200; root += 0.05 {
		v := table.at(root * root)
		if v < last || v != v {
			t.Fatalf("%.3f sigma at chi %.2f after %.3f", v, root, last)
		}
		last = v
	}
	if last < 190 {
		t.Errorf("%.1f sigma at chi 200", last)
	}
}
