package fill

import "math"

// mostAlike is the number of sound pixels of the window, those whose
// surroundings vary most like those of the pixel, that its error of
// interpolation is taken from.
const mostAlike = 32

// trial is a sound pixel that was predicted as if it were missing.
type trial struct {
	unlike  float64 // how many times more or less its surroundings vary than the pixel's, 1 or more
	squared float64 // error of the prediction, squared
	noise   float64 // variance of that error by noise: the pixel's and its neighbours'
}

// prediction is what the neighbours of a place say of it.
type prediction struct {
	value  float64
	noise  float64 // variance; NaN where a neighbour lacks
	varies float64 // mean square of the neighbours about the value, by the size of their weights
}

// predict applies the weights and neighbours of the pixel in the middle of the
// window to any place in it. Values are relative to origin.
func (w *Worker) predict(at int, origin float64) (p prediction) {
	var squares, total float64
	for i, o := range w.near {
		k := at + o.at
		v, weight := w.window.value[k]-origin, w.krige.weights[i]
		if v != v {
			p.noise = v
			return p
		}
		p.value += weight * v
		p.noise += weight * weight * w.window.variance[k]
		weight = math.Abs(weight)
		squares += weight * v * v
		total += weight
	}
	p.varies = max(squares/total-p.value*p.value, 0)
	return p
}

// interpolationVariance scales the variance of interpolation of the pixel in
// the middle of the window, whose estimate is given, to what sound pixels of
// the window show that are predicted as if they were missing. Those that lack
// a neighbour are left out.
//
// They stand for the pixel where their surroundings vary as much. Half of the
// noise is added to how much surroundings vary, since noise makes differences
// where there are none. The error is taken to grow with the variation, so that
// squared errors, less the noise, are scaled by its ratio.
func (w *Worker) interpolationVariance(c *cell, estimate float64) float64 {
	half := w.sums.noise / 2
	own := w.predict(w.g.centre, estimate).varies
	trials := w.trial[:0]
	for _, s := range c.sites {
		at := w.g.centre + s.at
		z := w.window.value[at]
		if z != z {
			continue
		}
		p := w.predict(at, estimate)
		if p.noise != p.noise {
			continue
		}
		d := z - estimate - p.value
		noise := p.noise + w.window.variance[at]
		ratio := (own + half) / (p.varies + half)
		trials = append(trials, trial{max(ratio, 1/ratio), noise + (d*d-noise)*ratio, noise})
	}
	n := min(len(trials), mostAlike)
	nearestFirst(trials, n)
	return judge(trials[:n], w.krige.structure, own)
}

// alike is how many times more or less surroundings may vary and be alike.
// Beyond it a trial counts with the square of the ratio less.
const alike = 2

// The variance of interpolation is what the variogram says times a factor that
// is searched for on a grid of half octaves. The factor has a prior: its
// logarithm is normal about -1 with the variance 4. These figures were found
// on simulated ground, moon and even scenes other than those of the tests, such
// that pulls have a standard deviation near 1; they matter where noise hides
// the structure and where trials are few.
const (
	factorLow       = -32 // half octaves
	factorHigh      = 10
	priorMean       = -1.0
	priorVariance   = 4.0
	logOfHalfOctave = math.Ln2 / 2
)

// judge gives the variance of interpolation f m that is the most probable for
// trials with the mean squared error r and the mean noise q, where the
// variogram leads to the variance m: it has the least of
//
//	n/2 (ln(f m + q) + r/(f m + q)) + (ln f - mean)^2 / (2 variance)
//
// which is the likelihood of n normal errors, and the prior.
//
// Where the surroundings vary as nothing else in the window does, they may
// hold a step that nobody has seen the like of. One of height h, which may be
// anywhere in the hole, has the variance h^2/12, and makes the neighbours vary
// by h^2/4: a third of how much they vary is added to m, by the share of the
// trials that are not alike.
func judge(trials []trial, structure, varies float64) float64 {
	var n, squared, noise float64
	for _, t := range trials {
		w := min(1, alike*alike/(t.unlike*t.unlike))
		n, squared, noise = n+w, squared+w*t.squared, noise+w*t.noise
	}
	share := 0.0
	if n > 0 {
		share = n / float64(len(trials))
		squared, noise = max(squared/n, 0), noise/n
	}
	structure += varies / 3 * (1 - share)
	best, least := structure, math.Inf(1)
	for i := factorLow; i <= factorHigh; i++ {
		f := float64(i) * logOfHalfOctave
		m := math.Exp(f) * structure
		cost := (f - priorMean) * (f - priorMean) / (2 * priorVariance)
		if n > 0 {
			cost += n / 2 * (math.Log(m+noise) + squared/(m+noise))
		}
		if cost < least {
			best, least = m, cost
		}
	}
	return best
}

// nearestFirst moves the n trials that are most alike to the front (Hoare's
// FIND).
func nearestFirst(t []trial, n int) {
	lo, hi := 0, len(t)-1
	for lo < hi {
		pivot := t[lo+(hi-lo)/2].unlike
		i, j := lo, hi
		for i <= j {
			for t[i].unlike < pivot {
				i++
			}
			for pivot < t[j].unlike {
				j--
			}
			if i <= j {
				t[i], t[j] = t[j], t[i]
				i, j = i+1, j-1
			}
		}
		switch {
		case n-1 <= j:
			hi = j
		case n-1 >= i:
			lo = i
		default:
			return
		}
	}
}
