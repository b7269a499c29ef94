package marks

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"sync"
	"sync/atomic"

	"evenlight/calib"
)

// Mark is one reference mark.
type Mark struct {
	Name string // for messages
	// X and Y say where frames show the mark, nearly: the search goes out
	// from there.
	X, Y float64
	// TrueX and TrueY are the mark's place on the faceplate, in pixels of
	// the rectified image.
	TrueX, TrueY float64
}

// Options says what marks look like and how far to search.
type Options struct {
	Shape Shape
	// SearchPx is the radius of the search around the expected place, pixels.
	SearchPx float64
	// MinSNR is the depth of the dip, in standard deviations of what the
	// surroundings show by chance, below which there is no mark; 0: 6.
	MinSNR float64
	// Rival is the depth of the second best dip, relative to the best, from
	// which on the two cannot be told apart; 0: 0.7.
	Rival float64
}

// Found is where a frame shows a mark.
type Found struct {
	Index int // into the list of marks
	X, Y  float64
	// SigmaX and SigmaY are the standard uncertainties of X and Y, from the
	// pixels' variances and from what the texture of the surroundings does to
	// the same fit, whichever is more, times the root of ChiSquare where that
	// exceeds 1.
	SigmaX, SigmaY float64
	Depth          float64 // of the dip at its centre, in the frame's unit
	Contrast       float64 // Depth over the background
	SNR            float64 // Depth over its scatter in the surroundings
	// ChiSquare is the reduced chi-square of the fit: far above 1 where the
	// mark has another shape, or the ground under it much texture.
	ChiSquare float64
}

// Reason tells why a mark was not found.
type Reason string

// The reasons.
const (
	OutsideFrame Reason = "outside the frame"
	NoContrast   Reason = "no dip that stands out"
	Ambiguous    Reason = "several dips alike"
	AtEdge       Reason = "deepest at the edge of the search"
	Covered      Reason = "too many unusable pixels"
	Unsteady     Reason = "the fit does not settle"
)

// Lost is a mark that was left out.
type Lost struct {
	Index  int
	Reason Reason
}

// Survey is what was found in a frame, both lists in the order of the marks.
type Survey struct {
	Found []Found
	Lost  []Lost
}

// ErrNoMarks says that a frame shows none of its marks.
var ErrNoMarks = errors.New("no mark was found")

// Find locates dark marks in a calibrated frame.
//
// Each mark is first sought with a matched filter, the least-squares depth of
// the known shape on a sloping background, at every whole pixel within the
// search radius; then shape and background are fitted by Gauss-Newton
// iteration with the place free, every usable pixel with the same weight, over
// a square that reaches 2 pixels beyond the shape.
//
// The uncertainty of the place: the fit is a linear function of the pixels, so
// their variances propagate exactly (JCGM 100:2008, 5.1). The same function is
// applied all around where no mark is, and its scatter there (4 sigma clipped)
// tells what noise and texture together do to it. The larger of the two is
// stated.
//
// Samples with a flag of calib.Unusable, calib.BadPixel, calib.Hit or calib.Filled are not used. It is
// ErrNoMarks when no mark at all was found. The result does not depend on the
// number of workers.
func Find(r *calib.Raster, marks []Mark, opt Options, workers int) (*Survey, error) {
	s, err := newSearch(r, opt)
	if err != nil {
		return nil, fmt.Errorf("marks: %w", err)
	}
	if len(marks) == 0 {
		return nil, errors.New("marks: the list of marks is empty; give the places where they are expected")
	}
	found, reasons := make([]Found, len(marks)), make([]Reason, len(marks))
	parallel(workers, len(marks), func(i int) {
		found[i], reasons[i] = s.locate(marks[i])
		found[i].Index = i
	})
	var out Survey
	count := map[Reason]int{}
	for i, reason := range reasons {
		if reason == "" {
			out.Found = append(out.Found, found[i])
			continue
		}
		out.Lost = append(out.Lost, Lost{i, reason})
		count[reason]++
	}
	if len(out.Found) == 0 {
		return nil, fmt.Errorf("marks: %w: %d of %d show %s, %d are outside the frame, %d ambiguous; check exposure, expected places, shape and search radius",
			ErrNoMarks, count[NoContrast], len(marks), NoContrast, count[OutsideFrame], count[Ambiguous])
	}
	return &out, nil
}

