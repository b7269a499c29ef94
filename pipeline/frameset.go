package pipeline

import (
	"errors"
	"fmt"
	"math"
	"os"
	"time"

	"evenlight/calib"
	"evenlight/configs"
	"evenlight/fitsutil"
)

// maxOpen is the number of files that a set keeps open; the files beyond it
// are opened for each strip.
const maxOpen = 256

// stripBytes bounds a strip below what the memory setting allows: samples that
// are still in the cache when they are combined need not come from memory.
const stripBytes = 16 << 20

// frameSet is a group made ready: what was measured on each frame in a first
// pass, so that strips of rows of all frames can be gone through in a second.
type frameSet struct {
	*group
	in      *Instrument
	sensor  *calib.Sensor
	masters *masterSet
	workers int
	set     []*setFrame
	memory  int64 // for samples, bytes
	cells   *cellMap
	orders  []*order // of the rows of a flat of several bands
	work    []*setWorker
}

// setFrame is one frame of a set.
type setFrame struct {
	*Frame
	stages    []calib.Stage
	chain     *calib.Chain
	level     float64   // median over the reference region; unit of the last stage
	levels    []float64 // the same by cell
	ht        float64   // h(T) t_d, s
	zeroDN    []float64 // raw level of each amplifier without signal
	scale     []float64 // what samples are multiplied with, by band where bands differ, else one
	rowScale  []float32 // and by row, where rows are exposed for different times; else nil
	masked    []float32 // mean of the masked rows, where the detector has any
	maskedOf  []int     // number of samples in it, by column
	saturated float64   // fraction of the reference region
	// departures of each amplifier's overscan rows from the smoothed offset
	departures [][]float32
	size       int64
	modified   time.Time
	spool      *os.File // inflated copy of a compressed file
	open       *fitsutil.File
	openHDU    *fitsutil.HDU // of the spool
	hduName    string        // how the profile names it
}

// setWorker is the working memory of one goroutine.
type setWorker struct {
	raw     []byte
	buf     []byte
	scratch calib.Scratch
	combine calib.CombineScratch
	views   [][]float32
	values  []float32
	counts  []int32
}

// prepare makes the first pass over a group: it hashes each file, measures
// offsets and level, and fixes the stages of each frame.
func (b *builder) prepare(g *group, masters *masterSet) (*frameSet, error) {
	s := &frameSet{group: g, in: b.in, sensor: g.frames[0].sensor, masters: masters, workers: max(1, b.opt.Workers)}
	s.cells = b.in.cells(g.kind, s.sensor, g.detector)
	for range s.workers {
		s.work = append(s.work, &setWorker{})
	}
	im := s.sensor.Image
	pixels := int64(im.Width()) * int64(s.sensor.MasterRows())
	s.memory = int64(b.in.Profile.Masters.MemoryMiB)<<20 - 16*pixels - s.perFrame()
	for _, m := range masters.list() {
		s.memory -= m.bytes()
	}
	if row := int64(len(g.frames)) * int64(im.Width()) * 4; s.memory < row {
		return nil, fmt.Errorf("%d frames need %d MiB more than masters.memory_mib leaves: raise it to %d or more, or split the set by a smaller masters.split_gap_hours",
			len(g.frames), (row-s.memory)>>20+1, int64(b.in.Profile.Masters.MemoryMiB)+(row-s.memory)>>20+1)
	}
	s.set = make([]*setFrame, len(g.frames))
	err := parallel(s.workers, len(g.frames), func(w, i int) error {
		f, err := s.first(g.frames[i], s.work[w])
		s.set[i] = f
		return err
	})
	if err != nil {
		s.close()
		return nil, err
	}
	for _, w := range s.work {
		w.raw = nil
	}
	if err := s.scales(); err != nil {
		s.close()
		return nil, err
	}
	if len(s.set[0].scale) > 1 {
		s.makeOrders()
	}
	return s, nil
}

