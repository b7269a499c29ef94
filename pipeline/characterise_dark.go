package pipeline

import (
	"fmt"
	"math"

	"evenlight/calib"
	"evenlight/calib/measure"
	"evenlight/configs"
)

// runsAt lists the runs of one temperature with the sums over them of n h(T)t
// and n (h(T)t)^2, n the number of frames.
func (m *sensorMeasuring) runsAt(place int) (levels []darkLevel, ht, ht2 float64) {
	for _, l := range m.levels {
		if l.run.place == place {
			n := float64(l.frames)
			levels = append(levels, l)
			ht, ht2 = ht+n*l.run.ht, ht2+n*l.run.ht*l.run.ht
		}
	}
	return levels, ht, ht2
}

// ratePlane writes a row of the dark current, DN/s at the reference
// temperature, from the darks of the temperature nearest to it: the least
// squares of the means, weighted by the number of frames, above the biases.
func (m *sensorMeasuring) ratePlane(y int, row []float32, ht, ht2 float64) {
	i := y * len(row)
	bias, rate := m.bias.v[i:i+len(row)], m.darks.rate[i:i+len(row)]
	t, k := float32(ht), float32(1/ht2)
	for x := range row {
		row[x] = (rate[x] - bias[x]*t) * k
	}
}

// markHot marks the pixels above the profile's limit of dark current.
func (m *sensorMeasuring) markHot() {
	limit := m.in.Profile.Detectors[m.detector].BadPixels.HotEPerS
	segs := m.sensor.Segments()
	_, ht, ht2 := m.runsAt(0)
	m.overRows(func(y int, row []float32, _ *cellSums) {
		m.ratePlane(y, row, ht, ht2)
		mask := m.mask[y*len(row) : (y+1)*len(row)]
		for _, g := range segs[y] {
			most := float32(limit / m.sensor.Amps[g.Amp].GainEPerDN)
			for x := g.X0; x < g.X1; x++ {
				if !(row[x] <= most) { // NaN: lost
					mask[x] |= calib.Hot
				}
			}
		}
	})
	m.nearHot = m.nearHotLimit(limit, ht, ht2)
}

// nearHotLimit finds the pixels whose dark current may lie on either side of
// the limit of hot ones. The rate's noise is that of samples at the limit.
func (m *sensorMeasuring) nearHotLimit(limit, ht, ht2 float64) nearLimit {
	levels, _, _ := m.runsAt(0)
	var near nearLimit
	row := make([]float32, m.sensor.Image.Width())
	for y, segs := range m.sensor.Segments() {
		m.ratePlane(y, row, ht, ht2)
		for _, g := range segs {
			noise := m.darkNoise[g.Amp]
			most := limit / m.sensor.Amps[g.Amp].GainEPerDN
			variance := 0.0
			for _, l := range levels {
				k := l.run.ht / ht2
				variance += k * k * float64(l.frames) * (noise.base + noise.perDN*most*l.run.ht)
			}
			sigma := math.Sqrt(variance)
			lowest := float32(most - 6*sigma)
			for _, v := range row[g.X0:g.X1] {
				if v > lowest {
					near.add((float64(v) - most) / sigma)
				}
			}
		}
	}
	return near
}

// markUnstable marks the pixels whose darks scatter more than noise allows.
func (m *sensorMeasuring) markUnstable() {
	d := m.darks
	lim := m.in.Profile.Detectors[m.detector].BadPixels
	d.scatter()
	// Hot pixels are marked already, so no pixel's value is looked at here.
	none := make([]float32, len(d.chi))
	calib.MarkDark(m.mask, none, d.chi, d.kept, d.total, calib.BadPixelLimits{HotEPerS: math.Inf(1), UnstableSigma: lim.UnstableSigma})
	for i, chi := range d.chi {
		// A reduced chi-square c of n samples has the standard deviation
		// c sqrt(2/(n-1)) about its expectation.
		if n := float64(d.kept[i]); n > 1 && chi > 2 {
			sigma := math.Sqrt(2 / (n - 1))
			m.nearUnstable.add((float64(chi) - 1 - lim.UnstableSigma*sigma) / (float64(chi) * sigma))
		}
	}
}

