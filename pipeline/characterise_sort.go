package pipeline

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"

	"evenlight/calib"
	"evenlight/calib/measure"
	"evenlight/configs"
)

// sensorSet is the calibration frames of one detector in one mode, sorted.
type sensorSet struct {
	in       *Instrument
	detector int
	mode     string
	sensor   *calib.Sensor
	cells    *cellMap // of the reference region

	biases  []*calFrame
	runs    []*darkRun
	lamps   []*lampStep
	all     []*calFrame
	found   findings
	without []NotMeasured
}

// darkRun is the darks of one temperature and one exposure time.
type darkRun struct {
	place  int // of the temperature, from the coldest
	ht     float64
	timeS  float64 // exposure and wait
	tempK  float64 // mean
	frames []*calFrame
}

// lampStep is the flats of one kind, band and exposure time.
type lampStep struct {
	kind, band string
	exposureS  float64
	frames     []*calFrame
}

// sensorSets sorts frames by detector and mode.
func (in *Instrument) sensorSets(frames []*calFrame) []*sensorSet {
	byKey := map[string]*sensorSet{}
	var keys []string
	for _, f := range frames {
		key := fmt.Sprintf("%03d|%s", f.Detector, f.Info.Mode)
		if byKey[key] == nil {
			byKey[key] = &sensorSet{in: in, detector: f.Detector, mode: f.Info.Mode, sensor: f.sensor, cells: in.sensorCells(f.sensor)}
			keys = append(keys, key)
		}
		byKey[key].all = append(byKey[key].all, f)
	}
	slices.Sort(keys)
	var out []*sensorSet
	for _, k := range keys {
		s := byKey[k]
		slices.SortStableFunc(s.all, inTime)
		out = append(out, s)
	}
	nameMixedModes(out)
	return out
}

// inTime orders frames by time, then by name and plane.
func inTime(a, b *calFrame) int {
	if c := a.Info.Time.Compare(b.Info.Time); c != 0 {
		return c
	}
	if c := strings.Compare(a.Name(), b.Name()); c != 0 {
		return c
	}
	return cmp.Compare(a.Plane, b.Plane)
}

// nameMixedModes tells each set of a detector whose frames are of several
// modes of the frames of the others.
func nameMixedModes(sets []*sensorSet) {
	for _, s := range sets {
		for _, o := range sets {
			if o == s || o.detector != s.detector {
				continue
			}
			s.found.add(FoundMixedModes, o.all, fmt.Sprintf("frames of mode %q among those of mode %q", o.mode, s.mode),
				"modes are never mixed: each is measured by itself; leave out what does not belong")
		}
	}
}

// sort sorts the frames of a set by what they are for, and leaves out those
// that do not belong.
func (s *sensorSet) sort() {
	for _, f := range s.all {
		switch f.Info.Kind {
		case configs.KindBias:
			s.biases = append(s.biases, f)
		case configs.KindDark:
			s.addDark(f)
		default:
			s.addLamp(f)
		}
	}
	s.leaveOutLeaks()
	s.orderDarks()
	for _, l := range s.lamps {
		s.leaveOutUnequal(l)
	}
	s.lamps = slices.DeleteFunc(s.lamps, func(l *lampStep) bool { return len(l.frames) == 0 })
}

func (s *sensorSet) addDark(f *calFrame) {
	t := f.Info.ExposureS + f.Info.WaitS
	if !(t > 0) {
		s.found.add(FoundNoExposure, []*calFrame{f}, "a dark of no exposure time tells no dark current", "mark zero exposures as bias in frame_kinds")
		return
	}
	for _, r := range s.runs {
		if sameTime(r.timeS, t) && sameTemp(r.frames[0], f) {
			r.frames = append(r.frames, f)
			return
		}
	}
	s.runs = append(s.runs, &darkRun{timeS: t, frames: []*calFrame{f}})
}

// sameTime tells whether exposure times are the same.
func sameTime(a, b float64) bool { return math.Abs(a-b) <= 1e-6*math.Max(a, b) }

// tempSpanK is how far the temperatures of darks of one run lie apart at most.
// The law of the profile brings them together, and it is good enough for that.
const tempSpanK = 1

func sameTemp(a, b *calFrame) bool {
	return !(math.Abs(a.Info.TempK-b.Info.TempK) > tempSpanK) // without a temperature all are alike
}

func (s *sensorSet) addLamp(f *calFrame) {
	for _, l := range s.lamps {
		if l.kind == f.Info.Kind && l.band == f.Info.Band && sameTime(l.exposureS, f.Info.ExposureS) {
			l.frames = append(l.frames, f)
			return
		}
	}
	s.lamps = append(s.lamps, &lampStep{kind: f.Info.Kind, band: f.Info.Band, exposureS: f.Info.ExposureS, frames: []*calFrame{f}})
}

// lookAlarm is the part of good frames that a test may take for bad ones.
const lookAlarm = 1e-6

// leaveOutLeaks leaves out biases whose level or tilt is unlike the others',
// and darks whose level or tilt does not follow their time: light came in.
func (s *sensorSet) leaveOutLeaks() {
	s.biases = s.withoutLeaks(s.biases, nil)
	var temps [][]*calFrame
	for _, r := range s.runs {
		i := slices.IndexFunc(temps, func(t []*calFrame) bool { return sameTemp(t[0], r.frames[0]) })
		if i < 0 {
			temps = append(temps, nil)
			i = len(temps) - 1
		}
		temps[i] = append(temps[i], r.frames...)
	}
	var good []*calFrame
	for _, darks := range temps {
		good = append(good, s.withoutLeaks(darks, s.biases)...)
	}
	for _, r := range s.runs {
		r.frames = slices.DeleteFunc(r.frames, func(f *calFrame) bool { return !slices.Contains(good, f) })
	}
	s.runs = slices.DeleteFunc(s.runs, func(r *darkRun) bool { return len(r.frames) == 0 })
}

