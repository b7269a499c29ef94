package measure

import (
	"math"
	"slices"
	"strings"
	"testing"
)

// truth is a photon transfer curve that is known.
type truth struct {
	gain, readNoise, bend float64 // e-/DN, e-, DN^2 per DN^2
}

func (c truth) variance(mean float64) float64 {
	return c.readNoise*c.readNoise/(c.gain*c.gain) + rounding + mean/c.gain + c.bend*mean*mean
}

// draw returns levels as pairs of n pixels each would show them: the mean has
// the variance v/2n, the variance 2 v^2/n.
func (c truth) draw(normal func() float64, means []float64, n float64) []Level {
	out := make([]Level, len(means))
	for i, m := range means {
		v := c.variance(m)
		got := v * (1 + math.Sqrt(2/n)*normal())
		mean := math.Sqrt(v / 2 / n)
		out[i] = Level{
			Mean:     Figure{m + mean*normal(), mean},
			Variance: Figure{got, got * math.Sqrt(2/n)},
		}
	}
	return out
}

var steps = []float64{0, 50, 400, 1500, 4000, 8000, 12000, 17000, 22000, 28000}

func none() float64 { return 0 }

// Textbook photon transfer: variance = r^2/g^2 + m/g.
func TestTransferFindsTextbookValues(t *testing.T) {
	for _, c := range []struct {
		name  string
		curve truth
		order int
	}{
		{"line", truth{2.4, 9, 0}, 1},
		{"line with a quadratic term", truth{2.4, 9, 0}, 2},
		{"bent", truth{2.4, 9, -4e-6}, 2},
	} {
		fit, err := FitTransfer(c.curve.draw(none, steps, 1e5), TransferOptions{Order: c.order})
		if err != nil {
			t.Fatal(err)
		}
		const rounding = 1e-9 // the design's condition is below 1e5
		within(t, c.name+": gain", fit.Gain.Value, 2.4, rounding)
		within(t, c.name+": read noise", fit.ReadNoise.Value, 9, 1e3*rounding)
		within(t, c.name+": chi-square", fit.ChiSquare, 0, rounding)
		if len(fit.Used) != len(steps) || fit.Saturation.Reached || fit.Bend.Reached || fit.FullWell.Reached || fit.Hidden {
			t.Errorf("%s: %+v", c.name, fit)
		}
		// The highest level in electrons bounds the full well from below.
		within(t, c.name+": lower bound of the full well", fit.FullWell.E.Value, 28000*2.4, 1e-4)
	}
}

// A response that was bent before linearisation: v = lin^-1(u), with
// lin(v) = v + c v^2. Mean and lin' come from the caller; the variance is as
// measured, var(u)/lin'^2 plus rounding.
func TestTransferBeforeLinearisation(t *testing.T) {
	const c2 = 3e-6
	curve := truth{1.7, 6, 0}
	var levels []Level
	for _, u := range steps {
		v := (-1 + math.Sqrt(1+4*c2*u)) / (2 * c2)
		slope := 1 + 2*c2*v
		variance := (curve.variance(u)-rounding)/(slope*slope) + rounding
		levels = append(levels, Level{Mean: Figure{u, 0.01}, Variance: Figure{variance, variance * 1e-3}, Slope: slope})
	}
	fit, err := FitTransfer(levels, TransferOptions{Order: 1})
	if err != nil {
		t.Fatal(err)
	}
	within(t, "gain", fit.Gain.Value, 1.7, 1e-9)
	within(t, "read noise", fit.ReadNoise.Value, 6, 1e-6)

	// Without lin, the quadratic term takes most of it: to first order in c2
	// the variance is m/g (1 - 3 c2 m), to second order 12 c2^2 m^2 more. A line
	// has no such term.
	for i := range levels {
		levels[i].Mean.Value = (levels[i].Slope - 1) / (2 * c2)
		levels[i].Slope = 0
	}
	bent, err := FitTransfer(levels, TransferOptions{})
	if err != nil {
		t.Fatal(err)
	}
	line, err := FitTransfer(levels, TransferOptions{Order: 1})
	if err != nil {
		t.Fatal(err)
	}
	const second = 12 * (c2 * 26000) * (c2 * 26000) // 7 %; the fit shares it among its terms
	within(t, "gain with a quadratic term", bent.Gain.Value, 1.7, second/4*1.7)
	if off := math.Abs(line.Gain.Value/1.7 - 1); off < 2*math.Abs(bent.Gain.Value/1.7-1) {
		t.Errorf("the line's gain is off by %.3f, that with a quadratic term by %.3f", off, bent.Gain.Value/1.7-1)
	}
}

