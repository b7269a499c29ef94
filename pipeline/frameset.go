package pipeline

import (
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
	work    []*setWorker
}

// setFrame is one frame of a set.
type setFrame struct {
	*Frame
	stages    []calib.Stage
	chain     *calib.Chain
	level     float64 // median over the reference region; unit of the last stage
	scale     float64 // what samples are multiplied with
	saturated float64 // fraction of the reference region
	size      int64
	modified  time.Time
	spool     *os.File // inflated copy of a compressed file
	open      *fitsutil.File
	openHDU   *fitsutil.HDU // of the spool
	hduName   string        // how the profile names it
}

// setWorker is the working memory of one goroutine.
type setWorker struct {
	raw     []byte
	buf     []byte
	scratch calib.Scratch
	combine calib.CombineScratch
	views   [][]float32
}

// prepare makes the first pass over a group: it hashes each file, measures
// offsets and level, and fixes the stages of each frame.
func (b *builder) prepare(g *group, masters *masterSet) (*frameSet, error) {
	s := &frameSet{group: g, in: b.in, sensor: b.in.sensors[g.detector], masters: masters, workers: max(1, b.opt.Workers)}
	for range s.workers {
		s.work = append(s.work, &setWorker{})
	}
	im := s.sensor.Image
	pixels := int64(im.Width()) * int64(im.Height())
	s.memory = int64(b.in.Profile.Masters.MemoryMiB)<<20 - 16*pixels - int64(len(g.frames))*int64(im.Height()*len(s.sensor.Amps)*9)
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
	return s, s.scales()
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
	if len(errs) > 0 {
		return nil, errs[0]
	}
	f := &setFrame{size: st.Size(), modified: st.ModTime(), hduName: s.in.Profile.Detectors[fr.Detector].HDU}
	for _, c := range frames {
		if c.Detector == fr.Detector && c.Plane == fr.Plane {
			f.Frame = c
		}
	}
	if f.Frame == nil {
		return nil, &FrameError{Path: fr.Path, Err: fmt.Errorf("changed while it was being read: run again")}
	}
	rows := &rawRows{f: f.Frame}
	traces, err := measureOffsets(s.sensor, rows, s.in.stageOn(configs.StageOffset, fr.Detector))
	if err != nil {
		return nil, &FrameError{Path: fr.Path, Err: err}
	}
	p := s.in.newPlan(f.Frame, traces, s.masters)
	f.scale = p.ht
	if f.stages, err = p.local(lastStage(s.kind)); err != nil {
		return nil, &FrameError{Path: fr.Path, Err: err}
	}
	f.chain = calib.NewChain(s.sensor, f.stages, nil, nil)
	f.chain.Grow = 0 // the neighbours of saturation are good enough for a mean of many
	if err := f.measure(rows, w); err != nil {
		return nil, &FrameError{Path: fr.Path, Err: err}
	}
	if err := f.spoolIf(file, data); err != nil {
		return nil, err
	}
	f.file, f.hdu, f.header = nil, nil, nil
	return f, nil
}

// levelRows is the number of rows of the reference region that a frame's
// level is measured on.
const levelRows = 64

