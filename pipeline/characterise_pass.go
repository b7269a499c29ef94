package pipeline

import (
	"fmt"
	"math"

	"evenlight/calib"
	"evenlight/calib/measure"
	"evenlight/configs"
	"evenlight/fitsutil"
)

// passRows is the number of rows that a worker takes at a time. Their sums are
// put together in order, so that no figure depends on the number of workers.
const passRows = 64

// framePass goes through the pixels of calibration frames, two at a time: each
// file is read once, and the next two are read while the rows of these are
// gone through.
type framePass struct {
	in       *Instrument
	detector int
	sensor   *calib.Sensor
	cells    *cellMap
	workers  int
	work     []*passWorker
	runs     [][]cellRun // of each image row
	queue    chan *loadedPair
	free     chan *loadedPair
	stop     chan struct{}
}

// passWorker is the working memory of one goroutine.
type passWorker struct {
	raw        []float32 // a row as it was read, DN
	a, b       []float32 // a row of both frames, above offset
	colA, colB []float32 // the pixels of one cell, put together
}

// cellRun is the pixels of a row that belong to one cell: columns x0 <= x < x1,
// or those in from.
type cellRun struct {
	cell   int
	x0, x1 int
	from   []int
}

// loadedPair is two frames in memory, or one of them. A frame that could not
// be read has an error and no samples.
type loadedPair struct {
	frames [2]*loadedFrame
	raw    [2][]byte // to be used again
}

// loadedFrame is a frame in memory.
type loadedFrame struct {
	of     *calFrame
	frame  *Frame // of this reading
	rows   calib.RawRows
	traces []calib.OffsetTrace
	err    error
}

// pairOf is what the pass tells of two frames, or of one.
type pairOf struct {
	frames    []*loadedFrame // those that were read
	cells     []measure.Pair // by cell; nil with one frame only
	offsetDN2 []float64      // by amplifier: variance of the mean of both frames' offsets, DN^2
}

// newPass prepares a pass over frames in the given order, two by two; a nil
// in the second place is a frame by itself.
func (in *Instrument) newPass(detector int, s *calib.Sensor, cells *cellMap, order [][2]*calFrame, workers int) *framePass {
	p := &framePass{in: in, detector: detector, sensor: s, cells: cells, workers: max(1, workers), runs: cellRuns(s, cells),
		queue: make(chan *loadedPair), free: make(chan *loadedPair, passAhead), stop: make(chan struct{})}
	for range p.workers {
		n := s.Image.Width()
		p.work = append(p.work, &passWorker{raw: make([]float32, n), a: make([]float32, n), b: make([]float32, n), colA: make([]float32, n), colB: make([]float32, n)})
	}
	for range passAhead {
		p.free <- &loadedPair{}
	}
	go p.readAhead(order)
	return p
}

// passAhead is the number of pairs in memory: one is gone through, one is read.
const passAhead = 2

func (p *framePass) readAhead(order [][2]*calFrame) {
	defer close(p.queue)
	for _, two := range order {
		var l *loadedPair
		select {
		case l = <-p.free:
		case <-p.stop:
			return
		}
		for i, f := range two {
			l.frames[i] = nil
			if f != nil {
				l.frames[i] = p.load(f, &l.raw[i])
			}
		}
		select {
		case p.queue <- l:
		case <-p.stop:
			return
		}
	}
}

// close ends a pass, finished or not.
func (p *framePass) close() { close(p.stop) }

// load reads a file whole and finds the frame in it again.
func (p *framePass) load(f *calFrame, raw *[]byte) *loadedFrame {
	l := &loadedFrame{of: f}
	data, sha, err := fitsutil.ReadAll(f.Path, *raw, maxRawBytes)
	if err != nil {
		l.err = &FrameError{Path: f.Path, Err: err}
		return l
	}
	*raw = data
	file, err := openWhole(f.Path, data)
	if err != nil {
		l.err = &FrameError{Path: f.Path, Err: err}
		return l
	}
	frames, errs := p.in.framesIn(f.Path, sha, file)
	for _, c := range frames {
		if c.Detector == f.Detector && c.Plane == f.Plane && c.Info.Kind == f.Info.Kind {
			l.frame, l.rows = c, p.in.dnRows(c)
			f.SHA256 = sha
			return l
		}
	}
	l.err = &FrameError{Path: f.Path, Err: fmt.Errorf("changed while it was being read: run again")}
	if len(errs) > 0 {
		l.err = errs[0]
	}
	return l
}

