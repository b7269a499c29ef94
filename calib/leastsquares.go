package calib

import (
	"errors"
	"fmt"
	"math"

	"gonum.org/v1/gonum/mat"
)

// Fit is the result of a linear least-squares fit.
type Fit struct {
	Coef       []float64
	Covariance [][]float64 // of Coef, scaled by the residual variance (see LeastSquares)
	Cofactor   [][]float64 // (X^T W X)^-1, the covariance where the weights are 1/variance
	ResidualSD float64     // weighted residual standard deviation, sqrt(sum w r^2 / (n-m))
	Residuals  []float64   // y - X coef
}

// StandardErrors returns the square roots of the covariance's diagonal.
func (f *Fit) StandardErrors() []float64 {
	out := make([]float64, len(f.Coef))
	for i := range out {
		out[i] = math.Sqrt(f.Covariance[i][i])
	}
	return out
}

// largestCondition is the condition number of the scaled design above which
// no digit of the coefficients would be left.
const largestCondition = 1e15

// ErrSingular says that the data do not determine the coefficients.
var ErrSingular = errors.New("the data do not determine the coefficients")

// LeastSquares solves min sum_i w_i (y_i - sum_j X_ij c_j)^2 by Householder
// QR of the column-scaled design, which keeps about twice the digits of the
// normal equations. design has a row for each observation. weights may be
// nil (all 1) and are 1/variance up to a common factor; the covariance is
// s^2 (X^T W X)^-1 with s^2 the residual variance, so their scale cancels.
//
// Source of the method: Golub & Van Loan, Matrix Computations, section 5.3
// (from memory); checked against the NIST Statistical Reference Datasets.
func LeastSquares(design [][]float64, y, weights []float64) (*Fit, error) {
	n := len(y)
	if n == 0 || len(design) != n {
		return nil, fmt.Errorf("least squares: %d rows for %d observations", len(design), n)
	}
	m := len(design[0])
	if n < m {
		return nil, fmt.Errorf("least squares: %d observations for %d coefficients: %w", n, m, ErrSingular)
	}
	a, b, scale := weighted(design, y, weights)
	var qr mat.QR
	qr.Factorize(a)
	if !(qr.Cond() < largestCondition) { // NaN where an observation is
		return nil, fmt.Errorf("least squares: %w", ErrSingular)
	}
	var c mat.VecDense
	// A large condition number is only a warning: the caller sees it in the
	// covariance.
	_ = qr.SolveVecTo(&c, false, b)
	f := &Fit{Coef: make([]float64, m), Residuals: make([]float64, n)}
	for j := range m {
		f.Coef[j] = c.AtVec(j) / scale[j]
	}
	var sum float64
	for i := range n {
		r := y[i]
		for j, x := range design[i] {
			r -= x * f.Coef[j]
		}
		f.Residuals[i] = r
		sum += weightAt(weights, i) * r * r
	}
	s2 := 0.0
	if n > m {
		s2 = sum / float64(n-m)
	}
	f.ResidualSD = math.Sqrt(s2)
	f.Cofactor = cofactor(&qr, scale)
	f.Covariance = make([][]float64, m)
	for i, row := range f.Cofactor {
		for _, v := range row {
			f.Covariance[i] = append(f.Covariance[i], s2*v)
		}
	}
	return f, nil
}

func weightAt(w []float64, i int) float64 {
	if w == nil {
		return 1
	}
	return w[i]
}

// weighted returns the weighted design with columns scaled to unit norm, the
// weighted observations and the norms.
func weighted(design [][]float64, y, weights []float64) (*mat.Dense, *mat.VecDense, []float64) {
	n, m := len(y), len(design[0])
	a, b := mat.NewDense(n, m, nil), mat.NewVecDense(n, nil)
	scale := make([]float64, m)
	for i := range n {
		w := math.Sqrt(weightAt(weights, i))
		b.SetVec(i, w*y[i])
		for j, x := range design[i] {
			a.Set(i, j, w*x)
			scale[j] = math.Hypot(scale[j], w*x)
		}
	}
	for j, k := range scale {
		if k == 0 {
			scale[j] = 1
			continue
		}
		for i := range n {
			a.Set(i, j, a.At(i, j)/k)
		}
	}
	return a, b, scale
}

// cofactor returns (R^T R)^-1 with the column scaling undone.
func cofactor(qr *mat.QR, scale []float64) [][]float64 {
	m := len(scale)
	var r mat.Dense
	qr.RTo(&r)
	tri := mat.NewTriDense(m, mat.Upper, nil)
	for i := range m {
		for j := i; j < m; j++ {
			tri.SetTri(i, j, r.At(i, j))
		}
	}
	var inv mat.TriDense
	// An ill-conditioned R is inverted all the same: the large covariance
	// that comes out is the honest answer.
	_ = inv.InverseTri(tri)
	out := make([][]float64, m)
	for i := range m {
		out[i] = make([]float64, m)
		for j := range m {
			sum := 0.0
			for k := max(i, j); k < m; k++ {
				sum += inv.At(i, k) * inv.At(j, k)
			}
			out[i][j] = sum / (scale[i] * scale[j])
		}
	}
	return out
}
