package calib

import (
	"fmt"
	"math"
)

// Rung is one level of an exposure ladder for one amplifier: the mean over
// its good pixels, the same at every level.
type Rung struct {
	ExposureS float64
	MeanDN    float64 // above offset and bias
	Variance  float64 // of MeanDN, DN^2
}

// LadderFit is the linearity of one amplifier.
type LadderFit struct {
	Curve      Polynomial
	Covariance [][]float64 // of the coefficients of Curve
	RateDNPerS float64     // signal of the lamp on the linear scale
	MaxDN      float64     // highest measured level
	ResidualDN []float64   // lin(mean) - rate t for each rung
	ChiSquare  float64     // reduced
}

// FitLadder finds lin(v) = v + c2 v^2 + ... up to the given order from levels
// lit by a steady lamp: lin(v_i) = rate t_i. It is linear in the unknowns
// (rate, c2, ...): v_i = rate t_i - c2 v_i^2 - ...; the noise of v on the
// right-hand side is negligible for means over many pixels. Levels are scaled
// to the highest before the fit.
//
// The covariance is that of the given variances, or, where the residuals are
// larger than those allow, of the residuals.
func FitLadder(rungs []Rung, order int) (*LadderFit, error) {
	if order < 2 || len(rungs) < order+1 {
		return nil, fmt.Errorf("an exposure ladder needs at least %d levels below saturation for order %d, and has %d: add levels or lower linearity.order", order+1, order, len(rungs))
	}
	top := 0.0
	for _, r := range rungs {
		top = max(top, r.MeanDN)
	}
	design := make([][]float64, len(rungs))
	y, w := make([]float64, len(rungs)), make([]float64, len(rungs))
	for i, r := range rungs {
		u := r.MeanDN / top
		row := []float64{r.ExposureS}
		for p := 2; p <= order; p++ {
			row = append(row, -math.Pow(u, float64(p)))
		}
		design[i], y[i], w[i] = row, u, top*top/r.Variance
	}
	fit, err := LeastSquares(design, y, w)
	if err != nil {
		return nil, fmt.Errorf("exposure ladder: %w: the exposure times must differ", err)
	}
	return ladderResult(rungs, fit, order, top), nil
}

// ladderResult undoes the scaling of the levels.
func ladderResult(rungs []Rung, fit *Fit, order int, top float64) *LadderFit {
	out := &LadderFit{RateDNPerS: fit.Coef[0] * top, MaxDN: top, ChiSquare: fit.ResidualSD * fit.ResidualSD}
	// LeastSquares scales the covariance by the residuals; with variances
	// given, the smaller of the two scales would claim too much.
	widen := 1.0
	if len(rungs) > order && out.ChiSquare > 0 && out.ChiSquare < 1 {
		widen = 1 / out.ChiSquare
	}
	for p := 2; p <= order; p++ {
		out.Curve = append(out.Curve, fit.Coef[p-1]*math.Pow(top, float64(1-p)))
	}
	out.Covariance = make([][]float64, order-1)
	for i := range out.Covariance {
		out.Covariance[i] = make([]float64, order-1)
		for j := range out.Covariance[i] {
			out.Covariance[i][j] = widen * fit.Covariance[i+1][j+1] * math.Pow(top, float64(-1-i)) * math.Pow(top, float64(-1-j))
		}
	}
	for _, r := range rungs {
		out.ResidualDN = append(out.ResidualDN, out.Curve.At(r.MeanDN)-out.RateDNPerS*r.ExposureS)
	}
	return out
}

// RelativeUncertainty returns the standard uncertainty of lin(v)/v from the
// covariance of the coefficients, at level v in DN above offset.
func (f *LadderFit) RelativeUncertainty(v float64) float64 {
	sum := 0.0
	for i := range f.Covariance {
		for j := range f.Covariance[i] {
			sum += math.Pow(v, float64(i+1)) * math.Pow(v, float64(j+1)) * f.Covariance[i][j]
		}
	}
	return math.Sqrt(max(sum, 0))
}
