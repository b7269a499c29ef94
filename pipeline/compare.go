package pipeline

import (
	"cmp"
	"fmt"
	"math"
	"math/bits"
	"slices"
	"strings"

	"evenlight/calib"
	"evenlight/fitsutil"
)

// CompareOptions says how two products are compared.
type CompareOptions struct {
	// Any allows products of different raw frames, detectors or planes of one
	// shape and unit; else both must be versions of one product.
	Any     bool
	Workers int // goroutines for the rows; the result does not depend on it
}

// Comparison tells how two versions A and B of a product differ. Differences
// are B less A. They are measured by the random standard uncertainty u: both
// versions come from the same raw samples, whose errors they have in common, so
// that d/u is no pull of variance 1. It says how much a change of the
// calibration matters, and u is that of A. Products of different raw frames
// have independent errors, and u is the root of the sum of both squares (JCGM
// 100:2008, 5.1.2): d/u is a pull then where both saw the same light.
//
// All but the parts that are said to come from a sample rest on every pixel
// that has a value and an uncertainty above 0 in both. A number that does not
// exist is null.
type Comparison struct {
	A           string `json:"a"`
	B           string `json:"b"`
	Unit        string `json:"unit"`
	WidthPx     int    `json:"width_px"`
	HeightPx    int    `json:"height_px"`
	Independent bool   `json:"independent"` // of different raw frames

	Pixels      int     `json:"pixels"`         // of the image
	Compared    int     `json:"compared"`       // with value and uncertainty in both
	Sampled     int     `json:"sampled"`        // of these, evenly spread, for medians, quantiles and levels
	Same        float64 `json:"same_fraction"`  // of the pixels: value, uncertainty and flags alike
	Appeared    int     `json:"values_gained"`  // pixels with a value in B alone
	Disappeared int     `json:"values_lost"`    // in A alone
	Beyond1     float64 `json:"beyond_1_sigma"` // fraction of the compared with |d/u| > 1
	Beyond3     float64 `json:"beyond_3_sigma"`

	Difference  Differences  `json:"difference"`             // d, in Unit
	Relative    Spread       `json:"difference_over_u"`      // d/u
	Uncertainty *float64     `json:"uncertainty_ratio"`      // median of u of B over u of A; from the sample
	Levels      []Level      `json:"levels"`                 // from the darkest; from the sample
	Flags       []FlagChange `json:"flags"`                  // those that either product has
	Made        []MadeChange `json:"made_differently"`       // empty: both were made alike
	Systematic  []TermChange `json:"systematic_differently"` // relative uncertainties common to the frame
}

// Differences are statistics of d.
type Differences struct {
	Mean   *float64 `json:"mean"`
	SD     *float64 `json:"sd"` // of a pixel about the mean
	Median *float64 `json:"median"`
	Min    *Extreme `json:"min"`
	Max    *Extreme `json:"max"`
}

// Extreme is a difference and where it is: the first such pixel in the order of
// rows. Columns and rows are those of the product, the first being 1.
type Extreme struct {
	Value  float64 `json:"value"`
	Column int     `json:"column"`
	Row    int     `json:"row"`
}

// Spread are statistics of d/u.
type Spread struct {
	Mean      *float64   `json:"mean"`
	SD        *float64   `json:"sd"`
	Median    *float64   `json:"median"`
	Quantiles []Quantile `json:"quantiles"` // from the sample
}

// Quantile is the value that so many percent of the pixels do not exceed.
type Quantile struct {
	Percent float64 `json:"percent"`
	Value   float64 `json:"value"`
}

// Level is the difference at one level of signal. Levels hold like numbers of
// pixels, except that equal signals share one. The signal is that of A, and
// for independent products the mean of both, since sorting by one that has
// errors of its own would make a difference of them.
type Level struct {
	From       float64  `json:"from"`
	To         float64  `json:"to"`
	Signal     float64  `json:"signal"` // median
	Pixels     int      `json:"pixels"`
	Difference float64  `json:"difference"` // median of d
	Relative   *float64 `json:"relative"`   // Difference over Signal
}