func TestIntervalsOfTransferHoldTheTruth(t *testing.T) {
	for _, c := range []struct {
		name   string
		curve  truth
		order  int
		pixels float64
	}{
		{"line", truth{2.4, 9, 0}, 1, 3e4},
		{"quadratic", truth{2.4, 9, -3e-6}, 2, 3e4},
		{"line from 1000 pixels", truth{0.8, 12, 0}, 1, 1000},
	} {
		t.Run(c.name, func(t *testing.T) {
			rng := newRand(21)
			var gain, noise coverage
			for range 4000 {
				fit, err := FitTransfer(c.curve.draw(rng.NormFloat64, steps, c.pixels), TransferOptions{Order: c.order, MaxShare: 1})
				if err != nil {
					t.Fatal(err)
				}
				gain.add(fit.Gain, c.curve.gain)
				noise.add(fit.ReadNoise, c.curve.readNoise)
			}
			// g = 1/c1 is biased by its squared relative uncertainty, which in
			// sigmas is that uncertainty; r alike.
			gain.check(t, "gain", 0.02)
			noise.check(t, "read noise", 0.06)
		})
	}
}

// The whole way from electrons: pairs of frames with rounding, hits in some
// pixels, a lamp that drifts, bias pairs included.
func TestIntervalsOfTransferFromFramesHoldTheTruth(t *testing.T) {
	const sets, pixels = 2000, 600
	s := sensor{gain: 2, readNoise: 7, offset: 200}
	rng := newRand(22)
	var gain, noise coverage
	charges := []float64{0, 400, 2000, 8000, 20000, 40000}
	for range sets {
		var levels []Level
		for _, q := range charges {
			a, b := s.exposeNormal(rng, even(pixels, q)), s.exposeNormal(rng, even(pixels, q*1.01))
			at := rng.IntN(pixels - 1)
			a[at], a[at+1] = a[at]+4000, a[at+1]+900
			p := pairOf(a, b)
			levels = append(levels, Level{Mean: p.Mean, Variance: p.Variance})
		}
		fit, err := FitTransfer(levels, TransferOptions{Order: 1})
		if err != nil {
			t.Fatal(err)
		}
		gain.add(fit.Gain, s.gain)
		noise.add(fit.ReadNoise, s.readNoise)
	}
	// Relative uncertainties are 3 and 5 %; see above for the bias.
	gain.check(t, "gain", 0.04)
	noise.check(t, "read noise", 0.08)
}

// An error of the bias level is common to all means and shifts the curve
// sideways.
func TestCommonErrorOfMeansIsInTheReadNoise(t *testing.T) {
	curve := truth{2.4, 9, -3e-6}
	rng := newRand(23)
	var gain, noise coverage
	for range 3000 {
		levels := curve.draw(rng.NormFloat64, steps, 1e5)
		shift := 0.4 * rng.NormFloat64()
		for i := range levels {
			levels[i].Mean.Value += shift
		}
		fit, err := FitTransfer(levels, TransferOptions{OffsetU: 0.4})
		if err != nil {
			t.Fatal(err)
		}
		gain.add(fit.Gain, 2.4)
		noise.add(fit.ReadNoise, 9)
	}
	gain.check(t, "gain", 0.02)
	noise.check(t, "read noise", 0.02)
}

// For a pair the error of the mean adds 1/(4 g m) to the squared weight of a
// level, with g m its electrons: u_m^2/g^2 = v/(2 N g^2) against 2 v^2/N.
func TestErrorOfTheMeanCountsInTheWeights(t *testing.T) {
	curve := truth{gain: 0.05, readNoise: 0}
	means := []float64{20, 40, 100, 200, 400} // 1 to 20 electrons
	levels := curve.draw(none, means, 1e4)
	fit, err := FitTransfer(levels, TransferOptions{Order: 1})
	if err != nil {
		t.Fatal(err)
	}
	for i := range levels {
		levels[i].Mean.U = 0
	}
	exact, err := FitTransfer(levels, TransferOptions{Order: 1})
	if err != nil {
		t.Fatal(err)
	}
	ratio := fit.CurveCovariance[0][0] / exact.CurveCovariance[0][0]
	// Between the shares of the highest and the lowest level.
	if ratio < 1+1/(4*20.0) || ratio > 1+1/(4*1.0) {
		t.Errorf("the variance of the intercept grows by %.4f", ratio)
	}
}

