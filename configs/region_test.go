package configs

import (
	"math/rand/v2"
	"testing"
)

func region(c0, c1, r0, r1 int) Region {
	return Region{Columns: [2]int{c0, c1}, Rows: [2]int{r0, r1}}
}

func TestRegionsShareWhatBothHold(t *testing.T) {
	for _, c := range []struct {
		name   string
		a, b   Region
		both   Region
		shared bool
	}{
		{"one within the other", region(1, 10, 1, 10), region(3, 4, 5, 6), region(3, 4, 5, 6), true},
		{"a corner", region(1, 5, 1, 5), region(5, 9, 5, 9), region(5, 5, 5, 5), true},
		{"side by side", region(1, 5, 1, 5), region(6, 9, 1, 5), Region{}, false},
		{"one above the other", region(1, 5, 1, 5), region(1, 5, 6, 9), Region{}, false},
	} {
		t.Run(c.name, func(t *testing.T) {
			for _, pair := range [][2]Region{{c.a, c.b}, {c.b, c.a}} {
				both, shared := pair[0].Intersect(pair[1])
				if shared != c.shared || shared && both != c.both {
					t.Errorf("got %v, %t", both, shared)
				}
			}
		})
	}
}

// The gaps are compared with a count of pixels, one by one, over many random
// sets of tiles, overlapping ones too.
func TestGapsAreThePixelsThatNoTileCovers(t *testing.T) {
	random := rand.New(rand.NewPCG(7, 11))
	frame := region(1, 23, 1, 17)
	for range 500 {
		var tiles []Region
		for range random.IntN(6) {
			c, r := 1+random.IntN(23), 1+random.IntN(17)
			tiles = append(tiles, region(c, c+random.IntN(24-c), r, r+random.IntN(18-r)))
		}
		found := gaps(frame, tiles)
		for c := 1; c <= 23; c++ {
			for r := 1; r <= 17; r++ {
				pixel := region(c, c, r, r)
				want := 1
				for _, tile := range tiles {
					if tile.Contains(pixel) {
						want = 0
					}
				}
				got := 0
				for _, gap := range found {
					if gap.Contains(pixel) {
						got++
					}
				}
				if got != want {
					t.Fatalf("tiles %v: pixel %d, %d is in %d gaps, not %d", tiles, c, r, got, want)
				}
			}
		}
	}
}

func TestAGapIsOneRectangleWhereItCanBe(t *testing.T) {
	for _, c := range []struct {
		name  string
		tiles []Region
		want  Region
	}{
		{"a column between", []Region{region(1, 4, 1, 8), region(6, 10, 1, 3), region(6, 10, 4, 8)}, region(5, 5, 1, 8)},
		{"rows between", []Region{region(1, 4, 1, 2), region(5, 10, 1, 2), region(1, 10, 6, 8)}, region(1, 10, 3, 5)},
		{"no tiles", nil, region(1, 10, 1, 8)},
	} {
		t.Run(c.name, func(t *testing.T) {
			found := gaps(region(1, 10, 1, 8), c.tiles)
			if len(found) != 1 || found[0] != c.want {
				t.Errorf("got %v, want one gap at %v", found, c.want)
			}
		})
	}
}

func TestASizeOfARegionCountsBothEnds(t *testing.T) {
	r := region(17, 528, 3, 3)
	if r.Width() != 512 || r.Height() != 1 {
		t.Errorf("%v is %d wide and %d high", r, r.Width(), r.Height())
	}
}
