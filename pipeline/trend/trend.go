package trend

import (
	"errors"
	"fmt"
	"math"
	"time"

	"evenlight/configs"
)

// Kind is a kind of control chart.
type Kind string

// Kinds of control charts.
const (
	Individuals Kind = configs.ChartIndividuals
	EWMA        Kind = configs.ChartEWMA
)

// Errors for which there is no verdict. Those that functions return wrap them.
var (
	// ErrTooFew: the baseline has fewer values than are needed.
	ErrTooFew = errors.New("too few values for a baseline")
	// ErrNoSpread: the values of the baseline are all alike, so that nothing
	// tells how much a value may differ.
	ErrNoSpread = errors.New("the values of the baseline do not differ")
	// ErrNotFinite: a value of the baseline is infinite, or too large to be
	// summed.
	ErrNotFinite = errors.New("a value of the baseline is not finite")
)

// Sample is one value of the number that is followed.
type Sample struct {
	Time  time.Time
	Name  string // of what it was measured on, such as a file
	Value float64
}

// Settings says how a chart is made.
type Settings struct {
	Kind     Kind
	Baseline int     // values that set the limits; at least 2
	Sigmas   float64 // half width of the limits, in standard deviations; above 0
	Lambda   float64 // of EWMA: weight of the newest value; above 0, at most 1
}

func (s Settings) check() error {
	switch {
	case s.Kind != Individuals && s.Kind != EWMA:
		return fmt.Errorf("%q is no control chart: choose %s or %s", s.Kind, Individuals, EWMA)
	case s.Baseline < 2:
		return fmt.Errorf("a baseline of %d values has no spread: use at least 2, better 20 or more", s.Baseline)
	case !(s.Sigmas > 0) || math.IsInf(s.Sigmas, 1):
		return fmt.Errorf("the limits of a chart cannot lie %g standard deviations away: use a number above 0, as a rule 3", s.Sigmas)
	case s.Kind == EWMA && !(s.Lambda > 0 && s.Lambda <= 1):
		return fmt.Errorf("the newest value cannot have the weight %g: choose lambda above 0 and at most 1, as a rule 0.2 to 0.3", s.Lambda)
	}
	return nil
}

// Limits are what a baseline lets expect.
type Limits struct {
	Settings
	Centre       float64 // mean of the baseline
	Sigma        float64 // standard deviation of a single value
	Lower, Upper float64 // between which the statistic lies when all is well
	// Suspects are values of the baseline that lie outside of 3 sigma, or of
	// Settings.Sigmas if that is more. They went into the limits all the same.
	Suspects []Sample
}

// meanRangeOfTwo is d2 for samples of two, the mean range of two normal values
// in standard deviations, as e-Handbook 6.3.2.2 rounds it (it is 2/sqrt(pi)).
const meanRangeOfTwo = 1.128

// Limits learns centre and limits from the first Settings.Baseline of the
// samples, in their order; NaN does not count as a value. With k for
// Settings.Sigmas:
//
// Individuals (e-Handbook 6.3.2.2): sigma = MRbar/1.128 with MRbar the mean
// moving range |x_i - x_(i-1)|, limits mean ± k sigma.
//
// EWMA (e-Handbook 6.3.2.4): sigma = s, the standard deviation of the baseline
// with N-1 in the denominator, limits mean ± k s sqrt(lambda/(2-lambda)). These
// are the limits far from the start; close to it the statistic varies less,
// and the chart calls a little later than it could.
//
// Errors that wrap [ErrTooFew], [ErrNoSpread] or [ErrNotFinite] say that there
// is no verdict; others, that the settings are impossible.
func (s Settings) Limits(samples []Sample) (Limits, error) {
	if err := s.check(); err != nil {
		return Limits{}, err
	}
	baseline := firstValues(samples, s.Baseline)
	if len(baseline) < s.Baseline {
		return Limits{}, fmt.Errorf("%w: there are %d of %d", ErrTooFew, len(baseline), s.Baseline)
	}
	l := Limits{Settings: s, Centre: mean(baseline)}
	half := 0.0
	if s.Kind == Individuals {
		l.Sigma = meanMovingRange(baseline) / meanRangeOfTwo
		half = s.Sigmas * l.Sigma
	} else {
		l.Sigma = standardDeviation(baseline, l.Centre)
		half = s.Sigmas * l.Sigma * math.Sqrt(s.Lambda/(2-s.Lambda))
	}
	l.Lower, l.Upper = l.Centre-half, l.Centre+half
	if err := l.checkSpread(baseline); err != nil {
		return Limits{}, err
	}
	l.Suspects = l.suspects(baseline)
	return l, nil
}

// firstValues returns the first n samples that have a value.
func firstValues(samples []Sample, n int) []Sample {
	values := make([]Sample, 0, min(n, len(samples)))
	for _, s := range samples {
		if len(values) == n {
			break
		}
		if !math.IsNaN(s.Value) {
			values = append(values, s)
		}
	}
	return values
}

func (l *Limits) checkSpread(baseline []Sample) error {
	for _, v := range []float64{l.Lower, l.Upper} {
		if math.IsNaN(v) || math.IsInf(v, 0) {
			return ErrNotFinite
		}
	}
	// A mean of equal values may be rounded, which is no spread.
	first := baseline[0].Value
	for _, s := range baseline {
		if s.Value != first {
			return nil
		}
	}
	return fmt.Errorf("%w: all %d are %g", ErrNoSpread, len(baseline), first)
}

func (l *Limits) suspects(baseline []Sample) []Sample {
	var out []Sample
	bound := max(3, l.Sigmas) * l.Sigma
	for _, s := range baseline {
		if math.Abs(s.Value-l.Centre) > bound {
			out = append(out, s)
		}
	}
	return out
}

// mean is sum(x)/N.
func mean(samples []Sample) float64 {
	sum := 0.0
	for _, s := range samples {
		sum += s.Value
	}
	return sum / float64(len(samples))
}

// standardDeviation is sqrt(sum((x-m)^2)/(N-1)).
func standardDeviation(samples []Sample, m float64) float64 {
	sum := 0.0
	for _, s := range samples {
		sum += (s.Value - m) * (s.Value - m)
	}
	return math.Sqrt(sum / float64(len(samples)-1))
}

// meanMovingRange is sum(|x_i - x_(i-1)|)/(N-1).
func meanMovingRange(samples []Sample) float64 {
	sum := 0.0
	for i := 1; i < len(samples); i++ {
		sum += math.Abs(samples[i].Value - samples[i-1].Value)
	}
	return sum / float64(len(samples)-1)
}