// FlagChange counts the pixels that have a flag, in all pixels of the image.
type FlagChange struct {
	Name   string `json:"name"`
	A      int    `json:"a"`
	B      int    `json:"b"`
	Gained int    `json:"gained"` // in B alone
	Lost   int    `json:"lost"`   // in A alone
}

// What a MadeChange is about.
const (
	MadeVersion = "version" // of the software
	MadeProfile = "profile" // SHA-256
	MadeFrame   = "frame"   // what the frame is: instrument, detector, band ...; Name says which
	MadeInput   = "input"   // Name is its role, the values are its name and SHA-256
	MadeStage   = "stage"   // a stage, by its Name, acted in one alone
	MadeOrder   = "order"   // the same stages acted in another order
	MadeSetting = "setting" // Name is the stage's, a point and the setting's
)

// MadeChange is one thing in which the making of the two differs, from what
// their headers say. An empty value: it is not there.
type MadeChange struct {
	What string `json:"what"`
	Name string `json:"name,omitempty"`
	A    string `json:"a"`
	B    string `json:"b"`
}

// TermChange is a systematic uncertainty that differs; null: not stated.
type TermChange struct {
	Name string   `json:"name"`
	A    *float64 `json:"a"`
	B    *float64 `json:"b"`
}

// Compare compares two versions of a calibrated frame, A and B by their paths.
// Checksums are verified first. It is an error if the files are not versions of
// one product (or, with opt.Any, not of one shape) or have different units. The
// products are read by blocks of rows and never lie in memory as a whole.
func Compare(a, b string, opt CompareOptions) (*Comparison, error) {
	pair, err := openPair(a, b)
	if err != nil {
		return nil, err
	}
	defer pair.close()
	if err := pair.check(opt.Any); err != nil {
		return nil, err
	}
	found, err := pair.measure(opt.Workers)
	if err != nil {
		return nil, err
	}
	out := found.report()
	out.A, out.B, out.Unit = a, b, pair.a.unit
	out.WidthPx, out.HeightPx, out.Independent = pair.a.width(), pair.a.height(), pair.independent()
	out.Made = madeChanges(pair.a.record, pair.b.record)
	out.Systematic = termChanges(pair.a.record.Systematic, pair.b.record.Systematic)
	return out, nil
}

// version is one of the products that are compared.
type version struct {
	path        string
	f           *fitsutil.File
	record      *Provenance
	unit        string
	planes      [3]*fitsutil.HDU // value, uncertainty, flags
	column, row int              // raw ones of the first pixel, from 1
}

func (v *version) width() int  { return v.planes[0].Width() }
func (v *version) height() int { return v.planes[0].Height() }

// raw returns the content hash of the raw frame.
func (v *version) raw() string {
	for _, in := range v.record.Inputs {
		if in.Role == roleRaw {
			return in.SHA256
		}
	}
	return ""
}

// openVersion opens a calibrated frame and verifies its checksums.
func openVersion(path string) (*version, error) {
	f, err := fitsutil.Open(path)
	if err != nil {
		return nil, err
	}
	v := &version{path: path, f: f}
	if err := v.readHeaders(); err != nil {
		f.Close()
		return nil, err
	}
	return v, nil
}

func (v *version) readHeaders() error {
	if err := v.f.RequireChecksums(); err != nil {
		return err
	}
	h := v.f.HDUs()[0].Header
	var err error
	if v.record, err = provenanceOf(v.path, h); err != nil {
		return err
	}
	if v.record.What != whatFrame {
		return fmt.Errorf("%s is a %s: name calibrated frames", v.path, v.record.What)
	}
	if v.raw() == "" {
		return fmt.Errorf("%s lists no raw frame among its inputs: make it again", v.path)
	}
	r := cardReader{h: h, path: v.path}
	v.column, v.row = r.optionalInt("TRIMCOL1"), r.optionalInt("TRIMROW1")
	if r.err != nil {
		return r.err
	}
	for i, name := range []string{extValue, extUncertainty, extFlags} {
		p, err := v.f.Find(name)
		if err != nil {
			return err
		}
		if p.Planes() != 1 || i > 0 && !slices.Equal(p.Axes, v.planes[0].Axes) {
			return fmt.Errorf("%s: HDU %s has axes %v: the product is damaged, make it again", v.path, name, p.Axes)
		}
		v.planes[i] = p
	}
	v.unit, _, err = v.planes[0].Header.Text("BUNIT")
	return err
}

