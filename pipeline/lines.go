package pipeline

import (
	"fmt"
	"math"

	"evenlight/calib"
	"evenlight/configs"
)

// lineBlockRows is the number of lines that are averaged at once: enough to
// tell outliers, few enough to keep memory bounded whatever a frame's length.
const lineBlockRows = 256

// lineBlock is the robust mean of some lines of one frame, a value a column.
type lineBlock struct {
	frame int
	lines int
	ht    float64 // h(T) t_d of the frame, s
	value []float32
}

// lineBlocks averages the lines of all frames of a line scanner in blocks.
func (s *frameSet) lineBlocks(reject float64) ([]lineBlock, error) {
	perFrame := make([][]lineBlock, len(s.set))
	err := parallel(s.workers, len(s.set), func(w, i int) error {
		var err error
		if perFrame[i], err = s.frameBlocks(i, reject, s.work[w]); err != nil {
			return &FrameError{Path: s.set[i].Path, Err: err}
		}
		return nil
	})
	var out []lineBlock
	for _, b := range perFrame {
		out = append(out, b...)
	}
	return out, err
}

func (s *frameSet) frameBlocks(i int, reject float64, w *setWorker) ([]lineBlock, error) {
	f := s.set[i]
	width, lines := s.sensor.Image.Width(), f.sensor.Image.Height()
	samples := make([]float32, lineBlockRows*width)
	var out []lineBlock
	for y0 := 0; y0 < lines; y0 += lineBlockRows {
		n := min(lineBlockRows, lines-y0)
		if err := s.load(f, y0, y0+n, samples[:n*width], w, i < maxOpen); err != nil {
			return nil, err
		}
		views := make([][]float32, n)
		for y := range views {
			views[y] = samples[y*width : (y+1)*width]
		}
		mean := newCombined(width, false)
		s.combineLineRow(s.lineCombiners(reject, n, func(a, _ int) calib.FrameNoise { return s.noise(a, 0, f) }), views, mean, w)
		out = append(out, lineBlock{frame: i, lines: n, ht: f.ht, value: mean.Value})
	}
	return out, nil
}

// newCombined makes room for the mean of one row.
func newCombined(width int, scatter bool) calib.Combined {
	c := calib.Combined{Value: make([]float32, width), Variance: make([]float32, width), Samples: make([]int32, width)}
	if scatter {
		c.Scatter = make([]float32, width)
	}
	return c
}

// lineCombiners returns a robust mean of n samples for each amplifier.
func (s *frameSet) lineCombiners(reject float64, n int, noise func(amp, i int) calib.FrameNoise) []*calib.Combiner {
	var out []*calib.Combiner
	for a := range s.sensor.Amps {
		all := make([]calib.FrameNoise, n)
		for i := range all {
			all[i] = noise(a, i)
		}
		out = append(out, calib.NewCombiner(reject, all, s.typicalLevel()))
	}
	return out
}

// typicalLevel is the scaled level at which samples are weighted.
func (s *frameSet) typicalLevel() float64 {
	levels := make([]float64, len(s.set))
	for i, f := range s.set {
		levels[i] = f.level * f.scale[0]
	}
	return calib.Median(levels)
}

// combineLineRow combines rows of samples into one.
func (s *frameSet) combineLineRow(c []*calib.Combiner, views [][]float32, out calib.Combined, w *setWorker) {
	for _, g := range s.sensor.Segments()[0] {
		s.combineRun(c[g.Amp], 0, 0, g.X0, g.X1, views, out, w)
	}
}

// combineLines makes a line scanner's master of one row: bias and dark from
// dark runs, a flat from lit ones.
func (b *builder) combineLines(s *frameSet) (*masterContent, error) {
	reject := b.in.Profile.Masters.RejectSigma
	blocks, err := s.lineBlocks(reject)
	if err != nil {
		return nil, err
	}
	if s.kind == configs.KindBias {
		out, err := s.intercepts(blocks)
		if err != nil {
			return nil, err
		}
		return b.content(s, out, nil, nil)
	}
	combiners := s.lineCombiners(reject, len(blocks), func(a, i int) calib.FrameNoise {
		n := s.noise(a, 0, s.set[blocks[i].frame])
		k := 1 / float64(blocks[i].lines)
		return calib.FrameNoise{A: n.A * k, B: n.B * k}
	})
	views := make([][]float32, len(blocks))
	weights := &lineWeights{combiner: combiners[0], frames: make([]int, len(blocks))}
	for i, block := range blocks {
		views[i], weights.frames[i] = block.value, block.frame
	}
	out := newCombined(s.sensor.Image.Width(), s.kind == configs.KindDark)
	s.combineLineRow(combiners, views, out, s.work[0])
	if err := s.poolVariances(combiners, out); err != nil {
		return nil, err
	}
	return b.content(s, out, weights, nil)
}

