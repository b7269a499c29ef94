package calib

import (
	"bufio"
	"errors"
	"fmt"
	"math"
	"os"
	"strconv"
	"strings"
	"testing"

	"gonum.org/v1/gonum/mat"
)

// certified is a data set of the NIST Statistical Reference Datasets, linear
// regression, https://www.itl.nist.gov/div898/strd/lls/lls.shtml, with the
// certified values.
type certified struct {
	x, y     []float64
	coef, sd []float64
	residual float64 // standard deviation; 0 where the fit is exact
}

// readCertified reads one of the copies in testdata/reference.
func readCertified(t *testing.T, name string) certified {
	t.Helper()
	file, err := os.Open("../testdata/reference/" + name)
	if err != nil {
		t.Fatal(err)
	}
	defer file.Close()
	var c certified
	number := func(s string) float64 {
		v, err := strconv.ParseFloat(strings.Trim(s, ", "), 64)
		if err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		return v
	}
	for lines := bufio.NewScanner(file); lines.Scan(); {
		words := strings.Fields(lines.Text())
		switch {
		case strings.HasPrefix(lines.Text(), "# certified residual"):
			c.residual = number(words[5])
		case strings.HasPrefix(lines.Text(), "# certified"):
			c.coef, c.sd = append(c.coef, number(words[3])), append(c.sd, number(words[5]))
		case words[0] != "#" && words[0] != "y,x":
			y, x, _ := strings.Cut(words[0], ",")
			c.x, c.y = append(c.x, number(x)), append(c.y, number(y))
		}
	}
	return c
}

// wampler returns data set 1 or 2 of Wampler: y = sum over k = 0..5 of
// (x/base)^k for x = 0..20, so that the coefficients are base^-k.
func wampler(base float64) certified {
	var c certified
	for x := range 21 {
		c.x = append(c.x, float64(x))
		y := 0.0
		for k := range 6 {
			y += math.Pow(float64(x)/base, float64(k))
		}
		c.y = append(c.y, y)
	}
	for k := range 6 {
		c.coef = append(c.coef, math.Pow(base, -float64(k)))
		c.sd = append(c.sd, 0)
	}
	return c
}

func powers(x []float64, m int) [][]float64 {
	design := make([][]float64, len(x))
	for i, v := range x {
		p := 1.0
		for range m {
			design[i] = append(design[i], p)
			p *= v
		}
	}
	return design
}

func columnNorms(design [][]float64) []float64 {
	norms := make([]float64, len(design[0]))
	for _, row := range design {
		for j, x := range row {
			norms[j] = math.Hypot(norms[j], x)
		}
	}
	return norms
}

// scaledCondition is the condition number (ratio of singular values) of the
// design with its columns scaled to unit norm.
func scaledCondition(design [][]float64) float64 {
	norms := columnNorms(design)
	a := mat.NewDense(len(design), len(norms), nil)
	for i, row := range design {
		for j, x := range row {
			a.Set(i, j, x/norms[j])
		}
	}
	return mat.Cond(a, 2)
}

// digits is the number of correct digits, -log10 of the relative error, and
// 15, what the certificates give, at most.
func digits(got, want float64) float64 {
	if got == want {
		return 15
	}
	return min(15, -math.Log10(math.Abs(got-want)/math.Abs(want)))
}

// roundings is what a backward-stable solution may cost, in units of
// eps = 2^-53 relative to the data: Householder QR itself and the powers of x.
const roundings = 4

// A backward-stable solution is the exact one of data that are off by a few
// eps. With the columns scaled to unit norm, K the condition number and c the
// scaled coefficients, theory then allows (Golub & Van Loan, Matrix
// Computations, section 5.3, from memory)
//
//	coefficients         |dc_j| <= eps K |c|      a small c_j beside a large |c| has fewer digits
//	residual             |dr|   <= eps |A| |c|
//	standard deviations  relative eps K, and that of the residual
//
// and that is asked for. Normal equations would put K^2 for K and leave no
// digit of Filippelli, where K is 5e9.
func TestLeastSquaresReachesCertifiedValues(t *testing.T) {
	// The certified residual standard deviation of Filippelli is
	// 0.334801051324544E-02 (from memory; the copy of the data lacks it).
	filip := readCertified(t, "nist-filip.csv")
	filip.residual = 0.334801051324544e-02
	for _, set := range []struct {
		name string
		certified
		coefficients int
	}{
		{"Pontius", readCertified(t, "nist-pontius.csv"), 3},
		{"Filippelli", filip, 11},
		{"Wampler1", wampler(1), 6},
		{"Wampler2", wampler(10), 6},
	} {
		t.Run(set.name, func(t *testing.T) {
			if len(set.coef) != set.coefficients {
				t.Fatalf("%d certified coefficients, want %d", len(set.coef), set.coefficients)
			}
			design := powers(set.x, set.coefficients)
			fit, err := LeastSquares(design, set.y, nil)
			if err != nil {
				t.Fatal(err)
			}
			compareCertified(t, set.certified, design, fit)
		})
	}
}

