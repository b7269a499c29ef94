package calib

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"
)

// patterns are mosaics of every shape that the tests go through.
var patterns = map[string][][]uint8{
	"1 x 1": {{0}},
	"2 x 2": {{1, 0}, {2, 1}},
	"2 x 1": {{0, 1}}, // columns by turns
	"1 x 2": {{0}, {1}},
	"3 x 2": {{0, 1, 2}, {2, 0, 1}},
	"4 x 4": {{0, 1, 0, 3}, {1, 2, 3, 2}, {0, 3, 0, 1}, {3, 2, 1, 2}},
}

// bandsOf is one more than the highest band of a pattern.
func bandsOf(pattern [][]uint8) int {
	most := uint8(0)
	for _, row := range pattern {
		most = max(most, slices.Max(row))
	}
	return int(most) + 1
}

func TestMosaicMapRepeatsItsPattern(t *testing.T) {
	for name, pattern := range patterns {
		t.Run(name, func(t *testing.T) {
			const width, height = 13, 11 // no multiple of any pattern
			m := NewMosaicMap(width, height, pattern, bandsOf(pattern))
			if m.PeriodX != len(pattern[0]) || m.PeriodY != len(pattern) {
				t.Errorf("like pixels are %d x %d apart, want %d x %d", m.PeriodX, m.PeriodY, len(pattern[0]), len(pattern))
			}
			for y := range height {
				row := m.Row(y)
				if len(row) != width {
					t.Fatalf("row %d has %d pixels, want %d", y, len(row), width)
				}
				for x, b := range row {
					if want := pattern[y%len(pattern)][x%len(pattern[0])]; b != want {
						t.Errorf("column %d row %d sees band %d, want %d", x, y, b, want)
					}
				}
			}
		})
	}
}

func TestStripMapHasOneBandARow(t *testing.T) {
	rows := []uint8{NoBand, 0, 0, 1, 1, NoBand, 0, 2}
	m := NewStripMap(5, rows, 3)
	if m.PeriodX != 1 || m.PeriodY != 1 {
		t.Errorf("like pixels are %d x %d apart, want neighbours", m.PeriodX, m.PeriodY)
	}
	for y, want := range rows {
		if got := m.Row(y); !slices.Equal(got, slices.Repeat([]uint8{want}, 5)) {
			t.Errorf("row %d sees %v, want band %d in all", y, got, want)
		}
	}
}

// splits returns the amplifiers along a row of the given width.
func splits(width int) [][]Segment {
	return [][]Segment{{{0, width, 0}}, {{0, width / 3, 1}, {width / 3, width, 0}}, {{0, 1, 2}, {1, 4, 0}, {4, width, 1}}}
}

// checkOrder holds an order against what makes it one: each pixel once, and
// runs side by side whose pixels are of one amplifier and band, in their order.
func checkOrder(t *testing.T, row []uint8, segs []Segment, from []int, runs []Run) {
	t.Helper()
	sorted := slices.Sorted(slices.Values(from))
	for x := range row {
		if x >= len(sorted) || sorted[x] != x {
			t.Fatalf("%v is no permutation of %d pixels", from, len(row))
		}
	}
	end := 0
	seen := map[[2]int]bool{}
	for _, run := range runs {
		key := [2]int{run.Amp, run.Band}
		if run.X0 != end || run.X1 <= run.X0 || seen[key] {
			t.Fatalf("run %+v follows column %d of %+v", run, end, runs)
		}
		end, seen[key] = run.X1, true
		places := from[run.X0:run.X1]
		if !slices.IsSorted(places) {
			t.Errorf("run %+v turns its pixels round: %v", run, places)
		}
		for _, x := range places {
			amp := slices.IndexFunc(segs, func(g Segment) bool { return x >= g.X0 && x < g.X1 })
			if segs[amp].Amp != run.Amp || (int(row[x]) != run.Band && !(row[x] == NoBand && run.Band == 0)) {
				t.Errorf("column %d (amplifier %d, band %d) is in run %+v", x, segs[amp].Amp, row[x], run)
			}
		}
	}
	if end != len(row) {
		t.Errorf("runs end at column %d of %d", end, len(row))
	}
}

func TestOrderedPutsLikePixelsTogether(t *testing.T) {
	const width = 12
	maps := map[string]*BandMap{"strips": NewStripMap(width, []uint8{0, 2, NoBand, 1}, 3)}
	for name, pattern := range patterns {
		maps[name] = NewMosaicMap(width, 4, pattern, bandsOf(pattern))
	}
	for name, m := range maps {
		for i, segs := range splits(width) {
			t.Run(fmt.Sprintf("%s, split %d", name, i), func(t *testing.T) {
				for y := range 4 {
					from, runs := m.Ordered(y, segs)
					checkOrder(t, m.Row(y), segs, from, runs)
				}
			})
		}
	}
}

