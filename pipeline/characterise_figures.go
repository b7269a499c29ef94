package pipeline

import (
	"fmt"
	"math"
	"slices"

	"evenlight/calib"
	"evenlight/calib/measure"
	"evenlight/configs"
)

// figures works out what the sums tell.
func (m *sensorMeasuring) figures() {
	gains := make([]measure.Figure, len(m.out.Cells))
	for c := range m.out.Cells {
		gains[c] = m.cellFigures(c, &m.out.Cells[c])
	}
	if m.darks != nil && m.darks.runs > 0 {
		m.takeShapes(gains)
	}
	m.count()
}

// cellFigures works out the figures of a cell. Saturated steps are known from
// the transfer, which is on the linear scale, which is known from the ladder
// below saturation: so the ladder is fitted twice. It returns the gain that
// electrons are told by: the profile's where none is measured.
func (m *sensorMeasuring) cellFigures(c int, f *CellFigures) measure.Figure {
	amp := &m.in.Profile.Detectors[m.detector].Amplifiers[m.cells.amps[c]]
	gain := measure.Figure{Value: amp.GainEPerDN, U: amp.GainEPerDN * amp.GainRelUncert}
	if m.bias == nil || len(m.zeroPairs[c].variance) == 0 || m.zeroPairs[c].noise().Value != m.zeroPairs[c].noise().Value {
		return gain
	}
	noise := m.zeroPairs[c].noise()
	root := math.Sqrt(math.Max(0, noise.Value))
	f.ReadNoiseDN = sensorFigure(measure.Figure{Value: root, U: noise.U / (2 * root)}, "DN")
	full := m.saturatedPairs(c)
	curve := m.ladderCurve(c, full)
	t, err := m.transfer(c, curve, full)
	if err == nil {
		for _, l := range t.Left {
			if l.Reason == measure.BelowCurve && l.Index > 0 {
				full[l.Index-1] = l.Detail
			}
		}
		curve = m.ladderCurve(c, full)
		t, err = m.transfer(c, curve, full)
	}
	switch {
	case len(m.lit) == 0 || len(m.lit[c]) == 0:
		m.cannotOnce("photon transfer (gain, full well), linearity, PRNU", "no pairs of flats or ladder steps")
	case err != nil:
		m.cannotOnce("photon transfer (gain, full well)", err.Error())
	default:
		gain = t.Gain
		m.transferFigures(c, f, t, curve)
	}
	m.nameSaturated(c, full)
	f.ReadNoise = m.readNoise(c, noise, gain).beside(amp.ReadNoiseE, 0)
	m.linearityFigures(c, f, curve, full)
	m.patterns(c, f, gain, curve.Curve)
	m.darkFigures(c, f, gain)
	return gain
}

// readNoise is the temporal noise of the biases in electrons.
func (m *sensorMeasuring) readNoise(c int, noise, gain measure.Figure) *SensorFigure {
	r, hidden := measure.ReadNoise(noise, m.pass.step(m.biases[0], c), gain)
	out := sensorFigure(r, "e-")
	if out != nil && hidden {
		out.Bound = AtMost
	}
	return out
}

// fullShare is the share of pixels at the ceiling above which a step counts as
// saturated.
const fullShare = 0.001

// saturatedPairs says why pairs of flats are saturated, by their index.
func (m *sensorMeasuring) saturatedPairs(c int) map[int]string {
	out := map[int]string{}
	if len(m.lit) == 0 {
		return out
	}
	byBand := map[string][]int{}
	var bands []string
	for i, p := range m.lit[c] {
		key := p.step.kind + " " + p.step.band
		if byBand[key] == nil {
			bands = append(bands, key)
		}
		byBand[key] = append(byBand[key], i)
	}
	for _, b := range bands {
		var steps []measure.Step
		for _, i := range byBand[b] {
			p := m.lit[c][i]
			steps = append(steps, measure.Step{ExposureS: p.step.exposureS, Mean: measure.Figure{Value: p.pair.Mean.Value - m.zero[c].Value, U: m.levelU(p)}, Ceiling: p.saturated})
		}
		for _, s := range measure.SaturatedSteps(steps, fullShare) {
			out[byBand[b][s.Index]] = s.Detail
		}
	}
	return out
}

