package calib

import (
	"math"
	"testing"
)

// zoneChain corrects frames of a sensor that saturates at the given charge.
func zoneChain(size int, limit float64, flat *Plane) *Chain {
	s := plainSensor(size, size)
	s.GrowPixels = 1
	z := &SaturationZone{LimitE: []float64{limit}}
	rest := s.Amps[0].ReadNoiseE*s.Amps[0].ReadNoiseE + 1.0/12
	ff := NewFlatField(flat)
	c := NewChain(s, []Stage{
		FrameStage{65535, math.NaN()}, SaturationStage{LevelDN: []float64{limit}, CloseDN: []float64{z.CloseTo(0, rest)}},
		GainStage{s.Amps}, FlatStage{ff},
	}, &Noise{Flat: ff, FloorE2: rest, Steps: NoiseSteps(65535)}, nil)
	c.Zone = z
	return c
}

// Even light is judged by the light about a pixel and not by its own count:
// close to saturation all pixels are flagged, the dark ones too, and farther off
// than the zone none is.
func TestZoneJudgesByTheLightAbout(t *testing.T) {
	const size, limit = 64, 20000
	sigma := math.Sqrt(limit + 25)
	rng := newRand(950)
	for _, c := range []struct {
		below float64 // saturation, sigmas
		want  float64 // share of the pixels with a flag
	}{
		// The mean of 24 neighbours has a sigma of 0.2: 2.5 sigmas are 7 of
		// them off, and 1 and 4 no less.
		{-1, 1}, {0, 1}, {1, 1}, {4, 0}, {8, 0},
	} {
		f := newFrame(size, size)
		for i := range f.dn {
			f.dn[i] = float32(math.Min(math.Round(poisson(rng, limit-c.below*sigma)+5*rng.NormFloat64()), 65535))
		}
		p := develop(t, zoneChain(size, limit, constant(size, size, 1, 0)), f, 16)
		flagged, saturated := 0.0, 0.0
		for i, flags := range p.flags {
			if flags&(Saturated|NearSaturated) != 0 {
				flagged++
			}
			if f.dn[i] >= limit {
				saturated++
			}
		}
		// What is saturated is flagged anyway: beyond 4 sigmas 3e-5.
		within(t, "share of flagged pixels", flagged/(size*size), c.want, 0.002)
		if c.below == 1 && !(saturated < 0.3*size*size) {
			t.Errorf("%g pixels are saturated: the test shows nothing", saturated)
		}
	}
}

// A pixel of better response than those about it is told by their scatter: where
// responses differ by 2 %, the zone is as wide as 2.5 sigmas of that.
func TestZoneAllowsForResponse(t *testing.T) {
	const size, limit, spread = 64, 20000, 0.02
	rng := newRand(951)
	for _, c := range []struct {
		level float64
		want  float64
		slack float64
	}{
		{limit * (1 - 0.02), 1, 0.1}, // well within 2.5 x 2.1 %
		{limit * (1 - 0.15), 0, 0.002},
	} {
		flat := constant(size, size, 1, 0)
		for i := range flat.Value {
			flat.Value[i] += float32(spread * rng.NormFloat64())
		}
		f := newFrame(size, size)
		for i := range f.dn {
			f.dn[i] = float32(math.Round(poisson(rng, c.level*float64(flat.Value[i])) + 5*rng.NormFloat64()))
		}
		p := develop(t, zoneChain(size, limit, flat), f, 16)
		flagged := 0.0
		for _, flags := range p.flags {
			if flags&(Saturated|NearSaturated) != 0 {
				flagged++
			}
		}
		within(t, "share of flagged pixels", flagged/(size*size), c.want, c.slack)
	}
}
