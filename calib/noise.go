package calib

import "math"

// Reach of the window from which the shot noise is estimated: 2 reach+1 rows
// and columns.
const noiseReach = 2

// standOut is the departure from the neighbours, in sigmas, beyond which a
// pixel's own count is the better estimate of its charge.
const standOut = 5

// leastShare keeps the variance from falling below this share of what it is
// without shot noise, where noise makes the estimate of the light negative.
const leastShare = 0.25

// Noise adds the shot noise of all the charge that was collected. It acts on
// flat-fielded electrons S and adds
//
//	Var(S) += (F m + d h t) / F^2
//
// where m estimates the pixel's light and d h t is its dark charge from the
// master. The pixel's own count would be correlated with its value, which
// biases pulls at low signal; so m is the mean of the other pixels of the
// 5 x 5 window, with bad and saturated ones replaced and spikes held to the
// level of the pixels beside them. Only a pixel that stands out by more than
// five sigmas speaks for itself. m may be negative in noise around zero: the
// estimate is unbiased, and the read noise keeps the variance positive.
//
// Means of m are kept as whole numbers of 1/Steps electrons, so that running
// sums are exact and the result does not depend on where a run of rows began.
type Noise struct {
	Flat    *FlatField // nil: F = 1
	Dark    *Plane     // nil: no dark charge
	HT      float64    // h(T) t_d, s
	Mask    []Flags    // bad pixels to leave out; nil: none
	FloorE2 float64    // smallest variance of a sample without shot noise, e-^2; > 0
	Steps   float64    // fixed-point steps per electron (NoiseSteps)
}

// NoiseSteps returns the number of fixed-point steps per electron for values
// up to maxE electrons: the largest power of two, 16 at most, with which the
// sum over the window stays within 31 bits even at four times maxE.
func NoiseSteps(maxE float64) float64 {
	steps := 16.0
	for steps*4*maxE*(2*noiseReach+1)*(2*noiseReach+1) > 1<<31 {
		steps /= 2
	}
	return steps
}

// Name implements Stage.
func (*Noise) Name() string { return "noise" }

// Settings implements Stage.
func (n *Noise) Settings() []Setting {
	return []Setting{{"window", itoa(2*noiseReach + 1)}, number("stand_out_sigma", standOut)}
}

// Apply implements Stage for a row alone: the window is then one row high.
func (n *Noise) Apply(r *Row) {
	var near nearSums
	near.start(n, len(r.V))
	near.add(n, r)
	n.addShot(r, &near)
}

// nearSums holds the running sums over the rows of the window.
type nearSums struct {
	rings [2*noiseReach + 1][]int32 // contributions of the rows in the window, by y mod 5
	sums  []int32                   // their sums, column by column
	wide  []int32                   // sums over the window's columns as well
	rows  int
	limit int32 // largest contribution with which no sum can overflow

	ones, zeros []float32 // a flat and a dark for where there is none
	clean       []Flags   // a mask for where there is none
}

func (s *nearSums) start(n *Noise, width int) {
	if len(s.sums) != width {
		for i := range s.rings {
			s.rings[i] = make([]int32, width)
		}
		s.sums = make([]int32, width)
		s.wide = make([]int32, width)
		s.clean = make([]Flags, width)
		s.zeros = make([]float32, width)
		s.ones = make([]float32, width)
		for x := range s.ones {
			s.ones[x] = 1
		}
	}
	clear(s.sums)
	s.rows = 0
	s.limit = math.MaxInt32 / ((2*noiseReach + 1) * (2*noiseReach + 1))
}

// add takes row r into the window.
func (s *nearSums) add(n *Noise, r *Row) {
	c := s.rings[r.Y%len(s.rings)]
	s.contributions(n, r, c)
	sums := s.sums[:len(c)]
	for x, v := range c {
		sums[x] += v
	}
	s.rows++
}

// drop takes row y out of the window.
func (s *nearSums) drop(y int) {
	c := s.rings[y%len(s.rings)]
	sums := s.sums[:len(c)]
	for x, v := range c {
		sums[x] -= v
	}
	s.rows--
}