// levelU is the standard uncertainty of a pair's level: its pixels' noise and
// that of the offsets.
func (m *sensorMeasuring) levelU(p litPair) float64 {
	return math.Sqrt(p.pair.Mean.U*p.pair.Mean.U + p.offsetDN2)
}

// nameSaturated names the steps that are saturated in a cell.
func (m *sensorMeasuring) nameSaturated(c int, full map[int]string) {
	if len(m.lit) == 0 {
		return
	}
	for i, p := range m.lit[c] {
		if full[i] == "" {
			continue
		}
		what := fmt.Sprintf("%s is saturated: left out of gain and linearity, used for full well", p.step.name())
		m.found.extend(FoundSaturated, p.frames, what, "shorten the exposure, or keep the step to show full well")
	}
}

// usualOrder is the order of a linearity that is fitted to a ladder where the
// profile does not say.
const usualOrder = 3

// ladderCurve is the response of a cell: from the ladder where the profile has
// the linearity measured, else as the profile has it. Nil is a straight line.
func (m *sensorMeasuring) ladderCurve(c int, full map[int]string) *calib.LadderFit {
	d := &m.in.Profile.Detectors[m.detector]
	amp := &d.Amplifiers[m.cells.amps[c]]
	straight := &calib.LadderFit{}
	if d.Linearity.From == configs.LinearityProfile {
		straight.Curve = calib.Polynomial{amp.C2, amp.C3}
	}
	if d.Linearity.From != configs.LinearityLadder || len(m.lit) == 0 {
		return straight
	}
	order := d.Linearity.Order
	if order == 0 {
		order = usualOrder
	}
	var rungs []calib.Rung
	for _, i := range m.ladder(c, full) {
		p := m.lit[c][i]
		if m.tailReaches(c, p, amp) {
			continue
		}
		u := m.levelU(p)
		rungs = append(rungs, calib.Rung{ExposureS: p.step.exposureS + m.later(c), MeanDN: p.pair.Mean.Value - m.zero[c].Value, Variance: u * u})
	}
	fit, err := calib.FitLadder(rungs, order)
	if err != nil {
		return straight
	}
	return fit
}

// tailReaches tells whether the upper tail of a level's pixels reaches full
// well as the profile has it: then the level would bend the curve. (What the
// level is on the linear scale is not known yet; a response that bends by some
// per cent is within the tail.)
func (m *sensorMeasuring) tailReaches(c int, p litPair, amp *configs.Amplifier) bool {
	d := &m.in.Profile.Detectors[m.detector]
	if d.Saturation.FullWellE == 0 {
		return false
	}
	v := p.pair.Mean.Value - m.zero[c].Value + tailSigmas*p.frames[0].spread[c]
	return v >= d.Saturation.FullWellE/amp.GainEPerDN
}

// ladder lists the pairs of a cell's ladder that are not saturated; none where
// the lamp was not steady.
func (m *sensorMeasuring) ladder(c int, full map[int]string) []int {
	var out []int
	for i, p := range m.lit[c] {
		if p.step.kind == configs.KindLadder && full[i] == "" && !m.unsteady {
			out = append(out, i)
		}
	}
	return out
}

// later is by how much longer the pixels of a cell gather light than the
// header says: rows that are exposed longer, and the light of the shifts of a
// frame transfer.
func (m *sensorMeasuring) later(c int) float64 {
	out := m.cells.meanDelay(c, m.in.rowDelay(m.detector))
	if s := m.in.Profile.Detectors[m.detector].Smear; s != nil {
		out += s.RowS * m.cells.meanOverRows(c, func(y int) float64 { return rowsPassed(s, m.sensor.Image.Height(), y) })
	}
	return out
}

// rowsPassed is the number of lit rows whose light a pixel of image row y
// gathers in the shifts of a frame transfer, evenly lit.
func rowsPassed(s *configs.Smear, height, y int) float64 {
	ahead := y // between the pixel and the end that the charge moves to
	if s.Toward == configs.LastRow {
		ahead = height - 1 - y
	}
	n, shifts := 0, 1
	switch s.When {
	case configs.ShiftAfter:
		n = ahead
	case configs.ShiftBefore:
		n = height - 1 - ahead
	default:
		n, shifts = height-1, 2
	}
	if s.OwnRow {
		n += shifts
	}
	return float64(n)
}