// ladder exposes pairs of a sensor with a full well.
func ladder(seed uint64, s sensor, charges []float64, pixels int, ceiling float64) []Level {
	rng := newRand(seed)
	var out []Level
	for _, q := range charges {
		a, b := s.expose(rng, even(pixels, q)), s.expose(rng, even(pixels, q))
		full := 0
		for i := range a {
			if float64(a[i]) >= ceiling {
				a[i] = float32(ceiling)
				full++
			}
			b[i] = min(b[i], float32(ceiling))
		}
		p := pairOf(a, b)
		out = append(out, Level{Mean: p.Mean, Variance: p.Variance, Ceiling: float64(full) / float64(pixels), ExposureS: q / 1000})
	}
	return out
}

func TestTransferFindsFullWellAndBend(t *testing.T) {
	s := sensor{gain: 2, readNoise: 8, offset: 300, fullWell: 60000}
	charges := []float64{0, 500, 2000, 6000, 12000, 20000, 28000, 36000, 44000, 52000, 59000, 60100, 70000, 80000}
	levels := ladder(31, s, charges, 3000, math.Inf(1))
	fit, err := FitTransfer(levels, TransferOptions{})
	if err != nil {
		t.Fatal(err)
	}
	if !fit.FullWell.Reached || !fit.Bend.Reached || !fit.Saturation.Reached {
		t.Fatalf("full well %+v, bend %+v, saturation %+v", fit.FullWell, fit.Bend, fit.Saturation)
	}
	within(t, "full well", fit.FullWell.E.Value, 60000, 4*fit.FullWell.E.U)
	within(t, "full well in DN", fit.FullWell.DN.Value, 30000, 4*fit.FullWell.DN.U)
	within(t, "relative uncertainty of the full well", fit.FullWell.E.U/60000, fit.Gain.U/2, 0.02*fit.Gain.U)
	within(t, "gain", fit.Gain.Value, 2, 4*fit.Gain.U)
	within(t, "read noise", fit.ReadNoise.Value, 8, 4*fit.ReadNoise.U)
	// 59000 e- with a shot noise of 243 e- is 4 sigma below the full well, so
	// it is the last level on the curve; 60100 e- is the first below.
	within(t, "saturation", fit.Saturation.DN.Value, 29500, 4*fit.Saturation.DN.U)
	within(t, "bend", fit.Bend.DN.Value, 29750, 200)
	if want := []int{0, 1, 2, 3, 4, 5, 6}; !slices.Equal(fit.Used[:len(want)], want) {
		t.Errorf("fitted are levels %v", fit.Used)
	}
	for _, l := range fit.Left {
		if l.Reason != AboveRange || !strings.Contains(l.Detail, "exposure") {
			t.Errorf("left: %+v", l)
		}
	}
	if len(fit.Left)+len(fit.Used) != len(levels) {
		t.Errorf("%d used and %d left of %d", len(fit.Used), len(fit.Left), len(levels))
	}
}

func TestIntervalsOfFullWellHoldTheTruth(t *testing.T) {
	const sets, pixels = 2000, 500
	s := sensor{gain: 2, readNoise: 8, offset: 300, fullWell: 60000}
	rng := newRand(34)
	var well, gain coverage
	for range sets {
		var levels []Level
		for _, q := range []float64{0, 1000, 6000, 15000, 25000, 38000, 52000, 65000, 80000} {
			p := pairOf(s.exposeNormal(rng, even(pixels, q)), s.exposeNormal(rng, even(pixels, q)))
			levels = append(levels, Level{Mean: p.Mean, Variance: p.Variance})
		}
		fit, err := FitTransfer(levels, TransferOptions{Order: 1})
		if err != nil {
			t.Fatal(err)
		}
		if !fit.FullWell.Reached || !fit.Bend.Reached {
			t.Fatalf("full well %+v, bend %+v", fit.FullWell, fit.Bend)
		}
		well.add(fit.FullWell.E, 60000)
		gain.add(fit.Gain, 2)
	}
	// Both are known to 2.5 %, and 1/c1 is biased by as much, in sigmas; pulls
	// of variances from 500 pixels have the mean -sqrt(2/500) at most.
	well.check(t, "full well", 0.025+0.063)
	gain.check(t, "gain", 0.025+0.063)
}

// Where the profile claims more than the sensor holds, the fit itself finds
// the bend and leaves out what lies above.
func TestTransferLeavesOutWhatLiesAboveTheBend(t *testing.T) {
	s := sensor{gain: 2, readNoise: 8, offset: 300, fullWell: 20000}
	levels := ladder(32, s, []float64{0, 300, 1500, 5000, 10000, 15000, 19000, 20000, 20050}, 3000, math.Inf(1))
	fit, err := FitTransfer(levels, TransferOptions{Order: 1, MaxShare: 5})
	if err != nil {
		t.Fatal(err)
	}
	within(t, "gain", fit.Gain.Value, 2, 4*fit.Gain.U)
	below := 0
	for _, l := range fit.Left {
		if l.Reason == BelowCurve {
			below++
		}
	}
	if below != 2 {
		t.Errorf("left out are %+v, want the last two", fit.Left)
	}
}

