package measure

import (
	"fmt"
	"math"

	"evenlight/calib"
)

// Exposed is the mean signal of one step of an exposure series.
type Exposed struct {
	ExposureS float64
	Mean      Figure // DN above dark
}

// Linearity is what an exposure series tells of the linearity.
type Linearity struct {
	Error Figure // EMVA 1288 LE, per cent
	// NoiseShare is the LE that a linear sensor would show for the noise of
	// the means alone, per cent: where it is not small beside Error, Error is
	// an upper limit.
	NoiseShare float64
	OffsetDN   Figure   // a0
	RateDNPerS Figure   // a1
	Levels     []int    // indices of the levels fitted
	Deviation  []Figure // delta_y of those levels, per cent
	ChiSquare  float64  // reduced, of a line weighted by the uncertainties; beyond 1 the response is bent
	Freedom    int
}

// EMVA 1288 fits the line between these shares of the saturation level.
const (
	linearFrom = 0.05
	linearTo   = 0.95
)

// LinearityError is EMVA 1288's LE: the line a0 + a1 t is fitted to the means
// y between 5 and 95 % of saturation by least squares of relative deviations
// (weights 1/y^2), and with
//
//	delta_i = 100 (y_i - a0 - a1 t_i) / (a1 t_i)
//
// LE is the mean of |delta_i| over these levels. Uncertainties follow from
// those of the means. That the absolute value turns noise into error is told
// by NoiseShare and not taken off.
func LinearityError(levels []Exposed, saturationDN float64) (*Linearity, error) {
	out := &Linearity{}
	var design [][]float64
	var y, w, exact []float64
	for i, l := range levels {
		if v := l.Mean.Value; v >= linearFrom*saturationDN && v <= linearTo*saturationDN && l.Mean.usable() && l.ExposureS > 0 {
			out.Levels = append(out.Levels, i)
			design = append(design, []float64{1, l.ExposureS})
			y, w = append(y, v), append(w, 1/(v*v))
			exact = append(exact, 1/(l.Mean.U*l.Mean.U))
		}
	}
	if len(y) < 3 {
		return nil, fmt.Errorf("linearity error: needs at least 3 levels between 5 and 95 %% of saturation (%.6g DN) and has %d of %d: take more exposure times in between", saturationDN, len(y), len(levels))
	}
	fit, err := calib.LeastSquares(design, y, w)
	if err != nil {
		return nil, fmt.Errorf("linearity error: %w: the exposure times must differ", err)
	}
	best, err := calib.LeastSquares(design, y, exact)
	if err != nil {
		return nil, fmt.Errorf("linearity error: %w", err)
	}
	out.Freedom, out.ChiSquare = len(y)-2, best.ResidualSD*best.ResidualSD
	out.fill(levels, design, w, fit)
	return out, nil
}

// fill derives everything from the fit. A coefficient is a sum over the means,
// a_j = sum_k G_jk y_k with G = (X^T W X)^-1 X^T W, and so is a residual.
func (l *Linearity) fill(levels []Exposed, design [][]float64, w []float64, fit *calib.Fit) {
	n := len(design)
	variance := make([]float64, n)
	pull := [2][]float64{make([]float64, n), make([]float64, n)}
	for k, i := range l.Levels {
		variance[k] = levels[i].Mean.U * levels[i].Mean.U
		for j := range pull {
			pull[j][k] = w[k] * (fit.Cofactor[j][0] + fit.Cofactor[j][1]*design[k][1])
		}
	}
	l.OffsetDN = Figure{fit.Coef[0], spread(pull[0], variance)}
	l.RateDNPerS = Figure{fit.Coef[1], spread(pull[1], variance)}

	whole := make([]float64, n) // of LE, by each mean
	one := make([]float64, n)   // of one deviation, by each mean
	for i := range n {
		t := design[i][1]
		percent := 100 / (fit.Coef[1] * t)
		for k := range n {
			// The last term is that of a1 in the denominator.
			one[k] = percent * (-pull[0][k] - pull[1][k]*t - fit.Residuals[i]*pull[1][k]/fit.Coef[1])
		}
		one[i] += percent
		d := Figure{percent * fit.Residuals[i], spread(one, variance)}
		l.Deviation = append(l.Deviation, d)
		l.Error.Value += math.Abs(d.Value) / float64(n)
		l.NoiseShare += d.U * math.Sqrt(2/math.Pi) / float64(n) // mean of a normal |z|
		for k := range n {
			whole[k] += math.Copysign(one[k], one[k]*d.Value) / float64(n)
		}
	}
	l.Error.U = spread(whole, variance)
}

// spread is the standard uncertainty of a sum of independent terms.
func spread(factor, variance []float64) float64 {
	sum := 0.0
	for k, f := range factor {
		sum += f * f * variance[k]
	}
	return math.Sqrt(sum)
}
