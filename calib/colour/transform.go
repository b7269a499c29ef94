package colour

import (
	"errors"
	"fmt"
	"math"
	"strings"

	"evenlight/calib"

	"gonum.org/v1/gonum/mat"
)

// Transform takes band values to colour.
type Transform struct {
	Bands      []string
	Illuminant string
	// Approximate tells that the response of at least one band was assumed
	// from its centre wavelength.
	Approximate bool
	// White is X, Y and Z of a perfect white, Y = 1; a target with the value
	// v in all bands has v times that.
	White [3]float64
	// XYZ (3 x n) takes band values to X, Y and Z in the light of the
	// illuminant.
	XYZ *mat.Dense
	// RGB (3 x n) takes band values to linear sRGB, the illuminant's white
	// adapted to that of sRGB: white is 1, 1, 1.
	RGB     *mat.Dense
	Quality Quality
}

// Quality is the colour error of a transform on the test colours of CIE
// 13.3-1995, without noise, in the light of the illuminant.
type Quality struct {
	Colours  []ColourError
	Mean76   float64 // CIE 1976 difference
	Max76    float64
	Mean2000 float64 // CIEDE2000 difference
	Max2000  float64
	// NoiseGain is, for linear R, G and B, the standard uncertainty that a
	// standard uncertainty of 1 in each band leads to.
	NoiseGain [3]float64
}

// ColourError is the error of one test colour.
type ColourError struct {
	Name                 string
	DeltaE76, DeltaE2000 float64
}

// trainingNoise is the standard uncertainty of a band value, white being 1,
// that the training allows for: it keeps bands that see nearly the same from
// being played off against one another.
const trainingNoise = 0.005

// Matrix finds the transform of some bands (one or more) under an illuminant.
//
// The matrix M minimises, over the training spectra (see trainingSpectra), the
// sum of |M b - XYZ|^2 / Y^(4/3), the power making an error count about as the
// eye sees it at each lightness, plus what band noise of half a percent of
// white would add, under the constraint that white stays white: M 1 = XYZ of
// white. So a grey of any level stays grey.
func Matrix(bands []Response, illuminant Illuminant) (*Transform, error) {
	if len(bands) == 0 {
		return nil, errors.New("no bands to make colour from: name at least one")
	}
	t := &Transform{Illuminant: illuminant.Name, White: illuminant.White()}
	weights := make([]spectrum, len(bands))
	for j := range bands {
		w, assumed, err := bands[j].weights(&illuminant)
		if err != nil {
			return nil, err
		}
		weights[j] = w
		t.Bands = append(t.Bands, bands[j].Band)
		t.Approximate = t.Approximate || assumed
	}
	var err error
	if t.XYZ, err = trained(weights, &illuminant); err != nil {
		return nil, fmt.Errorf("colour matrix of bands %s: %w", strings.Join(t.Bands, ", "), err)
	}
	t.RGB = mat.NewDense(3, len(bands), nil)
	t.RGB.Product(XYZToLinear(), Adaptation(t.White, SRGBWhite()), t.XYZ)
	t.Quality = quality(t, weights, &illuminant)
	return t, nil
}

// trained solves for M = w m + A P, where w is XYZ of white, m the mean over
// the bands and the rows of P are orthonormal and sum to zero; so M 1 = w
// whatever A is.
func trained(weights []spectrum, ill *Illuminant) (*mat.Dense, error) {
	n := len(weights)
	white := ill.White()
	m := mat.NewDense(3, n, nil)
	for c := range 3 {
		for j := range n {
			m.Set(c, j, white[c]/float64(n))
		}
	}
	if n == 1 {
		return m, nil
	}
	p := zeroSumBasis(n)
	rows, targets := equations(weights, ill, p)
	var a, ap mat.Dense
	if err := a.Solve(rows, targets); err != nil {
		return nil, err
	}
	ap.Mul(a.T(), p)
	m.Add(m, &ap)
	return m, nil
}

// zeroSumBasis returns n-1 orthonormal rows of length n, each of sum zero
// (Helmert's).
func zeroSumBasis(n int) *mat.Dense {
	p := mat.NewDense(n-1, n, nil)
	for i := 1; i < n; i++ {
		norm := math.Sqrt(float64(i * (i + 1)))
		for j := range i {
			p.Set(i-1, j, 1/norm)
		}
		p.Set(i-1, i, -float64(i)/norm)
	}
	return p
}

