package pipeline

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"

	"evenlight/calib"
	"evenlight/calib/measure"
	"evenlight/fitsutil"
)

// rung is one level of an exposure ladder: the frames of one exposure time.
type rung struct {
	exposureS float64
	frames    []int // indices into the set
}

// rungs sorts the frames of a ladder by exposure time.
func (s *frameSet) rungs() []rung {
	var out []rung
	for i, f := range s.set {
		j := slices.IndexFunc(out, func(r rung) bool {
			return math.Abs(r.exposureS-f.Info.ExposureS) <= 1e-6*r.exposureS
		})
		if j < 0 {
			out = append(out, rung{exposureS: f.Info.ExposureS})
			j = len(out) - 1
		}
		out[j].frames = append(out[j].frames, i)
	}
	slices.SortFunc(out, func(a, b rung) int {
		if a.exposureS < b.exposureS {
			return -1
		}
		return 1
	})
	return slices.DeleteFunc(out, func(r rung) bool {
		for _, i := range r.frames {
			if s.set[i].saturated > maxSaturated {
				return true
			}
		}
		return false
	})
}

// levelU is the standard uncertainty that a rung's level is taken to have, DN:
// medians are mostly of whole numbers.
const levelU = 1

// followLight leaves out the rungs that do not follow the light any more in
// any cell, since all of it is full. A curve that was fitted through them
// would not tell where full well begins.
func (s *frameSet) followLight(rungs []rung) (kept, full []rung) {
	saturated := make([]bool, len(rungs))
	for c := range s.cells.names {
		var steps []measure.Step
		for _, r := range rungs {
			level := 0.0
			for _, i := range r.frames {
				level += s.set[i].levels[c] / float64(len(r.frames))
			}
			steps = append(steps, measure.Step{ExposureS: r.exposureS, Mean: measure.Figure{Value: level, U: levelU}})
		}
		for _, found := range measure.SaturatedSteps(steps, 1) {
			saturated[found.Index] = true
		}
	}
	for i, r := range rungs {
		if saturated[i] {
			full = append(full, r)
		} else {
			kept = append(kept, r)
		}
	}
	return kept, full
}

// names lists the frames of rungs.
func (s *frameSet) names(rungs []rung) string {
	var names []string
	for _, r := range rungs {
		for _, i := range r.frames {
			names = append(names, s.set[i].Name())
		}
	}
	return strings.Join(names, ", ")
}

// ladder is a ladder at work: its levels, combined pixel by pixel.
type ladder struct {
	*frameSet
	rungs     []rung
	combiners [][]*calib.Combiner // by rung and amplifier
	levels    []calib.Combined    // of the strip at hand, by rung
	curves    []ladderCurve
	zones     *calib.ZoneCurves // the grid, where curves are those of zones
	delay     []float64         // by how much longer each row is exposed; nil: all alike
}

// ladderCurve is one of the curves that a ladder gives: of an amplifier, from
// the pixels of its brightest band where it has several, or of a zone.
type ladderCurve struct {
	name      string
	amp, cell int
}

// chooseCurves says which cells the curves come from.
func (l *ladder) chooseCurves() {
	if n := l.in.Profile.Detectors[l.detector].Linearity.Zones; n[0] > 0 {
		l.zones = zoneGrid(l.sensor, n)
		for i, name := range l.cells.names {
			l.curves = append(l.curves, ladderCurve{name, 0, i})
		}
		return
	}
	levels := l.set[l.rungs[len(l.rungs)/2].frames[0]].levels
	for a, amp := range l.sensor.Amps {
		best := -1
		for c, of := range l.cells.amps {
			if of == a && (best < 0 || levels[c] > levels[best]) {
				best = c
			}
		}
		l.curves = append(l.curves, ladderCurve{amp.Name, a, best})
	}
}

