package pipeline

import (
	"fmt"
	"math"

	"evenlight/calib"
	"evenlight/calib/measure"
)

// twoByTwo puts frames of one level into pairs, the last alone where their
// number is odd.
func twoByTwo(frames []*calFrame) [][2]*calFrame {
	var out [][2]*calFrame
	for i := 0; i < len(frames); i += 2 {
		two := [2]*calFrame{frames[i]}
		if i+1 < len(frames) {
			two[1] = frames[i+1]
		}
		out = append(out, two)
	}
	return out
}

// order is the order in which the frames of a set are gone through.
func (m *sensorMeasuring) order() [][2]*calFrame {
	out := twoByTwo(m.sensorSet.bias)
	for _, r := range m.runs {
		out = append(out, twoByTwo(r.frames)...)
	}
	for _, l := range m.lamps {
		out = append(out, twoByTwo(l.frames)...)
	}
	return out
}

// next takes the next pair and names files that cannot be read.
func (m *sensorMeasuring) next(what string, addRow func(y int, a, b []float32)) *pairOf {
	if m.opt.Progress != nil {
		m.opt.Progress(m.done, m.total, m.name()+": "+what)
	}
	m.done++
	two, errs := m.pass.next(addRow)
	for _, err := range errs {
		m.failures = append(m.failures, err)
	}
	return two
}

// steady takes the part of the offsets' noise off a pair's variance: each row's
// offset has noise of its own, which the pixels of the row share and the
// difference of the frames' levels does not show.
func (m *sensorMeasuring) steady(p measure.Pair, cell int, two *pairOf) measure.Figure {
	v := p.Variance
	a := m.cells.amps[cell]
	rows, sum := 0, 0.0
	for y, row := range m.pass.runs {
		if row == nil {
			continue
		}
		rows++
		for _, f := range two.frames {
			if q := f.traces[a].Variance[y]; q == q {
				sum += float64(q) / float64(len(two.frames))
			}
		}
	}
	if rows == 0 {
		return v
	}
	smooth := m.sensor.Offset.SmoothRows
	if smooth == 0 {
		smooth = rows
	}
	v.Value -= sum / float64(rows) * math.Max(0, 1-float64(smooth)/float64(rows))
	return v
}

// takeBiases makes the mean of the biases and their temporal noise.
func (m *sensorMeasuring) takeBiases() {
	pairs := twoByTwo(m.sensorSet.bias)
	cells := len(m.cells.names)
	m.zero, m.zeroPairs = make([]measure.Figure, cells), make([]pairSet, cells)
	if len(pairs) == 0 {
		return
	}
	m.bias = newMeanPlane(m.sensor.Image)
	for range pairs {
		two := m.next("bias", m.bias.add)
		m.bias.frames += len(two.frames)
		for c := range two.cells {
			a := m.cells.amps[c]
			s := &m.zeroPairs[c]
			s.variance = append(s.variance, m.steady(two.cells[c], c, two))
			s.mean = append(s.mean, two.cells[c].Mean.Value)
			s.offset = append(s.offset, two.offsetDN2[a]+two.cells[c].Mean.U*two.cells[c].Mean.U)
		}
	}
	m.bias.finish()
	for c := range m.zero {
		m.zero[c] = m.zeroPairs[c].level()
	}
}

// level is the mean level of the pairs.
func (s *pairSet) level() measure.Figure {
	n := float64(len(s.mean))
	sum, square := 0.0, 0.0
	for i, v := range s.mean {
		sum += v
		square += s.offset[i]
	}
	return measure.Figure{Value: sum / n, U: math.Sqrt(square) / n}
}

// noise is the mean variance of the pairs.
func (s *pairSet) noise() measure.Figure {
	n := float64(len(s.variance))
	sum, square := 0.0, 0.0
	for _, v := range s.variance {
		sum += v.Value
		square += v.U * v.U
	}
	return measure.Figure{Value: sum / n, U: math.Sqrt(square) / n}
}

// expectedDark is what the samples of darks should scatter by: the biases'
// noise and the shot noise of the charge.
func (m *sensorMeasuring) expectedDark() []darkNoise {
	out := make([]darkNoise, len(m.sensor.Amps))
	for a, amp := range m.sensor.Amps {
		r := amp.ReadNoiseE / amp.GainEPerDN
		base, slope := m.sensor.Quantisation(0)
		out[a] = darkNoise{base: r*r + base, perDN: 1/amp.GainEPerDN + slope}
		for c, of := range m.cells.amps {
			if of == a && len(m.zeroPairs[c].variance) > 0 {
				out[a].base = m.zeroPairs[c].noise().Value
			}
		}
	}
	return out
}

// takeDarks goes through the darks, those of the temperature nearest to the
// reference first: they tell which pixels are hot.
func (m *sensorMeasuring) takeDarks() {
	if len(m.runs) == 0 {
		return
	}
	m.darks = newDarkPlanes(m.sensor.Image)
	m.darkNoise = m.expectedDark()
	for i, r := range m.runs {
		m.takeRun(r)
		if r.place == 0 && (i+1 == len(m.runs) || m.runs[i+1].place != 0) {
			m.markHot()
			m.levelsOfNearest()
		}
	}
	m.markUnstable()
}

