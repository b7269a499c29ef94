package plots

import (
	"bytes"
	"fmt"
	"image/png"

	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
	"gonum.org/v1/plot/vg/vgimg"
	"gonum.org/v1/plot/vg/vgsvg"
)

// Heading is the text around a plot.
type Heading struct {
	Title   string   // what is plotted: "Photon transfer"
	Subject string   // of what: "quillon, detector vis, mode normal"
	Notes   []string // below the plot, long ones in several lines
}

// Figure is a plot whose contents are settled: panels, one below the other,
// with heading, key and notes.
type Figure struct {
	heading Heading
	key     []keyEntry
	panels  []*panel
}

// pngDPI is the resolution of PNG files: 1020 pixels wide.
const pngDPI = 144

// SVG returns the bytes of an SVG file. Its text is text, in Liberation Sans,
// or where that is not installed in Arial or Helvetica, which are as wide.
func (f *Figure) SVG() ([]byte, error) {
	l := f.layOut()
	c := vgsvg.NewWith(vgsvg.UseWH(figureWidth, l.height))
	l.draw(c)
	var b bytes.Buffer
	if _, err := c.WriteTo(&b); err != nil {
		return nil, fmt.Errorf("drawing %q as SVG: %w", f.heading.Title, err)
	}
	return bytes.ReplaceAll(b.Bytes(), []byte("font-family:Liberation Sans;"),
		[]byte("font-family:Liberation Sans,Arial,Helvetica,sans-serif;")), nil
}

// PNG returns the bytes of a PNG file.
func (f *Figure) PNG() ([]byte, error) {
	l := f.layOut()
	c := vgimg.NewWith(vgimg.UseWH(figureWidth, l.height), vgimg.UseDPI(pngDPI), vgimg.UseBackgroundColor(paper))
	l.draw(c)
	var b bytes.Buffer
	fast := png.Encoder{CompressionLevel: png.BestSpeed} // half the time, a tenth more bytes
	if err := fast.Encode(&b, c.Image()); err != nil {
		return nil, fmt.Errorf("drawing %q as PNG: %w", f.heading.Title, err)
	}
	return b.Bytes(), nil
}

// layout is where the parts of a figure stand. Heights count from the top.
type layout struct {
	figure      *Figure
	letters     *lettering
	left, right vg.Length // of the data
	notes       []string
	keyRows     [][]keyEntry
	height      vg.Length
}

// Distances between lines of text, and from a panel to what is around it.
const (
	titleLine = titleSize * 1.35
	textLine  = textSize * 1.4
	smallLine = smallSize * 1.35
	keyGap    = vg.Length(16) // between entries of the key
	space     = vg.Length(3)  // around the key, above the notes
)

func (f *Figure) layOut() *layout {
	l := &layout{figure: f, letters: newLettering(), left: margin, right: figureWidth - margin}
	small := l.letters.style(smallSize, faded)
	for _, note := range f.heading.Notes {
		l.notes = append(l.notes, wrapped(small, figureWidth-2*margin, note)...)
	}
	l.keyRows = l.keyInRows()
	for _, p := range f.panels {
		l.left = max(l.left, margin+p.tickWidth(l.letters)+tickLength+3)
	}
	l.height = margin + titleLine + textLine*vg.Length(1+len(l.keyRows)) + smallLine*vg.Length(len(l.notes)) + margin/2
	l.height += 4 * space
	for _, p := range f.panels {
		l.height += p.above() + p.height + p.below()
	}
	return l
}

func (l *layout) draw(canvas vg.CanvasSizer) {
	c := draw.New(canvas)
	c.SetColor(paper)
	c.Fill(c.Rectangle.Path())
	top := l.height - margin
	write := func(s draw.TextStyle, line vg.Length, txt string) {
		c.FillText(aligned(s, draw.XLeft, draw.YTop), vg.Point{X: margin, Y: top}, txt)
		top -= line
	}
	write(l.letters.title(), titleLine, l.figure.heading.Title)
	write(l.letters.style(textSize, faded), textLine, l.figure.heading.Subject)
	top -= space
	for _, row := range l.keyRows {
		l.drawKeyRow(&c, row, top)
		top -= textLine
	}
	top -= space
	for _, p := range l.figure.panels {
		top -= p.above()
		p.draw(c, vg.Rectangle{Min: vg.Point{X: l.left, Y: top - p.height}, Max: vg.Point{X: l.right, Y: top}}, l.letters)
		top -= p.height + p.below()
	}
	top -= 2 * space
	for _, note := range l.notes {
		write(l.letters.style(smallSize, faded), smallLine, note)
	}
}
