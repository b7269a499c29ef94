package calib

import (
	"fmt"
	"math"
	"testing"
)

const single = 1e-6 // relative rounding of a few single-precision operations

func compareRow(t *testing.T, r *Row, value, variance []float64) {
	t.Helper()
	for x := range value {
		if !near32(r.V[x], value[x]) {
			t.Errorf("column %d: value is %g, want %g", x, r.V[x], value[x])
		}
		if !near32(r.Var[x], variance[x]) {
			t.Errorf("column %d: variance is %g, want %g", x, r.Var[x], variance[x])
		}
	}
}

func TestFrameStageSortsSamples(t *testing.T) {
	nan := float32(math.NaN())
	for _, c := range []struct {
		name   string
		sample float32
		fill   float64
		flags  Flags
		lost   bool // the value becomes NaN
		wrong  bool // no converter makes it
	}{
		{"ordinary", 1, math.NaN(), 0, false, false},
		{"ceiling", 4095, math.NaN(), 0, false, false},
		{"floor", 0, math.NaN(), AtFloor, false, false},
		{"above the ceiling", 4096, math.NaN(), 0, false, true},
		{"below the floor", -1, math.NaN(), 0, false, true},
		{"not a number", nan, math.NaN(), Missing, true, false},
		{"fill value", 7, 7, Missing, true, false},
		{"fill value zero", 0, 0, Missing, true, false},
		{"fill value outside the range", -32768, -32768, Missing, true, false},
		{"endless", float32(math.Inf(1)), math.NaN(), 0, false, true},
	} {
		r := wholeRow(c.sample)
		r.Flags[0], r.Var[0] = Hot, 99 // left from the row before
		FrameStage{4095, c.fill}.Apply(r)
		if r.Flags[0] != c.flags || isNaN(r.V[0]) != c.lost || (r.BadX == 0) != c.wrong {
			t.Errorf("%s: value %g, flags %v, wrong column %d", c.name, r.V[0], r.Flags[0], r.BadX)
		}
		within(t, c.name+": quantisation", float64(r.Var[0]), 1.0/12, single/12)
	}
}

func TestSaturationStageKnowsTheAmplifiers(t *testing.T) {
	r := wholeRow(99, 100, float32(math.NaN()), 100, 149, 150)
	r.Segs = []Segment{{0, 3, 1}, {3, 6, 0}}
	SaturationStage{LevelDN: []float64{150, 100}}.Apply(r)
	for x, want := range []Flags{0, Saturated, 0, 0, 0, Saturated} {
		if r.Flags[x] != want {
			t.Errorf("column %d: %v, want %v", x, r.Flags[x], want)
		}
	}
}

func TestOffsetStageTakesTheRowsOffsetOff(t *testing.T) {
	left, right := NoOffset(2), NoOffset(2)
	left.DN[1], left.Variance[1] = 300, 0.25
	right.DN[1], right.Variance[1], right.Unsure[1] = 310, 0.5, true
	r := wholeRow(400, 401, 400)
	r.Y, r.Segs = 1, []Segment{{0, 2, 0}, {2, 3, 1}}
	OffsetStage{OffsetRule{FromOverscan: true}, []OffsetTrace{left, right}}.Apply(r)
	compareRow(t, r, []float64{100, 101, 90}, []float64{0.25, 0.25, 0.5})
	if r.Flags[0] != 0 || r.Flags[1] != 0 || r.Flags[2] != OffsetUnsure {
		t.Errorf("flags are %v", r.Flags)
	}
}

func TestBiasStageTakesTheFixedPatternOff(t *testing.T) {
	b := constant(2, 2, 0, 0)
	copy(b.Value, []float32{1, 2, 3, -4})
	copy(b.Variance, []float32{9, 9, 0.5, 0.25})
	r := wholeRow(10, 20)
	r.Y = 1
	r.Var[0], r.Var[1] = 1, 2
	BiasStage{b, 0.5}.Apply(r)
	compareRow(t, r, []float64{7, 24}, []float64{1.25, 2.125})
}

