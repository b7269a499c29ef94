package moving

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/mat"
)

// What a fit holds to be likely beforehand, as standard deviations of
// relative figures, and how it is run.
const (
	contrastPrior = 1.0  // contrast of a blob
	bandSpread    = 0.3  // contrast of a band about the mover's, relative to it
	veilPrior     = 0.5  // opacity of a mover
	sizePrior     = 0.7  // natural logarithm of the size, about the filter's
	groundPrior   = 1.0  // each coefficient of the colour of the ground
	leastContrast = 0.02 // that scales bandSpread
	mostDark      = 3    // how much darker or brighter than its mean the ground may be
	fitReach      = 3.5  // radius of the window in units of sigma
	groundTerms   = 10   // of a polynomial of third order in x and y
	termsPerBand  = groundTerms + 3
	shadeTerm     = groundTerms + 2
	shadePrior    = 0.3  // light of a band that shading does not dim, relative to the ground's
	finalSteps    = 30   // of a fit that is kept
	finalGain     = 1e-3 // of chi-square, below which it has converged
	trialSteps    = 8    // of a fit that only tells whether to go on
	trialGain     = 0.1
)

// hypothesis is what a fit supposes beside the ground.
type hypothesis int

const (
	nothing  hypothesis = iota
	standing            // a blob at one place, with a contrast of its own in each band
	moving              // a blob of like contrasts, at a place of its own in each band
)

// layout says where the parameters of a fit are. The size is the natural
// logarithm of sigma in cells; contrasts are of the peak relative to the
// ground; the background of a band is the colour of the ground in each group
// of places, of third order in x and y, its shift in px along x and y, and the
// light that does not dim where the ground is shaded.
type layout struct {
	suppose       hypothesis
	bands, groups int
}

const sizeAt = 0

func (l layout) common() int { return 1 }

// veil is the opacity of a mover.
func (l layout) veil() int { return 2 }

func (l layout) contrast(b int) int {
	if l.suppose == moving {
		return 3 + b
	}
	return 1 + b
}

func (l layout) place(b int) int {
	if l.suppose == moving {
		return 3 + l.bands + 2*b
	}
	return 1 + l.bands
}

// blob is the number of parameters that are not background.
func (l layout) blob() int {
	switch l.suppose {
	case moving:
		return 3 + 3*l.bands
	case standing:
		return 3 + l.bands
	default:
		return 0
	}
}

// local is the number of parameters that a sample depends on.
func (l layout) local() int { return l.blob() + l.bands*termsPerBand }

func (l layout) total() int { return l.blob() + l.groups*l.bands*termsPerBand }

// global turns the index of a parameter within a group into its index among
// all.
func (l layout) global(i, group int) int {
	if i < l.blob() {
		return i
	}
	return i + group*l.bands*termsPerBand
}

// prior holds a parameter near a value.
type prior struct {
	index  int
	value  float64
	weight float64 // 1/variance
}

// fitting is one least-squares problem. It minimises
//
//	sum over cells and bands of w (r - mean r)^2 + priors,
//	r_b = u_b - [ (1 + h_b m_b)/(1 + sum_c s_c h_c m_c) - 1 ] - background_b,
//	h_b = (a_b + o)/R - o,
//
// the mean r and s_c taken with the weights of the bands. Taking the mean off
// is the exact elimination of a brightness that is free in each cell. R is the
// brightness of the ground behind the mover relative to its mean there: what
// covers the share o of the ground and has a brightness of its own stands out
// more from dark ground than from bright. a_b is the contrast against the mean.
type fitting struct {
	layout
	*window
	priors []prior
	link   float64      // weight of (a_b - c)^2
	slopes [][2]float64 // of each sample, minus the slope of ln of the ground's brightness
	dark   []float64    // of each sample, 1/R; 1 as long as no mover is cleared
	behind float64      // mean brightness behind the mover, 0 as long as it is not cleared
	normal *normal
	// What a sample gives for the parameters at hand.
	rows    [][]float64 // derivatives of the blob, by band
	r       []float64   // residual, by band
	shape   []float64   // m_b
	inverse float64     // 1/sigma^2
}

// blobFit is the result of a fit.
type blobFit struct {
	layout
	par        []float64
	behind     float64      // of the fitting
	dark       []float64    // of the fitting
	chi2       float64      // with the priors' part
	covariance mat.SymDense // of a mover
}

