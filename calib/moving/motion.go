package moving

import (
	"math"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/stat/distuv"
)

// leastProbability is the probability below which the places are no longer
// taken for even motion.
const leastProbability = 1e-3

// Motion says whether the places of a mover follow a straight line at even
// speed.
type Motion int

// The answers.
const (
	Untested     Motion = iota // no times, or all equal
	Consistent                 // even motion, within the uncertainty; two bands cannot contradict it
	Inconsistent               // no even motion fits the places
)

// String returns one word.
func (m Motion) String() string {
	switch m {
	case Consistent:
		return "consistent"
	case Inconsistent:
		return "inconsistent"
	default:
		return "untested"
	}
}

// Velocity is a velocity over the image, and over the ground where the scale
// is known.
type Velocity struct {
	VX, VY, SigmaX, SigmaY float64 // px/s
	Covariance             float64 // of VX and VY, px^2/s^2
	Speed, SpeedSigma      float64 // px/s
	// GroundSpeed and GroundSpeedSigma are in m/s, 0 where Options.MetrePerPx
	// is. The scale itself is taken as exact.
	GroundSpeed, GroundSpeedSigma float64
}

// fitMotion fits places at + velocity * time by generalised least squares.
// at holds x and y of each band in turn, covariance belongs to it. It returns
// chi-square with 2n - 4 degrees of freedom.
func fitMotion(at []float64, covariance mat.Symmetric, times []float64, metrePerPx float64) (*Velocity, float64, bool) {
	n := len(times)
	design := mat.NewDense(2*n, 4, nil)
	var middle float64
	for _, t := range times {
		middle += t / float64(n)
	}
	for b, t := range times {
		for k := range 2 {
			design.Set(2*b+k, k, 1)
			design.Set(2*b+k, 2+k, t-middle)
		}
	}
	var chol mat.Cholesky
	if !chol.Factorize(covariance) {
		return nil, 0, false
	}
	y := mat.NewVecDense(2*n, at)
	var weighted mat.Dense
	var weightedY, right, par, rest, weightedRest mat.VecDense
	if chol.SolveTo(&weighted, design) != nil || chol.SolveVecTo(&weightedY, y) != nil {
		return nil, 0, false
	}
	var normal mat.Dense
	normal.Mul(design.T(), &weighted)
	var inner mat.Cholesky
	if !inner.Factorize(symmetric(&normal)) {
		return nil, 0, false
	}
	right.MulVec(design.T(), &weightedY)
	var parCovariance mat.SymDense
	if inner.SolveVecTo(&par, &right) != nil || inner.InverseTo(&parCovariance) != nil {
		return nil, 0, false
	}
	rest.MulVec(design, &par)
	rest.SubVec(y, &rest)
	if chol.SolveVecTo(&weightedRest, &rest) != nil {
		return nil, 0, false
	}
	return newVelocity(&par, &parCovariance, metrePerPx), mat.Dot(&rest, &weightedRest), true
}

// symmetric takes the upper half of a matrix that is symmetric but for
// rounding.
func symmetric(m *mat.Dense) *mat.SymDense {
	n, _ := m.Dims()
	s := mat.NewSymDense(n, nil)
	for i := range n {
		for j := i; j < n; j++ {
			s.SetSym(i, j, m.At(i, j))
		}
	}
	return s
}

func newVelocity(par *mat.VecDense, covariance *mat.SymDense, metrePerPx float64) *Velocity {
	v := &Velocity{
		VX: par.AtVec(2), VY: par.AtVec(3),
		SigmaX: math.Sqrt(covariance.At(2, 2)), SigmaY: math.Sqrt(covariance.At(3, 3)),
		Covariance: covariance.At(2, 3),
	}
	v.Speed = math.Hypot(v.VX, v.VY)
	if v.Speed > 0 {
		v.SpeedSigma = math.Sqrt(v.VX*v.VX*v.SigmaX*v.SigmaX+v.VY*v.VY*v.SigmaY*v.SigmaY+2*v.VX*v.VY*v.Covariance) / v.Speed
	}
	v.GroundSpeed, v.GroundSpeedSigma = v.Speed*metrePerPx, v.SpeedSigma*metrePerPx
	return v
}

// judgeMotion says whether chi-square of n bands agrees with even motion.
func judgeMotion(chi2 float64, bands int) Motion {
	dof := 2*bands - 4
	if dof == 0 {
		return Consistent
	}
	if distuv.ChiSquared.Survival(distuv.ChiSquared{K: float64(dof)}, chi2) < leastProbability {
		return Inconsistent
	}
	return Consistent
}
