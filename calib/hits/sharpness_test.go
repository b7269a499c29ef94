package hits

import "testing"

func TestRatios(t *testing.T) {
	for _, w := range []float64{1, 1.2, 1.5, 1.8, 2, 2.5, 3, 4, 6} {
		a, b := SharpestRatios(w)
		t.Log(w, a, b)
	}
}
