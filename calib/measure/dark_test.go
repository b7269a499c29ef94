package measure

import (
	"math"
	"strings"
	"testing"

	"evenlight/calib"
)

// darks draws dark currents that follow a law.
func darks(normal func() float64, law calib.DarkLaw, rate float64, temps []float64, relative, floor, tempU float64) []DarkPoint {
	var out []DarkPoint
	for _, temp := range temps {
		d := rate * law.At(temp+tempU*normal())
		u := math.Hypot(relative*d, floor)
		out = append(out, DarkPoint{TempK: temp, TempU: tempU, Rate: Figure{d + u*normal(), u}})
	}
	return out
}

var (
	doubling   = calib.DarkLaw{Kind: Doubling, ReferenceK: 263.15, IntervalK: 7.1}
	activation = calib.DarkLaw{Kind: Activation, ReferenceK: 263.15, EnergyEV: 0.62}
	temps      = []float64{233, 243, 253, 258, 263, 268, 273, 283}
)

func parameterOf(l calib.DarkLaw) float64 {
	if l.Kind == Doubling {
		return l.IntervalK
	}
	return l.EnergyEV
}

func TestIntervalsOfDarkLawsHoldTheTruth(t *testing.T) {
	for _, c := range []struct {
		name            string
		law             calib.DarkLaw
		relative, floor float64
		tempU           float64
	}{
		{"doubling", doubling, 0.02, 0.01, 0},
		{"activation", activation, 0.02, 0.01, 0},
		{"activation, cold darks within noise of zero", activation, 0.01, 0.5, 0},
		{"doubling, uncertain temperatures", doubling, 0.01, 0.001, 0.2},
	} {
		t.Run(c.name, func(t *testing.T) {
			rng := newRand(71)
			var rate, parameter, warm, interval coverage
			for range 3000 {
				fit, err := FitDark(darks(rng.NormFloat64, c.law, 8, temps, c.relative, c.floor, c.tempU), c.law.Kind, 263.15)
				if err != nil {
					t.Fatal(err)
				}
				rate.add(fit.Rate, 8)
				parameter.add(fit.Parameter, parameterOf(c.law))
				warm.add(fit.At(290), 8*c.law.At(290))
				truth := 7.1
				if c.law.Kind == Activation {
					truth = math.Ln2 * 8.617333262e-5 * 290 * 290 / 0.62 // k in eV/K, CODATA 2018
				}
				interval.add(fit.DoublingK(290), truth)
				within(t, "relative uncertainty of the law", fit.Law.RelUncert, fit.Parameter.U/fit.Parameter.Value, 1e-15)
			}
			// Quantities that are not linear in the data are biased by about
			// their relative uncertainty, in sigmas; the largest is 2 %.
			rate.check(t, "rate", 0.03)
			parameter.check(t, "parameter", 0.03)
			warm.check(t, "rate at 290 K", 0.03)
			interval.check(t, "doubling interval", 0.03)
		})
	}
}

func TestDarkFitWithoutNoiseIsTheLaw(t *testing.T) {
	for _, law := range []calib.DarkLaw{doubling, activation} {
		fit, err := FitDark(darks(none, law, 8, temps, 0.02, 1e-4, 0), law.Kind, 268.15)
		if err != nil {
			t.Fatal(err)
		}
		const rounding = 1e-9
		within(t, law.Kind+": rate at another reference", fit.Rate.Value, 8*law.At(268.15), 8*rounding)
		within(t, law.Kind+": parameter", fit.Parameter.Value, parameterOf(law), 10*rounding)
		within(t, law.Kind+": chi-square", fit.ChiSquare, 0, rounding)
		if fit.Law.ReferenceK != 268.15 || fit.Widened || len(fit.Residuals) != len(temps) {
			t.Errorf("%s: %+v", law.Kind, fit)
		}
	}
}

// Near room temperature the dark current of silicon doubles every 6 to 8 K
// (common practice, no source). As activation energies, ln 2 k T^2 / interval,
// these are 0.64 to 0.86 eV at 293.15 K; and an activation energy between
// them, measured within 10 K, doubles within the rule.
func TestRuleOfThumbNearRoomTemperature(t *testing.T) {
	const roomK = 293.15
	near := []float64{283.15, 288.15, 293.15, 298.15, 303.15}
	for _, c := range []struct{ interval, energy float64 }{{6, 0.856}, {8, 0.642}} {
		law := calib.DarkLaw{Kind: Doubling, ReferenceK: roomK, IntervalK: c.interval}
		fit, err := FitDark(darks(none, law, 100, near, 0.02, 0, 0), Activation, roomK)
		if err != nil {
			t.Fatal(err)
		}
		// Over 20 K the two laws differ by up to E dT^2/(2 k T^3) = 2 %, most
		// of which the level takes.
		within(t, "activation energy", fit.Parameter.Value, c.energy, 0.01*c.energy)
		within(t, "doubling interval of the fit", fit.DoublingK(roomK).Value, c.interval, 0.01*c.interval)
	}
	law := calib.DarkLaw{Kind: Activation, ReferenceK: roomK, EnergyEV: 0.74}
	fit, err := FitDark(darks(none, law, 100, near, 0.02, 0, 0), Doubling, roomK)
	if err != nil {
		t.Fatal(err)
	}
	if k := fit.Parameter.Value; k < 6 || k > 8 {
		t.Errorf("0.74 eV doubles every %.2f K", k)
	}
}

