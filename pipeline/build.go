package pipeline

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"go.uber.org/zap"

	"evenlight/calib"
	"evenlight/configs"
	"evenlight/fitsutil"
)

// BuildOptions says how masters are made from calibration frames.
type BuildOptions struct {
	OutDir  string
	Workers int
	Log     *zap.Logger
	// Progress, if set, is told of each master as it is begun.
	Progress func(done, total int, what string)
}

// BuildResult lists what became of a run that made masters.
type BuildResult struct {
	Made      []*Master `json:"made"`      // new, or made again
	Unchanged []*Master `json:"unchanged"` // there already, byte for byte
	Failures  []Failure `json:"failures"`
	Warnings  []string  `json:"warnings"`
	Found     int       `json:"found"`   // files looked at
	Skipped   int       `json:"skipped"` // frames that are not calibration frames
}

// group is a set of like frames from which one master is made.
type group struct {
	kind     string // of the frames
	detector int
	mode     string
	band     string // flats and ladders
	frames   []*Frame
}

// masterKind names the kind of master that frames of a kind make.
func (g *group) masterKind() string {
	if g.kind == configs.KindLadder {
		return MasterLinearity
	}
	return g.kind
}

// lastStage is the last stage that the frames of a kind go through before
// they are combined.
func lastStage(kind string) string {
	switch kind {
	case configs.KindBias:
		return configs.StageOffset
	case configs.KindLadder:
		return configs.StageBias
	case configs.KindDark:
		return configs.StageGain
	}
	return configs.StageSmear
}

// buildOrder is the order in which masters are made: each needs only those
// before it.
var buildOrder = []string{configs.KindBias, configs.KindLadder, configs.KindDark, configs.KindFlat}

// builder makes masters.
type builder struct {
	in      *Instrument
	opt     BuildOptions
	lib     *Library
	cache   *masterCache
	result  *BuildResult
	profile []byte
}

// BuildMasters sorts the frames in the given files into sets, makes a master
// of each and a bad-pixel mask from the masters, and writes them to
// opt.OutDir, where masters that are there already serve the new ones. A
// frame or a set that fails is reported; the others go on.
func BuildMasters(in *Instrument, files []string, opt BuildOptions) (*BuildResult, error) {
	if err := os.MkdirAll(opt.OutDir, 0o777); err != nil {
		return nil, fmt.Errorf("output folder: %w", err)
	}
	lib, err := OpenLibrary(opt.OutDir)
	if err != nil {
		return nil, err
	}
	b := &builder{in: in, opt: opt, lib: lib, profile: in.Profile.Canonical(), result: &BuildResult{Found: len(files), Made: []*Master{}, Unchanged: []*Master{}, Failures: []Failure{}, Warnings: []string{}},
		cache: newMasterCache(int64(in.Profile.Masters.MemoryMiB) << 20)}
	lib.report(opt.Log)
	groups := b.groups(b.survey(files))
	for i, g := range groups {
		if opt.Progress != nil {
			opt.Progress(i, len(groups), "master "+g.masterKind()+" from "+fmt.Sprint(len(g.frames))+" frames")
		}
		b.make(g)
	}
	b.masks()
	if opt.Progress != nil {
		opt.Progress(len(groups), len(groups), "masters")
	}
	return b.result, nil
}

// fail reports a file or a set that could not be used.
func (b *builder) fail(event, what string, err error) {
	b.result.Failures = append(b.result.Failures, Failure{what, err.Error()})
	b.opt.Log.Error(event, zap.String("what", what), zap.Error(err))
}

// warn reports that a master was made and calls for a look.
func (b *builder) warn(what, problem string) {
	b.result.Warnings = append(b.result.Warnings, what+": "+problem)
	b.opt.Log.Warn(EventMasterWarning, zap.String("what", what), zap.String("warning", problem))
}

// survey reads the headers of all files and reports those that cannot be read.
func (b *builder) survey(files []string) []*Frame {
	frames, errs := b.in.survey(files, b.opt.Workers)
	for i := range files {
		for _, err := range errs[i] {
			b.fail(EventFrameFailed, files[i], err)
		}
	}
	return frames
}

