package calib

// Reach of the window from which the shot noise is estimated, in steps to the
// next like pixel: 2 reach+1 rows and columns of them. In a mosaic, whose like
// pixels stand apart, it is shorter, so that the window stays local.
const (
	noiseReach  = 2
	sparseReach = 1
)

// standOut is the departure from the neighbours, in sigmas, beyond which a
// pixel's own count is the better estimate of its charge.
const standOut = 5

// leastShare keeps the variance from falling below this share of what it is
// without shot noise, where noise makes the estimate of the light negative.
const leastShare = 0.25

// Noise adds the shot noise of all the charge that was collected. It acts on
// flat-fielded electrons S and adds
//
//	Var(S) += (F m + d h t) / F^2 + 1/(n F^2)
//
// where m estimates the pixel's light and d h t is its dark charge from the
// master; other charge that was taken off (Row.Other) counts as dark does. The pixel's own count would be correlated with its value, which
// biases pulls at low signal; so m is the mean of the n other good pixels of
// the 5 x 5 window (3 x 3 pixels of its own place in the pattern in a mosaic;
// within its own strip of filters), with spikes held to the level of the pixels beside them.
// Only a pixel that stands out by more than five sigmas, or has no good
// pixel near, speaks for itself. m may be negative in noise around zero: the
// estimate is unbiased, and the read noise keeps the variance positive.
//
// An unbiased estimate V' of a variance V makes the mean of 1/V', which the
// squared pulls have, too large by Var(V')/V^2. Since m has the variance V/n,
// that excess is 1/(n F^2 V), and the last term takes it away.
//
// Means of m are kept as whole numbers of 1/Steps electrons, so that running
// sums are exact and the result does not depend on where a run of rows began.
type Noise struct {
	Flat *FlatField // nil: F = 1
	Dark *Plane     // nil: no dark charge
	HT   float64    // h(T) t_d, s
	Mask []Flags    // bad pixels to leave out; nil: none
	// RowHT is h(T) t_d of each row where rows differ; nil: HT for all.
	RowHT []float32
	Map   *BandMap // nil: all pixels are alike
	// FloorE2 is the variance of a usual sample without light, e-^2: read
	// noise, quantisation and the shot noise of the median dark charge; > 0.
	// Spikes are told from it.
	FloorE2 float64
	Steps   float64 // fixed-point steps per electron (NoiseSteps)
}

// NoiseSteps returns the number of fixed-point steps per electron for values
// up to maxE electrons: the largest power of two, 1024 at most, with which
// even four times maxE is within the largest contribution.
func NoiseSteps(maxE float64) float64 {
	steps := 1024.0
	for steps*4*maxE > largestSteps {
		steps /= 2
	}
	return steps
}

// largestSteps bounds a contribution; sums of 25 stay within 40 bits.
const largestSteps = 1 << 29

// Name implements Stage.
func (*Noise) Name() string { return "noise" }

// Settings implements Stage.
func (n *Noise) Settings() []Setting {
	reach, sx, sy := n.window()
	out := []Setting{{"window", itoa(2*reach + 1)}, number("stand_out_sigma", standOut)}
	if sx > 1 || sy > 1 {
		out = append(out, Setting{"step", itoa(sx) + "x" + itoa(sy)})
	}
	return out
}

// Apply implements Stage for a row alone: the window is then one row high.
func (n *Noise) Apply(r *Row) {
	var near nearSums
	near.start(len(r.V), n)
	near.add(n, r)
	n.addShot(r, &near)
}

// window returns the reach of the window and the distances of like pixels
// along rows and columns.
func (n *Noise) window() (reach, stepX, stepY int) {
	if n.Map == nil {
		return noiseReach, 1, 1
	}
	if n.Map.PeriodX > 1 || n.Map.PeriodY > 1 {
		return sparseReach, n.Map.PeriodX, n.Map.PeriodY
	}
	return noiseReach, 1, 1
}

// rows returns the reach of the window in rows.
func (n *Noise) rows() int {
	reach, _, stepY := n.window()
	return reach * stepY
}

// set returns the number of the sums that a row belongs to.
func (n *Noise) set(y int) int {
	if n.Map == nil {
		return 0
	}
	return n.Map.sets[y]
}

// sets returns the number of separate sums over rows.
func (n *Noise) sets() int {
	if n.Map == nil {
		return 1
	}
	return n.Map.nset
}

