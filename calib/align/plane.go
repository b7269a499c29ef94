package align

import "math"

// vector is a place or a step in the plane of the image.
type vector struct{ x, y float64 }

func (v vector) length() float64 { return math.Hypot(v.x, v.y) }

// limited returns v, no longer than limit.
func (v vector) limited(limit float64) vector {
	if l := v.length(); l > limit {
		return vector{v.x * limit / l, v.y * limit / l}
	}
	return v
}

// plus returns v + f w.
func (v vector) plus(f float64, w vector) vector { return vector{v.x + f*w.x, v.y + f*w.y} }

// outer returns the symmetric part of v w'.
func (v vector) outer(w vector) matrix {
	return matrix{v.x * w.x, (v.x*w.y + v.y*w.x) / 2, v.y * w.y}
}

// matrix is symmetric.
type matrix struct{ xx, xy, yy float64 }

func (m matrix) trace() float64 { return m.xx + m.yy }

func (m matrix) det() float64 { return m.xx*m.yy - m.xy*m.xy }

func (m matrix) times(v vector) vector {
	return vector{m.xx*v.x + m.xy*v.y, m.xy*v.x + m.yy*v.y}
}

func (m matrix) inverse() matrix {
	d := m.det()
	return matrix{m.yy / d, -m.xy / d, m.xx / d}
}

// plus returns m + f n.
func (m matrix) plus(f float64, n matrix) matrix {
	return matrix{m.xx + f*n.xx, m.xy + f*n.xy, m.yy + f*n.yy}
}

// over returns m / f.
func (m matrix) over(f float64) matrix { return matrix{m.xx / f, m.xy / f, m.yy / f} }

// atLeast returns m, raised along the axes to a share of n, and with a
// correlation small enough for it to be positive.
func (m matrix) atLeast(share float64, n matrix) matrix {
	m.xx, m.yy = max(m.xx, share*n.xx, 1e-6*n.yy), max(m.yy, share*n.yy, 1e-6*n.xx)
	most := 0.95 * math.Sqrt(m.xx*m.yy)
	m.xy = max(-most, min(most, m.xy))
	return m
}

// around returns m n m.
func (m matrix) around(n matrix) matrix {
	a, b := m.times(vector{n.xx, n.xy}), m.times(vector{n.xy, n.yy}) // columns of m n
	return matrix{a.x*m.xx + b.x*m.xy, a.x*m.xy + b.x*m.yy, a.y*m.xy + b.y*m.yy}
}