// survey reads the headers of all files: their frames, without samples, and
// the errors of each file.
func (in *Instrument) survey(files []string, workers int) ([]*Frame, [][]error) {
	found := make([][]*Frame, len(files))
	errs := make([][]error, len(files))
	_ = parallel(workers, len(files), func(_, i int) error {
		f, err := fitsutil.Open(files[i])
		if err != nil {
			errs[i] = []error{&FrameError{Path: files[i], Err: err}}
			return nil
		}
		defer f.Close()
		found[i], errs[i] = in.framesIn(files[i], "", f)
		for _, fr := range found[i] {
			fr.file, fr.hdu, fr.header = nil, nil, nil
		}
		return nil
	})
	var frames []*Frame
	for i := range files {
		frames = append(frames, found[i]...)
	}
	return frames, errs
}

// groups sorts frames into sets of one kind, detector, mode and band, split
// where more than SplitGapHours pass without a frame.
func (b *builder) groups(frames []*Frame) []*group {
	byKey := map[string]*group{}
	var keys []string
	for _, f := range frames {
		order := slices.Index(buildOrder, f.Info.Kind)
		if order < 0 {
			b.result.Skipped++
			continue
		}
		g := &group{kind: f.Info.Kind, detector: f.Detector, mode: f.Info.Mode}
		if g.kind == configs.KindFlat || g.kind == configs.KindLadder {
			g.band = f.Info.Band
		}
		sets := []*group{g}
		if g.kind == configs.KindDark && b.in.Profile.Detectors[g.detector].LineScan != nil {
			bias := *g // a line scanner has no zero exposure: its darks tell the bias too
			bias.kind = configs.KindBias
			sets = append(sets, &bias)
		}
		for _, g := range sets {
			key := fmt.Sprintf("%d|%d|%s|%s", slices.Index(buildOrder, g.kind), g.detector, g.mode, g.band)
			if byKey[key] == nil {
				byKey[key] = g
				keys = append(keys, key)
			}
			byKey[key].frames = append(byKey[key].frames, f)
		}
	}
	slices.Sort(keys)
	var out []*group
	for _, k := range keys {
		out = append(out, byKey[k].split(b.in.Profile.Masters.SplitGapHours)...)
	}
	return out
}

// split sorts a group's frames by time and cuts it at long pauses.
func (g *group) split(gapHours float64) []*group {
	slices.SortStableFunc(g.frames, func(a, b *Frame) int {
		if c := a.Info.Time.Compare(b.Info.Time); c != 0 {
			return c
		}
		if c := strings.Compare(a.Name(), b.Name()); c != 0 {
			return c
		}
		return a.Plane - b.Plane
	})
	var out []*group
	start := 0
	for i := 1; i <= len(g.frames); i++ {
		if i < len(g.frames) && (gapHours <= 0 || g.frames[i].Info.Time.Sub(g.frames[i-1].Info.Time).Hours() <= gapHours) {
			continue
		}
		part := *g
		part.frames = g.frames[start:i]
		out = append(out, &part)
		start = i
	}
	return out
}

// name describes a group for people.
func (b *builder) name(g *group) string {
	return strings.Join(nonEmpty("master "+g.masterKind(), "detector "+b.in.Profile.Detectors[g.detector].Name,
		prefixed("mode ", g.mode), prefixed("band ", g.band), "from "+g.frames[0].Info.Time.UTC().Format(timeForm)), ", ")
}

// make builds and writes one group's master.
func (b *builder) make(g *group) {
	if err := b.build(g); err != nil {
		b.fail(EventMasterFailed, b.name(g), err)
	}
}

func (b *builder) build(g *group) error {
	if n := b.in.Profile.Masters.MinFrames; len(g.frames) < n {
		return fmt.Errorf("%d frames are fewer than the %d that masters.min_frames asks for: add frames or lower it", len(g.frames), n)
	}
	set, err := b.in.selectMasters(g.middle(), lastStage(g.kind), b.lib, b.cache)
	if err != nil {
		return err
	}
	s, err := b.prepare(g, set)
	if err != nil {
		return err
	}
	defer s.close()
	var c *masterContent
	switch g.kind {
	case configs.KindLadder:
		c, err = b.linearity(s)
	default:
		c, err = b.combine(s)
	}
	if err != nil {
		return err
	}
	return b.write(c)
}

