package pipeline

import (
	"math/rand/v2"
	"slices"
	"testing"

	"evenlight/calib"
)

// spread is a pass that sets one flag where another lies so many rows above or
// below.
type spread struct {
	from, to calib.Flags
	rows     int
}

func (spread) Name() string               { return "spread" }
func (spread) Settings() []calib.Setting  { return nil }
func (s spread) Halo() int                { return s.rows }
func (s spread) Worker() calib.PassWorker { return s }
func (s spread) Apply(b *calib.Block, y0, y1 int) {
	for y := y0; y < y1; y++ {
		for x := range b.Width {
			for _, other := range []int{y - s.rows, y + s.rows} {
				if other >= 0 && other < b.ImageRows && b.Flags[b.At(other)+x]&s.from != 0 {
					b.Flags[b.At(y)+x] |= s.to
				}
			}
		}
	}
}

// Passes one after another, each with a halo of its own, give the same however
// the image is cut.
func TestPassesDoNotDependOnBlocks(t *testing.T) {
	r := rand.New(rand.NewPCG(4, 2))
	const width, height = 9, 60
	flags := make([]calib.Flags, width*height)
	for range 40 {
		flags[r.IntN(len(flags))] = calib.Hot
	}
	passes := []calib.Pass{spread{calib.Hot, calib.Moved, 3}, spread{calib.Moved, calib.Mark, 5}, spread{calib.Mark, calib.Low, 1}}
	run := func(rows int) []calib.Flags {
		var a after
		a.start(passes, calib.Region{X0: 0, X1: width, Y0: 0, Y1: height})
		if a.halo() != 9 {
			t.Fatalf("halo of %d rows, want 9", a.halo())
		}
		var out []calib.Flags
		for y0 := 0; y0 < height; y0 += rows {
			y1 := min(height, y0+rows)
			top, bottom := max(0, y0-a.halo()), min(height, y1+a.halo())
			a.take(top, bottom)
			for y := top; y < bottom; y++ {
				a.put(&calib.Row{Y: y, V: make([]float32, width), Var: make([]float32, width), Flags: flags[y*width : (y+1)*width]})
			}
			a.apply(y0, y1)
			for y := y0; y < y1; y++ {
				out = append(out, a.row(y).Flags...)
			}
		}
		return out
	}
	want := run(height)
	if !slices.ContainsFunc(want, func(f calib.Flags) bool { return f&calib.Low != 0 }) {
		t.Fatal("nothing spread")
	}
	for _, rows := range []int{1, 7, 16, 33} {
		if !slices.Equal(run(rows), want) {
			t.Errorf("blocks of %d rows give other flags", rows)
		}
	}
}
