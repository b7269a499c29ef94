package align

// cells are squares of a grid in each of which contrast and offset are free:
// the tiles themselves, or equal parts of them. Where the ground is coloured,
// the ratio and the difference of two bands vary over a tile; what is left of
// that looks like a displacement, the same in all tiles across a patch of
// colour. The smaller the cells, the less is left, but the less of a broad
// texture is left too.
type cells struct {
	side         int    // points
	perTile      int    // cells along the side of a tile
	across, down int    // cells
	sums         []sums // row by row
}

// leastCell is the side of the smallest cells, points. In smaller ones the
// smoothing leaves little but planes of brightness, which offset and contrast
// imitate.
const leastCell = 4

// newCells lays the smallest cells over a grid with tiles of side points,
// which is leastCell times a power of two.
func newCells(g grid, side int) *cells {
	c := &cells{side: leastCell, perTile: side / leastCell}
	c.across = (g.width + side - 1) / side * c.perTile
	c.down = (g.height + side - 1) / side * c.perTile
	c.sums = make([]sums, c.across*c.down)
	return c
}

// levels returns cells from the size of the tiles down to c, each half the
// side of the one before.
func (c *cells) levels() []*cells {
	if c.perTile == 1 {
		return []*cells{c}
	}
	return append(c.merged().levels(), c)
}

// merged returns cells of twice the side.
func (c *cells) merged() *cells {
	m := &cells{side: 2 * c.side, perTile: c.perTile / 2, across: c.across / 2, down: c.down / 2}
	m.sums = make([]sums, m.across*m.down)
	for y := range c.down {
		for x := range c.across {
			m.sums[y/2*m.across+x/2].merge(&c.sums[y*c.across+x])
		}
	}
	return m
}

// A cell or tile with less than leastShare of its points, or leastPoints, is
// left out.
const (
	leastShare  = 0.05
	leastPoints = 9
)

// counts tells whether there are enough points.
func (t *sums) counts() bool { return t.n >= max(leastPoints, leastShare*t.points) }

// usable returns the places of the cells that count and have a gradient.
func (c *cells) usable() []int {
	var used []int
	for i := range c.sums {
		if t := &c.sums[i]; t.counts() && t.power.trace() > 0 {
			used = append(used, i)
		}
	}
	return used
}

// tiles makes the normal equations of those tiles of whole that are used,
// with contrast and offset free in each of the cells.
func (c *cells) tiles(whole *cells, used []int, gain float64, scale int) []tile {
	tiles := make([]tile, 0, len(used))
	parts := make([]sums, 0, c.perTile*c.perTile)
	for _, i := range used {
		parts = c.within(parts[:0], i%whole.across, i/whole.across)
		if t := whole.sums[i].tile(parts, gain, scale); !t.nothing() {
			tiles = append(tiles, t)
		}
	}
	return tiles
}

// within appends the cells of the tile at a column and row of tiles.
func (c *cells) within(parts []sums, column, row int) []sums {
	for y := row * c.perTile; y < (row+1)*c.perTile; y++ {
		from := y*c.across + column*c.perTile
		parts = append(parts, c.sums[from:from+c.perTile]...)
	}
	return parts
}
