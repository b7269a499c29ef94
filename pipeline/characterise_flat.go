package pipeline

import (
	"math"

	"evenlight/calib"
	"evenlight/calib/measure"
)

// flatResponse is what the flats of one step tell of the pixels' response.
type flatResponse struct {
	step   *lampStep
	bright []measure.Pattern // by cell
	level  []float64         // by cell, DN above the bias
}

// flatOf is the step whose mean tells the response in a band: the one of most
// frames among those between a fifth and four fifths of saturation, of equally
// many the one nearest to the half of it, where EMVA 1288 has its flats.
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

// share is the level of a step's brightest cell relative to saturation as the
// profile has it.
func (m *sensorMeasuring) share(l *lampStep) float64 {
	f := l.frames[0]
	level, c := f.brightestCell()
	return (level - m.zero[c].Value) / m.nominalSaturation(f, c)
}

// nominalSaturation is the profile's saturation of a cell, DN above the bias.
func (m *sensorMeasuring) nominalSaturation(f *calFrame, c int) float64 {
	a := m.cells.amps[c]
	dark := f.offset[a] + m.zero[c].Value
	return m.sensor.SaturationLevel(a, dark, nil) - dark
}

// takeFlat marks dead and low pixels and measures the pattern of the response,
// relative to the mean of each cell and less the biases. pairs are those of the
// step, by cell.
func (m *sensorMeasuring) takeFlat(l *lampStep, plane *meanPlane, pairs [][]litPair) {
	plane.finish()
	r := &flatResponse{step: l}
	temporal := make([]measure.Figure, len(pairs))
	for c := range pairs {
		var mean float64
		var noise pairSet
		for _, p := range pairs[c] {
			mean += p.pair.Mean.Value / float64(len(pairs[c]))
			noise.variance = append(noise.variance, p.variance)
		}
		level := mean - m.zero[c].Value
		r.level = append(r.level, level)
		flat, bias := noise.noise(), m.zeroPairs[c].noise()
		frames, zeros, k := float64(plane.frames), float64(m.bias.frames), level*level
		temporal[c] = measure.Figure{Value: (flat.Value/frames + bias.Value/zeros) / k, U: math.Hypot(flat.U/frames, bias.U/zeros) / k}
	}
	m.markFlat(plane, r.level, temporal)
	for c := range pairs {
		r.bright = append(r.bright, m.patternOf(c, plane.v, m.shading(c, plane.v), temporal[c]))
	}
	m.flats = append(m.flats, r)
}

// flatHitSigmas is how far the samples of a pixel in two equal flats are apart,
// in standard deviations of their difference, that a cosmic ray has hit one. Of
// normal noise 6 in 10 million are.
const flatHitSigmas = 5

// hitLimit is what a flat differs by from others in a cell: by shift on average,
// and where neither was hit by no more than reach from it, DN.
type hitLimit struct{ shift, reach float32 }

// hitLimits are the limits of a flat against the mean of others, by cell, from
// their levels and the expected noise.
func (m *sensorMeasuring) hitLimits(f *calFrame, others []*calFrame) []hitLimit {
	noise := m.expectedDark()
	n := float64(len(others))
	out := make([]hitLimit, len(m.cells.names))
	for c, amp := range m.cells.amps {
		level := 0.0
		for _, o := range others {
			level += o.level[c] / n
		}
		variance := (noise[amp].base + noise[amp].perDN*math.Max(0, level-m.zero[c].Value)) * (1 + 1/n)
		out[c] = hitLimit{float32(f.level[c] - level), float32(flatHitSigmas * math.Sqrt(variance))}
	}
	return out
}

// addMended adds flats to the plane of their step: a pair, each of the two held
// against the other, or a frame by itself held against the mean of those before
// it. What the others have goes in place of samples that stand out: a hit that
// stayed in the mean would count as the pixel's response. Where a frame could
// not be read, what is left of its pair goes in as it is.
func (m *sensorMeasuring) addMended(plane *meanPlane, frames, before []*calFrame) rowTaker {
	others := before
	if len(frames) == 2 {
		others = frames[1:]
	}
	if len(others) == 0 {
		return plane.add
	}
	limits, k := m.hitLimits(frames[0], others), 1/float32(len(others))
	return func(y int, rows [][]float32) {
		switch {
		case len(rows) == 2:
			m.mendHits(y, rows[0], rows[1], 1, limits, true)
		case len(frames) == 1:
			m.mendHits(y, rows[0], plane.v[y*plane.width:(y+1)*plane.width], k, limits, false)
		}
		plane.add(y, rows)
	}
}

// mendHits holds a row of a flat against k times a row of others, and both ways
// where both may be changed.
func (m *sensorMeasuring) mendHits(y int, a, b []float32, k float32, limits []hitLimit, both bool) {
	for x, c := range m.cells.rows[y] {
		if c == noCell {
			continue
		}
		l := limits[c]
		switch d := a[x] - b[x]*k - l.shift; {
		case d > l.reach:
			a[x] = b[x]*k + l.shift
		case d < -l.reach && both:
			b[x] = a[x] - l.shift
		}
	}
}