func TestTransferDoesNotTakeTheConvertersCeilingForTheFullWell(t *testing.T) {
	s := sensor{gain: 2, readNoise: 8, offset: 300}
	levels := ladder(33, s, []float64{0, 500, 2000, 8000, 16000, 24000, 32000, 42000, 60000}, 3000, 20000)
	fit, err := FitTransfer(levels, TransferOptions{Order: 1})
	if err != nil {
		t.Fatal(err)
	}
	if fit.FullWell.Reached {
		t.Errorf("full well %+v", fit.FullWell)
	}
	if !fit.Saturation.Reached {
		t.Errorf("saturation %+v", fit.Saturation)
	}
	reasons := map[LeftReason]int{}
	for _, l := range fit.Left {
		reasons[l.Reason]++
	}
	if reasons[AtCeiling] != 2 {
		t.Errorf("left out are %+v, want two at the ceiling", fit.Left)
	}
}

func TestTransferRefusesWhatDoesNotTell(t *testing.T) {
	good := truth{2, 8, 0}.draw(none, steps, 1e4)
	flat := slices.Clone(good)
	for i := range flat {
		flat[i].Variance = Figure{50 - 1e-4*flat[i].Mean.Value, 1}
	}
	same := slices.Repeat(good[3:4], 6)
	for _, c := range []struct {
		name   string
		levels []Level
		opt    TransferOptions
		words  string
	}{
		{"no level", nil, TransferOptions{}, "needs 3 usable levels"},
		{"two levels", good[:2], TransferOptions{}, "needs 3 usable levels"},
		{"variance that does not grow", flat, TransferOptions{Order: 1}, "does not grow"},
		{"equal levels", same, TransferOptions{}, "levels must differ"},
		{"third order", good, TransferOptions{Order: 3}, "order 3"},
	} {
		if _, err := FitTransfer(c.levels, c.opt); err == nil || !strings.Contains(err.Error(), c.words) {
			t.Errorf("%s: %v", c.name, err)
		}
	}
	bad := slices.Clone(good)
	bad[2].Variance.Value = math.NaN()
	bad[4].Variance = Figure{0, 0}
	fit, err := FitTransfer(bad, TransferOptions{})
	if err != nil {
		t.Fatal(err)
	}
	if len(fit.Left) != 2 || fit.Left[0].Reason != NotUsable || fit.Left[1].Index != 4 {
		t.Errorf("left out: %+v", fit.Left)
	}
}

// A curve that does not fit says so, and its uncertainties grow.
func TestTransferTellsMisfit(t *testing.T) {
	bent := truth{2.4, 9, -6e-6}.draw(none, steps, 1e6)
	line, err := FitTransfer(bent, TransferOptions{Order: 1})
	if err != nil {
		t.Fatal(err)
	}
	if !line.Widened || line.ChiSquare < 10 {
		t.Errorf("chi-square %g, widened %t", line.ChiSquare, line.Widened)
	}
	curve, err := FitTransfer(bent, TransferOptions{})
	if err != nil {
		t.Fatal(err)
	}
	if curve.Widened || line.Gain.U < curve.Gain.U/2 {
		t.Errorf("u(g) is %g for the line and %g for the curve", line.Gain.U, curve.Gain.U)
	}
}

func TestNoiseHiddenByRoundingIsAnUpperLimit(t *testing.T) {
	fit, err := FitTransfer(truth{10, 3, 0}.draw(none, steps, 1e5), TransferOptions{Order: 1})
	if err != nil {
		t.Fatal(err)
	}
	if !fit.Hidden {
		t.Error("a noise of 0.3 DN is not called hidden")
	}
	within(t, "upper limit, 0.40 g", fit.ReadNoise.Value, 4, 0.05)
}