func newFitting(win *window, suppose hypothesis, sizeStart, contrastStart float64) *fitting {
	f := &fitting{layout: layout{suppose, len(win.level.w), win.colours}, window: win}
	if suppose != nothing {
		f.priors = append(f.priors, prior{sizeAt, sizeStart, 1 / (sizePrior * sizePrior)})
		for b := range f.bands {
			f.priors = append(f.priors, prior{f.contrast(b), 0, 1 / (contrastPrior * contrastPrior)})
		}
	}
	if suppose == moving {
		spread := bandSpread * max(math.Abs(contrastStart), leastContrast)
		f.link = 1 / (spread * spread)
		f.priors = append(f.priors, prior{f.veil(), 0, 1 / (veilPrior * veilPrior)})
	}
	align := max(win.alignSigma, 1e-3)
	for k := f.blob(); k < f.total(); k++ {
		weight := 1 / (groundPrior * groundPrior)
		switch (k - f.blob()) % termsPerBand {
		case groundTerms, groundTerms + 1:
			weight = 1 / (align * align)
		case shadeTerm:
			weight = 1 / (shadePrior * shadePrior)
		}
		f.priors = append(f.priors, prior{k, 0, weight})
	}
	for range f.bands {
		f.rows = append(f.rows, make([]float64, f.blob()))
	}
	f.r, f.shape = make([]float64, f.bands), make([]float64, f.bands)
	f.dark = make([]float64, len(win.samples))
	for i := range win.samples {
		f.slopes = append(f.slopes, win.samples[i].slope)
		f.dark[i] = 1
	}
	return f
}

// own lists the parameters of the blob that band b depends on.
func (l layout) own(b int) []int {
	switch l.suppose {
	case moving:
		return []int{sizeAt, l.veil(), l.contrast(b), l.place(b), l.place(b) + 1}
	case standing:
		return []int{sizeAt, l.contrast(b), l.place(b), l.place(b) + 1}
	default:
		return nil
	}
}

// clear takes a mover off the brightness that the bands share, and off its
// slopes: they are those of the ground only where nothing moved.
func (f *fitting) clear(moved *blobFit) {
	bin := float64(f.level.bin)
	var shapes, inverse float64
	for k := range f.samples {
		s := &f.samples[k]
		var all, mean, shape, slopeX, slopeY float64
		for b, w := range f.w[k*f.bands:][:f.bands] {
			m := moved.shapeAt(moved.par, b, s.x, s.y)
			v := moved.par[moved.contrast(b)] * m
			steep := -v * inverseSize(moved.par)
			all += w
			mean += w * v
			shape += w * m
			slopeX += w * steep * (s.x - moved.par[moved.place(b)])
			slopeY += w * steep * (s.y - moved.par[moved.place(b)+1])
		}
		dim := (all + mean) * bin
		f.slopes[k] = [2]float64{s.slope[0] + slopeX/dim, s.slope[1] + slopeY/dim}
		f.dark[k] = 0
		if bright := float64(f.level.bright[s.index]); bright > 0 && mean > -all {
			f.dark[k] = (1 + mean/all) / bright
			shapes += shape / all
			inverse += shape / all * f.dark[k]
		}
	}
	f.behind = shapes / inverse
	for k, v := range f.dark {
		f.dark[k] = relativeDark(v * f.behind)
	}
}

// expect holds the common contrast near a value.
func (f *fitting) expect(contrast, sigma float64) {
	f.priors = append(f.priors, prior{f.common(), contrast, 1 / (sigma * sigma)})
}

// run minimises from a start by Levenberg's and Marquardt's method, in so many
// steps at most, until chi-square gains less than enough.
func (f *fitting) run(start []float64, steps int, enough float64) (*blobFit, bool) {
	n := f.total()
	f.normal = newNormal(f)
	par, trial := slices.Clone(start), make([]float64, n)
	h, g := mat.NewSymDense(n, nil), mat.NewVecDense(n, nil)
	solver := newSolver(n)
	chi2 := f.assemble(par, h, g)
	damping := 1e-3
	for range steps {
		step, ok := solver.step(h, g, damping)
		if !ok {
			damping *= 10
			continue
		}
		for i, d := range step {
			trial[i] = par[i] + d
		}
		now := f.chiSquare(trial)
		if !(now <= chi2) {
			if damping *= 5; damping > 1e8 {
				break
			}
			continue
		}
		gained := chi2 - now
		copy(par, trial)
		chi2 = f.assemble(par, h, g)
		damping = max(damping/5, 1e-9)
		if gained < enough {
			break
		}
	}
	fit := &blobFit{layout: f.layout, par: par, behind: f.behind, dark: f.dark, chi2: chi2}
	return fit, f.suppose != moving || fit.invert(h)
}

// invert sets the covariance of a mover from the normal matrix.
func (fit *blobFit) invert(h *mat.SymDense) bool {
	var chol mat.Cholesky
	return chol.Factorize(h) && chol.InverseTo(&fit.covariance) == nil
}