// middle is a frame that stands for the group where masters are chosen: the
// one in the middle of its time.
func (g *group) middle() *Frame { return g.frames[len(g.frames)/2] }

// info describes the master that a group makes.
func (b *builder) info(g *group) Master {
	m := Master{Kind: g.masterKind(), Instrument: b.in.Profile.Instrument, Detector: b.in.Profile.Detectors[g.detector].Name,
		Mode: g.mode, Begin: g.frames[0].Info.Time, End: g.frames[len(g.frames)-1].Info.Time,
		TempMinK: math.NaN(), TempMaxK: math.NaN(), Frames: len(g.frames), Binning: g.frames[0].Info.Binning}
	if g.kind == configs.KindFlat {
		m.Band = g.band
	}
	for _, f := range g.frames {
		m.spanTemp(f.Info.TempK, f.Info.TempK)
	}
	return m
}

// spanTemp widens the master's range of temperatures.
func (m *Master) spanTemp(low, high float64) {
	switch {
	case math.IsNaN(low):
	case math.IsNaN(m.TempMinK):
		m.TempMinK, m.TempMaxK = low, high
	default:
		m.TempMinK, m.TempMaxK = min(m.TempMinK, low), max(m.TempMaxK, high)
	}
}

// write gives the master its name, made from what it is and from what it was
// made, and writes it unless the same bytes are there already.
func (b *builder) write(c *masterContent) error {
	m := c.info
	m.Path = filepath.Join(b.opt.OutDir, c.fileName())
	before, errBefore := sums(m.Path)
	if err := c.write(m.Path); err != nil {
		return err
	}
	after, err := sums(m.Path)
	if err != nil {
		return err
	}
	b.lib.add(&m)
	if errBefore == nil && before == after {
		b.result.Unchanged = append(b.result.Unchanged, &m)
		b.opt.Log.Info(EventMasterUnchanged, zap.String("file", m.Path))
		return nil
	}
	b.result.Made = append(b.result.Made, &m)
	b.opt.Log.Info(EventMasterBuilt, zap.String("file", m.Path), zap.String("kind", m.Kind), zap.Int("frames", m.Frames))
	return nil
}

// sums returns the checksums of all HDUs of a file. Two masters of one name,
// which stands for recipe and inputs, are the same where their sums are.
func sums(path string) (string, error) {
	f, err := fitsutil.Open(path)
	if err != nil {
		return "", err
	}
	defer f.Close()
	var all []string
	for _, h := range f.HDUs() {
		for _, key := range []string{"CHECKSUM", "DATASUM"} {
			sum, _, err := h.Header.Text(key)
			if err != nil {
				return "", err
			}
			all = append(all, sum)
		}
	}
	return strings.Join(all, " "), nil
}

// fileName is built from the master's identity; its last part is a hash of
// recipe and inputs, so masters made otherwise never take each other's name.
func (c *masterContent) fileName() string {
	h := sha256.New()
	fmt.Fprintf(h, "%s %s\n", Version, c.record.ProfileHash)
	for _, in := range c.record.Inputs {
		fmt.Fprintf(h, "%s %s\n", in.Role, in.SHA256)
	}
	m := &c.info
	parts := nonEmpty(m.Kind, m.Detector, plainName(m.Mode), plainName(m.Band), m.Begin.UTC().Format("20060102T150405"), hex.EncodeToString(h.Sum(nil))[:8])
	return strings.Join(parts, "-") + ".fits"
}

// plainName keeps what is safe in a file name of a word that a header may
// have brought.
func plainName(s string) string {
	return strings.Map(func(r rune) rune {
		if r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z' || r >= '0' && r <= '9' || r == '_' {
			return r
		}
		return '_'
	}, s)
}

// record starts the provenance of a master.
func (b *builder) record(what string) Provenance {
	return Provenance{Software: Software, Version: Version, What: what, ProfileHash: b.in.Hash}
}

