package marks

import (
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"
)

// bend is a smooth distortion of a field of about 400 x 300 pixels: the
// measured place of a true one, by polynomials of order 3.
func bend(x, y float64) (sx, sy float64) {
	u, v := (x-200)/200, (y-150)/200
	return 203 + 198*u + 3*v + 2.5*u*u - 1.2*u*v + 4*u*u*u + 4*u*v*v,
		149 - 2*u + 202*v - 1.5*v*v + 0.8*u*u + 4*v*u*u + 4*v*v*v
}

// displaced measures marks where a distortion puts them, with noise.
func displaced(rng *rand.Rand, marks []Mark, by func(x, y float64) (float64, float64), sigma float64) []Found {
	var out []Found
	for i, m := range marks {
		x, y := by(m.TrueX, m.TrueY)
		out = append(out, Found{Index: i, X: x + sigma*rng.NormFloat64(), Y: y + sigma*rng.NormFloat64(), SigmaX: sigma, SigmaY: sigma})
	}
	return out
}

func mustFit(t *testing.T, marks []Mark, found []Found, opt FitOptions) *Model {
	t.Helper()
	m, err := Fit(marks, found, opt)
	if err != nil {
		t.Fatal(err)
	}
	return m
}

// TestModelRecoversPolynomials has no noise to speak of, so rounding rules.
func TestModelRecoversPolynomials(t *testing.T) {
	for order := 1; order <= 5; order++ {
		// Powers of a slanted line hold every term of their order.
		by := func(x, y float64) (float64, float64) {
			z := (x + 0.7*y - 250) / 300
			return x + 5*math.Pow(z, float64(order)), y - 3*math.Pow(z, float64(order)) + 1
		}
		marks := grid(9, 7, 40)
		m := mustFit(t, marks, displaced(rand.New(rand.NewPCG(1, 1)), marks, by, 1e-12), FitOptions{Order: order})
		sx, sy := make([]float64, 360), make([]float64, 360)
		for y := 0; y < 280; y += 31 {
			m.Row(y, sx, sy)
			for x := range sx {
				wantX, wantY := by(float64(x), float64(y))
				gotX, gotY := m.At(float64(x), float64(y))
				where := fmt.Sprintf("order %d at (%d, %d)", order, x, y)
				within(t, where, gotX, wantX, 1e-9)
				within(t, where, gotY, wantY, 1e-9)
				within(t, where+", by row", sx[x], wantX, 1e-9)
				within(t, where+", by row", sy[x], wantY, 1e-9)
			}
		}
		if len(m.Rejected) > 0 || m.Marks != len(marks) {
			t.Errorf("order %d: %d of %d marks used", order, m.Marks, len(marks))
		}
	}
}

// TestModelUncertaintyIsHonest draws the marks' noise many times and looks at
// some places, each by itself.
func TestModelUncertaintyIsHonest(t *testing.T) {
	const runs, sigma = 150, 0.05
	rng := rand.New(rand.NewPCG(3, 3))
	marks := grid(10, 7, 40)
	places := [][2]float64{{30, 30}, {200, 150}, {390, 30}, {100, 260}, {300, 170}}
	square := make([]float64, len(places))
	chi, rms := 0.0, 0.0
	for range runs {
		m := mustFit(t, marks, displaced(rng, marks, bend, sigma), FitOptions{Order: 3, RejectSigma: 6})
		for k, p := range places {
			x, y := m.At(p[0], p[1])
			wantX, wantY := bend(p[0], p[1])
			ux, uy := m.Uncertainty(p[0], p[1])
			square[k] += ((x-wantX)*(x-wantX)/(ux*ux) + (y-wantY)*(y-wantY)/(uy*uy)) / (2 * runs)
		}
		chi += m.ChiSquare / runs
		rms += m.RMS * m.RMS / runs
	}
	for k, s := range square {
		// Uncertainty is scaled up where chi-square is above 1 by chance: by
		// 0.8 of its spread of sqrt(2/120)/2 on average, 5 %.
		within(t, fmt.Sprint("mean square pull at ", places[k]), s, 1-0.05, sigmas*math.Sqrt(1.0/runs)+0.05)
	}
	dof := 2.0 * float64(len(marks)-10) // ten coefficients an axis
	within(t, "chi-square", chi, 1, sigmas*math.Sqrt(2/dof/runs))
	within(t, "residual rms squared", rms, sigma*sigma*dof/float64(2*len(marks)), sigma*sigma*sigmas*math.Sqrt(2/dof/runs))
}

