package moving

import (
	"gonum.org/v1/gonum/blas/blas64"
	"gonum.org/v1/gonum/lapack/lapack64"
	"gonum.org/v1/gonum/mat"
)

// normal gathers the normal equations of a fit by groups of places:
//
//	N = sum over samples of sum_b w_b J_b J_b^T - W J J^T,  right = sum w_b J_b r_b,
//
// J the mean of the J_b with the weights w_b, and W their sum. The terms of
// the background are the same numbers t in all bands, so its block of bands b
// and c is sum (w_b [b = c] - w_b w_c/W) t t^T, which stays the same from step
// to step.
type normal struct {
	layout
	terms  []float64   // t, by sample
	fixed  [][]float64 // of each group, N with the block of the background alone
	matrix [][]float64 // of each group, N; the upper half
	right  [][]float64 // of each group
	own    [][]int     // parameters of the blob that a band depends on
	mean   []float64   // sum_b w_b J_b of the blob's parameters
}

// newNormal prepares the equations of a fit whose slopes and brightness are
// settled.
func newNormal(f *fitting) *normal {
	m := &normal{layout: f.layout, terms: make([]float64, len(f.samples)*termsPerBand), mean: make([]float64, f.blob())}
	n := m.local()
	for range m.groups {
		m.fixed = append(m.fixed, make([]float64, n*n))
		m.matrix = append(m.matrix, make([]float64, n*n))
		m.right = append(m.right, make([]float64, n))
	}
	for b := range m.bands {
		m.own = append(m.own, m.layout.own(b))
	}
	for k := range f.samples {
		f.fillTerms(m.termsOf(k), k)
		m.addBackground(k, f.samples[k].group, f.w[k*m.bands:][:m.bands])
	}
	return m
}

func (m *normal) termsOf(k int) []float64 { return m.terms[k*termsPerBand:][:termsPerBand] }

// background is the index, within a group, of the first term of a band.
func (m *normal) background(b int) int { return m.blob() + b*termsPerBand }

// addBackground adds a sample to the blocks of the background.
func (m *normal) addBackground(k, group int, weights []float64) {
	n, terms, dst := m.local(), m.termsOf(k), m.fixed[group]
	var all float64
	for _, w := range weights {
		all += w
	}
	for b, w := range weights {
		for c := b; c < m.bands; c++ {
			share := -w * weights[c] / all
			if c == b {
				share += w
			}
			for i, t := range terms {
				row := dst[(m.background(b)+i)*n+m.background(c):][:termsPerBand]
				addScaled(row, terms, share*t)
			}
		}
	}
}

// addScaled adds scale * src to dst.
func addScaled(dst, src []float64, scale float64) {
	dst = dst[:len(src)]
	for i, v := range src {
		dst[i] += scale * v
	}
}

// start forgets all but the block of the background.
func (m *normal) start() {
	for i := range m.matrix {
		copy(m.matrix[i], m.fixed[i])
		clear(m.right[i])
	}
}

// add adds what sample k of a fit gives for the parameters at hand.
func (m *normal) add(f *fitting, k int) {
	group := f.samples[k].group
	weights, terms := f.w[k*m.bands:][:m.bands], m.termsOf(k)
	right := m.right[group]
	var all float64
	clear(m.mean)
	for b, w := range weights {
		all += w
		for _, i := range m.own[b] {
			m.mean[i] += w * f.rows[b][i]
			right[i] += w * f.rows[b][i] * f.r[b]
		}
		addScaled(right[m.background(b):], terms, w*f.r[b])
	}
	if m.suppose == nothing {
		return
	}
	m.addBlob(f, m.matrix[group], weights, all)
	m.addCross(f, m.matrix[group], weights, terms, all)
}

// addBlob adds to the block of the blob's parameters.
func (m *normal) addBlob(f *fitting, dst, weights []float64, all float64) {
	n := m.local()
	for b, w := range weights {
		row := f.rows[b]
		for at, i := range m.own[b] {
			for _, j := range m.own[b][at:] {
				dst[i*n+j] += w * row[i] * row[j]
			}
		}
	}
	for i, v := range m.mean {
		addScaled(dst[i*n+i:], m.mean[i:], -v/all)
	}
}

// addCross adds to the blocks between the blob and the background.
func (m *normal) addCross(f *fitting, dst, weights, terms []float64, all float64) {
	n := m.local()
	for b, w := range weights {
		for i, v := range m.mean {
			addScaled(dst[i*n+m.background(b):], terms, -w*v/all)
		}
		for _, i := range m.own[b] {
			addScaled(dst[i*n+m.background(b):], terms, w*f.rows[b][i])
		}
	}
}

// merge writes the equations of all groups into one.
func (m *normal) merge(h *mat.SymDense, g *mat.VecDense) {
	h.Zero()
	g.Zero()
	n, raw := m.local(), h.RawSymmetric()
	for group, matrix := range m.matrix {
		for i := range n {
			a := m.global(i, group)
			g.SetVec(a, g.AtVec(a)+m.right[group][i])
			row := raw.Data[a*raw.Stride:][:raw.N]
			for j := i; j < n; j++ {
				row[m.global(j, group)] += matrix[i*n+j]
			}
		}
	}
}

// solver solves damped normal equations. It asks for no condition number, which
// would cost as much again.
type solver struct {
	matrix *mat.SymDense
	right  []float64
}

func newSolver(n int) *solver { return &solver{mat.NewSymDense(n, nil), make([]float64, n)} }

// step returns the solution of (h + damping diag h) x = g, which holds until
// the next call, and whether there is one.
func (s *solver) step(h *mat.SymDense, g *mat.VecDense, damping float64) ([]float64, bool) {
	s.matrix.CopySym(h)
	for i := range s.right {
		s.matrix.SetSym(i, i, h.At(i, i)*(1+damping))
		s.right[i] = g.AtVec(i)
	}
	factor, ok := lapack64.Potrf(s.matrix.RawSymmetric())
	if ok {
		lapack64.Potrs(factor, blas64.General{Rows: len(s.right), Cols: 1, Stride: 1, Data: s.right})
	}
	return s.right, ok
}