// perFrame is what the frames of a set take in memory all at once: offsets,
// and the smear of each pixel where one shift makes it; of a line scanner also
// the means of blocks of lines, and a block for each worker.
func (s *frameSet) perFrame() int64 {
	total := int64(0)
	width := int64(s.sensor.Image.Width())
	for _, f := range s.frames {
		rows := int64(f.sensor.Image.Height())
		total += rows * int64(len(s.sensor.Amps)) * 17
		if sm := s.in.Profile.Detectors[s.detector].Smear; sm != nil && sm.When != configs.ShiftBoth && (s.kind == configs.KindFlat || s.kind == configs.KindLadder) {
			total += 9 * rows * width
		}
		if s.sensor.LineScan {
			total += 4 * width * (rows/lineBlockRows + 1)
		}
	}
	if s.sensor.LineScan {
		total += 4 * width * lineBlockRows * int64(s.workers)
	}
	return total
}

// first reads one frame whole.
func (s *frameSet) first(fr *Frame, w *setWorker) (*setFrame, error) {
	st, err := os.Stat(fr.Path)
	if err != nil {
		return nil, err
	}
	data, sha, err := fitsutil.ReadAll(fr.Path, w.raw, maxRawBytes)
	if err != nil {
		return nil, err
	}
	w.raw = data
	file, err := openWhole(fr.Path, data)
	if err != nil {
		return nil, &FrameError{Path: fr.Path, Err: err}
	}
	frames, errs := s.in.framesIn(fr.Path, sha, file)
	f := &setFrame{size: st.Size(), modified: st.ModTime(), hduName: s.in.Profile.Detectors[fr.Detector].HDU}
	for _, c := range frames {
		if c.Detector == fr.Detector && c.Plane == fr.Plane {
			f.Frame = c
		}
	}
	if f.Frame == nil {
		name := s.in.Profile.Detectors[fr.Detector].Name
		for _, err := range errs {
			var e *FrameError
			if errors.As(err, &e) && (e.Detector == name || e.Detector == "") {
				return nil, err
			}
		}
		return nil, &FrameError{Path: fr.Path, Err: fmt.Errorf("changed while it was being read: run again")}
	}
	rows := &rawRows{f: f.Frame}
	traces, err := measureOffsets(f.sensor, rows, s.in.stageOn(configs.StageOffset, fr.Detector))
	if err != nil {
		return nil, &FrameError{Path: fr.Path, Err: err}
	}
	p := s.in.newPlan(f.Frame, traces, s.masters)
	f.ht = p.ht
	for _, t := range traces {
		f.departures = append(f.departures, t.Departure)
	}
	for a := range s.sensor.Amps {
		f.zeroDN = append(f.zeroDN, p.zeroDN(a))
	}
	if f.stages, err = s.stages(p, rows); err != nil {
		return nil, &FrameError{Path: fr.Path, Err: err}
	}
	f.rowScale = p.rowScale(s.kind)
	if err := s.maskedRows(f, p, rows); err != nil {
		return nil, &FrameError{Path: fr.Path, Err: err}
	}
	f.chain = calib.NewChain(f.sensor, f.stages, nil, nil)
	f.chain.Grow = 0 // the neighbours of saturation are good enough for a mean of many
	if err := s.measure(f, rows, w); err != nil {
		return nil, &FrameError{Path: fr.Path, Err: err}
	}
	if err := f.spoolIf(file, data); err != nil {
		return nil, err
	}
	f.file, f.hdu, f.header = nil, nil, nil
	return f, nil
}

