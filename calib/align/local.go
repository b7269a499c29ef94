package align

import (
	"fmt"
	"math"

	"evenlight/calib"
)

// LocalShift is the displacement of one tile.
type LocalShift struct {
	X, Y float64 // centre of the tile in the reference, px
	Shift
	OK  bool
	Err error // why there is no displacement; nil where OK
}

// Local is a field of displacements.
type Local struct {
	Across, Down int          // tiles
	Tiles        []LocalShift // row by row
}

// FindLocal returns the displacement of b relative to a tile by tile, for
// squares of side px (at least 32) that are laid centred over a without
// overlap. Each tile is aligned by [Find], with uncertainties of its own, and
// is looked for within opt.MaxShift (0: a quarter of its side) of the
// displacement of the whole image, or of zero where the whole has none. A
// turn, a stretch or a relief shows as displacements that vary; within a tile
// they are averaged.
func FindLocal(a, b *calib.Raster, side int, opt Options) (*Local, error) {
	if err := comparable(a, b); err != nil {
		return nil, err
	}
	if side < leastSide || side > min(a.Width, a.Height) {
		return nil, fmt.Errorf("%w: tiles of %d px in an image of %d x %d; choose a side from %d to %d px",
			ErrSize, side, a.Width, a.Height, leastSide, min(a.Width, a.Height))
	}
	wholeOpt := opt
	wholeOpt.MaxShift = 0
	whole, err := Find(a, b, wholeOpt)
	if err != nil {
		whole = Shift{}
	}
	dx, dy := int(math.Round(whole.DX)), int(math.Round(whole.DY))
	l := &Local{Across: a.Width / side, Down: a.Height / side}
	l.Tiles = make([]LocalShift, l.Across*l.Down)
	left, top := (a.Width-l.Across*side)/2, (a.Height-l.Down*side)/2
	opt.Workers = 1
	if opt.MaxShift > float64(side)/2 {
		opt.MaxShift = float64(side) / 2
	}
	parallel(wholeOpt.Workers, len(l.Tiles), func(_, i int) {
		l.Tiles[i] = findTile(a, b, side, left+i%l.Across*side, top+i/l.Across*side, dx, dy, opt)
	})
	return l, nil
}

// findTile aligns the tile of a at x, y with that of b about dx, dy away, or
// as near to there as lies within b.
func findTile(a, b *calib.Raster, side, x, y, dx, dy int, opt Options) LocalShift {
	bx, by := max(0, min(b.Width-side, x+dx)), max(0, min(b.Height-side, y+dy))
	centre := float64(side-1) / 2
	t := LocalShift{X: float64(x) + centre, Y: float64(y) + centre}
	s, err := Find(cut(a, x, y, side), cut(b, bx, by, side), opt)
	if err != nil {
		t.Err = err
		return t
	}
	s.DX += float64(bx - x)
	s.DY += float64(by - y)
	t.Shift, t.OK = s, true
	return t
}

// cut copies a square out of a raster.
func cut(r *calib.Raster, x, y, side int) *calib.Raster {
	out := calib.NewRaster(side, side)
	for v := range side {
		from, to := (y+v)*r.Width+x, v*side
		copy(out.Value[to:to+side], r.Value[from:])
		copy(out.Variance[to:to+side], r.Variance[from:])
		copy(out.Flags[to:to+side], r.Flags[from:])
	}
	return out
}