// Polynomials of order 2 to 5 against sums of powers, both ways of computing
// included: value lin(v), variance times lin'(v)^2.
func TestLinearityStageOfEachOrder(t *testing.T) {
	all := Polynomial{3e-6, -2e-10, 4e-14, -1e-18}
	levels := []float32{-50, 0, 0.5, 100, 5000, 9000}
	for order := 1; order <= 5; order++ {
		curve := all[:order-1]
		r := wholeRow(append([]float32(nil), levels...)...)
		for x := range r.Var {
			r.Var[x] = 2
		}
		LinearityStage{[]Polynomial{curve}, []float64{5000}}.Apply(r)
		for x, v32 := range levels {
			v := float64(v32)
			value, slope := v, 1.0
			for i, c := range curve {
				p := float64(i + 2)
				value += c * math.Pow(v, p)
				slope += p * c * math.Pow(v, p-1)
			}
			within(t, fmt.Sprintf("order %d: lin(%g)", order, v), float64(r.V[x]), value, single*math.Abs(value))
			within(t, fmt.Sprintf("order %d: variance at %g", order, v), float64(r.Var[x]), 2*slope*slope, 2*single*slope*slope)
			within(t, fmt.Sprintf("order %d: At(%g)", order, v), curve.At(v), value, 1e-14*math.Abs(value))
			within(t, fmt.Sprintf("order %d: Slope(%g)", order, v), curve.Slope(v), slope, 1e-14)
			if beyond := r.Flags[x]&BeyondRange != 0; order > 1 && beyond != (v > 5000) {
				t.Errorf("order %d: beyond the range at %g is %t", order, v, beyond)
			}
		}
	}
}

func TestLinearityWithoutLimitIsNeverBeyondIt(t *testing.T) {
	r := wholeRow(60000)
	LinearityStage{[]Polynomial{{1e-7}}, []float64{0}}.Apply(r)
	if r.Flags[0] != 0 {
		t.Errorf("flags are %v", r.Flags[0])
	}
}

func TestPolynomialInverse(t *testing.T) {
	for _, p := range []Polynomial{nil, {2e-6}, {-4e-6}, {3e-6, -1e-10}, {1e-6, -2e-11, 3e-15, -2e-20}} {
		for _, v := range []float64{-200, 0, 1e-3, 1, 500, 20000, 50000} {
			within(t, fmt.Sprintf("inverse of %v at lin(%g)", []float64(p), v), p.Inverse(p.At(v)), v, 1e-11*max(1, math.Abs(v)))
		}
	}
	// v - 1e-5 v^2 has its largest value, 25000, at v = 50000.
	if v := (Polynomial{-1e-5}).Inverse(26000); !math.IsNaN(v) {
		t.Errorf("a value that the curve never takes has the inverse %g, want NaN", v)
	}
}

func TestGainStageAddsTheReadNoiseOfEachAmplifier(t *testing.T) {
	r := wholeRow(100, 100, -3)
	r.Segs = []Segment{{0, 1, 1}, {1, 3, 0}}
	copy(r.Var, []float32{0.5, 0.5, 0.5})
	GainStage{[]Amplifier{{GainEPerDN: 2, ReadNoiseE: 5}, {GainEPerDN: 3, ReadNoiseE: 7}}}.Apply(r)
	compareRow(t, r, []float64{300, 200, -6}, []float64{0.5*9 + 49, 0.5*4 + 25, 0.5*4 + 25})
}

func TestDarkStageScalesTheMaster(t *testing.T) {
	d := constant(2, 1, 0, 0)
	copy(d.Value, []float32{0.5, 20})
	copy(d.Variance, []float32{0.01, 0.04})
	r := wholeRow(100, 100)
	copy(r.Var, []float32{25, 25})
	DarkStage{Master: d, HT: 3}.Apply(r)
	compareRow(t, r, []float64{98.5, 40}, []float64{25.09, 25.36})
}