// chiSquare returns the sum that is minimised.
func (f *fitting) chiSquare(par []float64) float64 {
	chi2 := f.priorChiSquare(par)
	f.inverse = inverseSize(par)
	for k := range f.samples {
		chi2 += f.residuals(par, k, false)
	}
	return chi2
}

func (f *fitting) priorChiSquare(par []float64) float64 {
	var chi2 float64
	for _, p := range f.priors {
		d := par[p.index] - p.value
		chi2 += p.weight * d * d
	}
	if f.suppose == moving {
		for b := range f.bands {
			d := par[f.contrast(b)] - par[f.common()]
			chi2 += f.link * d * d
		}
	}
	return chi2
}

// assemble fills in the normal matrix h and the right side g, and returns
// what is minimised.
func (f *fitting) assemble(par []float64, h *mat.SymDense, g *mat.VecDense) float64 {
	f.normal.start()
	chi2 := f.priorChiSquare(par)
	f.inverse = inverseSize(par)
	for k := range f.samples {
		chi2 += f.residuals(par, k, true)
		f.normal.add(f, k)
	}
	f.normal.merge(h, g)
	f.addPriors(par, h, g)
	return chi2
}

func (f *fitting) addPriors(par []float64, h *mat.SymDense, g *mat.VecDense) {
	add := func(i, j int, v float64) { h.SetSym(i, j, h.At(i, j)+v) }
	push := func(i int, v float64) { g.SetVec(i, g.AtVec(i)+v) }
	for _, p := range f.priors {
		add(p.index, p.index, p.weight)
		push(p.index, p.weight*(p.value-par[p.index]))
	}
	if f.suppose != moving {
		return
	}
	c := f.common()
	for b := range f.bands {
		a := f.contrast(b)
		add(a, a, f.link)
		add(c, c, f.link)
		add(c, a, -f.link)
		push(a, f.link*(par[c]-par[a]))
		push(c, f.link*(par[a]-par[c]))
	}
}

// residuals sets r for sample k and returns its part of chi-square. With
// derivatives it sets the rows too.
func (f *fitting) residuals(par []float64, k int, derivatives bool) float64 {
	s := &f.samples[k]
	u, w := f.u[k*f.bands:][:f.bands], f.w[k*f.bands:][:f.bands]
	var all, rest, mean float64
	for b := range f.bands {
		all += w[b]
		f.r[b] = 0
		if f.suppose != nothing {
			dx, dy := s.x-par[f.place(b)], s.y-par[f.place(b)+1]
			f.shape[b] = math.Exp(-(dx*dx + dy*dy) / 2 * f.inverse)
			f.r[b] = f.contrastOver(par, b, f.dark[k]) * f.shape[b]
			mean += w[b] * f.r[b]
		}
	}
	dim := 1 + mean/all
	for b := range f.bands {
		f.r[b] = u[b] - ((1+f.r[b])/dim - 1) - f.background(par, b, k)
		rest += w[b] * f.r[b]
	}
	var chi2 float64
	for b := range f.bands {
		f.r[b] -= rest / all
		chi2 += w[b] * f.r[b] * f.r[b]
		if derivatives {
			f.derive(par, b, k, dim)
		}
	}
	return chi2
}

// shapeAt returns m_b at a place.
func (l layout) shapeAt(par []float64, b int, x, y float64) float64 {
	dx, dy := x-par[l.place(b)], y-par[l.place(b)+1]
	return math.Exp(-(dx*dx + dy*dy) / 2 * inverseSize(par))
}

// contrastOver returns h_b over ground of a brightness whose inverse is given.
func (l layout) contrastOver(par []float64, b int, dark float64) float64 {
	c := par[l.contrast(b)]
	if l.suppose != moving {
		return c
	}
	return c*dark + par[l.veil()]*(dark-1)
}

// relativeDark bounds the inverse of the relative brightness, for ground that
// is all but black.
func relativeDark(v float64) float64 { return min(max(v, 1/mostDark), mostDark) }

// inverseSize returns 1/sigma^2.
func inverseSize(par []float64) float64 { return math.Exp(-2 * par[sizeAt]) }

// background returns the background of band b at sample k.
func (f *fitting) background(par []float64, b, k int) float64 {
	own := par[f.global(f.blob()+b*termsPerBand, f.samples[k].group):][:termsPerBand]
	var v float64
	for i, t := range f.normal.termsOf(k) {
		v += own[i] * t
	}
	return v
}

