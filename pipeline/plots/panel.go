package plots

import (
	"image/color"
	"math"

	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
)

// panel is one pair of axes and what is drawn between them.
type panel struct {
	x, y   scale
	height vg.Length // of the data
	bare   bool      // without names along the horizontal axis: the next panel has them
	low    bool      // names of marks stand at the foot, else at the top
	back   []layer   // below the limits
	layers []layer   // above them, from back to front
	limits []Limit
	marks  []Mark
}

// layer draws some of the data of a panel.
type layer interface{ drawOn(v *view) }

// view is the place of a panel's data on the paper.
type view struct {
	draw.Canvas
	panel   *panel
	letters *lettering
}

// at is the place of a value; it may lie outside of the panel.
func (v *view) at(x, y float64) vg.Point { return vg.Point{X: v.across(x), Y: v.up(y)} }

func (v *view) across(x float64) vg.Length {
	return v.Min.X + vg.Length(v.panel.x.fraction(x))*(v.Max.X-v.Min.X)
}

func (v *view) up(y float64) vg.Length {
	return v.Min.Y + vg.Length(v.panel.y.fraction(y))*(v.Max.Y-v.Min.Y)
}

// above is the room for the vertical axis' label, and for the second scale.
func (p *panel) above() vg.Length {
	return p.labelAbove() + 2
}

// labelAbove is how high above the data the label of the vertical axis begins.
func (p *panel) labelAbove() vg.Length {
	if len(p.x.Across) > 0 {
		return 2*smallLine + tickLength + 5
	}
	return smallLine + 5
}

// below is the room for the horizontal axis.
func (p *panel) below() vg.Length {
	if p.bare {
		return 4
	}
	return tickLength + 3 + 2*smallLine
}

func (p *panel) tickWidth(l *lettering) vg.Length {
	s := l.style(smallSize, ink)
	widest := vg.Length(0)
	for _, t := range p.y.Ticks {
		widest = max(widest, s.Width(t.Label))
	}
	return widest
}

func (p *panel) draw(c draw.Canvas, place vg.Rectangle, l *lettering) {
	v := &view{Canvas: draw.Canvas{Canvas: c.Canvas, Rectangle: place}, panel: p, letters: l}
	v.drawGrid()
	for _, one := range p.back {
		one.drawOn(v)
	}
	for _, limit := range p.limits {
		v.drawLimit(limit)
	}
	for _, one := range p.layers {
		one.drawOn(v)
	}
	v.drawMarks()
	v.drawAxes()
}

func (v *view) drawGrid() {
	s := draw.LineStyle{Color: grid, Width: hairline}
	for _, t := range v.panel.x.Ticks {
		if x := v.across(t.At); v.ContainsX(x) {
			v.StrokeLine2(s, x, v.Min.Y, x, v.Max.Y)
		}
	}
	for _, t := range v.panel.y.Ticks {
		if y := v.up(t.At); v.ContainsY(y) {
			v.StrokeLine2(s, v.Min.X, y, v.Max.X, y)
		}
	}
}

func (v *view) drawAxes() {
	s := draw.LineStyle{Color: ink, Width: hairline}
	v.StrokeLine2(s, v.Min.X, v.Min.Y, v.Max.X, v.Min.Y)
	v.StrokeLine2(s, v.Min.X, v.Min.Y, v.Min.X, v.Max.Y)
	v.drawHorizontal(s)
	v.drawVertical(s)
	if len(v.panel.x.Across) > 0 {
		v.drawAcross(s)
	}
}

func (v *view) drawHorizontal(s draw.LineStyle) {
	for _, at := range v.panel.x.minor {
		v.StrokeLine2(s, v.across(at), v.Min.Y, v.across(at), v.Min.Y-tickLength*0.5)
	}
	below := v.Min.Y - tickLength - 2
	words := aligned(v.letters.style(smallSize, ink), draw.XCenter, draw.YTop)
	for _, t := range v.panel.x.Ticks {
		x := v.across(t.At)
		if !v.ContainsX(x) {
			continue
		}
		v.StrokeLine2(s, x, v.Min.Y, x, v.Min.Y-tickLength)
		if !v.panel.bare {
			v.FillText(words, vg.Point{X: x, Y: below}, t.Label)
		}
	}
	if !v.panel.bare {
		v.FillText(aligned(v.letters.style(smallSize, ink), draw.XRight, draw.YTop), vg.Point{X: v.Max.X, Y: below - smallLine}, v.panel.x.Label)
	}
}

func (v *view) drawVertical(s draw.LineStyle) {
	for _, at := range v.panel.y.minor {
		v.StrokeLine2(s, v.Min.X, v.up(at), v.Min.X-tickLength*0.5, v.up(at))
	}
	words := aligned(v.letters.style(smallSize, ink), draw.XRight, draw.YTop)
	for _, t := range v.panel.y.Ticks {
		y := v.up(t.At)
		if !v.ContainsY(y) {
			continue
		}
		v.StrokeLine2(s, v.Min.X, y, v.Min.X-tickLength, y)
		// The middle of digits lies 0.66 of their size below the top of the line.
		v.FillText(words, vg.Point{X: v.Min.X - tickLength - 2, Y: y + 0.66*smallSize}, t.Label)
	}
	v.FillText(aligned(v.letters.style(smallSize, ink), draw.XLeft, draw.YTop), vg.Point{X: margin, Y: v.Max.Y + v.panel.labelAbove()}, v.panel.y.Label)
}

