package simulate

import (
	"fmt"
	"math"
	"reflect"
	"testing"

	"evenlight/configs"
)

// moments returns mean and variance of the samples of an amplifier's image
// pixels, and how many they are.
func moments(s *Sensor, raw *Raw, amplifier int) (mean, variance float64, n int) {
	region := s.Amplifiers[amplifier].region
	region.x0, region.x1 = max(region.x0, s.image.x0), min(region.x1, s.image.x1)
	var sum, squares float64
	s.each(region, func(p int) {
		v := float64(raw.Samples[p])
		sum += v
		squares += v * v
		n++
	})
	mean = sum / float64(n)
	return mean, squares/float64(n) - mean*mean, n
}

// Noise of an evenly lit frame: mean o + Q/g, variance (Q + r^2)/g^2 + 1/12,
// the last for rounding. The limits are 5 standard errors: sqrt(variance/n)
// of a mean, variance sqrt((2 + excess)/n) of a variance, with the excess
// kurtosis of a Poisson number, 1/Q, scaled by its share of the variance.
func TestEvenlyLitFrameHasMeanAndVarianceOfTheory(t *testing.T) {
	for _, electrons := range []float64{0, 0.4, 6, 40, 2500, 20000} {
		for _, gainError := range []float64{0, 0.05} {
			t.Run(fmt.Sprintf("%g electrons, gain error %g", electrons, gainError), func(t *testing.T) {
				opt := plain(11)
				opt.GainError = gainError
				s := mustNew(t, smallCamera(), opt)
				e := Exposure{Band: "green", ExposureS: 0.5, LampRate: electrons / 0.5, Index: 3}
				raw := mustExpose(t, s, e)
				for i, a := range s.Profile.Detectors[0].Amplifiers {
					gain := a.GainEPerDN * (1 + gainError)
					wantMean := a.OffsetDN + electrons/gain
					shot := electrons / (gain * gain)
					wantVariance := shot + a.ReadNoiseE*a.ReadNoiseE/(gain*gain) + 1.0/12
					mean, variance, n := moments(s, raw, i)
					if limit := 5 * math.Sqrt(wantVariance/float64(n)); math.Abs(mean-wantMean) > limit {
						t.Errorf("amplifier %s: mean %.3f DN, want %.3f within %.3f", a.Name, mean, wantMean, limit)
					}
					excess := 0.0
					if electrons > 0 {
						excess = shot * shot / (wantVariance * wantVariance) / electrons
					}
					if limit := 5 * wantVariance * math.Sqrt((2+excess)/float64(n)); math.Abs(variance-wantVariance) > limit {
						t.Errorf("amplifier %s: variance %.3f DN^2, want %.3f within %.3f", a.Name, variance, wantVariance, limit)
					}
				}
			})
		}
	}
}

// Without noise every sample is a number that can be computed by hand. lin is
// inverted here by bisection, not by Newton's method.
func TestNoiselessFrameFollowsTheModel(t *testing.T) {
	p := smallCamera()
	s := mustNew(t, p, Options{Seed: 5, NoShotNoise: true, NoReadNoise: true, NoDrift: true, NoUnstable: true})
	radiance := Ramp(0.03)(s.ImageWidth(), s.ImageHeight()) // to twice full well
	raw := mustExpose(t, s, Exposure{Band: "green", ExposureS: 1, WaitS: 0.5, TempK: 263.15 + 2*7.1, Radiance: radiance, LampRate: 100})
	flat, err := s.Flat("green")
	if err != nil {
		t.Fatal(err)
	}
	for y := range 96 {
		for x := range 144 {
			i := y*144 + x
			a := &s.Amplifiers[x/72]
			charge := 0.0
			if x >= 8 && x < 136 {
				light := 100 + 2e6*float64(radiance[y*128+x-8])
				charge = min(float64(flat[i])*light+float64(s.Dark[i])*4*1.5, 30000)
			}
			v := bisect(charge/a.GainEPerDN, a.C2+float64(s.Bend[i]), a.C3)
			want := min(math.Round(a.OffsetDN+float64(s.Pattern[i])+v), 1<<14-1)
			if got := float64(raw.Samples[i]); got != want {
				t.Fatalf("sample at column %d, row %d is %g, want %g", x+1, y+1, got, want)
			}
		}
	}
}

