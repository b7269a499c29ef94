package fill

import (
	"math/rand/v2"
	"strconv"
	"testing"

	"evenlight/calib"
)

// BenchmarkFill fills 1 % of the pixels, one by one.
func BenchmarkFill(b *testing.B) {
	const side = 512
	r := rand.New(rand.NewPCG(1, 1))
	scene := make([]float32, side*side)
	for i := range scene {
		scene[i] = float32(i%97) / 97
	}
	e := expose(scene, side, 10000, r)
	hole{"", 1, 1, side * side / 100}.make(e, r)
	w := NewFiller(calib.Dead, 3, nil).Worker()
	b.ReportAllocs()
	for b.Loop() {
		w.Apply(e.block, 0, side)
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/(side*side/100), "ns/filled")
}

// BenchmarkNewFiller prepares a pass for patterns of several sizes, as is done
// for each frame.
func BenchmarkNewFiller(b *testing.B) {
	for _, side := range []int{1, 2, 6, 8} {
		pattern := make([][]uint8, side)
		for y := range pattern {
			pattern[y] = make([]uint8, side)
			for x := range pattern[y] {
				pattern[y][x] = uint8((x + 2*y) % 3)
			}
		}
		b.Run(strconv.Itoa(side), func(b *testing.B) {
			m := calib.NewMosaicMap(64, 64, pattern, 3)
			for b.Loop() {
				NewFiller(calib.Dead, 3, m)
			}
		})
	}
}
