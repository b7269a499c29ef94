package measure

import (
	"errors"
	"fmt"
	"math"
	"slices"

	"evenlight/calib"
)

// Level is one light level of a photon transfer curve.
type Level struct {
	// Mean is the signal in DN above the level without charge (bias), so that
	// dark charge, which has shot noise too, counts; on the linear scale
	// lin(v) where Slope is given.
	Mean Figure
	// Variance is the temporal variance as it was measured, before lin,
	// DN^2 ([Pair].Variance).
	Variance  Figure
	Slope     float64 // lin'(v) at this level; 0: 1
	StepDN    float64 // step of the converter, or of the code table at this level, DN; 0: 1
	Ceiling   float64 // share of the pixels at the converter's ceiling
	ExposureS float64 // for the words about it only
}

// usable tells whether mean and variance can be fitted or, at the ceiling,
// where the variance may be 0, show that the curve has come to an end.
func (l Level) usable() bool {
	if math.IsNaN(l.Mean.Value) || math.IsNaN(l.Variance.Value) {
		return false
	}
	return l.Ceiling > ceilingShare || l.Variance.usable() && l.Variance.Value > 0 && l.Mean.U >= 0
}

// step returns the step of the converter.
func (l Level) step() float64 {
	if l.StepDN == 0 {
		return 1
	}
	return l.StepDN
}

// squaredSlope returns lin'(v)^2, by which a variance grows on the way to the
// linear scale.
func (l Level) squaredSlope() float64 {
	if l.Slope == 0 {
		return 1
	}
	return l.Slope * l.Slope
}

// charge is the variance on the linear scale without that of rounding.
func (l Level) charge() Figure {
	step := l.step()
	return Figure{l.Variance.Value - rounding*step*step, l.Variance.U}.scaled(l.squaredSlope())
}

// TransferOptions says how a photon transfer curve is fitted.
type TransferOptions struct {
	// Order of the curve: 2 (also 0), the default, has a quadratic term, so that
	// a slightly bent response or charge shared between neighbours does not
	// bias the gain; 1 is EMVA 1288's line.
	Order int
	// MaxShare of the saturation level up to which levels are fitted; 0: 0.7,
	// as in EMVA 1288.
	MaxShare float64
	// SaturationDN of the converter or the profile on the linear scale; 0: what
	// the curve shows.
	SaturationDN float64
	// OffsetU is the standard uncertainty of the level without charge, common
	// to the means of all levels, DN.
	OffsetU float64
}

// usualShare is the part of the range that EMVA 1288 fits.
const usualShare = 0.7

// ceilingShare is the share of pixels at the ceiling up to which mean and
// variance count as whole.
const ceilingShare = 0.001

// departure is the number of sigmas by which a variance has to fall before
// the curve counts as bent.
const departure = 5

// fallen is the share of the curve below which the variance shows that nearly
// all pixels are full.
const fallen = 0.25

// LeftReason says why a level was not fitted.
type LeftReason string

// The reasons.
const (
	AtCeiling  LeftReason = "at the converter's ceiling"
	AboveRange LeftReason = "above the fitted range"
	BelowCurve LeftReason = "above the bend, where the variance falls below the curve"
	NotUsable  LeftReason = "without a usable mean or variance"
)

// LeftLevel is a level that was not fitted.
type LeftLevel struct {
	Index  int
	Reason LeftReason
	Detail string
}

// Limit is a level that the curve shows, or its lower bound.
type Limit struct {
	Reached bool   // false: DN and E are the highest level seen, a lower bound
	DN, E   Figure // above the level without charge; electrons are DN times gain
}