// TestPredictedLeavesEachMarkOut fits once more without each mark.
func TestPredictedLeavesEachMarkOut(t *testing.T) {
	marks := grid(6, 5, 60)
	found := displaced(rand.New(rand.NewPCG(5, 3)), marks, bend, 0.1)
	opt := FitOptions{Order: 3, RejectSigma: 50}
	all := mustFit(t, marks, found, opt)
	sum := 0.0
	for i, f := range found {
		without := append(append([]Found(nil), found[:i]...), found[i+1:]...)
		x, y := mustFit(t, marks, without, opt).At(marks[i].TrueX, marks[i].TrueY)
		sum += (f.X-x)*(f.X-x) + (f.Y-y)*(f.Y-y)
	}
	want := math.Sqrt(sum / float64(2*len(found)))
	within(t, "prediction", all.Predicted, want, 1e-6*want)
	if all.Predicted <= all.RMS {
		t.Errorf("prediction, %.3f px, is better than the fit, %.3f px", all.Predicted, all.RMS)
	}
}

func TestOutliersAreLeftOut(t *testing.T) {
	rng := rand.New(rand.NewPCG(7, 3))
	marks := grid(10, 7, 40)
	found := displaced(rng, marks, bend, 0.02)
	for _, i := range []int{3, 33, 62} {
		found[i].X += 1.5
		found[i].Y -= 0.7
	}
	m := mustFit(t, marks, found, FitOptions{Order: 3})
	gone := map[int]bool{}
	for _, r := range m.Rejected {
		gone[r.Index] = true
		within(t, fmt.Sprint("residual of mark ", r.Index), r.DX, 1.5, 0.6)
	}
	if len(gone) != 3 || !gone[3] || !gone[33] || !gone[62] || m.Marks != 67 {
		t.Errorf("left out are %v", m.Rejected)
	}
	for _, p := range [][2]float64{{30, 30}, {200, 150}, {390, 260}} {
		x, y := m.At(p[0], p[1])
		wantX, wantY := bend(p[0], p[1])
		ux, uy := m.Uncertainty(p[0], p[1])
		within(t, fmt.Sprint("column at ", p), x, wantX, sigmas*ux)
		within(t, fmt.Sprint("row at ", p), y, wantY, sigmas*uy)
	}
}

// TestTooLowAnOrderShows fits a bent field with a plane: the marks stay, the
// residuals tell.
func TestTooLowAnOrderShows(t *testing.T) {
	marks := grid(10, 7, 40)
	found := displaced(rand.New(rand.NewPCG(2, 3)), marks, bend, 0.02)
	m := mustFit(t, marks, found, FitOptions{Order: 1})
	if m.ChiSquare < 100 || m.Marks < 60 {
		t.Errorf("chi-square %.1f from %d marks", m.ChiSquare, m.Marks)
	}
	ux, _ := m.Uncertainty(200, 150)
	good := mustFit(t, marks, found, FitOptions{Order: 3})
	if gx, _ := good.Uncertainty(200, 150); ux < 5*gx {
		t.Errorf("a wrong model claims %.4f px, the right one %.4f", ux, gx)
	}
	// Uncertain true places account for residuals of their size.
	if loose := mustFit(t, marks, found, FitOptions{Order: 1, PlacePx: 1}); loose.ChiSquare > m.ChiSquare/100 {
		t.Errorf("chi-square is %.2f with places uncertain by 1 px", loose.ChiSquare)
	}
}

