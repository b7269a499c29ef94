package measure

import (
	"math"
	"slices"
	"sort"

	"evenlight/calib"
)

// Distribution is the distribution of a plane's values, such as the dark
// current of all pixels. It keeps the values in the order of their leading
// bits only, so that any order statistic needs no sort of all.
//
// Uncertainties are those of a sample of pixels: how far the figure would
// change with as many other pixels of the same sensor. Noise of the single
// values widens the distribution and is not taken off.
type Distribution struct {
	values []float32 // in the order of their leading bits
	starts []int32   // by leading bits: place of the first value, and of the end
	sorted map[int]bool
}

// NewDistribution looks at values. NaN is left out.
func NewDistribution(values []float32) *Distribution {
	d := &Distribution{starts: make([]int32, 1<<16+1), sorted: map[int]bool{}}
	for _, v := range values {
		if v == v {
			d.starts[int(leadingBits(v))+1]++
		}
	}
	for bin := range 1 << 16 {
		d.starts[bin+1] += d.starts[bin]
	}
	d.values = make([]float32, d.starts[1<<16])
	next := slices.Clone(d.starts)
	for _, v := range values {
		if v == v {
			bin := leadingBits(v)
			d.values[next[bin]] = v
			next[bin]++
		}
	}
	return d
}

// leadingBits returns the upper half of a value's key, counted from 0.
func leadingBits(v float32) uint16 {
	return uint16(uint32(calib.OrderKey(v))>>16) ^ 1<<15
}

// N returns the number of values.
func (d *Distribution) N() int { return len(d.values) }

// Quantile returns the value below which the share p of the values lies,
// between order statistics in proportion. The number of values below it has
// the variance n p (1-p), so its uncertainty is a quarter of the distance of
// the quantiles at p +- 2 sqrt(p (1-p)/n); within one such step there are too
// few values to tell. Without values it is NaN.
func (d *Distribution) Quantile(p float64) Figure {
	if d.N() == 0 {
		return Figure{math.NaN(), math.NaN()}
	}
	reach := 2 * math.Sqrt(p*(1-p)/float64(d.N()))
	return Figure{d.at(p), (d.at(min(p+reach, 1)) - d.at(max(p-reach, 0))) / 4}
}

// at returns the value at the share p.
func (d *Distribution) at(p float64) float64 {
	place := p * float64(d.N()-1)
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
	bin := sort.Search(1<<16, func(b int) bool { return int(d.starts[b+1]) > k })
	if !d.sorted[bin] {
		slices.Sort(d.within(bin))
		d.sorted[bin] = true
	}
	return float64(d.values[k])
}

// within are the values of the same leading bits.
func (d *Distribution) within(bin int) []float32 {
	return d.values[d.starts[bin]:d.starts[bin+1]]
}

// below returns the number of values below a limit.
func (d *Distribution) below(limit float64) int {
	bin := int(leadingBits(float32(limit)))
	n := int(d.starts[bin])
	for _, v := range d.within(bin) {
		if float64(v) < limit {
			n++
		}
	}
	return n
}

// Above returns the share of the values above a limit. Its uncertainty is the
// standard deviation of the share that k of n leave open when nothing is
// known before, which is not 0 for k = 0:
//
//	u^2 = q (1-q) / (n+3), q = (k+1)/(n+2)
func (d *Distribution) Above(limit float64) Figure {
	k := d.N() - d.below(math.Nextafter(limit, math.Inf(1)))
	n := float64(d.N())
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
	h.Below = d.below(h.Edges[0])
	to := h.Below
	for i := range h.Count {
		from := to
		to = d.below(h.Edges[i+1])
		h.Count[i].Value = float64(to - from)
	}
	h.Above = d.N() - to
	n := float64(d.N())
	for i := range h.Count {
		q := (h.Count[i].Value + 1) / (n + 2)
		h.Count[i].U = math.Sqrt(n * q * (1 - q))
	}
	return h
}
