package measure

import "math"

// blockPixels is the number of pixels whose centre and spread are judged
// together.
const blockPixels = 1024

// leastBlock is the size from which a block can tell its own spread; the rest
// of a region that is smaller takes the windows of the block before.
const leastBlock = 256

// PairSums gathers two equal frames A and B over the pixels of a region (an
// amplifier, a colour of it) in one pass. The zero value is ready.
//
// Pixels are treated in blocks of 1024, in the order in which they come.
// A pixel is left out where
//
//   - it is NaN in one of the frames,
//   - the difference of its samples is further than 5 robust sigmas of its
//     block from the block's centre: hits;
//   - their mean is further than 5 robust sigmas (of pattern, shading and
//     noise) from the block's: dead and hot pixels.
//
// Sigmas are never taken as smaller than 0.8 steps of the converter.
type PairSums struct {
	StepDN float64 // step of the converter, or of the code table at this level, DN; 0: 1

	d, s   [blockPixels]float32 // differences and means that wait
	wait   int
	dw, sw window // of the last block

	n, left        int
	dPivot, sPivot float64
	sum            sums    // about the pivots
	square, fourth float64 // of the differences, about the centres of their blocks
	lost           float64 // share of the variance that clipping takes, times pixels
}

// sums are first and second moments of differences d and means s.
type sums struct{ d, s, dd, ss, ds float64 }

// moved returns the sums of n pixels about a centre that lies at (d, s) as
// seen from the new one.
func (a sums) moved(n int, d, s float64) sums {
	f := float64(n)
	return sums{
		d: a.d + f*d, s: a.s + f*s,
		dd: a.dd + 2*d*a.d + f*d*d,
		ss: a.ss + 2*s*a.s + f*s*s,
		ds: a.ds + d*a.s + s*a.d + f*d*s,
	}
}

func (a *sums) add(b sums) {
	a.d += b.d
	a.s += b.s
	a.dd += b.dd
	a.ss += b.ss
	a.ds += b.ds
}

// Add takes the same pixels of both frames, DN above offset.
func (p *PairSums) Add(a, b []float32) {
	for len(a) > 0 {
		n := min(len(a), blockPixels-p.wait)
		d, s, second := p.d[p.wait:p.wait+n], p.s[p.wait:p.wait+n], b[:n]
		for i, v := range a[:n] {
			w := second[i]
			d[i], s[i] = v-w, (v+w)/2
		}
		a, b = a[n:], b[n:]
		if p.wait += n; p.wait == blockPixels {
			p.block()
		}
	}
}

// Merge adds the sums of other pixels of the same pair and empties them. The
// order in which parts are merged is part of the result's last digits.
func (p *PairSums) Merge(q *PairSums) {
	p.block()
	q.block()
	if q.n > 0 {
		p.join(q.n, q.sum, q.dPivot, q.sPivot)
	}
	p.left += q.left
	p.square += q.square
	p.fourth += q.fourth
	p.lost += q.lost
	*q = PairSums{StepDN: q.StepDN}
}

// join adds sums of n pixels about the point (d, s).
func (p *PairSums) join(n int, of sums, d, s float64) {
	if p.n == 0 {
		p.dPivot, p.sPivot = d, s
	}
	p.sum.add(of.moved(n, d-p.dPivot, s-p.sPivot))
	p.n += n
}

// block judges and sums the pixels that wait.
func (p *PairSums) block() {
	if p.wait == 0 {
		return
	}
	d, s := p.d[:p.wait], p.s[:p.wait]
	if p.wait >= leastBlock || p.n == 0 {
		p.dw, p.sw = windowOf(d, p.step()), windowOf(s, p.step())
	}
	p.wait = 0
	of, fourth, n := blockSums(d, s, p.dw, p.sw)
	p.left += len(d) - n
	if n == 0 {
		return
	}
	p.join(n, of, float64(p.dw.centre), float64(p.sw.centre))
	p.square += of.dd
	p.fourth += fourth
	if of.dd > 0 {
		k := float64(p.dw.reach) / math.Sqrt(of.dd/float64(n))
		p.lost += clippedShare(k) * float64(n)
	}
}

func (p *PairSums) step() float64 {
	if p.StepDN == 0 {
		return 1
	}
	return p.StepDN
}

// blockSums sums the pixels within both windows, about their centres.
func blockSums(d, s []float32, dw, sw window) (of sums, fourth float64, n int) {
	s = s[:len(d)]
	var sd, ss, sdd, sss, sds float64 // in registers
	for i, v := range d {
		dv, sv := v-dw.centre, s[i]-sw.centre
		if !(abs(dv) <= dw.reach) || !(abs(sv) <= sw.reach) { // NaN is not
			continue
		}
		e, f := float64(dv), float64(sv)
		q := e * e
		sd += e
		ss += f
		sdd += q
		sss += f * f
		sds += e * f
		fourth += q * q
		n++
	}
	return sums{sd, ss, sdd, sss, sds}, fourth, n
}