// linearity makes the linearity of each amplifier from an exposure ladder:
// one pass for the levels' means over the same good pixels, one for each
// pixel's departure from its amplifier's curve.
func (b *builder) linearity(s *frameSet) (*masterContent, error) {
	if s.sensor.LineScan {
		return nil, errors.New("a ladder of a line scanner is not measured: give the curve in the profile (linearity.from: profile)")
	}
	order := b.in.Profile.Detectors[s.detector].Linearity.Order
	rungs, full := s.followLight(s.rungs())
	if len(full) > 0 {
		b.warn(b.name(s.group), fmt.Sprintf("the signal does not grow with the light any more from %g s on: left out are %s", full[0].exposureS, s.names(full)))
	}
	l := &ladder{frameSet: s, rungs: rungs, delay: b.in.rowDelay(s.detector)}
	if len(l.rungs) < order+1 {
		return nil, fmt.Errorf("%d exposure times below saturation are too few for order %d: add some, or lower linearity.order", len(l.rungs), order)
	}
	l.chooseCurves()
	l.prepare(b.in.Profile.Masters.RejectSigma)
	sums, err := l.means()
	if err != nil {
		return nil, err
	}
	fits, err := l.fit(sums, order)
	if err != nil {
		return nil, err
	}
	for i, f := range fits {
		if f.ChiSquare > poorFit {
			b.warn(b.name(s.group), fmt.Sprintf("reduced chi-square %.1f of %s: the curve does not follow the ladder within its noise; raise linearity.order, or see whether the lamp was steady", f.ChiSquare, l.curves[i].name))
		}
	}
	im := s.sensor.Image
	departure, unc, err := l.departures(fits)
	if err != nil {
		return nil, err
	}
	c := &masterContent{info: b.info(s.group), record: b.record("master " + MasterLinearity), width: im.Width(), height: im.Height(), profile: b.profile}
	c.tables = []table{curveTable(l, fits, order), rungTable(fits, sums, l)}
	c.planes = []plane{
		{name: "DEPARTURE", float: departure, comment: "Largest relative departure of a pixel from its amplifier's curve."},
		{name: "DEPARTURE_U", float: unc, comment: "Standard uncertainty of DEPARTURE."},
	}
	s.provenance(&c.record)
	c.record.Stages = append(c.record.Stages, StageRecord{"fit ladder", []calib.Setting{
		{Name: "order", Value: fmt.Sprint(order)}, {Name: "levels", Value: fmt.Sprint(len(l.rungs))},
	}})
	return c, nil
}

func (l *ladder) prepare(reject float64) {
	for _, r := range l.rungs {
		part := *l.frameSet
		part.set = nil
		for _, i := range r.frames {
			part.set = append(part.set, l.set[i])
		}
		l.combiners = append(l.combiners, part.combiners(reject))
	}
	l.levels = make([]calib.Combined, len(l.rungs))
}

// fit finds the curve of each amplifier. Where full well saturates the
// detector, the raw level at which it does so is known only with the curve:
// levels whose upper tail turns out to reach it would bend the curve, so they
// are left out and the fit is made again, until no more are found.
func (l *ladder) fit(sums *levelSums, order int) ([]*calib.LadderFit, error) {
	fits := make([]*calib.LadderFit, len(l.curves))
	for {
		for i, c := range l.curves {
			var err error
			if fits[i], err = calib.FitLadder(sums.rungs(c, l), order); err != nil {
				return nil, fmt.Errorf("%s: %w", l.cells.names[c.cell], err)
			}
		}
		top := len(l.rungs) - 1
		if !l.reachesSaturation(sums, fits, top) {
			return fits, nil
		}
		l.rungs = l.rungs[:top]
		l.levels = l.levels[:top]
	}
}

// tailSigmas is the part of a level's distribution over the pixels that has
// to lie below saturation: all but 3e-5 of a normal one.
const tailSigmas = 4

// reachesSaturation tells whether the upper tail of level r reaches the level
// at which any amplifier saturates, or is cut by it.
func (l *ladder) reachesSaturation(sums *levelSums, fits []*calib.LadderFit, r int) bool {
	for i, c := range l.curves {
		limit := l.sensor.SaturationLevel(c.amp, l.offset(c.amp), fits[i].Curve) - l.offset(c.amp)
		if sums.truncated(c.cell, r) || !(sums.mean(c.cell, r)+tailSigmas*sums.sd(c.cell, r, len(l.rungs[r].frames)) < limit) {
			return true
		}
	}
	return false
}