// bisect solves v + c2 v^2 + c3 v^3 = u for v from 0 to the first code that
// 14 bits cannot hold.
func bisect(u, c2, c3 float64) float64 {
	low, high := 0.0, 16384.0
	for range 80 {
		middle := (low + high) / 2
		if middle+c2*middle*middle+c3*middle*middle*middle < u {
			low = middle
		} else {
			high = middle
		}
	}
	return (low + high) / 2
}

func TestTruthIsTheLightAtUnitFlat(t *testing.T) {
	s := mustNew(t, smallCamera(), Options{Seed: 5})
	radiance := Ramp(0.01)(s.ImageWidth(), s.ImageHeight())
	raw := mustExpose(t, s, Exposure{Band: "green", ExposureS: 0.7, WaitS: 3, TempK: 290, Radiance: radiance, LampRate: 10})
	for i, l := range radiance {
		want := (2e6*float64(l) + 10) * 0.7
		if got := float64(raw.Truth.Electrons[i]); math.Abs(got-want) > 1e-7*want {
			t.Fatalf("pixel %d: truth is %g electrons, want %g", i, got, want)
		}
	}
	if !reflect.DeepEqual(raw.Truth.Radiance, radiance) {
		t.Error("the truth does not keep the radiance of the scene")
	}
}

// Charge beyond full well is lost before the amplifier adds its noise, so the
// samples of a flooded frame scatter by the read noise about full well.
func TestFullWellPrecedesReadNoise(t *testing.T) {
	s := mustNew(t, smallCamera(), plain(2))
	raw := mustExpose(t, s, Exposure{Band: "green", ExposureS: 1, LampRate: 3 * 30000})
	for i, a := range s.Profile.Detectors[0].Amplifiers {
		wantMean := a.OffsetDN + 30000/a.GainEPerDN
		wantVariance := a.ReadNoiseE*a.ReadNoiseE/(a.GainEPerDN*a.GainEPerDN) + 1.0/12
		mean, variance, n := moments(s, raw, i)
		if limit := 5 * math.Sqrt(wantVariance/float64(n)); math.Abs(mean-wantMean) > limit {
			t.Errorf("amplifier %s: mean %.3f DN, want %.3f within %.3f", a.Name, mean, wantMean, limit)
		}
		if limit := 5 * wantVariance * math.Sqrt(2/float64(n)); math.Abs(variance-wantVariance) > limit {
			t.Errorf("amplifier %s: variance %.3f DN^2, want %.3f within %.3f", a.Name, variance, wantVariance, limit)
		}
	}
	for i, saturated := range raw.Truth.Saturated {
		if !saturated {
			t.Fatalf("pixel %d is not marked saturated at three times full well", i)
		}
	}
}

func TestSaturationIsMarkedExactlyWhereChargeOrCodeIsCut(t *testing.T) {
	ceilingOnly := smallCamera()
	ceilingOnly.Detectors[0].Saturation.FullWellE = 0
	for name, p := range map[string]*configs.Profile{"full well": smallCamera(), "converter": ceilingOnly} {
		t.Run(name, func(t *testing.T) {
			opt := plain(3)
			opt.NoShotNoise, opt.NoReadNoise = true, true
			s := mustNew(t, p, opt)
			radiance := Ramp(0.04)(s.ImageWidth(), s.ImageHeight())
			raw := mustExpose(t, s, Exposure{Band: "green", ExposureS: 1, Radiance: radiance})
			for i := range radiance {
				x, y := i%128+8, i/128
				a := &p.Detectors[0].Amplifiers[x/72]
				charge := 2e6 * float64(radiance[i])
				want := charge >= 30000
				if name == "converter" {
					want = math.Round(a.OffsetDN+charge/a.GainEPerDN) >= 1<<14-1
				}
				if raw.Truth.Saturated[i] != want {
					t.Fatalf("column %d, row %d with %.1f electrons and code %d: saturated is %t, want %t",
						x+1, y+1, charge, raw.Samples[y*144+x], raw.Truth.Saturated[i], want)
				}
			}
		})
	}
}