// Transfer is a photon transfer curve.
type Transfer struct {
	Gain       Figure        // g, e-/DN; 1/K of EMVA 1288
	ReadNoise  Figure        // r, e-; EMVA 1288 sigma_d, but for dark shot noise
	Hidden     bool          // rounding hides the noise and ReadNoise is an upper limit ([ReadNoise])
	Covariance [2][2]float64 // of Gain and ReadNoise, without OffsetU's part where Hidden

	// Curve is c0 + c1 m + c2 m^2, the variance in DN^2 on the linear scale
	// without rounding: c0 = r^2/g^2, c1 = 1/g.
	Curve           []float64
	CurveCovariance [][]float64
	ChiSquare       float64 // reduced; 0 without freedom
	Freedom         int
	Widened         bool // ChiSquare is beyond chance (0.1 %) and the covariances are multiplied by it

	// Saturation is EMVA 1288's saturation point, the level of the largest
	// variance, known to the distance of its neighbours.
	Saturation Limit
	// Bend is the level from which on the variance lies below the curve,
	// between the last level on it and the first below.
	Bend Limit
	// FullWell is the level at which all pixels are full: the mean of levels
	// whose variance has fallen to less than a quarter of the curve. Without
	// such levels it is the saturation point, and only a lower bound where
	// the converter's ceiling comes first.
	FullWell Limit

	Used      []int // indices of the levels fitted
	Left      []LeftLevel
	Residuals []Figure // variance minus curve, DN^2 on the linear scale, for each level given; U is the measurement's
}

// FitTransfer fits the photon transfer curve
//
//	variance lin'^2 = r^2/g^2 + w^2/12 lin'^2 + m/g (+ c2 m^2)
//
// with m the mean and w the step of the converter, by weighted least squares.
// Weights are from the fitted curve, not from the measured variances, whose
// low ones would weigh too much. An error of the mean counts as c1 times as
// large an error of the variance; for pairs both come from the same N pixels,
// and its part is 1/(4 g m) of the whole, with g m the signal in electrons.
//
// Levels that are not usable, at the ceiling, above MaxShare of the
// saturation, or above the bend are left out and told.
func FitTransfer(levels []Level, opt TransferOptions) (*Transfer, error) {
	if opt.Order == 0 {
		opt.Order = 2
	}
	if opt.Order != 1 && opt.Order != 2 {
		return nil, fmt.Errorf("photon transfer: order %d is not 1 or 2", opt.Order)
	}
	if opt.MaxShare == 0 {
		opt.MaxShare = usualShare
	}
	c := newCurve(levels, opt)
	bend := -1
	for {
		if err := c.fit(); err != nil {
			return nil, err
		}
		at := c.firstBelow()
		if at < 0 {
			break
		}
		bend = at
		if !c.cut(at) {
			break
		}
	}
	return c.result(bend), nil
}

// curve is a fit on its way.
type curve struct {
	levels []Level
	opt    TransferOptions
	order  []int // usable levels by mean
	peak   int   // place in order of the largest variance
	high   bool  // the variance falls beyond the peak
	used   []int // indices of levels to fit, by mean
	left   []LeftLevel

	coef    []float64
	cov     [][]float64
	chi2    float64
	freedom int
}

func newCurve(levels []Level, opt TransferOptions) *curve {
	c := &curve{levels: levels, opt: opt}
	for i, l := range levels {
		if !l.usable() {
			c.leave(i, NotUsable)
			continue
		}
		c.order = append(c.order, i)
	}
	slices.SortStableFunc(c.order, func(a, b int) int {
		switch {
		case levels[a].Mean.Value < levels[b].Mean.Value:
			return -1
		case levels[a].Mean.Value > levels[b].Mean.Value:
			return 1
		}
		return 0
	})
	c.findPeak()
	top := c.fitTop()
	for _, i := range c.order {
		switch {
		case levels[i].Ceiling > ceilingShare:
			c.leave(i, AtCeiling)
		case levels[i].Mean.Value > top:
			c.leave(i, AboveRange)
		default:
			c.used = append(c.used, i)
		}
	}
	return c
}

func (c *curve) leave(i int, why LeftReason) {
	l := c.levels[i]
	detail := fmt.Sprintf("mean %.6g DN, variance %.6g DN^2", l.Mean.Value, l.Variance.Value)
	if l.ExposureS > 0 {
		detail += fmt.Sprintf(", exposure %g s", l.ExposureS)
	}
	if l.Ceiling > 0 {
		detail += fmt.Sprintf(", %.3g %% of the pixels at the ceiling", 100*l.Ceiling)
	}
	c.left = append(c.left, LeftLevel{i, why, detail})
}

// findPeak finds the level of the largest variance, and whether a later one
// is lower beyond doubt.
func (c *curve) findPeak() {
	for k, i := range c.order {
		if c.levels[i].charge().Value > c.levels[c.order[c.peak]].charge().Value {
			c.peak = k
		}
	}
	for k := c.peak + 1; k < len(c.order); k++ {
		d := c.levels[c.order[c.peak]].charge().minus(c.levels[c.order[k]].charge())
		c.high = c.high || d.Value > departure*d.U
	}
}

