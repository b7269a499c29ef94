package strips

import (
	"errors"
	"fmt"
	"math"
	"sync"
	"sync/atomic"

	"evenlight/calib"
)

// Image is one band on the ground grid.
type Image struct {
	Band string
	// Raster holds mean, random variance and flags of each ground pixel. The
	// flags are the union of those of all samples that contribute, and
	// Interpolated where in some frame more than one sample did. A pixel that
	// is a gap has value and variance NaN, Missing, and the flags of the
	// samples that were left out there.
	Raster *calib.Raster
	// Coverage is the area of usable samples on each pixel, in pixels: the
	// number of frames that saw it, where the motion is whole.
	Coverage []float32
	// ChiSquare is the reduced chi-square of the frames' values about their
	// weighted mean over all pixels that several frames saw: 1 where they
	// agree within their uncertainties. More tells of wrong offsets, of
	// something that moved, or of calibrations that drift. Where motion is
	// fractional, texture finer than a few pixels raises it too, since each
	// frame blurs the ground in its own way. NaN where no pixel was seen twice.
	ChiSquare float64
	// Compared is its number of degrees of freedom: values less pixels.
	Compared int
	// Disagreeing counts the pixels whose own chi-square stands out by more
	// than 5 standard deviations (Wilson & Hilferty 1931, from memory).
	Disagreeing int
	// GapRows counts the ground rows without any value between the first and
	// the last row that have one: the ground moved further between two frames
	// than the strip is high, or all samples were unusable.
	GapRows int
	// Rows holds the first ground row of the raster that has a value, and the
	// one after the last.
	Rows [2]int
	// LagX and LagY are the correlation coefficients between the errors of
	// neighbouring pixels along rows and columns, for samples of equal
	// variance and well inside the strips, averaged over the frames. The
	// variance of a mean over n pixels is accordingly larger than the mean
	// variance over n.
	LagX, LagY float64
}

// disagreeSigma is the limit for Image.Disagreeing.
const disagreeSigma = 5

// cell gathers what falls on one ground pixel.
type cell struct {
	area   float64 // of usable samples
	weight float64 // area times frame weight
	sum    float64 // weight times value
	square float64 // weight squared times variance
	// For the chi-square, relative to the first frame's value: sums of
	// 1/s^2, m/s^2 and m^2/s^2 over frames with the value m and variance s^2.
	first        float64
	inv, mean    float64
	meanSquare   float64
	looks        int32
	used, unused calib.Flags // of samples that contribute, and of those left out
}

// bandSums is one band under way.
type bandSums struct {
	image Image
	// ring holds the cells of the rows that the present frame touches; ground
	// row y lies in place y modulo the number of its rows.
	ring     []cell
	ringRows int
	// By ground row.
	chi2        []float64
	compared    []int
	disagreeing []int
	filled      []bool
}

// Assembler builds band images from frames that come one after another. It is
// not safe for use by several goroutines; Add has workers of its own.
type Assembler struct {
	plan  *plan
	opt   Options
	omit  calib.Flags
	bands []*bandSums
	next  int // frame that Add expects
}

// New prepares the assembly of frames of width x height pixels. The frames
// must stand in order of time and the ground must move one way along the
// columns; the offsets need not be even. All bands must come to see some row
// of ground in common (else *NoOverlapError).
func New(width, height int, strips []Strip, frames []Frame, opt Options) (*Assembler, error) {
	if !(opt.MinCoverage >= 0) {
		return nil, fmt.Errorf("strips: the least coverage is %g pixels; give 0 or more", opt.MinCoverage)
	}
	if opt.MinCoverage == 0 {
		opt.MinCoverage = 0.5
	}
	if opt.Direction < -1 || opt.Direction > 1 {
		return nil, fmt.Errorf("strips: the direction is %d; give 1, -1, or 0 for either", opt.Direction)
	}
	p, err := newPlan(width, height, strips, frames, opt.Direction)
	if err != nil {
		return nil, fmt.Errorf("strips: %w", err)
	}
	a := &Assembler{plan: p, opt: opt, omit: calib.Unusable | calib.BadPixel | calib.Hit | opt.LeaveOut}
	for b := range p.bands {
		a.bands = append(a.bands, p.newBand(b))
	}
	return a, nil
}