// versionPair are the two products.
type versionPair struct{ a, b *version }

func openPair(a, b string) (*versionPair, error) {
	va, err := openVersion(a)
	if err != nil {
		return nil, err
	}
	vb, err := openVersion(b)
	if err != nil {
		va.f.Close()
		return nil, err
	}
	return &versionPair{va, vb}, nil
}

func (p *versionPair) close() {
	p.a.f.Close()
	p.b.f.Close()
}

// unlike lists what makes the two no versions of one product.
func (p *versionPair) unlike() []string {
	var out []string
	a, b := p.a.record, p.b.record
	for _, c := range []struct{ what, a, b string }{
		{"instrument", a.Instrument, b.Instrument},
		{"detector", a.Detector, b.Detector},
		{"plane", fmt.Sprint(a.Plane), fmt.Sprint(b.Plane)},
		{"raw frame (SHA-256)", p.a.raw(), p.b.raw()},
	} {
		if c.a != c.b {
			out = append(out, fmt.Sprintf("%s %s and %s", c.what, c.a, c.b))
		}
	}
	return out
}

func (p *versionPair) independent() bool { return len(p.unlike()) > 0 }

// check refuses pairs whose comparison would tell nothing.
func (p *versionPair) check(anyPair bool) error {
	refuse := func(format string, args ...any) error {
		return fmt.Errorf("%s and %s cannot be compared: %s", p.a.path, p.b.path, fmt.Sprintf(format, args...))
	}
	unlike := p.unlike()
	if len(unlike) > 0 && !anyPair {
		return refuse("they are of %s: name two versions of one product, or allow different frames with --any", strings.Join(unlike, ", "))
	}
	a, b := p.a, p.b
	if a.width() != b.width() || a.height() != b.height() {
		return refuse("one has %d x %d pixels and the other %d x %d: make both with the same image region", a.width(), a.height(), b.width(), b.height())
	}
	if len(unlike) == 0 && (a.column != b.column || a.row != b.row) {
		return refuse("one begins at raw column %d and row %d, the other at %d and %d: make both with the same image region", a.column, a.row, b.column, b.row)
	}
	if a.unit != b.unit {
		return refuse("their units %q and %q differ: make both with the same output.quantity", a.unit, b.unit)
	}
	return nil
}

// compareSamples is about how many pixels medians and quantiles are taken from.
const compareSamples = 1 << 20

// pairTally gathers what a block of rows tells.
type pairTally struct {
	pixels, same, appeared, disappeared int
	beyond1, beyond3                    int
	d, pull                             moments
	min, max                            *Extreme
	flags                               [32]FlagChange // counts alone
	sample                              []pairSample
}

// pairSample is one compared pixel.
type pairSample struct {
	d, u, pull, signal, ratio float64
}

// moments are number, mean and sum of squares about it of some numbers.
type moments struct {
	n        int
	mean, m2 float64
}

// add takes in one number (Welford 1962).
func (m *moments) add(v float64) {
	m.n++
	by := v - m.mean
	m.mean += by / float64(m.n)
	m.m2 += by * (v - m.mean)
}

// merge takes in the numbers of another (Chan, Golub & LeVeque 1979).
func (m *moments) merge(o moments) {
	if o.n == 0 {
		return
	}
	n := m.n + o.n
	by := o.mean - m.mean
	m.m2 += o.m2 + by*by*float64(m.n)*float64(o.n)/float64(n)
	m.mean += by * float64(o.n) / float64(n)
	m.n = n
}

