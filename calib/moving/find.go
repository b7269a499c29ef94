package moving

import (
	"cmp"
	"math"
	"slices"

	"gonum.org/v1/gonum/mat"

	"evenlight/calib"
)

const (
	// findWindow is half the width, in units of the largest size looked for,
	// of the window over which Find takes the colour of the ground to be
	// even. The fits allow for more.
	findWindow = 4
	// mostFits bounds the candidates that are fitted, the best first.
	mostFits = 150
	// smallest is the sigma, in pixels, below which a blob is rather a hit or
	// a bad pixel.
	smallest = 1.8
	// oversize is how far a fitted size may exceed the largest asked for.
	oversize = 1.1
	// leastContrastSigma is the least contrast in units of its uncertainty.
	// Only what hardly moves against its size fails it.
	leastContrastSigma = 2.5
	// veilSigma is how far, in units of its uncertainty, the opacity may be
	// from what is possible.
	veilSigma = 4
	// mostContrast is the largest contrast of a mover.
	mostContrast = 1
	// mostUnlike is how far the contrast of a band may differ from the mean
	// of all bands, relative to it; mostUnlikeTwo where there are only two.
	// What has a colour of its own, before coloured ground, may stand out
	// several times as much in one band as in another. Two bands cannot tell
	// that from two coloured spots.
	mostUnlike    = 0.8
	mostUnlikeTwo = 0.2
	// leastExplained is the least share of the disagreement in the window
	// that the mover must account for; leastExplainedWeak where a pair of
	// spots that stand still could do as well: two bands, a whole way shorter
	// than shortWay sizes, or uneven motion.
	leastExplained     = 0.8
	leastExplainedWeak = 0.95
	shortWay           = 1.5
	// blended is the way, in sizes, below which the traces run into one
	// another.
	blended = 2
	// standingSigma is the least significance against a feature that stands
	// still. It is less than that of a mover, since it is asked once for each
	// candidate and not for every way over the image.
	standingSigma = 5
	// leftSigma is the least significance that a mover must have without any
	// one band, of three or more. Without a band a mover of Options.MinSigma
	// has half to two thirds of it; a hit in one band has nothing.
	leftSigma = 4
	// unevenMargin is how much more significant than others a mover without
	// even motion must be, since it may choose its place in each band freely.
	unevenMargin = 1.5
	// trialShare is the share of the demands that a first, short fit must meet.
	trialShare = 0.5
)

// Position is a place in the image, px.
type Position struct{ X, Y, SigmaX, SigmaY float64 }

// Displacement is the way of a mover from one band to another, px. Its
// uncertainty holds that of the alignment of both bands.
type Displacement struct {
	From, To               int // bands, counted from 0
	DX, DY, SigmaX, SigmaY float64
}

// Mover is something that moved between the bands.
type Mover struct {
	// Positions holds the centre in each band, in the order of the bands.
	// The uncertainty is that of the place on the band's own pixels.
	Positions []Position
	// SizePx is the sigma of the round Gaussian that fits best, px.
	SizePx, SizeSigmaPx float64
	// AreaPx is the area of an even disc of the same peak and the same sum,
	// 2 pi SizePx^2, px^2.
	AreaPx float64
	// Contrast is that of the peak relative to the ground, the mean of the
	// bands; BandContrast is that of each band. Negative: darker.
	Contrast, ContrastSigma float64
	BandContrast            []float64
	// Significance is sqrt(chi2 without mover - chi2 with it - number of its
	// parameters), with chi2 in units of the scatter of the surroundings. A
	// mover whose motion is inconsistent needs 1.5 times Options.MinSigma.
	Significance float64
	// Explained is the share of the disagreement that the mover accounts
	// for, beyond noise.
	Explained float64
	// Displacements holds every pair of bands, the first band first.
	Displacements []Displacement
	// Motion says whether the places fit even motion; ChiSquare with DOF
	// degrees of freedom is what that rests on.
	Motion    Motion
	ChiSquare float64
	DOF       int
	// Velocity is nil where there are no times or all are equal. It includes
	// the uncertainty of the alignment. Of an inconsistent mover it is the
	// mean velocity.
	Velocity *Velocity
}