// The expected values are computed with a pocket calculator's steps from the
// laws as the measurement model states them and k = 8.617333262e-5 eV/K (SI
// Brochure, 9th edition, rounded).
func TestDarkCurrentFollowsItsLaw(t *testing.T) {
	for _, c := range []struct {
		name  string
		law   configs.Dark
		tempK float64
		want  float64
	}{
		{"one doubling up", configs.Dark{Law: configs.DarkDoubling, ReferenceK: 263.15, IntervalK: 7.1}, 270.25, 2},
		{"two doublings down", configs.Dark{Law: configs.DarkDoubling, ReferenceK: 263.15, IntervalK: 7.1}, 248.95, 0.25},
		{"reference", configs.Dark{Law: configs.DarkActivation, ReferenceK: 263.15, EnergyEV: 0.6}, 263.15, 1},
		{"activation, 10 K up", configs.Dark{Law: configs.DarkActivation, ReferenceK: 263.15, EnergyEV: 0.6}, 273.15, 2.634426},
		{"constant", configs.Dark{Law: configs.DarkConstant, ReferenceK: 263.15}, 300, 1},
		{"no temperature", configs.Dark{Law: configs.DarkDoubling, ReferenceK: 263.15, IntervalK: 7.1}, 0, 1},
	} {
		t.Run(c.name, func(t *testing.T) {
			p := smallCamera()
			p.Detectors[0].Dark = c.law
			s := mustNew(t, p, plain(1))
			if got := s.darkGrowth(c.tempK); math.Abs(got-c.want) > 1e-6*c.want {
				t.Errorf("h(%g K) = %.7f, want %.7f", c.tempK, got, c.want)
			}
		})
	}
}

func TestFrameDoesNotDependOnWorkers(t *testing.T) {
	s := mustNew(t, smallCamera(), Options{Seed: 9})
	e := Exposure{
		Band: "green", ExposureS: 2, TempK: 265, CosmicRate: 1e-3, Index: 17,
		Radiance: Ramp(0.006)(s.ImageWidth(), s.ImageHeight()),
	}
	one := mustExpose(t, s, e)
	for _, workers := range []int{1, 2, 7} {
		e.Workers = workers
		if again := mustExpose(t, s, e); !reflect.DeepEqual(one, again) {
			t.Errorf("the frame made by %d workers differs", workers)
		}
	}
	e.Index++
	if other := mustExpose(t, s, e); reflect.DeepEqual(one.Samples, other.Samples) {
		t.Error("two frames with unlike numbers are equal")
	}
}

// Noise must not repeat from row to row or from frame to frame: the
// correlation of n independent pairs is 0 with standard error 1/sqrt(n).
func TestNoiseOfRowsAndFramesIsIndependent(t *testing.T) {
	s := mustNew(t, smallCamera(), plain(4))
	a := mustExpose(t, s, Exposure{Index: 1}).Samples
	b := mustExpose(t, s, Exposure{Index: 2}).Samples
	for _, c := range []struct {
		name string
		x, y []uint16
	}{
		{"row and next row", a[:len(a)-144], a[144:]},
		{"pixel and next pixel", a[:len(a)-1], a[1:]},
		{"frame and next frame", a, b},
	} {
		// Both halves of a row have offsets of their own: those are taken off.
		var xy, xx, yy float64
		for i := range c.x {
			x := float64(c.x[i]) - s.Amplifiers[i%144/72].OffsetDN
			shift := len(a) - len(c.y)
			if c.name == "frame and next frame" {
				shift = 0
			}
			y := float64(c.y[i]) - s.Amplifiers[(i+shift)%144/72].OffsetDN
			xy, xx, yy = xy+x*y, xx+x*x, yy+y*y
		}
		if r := xy / math.Sqrt(xx*yy); math.Abs(r) > 5/math.Sqrt(float64(len(c.x))) {
			t.Errorf("%s: correlation %.4f, want 0 within %.4f", c.name, r, 5/math.Sqrt(float64(len(c.x))))
		}
	}
}

