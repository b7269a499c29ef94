package measure

import (
	"math"
	"strings"
	"testing"
)

var times10 = []float64{0.2, 0.5, 1, 2, 3, 4, 5, 6, 7, 8, 9, 9.4, 12}

// series exposes a response y = a0 + a1 t + a2 t^2 with a relative noise.
func series(normal func() float64, a0, a1, a2, relative float64) []Exposed {
	var out []Exposed
	for _, t := range times10 {
		y := a0 + a1*t + a2*t*t
		out = append(out, Exposed{t, Figure{y * (1 + relative*normal()), y * relative}})
	}
	return out
}

// The definition once more, in closed form: the line by least squares of
// relative deviations (weights 1/y^2; EMVA 1288, Release 4.0 Linear, from
// memory), LE the mean of |delta|.
func TestLinearityErrorIsEMVAs(t *testing.T) {
	levels := series(none, 12, 1000, -4, 1e-3)
	got, err := LinearityError(levels, 10000)
	if err != nil {
		t.Fatal(err)
	}
	var s, sx, sy, sxx, sxy float64
	n := 0
	for _, l := range levels {
		if y := l.Mean.Value; y >= 500 && y <= 9500 {
			w := 1 / (y * y)
			s, sx, sy = s+w, sx+w*l.ExposureS, sy+w*y
			sxx, sxy = sxx+w*l.ExposureS*l.ExposureS, sxy+w*l.ExposureS*y
			n++
		}
	}
	a1 := (s*sxy - sx*sy) / (s*sxx - sx*sx)
	a0 := (sy - a1*sx) / s
	le := 0.0
	for _, l := range levels {
		if y := l.Mean.Value; y >= 500 && y <= 9500 {
			le += math.Abs(100*(y-a0-a1*l.ExposureS)/(a1*l.ExposureS)) / float64(n)
		}
	}
	if len(got.Levels) != n || n != 11 || got.Levels[0] != 1 {
		t.Errorf("levels %v, want 11 from the second on", got.Levels)
	}
	within(t, "a0", got.OffsetDN.Value, a0, 1e-9*1000)
	within(t, "a1", got.RateDNPerS.Value, a1, 1e-9*a1)
	within(t, "LE", got.Error.Value, le, 1e-9*le)
	if le < 0.1 {
		t.Errorf("LE of the example is %g %% and says little", le)
	}
}

func TestIntervalsOfLinearityHoldTheTruth(t *testing.T) {
	exact, err := LinearityError(series(none, 12, 1000, -4, 1e-4), 10000)
	if err != nil {
		t.Fatal(err)
	}
	rng := newRand(61)
	var le, rate, offset, deviation coverage
	for range 3000 {
		got, err := LinearityError(series(rng.NormFloat64, 12, 1000, -4, 1e-4), 10000)
		if err != nil {
			t.Fatal(err)
		}
		le.add(got.Error, exact.Error.Value)
		rate.add(got.RateDNPerS, exact.RateDNPerS.Value)
		offset.add(got.OffsetDN, exact.OffsetDN.Value)
		deviation.add(got.Deviation[4], exact.Deviation[4].Value)
	}
	le.check(t, "LE", 0.02)
	rate.check(t, "a1", 0.02)
	offset.check(t, "a0", 0.02)
	deviation.check(t, "deviation", 0.02)
}

// A linear sensor shows an LE from noise alone, and that is what NoiseShare
// says; its chi-square is that of noise, and a bent one's is not.
func TestLinearSensorShowsOnlyNoise(t *testing.T) {
	rng := newRand(62)
	var le, share, chi2, n float64
	for range 2000 {
		got, err := LinearityError(series(rng.NormFloat64, 0, 1000, 0, 1e-3), 10000)
		if err != nil {
			t.Fatal(err)
		}
		le, share, chi2, n = le+got.Error.Value, share+got.NoiseShare, chi2+got.ChiSquare, n+1
	}
	// The LE of 9 free residuals scatters by about 0.6/sqrt(9) of itself, a
	// reduced chi-square by sqrt(2/9).
	within(t, "mean LE over the mean NoiseShare", le/share, 1, 4*0.2/math.Sqrt(n))
	within(t, "mean chi-square", chi2/n, 1, 4*math.Sqrt(2.0/9/n))
	bent, err := LinearityError(series(none, 0, 1000, -10, 1e-3), 10000)
	if err != nil {
		t.Fatal(err)
	}
	if bent.ChiSquare < chiSquareLimit(bent.Freedom, 1e-6) || bent.Error.Value < 3*bent.NoiseShare {
		t.Errorf("bent response: chi-square %g, LE %g %%, noise %g %%", bent.ChiSquare, bent.Error.Value, bent.NoiseShare)
	}
}

func TestLinearityErrorNeedsLevels(t *testing.T) {
	levels := series(none, 0, 1000, 0, 1e-3)
	if _, err := LinearityError(levels[:3], 10000); err == nil || !strings.Contains(err.Error(), "at least 3 levels") {
		t.Errorf("two levels in range: %v", err)
	}
	same := []Exposed{levels[4], levels[4], levels[4]}
	if _, err := LinearityError(same, 10000); err == nil || !strings.Contains(err.Error(), "exposure times must differ") {
		t.Errorf("equal exposures: %v", err)
	}
}