// parallel calls do for each 0 <= i < n.
func parallel(workers, n int, do func(i int)) {
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

// search holds what is the same for all marks of a frame.
type search struct {
	raster *calib.Raster
	opt    Options
	half   int       // the window reaches this many pixels from its middle
	filter []float64 // depth of a dip in the middle of a window, as weights of its pixels
}

func newSearch(r *calib.Raster, opt Options) (*search, error) {
	if err := opt.Shape.check(); err != nil {
		return nil, err
	}
	if !(opt.SearchPx >= 1 && opt.SearchPx <= 200) {
		return nil, fmt.Errorf("the search radius is %g pixels; give 1 to 200", opt.SearchPx)
	}
	opt.MinSNR, opt.Rival = cmp.Or(opt.MinSNR, 6), cmp.Or(opt.Rival, 0.7)
	if !(opt.MinSNR >= 3) {
		return nil, fmt.Errorf("the least signal-to-noise ratio of a mark is %g; give 3 or more, or chance will make marks", opt.MinSNR)
	}
	if !(opt.Rival > 0 && opt.Rival <= 1) {
		return nil, fmt.Errorf("the depth of a rival is %g; give a number above 0, up to 1", opt.Rival)
	}
	s := &search{raster: r, opt: opt, half: int(math.Ceil(opt.Shape.Reach())) + 2}
	return s, s.setFilter()
}

// side is the number of pixels along a window.
func (s *search) side() int { return 2*s.half + 1 }

// setFilter finds the weights of the matched filter.
func (s *search) setFilter() error {
	var design [][]float64
	for y := -s.half; y <= s.half; y++ {
		for x := -s.half; x <= s.half; x++ {
			design = append(design, []float64{1, float64(x), float64(y), s.opt.Shape.At(float64(x), float64(y))})
		}
	}
	fit, err := calib.LeastSquares(design, make([]float64, len(design)), nil)
	if err != nil {
		return fmt.Errorf("the shape of the marks cannot be told from a sloping background: %w", err)
	}
	s.filter = functional(fit, design, 3)
	for i := range s.filter {
		s.filter[i] = -s.filter[i] // depth counts downwards
	}
	return nil
}

// functional returns the weights by which observations enter coefficient j of
// an unweighted fit: row j of (X^T X)^-1 X^T.
func functional(fit *calib.Fit, design [][]float64, j int) []float64 {
	out := make([]float64, len(design))
	for i, row := range design {
		for k, x := range row {
			out[i] += fit.Cofactor[j][k] * x
		}
	}
	return out
}

// patch is the neighbourhood of a mark: pixel (0, 0) is (x0, y0) of the frame.
type patch struct {
	x0, y0, w, h int
	value        []float64 // where there is none, filled from around
	variance     []float64
	good         []bool
}

// cut copies the part of the frame within reach pixels of (x, y).
func (s *search) cut(x, y, reach int) *patch {
	r := s.raster
	p := &patch{x0: max(x-reach, 0), y0: max(y-reach, 0)}
	p.w, p.h = min(x+reach+1, r.Width)-p.x0, min(y+reach+1, r.Height)-p.y0
	if p.w <= 0 || p.h <= 0 {
		return &patch{}
	}
	n := p.w * p.h
	p.value, p.variance, p.good = make([]float64, n), make([]float64, n), make([]bool, n)
	var bad []int
	for i := range p.value {
		j := (p.y0+i/p.w)*r.Width + p.x0 + i%p.w
		if !r.Good(j) || r.Flags[j]&(calib.BadPixel|calib.Hit|calib.Filled) != 0 {
			bad = append(bad, i)
			continue
		}
		p.value[i], p.variance[i], p.good[i] = float64(r.Value[j]), float64(r.Variance[j]), true
	}
	p.fill(bad)
	return p
}

// fill gives unusable pixels the mean of the usable ones near them, for the
// search alone; no fit uses them.
func (p *patch) fill(bad []int) {
	for _, i := range bad {
		for reach := 1; reach <= max(p.w, p.h); reach++ {
			if mean, ok := p.meanAround(i%p.w, i/p.w, reach); ok {
				p.value[i] = mean
				break
			}
		}
	}
}

func (p *patch) meanAround(x, y, reach int) (mean float64, ok bool) {
	sum, n := 0.0, 0
	for j := max(y-reach, 0); j <= min(y+reach, p.h-1); j++ {
		for i := max(x-reach, 0); i <= min(x+reach, p.w-1); i++ {
			if p.good[j*p.w+i] {
				sum += p.value[j*p.w+i]
				n++
			}
		}
	}
	return sum / float64(n), n > 0
}

// depths is the filter's answer over a patch, for windows within it; place
// (0, 0) has its window's corner at the patch's.
type depths struct {
	w, h int
	v    []float64
}

// apply runs weights over the patch.
func (p *patch) apply(weights []float64, side int) depths {
	d := depths{w: p.w - side + 1, h: p.h - side + 1}
	if d.w <= 0 || d.h <= 0 {
		return depths{}
	}
	d.v = make([]float64, d.w*d.h)
	for y := range d.h {
		for x := range d.w {
			sum := 0.0
			for j := range side {
				from := p.value[(y+j)*p.w+x:][:side]
				for i, k := range weights[j*side:][:side] {
					sum += k * from[i]
				}
			}
			d.v[y*d.w+x] = sum
		}
	}
	return d
}

// isPeak tells whether no neighbour of place i is deeper.
func (d depths) isPeak(i int) bool {
	x, y := i%d.w, i/d.w
	for j := max(y-1, 0); j <= min(y+1, d.h-1); j++ {
		for k := max(x-1, 0); k <= min(x+1, d.w-1); k++ {
			if d.v[j*d.w+k] > d.v[i] {
				return false
			}
		}
	}
	return true
}

// locate finds one mark.
func (s *search) locate(m Mark) (Found, Reason) {
	if !(math.Abs(m.X) < 1e6 && math.Abs(m.Y) < 1e6) {
		return Found{}, OutsideFrame
	}
	// Room for the search, for the windows, and for places without the mark
	// all around.
	reach := int(math.Ceil(s.opt.SearchPx)) + 3*s.half
	p := s.cut(int(math.Round(m.X)), int(math.Round(m.Y)), reach)
	d := p.apply(s.filter, s.side())
	// Places count from the window's corner; the mark stands in the middle.
	cx, cy := m.X-float64(p.x0+s.half), m.Y-float64(p.y0+s.half)
	best := d.deepest(func(x, y float64) bool { return math.Hypot(x-cx, y-cy) <= s.opt.SearchPx })
	if best < 0 {
		return Found{}, OutsideFrame
	}
	bx, by := float64(best%d.w), float64(best/d.w)
	if p.usableShare(int(bx)+s.half, int(by)+s.half, s.half) < leastUsable {
		return Found{}, Covered
	}
	away := func(x, y float64) bool { return math.Hypot(x-bx, y-by) > float64(s.half)+s.opt.Shape.Reach() }
	scatter := max(d.scatter(away), s.propagated(p, int(bx), int(by)))
	depth := d.v[best]
	switch {
	case !(depth > s.opt.MinSNR*scatter):
		return Found{}, NoContrast
	case !d.isPeak(best):
		return Found{}, AtEdge
	}
	rival := d.deepest(func(x, y float64) bool {
		return math.Hypot(x-cx, y-cy) <= s.opt.SearchPx && math.Hypot(x-bx, y-by) > max(2, s.opt.Shape.Reach()) && d.isPeak(int(y)*d.w+int(x))
	})
	if rival >= 0 && d.v[rival] >= s.opt.Rival*depth && d.v[rival] > s.opt.MinSNR*scatter {
		return Found{}, Ambiguous
	}
	f, reason := s.settle(p, bx+float64(s.half), by+float64(s.half), depth, away)
	if reason == "" {
		f.SNR = f.Depth / scatter
	}
	return f, reason
}

// deepest returns the place with the largest depth among those allowed, or -1.
func (d depths) deepest(allowed func(x, y float64) bool) int {
	best := -1
	for i, v := range d.v {
		if allowed(float64(i%d.w), float64(i/d.w)) && (best < 0 || v > d.v[best]) {
			best = i
		}
	}
	return best
}

// fewPlaces is the number of places below which their scatter tells nothing:
// neighbouring places share most of their window.
const fewPlaces = 100

// clipScatter is the limit, in robust standard deviations, for what counts as
// the surroundings' scatter: other marks stay out.
const clipScatter = 4

// scatter is the standard deviation over the places allowed, without
// outliers; 0 where they are few.
func (d depths) scatter(allowed func(x, y float64) bool) float64 {
	var v []float64
	for i := range d.v {
		if allowed(float64(i%d.w), float64(i/d.w)) {
			v = append(v, d.v[i])
		}
	}
	if len(v) < fewPlaces {
		return 0
	}
	c := calib.ClippedMean(v, clipScatter)
	return math.Hypot(c.Sigma, c.Mean)
}

// propagated is the standard uncertainty of the depth at a place from the
// pixels' variances.
func (s *search) propagated(p *patch, x, y int) float64 {
	q := 0.0
	for i, k := range s.filter {
		q += k * k * p.variance[(y+i/s.side())*p.w+x+i%s.side()]
	}
	return math.Sqrt(q)
}

// leastUsable is the share of usable pixels in the window below which a mark
// is given up.
const leastUsable = 0.75

// usableShare is the share of good pixels in the square around (x, y).
func (p *patch) usableShare(x, y, half int) float64 {
	n := 0
	for j := y - half; j <= y+half; j++ {
		for i := x - half; i <= x+half; i++ {
			if p.good[j*p.w+i] {
				n++
			}
		}
	}
	return float64(n) / float64((2*half+1)*(2*half+1))
}

// Limits of the iteration, pixels.
const (
	settled    = 1e-4 // a step that is small enough
	largestHop = 0.5  // a step is cut to this
	maxWander  = 2    // from where the filter saw the mark
	maxSteps   = 30
)

// settle fits the mark that the filter saw at (x, y) of the patch.
func (s *search) settle(p *patch, x, y, depth float64, away func(x, y float64) bool) (Found, Reason) {
	mx, my := int(x), int(y)
	w := s.window(p, mx, my)
	for range maxSteps {
		fit, err := w.solve(s.opt.Shape, x, y, depth)
		if err != nil {
			return Found{}, Unsteady
		}
		hopX, hopY := fit.Coef[4], fit.Coef[5]
		depth = -fit.Coef[3]
		x += max(-largestHop, min(hopX, largestHop))
		y += max(-largestHop, min(hopY, largestHop))
		if !(math.Hypot(x-float64(mx), y-float64(my)) <= maxWander) || !(depth > 0) {
			return Found{}, Unsteady
		}
		if math.Hypot(hopX, hopY) < settled {
			return s.report(p, w, fit, x, y, away), ""
		}
	}
	return Found{}, Unsteady
}

// window holds the usable pixels of one mark's square.
type window struct {
	px, py   []float64 // place in the patch
	place    []int     // in the square, row by row
	y        []float64 // values
	variance []float64
	design   [][]float64
}

func (s *search) window(p *patch, mx, my int) *window {
	w := &window{}
	for i := range s.side() * s.side() {
		x, y := mx-s.half+i%s.side(), my-s.half+i/s.side()
		if j := y*p.w + x; p.good[j] {
			w.px, w.py, w.place = append(w.px, float64(x)), append(w.py, float64(y)), append(w.place, i)
			w.y, w.variance = append(w.y, p.value[j]), append(w.variance, p.variance[j])
		}
	}
	cells := make([]float64, 6*len(w.y))
	for i := range w.y {
		w.design = append(w.design, cells[6*i:6*i+6])
	}
	return w
}

// solve fits background, depth and a small displacement from (x, y):
//
//	v = b0 + b1 u + b2 w - D T(u, w) + D (T_x hopX + T_y hopY)
//
// with T the shape and (u, w) the distance from (x, y). Coefficient 3 is -D.
func (w *window) solve(shape Shape, x, y, depth float64) (*calib.Fit, error) {
	for i, row := range w.design {
		dx, dy := w.px[i]-x, w.py[i]-y
		sx, sy := shape.slope(dx, dy)
		row[0], row[1], row[2], row[3], row[4], row[5] = 1, dx, dy, shape.At(dx, dy), depth*sx, depth*sy
	}
	return calib.LeastSquares(w.design, w.y, nil)
}

// report turns a settled fit into a result.
func (s *search) report(p *patch, w *window, fit *calib.Fit, x, y float64, away func(x, y float64) bool) Found {
	f := Found{X: x + float64(p.x0), Y: y + float64(p.y0), Depth: -fit.Coef[3]}
	f.Contrast = f.Depth / fit.Coef[0]
	f.SigmaX = s.uncertainty(p, w, functional(fit, w.design, 4), away)
	f.SigmaY = s.uncertainty(p, w, functional(fit, w.design, 5), away)
	sum := 0.0
	for i, r := range fit.Residuals {
		sum += r * r / w.variance[i]
	}
	f.ChiSquare = sum / float64(len(w.y)-len(fit.Coef))
	// What the fit leaves over under this mark moves it as well.
	misfit := math.Sqrt(max(1, f.ChiSquare))
	f.SigmaX, f.SigmaY = f.SigmaX*misfit, f.SigmaY*misfit
	return f
}

// uncertainty is that of one coordinate, given the weights of the window's
// pixels in it.
func (s *search) uncertainty(p *patch, w *window, weights []float64, away func(x, y float64) bool) float64 {
	q := 0.0
	square := make([]float64, s.side()*s.side())
	for i, k := range weights {
		q += k * k * w.variance[i]
		square[w.place[i]] = k
	}
	return max(math.Sqrt(q), p.apply(square, s.side()).scatter(away))
}

// Cover sets calib.Mark on the pixels whose centres lie within radiusPx of a
// mark that was found. Marks that were lost cover pixels too, but nobody knows
// which.
func Cover(r *calib.Raster, found []Found, radiusPx float64) {
	for _, f := range found {
		y0, y1 := max(int(math.Ceil(f.Y-radiusPx)), 0), min(int(math.Floor(f.Y+radiusPx)), r.Height-1)
		x0, x1 := max(int(math.Ceil(f.X-radiusPx)), 0), min(int(math.Floor(f.X+radiusPx)), r.Width-1)
		for y := y0; y <= y1; y++ {
			for x := x0; x <= x1; x++ {
				if math.Hypot(float64(x)-f.X, float64(y)-f.Y) <= radiusPx {
					r.Flags[y*r.Width+x] |= calib.Mark
				}
			}
		}
	}
}
