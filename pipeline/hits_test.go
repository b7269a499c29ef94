package pipeline

import (
	"math/rand/v2"
	"testing"
)

// Groups are counted as a flood fill counts them.
func TestGroupsOfHits(t *testing.T) {
	r := rand.New(rand.NewPCG(2, 9))
	for _, share := range []float64{0, 0.02, 0.2, 0.45, 1} {
		const size = 24
		var lit [size][size]bool
		var pixels []hitPixel
		for y := range size {
			for x := range size {
				if lit[y][x] = r.Float64() < share; lit[y][x] {
					pixels = append(pixels, hitPixel{x, y})
				}
			}
		}
		r.Shuffle(len(pixels), func(i, j int) { pixels[i], pixels[j] = pixels[j], pixels[i] })
		var fill func(x, y int)
		fill = func(x, y int) {
			if x < 0 || y < 0 || x >= size || y >= size || !lit[y][x] {
				return
			}
			lit[y][x] = false
			for v := y - 1; v <= y+1; v++ {
				for u := x - 1; u <= x+1; u++ {
					fill(u, v)
				}
			}
		}
		got, want := groups(pixels), 0
		for y := range size {
			for x := range size {
				if lit[y][x] {
					want++
					fill(x, y)
				}
			}
		}
		if got != want {
			t.Errorf("share %g: %d groups, want %d", share, got, want)
		}
	}
}
