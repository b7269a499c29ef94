package plots

import (
	"image/color"

	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
)

// keyEntry tells what a shape or line means.
type keyEntry struct {
	name   string
	colour color.Color
	shape  shape
	point  bool // a shape is drawn
	hollow bool
	line   bool // a line is drawn
	dashes []vg.Length
	area   color.Color // a filled box is drawn; nil: none
}

// sample is the room for shape or line.
func (e *keyEntry) sample() vg.Length {
	if e.line || e.area != nil {
		return 18
	}
	return 2*markRadius + 2
}

func (l *layout) entryWidth(e *keyEntry) vg.Length {
	return e.sample() + 4 + l.letters.style(textSize, ink).Width(e.name)
}

// keyInRows breaks the key into lines. A key that would say of one series only
// that it is there is left out.
func (l *layout) keyInRows() [][]keyEntry {
	var rows [][]keyEntry
	room := vg.Length(0)
	for _, e := range l.figure.key {
		width := l.entryWidth(&e)
		if room < width || rows == nil {
			rows = append(rows, nil)
			room = figureWidth - 2*margin
		}
		rows[len(rows)-1] = append(rows[len(rows)-1], e)
		room -= width + keyGap
	}
	return rows
}

func (l *layout) drawKeyRow(c *draw.Canvas, row []keyEntry, top vg.Length) {
	x := margin
	s := aligned(l.letters.style(textSize, ink), draw.XLeft, draw.YTop)
	y := top - 0.7*textSize
	for i := range row {
		e := &row[i]
		e.draw(c, x, y)
		c.FillText(s, vg.Point{X: x + e.sample() + 4, Y: top}, e.name)
		x += l.entryWidth(e) + keyGap
	}
}

func (e *keyEntry) draw(c *draw.Canvas, x, y vg.Length) {
	end := x + e.sample()
	if e.area != nil {
		const half = 3
		c.FillPolygon(e.area, []vg.Point{{X: x, Y: y - half}, {X: end, Y: y - half}, {X: end, Y: y + half}, {X: x, Y: y + half}})
	}
	if e.line {
		c.StrokeLine2(draw.LineStyle{Color: e.colour, Width: curveLine, Dashes: e.dashes}, x, y, end, y)
	}
	if e.point {
		e.shape.drawAt(c, vg.Point{X: (x + end) / 2, Y: y}, e.colour, e.hollow)
	}
}
