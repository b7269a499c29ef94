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

// add takes a row of some frames.
func (m *meanPlane) add(y int, rows [][]float32) {
	sum := m.v[y*m.width : (y+1)*m.width]
	for ; len(rows) >= 2; rows = rows[2:] {
		a, b := rows[0][:len(sum)], rows[1][:len(sum)]
		for x, v := range a {
			sum[x] += v + b[x]
		}
	}
	for _, a := range rows {
		for x, v := range a[:len(sum)] {
			sum[x] += v
		}
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
	// Of the run under way: sum, sum of squares and the two highest samples,
	// these as whole numbers of the same order ([calib.OrderKey]).
	sum, square []float32
	top, second []int32
	frames      int

	// By temperature: sum over its runs of n (h(T)t - middle) mean, with n
	// frames each ([darkTemp]).
	slope [][]float32
	// Of the temperature nearest to the reference: sum of n h(T)t mean.
	rate []float32
	// Over all runs: sum of squares about the runs' means in units of the
	// expected variance, and the number of kept samples.
	chi  []float32
	kept []int32

	runs, total int // all runs, all frames
}

func newDarkPlanes(im calib.Region) *darkPlanes {
	n := im.Width() * im.Height()
	plane := func() []float32 { return make([]float32, n) }
	return &darkPlanes{width: im.Width(), sum: plane(), square: plane(), top: make([]int32, n), second: make([]int32, n),
		rate: plane(), chi: plane(), kept: make([]int32, n)}
}

// slopeOf is the plane of a temperature.
func (d *darkPlanes) slopeOf(place int) []float32 {
	for len(d.slope) <= place {
		d.slope = append(d.slope, make([]float32, len(d.sum)))
	}
	return d.slope[place]
}

// add takes a row of some frames of the run; first says that the run begins
// with them.
func (d *darkPlanes) add(first bool, y int, rows [][]float32) {
	i, j := y*d.width, (y+1)*d.width
	sum, square, top, second := d.sum[i:j], d.square[i:j], d.top[i:j], d.second[i:j]
	if first {
		begin(sum, square, top, second)
	}
	if len(rows) == 4 {
		addFour(sum, square, top, second, rows)
		return
	}
	for ; len(rows) >= 2; rows = rows[2:] {
		addTwo(sum, square, top, second, rows[0], rows[1])
	}
	for _, a := range rows {
		addOne(sum, square, top, second, a)
	}
}

func begin(sum, square []float32, top, second []int32) {
	clear(sum)
	clear(square)
	for x := range top {
		top[x], second[x] = math.MinInt32, math.MinInt32
	}
}

func addOne(sum, square []float32, top, second []int32, a []float32) {
	n := len(sum)
	square, top, second, a = square[:n], top[:n], second[:n], a[:n]
	for x, v := range a {
		sum[x] += v
		square[x] += v * v
		k, t := calib.OrderKey(v), top[x]
		top[x], second[x] = max(t, k), max(second[x], min(t, k))
	}
}

func addTwo(sum, square []float32, top, second []int32, a, b []float32) {
	n := len(sum)
	square, top, second, a, b = square[:n], top[:n], second[:n], a[:n], b[:n]
	for x, v := range a {
		w := b[x]
		sum[x] += v + w
		square[x] += v*v + w*w
		i, j := calib.OrderKey(v), calib.OrderKey(w)
		high, low, t := max(i, j), min(i, j), top[x]
		top[x], second[x] = max(t, high), max(second[x], low, min(t, high))
	}
}

func addFour(sum, square []float32, top, second []int32, rows [][]float32) {
	n := len(sum)
	square, top, second = square[:n], top[:n], second[:n]
	a, b, c, d := rows[0][:n], rows[1][:n], rows[2][:n], rows[3][:n]
	for x, v := range a {
		w, s, t := b[x], c[x], d[x]
		sum[x] += (v + w) + (s + t)
		square[x] += (v*v + w*w) + (s*s + t*t)
		i, j, k, l := calib.OrderKey(v), calib.OrderKey(w), calib.OrderKey(s), calib.OrderKey(t)
		h1, l1, h2, l2 := max(i, j), min(i, j), max(k, l), min(k, l)
		high, next := max(h1, h2), max(min(h1, h2), l1, l2)
		most := top[x]
		top[x], second[x] = max(most, high), max(min(most, high), second[x], next)
	}
}

// darkNoise is the expected variance of a dark's samples of one amplifier,
// DN^2: base + perDN times the level above the bias.
type darkNoise struct{ base, perDN float64 }

// hitSigmas is how far above the rest of its run a sample stands that a cosmic
// ray has hit. Of normal noise 3 in 100 000 samples do, which takes 1.3e-4
// standard deviations off a mean.
const hitSigmas = 4

// foldRow ends a run for row y: the two highest samples of each pixel are left
// out where they stand out, and what is kept goes into the sums. cells, nil
// outside of the reference region, tells whose faint hits are counted.
//
// Hits that are too faint to stand out stay in the means. As many are taken to
// lie below the limit as are found between it and twice as much, evenly:
// faint[c] gathers half of the limit for each of the latter.
func (d *darkPlanes) foldRow(y int, segs []calib.Segment, cells []int16, noise []darkNoise, bias []float32, r darkWeights, faint []float64) {
	for _, g := range segs {
		var of []int16
		if cells != nil {
			of = cells[g.X0:g.X1]
		}
		d.foldSegment(y*d.width+g.X0, y*d.width+g.X1, of, noise[g.Amp], bias, r, faint)
	}
}

// foldSegment is foldRow for the pixels from <= p < to of one amplifier.
func (d *darkPlanes) foldSegment(from, to int, cells []int16, noise darkNoise, bias []float32, r darkWeights, faint []float64) {
	sum, square, top := d.sum[from:to], d.square[from:to], d.top[from:to]
	bias, chi, kept := bias[from:to], d.chi[from:to], d.kept[from:to]
	slope := d.slope[r.place][from:to]
	var rate []float32
	if r.place == 0 {
		rate = d.rate[from:to]
	}
	bySlope, byRate := float32(float64(d.frames)*(r.ht-r.middle)), float32(float64(d.frames)*r.ht)
	all := float64(d.frames)
	reach := math.Inf(1)
	if d.frames >= 3 {
		reach = hitSigmas * math.Sqrt(noise.base*all/(all-1))
	}
	one, rest := 1/all, 1/math.Max(1, all-1)
	for x := range sum {
		s, q, n := float64(sum[x]), float64(square[x]), all
		level := float64(bias[x])
		mean := s * one
		if high := float64(calib.FromOrderKey(top[x])); high-(s-high)*rest > reach { // above the noise without charge at least
			var left float64
			n, s, q, left = d.withoutHits(from+x, noise, level, n, s, q)
			mean = s / n
			if left > 0 && cells != nil && cells[x] != noCell {
				faint[cells[x]] += left
			}
		}
		chi[x] += float32(max(0, q-s*mean)) / float32(noise.base+noise.perDN*max(0, mean-level))
		kept[x] += int32(n)
		slope[x] += bySlope * float32(mean)
		if rate != nil {
			rate[x] += byRate * float32(mean)
		}
	}
}

// darkWeights is what a run counts with: its place among the temperatures, its
// h(T)t, and the h(T)t about which the runs of its temperature turn.
type darkWeights struct {
	place      int
	ht, middle float64
}

// withoutHits takes the two highest samples of pixel p off the sums where they
// stand out from the rest; faint is half the limit for each hit up to twice as
// high as it, DN.
func (d *darkPlanes) withoutHits(p int, noise darkNoise, bias, n, sum, square float64) (kept, s, q, faint float64) {
	for _, high := range [...]int32{d.top[p], d.second[p]} {
		if n < 3 {
			break
		}
		v := float64(calib.FromOrderKey(high))
		rest := (sum - v) / (n - 1)
		over := v - rest
		if !(over > 0) || over*over*(n-1) <= hitSigmas*hitSigmas*n*noise.base {
			break // not even above the noise without charge
		}
		limit := hitSigmas * hitSigmas * (noise.base + noise.perDN*max(0, rest-bias)) * n / (n - 1)
		if over*over <= limit {
			break
		}
		if over*over < 4*limit {
			faint += math.Sqrt(limit) / 2
		}
		sum, square, n = sum-v, square-v*v, n-1
	}
	return n, sum, square, faint
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

// free lets go of what is needed no more once the runs are over.
func (d *darkPlanes) free() {
	d.sum, d.square, d.top, d.second, d.slope, d.chi, d.kept = nil, nil, nil, nil, nil, nil, nil
}
