package calib

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"gonum.org/v1/gonum/stat/distuv"
)

// measuredAt returns v with lin(v) = u, found by halving.
func measuredAt(lin func(v float64) float64, u float64) float64 {
	lo, hi := 0.0, 2*u
	for range 80 {
		if mid := (lo + hi) / 2; lin(mid) < u {
			lo = mid
		} else {
			hi = mid
		}
	}
	return (lo + hi) / 2
}

// lamp is a ladder of exposures before a steady lamp.
type lamp struct {
	c2, c3, rate float64
	sigma        float64 // of each mean, DN
	exposures    []float64
}

func (l lamp) lin(v float64) float64 { return v + l.c2*v*v + l.c3*v*v*v }

func (l lamp) draw(rng *rand.Rand) []Rung {
	var rungs []Rung
	for _, e := range l.exposures {
		v := measuredAt(l.lin, l.rate*e)
		rungs = append(rungs, Rung{ExposureS: e, MeanDN: v + l.sigma*rng.NormFloat64(), Variance: l.sigma * l.sigma})
	}
	return rungs
}

func evenly(n int, step float64) []float64 {
	var e []float64
	for i := range n {
		e = append(e, step*float64(i+1))
	}
	return e
}

// The covariance is widened by the reduced chi-square X/n where that is above
// 1, so squared pulls have the mean E[min(1, n/X)] for X a chi-square of n
// degrees of freedom: F_n(n) + n/(n-2) (1 - F_(n-2)(n)), since x^-1 times the
// density of n degrees is that of n-2 divided by n-2.
func shrunkPulls(n float64) float64 {
	return distuv.ChiSquared{K: n}.CDF(n) + n/(n-2)*(1-distuv.ChiSquared{K: n - 2}.CDF(n))
}

func TestFitLadderRecoversTheCurve(t *testing.T) {
	const ladders, levels = 2000, 15
	for _, l := range []lamp{
		{c2: 8e-7, c3: 2e-11, rate: 1000, sigma: 0.5, exposures: evenly(levels, 2)},
		// A response that bends by a sixth: an error of v counts lin'(v) times.
		{c2: 6e-6, c3: 0, rate: 1000, sigma: 2, exposures: evenly(levels, 2)},
		{c2: -4e-6, c3: -2e-11, rate: 1000, sigma: 2, exposures: evenly(levels, 2)},
	} {
		t.Run(fmt.Sprintf("c2 = %g, c3 = %g", l.c2, l.c3), func(t *testing.T) {
			rng := newRand(61)
			var p2, p3, correction, chi moments
			top := measuredAt(l.lin, l.rate*l.exposures[levels-1])
			for range ladders {
				fit, err := FitLadder(l.draw(rng), 3)
				if err != nil {
					t.Fatal(err)
				}
				p2.add((fit.Curve[0] - l.c2) / math.Sqrt(fit.Covariance[0][0]))
				p3.add((fit.Curve[1] - l.c3) / math.Sqrt(fit.Covariance[1][1]))
				half := top / 2
				correction.add((fit.Curve.At(half) - l.lin(half)) / (half * fit.RelativeUncertainty(half)))
				chi.add(fit.ChiSquare)
			}
			want := shrunkPulls(levels - 3)
			for _, p := range []struct {
				what string
				m    moments
			}{{"c2", p2}, {"c3", p3}, {"lin at half of the top", correction}} {
				within(t, "mean pull of "+p.what, p.m.mean(), 0, sigmas*math.Sqrt(want/ladders))
				within(t, "squared pull of "+p.what, p.m.meanSquare(), want, sigmas*want*math.Sqrt(2.2/ladders))
			}
			within(t, "reduced chi-square", chi.mean(), 1, sigmas*math.Sqrt(2.0/(levels-3)/ladders))
		})
	}
}

