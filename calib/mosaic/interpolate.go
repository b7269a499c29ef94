package mosaic

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"sync"
	"sync/atomic"

	"evenlight/calib"
)

// Method is a way of interpolating.
type Method uint8

// The methods; see the package comment.
const (
	Sharp Method = iota // detail is carried over from the other colours
	Plain               // each colour by itself
)

// blockRows is the number of rows that a worker takes at a time. The result
// does not depend on it: every row is worked out by itself.
const blockRows = 64

// Interpolator makes planes from one frame. Its methods may be called from
// several goroutines at once, as long as the frame is not changed.
type Interpolator struct {
	frame
	kernels *kernelSet
	lines   *lineKernels // nil: the pattern or the method has no use for them
	scratch sync.Pool    // of *scratch
}

// leftOut holds the bits with which a sample does not show the scene.
const leftOut = calib.Unusable | calib.BadPixel | calib.Mark | calib.Hit

// frame is a mosaic with what is known of its samples.
type frame struct {
	r       *calib.Raster
	p       *Pattern
	scale   []float64 // detail of each colour, in its own unit
	out     []bool    // samples that are left out
	outRow  []bool    // rows that have such samples
	flagRow []bool    // rows that have flags on other samples
}

// scratch is the working memory of one goroutine.
type scratch struct {
	kernels map[kernelKey]*kernel // for surroundings with gaps
	near    []bool                // pixels of a row that are near a gap
	rings   *rings                // nil until lines are worked on
}

// NewInterpolator looks through a frame: which samples take part, and how the
// colours compare. The frame's values must be linear in light, each colour in
// a unit of its own; it must have a pixel of each colour.
func NewInterpolator(r *calib.Raster, p *Pattern, method Method, workers int) (*Interpolator, error) {
	if err := checkFrame(r, p); err != nil {
		return nil, fmt.Errorf("colour interpolation: %w", err)
	}
	ip := &Interpolator{frame: frame{
		r: r, p: p, out: make([]bool, len(r.Value)), outRow: make([]bool, r.Height), flagRow: make([]bool, r.Height),
	}}
	inParallel(workers, blocks(r.Height), func(i int) {
		for y := i * blockRows; y < min((i+1)*blockRows, r.Height); y++ {
			ip.lookAt(y)
		}
	})
	ip.scratch.New = func() any { return &scratch{kernels: map[kernelKey]*kernel{}} }
	if method == Plain {
		ip.scale = slices.Repeat([]float64{1}, len(p.colours)) // no colour is compared with another
		ip.kernels = newKernelSet(&ip.frame, tentSites(p), tents)
		return ip, nil
	}
	ip.scale = ip.balance(workers)
	ip.kernels = newKernelSet(&ip.frame, optimalSites(p), optimal)
	if p.diagonal() >= 0 && min(r.Width, r.Height) >= leastLine {
		ip.lines = newLineKernels(&ip.frame)
	}
	return ip, nil
}

func checkFrame(r *calib.Raster, p *Pattern) error {
	if p == nil {
		return errors.New("there is no colour pattern")
	}
	n := r.Width * r.Height
	if r.Width < 1 || r.Height < 1 || len(r.Value) != n || len(r.Variance) != n || len(r.Flags) != n {
		return fmt.Errorf("a frame of %d columns and %d rows has %d values, %d variances and %d flags",
			r.Width, r.Height, len(r.Value), len(r.Variance), len(r.Flags))
	}
	seen := make([]bool, len(p.colours))
	for y := range min(r.Height, p.height) {
		for x := range min(r.Width, p.width) {
			seen[p.At(x, y)] = true
		}
	}
	for c, ok := range seen {
		if !ok {
			return fmt.Errorf("a frame of %d columns and %d rows has no pixel of colour %q", r.Width, r.Height, p.colours[c])
		}
	}
	return nil
}

// lookAt finds the samples of a row that are left out.
func (f *frame) lookAt(y int) {
	w := f.r.Width
	value, variance, flags := f.r.Value[y*w:(y+1)*w], f.r.Variance[y*w:(y+1)*w], f.r.Flags[y*w:(y+1)*w]
	out := f.out[y*w : (y+1)*w]
	anyOut, anyFlag := false, false
	for x, v := range value {
		u := variance[x]
		// v-v and u-u are 0 unless the number is infinite or none at all.
		if flags[x]&leftOut != 0 || v-v != 0 || u-u != 0 || u < 0 {
			out[x], anyOut = true, true
		} else if flags[x] != 0 {
			anyFlag = true
		}
	}
	f.outRow[y], f.flagRow[y] = anyOut, anyFlag
}

// anyRow tells whether one of the rows y0 to y1, both counted, is marked.
func anyRow(marked []bool, y0, y1 int) bool {
	for y := max(y0, 0); y <= min(y1, len(marked)-1); y++ {
		if marked[y] {
			return true
		}
	}
	return false
}

// Interpolate makes one plane per colour, in the order of the pattern's
// colours, by the method Sharp. Where a pixel has the plane's colour, value,
// variance and flags are what the frame has, whatever they are. Elsewhere they
// are interpolated, and the flags are Interpolated and those of the good
// samples that count (a weight of about 1/16 or more). Where the frame has no
// good sample of the colour within twice the distance that the pattern needs,
// the value is NaN, and flagged Missing too. Errors: a pattern or frame that
// cannot be interpolated, see NewInterpolator.
func Interpolate(r *calib.Raster, p *Pattern, workers int) ([]*calib.Raster, error) {
	return interpolate(r, p, Sharp, workers)
}