// Pair is what two equal frames tell of a region.
type Pair struct {
	N, Left      int     // pixels used, and left out
	MeanA, MeanB float64 // DN; EMVA 1288 mu_y[0], mu_y[1]
	// Mean of both, DN; EMVA 1288 mu_y. Its uncertainty is that of the temporal
	// noise, sqrt(Variance / (2 N)).
	Mean Figure
	// Variance is the temporal variance of a sample, DN^2; EMVA 1288 sigma_y^2,
	// rounding included.
	Variance Figure
}

// Pair returns the result. The temporal variance is
//
//	sigma^2 = 1/2 (S_dd - S_ds^2/S_ss) / (N - 2)
//
// with S the centred sums of the differences d and of the means s of the
// pixels. The first term is EMVA 1288's; the second takes off what is
// proportional to the light, that is, the drift of the lamp between A and B
// seen through shading and pattern. What clipping takes from normal noise,
// 2 k phi(k)/(2 Phi(k)-1) of it, is put back; that the limit of a block itself
// scatters leaves a bias of 1e-5 of the variance.
//
// The uncertainty comes from the fourth moment m4 of the differences,
// u^2 = sigma^4 (m4/m2^2 - 1) / N, which for normal noise is 2 sigma^4 / N,
// and holds for few electrons, too.
//
// With fewer than 3 pixels, the variance is NaN.
func (p *PairSums) Pair() Pair {
	p.block()
	n := float64(p.n)
	out := Pair{N: p.n, Left: p.left, Mean: Figure{math.NaN(), math.NaN()}, Variance: Figure{math.NaN(), math.NaN()}}
	if p.n > 0 {
		d, s := p.dPivot+p.sum.d/n, p.sPivot+p.sum.s/n
		out.MeanA, out.MeanB, out.Mean.Value = s+d/2, s-d/2, s
	}
	if p.n < 3 {
		return out
	}
	square := p.sum.dd - p.sum.d*p.sum.d/n
	if ss := p.sum.ss - p.sum.s*p.sum.s/n; ss > 0 {
		ds := p.sum.ds - p.sum.d*p.sum.s/n
		square -= ds * ds / ss
	}
	v := square / 2 / (n - 2) / (1 - p.lost/n)
	tails := 2.0
	if p.square > 0 {
		tails = p.fourth*n/(p.square*p.square) - 1
	}
	out.Variance = Figure{v, v * math.Sqrt(tails/n)}
	out.Mean.U = math.Sqrt(v / (2 * n))
	return out
}

// Drift is the change of the light from A to B, B/A - 1, where the means are
// above dark.
func (p Pair) Drift() Figure {
	u := p.Mean.U * math.Sqrt2
	q := Figure{p.MeanB, u}.over(Figure{p.MeanA, u})
	return Figure{q.Value - 1, q.U}
}

// quantised is the variance of a sample, in squared steps of the converter,
// below which rounding hides the noise: EMVA 1288's 0.24 DN^2.
const quantised = 0.24

// rounding is the variance of rounding to whole steps, in squared steps: EMVA
// 1288 sigma_q^2.
const rounding = 1.0 / 12

// ReadNoise is EMVA 1288's temporal dark noise sigma_d in electrons, from the
// temporal variance of a pair without light and charge, in DN^2, and the gain
// in e-/DN:
//
//	r = g sqrt(variance - step^2/12)
//
// Below 0.24 step^2 the difference has no meaning (EMVA 1288): hidden is then
// true and r the upper limit 0.40 g step, with the uncertainty of a noise that
// may be anything from 0 to there.
func ReadNoise(variance Figure, stepDN float64, gain Figure) (r Figure, hidden bool) {
	if variance.Value < quantised*stepDN*stepDN {
		return hiddenNoise(stepDN, gain.Value), true
	}
	return Figure{variance.Value - rounding*stepDN*stepDN, variance.U}.root().Times(gain), false
}

// hiddenNoise is the upper limit of a noise that rounding hides. The root mean
// square distance of a rectangular distribution from its upper end is its
// width / sqrt 3 (JCGM 100:2008, 4.3.7).
func hiddenNoise(stepDN, gain float64) Figure {
	r := gain * stepDN * math.Sqrt(quantised-rounding)
	return Figure{r, r / math.Sqrt(3)}
}
