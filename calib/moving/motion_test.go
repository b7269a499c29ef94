package moving

import (
	"math"
	"testing"

	"gonum.org/v1/gonum/mat"
)

// diagonal makes a covariance without correlations.
func diagonal(sigmas ...float64) *mat.SymDense {
	s := mat.NewSymDense(len(sigmas), nil)
	for i, v := range sigmas {
		s.SetSym(i, i, v*v)
	}
	return s
}

// Between two places v = (p2 - p1)/dt, with the variance (s1^2 + s2^2)/dt^2.
func TestVelocityOfTwoPlaces(t *testing.T) {
	v, chi2, ok := fitMotion([]float64{10, 20, 13, 16}, diagonal(0.3, 0.1, 0.4, 0.2), []float64{100, 110}, 50)
	if !ok {
		t.Fatal("no fit")
	}
	for _, c := range []struct {
		name      string
		got, want float64
	}{
		{"vx", v.VX, 0.3}, {"vy", v.VY, -0.4},
		{"sigma of vx", v.SigmaX, 0.05}, {"sigma of vy", v.SigmaY, math.Sqrt(0.05) / 10},
		{"speed", v.Speed, 0.5}, {"speed on the ground", v.GroundSpeed, 25},
		// d|v| = (vx dvx + vy dvy)/|v|
		{"sigma of the speed", v.SpeedSigma, math.Sqrt(0.36*0.0025 + 0.64*0.0005)},
		{"sigma on the ground", v.GroundSpeedSigma, 50 * math.Sqrt(0.36*0.0025+0.64*0.0005)},
		{"chi-square", chi2, 0},
	} {
		if math.Abs(c.got-c.want) > 1e-9 {
			t.Errorf("%s is %.12g, want %.12g", c.name, c.got, c.want)
		}
	}
}

// The straight line of least squares through (0,0) (1,1) (2,3) has the slope
// 3/2 and the residuals 1/6, -1/3, 1/6; with sigma 0.1 the slope's variance is
// 0.01/2 and chi-square (1/36 + 1/9 + 1/36)/0.01.
func TestVelocityOfThreePlacesIsTheLineOfLeastSquares(t *testing.T) {
	v, chi2, ok := fitMotion([]float64{0, 5, 1, 5, 3, 5}, diagonal(0.1, 0.1, 0.1, 0.1, 0.1, 0.1), []float64{0, 1, 2}, 0)
	if !ok {
		t.Fatal("no fit")
	}
	if math.Abs(v.VX-1.5) > 1e-12 || math.Abs(v.VY) > 1e-12 || math.Abs(v.SigmaX-0.1/math.Sqrt2) > 1e-12 {
		t.Errorf("velocity %.12g, %.12g +- %.12g", v.VX, v.VY, v.SigmaX)
	}
	if want := (1.0/36 + 1.0/9 + 1.0/36) / 0.01; math.Abs(chi2-want) > 1e-9 {
		t.Errorf("chi-square %.9g, want %.9g", chi2, want)
	}
}

// With two degrees of freedom chi-square exceeds x with probability
// exp(-x/2), which is one in a thousand at 13.8155.
func TestMotionIsInconsistentBeyondOneInAThousand(t *testing.T) {
	for _, c := range []struct {
		chi2  float64
		bands int
		want  Motion
	}{{13.7, 3, Consistent}, {13.9, 3, Inconsistent}, {0, 2, Consistent}} {
		if got := judgeMotion(c.chi2, c.bands); got != c.want {
			t.Errorf("chi-square %g of %d bands is %v, want %v", c.chi2, c.bands, got, c.want)
		}
	}
}