// S = N/F has Var(S) = Var(N)/F^2 + S^2 Var(F)/F^2 (JCGM 100:2008, 5.1.2), and
// a mean that is 1 + rho times the true one with rho = Var(F)/F^2, which the
// inverse allows for. Both pixels differ too much for either to be the other's
// level.
func TestFlatStageDividesByTheResponse(t *testing.T) {
	f := constant(4, 1, 0, 0)
	copy(f.Value, []float32{0.5, 1.25, 0, float32(math.NaN())})
	copy(f.Variance, []float32{0.0001, 0.0004, 0.1, 0.1})
	r := wholeRow(100, 1000, 5, 5)
	copy(r.Var, []float32{110, 1100, 30, 30})
	FlatStage{NewFlatField(f)}.Apply(r)
	rho := []float64{0.0001 / 0.25, 0.0004 / 1.5625}
	value := []float64{200 * (1 - rho[0]), 800 * (1 - rho[1])}
	compareRow(t, r, value, []float64{
		110/0.25*(1-rho[0])*(1-rho[0]) + value[0]*value[0]*rho[0],
		1100/1.5625*(1-rho[1])*(1-rho[1]) + value[1]*value[1]*rho[1],
	})
	if !isNaN(r.V[2]) || !isNaN(r.V[3]) {
		t.Errorf("pixels without response have the values %g and %g, want NaN", r.V[2], r.V[3])
	}
}

// Boltzmann's constant is 8.617333262e-5 eV/K (CODATA 2018).
func TestDarkLaws(t *testing.T) {
	const boltzmann = 8.617333262e-5
	doubling := DarkLaw{Kind: "doubling", ReferenceK: 260, IntervalK: 7, RelUncert: 0.03}
	activation := DarkLaw{Kind: "activation", ReferenceK: 260, EnergyEV: 0.62, RelUncert: 0.02}
	fixed := DarkLaw{Kind: "constant", ReferenceK: 260, RelUncert: 0.1}
	for _, c := range []struct {
		law    DarkLaw
		tempK  float64
		h      float64
		uncert float64 // relative
	}{
		{doubling, 260, 1, 0},
		{doubling, 267, 2, math.Ln2 * 0.03},
		{doubling, 246, 0.25, 2 * math.Ln2 * 0.03},
		{activation, 260, 1, 0},
		{activation, 270, math.Exp(0.62 / boltzmann * (1.0/260 - 1.0/270)), 0.62 / boltzmann * (1.0/260 - 1.0/270) * 0.02},
		{activation, 230, math.Exp(-0.62 / boltzmann * (1.0/230 - 1.0/260)), 0.62 / boltzmann * (1.0/230 - 1.0/260) * 0.02},
		{fixed, 290, 1, 0},
	} {
		name := fmt.Sprintf("%s law at %g K", c.law.Kind, c.tempK)
		within(t, name, c.law.At(c.tempK), c.h, 1e-8*c.h)
		within(t, "uncertainty of the "+name, c.law.RelativeUncertainty(c.tempK, c.law.ReferenceK), c.uncert, 1e-8)
	}
}

// The stated u(h) is what a law with the parameter off by one standard
// uncertainty differs by, to first order.
func TestDarkLawUncertaintyIsThatOfItsParameter(t *testing.T) {
	const u = 1e-4
	doubling := DarkLaw{Kind: "doubling", ReferenceK: 260, IntervalK: 7, RelUncert: u}
	activation := DarkLaw{Kind: "activation", ReferenceK: 260, EnergyEV: 0.62, RelUncert: u}
	for _, tempK := range []float64{230, 255, 259.9, 275} {
		off := doubling
		off.IntervalK *= 1 + u
		change := math.Abs(off.At(tempK)/doubling.At(tempK) - 1)
		within(t, "doubling", doubling.RelativeUncertainty(tempK, doubling.ReferenceK), change, 1e-3*change)
		off = activation
		off.EnergyEV *= 1 + u
		change = math.Abs(off.At(tempK)/activation.At(tempK) - 1)
		within(t, "activation", activation.RelativeUncertainty(tempK, activation.ReferenceK), change, 1e-3*change)
	}
}

// A dark master of two exposures is simulated with an error b of the bias,
// and a frame is corrected with both: the error that is left has the variance
// of b times the factor.
func TestBiasVarianceFactor(t *testing.T) {
	const draws = 40000
	darks := []struct{ ht, weight float64 }{{20, 0.25}, {60, 0.75}}
	kappa := 0.0
	for _, d := range darks {
		kappa += d.weight / d.ht
	}
	for _, ht := range []float64{0, 10, 1 / kappa, 200} {
		for _, same := range []bool{true, false} {
			rng := newRand(41)
			var left moments
			for range draws {
				mine := rng.NormFloat64()
				its := mine
				if !same {
					its = rng.NormFloat64()
				}
				dark := 0.0
				for _, d := range darks {
					dark += d.weight * (0 - its) / d.ht // the frame has no true dark charge
				}
				left.add(0 - mine - dark*ht)
			}
			got := BiasVarianceFactor(kappa, ht, same)
			within(t, fmt.Sprintf("factor for h t = %.3g, same bias %t", ht, same), got, left.meanSquare(),
				sigmas*math.Sqrt(2.0/draws)*got+1e-12)
		}
	}
}