// htOf returns h(T) t_d of a row.
func (n *Noise) htOf(y int) float32 {
	if n.RowHT != nil {
		return n.RowHT[y]
	}
	return float32(n.HT)
}

// tally is the sum of some contributions, in steps, and in its upper bits
// their number, so that one addition keeps both.
type tally int64

const (
	tallyBits       = 40
	tallyOne  tally = 1 << tallyBits
)

// split returns number and sum.
func (t tally) split() (n, sum int64) {
	n = int64((t + tallyOne/2) >> tallyBits)
	return n, int64(t) - n<<tallyBits
}

// nearSums holds the running sums over the rows of the window.
type nearSums struct {
	rings [][]tally // contributions of the rows in the window, by y modulo their number; 0 where there is none
	owner []int     // the set of sums that each ring's row is in
	sums  [][]tally // for each set of rows, sums over its rings, column by column
	wide  []tally   // sums over the window's columns as well
	fresh []int32   // one row's values in steps

	reach, stepX int

	ones, zeros []float32 // a flat and a dark for where there is none
	clean       []Flags   // a mask for where there is none
}

func (s *nearSums) start(width int, n *Noise) {
	reach, stepX, stepY := n.window()
	s.reach, s.stepX = reach, stepX
	if rings := (2*reach + 1) * stepY; len(s.wide) != width || len(s.rings) != rings || len(s.sums) != n.sets() {
		s.rings, s.owner = make([][]tally, rings), make([]int, rings)
		for i := range s.rings {
			s.rings[i] = make([]tally, width)
		}
		s.sums = make([][]tally, n.sets())
		for i := range s.sums {
			s.sums[i] = make([]tally, width)
		}
		s.wide = make([]tally, width)
		s.fresh = make([]int32, width)
		s.clean, s.zeros, s.ones = make([]Flags, width), make([]float32, width), make([]float32, width)
		for x := range s.ones {
			s.ones[x] = 1
		}
	}
	for _, ring := range s.rings {
		clear(ring)
	}
	for _, sums := range s.sums {
		clear(sums)
	}
}

// drop takes row y out of the window.
func (s *nearSums) drop(y int) {
	i := y % len(s.rings)
	ring := s.rings[i]
	sums := s.sums[s.owner[i]][:len(ring)]
	for x, v := range ring {
		sums[x] -= v
		ring[x] = 0
	}
}

// noSteps stands for a value that cannot contribute.
const noSteps = -2 * largestSteps

// inSteps returns the values of a row as whole numbers.
func (s *nearSums) inSteps(n *Noise, r *Row) []int32 {
	steps := float32(n.Steps)
	out := s.fresh[:len(r.V)]
	for x, e := range r.V {
		k := e * steps
		if !(k < largestSteps && k > -largestSteps) { // NaN too
			k = noSteps
		}
		out[x] = int32(k)
	}
	return out
}

// add takes row r into the window, in the place of the row that leaves it.
// Each pixel counts with its value, held to its neighbours' level where it
// spikes above both by more than standOut sigmas; a bad pixel counts with
// nothing.
func (s *nearSums) add(n *Noise, r *Row) {
	v := s.inSteps(n, r)
	fl, mask := r.Flags[:len(v)], s.clean
	if n.Mask != nil {
		mask = rowOf(n.Mask, len(v), r.Y)
	}
	i, set := r.Y%len(s.rings), n.set(r.Y)
	if s.owner[i] != set {
		s.drop(r.Y)
		s.owner[i] = set
	}
	ring, sums := s.rings[i][:len(v)], s.sums[set][:len(v)]
	mask = mask[:len(v)]
	// Whole numbers, since their maximum costs no branch. One electron more
	// allows for the skewness of the faintest light.
	steps := float32(n.Steps)
	floor, per := standOut*standOut*float32(n.FloorE2+1)*steps*steps, standOut*standOut*steps
	if s.stepX > 1 {
		s.addSparse(v, fl, mask, ring, sums, floor, per)
		return
	}
	left, last := int32(noSteps), len(v)-1
	if last > 0 {
		left = v[1] // beside the first column stands its only neighbour
	}
	for x, here := range v {
		right := left
		if x < last {
			right = v[x+1]
		}
		side := max(left, right)
		left = here
		c := here
		if d := float32(here - side); d*d > floor+per*float32(max(side, 0)) && d > 0 && side != noSteps {
			c = side
		}
		t := tally(c) + tallyOne
		if fl[x]&Unusable|mask[x] != 0 || here == noSteps {
			t = 0
		}
		sums[x] += t - ring[x]
		ring[x] = t
	}
}

