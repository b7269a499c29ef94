package pipeline

import (
	"evenlight/calib"
	"evenlight/configs"
)

// poolVariances makes the variances of a master better known than the scatter
// of each pixel's own frames tells (calib.VariancePool), for each combiner by
// itself.
func (s *frameSet) poolVariances(combiners []*calib.Combiner, out calib.Combined) error {
	pools := make([]*calib.VariancePool, len(combiners))
	for i, c := range combiners {
		pools[i] = calib.NewVariancePool(c)
	}
	rows, width := s.sensor.MasterRows(), s.sensor.Image.Width()
	// An odd step meets every row of a mosaic's pattern.
	step := max(1, rows*width/(len(pools)*poolPixels)) | 1
	level := make([]float32, width)
	var about calib.Surroundings
	for y := 0; y < rows; y += step {
		s.noiseLevel(out, y, &about, level)
		scale := s.meanRowScale(y)
		s.eachRun(y, func(c int, x0, x1 int, from []int) {
			for i := x0; i < x1; i++ {
				x := placeOf(from, i)
				if m := s.sensor.Map; m != nil && m.Row(y)[x] == calib.NoBand {
					continue
				}
				at := y*width + x
				pools[c].Add(out.Variance[at], level[x], scale, out.Samples[at])
			}
		})
	}
	for _, p := range pools {
		p.Fit()
	}
	return s.applyPools(pools, out)
}

// poolPixels is the number of pixels that each pool is shown, about.
const poolPixels = 1 << 16

// applyPools gives each pixel its variance. Levels look at neighbours' values,
// which stay as they are.
func (s *frameSet) applyPools(pools []*calib.VariancePool, out calib.Combined) error {
	width := s.sensor.Image.Width()
	levels, about := make([][]float32, s.workers), make([]calib.Surroundings, s.workers)
	for w := range levels {
		levels[w] = make([]float32, width)
	}
	return parallel(s.workers, s.sensor.MasterRows(), func(w, y int) error {
		level := levels[w]
		s.noiseLevel(out, y, &about[w], level)
		scale := s.meanRowScale(y)
		s.eachRun(y, func(c int, x0, x1 int, from []int) {
			for i := x0; i < x1; i++ {
				x := placeOf(from, i)
				at := y*width + x
				out.Variance[at] = pools[c].Variance(out.Variance[at], level[x], scale, out.Samples[at])
			}
		})
		return nil
	})
}

// noiseLevel writes the level at which the noise of each pixel of a row is
// expected: of a flat, whose pixels are nearly alike, that of the pixels about
// it, so that the variance does not follow the pixel's own error.
func (s *frameSet) noiseLevel(out calib.Combined, y int, about *calib.Surroundings, level []float32) {
	if s.kind == configs.KindFlat {
		about.Flat(len(level), out.Value, y, level)
		return
	}
	copy(level, out.Value[y*len(level):(y+1)*len(level)])
}

// eachRun calls do for each run of pixels of a row that one combiner made;
// from, where it is not nil, tells where an ordered pixel lies.
func (s *frameSet) eachRun(y int, do func(combiner, x0, x1 int, from []int)) {
	bands := len(s.set[0].scale)
	if bands > 1 {
		from, runs := s.ordered(y)
		for _, r := range runs {
			do(r.Amp*bands+r.Band, r.X0, r.X1, from)
		}
		return
	}
	for _, g := range s.sensor.Segments()[y] {
		do(g.Amp, g.X0, g.X1, nil)
	}
}

func placeOf(from []int, i int) int {
	if from == nil {
		return i
	}
	return from[i]
}

// meanRowScale is what the samples of a row were multiplied with besides,
// where rows are exposed for different times: the mean over the frames.
func (s *frameSet) meanRowScale(y int) float32 {
	sum := float32(0)
	for _, f := range s.set {
		k := float32(1)
		if f.rowScale != nil {
			k = f.rowScale[y]
		}
		sum += k / float32(len(s.set))
	}
	return sum
}

// poolRow does the same for a few means of one combiner.
func poolRow(c *calib.Combiner, mean calib.Combined) {
	pool := calib.NewVariancePool(c)
	for x, v := range mean.Variance {
		pool.Add(v, mean.Value[x], 1, mean.Samples[x])
	}
	pool.Fit()
	for x, v := range mean.Variance {
		mean.Variance[x] = pool.Variance(v, mean.Value[x], 1, mean.Samples[x])
	}
}
