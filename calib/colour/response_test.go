package colour

import (
	"math"
	"strings"
	"testing"
)

// moments returns the area of the projected curve and its mean wavelength.
// The hat functions add up to 1 and to the wavelength, so both are those of
// the curve.
func moments(points []Point) (area, meanNM float64) {
	for i, w := range projected(points) {
		area += w
		meanNM += w * gridNM(i)
	}
	return area, meanNM / area
}

func TestProjectionKeepsAreaAndPlace(t *testing.T) {
	for name, c := range map[string]struct {
		points       []Point
		area, meanNM float64
	}{
		"box on the grid":               {[]Point{{400, 2}, {600, 2}}, 400, 500},
		"box off the grid":              {[]Point{{401.3, 1}, {408.1, 1}}, 6.8, 404.7},
		"triangle narrower than a cell": {[]Point{{632.1, 0}, {632.4, 1}, {632.7, 0}}, 0.3, 632.4},
		"wedge":                         {[]Point{{500, 0}, {560, 1}}, 30, 540},
		"cut at the end of the grid":    {[]Point{{1080, 1}, {1120, 1}}, 20, 1090},
	} {
		area, mean := moments(c.points)
		within(t, name+": area", area, c.area, 1e-9)
		within(t, name+": mean wavelength", mean, c.meanNM, 1e-9)
	}
}

func TestWhiteHasTheValueOneInEveryBand(t *testing.T) {
	ill := D65()
	for _, r := range []Response{Gaussian("g", 550, 80), {Band: "line", Points: []Point{{632.1, 0}, {632.4, 1}, {632.7, 0}}}, {Band: "nir", CentreNM: 900, WidthNM: 30}} {
		w, _, err := r.weights(&ill)
		if err != nil {
			t.Fatal(err)
		}
		within(t, r.Band, bandValues([]spectrum{w}, perfectWhite())[0], 1, 1e-12)
	}
}

func TestGaussianHasItsWidth(t *testing.T) {
	points := Gaussian("g", 550, 80).Points
	middle := len(points) / 2
	within(t, "peak wavelength", points[middle].WavelengthNM, 550, 1e-9)
	within(t, "value half a width away", points[middle+10].Relative, 0.5, 1e-12)
	within(t, "half a width", points[middle+10].WavelengthNM, 590, 1e-9)
}

func TestResponseErrors(t *testing.T) {
	short, err := Tabulated("lamp", []Point{{380, 1}, {780, 1}})
	if err != nil {
		t.Fatal(err)
	}
	for name, c := range map[string]struct {
		response Response
		ill      Illuminant
		want     string
	}{
		"no centre":          {Response{Band: "x"}, D65(), "give the response or the centre"},
		"infrared":           {Response{Band: "x", CentreNM: 2000}, D65(), "not within 300 to 1100 nm"},
		"width":              {Response{Band: "x", CentreNM: 500, WidthNM: -3}, D65(), "give a positive width"},
		"NaN width":          {Response{Band: "x", CentreNM: 500, WidthNM: math.NaN()}, D65(), "give a positive width"},
		"zero":               {Response{Band: "x", Points: []Point{{500, 0}, {510, 0}}}, D65(), "zero everywhere"},
		"beyond the grid":    {Gaussian("x", 1100, 50), D65(), "outside 300 to 1100 nm"},
		"beyond the lamp":    {Gaussian("x", 850, 50), short, "outside 380 to 780 nm, where illuminant lamp"},
		"infinite":           {Response{Band: "x", Points: []Point{{500, math.Inf(1)}, {510, 0}}}, D65(), "zero or above"},
		"wavelength of zero": {Response{Band: "x", Points: []Point{{0, 1}, {510, 0}}}, D65(), "impossible"},
	} {
		_, err := Matrix([]Response{c.response}, c.ill)
		if err == nil || !strings.Contains(err.Error(), c.want) || !strings.Contains(err.Error(), "band x") {
			t.Errorf("%s: error %v, want one with %q that names the band", name, err, c.want)
		}
	}
}
