package pipeline

import (
	"math"
	"slices"
	"sort"

	"evenlight/calib"
	"evenlight/calib/measure"
	"evenlight/configs"
	"evenlight/fitsutil"
)

// calFrame is a calibration frame with what a look at some of its rows tells.
// That is enough to sort frames and to find those that do not belong, so that
// the pixels of each file are gone through once and only of frames that count.
type calFrame struct {
	*Frame
	offset    []float64       // by amplifier: mean of its overscan, DN; 0 where the bias carries the offset
	level     []float64       // by cell: median above offset, DN; NaN where the cell has no sample
	levelU    []float64       // by cell: standard uncertainty of level against that of like frames, DN
	spread    []float64       // by cell: standard deviation of a sample about the median, DN
	saturated []float64       // by cell: fraction of the samples at the converter's ceiling or the profile's level
	tilt      measure.TiltFit // of the image, DN; each row above the overscan beside it
}

// lookedAt tells whether frames of a kind serve to measure the sensor.
func lookedAt(kind string) bool {
	switch kind {
	case configs.KindBias, configs.KindDark, configs.KindFlat, configs.KindLadder:
		return true
	}
	return false
}

// sensorCells are the cells of photon transfer and linearity: the amplifiers
// within the reference region, or the bands of each of them.
func (in *Instrument) sensorCells(s *calib.Sensor) *cellMap {
	m := &cellMap{rows: make([][]int16, s.Image.Height())}
	m.amplifiers(in.Profile, s)
	return m
}

// lookAll reads the headers of all files and looks at the calibration frames
// among their frames. The errors are those of each file; skipped counts the
// frames that do not serve.
func (in *Instrument) lookAll(files []string, workers int) (frames []*calFrame, skipped int, errs [][]error) {
	found := make([][]*calFrame, len(files))
	passed := make([]int, len(files))
	errs = make([][]error, len(files))
	_ = parallel(workers, len(files), func(_, i int) error {
		found[i], passed[i], errs[i] = in.lookAtFile(files[i])
		return nil
	})
	for i := range files {
		frames = append(frames, found[i]...)
		skipped += passed[i]
	}
	return frames, skipped, errs
}

func (in *Instrument) lookAtFile(path string) (out []*calFrame, skipped int, errs []error) {
	file, err := fitsutil.Open(path)
	if err != nil {
		return nil, 0, []error{&FrameError{Path: path, Err: err}}
	}
	defer file.Close()
	frames, errs := in.framesIn(path, "", file)
	for _, f := range frames {
		if !lookedAt(f.Info.Kind) {
			skipped++
			continue
		}
		c, err := in.look(f)
		if err != nil {
			errs = append(errs, in.frameError(f, err))
			continue
		}
		f.file, f.hdu, f.header = nil, nil, nil
		out = append(out, c)
	}
	return out, skipped, errs
}

// lookRows is the number of rows, or groups of rows of all colours, that are
// looked at.
const lookRows = 32

// look takes medians of rows spread over the image, and its tilt.
func (in *Instrument) look(f *Frame) (*calFrame, error) {
	s := f.sensor
	cells := in.sensorCells(s)
	rows := in.dnRows(f)
	c := &calFrame{Frame: f}
	o, err := in.lookAtOffsets(f, rows)
	if err != nil {
		return nil, err
	}
	c.offset = o.level
	limit := float32(s.CeilingDN)
	if s.LevelDN > 0 {
		limit = min(limit, float32(s.LevelDN))
	}
	values := make([][]float32, len(cells.names))
	high := make([]int, len(cells.names))
	var tilt measure.Tilt
	segs := s.Segments()
	im := s.Image
	buf := make([]float32, im.Width())
	for _, y := range spreadRows(im.Height(), periodY(s), lookRows) {
		row, err := rows.RawRow(y+im.Y0, im.X0, im.X1, buf)
		if err != nil {
			return nil, err
		}
		for _, g := range segs[y] {
			if cells.rows[y] != nil {
				lookAtCells(row[g.X0:g.X1], cells.rows[y][g.X0:g.X1], float32(c.offset[g.Amp]), limit, values, high)
			}
			beside := float32(o.at(g.Amp, y))
			for x := g.X0; x < g.X1; x++ {
				row[x] -= beside
			}
		}
		tilt.AddRow(0, 1, y, row)
	}
	for k, v := range values {
		n := math.Max(1, float64(len(v)))
		median, sigma := calib.MedianMAD(v)
		c.level, c.spread = append(c.level, float64(median)), append(c.spread, float64(sigma))
		// The median of normal noise has a variance of pi/2 that of the mean.
		c.levelU = append(c.levelU, math.Hypot(math.Sqrt(math.Pi/2/n)*float64(sigma), o.u[cells.amps[k]]))
		c.saturated = append(c.saturated, float64(high[k])/n)
	}
	c.tilt = tilt.Plane(0)
	o.widen(&c.tilt)
	return c, nil
}

// lookAtCells sorts the samples of a row into cells, above offset, and counts
// those at a limit.
func lookAtCells(row []float32, cells []int16, offset, limit float32, values [][]float32, high []int) {
	for x, v := range row {
		k := cells[x]
		if k == noCell || v != v {
			continue
		}
		values[k] = append(values[k], v-offset)
		if v >= limit {
			high[k]++
		}
	}
}

// lookedOffsets is what some rows of the overscan tell.
type lookedOffsets struct {
	level []float64   // by amplifier: mean, DN
	u     []float64   // its standard uncertainty, DN
	rows  [][]int     // by amplifier: image rows that were looked at
	dn    [][]float64 // mean of each, smoothed over offsetReach rows either way
}