// combine makes a bias, dark or flat.
func (b *builder) combine(s *frameSet) (*masterContent, error) {
	if s.sensor.LineScan {
		return b.combineLines(s)
	}
	im := s.sensor.Image
	n := im.Width() * im.Height()
	out := calib.Combined{Value: make([]float32, n), Variance: make([]float32, n), Samples: make([]int32, n)}
	if s.kind == configs.KindDark {
		out.Scatter = make([]float32, n)
	}
	combiners := s.combiners(b.in.Profile.Masters.RejectSigma)
	if err := s.strips(func(y0, y1 int, samples [][]float32) error {
		return s.combineRows(combiners, y0, y1, samples, out)
	}); err != nil {
		return nil, err
	}
	if err := s.poolVariances(combiners, out); err != nil {
		return nil, err
	}
	masked := s.combineMasked(b.in.Profile.Masters.RejectSigma)
	return b.content(s, out, combiners[0], masked)
}

// weighting tells the mean of one number a frame, weighted as in a master.
type weighting interface{ MeanOf(v []float64) float64 }

// content makes a bias, dark or flat master of its combined planes.
func (b *builder) content(s *frameSet, out calib.Combined, weights weighting, masked []plane) (*masterContent, error) {
	im := s.sensor.Image
	c := &masterContent{info: b.info(s.group), record: b.record("master " + s.masterKind()), width: im.Width(), height: s.sensor.MasterRows(), profile: b.profile}
	unit := "adu"
	switch s.kind {
	case configs.KindBias:
		if !s.sensor.LineScan { // whose rows are lines, which have nothing in common
			c.tables = append(c.tables, s.rowPatterns()...)
		}
	case configs.KindDark:
		unit = "electron s-1"
		inverse := make([]float64, len(s.frames))
		for i, f := range s.set {
			inverse[i] = f.scale[0]
		}
		c.info.BiasKappa = weights.MeanOf(inverse)
		c.info.EffectiveK = s.effectiveK(weights)
		if s.sensor.LineScan {
			c.info.MaskedDark = s.maskedDark()
		}
		if s.masters.bias != nil {
			c.info.BiasSHA256 = s.masters.bias.SHA256
		}
	case configs.KindFlat:
		unit = ""
		s.addCommonVariance(out)
		if err := b.clearMarks(s, out, c); err != nil {
			return nil, err
		}
		if err := s.normalise(&c.info, out, b.in.Profile.Detectors[s.detector].BadPixels.LowBelow); err != nil {
			return nil, err
		}
	}
	c.planes = []plane{
		{name: "VALUE", unit: unit, float: out.Value, comment: "Robust mean of the frames."},
		{name: "VARIANCE", unit: squared(unit), float: out.Variance, comment: "Variance of VALUE, from the scatter of the frames and what they share."},
		{name: "SAMPLES", unit: "", whole: out.Samples, comment: "Number of frames that were kept."},
	}
	if out.Scatter != nil {
		c.planes = append(c.planes, plane{name: "SCATTER", float: out.Scatter, comment: "Reduced chi-square of all frames about VALUE; 1 is as expected."})
	}
	for i := range masked {
		masked[i].unit = unit
		if masked[i].name == extMaskedVar {
			masked[i].unit = squared(unit)
		}
	}
	c.planes = append(c.planes, masked...)
	s.provenance(&c.record)
	c.record.Stages = append(c.record.Stages, StageRecord{"combine", []calib.Setting{
		{Name: "reject_sigma", Value: fmt.Sprint(b.in.Profile.Masters.RejectSigma)}, {Name: "frames", Value: fmt.Sprint(len(s.frames))},
	}})
	return c, nil
}

// effectiveK is the temperature that stands for those of a dark's frames; 0
// where the law knows none.
func (s *frameSet) effectiveK(weights weighting) float64 {
	temps := make([]float64, len(s.set))
	for i, f := range s.set {
		temps[i] = f.Info.TempK
	}
	k := darkLaw(&s.in.Profile.Detectors[s.detector]).EffectiveK(temps, weights.MeanOf)
	if math.IsNaN(k) {
		return 0
	}
	return k
}