// Residuals that are larger than the given variances allow widen the
// covariance: pulls then follow Student's t, whose mean square is n/(n-2).
func TestFitLadderOfAnUnsteadyLamp(t *testing.T) {
	const ladders, levels, freedom = 2000, 15, 12.0
	l := lamp{c2: 8e-7, c3: 2e-11, rate: 1000, sigma: 0.5, exposures: evenly(levels, 2)}
	rng := newRand(63)
	var pull moments
	for range ladders {
		rungs := l.draw(rng)
		for i := range rungs {
			rungs[i].Variance /= 400
		}
		fit, err := FitLadder(rungs, 3)
		if err != nil {
			t.Fatal(err)
		}
		pull.add((fit.Curve[0] - l.c2) / math.Sqrt(fit.Covariance[0][0]))
	}
	want := freedom / (freedom - 2)
	// The excess kurtosis of t with n degrees of freedom is 6/(n-4).
	within(t, "squared pull", pull.meanSquare(), want, sigmas*want*math.Sqrt((2+6/(freedom-4))/ladders))
}

// Without noise the curve comes out to the last digits, for every order, and
// the residuals are zero on the linear scale.
func TestFitLadderOfEachOrder(t *testing.T) {
	all := []float64{4e-6, -3e-10, 2e-14, -3e-19}
	for order := 2; order <= 5; order++ {
		lin := func(v float64) float64 {
			u := v
			for i, c := range all[:order-1] {
				u += c * math.Pow(v, float64(i+2))
			}
			return u
		}
		var rungs []Rung
		for _, e := range evenly(12, 0.5) {
			rungs = append(rungs, Rung{ExposureS: e, MeanDN: measuredAt(lin, 4000*e), Variance: 1})
		}
		fit, err := FitLadder(rungs, order)
		if err != nil {
			t.Fatal(err)
		}
		// The condition number is below 1e5 at order 5; the relative size of
		// the smallest term is above 1e-2.
		const digits = 1e-8
		within(t, "rate", fit.RateDNPerS, 4000, 4000*digits)
		for i, c := range all[:order-1] {
			within(t, fmt.Sprintf("order %d: c%d", order, i+2), fit.Curve[i], c, digits*math.Abs(c))
		}
		within(t, "top", fit.MaxDN, rungs[11].MeanDN, 0)
		for i, r := range fit.ResidualDN {
			within(t, fmt.Sprintf("order %d: residual %d", order, i), r, 0, 1e-6)
		}
	}
}

// Measured means that happen to fit without any residual are no better known
// than their variances say. For order 2 through three levels the covariance
// is that of the inverse of X^T W X, here in closed form.
func TestFitLadderOfPerfectDataKeepsTheGivenVariance(t *testing.T) {
	var rungs []Rung
	var tt, tu, uu float64
	for _, e := range []float64{1, 2, 4} {
		rungs = append(rungs, Rung{ExposureS: e, MeanDN: 1024 * e, Variance: 4})
		tt, tu, uu = tt+e*e, tu+e*e*e*1024*1024, uu+math.Pow(1024*e, 4)
	}
	want := 4 * tt / (tt*uu - tu*tu)
	fit, err := FitLadder(rungs, 2)
	if err != nil {
		t.Fatal(err)
	}
	within(t, "c2", fit.Curve[0], 0, 1e-18)
	within(t, "variance of c2", fit.Covariance[0][0], want, 1e-9*want)
}

func TestFitLadderRefusesWhatCannotBeFitted(t *testing.T) {
	good := lamp{c2: 1e-6, rate: 1000, sigma: 1, exposures: evenly(8, 1)}
	same := good
	same.exposures = []float64{3, 3, 3, 3, 3, 3}
	for _, c := range []struct {
		name   string
		rungs  []Rung
		order  int
		remedy string
	}{
		{"too few levels", good.draw(newRand(62))[:3], 3, "add levels"},
		{"no level", nil, 2, "add levels"},
		{"order 1", good.draw(newRand(62)), 1, "linearity.order"},
		{"one exposure time", exact(same), 2, "exposure times must differ"},
	} {
		_, err := FitLadder(c.rungs, c.order)
		if err == nil || !strings.Contains(err.Error(), c.remedy) {
			t.Errorf("%s: error is %v, want one that says %q", c.name, err, c.remedy)
		}
	}
}

// exact draws a ladder without noise.
func exact(l lamp) []Rung {
	l.sigma = 0
	rungs := l.draw(newRand(0))
	for i := range rungs {
		rungs[i].Variance = 1
	}
	return rungs
}
