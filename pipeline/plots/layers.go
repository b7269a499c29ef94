package plots

import (
	"image/color"
	"math"

	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
)

// pointsLayer draws points with their bars.
type pointsLayer struct {
	Points
	colour color.Color
	shape  shape
}

func (l *pointsLayer) drawOn(v *view) {
	if l.Joined {
		v.polyline(draw.LineStyle{Color: l.colour, Width: fineLine}, l.X, l.Y)
	}
	for i := range l.X {
		if l.shown(v, i) && l.U != nil && l.U[i] > 0 {
			x := v.across(l.X[i])
			v.StrokeLine2(draw.LineStyle{Color: l.colour, Width: fineLine}, x, v.clampUp(l.Y[i]-l.U[i]), x, v.clampUp(l.Y[i]+l.U[i]))
		}
	}
	for i := range l.X {
		if l.shown(v, i) {
			l.shape.drawAt(&v.Canvas, v.at(l.X[i], l.Y[i]), l.colour, l.Used != nil && !l.Used[i])
		}
	}
}

func (l *pointsLayer) shown(v *view, i int) bool {
	return v.panel.x.shows(l.X[i]) && v.panel.y.shows(l.Y[i]) && v.Contains(v.at(l.X[i], l.Y[i]))
}

// curveLayer draws a curve.
type curveLayer struct {
	Curve
	colour color.Color
}

func (l *curveLayer) drawOn(v *view) {
	s := draw.LineStyle{Color: l.colour, Width: curveLine}
	if l.Dashed {
		s.Dashes = dashed
	}
	v.polyline(s, l.X, l.Y)
}

// stepsLayer draws the counts of a histogram as steps, filled where no other
// histogram is to be seen behind it.
type stepsLayer struct {
	counts Counts
	colour color.NRGBA
	dashes []vg.Length
	filled bool
}

func (l *stepsLayer) drawOn(v *view) {
	foot := v.panel.y.Min
	for _, run := range l.runs() {
		x, y := l.outline(run, foot)
		if l.filled {
			v.area(pale(l.colour), x, y)
		}
		v.polyline(draw.LineStyle{Color: l.colour, Width: curveLine, Dashes: l.dashes}, x, y)
	}
}

// runs are the first bins, and the ends, of rows of bins with counts in them.
func (l *stepsLayer) runs() [][2]int {
	var runs [][2]int
	for i, n := range l.counts.Counts {
		switch {
		case !(n > 0):
		case len(runs) > 0 && runs[len(runs)-1][1] == i:
			runs[len(runs)-1][1] = i + 1
		default:
			runs = append(runs, [2]int{i, i + 1})
		}
	}
	return runs
}

// outline goes up from the foot, over the bins and down again.
func (l *stepsLayer) outline(run [2]int, foot float64) (x, y []float64) {
	x, y = append(x, l.counts.Edges[run[0]]), append(y, foot)
	for i := run[0]; i < run[1]; i++ {
		n := max(l.counts.Counts[i], foot)
		x, y = append(x, l.counts.Edges[i], l.counts.Edges[i+1]), append(y, n, n)
	}
	return append(x, l.counts.Edges[run[1]]), append(y, foot)
}

// spans are the bins with counts in them.
func (l *stepsLayer) spans() (x, y []float64) {
	for i, n := range l.counts.Counts {
		if n > 0 {
			x = append(x, l.counts.Edges[i], l.counts.Edges[i+1])
			y = append(y, n, n)
		}
	}
	return x, y
}

func (l *stepsLayer) key() []keyEntry {
	e := keyEntry{name: l.counts.Name, colour: l.colour, line: true, dashes: l.dashes}
	if l.filled {
		e.area = pale(l.colour)
	}
	return []keyEntry{e}
}

// bandLayer is a grey band around zero, within which noise alone would lie.
type bandLayer struct {
	x0, x1, half float64
	name         string
}

func (l *bandLayer) drawOn(v *view) {
	bottom, top := v.clampUp(-l.half), v.clampUp(l.half)
	v.FillPolygon(band, []vg.Point{{X: v.Min.X, Y: bottom}, {X: v.Max.X, Y: bottom}, {X: v.Max.X, Y: top}, {X: v.Min.X, Y: top}})
}

func (l *bandLayer) spans() (x, y []float64) {
	return []float64{l.x0, l.x1}, []float64{-l.half, l.half}
}

func (l *bandLayer) key() []keyEntry { return []keyEntry{{name: l.name, area: band}} }

// traceLayer is a profile of means as a thin line, which thousands of points
// may have.
type traceLayer struct {
	name   string
	x, y   []float64
	colour color.Color
	width  vg.Length
}

func (l *traceLayer) drawOn(v *view) {
	v.polyline(draw.LineStyle{Color: l.colour, Width: l.width}, l.x, l.y)
}

func (l *traceLayer) spans() (x, y []float64) { return l.x, l.y }

func (l *traceLayer) key() []keyEntry {
	if l.name == "" {
		return nil
	}
	return []keyEntry{{name: l.name, colour: l.colour, line: true}}
}

// sampled evaluates a function over a range, evenly or, for a logarithmic
// axis, in even ratios.
func sampled(f func(float64) float64, low, high float64, log bool) (x, y []float64) {
	const n = 200
	for i := range n + 1 {
		t := float64(i) / n
		at := low + t*(high-low)
		if log {
			at = low * math.Pow(high/low, t)
		}
		x, y = append(x, at), append(y, f(at))
	}
	return x, y
}
