package mosaic

import (
	"errors"
	"fmt"
)

// MaxPeriod is the largest number of rows and of columns that a pattern has.
const MaxPeriod = 8

// Pattern is a repeating pattern of colour filters. It does not change once
// it is made.
type Pattern struct {
	width, height int
	cells         []uint8 // colour of each cell, row by row
	colours       []string
}

// New makes a pattern of rows of colour names; the first name of the first row
// is the colour of the image's first pixel. Names are told apart as they are
// written. A pattern that repeats within itself is cut to its smallest cell.
func New(cells [][]string) (*Pattern, error) {
	if len(cells) == 0 || len(cells[0]) == 0 {
		return nil, errors.New("colour pattern: it is empty; write its rows of colour names")
	}
	p := &Pattern{width: len(cells[0]), height: len(cells)}
	if p.width > MaxPeriod || p.height > MaxPeriod {
		return nil, fmt.Errorf("colour pattern: it has %d columns and %d rows, at most %d each can be handled",
			p.width, p.height, MaxPeriod)
	}
	for y, row := range cells {
		if len(row) != p.width {
			return nil, fmt.Errorf("colour pattern: row %d has %d colours and row 1 has %d; all rows need the same number",
				y+1, len(row), p.width)
		}
		for x, name := range row {
			if name == "" {
				return nil, fmt.Errorf("colour pattern: the colour in row %d, column %d has no name", y+1, x+1)
			}
			p.cells = append(p.cells, p.number(name))
		}
	}
	return p.smallest(), nil
}

// number finds a colour by name and adds it where it is new.
func (p *Pattern) number(name string) uint8 {
	for i, c := range p.colours {
		if c == name {
			return uint8(i)
		}
	}
	p.colours = append(p.colours, name)
	return uint8(len(p.colours) - 1)
}

func (p *Pattern) smallest() *Pattern {
	w, h := 1, 1
	for !p.repeats(w, 0) {
		w++
	}
	for !p.repeats(0, h) {
		h++
	}
	q := &Pattern{width: w, height: h, colours: p.colours}
	for y := range h {
		q.cells = append(q.cells, p.cells[y*p.width:y*p.width+w]...)
	}
	return q
}

// repeats tells whether the pattern looks the same when moved.
func (p *Pattern) repeats(dx, dy int) bool {
	if p.width%max(dx, 1) != 0 || p.height%max(dy, 1) != 0 {
		return false
	}
	for y := range p.height {
		for x := range p.width {
			if p.At(x+dx, y+dy) != p.At(x, y) {
				return false
			}
		}
	}
	return true
}

// Colours names the colours in the order of their first appearance. The slice
// must not be changed.
func (p *Pattern) Colours() []string { return p.colours }

// Size gives the number of columns and rows after which the pattern repeats.
func (p *Pattern) Size() (width, height int) { return p.width, p.height }

// At gives the colour of pixel (x, y), counted from 0, as an index into
// Colours. Pixels before the first belong to the pattern too.
func (p *Pattern) At(x, y int) int {
	return int(p.cells[wrap(y, p.height)*p.width+wrap(x, p.width)])
}

func wrap(i, n int) int { return ((i % n) + n) % n }

// Shift gives the pattern of an image whose first pixel is pixel (dx, dy) of
// the image that p belongs to, as for a trimmed image. The colours keep their
// order.
func (p *Pattern) Shift(dx, dy int) *Pattern {
	q := &Pattern{width: p.width, height: p.height, colours: p.colours}
	for y := range p.height {
		for x := range p.width {
			q.cells = append(q.cells, uint8(p.At(x+dx, y+dy)))
		}
	}
	return q
}

// Divides reports a frame that is no whole number of cells wide or high. Such
// a frame can be interpolated all the same, but it often tells of a wrong trim.
func (p *Pattern) Divides(width, height int) error {
	if width%p.width == 0 && height%p.height == 0 {
		return nil
	}
	return fmt.Errorf("a frame of %d columns and %d rows is no whole number of colour patterns of %d columns and %d rows: check the image region and the pattern",
		width, height, p.width, p.height)
}

// diagonal gives the colour that fills one diagonal of a 2×2 pattern whose
// other two cells are of two further colours, or -1.
func (p *Pattern) diagonal() int {
	if p.width != 2 || p.height != 2 || len(p.colours) != 3 {
		return -1
	}
	switch {
	case p.cells[0] == p.cells[3]:
		return int(p.cells[0])
	case p.cells[1] == p.cells[2]:
		return int(p.cells[1])
	}
	return -1
}