// Find lists what moved between the aligned bands, the most significant
// first. times holds when each band was exposed, s from any origin; without
// times, or with equal ones, movers have displacements and no velocity.
//
// A matched filter for round blobs runs over the departures of each band from
// the ground that is common to all, in sizes two to an octave. From every
// extremum the best trajectory of even motion is sought, and the best chain
// of any motion for three bands and more. The best are fitted, with a place
// in each band, a common size and opacity, and a contrast of each band; over a
// ground whose colour is of third order in x and y, with a shift of each band
// and light that shading does not dim. A mover must be significant against
// nothing being there, against a feature that stands still with any colour,
// and, of three bands or more, without any one of them; it must have the same
// sign in all bands and contrasts within 80 % of their mean (20 % of two
// bands), and account for 80 % of the disagreement there; for 95 % where a
// pair of coloured spots could do as well, which is so with two bands, with
// a whole way under one and a half sigmas, and with uneven motion.
//
// Two movers nearer than two sigmas in one band are found as one.
// Uncertainties come from the curvature of chi-square at its minimum, times
// the factor by which the surroundings, or what the fit leaves, scatter more
// than noise. For movers whose way is much shorter than their size, contrast
// and way are only known as a product, and the uncertainties of both are large.
//
// The result is the same for any number of workers. Errors: ErrBands,
// ErrTimes, ErrNoOverlap, ErrOption.
func Find(bands []*calib.Raster, times []float64, opt Options, workers int) ([]Mover, error) {
	opt, err := opt.withDefaults()
	if err != nil {
		return nil, err
	}
	if err := checkBands(bands); err != nil {
		return nil, err
	}
	if err := checkTimes(times, len(bands)); err != nil {
		return nil, err
	}
	g, err := newGround(bands, opt.WindowPx, opt.AlignSigmaPx, workers)
	if err != nil {
		return nil, err
	}
	g.smoothColour(int(findWindow*opt.MaxSizePx), 1, workers)
	g.solveBrightness(workers)
	f := &finder{
		opt: opt, times: times, line: newTimeline(times, len(bands)), bands: len(bands),
		levels: newLevels(g, opt.MaxSizePx, workers),
	}
	f.sift(f.collect(workers), workers)
	return f.movers, nil
}

// finder holds the state of one run of Find.
type finder struct {
	opt    Options
	times  []float64
	line   timeline
	bands  int
	levels []*level
	taken  []trace // what needs no second look
	movers []Mover
}

// trace is where a mover, or a candidate that was refused, stands.
type trace struct {
	at      []point // px
	sigma   float64 // px
	refused bool
}

// collect searches all sizes and returns the candidates, the best first.
func (f *finder) collect(workers int) []candidate {
	var all []candidate
	for _, l := range f.levels {
		for _, sigma := range [2]float64{scaleFirst, scaleSecond} {
			filter := newFiltered(l, sigma, workers)
			all = append(all, newSearch(filter, f.line, f.opt.MaxShiftPx).candidates(workers)...)
		}
	}
	all = slices.DeleteFunc(all, func(c candidate) bool { return c.sigmas < f.opt.MinSigma*c.clutter/2 })
	slices.SortStableFunc(all, func(a, b candidate) int { return cmp.Compare(b.merit, a.merit) })
	return all
}

// sift fits the candidates in batches and keeps what stands the tests. An
// accepted mover is taken off the levels, so the rest of its batch is fitted
// anew.
func (f *finder) sift(all []candidate, workers int) {
	const batch = 8
	for fits, next := 0, 0; next < len(all) && fits < mostFits; {
		var chosen []*candidate
		for ; next < len(all) && len(chosen) < batch; next++ {
			if c := &all[next]; !f.seen(c.trace()) && !isRepeat(c, chosen) {
				chosen = append(chosen, c)
			}
		}
		verdicts := make([]verdict, len(chosen))
		inParallel(len(chosen), workers, func(i int) { verdicts[i] = f.examine(chosen[i]) })
		for i, v := range verdicts {
			fits++
			if f.settle(chosen[i], v) {
				next -= countFrom(all[:next], chosen[i])
				break
			}
		}
	}
	slices.SortStableFunc(f.movers, func(a, b Mover) int { return cmp.Compare(b.Significance, a.Significance) })
}

// isRepeat tells whether a candidate is the same as one that is chosen already,
// whose verdict will serve for both.
func isRepeat(c *candidate, chosen []*candidate) bool {
	return slices.ContainsFunc(chosen, func(o *candidate) bool { return c.trace().sharesAll(o.trace()) })
}

// countFrom returns how many candidates come after c.
func countFrom(all []candidate, c *candidate) int {
	for i := range all {
		if &all[i] == c {
			return len(all) - i - 1
		}
	}
	return 0
}

// settle takes note of a verdict and tells whether it is a mover.
func (f *finder) settle(c *candidate, v verdict) bool {
	t := c.trace()
	if v.mover == nil {
		t.refused = true
		f.taken = append(f.taken, t)
		return false
	}
	f.movers = append(f.movers, *v.mover)
	f.taken = append(f.taken, v.mover.trace())
	for _, l := range f.levels {
		v.fit.subtract(c.filter.level, l)
	}
	return true
}