// TestFromFrameToModel goes all the way: marks of a distorted frame in noise
// on textured ground are found and fitted, and the model is right all over the
// field.
func TestFromFrameToModel(t *testing.T) {
	rng := rand.New(rand.NewPCG(11, 3))
	marks := grid(10, 7, 40)
	var places [][2]float64
	for _, m := range marks {
		x, y := bend(m.TrueX, m.TrueY)
		places = append(places, [2]float64{x, y})
	}
	places[17] = [2]float64{-50, -50} // one has come off
	g := target{width: 440, height: 320, level: 2000, noise: 20, texture: 0.02, contrast: 0.5, stamp: dotStamp(1.5)}
	s := mustFind(t, g.draw(rng, places), marks, Options{Shape: dot, SearchPx: 14})
	if len(s.Lost) != 1 || s.Lost[0].Index != 17 {
		t.Errorf("lost are %v", s.Lost)
	}
	m := mustFit(t, marks, s.Found, FitOptions{Order: 3})
	worst, square, n := 0.0, 0.0, 0.0
	for y := m.TrueY[0]; y <= m.TrueY[1]; y += 10 {
		for x := m.TrueX[0]; x <= m.TrueX[1]; x += 10 {
			gotX, gotY := m.At(x, y)
			wantX, wantY := bend(x, y)
			ux, uy := m.Uncertainty(x, y)
			px, py := (gotX-wantX)/ux, (gotY-wantY)/uy
			worst = max(worst, math.Hypot(gotX-wantX, gotY-wantY))
			square += px*px + py*py
			n += 2
		}
	}
	t.Logf("residual rms %.4f px, predicted %.4f px, chi-square %.2f, worst error in the field %.4f px, mean square pull %.2f", m.RMS, m.Predicted, m.ChiSquare, worst, square/n)
	// The field has 20 independent errors, as many as coefficients.
	if bound := 1 + sigmas*math.Sqrt(2.0/20); square/n > bound {
		t.Errorf("mean square pull over the field is %.2f, want at most %.2f", square/n, bound)
	}
	if worst > 0.05 {
		t.Errorf("the model is wrong by %.3f px somewhere", worst)
	}
}

func TestRowDoesNotAllocate(t *testing.T) {
	marks := grid(9, 7, 40)
	m := mustFit(t, marks, displaced(rand.New(rand.NewPCG(1, 1)), marks, bend, 0.01), FitOptions{Order: 5})
	sx, sy := make([]float64, 100), make([]float64, 100)
	if n := testing.AllocsPerRun(10, func() { m.Row(3, sx, sy) }); n != 0 {
		t.Errorf("%g allocations", n)
	}
}

func TestFitRefuses(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 1))
	full := grid(8, 6, 40)
	line := grid(30, 1, 12)
	twoRows := grid(20, 2, 20)
	threeColumns := grid(3, 20, 20)
	measured := func(m []Mark) []Found { return displaced(rng, m, bend, 0.01) }
	wild := measured(full)
	for i := 0; i < len(wild); i += 3 {
		wild[i].X += 20*float64(i%2) - 10
	}
	certain := measured(full)
	certain[5].SigmaX = 0
	for _, c := range []struct {
		name  string
		marks []Mark
		found []Found
		opt   FitOptions
		says  string
	}{
		{"order 0", full, measured(full), FitOptions{}, "order of the polynomial is 0; give 1 to 5"},
		{"order 6", full, measured(full), FitOptions{Order: 6}, "order of the polynomial is 6"},
		{"too few marks", full, measured(full)[:16], FitOptions{Order: 5}, "16 marks for a polynomial of order 5, which needs 23; find more marks, or use order 3"},
		{"hardly any marks", full, measured(full)[:4], FitOptions{Order: 1}, "needs 5; find more marks"},
		{"no marks", full, nil, FitOptions{Order: 1}, "0 marks for"},
		{"one line", line, measured(line), FitOptions{Order: 1}, "lie on a line"},
		{"two rows and order 2", twoRows, measured(twoRows), FitOptions{Order: 2}, "too few rows or columns, for order 2"},
		{"three columns and order 3", threeColumns, measured(threeColumns), FitOptions{Order: 3}, "for order 3; use a lower order"},
		{"a mark of another list", full[:3], measured(full), FitOptions{Order: 1}, "found mark 3 is not in the list of 3"},
		{"no uncertainty", full, certain, FitOptions{Order: 2}, "mark a6 has the uncertainties 0 and 0.01"},
		{"a third of them elsewhere", full, wild, FitOptions{Order: 3}, "more than a quarter of the 48 marks do not fit"},
		{"a low limit", full, measured(full), FitOptions{Order: 2, RejectSigma: 1}, "2.5 sigma or more"},
	} {
		if _, err := Fit(c.marks, c.found, c.opt); err == nil || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%s: %v, want a word of %q", c.name, err, c.says)
		}
	}
	var few *TooFewMarksError
	if _, err := Fit(full, measured(full)[:16], FitOptions{Order: 5}); !errors.As(err, &few) || few.Marks != 16 || few.Needed != 23 {
		t.Errorf("too few marks: %+v", few)
	}
	if _, err := Fit(line, measured(line), FitOptions{Order: 1}); !errors.Is(err, ErrDegenerate) {
		t.Errorf("one line: %v is not ErrDegenerate", err)
	}
}