// markFlat makes a flat relative to the level of each cell, and marks the
// pixels of hardly any, or low, response.
func (m *sensorMeasuring) markFlat(plane *meanPlane, level []float64, temporal []measure.Figure) {
	segs := m.sensor.Segments()
	m.overRows(func(y int, _ []float32, _ *cellSums) {
		row := plane.v[y*plane.width : (y+1)*plane.width]
		bias := m.bias.v[y*plane.width : (y+1)*plane.width]
		for _, g := range segs[y] {
			for x := g.X0; x < g.X1; x++ {
				c := m.cellAt(g.Amp, x, y)
				if c == noCell {
					row[x] = float32(math.NaN())
					continue
				}
				row[x] = (row[x] - bias[x]) / float32(level[c])
			}
		}
	})
	d := &m.in.Profile.Detectors[m.detector].BadPixels
	mask := make([]calib.Flags, len(m.mask))
	calib.MarkFlat(mask, &calib.Plane{Width: plane.width, Value: plane.v}, calib.BadPixelLimits{DeadBelow: d.DeadBelow, LowBelow: d.LowBelow})
	for i, f := range mask {
		if v := plane.v[i]; v == v {
			m.mask[i] |= f
		}
	}
	worst := 0.0
	for _, t := range temporal {
		if t.Value > worst { // NaN, of a band that is not seen, is not
			worst = t.Value
		}
	}
	for _, v := range plane.v {
		// Shading is some per cent and only shifts which few pixels lie near.
		if v < 2*float32(d.LowBelow) {
			sigma := math.Sqrt(worst * math.Max(float64(v), 0.05)) // shot noise goes with the light
			m.nearDead.add((d.DeadBelow - float64(v)) / sigma)
			m.nearLow.add((d.LowBelow - float64(v)) / sigma)
		}
	}
}

// patternOf is the spatial pattern of a cell in a plane of means over frames,
// bad pixels left out, each divided by its shading (nil: 1); temporal is the
// variance of a value of the plane.
func (m *sensorMeasuring) patternOf(c int, plane []float32, shade func(x, y int) float64, temporal measure.Figure) measure.Pattern {
	width := m.sensor.Image.Width()
	s := measure.NewSpatial(width)
	row := make([]float32, width)
	nan := float32(math.NaN())
	for y, cells := range m.cells.rows {
		if cells == nil {
			continue
		}
		mask := m.mask[y*width : (y+1)*width]
		any := false
		for x, k := range cells {
			row[x] = nan
			if int(k) != c || mask[x] != 0 {
				continue
			}
			any = true
			v := plane[y*width+x]
			if shade != nil {
				v /= float32(shade(x, y))
			}
			row[x] = v
		}
		if any {
			s.AddRow(0, 1, row)
		}
	}
	return s.Pattern(temporal)
}

// shadeCells is the number of blocks along each side of a cell that its
// shading is fitted to.
const shadeCells = 16

// shading is the second-order surface through a cell of a flat, relative to
// its mean: the lamp's and the optics', not the pixels'. Nil where it cannot be
// told. Shading of higher order stays in.
func (m *sensorMeasuring) shading(c int, plane []float32) func(x, y int) float64 {
	width := m.sensor.Image.Width()
	ref := m.sensor.Reference.Shift(-m.sensor.Image.X0, -m.sensor.Image.Y0)
	var sum, count, atX, atY [shadeCells * shadeCells]float64 // a block of a strip, or without bad pixels, has its middle elsewhere
	u := func(x int) float64 { return (2*float64(x-ref.X0)+1)/float64(ref.Width()) - 1 }
	v := func(y int) float64 { return (2*float64(y-ref.Y0)+1)/float64(ref.Height()) - 1 }
	for y := ref.Y0; y < ref.Y1; y++ {
		up := v(y)
		cells, mask := m.cells.rows[y], m.mask[y*width:(y+1)*width]
		for x := ref.X0; x < ref.X1; x++ {
			if p := plane[y*width+x]; int(cells[x]) == c && mask[x] == 0 && p == p {
				b := (y-ref.Y0)*shadeCells/ref.Height()*shadeCells + (x-ref.X0)*shadeCells/ref.Width()
				sum[b] += float64(p)
				count[b]++
				atX[b] += u(x)
				atY[b] += up
			}
		}
	}
	var design [][]float64
	var level, weight []float64
	all, n := 0.0, 0.0
	for b, k := range count {
		if k == 0 {
			continue
		}
		x, y := atX[b]/k, atY[b]/k
		design = append(design, []float64{1, x, y, x * x, x * y, y * y})
		level, weight = append(level, sum[b]/k), append(weight, k)
		all, n = all+sum[b], n+k
	}
	fit, err := calib.LeastSquares(design, level, weight)
	if err != nil || !(all > 0) {
		return nil
	}
	k, mean := fit.Coef, all/n
	return func(x, y int) float64 {
		a, b := u(x), v(y)
		return (k[0] + k[1]*a + k[2]*b + k[3]*a*a + k[4]*a*b + k[5]*b*b) / mean
	}
}