func (v *view) drawAcross(s draw.LineStyle) {
	v.StrokeLine2(s, v.Min.X, v.Max.Y, v.Max.X, v.Max.Y)
	words := aligned(v.letters.style(smallSize, ink), draw.XCenter, draw.YTop)
	above := v.Max.Y + tickLength + 2 + smallLine
	for _, t := range v.panel.x.Across {
		x := v.across(t.At)
		if v.ContainsX(x) {
			v.StrokeLine2(s, x, v.Max.Y, x, v.Max.Y+tickLength)
			v.FillText(words, vg.Point{X: x, Y: above}, t.Label)
		}
	}
	v.FillText(aligned(v.letters.style(smallSize, ink), draw.XRight, draw.YTop), vg.Point{X: v.Max.X, Y: v.Max.Y + v.panel.labelAbove()}, v.panel.x.AcrossLabel)
}

// drawLimit draws a horizontal line with its name at the right end; one
// without a name is not dashed.
func (v *view) drawLimit(limit Limit) {
	y := v.up(limit.At)
	if !v.ContainsY(y) {
		return
	}
	s := draw.LineStyle{Color: faded, Width: fineLine}
	if limit.Name != "" {
		s.Dashes = dashed
	}
	v.StrokeLine2(s, v.Min.X, y, v.Max.X, y)
	v.FillText(aligned(v.letters.style(smallSize, faded), draw.XRight, draw.YTop), vg.Point{X: v.Max.X - 2, Y: y + smallLine + 0.5}, limit.Name)
}

// drawMarks draws vertical lines with their names beside them, one below the
// other where they would meet.
func (v *view) drawMarks() {
	var shown []Mark
	for _, m := range v.panel.marks {
		if !v.panel.x.shows(m.At) || !v.ContainsX(v.across(m.At)) {
			continue
		}
		if m.colour == nil {
			m.colour = ink
		}
		shown = append(shown, m)
		x := v.across(m.At)
		v.StrokeLine2(draw.LineStyle{Color: m.colour, Width: fineLine, Dashes: dotted}, x, v.Min.Y, x, v.Max.Y)
	}
	var rows []vg.Length // where the names of each row end
	for _, m := range shown {
		v.writeBeside(v.letters.style(smallSize, m.colour), v.across(m.At), m.Name, &rows)
	}
}

// writeBeside writes a name right of a line, or left of it where the panel
// ends, in the first row that is free there.
func (v *view) writeBeside(s draw.TextStyle, x vg.Length, name string, rows *[]vg.Length) {
	if name == "" {
		return
	}
	const gap = 3
	width := s.Width(name)
	left := x + gap
	if left+width > v.Max.X {
		left = x - gap - width
	}
	row := 0
	for row < len(*rows) && (*rows)[row] > left-gap {
		row++
	}
	if row == len(*rows) {
		*rows = append(*rows, 0)
	}
	(*rows)[row] = left + width
	top := v.Max.Y - 2 - vg.Length(row)*smallLine
	if v.panel.low {
		top = v.Min.Y + 4 + vg.Length(row+1)*smallLine
	}
	v.FillPolygon(paper, []vg.Point{{X: left - 1, Y: top}, {X: left + width + 1, Y: top}, {X: left + width + 1, Y: top - smallLine}, {X: left - 1, Y: top - smallLine}})
	v.FillText(aligned(s, draw.XLeft, draw.YTop), vg.Point{X: left, Y: top - 0.5}, name)
}

// polyline draws a line through places; NaN breaks it.
func (v *view) polyline(s draw.LineStyle, x, y []float64) {
	var line []vg.Point
	flush := func() {
		if len(line) > 1 {
			v.StrokeLines(s, v.ClipLinesXY(line)...)
		}
		line = nil
	}
	for i := range x {
		if !v.panel.x.shows(x[i]) || !v.panel.y.shows(y[i]) {
			flush()
			continue
		}
		line = append(line, v.at(x[i], y[i]))
	}
	flush()
}

// area fills what an outline encloses. Places that an axis does not show are
// left out.
func (v *view) area(c color.Color, x, y []float64) {
	var outline []vg.Point
	for i := range x {
		if v.panel.x.shows(x[i]) && v.panel.y.shows(y[i]) {
			outline = append(outline, v.at(x[i], y[i]))
		}
	}
	v.FillPolygon(c, v.ClipPolygonXY(outline))
}

// clampUp is the height of a value, or the edge of the panel beyond which it
// lies; a value that a logarithmic axis has no place for lies below.
func (v *view) clampUp(y float64) vg.Length {
	if math.IsNaN(y) || v.panel.y.Log && y <= 0 {
		return v.Min.Y
	}
	return min(max(v.up(y), v.Min.Y), v.Max.Y)
}