// contributions writes what each pixel of r counts with, in steps: its
// value, held to its neighbours' level where it spikes above both by more
// than standOut sigmas, and the value before it where it is bad.
func (s *nearSums) contributions(n *Noise, r *Row, c []int32) {
	v := r.V
	steps := float32(n.Steps)
	c = c[:len(v)]
	for x, e := range v {
		c[x] = int32(e * steps)
	}
	last := len(v) - 1
	if last < 2 {
		return
	}
	// Whole numbers, since their maximum costs no branch.
	floor, per := float32(n.FloorE2)*steps*steps, standOut*standOut*steps
	left, here := c[1], c[0]
	for x := range c {
		right := left
		if x < last {
			right = c[x+1]
		}
		side := max(left, right)
		d := float32(here - side)
		if d*d > standOut*standOut*floor+per*float32(max(side, 0)) && here > side {
			c[x] = side
		}
		left, here = here, right
	}
	s.holdBad(n, r, c)
}

// holdBad lets bad pixels count with the value before them.
func (s *nearSums) holdBad(n *Noise, r *Row, c []int32) {
	fl := r.Flags[:len(c)]
	mask := s.clean
	if n.Mask != nil {
		mask = n.Mask[r.Y*len(c) : (r.Y+1)*len(c)]
	}
	mask = mask[:len(c)]
	held, limit := int32(0), s.limit
	for x, v := range c {
		if fl[x]&Unusable|mask[x] != 0 || v > limit || v < -limit {
			c[x] = held
			continue
		}
		held = v
	}
}

// addShot adds the shot noise to the variance of row r.
func (n *Noise) addShot(r *Row, s *nearSums) {
	width := len(r.V)
	s.widen()
	in := shotInput{
		wide: s.wide, own: s.rings[r.Y%len(s.rings)],
		inverse: s.ones, dark: s.zeros, ht: float32(n.HT),
	}
	if n.Flat != nil {
		in.inverse = n.Flat.Inverse[r.Y*width : (r.Y+1)*width]
	}
	if n.Dark != nil {
		in.dark, _ = n.Dark.row(r.Y)
	}
	edge := min(noiseReach, width)
	for x := range edge {
		in.add(r, x, x+1, s.scale(n, x, width))
	}
	in.add(r, edge, width-edge, s.scale(n, width/2, width))
	for x := max(edge, width-edge); x < width; x++ {
		in.add(r, x, x+1, s.scale(n, x, width))
	}
}

// shotInput is what the shot noise of one row is made of.
type shotInput struct {
	wide, own     []int32   // sums over the window; the pixel's own part
	inverse, dark []float32 // 1/F; d, e-/s
	ht            float32   // s
}

// add treats columns x0 <= x < x1, for which the same scale holds.
func (in *shotInput) add(r *Row, x0, x1 int, scale float32) {
	if x0 >= x1 {
		return
	}
	v := r.V[x0:x1]
	vr := r.Var[x0:x1][:len(v)]
	wide, own := in.wide[x0:x1][:len(v)], in.own[x0:x1][:len(v)]
	inverse, dark := in.inverse[x0:x1][:len(v)], in.dark[x0:x1][:len(v)]
	ht := in.ht
	for x, s := range v {
		m := float32(wide[x]-own[x]) * scale
		k := inverse[x]
		q := dark[x] * ht * k
		rest := vr[x]
		total := rest + (m+q)*k
		if d := s - m; d*d > standOut*standOut*total {
			total = rest + (max(s, 0)+q)*k
		}
		if total < rest*leastShare {
			total = rest * leastShare
		}
		vr[x] = total
	}
}

// widen fills wide with the sums over the columns of the window.
func (s *nearSums) widen() {
	sums, wide := s.sums, s.wide[:len(s.sums)]
	var run int32
	for x := 0; x < min(noiseReach, len(sums)); x++ {
		run += sums[x]
	}
	for x := range sums {
		if x+noiseReach < len(sums) {
			run += sums[x+noiseReach]
		}
		if x > noiseReach {
			run -= sums[x-noiseReach-1]
		}
		wide[x] = run
	}
}

// scale returns what turns the sum over the window about column x, without
// its centre, into electrons.
func (s *nearSums) scale(n *Noise, x, width int) float32 {
	columns := min(x, noiseReach) + min(width-1-x, noiseReach) + 1
	return float32(1 / (float64(max(s.rows*columns-1, 1)) * n.Steps))
}