func (c *candidate) trace() trace {
	l := c.filter.level
	t := trace{sigma: c.filter.sigma * float64(l.bin)}
	for _, p := range c.at {
		t.at = append(t.at, point{l.pixel(p.x), l.pixel(p.y)})
	}
	return t
}

func (m *Mover) trace() trace {
	t := trace{sigma: m.SizePx}
	for _, p := range m.Positions {
		t.at = append(t.at, point{p.X, p.Y})
	}
	return t
}

// seen tells whether a trace shares a place, in one band, with a mover that
// was accepted, or all its places with one that was refused.
func (f *finder) seen(t trace) bool {
	return slices.ContainsFunc(f.taken, func(o trace) bool {
		if o.refused {
			return t.sharesAll(o)
		}
		return t.shared(o, 2*max(t.sigma, o.sigma)) > 0
	})
}

// sharesAll tells whether two traces are the same to within their sizes.
func (t trace) sharesAll(o trace) bool { return t.shared(o, min(t.sigma, o.sigma)) == len(t.at) }

// shared counts the bands in which two traces are nearer than reach.
func (t trace) shared(o trace, reach float64) int {
	near := 0
	for b, p := range t.at {
		if p.squared(o.at[b]) < reach*reach {
			near++
		}
	}
	return near
}

// verdict is the outcome of a candidate; mover is nil if it is none.
type verdict struct {
	fit   *blobFit
	mover *Mover
}

// examine fits a candidate and puts it to the tests.
func (f *finder) examine(c *candidate) verdict {
	win, fit, ok := f.fitMoving(c)
	if !ok {
		return verdict{}
	}
	if fit, ok = f.settleSign(c, win, fit); !ok || !f.plausible(c, fit) {
		return verdict{}
	}
	g := win.gain(fit)
	inflation := inflation(c, win, fit)
	significance := f.significance(g.chi2 / (inflation * inflation))
	if significance < f.opt.MinSigma || g.explained < leastExplained {
		return verdict{}
	}
	if !f.standsRivals(win, fit, inflation) {
		return verdict{}
	}
	m := f.describe(c.filter.level, fit, inflation*inflation)
	if g.explained < leastExplainedWeak && f.isWeak(fit, m.Motion) {
		return verdict{}
	}
	if m.Motion == Inconsistent && significance < unevenMargin*f.opt.MinSigma {
		return verdict{}
	}
	m.Significance, m.Explained = significance, g.explained
	return verdict{fit, m}
}

// standsRivals tells whether a fit is better than a feature that stands still,
// and than something that is in one band only.
func (f *finder) standsRivals(win *window, fit *blobFit, inflation float64) bool {
	still, left := standingSigma*inflation, leftSigma*inflation
	if f.bestStanding(win, fit)-fit.chi2 < still*still {
		return false
	}
	return f.bands == 2 || f.leastLeft(win, fit) >= left*left
}

// significance turns the chi-square that a mover gains into sigmas, less what
// its size, its contrast and its places gain on noise.
func (f *finder) significance(chi2 float64) float64 {
	return math.Sqrt(max(0, chi2-float64(2+2*f.bands)))
}

// inflation returns the factor by which uncertainties are raised: what the
// surroundings scatter more than noise does, or what the fit leaves.
func inflation(c *candidate, win *window, fit *blobFit) float64 {
	return max(c.clutter, math.Sqrt(max(1, fit.chi2/float64(win.dof))))
}

// isWeak tells whether a pair of coloured spots could stand for the mover.
func (f *finder) isWeak(fit *blobFit, motion Motion) bool {
	return f.bands == 2 || motion == Inconsistent || fit.wayWithin(shortWay)
}

// wayWithin tells whether the whole way of a mover is less than so many sigmas
// of its size.
func (fit *blobFit) wayWithin(sigmas float64) bool {
	reach := sigmas * fit.sigma()
	return longestSquared(fit.places()) < reach*reach
}

// gain is what a blob explains of the disagreement in a window.
type gain struct {
	chi2      float64 // against the ground alone
	explained float64 // share of what noise leaves
}

func (win *window) gain(fit *blobFit) gain {
	fitting := newFitting(win, nothing, 0, 0)
	fitting.dark = fit.dark
	empty, ok := fitting.run(make([]float64, fitting.total()), trialSteps, trialGain)
	if !ok {
		return gain{}
	}
	g := gain{chi2: empty.chi2 - fit.chi2}
	if g.chi2 > 0 {
		g.explained = g.chi2 / (g.chi2 + max(0, fit.chi2-float64(win.dof)))
	}
	return g
}