// sd is the standard deviation of the numbers' population; NaN for none.
func (m *moments) sd() float64 { return math.Sqrt(m.m2 / float64(m.n)) }

func (p *versionPair) measure(workers int) (*pairTally, error) {
	return measureRows(p.a.width(), p.a.height(), workers, p.independent(), func(r *pairReader, y0, n int) error { return r.read(p, y0, n) })
}

// measureRows goes through the pixels by blocks of rows, which read fetches.
// Blocks are merged in their order, so that rounding is the same for any number
// of workers.
func measureRows(width, height, workers int, independent bool, read func(r *pairReader, y0, n int) error) (*pairTally, error) {
	blocks := make([]pairTally, (height+bandRows-1)/bandRows)
	readers := make([]pairReader, max(1, workers))
	step := sampleStep(width * height)
	err := parallel(workers, len(blocks), func(worker, block int) error {
		y0 := block * bandRows
		r := &readers[worker]
		r.width = width
		if err := read(r, y0, min(bandRows, height-y0)); err != nil {
			return err
		}
		r.tally(&blocks[block], y0, step, independent)
		return nil
	})
	if err != nil {
		return nil, err
	}
	all := &blocks[0]
	for i := 1; i < len(blocks); i++ {
		all.merge(&blocks[i])
	}
	return all, nil
}

// sampleStep is the distance, along a row, of the pixels that are sampled. It
// has no factor in common with patterns of 2, 3 or 4 pixels, so that each
// colour of a mosaic has its share.
func sampleStep(pixels int) int {
	step := (pixels + compareSamples - 1) / compareSamples
	for step > 1 && (step%2 == 0 || step%3 == 0) {
		step++
	}
	return max(1, step)
}

// rowShift moves the sampled columns from row to row, so that no column is left
// out.
const rowShift = 2

// pairReader holds some rows of both products.
type pairReader struct {
	width int
	a, b  rowsBlock
}

// rowsBlock holds some rows of a product.
type rowsBlock struct {
	bytes      []byte
	value, unc []float32
	flags      []int32
}

func (r *pairReader) read(p *versionPair, y0, n int) error {
	if err := r.a.read(p.a, y0, n); err != nil {
		return err
	}
	return r.b.read(p.b, y0, n)
}

func (b *rowsBlock) grow(size int) {
	if cap(b.value) < size {
		b.value, b.unc, b.flags = make([]float32, size), make([]float32, size), make([]int32, size)
	}
	b.value, b.unc, b.flags = b.value[:size], b.unc[:size], b.flags[:size]
}

func (b *rowsBlock) read(v *version, y0, n int) error {
	size := n * v.width()
	b.grow(size)
	for i, h := range v.planes {
		var err error
		if b.bytes, err = v.f.ReadRows(h, 0, y0, n, b.bytes); err != nil {
			return err
		}
		switch i {
		case 0:
			err = h.DecodeFloat32(b.value, b.bytes)
		case 1:
			err = h.DecodeFloat32(b.unc, b.bytes)
		case 2:
			err = h.DecodeInt32(b.flags, b.bytes)
		}
		if err != nil {
			return fmt.Errorf("%s: %w", v.path, err)
		}
	}
	return nil
}

// tally counts the rows from y0 on.
func (r *pairReader) tally(t *pairTally, y0, step int, independent bool) {
	t.pixels = len(r.a.value)
	for from := 0; from < t.pixels; from += r.width {
		y := y0 + from/r.width
		for x := range r.width {
			i := from + x
			r.countPixel(t, i)
			s, ok := r.sample(i, independent)
			if !ok {
				continue
			}
			t.count(s, x, y)
			if (x+rowShift*y)%step == 0 {
				t.sample = append(t.sample, s)
			}
		}
	}
}

