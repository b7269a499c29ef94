package pipeline

import (
	"fmt"
	"math"
	"math/bits"

	"evenlight/calib"
	"evenlight/calib/measure"
	"evenlight/configs"
	"evenlight/fitsutil"
)

// passRows is the number of rows that a worker takes at a time. Their sums are
// put together in order, so that no figure depends on the number of workers.
const passRows = 64

// groupFrames is the number of frames that are gone through at a time where no
// pairs are asked for: the more, the less often the planes of their sums pass
// through the processor, and the more raw frames are held in memory.
const groupFrames = 4

// framePass goes through the pixels of calibration frames, two or a group at a
// time: each file is read once, and the next ones are read while the rows of
// these are gone through.
type framePass struct {
	in       *Instrument
	detector int
	sensor   *calib.Sensor
	cells    *cellMap
	workers  int
	work     []*passWorker
	runs     [][]cellRun // of each image row
	queue    chan *loadedGroup
	free     chan *loadedGroup
	stop     chan struct{}
}

// passWorker is the working memory of one goroutine.
type passWorker struct {
	raw        []float32   // a row as it was read, DN
	rows       [][]float32 // a row of each frame, above offset
	colA, colB []float32   // the pixels of one cell, put together
}

// cellRun is the pixels of a row that belong to one cell: columns x0 <= x < x1,
// or those in from.
type cellRun struct {
	cell   int
	x0, x1 int
	from   []int
}

// loadedGroup is some frames in memory. A frame that could not be read has an
// error and no samples.
type loadedGroup struct {
	frames []*loadedFrame
	raw    [groupFrames][]byte // to be used again
}

// loadedFrame is a frame in memory.
type loadedFrame struct {
	of     *calFrame
	frame  *Frame // of this reading
	rows   calib.RawRows
	traces []calib.OffsetTrace
	err    error
}

// passed is what the pass tells of some frames.
type passed struct {
	frames    []*loadedFrame // those that were read
	cells     []measure.Pair // by cell; nil unless they are two and a pair was asked for
	offsetDN2 []float64      // by amplifier: variance of the mean of the frames' offsets, DN^2
}

// newPass prepares a pass over groups of frames in the given order.
func (in *Instrument) newPass(detector int, s *calib.Sensor, cells *cellMap, order [][]*calFrame, workers int) *framePass {
	p := &framePass{in: in, detector: detector, sensor: s, cells: cells, workers: max(1, workers), runs: cellRuns(s, cells),
		queue: make(chan *loadedGroup), free: make(chan *loadedGroup, passAhead), stop: make(chan struct{})}
	for range p.workers {
		n := s.Image.Width()
		w := &passWorker{raw: make([]float32, n), colA: make([]float32, n), colB: make([]float32, n)}
		for range groupFrames {
			w.rows = append(w.rows, make([]float32, n))
		}
		p.work = append(p.work, w)
	}
	for range passAhead {
		p.free <- &loadedGroup{}
	}
	go p.readAhead(order)
	return p
}

// passAhead is the number of groups in memory: one is gone through, one is read.
const passAhead = 2

