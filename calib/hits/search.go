package hits

import (
	"math"
	"slices"

	"evenlight/calib"
)

// searchRow tests the pixels of an image row. Most are done with after a look
// at the larger difference alone, against a variance that the full test never
// goes below: half that of the better pair for the mean of all four.
func (w *worker) searchRow(y int) {
	b := w.b
	at, width, sx, down := b.At(y), b.Width, w.stepX, w.stepY*b.Width
	limits := limits{s2: float32(w.opt.Sigma * w.opt.Sigma), d2: float32(w.opt.SharpSigma * w.opt.SharpSigma)}
	if y < b.Top+w.stepY || y+w.stepY >= b.Top+b.Height || !w.likeRows(y, y-w.stepY) || !w.likeRows(y, y+w.stepY) || width <= 2*sx {
		for x := range width {
			w.consider(x, y, limits)
		}
		return
	}
	for x := range sx {
		w.consider(x, y, limits)
	}
	n := width - 2*sx
	here, left, right := w.v[at+sx:][:n], w.v[at:][:n], w.v[at+2*sx:][:n]
	above, below := w.v[at+sx-down:][:n], w.v[at+sx+down:][:n]
	vr := b.Variance
	varHere, varLeft, varRight := vr[at+sx:][:n], vr[at:][:n], vr[at+2*sx:][:n]
	varAbove, varBelow := vr[at+sx-down:][:n], vr[at+sx+down:][:n]
	s2 := limits.s2
	for x, v := range here {
		d := v - min(left[x]+right[x], above[x]+below[x])/2
		sumH, sumU := varLeft[x]+varRight[x], varAbove[x]+varBelow[x]
		least := min(varHere[x], (sumH+sumU)/4) + min(sumH, sumU)/8
		if d*d <= s2*least || d < 0 {
			continue
		}
		w.consider(sx+x, y, limits) // also where a NaN made the comparisons fail
	}
	for x := width - sx; x < width; x++ {
		w.consider(x, y, limits)
	}
}

// likeRows tells whether pixels above one another in two rows see like bands.
func (w *worker) likeRows(y, other int) bool {
	if w.opt.Map == nil || w.mosaic {
		return true
	}
	return w.opt.Map.Row(y)[0] == w.opt.Map.Row(other)[0]
}

// limits are the squares of what S and D must exceed.
type limits struct {
	s2, d2 float32
	// across lets the pixel two steps off stand for a neighbour of a pair that
	// cannot be used, having been hit.
	across bool
}

// consider tests one pixel and keeps it if it was hit.
func (w *worker) consider(x, y int, l limits) {
	i := w.b.At(y) + x
	if v := w.v[i]; v != v || w.b.Flags[i]&untested != 0 {
		return
	}
	if w.isHit(x, y, l) {
		w.found = append(w.found, int32(i))
	}
}

// grow tests the pixels beside those found from number from on, in image rows
// y0 <= y < y1.
func (w *worker) grow(from, y0, y1 int) {
	l := limits{s2: float32(w.opt.GrowSigma * w.opt.GrowSigma), d2: growSharpSigma * growSharpSigma, across: true}
	w.fresh = w.fresh[:0]
	for _, i := range w.found[from:] {
		cx, cy := int(i)%w.b.Width, int(i)/w.b.Width+w.b.Top
		for y := max(y0, cy-1); y <= min(y1-1, cy+1); y++ {
			for x := max(0, cx-1); x <= min(w.b.Width-1, cx+1); x++ {
				w.fresh = append(w.fresh, int32(w.b.At(y)+x))
			}
		}
	}
	slices.Sort(w.fresh)
	for _, i := range slices.Compact(w.fresh) {
		w.consider(int(i)%w.b.Width, int(i)/w.b.Width+w.b.Top, l)
	}
}

// sample is a pixel near the one that is tested.
type sample struct {
	v, variance float32
	ok          bool
}

// sampleAt returns a pixel, not ok outside of the image and where it cannot be
// used.
func (w *worker) sampleAt(x, y int) sample {
	b := w.b
	if x < 0 || x >= b.Width || y < b.Top || y >= b.Top+b.Height {
		return sample{}
	}
	i := b.At(y) + x
	v := w.v[i]
	return sample{v, b.Variance[i], v == v}
}

// like is sampleAt for a pixel that must see the given band.
func (w *worker) like(x, y int, band uint8) sample {
	s := w.sampleAt(x, y)
	if s.ok && w.opt.Map != nil && w.opt.Map.Row(y)[x] != band {
		return sample{}
	}
	return s
}