// offset is the raw level of zero signal of an amplifier: offset and bias.
func (l *ladder) offset(a int) float64 {
	level := 0.0
	for _, f := range l.set {
		for _, st := range f.stages {
			if o, ok := st.(calib.OffsetStage); ok {
				level += o.Traces[a].Level / float64(len(l.set))
			}
		}
	}
	if b := l.masters.bias; b != nil {
		level += b.means[a]
	}
	return level
}

// eachStrip combines each level in strips and hands them on.
func (l *ladder) eachStrip(do func(y0, y1 int) error) error {
	return l.strips(func(y0, y1 int, samples [][]float32) error {
		n := (y1 - y0) * l.sensor.Image.Width()
		for r := range l.rungs {
			if len(l.levels[r].Value) < n {
				l.levels[r] = calib.Combined{Value: make([]float32, n), Variance: make([]float32, n), Samples: make([]int32, n)}
			}
		}
		err := parallel(l.workers, len(l.rungs), func(w, r int) error {
			l.combineLevel(r, y0, y1, samples, l.work[w])
			return nil
		})
		if err != nil {
			return err
		}
		return do(y0, y1)
	})
}

func (l *ladder) combineLevel(r, y0, y1 int, samples [][]float32, w *setWorker) {
	width, segs := l.sensor.Image.Width(), l.sensor.Segments()
	for y := y0; y < y1; y++ {
		for _, g := range segs[y] {
			from, to := (y-y0)*width+g.X0, (y-y0)*width+g.X1
			w.views = w.views[:0]
			for _, i := range l.rungs[r].frames {
				w.views = append(w.views, samples[i][from:to])
			}
			lv := &l.levels[r]
			l.combiners[r][g.Amp].Combine(w.views, calib.Combined{Value: lv.Value[from:to], Variance: lv.Variance[from:to], Samples: lv.Samples[from:to]}, &w.combine)
		}
	}
}

// levelSums are sums over the good pixels, by cell and level.
type levelSums struct {
	sum, square, variance [][]float64
	short                 [][]int // pixels that lack some of a level's samples
	pixels                []int
}

// poorFit is the reduced chi-square of a curve that calls for a look. Of some
// ten degrees of freedom, chance exceeds it once in a hundred thousand ladders.
const poorFit = 4

// shortAbove is the part of a cell's pixels that may lack samples at a level
// more than at the lowest. Samples go missing at random in few pixels, to hits
// of cosmic rays; where the brightest pixels saturate in some frames, what is
// left is too faint and would bend the curve.
const shortAbove = 1e-3

// truncated tells whether saturation cuts a level's distribution.
func (s *levelSums) truncated(cell, r int) bool {
	return float64(s.short[cell][r]-s.short[cell][0]) > shortAbove*float64(s.pixels[cell])
}

func (s *levelSums) mean(cell, r int) float64 { return s.sum[cell][r] / float64(s.pixels[cell]) }

// sd is the standard deviation over the pixels of single samples of a level
// that is the mean of n frames.
func (s *levelSums) sd(cell, r, n int) float64 {
	m, pixels := s.mean(cell, r), float64(s.pixels[cell])
	noise := s.variance[cell][r] / pixels * float64(n-1)
	return math.Sqrt(max(0, s.square[cell][r]/pixels-m*m) + noise)
}

// goodSpread is how far, relative, a pixel may be from its cell's median at the
// middle level to count as good.
const goodSpread = 0.3

// means sums each level over the pixels that are good at every level.
func (l *ladder) means() (*levelSums, error) {
	cells := len(l.cells.names)
	out := &levelSums{pixels: make([]int, cells)}
	for range cells {
		out.sum = append(out.sum, make([]float64, len(l.rungs)))
		out.square = append(out.square, make([]float64, len(l.rungs)))
		out.variance = append(out.variance, make([]float64, len(l.rungs)))
		out.short = append(out.short, make([]int, len(l.rungs)))
	}
	middle := len(l.rungs) / 2
	expected := l.set[l.rungs[middle].frames[0]].levels
	width := l.sensor.Image.Width()
	err := l.eachStrip(func(y0, y1 int) error {
		for y := y0; y < y1; y++ {
			for x, c := range l.cells.rows[y] {
				i := (y-y0)*width + x
				if c == noCell || !l.good(i, middle, expected[c]) {
					continue
				}
				out.pixels[c]++
				for r := range l.levels {
					v := float64(l.levels[r].Value[i])
					out.sum[c][r] += v
					out.square[c][r] += v * v
					out.variance[c][r] += float64(l.levels[r].Variance[i])
					if int(l.levels[r].Samples[i]) < len(l.rungs[r].frames) {
						out.short[c][r]++
					}
				}
			}
		}
		return nil
	})
	for _, c := range l.curves {
		if err == nil && out.pixels[c.cell] == 0 {
			err = fmt.Errorf("%s has no good pixel in the reference region: let the region reach into each amplifier", l.cells.names[c.cell])
		}
	}
	return out, err
}

