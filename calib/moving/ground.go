package moving

import (
	"fmt"
	"math"

	"evenlight/calib"
)

// cell is the side, in pixels, of the cells on which the gains are solved;
// blockRows is a multiple of it.
const cell = 4

// gainPrior is the relative standard deviation of the local gain about the
// band's level, where the ground is too dark to measure it.
const gainPrior = 0.5

// blurPrior is the standard deviation, px^2, of half the difference of the
// variances of two bands' point spreads: a shift by half a pixel with linear
// weights broadens by 1/4 px^2.
const blurPrior = 0.125

// ground is the part of the scene that stands still, as all bands see it.
type ground struct {
	width, height int
	bands         []*calib.Raster
	inv           [][]float32  // 1/variance of the usable pixels of a band, else 0
	bright        []float32    // R; NaN where fewer than two bands are usable
	gain          [][]float32  // G_b at the centres of the cells
	cols, rows    int          // cells
	level         []float64    // root mean square of a band
	warp          [][3]float64 // d_x, d_y in px and the blur in px^2 of a band
	alignSigma    float64
}

// newGround solves gains and brightness by turns, with a colour that is
// smooth over 2 half + 1 pixels. The curvature of the colour within the window
// is taken out too (twicing: the smoother is applied to its own residuals;
// Tukey 1977, from memory).
func newGround(bands []*calib.Raster, half int, alignSigma float64, workers int) (*ground, error) {
	g := &ground{width: bands[0].Width, height: bands[0].Height, bands: bands, alignSigma: alignSigma}
	g.cols, g.rows = (g.width+cell-1)/cell, (g.height+cell-1)/cell
	if err := g.weigh(workers); err != nil {
		return nil, err
	}
	g.startGains()
	g.smoothColour(half, 2, workers)
	g.updateGains(cellsOf(half), true, workers)
	g.solveBrightness(workers)
	g.measureWarp(workers)
	return g, nil
}

// smoothColour solves the gains anew, in so many turns, over another window
// and without following its curvature.
func (g *ground) smoothColour(half, turns, workers int) {
	for range turns {
		g.updateGains(cellsOf(half), false, workers)
	}
}

func (g *ground) solveBrightness(workers int) {
	eachBlock(g.height, workers, func(_, y0, y1 int) { g.solveRows(y0, y1, nil, false) })
}

func cellsOf(px int) int { return (px + cell - 1) / cell }

// weigh fills inv and level.
func (g *ground) weigh(workers int) error {
	n := len(g.bands)
	g.inv = make([][]float32, n)
	for b := range g.inv {
		g.inv[b] = make([]float32, g.width*g.height)
	}
	g.bright = make([]float32, g.width*g.height)
	sums := make([]levelSums, blocksOf(g.height))
	eachBlock(g.height, workers, func(block, y0, y1 int) {
		s := levelSums{square: make([]float64, n), count: make([]int, n)}
		for i := y0 * g.width; i < y1*g.width; i++ {
			g.weighPixel(i, &s)
		}
		sums[block] = s
	})
	total := levelSums{square: make([]float64, n), count: make([]int, n)}
	for _, s := range sums {
		total.add(s)
	}
	if total.usable < leastOverlap {
		return fmt.Errorf("%w: %d pixels are usable in two bands or more, %d are needed; check the alignment and the flags",
			ErrNoOverlap, total.usable, leastOverlap)
	}
	g.level = make([]float64, n)
	for b := range g.level {
		g.level[b] = 1
		if total.square[b] > 0 {
			g.level[b] = math.Sqrt(total.square[b] / float64(total.count[b]))
		}
	}
	return nil
}

// levelSums adds up what the levels of the bands are made from.
type levelSums struct {
	usable int // pixels that two bands or more share
	square []float64
	count  []int
}

func (s *levelSums) add(o levelSums) {
	s.usable += o.usable
	for b := range s.square {
		s.square[b] += o.square[b]
		s.count[b] += o.count[b]
	}
}

// weighPixel sets the weights of pixel i in all bands. A pixel that only one
// band has cannot be compared and gets no weight.
func (g *ground) weighPixel(i int, s *levelSums) {
	shared := 0
	for b, r := range g.bands {
		v := r.Variance[i]
		if r.Flags[i]&skipped == 0 && r.Value[i] == r.Value[i] && v > 0 && v <= math.MaxFloat32 {
			g.inv[b][i] = 1 / v
			shared++
		}
	}
	if shared < 2 {
		for b := range g.inv {
			g.inv[b][i] = 0
		}
		return
	}
	s.usable++
	for b, r := range g.bands {
		if g.inv[b][i] > 0 {
			v := float64(r.Value[i])
			s.square[b] += v * v
			s.count[b]++
		}
	}
}

// startGains sets each gain to the band's level, so R is 1 at that level.
func (g *ground) startGains() {
	g.gain = make([][]float32, len(g.bands))
	for b := range g.gain {
		g.gain[b] = make([]float32, g.cols*g.rows)
		for i := range g.gain[b] {
			g.gain[b][i] = float32(g.level[b])
		}
	}
	g.warp = make([][3]float64, len(g.bands))
}

// gainSums holds, for each cell, the sums of a regression through the origin
// of a band on the brightness.
type gainSums struct{ num, den []float64 }