// 1/(K_b t) of the pixel's own band, and of its row's own time.
func TestLightOfAMosaicAndOfRowsThatAreExposedLonger(t *testing.T) {
	const width, height = 5, 4
	bands := []Light{RadianceLight(4, 2), RadianceLight(5, 2), RadianceLight(10, 2)}
	perE := []float64{1.0 / 8, 1.0 / 10, 1.0 / 20}
	factor := []float32{1, 0.5, 0.25, 0.125}
	m := NewMosaicMap(width, height, [][]uint8{{0, 1}, {2, 0}}, 3)
	for name, c := range map[string]struct {
		stage LightStage
		want  func(x, y int) float64
	}{
		"mosaic": {NewLightStage(bands, m, nil), func(x, y int) float64 { return perE[m.Row(y)[x]] }},
		"mosaic, rows of their own": {NewLightStage(bands, m, factor), func(x, y int) float64 {
			return perE[m.Row(y)[x]] * math.Pow(2, -float64(y))
		}},
		"one band, rows of their own": {NewLightStage(bands[:1], nil, factor), func(_, y int) float64 { return perE[0] * math.Pow(2, -float64(y)) }},
		"one band":                    {NewLightStage(bands[:1], nil, nil), func(int, int) float64 { return perE[0] }},
		"electrons":                   {NewLightStage([]Light{ElectronLight()}, nil, nil), func(int, int) float64 { return 1 }},
		"electrons, rows of their own": {NewLightStage([]Light{ElectronLight()}, nil, factor), func(_, y int) float64 {
			return math.Pow(2, -float64(y))
		}},
	} {
		t.Run(name, func(t *testing.T) {
			for y := range height {
				r := wholeRow(100, 200, -3, 0, 7)
				r.Y = y
				for x := range r.Var {
					r.Var[x] = 9
				}
				before := slices.Clone(r.V)
				c.stage.Apply(r)
				for x := range r.V {
					k := c.want(x, y)
					within(t, fmt.Sprintf("value at column %d row %d", x, y), float64(r.V[x]), k*float64(before[x]), 3e-7*k*math.Abs(float64(before[x])))
					within(t, fmt.Sprintf("variance at column %d row %d", x, y), float64(r.Var[x]), 9*k*k, 5e-7*9*k*k)
				}
			}
		})
	}
}

// A pixel that sees no band has no light; the chain's end flags its NaN.
func TestLightOfARowWithoutABand(t *testing.T) {
	s := NewLightStage([]Light{RadianceLight(4, 2), RadianceLight(5, 2)}, NewStripMap(3, []uint8{1, NoBand, 0}, 2), nil)
	for y, good := range []bool{true, false, true} {
		r := wholeRow(8, 8, 8)
		r.Y = y
		s.Apply(r)
		if isNaN(r.V[1]) == good {
			t.Errorf("row %d has the value %g", y, r.V[1])
		}
	}
}

func TestLightStageTellsItsScales(t *testing.T) {
	m := NewMosaicMap(2, 2, [][]uint8{{0, 1}}, 2)
	got := NewLightStage([]Light{RadianceLight(4, 2), RadianceLight(5, 2)}, m, []float32{1, 0.5}).Settings()
	want := []Setting{{"per_electron.1", "0.125"}, {"per_electron.2", "0.1"}, {"first_row_factor", "1"}, {"last_row_factor", "0.5"}, {"unit", "W m-2 sr-1 nm-1"}}
	if !slices.Equal(got, want) {
		t.Errorf("settings %v, want %v", got, want)
	}
}

// Dark current goes with the time of the row: d h t and u^2(d) (h t)^2.
func TestDarkOfRowsThatAreExposedLonger(t *testing.T) {
	const width, height, dark, variance = 3, 4, 2.5, 0.04
	s := DarkStage{Master: constant(width, height, dark, variance), HT: 8, RowHT: []float32{8, 10, 12, 14}, TempK: math.NaN()}
	for y := range height {
		r := wholeRow(100, 0, -5)
		r.Y = y
		before := slices.Clone(r.V)
		s.Apply(r)
		ht := 8 + 2*float64(y)
		for x := range r.V {
			within(t, fmt.Sprintf("value at row %d", y), float64(r.V[x]), float64(before[x])-dark*ht, 1e-5)
			within(t, fmt.Sprintf("variance at row %d", y), float64(r.Var[x]), variance*ht*ht, 1e-5)
		}
	}
}

// randomPattern returns a mosaic of any shape and bands.
func randomPattern(rng *rand.Rand) [][]uint8 {
	pattern := make([][]uint8, 1+rng.IntN(4))
	width := 1 + rng.IntN(4)
	for y := range pattern {
		for range width {
			pattern[y] = append(pattern[y], uint8(rng.IntN(4)))
		}
	}
	return pattern
}

func TestOrderedOfAnyMosaic(t *testing.T) {
	rng := newRand(500)
	for range 200 {
		pattern := randomPattern(rng)
		width := 5 + rng.IntN(12)
		m := NewMosaicMap(width, len(pattern), pattern, 4)
		for _, segs := range splits(width) {
			for y := range pattern {
				from, runs := m.Ordered(y, segs)
				checkOrder(t, m.Row(y), segs, from, runs)
			}
		}
	}
}
