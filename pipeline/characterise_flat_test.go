package pipeline

import (
	"slices"
	"testing"
)

// flatsOfOneRow are two flats of five pixels, the last outside of any cell: the
// second flat is 10 DN brighter.
func flatsOfOneRow() (m *sensorMeasuring, a, b []float32) {
	m = &sensorMeasuring{sensorSet: &sensorSet{cells: &cellMap{rows: [][]int16{{0, 0, 1, 1, noCell}}}}}
	return m, []float32{100, 101, 500, 501, 0}, []float32{110, 112, 511, 510, 0}
}

// What the other flat has, moved by the difference of their levels, goes in
// place of a hit, in either frame; noise within the reach stays.
func TestHitsOnOneOfTwoFlatsAreMended(t *testing.T) {
	m, a, b := flatsOfOneRow()
	a[0], b[3], a[4] = 900, 2000, 900
	m.mendHits(0, a, b, 1, []hitLimit{{-10, 20}, {-10, 30}}, true)
	if want := []float32{100, 101, 500, 501, 900}; !slices.Equal(a, want) {
		t.Errorf("first flat %v, want %v", a, want)
	}
	if want := []float32{110, 112, 511, 511, 0}; !slices.Equal(b, want) {
		t.Errorf("second flat %v, want %v", b, want)
	}
}

// The sum of earlier flats is only looked at.
func TestAHitOnAnOddFlatIsMendedFromTheMeanOfOthers(t *testing.T) {
	m, a, b := flatsOfOneRow()
	for x := range b {
		b[x] *= 4 // the sum of four
	}
	before := slices.Clone(b)
	a[1], a[2] = 700, 400
	m.mendHits(0, a, b, 0.25, []hitLimit{{-10, 20}, {-10, 30}}, false)
	if want := []float32{100, 102, 400, 501, 0}; !slices.Equal(a, want) {
		t.Errorf("odd flat %v, want %v", a, want)
	}
	if !slices.Equal(b, before) {
		t.Errorf("sum of the others %v, was %v", b, before)
	}
}
