package mosaic

import (
	"math"

	"gonum.org/v1/gonum/mat"
)

// The scene that the optimal weights are made for. Its details, in units of
// each colour's own detail, are the sum of a part common to all colours, of
// variance 1, and a part of each colour's own, both with the correlation
// exp(-r/length) at a distance of r pixels. The figures suit photographs (see
// the tests); half or twice of each changes the gain by less than a decibel.
const (
	length      = 8.0  // pixels
	ownVariance = 0.2  // of the part of a colour's own
	nugget      = 0.01 // variance of a sample's noise
)

// Samples that take part in a combination.
const (
	mostWanted   = 12
	mostForeign  = 16
	foreignReach = 2
)

// optimalSites lists the samples of the wanted colour as far as twice the
// distance at which a frame without gaps has one, and the others nearby.
func optimalSites(p *Pattern) []surroundings {
	return eachCell(p, func(a *surroundings, x, y int) {
		wanted := p.inSquare(x, y, max(2*a.half-1, foreignReach), func(c int) bool { return c == a.want })
		wanted = wanted[:min(len(wanted), 64-(2*foreignReach+1)*(2*foreignReach+1))]
		foreign := p.inSquare(x, y, foreignReach, func(c int) bool { return c != a.want })
		a.samples, a.wanted = append(wanted, foreign...), len(wanted)
		a.mostWanted, a.mostForeign = mostWanted, mostForeign
	})
}

// optimal gives the weights w with the least expected squared error under the
// conditions A w = b of unbiased:
//
//	w = K^-1 (k + A' m)    A K^-1 A' m = b - A K^-1 k
//
// K is the covariance of the samples with one another, k that with the value
// that is sought.
func optimal(a *surroundings, taken []sample) []float64 {
	n := len(taken)
	cov := mat.NewSymDense(n, nil)
	sought := mat.NewVecDense(n, nil)
	for i, s := range taken {
		for j, t := range taken[:i+1] {
			cov.SetSym(i, j, covariance(s, t))
		}
		cov.SetSym(i, i, cov.At(i, i)+nugget)
		sought.SetVec(i, covariance(s, sample{colour: a.want}))
	}
	conditions, b := unbiased(a, taken)
	var chol, small mat.Cholesky
	if !chol.Factorize(cov) {
		panic("mosaic: covariances of an exponential law are not positive definite")
	}
	var solved, inner mat.Dense // K^-1 A', A K^-1 A'
	var w, rest, m mat.VecDense
	must(chol.SolveTo(&solved, conditions.T()))
	must(chol.SolveVecTo(&w, sought))
	inner.Mul(conditions, &solved)
	rest.MulVec(conditions, &w)
	rest.SubVec(b, &rest)
	if !small.Factorize(symmetric(&inner)) {
		panic("mosaic: the conditions on the weights are not independent")
	}
	must(small.SolveVecTo(&m, &rest))
	var more mat.VecDense
	more.MulVec(&solved, &m)
	w.AddVec(&w, &more)
	return w.RawVector().Data
}

// must stops at a matrix that is as good as singular, which the nugget and the
// choice of the conditions rule out.
func must(err error) {
	if err != nil {
		panic(err)
	}
}

func symmetric(m *mat.Dense) *mat.SymDense {
	n, _ := m.Dims()
	s := mat.NewSymDense(n, nil)
	for i := range n {
		for j := range i + 1 {
			s.SetSym(i, j, m.At(i, j))
		}
	}
	return s
}

func covariance(s, t sample) float64 {
	r := math.Hypot(float64(s.dx-t.dx), float64(s.dy-t.dy))
	c := math.Exp(-r / length)
	if s.colour == t.colour {
		return c * (1 + ownVariance)
	}
	return c
}

// unbiased gives the conditions on the weights, by row, and what they come to:
// weights of the wanted colour sum to 1 and those of each other colour to 0,
// so that an even scene of any colour stays even. Where the samples of the
// wanted colour, or those of all others, lie to both sides of the pixel, their
// centre of gravity is the pixel, so that a linear slope is kept; beyond the
// last sample no slope is carried on.
func unbiased(a *surroundings, taken []sample) (conditions *mat.Dense, b *mat.VecDense) {
	var c conditionList
	c.add(1, row(taken, func(t sample) float64 { return indicator(t.colour == a.want) }))
	for colour := range maxColour(taken) + 1 {
		if colour != a.want {
			c.add(0, row(taken, func(t sample) float64 { return indicator(t.colour == colour) }))
		}
	}
	for _, wanted := range []bool{true, false} {
		for _, along := range []func(t sample) int{func(t sample) int { return t.dx }, func(t sample) int { return t.dy }} {
			moment := row(taken, func(t sample) float64 {
				return float64(along(t)) * indicator((t.colour == a.want) == wanted)
			})
			if bothSides(moment) {
				c.add(0, moment)
			}
		}
	}
	n := len(taken)
	conditions = mat.NewDense(len(c.rows), n, nil)
	for i, r := range c.rows {
		conditions.SetRow(i, r)
	}
	return conditions, mat.NewVecDense(len(c.value), c.value)
}

func indicator(is bool) float64 {
	if is {
		return 1
	}
	return 0
}

func maxColour(taken []sample) int {
	most := 0
	for _, t := range taken {
		most = max(most, t.colour)
	}
	return most
}

func row(taken []sample, f func(t sample) float64) []float64 {
	r := make([]float64, len(taken))
	for i, t := range taken {
		r[i] = f(t)
	}
	return r
}

func bothSides(moment []float64) bool {
	low, high := 0.0, 0.0
	for _, m := range moment {
		low, high = min(low, m), max(high, m)
	}
	return low < 0 && high > 0
}

// conditionList gathers linear conditions and leaves out those that follow
// from, or contradict, the ones before.
type conditionList struct {
	rows  [][]float64
	value []float64
	basis [][]float64 // orthonormal, of the same span as rows
}

func (c *conditionList) add(value float64, row []float64) {
	rest := append([]float64(nil), row...)
	for _, e := range c.basis {
		p := dot(e, rest)
		for i := range rest {
			rest[i] -= p * e[i]
		}
	}
	size, left := math.Sqrt(dot(row, row)), math.Sqrt(dot(rest, rest))
	if left <= 1e-6*size {
		return
	}
	for i := range rest {
		rest[i] /= left
	}
	c.rows, c.value, c.basis = append(c.rows, row), append(c.value, value), append(c.basis, rest)
}

func dot(a, b []float64) float64 {
	s := 0.0
	for i := range a {
		s += a[i] * b[i]
	}
	return s
}
