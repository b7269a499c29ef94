package measure

import (
	"errors"
	"fmt"
	"math"
	"slices"

	"evenlight/calib"
)

// Laws of the dark current, as [calib.DarkLaw] names them.
const (
	Doubling   = "doubling"
	Activation = "activation"
)

// DarkPoint is the dark current at one temperature.
type DarkPoint struct {
	TempK float64
	TempU float64 // standard uncertainty of TempK, of this reading alone
	Rate  Figure  // e-/s, or DN/s
}

// DarkFit is a law of the dark current d(T) = Rate h(T).
type DarkFit struct {
	Law        calib.DarkLaw // h(T), with the relative uncertainty of its parameter
	Rate       Figure        // at Law.ReferenceK, in the unit of the points
	Parameter  Figure        // activation energy, eV, or doubling interval, K
	Covariance [2][2]float64 // of Rate and Parameter
	ChiSquare  float64       // reduced; 0 without freedom
	Freedom    int
	Widened    bool     // ChiSquare is beyond chance (0.1 %) and the covariance is multiplied by it
	Residuals  []Figure // rate minus law for each point; U is the point's
}

// darkAxis returns the variable x in which the logarithm of a law is a
// straight line, ln d = ln Rate + b x, and dx/dT: the exponent of the law of
// 1 eV, with b the energy, or of 1 K, with b = 1/interval.
func darkAxis(kind string, tempK, referenceK float64) (x, slope float64) {
	unit := calib.DarkLaw{Kind: kind, ReferenceK: referenceK, IntervalK: 1, EnergyEV: 1}
	slope = math.Ln2
	if kind == Activation {
		slope = 1 / (calib.BoltzmannEV * tempK * tempK)
	}
	return unit.Exponent(tempK), slope
}

// FitDark fits a law to dark currents by weighted least squares of the rates
// themselves (Gauss and Newton, from the line through their logarithms).
// Fitting the logarithms would be biased by -u^2/(2 d^2) and could not use
// rates that noise made negative. The uncertainty of a temperature counts as
// one of the rate, d ln h/dT times as large.
func FitDark(points []DarkPoint, kind string, referenceK float64) (*DarkFit, error) {
	if kind != Doubling && kind != Activation {
		return nil, fmt.Errorf("dark current: no law %q, only %s and %s", kind, Doubling, Activation)
	}
	if !(referenceK > 0) {
		return nil, fmt.Errorf("dark current: reference temperature %g K is not above 0", referenceK)
	}
	for i, p := range points {
		if !(p.TempK > 0) || !p.Rate.usable() {
			return nil, fmt.Errorf("dark current: point %d (%g K, rate %g with uncertainty %g) is not usable: leave it out", i+1, p.TempK, p.Rate.Value, p.Rate.U)
		}
	}
	level, b, err := darkStart(points, kind, referenceK)
	if err != nil {
		return nil, err
	}
	return darkIterate(points, kind, referenceK, level, b)
}

// clearSigmas is the number of sigmas above zero from which the logarithm of
// a rate may start the fit.
const clearSigmas = 2

// darkStart fits a line to the logarithms of the clearly positive rates.
func darkStart(points []DarkPoint, kind string, referenceK float64) (level, b float64, err error) {
	var design [][]float64
	var y, w []float64
	for _, p := range points {
		if p.Rate.Value > clearSigmas*p.Rate.U {
			x, _ := darkAxis(kind, p.TempK, referenceK)
			design = append(design, []float64{1, x})
			y = append(y, math.Log(p.Rate.Value))
			w = append(w, p.Rate.Value*p.Rate.Value/(p.Rate.U*p.Rate.U))
		}
	}
	if len(y) < 2 {
		return 0, 0, fmt.Errorf("dark current: %d of %d rates are clearly above zero and 2 are needed: take darks that are longer or warmer", len(y), len(points))
	}
	fit, err := calib.LeastSquares(design, y, w)
	if err != nil {
		return 0, 0, fmt.Errorf("dark current: %w: the temperatures must differ", err)
	}
	return fit.Coef[0], fit.Coef[1], nil
}

// darkIterate improves ln Rate and b until they stand still.
func darkIterate(points []DarkPoint, kind string, referenceK, level, b float64) (*DarkFit, error) {
	n := len(points)
	design, y, w := make([][]float64, n), make([]float64, n), make([]float64, n)
	for range 100 {
		for i, p := range points {
			x, slope := darkAxis(kind, p.TempK, referenceK)
			d := math.Exp(level + b*x)
			design[i], y[i] = []float64{d, d * x}, p.Rate.Value-d
			u := math.Hypot(p.Rate.U, d*b*slope*p.TempU)
			w[i] = 1 / (u * u)
		}
		fit, err := calib.LeastSquares(design, y, w)
		if err != nil {
			return nil, fmt.Errorf("dark current: %w: the temperatures must differ", err)
		}
		// A step of more than a factor e a time would leave the region where
		// the linear model is good.
		step := min(1, 1/math.Abs(fit.Coef[0]))
		level += step * fit.Coef[0]
		b += step * fit.Coef[1]
		if math.Abs(fit.Coef[0]) < 1e-10 && math.Abs(fit.Coef[1]) < 1e-10*math.Abs(b) {
			return darkResult(points, kind, referenceK, level, b, fit)
		}
	}
	return nil, errors.New("dark current: the fit does not settle: the rates do not follow a law of temperature")
}