// stages makes the stages that a frame goes through before it is combined. A
// smear is solved first; in a ladder, whose frames stay in DN, from DN.
func (s *frameSet) stages(p *plan, rows calib.RawRows) ([]calib.Stage, error) {
	p.residual = p.noResidual()
	through := lastStage(s.kind)
	smeared := s.in.stageOn(configs.StageSmear, s.detector) && (s.kind == configs.KindFlat || s.kind == configs.KindLadder)
	if !smeared {
		return p.local(through)
	}
	last := configs.StageResidual
	if s.kind == configs.KindLadder {
		last = through
	}
	before, err := p.local(last)
	if err != nil {
		return nil, err
	}
	// A set's jobs are its frames, so each of them is solved on one goroutine.
	if err := p.solveSmear(rows, before, 1); err != nil {
		return nil, err
	}
	return append(before, *p.smear), nil
}

// rowScale is what the samples of each row are multiplied with where rows are
// exposed for different times: darks to one second, flats to the time of the
// first row. Nil where rows are alike.
func (p *plan) rowScale(kind string) []float32 {
	switch {
	case p.rowHT == nil:
		return nil
	case kind == configs.KindFlat:
		return p.rowFactor
	case kind != configs.KindDark:
		return nil
	}
	out := make([]float32, len(p.rowHT))
	for y, ht := range p.rowHT {
		out[y] = float32(p.ht) / ht
	}
	return out
}

// levelRows is the number of rows, or groups of rows of all colours, that a
// frame's levels are measured on.
const levelRows = 64

// measure finds the median of each cell and the saturated fraction of all.
func (s *frameSet) measure(f *setFrame, rows calib.RawRows, w *setWorker) error {
	period := 1
	if s.sensor.Map != nil {
		period = s.sensor.Map.PeriodY
	}
	where := s.cells
	if f.sensor != s.sensor { // a line scanner's frame of another length
		where = s.in.cells(s.kind, f.sensor, s.detector)
	}
	values := make([][]float32, len(where.names))
	saturated, all := 0, 0
	for _, y := range where.sampleRows(period) {
		cells := where.rows[y]
		k := float32(1)
		if f.rowScale != nil {
			k = f.rowScale[y]
		}
		err := f.chain.Run(rows, y, y+1, &w.scratch, func(r *calib.Row) error {
			for x, c := range cells {
				if c == noCell {
					continue
				}
				all++
				switch v := r.V[x]; {
				case r.Flags[x]&calib.Saturated != 0:
					saturated++
				case v == v: // neither the sample nor a master is missing
					values[c] = append(values[c], v*k)
				}
			}
			return nil
		})
		if err != nil {
			return err
		}
	}
	var together []float32
	for _, v := range values {
		together = append(together, v...)
		f.levels = append(f.levels, float64(calib.Median(v)))
	}
	f.level = float64(calib.Median(together))
	f.saturated = float64(saturated) / float64(all)
	return nil
}

// sampleRows spreads levelRows groups of rows over the rows that have cells.
func (m *cellMap) sampleRows(period int) []int {
	first, last := len(m.rows), 0
	for y, r := range m.rows {
		if r != nil {
			first, last = min(first, y), y
		}
	}
	var out []int
	step := max(period, (last+1-first)/levelRows)
	for y := first; y <= last; y += step {
		for i := y; i < min(y+period, last+1); i++ {
			if m.rows[i] != nil {
				out = append(out, i)
			}
		}
	}
	return out
}

// spoolIf keeps an inflated copy of a compressed file in an unnamed
// temporary file, since strips are read out of order.
func (f *setFrame) spoolIf(file *fitsutil.File, data []byte) error {
	if len(data) < 2 || data[0] != 0x1f || data[1] != 0x8b {
		return nil
	}
	tmp, err := os.CreateTemp("", "evenlight-")
	if err != nil {
		return err
	}
	f.spool = tmp
	if err := os.Remove(tmp.Name()); err != nil {
		return err
	}
	for y := range f.hdu.Height() {
		row, err := file.ReadRows(f.hdu, f.Plane, y, 1, nil)
		if err != nil {
			return err
		}
		if _, err := tmp.Write(row); err != nil {
			return fmt.Errorf("temporary copy of %s: %w", f.Path, err)
		}
	}
	f.openHDU = f.hdu
	return nil
}