// good tells whether a pixel counts: every level is there, the middle one is
// near its cell's median.
func (l *ladder) good(i, middle int, expected float64) bool {
	for r := range l.levels {
		if v := l.levels[r].Value[i]; v != v {
			return false
		}
	}
	return math.Abs(float64(l.levels[middle].Value[i])-expected) <= goodSpread*math.Abs(expected)
}

// rungs returns the levels of one curve. To the variance of the mean over
// pixels comes that of the offset, which the pixels of a row share and which
// the smoothing of rows makes common to many of them.
func (s *levelSums) rungs(c ladderCurve, l *ladder) []calib.Rung {
	out := make([]calib.Rung, len(l.rungs))
	n := float64(s.pixels[c.cell])
	delay := l.cells.meanDelay(c.cell, l.delay)
	for r := range out {
		out[r] = calib.Rung{ExposureS: l.rungs[r].exposureS + delay, MeanDN: s.mean(c.cell, r),
			Variance: s.variance[c.cell][r]/(n*n) + l.offsetVariance(c.amp, r)}
	}
	return out
}

// offsetVariance is the variance that the offsets bring to the mean of one
// level: that of a row's offset, over the independent rows of the reference
// region and the frames.
func (l *ladder) offsetVariance(a, r int) float64 {
	rows := float64(l.sensor.Reference.Height())
	smooth := l.sensor.Offset.SmoothRows
	if smooth == 0 {
		smooth = l.sensor.Image.Height()
	}
	independent := max(1, rows/float64(smooth))
	sum := 0.0
	for _, i := range l.rungs[r].frames {
		for _, st := range l.set[i].stages {
			if o, ok := st.(calib.OffsetStage); ok && len(o.Traces[a].Variance) > 0 {
				sum += float64(o.Traces[a].Variance[l.sensor.Image.Height()/2]) / independent
			}
		}
	}
	n := float64(len(l.rungs[r].frames))
	return sum / (n * n)
}

// departures goes through the ladder again and finds for each pixel how far,
// relative, its straightened levels depart from proportion to exposure time.
func (l *ladder) departures(fits []*calib.LadderFit) (departure, unc []float32, err error) {
	width := l.sensor.Image.Width()
	n := width * l.sensor.Image.Height()
	departure, unc = make([]float32, n), make([]float32, n)
	segs := l.sensor.Segments()
	zones := l.zonesOf(fits)
	err = l.eachStrip(func(y0, y1 int) error {
		return parallel(l.workers, y1-y0, func(_, row int) error {
			var room [4]float64
			delay := 0.0
			if l.delay != nil {
				delay = l.delay[y0+row]
			}
			for _, g := range segs[y0+row] {
				curve := calib.Polynomial(nil)
				if zones == nil {
					curve = fits[g.Amp].Curve
				}
				for x := g.X0; x < g.X1; x++ {
					if zones != nil {
						curve = zones.At(x, y0+row, room[:])
					}
					i := row*width + x
					departure[y0*width+i], unc[y0*width+i] = l.departure(i, curve, delay)
				}
			}
			return nil
		})
	})
	return departure, unc, err
}

// zonesOf puts the fitted curves on the grid of zones; nil without zones.
func (l *ladder) zonesOf(fits []*calib.LadderFit) *calib.ZoneCurves {
	if l.zones == nil {
		return nil
	}
	z := *l.zones
	for _, f := range fits {
		z.Curves = append(z.Curves, f.Curve)
	}
	return &z
}