// darkResult turns ln Rate and b into rate and parameter.
func darkResult(points []DarkPoint, kind string, referenceK, level, b float64, fit *calib.Fit) (*DarkFit, error) {
	if !(b > 0) {
		return nil, errors.New("dark current: it does not grow with the temperature: take darks over a wider range, or set the law to constant")
	}
	out := &DarkFit{Law: calib.DarkLaw{Kind: kind, ReferenceK: referenceK}, Freedom: len(points) - 2}
	out.ChiSquare = fit.ResidualSD * fit.ResidualSD
	widen := misfit(out.ChiSquare, out.Freedom)
	out.Widened = widen > 1
	cov := times(fit.Cofactor, widen)
	rate := math.Exp(level)
	out.Rate = Figure{rate, rate * through(cov, 1)}
	byB := 1.0
	out.Parameter.Value = b
	if kind == Doubling {
		out.Parameter.Value, byB = 1/b, -1/(b*b)
	}
	out.Parameter.U = through(cov, 0, byB)
	both := between(cov, []float64{rate, 0}, []float64{0, byB})
	out.Covariance = [2][2]float64{{out.Rate.U * out.Rate.U, both}, {both, out.Parameter.U * out.Parameter.U}}
	out.Law.RelUncert = out.Parameter.U / out.Parameter.Value
	if kind == Doubling {
		out.Law.IntervalK = out.Parameter.Value
	} else {
		out.Law.EnergyEV = out.Parameter.Value
	}
	for _, p := range points {
		out.Residuals = append(out.Residuals, Figure{p.Rate.Value - rate*out.Law.At(p.TempK), p.Rate.U})
	}
	return out, nil
}

// At returns the dark current at a temperature, in the unit of the points.
func (f *DarkFit) At(tempK float64) Figure {
	h := f.Law.At(tempK)
	x, _ := darkAxis(f.Law.Kind, tempK, f.Law.ReferenceK)
	d := f.Rate.Value * h
	byParameter := d * x
	if f.Law.Kind == Doubling {
		byParameter *= -1 / (f.Parameter.Value * f.Parameter.Value)
	}
	c := f.Covariance
	v := h*h*c[0][0] + 2*h*byParameter*c[0][1] + byParameter*byParameter*c[1][1]
	return Figure{d, math.Sqrt(max(v, 0))}
}

// DoublingK returns the rise of temperature over which the dark current
// doubles near a temperature, K: ln 2 / (d ln h/dT), which for an activation
// energy is ln 2 k T^2 / E.
func (f *DarkFit) DoublingK(tempK float64) Figure {
	if f.Law.Kind == Doubling {
		return f.Parameter
	}
	k := math.Ln2 * calib.BoltzmannEV * tempK * tempK
	return Figure{k, 0}.over(f.Parameter)
}

// DarkComparison tells which law describes dark currents better.
type DarkComparison struct {
	Doubling, Activation *DarkFit
	Better               string  // kind of the law with the smaller sum of squares
	Difference           float64 // of the sums of squares in sigmas, worse minus better
	// Separation is the Difference that points without noise on the better
	// law would show.
	Separation float64
	Decided    bool // both are 9, three sigmas, or more
	TooNarrow  bool // Separation is below 9: no such set of points can tell the laws apart
}

// toTell is the difference of two sums of squares that counts as decided:
// three sigmas for one parameter's worth.
const toTell = 9

// CompareDark fits both laws. Over a narrow range of temperatures they are the
// same: the logarithm of an activation law is bent against that of a doubling
// law by E dT^2 / (k T^3) at dT from the middle. So the answer says, too,
// whether temperatures and uncertainties could have told the laws apart.
func CompareDark(points []DarkPoint, referenceK float64) (*DarkComparison, error) {
	var c DarkComparison
	var err error
	if c.Doubling, err = FitDark(points, Doubling, referenceK); err != nil {
		return nil, err
	}
	if c.Activation, err = FitDark(points, Activation, referenceK); err != nil {
		return nil, err
	}
	better, worse := c.Doubling, c.Activation
	if c.Activation.sum() < c.Doubling.sum() {
		better, worse = worse, better
	}
	c.Better, c.Difference = better.Law.Kind, worse.sum()-better.sum()
	clean := slices.Clone(points)
	for i := range clean {
		clean[i].Rate.Value = better.At(clean[i].TempK).Value
	}
	other, err := FitDark(clean, worse.Law.Kind, referenceK)
	if err != nil {
		return nil, err
	}
	c.Separation = other.sum()
	c.TooNarrow = c.Separation < toTell
	c.Decided = !c.TooNarrow && c.Difference >= toTell
	return &c, nil
}

// sum is the sum of squared residuals in sigmas.
func (f *DarkFit) sum() float64 { return f.ChiSquare * float64(f.Freedom) }