func TestUnstablePixelsJumpBetweenTwoValues(t *testing.T) {
	const frames = 60
	p := smallCamera()
	s := mustNew(t, p, Options{Seed: 8, NoShotNoise: true, NoReadNoise: true, NoDrift: true, NoPattern: true, NoCurvature: true})
	upper, pixels := 0, 0
	samples := make([][]uint16, frames)
	for k := range samples {
		samples[k] = mustExpose(t, s, Exposure{ExposureS: 10, Index: uint64(k)}).Samples
	}
	for i, defect := range s.Defects {
		if defect != Unstable {
			continue
		}
		pixels++
		a := &s.Amplifiers[i%144/72]
		low := math.Round(a.OffsetDN + 10*float64(s.Dark[i])/a.GainEPerDN)
		high := math.Round(a.OffsetDN + 10*float64(s.Dark[i]+s.Telegraph[i])/a.GainEPerDN)
		for k := range samples {
			switch float64(samples[k][i]) {
			case high:
				upper++
			case low:
			default:
				t.Fatalf("pixel %d reads %d DN, want %g or %g", i, samples[k][i], low, high)
			}
		}
	}
	if pixels == 0 {
		t.Fatal("the sensor has no unstable pixel")
	}
	n := float64(pixels * frames)
	if limit := 5 * math.Sqrt(n/4); math.Abs(float64(upper)-n/2) > limit {
		t.Errorf("%d of %g values are the upper one, want %g within %.0f", upper, n, n/2, limit)
	}
}

func TestOverscanHoldsNoCharge(t *testing.T) {
	s := mustNew(t, smallCamera(), Options{Seed: 6, NoShotNoise: true, NoReadNoise: true, NoDrift: true})
	dim := mustExpose(t, s, Exposure{})
	lit := mustExpose(t, s, Exposure{Band: "green", ExposureS: 30, TempK: 290, LampRate: 500, CosmicRate: 1e-3})
	for i := range dim.Samples {
		x := i % 144
		if outside := x < 8 || x >= 136; outside && dim.Samples[i] != lit.Samples[i] {
			t.Fatalf("overscan sample at column %d changes with light", x+1)
		}
	}
}

func TestImpossibleExposuresAreRefused(t *testing.T) {
	s := mustNew(t, smallCamera(), Options{Seed: 1})
	for name, e := range map[string]Exposure{
		"unknown band":     {Band: "red", LampRate: 1},
		"no band":          {LampRate: 1},
		"short radiance":   {Band: "green", Radiance: make([]float32, 7)},
		"negative time":    {ExposureS: -1},
		"time not a value": {ExposureS: math.NaN()},
		"negative wait":    {WaitS: -1},
		"negative lamp":    {Band: "green", LampRate: -1},
		"endless rate":     {CosmicRate: math.Inf(1)},
	} {
		if _, err := s.Expose(e); err == nil {
			t.Errorf("%s: no error", name)
		}
	}
}

func BenchmarkExpose(b *testing.B) {
	s := mustNew(b, smallCamera(), Options{Seed: 1})
	radiance := Ramp(0.0135)(s.ImageWidth(), s.ImageHeight())
	b.SetBytes(int64(len(s.Pattern)))
	for b.Loop() {
		mustExpose(b, s, Exposure{Band: "green", ExposureS: 1, Radiance: radiance, CosmicRate: 1e-5})
	}
}