// departure compares one pixel with its amplifier's, or its zone's, curve: weighted
// proportion of linear level to time, then the largest relative residual in
// the upper part of the ladder and its standard uncertainty.
func (l *ladder) departure(i int, curve calib.Polynomial, delay float64) (largest, unc float32) {
	var sxy, sxx float64
	for r, g := range l.rungs {
		v, q := float64(l.levels[r].Value[i]), float64(l.levels[r].Variance[i])
		if v != v || !(q > 0) {
			continue
		}
		sxy += (g.exposureS + delay) * curve.At(v) / q
		sxx += (g.exposureS + delay) * (g.exposureS + delay) / q
	}
	if sxx == 0 {
		return 0, 0
	}
	rate := sxy / sxx
	top := rate * (l.rungs[len(l.rungs)-1].exposureS + delay)
	for r, g := range l.rungs {
		v, q := float64(l.levels[r].Value[i]), float64(l.levels[r].Variance[i])
		want := rate * (g.exposureS + delay)
		if v != v || !(q > 0) || want < lowestRung*top || want <= 0 {
			continue
		}
		if d := curve.At(v)/want - 1; math.Abs(d) > math.Abs(float64(largest)) {
			largest, unc = float32(d), float32(math.Sqrt(q)/want)
		}
	}
	return largest, unc
}

// lowestRung is the part of the ladder's top below which a pixel's departure
// is not judged.
const lowestRung = 0.1

// curveTable holds the coefficients, one row an amplifier or a zone.
func curveTable(l *ladder, fits []*calib.LadderFit, order int) table {
	names := make([]string, len(fits))
	maxDN, rel, chi := make([]float64, len(fits)), make([]float64, len(fits)), make([]float64, len(fits))
	for a, f := range fits {
		names[a], maxDN[a], chi[a] = l.curves[a].name, f.MaxDN, f.ChiSquare
		rel[a] = f.RelativeUncertainty(f.MaxDN / 2)
	}
	t := table{name: "CURVES", comment: "lin(v) = v + C2 v^2 + C3 v^3 + ..., v in DN above offset.",
		columns: []fitsutil.Column{{Name: "AMPLIFIER", Data: names}}}
	if l.zones != nil {
		t.columns[0].Name, t.zones = "ZONE", l.zones.Columns
	}
	for p := 2; p <= order; p++ {
		c, u := make([]float64, len(fits)), make([]float64, len(fits))
		for a, f := range fits {
			c[a], u[a] = f.Curve[p-2], math.Sqrt(f.Covariance[p-2][p-2])
		}
		t.columns = append(t.columns, fitsutil.Column{Name: fmt.Sprintf("C%d", p), Unit: fmt.Sprintf("adu-%d", p-1), Data: c},
			fitsutil.Column{Name: fmt.Sprintf("U_C%d", p), Unit: fmt.Sprintf("adu-%d", p-1), Data: u})
	}
	for p := 2; p <= order; p++ {
		for q := p + 1; q <= order; q++ {
			v := make([]float64, len(fits))
			for a, f := range fits {
				v[a] = f.Covariance[p-2][q-2]
			}
			t.columns = append(t.columns, fitsutil.Column{Name: fmt.Sprintf("COV_C%d_C%d", p, q), Data: v})
		}
	}
	t.columns = append(t.columns, fitsutil.Column{Name: "MAX_DN", Unit: "adu", Data: maxDN},
		fitsutil.Column{Name: "REL_UNCERT", Data: rel}, fitsutil.Column{Name: "CHI_SQUARE", Data: chi})
	return t
}

// rungTable holds the levels and their residuals.
func rungTable(fits []*calib.LadderFit, sums *levelSums, l *ladder) table {
	var names []string
	var exposure, mean, sd, residual []float64
	for a, f := range fits {
		for r, g := range sums.rungs(l.curves[a], l) {
			names = append(names, l.curves[a].name)
			exposure, mean, sd = append(exposure, g.ExposureS), append(mean, g.MeanDN), append(sd, math.Sqrt(g.Variance))
			residual = append(residual, f.ResidualDN[r])
		}
	}
	return table{name: "LEVELS", columns: []fitsutil.Column{
		{Name: "CURVE", Data: names}, {Name: "EXPOSURE", Unit: "s", Data: exposure}, {Name: "MEAN", Unit: "adu", Data: mean},
		{Name: "U_MEAN", Unit: "adu", Data: sd}, {Name: "RESIDUAL", Unit: "adu", Data: residual},
	}}
}
