package colour

import (
	"math"
	"testing"

	"gonum.org/v1/gonum/mat"
)

// The matrices of IEC 61966-2-1, with the four digits printed there (from
// memory).
var (
	publishedToXYZ = mat.NewDense(3, 3, []float64{
		0.4124, 0.3576, 0.1805,
		0.2126, 0.7152, 0.0722,
		0.0193, 0.1192, 0.9505,
	})
	publishedToLinear = mat.NewDense(3, 3, []float64{
		3.2406, -1.5372, -0.4986,
		-0.9689, 1.8758, 0.0415,
		0.0557, -0.2040, 1.0570,
	})
)

func equalWithin(t *testing.T, what string, got, want mat.Matrix, tolerance float64) {
	t.Helper()
	if !mat.EqualApprox(got, want, tolerance) {
		t.Errorf("%s is\n%.6f\nwant, within %g,\n%.6f", what, mat.Formatted(got), tolerance, mat.Formatted(want))
	}
}

// The standard's inverse is that of its rounded matrix, and so differs from
// the inverse of the unrounded one in the fourth digit.
func TestMatrixFromPrimariesAgreesWithStandard(t *testing.T) {
	equalWithin(t, "matrix to XYZ", LinearToXYZ(), publishedToXYZ, 5e-5)
	equalWithin(t, "inverse of the rounded matrix", inverse(publishedToXYZ), publishedToLinear, 5.1e-5)

	// A change E of a matrix changes its inverse N by -N E N to first order.
	change := new(mat.Dense)
	change.Sub(publishedToXYZ, LinearToXYZ())
	shift := new(mat.Dense)
	shift.Product(XYZToLinear(), change, XYZToLinear())
	want := new(mat.Dense)
	want.Add(publishedToLinear, shift)
	equalWithin(t, "matrix to linear sRGB", XYZToLinear(), want, 5.1e-5)
}

func TestWhiteAndBlackOfSRGB(t *testing.T) {
	for _, v := range []float64{0, 0.25, 1} {
		white := scaled(SRGBWhite(), v)
		for c, got := range product(XYZToLinear(), white[:]) {
			within(t, channelNames()[c], got, v, 1e-14)
		}
	}
}

func TestAdaptationTakesWhiteToWhite(t *testing.T) {
	from, to := EqualEnergy().White(), SRGBWhite()
	got := product(Adaptation(from, to), from[:])
	for c := range got {
		within(t, "white", got[c], to[c], 1e-14)
	}
	back := new(mat.Dense)
	back.Mul(Adaptation(to, from), Adaptation(from, to))
	equalWithin(t, "there and back", back, mat.NewDiagDense(3, []float64{1, 1, 1}), 1e-14)
}

func TestTransferFunctionGoesThereAndBack(t *testing.T) {
	last := math.Inf(-1)
	for i := -1000; i <= 70000; i++ {
		x := float64(i) / 65535
		encoded := Encode(x)
		if encoded <= last {
			t.Fatalf("encoded value falls at %g", x)
		}
		last = encoded
		// The standard's two pieces miss one another by 2e-8 where they meet.
		within(t, "decoded", Decode(encoded), x, 1e-8)
	}
}