// takeRun goes through one run.
func (m *sensorMeasuring) takeRun(r *darkRun) {
	d := m.darks
	d.frames = 0
	offset := make([]float64, len(m.sensor.Amps)) // sum over pairs
	for range twoByTwo(r.frames) {
		first := d.frames == 0
		two := m.next("dark", func(y int, a, b []float32) { d.add(first, y, a, b) })
		n := float64(len(two.frames))
		d.frames += len(two.frames)
		for a := range two.offsetDN2 {
			offset[a] += two.offsetDN2[a] * n * n
		}
	}
	if d.frames == 0 {
		return
	}
	d.runs++
	d.total += d.frames
	near := r.place == 0
	sums := m.foldRun(near, r.ht)
	l := darkLevel{run: r, frames: d.frames}
	if !near {
		for c := range m.cells.names {
			n := float64(d.frames)
			l.level = append(l.level, sums.figure(c, offset[m.cells.amps[c]]/(n*n)))
		}
	} else {
		for c := range m.cells.names { // the good pixels are not known yet
			n := float64(d.frames)
			l.level = append(l.level, measure.Figure{U: math.Sqrt(offset[m.cells.amps[c]]) / n})
		}
	}
	m.levels = append(m.levels, l)
}

// cellSums are sums over the good pixels of each cell.
type cellSums struct {
	sum, square []float64
	n           []int
}

func newCellSums(cells int) *cellSums {
	return &cellSums{make([]float64, cells), make([]float64, cells), make([]int, cells)}
}

func (s *cellSums) add(o *cellSums) {
	for c := range s.sum {
		s.sum[c] += o.sum[c]
		s.square[c] += o.square[c]
		s.n[c] += o.n[c]
	}
}

// figure is the mean of a cell; its uncertainty is that of the offsets and of
// the scatter over the pixels, which is the sensor's own in part.
func (s *cellSums) figure(c int, offsetDN2 float64) measure.Figure {
	n := float64(s.n[c])
	return measure.Figure{Value: s.sum[c] / n, U: math.Sqrt(offsetDN2)}
}

// foldRun ends a run of darks over the image and sums the good pixels of each
// cell. Without bias their level is above the offset.
func (m *sensorMeasuring) foldRun(near bool, ht float64) *cellSums {
	var bias []float32
	if m.bias != nil {
		bias = m.bias.v
	}
	segs := m.sensor.Segments()
	return m.overRows(func(y int, means []float32, sums *cellSums) {
		if near {
			means = nil
		}
		m.darks.fold(y, segs[y], m.darkNoise, bias, means, near, ht)
		if means != nil {
			m.sumRow(y, means, sums)
		}
	})
}

// overRows calls do for each image row, and puts the sums of its cells
// together in the order of the rows.
func (m *sensorMeasuring) overRows(do func(y int, row []float32, sums *cellSums)) *cellSums {
	im := m.sensor.Image
	bands := (im.Height() + passRows - 1) / passRows
	parts := make([]*cellSums, bands)
	_ = parallel(m.pass.workers, bands, func(w, band int) error {
		parts[band] = newCellSums(len(m.cells.names))
		for y := band * passRows; y < min(im.Height(), (band+1)*passRows); y++ {
			do(y, m.pass.work[w].a, parts[band])
		}
		return nil
	})
	total := newCellSums(len(m.cells.names))
	for _, p := range parts {
		total.add(p)
	}
	return total
}

// sumRow adds the good pixels of a row to the sums of its cells.
func (m *sensorMeasuring) sumRow(y int, row []float32, sums *cellSums) {
	cells := m.cells.rows[y]
	mask := m.mask[y*len(row) : (y+1)*len(row)]
	for x, c := range cells {
		if v := row[x]; c != noCell && mask[x] == 0 && v == v {
			sums.sum[c] += float64(v)
			sums.n[c]++
		}
	}
}

// nearest are the runs of the temperature nearest to the reference, with the
// sums of n, n h(T)t and n (h(T)t)^2 over them.
func (m *sensorMeasuring) nearest() (levels []darkLevel, n, nht, nht2 float64) {
	for _, l := range m.levels {
		if l.run.place != 0 {
			continue
		}
		f := float64(l.frames)
		levels = append(levels, l)
		n, nht, nht2 = n+f, nht+f*l.run.ht, nht2+f*l.run.ht*l.run.ht
	}
	return levels, n, nht, nht2
}

// ratePlane writes a row of the dark current at the temperature nearest to the
// reference, DN/s at the reference temperature.
func (m *sensorMeasuring) ratePlane(y int, row []float32) {
	_, _, nht, nht2 := m.nearest()
	i := y * len(row)
	for x := range row {
		b := float32(0)
		if m.bias != nil {
			b = m.bias.v[i+x]
		}
		row[x] = (m.darks.rate[i+x] - b*float32(nht)) / float32(nht2)
	}
}

