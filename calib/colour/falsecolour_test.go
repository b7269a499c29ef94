package colour

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"evenlight/calib"
)

func TestExpressions(t *testing.T) {
	names := []string{"blue", "green", "red", "nir"}
	for text, want := range map[string]Expression{
		"red":         {2, -1},
		" blue ":      {0, -1},
		"nir/green":   {3, 1},
		"nir / green": {3, 1},
	} {
		if got, err := ParseExpression(text, names); err != nil || got != want {
			t.Errorf("%q: %+v, %v, want %+v", text, got, err, want)
		}
	}
	for text, want := range map[string]string{
		"gren":      `did you mean "green"? there are blue, green, red, nir`,
		"RED":       `did you mean "red"?`,
		"nri/green": `did you mean "nir"?`,
		"nir/bleu":  `did you mean "blue"?`,
		"":          "a band is missing",
		"nir/":      "a band is missing",
		"/nir":      "a band is missing",
		"red/nir/x": "more than one division",
		"red/red":   "1 everywhere",
	} {
		if _, err := ParseExpression(text, names); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: error %v, want one with %q", text, err, want)
		}
	}
	if _, err := ParseExpression("red", nil); err == nil || !strings.Contains(err.Error(), "there are no bands") {
		t.Errorf("without bands: %v", err)
	}
}

func TestEditDistance(t *testing.T) {
	for _, c := range []struct {
		a, b string
		want int
	}{{"", "", 0}, {"abc", "", 3}, {"", "ab", 2}, {"kitten", "sitting", 3}, {"flaw", "lawn", 2}} {
		if got := editDistance(c.a, c.b); got != c.want {
			t.Errorf("%q to %q: %d, want %d", c.a, c.b, got, c.want)
		}
	}
}

func pixel(value, variance float32, flags calib.Flags) *calib.Raster {
	return &calib.Raster{Width: 1, Height: 1, Value: []float32{value}, Variance: []float32{variance}, Flags: []calib.Flags{flags}}
}

func TestRatioOfPixels(t *testing.T) {
	for name, c := range map[string]struct {
		a, b            *calib.Raster
		value, variance float64 // NaN: none
		flags           calib.Flags
	}{
		// u^2/r^2 = (0.02/2)^2 + (0.03/4)^2 = 1.5625e-4; times 0.25
		"usual":                     {pixel(2, 4e-4, 0), pixel(4, 9e-4, 0), 0.5, 3.90625e-5, 0},
		"flags of both":             {pixel(2, 0, calib.Hot), pixel(4, 0, calib.Moved), 0.5, 0, calib.Hot | calib.Moved},
		"negative divisor":          {pixel(1, 0, 0), pixel(-2, 0.01, 0), -0.5, 0.000625, 0},
		"dividend of zero":          {pixel(0, 1, 0), pixel(10, 1, 0), 0, 0.01, 0},
		"divisor at three sigma":    {pixel(1, 0, 0), pixel(3, 1, 0), 1.0 / 3, 1.0 / 81, 0},
		"divisor below three sigma": {pixel(1, 0, 0), pixel(2.99, 1, 0), math.NaN(), math.NaN(), 0},
		"divisor of zero":           {pixel(1, 0, 0), pixel(0, 0, 0), math.NaN(), math.NaN(), 0},
		"saturated dividend":        {pixel(1, nan(), calib.Saturated), pixel(2, 0, 0), math.NaN(), math.NaN(), calib.Saturated},
		"filled divisor":            {pixel(2, 4e-4, 0), pixel(4, 9e-4, calib.Missing|calib.Filled), 0.5, 3.90625e-5, calib.Missing | calib.Filled},
		"missing divisor":           {pixel(1, 0, 0), pixel(nan(), nan(), calib.Missing), math.NaN(), math.NaN(), calib.Missing},
	} {
		got := Expression{0, 1}.Of([]*calib.Raster{c.a, c.b}, 1)
		if got.Flags[0] != c.flags {
			t.Errorf("%s: flags %v, want %v", name, got.Flags[0], c.flags)
		}
		if math.IsNaN(c.value) {
			if got.Value[0] == got.Value[0] || got.Variance[0] == got.Variance[0] {
				t.Errorf("%s: %g +- %g, want no value", name, got.Value[0], got.Variance[0])
			}
			continue
		}
		within(t, name+": value", float64(got.Value[0]), c.value, 1e-7)
		within(t, name+": variance", float64(got.Variance[0]), c.variance, 1e-7*c.variance)
	}
}

// At 2 % noise the second order that the variance leaves out is 3 (0.02)^2 of
// it, well below what the sample can tell.
func TestRatioVarianceAgreesWithSimulatedNoise(t *testing.T) {
	const n = 40000
	rng := rand.New(rand.NewPCG(4, 4))
	a, b := calib.NewRaster(200, 200), calib.NewRaster(200, 200)
	for i := range n {
		a.Value[i], a.Variance[i] = float32(0.6+0.012*rng.NormFloat64()), 0.012*0.012
		b.Value[i], b.Variance[i] = float32(0.3+0.006*rng.NormFloat64()), 0.006*0.006
	}
	r := Expression{0, 1}.Of([]*calib.Raster{a, b}, 2)
	var pulls float64
	for i, v := range r.Value {
		pulls += square(float64(v)-2) / float64(r.Variance[i]) / n
	}
	within(t, "mean square pull", pulls, 1, 4.5*math.Sqrt(2.0/n)+3*0.02*0.02)
}

func TestFalseColourTakesBandsAndRatios(t *testing.T) {
	bands := scene(16, 8)
	names := []string{"blue", "green", "red"}
	channels, err := FalseColour([3]string{"red/blue", "green", "blue"}, names, bands, 2)
	if err != nil {
		t.Fatal(err)
	}
	if channels[1] != bands[1] || channels[2] != bands[0] {
		t.Error("plain bands do not come back as they are")
	}
	within(t, "ratio", float64(channels[0].Value[40]), float64(bands[2].Value[40])/float64(bands[0].Value[40]), 1e-6)
	for what, c := range map[string]struct {
		texts [3]string
		names []string
	}{
		"false colour, blue: expression \"rde\"": {[3]string{"red", "green", "rde"}, names},
		"2 names for 3 bands":                    {[3]string{"red", "green", "blue"}, names[:2]},
	} {
		if _, err := FalseColour(c.texts, c.names, bands, 1); err == nil || !strings.Contains(err.Error(), what) {
			t.Errorf("error %v, want one with %q", err, what)
		}
	}
}