// countPixel counts what a pixel tells whether or not it can be compared.
func (r *pairReader) countPixel(t *pairTally, i int) {
	a, b := &r.a, &r.b
	fa, fb := uint32(a.flags[i]), uint32(b.flags[i])
	if fa|fb != 0 {
		t.countFlags(fa, fb)
	}
	if fa == fb && sameNumber(a.value[i], b.value[i]) && sameNumber(a.unc[i], b.unc[i]) {
		t.same++
	}
	switch hasA, hasB := isFinite(float64(a.value[i])), isFinite(float64(b.value[i])); {
	case hasB && !hasA:
		t.appeared++
	case hasA && !hasB:
		t.disappeared++
	}
}

// sample compares a pixel that has a value and an uncertainty in both; false:
// it has not.
func (r *pairReader) sample(i int, independent bool) (pairSample, bool) {
	va, vb := float64(r.a.value[i]), float64(r.b.value[i])
	ua, ub := float64(r.a.unc[i]), float64(r.b.unc[i])
	if !isFinite(va) || !isFinite(vb) || !isFinite(ua) || !isFinite(ub) || ua <= 0 || ub <= 0 {
		return pairSample{}, false
	}
	s := pairSample{d: vb - va, signal: va, ratio: ub / ua}
	u := ua
	if independent {
		u, s.signal = math.Hypot(ua, ub), (va+vb)/2
	}
	s.u, s.pull = u, s.d/u
	return s, true
}

// sameNumber tells whether two numbers are the same or both are none.
func sameNumber(a, b float32) bool { return a == b || a != a && b != b }

func isFinite(v float64) bool { return !math.IsNaN(v) && !math.IsInf(v, 0) }

func (t *pairTally) countFlags(a, b uint32) {
	for f := a | b; f != 0; f &= f - 1 {
		c, bit := &t.flags[bits.TrailingZeros32(f)], f&-f
		switch inA, inB := a&bit != 0, b&bit != 0; {
		case inA && inB:
			c.A++
			c.B++
		case inA:
			c.A++
			c.Lost++
		default:
			c.B++
			c.Gained++
		}
	}
}

func (t *pairTally) count(s pairSample, x, y int) {
	t.d.add(s.d)
	t.pull.add(s.pull)
	if size := math.Abs(s.pull); size > 1 {
		t.beyond1++
		if size > 3 {
			t.beyond3++
		}
	}
	if t.min == nil || s.d < t.min.Value {
		t.min = &Extreme{s.d, x + 1, y + 1}
	}
	if t.max == nil || s.d > t.max.Value {
		t.max = &Extreme{s.d, x + 1, y + 1}
	}
}

// merge takes in the block of rows that follows.
func (t *pairTally) merge(o *pairTally) {
	t.pixels += o.pixels
	t.same += o.same
	t.appeared += o.appeared
	t.disappeared += o.disappeared
	t.beyond1 += o.beyond1
	t.beyond3 += o.beyond3
	t.d.merge(o.d)
	t.pull.merge(o.pull)
	if t.min == nil || o.min != nil && o.min.Value < t.min.Value {
		t.min = o.min
	}
	if t.max == nil || o.max != nil && o.max.Value > t.max.Value {
		t.max = o.max
	}
	for i := range t.flags {
		t.flags[i].A += o.flags[i].A
		t.flags[i].B += o.flags[i].B
		t.flags[i].Gained += o.flags[i].Gained
		t.flags[i].Lost += o.flags[i].Lost
	}
	t.sample = append(t.sample, o.sample...)
}