// fitMoving fits a candidate as a mover, twice. The first fit is short and
// sends away what explains little; the second one has its window around the
// places that the first one found.
func (f *finder) fitMoving(c *candidate) (*window, *blobFit, bool) {
	l := c.filter.level
	win := newWindow(l, c.at, c.filter.sigma, f.opt.AlignSigmaPx)
	contrast := c.contrast()
	fitting := newFitting(win, moving, math.Log(c.filter.sigma), contrast)
	fit, ok := fitting.run(fitting.startAt(c.at, c.filter.sigma, contrast), trialSteps, trialGain)
	if !ok || !f.staysNear(c, fit) {
		return nil, nil, false
	}
	least := f.opt.MinSigma * c.clutter * trialShare
	if g := win.gain(fit); g.explained < trialShare || g.chi2 < least*least {
		return nil, nil, false
	}
	contrast, _ = fit.meanContrast()
	win = newWindow(l, fit.places(), fit.sigma(), f.opt.AlignSigmaPx)
	fitting = newFitting(win, moving, math.Log(c.filter.sigma), contrast)
	fitting.clear(fit)
	fit, ok = fitting.run(fitting.startAt(fit.places(), fit.sigma(), contrast), finalSteps, finalGain)
	return win, fit, ok && f.staysNear(c, fit)
}

// startAt returns parameters for the start of a fit of a mover.
func (f *fitting) startAt(at []point, sigma, contrast float64) []float64 {
	start := make([]float64, f.total())
	start[sizeAt], start[f.common()] = math.Log(sigma), contrast
	for b, p := range at {
		start[f.contrast(b)] = contrast
		start[f.place(b)], start[f.place(b)+1] = p.x, p.y
	}
	return start
}

// contrast estimates the contrast of a candidate for the start of the fit.
func (c *candidate) contrast() float64 {
	var answer, want float64
	for b, p := range c.at {
		l := c.filter.level
		i := int(math.Floor(p.y+0.5))*l.width + int(math.Floor(p.x+0.5))
		answer += c.sign * float64(c.filter.answer[b][i])
		want += float64(c.filter.vary[b][i])
	}
	return c.sign * min(max(answer/(want*answerGain), leastContrast), 0.5)
}

// staysNear tells whether a fit kept to its candidate and to the image.
func (f *finder) staysNear(c *candidate, fit *blobFit) bool {
	l, sigma := c.filter.level, fit.sigma()
	if !(sigma > c.filter.sigma/3 && sigma < c.filter.sigma*3) {
		return false
	}
	reach := 4 * c.filter.sigma
	for b, p := range fit.places() {
		inside := p.x >= 0 && p.y >= 0 && p.x <= float64(l.width-1) && p.y <= float64(l.height-1)
		if !inside || p.squared(c.at[b]) > reach*reach {
			return false
		}
	}
	return true
}

// plausible tells whether a fit has the size, contrast and way of a mover.
func (f *finder) plausible(c *candidate, fit *blobFit) bool {
	bin := float64(c.filter.level.bin)
	size := fit.sigma() * bin
	contrast, sigma := fit.meanContrast()
	if math.Abs(contrast) < leastContrastSigma*sigma || !fit.canCover(contrast) {
		return false
	}
	if size < smallest || size > oversize*f.opt.MaxSizePx || math.Abs(contrast) > mostContrast {
		return false
	}
	unlike := mostUnlike
	if f.bands == 2 {
		unlike = mostUnlikeTwo
	}
	for b := range f.bands {
		if !(math.Abs(fit.par[fit.contrast(b)]/contrast-1) <= unlike) {
			return false
		}
	}
	at := fit.places()
	for i, b := range f.line.order[1:] {
		if math.Sqrt(at[b].squared(at[f.line.order[i]]))*bin > f.opt.MaxShiftPx {
			return false
		}
	}
	return math.Sqrt(longestSquared(at))*bin >= f.opt.MinShiftPx
}

// leastLeft returns what a mover still gains in chi-square when the band that
// it owes most to is taken away. A hit, or a pixel that is wrong in one band,
// leaves nothing.
func (f *finder) leastLeft(win *window, moved *blobFit) float64 {
	least := math.Inf(1)
	for b := range f.bands {
		rest := win.without(b)
		fitting := newFitting(rest, moving, moved.par[sizeAt], moved.par[moved.common()])
		fitting.clear(moved)
		for i := range 2 { // the band tells nothing of its place any more
			fitting.priors = append(fitting.priors, prior{fitting.place(b) + i, moved.par[moved.place(b)+i], 1})
		}
		fit, ok := fitting.run(moved.par, trialSteps, trialGain)
		if !ok {
			return 0
		}
		least = min(least, rest.gain(fit).chi2)
	}
	return least
}

