package measure

import (
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

// Figure is a measured value and its standard uncertainty.
type Figure struct{ Value, U float64 }

// Times returns the product of two independent figures,
// u^2(fg) = g^2 u^2(f) + f^2 u^2(g) (JCGM 100:2008, 5.1.2).
func (f Figure) Times(g Figure) Figure {
	return Figure{f.Value * g.Value, math.Hypot(g.Value*f.U, f.Value*g.U)}
}

// over returns the ratio of two independent figures.
func (f Figure) over(g Figure) Figure {
	q := f.Value / g.Value
	return Figure{q, math.Hypot(f.U, q*g.U) / math.Abs(g.Value)}
}

// minus returns the difference of two independent figures.
func (f Figure) minus(g Figure) Figure {
	return Figure{f.Value - g.Value, math.Hypot(f.U, g.U)}
}

// scaled returns k f for an exact k.
func (f Figure) scaled(k float64) Figure { return Figure{k * f.Value, math.Abs(k) * f.U} }

// root returns s = sqrt(f) for a variance f that noise may have made
// negative; s is then 0. To first order u(s) = u(f) / (2 s), which has no
// meaning near zero: there u(s) is at most sqrt(u(f)), the s that one standard
// uncertainty of f amounts to.
func (f Figure) root() Figure {
	s := math.Sqrt(max(f.Value, 0))
	u := math.Sqrt(f.U)
	if 2*s > u {
		u = f.U / (2 * s)
	}
	return Figure{s, u}
}

// usable tells whether value and uncertainty are finite and the uncertainty
// is above zero, so that it can weigh an observation.
func (f Figure) usable() bool {
	return !math.IsNaN(f.Value) && !math.IsInf(f.Value, 0) && f.U > 0 && !math.IsInf(f.U, 0)
}

// beyondChance is the probability with which a reduced chi-square exceeds the
// limit of misfit although the uncertainties are right.
const beyondChance = 0.001

// misfit returns by what a covariance has to be multiplied because the model
// does not describe the data within their uncertainties: the reduced
// chi-square where it exceeds its 99.9 % quantile, else 1. A limit at 1 would
// widen half of all good fits and make their intervals too wide.
func misfit(reduced float64, freedom int) float64 {
	if freedom > 0 && reduced > chiSquareLimit(freedom, beyondChance) {
		return reduced
	}
	return 1
}

// chiSquareLimit is the reduced chi-square that is exceeded with probability
// alarm.
func chiSquareLimit(freedom int, alarm float64) float64 {
	return distuv.ChiSquared{K: float64(freedom)}.Quantile(1-alarm) / float64(freedom)
}

// normalLimit is the number of sigmas that a normal deviate exceeds, upwards,
// with probability alarm.
func normalLimit(alarm float64) float64 { return distuv.UnitNormal.Quantile(1 - alarm) }

// times returns m with all elements multiplied by k.
func times(m [][]float64, k float64) [][]float64 {
	out := make([][]float64, len(m))
	for i, row := range m {
		out[i] = make([]float64, len(row))
		for j, v := range row {
			out[i][j] = k * v
		}
	}
	return out
}

// through returns sqrt(g^T C g), the standard uncertainty of a quantity with
// the gradient g (JCGM 100:2008, 5.2.2).
func through(c [][]float64, gradient ...float64) float64 {
	return math.Sqrt(max(between(c, gradient, gradient), 0))
}

// between returns g^T C h, the covariance of two quantities.
func between(c [][]float64, g, h []float64) float64 {
	sum := 0.0
	for i, a := range g {
		for j, b := range h {
			sum += a * b * c[i][j]
		}
	}
	return sum
}
