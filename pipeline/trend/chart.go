package trend

import "math"

// Point is a sample on a chart.
type Point struct {
	Sample
	Statistic float64 // what is compared with the limits: the value, or the moving average
	Out       bool    // it lies outside of the limits
}

// Chart is what became of a number after its baseline.
type Chart struct {
	Limits
	Points []Point // in the order of the samples
}

// Chart judges samples that come after the baseline, in order of time.
//
// The statistic of an EWMA chart is z_t = lambda x_t + (1-lambda) z_(t-1) with
// z_0 = Centre. It forgets: where samples between the baseline and the first
// one given are left out, the first [Settings.Memory] points are not to be
// relied on, and [Chart.Last] takes them away.
//
// NaN is no value and gets no point. An infinite value is out; it does not
// enter the moving average, which would never recover.
func (l Limits) Chart(samples []Sample) Chart {
	c := Chart{Limits: l, Points: make([]Point, 0, len(samples))}
	z := l.Centre
	for _, s := range samples {
		switch {
		case math.IsNaN(s.Value):
		case math.IsInf(s.Value, 0):
			c.Points = append(c.Points, Point{s, s.Value, true})
		default:
			z = l.next(z, s.Value)
			c.Points = append(c.Points, Point{s, z, z < l.Lower || z > l.Upper})
		}
	}
	return c
}

// next is the statistic after one more value.
func (l *Limits) next(before, value float64) float64 {
	if l.Kind == EWMA {
		return l.Lambda*value + (1-l.Lambda)*before
	}
	return value
}

// forgotten is the weight below which a sample no longer counts.
const forgotten = 1e-9

// Memory is the number of samples after which those before weigh less than
// 1e-9 together: the smallest m with (1-lambda)^m < 1e-9. It is 0 for a chart
// of individuals.
func (s Settings) Memory() int {
	switch {
	case s.Kind != EWMA:
		return 0
	case s.Lambda >= 1:
		return 1
	}
	return int(math.Floor(math.Log(forgotten)/math.Log1p(-s.Lambda))) + 1
}

// Last returns the chart with the last n points only.
func (c Chart) Last(n int) Chart {
	c.Points = c.Points[max(0, len(c.Points)-n):]
	return c
}

// FirstOut returns the first point that is out; false if there is none.
func (c *Chart) FirstOut() (Point, bool) {
	for _, p := range c.Points {
		if p.Out {
			return p, true
		}
	}
	return Point{}, false
}

// Out tells whether the last point is out.
func (c *Chart) Out() bool { return len(c.Points) > 0 && c.Points[len(c.Points)-1].Out }

// OutSince returns the points that are out without interruption up to the
// last one; none if the last one is not out.
func (c *Chart) OutSince() []Point {
	i := len(c.Points)
	for i > 0 && c.Points[i-1].Out {
		i--
	}
	return c.Points[i:]
}