// next goes through the next pair. addRow, if any, is given each image row of
// the frames that were read, above offset; b is nil where there is but one. Rows
// come in no order, from several goroutines.
func (p *framePass) next(addRow func(y int, a, b []float32)) (*pairOf, []error) {
	l := <-p.queue
	defer func() { p.free <- l }()
	out := &pairOf{}
	var errs []error
	keep := func(f *loadedFrame) {
		switch {
		case f == nil:
		case f.err != nil:
			errs = append(errs, f.err)
		default:
			out.frames = append(out.frames, f)
		}
	}
	for _, f := range l.frames {
		keep(f)
	}
	p.offsets(out.frames)
	good := out.frames[:0]
	for _, f := range out.frames {
		if f.err != nil {
			errs = append(errs, f.err)
			continue
		}
		good = append(good, f)
	}
	out.frames = good
	if len(good) == 0 {
		return out, errs
	}
	errs = append(errs, p.goThrough(out, addRow)...)
	for _, f := range out.frames {
		f.rows, f.frame = nil, nil
	}
	return out, errs
}

// offsets measures the offset of each amplifier in each frame.
func (p *framePass) offsets(frames []*loadedFrame) {
	amps := len(p.sensor.Amps)
	on := p.in.stageOn(configs.StageOffset, p.detector)
	errs := make([]error, len(frames)*amps)
	for _, f := range frames {
		f.traces = make([]calib.OffsetTrace, amps)
	}
	_ = parallel(p.workers, len(errs), func(_, i int) error {
		f, a := frames[i/amps], i%amps
		if !f.frame.sensor.Offset.FromOverscan || !on {
			f.traces[a] = calib.NoOffset(f.frame.sensor.Image.Height())
			return nil
		}
		f.traces[a], errs[i] = calib.MeasureOffset(f.frame.sensor, a, f.rows)
		return nil
	})
	for i, err := range errs {
		if err != nil && frames[i/amps].err == nil {
			frames[i/amps].err = &FrameError{Path: frames[i/amps].of.Path, Err: err}
		}
	}
}

// goThrough takes the rows of one or two frames. The errors name, for each
// frame, the first sample that the converter cannot have made; such samples
// count as if they had never arrived.
func (p *framePass) goThrough(out *pairOf, addRow func(y int, a, b []float32)) []error {
	height := p.sensor.Image.Height()
	bands := (height + passRows - 1) / passRows
	two := len(out.frames) == 2
	sums := make([][]measure.PairSums, bands)
	impossible := make([][2]error, bands)
	_ = parallel(p.workers, bands, func(w, band int) error {
		work := p.work[w]
		var s []measure.PairSums
		if two {
			s = p.newSums(out.frames[0])
			sums[band] = s
		}
		for y := band * passRows; y < min(height, (band+1)*passRows); y++ {
			if err := p.above(out.frames[0], y, work.raw, work.a); err != nil && impossible[band][0] == nil {
				impossible[band][0] = err
			}
			var b []float32
			if two {
				b = work.b
				if err := p.above(out.frames[1], y, work.raw, b); err != nil && impossible[band][1] == nil {
					impossible[band][1] = err
				}
				p.addCells(s, p.runs[y], work)
			}
			if addRow != nil {
				addRow(y, work.a, b)
			}
		}
		return nil
	})
	var errs []error
	for i := range out.frames {
		for band := range impossible {
			if err := impossible[band][i]; err != nil {
				errs = append(errs, err)
				break
			}
		}
	}
	out.offsetDN2 = p.offsetVariance(out.frames)
	if !two {
		return errs
	}
	for c := range p.cells.names {
		total := &sums[0][c]
		for band := 1; band < bands; band++ {
			total.Merge(&sums[band][c])
		}
		out.cells = append(out.cells, total.Pair())
	}
	return errs
}

// newSums makes the sums of all cells, with the step of the converter, or of
// the code table, at the level of each.
func (p *framePass) newSums(f *loadedFrame) []measure.PairSums {
	s := make([]measure.PairSums, len(p.cells.names))
	for c := range s {
		s[c].StepDN = p.step(f.of, c)
	}
	return s
}

// step is the width of a step of the converter at the level of a cell, DN; of
// a code table the root of the mean square over the codes that the samples of
// a pixel fall into.
func (p *framePass) step(f *calFrame, c int) float64 {
	raw := f.offset[p.cells.amps[c]] + f.level[c]
	if t := p.sensor.Codes; t != nil {
		amp := &p.sensor.Amps[p.cells.amps[c]]
		charge := math.Max(0, f.level[c]) * amp.GainEPerDN
		return codeStep(t, raw, math.Sqrt(amp.ReadNoiseE*amp.ReadNoiseE+charge)/amp.GainEPerDN)
	}
	base, _ := p.sensor.Quantisation(raw)
	return math.Sqrt(12 * base)
}