// lineWeights tells means over the frames as the blocks of a line scanner's
// lines were weighted.
type lineWeights struct {
	combiner *calib.Combiner
	frames   []int // of each block
}

// MeanOf returns the mean over the blocks of one number for each frame.
func (l *lineWeights) MeanOf(v []float64) float64 {
	byBlock := make([]float64, len(l.frames))
	for i, f := range l.frames {
		byBlock[i] = v[f]
	}
	return l.combiner.MeanOf(byBlock)
}

// leastSpread is the ratio of the longest to the shortest h(T) t of dark runs
// from which a bias can be told.
const leastSpread = 1.5

// intercepts finds the bias of a line scanner, which has no zero exposure: the
// intercept of the straight line of dark level against h(T) t in each column,
// by least squares, each block weighted with its number of lines. Its variance
// is that of one line, from the residuals, times 1/N + x^2/Sxx with N lines
// and x the mean of h t (JCGM 100:2008, H.3).
func (s *frameSet) intercepts(blocks []lineBlock) (calib.Combined, error) {
	shortest, longest := math.Inf(1), 0.0
	for _, b := range blocks {
		shortest, longest = min(shortest, b.ht), max(longest, b.ht)
	}
	if !(longest > leastSpread*shortest) || len(blocks) < 3 {
		return calib.Combined{}, fmt.Errorf("%d blocks of lines with dark times from %.3g to %.3g s (at the reference temperature) do not tell the bias from the dark current: add dark runs of a line time %g times longer",
			len(blocks), shortest, longest, leastSpread)
	}
	out := newCombined(s.sensor.Image.Width(), false)
	for x := range out.Value {
		out.Value[x], out.Variance[x], out.Samples[x] = intercept(blocks, x)
	}
	return out, nil
}

// intercept is that of one column, from the blocks that have a value there.
func intercept(blocks []lineBlock, x int) (value, variance float32, samples int32) {
	var n, lines, mean, level, sxx, sxy, square float64
	for _, b := range blocks {
		if v, w := float64(b.value[x]), float64(b.lines); v == v {
			n++
			lines += w
			mean += w * b.ht
			level += w * v
		}
	}
	mean, level = mean/lines, level/lines
	for _, b := range blocks {
		if v, w := float64(b.value[x]), float64(b.lines); v == v {
			sxx += w * (b.ht - mean) * (b.ht - mean)
			sxy += w * (b.ht - mean) * v
		}
	}
	if n < 3 || !(sxx > 0) {
		return float32(math.NaN()), float32(math.NaN()), int32(n)
	}
	slope := sxy / sxx
	for _, b := range blocks {
		if v, w := float64(b.value[x]), float64(b.lines); v == v {
			d := v - level - slope*(b.ht-mean)
			square += w * d * d
		}
	}
	return float32(level - slope*mean), float32(square / (n - 2) * (1/lines + mean*mean/sxx)), int32(n)
}

// maskedSignificance is the number of standard deviations from which a dark
// current of masked pixels counts as found.
const maskedSignificance = 5

// maskedDark finds the dark current of a line scanner's masked pixels, e-/s at
// T0, for each amplifier: the slope of the frames' offsets against h(T) t, by
// least squares. Where none of them stands out of the offset's drift from frame
// to frame, there is none.
func (s *frameSet) maskedDark() []float64 {
	n := float64(len(s.set))
	if n < 3 {
		return nil
	}
	out := make([]float64, len(s.sensor.Amps))
	found := false
	for a := range out {
		var mean, level, sxx, sxy, square float64
		for _, f := range s.set {
			mean += f.ht / n
			level += f.zeroDN[a] / n
		}
		for _, f := range s.set {
			sxx += (f.ht - mean) * (f.ht - mean)
			sxy += (f.ht - mean) * (f.zeroDN[a] - level)
		}
		slope := sxy / sxx
		for _, f := range s.set {
			d := f.zeroDN[a] - level - slope*(f.ht-mean)
			square += d * d
		}
		out[a] = slope * s.sensor.Amps[a].GainEPerDN
		if slope > maskedSignificance*math.Sqrt(square/(n-2)/sxx) {
			found = true
		}
	}
	if !found {
		return nil
	}
	return out
}