// equations returns the weighted least-squares system for A: a row for each
// training spectrum and, below, the rows that stand for the noise.
func equations(weights []spectrum, ill *Illuminant, p *mat.Dense) (rows, targets *mat.Dense) {
	n := len(weights)
	training := trainingSpectra()
	rows = mat.NewDense(len(training)+n-1, n-1, nil)
	targets = mat.NewDense(len(training)+n-1, 3, nil)
	white := ill.White()
	var total float64
	for s, rho := range training {
		b := mat.NewVecDense(n, bandValues(weights, rho))
		xyz := ill.relativeXYZ(rho)
		weight := math.Pow(xyz[1], -2.0/3)
		total += weight * weight
		var pb mat.VecDense
		pb.MulVec(p, b)
		for k := range n - 1 {
			rows.Set(s, k, weight*pb.AtVec(k))
		}
		mean := mat.Sum(b) / float64(n)
		for c := range 3 {
			targets.Set(s, c, weight*(xyz[c]-white[c]*mean))
		}
	}
	for k := range n - 1 {
		rows.Set(len(training)+k, k, trainingNoise*math.Sqrt(total))
	}
	return rows, targets
}

// bandValues is what the bands measure of a surface, white being 1.
func bandValues(weights []spectrum, rho *spectrum) []float64 {
	b := make([]float64, len(weights))
	for j := range weights {
		for i, w := range weights[j] {
			b[j] += w * rho[i]
		}
	}
	return b
}

// relativeXYZ is X, Y and Z of a surface, Y of white being 1.
func (ill *Illuminant) relativeXYZ(rho *spectrum) [3]float64 {
	return scaled(ill.xyz(rho), 1/ill.xyz(perfectWhite())[1])
}

func quality(t *Transform, weights []spectrum, ill *Illuminant) Quality {
	var q Quality
	colours := testColours()
	for i := range colours {
		rho := colours[i].onGrid()
		want := ToLab(ill.relativeXYZ(rho), t.White)
		got := ToLab(product(t.XYZ, bandValues(weights, rho)), t.White)
		e := ColourError{colours[i].name, DeltaE76(got, want), DeltaE2000(got, want)}
		q.Colours = append(q.Colours, e)
		q.Mean76 += e.DeltaE76 / float64(len(colours))
		q.Mean2000 += e.DeltaE2000 / float64(len(colours))
		q.Max76 = max(q.Max76, e.DeltaE76)
		q.Max2000 = max(q.Max2000, e.DeltaE2000)
	}
	for c := range 3 {
		q.NoiseGain[c] = mat.Norm(t.RGB.RowView(c), 2)
	}
	return q
}

// product is m (3 x n) times b (n).
func product(m mat.Matrix, b []float64) [3]float64 {
	var v mat.VecDense
	v.MulVec(m, mat.NewVecDense(len(b), b))
	return [3]float64{v.AtVec(0), v.AtVec(1), v.AtVec(2)}
}

// ToXYZ takes one pixel's band values to X, Y and Z. It is for single values;
// a Renderer is for images.
func (t *Transform) ToXYZ(values []float64) [3]float64 { return product(t.XYZ, values) }

// ToRGB takes one pixel's band values to linear sRGB.
func (t *Transform) ToRGB(values []float64) [3]float64 { return product(t.RGB, values) }

// XYZCovariance returns the 3 x 3 covariance of X, Y and Z from the variances
// of the band values, which are taken as independent: M diag(v) M^T (JCGM
// 100:2008, clause 5; exact, as the model is linear). The error of the matrix
// itself is not in it; see Quality.
func (t *Transform) XYZCovariance(variances []float64) *mat.SymDense {
	return covariance(t.XYZ, variances)
}

// RGBCovariance does so for linear sRGB.
func (t *Transform) RGBCovariance(variances []float64) *mat.SymDense {
	return covariance(t.RGB, variances)
}

func covariance(m *mat.Dense, variances []float64) *mat.SymDense {
	cov := mat.NewSymDense(3, nil)
	for j, v := range variances {
		cov.SymRankOne(cov, v, m.ColView(j))
	}
	return cov
}

// String says in one line what the transform is and how well it does.
func (t *Transform) String() string {
	kind := "colour"
	if t.Approximate {
		kind = "approximate colour (responses assumed from centre wavelengths)"
	}
	q := &t.Quality
	return fmt.Sprintf("%s from %s under %s: CIEDE2000 error mean %.1f, largest %.1f on CIE 13.3 test colours",
		kind, strings.Join(t.Bands, ", "), t.Illuminant, q.Mean2000, q.Max2000)
}

// Settings records the transform so that it can be applied again exactly.
func (t *Transform) Settings() []calib.Setting {
	s := []calib.Setting{
		{Name: "colour.bands", Value: strings.Join(t.Bands, " ")},
		{Name: "colour.illuminant", Value: t.Illuminant},
		{Name: "colour.approximate", Value: fmt.Sprint(t.Approximate)},
	}
	for c, name := range [3]string{"red", "green", "blue"} {
		s = append(s, calib.Setting{Name: "colour." + name, Value: numbers(t.RGB.RawRowView(c)...)})
	}
	return append(s,
		number("colour.error_mean_ciede2000", t.Quality.Mean2000),
		number("colour.error_max_ciede2000", t.Quality.Max2000))
}
