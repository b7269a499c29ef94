package calib

import (
	"fmt"
	"math"
	"slices"
	"testing"
)

// withOther is a row in a chain that brings charge besides light and dark.
func withOther(v ...float32) *Row {
	r := wholeRow(v...)
	r.Other = make([]float32, len(v))
	return r
}

// k b comes off, with variance k^2 u^2(b); it was collected, so it is charge
// besides light; what is not known of it stays in and is flagged.
func TestResidualComesOff(t *testing.T) {
	nan := float32(math.NaN())
	before := &Plane{Width: 5, Value: []float32{0, 0, 0, 0, 0, 1000, -50, nan, 200, 0}, Variance: []float32{0, 0, 0, 0, 0, 1600, 25, 25, nan, 4}}
	r := withOther(500, 10, 20, 30, -40)
	r.Y = 1
	for x := range r.Var {
		r.Var[x], r.Other[x] = 9, 3
	}
	ResidualStage{Fraction: 0.05, Before: before}.Apply(r)
	for x, want := range []struct {
		value, variance, other float64
		flags                  Flags
	}{
		{450, 9 + 0.0025*1600, 53, 0},
		{12.5, 9 + 0.0025*25, 3, 0}, // noise below zero is no charge
		{20, 9, 3, ResidualUnsure},
		{30, 9, 3, ResidualUnsure},
		{-40, 9 + 0.0025*4, 3, 0},
	} {
		within(t, fmt.Sprintf("value at column %d", x), float64(r.V[x]), want.value, 1e-5*math.Abs(want.value))
		within(t, fmt.Sprintf("variance at column %d", x), float64(r.Var[x]), want.variance, 1e-6*want.variance)
		within(t, fmt.Sprintf("other charge at column %d", x), float64(r.Other[x]), want.other, 1e-6*want.other)
		if r.Flags[x] != want.flags {
			t.Errorf("column %d is %v, want %v", x, r.Flags[x], want.flags)
		}
	}
}

func TestResidualOfNoFrameBefore(t *testing.T) {
	for unsure, want := range map[bool]Flags{false: 0, true: ResidualUnsure} {
		r := withOther(5, 6)
		ResidualStage{Fraction: 0.05, Unsure: unsure}.Apply(r)
		if !slices.Equal(r.V, []float32{5, 6}) || !slices.Equal(r.Var, []float32{0, 0}) || !slices.Equal(r.Flags, []Flags{want, want}) {
			t.Errorf("unsure %t: values %v, variances %v, flags %v", unsure, r.V, r.Var, r.Flags)
		}
	}
}

func TestResidualTellsWhatItTookOff(t *testing.T) {
	plane := constant(1, 1, 0, 0)
	for _, c := range []struct {
		stage ResidualStage
		want  string
	}{
		{ResidualStage{Fraction: 0.04}, "none"},
		{ResidualStage{Fraction: 0.04, Before: plane, BeforeName: "0007-scene.fits"}, "0007-scene.fits"},
		{ResidualStage{Fraction: 0.04, Unsure: true, BeforeName: "0007-scene.fits"}, "0007-scene.fits (not usable)"},
	} {
		if got := c.stage.Settings(); !slices.Equal(got, []Setting{{"fraction", "0.04"}, {"before", c.want}}) {
			t.Errorf("settings %v, want the frame before to be %q", got, c.want)
		}
	}
}

// The shot noise of a residual image stays in the frame when it is taken off:
// the pulls of frames of light S on top of it are honest only with it.
func TestResidualLeavesItsShotNoise(t *testing.T) {
	const size, frames, fraction, before, light = 128, 4, 0.2, 2000.0, 50.0
	s := plainSensor(size, size)
	rng := newRand(720)
	var pull moments
	for range frames {
		f := newFrame(size, size)
		b := constant(size, size, before, before)
		for i := range f.dn {
			// The light of the frame before is known to its own shot noise, and
			// what is left of it is a fraction of the true light.
			b.Value[i] = float32(poisson(rng, before))
			f.dn[i] = float32(math.Round(litOffset + poisson(rng, light+fraction*before) + litNoise*rng.NormFloat64()))
		}
		c := NewChain(s, []Stage{
			FrameStage{65535, math.NaN()}, OffsetStage{OffsetRule{}, []OffsetTrace{level(size, litOffset)}}, GainStage{s.Amps},
			ResidualStage{Fraction: fraction, Before: b},
		}, &Noise{FloorE2: litNoise * litNoise, Steps: NoiseSteps(litWell)}, nil)
		p := develop(t, c, f, 64)
		for i, v := range p.value {
			pull.add((float64(v) - light) / math.Sqrt(float64(p.variance[i])))
		}
	}
	charge := light + fraction*before
	v := charge + litNoise*litNoise + 1.0/12 + fraction*fraction*before
	within(t, "mean pull", pull.mean(), 0, sigmas*math.Sqrt((1+1/(24*v))/pull.n)+1/(48*v))
	within(t, "squared pull", pull.meanSquare(), 1, sigmas*math.Sqrt((2+charge/(v*v)+1/v)/pull.n)+1/(24*v))
}

// Common practice, no source: 5 km/s over the ground and 0.5 m a pixel leave
// 1e-4 s a line, and the error of the pace adds up over the stages.
func TestLineSmearIsTheErrorOfThePaceOverAllStages(t *testing.T) {
	for _, c := range []struct {
		lineS, speedMS, footprintM float64
		stages                     int
		want                       float64
	}{
		{1e-4, 5000, 0.5, 64, 0},
		{1e-4, 5050, 0.5, 64, 0.64},
		{1e-4, 4950, 0.5, 64, 0.64},
		{1.01e-4, 5000, 0.5, 64, 0.64},
		{1e-4, 5050, 0.5, 128, 1.28},
		{2e-4, 5000, 1, 32, 0}, // binned by two
		{1e-4, 0, 0.5, 16, 16}, // standing still
		{1e-4, math.NaN(), 0.5, 16, math.NaN()},
		{1e-4, 5000, math.NaN(), 16, math.NaN()},
	} {
		got := LineSmearPixels(c.lineS, c.speedMS, c.footprintM, c.stages)
		if math.IsNaN(c.want) {
			if !math.IsNaN(got) {
				t.Errorf("%+v: %g pixels, want unknown", c, got)
			}
			continue
		}
		within(t, fmt.Sprintf("smear of %+v", c), got, c.want, 1e-9)
	}
}

func TestPaceFlagsWhatIsBeyondTheLimit(t *testing.T) {
	for _, c := range []struct {
		smear, limit float64
		want         Flags
	}{{0, 0.5, 0}, {0.5, 0.5, 0}, {0.64, 0.5, LineSmear}, {math.NaN(), 0.5, 0}} {
		r := wholeRow(5, 6)
		r.Flags[1] = Hot
		PaceStage{c.smear, c.limit}.Apply(r)
		if r.Flags[0] != c.want || r.Flags[1] != c.want|Hot || !slices.Equal(r.V, []float32{5, 6}) {
			t.Errorf("smear %g of %g: flags %v, values %v", c.smear, c.limit, r.Flags, r.V)
		}
	}
	if got := (PaceStage{math.NaN(), 0.5}).Settings(); !slices.Equal(got, []Setting{{"smear_pixels", "unknown"}}) {
		t.Errorf("settings %v", got)
	}
	if got := (PaceStage{0.25, 0.5}).Settings(); !slices.Equal(got, []Setting{{"smear_pixels", "0.25"}, {"limit_pixels", "0.5"}}) {
		t.Errorf("settings %v", got)
	}
}
