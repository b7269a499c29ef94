package measure

import (
	"fmt"
	"math"

	"evenlight/calib"
	"gonum.org/v1/gonum/stat/distuv"
)

// Timed is a level at a time, such as the mean of a flat.
type Timed struct {
	TimeS float64 // or the place in the series, where times are unknown
	Mean  Figure
}

// Drift tells whether a series of equal exposures is steady.
type Drift struct {
	Trend     Figure  // relative to the mean level, per unit of time
	Scatter   float64 // standard deviation about the trend beyond noise, relative; 0 where noise explains all
	ChiSquare float64 // reduced, about the trend
	Freedom   int
	Trending  bool // the trend is beyond chance
	Scattered bool // the scatter is beyond chance
}

// TestDrift fits a straight line to a series that should be constant. A
// steady lamp is called trending or scattered with the probability alarm,
// half of it for each. Where the series scatters beyond noise, the trend's
// uncertainty is that of the scatter and its limit Student's.
func TestDrift(series []Timed, alarm float64) (Drift, error) {
	if len(series) < 3 {
		return Drift{}, fmt.Errorf("drift: %d frames are too few to tell a trend from noise: take 3 or more", len(series))
	}
	var at, weight float64
	for i, s := range series {
		if !s.Mean.usable() || math.IsNaN(s.TimeS) {
			return Drift{}, fmt.Errorf("drift: frame %d of the series has no usable level or time: leave it out", i+1)
		}
		w := 1 / (s.Mean.U * s.Mean.U)
		at, weight = at+w*s.TimeS, weight+w
	}
	at /= weight // level and slope are then independent
	design, y, w := make([][]float64, len(series)), make([]float64, len(series)), make([]float64, len(series))
	for i, s := range series {
		design[i], y[i], w[i] = []float64{1, s.TimeS - at}, s.Mean.Value, 1/(s.Mean.U*s.Mean.U)
	}
	fit, err := calib.LeastSquares(design, y, w)
	if err != nil {
		return Drift{}, fmt.Errorf("drift: %w: the times must differ", err)
	}
	n := float64(len(series))
	d := Drift{ChiSquare: fit.ResidualSD * fit.ResidualSD, Freedom: len(series) - 2}
	level := fit.Coef[0]
	if d.ChiSquare > 1 {
		d.Scatter = math.Sqrt((d.ChiSquare-1)*n/weight) / math.Abs(level)
	}
	limit := normalLimit(alarm / 4)
	widen := 1.0
	if d.ChiSquare > chiSquareLimit(d.Freedom, alarm/2) {
		d.Scattered = true
		widen = d.ChiSquare
		limit = distuv.StudentsT{Sigma: 1, Nu: float64(d.Freedom)}.Quantile(1 - alarm/4)
	}
	slope := Figure{fit.Coef[1], math.Sqrt(widen * fit.Cofactor[1][1])}
	d.Trending = math.Abs(slope.Value) > limit*slope.U
	d.Trend = slope.scaled(1 / level)
	return d, nil
}