// squared writes the square of a unit: each of its factors to twice its power.
func squared(unit string) string {
	switch unit {
	case "":
		return ""
	case "electron s-1":
		return "electron2 s-2"
	}
	return unit + "2"
}

// hotPixels tells which pixels are hot in the dark that was taken off; nil
// where none was.
func (s *frameSet) hotPixels() []bool {
	if s.masters.dark == nil {
		return nil
	}
	limit := float32(s.in.Profile.Detectors[s.detector].BadPixels.HotEPerS)
	hot := make([]bool, len(s.masters.dark.plane.Value))
	for i, d := range s.masters.dark.plane.Value {
		hot[i] = d > limit
	}
	return hot
}

// normalise divides a flat by its mean over the good pixels of the reference
// region, those that are not hot and whose response is not low or as far above; band by band where
// pixels see different ones.
func (s *frameSet) normalise(m *Master, out calib.Combined, low float64) error {
	n := len(s.cells.names)
	sum, variance, pixels := make([]float64, n), make([]float64, n), make([]int, n)
	width := s.sensor.Image.Width()
	hot := s.hotPixels()
	for y := range s.sensor.MasterRows() {
		for x, c := range s.cells.rows[y] {
			i := y*width + x
			if hot != nil && hot[i] {
				continue
			}
			if v := float64(out.Value[i]); c != noCell && v > low && v < 2-low { // the frames were scaled to a median of 1
				sum[c] += v
				variance[c] += float64(out.Variance[i])
				pixels[c]++
			}
		}
	}
	for c := range sum {
		if s.cells.absent(c) {
			continue
		}
		if pixels[c] == 0 {
			return fmt.Errorf("no pixel of the %s in the reference region has a usable response: correct the detector's reference region", s.cells.names[c])
		}
		m.Normalisation = max(m.Normalisation, math.Sqrt(variance[c])/sum[c])
	}
	for y := range s.sensor.MasterRows() {
		for x := range width {
			c, i := 0, y*width+x
			if n > 1 {
				if c = int(s.sensor.Map.Row(y)[x]); c == calib.NoBand {
					out.Value[i], out.Variance[i] = float32(math.NaN()), float32(math.NaN()) // no band, no response
					continue
				}
			}
			k := float32(float64(pixels[c]) / sum[c])
			out.Value[i] *= k
			out.Variance[i] *= k * k
		}
	}
	return nil
}

// masks makes a bad-pixel mask for each dark that was made or stood unchanged
// in this run, from that dark, the flats and the linearity valid with it.
func (b *builder) masks() {
	darks := append(slices.Clone(b.result.Made), b.result.Unchanged...)
	slices.SortFunc(darks, func(x, y *Master) int { return strings.Compare(x.Path, y.Path) })
	for _, m := range darks {
		if m.Kind != MasterDark {
			continue
		}
		if err := b.makeMask(m); err != nil {
			b.fail(EventMasterFailed, "master bad-pixels with "+m.Name(), err)
		}
	}
}

// makeMask makes the mask of a dark, unless a decision keeps the dark from
// serving.
func (b *builder) makeMask(dark *Master) error {
	no, err := b.lib.refuses(dark, dark.middle())
	if err != nil {
		return err
	}
	if no.why != isAllowed {
		return fmt.Errorf("%s %s; %s", dark.Name(), no.text(), no.remedy())
	}
	c, err := b.mask(dark)
	if err != nil {
		return err
	}
	return b.write(c)
}

