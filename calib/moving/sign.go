package moving

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/mat"
)

// The departures of the bands from one another leave open, with two bands or
// with a way that is short against the size, whether something bright went
// one way or something dark went the other, and then only the product of
// contrast and way is known. The brightness that the bands share tells: it
// has a bright or a dark trace there. How far it can be trusted follows from
// how rough the ground is at that size.

const (
	// knownContrast is the ratio of a contrast to its uncertainty above which
	// the brightness is not asked for it.
	knownContrast = 5
	// roughMargin widens the scatter of the ground at the size of the mover,
	// since ground is rougher in places than its median tells.
	roughMargin = 2
	// traceError is the relative error of the linear estimate of a trace.
	traceError = 0.1
	// traceSigma is how far, in units of its uncertainty, the trace may be
	// from a contrast that two bands show. Spots of colour have none.
	traceSigma = 4
	// groundWeight makes the least scatter that the filter reports a
	// contrast of about 1e-4.
	groundWeight = 1e8
)

// settleSign returns the fit that the brightness favours. The contrast is
// held to that of the brightness only where the departures do not tell it.
func (f *finder) settleSign(c *candidate, win *window, fit *blobFit) (*blobFit, bool) {
	contrast, sigma := fit.meanContrast()
	known := math.Abs(contrast) > knownContrast*sigma*inflation(c, win, fit)
	if known && f.bands > 2 && !fit.wayWithin(blended) {
		return fit, true
	}
	trace, ok := win.trace(fit)
	if !ok {
		return fit, true
	}
	rough := c.filter.roughness(fit.places()) * roughMargin * math.Sqrt(float64(f.bands))
	spread := math.Hypot(rough, traceError*trace)
	var best *blobFit
	for _, start := range [...][]float64{fit.par, fit.mirrored(), fit.stretched(contrast, trace)} {
		fitting := newFitting(win, moving, math.Log(c.filter.sigma), contrast)
		fitting.clear(&blobFit{layout: fit.layout, par: start})
		fitting.expect(trace, spread)
		other, ok := fitting.run(start, finalSteps, finalGain)
		if ok && (best == nil || other.chi2 < best.chi2) {
			best = other
		}
	}
	if best == nil {
		return nil, false
	}
	if known {
		found, _ := best.meanContrast()
		if f.bands == 2 && math.Abs(found-trace) > traceSigma*spread {
			return nil, false
		}
		fitting := newFitting(win, moving, math.Log(c.filter.sigma), contrast)
		fitting.clear(best)
		if best, ok = fitting.run(best.par, finalSteps, finalGain); !ok {
			return nil, false
		}
	}
	return best, f.staysNear(c, best)
}

// mostStretch bounds how far a way is stretched for another start.
const mostStretch = 5

// stretched returns parameters that have another contrast and the same
// product of contrast and way: the places move away from their centre, or
// towards it, or beyond it where the sign changes.
func (fit *blobFit) stretched(contrast, wanted float64) []float64 {
	par := slices.Clone(fit.par)
	factor := min(max(contrast/wanted, -mostStretch), mostStretch)
	if math.Abs(factor) < 1.0/mostStretch {
		factor = math.Copysign(1.0/mostStretch, factor)
	}
	fit.moveFromCentre(par, factor)
	par[fit.common()] /= factor
	par[fit.veil()] /= factor
	for b := range fit.bands {
		par[fit.contrast(b)] /= factor
	}
	return par
}

// trace returns the contrast that the brightness in the window shows for the
// mean of the blobs of all bands, over a ground that is quadratic in each
// group of places.
func (win *window) trace(fit *blobFit) (float64, bool) {
	n := 1 + groundTerms*win.colours
	normal, right := mat.NewSymDense(n, nil), mat.NewVecDense(n, nil)
	row := make([]float64, n)
	for k := range win.samples {
		s := &win.samples[k]
		if win.level.bright[s.index] <= 0 {
			continue
		}
		clear(row)
		row[0] = win.meanShape(fit, k)
		copy(row[1+groundTerms*s.group:], s.basis[:])
		v := math.Log(float64(win.level.bright[s.index]))
		for i, a := range row {
			if a == 0 {
				continue
			}
			right.SetVec(i, right.AtVec(i)+a*v)
			for j := i; j < n; j++ {
				normal.SetSym(i, j, normal.At(i, j)+a*row[j])
			}
		}
	}
	var chol mat.Cholesky
	var par mat.VecDense
	if !chol.Factorize(normal) || chol.SolveVecTo(&par, right) != nil {
		return 0, false
	}
	return math.Expm1(par.AtVec(0)), true
}

// meanShape returns sum_b w_b m_b / sum_b w_b at a sample.
func (win *window) meanShape(fit *blobFit, k int) float64 {
	s := &win.samples[k]
	var all, mean float64
	for b, w := range win.w[k*fit.bands:][:fit.bands] {
		all += w
		mean += w * fit.shapeAt(fit.par, b, s.x, s.y)
	}
	return mean / all
}

// roughness returns the standard deviation, as a contrast, of the answers of
// the filter to the brightness of the ground, the largest at the places.
func (f *filtered) roughness(at []point) float64 {
	f.groundOnce.Do(func() { f.ground = newFiltered(f.level.brightness(), f.sigma, 1) })
	l := f.level
	var most float64
	for _, p := range at {
		x := min(max(int(p.x+0.5), 0), l.width-1)
		y := min(max(int(p.y+0.5), 0), l.height-1)
		v := float64(f.ground.vary[0][y*l.width+x])
		if v <= 0 {
			return 1
		}
		most = max(most, float64(f.ground.clutter[0].at(x, y))/(answerGain*math.Sqrt(v)))
	}
	return most
}

// brightness returns a level whose only band is the logarithm of the
// brightness, with even weights.
func (l *level) brightness() *level {
	b := newLevel(1, l.bin, l.width, l.height)
	for i, v := range l.bright {
		if v > 0 {
			b.w[0][i] = groundWeight
			b.wu[0][i] = groundWeight * float32(math.Log(float64(v)))
		}
	}
	return b
}
