package strips

import (
	"errors"
	"fmt"
	"math"
	"slices"

	"evenlight/calib"
)

// Strip is a range of rows of the chip, Y0 <= y < Y1, that belongs to a band.
// Rows that belong to no strip are not used. A band may have several strips.
type Strip struct {
	Band   string
	Y0, Y1 int
}

// Offset is how far the ground has moved over the chip since the first frame,
// in pixels: what stood at (x, y) then stands at (x+DX, y+DY) now.
type Offset struct{ DX, DY float64 }

// Frame announces one frame of a sequence.
type Frame struct {
	Name   string  // for messages
	TimeS  float64 // s from any epoch
	Offset Offset
}

// Options says how samples are chosen and weighted. The zero value is of use.
type Options struct {
	// MinCoverage is the area of usable samples, in pixels, below which a
	// ground pixel is a gap; 0 stands for one half. Any smaller number above
	// 0 keeps every sample's light, but at the rims of gaps a value then
	// stands for the whole pixel though little of it was seen.
	MinCoverage float64
	// LeaveOut holds flags with which a sample is not used, besides those of
	// calib.Unusable, calib.BadPixel and calib.Hit, which never are.
	LeaveOut calib.Flags
	// InverseVariance weights each frame, band by band, by the inverse of the
	// mean variance of its usable samples as well as by area. One weight for
	// a frame, and not one for each sample, since variances that were
	// estimated from the samples themselves would favour the low ones. The sum
	// over the ground is then no longer exactly that of the samples.
	InverseVariance bool
	// Direction is the sign that steps of DY must have, 1 or -1; 0 takes that
	// of the whole motion. Either way no step may go back.
	Direction int
}

// Grid is the ground grid: ground pixel (0, 0) of each image stands at column
// X0 and row Y0 of the first frame, which may be negative.
type Grid struct{ X0, Y0, Width, Height int }

// NoOverlapError says that two bands never see the same row of ground.
type NoOverlapError struct {
	Bands    [2]string
	GapRows  int     // rows of the chip between the nearest strips of both
	MotionPx float64 // rows that the ground moves from the first frame to the last
}

func (e *NoOverlapError) Error() string {
	return fmt.Sprintf("bands %q and %q see no row of ground in common: %d unused or other rows lie between their strips and the ground moves by %.1f rows in all; "+
		"give more frames, or assemble the bands one by one", e.Bands[0], e.Bands[1], e.GapRows, math.Abs(e.MotionPx))
}

// wholeWithin is the distance from a whole pixel below which an offset counts
// as whole, so that rounding of the caller's sums does not blur.
const wholeWithin = 1e-6

// largestGrid bounds the pixels of one band's image; larger ones come from
// wrong offsets.
const largestGrid = 1 << 29

// span is a range of ground rows or columns, lo <= i < hi.
type span struct{ lo, hi int }

func (s span) join(t span) span { return span{min(s.lo, t.lo), max(s.hi, t.hi)} }

// plan is the geometry of a sequence.
type plan struct {
	width, height int // of a frame
	bands         []string
	rows          [][]span // chip rows of each band, in order, none touching
	frames        []Frame  // offsets rounded to whole pixels where they nearly are
	grid          Grid
	active        [][]span // ground rows, from the grid's first, by band and frame
}

// newPlan checks strips and frames and lays out the ground.
func newPlan(width, height int, strips []Strip, frames []Frame, direction int) (*plan, error) {
	p := &plan{width: width, height: height}
	if width < 1 || height < 1 {
		return nil, fmt.Errorf("a frame of %d x %d pixels is empty", width, height)
	}
	if err := p.setBands(strips); err != nil {
		return nil, err
	}
	if err := p.setFrames(frames, direction); err != nil {
		return nil, err
	}
	if err := p.setGrid(); err != nil {
		return nil, err
	}
	return p, p.checkOverlap()
}

// setBands groups the strips by band, in order of first appearance, and joins
// those that touch.
func (p *plan) setBands(strips []Strip) error {
	if len(strips) == 0 {
		return errors.New("no strips: say which rows of the chip belong to which band")
	}
	for i, s := range strips {
		switch {
		case s.Band == "":
			return fmt.Errorf("strip %d has no band; name it", i+1)
		case s.Y0 >= s.Y1:
			return fmt.Errorf("band %q has a strip without rows (%d to %d); the end must lie after the start", s.Band, s.Y0+1, s.Y1)
		case s.Y0 < 0 || s.Y1 > p.height:
			return fmt.Errorf("the strip of band %q, rows %d to %d, is not within the frame's %d rows", s.Band, s.Y0+1, s.Y1, p.height)
		}
		for _, o := range strips[:i] {
			if max(o.Y0, s.Y0) < min(o.Y1, s.Y1) {
				return fmt.Errorf("the strips of band %q, rows %d to %d, and band %q, rows %d to %d, overlap; a row belongs to one band", o.Band, o.Y0+1, o.Y1, s.Band, s.Y0+1, s.Y1)
			}
		}
	}
	sorted := slices.Clone(strips)
	slices.SortFunc(sorted, func(a, b Strip) int { return a.Y0 - b.Y0 })
	for _, s := range strips {
		if slices.Contains(p.bands, s.Band) {
			continue
		}
		p.bands = append(p.bands, s.Band)
		p.rows = append(p.rows, joined(sorted, s.Band))
	}
	return nil
}

