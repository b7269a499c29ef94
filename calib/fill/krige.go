package fill

import "math"

// mostNeighbours take part in an estimate.
const mostNeighbours = 16

// kriging holds the weights of one pixel's neighbours.
type kriging struct {
	weights   [mostNeighbours]float64
	structure float64 // variance of the interpolation, by the variogram
	noise     float64 // variance by the neighbours' noise

	matrix [mostNeighbours][mostNeighbours]float64
	ones   [mostNeighbours]float64
}

// level is how far the covariance C(h) = C0 - g(h), which stands in for the
// variogram, is above zero at the largest distance: C0 is this many times the
// largest g. Weights that sum to 1 do not depend on it; the matrix is then
// positive definite.
const level = 4

// solve finds the weights of neighbours with noise variances d:
//
//	w = K^-1 (k + m 1),    m = (1 - 1' K^-1 k) / (1' K^-1 1)
//
// with K the covariances of neighbours, noise included, and k those with the
// pixel; see the package for the variances. It tells whether there is a
// solution, which noise of any size makes certain.
func (k *kriging) solve(near []offset, d []float64, v *variogram) bool {
	n := len(near)
	most := 0.0
	for i, a := range near {
		for _, b := range near[:i] {
			most = max(most, v.between(a, b))
		}
	}
	most *= level
	w, ones := k.weights[:n], k.ones[:n]
	for i, a := range near {
		for j, b := range near[:i] {
			k.matrix[i][j] = most - v.between(a, b)
		}
		k.matrix[i][i] = most + d[i]
		w[i], ones[i] = most-v.at(a.square()), 1
	}
	if !k.factor(n) {
		return false
	}
	k.apply(w)
	k.apply(ones)
	sumW, sumOnes := 0.0, 0.0
	for i := range w {
		sumW, sumOnes = sumW+w[i], sumOnes+ones[i]
	}
	m := (1 - sumW) / sumOnes
	for i := range w {
		w[i] += m * ones[i]
	}
	k.variances(near, d, v)
	return true
}

// variances works out what the weights leave.
func (k *kriging) variances(near []offset, d []float64, v *variogram) {
	k.structure, k.noise = 0, 0
	for i, a := range near {
		w := k.weights[i]
		k.structure += 2 * w * v.at(a.square())
		for j, b := range near[:i] {
			k.structure -= 2 * w * k.weights[j] * v.between(a, b)
		}
		k.noise += w * w * d[i]
	}
	k.structure = max(0, k.structure)
}

// factor makes the lower triangle of the matrix its Cholesky factor.
func (k *kriging) factor(n int) bool {
	for i := range n {
		row := &k.matrix[i]
		for j := range i {
			other := &k.matrix[j]
			s := row[j]
			for l := range j {
				s -= row[l] * other[l]
			}
			row[j] = s / other[j]
		}
		s := row[i]
		for l := range i {
			s -= row[l] * row[l]
		}
		if !(s > 0) {
			return false
		}
		row[i] = math.Sqrt(s)
	}
	return true
}

// apply turns b into K^-1 b.
func (k *kriging) apply(b []float64) {
	for i := range b {
		for l := range i {
			b[i] -= k.matrix[i][l] * b[l]
		}
		b[i] /= k.matrix[i][i]
	}
	for i := len(b) - 1; i >= 0; i-- {
		for l := i + 1; l < len(b); l++ {
			b[i] -= k.matrix[l][i] * b[l]
		}
		b[i] /= k.matrix[i][i]
	}
}
