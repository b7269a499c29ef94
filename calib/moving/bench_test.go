package moving

import (
	"fmt"
	"testing"
)

// benchScene is three bands of 2048 x 2048 pixels with one mover over
// coloured land.
func benchScene() *scene {
	rng := newRNG(1)
	return &scene{
		width: 2048, height: 2048, bands: 3, level: 80, noise: 0.01, land: landscape(rng, 2048, 2048),
		blobs: []blob{{track(1000, 700, 20, 10, 3), 6, 0.1}},
	}
}

func BenchmarkCompare(b *testing.B) {
	bands := benchScene().expose(newRNG(2))
	for _, workers := range []int{1, 2} {
		b.Run(fmt.Sprint("workers=", workers), func(b *testing.B) {
			for b.Loop() {
				if _, err := Compare(bands, Options{}, workers); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}

func BenchmarkFind(b *testing.B) {
	bands := benchScene().expose(newRNG(2))
	for _, workers := range []int{1, 2} {
		b.Run(fmt.Sprint("workers=", workers), func(b *testing.B) {
			for b.Loop() {
				if _, err := Find(bands, evenTimes(3, 10), Options{}, workers); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}