// updateGains solves the brightness with the gains at hand and then the gains
// with that brightness:
//
//	G_b = sum w R I_b / sum w R^2,  w = 1/variance,
//
// over the window, held to the level of the band where the ground is dark. In
// the residual mode the same mean of I_b - G_b R is added to the gains.
func (g *ground) updateGains(halfCells int, residual bool, workers int) {
	sums := make([]gainSums, len(g.bands))
	for b := range sums {
		sums[b] = gainSums{make([]float64, g.cols*g.rows), make([]float64, g.cols*g.rows)}
	}
	eachBlock(g.height, workers, func(_, y0, y1 int) { g.solveRows(y0, y1, sums, residual) })
	inParallel(len(g.bands), workers, func(b int) {
		num := boxSum(sums[b].num, g.cols, g.rows, halfCells)
		den := boxSum(sums[b].den, g.cols, g.rows, halfCells)
		hold := 1 / (gainPrior * gainPrior * g.level[b] * g.level[b])
		for i := range g.gain[b] {
			if residual {
				g.gain[b][i] += float32(num[i] / (den[i] + hold))
			} else {
				g.gain[b][i] = float32((num[i] + hold*g.level[b]) / (den[i] + hold))
			}
		}
	})
}

// solveRows sets the brightness of rows y0 <= y < y1, the weighted mean of
// all bands over their gains, and adds to sums unless they are nil.
func (g *ground) solveRows(y0, y1 int, sums []gainSums, residual bool) {
	n := len(g.bands)
	gains := rowsOf(n, g.width)
	den := make([]float32, g.width)
	for y := y0; y < y1; y++ {
		row := g.bright[y*g.width:][:g.width]
		clear(row)
		clear(den)
		for b := range n {
			g.gainRow(b, y, gains[b])
			addWeighted(row, den, gains[b], g.inv[b][y*g.width:], g.bands[b].Value[y*g.width:])
		}
		for x, d := range den {
			if d > 0 {
				row[x] /= d
			} else {
				row[x] = float32(math.NaN())
			}
		}
		if sums == nil {
			continue
		}
		for b := range n {
			g.addToCells(&sums[b], b, y, gains[b], residual)
		}
	}
}

// addWeighted adds one band to the sums of the brightness.
func addWeighted(num, den, gain, inv, value []float32) {
	inv, value, den, gain = inv[:len(num)], value[:len(num)], den[:len(num)], gain[:len(num)]
	for x, w := range inv {
		if w > 0 {
			gw := gain[x] * w
			num[x] += gw * value[x]
			den[x] += gw * gain[x]
		}
	}
}

// addToCells adds a row of band b to the sums of its cells.
func (g *ground) addToCells(s *gainSums, b, y int, gain []float32, residual bool) {
	start := y * g.width
	num, den := s.num[y/cell*g.cols:][:g.cols], s.den[y/cell*g.cols:][:g.cols]
	inv, value, bright := g.inv[b][start:][:g.width], g.bands[b].Value[start:][:g.width], g.bright[start:][:g.width]
	for x, w := range inv {
		if w == 0 {
			continue
		}
		r, v := bright[x], value[x]
		if residual {
			v -= gain[x] * r
		}
		num[x/cell] += float64(w * r * v)
		den[x/cell] += float64(w * r * r)
	}
}

// gainRow writes the gains of row y, linear between the centres of cells.
func (g *ground) gainRow(b, y int, dst []float32) {
	fy := (float32(y)+0.5)/cell - 0.5
	fy = min(max(fy, 0), float32(g.rows-1))
	r0 := min(int(fy), max(g.rows-2, 0))
	r1 := min(r0+1, g.rows-1)
	ty := fy - float32(r0)
	upper, lower := g.gain[b][r0*g.cols:][:g.cols], g.gain[b][r1*g.cols:][:g.cols]
	at := func(c int) float32 { return upper[c] + ty*(lower[c]-upper[c]) }
	left, right := at(0), at(0)
	c := -1 // left and right are the gains of cells c and c+1
	for x := range dst {
		if next := (x+cell/2)/cell - 1; next != c {
			c = next
			left, right = right, at(min(c+1, g.cols-1))
		}
		t := (float32(x)+0.5)/cell - 0.5 - float32(c)
		dst[x] = left + t*(right-left)
	}
}

// boxSum returns the sums over squares of 2 half+1 cells, cut at the edges.
func boxSum(src []float64, cols, rows, half int) []float64 {
	across := make([]float64, len(src))
	prefix := make([]float64, max(cols, rows)+1)
	for y := range rows {
		row := src[y*cols:][:cols]
		for x, v := range row {
			prefix[x+1] = prefix[x] + v
		}
		for x := range cols {
			across[y*cols+x] = prefix[min(cols, x+half+1)] - prefix[max(0, x-half)]
		}
	}
	out := make([]float64, len(src))
	for x := range cols {
		for y := range rows {
			prefix[y+1] = prefix[y] + across[y*cols+x]
		}
		for y := range rows {
			out[y*cols+x] = prefix[min(rows, y+half+1)] - prefix[max(0, y-half)]
		}
	}
	return out
}

// rowsOf makes n rows of numbers.
func rowsOf(n, width int) [][]float32 {
	out := make([][]float32, n)
	for i := range out {
		out[i] = make([]float32, width)
	}
	return out
}