func (s *frameSet) close() {
	for _, f := range s.set {
		if f != nil && f.open != nil {
			f.open.Close()
		}
		if f != nil && f.spool != nil {
			f.spool.Close()
		}
	}
}

// scales fixes what each frame's samples are multiplied with: darks to e-/s
// at T0, flats to their own level in each band.
func (s *frameSet) scales() error {
	for _, f := range s.set {
		f.scale = []float64{1}
		switch s.kind {
		case configs.KindDark:
			if !(f.ht > 0) {
				return &FrameError{Path: f.Path, Err: fmt.Errorf("a dark of %g s tells no dark current: mark zero exposures as bias in frame_kinds", f.Info.ExposureS)}
			}
			f.scale[0] = 1 / f.ht
		case configs.KindFlat:
			if f.saturated > maxSaturated {
				return &FrameError{Path: f.Path, Err: fmt.Errorf("flat with %.2g %% of the reference region saturated: leave it out or mark it as ignore in frame_kinds", 100*f.saturated)}
			}
			f.scale = nil
			for c, level := range f.levels {
				if s.cells.absent(c) {
					f.scale = append(f.scale, 1) // no pixel takes it
					continue
				}
				if !(level > 0) {
					return &FrameError{Path: f.Path, Err: fmt.Errorf("flat with a level of %.4g e- (%s): leave it out or mark it as ignore in frame_kinds, and let the reference region reach into every band", level, s.cells.names[c])}
				}
				f.scale = append(f.scale, 1/level)
			}
		}
	}
	return nil
}

// maxSaturated is the fraction of saturated pixels (hot ones among them) up
// to which a level counts as below saturation.
const maxSaturated = 0.005

// combiners returns a robust mean for each amplifier and each band of it that
// is scaled by itself, bands of one amplifier side by side.
func (s *frameSet) combiners(reject float64) []*calib.Combiner {
	bands := len(s.set[0].scale)
	out := make([]*calib.Combiner, len(s.sensor.Amps)*bands)
	for i := range out {
		a, b := i/bands, i%bands
		noise := make([]calib.FrameNoise, len(s.set))
		levels := make([]float64, len(s.set))
		for j, f := range s.set {
			noise[j] = s.noise(a, b, f)
			level := f.level
			if bands > 1 {
				level = f.levels[b]
			}
			levels[j] = level * f.scale[b]
		}
		out[i] = calib.NewCombiner(reject, noise, calib.Median(levels))
	}
	return out
}

// noise is the expected variance of a frame's samples: electrons times scale,
// or DN for bias and ladder.
func (s *frameSet) noise(a, band int, f *setFrame) calib.FrameNoise {
	amp := s.sensor.Amps[a]
	g := amp.GainEPerDN
	base, slope := s.sensor.Quantisation(f.zeroDN[a])
	read := amp.ReadNoiseE * amp.ReadNoiseE
	switch s.kind {
	case configs.KindBias:
		return calib.FrameNoise{A: read/(g*g) + base}
	case configs.KindLadder:
		return calib.FrameNoise{A: read/(g*g) + base, B: 1/g + slope}
	}
	k := f.scale[band]
	return calib.FrameNoise{A: (read + g*g*base) * k * k, B: k * (1 + g*slope)}
}

