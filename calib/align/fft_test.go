package align

import (
	"math"
	"math/cmplx"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/dsp/fourier"
)

// fft2D is the plain two-dimensional transform: rows, then columns.
func fft2D(data []complex128, width, height int) {
	row, col := fourier.NewCmplxFFT(width), fourier.NewCmplxFFT(height)
	for y := range height {
		line := data[y*width : (y+1)*width]
		row.Coefficients(line, line)
	}
	line := make([]complex128, height)
	for x := range width {
		for y := range height {
			line[y] = data[y*width+x]
		}
		col.Coefficients(line, line)
		for y := range height {
			data[y*width+x] = line[y]
		}
	}
}

func noiseImage(seed uint64, n int) []float64 {
	rng := rand.New(rand.NewPCG(seed, 1))
	image := make([]float64, n)
	for i := range image {
		image[i] = rng.NormFloat64()
	}
	return image
}

func TestTransformAgreesWithPlainRowsAndColumns(t *testing.T) {
	for _, size := range [][2]int{{16, 12}, {15, 10}, {64, 45}, {20, 9}} {
		w, h := size[0], size[1]
		image := noiseImage(3, w*h)
		want := make([]complex128, w*h)
		for i, v := range image {
			want[i] = complex(v, 0)
		}
		fft2D(want, w, h)
		tr := newTransform2D(w, h, 2)
		got := tr.forward(image)
		for y := range h {
			for x := range tr.half() {
				if d := cmplx.Abs(got[y*tr.half()+x] - want[y*w+x]); d > 1e-11 {
					t.Fatalf("%d x %d: coefficient %d, %d differs by %g", w, h, x, y, d)
				}
			}
		}
		for i, v := range tr.backward(got) {
			if d := math.Abs(v/float64(w*h) - image[i]); d > 1e-13 {
				t.Fatalf("%d x %d: pixel %d does not come back: %g off", w, h, i, d)
			}
		}
	}
}

func TestGoodSizeHasSmallPrimeFactorsOnly(t *testing.T) {
	for _, c := range []struct{ n, want int }{{1, 1}, {7, 8}, {11, 12}, {121, 125}, {1021, 1024}, {1025, 1080}} {
		if got := goodSize(c.n); got != c.want {
			t.Errorf("goodSize(%d) = %d, want %d", c.n, got, c.want)
		}
	}
}
