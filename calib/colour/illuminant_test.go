package colour

import (
	"math"
	"strings"
	"testing"
)

func within(t *testing.T, what string, got, want, tolerance float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tolerance) {
		t.Errorf("%s is %.10g, want %.10g within %g", what, got, want, tolerance)
	}
}

func TestMatchingFunctionsHaveEqualIntegrals(t *testing.T) {
	var sum [3]float64
	for _, bar := range observer() {
		for c := range sum {
			sum[c] += stepNM * bar[c]
		}
	}
	// The standard sets the integrals equal; the wavelengths beyond 380 to 780
	// nm and the rounding of the table leave 1e-5 of them.
	within(t, "integral of xbar over that of ybar", sum[0]/sum[1], 1, 2e-5)
	within(t, "integral of zbar over that of ybar", sum[2]/sum[1], 1, 2e-5)
}

// illuminantA is the formula that defines CIE standard illuminant A
// (ISO/CIE 11664-2).
func illuminantA(t *testing.T) Illuminant {
	t.Helper()
	var points []Point
	for nm := 380.0; nm <= 780; nm += 5 {
		power := 100 * math.Pow(560/nm, 5) * math.Expm1(1.435e7/(2848*560)) / math.Expm1(1.435e7/(2848*nm))
		points = append(points, Point{nm, power})
	}
	a, err := Tabulated("A", points)
	if err != nil {
		t.Fatal(err)
	}
	return a
}

func TestChromaticityOfIlluminants(t *testing.T) {
	for _, c := range []struct {
		ill             Illuminant
		x, y, tolerance float64
	}{
		{EqualEnergy(), 1.0 / 3, 1.0 / 3, 5e-6},    // by definition
		{D65(), 0.31272, 0.32903, 5.1e-6},          // CIE 15:2004, table T.3, five digits (from memory)
		{illuminantA(t), 0.44758, 0.40745, 5.1e-6}, // CIE 15:2004, table T.3, five digits (from memory)
	} {
		x, y := c.ill.Chromaticity()
		within(t, c.ill.Name+" x", x, c.x, c.tolerance)
		within(t, c.ill.Name+" y", y, c.y, c.tolerance)
		within(t, c.ill.Name+" Y of white", c.ill.White()[1], 1, 1e-15)
	}
}

// D65 is S0 + M1 S1 + M2 S2 at a correlated colour temperature of 6500 K x
// 1.4388/1.4380 (CIE 15:2004, clause 3.1). The components have one decimal,
// so the sum is good to 0.05 (1 + |M1| + |M2|).
func TestD65FollowsFromDaylightComponents(t *testing.T) {
	tempK := 6500 * 1.4388 / 1.4380
	x := -4.6070e9/math.Pow(tempK, 3) + 2.9678e6/(tempK*tempK) + 0.09911e3/tempK + 0.244063
	y := -3*x*x + 2.870*x - 0.275
	m := 0.0241 + 0.2562*x - 0.7341*y
	m1 := (-1.3515 - 1.7703*x + 5.9114*y) / m
	m2 := (0.0300 - 31.4424*x + 30.0717*y) / m
	table := daylight()
	for k, s := range daylightComponents {
		nm := firstVisibleNM + 10*k
		within(t, "D65", table[(nm-firstDaylightNM)/stepNM], s[0]+m1*s[1]+m2*s[2], 0.05*(1+math.Abs(m1)+math.Abs(m2)))
	}
}

// The Planckian locus at 5000 K: x = 0.3451, y = 0.3516 (Wyszecki & Stiles
// 1982, table 1(3.11), from memory; its c2 of 1.4388 cm K is ours to 2e-5).
func TestBlackbodyLiesOnPlanckianLocus(t *testing.T) {
	x, y := Blackbody(5000).Chromaticity()
	within(t, "x", x, 0.3451, 1e-4)
	within(t, "y", y, 0.3516, 1e-4)
}

func TestBlackbodyRefusesImpossibleTemperature(t *testing.T) {
	defer func() {
		if recover() == nil {
			t.Error("a black body of 0 K was made")
		}
	}()
	Blackbody(0)
}

func TestTabulatedErrors(t *testing.T) {
	for name, c := range map[string]struct {
		points []Point
		want   string
	}{
		"too short": {[]Point{{400, 1}, {780, 1}}, "380 to 780 nm at least"},
		"dark":      {[]Point{{380, 0}, {780, 0}}, "no power where the eye sees"},
		"unsorted":  {[]Point{{380, 1}, {380, 1}, {780, 1}}, "sort the points"},
		"negative":  {[]Point{{380, 1}, {500, -1}, {780, 1}}, "zero or above"},
		"one point": {[]Point{{380, 1}}, "fewer than two"},
	} {
		if _, err := Tabulated("lamp", c.points); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: error %v, want one with %q", name, err, c.want)
		}
	}
}

func TestTabulatedIsLinearBetweenPoints(t *testing.T) {
	lamp, err := Tabulated("lamp", []Point{{370, 1}, {500, 14}, {503, 2}, {803, 302}})
	if err != nil {
		t.Fatal(err)
	}
	for nm, want := range map[int]float64{365: 0, 370: 1, 400: 4, 500: 14, 505: 4, 600: 99, 800: 299, 805: 0} {
		within(t, "power", lamp.power[(nm-firstGridNM)/stepNM], want, 1e-12)
	}
}