// bandAt returns the band of a pixel, 0 where all are alike.
func (w *worker) bandAt(x, y int) uint8 {
	if w.opt.Map == nil {
		return 0
	}
	return w.opt.Map.Row(y)[x]
}

// mean is the mean of some samples, with its variance.
type mean struct {
	v, variance float32
	n           int
}

func meanOf(samples ...sample) mean {
	var m mean
	for _, s := range samples {
		if s.ok {
			m.v += s.v
			m.variance += s.variance
			m.n++
		}
	}
	n := float32(max(m.n, 1))
	return mean{m.v / n, m.variance / (n * n), m.n}
}

// pairMean is the mean of the like pixels at (dx, dy) to either side: with one of
// them across a hit, the value between it and the near one on a straight line,
// so that a slope of the scene does not stand out.
func (w *worker) pairMean(x, y, dx, dy int, band uint8, l limits) mean {
	a, b := w.like(x-dx, y-dy, band), w.like(x+dx, y+dy, band)
	switch {
	case a.ok && b.ok:
		return meanOf(a, b)
	case !l.across:
		return mean{}
	case a.ok:
		return onLine(a, w.like(x+2*dx, y+2*dy, band))
	case b.ok:
		return onLine(b, w.like(x-2*dx, y-2*dy, band))
	}
	return mean{}
}

func onLine(near, far sample) mean {
	if !far.ok {
		return mean{}
	}
	return mean{(2*near.v + far.v) / 3, (4*near.variance + far.variance) / 9, 2}
}

// around lists the places around a pixel, so that number k+4 is opposite k.
var around = [8][2]int{{1, 0}, {1, 1}, {0, 1}, {-1, 1}, {-1, 0}, {-1, -1}, {0, -1}, {1, -1}}

// comparison is a mean of neighbours that a pixel is compared with.
type comparison struct {
	places []int // in around
	least  int   // samples that it must have
	slant  bool  // along a diagonal
}

var comparisons = [5]comparison{
	{[]int{0, 2, 4, 6}, 3, false}, {[]int{0, 4}, 2, false}, {[]int{2, 6}, 2, false},
	{[]int{1, 5}, 2, true}, {[]int{3, 7}, 2, true},
}

// isHit makes the full test of a pixel that has a value.
func (w *worker) isHit(x, y int, l limits) bool {
	i := w.b.At(y) + x
	v, band := w.v[i], w.bandAt(x, y)
	var near [8]sample
	most := float32(0)
	for k, d := range around {
		near[k] = w.like(x+d[0]*w.stepX, y+d[1]*w.stepY, band)
		if k%2 == 0 {
			most = max(most, near[k].variance)
		}
	}
	all := meanOf(near[0], near[2], near[4], near[6])
	if all.n == 0 {
		return false
	}
	own := w.ownVariance(i, y, band, v-all.v, most)
	var out [len(comparisons)]bool
	any := false
	for k, c := range comparisons {
		m := all
		if d := around[c.places[0]]; len(c.places) == 2 {
			m = w.pairMean(x, y, d[0]*w.stepX, d[1]*w.stepY, band, l)
		}
		d := v - m.v
		out[k] = m.n >= c.least && d > 0 && d*d > l.s2*(own+m.variance)
		any = any || out[k] && !c.slant
	}
	return any && w.isSharp(x, y, own, l, out)
}

// ownVariance is Var0 of pixel i, which stands out by excess, beside neighbours
// of the largest variance most.
func (w *worker) ownVariance(i, y int, band uint8, excess, most float32) float32 {
	own := w.b.Variance[i]
	k := w.perElectron[band]
	if w.opt.RowFactor != nil {
		k *= w.opt.RowFactor[y]
	}
	if without := max(own-k*excess, min(own, most)); excess > 0 && excess*excess > spokeSigma*spokeSigma*without {
		return without
	}
	return own
}

// spokeSigma is the departure, in sigmas, beyond which the noise stage may have
// let a pixel speak for itself. It does so from 5 on, by other neighbours.
const spokeSigma = 4

// grounds are the places, in steps of the background's distance (2) and of like
// pixels (1), whose levels a background is the lowest of: three on each of four
// sides, then three in each of four corners.
var grounds = [8][3][2]int{
	{{-2, -1}, {-2, 0}, {-2, 1}}, {{2, -1}, {2, 0}, {2, 1}}, {{-1, -2}, {0, -2}, {1, -2}}, {{-1, 2}, {0, 2}, {1, 2}},
	{{-2, -2}, {-2, -1}, {-1, -2}}, {{-2, 2}, {-2, 1}, {-1, 2}}, {{2, -2}, {2, -1}, {1, -2}}, {{2, 2}, {2, 1}, {1, 2}},
}