// strips calls do with the samples of all frames, a strip of rows at a time;
// samples[i] holds rows y0 <= y < y1 of frame i, with NaN where a sample is
// of no use.
func (s *frameSet) strips(do func(y0, y1 int, samples [][]float32) error) error {
	im := s.sensor.Image
	rows := int(min(s.memory, stripBytes) / int64(4*im.Width()*len(s.set)))
	rows = max(1, min(rows, im.Height()))
	samples := make([][]float32, len(s.set))
	all := make([]float32, rows*im.Width()*len(s.set))
	for y0 := 0; y0 < im.Height(); y0 += rows {
		y1 := min(y0+rows, im.Height())
		n := (y1 - y0) * im.Width()
		err := parallel(s.workers, len(s.set), func(w, i int) error {
			samples[i] = all[i*n : (i+1)*n]
			if err := s.load(s.set[i], y0, y1, samples[i], s.work[w], i < maxOpen); err != nil {
				return &FrameError{Path: s.set[i].Path, Err: err}
			}
			return nil
		})
		if err != nil {
			return err
		}
		if err := do(y0, y1, samples); err != nil {
			return err
		}
	}
	return nil
}

// load takes rows y0 <= y < y1 of a frame through its stages.
func (s *frameSet) load(f *setFrame, y0, y1 int, dst []float32, w *setWorker, keepOpen bool) error {
	im := s.sensor.Image
	first := y0 + im.Y0
	h, err := f.read(first, y1-y0, w, keepOpen)
	if err != nil {
		return err
	}
	strip := &stripRows{hdu: h, bytes: w.buf, first: first}
	nan := float32(math.NaN())
	return f.chain.Run(strip, y0, y1, &w.scratch, func(r *calib.Row) error {
		out := dst[(r.Y-y0)*im.Width() : (r.Y-y0+1)*im.Width()]
		flags := r.Flags[:len(out)]
		row := float32(1)
		if f.rowScale != nil {
			row = f.rowScale[r.Y]
		}
		if len(f.scale) > 1 {
			s.loadOrdered(f, r, row, out)
			return nil
		}
		k := float32(f.scale[0]) * row
		for x, v := range r.V[:len(out)] {
			if flags[x]&calib.Unusable != 0 {
				v = nan
			}
			out[x] = v * k
		}
		return nil
	})
}

// loadOrdered scales a row band by band and puts like pixels together.
func (s *frameSet) loadOrdered(f *setFrame, r *calib.Row, rowScale float32, out []float32) {
	from, runs := s.ordered(r.Y)
	for _, run := range runs {
		k := float32(f.scale[run.Band]) * rowScale
		for i := run.X0; i < run.X1; i++ {
			x := from[i]
			out[i] = r.V[x] * k
			if r.Flags[x]&calib.Unusable != 0 {
				out[i] = float32(math.NaN())
			}
		}
	}
}

// order is how the pixels of a row are put together by amplifier and band.
type order struct {
	from []int
	runs []calib.Run
}

// ordered returns the order of a row; rows that are alike share one.
func (s *frameSet) ordered(y int) ([]int, []calib.Run) {
	o := s.orders[y]
	return o.from, o.runs
}

// makeOrders prepares the orders of all rows.
func (s *frameSet) makeOrders() {
	type kind struct {
		bands *uint8
		segs  *calib.Segment
	}
	known := map[kind]*order{}
	segs := s.sensor.Segments()
	s.orders = make([]*order, s.sensor.Image.Height())
	for y := range s.orders {
		k := kind{&s.sensor.Map.Row(y)[0], &segs[y][0]}
		if known[k] == nil {
			from, runs := s.sensor.Map.Ordered(y, segs[y])
			known[k] = &order{from, runs}
		}
		s.orders[y] = known[k]
	}
}

// read brings raw rows into w.buf. A file that is not what it was in the
// first pass is refused.
func (f *setFrame) read(y0, n int, w *setWorker, keepOpen bool) (*fitsutil.HDU, error) {
	if f.spool != nil {
		size := f.openHDU.RowBytes()
		w.buf = grow(w.buf, n*size)
		_, err := f.spool.ReadAt(w.buf, int64(y0)*int64(size))
		return f.openHDU, err
	}
	if f.open == nil {
		st, err := os.Stat(f.Path)
		if err != nil {
			return nil, err
		}
		if st.Size() != f.size || !st.ModTime().Equal(f.modified) {
			return nil, fmt.Errorf("changed while it was being read: run again when it is complete")
		}
		file, err := fitsutil.Open(f.Path)
		if err != nil {
			return nil, err
		}
		f.open = file
	}
	file := f.open
	if !keepOpen {
		defer func() { file.Close(); f.open = nil }()
	}
	h, err := file.Find(f.hduName)
	if err != nil {
		return nil, err
	}
	w.buf, err = file.ReadRows(h, f.Plane, y0, n, w.buf)
	return h, err
}

