package pipeline

import (
	"fmt"
	"math"
	"slices"

	"evenlight/calib/measure"
)

// twoByTwo puts frames of one level into pairs, the last alone where their
// number is odd.
func twoByTwo(frames []*calFrame) [][]*calFrame { return slices.Collect(slices.Chunk(frames, 2)) }

// inGroups puts frames of one level together for a pass that needs no pairs.
func inGroups(frames []*calFrame) [][]*calFrame {
	return slices.Collect(slices.Chunk(frames, groupFrames))
}

// order is the order in which the frames of a set are gone through.
func (m *sensorMeasuring) order() [][]*calFrame {
	out := twoByTwo(m.biases)
	for _, r := range m.runs {
		out = append(out, inGroups(r.frames)...)
	}
	for _, l := range m.lamps {
		out = append(out, twoByTwo(l.frames)...)
	}
	return out
}

// nextPair takes the next pair and names files that cannot be read.
func (m *sensorMeasuring) nextPair(what string, take rowTaker) *passed {
	return m.next(what, true, take)
}

// next takes the next frames and names files that cannot be read.
func (m *sensorMeasuring) next(what string, pair bool, take rowTaker) *passed {
	if m.opt.Progress != nil {
		m.opt.Progress(m.done, m.total, m.name()+": "+what)
	}
	m.done++
	out, errs := m.pass.next(pair, take)
	m.failures = append(m.failures, errs...)
	return out
}

