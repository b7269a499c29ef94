package configs

import (
	"fmt"
	"sort"
)

// Contains tells whether all of inner lies within r.
func (r Region) Contains(inner Region) bool {
	return r.Columns[0] <= inner.Columns[0] && inner.Columns[1] <= r.Columns[1] &&
		r.Rows[0] <= inner.Rows[0] && inner.Rows[1] <= r.Rows[1]
}

// Intersect gives the pixels that two regions share, and false when there are
// none.
func (r Region) Intersect(other Region) (Region, bool) {
	both := Region{
		Columns: [2]int{max(r.Columns[0], other.Columns[0]), min(r.Columns[1], other.Columns[1])},
		Rows:    [2]int{max(r.Rows[0], other.Rows[0]), min(r.Rows[1], other.Rows[1])},
	}
	return both, both.Columns[0] <= both.Columns[1] && both.Rows[0] <= both.Rows[1]
}

// Width gives the number of columns.
func (r Region) Width() int { return r.Columns[1] - r.Columns[0] + 1 }

// Height gives the number of rows.
func (r Region) Height() int { return r.Rows[1] - r.Rows[0] + 1 }

// String words a region as "columns 1..272, rows 1..512".
func (r Region) String() string {
	return fmt.Sprintf("columns %d..%d, rows %d..%d", r.Columns[0], r.Columns[1], r.Rows[0], r.Rows[1])
}

// Frame gives the region of a detector's whole raw frame.
func (d *Detector) Frame() Region {
	return Region{Columns: [2]int{1, d.Width}, Rows: [2]int{1, d.Height}}
}

// gaps gives the parts of frame that none of the tiles covers, as rectangles
// that do not overlap, from the first row down. All tiles lie inside frame.
//
// Columns and rows are cut at the edges of the tiles, so the work depends on
// the number of tiles and not on the number of pixels.
func gaps(frame Region, tiles []Region) []Region {
	columns, rows := []int{frame.Columns[0], frame.Columns[1] + 1}, []int{frame.Rows[0], frame.Rows[1] + 1}
	for _, t := range tiles {
		columns = append(columns, t.Columns[0], t.Columns[1]+1)
		rows = append(rows, t.Rows[0], t.Rows[1]+1)
	}
	columns, rows = sortedSet(columns), sortedSet(rows)
	var found []Region
	for j := 0; j+1 < len(rows); j++ {
		for i := 0; i+1 < len(columns); i++ {
			cell := Region{Columns: [2]int{columns[i], columns[i+1] - 1}, Rows: [2]int{rows[j], rows[j+1] - 1}}
			if !covered(cell, tiles) {
				found = grow(found, cell)
			}
		}
	}
	return stack(found)
}

func sortedSet(values []int) []int {
	sort.Ints(values)
	kept := values[:0]
	for _, v := range values {
		if len(kept) == 0 || kept[len(kept)-1] != v {
			kept = append(kept, v)
		}
	}
	return kept
}

func covered(cell Region, tiles []Region) bool {
	for _, t := range tiles {
		if t.Contains(cell) {
			return true
		}
	}
	return false
}

// grow joins a cell to the last rectangle when it goes on where that one ends.
func grow(found []Region, cell Region) []Region {
	if n := len(found); n > 0 {
		last := &found[n-1]
		if last.Rows == cell.Rows && last.Columns[1]+1 == cell.Columns[0] {
			last.Columns[1] = cell.Columns[1]
			return found
		}
	}
	return append(found, cell)
}

// stack joins rectangles of the same columns that stand one upon the other.
func stack(strips []Region) []Region {
	var found []Region
	for _, s := range strips {
		joined := false
		for i := range found {
			if found[i].Columns == s.Columns && found[i].Rows[1]+1 == s.Rows[0] {
				found[i].Rows[1] = s.Rows[1]
				joined = true
				break
			}
		}
		if !joined {
			found = append(found, s)
		}
	}
	return found
}