// report turns counts into the answer.
func (t *pairTally) report() *Comparison {
	d := t.sorted(func(s *pairSample) float64 { return s.d })
	pull := t.sorted(func(s *pairSample) float64 { return s.pull })
	ratio := t.sorted(func(s *pairSample) float64 { return s.ratio })
	c := &Comparison{
		Pixels: t.pixels, Compared: t.d.n, Sampled: len(t.sample), Appeared: t.appeared, Disappeared: t.disappeared,
		Same: fraction(t.same, t.pixels), Beyond1: fraction(t.beyond1, t.d.n), Beyond3: fraction(t.beyond3, t.d.n),
		Difference:  Differences{Mean: t.d.figure(t.d.mean), SD: finite(t.d.sd()), Median: median(d), Min: t.min, Max: t.max},
		Relative:    Spread{Mean: t.pull.figure(t.pull.mean), SD: finite(t.pull.sd()), Median: median(pull), Quantiles: quantilesOf(pull)},
		Uncertainty: median(ratio),
		Levels:      levelsOf(t.sample),
		Flags:       t.flagChanges(),
	}
	return c
}

// flagChanges lists the flags that either has, by name.
func (t *pairTally) flagChanges() []FlagChange {
	out := []FlagChange{}
	for _, f := range calib.FlagTable() {
		if n := t.flags[f.Bit]; n.A+n.B > 0 {
			n.Name = f.Name
			out = append(out, n)
		}
	}
	return out
}

// figure is a number that exists only where something was counted.
func (m *moments) figure(v float64) *float64 {
	if m.n == 0 {
		return nil
	}
	return &v
}

func fraction(n, of int) float64 {
	if of == 0 {
		return 0
	}
	return float64(n) / float64(of)
}

func (t *pairTally) sorted(of func(*pairSample) float64) []float64 {
	out := make([]float64, len(t.sample))
	for i := range t.sample {
		out[i] = of(&t.sample[i])
	}
	slices.Sort(out)
	return out
}

// orderStatistic is the q-quantile of sorted numbers, of which there are some:
// linear between the neighbours, so that the median of an even number is the
// mean of the middle two.
func orderStatistic(sorted []float64, q float64) float64 {
	at := q * float64(len(sorted)-1)
	i := min(int(at), len(sorted)-1)
	next := sorted[min(i+1, len(sorted)-1)]
	return sorted[i] + (at-float64(i))*(next-sorted[i])
}

func median(sorted []float64) *float64 {
	if len(sorted) == 0 {
		return nil
	}
	m := orderStatistic(sorted, 0.5)
	return &m
}

// comparePercents are the quantiles of d/u that are told.
var comparePercents = [...]float64{0.1, 1, 5, 50, 95, 99, 99.9}

func quantilesOf(sorted []float64) []Quantile {
	out := []Quantile{}
	if len(sorted) > 0 {
		for _, p := range comparePercents {
			out = append(out, Quantile{p, orderStatistic(sorted, p/100)})
		}
	}
	return out
}

// compareLevels is the number of levels of signal.
const compareLevels = 8

// levelsOf sorts the sample by signal and cuts it into levels.
func levelsOf(sample []pairSample) []Level {
	slices.SortFunc(sample, func(a, b pairSample) int { return cmp.Or(cmp.Compare(a.signal, b.signal), cmp.Compare(a.d, b.d)) })
	out := []Level{}
	n := len(sample)
	for from, k := 0, 1; from < n; k++ {
		to := max(from+1, k*n/compareLevels)
		for to < n && sample[to].signal == sample[to-1].signal {
			to++ // equal signals are one level: their order is that of d
		}
		out = append(out, levelOf(sample[from:to]))
		from = to
	}
	return out
}

func levelOf(part []pairSample) Level {
	d, signal := make([]float64, len(part)), make([]float64, len(part))
	for i, s := range part {
		d[i], signal[i] = s.d, s.signal
	}
	slices.Sort(d)
	l := Level{From: signal[0], To: signal[len(signal)-1], Signal: orderStatistic(signal, 0.5), Pixels: len(part), Difference: orderStatistic(d, 0.5)}
	l.Relative = finite(l.Difference / l.Signal)
	return l
}