// measure finds the median and the saturated fraction over the reference region.
func (f *setFrame) measure(rows calib.RawRows, w *setWorker) error {
	im, ref := f.chain.Sensor.Image, f.chain.Sensor.Reference
	x0, x1 := ref.X0-im.X0, ref.X1-im.X0
	step := max(1, ref.Height()/levelRows)
	var values []float32
	saturated, all := 0, 0
	for y := ref.Y0 - im.Y0; y < ref.Y1-im.Y0; y += step {
		err := f.chain.Run(rows, y, y+1, &w.scratch, func(r *calib.Row) error {
			for x := x0; x < x1; x++ {
				all++
				switch v := r.V[x]; {
				case r.Flags[x]&calib.Saturated != 0:
					saturated++
				case v == v: // neither the sample nor a master is missing
					values = append(values, v)
				}
			}
			return nil
		})
		if err != nil {
			return err
		}
	}
	f.level = float64(calib.Median(values))
	f.saturated = float64(saturated) / float64(all)
	return nil
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
// at T0, flats to their own level.
func (s *frameSet) scales() error {
	for _, f := range s.set {
		ht := f.scale
		f.scale = 1
		switch s.kind {
		case configs.KindDark:
			if !(ht > 0) {
				return &FrameError{Path: f.Path, Err: fmt.Errorf("a dark of %g s tells no dark current: mark zero exposures as bias in frame_kinds", f.Info.ExposureS)}
			}
			f.scale = 1 / ht
		case configs.KindFlat:
			if !(f.level > 0) || f.saturated > maxSaturated {
				return &FrameError{Path: f.Path, Err: fmt.Errorf("flat with a level of %.4g e- and %.2g %% of the reference region saturated: leave it out or mark it as ignore in frame_kinds", f.level, 100*f.saturated)}
			}
			f.scale = 1 / f.level
		}
	}
	return nil
}

// maxSaturated is the fraction of saturated pixels (hot ones among them) up
// to which a level counts as below saturation.
const maxSaturated = 0.005

// combiners returns a robust mean for each amplifier.
func (s *frameSet) combiners(reject float64) []*calib.Combiner {
	out := make([]*calib.Combiner, len(s.sensor.Amps))
	for a, amp := range s.sensor.Amps {
		noise := make([]calib.FrameNoise, len(s.set))
		levels := make([]float64, len(s.set))
		for i, f := range s.set {
			noise[i] = s.noise(amp, f)
			levels[i] = f.level * f.scale
		}
		out[a] = calib.NewCombiner(reject, noise, calib.Median(levels))
	}
	return out
}

// noise is the expected variance of a frame's samples: electrons times scale,
// or DN for bias and ladder.
func (s *frameSet) noise(amp calib.Amplifier, f *setFrame) calib.FrameNoise {
	g := amp.GainEPerDN
	a := amp.ReadNoiseE*amp.ReadNoiseE + g*g/12
	switch s.kind {
	case configs.KindBias:
		return calib.FrameNoise{A: a / (g * g)}
	case configs.KindLadder:
		return calib.FrameNoise{A: a / (g * g), B: 1 / g}
	}
	return calib.FrameNoise{A: a * f.scale * f.scale, B: f.scale}
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
	k, nan := float32(f.scale), float32(math.NaN())
	return f.chain.Run(strip, y0, y1, &w.scratch, func(r *calib.Row) error {
		out := dst[(r.Y-y0)*im.Width() : (r.Y-y0+1)*im.Width()]
		flags := r.Flags[:len(out)]
		for x, v := range r.V[:len(out)] {
			if flags[x]&calib.Unusable != 0 {
				v = nan
			}
			out[x] = v * k
		}
		return nil
	})
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

// combineRows makes the mean of a strip, a row and an amplifier at a time.
func (s *frameSet) combineRows(c []*calib.Combiner, y0, y1 int, samples [][]float32, out calib.Combined) error {
	width := s.sensor.Image.Width()
	segs := s.sensor.Segments()
	return parallel(s.workers, y1-y0, func(w, i int) error {
		work := s.work[w]
		for _, g := range segs[y0+i] {
			a, b := i*width+g.X0, i*width+g.X1
			work.views = work.views[:0]
			for _, f := range samples {
				work.views = append(work.views, f[a:b])
			}
			from, to := (y0+i)*width+g.X0, (y0+i)*width+g.X1
			part := calib.Combined{Value: out.Value[from:to], Variance: out.Variance[from:to], Samples: out.Samples[from:to]}
			if out.Scatter != nil {
				part.Scatter = out.Scatter[from:to]
			}
			c[g.Amp].Combine(work.views, part, &work.combine)
		}
		return nil
	})
}

// provenance adds inputs and stages. The stages are those of the first frame.
func (s *frameSet) provenance(r *Provenance) {
	for _, f := range s.set {
		r.Inputs = append(r.Inputs, Input{"raw", f.Name(), f.SHA256})
	}
	for _, m := range s.masters.list() {
		r.Inputs = append(r.Inputs, m.input())
	}
	r.Instrument, r.Detector, r.Mode, r.Band = s.in.Profile.Instrument, s.in.Profile.Detectors[s.detector].Name, s.mode, s.band
	r.Stages = records(s.set[0].stages)
}
