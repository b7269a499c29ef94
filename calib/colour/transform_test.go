package colour

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"gonum.org/v1/gonum/mat"
)

func mustMatrix(t *testing.T, bands []Response, ill Illuminant) *Transform {
	t.Helper()
	tr, err := Matrix(bands, ill)
	if err != nil {
		t.Fatal(err)
	}
	return tr
}

func bandSets() map[string][]Response {
	return map[string][]Response{
		"one band":          {Gaussian("clear", 560, 200)},
		"two bands":         {Gaussian("blue", 450, 60), Gaussian("red", 640, 60)},
		"three bands":       rgbBands(),
		"infrared for blue": {Gaussian("nir", 860, 40), Gaussian("red", 650, 40), Gaussian("green", 550, 40)},
		"twelve bands":      manyBands(12),
		"the same thrice":   {Gaussian("a", 550, 80), Gaussian("b", 550, 80), Gaussian("c", 550, 80)},
		"centres only":      {{Band: "blue", CentreNM: 450}, {Band: "green", CentreNM: 550}, {Band: "red", CentreNM: 640}},
	}
}

func manyBands(n int) []Response {
	var bands []Response
	for i := range n {
		centre := 410 + 280*float64(i)/float64(n-1)
		bands = append(bands, Gaussian(fmt.Sprintf("%.0f nm", centre), centre, 25))
	}
	return bands
}

func TestGreyStaysGreyWhateverTheBands(t *testing.T) {
	for name, bands := range bandSets() {
		for _, ill := range []Illuminant{D65(), EqualEnergy(), Blackbody(SunTemperatureK)} {
			tr := mustMatrix(t, bands, ill)
			white := ill.White()
			for _, level := range []float64{0, 0.03, 1} {
				values := make([]float64, len(bands))
				for j := range values {
					values[j] = level
				}
				xyz, rgb := tr.ToXYZ(values), tr.ToRGB(values)
				for c := range 3 {
					within(t, name+", "+ill.Name+": XYZ of grey", xyz[c], level*white[c], 1e-12)
					within(t, name+", "+ill.Name+": sRGB of grey", rgb[c], level, 1e-12)
				}
			}
		}
	}
}

// A camera whose bands are any three mixtures of the colour-matching functions
// sees colour as the eye does (the Luther condition), so its matrix is exact
// but for the small noise that training allows for and the difference between
// exact integrals and sums every 5 nm. One unit is about the least that eyes
// notice (common practice, no source).
func TestCameraWithTheEyesResponsesSeesTrueColour(t *testing.T) {
	mixtures := [3][3]float64{{1, 0, 0.2}, {0.1, 1, 0}, {0, 0.1, 1}}
	bands := make([]Response, 3)
	for j, mix := range mixtures {
		bands[j].Band = []string{"long", "middle", "short"}[j]
		for i, bar := range observer() {
			bands[j].Points = append(bands[j].Points,
				Point{firstVisibleNM + stepNM*float64(i), mix[0]*bar[0] + mix[1]*bar[1] + mix[2]*bar[2]})
		}
	}
	q := mustMatrix(t, bands, D65()).Quality
	if q.Max2000 > 1 {
		t.Errorf("largest error %.2f, want below 1", q.Max2000)
	}
}

func TestMoreBandsAreNoWorse(t *testing.T) {
	last := math.Inf(1)
	for _, n := range []int{2, 4, 8} {
		q := mustMatrix(t, manyBands(n), D65()).Quality
		if q.Mean76 >= last {
			t.Errorf("%d bands: mean error %.2f, with half as many %.2f", n, q.Mean76, last)
		}
		last = q.Mean76
	}
}

// objective is the quantity that Matrix is documented to minimise.
func objective(m mat.Matrix, bands []Response, ill Illuminant) float64 {
	weights := make([]spectrum, len(bands))
	for j := range bands {
		weights[j], _, _ = bands[j].weights(&ill)
	}
	var misses, total float64
	for _, rho := range trainingSpectra() {
		want := ill.relativeXYZ(rho)
		got := product(m, bandValues(weights, rho))
		weight := math.Pow(want[1], -4.0/3)
		total += weight
		for c := range 3 {
			misses += weight * square(got[c]-want[c])
		}
	}
	return misses + total*square(trainingNoise)*square(mat.Norm(m, 2))
}

func TestNoOtherMatrixThatKeepsWhiteDoesBetter(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 5))
	for name, bands := range bandSets() {
		tr := mustMatrix(t, bands, D65())
		best := objective(tr.XYZ, bands, D65())
		n := len(bands)
		if n == 1 {
			continue // white alone decides
		}
		for range 50 {
			other := mat.DenseCopyOf(tr.XYZ)
			for c := range 3 {
				from, to, step := rng.IntN(n), rng.IntN(n), 1e-3*rng.NormFloat64()
				other.Set(c, from, other.At(c, from)-step)
				other.Set(c, to, other.At(c, to)+step)
			}
			if got := objective(other, bands, D65()); got < best*(1-1e-12) {
				t.Errorf("%s: a neighbour has the objective %.12g, the matrix %.12g", name, got, best)
			}
		}
	}
}