// madeChanges lists in what the making of two products differs.
func madeChanges(a, b *Provenance) []MadeChange {
	out := []MadeChange{}
	for _, c := range []MadeChange{
		{MadeVersion, "", a.Version, b.Version},
		{MadeProfile, "", a.ProfileHash, b.ProfileHash},
		{MadeFrame, "instrument", a.Instrument, b.Instrument},
		{MadeFrame, "detector", a.Detector, b.Detector},
		{MadeFrame, "plane", fmt.Sprint(a.Plane), fmt.Sprint(b.Plane)},
		{MadeFrame, "mode", a.Mode, b.Mode},
		{MadeFrame, "band", a.Band, b.Band},
	} {
		if c.A != c.B {
			out = append(out, c)
		}
	}
	return append(append(out, inputChanges(a.Inputs, b.Inputs)...), stageChanges(a.Stages, b.Stages)...)
}

// inputChanges pairs the inputs that only one has, by role in their order.
func inputChanges(a, b []Input) []MadeChange {
	onlyA, onlyB := withoutThoseOf(a, b), withoutThoseOf(b, a)
	var out []MadeChange
	for _, in := range onlyA {
		c := MadeChange{MadeInput, in.Role, in.text(), ""}
		if i := slices.IndexFunc(onlyB, func(o Input) bool { return o.Role == in.Role }); i >= 0 {
			c.B = onlyB[i].text()
			onlyB = slices.Delete(onlyB, i, i+1)
		}
		out = append(out, c)
	}
	for _, in := range onlyB {
		out = append(out, MadeChange{MadeInput, in.Role, "", in.text()})
	}
	return out
}

// withoutThoseOf returns the inputs of a whose role and content b lacks.
func withoutThoseOf(a, b []Input) []Input {
	var out []Input
	for _, in := range a {
		if !slices.ContainsFunc(b, func(o Input) bool { return o.Role == in.Role && o.SHA256 == in.SHA256 }) {
			out = append(out, in)
		}
	}
	return out
}

func (in Input) text() string { return in.Name + " sha256 " + in.SHA256 }

// stageChanges compares stages by name.
func stageChanges(a, b []StageRecord) []MadeChange {
	var out []MadeChange
	var inA, inB []string // stages of both, in each one's order
	for _, s := range a {
		i := slices.IndexFunc(b, func(o StageRecord) bool { return o.Name == s.Name })
		if i < 0 {
			out = append(out, MadeChange{MadeStage, s.Name, s.text(), ""})
			continue
		}
		inA = append(inA, s.Name)
		out = append(out, settingChanges(s, b[i])...)
	}
	for _, s := range b {
		if !slices.ContainsFunc(a, func(o StageRecord) bool { return o.Name == s.Name }) {
			out = append(out, MadeChange{MadeStage, s.Name, "", s.text()})
			continue
		}
		inB = append(inB, s.Name)
	}
	if !slices.Equal(inA, inB) {
		out = append(out, MadeChange{MadeOrder, "", strings.Join(inA, ", "), strings.Join(inB, ", ")})
	}
	return out
}

func settingChanges(a, b StageRecord) []MadeChange {
	var out []MadeChange
	for _, s := range a.Settings {
		other := ""
		if i := slices.IndexFunc(b.Settings, func(o calib.Setting) bool { return o.Name == s.Name }); i >= 0 {
			other = b.Settings[i].Value
		}
		if other != s.Value {
			out = append(out, MadeChange{MadeSetting, a.Name + "." + s.Name, s.Value, other})
		}
	}
	for _, s := range b.Settings {
		if !slices.ContainsFunc(a.Settings, func(o calib.Setting) bool { return o.Name == s.Name }) {
			out = append(out, MadeChange{MadeSetting, a.Name + "." + s.Name, "", s.Value})
		}
	}
	return out
}

// termChanges lists the systematic uncertainties that differ.
func termChanges(a, b []Term) []TermChange {
	out := []TermChange{}
	for _, t := range a {
		c := TermChange{Name: t.Name, A: finite(t.Relative)}
		if i := slices.IndexFunc(b, func(o Term) bool { return o.Name == t.Name }); i >= 0 {
			if b[i].Relative == t.Relative {
				continue
			}
			c.B = finite(b[i].Relative)
		}
		out = append(out, c)
	}
	for _, t := range b {
		if !slices.ContainsFunc(a, func(o Term) bool { return o.Name == t.Name }) {
			out = append(out, TermChange{Name: t.Name, B: finite(t.Relative)})
		}
	}
	return out
}

