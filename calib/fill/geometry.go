package fill

import (
	"cmp"
	"math"
	"slices"

	"evenlight/calib"
)

// Extent of what is looked at around a pixel. Steps are to the next pixel of
// the same place in a mosaic's pattern.
const (
	mostSteps  = 7  // to the edge of the window
	leastSteps = 3  // where the pattern is large
	windowPx   = 16 // that the steps should not go beyond
	beyond     = 3  // steps that neighbours may lie beyond the depth of a hole
)

// lagLevels are the classes of distance that the variogram is measured at: a
// level holds up to perLevel lags whose lengths are within a quarter of the
// shortest, and the next begins beyond.
const (
	perLevel  = 2
	levelEnd  = 1.25
	levelNext = 1.35
)

// offset is a step to another pixel.
type offset struct {
	dx, dy int
	at     int // the same in the window's samples
}

// square is the square of its length, px^2.
func (o offset) square() int { return o.dx*o.dx + o.dy*o.dy }

// geometry is what holds for all pixels of a frame.
type geometry struct {
	bands   *calib.BandMap // nil: all pixels are alike
	periodX int
	periodY int
	reachX  int // half the width of the window, px
	reachY  int
	stride  int         // of the window's samples
	centre  int         // index of the window's middle
	powers  [][]float64 // by exponent, by square of the distance: its power
	cells   []cell      // by place in the pattern
}

// cell is what holds for the pixels of one place in the pattern.
type cell struct {
	near  []offset // pixels of the same colour, by distance
	step  float64  // px to the nearest of them
	sites []offset // pixels of the same place, the window
	lags  []lag
	phi   [][]float64 // by exponent, by level: mean power of the distance
	pairs float64     // independent pairs of sites that a level is worth
}

// lag is a distance at which the scene is compared with itself.
type lag struct {
	offset
	level  int
	weight []float64 // by site
}

func newGeometry(bands *calib.BandMap, depth int) *geometry {
	g := &geometry{bands: bands, periodX: 1, periodY: 1}
	if bands != nil {
		g.periodX, g.periodY = bands.PeriodX, bands.PeriodY
	}
	stepsX, stepsY := steps(g.periodX), steps(g.periodY)
	// Of each site all neighbours are in the window.
	nearX, nearY := (depth+beyond)*g.periodX, (depth+beyond)*g.periodY
	g.reachX, g.reachY = stepsX*g.periodX+nearX, stepsY*g.periodY+nearY
	g.stride = 2*g.reachX + 1
	g.centre = g.reachY*g.stride + g.reachX
	for _, p := range exponents() {
		g.powers = append(g.powers, powers(p, 4*(nearX*nearX+nearY*nearY))) // between two neighbours
	}
	for y := range g.periodY {
		for x := range g.periodX {
			g.cells = append(g.cells, g.newCell(x, y, stepsX, stepsY, nearX, nearY))
		}
	}
	return g
}

// steps is the reach of the window along an axis with a period.
func steps(period int) int { return min(max(windowPx/period, leastSteps), mostSteps) }

// powers tabulates d^p for the squares of d up to most.
func powers(p float64, most int) []float64 {
	out := make([]float64, most+1)
	for i := range out {
		out[i] = math.Pow(float64(i), p/2)
	}
	return out
}

// cellOf returns the cell of a pixel.
func (g *geometry) cellOf(x, y int) *cell {
	return &g.cells[y%g.periodY*g.periodX+x%g.periodX]
}

func (g *geometry) newCell(x, y, stepsX, stepsY, nearX, nearY int) cell {
	c := cell{near: g.alike(x, y, nearX, nearY)}
	if len(c.near) == 0 {
		return c
	}
	c.step = math.Sqrt(float64(c.near[0].square()))
	for sy := -stepsY; sy <= stepsY; sy++ {
		for sx := -stepsX; sx <= stepsX; sx++ {
			c.sites = append(c.sites, g.offset(sx*g.periodX, sy*g.periodY))
		}
	}
	// The weight of a pair falls off as a Gaussian about the pixel.
	sigmaX, sigmaY := 4./7*float64(stepsX*g.periodX), 4./7*float64(stepsY*g.periodY)
	weights := func(o offset) []float64 {
		w := make([]float64, len(c.sites))
		for i, s := range c.sites {
			u, v := (float64(s.dx)+float64(o.dx)/2)/sigmaX, (float64(s.dy)+float64(o.dy)/2)/sigmaY
			w[i] = math.Exp(-(u*u + v*v) / 2)
		}
		return w
	}
	c.lags = lagsOf(c.near, weights)
	c.phi = g.phi(c.lags)
	sum, squares := 0.0, 0.0
	for _, w := range weights(offset{}) {
		sum, squares = sum+w, squares+w*w
	}
	c.pairs = sum * sum / squares
	return c
}

func (g *geometry) offset(dx, dy int) offset { return offset{dx, dy, dy*g.stride + dx} }

// alike lists the offsets to the pixels that see the colour of the pixel in a
// cell, nearest first.
func (g *geometry) alike(x, y, reachX, reachY int) []offset {
	var out []offset
	for dy := -reachY; dy <= reachY; dy++ {
		for dx := -reachX; dx <= reachX; dx++ {
			if (dx != 0 || dy != 0) && g.colour(x, y) == g.colour(x+dx, y+dy) {
				out = append(out, g.offset(dx, dy))
			}
		}
	}
	slices.SortStableFunc(out, func(a, b offset) int { return cmp.Compare(a.square(), b.square()) })
	return out
}

// colour is the band of a pixel of the pattern, which goes on beyond the image.
func (g *geometry) colour(x, y int) int {
	if g.periodX == 1 && g.periodY == 1 {
		return 0 // of strips the window holds the pixel's own alone
	}
	wrap := func(i, n int) int { return (i%n + n) % n }
	return int(g.bands.Row(wrap(y, g.periodY))[wrap(x, g.periodX)])
}

// lagsOf chooses lags from the offsets to like pixels, by distance. A lag and
// its opposite make the same pairs, so one of them is enough.
func lagsOf(near []offset, weights func(offset) []float64) []lag {
	var out []lag
	level, inLevel, first := -1, 0, 0.0
	for _, o := range near {
		if o.dy < 0 || o.dy == 0 && o.dx < 0 {
			continue
		}
		d := math.Sqrt(float64(o.square()))
		switch {
		case level < 0 || d >= levelNext*first:
			level, inLevel, first = level+1, 0, d
		case d > levelEnd*first || inLevel == perLevel:
			continue
		}
		out = append(out, lag{o, level, weights(o)})
		inLevel++
	}
	return out
}

// phi averages the powers of the distances of each level.
func (g *geometry) phi(lags []lag) [][]float64 {
	levels := lags[len(lags)-1].level + 1
	out := make([][]float64, len(g.powers))
	for e, power := range g.powers {
		out[e] = make([]float64, levels)
		n := make([]float64, levels)
		for _, l := range lags {
			out[e][l.level] += power[l.square()]
			n[l.level]++
		}
		for i := range n {
			out[e][i] /= n[i]
		}
	}
	return out
}