func TestCompareDarkTellsTheLaw(t *testing.T) {
	rng := newRand(72)
	const sets = 300
	for _, law := range []calib.DarkLaw{doubling, activation} {
		right, decided, wrong := 0, 0, 0
		for range sets {
			c, err := CompareDark(darks(rng.NormFloat64, law, 8, temps, 0.02, 0.005, 0), 263.15)
			if err != nil {
				t.Fatal(err)
			}
			if c.TooNarrow {
				t.Fatalf("50 K are called too narrow: separation %g", c.Separation)
			}
			if c.Better == law.Kind {
				right++
			}
			if c.Decided {
				decided++
				if c.Better != law.Kind {
					wrong++
				}
			}
		}
		// With a separation of s, the difference is s +- 2 sqrt(s): it is 9 or
		// less, or negative, once in a thousand or less for s of 50 and more.
		if right < sets-3 || decided < sets-3 || wrong > 0 {
			t.Errorf("%s: right in %d, decided in %d, wrongly in %d of %d", law.Kind, right, decided, wrong, sets)
		}
	}
}

func TestCompareDarkWarnsOfNarrowTemperatures(t *testing.T) {
	rng := newRand(73)
	decided := 0
	for range 300 {
		c, err := CompareDark(darks(rng.NormFloat64, activation, 8, []float64{260, 262, 264, 266, 268}, 0.02, 0.005, 0), 263.15)
		if err != nil {
			t.Fatal(err)
		}
		if !c.TooNarrow {
			t.Errorf("8 K are not called too narrow: separation %g", c.Separation)
		}
		if c.Decided {
			decided++
		}
	}
	if decided > 0 {
		t.Errorf("%d of 300 were decided", decided)
	}
}

func TestFitDarkRefusesWhatDoesNotTell(t *testing.T) {
	good := darks(none, doubling, 8, temps, 0.02, 0.01, 0)
	cold := darks(none, doubling, 8, []float64{263, 253, 243, 233}, 0.02, 0.01, 0)
	for i := range cold {
		cold[i].TempK = 500 - cold[i].TempK
	}
	for _, c := range []struct {
		name, kind string
		points     []DarkPoint
		referenceK float64
		words      string
	}{
		{"unknown law", "linear", good, 263, "no law"},
		{"no reference", Doubling, good, 0, "not above 0"},
		{"one point", Doubling, good[:1], 263, "2 are needed"},
		{"nothing above noise", Activation, darks(none, doubling, 1e-4, temps, 0.02, 0.1, 0), 263, "longer or warmer"},
		{"one temperature", Activation, []DarkPoint{good[3], good[3], good[3]}, 263, "temperatures must differ"},
		{"current that falls", Doubling, cold, 263, "does not grow"},
		{"no uncertainty", Doubling, append([]DarkPoint{{TempK: 250, Rate: Figure{1, 0}}}, good...), 263, "point 1"},
	} {
		if _, err := FitDark(c.points, c.kind, c.referenceK); err == nil || !strings.Contains(err.Error(), c.words) {
			t.Errorf("%s: %v", c.name, err)
		}
	}
}

const darkByScipy = `
import json, sys
import numpy as np
from scipy.optimize import curve_fit
from scipy.constants import k, e
q = json.load(sys.stdin)
T, d, u = np.array(q["T"]), np.array(q["D"]), np.array(q["U"])
out = []
for law, p in ((lambda T, d0, i: d0 * 2**((T - 263.15) / i), (5, 8)),
               (lambda T, d0, E: d0 * np.exp(-E * e / k * (1 / T - 1 / 263.15)), (5, 0.5))):
    p, c = curve_fit(law, T, d, p, sigma=u, absolute_sigma=True, xtol=1e-15, ftol=1e-15)
    out.append({"Rate": p[0], "Parameter": p[1], "C": c.tolist(), "Chi2": float(np.sum(((d - law(T, *p)) / u)**2) / (len(T) - 2))})
json.dump(out, sys.stdout)
`

func TestDarkFitAgreesWithScipy(t *testing.T) {
	points := darks(newRand(74).NormFloat64, activation, 8, temps, 0.02, 0.05, 0)
	var in struct{ T, D, U []float64 }
	for _, p := range points {
		in.T, in.D, in.U = append(in.T, p.TempK), append(in.D, p.Rate.Value), append(in.U, p.Rate.U)
	}
	var answers []struct {
		Rate, Parameter, Chi2 float64
		C                     [2][2]float64
	}
	askScipy(t, darkByScipy, in, &answers)
	for i, kind := range []string{Doubling, Activation} {
		want := answers[i]
		got, err := FitDark(points, kind, 263.15)
		if err != nil {
			t.Fatal(err)
		}
		if got.Widened { // scipy does not widen
			within(t, kind+": chi-square", got.ChiSquare, want.Chi2, 1e-5*want.Chi2)
			for a := range want.C {
				for b := range want.C[a] {
					want.C[a][b] *= want.Chi2
				}
			}
		}
		const differences = 1e-5 // scipy's derivatives are differences
		within(t, kind+": rate", got.Rate.Value, want.Rate, differences*got.Rate.U)
		within(t, kind+": parameter", got.Parameter.Value, want.Parameter, differences*got.Parameter.U)
		within(t, kind+": chi-square", got.ChiSquare, want.Chi2, differences*want.Chi2)
		for a := range want.C {
			for b := range want.C[a] {
				within(t, kind+": covariance", got.Covariance[a][b], want.C[a][b], differences*math.Sqrt(want.C[a][a]*want.C[b][b]))
			}
		}
	}
}
