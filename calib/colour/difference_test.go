package colour

import "testing"

func TestCIEDE2000AgreesWithPublishedPairs(t *testing.T) {
	for i, p := range sharmaPairs {
		for _, got := range []float64{DeltaE2000(p.a, p.b), DeltaE2000(p.b, p.a)} {
			if d := got - p.difference; d > 5.001e-5 || d < -5.001e-5 { // four decimals
				t.Errorf("pair %d: %.5f, published %.4f", i+1, got, p.difference)
			}
		}
	}
}

func TestDeltaE76IsTheDistance(t *testing.T) {
	within(t, "difference", DeltaE76(Lab{50, 1, 2}, Lab{52, 4, -4}), 7, 1e-12) // 2, 3, 6
}

func TestLabOfWhiteGreyAndBlack(t *testing.T) {
	white := D65().White()
	for _, c := range []struct{ reflectance, lightness float64 }{
		{1, 100},
		{0.125, 42},           // 116 / 2 - 16
		{0.001, 0.9032962963}, // (29/3)^3 / 1000
		{0, 0},
	} {
		got := ToLab(scaled(white, c.reflectance), white)
		within(t, "L*", got.L, c.lightness, 1e-9)
		within(t, "a*", got.A, 0, 1e-12)
		within(t, "b*", got.B, 0, 1e-12)
	}
}
