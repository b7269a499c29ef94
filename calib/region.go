package calib

import "fmt"

// Region is a rectangle of pixels: columns X0 <= x < X1, rows Y0 <= y < Y1,
// counted from zero.
type Region struct{ X0, X1, Y0, Y1 int }

// Width returns the number of columns.
func (r Region) Width() int { return r.X1 - r.X0 }

// Height returns the number of rows.
func (r Region) Height() int { return r.Y1 - r.Y0 }

// Intersect returns the part that r and s share; it is empty where they do
// not meet.
func (r Region) Intersect(s Region) Region {
	t := Region{max(r.X0, s.X0), min(r.X1, s.X1), max(r.Y0, s.Y0), min(r.Y1, s.Y1)}
	if t.X0 >= t.X1 || t.Y0 >= t.Y1 {
		return Region{}
	}
	return t
}

// Empty tells whether r holds no pixel.
func (r Region) Empty() bool { return r.X0 >= r.X1 || r.Y0 >= r.Y1 }

// Shift moves r by (dx, dy).
func (r Region) Shift(dx, dy int) Region {
	return Region{r.X0 + dx, r.X1 + dx, r.Y0 + dy, r.Y1 + dy}
}

// String writes r as people count pixels: from 1, both ends included.
func (r Region) String() string {
	return fmt.Sprintf("columns %d-%d rows %d-%d", r.X0+1, r.X1, r.Y0+1, r.Y1)
}