// fillTerms writes what the background's parameters are multiplied with at
// sample k, the same in all bands.
func (f *fitting) fillTerms(dst []float64, k int) {
	copy(dst, f.samples[k].basis[:])
	copy(dst[groundTerms:], f.slopes[k][:])
	dst[shadeTerm] = f.dark[k] - 1
}

// derive fills in the row of band b.
func (f *fitting) derive(par []float64, b, k int, dim float64) {
	if f.suppose == nothing {
		return
	}
	s, row := &f.samples[k], f.rows[b]
	dx, dy := s.x-par[f.place(b)], s.y-par[f.place(b)+1]
	shape := f.shape[b] / dim
	high := f.contrastOver(par, b, f.dark[k]) * shape
	row[sizeAt] = high * (dx*dx + dy*dy) * f.inverse
	row[f.contrast(b)] = shape * f.dark[k]
	if f.suppose == moving {
		row[f.veil()] = shape * (f.dark[k] - 1)
	}
	row[f.place(b)] = high * dx * f.inverse
	row[f.place(b)+1] = high * dy * f.inverse
}

// sigma returns the size of the blob in cells.
func (fit *blobFit) sigma() float64 { return math.Exp(fit.par[sizeAt]) }

// meanContrast returns the mean contrast of the bands and its standard
// uncertainty.
func (fit *blobFit) meanContrast() (contrast, sigma float64) {
	n := float64(fit.bands)
	var variance float64
	for b := range fit.bands {
		contrast += fit.par[fit.contrast(b)] / n
		for c := range fit.bands {
			variance += fit.covariance.At(fit.contrast(b), fit.contrast(c)) / (n * n)
		}
	}
	return contrast, math.Sqrt(variance)
}

// mirrored returns parameters of the opposite contrast that explain the
// departures as well, to first order, while the way is short or there are two
// bands only: the places are reflected at their centre.
func (fit *blobFit) mirrored() []float64 { return fit.stretched(1, -1) }

// moveFromCentre multiplies the distances of the places from their centre.
func (fit *blobFit) moveFromCentre(par []float64, factor float64) {
	var centre point
	for _, p := range fit.places() {
		centre = centre.plus(p, 1/float64(fit.bands))
	}
	for b := range fit.bands {
		i := fit.place(b)
		par[i] = centre.x + factor*(par[i]-centre.x)
		par[i+1] = centre.y + factor*(par[i+1]-centre.y)
	}
}

// places returns where the blob is in each band, in cells.
func (fit *blobFit) places() []point {
	at := make([]point, fit.bands)
	for b := range at {
		at[b] = point{fit.par[fit.place(b)], fit.par[fit.place(b)+1]}
	}
	return at
}

// subtract takes the blob off a level, so that it does not disturb the fits
// of others.
func (fit *blobFit) subtract(from, l *level) {
	scale := float64(from.bin) / float64(l.bin)
	par := slices.Clone(fit.par)
	par[sizeAt] += math.Log(scale)
	for b := range fit.bands {
		i := fit.place(b)
		par[i], par[i+1] = l.cellOf(from.pixel(par[i])), l.cellOf(from.pixel(par[i+1]))
	}
	moved := blobFit{layout: fit.layout, par: par, behind: fit.behind}
	low, high := bounds(moved.places())
	reach := 5 * moved.sigma()
	for y := max(0, int(low.y-reach)); y <= min(l.height-1, int(high.y+reach)); y++ {
		for x := max(0, int(low.x-reach)); x <= min(l.width-1, int(high.x+reach)); x++ {
			moved.subtractCell(l, x, y)
		}
	}
}

func (fit *blobFit) subtractCell(l *level, x, y int) {
	i := y*l.width + x
	var all, mean float64
	for b := range fit.bands {
		w := float64(l.w[b][i])
		all += w
		mean += w * fit.par[fit.contrast(b)] * fit.shapeAt(fit.par, b, float64(x), float64(y))
	}
	if all == 0 {
		return
	}
	dark := 1.0
	if bright := float64(l.bright[i]); bright > 0 && fit.behind > 0 {
		dark = relativeDark(fit.behind * (1 + mean/all) / bright)
	}
	mean = 0
	for b := range fit.bands {
		mean += float64(l.w[b][i]) * fit.blobAt(b, float64(x), float64(y), dark)
	}
	for b := range fit.bands {
		v := fit.blobAt(b, float64(x), float64(y), dark)
		l.wu[b][i] -= l.w[b][i] * float32((1+v)/(1+mean/all)-1)
	}
}

// blobAt returns h_b m_b at a place.
func (fit *blobFit) blobAt(b int, x, y, dark float64) float64 {
	return fit.contrastOver(fit.par, b, dark) * fit.shapeAt(fit.par, b, x, y)
}