// addSparse is the rest of add where like pixels stand apart.
func (s *nearSums) addSparse(v []int32, fl, mask []Flags, ring, sums []tally, floor, per float32) {
	for x, here := range v {
		left, right := int32(noSteps), int32(noSteps)
		if x >= s.stepX {
			left = v[x-s.stepX]
		}
		if x+s.stepX < len(v) {
			right = v[x+s.stepX]
		}
		side := max(left, right)
		c := here
		if d := float32(here - side); d*d > floor+per*float32(max(side, 0)) && d > 0 && side != noSteps {
			c = side
		}
		t := tally(c) + tallyOne
		if fl[x]&Unusable|mask[x] != 0 || here == noSteps {
			t = 0
		}
		sums[x] += t - ring[x]
		ring[x] = t
	}
}

// charges are what turns a row's light into charge: 1/F, the dark current and
// other charge.
type charges struct{ inverse, dark, other []float32 }

// chargesOf returns the charges of a row, with ones and zeros for what is not
// there.
func (n *Noise) chargesOf(r *Row, s *nearSums) charges {
	width := len(r.V)
	c := charges{s.ones[:width], s.zeros[:width], s.zeros[:width]}
	if n.Flat != nil {
		c.inverse, _ = n.Flat.row(r.Y)
	}
	if r.Other != nil {
		c.other = r.Other[:width]
	}
	if n.Dark != nil {
		c.dark, _ = n.Dark.row(r.Y)
	}
	return c
}

// addShot adds the shot noise to the variance of row r.
func (n *Noise) addShot(r *Row, s *nearSums) {
	width := len(r.V)
	s.widen(n.set(r.Y))
	own := s.rings[r.Y%len(s.rings)][:width]
	c := n.chargesOf(r, s)
	inverse, dark, other := c.inverse, c.dark, c.other
	shares := n.shares()
	ht, one := n.htOf(r.Y), float32(n.Steps)
	wide, vr := s.wide[:width], r.Var[:width]
	inverse, dark, other = inverse[:width], dark[:width], other[:width]
	for x, v := range r.V[:width] {
		others, sum := (wide[x] - own[x]).split()
		k := inverse[x]
		q := (dark[x]*ht + other[x]) * k
		rest := vr[x]
		share := shares[others&31]
		m := float32(sum) * share
		total := rest + (m+q+one*share*k)*k
		if d := v - m; d*d > standOut*standOut*total || others == 0 {
			total = rest + (max(v, 0)+q)*k
		}
		if total < rest*leastShare {
			total = rest * leastShare
		}
		vr[x] = total
	}
}

// unlit returns the parts of the shot noise of a pixel that are not of its
// light: of its dark charge, and of other charge that was taken off.
func (n *Noise) unlit(r *Row, x int) (dark, other float64) {
	k := 1.0
	if n.Flat != nil {
		inverse, _ := n.Flat.row(r.Y)
		k = float64(inverse[x])
	}
	if n.Dark != nil {
		d, _ := n.Dark.row(r.Y)
		dark = float64(d[x]) * float64(n.htOf(r.Y)) * k * k
	}
	if r.Other != nil {
		other = float64(r.Other[x]) * k * k
	}
	return dark, other
}

// shares returns what turns a sum of so many contributions into their mean in
// electrons.
func (n *Noise) shares() (share [32]float32) {
	for i := 1; i < len(share); i++ {
		share[i] = float32(1 / (float64(i) * n.Steps))
	}
	return share
}

// widen fills wide with the sums over the columns of the window, for one set
// of rows.
func (s *nearSums) widen(set int) {
	sums, wide := s.sums[set], s.wide[:len(s.sums[set])]
	if s.reach == sparseReach {
		for x := range sums {
			t := sums[x]
			if x >= s.stepX {
				t += sums[x-s.stepX]
			}
			if x+s.stepX < len(sums) {
				t += sums[x+s.stepX]
			}
			wide[x] = t
		}
		return
	}
	var run tally
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
