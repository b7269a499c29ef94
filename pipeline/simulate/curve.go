package simulate

import (
	"fmt"
	"math"
)

// curve is the linearity correction lin(v) = v + c2 v^2 + c3 v^3 of one
// amplifier (or of one badly behaved pixel), DN above offset -> linear DN.
type curve struct {
	c2, c3 float64
	// The curve is used up to (vTop, uTop = lin(vTop)) only: there it stops
	// rising, or the converter has long reached its ceiling.
	vTop, uTop float64
}

// newCurve returns the curve with the given coefficients (1/DN, 1/DN^2) for a
// converter whose highest code is ceilingDN. It is an error when the curve
// stops rising before linear level mostDN, the most that the charge can
// reach: its inverse would then not exist.
func newCurve(c2, c3, ceilingDN, mostDN float64) (curve, error) {
	c := curve{c2: c2, c3: c3, vTop: ceilingDN}
	turn := c.turningPoint()
	c.vTop = math.Min(c.vTop, turn)
	c.uTop = c.linear(c.vTop)
	if turn < ceilingDN && c.uTop < mostDN {
		return curve{}, fmt.Errorf("linearity v + %g v^2 + %g v^3 stops rising at %.0f DN, below the %.0f DN that full well needs; use smaller coefficients",
			c2, c3, turn, mostDN)
	}
	return c, nil
}

// turningPoint returns the smallest positive v at which the curve is level.
func (c curve) turningPoint() float64 {
	if c.c3 == 0 {
		if c.c2 < 0 {
			return -1 / (2 * c.c2)
		}
		return math.Inf(1)
	}
	square := c.c2*c.c2 - 3*c.c3
	if square < 0 {
		return math.Inf(1)
	}
	root := math.Sqrt(square)
	turn := math.Inf(1)
	for _, v := range [2]float64{(-c.c2 - root) / (3 * c.c3), (-c.c2 + root) / (3 * c.c3)} {
		if v > 0 && v < turn {
			turn = v
		}
	}
	return turn
}

// linear returns lin(v).
func (c curve) linear(v float64) float64 {
	return v * (1 + v*(c.c2+v*c.c3))
}

// slope returns the derivative of lin at v.
func (c curve) slope(v float64) float64 {
	return 1 + v*(2*c.c2+3*v*c.c3)
}

// inverseAccuracyDN is the last Newton step that inverse accepts.
const inverseAccuracyDN = 1e-10

// inverse returns v with lin(v) = u, to 1e-10 DN, by Newton's method. The
// start v = u lies on the side of the root from which a curve that bends one
// way is approached without overshooting; a dozen steps are always enough,
// and 3 usual.
func (c curve) inverse(u float64) float64 {
	if u >= c.uTop {
		return c.vTop
	}
	v := u
	for range 50 {
		step := (c.linear(v) - u) / c.slope(v)
		v -= step
		if math.Abs(step) < inverseAccuracyDN {
			break
		}
	}
	return v
}