// newBand makes a band's image, all gap, and its sums.
func (p *plan) newBand(b int) *bandSums {
	w, h := p.grid.Width, p.grid.Height
	s := &bandSums{
		image: Image{Band: p.bands[b], Raster: calib.NewRaster(w, h), Coverage: make([]float32, w*h)},
		chi2:  make([]float64, h), compared: make([]int, h), disagreeing: make([]int, h), filled: make([]bool, h),
	}
	r := s.image.Raster
	none := float32(math.NaN())
	for i := range r.Value {
		r.Value[i], r.Variance[i], r.Flags[i] = none, none, calib.Missing
	}
	for _, a := range p.active[b] {
		s.ringRows = max(s.ringRows, a.hi-a.lo)
	}
	s.ring = make([]cell, s.ringRows*w)
	s.image.LagX, s.image.LagY = p.lags()
	return s
}

// lags returns the mean correlations between neighbours. With the fraction f
// of the offset a ground pixel has the weights 1-f and f along an axis, of
// which it shares one sample with its neighbour.
func (p *plan) lags() (x, y float64) {
	var shareX, shareY, own float64
	for _, f := range p.frames {
		fx, fy := fraction(f.Offset.DX), fraction(f.Offset.DY)
		ownX, ownY := (1-fx)*(1-fx)+fx*fx, (1-fy)*(1-fy)+fy*fy
		shareX += (1 - fx) * fx * ownY
		shareY += (1 - fy) * fy * ownX
		own += ownX * ownY
	}
	return shareX / own, shareY / own
}

func fraction(d float64) float64 { return d - math.Floor(d) }

// Grid tells where the ground grid of all bands lies.
func (a *Assembler) Grid() Grid { return a.plan.grid }

// Add takes in the next frame, in the order that New was told. The result does
// not depend on the number of workers. The frame is not changed or kept.
func (a *Assembler) Add(r *calib.Raster, workers int) error {
	p := a.plan
	if a.next == len(p.frames) {
		return fmt.Errorf("strips: a frame comes after the last of the %d that were announced", a.next)
	}
	f := p.frames[a.next]
	if r.Width != p.width || r.Height != p.height {
		return fmt.Errorf("strips: frame %s has %d x %d pixels, the others %d x %d; give frames of one mode", f.Name, r.Width, r.Height, p.width, p.height)
	}
	for b := range a.bands {
		weight, err := a.frameWeight(r, b)
		if err != nil {
			return fmt.Errorf("strips: frame %s: %w", f.Name, err)
		}
		a.addBand(r, b, weight, workers)
	}
	a.next++
	return nil
}

// frameWeight is the inverse of the mean variance of a frame's usable samples
// in one band, or 1.
func (a *Assembler) frameWeight(r *calib.Raster, b int) (float64, error) {
	if !a.opt.InverseVariance {
		return 1, nil
	}
	sum, n := 0.0, 0
	for _, s := range a.plan.rows[b] {
		for i := s.lo * r.Width; i < s.hi*r.Width; i++ {
			if a.usable(r, i) {
				sum += float64(r.Variance[i])
				n++
			}
		}
	}
	switch {
	case n == 0:
		return 1, nil // and nothing to weight
	case sum == 0:
		return 0, fmt.Errorf("band %q has no variance; weights by variance need one", a.plan.bands[b])
	}
	return float64(n) / sum, nil
}

// usable tells whether sample i may contribute.
func (a *Assembler) usable(r *calib.Raster, i int) bool {
	v, q := r.Value[i], r.Variance[i]
	return r.Flags[i]&a.omit == 0 && v == v && q >= 0
}

// rowsPerBlock is the number of ground rows that one worker takes at a time.
const rowsPerBlock = 16