// offsetReach is the number of rows, of those that are looked at, that an
// offset is smoothed over on either side.
const offsetReach = 2

// lookAtOffsets takes means of each amplifier's overscan, on some of its rows.
func (in *Instrument) lookAtOffsets(f *Frame, rows calib.RawRows) (*lookedOffsets, error) {
	s := f.sensor
	n := len(s.Amps)
	out := &lookedOffsets{level: make([]float64, n), u: make([]float64, n), rows: make([][]int, n), dn: make([][]float64, n)}
	if !s.Offset.FromOverscan || !in.stageOn(configs.StageOffset, f.Detector) {
		return out, nil
	}
	for a, amp := range s.Amps {
		if err := out.look(s, a, amp.Overscan, rows); err != nil {
			return nil, err
		}
	}
	return out, nil
}

// look takes the means of rows of one amplifier's overscan, hits left out.
func (out *lookedOffsets) look(s *calib.Sensor, a int, o calib.Region, rows calib.RawRows) error {
	var means []float64
	buf := make([]float32, o.Width())
	var sum, square, n float64
	for _, y := range spreadRows(o.Height(), 1, lookRows) {
		row, err := rows.RawRow(o.Y0+y, o.X0, o.X1, buf)
		if err != nil {
			return err
		}
		values := make([]float64, 0, len(row))
		for _, v := range row {
			if v == v {
				values = append(values, float64(v))
			}
		}
		if len(values) < 2 {
			continue
		}
		middle := calib.Median(slices.Clone(values))
		reach := lookReach*s.Amps[a].ReadNoiseE/s.Amps[a].GainEPerDN + math.Sqrt(3*quantisationAt(s, middle))
		c := calib.Clipped{}
		for _, v := range values {
			if d := v - middle; math.Abs(d) <= reach {
				c.Mean += d
				c.Sigma += d * d
				c.N++
			}
		}
		mean := c.Mean / float64(c.N)
		out.rows[a] = append(out.rows[a], o.Y0+y-s.Image.Y0)
		means = append(means, middle+mean)
		sum, n = sum+(middle+mean)*float64(c.N), n+float64(c.N)
		square += c.Sigma - mean*c.Mean
	}
	for i := range means {
		near := means[max(0, i-offsetReach):min(len(means), i+offsetReach+1)]
		total := 0.0
		for _, m := range near {
			total += m
		}
		out.dn[a] = append(out.dn[a], total/float64(len(near)))
	}
	out.level[a] = sum / n
	out.u[a] = math.Hypot(math.Sqrt(square/n/n), lookFloorDN)
	return nil
}

// lookReach is how far, in read noises of the profile, a sample of the overscan
// may be from the middle of its row.
const lookReach = 6

// lookFloorDN is what a look leaves in however many samples it takes: offsets of
// rows between those that are looked at, hits too faint to stand out.
const lookFloorDN = 0.1

// quantisationAt is the variance of a sample's rounding at a raw level, DN^2.
func quantisationAt(s *calib.Sensor, rawDN float64) float64 {
	base, _ := s.Quantisation(rawDN)
	return base
}

// at is the offset beside an image row: that of the nearest row looked at.
func (o *lookedOffsets) at(amp, y int) float64 {
	rows := o.rows[amp]
	if len(rows) == 0 {
		return o.level[amp]
	}
	i := sort.SearchInts(rows, y)
	if i == len(rows) || i > 0 && y-rows[i-1] < rows[i]-y {
		i--
	}
	return o.dn[amp][i]
}

// widen adds what the offsets' noise makes of level and tilt. Of n independent
// offsets along an edge, each with variance n u^2, the slope over the edge has
// the variance 12 u^2; of two amplifiers side by side no more.
func (o *lookedOffsets) widen(t *measure.TiltFit) {
	worst := lookFloorDN
	for _, u := range o.u {
		worst = max(worst, u)
	}
	t.Level.U = math.Hypot(t.Level.U, worst)
	t.X.U = math.Hypot(t.X.U, math.Sqrt(12)*worst)
	t.Y.U = math.Hypot(t.Y.U, math.Sqrt(12)*worst)
}

// spreadRows spreads groups of period rows over a height.
func spreadRows(height, period, groups int) []int {
	var out []int
	step := max(period, height/groups/period*period)
	for y := 0; y < height; y += step {
		for i := y; i < min(y+period, height); i++ {
			out = append(out, i)
		}
	}
	return out
}

// periodY is the number of rows after which the bands of a sensor repeat.
func periodY(s *calib.Sensor) int {
	if s.Map == nil {
		return 1
	}
	return s.Map.PeriodY
}

// dnRows serves a frame's rows in DN; samples that never arrived are NaN.
func (in *Instrument) dnRows(f *Frame) calib.RawRows {
	var rows calib.RawRows = &rawRows{f: f}
	switch {
	case f.sensor.Codes != nil:
		return calib.Decompanded{Rows: rows, Sensor: f.sensor}
	case !math.IsNaN(f.sensor.FillDN):
		return filledRows{rows, float32(f.sensor.FillDN)}
	}
	return rows
}

// filledRows puts NaN where a sample never arrived.
type filledRows struct {
	rows calib.RawRows
	fill float32
}

// RawRow implements calib.RawRows.
func (r filledRows) RawRow(y, x0, x1 int, dst []float32) ([]float32, error) {
	row, err := r.rows.RawRow(y, x0, x1, dst)
	for x, v := range row {
		if v == r.fill {
			row[x] = float32(math.NaN())
		}
	}
	return row, err
}
