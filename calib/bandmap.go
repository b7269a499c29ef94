package calib

import "slices"

// NoBand marks a pixel that sees no band in a BandMap.
const NoBand = 255

// BandMap tells which band each pixel of the image sees, where that differs
// from pixel to pixel: a colour mosaic or strips of filters.
type BandMap struct {
	// Bands is the number of bands; a pixel's band is an index below it.
	Bands int
	// PeriodX and PeriodY are the distances to the nearest like pixels along
	// rows and columns: the size of a mosaic's pattern, 1 for strips.
	PeriodX, PeriodY int

	rows [][]uint8 // one for each row of the image; rows that are alike share one
	sets []int     // rows of one number may share neighbours
	nset int
}

// NewMosaicMap makes the map of an image of width x height pixels under a
// pattern, rows of band indices, whose first element lies on the image's first
// pixel.
func NewMosaicMap(width, height int, pattern [][]uint8, bands int) *BandMap {
	m := &BandMap{Bands: bands, PeriodX: len(pattern[0]), PeriodY: len(pattern), nset: len(pattern)}
	kinds := make([][]uint8, len(pattern))
	for i, cells := range pattern {
		kinds[i] = make([]uint8, width)
		for x := range kinds[i] {
			kinds[i][x] = cells[x%len(cells)]
		}
	}
	for y := range height {
		m.rows = append(m.rows, kinds[y%len(pattern)])
		m.sets = append(m.sets, y%len(pattern))
	}
	return m
}

// NewStripMap makes the map of an image whose rows have one band each.
func NewStripMap(width int, rowBand []uint8, bands int) *BandMap {
	m := &BandMap{Bands: bands, PeriodX: 1, PeriodY: 1}
	kinds := map[uint8][]uint8{}
	for y, b := range rowBand {
		if kinds[b] == nil {
			kinds[b] = slices.Repeat([]uint8{b}, width)
		}
		if y > 0 && b != rowBand[y-1] {
			m.nset++
		}
		m.rows, m.sets = append(m.rows, kinds[b]), append(m.sets, m.nset)
	}
	m.nset++
	return m
}

// Row returns the band of each pixel of image row y, NoBand where there is
// none. The slice is shared and must not be changed.
func (m *BandMap) Row(y int) []uint8 { return m.rows[y] }

// Run is a run of like pixels in a row whose pixels were put in order by
// amplifier and band.
type Run struct {
	X0, X1    int // place in the ordered row, half open
	Amp, Band int
}

// Ordered returns, for a row with the given amplifiers, where each ordered
// pixel comes from and the runs of like ones. A pixel without a band forms
// runs of band 0, as its samples are of no use in any.
func (m *BandMap) Ordered(y int, segs []Segment) (from []int, runs []Run) {
	row := m.rows[y]
	for _, g := range segs {
		for b := range m.Bands {
			start := len(from)
			for x := g.X0; x < g.X1; x++ {
				if row[x] == uint8(b) || (b == 0 && row[x] == NoBand) {
					from = append(from, x)
				}
			}
			if len(from) > start {
				runs = append(runs, Run{start, len(from), g.Amp, b})
			}
		}
	}
	return from, runs
}

// Together tells whether pixels of two rows can be of the same band and lie in
// one part of the image: all rows of a mosaic, and those of one strip.
func (m *BandMap) Together(y, other int) bool {
	return m.PeriodX > 1 || m.PeriodY > 1 || m.sets[y] == m.sets[other]
}