// addBand adds one frame to one band and finishes the rows that no later frame
// touches.
func (a *Assembler) addBand(r *calib.Raster, b int, weight float64, workers int) {
	now := a.plan.active[b][a.next]
	last := a.next+1 == len(a.plan.frames)
	var later span
	if !last {
		later = a.plan.active[b][a.next+1]
	}
	blocks := (now.hi - now.lo + rowsPerBlock - 1) / rowsPerBlock
	parallel(workers, blocks, func() func(int) {
		l := newLook(a.plan.grid.Width)
		return func(block int) {
			y0 := now.lo + block*rowsPerBlock
			for y := y0; y < min(y0+rowsPerBlock, now.hi); y++ {
				a.addRow(r, b, y, weight, l)
				if last || y < later.lo || y >= later.hi {
					a.finishRow(b, y)
				}
			}
		}
	})
}

// look is one frame's contribution to one ground row.
type look struct {
	area, sum, square []float64
	taps              []uint8
	used, unused      []calib.Flags
}

func newLook(n int) *look {
	return &look{make([]float64, n), make([]float64, n), make([]float64, n), make([]uint8, n), make([]calib.Flags, n), make([]calib.Flags, n)}
}

func (l *look) reset() {
	clear(l.area)
	clear(l.sum)
	clear(l.square)
	clear(l.taps)
	clear(l.used)
	clear(l.unused)
}

// addRow adds a frame's samples to ground row y. The square of a ground pixel
// overlaps two sample rows and two columns at most; the areas are the products
// of the overlaps along both axes and the same for the whole frame.
func (a *Assembler) addRow(r *calib.Raster, b, y int, weight float64, l *look) {
	p := a.plan
	d := p.frames[a.next].Offset
	wholeX, wholeY := math.Floor(d.DX), math.Floor(d.DY)
	fx, fy := d.DX-wholeX, d.DY-wholeY
	row := y + p.grid.Y0 + int(wholeY)
	for _, s := range p.rows[b] {
		l.reset()
		touched := false
		for j, areaY := range [2]float64{1 - fy, fy} {
			sample := row + j
			if areaY == 0 || sample < s.lo || sample >= s.hi {
				continue
			}
			touched = true
			for i, areaX := range [2]float64{1 - fx, fx} {
				if areaX > 0 {
					a.tap(r, sample, -int(wholeX)-i-p.grid.X0, areaX*areaY, l)
				}
			}
		}
		if touched {
			l.mergeInto(a.bands[b].cells(y, p.grid.Width), weight)
		}
	}
}

// tap adds the samples of one row of the frame; sample column 0 falls on
// ground column x0.
func (a *Assembler) tap(r *calib.Raster, row, x0 int, area float64, l *look) {
	w := r.Width
	v, q, f := r.Value[row*w:][:w], r.Variance[row*w:][:w], r.Flags[row*w:][:w]
	areas, sums, squares := l.area[x0:][:w], l.sum[x0:][:w], l.square[x0:][:w]
	taps, used, unused := l.taps[x0:][:w], l.used[x0:][:w], l.unused[x0:][:w]
	omit := a.omit
	for x, value := range v {
		variance := q[x]
		if f[x]&omit != 0 || value != value || !(variance >= 0) {
			unused[x] |= f[x]
			continue
		}
		areas[x] += area
		sums[x] += area * float64(value)
		squares[x] += area * area * float64(variance)
		taps[x]++
		used[x] |= f[x]
	}
}

// cells returns the sums of ground row y.
func (s *bandSums) cells(y, width int) []cell {
	at := y % s.ringRows * width
	return s.ring[at : at+width]
}

// mergeInto adds one frame's look at a row to the sums.
func (l *look) mergeInto(cells []cell, weight float64) {
	for x := range cells {
		c := &cells[x]
		c.unused |= l.unused[x]
		area := l.area[x]
		if area == 0 {
			continue
		}
		c.used |= l.used[x]
		if l.taps[x] > 1 {
			c.used |= calib.Interpolated
		}
		c.area += area
		c.weight += weight * area
		c.sum += weight * l.sum[x]
		c.square += weight * weight * l.square[x]
		if l.square[x] > 0 {
			c.compare(l.sum[x]/area, area*area/l.square[x])
		}
	}
}

