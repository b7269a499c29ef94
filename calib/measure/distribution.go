package measure

import (
	"math"
	"slices"
)

// Distribution is the distribution of a plane's values, such as the dark
// current of all pixels. It keeps the values as they are and a count of their
// leading bits, so that any order statistic needs one more look at them and
// no sort of all.
//
// Uncertainties are those of a sample of pixels: how far the figure would
// change with as many other pixels of the same sensor. Noise of the single
// values widens the distribution and is not taken off.
type Distribution struct {
	values []float32
	bins   [1 << 16]int32 // by leading bits
	n      int
	sorted map[int][]float32 // values of the bins that were asked for
}

// NewDistribution looks at values, which must not change afterwards. NaN is
// left out.
func NewDistribution(values []float32) *Distribution {
	d := &Distribution{values: values, sorted: map[int][]float32{}}
	for _, v := range values {
		if v == v {
			d.bins[leadingBits(v)]++
			d.n++
		}
	}
	return d
}

// leadingBits returns the upper half of a float32 as a number that grows with
// it: for positive ones the bits themselves above all negative ones, whose
// bits run the other way.
func leadingBits(v float32) uint16 {
	b := math.Float32bits(v)
	if b>>31 == 1 {
		return uint16(^b >> 16)
	}
	return uint16(b>>16) | 1<<15
}

// N returns the number of values.
func (d *Distribution) N() int { return d.n }

// Quantile returns the value below which the share p of the values lies,
// between order statistics in proportion. The number of values below it has
// the variance n p (1-p), so its uncertainty is a quarter of the distance of
// the quantiles at p +- 2 sqrt(p (1-p)/n); within one such step there are too
// few values to tell. Without values it is NaN.
func (d *Distribution) Quantile(p float64) Figure {
	if d.n == 0 {
		return Figure{math.NaN(), math.NaN()}
	}
	reach := 2 * math.Sqrt(p*(1-p)/float64(d.n))
	return Figure{d.at(p), (d.at(min(p+reach, 1)) - d.at(max(p-reach, 0))) / 4}
}

// at returns the value at the share p.
func (d *Distribution) at(p float64) float64 {
	place := p * float64(d.n-1)
	k := int(place)
	lo := d.order(k)
	part := place - float64(k)
	if part == 0 {
		return lo
	}
	return lo + part*(d.order(k+1)-lo)
}

// order returns the k-th smallest value.
func (d *Distribution) order(k int) float64 {
	bin := 0
	for k >= int(d.bins[bin]) {
		k -= int(d.bins[bin])
		bin++
	}
	within, known := d.sorted[bin]
	if !known {
		within = make([]float32, 0, d.bins[bin])
		for _, v := range d.values {
			if v == v && int(leadingBits(v)) == bin {
				within = append(within, v)
			}
		}
		slices.Sort(within)
		d.sorted[bin] = within
	}
	return float64(within[k])
}

// Above returns the share of the values above a limit. Its uncertainty is the
// standard deviation of the share that k of n leave open when nothing is
// known before, which is not 0 for k = 0:
//
//	u^2 = q (1-q) / (n+3), q = (k+1)/(n+2)
func (d *Distribution) Above(limit float64) Figure {
	k := 0
	for _, v := range d.values {
		if float64(v) > limit {
			k++
		}
	}
	n := float64(d.n)
	q := (float64(k) + 1) / (n + 2)
	return Figure{float64(k) / n, math.Sqrt(q * (1 - q) / (n + 3))}
}

// Histogram is a histogram with bins of equal width in the logarithm.
type Histogram struct {
	Edges        []float64 // one more than Count
	Count        []Figure  // Edges[i] <= value < Edges[i+1]; u^2 = n q (1-q) with q = (k+1)/(n+2)
	Below, Above int       // values outside
}

// LogHistogram counts values from lo to hi, both above 0, in so many bins a
// decade; hi is moved up to the next edge.
func (d *Distribution) LogHistogram(lo, hi float64, perDecade int) Histogram {
	bins := max(1, int(math.Ceil(math.Log10(hi/lo)*float64(perDecade)-1e-9)))
	h := Histogram{Count: make([]Figure, bins)}
	for i := range bins + 1 {
		h.Edges = append(h.Edges, lo*math.Pow(10, float64(i)/float64(perDecade)))
	}
	for _, f := range d.values {
		v := float64(f)
		switch {
		case v < lo:
			h.Below++
		case v >= h.Edges[bins]:
			h.Above++
		case v == v:
			h.Count[h.bin(v, perDecade)].Value++
		}
	}
	n := float64(d.n)
	for i := range h.Count {
		q := (h.Count[i].Value + 1) / (n + 2)
		h.Count[i].U = math.Sqrt(n * q * (1 - q))
	}
	return h
}

// bin returns the bin of a value within the edges: the logarithm tells it to
// rounding, and the edges decide.
func (h *Histogram) bin(v float64, perDecade int) int {
	i := int(math.Log10(v/h.Edges[0]) * float64(perDecade))
	i = max(0, min(i, len(h.Count)-1))
	for i > 0 && v < h.Edges[i] {
		i--
	}
	for i < len(h.Count)-1 && v >= h.Edges[i+1] {
		i++
	}
	return i
}