func TestBadPixelStageAddsTheMask(t *testing.T) {
	r := wholeRow(1, 2)
	r.Y = 1
	r.Flags[0] = Missing
	BadPixelStage{[]Flags{0, Dead, Hot, 0}}.Apply(r)
	if r.Flags[0] != Missing|Hot || r.Flags[1] != 0 {
		t.Errorf("flags are %v", r.Flags)
	}
}

// Provenance must read back to the numbers that were used.
func TestStagesTellTheirSettings(t *testing.T) {
	amp := Amplifier{GainEPerDN: 2.1, ReadNoiseE: 7}
	trace := level(1, 301.25)
	for _, c := range []struct {
		stage Stage
		name  string
		want  map[string]string
	}{
		{FrameStage{4095, math.NaN()}, "frame", map[string]string{"ceiling_dn": "4095"}},
		{FrameStage{4095, 7}, "frame", map[string]string{"ceiling_dn": "4095", "fill_dn": "7"}},
		{SaturationStage{LevelDN: []float64{10, 20.5}}, "saturation", map[string]string{"level_dn.1": "10", "level_dn.2": "20.5"}},
		{OffsetStage{OffsetRule{true, 15, 4}, []OffsetTrace{trace}}, "offset",
			map[string]string{"from": "overscan", "smooth_rows": "15", "reject_sigma": "4", "level_dn.1": "301.25"}},
		{OffsetStage{OffsetRule{}, []OffsetTrace{trace}}, "offset", map[string]string{"from": "bias"}},
		{BiasStage{nil, 0.81}, "bias", map[string]string{"variance_factor": "0.81"}},
		{LinearityStage{[]Polynomial{{1e-7, 0.1}, nil}, []float64{0, 90}}, "linearity",
			map[string]string{"c2.1": "1e-07", "c3.1": "0.1", "max_dn.2": "90"}},
		{GainStage{[]Amplifier{amp}}, "gain", map[string]string{"gain_e_per_dn.1": "2.1", "read_noise_e.1": "7"}},
		{DarkStage{HT: 2, TimeS: 4, TempK: 255, Law: DarkLaw{Kind: "doubling", ReferenceK: 260, IntervalK: 5}}, "dark",
			map[string]string{"law": "doubling", "reference_k": "260", "interval_k": "5", "time_s": "4", "h_times_t_s": "2", "temperature_k": "255"}},
		{DarkStage{HT: 4, TimeS: 4, TempK: math.NaN(), Law: DarkLaw{Kind: "activation", ReferenceK: 260, EnergyEV: 0.6}}, "dark",
			map[string]string{"law": "activation", "reference_k": "260", "energy_ev": "0.6", "time_s": "4", "h_times_t_s": "4"}},
		{FlatStage{}, "flat", map[string]string{}},
		{&Noise{}, "noise", map[string]string{"window": "5", "stand_out_sigma": "5"}},
		{LightStage{Light: Light{0.1, "W m-2 sr-1 nm-1"}}, "radiance", map[string]string{"per_electron": "0.1", "unit": "W m-2 sr-1 nm-1"}},
		{BadPixelStage{}, "bad_pixels", map[string]string{}},
	} {
		if got := c.stage.Name(); got != c.name {
			t.Errorf("name is %q, want %q", got, c.name)
		}
		settings := c.stage.Settings()
		if len(settings) != len(c.want) {
			t.Errorf("%s: settings are %v, want %v", c.name, settings, c.want)
		}
		for _, s := range settings {
			if c.want[s.Name] != s.Value {
				t.Errorf("%s: %s is %s, want %s", c.name, s.Name, s.Value, c.want[s.Name])
			}
		}
	}
}