func compareCertified(t *testing.T, set certified, design [][]float64, fit *Fit) {
	t.Helper()
	const eps = roundings * 0x1p-53
	norms, k := columnNorms(design), scaledCondition(design)
	size := 0.0 // |c|
	for j, c := range set.coef {
		size = math.Hypot(size, c*norms[j])
	}
	residual := 0.0
	worst, worstSD, worstResidual := 15.0, 15.0, 15.0
	if set.residual > 0 {
		m := len(set.coef)
		all := set.residual * math.Sqrt(float64(len(set.y)-m))
		// |A| is sqrt(m) at most, with m columns of unit norm.
		residual = eps * math.Sqrt(float64(m)) * size / all
		within(t, "residual standard deviation", fit.ResidualSD, set.residual, residual*set.residual)
		worstResidual = digits(fit.ResidualSD, set.residual)
	}
	sd := fit.StandardErrors()
	for j, c := range set.coef {
		worst = min(worst, digits(fit.Coef[j], c))
		within(t, fmt.Sprintf("coefficient %d", j), fit.Coef[j], c, eps*k*size/norms[j])
		if set.residual > 0 {
			worstSD = min(worstSD, digits(sd[j], set.sd[j]))
			within(t, fmt.Sprintf("standard deviation of coefficient %d", j), sd[j], set.sd[j], (eps*k+residual)*set.sd[j])
		}
	}
	t.Logf("condition %.1e; correct digits in the worst coefficient %.1f, in the worst standard deviation %.1f, in the residual's %.1f",
		k, worst, worstSD, worstResidual)
}

// The weighted straight line has a solution in closed form (JCGM 100:2008,
// H.3, for equal weights): with Delta = S Sxx - Sx^2, the slope is
// (S Sxy - Sx Sy) / Delta and its variance s^2 S / Delta.
func TestLeastSquaresWeighsObservations(t *testing.T) {
	x := []float64{1, 2, 4, 7, 11}
	y := []float64{2.1, 3.9, 8.3, 13.6, 22.4}
	w := []float64{1, 4, 0.25, 9, 2}
	var s, sx, sy, sxx, sxy float64
	design := powers(x, 2)
	for i := range x {
		s, sx, sy = s+w[i], sx+w[i]*x[i], sy+w[i]*y[i]
		sxx, sxy = sxx+w[i]*x[i]*x[i], sxy+w[i]*x[i]*y[i]
	}
	delta := s*sxx - sx*sx
	a, b := (sxx*sy-sx*sxy)/delta, (s*sxy-sx*sy)/delta
	var chi2 float64
	for i := range x {
		r := y[i] - a - b*x[i]
		chi2 += w[i] * r * r
	}
	chi2 /= float64(len(x) - 2)

	for _, scale := range []float64{1, 1e6} {
		t.Run(fmt.Sprintf("weights times %g", scale), func(t *testing.T) {
			scaled := make([]float64, len(w))
			for i := range w {
				scaled[i] = w[i] * scale
			}
			fit, err := LeastSquares(design, y, scaled)
			if err != nil {
				t.Fatal(err)
			}
			const rounding = 1e-12 // the condition number is below 100
			for _, c := range []struct {
				what      string
				got, want float64
			}{
				{"intercept", fit.Coef[0], a},
				{"slope", fit.Coef[1], b},
				{"variance of the intercept", fit.Covariance[0][0], chi2 * sxx / delta},
				{"variance of the slope", fit.Covariance[1][1], chi2 * s / delta},
				{"covariance", fit.Covariance[0][1], -chi2 * sx / delta},
				{"transposed covariance", fit.Covariance[1][0], -chi2 * sx / delta},
				{"residual standard deviation", fit.ResidualSD, math.Sqrt(chi2 * scale)},
				{"third residual", fit.Residuals[2], y[2] - a - b*x[2]},
			} {
				within(t, c.what, c.got, c.want, rounding*math.Abs(c.want)*10)
			}
		})
	}
}

func TestLeastSquaresRefusesWhatDataDoNotDetermine(t *testing.T) {
	for _, c := range []struct {
		name   string
		design [][]float64
		y      []float64
	}{
		{"fewer observations than coefficients", [][]float64{{1, 2}}, []float64{1}},
		{"a column of zeros", [][]float64{{1, 0}, {1, 0}, {1, 0}}, []float64{1, 2, 3}},
		{"equal columns", [][]float64{{1, 1}, {2, 2}, {3, 3}}, []float64{1, 2, 3}},
		{"proportional columns", [][]float64{{0.1, 0.3}, {0.7, 2.1}, {1.3, 3.9}, {0.9, 2.7}}, []float64{1, 2, 3, 4}},
		{"a constant beside a constant", [][]float64{{2, 0.49}, {2, 0.49}, {2, 0.49}}, []float64{1, 1.1, 0.9}},
	} {
		t.Run(c.name, func(t *testing.T) {
			fit, err := LeastSquares(c.design, c.y, nil)
			if !errors.Is(err, ErrSingular) {
				t.Errorf("error is %v with fit %v, want ErrSingular", err, fit)
			}
		})
	}
	if _, err := LeastSquares(nil, nil, nil); err == nil {
		t.Error("a fit to no observation succeeds")
	}
}
