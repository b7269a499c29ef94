package moving

import (
	"math"
	"slices"
)

// sample is one cell of the window of a fit.
type sample struct {
	x, y  float64 // cells
	index int
	group int
	basis [groundTerms]float64
	slope [2]float64 // minus the slope of ln R along x and y, per pixel
}

// window holds the cells that a fit sees: those within fitReach sigma of a
// place. Places whose discs run together share one colour of the ground.
type window struct {
	level      *level
	alignSigma float64
	samples    []sample
	u, w       []float64 // by sample, then band
	colours    int       // groups of places
	dof        int       // contrasts between bands
}

// newWindow collects the cells around the places.
func newWindow(l *level, at []point, sigma, alignSigma float64) *window {
	reach := fitReach * sigma
	group, centres := groupPlaces(at, 1.5*reach)
	win := &window{level: l, alignSigma: alignSigma, colours: len(centres)}
	low, high := bounds(at)
	x0, x1 := max(0, int(low.x-reach)), min(l.width-1, int(math.Ceil(high.x+reach)))
	y0, y1 := max(0, int(low.y-reach)), min(l.height-1, int(math.Ceil(high.y+reach)))
	for y := y0; y <= y1; y++ {
		for x := x0; x <= x1; x++ {
			p := point{float64(x), float64(y)}
			if b := nearest(at, p); p.squared(at[b]) <= reach*reach {
				win.add(p, y*l.width+x, group[b], centres[group[b]], reach)
			}
		}
	}
	return win
}

// add takes in a cell unless fewer than two bands have a weight there.
func (win *window) add(p point, index, group int, centre point, reach float64) {
	l := win.level
	used := 0
	for b := range l.w {
		if l.w[b][index] > 0 {
			used++
		}
	}
	if used < 2 {
		return
	}
	win.dof += used - 1
	x, y := (p.x-centre.x)/reach, (p.y-centre.y)/reach
	s := sample{x: p.x, y: p.y, index: index, group: group, basis: basisAt(x, y), slope: l.slopeOfLog(index)}
	win.samples = append(win.samples, s)
	for b := range l.w {
		w, u := float64(l.w[b][index]), 0.0
		if w > 0 {
			u = float64(l.wu[b][index]) / w
		}
		win.w, win.u = append(win.w, w), append(win.u, u)
	}
}

// basisAt returns the terms of the colour of the ground. Patches little larger
// than a mover need the third order.
func basisAt(x, y float64) [groundTerms]float64 {
	return [groundTerms]float64{1, x, y, x * x, x * y, y * y, x * x * x, x * x * y, x * y * y, y * y * y}
}

// without returns the window with the weights of a band taken away.
func (win *window) without(band int) *window {
	less := *win
	less.w = slices.Clone(win.w)
	for i := band; i < len(less.w); i += len(win.level.w) {
		less.w[i] = 0
	}
	return &less
}

// slopeOfLog returns minus the slope of ln R along x and y, per pixel; 0 at
// the edge and where a neighbour has no brightness.
func (l *level) slopeOfLog(i int) (slope [2]float64) {
	x, y := i%l.width, i/l.width
	if x == 0 || y == 0 || x == l.width-1 || y == l.height-1 {
		return slope
	}
	for k, step := range [2]int{1, l.width} {
		before, after := float64(l.bright[i-step]), float64(l.bright[i+step])
		if before > 0 && after > 0 {
			slope[k] = -math.Log(after/before) / float64(2*l.bin)
		}
	}
	return slope
}

// groupPlaces joins places that are nearer than reach, and returns the group
// of each and the centres of the groups.
func groupPlaces(at []point, reach float64) (group []int, centres []point) {
	group = make([]int, len(at))
	for b := range at {
		group[b] = b
		for c := range b {
			if at[b].squared(at[c]) < reach*reach {
				from, to := group[b], group[c]
				for k := range b + 1 {
					if group[k] == from {
						group[k] = to
					}
				}
			}
		}
	}
	names := slices.Clone(group)
	slices.Sort(names)
	names = slices.Compact(names)
	centres = make([]point, len(names))
	count := make([]float64, len(names))
	for b, name := range group {
		group[b] = slices.Index(names, name)
		centres[group[b]] = centres[group[b]].plus(at[b], 1)
		count[group[b]]++
	}
	for g := range centres {
		centres[g] = point{centres[g].x / count[g], centres[g].y / count[g]}
	}
	return group, centres
}

func bounds(at []point) (low, high point) {
	low, high = at[0], at[0]
	for _, p := range at[1:] {
		low = point{min(low.x, p.x), min(low.y, p.y)}
		high = point{max(high.x, p.x), max(high.y, p.y)}
	}
	return low, high
}

func nearest(at []point, p point) int {
	best := 0
	for b := range at {
		if p.squared(at[b]) < p.squared(at[best]) {
			best = b
		}
	}
	return best
}