// stripRows serves raw rows from a strip in memory.
type stripRows struct {
	hdu   *fitsutil.HDU
	bytes []byte
	first int
}

// RawRow implements calib.RawRows.
func (s *stripRows) RawRow(y, x0, x1 int, dst []float32) ([]float32, error) {
	n := s.hdu.RowBytes()
	return decode(s.hdu, s.bytes[(y-s.first)*n:(y-s.first+1)*n], x0, x1, dst)
}

// combineRows makes the mean of a strip, a row and an amplifier, or a band of
// it, at a time.
func (s *frameSet) combineRows(c []*calib.Combiner, y0, y1 int, samples [][]float32, out calib.Combined) error {
	width := s.sensor.Image.Width()
	segs := s.sensor.Segments()
	bands := len(s.set[0].scale)
	return parallel(s.workers, y1-y0, func(w, i int) error {
		work := s.work[w]
		if bands > 1 {
			from, runs := s.ordered(y0 + i)
			for _, run := range runs {
				s.combineRun(c[run.Amp*bands+run.Band], i*width, (y0+i)*width, run.X0, run.X1, samples, out, work)
			}
			work.backInPlace(from, (y0+i)*width, out)
			return nil
		}
		for _, g := range segs[y0+i] {
			s.combineRun(c[g.Amp], i*width, (y0+i)*width, g.X0, g.X1, samples, out, work)
		}
		return nil
	})
}

// combineRun combines pixels x0 <= x < x1 of a row that starts at in of the
// samples and at to of the result.
func (s *frameSet) combineRun(c *calib.Combiner, in, to, x0, x1 int, samples [][]float32, out calib.Combined, work *setWorker) {
	work.views = work.views[:0]
	for _, f := range samples {
		work.views = append(work.views, f[in+x0:in+x1])
	}
	from, end := to+x0, to+x1
	part := calib.Combined{Value: out.Value[from:end], Variance: out.Variance[from:end], Samples: out.Samples[from:end]}
	if out.Scatter != nil {
		part.Scatter = out.Scatter[from:end]
	}
	c.Combine(work.views, part, &work.combine)
}

// backInPlace puts the pixels of an ordered row where they come from.
func (w *setWorker) backInPlace(from []int, at int, out calib.Combined) {
	n := len(from)
	if len(w.values) < n {
		w.values, w.counts = make([]float32, n), make([]int32, n)
	}
	for _, plane := range [][]float32{out.Value, out.Variance} {
		row := plane[at : at+n]
		copy(w.values, row)
		for i, x := range from {
			row[x] = w.values[i]
		}
	}
	row := out.Samples[at : at+n]
	copy(w.counts, row)
	for i, x := range from {
		row[x] = w.counts[i]
	}
}

// provenance adds inputs and stages. The stages are those of the first frame.
func (s *frameSet) provenance(r *Provenance) {
	for _, f := range s.set {
		r.Inputs = append(r.Inputs, Input{roleRaw, f.Name(), f.SHA256})
	}
	for _, m := range s.masters.list() {
		r.Inputs = append(r.Inputs, m.input())
	}
	r.Instrument, r.Detector, r.Mode, r.Band = s.in.Profile.Instrument, s.in.Profile.Detectors[s.detector].Name, s.mode, s.band
	r.Stages = records(s.set[0].stages)
}
