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
	bandSpread    = 0.15 // contrast of a band about the mover's, relative to it
	sizePrior     = 0.7  // natural logarithm of the size, about the filter's
	groundPrior   = 1.0  // each coefficient of the colour of the ground
	leastContrast = 0.02 // that scales bandSpread
	fitReach      = 3.5  // radius of the window in units of sigma
	groundTerms   = 6    // constant, x, y, x^2, x y, y^2
	termsPerBand  = groundTerms + 2
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
	moving              // a blob of about one contrast, at a place of its own in each band
)

// layout says where the parameters of a fit are. The size is the natural
// logarithm of sigma in cells; contrasts are of the peak relative to the
// ground; the background of a band is the colour of the ground in each group
// of places, quadratic in x and y, and its shift in px along x and y.
type layout struct {
	suppose       hypothesis
	bands, groups int
}

const sizeAt = 0

func (l layout) common() int { return 1 }

func (l layout) contrast(b int) int {
	if l.suppose == moving {
		return 2 + b
	}
	return 1 + b
}

func (l layout) place(b int) int {
	if l.suppose == moving {
		return 2 + l.bands + 2*b
	}
	return 1 + l.bands
}

// blob is the number of parameters that are not background.
func (l layout) blob() int {
	switch l.suppose {
	case moving:
		return 2 + 3*l.bands
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
//	r_b = u_b - [ (1 + a_b m_b)/(1 + sum_c s_c a_c m_c) - 1 ] - background_b,
//
// the mean r and s_c taken with the weights of the bands. Taking the mean off
// is the exact elimination of a brightness that is free in each cell.
type fitting struct {
	layout
	*window
	priors []prior
	link   float64      // weight of (a_b - c)^2
	slopes [][2]float64 // of each sample, minus the slope of ln of the ground's brightness
	// Work space: normal equations of each group, and one sample's rows.
	normal [][]float64
	right  [][]float64
	rows   [][]float64
	own    [][]int // indices of a row that are not zero, rising
	mean   []float64
	r      []float64
	shape  []float64 // m_b at the sample
	// inverse is 1/sigma^2 of the parameters at hand.
	inverse float64
}

// blobFit is the result of a fit.
type blobFit struct {
	layout
	par        []float64
	chi2       float64 // with the priors' part
	covariance mat.SymDense
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
	}
	align := max(win.alignSigma, 1e-3)
	for k := f.blob(); k < f.total(); k++ {
		weight := 1 / (groundPrior * groundPrior)
		if (k-f.blob())%termsPerBand >= groundTerms {
			weight = 1 / (align * align)
		}
		f.priors = append(f.priors, prior{k, 0, weight})
	}
	for range f.groups {
		f.normal = append(f.normal, make([]float64, f.local()*f.local()))
		f.right = append(f.right, make([]float64, f.local()))
	}
	for b := range f.bands {
		f.rows = append(f.rows, make([]float64, f.local()))
		f.own = append(f.own, f.ownIndices(b))
	}
	f.mean, f.r, f.shape = make([]float64, f.local()), make([]float64, f.bands), make([]float64, f.bands)
	for i := range win.samples {
		f.slopes = append(f.slopes, win.samples[i].slope)
	}
	return f
}

// ownIndices lists the parameters, of those local to a group, that the blob
// and the background of band b depend on.
func (l layout) ownIndices(b int) []int {
	var own []int
	if l.suppose != nothing {
		own = append(own, sizeAt, l.contrast(b), l.place(b), l.place(b)+1)
	}
	for i := range termsPerBand {
		own = append(own, l.blob()+b*termsPerBand+i)
	}
	return own
}

// clearSlopes takes a mover off the slopes of the brightness, which is all of
// the ground's only where nothing moved.
func (f *fitting) clearSlopes(moved *blobFit) {
	bin := float64(f.level.bin)
	for k := range f.samples {
		s := &f.samples[k]
		var all, mean, slopeX, slopeY float64
		for b, w := range f.w[k*f.bands:][:f.bands] {
			v := moved.blobAt(moved.par, b, s.x, s.y)
			steep := -v * inverseSize(moved.par)
			all += w
			mean += w * v
			slopeX += w * steep * (s.x - moved.par[moved.place(b)])
			slopeY += w * steep * (s.y - moved.par[moved.place(b)+1])
		}
		dim := (all + mean) * bin
		f.slopes[k] = [2]float64{s.slope[0] + slopeX/dim, s.slope[1] + slopeY/dim}
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
	par, trial := slices.Clone(start), make([]float64, n)
	h, g := mat.NewSymDense(n, nil), mat.NewVecDense(n, nil)
	damped := mat.NewSymDense(n, nil)
	var step mat.VecDense
	var chol mat.Cholesky
	chi2 := f.assemble(par, h, g)
	damping := 1e-3
	for range steps {
		damped.CopySym(h)
		for i := range n {
			damped.SetSym(i, i, h.At(i, i)*(1+damping))
		}
		if !chol.Factorize(damped) || chol.SolveVecTo(&step, g) != nil {
			damping *= 10
			continue
		}
		for i := range trial {
			trial[i] = par[i] + step.AtVec(i)
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
	fit := &blobFit{layout: f.layout, par: par, chi2: chi2}
	if !chol.Factorize(h) || chol.InverseTo(&fit.covariance) != nil {
		return nil, false
	}
	return fit, true
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
	for i := range f.normal {
		clear(f.normal[i])
		clear(f.right[i])
	}
	chi2 := f.priorChiSquare(par)
	f.inverse = inverseSize(par)
	for k := range f.samples {
		chi2 += f.residuals(par, k, true)
		f.addSample(k)
	}
	h.Zero()
	g.Zero()
	for group := range f.normal {
		f.merge(group, h, g)
	}
	f.addPriors(par, h, g)
	return chi2
}

// addSample adds one sample's rows to the normal equations of its group:
// sum w J J^T - W mean(J) mean(J)^T, and sum w J r.
func (f *fitting) addSample(k int) {
	group, n := f.samples[k].group, f.local()
	normal, right := f.normal[group], f.right[group]
	weights := f.w[k*f.bands:][:f.bands]
	var all float64
	clear(f.mean)
	for b, w := range weights {
		if w == 0 {
			continue
		}
		all += w
		row, own := f.rows[b], f.own[b]
		for k, i := range own {
			wv := w * row[i]
			f.mean[i] += wv
			right[i] += wv * f.r[b]
			dst := normal[i*n:][:n]
			for _, j := range own[k:] {
				dst[j] += wv * row[j]
			}
		}
	}
	for i, v := range f.mean {
		if v == 0 {
			continue
		}
		v /= all
		dst := normal[i*n:][:n]
		for j := i; j < n; j++ {
			dst[j] -= v * f.mean[j]
		}
	}
}

// merge adds the equations of a group to those of all.
func (f *fitting) merge(group int, h *mat.SymDense, g *mat.VecDense) {
	n := f.local()
	for i := range n {
		a := f.global(i, group)
		g.SetVec(a, g.AtVec(a)+f.right[group][i])
		for j := i; j < n; j++ {
			b := f.global(j, group)
			h.SetSym(a, b, h.At(a, b)+f.normal[group][i*n+j])
		}
	}
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
			f.r[b] = par[f.contrast(b)] * f.shape[b]
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

// blobAt returns a_b m_b at a place.
func (l layout) blobAt(par []float64, b int, x, y float64) float64 {
	dx, dy := x-par[l.place(b)], y-par[l.place(b)+1]
	return par[l.contrast(b)] * math.Exp(-(dx*dx+dy*dy)/2*inverseSize(par))
}

// inverseSize returns 1/sigma^2.
func inverseSize(par []float64) float64 { return math.Exp(-2 * par[sizeAt]) }

func (f *fitting) background(par []float64, b, k int) float64 {
	s := &f.samples[k]
	terms := par[f.global(f.blob()+b*termsPerBand, s.group):][:termsPerBand]
	v := terms[groundTerms]*f.slopes[k][0] + terms[groundTerms+1]*f.slopes[k][1]
	for i, t := range s.basis {
		v += terms[i] * t
	}
	return v
}

// derive fills in the row of band b.
func (f *fitting) derive(par []float64, b, k int, dim float64) {
	s := &f.samples[k]
	row := f.rows[b]
	terms := row[f.blob()+b*termsPerBand:][:termsPerBand]
	copy(terms, s.basis[:])
	copy(terms[groundTerms:], f.slopes[k][:])
	if f.suppose == nothing {
		return
	}
	dx, dy := s.x-par[f.place(b)], s.y-par[f.place(b)+1]
	shape := f.shape[b] / dim
	high := par[f.contrast(b)] * shape
	row[sizeAt] = high * (dx*dx + dy*dy) * f.inverse
	row[f.contrast(b)] = shape
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
func (fit *blobFit) mirrored() []float64 {
	par := slices.Clone(fit.par)
	par[fit.common()] *= -1
	var centre point
	for _, p := range fit.places() {
		centre = centre.plus(p, 1/float64(fit.bands))
	}
	for b := range fit.bands {
		par[fit.contrast(b)] *= -1
		i := fit.place(b)
		par[i], par[i+1] = 2*centre.x-par[i], 2*centre.y-par[i+1]
	}
	return par
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
	moved := blobFit{layout: fit.layout, par: par}
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
		mean += w * fit.blobAt(fit.par, b, float64(x), float64(y))
	}
	if all == 0 {
		return
	}
	for b := range fit.bands {
		v := fit.blobAt(fit.par, b, float64(x), float64(y))
		l.wu[b][i] -= l.w[b][i] * float32((1+v)/(1+mean/all)-1)
	}
}