// markHot marks the pixels above the profile's limit of dark current.
func (m *sensorMeasuring) markHot() {
	d := &m.in.Profile.Detectors[m.detector]
	segs := m.sensor.Segments()
	m.overRows(func(y int, row []float32, _ *cellSums) {
		m.ratePlane(y, row)
		mask := m.mask[y*len(row) : (y+1)*len(row)]
		for _, g := range segs[y] {
			limit := float32(d.BadPixels.HotEPerS / m.sensor.Amps[g.Amp].GainEPerDN)
			for x := g.X0; x < g.X1; x++ {
				if !(row[x] <= limit) {
					mask[x] |= calib.Hot
				}
			}
		}
	})
}

// levelsOfNearest turns the sums over the runs of the temperature nearest to
// the reference into one level of rate and one of intercept: see darkRates.
func (m *sensorMeasuring) levelsOfNearest() {
	for _, plane := range []struct {
		from []float32
		to   *[]float64
	}{{m.darks.level, &m.nearLevel}, {m.darks.rate, &m.nearRate}} {
		sums := m.overRows(func(y int, row []float32, sums *cellSums) {
			m.sumRow(y, plane.from[y*len(row):(y+1)*len(row)], sums)
		})
		for c := range sums.sum {
			*plane.to = append(*plane.to, sums.sum[c]/float64(sums.n[c]))
		}
	}
}

// markUnstable marks the pixels whose darks scatter more than noise allows.
func (m *sensorMeasuring) markUnstable() {
	d := m.darks
	lim := m.in.Profile.Detectors[m.detector].BadPixels
	d.scatter()
	only := make([]float32, len(d.chi)) // dark current of no pixel is hot here: markHot has marked them
	calib.MarkDark(m.mask, only, d.chi, d.kept, d.total, calib.BadPixelLimits{HotEPerS: math.Inf(1), UnstableSigma: lim.UnstableSigma})
}

// takeLamps goes through flats and ladder.
func (m *sensorMeasuring) takeLamps() {
	m.lit = make([][]litPair, len(m.cells.names))
	for _, l := range m.lamps {
		m.takeStep(l, m.flatOf(l.band) == l)
	}
}

// takeStep goes through one step of flats; whole says that the mean of its
// frames tells the response of each pixel.
func (m *sensorMeasuring) takeStep(l *lampStep, whole bool) {
	var plane *meanPlane
	var add func(y int, a, b []float32)
	if whole {
		plane = newMeanPlane(m.sensor.Image)
		add = plane.add
	}
	first := make([]int, len(m.lit))
	for c := range m.lit {
		first[c] = len(m.lit[c])
	}
	for range twoByTwo(l.frames) {
		two := m.next(fmt.Sprintf("%s %s", l.kind, l.band), add)
		if plane != nil {
			plane.frames += len(two.frames)
		}
		for c := range two.cells {
			m.lit[c] = append(m.lit[c], m.litPair(l, two, c))
		}
	}
	if whole && plane.frames > 0 {
		m.takeFlat(l, plane, first)
	}
}

func (m *sensorMeasuring) litPair(l *lampStep, two *pairOf, c int) litPair {
	out := litPair{step: l, pair: two.cells[c], variance: m.steady(two.cells[c], c, two), offsetDN2: two.offsetDN2[m.cells.amps[c]],
		stepDN: m.pass.step(two.frames[0].of, c)}
	for _, f := range two.frames {
		out.frames = append(out.frames, f.of)
		out.saturated = math.Max(out.saturated, f.of.saturated[c])
		out.timeS += f.of.Info.Time.Sub(m.all[0].Info.Time).Seconds() / 2
	}
	return out
}

// flatOf is the step whose mean tells the response in a band: the one of most
// frames among those between a fifth and four fifths of the converter's range
// or the profile's full well, of equally many the one nearest to the half of
// it, as EMVA 1288 has it.
func (m *sensorMeasuring) flatOf(band string) *lampStep {
	var best *lampStep
	off := func(l *lampStep) float64 { return math.Abs(m.share(l) - 0.5) }
	for _, l := range m.lamps {
		if l.band != band || !(off(l) <= 0.3) {
			continue
		}
		if best == nil || len(l.frames) > len(best.frames) || len(l.frames) == len(best.frames) && off(l) < off(best) {
			best = l
		}
	}
	return best
}

// share is the level of a step's brightest cell relative to saturation.
func (m *sensorMeasuring) share(l *lampStep) float64 {
	level, c := l.frames[0].brightestCell()
	a := m.cells.amps[c]
	return (level - m.zero[c].Value) / (m.sensor.SaturationLevel(a, l.frames[0].offset[a]+m.zero[c].Value, nil) - l.frames[0].offset[a] - m.zero[c].Value)
}
