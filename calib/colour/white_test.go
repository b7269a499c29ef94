package colour

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"evenlight/calib"
)

// plate is a band that shows a level with normal noise; the variance plane
// says what it is told to.
func plate(seed uint64, level, sigma, saidVariance float64) *calib.Raster {
	r := calib.NewRaster(40, 30)
	rng := rand.New(rand.NewPCG(seed, 9))
	for i := range r.Value {
		r.Value[i] = float32(level + sigma*rng.NormFloat64())
		r.Variance[i] = float32(saidVariance)
	}
	return r
}

func TestTargetWhiteIsTheMeanWithItsUncertainty(t *testing.T) {
	region := calib.Region{X0: 5, X1: 25, Y0: 10, Y1: 20} // 200 pixels
	scatters, varies := plate(1, 0.4, 0.02, 0), plate(2, 0.8, 0, 0.03*0.03)
	lost := 12*40 + 7
	scatters.Flags[lost], scatters.Value[lost] = calib.Missing, nan()
	varies.Value[lost] = 1e6 // good, but the other band has nothing there
	w, err := TargetWhite([]string{"red", "blue"}, []*calib.Raster{scatters, varies}, region)
	if err != nil {
		t.Fatal(err)
	}
	const n = 199
	within(t, "red", w.Values[0], 0.4, 4*0.02/math.Sqrt(n))
	within(t, "blue", w.Values[1], 0.8, 1e-6)
	// A sample standard deviation is known to 1/sqrt(2 (n-1)).
	within(t, "uncertainty of red, from scatter", w.Uncertainty[0]*math.Sqrt(n), 0.02, 4*0.02/math.Sqrt(2*(n-1)))
	within(t, "uncertainty of blue, from variances", w.Uncertainty[1]*math.Sqrt(n), 0.03, 1e-7)
	if w.Source != "target at columns 6-25 rows 11-20" {
		t.Errorf("source %q", w.Source)
	}
}

func TestUncertaintyOfTwoPixels(t *testing.T) {
	b := calib.NewRaster(2, 1)
	b.Value[0], b.Value[1] = 1, 3 // s = sqrt(2), and s/sqrt(2) = 1
	w, err := TargetWhite([]string{"red"}, []*calib.Raster{b}, calib.Region{X1: 2, Y1: 1})
	if err != nil {
		t.Fatal(err)
	}
	within(t, "mean", w.Values[0], 2, 1e-15)
	within(t, "uncertainty", w.Uncertainty[0], 1, 1e-15)
}

func TestTargetWhiteErrors(t *testing.T) {
	good := plate(1, 0.4, 0.01, 1e-4)
	dark := plate(1, -1, 0.01, 1e-4)
	lost := plate(1, 0.4, 0.01, 1e-4)
	for i := range lost.Flags {
		lost.Flags[i] = calib.Saturated
	}
	inside := calib.Region{X1: 10, Y1: 10}
	for name, c := range map[string]struct {
		names  []string
		bands  []*calib.Raster
		region calib.Region
		want   string
	}{
		"no bands":   {nil, nil, inside, "give at least one"},
		"names":      {[]string{"a"}, []*calib.Raster{good, good}, inside, "give each band one name"},
		"shapes":     {[]string{"a", "b"}, []*calib.Raster{good, calib.NewRaster(3, 3)}, inside, "band b is 3 x 3 pixels, band a 40 x 30"},
		"outside":    {[]string{"a"}, []*calib.Raster{good}, calib.Region{X1: 41, Y1: 2}, "columns 1-41 rows 1-2 is not within"},
		"saturated":  {[]string{"a"}, []*calib.Raster{lost}, inside, "has 0 pixels that are good in all bands"},
		"below zero": {[]string{"a"}, []*calib.Raster{dark}, inside, "band a: mean over columns 1-10 rows 1-10"},
	} {
		if _, err := TargetWhite(c.names, c.bands, c.region); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: error %v, want one with %q", name, err, c.want)
		}
	}
}

func TestScalePropagatesBothUncertainties(t *testing.T) {
	w := White{Values: []float64{0.5, 2}, Uncertainty: []float64{0.01, 0}}
	value, random, common := w.Scale([]float64{0.25, 1}, []float64{0.0004, 0.04})
	for j, want := range [][3]float64{{0.5, 0.0016, 0.0001}, {0.5, 0.01, 0}} { // (0.5 x 2 %)^2 = 0.0001
		within(t, "value", value[j], want[0], 1e-15)
		within(t, "random variance", random[j], want[1], 1e-15)
		within(t, "common variance", common[j], want[2], 1e-15)
	}
}

func TestSunWhiteLeavesValuesAsTheyAre(t *testing.T) {
	w := SunWhite(2)
	value, random, common := w.Scale([]float64{0.3, 0.7}, []float64{0.01, 0.02})
	if value[0] != 0.3 || value[1] != 0.7 || random[0] != 0.01 || random[1] != 0.02 || common[0] != 0 || common[1] != 0 {
		t.Errorf("%v %v %v", value, random, common)
	}
}

func TestMixerRefusesImpossibleWhite(t *testing.T) {
	for _, c := range []struct {
		white White
		want  string
	}{
		{SunWhite(2), "2 values and 2 uncertainties for 3 bands"},
		{White{Values: []float64{1, 0, 1}, Uncertainty: make([]float64, 3)}, "value 2 is 0"},
		{White{Values: []float64{1, 1, math.NaN()}, Uncertainty: make([]float64, 3)}, "value 3 is NaN"},
		{White{Values: []float64{1, 1, 1}, Uncertainty: []float64{-1, 0, 0}}, "uncertainty 1 is -1"},
	} {
		if _, err := NewMixer(Direct(), c.white, calib.Unusable); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("error %v, want one with %q", err, c.want)
		}
	}
}