// canCover tells whether the opacity is one that something can have: up to 1,
// and below 0 no further than for a change of the light that falls there,
// within its uncertainty.
func (fit *blobFit) canCover(contrast float64) bool {
	opacity, sigma := fit.par[fit.veil()], math.Sqrt(fit.covariance.At(fit.veil(), fit.veil()))
	return opacity < 1+veilSigma*sigma && opacity > -math.Abs(contrast)-veilSigma*sigma
}

// bestStanding returns chi-square of the best feature that stands still in
// the window, tried from each place of the mover.
func (f *finder) bestStanding(win *window, moved *blobFit) float64 {
	fitting := newFitting(win, standing, moved.par[sizeAt], 0)
	fitting.dark = moved.dark
	best := math.Inf(1)
	for b, p := range moved.places() {
		start := make([]float64, fitting.total())
		start[sizeAt] = moved.par[sizeAt]
		start[fitting.contrast(b)] = moved.par[moved.contrast(b)]
		start[fitting.place(b)], start[fitting.place(b)+1] = p.x, p.y
		if fit, ok := fitting.run(start, finalSteps, trialGain); ok {
			best = min(best, fit.chi2)
		}
	}
	return best
}

// describe turns a fit on a level into a mover on the image. spread is the
// factor by which variances are raised, 1 or more.
func (f *finder) describe(l *level, fit *blobFit, spread float64) *Mover {
	bin, n := float64(l.bin), f.bands
	sigmaOf := func(i int) float64 { return math.Sqrt(fit.covariance.At(i, i) * spread) }
	m := &Mover{}
	// Sums over cells broaden a blob by (bin^2 - 1)/12 px^2 and lower its peak.
	broad := fit.sigma() * bin
	m.SizePx = math.Sqrt(max(broad*broad-(bin*bin-1)/12, 1))
	peak := broad * broad / (m.SizePx * m.SizePx)
	m.SizeSigmaPx = sigmaOf(sizeAt) * broad * broad / m.SizePx
	m.AreaPx = 2 * math.Pi * m.SizePx * m.SizePx
	m.Contrast, m.ContrastSigma = fit.meanContrast()
	m.Contrast, m.ContrastSigma = m.Contrast*peak, m.ContrastSigma*peak*math.Sqrt(spread)
	for b, p := range fit.places() {
		m.BandContrast = append(m.BandContrast, fit.par[fit.contrast(b)]*peak)
		m.Positions = append(m.Positions, Position{
			l.pixel(p.x), l.pixel(p.y), sigmaOf(fit.place(b)) * bin, sigmaOf(fit.place(b)+1) * bin,
		})
	}
	covariance := mat.NewSymDense(2*n, nil)
	first := fit.place(0)
	for i := range 2 * n {
		for j := i; j < 2*n; j++ {
			covariance.SetSym(i, j, fit.covariance.At(first+i, first+j)*spread*bin*bin)
		}
		covariance.SetSym(i, i, covariance.At(i, i)+f.opt.AlignSigmaPx*f.opt.AlignSigmaPx)
	}
	m.displace(covariance)
	f.setMotion(m, covariance)
	return m
}

// displace fills in the displacements.
func (m *Mover) displace(covariance *mat.SymDense) {
	spread := func(i, j int) float64 {
		return math.Sqrt(max(0, covariance.At(i, i)+covariance.At(j, j)-2*covariance.At(i, j)))
	}
	for to := range m.Positions {
		for from := range to {
			m.Displacements = append(m.Displacements, Displacement{
				From: from, To: to,
				DX: m.Positions[to].X - m.Positions[from].X, DY: m.Positions[to].Y - m.Positions[from].Y,
				SigmaX: spread(2*from, 2*to), SigmaY: spread(2*from+1, 2*to+1),
			})
		}
	}
}

// setMotion fits even motion where there are times.
func (f *finder) setMotion(m *Mover, covariance *mat.SymDense) {
	if allEqual(f.times) {
		return
	}
	var at []float64
	for _, p := range m.Positions {
		at = append(at, p.X, p.Y)
	}
	velocity, chi2, ok := fitMotion(at, covariance, f.times, f.opt.MetrePerPx)
	if !ok {
		return
	}
	m.Velocity, m.ChiSquare, m.DOF = velocity, chi2, 2*f.bands-4
	m.Motion = judgeMotion(chi2, f.bands)
}
