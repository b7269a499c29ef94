package pipeline

import (
	"fmt"
	"math"

	"evenlight/calib"
	"evenlight/configs"
)

// smearRule says how the frame gathered its smear.
func (p *plan) smearRule() calib.SmearRule {
	d := p.in.Profile.Detectors[p.frame.Detector].Smear
	r := calib.SmearRule{
		RowS: d.RowS, ToFirst: d.Toward == configs.FirstRow, OwnRow: d.OwnRow, ExposeS: p.frame.Info.ExposureS,
		Before: d.When != configs.ShiftAfter, After: d.When != configs.ShiftBefore, Measured: d.MaskedRows != nil,
	}
	for i, a := range p.sensor.Amps {
		rounding, _ := p.sensor.Quantisation(p.zeroDN(i))
		r.NoiseE2 = max(r.NoiseE2, a.ReadNoiseE*a.ReadNoiseE+a.GainEPerDN*a.GainEPerDN*rounding)
	}
	return r
}

// smearRows is the number of rows that one job of the smear's first pass takes.
const smearRows = 64

// solveSmear finds the smear of a frame that lies in memory, from its masked
// rows or from the image as the stages before the smear leave it.
func (p *plan) solveSmear(rows calib.RawRows, before []calib.Stage, workers int) error {
	rule := p.smearRule()
	if !(rule.ExposeS > 0) {
		return fmt.Errorf("an exposure time of %g s has no smear to tell from its light: switch stage smear off, or mark such frames as another kind", rule.ExposeS)
	}
	p.smear = &calib.SmearStage{Rule: rule}
	if rule.Measured && p.frame.Info.Kind != configs.KindLadder { // a ladder stays in DN, and its smear is solved from them
		m, err := p.maskedSmear(rule, rows)
		p.smear.Map = m
		return err
	}
	im := p.sensor.Image
	n, bad := make([]float32, im.Width()*im.Height()), make([]bool, im.Width()*im.Height())
	chain := calib.NewChain(p.sensor, before, nil, nil)
	chain.Grow = 0
	scratch := make([]calib.Scratch, max(1, workers))
	err := parallel(workers, (im.Height()+smearRows-1)/smearRows, func(w, i int) error {
		y1 := min((i+1)*smearRows, im.Height())
		return chain.Run(&rawRowsCopy{rows: rows}, i*smearRows, y1, &scratch[w], func(r *calib.Row) error {
			at := r.Y * im.Width()
			copy(n[at:], r.V)
			for x, f := range r.Flags {
				bad[at+x] = f&calib.Unusable != 0
			}
			return nil
		})
	})
	if err != nil {
		return err
	}
	p.smear.Map = calib.SolveSmear(rule, im.Width(), n, bad)
	return nil
}

// rawRowsCopy lets several goroutines read rows of one frame that lies in
// memory.
type rawRowsCopy struct{ rows calib.RawRows }

// RawRow implements calib.RawRows.
func (r *rawRowsCopy) RawRow(y, x0, x1 int, dst []float32) ([]float32, error) {
	if f, ok := r.rows.(*rawRows); ok {
		own := rawRows{f: f.f}
		return own.RawRow(y, x0, x1, dst)
	}
	return r.rows.RawRow(y, x0, x1, dst)
}

// maskedDN returns the mean of the masked rows of each column of the image,
// DN above offset, and the number of samples kept. Samples further than the
// offset's limit from the column's median, such as cosmic-ray hits, are left
// out.
func maskedDN(s *calib.Sensor, masked [2]int, rows calib.RawRows, traces []calib.OffsetTrace) (mean []float32, kept []int, err error) {
	if s.Codes != nil {
		rows = calib.Decompanded{Rows: rows, Sensor: s}
	}
	im := s.Image
	n := masked[1] - masked[0] + 1
	all := make([]float32, n*im.Width())
	for i := range n {
		dst := all[i*im.Width() : (i+1)*im.Width()]
		y := masked[0] - 1 + i
		row, err := rows.RawRow(y, im.X0, im.X1, dst)
		if err != nil {
			return nil, nil, err
		}
		copy(dst, row)
		nearest := min(max(y-im.Y0, 0), im.Height()-1)
		for _, g := range s.Segments()[nearest] {
			for x := g.X0; x < g.X1; x++ {
				dst[x] -= traces[g.Amp].DN[nearest]
			}
		}
	}
	mean, kept = make([]float32, im.Width()), make([]int, im.Width())
	column, sorted := make([]float32, n), make([]float32, n)
	for _, g := range maskedSegments(s, masked) {
		amp := s.Amps[g.Amp]
		read := amp.ReadNoiseE / amp.GainEPerDN
		zero := traces[g.Amp].Level
		if zero != zero {
			zero = 0
		}
		base, slope := s.Quantisation(zero)
		for x := g.X0; x < g.X1; x++ {
			for i := range column {
				column[i] = all[i*im.Width()+x]
			}
			mean[x], kept[x] = clippedColumn(column, sorted, func(level float64) float64 {
				level = max(level, 0)
				return s.Offset.RejectSigma * math.Sqrt(read*read+base+(1/amp.GainEPerDN+slope)*level)
			})
		}
	}
	return mean, kept, nil
}

// maskedSegments are the amplifiers that read the masked rows: those of the
// nearest row of the image.
func maskedSegments(s *calib.Sensor, masked [2]int) []calib.Segment {
	return s.Segments()[nearestRow(s, masked)]
}