// fitTop returns the mean up to which levels are fitted.
func (c *curve) fitTop() float64 {
	top := math.Inf(1)
	if c.opt.SaturationDN > 0 {
		top = c.opt.SaturationDN
	}
	if c.high {
		top = min(top, c.levels[c.order[c.peak]].Mean.Value)
	}
	return c.opt.MaxShare * top
}

// rounds is the number of fits after which weights from the curve have
// settled: each brings them closer by the relative uncertainty of a variance.
const rounds = 3

// fit fits the levels in use.
func (c *curve) fit() error {
	n, m := len(c.used), c.opt.Order+1
	if n < m {
		return fmt.Errorf("photon transfer: a curve of order %d needs %d usable levels below the bend and has %d of %d: take pairs of flats at more and lower levels, or ask for order 1", c.opt.Order, m, n, len(c.levels))
	}
	design, y, w := make([][]float64, n), make([]float64, n), make([]float64, n)
	for k, i := range c.used {
		x := c.levels[i].Mean.Value
		design[k] = []float64{1, x, x * x}[:m]
		y[k] = c.levels[i].charge().Value
	}
	c.coef = nil
	for range rounds {
		for k, i := range c.used {
			w[k] = 1 / c.variance(c.levels[i])
		}
		fit, err := calib.LeastSquares(design, y, w)
		if err != nil {
			return fmt.Errorf("photon transfer: %w: the levels must differ", err)
		}
		c.coef, c.cov, c.chi2 = fit.Coef, fit.Cofactor, fit.ResidualSD*fit.ResidualSD
	}
	c.freedom = n - m
	if !(c.coef[1] > 0) {
		return errors.New("photon transfer: the variance does not grow with the mean: the frames of a pair must be different exposures of the same light, and levels must differ")
	}
	c.cov = times(c.cov, misfit(c.chi2, c.freedom))
	return nil
}

// at returns curve and slope of the curve at a mean.
func (c *curve) at(m float64) (v, slope float64) {
	for j := len(c.coef) - 1; j >= 0; j-- {
		slope = slope*m + v
		v = v*m + c.coef[j]
	}
	return v, slope
}

// variance returns the squared uncertainty of a level's variance on the linear
// scale: the relative one that was measured, times the curve.
func (c *curve) variance(l Level) float64 {
	measured := l.charge()
	if c.coef == nil {
		return measured.U * measured.U
	}
	v, slope := c.at(l.Mean.Value)
	step := l.step()
	whole := v/l.squaredSlope() + rounding*step*step
	u := measured.U
	if whole > 0 {
		u *= whole / l.Variance.Value
	}
	return u*u + slope*slope*l.Mean.U*l.Mean.U
}

// firstBelow returns the index of the first level from which on all lie below
// the curve beyond doubt, -1 where there is none. Levels at the ceiling
// are no evidence.
func (c *curve) firstBelow() int {
	first := -1
	for k := len(c.order) - 1; k >= 0; k-- {
		i := c.order[k]
		l := c.levels[i]
		if l.Ceiling > ceilingShare {
			continue
		}
		v, _ := c.at(l.Mean.Value)
		u := math.Sqrt(c.variance(l) + between(c.cov, c.gradient(l.Mean.Value), c.gradient(l.Mean.Value)))
		if l.charge().Value > v-departure*u {
			break
		}
		first = i
	}
	return first
}

// gradient of the curve at mean m by its coefficients.
func (c *curve) gradient(m float64) []float64 {
	return []float64{1, m, m * m}[:len(c.coef)]
}

// cut takes the level and those above it out of the fit, and tells whether
// any was in it.
func (c *curve) cut(first int) bool {
	for k, i := range c.used {
		if i == first {
			for _, j := range c.used[k:] {
				c.leave(j, BelowCurve)
			}
			c.used = c.used[:k]
			return true
		}
	}
	return false
}

