package pipeline

import (
	"math"

	"evenlight/calib"
)

// Per-pixel sums over frames, float32, one plane each. How many frames there
// are changes nothing about the memory. A sample that never arrived makes the
// pixel's sums NaN: such a pixel is not measured.

// meanPlane is the sum of frames, then their mean.
type meanPlane struct {
	width  int
	v      []float32
	frames int
}

func newMeanPlane(im calib.Region) *meanPlane {
	return &meanPlane{width: im.Width(), v: make([]float32, im.Width()*im.Height())}
}

// add takes a row of one or two frames.
func (m *meanPlane) add(y int, a, b []float32) {
	sum := m.v[y*m.width : (y+1)*m.width]
	a = a[:len(sum)]
	if b == nil {
		for x, v := range a {
			sum[x] += v
		}
		return
	}
	b = b[:len(sum)]
	for x, v := range a {
		sum[x] += v + b[x]
	}
}

// finish turns sums into means.
func (m *meanPlane) finish() {
	k := 1 / float32(m.frames)
	for i := range m.v {
		m.v[i] *= k
	}
}

// darkPlanes gathers darks run by run: within a run all frames are alike, so
// samples that stand out are told from the run itself.
type darkPlanes struct {
	width int
	// Of the run under way: sum, sum of squares and the two highest samples.
	sum, square, top, second []float32
	frames                   int

	// Over the runs of the temperature nearest to the reference: sums of
	// n mean and of n h(T)t mean over n kept frames.
	level, rate []float32
	// Over all runs: sum of squares about the runs' means in units of the
	// expected variance, and the number of kept samples.
	chi  []float32
	kept []int32

	runs, total int // all runs, all frames
}

func newDarkPlanes(im calib.Region) *darkPlanes {
	n := im.Width() * im.Height()
	plane := func() []float32 { return make([]float32, n) }
	return &darkPlanes{width: im.Width(), sum: plane(), square: plane(), top: plane(), second: plane(),
		level: plane(), rate: plane(), chi: plane(), kept: make([]int32, n)}
}

// add takes a row of one or two frames of the run; first says that the run
// begins with them.
func (d *darkPlanes) add(first bool, y int, a, b []float32) {
	i, j := y*d.width, (y+1)*d.width
	sum, square, top, second := d.sum[i:j], d.square[i:j], d.top[i:j], d.second[i:j]
	switch {
	case first && b == nil:
		begin(sum, square, top, second, a, nil)
	case first:
		begin(sum, square, top, second, a, b)
	case b == nil:
		goOn(sum, square, top, second, a)
	default:
		goOnTwo(sum, square, top, second, a, b)
	}
}

func begin(sum, square, top, second, a, b []float32) {
	n := len(sum)
	square, top, second, a = square[:n], top[:n], second[:n], a[:n]
	if b == nil {
		for x, v := range a {
			sum[x], square[x], top[x], second[x] = v, v*v, v, float32(math.Inf(-1))
		}
		return
	}
	b = b[:n]
	for x, v := range a {
		w := b[x]
		sum[x], square[x] = v+w, v*v+w*w
		if w > v {
			v, w = w, v
		}
		top[x], second[x] = v, w
	}
}

func goOn(sum, square, top, second, a []float32) {
	n := len(sum)
	square, top, second, a = square[:n], top[:n], second[:n], a[:n]
	for x, v := range a {
		sum[x] += v
		square[x] += v * v
		if v > second[x] {
			insert(&top[x], &second[x], v)
		}
	}
}

func goOnTwo(sum, square, top, second, a, b []float32) {
	n := len(sum)
	square, top, second, a, b = square[:n], top[:n], second[:n], a[:n], b[:n]
	for x, v := range a {
		w := b[x]
		sum[x] += v + w
		square[x] += v*v + w*w
		s := second[x]
		if v > s || w > s {
			insert(&top[x], &second[x], v)
			insert(&top[x], &second[x], w)
		}
	}
}

// insert puts a sample among the two highest.
func insert(top, second *float32, v float32) {
	switch {
	case v > *top:
		*second, *top = *top, v
	case v > *second:
		*second = v
	}
}

// darkNoise is the expected variance of a dark's samples of one amplifier,
// DN^2: base + perDN times the level above the bias.
type darkNoise struct{ base, perDN float64 }

// hitSigmas is how far above the rest of its run a sample stands that a cosmic
// ray has hit. Of normal noise one sample in 3 million does.
const hitSigmas = 5

// fold ends a run for row y: the two highest samples are left out where they
// stand out, and what is kept goes into the sums. means, if not nil, receives
// the mean of each pixel. near says that the run is of the temperature nearest
// to the reference, ht is its h(T) t.
func (d *darkPlanes) fold(y int, segs []calib.Segment, noise []darkNoise, bias, means []float32, near bool, ht float64) {
	i := y * d.width
	for _, g := range segs {
		n := noise[g.Amp]
		for x := g.X0; x < g.X1; x++ {
			p := i + x
			b := 0.0
			if bias != nil {
				b = float64(bias[p])
			}
			kept, mean, chi := d.judge(p, n, b)
			d.chi[p] += float32(chi)
			d.kept[p] += int32(kept)
			if near {
				d.level[p] += float32(float64(d.frames) * mean)
				d.rate[p] += float32(float64(d.frames) * ht * mean)
			}
			if means != nil {
				means[x] = float32(mean)
			}
		}
	}
}

// judge returns how many samples of a pixel's run are kept, their mean, and
// their sum of squares about it over the expected variance.
func (d *darkPlanes) judge(p int, noise darkNoise, bias float64) (kept int, mean, chi float64) {
	n := d.frames
	sum, square := float64(d.sum[p]), float64(d.square[p])
	for _, high := range [...]float32{d.top[p], d.second[p]} {
		if n < 3 {
			break
		}
		v := float64(high)
		rest := (sum - v) / float64(n-1)
		variance := noise.base + noise.perDN*math.Max(0, rest-bias)
		over := v - rest
		if !(over > 0 && over*over > hitSigmas*hitSigmas*variance*float64(n)/float64(n-1)) {
			break
		}
		sum, square, n = sum-v, square-v*v, n-1
	}
	mean = sum / float64(n)
	variance := noise.base + noise.perDN*math.Max(0, mean-bias)
	return n, mean, math.Max(0, square-sum*mean) / variance
}

// scatter turns the sums into what calib.MarkDark asks for: the reduced
// chi-square, with its excess over 1 brought to the freedom of kept-1 samples
// that MarkDark judges by, where runs cost one each.
func (d *darkPlanes) scatter() {
	for i, c := range d.chi {
		n := float64(d.kept[i])
		freedom := n - float64(d.runs)
		if freedom < 1 {
			d.chi[i] = 1
			continue
		}
		d.chi[i] = float32(1 + (float64(c)/freedom-1)*math.Sqrt(freedom/math.Max(1, n-1)))
	}
}
