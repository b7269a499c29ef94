package moving

import "math"

// firstBin is the side, in pixels, of the cells of the finest level.
const firstBin = 2

// spikeSigma is how far, in sigmas, a pixel may stand out from the four
// pixels beside it before it is taken for a hit or a bad pixel.
const spikeSigma = 6

// level holds the relative departures u of all bands from the ground, summed
// over cells of bin x bin pixels: the weights w = 1/variance, and w u.
type level struct {
	bin, width, height int
	wu, w              [][]float32
	bright             []float32 // mean brightness of the cell, 0 where there is none
}

func newLevel(bands, bin, width, height int) *level {
	l := &level{bin: bin, width: width, height: height, bright: make([]float32, width*height)}
	l.wu, l.w = rowsOf(bands, width*height), rowsOf(bands, width*height)
	return l
}

// pixel turns a position on the level into one on the image.
func (l *level) pixel(v float64) float64 { return (v+0.5)*float64(l.bin) - 0.5 }

// cellOf turns a position on the image into one on the level.
func (l *level) cellOf(v float64) float64 { return (v+0.5)/float64(l.bin) - 0.5 }

// newLevels sums the departures over cells that double in size until they
// fit movers of sigma maxSize. Pixels at the right and lower edge that do not
// fill a cell are left out.
func newLevels(g *ground, maxSize float64, workers int) []*level {
	first := newLevel(len(g.bands), firstBin, g.width/firstBin, g.height/firstBin)
	eachBlock(first.height*firstBin, workers, func(_, y0, y1 int) { g.sumRows(first, y0, y1) })
	levels := []*level{first}
	for l := first; float64(l.bin)*scaleFirst*2 <= maxSize && min(l.width, l.height) >= 32; {
		l = l.halved()
		levels = append(levels, l)
	}
	return levels
}

// sumRows adds the pixels of rows y0 <= y < y1 to the cells of the level.
// Four rows of departures are held at a time: a pair of rows makes a row of
// cells, and the rows above and below tell which pixels stand alone.
func (g *ground) sumRows(l *level, y0, y1 int) {
	n := len(g.bands)
	ring := make([]*departures, 4)
	for i := range ring {
		ring[i] = newDepartures(n, g.width)
	}
	at := func(y int) *departures {
		if y < 0 || y >= g.height {
			return nil
		}
		return ring[y%4]
	}
	load := func(y int) {
		if d := at(y); d != nil {
			g.departuresOf(y, d)
			d.toSigmas()
		}
	}
	load(y0 - 1)
	load(y0)
	for y := y0; y < y1; y += firstBin {
		load(y + 1)
		load(y + 2)
		for i := range firstBin {
			row := at(y + i)
			g.addRow(l, y+i, row, at(y+i-1), at(y+i+1))
		}
	}
}

// toSigmas turns the departures into sigmas.
func (d *departures) toSigmas() {
	for b := range d.e {
		e, p := d.e[b], d.p[b]
		for x, v := range p {
			e[x] *= float32(math.Sqrt(float64(v)))
		}
	}
}

// addRow adds row y to its cells. A pixel that stands alone in one band is
// left out in all of them, since it spoilt the brightness too.
func (g *ground) addRow(l *level, y int, d, above, below *departures) {
	bright := g.bright[y*g.width:][:g.width]
	start := y / firstBin * l.width
	for x := range l.width * firstBin {
		r := bright[x]
		if !(r > 0) || d.standsAlone(x, above, below) {
			continue
		}
		c := start + x/firstBin
		l.bright[c] += r / (firstBin * firstBin)
		for b := range d.e {
			// w = (k r)^2 p and w u = k r p e, with e in sigmas here.
			root := d.gain[b][x] * r * float32(math.Sqrt(float64(d.p[b][x])))
			l.w[b][c] += root * root
			l.wu[b][c] += root * d.e[b][x]
		}
	}
}

// standsAlone tells whether pixel x departs in a band as none of its
// neighbours does; the departures are in sigmas. Half of the neighbours' mean
// is allowed on top, so that the flanks of steep things pass.
func (d *departures) standsAlone(x int, above, below *departures) bool {
	for b, e := range d.e {
		v := e[x]
		if v > -spikeSigma && v < spikeSigma {
			continue
		}
		var sum, count float32
		if x > 0 {
			sum, count = sum+e[x-1], count+1
		}
		if x < len(e)-1 {
			sum, count = sum+e[x+1], count+1
		}
		if above != nil {
			sum, count = sum+above.e[b][x], count+1
		}
		if below != nil {
			sum, count = sum+below.e[b][x], count+1
		}
		mean := float64(sum / count)
		if math.Abs(float64(v)-mean) > spikeSigma+math.Abs(mean)/2 {
			return true
		}
	}
	return false
}

// halved returns the level with cells of twice the side.
func (l *level) halved() *level {
	h := newLevel(len(l.w), 2*l.bin, l.width/2, l.height/2)
	halve := func(dst, src []float32, scale float32) {
		for y := range h.height {
			upper, lower := src[2*y*l.width:][:l.width], src[(2*y+1)*l.width:][:l.width]
			row := dst[y*h.width:][:h.width]
			for x := range row {
				row[x] = scale * (upper[2*x] + upper[2*x+1] + lower[2*x] + lower[2*x+1])
			}
		}
	}
	for b := range l.w {
		halve(h.w[b], l.w[b], 1)
		halve(h.wu[b], l.wu[b], 1)
	}
	halve(h.bright, l.bright, 0.25)
	return h
}
