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
// (rate, c2, ...): v_i = rate t_i - c2 v_i^2 - .... An error of v stands on
// both sides and counts lin'(v) times, so a second fit has the weights
// 1/(lin'(v)^2 Var(v)); what is left is negligible for means over many pixels.
// Levels are scaled to the highest before the fit.
//
// The covariance is that of the given variances, or, where the residuals are
// larger than those allow, of the residuals.
func FitLadder(rungs []Rung, order int) (*LadderFit, error) {
	if order < 2 || len(rungs) < order+1 {
		return nil, fmt.Errorf("an exposure ladder needs at least %d levels below saturation for order %d, and has %d: add levels or lower linearity.order", order+1, order, len(rungs))
	}
	top := 0.0
	times := map[float64]bool{}
	for _, r := range rungs {
		top = max(top, r.MeanDN)
		times[r.ExposureS] = true
	}
	if len(times) < order {
		return nil, fmt.Errorf("an exposure ladder needs at least %d different exposure times for order %d, and has %d: the exposure times must differ", order, order, len(times))
	}
	var curve Polynomial
	for range 2 {
		fit, err := fitLevels(rungs, order, top, curve)
		if err != nil {
			return nil, err
		}
		curve = fit.Curve
	}
	return fitLevels(rungs, order, top, curve)
}

// leastSlope keeps the weight of a level bounded where the curve turns over.
const leastSlope = 0.1

// fitLevels fits once, with the weights for the slope of the given curve.
func fitLevels(rungs []Rung, order int, top float64, curve Polynomial) (*LadderFit, error) {
	design := make([][]float64, len(rungs))
	y, w := make([]float64, len(rungs)), make([]float64, len(rungs))
	for i, r := range rungs {
		u := r.MeanDN / top
		slope := max(curve.Slope(r.MeanDN), leastSlope)
		row := []float64{r.ExposureS}
		for p := 2; p <= order; p++ {
			row = append(row, -math.Pow(u, float64(p)))
		}
		design[i], y[i], w[i] = row, u, 1/(slope*slope*r.Variance/(top*top))
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
	widen := max(1, out.ChiSquare)
	for p := 2; p <= order; p++ {
		out.Curve = append(out.Curve, fit.Coef[p-1]*math.Pow(top, float64(1-p)))
	}
	out.Covariance = make([][]float64, order-1)
	for i := range out.Covariance {
		out.Covariance[i] = make([]float64, order-1)
		for j := range out.Covariance[i] {
			out.Covariance[i][j] = widen * fit.Cofactor[i+1][j+1] * math.Pow(top, float64(-1-i)) * math.Pow(top, float64(-1-j))
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