// sides is the number of grounds that are sides.
const sides = 4

// background is the lowest of the levels around a pixel, of the given grounds.
func (w *worker) background(x, y int, band uint8, from [][3][2]int) (mean, bool) {
	dx, dy := [3]int{0, w.stepX, w.asideX}, [3]int{0, w.stepY, w.asideY}
	at := func(p [2]int) sample {
		return w.like(x+signed(dx, p[0]), y+signed(dy, p[1]), band)
	}
	lowest, found := mean{v: math.MaxFloat32}, false
	for _, g := range from {
		if m := meanOf(at(g[0]), at(g[1]), at(g[2])); m.n > 0 && m.v < lowest.v {
			lowest, found = m, true
		}
	}
	return lowest, found
}

// signed is the distance of so many steps to either side.
func signed(distance [3]int, steps int) int {
	if steps < 0 {
		return -distance[-steps]
	}
	return distance[steps]
}

// isSharp tells whether the pixel is sharper than an image against one of the
// means that it stands out from.
func (w *worker) isSharp(x, y int, own float32, l limits, out [len(comparisons)]bool) bool {
	straight, ok := w.background(x, y, w.bandAt(x, y), grounds[:sides])
	if !ok {
		return false
	}
	for k, c := range comparisons[:3] {
		if out[k] && w.isSharper(x, y, own, l, c, straight) {
			return true
		}
	}
	if !out[3] && !out[4] {
		return false
	}
	slant, ok := w.background(x, y, w.bandAt(x, y), grounds[sides:])
	if !ok || slant.v > straight.v {
		slant = straight
	}
	for k, c := range comparisons {
		if c.slant && out[k] && w.isSharper(x, y, own, l, c, slant) {
			return true
		}
	}
	return false
}

// isSharper makes the test of sharpness against one mean, above the background
// b.
func (w *worker) isSharper(x, y int, own float32, l limits, c comparison, b mean) bool {
	band, ratio := w.bandAt(x, y), w.ratio
	if c.slant {
		ratio = w.slantRatio
	}
	var near [4]beside
	n := 0
	for _, k := range c.places {
		if s, ok := w.beside(x+around[k][0], y+around[k][1], band, b); ok {
			s.place = k
			near[n] = s
			n++
		}
	}
	weight := [2]float32{1 / float32(max(n, 1)), 1 / float32(max(n, 1))} // of the first, of the others
	if n == 1 && len(c.places) == 2 && l.across {
		d := around[near[0].place]
		far, ok := w.beside(x-2*d[0], y-2*d[1], band, b)
		if !ok {
			return false
		}
		// No light of a point need reach that far.
		near[1], n, weight = far, 2, [2]float32{2. / 3, 1. / 3}
		near[1].far = true
	}
	if n < c.least {
		return false
	}
	var d, variance, share float32
	for i, s := range near[:n] {
		k := weight[min(i, 1)]
		switch {
		case s.far:
		case s.band == band:
			share += k * ratio
		default:
			share += k * ratio * float32(w.opt.Colour)
		}
		grey := w.inverseGrey[s.band]
		if s.band != band {
			for _, other := range near[:n] {
				if other.band == s.band && other.ground.v < s.ground.v {
					s.ground = other.ground
				}
			}
			variance += k * k * s.ground.variance * grey * grey
		}
		d -= k * (s.v - s.ground.v) * grey
		variance += k * k * s.variance * grey * grey
	}
	grey := w.inverseGrey[band]
	d += share * (w.v[w.b.At(y)+x] - b.v) * grey
	variance += (share*share*own + (1-share)*(1-share)*b.variance) * grey * grey
	return d > 0 && d*d > l.d2*variance
}

// beside is a pixel beside the one that is tested.
type beside struct {
	sample
	band   uint8
	ground mean // the background of its band
	place  int  // in around
	far    bool // it lies two pixels off
}

// beside looks at a pixel beside one of the given band and background. One of
// another colour has a background of its own; one in another strip is of no use.
func (w *worker) beside(x, y int, band uint8, b mean) (beside, bool) {
	s := w.sampleAt(x, y)
	if !s.ok {
		return beside{}, false
	}
	other := w.bandAt(x, y)
	if other == band {
		return beside{sample: s, band: band, ground: b}, true
	}
	if !w.mosaic {
		return beside{}, false
	}
	its, ok := w.background(x, y, other, grounds[:sides])
	return beside{sample: s, band: other, ground: its}, ok
}

var _ calib.Pass = (*Detector)(nil)