func (b *builder) mask(dark *Master) (*masterContent, error) {
	i := slices.IndexFunc(b.in.Profile.Detectors, func(d configs.Detector) bool { return d.Name == dark.Detector })
	d, sensor := &b.in.Profile.Detectors[i], b.in.sensors[i]
	if sensor.LineScan {
		var err error
		if sensor, err = b.in.sensorFor(i, 1, max(1, dark.Binning)); err != nil {
			return nil, err
		}
	}
	im := sensor.Image
	used := []*Master{dark}
	need := Need{Instrument: dark.Instrument, Detector: dark.Detector, Mode: dark.Mode, Time: dark.middle(), TempK: math.NaN()}
	kinds := []Need{}
	for _, band := range b.in.flatBands(i) {
		n := need
		n.Kind, n.Band = MasterFlat, band
		kinds = append(kinds, n)
	}
	n := need
	n.Kind = MasterLinearity // a ladder judges pixels also where the curve comes from the profile
	kinds = append(kinds, n)
	for _, n := range kinds {
		m, err := b.lib.Select(n, b.in.limits(n.Kind))
		if err == nil {
			used = append(used, m)
		}
	}
	mask := make([]calib.Flags, im.Width()*sensor.MasterRows())
	lim := calib.BadPixelLimits{HotEPerS: d.BadPixels.HotEPerS, UnstableSigma: d.BadPixels.UnstableSigma, DeadBelow: d.BadPixels.DeadBelow,
		LowBelow: d.BadPixels.LowBelow, NonlinearFraction: d.BadPixels.NonlinearFraction}
	c := &masterContent{record: b.record("master " + MasterBadPixels), width: im.Width(), height: sensor.MasterRows(), profile: b.profile}
	c.info = *dark
	c.info.Kind, c.info.Frames, c.info.BiasSHA256, c.info.BiasKappa = MasterBadPixels, len(used), "", 0
	for _, m := range used {
		l, err := loadMaster(m, sensor, forMask)
		if err != nil {
			return nil, err
		}
		switch m.Kind {
		case MasterDark:
			calib.MarkDark(mask, l.plane.Value, l.scatter, l.samples, m.Frames, lim)
		case MasterFlat:
			calib.MarkFlat(mask, l.raw, lim)
			l.marks.cover(mask, im.Width(), d)
		case MasterLinearity:
			calib.MarkDeparture(mask, l.departure, l.departureU, lim)
		}
		c.record.Inputs = append(c.record.Inputs, l.input())
		c.info.Begin, c.info.End = earlier(c.info.Begin, m.Begin), later(c.info.End, m.End)
		c.info.spanTemp(m.TempMinK, m.TempMaxK)
	}
	c.record.Instrument, c.record.Detector, c.record.Mode = dark.Instrument, dark.Detector, dark.Mode
	c.record.Stages = []StageRecord{{"mark bad pixels", []calib.Setting{
		{Name: "hot_e_per_s", Value: fmt.Sprint(lim.HotEPerS)}, {Name: "unstable_sigma", Value: fmt.Sprint(lim.UnstableSigma)},
		{Name: "dead_below", Value: fmt.Sprint(lim.DeadBelow)}, {Name: "low_below", Value: fmt.Sprint(lim.LowBelow)},
		{Name: "nonlinear_fraction", Value: fmt.Sprint(lim.NonlinearFraction)},
	}}}
	c.planes = []plane{{name: "REASONS", flags: mask}}
	return c, nil
}

// flatBands lists the bands that a detector's flats are made in: those of the
// profile, its own, or "" where its frames see several at once.
func (in *Instrument) flatBands(detector int) []string {
	d := &in.Profile.Detectors[detector]
	if d.Band != "" {
		return []string{d.Band}
	}
	if in.sensors[detector].Map != nil || in.isLayer(d.Name) {
		return []string{""}
	}
	var out []string
	for _, b := range in.Profile.Bands {
		out = append(out, b.Name)
	}
	return out
}

func earlier(a, b time.Time) time.Time {
	if b.Before(a) {
		return b
	}
	return a
}

func later(a, b time.Time) time.Time {
	if b.After(a) {
		return b
	}
	return a
}

// Text writes the result for people.
func (r *BuildResult) Text() string {
	var b strings.Builder
	fmt.Fprintf(&b, "%d files, %d masters made, %d unchanged, %d failures\n", r.Found, len(r.Made), len(r.Unchanged), len(r.Failures))
	for _, m := range r.Made {
		fmt.Fprintf(&b, "  %-10s %3d frames  %s\n", m.Kind, m.Frames, m.Name())
	}
	for _, w := range r.Warnings {
		fmt.Fprintf(&b, "  warning: %s\n", w)
	}
	for _, f := range r.Failures {
		fmt.Fprintf(&b, "  failed: %s: %s\n", f.Raw, strings.TrimPrefix(f.Reason, f.Raw+": "))
	}
	return b.String()
}