// steady takes the part of the offsets' noise off a pair's variance: each row's
// offset has noise of its own, which the pixels of the row share and the
// difference of the frames' levels does not show.
func (m *sensorMeasuring) steady(p measure.Pair, cell int, two *passed) measure.Figure {
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
	pairs := twoByTwo(m.biases)
	cells := len(m.cells.names)
	m.zero, m.zeroPairs = make([]measure.Figure, cells), make([]pairSet, cells)
	if len(pairs) == 0 {
		return
	}
	m.bias = newMeanPlane(m.sensor.Image)
	for range pairs {
		two := m.nextPair("bias", m.bias.add)
		m.bias.frames += len(two.frames)
		for c := range two.cells {
			a := m.cells.amps[c]
			s := &m.zeroPairs[c]
			s.variance = append(s.variance, m.steady(two.cells[c], c, two))
			if m.sensor.Codes != nil {
				w := m.pass.step(two.frames[0].of, c)
				s.codesU = codesShare * w * w / 12
			}
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
	return measure.Figure{Value: sum / n, U: math.Hypot(math.Sqrt(square)/n, s.codesU)}
}

// codesShare is how far the variance of rounding to unequal codes may be from
// w^2/12, relative: found on simulated frames of 256 square-root codes as wide
// as 1.6 standard deviations of the noise.
const codesShare = 0.15

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

// takeDarks goes through the darks.
func (m *sensorMeasuring) takeDarks() {
	if len(m.runs) == 0 {
		return
	}
	m.darks = newDarkPlanes(m.sensor.Image)
	m.darkNoise = m.expectedDark()
	for _, r := range m.runs {
		m.takeRun(r)
	}
	if m.darks.runs == 0 {
		return
	}
	m.markHot()
	m.markUnstable()
	for place := range m.darks.slope {
		m.slopes = append(m.slopes, m.sumGood(m.darks.slope[place]))
	}
	m.biasGood = m.sumGood(m.bias.v)
	m.darks.free()
}

// takeRun goes through one run.
func (m *sensorMeasuring) takeRun(r *darkRun) {
	d := m.darks
	d.frames = 0
	offset := make([]float64, len(m.sensor.Amps)) // sum over groups
	for range inGroups(r.frames) {
		first := d.frames == 0
		some := m.next("dark", false, func(y int, rows [][]float32) { d.add(first, y, rows) })
		n := float64(len(some.frames))
		d.frames += len(some.frames)
		for a := range some.offsetDN2 {
			offset[a] += some.offsetDN2[a] * n * n
		}
	}
	if d.frames == 0 {
		return
	}
	d.runs++
	d.total += d.frames
	l := darkLevel{run: r, frames: d.frames}
	for _, a := range m.cells.amps {
		l.offsetDN2 = append(l.offsetDN2, offset[a]/float64(d.frames*d.frames))
	}
	d.slopeOf(r.place)
	w := darkWeights{r.place, r.ht, m.middle(r.place)}
	segs := m.sensor.Segments()
	l.faint = m.overRows(func(y int, _ []float32, sums *cellSums) {
		d.foldRow(y, segs[y], m.cells.rows[y], m.darkNoise, m.bias.v, w, sums.sum)
	}).sum
	m.levels = append(m.levels, l)
}

// middle is the h(T)t about which the runs of a temperature turn: the mean over
// their frames, or none where they are of one exposure time.
func (m *sensorMeasuring) middle(place int) float64 {
	runs, n, sum := 0, 0.0, 0.0
	for _, r := range m.runs {
		if r.place == place {
			runs++
			n += float64(len(r.frames))
			sum += float64(len(r.frames)) * r.ht
		}
	}
	if runs < 2 {
		return 0
	}
	return sum / n
}

// sumGood sums the good pixels of a plane by cell.
func (m *sensorMeasuring) sumGood(plane []float32) *cellSums {
	return m.overRows(func(y int, row []float32, sums *cellSums) {
		m.sumRow(y, plane[y*len(row):(y+1)*len(row)], sums)
	})
}

// cellSums are sums over the good pixels of each cell.
type cellSums struct {
	sum []float64
	n   []int
}

func newCellSums(cells int) *cellSums {
	return &cellSums{make([]float64, cells), make([]int, cells)}
}

func (s *cellSums) add(o *cellSums) {
	for c := range s.sum {
		s.sum[c] += o.sum[c]
		s.n[c] += o.n[c]
	}
}

// mean is the mean of a cell.
func (s *cellSums) mean(c int) float64 { return s.sum[c] / float64(s.n[c]) }

// overRows calls do for each image row, and puts the sums of its cells
// together in the order of the rows.
func (m *sensorMeasuring) overRows(do func(y int, row []float32, sums *cellSums)) *cellSums {
	im := m.sensor.Image
	bands := (im.Height() + passRows - 1) / passRows
	parts := make([]*cellSums, bands)
	_ = parallel(m.pass.workers, bands, func(w, band int) error {
		parts[band] = newCellSums(len(m.cells.names))
		for y := band * passRows; y < min(im.Height(), (band+1)*passRows); y++ {
			do(y, m.pass.work[w].raw, parts[band])
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
	if whole {
		plane = newMeanPlane(m.sensor.Image)
	}
	pairs := make([][]litPair, len(m.lit))
	for _, frames := range twoByTwo(l.frames) {
		var add rowTaker
		if whole {
			add = m.addMended(plane, frames, l.frames[:plane.frames])
		}
		two := m.nextPair(fmt.Sprintf("%s %s", l.kind, l.band), add)
		if plane != nil {
			plane.frames += len(two.frames)
		}
		for c := range two.cells {
			pairs[c] = append(pairs[c], m.litPair(l, two, c))
		}
	}
	for c := range pairs {
		m.lit[c] = append(m.lit[c], pairs[c]...)
	}
	if whole && len(pairs[0]) > 0 {
		m.takeFlat(l, plane, pairs)
	}
}

func (m *sensorMeasuring) litPair(l *lampStep, two *passed, c int) litPair {
	out := litPair{step: l, pair: two.cells[c], variance: m.steady(two.cells[c], c, two), offsetDN2: two.offsetDN2[m.cells.amps[c]],
		stepDN: m.pass.step(two.frames[0].of, c)}
	for _, f := range two.frames {
		out.frames = append(out.frames, f.of)
		out.saturated = math.Max(out.saturated, f.of.saturated[c])
		out.timeS += f.of.Info.Time.Sub(m.all[0].Info.Time).Seconds() / 2
	}
	return out
}