// nearestRow is the row of the image nearest to the masked rows.
func nearestRow(s *calib.Sensor, masked [2]int) int {
	return min(max(masked[0]-1-s.Image.Y0, 0), s.Image.Height()-1)
}

// clippedColumn is the mean of the samples within a limit of their median, at
// which it counts; where there is none, the median.
func clippedColumn(column, sorted []float32, limitAt func(level float64) float64) (mean float32, kept int) {
	there := sorted[:0]
	for _, v := range column {
		if v == v {
			there = append(there, v)
		}
	}
	if len(there) == 0 {
		return float32(math.NaN()), 0
	}
	median := float64(calib.Median(there))
	limit, sum := limitAt(median), 0.0
	for _, v := range column {
		if math.Abs(float64(v)-median) <= limit {
			sum += float64(v)
			kept++
		}
	}
	if kept == 0 { // an even number of samples, half of them far off
		return float32(median), 1
	}
	return float32(sum / float64(kept)), kept
}

// maskedSmear turns the masked rows of a frame into its smear.
func (p *plan) maskedSmear(rule calib.SmearRule, rows calib.RawRows) (*calib.SmearMap, error) {
	d := &p.in.Profile.Detectors[p.frame.Detector]
	dn, kept, err := maskedDN(p.sensor, *d.Smear.MaskedRows, rows, p.traces)
	if err != nil {
		return nil, err
	}
	nearest := nearestRow(p.sensor, *d.Smear.MaskedRows)
	variance, unsure := make([]float32, len(dn)), make([]bool, len(dn))
	for _, g := range maskedSegments(p.sensor, *d.Smear.MaskedRows) {
		amp := p.sensor.Amps[g.Amp]
		gain := amp.GainEPerDN
		_, slope := p.sensor.Quantisation(p.zeroDN(g.Amp))
		offset := float64(p.traces[g.Amp].Variance[nearest])
		for x := g.X0; x < g.X1; x++ {
			// The offset's error is common to all columns.
			v, q := float64(dn[x]), gain*gain*offset
			if b := p.masters.bias; b != nil {
				v -= float64(b.masked.Value[x])
				q += gain * gain * float64(b.masked.Variance[x])
			}
			v = gain * p.curves[g.Amp].At(v)
			if dark := p.masters.dark; dark != nil {
				v -= p.ht * float64(dark.masked.Value[x])
				q += p.ht * p.ht * float64(dark.masked.Variance[x])
			}
			q += (rule.NoiseE2 + max(v, 0)*(1+gain*slope)) / float64(max(kept[x], 1))
			dn[x], variance[x], unsure[x] = float32(v), float32(q), kept[x] == 0
			if kept[x] == 0 {
				dn[x], variance[x] = 0, 0
			}
		}
	}
	return rule.Columns(dn, variance, unsure), nil
}

// maskedRows measures the masked rows of a bias or dark frame.
func (s *frameSet) maskedRows(f *setFrame, p *plan, rows calib.RawRows) error {
	d := &s.in.Profile.Detectors[s.detector]
	if !s.in.readsMaskedRows(s.detector) || (s.kind != configs.KindBias && s.kind != configs.KindDark) {
		return nil
	}
	dn, kept, err := maskedDN(s.sensor, *d.Smear.MaskedRows, rows, p.traces)
	if err != nil {
		return err
	}
	f.masked, f.maskedOf = dn, kept
	if s.kind == configs.KindBias {
		return nil
	}
	for _, g := range maskedSegments(s.sensor, *d.Smear.MaskedRows) {
		for x := g.X0; x < g.X1; x++ {
			v := float64(dn[x])
			if b := p.masters.bias; b != nil {
				v -= float64(b.masked.Value[x])
			}
			dn[x] = float32(p.curves[g.Amp].At(v) * s.sensor.Amps[g.Amp].GainEPerDN)
		}
	}
	return nil
}

// combineMasked makes the mean of the masked rows of all frames, one value a
// column; nil where there are none.
func (s *frameSet) combineMasked(reject float64) []plane {
	if s.set[0].masked == nil {
		return nil
	}
	width := s.sensor.Image.Width()
	out := calib.Combined{Value: make([]float32, width), Variance: make([]float32, width), Samples: make([]int32, width)}
	views := make([][]float32, len(s.set))
	for i, f := range s.set {
		for x := range f.masked {
			f.masked[x] *= float32(f.scale[0])
		}
		views[i] = f.masked
	}
	var scratch calib.CombineScratch
	for _, g := range maskedSegments(s.sensor, *s.in.Profile.Detectors[s.detector].Smear.MaskedRows) {
		noise := make([]calib.FrameNoise, len(s.set))
		for i, f := range s.set {
			n := s.noise(g.Amp, 0, f)
			rows := float64(max(f.maskedOf[g.X0], 1))
			noise[i] = calib.FrameNoise{A: n.A / rows, B: n.B / rows}
		}
		part := make([][]float32, len(views))
		for i := range views {
			part[i] = views[i][g.X0:g.X1]
		}
		c := calib.NewCombiner(reject, noise, 0)
		mean := calib.Combined{Value: out.Value[g.X0:g.X1], Variance: out.Variance[g.X0:g.X1], Samples: out.Samples[g.X0:g.X1]}
		c.Combine(part, mean, &scratch)
		poolRow(c, mean)
	}
	return []plane{
		{name: extMasked, float: out.Value, oneRow: true, comment: "As VALUE, of the masked rows together, by column."},
		{name: extMaskedVar, float: out.Variance, oneRow: true, comment: "Variance of MASKED."},
	}
}