// compare adds one frame's value with its inverse variance to the chi-square.
func (c *cell) compare(value, inverse float64) {
	if c.looks == 0 {
		c.first = value
	}
	d := value - c.first
	c.looks++
	c.inv += inverse
	c.mean += inverse * d
	c.meanSquare += inverse * d * d
}

// finishRow turns the sums of ground row y into pixels and clears them.
func (a *Assembler) finishRow(b, y int) {
	s, w := a.bands[b], a.plan.grid.Width
	cells := s.cells(y, w)
	r := s.image.Raster
	for x := range cells {
		c := &cells[x]
		i := y*w + x
		s.image.Coverage[i] = float32(c.area)
		r.Flags[i] |= c.unused
		if c.area >= a.opt.MinCoverage*(1-wholeWithin) {
			r.Value[i], r.Variance[i], r.Flags[i] = float32(c.sum/c.weight), float32(c.square/(c.weight*c.weight)), c.used
			s.filled[y] = true
		}
		if c.looks > 1 {
			chi2, n := max(c.meanSquare-c.mean*c.mean/c.inv, 0), int(c.looks-1)
			s.chi2[y] += chi2
			s.compared[y] += n
			if standsOut(chi2, float64(n)) {
				s.disagreeing[y]++
			}
		}
	}
	clear(cells)
}

// standsOut tells whether a chi-square of n degrees of freedom is improbably
// large: its cube root is nearly normal (Wilson & Hilferty 1931).
func standsOut(chi2, n float64) bool {
	spread := 2 / (9 * n)
	return math.Cbrt(chi2/n)-(1-spread) > disagreeSigma*math.Sqrt(spread)
}

// Images returns the band images after the last frame, in the order in which
// the bands first appear among the strips.
func (a *Assembler) Images() ([]Image, error) {
	if n := len(a.plan.frames); a.next < n {
		return nil, fmt.Errorf("strips: %d of %d frames have been added; frame %s is next", a.next, n, a.plan.frames[a.next].Name)
	}
	var out []Image
	for _, s := range a.bands {
		out = append(out, s.summary())
	}
	return out, nil
}

// summary adds up the rows' figures, in order.
func (s *bandSums) summary() Image {
	m := s.image
	sum := 0.0
	for y, filled := range s.filled {
		sum += s.chi2[y]
		m.Compared += s.compared[y]
		m.Disagreeing += s.disagreeing[y]
		if !filled {
			continue
		}
		if m.Rows[1] == 0 {
			m.Rows[0] = y
		} else {
			m.GapRows += y - m.Rows[1]
		}
		m.Rows[1] = y + 1
	}
	m.ChiSquare = math.NaN()
	if m.Compared > 0 {
		m.ChiSquare = sum / float64(m.Compared)
	}
	return m
}

// Assemble runs an Assembler over all frames; load brings frame i, calibrated.
func Assemble(strips []Strip, frames []Frame, load func(i int) (*calib.Raster, error), opt Options, workers int) ([]Image, Grid, error) {
	if len(frames) == 0 {
		return nil, Grid{}, errors.New("strips: no frames: give at least one")
	}
	var a *Assembler
	for i, f := range frames {
		r, err := load(i)
		if err != nil {
			return nil, Grid{}, fmt.Errorf("strips: frame %s: %w", f.Name, err)
		}
		if a == nil {
			if a, err = New(r.Width, r.Height, strips, frames, opt); err != nil {
				return nil, Grid{}, err
			}
		}
		if err := a.Add(r, workers); err != nil {
			return nil, Grid{}, err
		}
	}
	images, err := a.Images()
	return images, a.Grid(), err
}

// parallel calls the function that begin returns for each 0 <= i < n; begin is
// called once for each worker, for memory of its own.
func parallel(workers, n int, begin func() func(i int)) {
	var next atomic.Int64
	var wg sync.WaitGroup
	for range max(1, min(workers, n)) {
		wg.Go(func() {
			do := begin()
			for i := int(next.Add(1)) - 1; i < n; i = int(next.Add(1)) - 1 {
				do(i)
			}
		})
	}
	wg.Wait()
}
