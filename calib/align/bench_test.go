package align

import (
	"fmt"
	"testing"

	"evenlight/calib"
)

// BenchmarkFFT2D is the measure of speed: one plain complex transform of
// 2048 x 2048 pixels on one core.
func BenchmarkFFT2D(b *testing.B) {
	const n = 2048
	data := make([]complex128, n*n)
	for i, v := range noiseImage(1, n*n) {
		data[i] = complex(v, 0)
	}
	work := make([]complex128, n*n)
	for b.Loop() {
		b.StopTimer()
		copy(work, data)
		b.StartTimer()
		fft2D(work, n, n)
	}
}

// BenchmarkAlignThreeBands finds the displacements of two bands of
// 2048 x 2048 pixels relative to a third: two correlations.
func BenchmarkAlignThreeBands(b *testing.B) {
	const n = 2048
	scene, rng := ground(1, n, n), newRand(2)
	red := noisy(render(scene, n, n, 1000, 0, 0), 10, rng)
	green := noisy(recast(render(scene, n, n, 1000, 3.3, -2.6), 0.8, 100), 10, rng)
	blue := noisy(recast(render(scene, n, n, 1000, -5.2, 7.9), 0.5, 200), 10, rng)
	for _, workers := range []int{1, 2} {
		b.Run(fmt.Sprintf("workers=%d", workers), func(b *testing.B) {
			for b.Loop() {
				_, errs := FindAll(red, []*calib.Raster{green, blue}, Options{Workers: workers})
				if errs[0] != nil || errs[1] != nil {
					b.Fatal(errs)
				}
			}
		})
	}
}

// BenchmarkResample displaces 2048 x 2048 pixels by a fraction of one.
func BenchmarkResample(b *testing.B) {
	const n = 2048
	r := noisy(filled(n, n, 1000, 0), 10, newRand(1))
	for _, k := range kernels {
		b.Run(k.String(), func(b *testing.B) {
			for b.Loop() {
				Resample(r, 0.3, 0.6, k, 1)
			}
		})
	}
}