// transfer fits the photon transfer curve of a cell; the biases are its lowest
// level.
func (m *sensorMeasuring) transfer(c int, curve *calib.LadderFit, full map[int]string) (*measure.Transfer, error) {
	noise := m.zeroPairs[c].noise()
	levels := []measure.Level{{Mean: measure.Figure{}, Variance: noise, StepDN: m.pass.step(m.biases[0], c)}}
	if len(m.lit) == 0 || len(m.lit[c]) == 0 {
		return nil, fmt.Errorf("no flats")
	}
	lin := curve.Curve
	for i, p := range m.lit[c] {
		v := p.pair.Mean.Value - m.zero[c].Value
		slope := lin.Slope(v)
		l := measure.Level{Mean: measure.Figure{Value: lin.At(v), U: slope * m.levelU(p)}, Variance: p.variance, Slope: slope, StepDN: p.stepDN, Ceiling: p.saturated, ExposureS: p.step.exposureS}
		if full[i] != "" && l.Ceiling <= fullShare {
			// The curve of the ladder ends below; beyond it only the order of
			// the levels counts.
			l.Slope, l.Mean = 1, measure.Figure{Value: math.Max(lin.At(v), v), U: m.levelU(p)}
		}
		levels = append(levels, l)
	}
	opt := measure.TransferOptions{SaturationDN: m.linearTop(c, lin), OffsetU: m.zero[c].U}
	if distinctLevels(levels[1:], opt.SaturationDN) < leastLevels {
		opt.Order = 1
		m.cannotOnce("the bend of the photon transfer", fmt.Sprintf("flats of fewer than %d levels: the gain is that of EMVA 1288's line", leastLevels))
	}
	return measure.FitTransfer(levels, opt)
}

// leastLevels is the number of levels with light from which a photon transfer
// tells a curve from a line.
const leastLevels = 3

// distinctLevels counts the levels that lie a tenth of the range or more apart,
// or by a factor of two, in the part that is fitted.
func distinctLevels(levels []measure.Level, top float64) int {
	var means []float64
	for _, l := range levels {
		if l.Mean.Value > 0 && l.Mean.Value < 0.7*top {
			means = append(means, l.Mean.Value)
		}
	}
	slices.Sort(means)
	n, last := 0, 0.0
	for _, v := range means {
		if n == 0 || v >= 2*last || v >= last+0.1*top {
			n, last = n+1, v
		}
	}
	return n
}

// linearTop is the end of the range on the linear scale: the converter's
// ceiling or the profile's full well, whichever is lower.
func (m *sensorMeasuring) linearTop(c int, lin calib.Polynomial) float64 {
	ceiling := m.nominalCeiling(c)
	top := lin.At(ceiling)
	if !(lin.Slope(ceiling) > 0) {
		top = ceiling // the curve does not reach so far
	}
	d := &m.in.Profile.Detectors[m.detector]
	if d.Saturation.FullWellE > 0 {
		top = math.Min(top, d.Saturation.FullWellE/d.Amplifiers[m.cells.amps[c]].GainEPerDN)
	}
	return top
}

// nominalCeiling is the converter's, or the code table's, last level above the
// bias, DN.
func (m *sensorMeasuring) nominalCeiling(c int) float64 {
	f := m.biases[0]
	a := m.cells.amps[c]
	limit := m.sensor.CeilingDN
	if m.sensor.LevelDN > 0 {
		limit = math.Min(limit, m.sensor.LevelDN)
	}
	return limit - f.offset[a] - m.zero[c].Value
}

