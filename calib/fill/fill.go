package fill

import (
	"math"
	"strconv"

	"evenlight/calib"
)

// leastNeighbours is the number of sound neighbours below which there is no
// estimate.
const leastNeighbours = 6

// inherited is the weight from which on a neighbour hands on its flags.
const inherited = 1. / 16

// MostDepth is the largest depth that a Filler takes.
const MostDepth = 8

// Filler is the pass that fills pixels in. A filled pixel takes the estimate
// and its uncertainty, keeps its flags, and gets calib.Filled.
type Filler struct {
	// Causes are the flags that pixels are filled for.
	Causes calib.Flags
	// Depth is how far a pixel may be from the nearest sound one, in steps to
	// the next pixel of its colour, 1 to MostDepth.
	Depth int

	g *geometry
}

// Never holds the flags with which a pixel is left as it is: what it should be
// is brighter than the sound pixels around, which alone could tell.
const Never = calib.Saturated | calib.NearSaturated

// NewFiller makes the pass for images whose pixels see the bands that the map
// tells (nil: all one).
func NewFiller(causes calib.Flags, depth int, bands *calib.BandMap) *Filler {
	depth = min(max(depth, 1), MostDepth)
	return &Filler{Causes: causes, Depth: depth, g: newGeometry(bands, depth)}
}

// Name implements calib.Pass.
func (f *Filler) Name() string { return "fill" }

// Settings implements calib.Pass.
func (f *Filler) Settings() []calib.Setting {
	return []calib.Setting{
		{Name: "causes", Value: f.Causes.String()},
		{Name: "max_depth", Value: strconv.Itoa(f.Depth)},
		{Name: "neighbours", Value: strconv.Itoa(mostNeighbours)},
		{Name: "window", Value: strconv.Itoa(2*steps(f.g.periodX)+1) + "x" + strconv.Itoa(2*steps(f.g.periodY)+1)},
	}
}

// Halo implements calib.Pass.
func (f *Filler) Halo() int { return f.g.reachY }

// Worker implements calib.Pass.
func (f *Filler) Worker() calib.PassWorker { return f.newWorker() }

func (f *Filler) newWorker() *Worker {
	n := f.g.stride * (2*f.g.reachY + 1)
	w := &Worker{f: f, g: f.g}
	w.window = window{value: make([]float64, n), variance: make([]float64, n), flags: make([]calib.Flags, n)}
	sites, levels := 0, 0
	for i := range f.g.cells {
		if c := &f.g.cells[i]; len(c.sites) > 0 {
			sites, levels = max(sites, len(c.sites)), max(levels, len(c.phi[0]))
		}
	}
	w.sums.half, w.sums.weight = make([]float64, levels), make([]float64, levels)
	w.trial = make([]trial, 0, sites)
	w.near, w.variance = make([]offset, 0, mostNeighbours), make([]float64, 0, mostNeighbours)
	return w
}

// Worker fills pixels, one at a time. It belongs to one goroutine.
type Worker struct {
	f        *Filler
	g        *geometry
	window   window
	sums     levelSums
	near     []offset // neighbours that take part
	variance []float64
	krige    kriging
	trial    []trial

	counts Counts
}

// Counts says what became of the pixels with a cause to be filled.
type Counts struct {
	Filled    int
	Saturated int // left: at or beside saturation
	Deep      int // left: too far from any sound pixel of the same colour and strip
	Few       int // left: too few such pixels near
}

// Add adds other counts.
func (c *Counts) Add(o Counts) {
	c.Filled += o.Filled
	c.Saturated += o.Saturated
	c.Deep += o.Deep
	c.Few += o.Few
}

// Counts returns the counts of all that the worker has treated.
func (w *Worker) Counts() Counts { return w.counts }

// Apply implements calib.PassWorker. What is filled keeps the flag of its
// cause, so it never serves another pixel.
func (w *Worker) Apply(b *calib.Block, y0, y1 int) {
	for y := y0; y < y1; y++ {
		from := b.At(y)
		for x := range b.Width {
			if b.Flags[from+x]&w.f.Causes != 0 {
				w.treat(b, x, y, from+x)
			}
		}
	}
}

// treat fills pixel i of the block, at (x, y) of the image, if it can be.
func (w *Worker) treat(b *calib.Block, x, y, i int) {
	if b.Flags[i]&Never != 0 {
		w.counts.Saturated++
		return
	}
	e, left := w.estimate(b, x, y)
	if left != nil {
		*left++
		return
	}
	b.Value[i], b.Variance[i] = float32(e.value), float32(e.variance)
	b.Flags[i] |= e.flags | calib.Filled
	w.counts.Filled++
}

// estimate is what the neighbours tell of a pixel.
type estimate struct {
	value, variance float64
	flags           calib.Flags // of the neighbours
}

// estimate makes the estimate of a pixel, or returns the count of the reason
// why there is none.
func (w *Worker) estimate(b *calib.Block, x, y int) (e estimate, left *int) {
	if w.g.blind(x, y) {
		return e, &w.counts.Deep
	}
	c := w.g.cellOf(x, y)
	w.window.load(w.g, b, x, y)
	if left := w.choose(c); left != nil {
		return e, left
	}
	w.sums.measure(&w.window, w.g, c)
	v := w.sums.fit(w.g, c)
	if !w.krige.solve(w.near, w.variance, &v) {
		return e, &w.counts.Few
	}
	for i, o := range w.near {
		at := w.g.centre + o.at
		e.value += w.krige.weights[i] * w.window.value[at]
		if math.Abs(w.krige.weights[i]) >= inherited {
			e.flags |= w.window.flags[at]
		}
	}
	e.variance = w.krige.noise
	if w.krige.structure > 0 {
		e.variance += w.interpolationVariance(c, e.value)
	}
	e.value += w.window.origin
	return e, nil
}

// choose takes the nearest sound pixels of the same colour as neighbours. It
// returns the count of the reason why they do not do.
func (w *Worker) choose(c *cell) (left *int) {
	w.near, w.variance = w.near[:0], w.variance[:0]
	farthest := float64(w.f.Depth) * c.step * (1 + 1e-9)
	for _, o := range c.near {
		at := w.g.centre + o.at
		if v := w.window.value[at]; v != v {
			continue
		}
		if len(w.near) == 0 && math.Sqrt(float64(o.square())) > farthest {
			return &w.counts.Deep
		}
		w.near, w.variance = append(w.near, o), append(w.variance, w.window.variance[at])
		if len(w.near) == mostNeighbours {
			return nil
		}
	}
	switch {
	case len(w.near) == 0:
		return &w.counts.Deep
	case len(w.near) < leastNeighbours:
		return &w.counts.Few
	}
	return nil
}

// together tells whether two rows may serve one another: rows of different
// strips may not.
func (g *geometry) together(y, other int) bool {
	return g.bands == nil || g.bands.Together(y, other)
}

// blind tells whether a pixel sees no band.
func (g *geometry) blind(x, y int) bool {
	return g.bands != nil && g.bands.Row(y)[x] == calib.NoBand
}
