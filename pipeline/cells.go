package pipeline

import (
	"fmt"

	"evenlight/calib"
	"evenlight/configs"
)

// cellMap sorts the pixels of an image into cells whose levels are measured
// apart: all of the reference region, or by amplifier, band or zone.
type cellMap struct {
	names []string
	amps  []int // amplifier of each cell; -1: any
	rows  [][]int16
	shown []bool // cells that any pixel of the image belongs to, in the reference region or not
}

// absent tells whether a cell has no pixel at all: a band that another
// detector of the camera sees.
func (m *cellMap) absent(cell int) bool { return m.shown != nil && !m.shown[cell] }

// noCell marks a pixel that counts in no cell.
const noCell = -1

// cells returns the cells that frames of a kind are measured in: bands for
// flats; amplifiers, their bands or zones for ladders; one cell otherwise.
func (in *Instrument) cells(kind string, s *calib.Sensor, detector int) *cellMap {
	d := &in.Profile.Detectors[detector]
	m := &cellMap{rows: make([][]int16, s.Image.Height())}
	switch {
	case kind == configs.KindLadder && d.Linearity.Zones[0] > 0:
		m.zones(s, d.Linearity.Zones)
		return m
	case kind == configs.KindLadder:
		m.amplifiers(in.Profile, s)
	case kind == configs.KindFlat && s.Map != nil:
		for _, b := range in.Profile.Bands {
			m.names, m.amps = append(m.names, "band "+b.Name), append(m.amps, -1)
		}
		m.fill(s, func(_, band int) int16 { return int16(band) })
		m.shown = make([]bool, len(m.names))
		for y := range s.Image.Height() {
			for _, b := range s.Map.Row(y) {
				if b != calib.NoBand {
					m.shown[b] = true
				}
			}
		}
	default:
		m.names, m.amps = []string{"reference region"}, []int{-1}
		m.fill(s, func(int, int) int16 { return 0 })
	}
	return m
}

// amplifiers makes a cell of each amplifier, or of each of its bands.
func (m *cellMap) amplifiers(p *configs.Profile, s *calib.Sensor) {
	bands := 1
	if s.Map != nil {
		bands = s.Map.Bands
	}
	for a, amp := range s.Amps {
		for b := range bands {
			name := "amplifier " + amp.Name
			if s.Map != nil {
				name += ", band " + p.Bands[b].Name
			}
			m.names, m.amps = append(m.names, name), append(m.amps, a)
		}
	}
	m.fill(s, func(amp, band int) int16 { return int16(amp*bands + band) })
}

// fill gives the pixels of the reference region their cells. Rows that are
// alike share a slice.
func (m *cellMap) fill(s *calib.Sensor, cell func(amp, band int) int16) {
	type kind struct {
		bands *uint8
		segs  *calib.Segment
	}
	known := map[kind][]int16{}
	ref := s.Reference.Shift(-s.Image.X0, -s.Image.Y0)
	segs := s.Segments()
	for y := ref.Y0; y < ref.Y1; y++ {
		k := kind{segs: &segs[y][0]}
		var bands []uint8
		if s.Map != nil {
			bands = s.Map.Row(y)
			k.bands = &bands[0]
		}
		if known[k] == nil {
			known[k] = cellRow(s.Image.Width(), ref, segs[y], bands, cell)
		}
		m.rows[y] = known[k]
	}
}

func cellRow(width int, ref calib.Region, segs []calib.Segment, bands []uint8, cell func(amp, band int) int16) []int16 {
	row := make([]int16, width)
	for x := range row {
		row[x] = noCell
	}
	for _, g := range segs {
		for x := max(g.X0, ref.X0); x < min(g.X1, ref.X1); x++ {
			switch {
			case bands == nil:
				row[x] = cell(g.Amp, 0)
			case bands[x] != calib.NoBand:
				row[x] = cell(g.Amp, int(bands[x]))
			}
		}
	}
	return row
}

// zones makes cells of a grid over the whole image.
func (m *cellMap) zones(s *calib.Sensor, n [2]int) {
	z := zoneGrid(s, n)
	known := map[int][]int16{}
	for y := range m.rows {
		first := z.Zone(0, y)
		if known[first] == nil {
			row := make([]int16, s.Image.Width())
			for x := range row {
				row[x] = int16(z.Zone(x, y))
			}
			known[first] = row
		}
		m.rows[y] = known[first]
	}
	for i := range n[0] * n[1] {
		m.names = append(m.names, fmt.Sprintf("zone %d of row %d", i%n[0]+1, i/n[0]+1))
		m.amps = append(m.amps, 0)
	}
}

// zoneGrid is a grid of zones over a detector's image, without curves yet.
func zoneGrid(s *calib.Sensor, n [2]int) *calib.ZoneCurves {
	return &calib.ZoneCurves{Width: s.Image.Width(), Height: s.Image.Height(), Columns: n[0], Rows: n[1]}
}

// meanDelay is by how much longer than the first row the rows of a cell are
// exposed, on average; delay is by image row, nil where all are exposed alike.
func (m *cellMap) meanDelay(cell int, delay []float64) float64 {
	if delay == nil {
		return 0
	}
	return m.meanOverRows(cell, func(y int) float64 { return delay[y] })
}

// meanOverRows is the mean over a cell's pixels of what depends on their row.
func (m *cellMap) meanOverRows(cell int, of func(y int) float64) float64 {
	sum, n := 0.0, 0
	for y, row := range m.rows {
		for _, c := range row {
			if int(c) == cell {
				sum += of(y)
				n++
			}
		}
	}
	return sum / float64(max(n, 1))
}