// darkPoint is the dark current of a cell at one temperature.
type darkPoint struct {
	tempK float64
	rate  measure.Figure // DN/s at that temperature
}

// darkPoints are the dark currents of the good pixels of a cell at each
// temperature: the slope of the runs' levels against time. With two or more
// exposure times the level without exposure is free, so that no error is
// common to the temperatures; with one it is that of the biases.
//
// Of each run count the noise of its offsets and that of its pixels, and what
// faint hits leave in, which is taken off and known to half of it.
func (m *sensorMeasuring) darkPoints(c int) []darkPoint {
	law := darkLaw(&m.in.Profile.Detectors[m.detector])
	noise := m.darkNoise[m.cells.amps[c]]
	pixels := float64(m.biasGood.n[c])
	var out []darkPoint
	for place, sums := range m.slopes {
		levels, _, _ := m.runsAt(place)
		if len(levels) == 0 {
			continue
		}
		middle := m.middle(place)
		var n, tempK, square, faint, byBias float64
		for _, l := range levels {
			f := float64(l.frames)
			k := f * (l.run.ht - middle)
			n += f
			tempK += f * l.run.tempK
			square += k * l.run.ht
			faint += k * l.faint[c] / (f * pixels)
			byBias += k
		}
		rate := sums.mean(c) - faint
		u2 := faint * faint / 4
		if middle == 0 {
			rate -= byBias * m.biasGood.mean(c)
			u2 += byBias * byBias * m.zero[c].U * m.zero[c].U
		}
		rate /= square
		for _, l := range levels {
			k := float64(l.frames) * (l.run.ht - middle)
			u2 += k * k * (l.offsetDN2[c] + (noise.base+noise.perDN*math.Max(0, rate*l.run.ht))/(float64(l.frames)*pixels))
		}
		p := darkPoint{tempK: tempK / n}
		h := hAt(law, p.tempK)
		p.rate = measure.Figure{Value: rate * h, U: math.Sqrt(u2) / square * h}
		out = append(out, p)
	}
	return out
}

// darkFigures are a cell's dark current, its law and its distribution, in
// electrons by the gain g.
func (m *sensorMeasuring) darkFigures(c int, f *CellFigures, g measure.Figure) {
	if m.darks == nil || m.darks.runs == 0 {
		return
	}
	if m.biasGood.n[c] == 0 {
		m.cannot("dark current of "+f.Name, "none of its pixels is good: see the limits of bad_pixels in the profile")
		return
	}
	d := &m.in.Profile.Detectors[m.detector].Dark
	points := m.darkPoints(c)
	fit := make([]measure.DarkPoint, len(points))
	for i, p := range points {
		e := measure.Figure{Value: p.rate.Value * g.Value, U: p.rate.U * g.Value}
		fit[i] = measure.DarkPoint{TempK: p.tempK, Rate: e}
		if !math.IsNaN(p.tempK) {
			f.Dark = append(f.Dark, Point{X: p.tempK, Y: e.Value, U: e.U, Used: true})
		}
	}
	withGain := func(e measure.Figure) measure.Figure {
		return measure.Figure{Value: e.Value, U: math.Hypot(e.U, e.Value*g.U/g.Value)}
	}
	law := darkLaw(&m.in.Profile.Detectors[m.detector])
	h := hAt(law, fit[0].TempK)
	near := measure.Figure{Value: fit[0].Rate.Value / h, U: fit[0].Rate.U / h}
	f.DarkRate = sensorFigure(withGain(near), "e-/s")
	f.DarkReferenceK = &d.ReferenceK
	if d.Law == configs.DarkConstant {
		return
	}
	if len(points) < 2 {
		m.cannotOnce("temperature law of the dark current", "darks of one temperature only: take darks at three or more")
		return
	}
	got, err := measure.FitDark(fit, d.Law, d.ReferenceK)
	if err != nil {
		m.cannotOnce("temperature law of the dark current", err.Error())
		return
	}
	f.DarkLaw = d.Law
	f.DarkRate = sensorFigure(withGain(got.Rate), "e-/s")
	switch d.Law {
	case configs.DarkDoubling:
		f.Doubling = sensorFigure(got.Parameter, "K").beside(d.IntervalK, d.LawRelUncert)
		f.Activation = m.otherLaw(fit, configs.DarkActivation, "eV")
	default:
		f.Activation = sensorFigure(got.Parameter, "eV").beside(d.EnergyEV, d.LawRelUncert)
		f.Doubling = sensorFigure(got.DoublingK(d.ReferenceK), "K")
	}
	both, err := measure.CompareDark(fit, d.ReferenceK)
	switch {
	case err != nil:
	case both.Decided:
		f.BetterLaw = both.Better
		if both.Better != d.Law {
			m.found.once(FoundOtherLaw, fmt.Sprintf("%s: the darks follow %s better than the profile's %s", f.Name, both.Better, d.Law), "set dark.law of the profile to it, after a look at the plot")
		}
	case both.TooNarrow:
		m.found.once(FoundLawsAlike, "the temperatures of the darks lie too close together to tell a doubling interval from an activation energy", "take darks over a wider range where it matters which law holds")
	}
}