// transferFigures takes over what the transfer tells.
func (m *sensorMeasuring) transferFigures(c int, f *CellFigures, t *measure.Transfer, curve *calib.LadderFit) {
	d := &m.in.Profile.Detectors[m.detector]
	amp := &d.Amplifiers[m.cells.amps[c]]
	f.Gain = sensorFigure(t.Gain, "e-/DN").beside(amp.GainEPerDN, amp.GainRelUncert)
	f.TransferReadNoise = sensorFigure(t.ReadNoise, "e-").beside(amp.ReadNoiseE, 0)
	if t.Hidden && f.TransferReadNoise != nil {
		f.TransferReadNoise.Bound, f.TransferReadNoise.Sigmas = AtMost, nil
	}
	limit := func(l measure.Limit) *SensorFigure {
		out := sensorFigure(l.E, "e-")
		if out != nil && !l.Reached {
			out.Bound = AtLeast
		}
		return out
	}
	f.Saturation, f.Bend = limit(t.Saturation), limit(t.Bend)
	f.FullWell = limit(t.FullWell).beside(d.Saturation.FullWellE, 0)
	chi := t.ChiSquare
	f.ChiSquare = &chi
	f.Curve = t.Curve
	if t.Saturation.Reached {
		f.saturationDN = curve.Curve.Inverse(t.Saturation.DN.Value)
	}
	why := map[int]string{}
	for _, l := range t.Left {
		why[l.Index] = string(l.Reason)
	}
	lin := curve.Curve
	for i := range t.Residuals {
		x := 0.0
		if i > 0 {
			x = lin.At(m.lit[c][i-1].pair.Mean.Value - m.zero[c].Value)
		}
		y := t.Residuals[i].Value
		for p := len(t.Curve) - 1; p >= 0; p-- {
			y += t.Curve[p] * math.Pow(x, float64(p))
		}
		f.Transfer = append(f.Transfer, Point{X: x, Y: y, U: t.Residuals[i].U, Used: slices.Contains(t.Used, i), Why: why[i]})
	}
	if t.Widened {
		m.found.add(FoundOffCurve, nil, fmt.Sprintf("%s: the variances do not follow the curve within their noise (reduced chi-square %.1f); the uncertainties are widened by it", f.Name, t.ChiSquare),
			"see the plot: was the lamp even from frame to frame, or does a level lie near saturation?")
	}
}

// linearityFigures are the linearity error of the response as it is, and the
// curve that straightens it.
func (m *sensorMeasuring) linearityFigures(c int, f *CellFigures, curve *calib.LadderFit, full map[int]string) {
	if len(m.lit) == 0 {
		return
	}
	steps := m.ladder(c, full)
	if len(steps) == 0 {
		why := "no frames of kind ladder: levels of a steady lamp at several exposure times"
		if m.unsteady {
			why = "the lamp was not steady"
		}
		m.cannotOnce("linearity error", why)
		return
	}
	var levels []measure.Exposed
	for _, i := range steps {
		p := m.lit[c][i]
		levels = append(levels, measure.Exposed{ExposureS: p.step.exposureS + m.later(c), Mean: measure.Figure{Value: p.pair.Mean.Value - m.zero[c].Value, U: m.levelU(p)}})
	}
	top := f.saturationDN
	if top == 0 || math.IsNaN(top) {
		top = math.Min(m.nominalSaturation(m.biases[0], c), m.nominalCeiling(c))
	}
	got, err := measure.LinearityError(levels, top)
	if err != nil {
		m.cannotOnce("linearity error", err.Error())
		return
	}
	f.LinearityError = sensorFigure(got.Error, "%")
	for k, i := range got.Levels {
		f.Linearity = append(f.Linearity, Point{X: levels[i].Mean.Value, Y: got.Deviation[k].Value, U: got.Deviation[k].U, Used: true})
	}
	for p, to := range []**SensorFigure{&f.LinearityC2, &f.LinearityC3} {
		if p < len(curve.Covariance) {
			*to = sensorFigure(measure.Figure{Value: curve.Curve[p], U: math.Sqrt(curve.Covariance[p][p])}, []string{"1/DN", "1/DN^2"}[p])
		}
	}
}

// patterns are the non-uniformities of a cell, in electrons by the gain. Where
// the response lin bends, two pixels differ by lin' v / lin as much in light
// as they do in DN.
func (m *sensorMeasuring) patterns(c int, f *CellFigures, gain measure.Figure, lin calib.Polynomial) {
	noise := m.zeroPairs[c].noise()
	n := float64(m.bias.frames)
	p := m.patternOf(c, m.bias.v, nil, measure.Figure{Value: noise.Value / n, U: noise.U / n})
	dsnu := nonUniformity(measure.DSNU(p, gain), "e-")
	f.DSNU = &dsnu
	m.profiles(c, f)
	f.BiasNoise = finite(math.Sqrt(noise.Value / n))
	for _, r := range m.flats {
		if !(r.level[c] > 0) {
			continue
		}
		straight := measure.Figure{Value: lin.Slope(r.level[c]) * r.level[c] / lin.At(r.level[c])}
		n := measure.PRNU(r.bright[c], measure.Pattern{})
		for _, part := range []*measure.Figure{&n.Total, &n.Row, &n.Column, &n.Pixel} {
			*part = part.Times(straight)
		}
		f.PRNU = append(f.PRNU, BandNonUniformity{r.step.band, nonUniformity(n, "%"), r.level[c]})
	}
}