// codeStep is the root mean square of the widths of codes over a normal
// distribution of levels.
func codeStep(t *calib.CodeTable, mean, sd float64) float64 {
	sum, weight := 0.0, 0.0
	for k, w := range t.Width {
		z := (t.DN[k] - mean) / math.Hypot(sd, w/math.Sqrt(12))
		share := w * math.Exp(-z*z/2)
		sum, weight = sum+share*w*w, weight+share
	}
	return math.Sqrt(sum / weight)
}

// addCells adds a row of two frames to the sums of its cells.
func (p *framePass) addCells(sums []measure.PairSums, runs []cellRun, w *passWorker) {
	for i := range runs {
		r := &runs[i]
		if r.from == nil {
			sums[r.cell].Add(w.a[r.x0:r.x1], w.b[r.x0:r.x1])
			continue
		}
		a, b := w.colA[:len(r.from)], w.colB[:len(r.from)]
		for j, x := range r.from {
			a[j], b[j] = w.a[x], w.b[x]
		}
		sums[r.cell].Add(a, b)
	}
}

// above brings an image row of a frame above its offset into dst; raw is
// memory for the samples as they were read. A sample that the converter cannot
// have made becomes NaN; the first is the error.
func (p *framePass) above(f *loadedFrame, y int, raw, dst []float32) error {
	im := p.sensor.Image
	row, err := f.rows.RawRow(y+im.Y0, im.X0, im.X1, raw)
	if err != nil { // of a file in memory, whose size has been checked
		for x := range dst {
			dst[x] = float32(math.NaN())
		}
		return &FrameError{Path: f.of.Path, Err: err}
	}
	ceiling := float32(p.sensor.CeilingDN)
	var first error
	for _, g := range p.sensor.Segments()[y] {
		src, out := row[g.X0:g.X1], dst[g.X0:g.X1]
		if subtract(out, src, f.traces[g.Amp].DN[y], ceiling) {
			continue
		}
		if x := dropImpossible(out, src, ceiling); x >= 0 && first == nil {
			first = &FrameError{Path: f.of.Path, Err: &calib.SampleError{Column: g.X0 + x + im.X0 + 1, Row: y + im.Y0 + 1, Value: float64(src[x]), CeilingDN: p.sensor.CeilingDN}}
		}
	}
	return first
}

// subtract takes the offset off samples. It tells whether all of them lie
// between 0 and the ceiling, which for floats of that range their bits, taken
// as whole numbers, do too: so no sample needs a branch. NaN does not.
func subtract(dst, src []float32, offset, ceiling float32) bool {
	dst = dst[:len(src)]
	top := int32(math.Float32bits(ceiling))
	beyond := int32(0)
	for x, v := range src {
		k := int32(math.Float32bits(v))
		beyond |= k | (top - k)
		dst[x] = v - offset
	}
	return beyond >= 0
}

// dropImpossible makes NaN of samples that the converter cannot have made. It
// returns the place of the first, or -1.
func dropImpossible(dst, src []float32, ceiling float32) int {
	first := -1
	for x, v := range src {
		if v > ceiling || v < 0 {
			dst[x] = float32(math.NaN())
			if first < 0 {
				first = x
			}
		}
	}
	return first
}

// offsetVariance is by how much the offsets of frames, each the mean of its
// overscan's samples, move the mean of the frames' levels.
func (p *framePass) offsetVariance(frames []*loadedFrame) []float64 {
	out := make([]float64, len(p.sensor.Amps))
	for a, amp := range p.sensor.Amps {
		for _, f := range frames {
			n := float64(amp.Overscan.Width() * min(amp.Overscan.Height(), p.sensor.Image.Height()))
			if noise := f.traces[a].NoiseDN; n > 0 && noise > 0 {
				out[a] += noise * noise / n
			}
		}
		n := float64(len(frames))
		out[a] /= n * n
	}
	return out
}

// cellRuns finds the pixels of each row's cells. Rows that are alike share
// their runs.
func cellRuns(s *calib.Sensor, m *cellMap) [][]cellRun {
	known := map[*int16][]cellRun{}
	out := make([][]cellRun, len(m.rows))
	for y, row := range m.rows {
		if row == nil {
			continue
		}
		if known[&row[0]] == nil {
			known[&row[0]] = runsOf(row)
		}
		out[y] = known[&row[0]]
	}
	return out
}

// runsOf puts the pixels of each cell of a row together.
func runsOf(row []int16) []cellRun {
	columns := map[int][]int{}
	var order []int
	for x, c := range row {
		if c == noCell {
			continue
		}
		if columns[int(c)] == nil {
			order = append(order, int(c))
		}
		columns[int(c)] = append(columns[int(c)], x)
	}
	out := []cellRun{}
	for _, c := range order {
		from := columns[c]
		r := cellRun{cell: c, x0: from[0], x1: from[len(from)-1] + 1}
		if r.x1-r.x0 != len(from) {
			r.from = from
		}
		out = append(out, r)
	}
	return out
}