func (p *framePass) readAhead(order [][]*calFrame) {
	defer close(p.queue)
	for _, group := range order {
		var l *loadedGroup
		select {
		case l = <-p.free:
		case <-p.stop:
			return
		}
		l.frames = l.frames[:0]
		for i, f := range group {
			l.frames = append(l.frames, p.load(f, &l.raw[i]))
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

// rowTaker is given the same image row of all frames that were read, above
// offset. Rows come in no order, from several goroutines.
type rowTaker func(y int, rows [][]float32)

// next goes through the next frames; pair asks for what two of them tell as a
// pair. take may be nil.
func (p *framePass) next(pair bool, take rowTaker) (*passed, []error) {
	l := <-p.queue
	defer func() { p.free <- l }()
	out := &passed{}
	var errs []error
	for _, f := range l.frames {
		if f.err != nil {
			errs = append(errs, f.err)
			continue
		}
		out.frames = append(out.frames, f)
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
	errs = append(errs, p.goThrough(out, pair && len(good) == 2, take)...)
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
			// The nominal offset comes off all frames alike: sums of squares of
			// single precision have digits for what is above it.
			f.traces[a] = calib.NoOffset(f.frame.sensor.Image.Height())
			for y := range f.traces[a].DN {
				f.traces[a].DN[y] = float32(p.in.Profile.Detectors[p.detector].Amplifiers[a].OffsetDN)
			}
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

// passBand is what some rows tell.
type passBand struct {
	sums       []measure.PairSums // by cell, of a pair
	impossible [groupFrames]error // by frame: the first sample that the converter cannot have made
}

// goThrough takes the rows of frames. The errors name, for each frame, the
// first sample that the converter cannot have made; such samples count as if
// they had never arrived.
func (p *framePass) goThrough(out *passed, pair bool, take rowTaker) []error {
	height := p.sensor.Image.Height()
	bands := make([]passBand, (height+passRows-1)/passRows)
	_ = parallel(p.workers, len(bands), func(w, i int) error {
		if pair {
			bands[i].sums = p.newSums(out.frames[0])
		}
		for y := i * passRows; y < min(height, (i+1)*passRows); y++ {
			p.takeRow(out.frames, y, p.work[w], &bands[i], take)
		}
		return nil
	})
	out.offsetDN2 = p.offsetVariance(out.frames)
	if pair {
		out.cells = p.pairs(bands)
	}
	var errs []error
	for f := range out.frames {
		for i := range bands {
			if err := bands[i].impossible[f]; err != nil {
				errs = append(errs, err)
				break
			}
		}
	}
	return errs
}

// takeRow takes one row of the frames.
func (p *framePass) takeRow(frames []*loadedFrame, y int, work *passWorker, band *passBand, take rowTaker) {
	for i, f := range frames {
		if err := p.above(f, y, work.raw, work.rows[i]); err != nil && band.impossible[i] == nil {
			band.impossible[i] = err
		}
	}
	if band.sums != nil {
		p.addCells(band.sums, p.runs[y], work)
	}
	if take != nil {
		take(y, work.rows[:len(frames)])
	}
}

// pairs puts the sums of the bands together, in their order.
func (p *framePass) pairs(bands []passBand) []measure.Pair {
	var out []measure.Pair
	for c := range p.cells.names {
		total := &bands[0].sums[c]
		for i := 1; i < len(bands); i++ {
			total.Merge(&bands[i].sums[c])
		}
		out = append(out, total.Pair())
	}
	return out
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
	first, second := w.rows[0], w.rows[1]
	for i := range runs {
		r := &runs[i]
		if r.from == nil {
			sums[r.cell].Add(first[r.x0:r.x1], second[r.x0:r.x1])
			continue
		}
		a, b := w.colA[:len(r.from)], w.colB[:len(r.from)]
		for j, x := range r.from {
			a[j], b[j] = first[x], second[x]
		}
		sums[r.cell].Add(a, b)
	}
}

// above brings an image row of a frame above its offset into dst; raw is
// memory for the samples as they were read. A sample that the converter cannot
// have made becomes NaN; the first is the error.
func (p *framePass) above(f *loadedFrame, y int, raw, dst []float32) error {
	if p.aboveAtOnce(f, y, dst) {
		return nil
	}
	im := p.sensor.Image
	row, err := f.rows.RawRow(y+im.Y0, im.X0, im.X1, raw)
	if err != nil { // of a file in memory, whose size has been checked
		for x := range dst {
			dst[x] = float32(math.NaN())
		}
		return &FrameError{Path: f.of.Path, Err: err}
	}
	var first error
	for _, g := range p.sensor.Segments()[y] {
		src, out, offset := row[g.X0:g.X1], dst[g.X0:g.X1], f.traces[g.Amp].DN[y]
		for x, v := range src {
			out[x] = v - offset
		}
		if x := dropImpossible(out, src, float32(p.sensor.CeilingDN)); x >= 0 && first == nil {
			first = &FrameError{Path: f.of.Path, Err: &calib.SampleError{Column: g.X0 + x + im.X0 + 1, Row: y + im.Y0 + 1, Value: float64(src[x]), CeilingDN: p.sensor.CeilingDN}}
		}
	}
	return first
}

// aboveAtOnce is above for samples that are whole numbers of as many bits as
// the converter has, none of them marked as lost.
func (p *framePass) aboveAtOnce(f *loadedFrame, y int, dst []float32) bool {
	plain, ok := f.rows.(*rawRows)
	depth := bits.Len(uint(p.sensor.CeilingDN))
	if !ok || p.sensor.CeilingDN != float64(int(1)<<depth-1) {
		return false
	}
	im := p.sensor.Image
	for _, g := range p.sensor.Segments()[y] {
		if !plain.above(y+im.Y0, g.X0+im.X0, g.X1+im.X0, dst[g.X0:g.X1], f.traces[g.Amp].DN[y], depth) {
			return false
		}
	}
	return true
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