// JCGM 101:2008, clause 7: the distributions of means and variances are
// propagated through the whole fit by Monte Carlo. First-order propagation
// agrees within 1 %; 200000 trials know a standard deviation to 0.16 %.
func TestFirstOrderAgreesWithMonteCarlo(t *testing.T) {
	const trials = 200_000
	curve := truth{2.4, 9, 0}
	means := []float64{0, 100, 600, 2500, 8000, 20000}
	opt := TransferOptions{Order: 1}
	nominal, err := FitTransfer(curve.draw(none, means, 2e4), opt)
	if err != nil {
		t.Fatal(err)
	}
	const workers = 2
	type moments struct{ g, gg, r, rr, gr float64 }
	part := make(chan moments, workers)
	for w := range workers {
		go func() {
			rng := newRand(uint64(41 + w))
			var m moments
			for range trials / workers {
				fit, err := FitTransfer(curve.draw(rng.NormFloat64, means, 2e4), opt)
				if err != nil {
					t.Error(err)
					break
				}
				g, r := fit.Gain.Value-curve.gain, fit.ReadNoise.Value-curve.readNoise
				m.g, m.gg, m.r, m.rr, m.gr = m.g+g, m.gg+g*g, m.r+r, m.rr+r*r, m.gr+g*r
			}
			part <- m
		}()
	}
	var m moments
	for range workers {
		p := <-part
		m.g, m.gg, m.r, m.rr, m.gr = m.g+p.g, m.gg+p.gg, m.r+p.r, m.rr+p.rr, m.gr+p.gr
	}
	n := float64(trials)
	ug := math.Sqrt(m.gg/n - m.g*m.g/n/n)
	ur := math.Sqrt(m.rr/n - m.r*m.r/n/n)
	both := m.gr/n - m.g*m.r/n/n
	t.Logf("gain: Monte Carlo %.6f, first order %.6f; read noise: %.6f, %.6f; correlation %.4f, %.4f",
		ug, nominal.Gain.U, ur, nominal.ReadNoise.U, both/ug/ur, nominal.Covariance[0][1]/nominal.Gain.U/nominal.ReadNoise.U)
	within(t, "u(gain)", nominal.Gain.U, ug, 0.01*ug)
	within(t, "u(read noise)", nominal.ReadNoise.U, ur, 0.01*ur)
	within(t, "covariance", nominal.Covariance[0][1], both, 0.02*ug*ur)
	within(t, "covariance, other half", nominal.Covariance[1][0], nominal.Covariance[0][1], 0)
}

// The same fit by scipy.optimize.curve_fit, with the weights that ours
// settled on (from the curve).
const transferByScipy = `
import json, sys
import numpy as np
from scipy.optimize import curve_fit
q = json.load(sys.stdin)
m, v, n = np.array(q["M"]), np.array(q["V"]), q["N"]
def model(m, g, r, c2):
    return r**2 / g**2 + 1/12 + m / g + c2 * m**2
p = np.array([2.0, 8.0, 0.0])
for _ in range(6):
    w = model(m, *p)
    slope = 1 / p[0] + 2 * p[2] * m
    s = np.sqrt(2 * w**2 / n + slope**2 * np.array(q["UM"])**2)
    p, c = curve_fit(model, m, v, p, sigma=s, absolute_sigma=True, xtol=1e-15, ftol=1e-15)
chi2 = float(np.sum(((v - model(m, *p)) / s)**2) / (len(m) - 3))
json.dump({"G": p[0], "R": p[1], "UG": np.sqrt(c[0,0]), "UR": np.sqrt(c[1,1]), "GR": c[0,1], "Chi2": chi2}, sys.stdout)
`

func TestTransferAgreesWithScipy(t *testing.T) {
	const n = 5e4
	levels := truth{2.4, 9, -3e-6}.draw(newRand(51).NormFloat64, steps, n)
	in := struct {
		M, V, UM []float64
		N        float64
	}{N: n}
	for _, l := range levels {
		in.M, in.V, in.UM = append(in.M, l.Mean.Value), append(in.V, l.Variance.Value), append(in.UM, l.Mean.U)
	}
	var want struct{ G, R, UG, UR, GR, Chi2 float64 }
	askScipy(t, transferByScipy, in, &want)
	got, err := FitTransfer(levels, TransferOptions{MaxShare: 1})
	if err != nil {
		t.Fatal(err)
	}
	// Our weights stop after three rounds; each brings them closer by the
	// relative uncertainty of a variance, sqrt(2/n) = 0.6 %. Scipy's
	// derivatives are differences, good to 1e-7.
	const tolerance = 1e-5
	within(t, "gain in sigmas", (got.Gain.Value-want.G)/want.UG, 0, tolerance)
	within(t, "read noise in sigmas", (got.ReadNoise.Value-want.R)/want.UR, 0, tolerance)
	within(t, "u(gain)", got.Gain.U/want.UG, 1, tolerance)
	within(t, "u(read noise)", got.ReadNoise.U/want.UR, 1, tolerance)
	within(t, "correlation", got.Covariance[0][1]/got.Gain.U/got.ReadNoise.U, want.GR/want.UG/want.UR, tolerance)
	within(t, "chi-square", got.ChiSquare, want.Chi2, tolerance)
}
