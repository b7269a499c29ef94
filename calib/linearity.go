package calib

import "math"

// Polynomial is lin(v) = v + C[0] v^2 + C[1] v^3 + ..., measured DN above
// offset to linear DN.
type Polynomial []float64

// At returns lin(v).
func (p Polynomial) At(v float64) float64 {
	s := 0.0
	for i := len(p) - 1; i >= 0; i-- {
		s = (s + p[i]) * v
	}
	return v + s*v
}

// Slope returns lin'(v).
func (p Polynomial) Slope(v float64) float64 {
	s := 0.0
	for i := len(p) - 1; i >= 0; i-- {
		s = (s + float64(i+2)*p[i]) * v
	}
	return 1 + s
}

// Inverse returns the v with lin(v) = u, by Newton's method from v = u. It
// returns NaN where the polynomial has no such value nearby.
func (p Polynomial) Inverse(u float64) float64 {
	v := u
	for range 50 {
		step := (p.At(v) - u) / p.Slope(v)
		v -= step
		if math.Abs(step) <= 1e-12*max(1, math.Abs(v)) {
			return v
		}
	}
	return math.NaN()
}

// LinearityStage is step 6, for each amplifier: v becomes lin(v) and its
// variance is multiplied by lin'(v)^2.
type LinearityStage struct {
	Curves []Polynomial
	MaxDN  []float64 // level up to which the curve was measured; 0: no limit
}

// Name implements Stage.
func (LinearityStage) Name() string { return "linearity" }

// Settings implements Stage.
func (s LinearityStage) Settings() []Setting {
	var out []Setting
	for a, p := range s.Curves {
		for i, c := range p {
			out = append(out, number("c"+itoa(i+2)+"."+itoa(a+1), c))
		}
		if s.MaxDN[a] > 0 {
			out = append(out, number("max_dn."+itoa(a+1), s.MaxDN[a]))
		}
	}
	return out
}

// Apply implements Stage.
func (s LinearityStage) Apply(r *Row) {
	for _, g := range r.Segs {
		limit := float32(math.Inf(1))
		if s.MaxDN[g.Amp] > 0 {
			limit = float32(s.MaxDN[g.Amp])
		}
		v, vr, fl := r.V[g.X0:g.X1], r.Var[g.X0:g.X1], r.Flags[g.X0:g.X1]
		switch p := s.Curves[g.Amp]; len(p) {
		case 0:
			continue
		case 1:
			cubic(v, vr, fl, float32(p[0]), 0, limit)
		case 2:
			cubic(v, vr, fl, float32(p[0]), float32(p[1]), limit)
		default:
			anyOrder(v, vr, fl, p, limit)
		}
	}
}

// cubic is the usual case, up to third order.
func cubic(v, vr []float32, fl []Flags, c2, c3, limit float32) {
	vr, fl = vr[:len(v)], fl[:len(v)]
	d2, d3 := 2*c2, 3*c3
	for x, d := range v {
		if d > limit {
			fl[x] |= BeyondRange
		}
		slope := 1 + d*(d2+d*d3)
		v[x] = d + d*d*(c2+d*c3)
		vr[x] *= slope * slope
	}
}

// anyOrder serves higher orders.
func anyOrder(v, vr []float32, fl []Flags, p Polynomial, limit float32) {
	for x, d := range v {
		if d > limit {
			fl[x] |= BeyondRange
		}
		slope := float32(p.Slope(float64(d)))
		v[x] = float32(p.At(float64(d)))
		vr[x] *= slope * slope
	}
}