// joined returns the rows of a band from strips in order.
func joined(sorted []Strip, band string) []span {
	var out []span
	for _, s := range sorted {
		if s.Band != band {
			continue
		}
		if n := len(out); n > 0 && out[n-1].hi == s.Y0 {
			out[n-1].hi = s.Y1
			continue
		}
		out = append(out, span{s.Y0, s.Y1})
	}
	return out
}

// setFrames checks that the frames stand in order of time and that the ground
// never moves back.
func (p *plan) setFrames(frames []Frame, direction int) error {
	if len(frames) == 0 {
		return errors.New("no frames: give at least one")
	}
	p.frames = slices.Clone(frames)
	for i := range p.frames {
		f := &p.frames[i]
		f.Offset = Offset{nearlyWhole(f.Offset.DX), nearlyWhole(f.Offset.DY)}
		if !(math.Abs(f.Offset.DX)+math.Abs(f.Offset.DY) < largestGrid) {
			return fmt.Errorf("frame %s has the offset (%g, %g); give finite pixels", f.Name, f.Offset.DX, f.Offset.DY)
		}
	}
	if direction == 0 {
		direction = 1
		if p.motion() < 0 {
			direction = -1
		}
	}
	for i := range p.frames[1:] {
		if err := follows(&p.frames[i], &p.frames[i+1], direction); err != nil {
			return err
		}
	}
	return nil
}

// follows checks that frame f comes after the one before it in time and in the
// motion of the ground. A step back that is only rounding is made none, since
// rows of ground that have been left are never taken up again.
func follows(before, f *Frame, direction int) error {
	if !(f.TimeS > before.TimeS) {
		return fmt.Errorf("frame %s (%g s) does not come after frame %s (%g s); sort the frames by time and give each once", f.Name, f.TimeS, before.Name, before.TimeS)
	}
	switch step := (f.Offset.DY - before.Offset.DY) * float64(direction); {
	case step < -2*wholeWithin:
		return fmt.Errorf("from frame %s to frame %s the ground moves by %g rows, against the direction of the whole; check the order of the frames, the sign of the offsets, and the offsets themselves",
			before.Name, f.Name, f.Offset.DY-before.Offset.DY)
	case step < 0:
		f.Offset.DY = before.Offset.DY
	}
	return nil
}

// motion is the rows that the ground moves in all.
func (p *plan) motion() float64 {
	return p.frames[len(p.frames)-1].Offset.DY - p.frames[0].Offset.DY
}

// nearlyWhole takes an offset next to a whole number for it.
func nearlyWhole(d float64) float64 {
	if r := math.Round(d); math.Abs(d-r) < wholeWithin {
		return r
	}
	return d
}

// groundSpan returns the ground pixels that the samples of s touch in a frame
// with offset d.
func groundSpan(s span, d float64) span {
	return span{int(math.Floor(float64(s.lo) - d)), int(math.Ceil(float64(s.hi-1)-d)) + 1}
}

// setGrid finds the ground that any strip of any frame touches.
func (p *plan) setGrid() error {
	var columns, rows span
	p.active = make([][]span, len(p.bands))
	for i, f := range p.frames {
		c := groundSpan(span{0, p.width}, f.Offset.DX)
		if i == 0 {
			columns = c
		}
		columns = columns.join(c)
		for b, own := range p.rows {
			touched := groundSpan(span{own[0].lo, own[len(own)-1].hi}, f.Offset.DY)
			if i == 0 && b == 0 {
				rows = touched
			}
			rows = rows.join(touched)
			p.active[b] = append(p.active[b], touched)
		}
	}
	p.grid = Grid{columns.lo, rows.lo, columns.hi - columns.lo, rows.hi - rows.lo}
	if float64(p.grid.Width)*float64(p.grid.Height) > largestGrid {
		return fmt.Errorf("the offsets ask for band images of %d x %d pixels; check them for a wrong unit or sign", p.grid.Width, p.grid.Height)
	}
	for _, spans := range p.active {
		for i := range spans {
			spans[i].lo -= rows.lo
			spans[i].hi -= rows.lo
		}
	}
	return nil
}

// checkOverlap names the first two bands that share no row of ground.
func (p *plan) checkOverlap() error {
	seen := make([][]bool, len(p.bands))
	for b := range p.bands {
		seen[b] = p.rowsSeen(b)
		for a := range b {
			if !shareRow(seen[a], seen[b]) {
				return &NoOverlapError{[2]string{p.bands[a], p.bands[b]}, rowsBetween(p.rows[a], p.rows[b]), p.motion()}
			}
		}
	}
	return nil
}

// rowsSeen tells for each row of the ground whether band b has samples of it.
func (p *plan) rowsSeen(b int) []bool {
	seen := make([]bool, p.grid.Height)
	for _, f := range p.frames {
		for _, s := range p.rows[b] {
			g := groundSpan(s, f.Offset.DY)
			for y := g.lo; y < g.hi; y++ {
				seen[y-p.grid.Y0] = true
			}
		}
	}
	return seen
}

func shareRow(a, b []bool) bool {
	for y := range a {
		if a[y] && b[y] {
			return true
		}
	}
	return false
}

// rowsBetween is the smallest number of rows between a row of a and one of b.
func rowsBetween(a, b []span) int {
	least := math.MaxInt
	for _, s := range a {
		for _, t := range b {
			least = min(least, max(s.lo, t.lo)-min(s.hi, t.hi))
		}
	}
	return least
}
