package calib

import (
	"fmt"
	"math"
	"testing"
)

// A column of light rates, e-/s, gives the charge of a frame transfer by the
// definition: what each pixel passes, row by row, added up.
func smearedColumn(rates []float64, rule SmearRule) (charge, smear []float64) {
	n := len(rates)
	charge, smear = make([]float64, n), make([]float64, n)
	for y := range rates {
		for _, shift := range []struct{ on, towardsFirst bool }{
			{rule.After, rule.ToFirst},   // leaves over the rows on the way out
			{rule.Before, !rule.ToFirst}, // came over the rows behind it
		} {
			if !shift.on {
				continue
			}
			for p := range rates {
				if passed := p < y == shift.towardsFirst && p != y; passed || (p == y && rule.OwnRow) {
					smear[y] += rule.RowS * rates[p]
				}
			}
		}
		charge[y] = rates[y]*rule.ExposeS + smear[y]
	}
	return charge, smear
}

func TestSolvingTheSmearGivesWhatWasPassed(t *testing.T) {
	rates := []float64{10, 5000, 0, 300, 300, 80000, 1, 2000}
	for _, rule := range []SmearRule{
		{ToFirst: true, After: true}, {ToFirst: false, After: true}, {ToFirst: true, Before: true}, {ToFirst: false, Before: true},
		{ToFirst: true, Before: true, After: true}, {ToFirst: false, Before: true, After: true},
	} {
		for _, own := range []bool{false, true} {
			rule.RowS, rule.ExposeS, rule.OwnRow, rule.NoiseE2 = 2e-4, 0.02, own, 25
			t.Run(fmt.Sprintf("%+v", rule), func(t *testing.T) {
				charge, want := smearedColumn(rates, rule)
				n := make([]float32, len(rates))
				for i, q := range charge {
					n[i] = float32(q)
				}
				left := taken(SolveSmear(rule, 1, n, make([]bool, len(n))), charge)
				for y := range want {
					// Single precision of the largest charge.
					if math.Abs(left[y].E-rates[y]*rule.ExposeS) > 1e-6*charge[5] || left[y].Flags != 0 {
						t.Errorf("row %d: %g e- left (flags %v), want %g", y, left[y].E, left[y].Flags, charge[y]-want[y])
					}
				}
			})
		}
	}
}

// taken takes the smear off each row of a column.
func taken(m *SmearMap, charge []float64) []leftOver {
	out := make([]leftOver, len(charge))
	for y, q := range charge {
		r := &Row{Y: y, V: []float32{float32(q)}, Var: []float32{0}, Flags: make([]Flags, 1), Other: make([]float32, 1)}
		SmearStage{Map: m}.Apply(r)
		out[y] = leftOver{float64(r.V[0]), r.Flags[0]}
	}
	return out
}

type leftOver struct {
	E     float64
	Flags Flags
}

func TestMaskedRowsTellTheSmearOfBothShifts(t *testing.T) {
	rates := []float64{10, 5000, 0, 300, 80000, 2000}
	for _, own := range []bool{false, true} {
		rule := SmearRule{RowS: 2e-4, ExposeS: 0.02, ToFirst: true, Before: true, After: true, OwnRow: own}
		charge, _ := smearedColumn(rates, rule)
		sum := 0.0
		for _, r := range rates {
			sum += r
		}
		left := taken(rule.Columns([]float32{float32(rule.RowS * sum)}, []float32{9}, []bool{false}), charge)
		for y, r := range rates {
			if got := left[y].E; math.Abs(got-r*rule.ExposeS) > 1e-6*charge[4] {
				t.Errorf("own row %v, row %d: %g e- left, want %g", own, y, got, r*rule.ExposeS)
			}
		}
	}
}

// What lies beyond a lost or saturated pixel, in the direction of the shift,
// is unsure; with both shifts the whole column is.
func TestSmearBeyondALostPixelIsUnsure(t *testing.T) {
	for _, c := range []struct {
		rule SmearRule
		want []bool
	}{
		{SmearRule{After: true, ToFirst: true}, []bool{false, false, false, true}},
		{SmearRule{After: true}, []bool{true, true, false, false}},
		{SmearRule{Before: true, ToFirst: true}, []bool{true, true, false, false}},
		{SmearRule{Before: true, After: true}, []bool{true, true, true, true}},
	} {
		c.rule.RowS, c.rule.ExposeS = 1e-4, 0.1
		for _, lost := range []float32{float32(math.NaN()), 1e5} {
			n, bad := []float32{100, 100, lost, 100}, make([]bool, 4)
			bad[2] = lost == lost
			got := SolveSmear(c.rule, 1, n, bad)
			for y := range c.want {
				if un := rowOf(got.Unsure, 1, y)[0]; un != c.want[y] {
					t.Errorf("%+v, lost value %g: row %d unsure %v, want %v", c.rule, lost, y, un, c.want[y])
				}
				if v := rowOf(got.Value, 1, y)[0]; v != v {
					t.Errorf("%+v: row %d has no smear", c.rule, y)
				}
			}
		}
	}
}

func TestSmearStageTakesChargeOffAndTellsTheShotNoise(t *testing.T) {
	r := &Row{V: []float32{100, 200}, Var: []float32{1, 1}, Flags: make([]Flags, 2), Other: make([]float32, 2)}
	SmearStage{Map: &SmearMap{Width: 2, Value: []float32{10, -1}, Variance: []float32{0.5, 0.25}, Unsure: []bool{false, true}}}.Apply(r)
	if r.V[0] != 90 || r.V[1] != 201 || r.Var[0] != 1.5 || r.Var[1] != 1.25 || r.Other[0] != 10 || r.Other[1] != 0 {
		t.Errorf("row is %+v", r)
	}
	if r.Flags[0] != 0 || r.Flags[1] != SmearUnsure {
		t.Errorf("flags are %v", r.Flags)
	}
}