func nonUniformity(n measure.NonUniformity, unit string) NonUniformity {
	return NonUniformity{sensorFigure(n.Total, unit), sensorFigure(n.Row, unit), sensorFigure(n.Column, unit), sensorFigure(n.Pixel, unit)}
}

// profiles are the means of the biases' columns and rows over a cell, about
// its mean.
func (m *sensorMeasuring) profiles(c int, f *CellFigures) {
	width := m.sensor.Image.Width()
	var columns, rows, perColumn, perRow []float64
	x0, y0 := -1, -1
	columns, perColumn = make([]float64, width), make([]float64, width)
	all, n := 0.0, 0.0
	for y, cells := range m.cells.rows {
		sum, count := 0.0, 0.0
		for x, k := range cells {
			if int(k) != c || m.mask[y*width+x] != 0 {
				continue
			}
			v := float64(m.bias.v[y*width+x])
			sum += v
			count++
			columns[x] += v
			perColumn[x]++
		}
		if count > 0 && y0 < 0 {
			y0 = y
		}
		if y0 >= 0 {
			rows, perRow = append(rows, sum), append(perRow, count)
		}
		all, n = all+sum, n+count
	}
	mean := all / n
	for x := range columns {
		if perColumn[x] > 0 && x0 < 0 {
			x0 = x
		}
	}
	if x0 < 0 {
		return
	}
	f.BiasColumn, f.BiasRow = means(columns[x0:], perColumn[x0:], mean), means(rows, perRow, mean)
	f.BiasFirst = &[2]int{x0 + m.sensor.Image.X0 + 1, y0 + m.sensor.Image.Y0 + 1}
}

// means are sums over numbers, less a mean, up to the last that has any; 0
// stands where there is none, as between the columns of a colour.
func means(sum, n []float64, mean float64) []float64 {
	last := len(n)
	for last > 0 && n[last-1] == 0 {
		last--
	}
	out := make([]float64, last)
	for i := range out {
		if n[i] > 0 {
			out[i] = sum[i]/n[i] - mean
		}
	}
	return out
}

// count counts the bad pixels, each once: an unstable pixel is not counted as
// hot, nor a dead one as low.
func (m *sensorMeasuring) count() {
	dark, lit := m.darks != nil && m.darks.runs > 0, len(m.flats) > 0
	if !dark {
		m.cannotOnce("dark current, hot and unstable pixels", "no darks that can be used")
	}
	if !lit {
		m.cannotOnce("PRNU, dead and low pixels", "no flats between a fifth and four fifths of saturation that can be used")
	}
	if !dark && !lit {
		return
	}
	var hot, unstable, dead, low int
	for _, f := range m.mask {
		switch {
		case f&calib.Unstable != 0:
			unstable++
		case f&calib.Hot != 0:
			hot++
		}
		switch {
		case f&calib.Dead != 0:
			dead++
		case f&calib.Low != 0:
			low++
		}
	}
	number := func(n int, near nearLimit) *SensorFigure {
		return &SensorFigure{Value: float64(n), U: math.Sqrt(near.variance)}
	}
	b := &BadPixelCount{Pixels: len(m.mask)}
	if dark {
		b.Hot, b.Unstable = number(hot, m.nearHot), number(unstable, m.nearUnstable)
	}
	if lit {
		b.Dead, b.Low = number(dead, m.nearDead), number(low, m.nearLow)
	}
	m.out.BadPixels = b
}

// nearLimit gathers the variance of a number of pixels from those whose value
// lies so near to the limit that noise may have put them on the other side.
type nearLimit struct{ variance float64 }

// add counts a value that lies so many standard uncertainties from the limit:
// it is beyond with the probability p of a normal deviate, and the number of
// such ones has the variance p (1-p).
func (n *nearLimit) add(sigmas float64) {
	if math.Abs(sigmas) < 6 {
		p := math.Erfc(sigmas/math.Sqrt2) / 2
		n.variance += p * (1 - p)
	}
}