// Text writes the comparison for people.
func (c *Comparison) Text() string {
	var b strings.Builder
	fmt.Fprintf(&b, "A %s\nB %s\n", c.A, c.B)
	measure := "u of A, since both come from the same raw samples"
	if c.Independent {
		measure = "u of both, since they come from different raw frames"
	}
	fmt.Fprintf(&b, "%d x %d pixels: %d compared (%d sampled for medians, quantiles and levels), %.4f %% all the same; %d values gained, %d lost\n",
		c.WidthPx, c.HeightPx, c.Compared, c.Sampled, 100*c.Same, c.Appeared, c.Disappeared)
	d := c.Difference
	fmt.Fprintf(&b, "B less A, %s\n  mean %s  sd %s  median %s  min %s  max %s\n", c.Unit,
		optional(d.Mean, "%.5g"), optional(d.SD, "%.5g"), optional(d.Median, "%.5g"), d.Min.text(), d.Max.text())
	fmt.Fprintf(&b, "B less A over %s\n  mean %s  sd %s  median %s  beyond 1: %.4f %%  beyond 3: %.4f %%\n ", measure,
		optional(c.Relative.Mean, "%.4f"), optional(c.Relative.SD, "%.4f"), optional(c.Relative.Median, "%.4f"), 100*c.Beyond1, 100*c.Beyond3)
	writeQuantiles(&b, c.Relative.Quantiles)
	fmt.Fprintf(&b, "uncertainty of B over that of A  %s (median)\n", optional(c.Uncertainty, "%.5f"))
	c.writeLevels(&b)
	writeFlagChanges(&b, c.Flags)
	writeMade(&b, c.Made, c.Systematic)
	return b.String()
}

func (e *Extreme) text() string {
	if e == nil {
		return "-"
	}
	return fmt.Sprintf("%.5g (column %d, row %d)", e.Value, e.Column, e.Row)
}

func (c *Comparison) writeLevels(b *strings.Builder) {
	if len(c.Levels) == 0 {
		return
	}
	fmt.Fprintf(b, "by level of signal, medians\n  %12s %12s %12s %10s %10s\n", "from", "to", "difference", "relative", "pixels")
	for _, l := range c.Levels {
		fmt.Fprintf(b, "  %12.5g %12.5g %12.4g %10s %10d\n", l.From, l.To, l.Difference, optional(l.Relative, "%.6f"), l.Pixels)
	}
}

func writeFlagChanges(b *strings.Builder, flags []FlagChange) {
	if len(flags) == 0 {
		return
	}
	fmt.Fprintf(b, "flags, pixels\n  %-16s %10s %10s %10s %10s\n", "", "A", "B", "gained", "lost")
	for _, f := range flags {
		fmt.Fprintf(b, "  %-16s %10d %10d %10d %10d\n", f.Name, f.A, f.B, f.Gained, f.Lost)
	}
}

func writeMade(b *strings.Builder, made []MadeChange, systematic []TermChange) {
	if len(made)+len(systematic) == 0 {
		fmt.Fprintf(b, "both were made alike\n")
		return
	}
	fmt.Fprintf(b, "made differently\n")
	for _, m := range made {
		fmt.Fprintf(b, "  %s\n    A %s\n    B %s\n", strings.Join(nonEmpty(m.What, m.Name), " "), dashIfEmpty(m.A), dashIfEmpty(m.B))
	}
	for _, t := range systematic {
		fmt.Fprintf(b, "  systematic uncertainty, %s\n    A %s\n    B %s\n", t.Name, optional(t.A, "%.3g"), optional(t.B, "%.3g"))
	}
}

func dashIfEmpty(s string) string {
	if s == "" {
		return "-"
	}
	return s
}