// withoutLeaks returns the frames that agree with one another. Biases among
// them are the darks of no time; no more are taken than a third of the darks,
// so that the biases do not agree with themselves alone.
func (s *sensorSet) withoutLeaks(frames, biases []*calFrame) []*calFrame {
	law := darkLaw(&s.in.Profile.Detectors[s.detector])
	together := slices.Concat(frames, biases[:min(len(biases), (len(frames)+2)/3)])
	levels := make([]measure.DarkLevel, len(together))
	for i, f := range together {
		levels[i] = measure.DarkLevel{Level: f.tilt.Level, TiltX: f.tilt.X, TiltY: f.tilt.Y}
		if f.Info.Kind == configs.KindDark {
			levels[i].Seconds = hAt(law, f.Info.TempK) * (f.Info.ExposureS + f.Info.WaitS)
		}
	}
	leaks, err := measure.FindLeaks(levels, lookAlarm)
	if err != nil {
		return frames // too few to tell
	}
	leaky := map[*calFrame]bool{}
	for _, l := range leaks {
		f := together[l.Index]
		if l.Index < len(frames) && !leaky[f] {
			leaky[f] = true
			s.found.add(FoundLightLeak, []*calFrame{f}, fmt.Sprintf("%s: %.3g DN beside what its time explains (%.0f sigma)", l.What, l.Excess.Value, l.Sigmas),
				"see whether light came in; take the frame again, or mark it as ignore in frame_kinds")
		}
	}
	return slices.DeleteFunc(slices.Clone(frames), func(f *calFrame) bool { return leaky[f] })
}

// orderDarks puts the runs of the temperature nearest to the reference first,
// then the next, each temperature by exposure time. A run is of the temperature
// of the coldest one that is no further from it than tempSpanK.
func (s *sensorSet) orderDarks() {
	d := &s.in.Profile.Detectors[s.detector]
	law := darkLaw(d)
	for _, r := range s.runs {
		r.tempK = 0
		h := 0.0
		for _, f := range r.frames {
			r.tempK += f.Info.TempK / float64(len(r.frames))
			h += hAt(law, f.Info.TempK) / float64(len(r.frames))
		}
		r.ht = h * r.timeS
	}
	slices.SortStableFunc(s.runs, func(a, b *darkRun) int { return cmp.Compare(a.tempK, b.tempK) })
	var temperatures [][]*darkRun
	for i, r := range s.runs {
		if i == 0 || !r.sameTempAs(temperatures[len(temperatures)-1][0]) {
			temperatures = append(temperatures, nil)
		}
		last := &temperatures[len(temperatures)-1]
		*last = append(*last, r)
	}
	away := func(t []*darkRun) float64 { return math.Abs(t[0].tempK - d.Dark.ReferenceK) }
	slices.SortStableFunc(temperatures, func(a, b []*darkRun) int { return cmp.Compare(away(a), away(b)) })
	s.runs = s.runs[:0]
	for place, t := range temperatures {
		slices.SortStableFunc(t, func(a, b *darkRun) int { return cmp.Compare(a.timeS, b.timeS) })
		for _, r := range t {
			r.place = place
		}
		s.runs = append(s.runs, t...)
	}
}

func (r *darkRun) sameTempAs(o *darkRun) bool { return !(math.Abs(r.tempK-o.tempK) > tempSpanK) }

// unequal is how far, relative, a flat may be from the others of its exposure
// time. Two flats are brought to the same mean before they are compared, which
// leaves errors of second order only: a thousandth at this limit.
const unequal = 0.05

// leaveOutUnequal leaves out flats that are unlike the rest of their step, and
// the last one of an odd number: flats are compared two by two.
func (s *sensorSet) leaveOutUnequal(l *lampStep) {
	levels := make([]float64, len(l.frames))
	for i, f := range l.frames {
		levels[i] = f.brightest()
	}
	middle := calib.Median(slices.Clone(levels))
	var off []*calFrame
	for i, f := range l.frames {
		if math.Abs(levels[i]-middle) > math.Max(unequal*math.Abs(middle), 6*f.brightestU()) {
			off = append(off, f)
		}
	}
	if len(off) > 0 {
		s.found.add(FoundUnequal, off, fmt.Sprintf("unlike the other frames of %s, whose middle level is %.5g DN, by more than %g %%", l.name(), middle, 100*unequal),
			"see whether lamp and shutter were steady; take the pair again")
		l.frames = slices.DeleteFunc(l.frames, func(f *calFrame) bool { return slices.Contains(off, f) })
	}
	if n := len(l.frames); n%2 == 1 {
		s.found.add(FoundUnpaired, l.frames[n-1:], "no second frame like it among "+l.name()+": left out of the photon transfer",
			"take flats and ladder steps in pairs of equal exposure")
		if n == 1 {
			l.frames = nil
		}
	}
}

// name describes a step for people.
func (l *lampStep) name() string {
	return strings.Join(nonEmpty("the "+l.kind, prefixed("band ", l.band), fmt.Sprintf("%g s", l.exposureS)), ", ")
}

// brightest is the level of the brightest cell.
func (f *calFrame) brightest() float64 {
	level, _ := f.brightestCell()
	return level
}

func (f *calFrame) brightestU() float64 {
	_, c := f.brightestCell()
	return f.levelU[c]
}

func (f *calFrame) brightestCell() (level float64, cell int) {
	level = math.Inf(-1)
	for c, v := range f.level {
		if v > level { // NaN is not
			level, cell = v, c
		}
	}
	return level, cell
}