// Bilinear does as Interpolate by the method Plain.
func Bilinear(r *calib.Raster, p *Pattern, workers int) ([]*calib.Raster, error) {
	return interpolate(r, p, Plain, workers)
}

func interpolate(r *calib.Raster, p *Pattern, method Method, workers int) ([]*calib.Raster, error) {
	ip, err := NewInterpolator(r, p, method, workers)
	if err != nil {
		return nil, err
	}
	planes := make([]*calib.Raster, len(p.colours))
	for c := range planes {
		planes[c] = calib.NewRaster(r.Width, r.Height)
	}
	return planes, ip.Fill(planes, workers)
}

// Fill writes whole planes, one per colour, each of the frame's size.
func (ip *Interpolator) Fill(planes []*calib.Raster, workers int) error {
	if err := ip.checkPlanes(planes, 0); err != nil {
		return err
	}
	if planes[0].Height != ip.r.Height {
		return fmt.Errorf("colour interpolation: planes of %d rows for a frame of %d", planes[0].Height, ip.r.Height)
	}
	inParallel(workers, blocks(ip.r.Height), func(i int) {
		ip.rows(planes, 0, i*blockRows, min((i+1)*blockRows, ip.r.Height))
	})
	return nil
}

// Rows writes the rows of the frame from y0 on, as many as the planes have.
// There is one plane per colour, as wide as the frame. The result is the same
// as that of Fill.
func (ip *Interpolator) Rows(planes []*calib.Raster, y0 int) error {
	if err := ip.checkPlanes(planes, y0); err != nil {
		return err
	}
	ip.rows(planes, y0, y0, y0+planes[0].Height)
	return nil
}

func (ip *Interpolator) checkPlanes(planes []*calib.Raster, y0 int) error {
	if len(planes) != len(ip.p.colours) {
		return fmt.Errorf("colour interpolation: %d planes for %d colours", len(planes), len(ip.p.colours))
	}
	for c, plane := range planes {
		n := plane.Width * plane.Height
		if plane.Width != ip.r.Width || plane.Height != planes[0].Height || len(plane.Value) != n || len(plane.Variance) != n || len(plane.Flags) != n {
			return fmt.Errorf("colour interpolation: the plane of colour %q has %d columns and %d rows, and %d values, %d variances, %d flags; the frame has %d columns and the first plane %d rows",
				ip.p.colours[c], plane.Width, plane.Height, len(plane.Value), len(plane.Variance), len(plane.Flags), ip.r.Width, planes[0].Height)
		}
	}
	if y0 < 0 || y0+planes[0].Height > ip.r.Height {
		return fmt.Errorf("colour interpolation: rows %d to %d of a frame of %d rows", y0+1, y0+planes[0].Height, ip.r.Height)
	}
	return nil
}

// rows works out the rows from y0 up to y1; first is the row of the frame that
// the planes begin with.
func (ip *Interpolator) rows(planes []*calib.Raster, first, y0, y1 int) {
	s := ip.scratch.Get().(*scratch)
	defer ip.scratch.Put(s)
	dst := make([]line, len(planes))
	if ip.lines != nil {
		ip.openLines(s, y0)
	}
	for y := y0; y < y1; y++ {
		for c, plane := range planes {
			dst[c] = lineOf(plane, y-first)
		}
		if ip.lines != nil {
			ip.lineRow(s, y, dst)
		} else {
			ip.kernelRow(s, y, dst)
		}
		ip.copyMeasured(y, dst)
	}
}

// line is one row of a plane.
type line struct {
	value, variance []float32
	flags           []calib.Flags
}

func lineOf(r *calib.Raster, y int) line {
	a, b := y*r.Width, (y+1)*r.Width
	return line{r.Value[a:b], r.Variance[a:b], r.Flags[a:b]}
}

// copyMeasured puts each sample of a row into the plane of its colour.
func (ip *Interpolator) copyMeasured(y int, dst []line) {
	src := lineOf(ip.r, y)
	for px := range min(ip.p.width, ip.r.Width) {
		d := dst[ip.p.At(px, y)]
		for x := px; x < len(src.value); x += ip.p.width {
			d.value[x], d.variance[x], d.flags[x] = src.value[x], src.variance[x], src.flags[x]
		}
	}
}

var nan = float32(math.NaN())

func (l *line) setMissing(x int) {
	l.value[x], l.variance[x], l.flags[x] = nan, nan, calib.Missing|calib.Interpolated
}

func blocks(rows int) int { return (rows + blockRows - 1) / blockRows }

// inParallel calls do for 0 to n-1 from so many goroutines.
func inParallel(workers, n int, do func(i int)) {
	var next atomic.Int64
	var wg sync.WaitGroup
	for range max(1, min(workers, n)) {
		wg.Go(func() {
			for i := int(next.Add(1)) - 1; i < n; i = int(next.Add(1)) - 1 {
				do(i)
			}
		})
	}
	wg.Wait()
}