func TestTestColoursWereNotTrainedOn(t *testing.T) {
	colours := testColours()
	if len(colours) != 14 {
		t.Fatalf("%d test colours, CIE 13.3 has 14", len(colours))
	}
	for i := range colours {
		for _, r := range colours[i].reflectance {
			if r <= 0 || r >= 1 {
				t.Errorf("%s: reflectance %g", colours[i].name, r)
			}
		}
		for _, s := range trainingSpectra() {
			if *s == *colours[i].onGrid() {
				t.Errorf("%s is a training spectrum", colours[i].name)
			}
		}
	}
}

// The approximate colours of the test samples in D65, to tell that the table
// is in order: hues from CIE 13.3-1995, table 1 (Munsell notations; from
// memory).
func TestTestColoursHaveTheirHues(t *testing.T) {
	ill := D65()
	hues := map[string][2]float64{ // degrees in CIELAB
		"TCS01": {0, 50},    // light greyish red
		"TCS04": {130, 190}, // moderate yellowish green
		"TCS05": {180, 230}, // light bluish green
		"TCS06": {230, 280}, // light blue
		"TCS08": {310, 350}, // light reddish purple
		"TCS09": {10, 50},   // strong red
		"TCS10": {70, 100},  // strong yellow
		"TCS11": {140, 190}, // strong green
		"TCS12": {260, 310}, // strong blue
		"TCS13": {40, 80},   // light yellowish pink, skin
		"TCS14": {100, 150}, // moderate olive green, leaf
	}
	colours := testColours()
	for i := range colours {
		want, named := hues[colours[i].name]
		if !named {
			continue
		}
		delete(hues, colours[i].name)
		lab := ToLab(ill.relativeXYZ(colours[i].onGrid()), ill.White())
		if h := hueDegrees(lab.A, lab.B); h < want[0] || h > want[1] {
			t.Errorf("%s: hue %.0f degrees, want %g to %g", colours[i].name, h, want[0], want[1])
		}
	}
	if len(hues) > 0 {
		t.Errorf("not among the test colours: %v", hues)
	}
}

func TestApproximateIsSaid(t *testing.T) {
	for name, bands := range bandSets() {
		tr := mustMatrix(t, bands, D65())
		want := name == "centres only"
		var recorded string
		for _, s := range tr.Settings() {
			if s.Name == "colour.approximate" {
				recorded = s.Value
			}
		}
		if tr.Approximate != want || strings.Contains(tr.String(), "approximate") != want || recorded != fmt.Sprint(want) {
			t.Errorf("%s: Approximate %t, text %q, record %q", name, tr.Approximate, tr, recorded)
		}
	}
	mixed := append(rgbBands()[:2:2], Response{Band: "red", CentreNM: 640})
	if !mustMatrix(t, mixed, D65()).Approximate {
		t.Error("one assumed band of three does not make the matrix approximate")
	}
}

func TestCovarianceAgreesWithSimulatedNoise(t *testing.T) {
	tr := mustMatrix(t, rgbBands(), D65())
	values, sigma := []float64{0.3, 0.5, 0.4}, []float64{0.01, 0.02, 0.005}
	variances := make([]float64, 3)
	for j, s := range sigma {
		variances[j] = s * s
	}
	const n = 40000
	rng := rand.New(rand.NewPCG(11, 2))
	sums := map[string]*mat.SymDense{"XYZ": mat.NewSymDense(3, nil), "sRGB": mat.NewSymDense(3, nil)}
	meanXYZ, meanRGB := tr.ToXYZ(values), tr.ToRGB(values)
	noisy := make([]float64, 3)
	for range n {
		for j := range noisy {
			noisy[j] = values[j] + sigma[j]*rng.NormFloat64()
		}
		xyz, rgb := tr.ToXYZ(noisy), tr.ToRGB(noisy)
		for c := range 3 {
			xyz[c] -= meanXYZ[c]
			rgb[c] -= meanRGB[c]
		}
		sums["XYZ"].SymRankOne(sums["XYZ"], 1.0/n, mat.NewVecDense(3, xyz[:]))
		sums["sRGB"].SymRankOne(sums["sRGB"], 1.0/n, mat.NewVecDense(3, rgb[:]))
	}
	for name, want := range map[string]*mat.SymDense{"XYZ": tr.XYZCovariance(variances), "sRGB": tr.RGBCovariance(variances)} {
		for i := range 3 {
			for j := range 3 {
				// Standard error of a sample covariance of normal values.
				se := math.Sqrt((want.At(i, i)*want.At(j, j) + square(want.At(i, j))) / n)
				within(t, fmt.Sprintf("%s covariance %d,%d", name, i, j), sums[name].At(i, j), want.At(i, j), 4.5*se)
			}
		}
	}
}

func TestNoiseGainIsTheUncertaintyOfUnitNoise(t *testing.T) {
	tr := mustMatrix(t, rgbBands(), D65())
	cov := tr.RGBCovariance([]float64{1, 1, 1})
	for c, gain := range tr.Quality.NoiseGain {
		within(t, channelNames()[c], gain, math.Sqrt(cov.At(c, c)), 1e-12)
	}
}

func TestMatrixNeedsABand(t *testing.T) {
	if _, err := Matrix(nil, D65()); err == nil || !strings.Contains(err.Error(), "name at least one") {
		t.Errorf("error %v", err)
	}
}