// result makes what the caller sees. bend is the index of the first level
// below the curve, or -1.
func (c *curve) result(bend int) *Transfer {
	t := &Transfer{
		Curve: c.coef, CurveCovariance: c.withOffset(),
		ChiSquare: c.chi2, Freedom: c.freedom, Widened: misfit(c.chi2, c.freedom) > 1,
		Used: slices.Sorted(slices.Values(c.used)), Left: c.left,
	}
	slices.SortFunc(t.Left, func(a, b LeftLevel) int { return a.Index - b.Index })
	c.gainAndNoise(t)
	c.limits(t, bend)
	for _, l := range c.levels {
		r := l.charge()
		v, _ := c.at(l.Mean.Value)
		t.Residuals = append(t.Residuals, Figure{r.Value - v, r.U})
	}
	return t
}

// withOffset adds the common error of the means, which shifts the curve
// sideways: c0 by -c1 and c1 by -2 c2 times the error.
func (c *curve) withOffset() [][]float64 {
	shift := make([]float64, len(c.coef))
	for j := 1; j < len(c.coef); j++ {
		shift[j-1] = float64(j) * c.coef[j] * c.opt.OffsetU
	}
	out := times(c.cov, 1)
	for i := range out {
		for j := range out[i] {
			out[i][j] += shift[i] * shift[j]
		}
	}
	return out
}

// gainAndNoise turns the curve into g = 1/c1 and r = sqrt(c0)/c1.
func (c *curve) gainAndNoise(t *Transfer) {
	cov := t.CurveCovariance
	g := 1 / c.coef[1]
	byGain := []float64{0, -g * g, 0}[:len(c.coef)]
	t.Gain = Figure{g, through(cov, byGain...)}

	c0 := Figure{c.coef[0], through(cov, 1)}
	step := c.levels[c.used[0]].step()
	if c0.Value+rounding*step*step < quantised*step*step {
		t.Hidden = true
		t.ReadNoise = hiddenNoise(step, g)
		t.Covariance = [2][2]float64{{t.Gain.U * t.Gain.U, 0}, {0, t.ReadNoise.U * t.ReadNoise.U}}
		return
	}
	root := c0.root()
	byNoise := []float64{g * root.U / c0.U, -root.Value * g * g, 0}[:len(c.coef)]
	t.ReadNoise = Figure{root.Value * g, through(cov, byNoise...)}
	both := between(cov, byGain, byNoise)
	t.Covariance = [2][2]float64{{t.Gain.U * t.Gain.U, both}, {both, t.ReadNoise.U * t.ReadNoise.U}}
}

// limits finds saturation, bend and full well.
func (c *curve) limits(t *Transfer, bend int) {
	top := c.levels[c.order[len(c.order)-1]].Mean
	t.Saturation = c.limit(t, false, top)
	if c.high {
		t.Saturation = c.limit(t, true, c.around(c.peak))
	}
	t.Bend = c.limit(t, false, top)
	if bend >= 0 {
		t.Bend = c.limit(t, true, c.before(slices.Index(c.order, bend)))
	}
	t.FullWell = t.Saturation
	if next := min(c.peak+1, len(c.order)-1); c.levels[c.order[next]].Ceiling > ceilingShare {
		t.FullWell.Reached = false // the converter is full first
	}
	if !t.Bend.Reached {
		return
	}
	for _, i := range c.order[slices.Index(c.order, bend):] { // by mean: the highest stays
		l := c.levels[i]
		v, _ := c.at(l.Mean.Value)
		if l.Ceiling <= ceilingShare && l.charge().Value < fallen*v {
			t.FullWell = c.limit(t, true, Figure{l.Mean.Value, math.Hypot(l.Mean.U, c.opt.OffsetU)})
		}
	}
}

func (c *curve) limit(t *Transfer, reached bool, dn Figure) Limit {
	return Limit{reached, dn, dn.Times(t.Gain)}
}

// around returns the level at a place in the order, which lies anywhere
// between its neighbours: u = (next - last) / sqrt 12 (JCGM 100:2008, 4.3.7).
func (c *curve) around(k int) Figure {
	mean := func(k int) float64 { return c.levels[c.order[k]].Mean.Value }
	lo, hi := mean(max(k-1, 0)), mean(min(k+1, len(c.order)-1))
	return Figure{mean(k), (hi - lo) / math.Sqrt(12)}
}

// before returns the middle between a level and the one below it.
func (c *curve) before(k int) Figure {
	hi := c.levels[c.order[k]].Mean.Value
	lo := c.levels[c.order[max(k-1, 0)]].Mean.Value
	return Figure{(lo + hi) / 2, (hi - lo) / math.Sqrt(12)}
}