// otherLaw is the parameter of the law that the profile does not use.
func (m *sensorMeasuring) otherLaw(points []measure.DarkPoint, kind, unit string) *SensorFigure {
	got, err := measure.FitDark(points, kind, m.in.Profile.Detectors[m.detector].Dark.ReferenceK)
	if err != nil {
		return nil
	}
	return sensorFigure(got.Parameter, unit)
}

// shapeQuantiles are the quantiles of the dark current that are told.
var shapeQuantiles = [...]float64{0.05, 0.25, 0.5, 0.75, 0.95, 0.99}

// Histograms of the dark current reach from shapeFrom to shapeTo e-/s.
const (
	shapeFrom, shapeTo = 0.01, 1e5
	shapeBins          = 10 // a decade
)

// takeShapes makes the distributions of the dark current over the pixels of
// each amplifier in the whole image, or of each band of it.
func (m *sensorMeasuring) takeShapes(gains []measure.Figure) {
	_, ht, ht2 := m.runsAt(0)
	values := make([][]float32, len(gains))
	row := make([]float32, m.sensor.Image.Width())
	for y, segs := range m.sensor.Segments() {
		m.ratePlane(y, row, ht, ht2)
		for _, g := range segs {
			if m.sensor.Map == nil {
				values[g.Amp] = append(values[g.Amp], row[g.X0:g.X1]...)
				continue
			}
			for x := g.X0; x < g.X1; x++ {
				if c := m.cellAt(g.Amp, x, y); c != noCell {
					values[c] = append(values[c], row[x])
				}
			}
		}
	}
	_ = parallel(m.pass.workers, len(values), func(_, c int) error {
		if len(values[c]) > 0 {
			m.out.Cells[c].DarkShape = m.shape(values[c], gains[c].Value)
		}
		return nil
	})
}

// shape is the distribution of the dark current of some pixels, DN/s.
func (m *sensorMeasuring) shape(values []float32, gain float64) *Shape {
	for i := range values {
		values[i] *= float32(gain)
	}
	d := measure.NewDistribution(values)
	out := &Shape{Pixels: d.N()}
	for _, p := range shapeQuantiles {
		out.Quantiles = append(out.Quantiles, ShapeQuantile{p, sensorFigure(d.Quantile(p), "e-/s")})
	}
	out.AboveHot = sensorFigure(d.Above(m.in.Profile.Detectors[m.detector].BadPixels.HotEPerS), "")
	h := d.LogHistogram(shapeFrom, shapeTo, shapeBins)
	out.Edges, out.Below, out.Above = h.Edges, h.Below, h.Above
	for _, n := range h.Count {
		out.Counts = append(out.Counts, n.Value)
	}
	return out
}

// cellAt is the cell that a pixel of the image belongs to, in the reference
// region or not; noCell where it sees no band.
func (m *sensorMeasuring) cellAt(amp, x, y int) int {
	if m.sensor.Map == nil {
		return amp
	}
	b := m.sensor.Map.Row(y)[x]
	if b == calib.NoBand {
		return noCell
	}
	return amp*m.sensor.Map.Bands + int(b)
}
