package pipeline

import (
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"testing"

	"evenlight/calib"
	"evenlight/fitsutil"
)

// invented is a product as a test makes it up.
type invented struct {
	record      *Provenance
	unit        string
	column, row int
	raster      *calib.Raster // Variance holds the uncertainty here, not its square
}

// madeUp returns a product of so many pixels, all with value 100 and
// uncertainty 2.
func madeUp(width, height int) *invented {
	p := record()
	p.Inputs = []Input{{roleRaw, "raw.fits", strings.Repeat("a", 64)}, {"flat", "flat1.fits", strings.Repeat("f", 64)}}
	m := &invented{p, "electron", 1, 1, calib.NewRaster(width, height)}
	for i := range m.raster.Value {
		m.raster.Value[i], m.raster.Variance[i] = 100, 2
	}
	return m
}

// file writes a product.
func (m *invented) file(t *testing.T) string {
	t.Helper()
	h := fitsutil.NewHeader()
	w := cardWriter{h: h}
	for key, value := range map[string]any{"PRODUCT": m.record.What, "INSTRUME": m.record.Instrument, "DETECTOR": m.record.Detector,
		"BAND": m.record.Band, "PLANE": m.record.Plane, "TRIMCOL1": m.column, "TRIMROW1": m.row} {
		w.set(key, value, "")
	}
	if w.err != nil {
		t.Fatal(w.err)
	}
	if err := m.record.writeTo(h); err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(t.TempDir(), "product.fits")
	f, err := fitsutil.Create(path, fitsutil.CreateOptions{NoSync: true})
	if err != nil {
		t.Fatal(err)
	}
	defer f.Abort()
	if _, err := f.AddImage(h, 8); err != nil {
		t.Fatal(err)
	}
	r := m.raster
	b := make([]byte, 4*len(r.Value))
	plane := func(name, unit string, bitpix int) {
		t.Helper()
		eh, err := imageHeader(name, unit, "")
		if err != nil {
			t.Fatal(err)
		}
		iw, err := f.AddImage(eh, bitpix, r.Width, r.Height)
		if err != nil {
			t.Fatal(err)
		}
		if err := iw.WriteRows(0, 0, r.Height, b); err != nil {
			t.Fatal(err)
		}
	}
	fitsutil.EncodeFloat32(b, r.Value)
	plane(extValue, m.unit, -32)
	fitsutil.EncodeFloat32(b, r.Variance)
	plane(extUncertainty, m.unit, -32)
	flags := make([]int32, len(r.Flags))
	for i, v := range r.Flags {
		flags[i] = int32(v)
	}
	fitsutil.EncodeInt32(b, flags)
	plane(extFlags, "", 32)
	if err := f.Commit(); err != nil {
		t.Fatal(err)
	}
	return path
}

func compared(t *testing.T, a, b *invented, opt CompareOptions) *Comparison {
	t.Helper()
	c, err := Compare(a.file(t), b.file(t), opt)
	if err != nil {
		t.Fatal(err)
	}
	return c
}

// near compares with what theory gives, where only rounding comes between.
func near(t *testing.T, what string, got *float64, want float64) {
	t.Helper()
	switch {
	case got == nil:
		t.Errorf("%s is not known, want %g", what, want)
	case math.Abs(*got-want) > 1e-12*max(1, math.Abs(want)):
		t.Errorf("%s is %.15g, want %.15g", what, *got, want)
	}
}

// A ramp of differences from -1 to 1 in 201 steps, in two rows of columns.
func TestDifferencesHaveTheStatisticsOfARamp(t *testing.T) {
	a, b := madeUp(201, 2), madeUp(201, 2)
	for i := range b.raster.Value {
		// Multiples of 1/128 are exact in single precision.
		b.raster.Value[i] += float32(i%201-100) / 128
		b.raster.Variance[i] = 3
	}
	c := compared(t, a, b, CompareOptions{})
	if c.Compared != 402 || c.Sampled != 402 || c.Independent {
		t.Errorf("%d compared, %d sampled, independent %v, want 402, 402 and not", c.Compared, c.Sampled, c.Independent)
	}
	// The variance of n equal steps of 1 is (n^2-1)/12.
	sd := math.Sqrt((201*201-1)/12.0) / 128
	near(t, "mean of d", c.Difference.Mean, 0)
	near(t, "sd of d", c.Difference.SD, sd)
	near(t, "median of d", c.Difference.Median, 0)
	near(t, "mean of d/u", c.Relative.Mean, 0)
	near(t, "sd of d/u", c.Relative.SD, sd/2)
	near(t, "ratio of uncertainties", c.Uncertainty, 1.5)
	if want := (Extreme{-100. / 128, 1, 1}); *c.Difference.Min != want {
		t.Errorf("minimum %+v, want %+v", *c.Difference.Min, want)
	}
	if want := (Extreme{100. / 128, 201, 1}); *c.Difference.Max != want {
		t.Errorf("maximum %+v, want %+v", *c.Difference.Max, want)
	}
	for _, q := range c.Relative.Quantiles {
		// Linear between the ranks of 402 numbers of which each comes twice.
		want := (float64(int(q.Percent/100*401/2)) - 100) / 256
		if math.Abs(q.Value-want) > 1./256 {
			t.Errorf("quantile of %g %% is %g, want %g within a step of the ramp", q.Percent, q.Value, want)
		}
	}
	if c.Beyond1 != 0 || c.Beyond3 != 0 {
		t.Errorf("%g beyond 1 and %g beyond 3 where d/u is below 0.4", c.Beyond1, c.Beyond3)
	}
	if c.Same != 0 {
		t.Errorf("%g of the pixels are the same, where all uncertainties differ", c.Same)
	}
}

func TestSharesBeyondCountPixels(t *testing.T) {
	a, b := madeUp(10, 10), madeUp(10, 10)
	for i, d := range []float32{2, -2, 2.5, -3, 6, -6.5, 7} { // over u = 2: 1, 1, 1.25, 1.5, 3, 3.25, 3.5
		b.raster.Value[10*i+i] += d
	}
	c := compared(t, a, b, CompareOptions{})
	if c.Beyond1 != 0.05 || c.Beyond3 != 0.02 || c.Same != 0.93 {
		t.Errorf("%g beyond 1, %g beyond 3, %g the same, want 0.05, 0.02, 0.93", c.Beyond1, c.Beyond3, c.Same)
	}
	if *c.Difference.Max != (Extreme{7, 7, 7}) || *c.Difference.Min != (Extreme{-6.5, 6, 6}) {
		t.Errorf("extremes %+v and %+v", *c.Difference.Min, *c.Difference.Max)
	}
}

func TestFlagsAndValuesGainedAndLostAreCounted(t *testing.T) {
	a, b := madeUp(8, 4), madeUp(8, 4)
	nan := float32(math.NaN())
	set := func(m *invented, i int, f calib.Flags, v float32) {
		m.raster.Flags[i] |= f
		m.raster.Value[i] = v
	}
	set(a, 0, calib.Hot, 100)
	set(b, 0, calib.Hot|calib.Unstable, 100)
	set(a, 1, calib.Hot, 100)
	set(b, 2, calib.Hot, 100)
	set(b, 3, calib.Hot, 100)
	set(a, 4, calib.Missing, nan)
	set(b, 5, calib.NoCalibration, nan)
	set(a, 6, calib.Missing, nan)
	set(b, 6, calib.Missing, nan)
	a.raster.Flags[7], a.raster.Variance[7] = calib.Saturated, nan // a bound: a value without uncertainty
	b.raster.Flags[7], b.raster.Variance[7] = calib.Saturated, nan
	b.raster.Value[8] = float32(math.Inf(1)) // no value either
	c := compared(t, a, b, CompareOptions{})
	want := []FlagChange{
		{"missing", 2, 1, 0, 1}, {"saturated", 1, 1, 0, 0}, {"hot", 2, 3, 2, 1}, {"unstable", 0, 1, 1, 0}, {"no-calibration", 0, 1, 1, 0},
	}
	if !reflect.DeepEqual(c.Flags, want) {
		t.Errorf("flags %+v, want %+v", c.Flags, want)
	}
	if c.Appeared != 1 || c.Disappeared != 2 || c.Compared != 32-5 {
		t.Errorf("%d values gained, %d lost, %d compared, want 1, 2 and 27", c.Appeared, c.Disappeared, c.Compared)
	}
	if c.Same != 25.0/32 { // all but 0 to 5 and 8
		t.Errorf("%g the same, want 25/32", c.Same)
	}
}

func TestRelativeDifferenceIsByLevel(t *testing.T) {
	a, b := madeUp(64, 64), madeUp(64, 64)
	for i := range a.raster.Value {
		v := float32(i / 512) // 8 levels of equal pixels: 0 to 7
		a.raster.Value[i], b.raster.Value[i] = v, v+v*v/64
	}
	c := compared(t, a, b, CompareOptions{})
	if len(c.Levels) != 8 {
		t.Fatalf("%d levels, want 8", len(c.Levels))
	}
	for i, l := range c.Levels {
		v := float64(i)
		if l.From != v || l.To != v || l.Signal != v || l.Pixels != 512 || l.Difference != v*v/64 {
			t.Errorf("level %+v, want 512 pixels of %g", l, v)
		}
		if i == 0 {
			if l.Relative != nil {
				t.Errorf("relative to a signal of 0: %g", *l.Relative)
			}
			continue
		}
		near(t, "relative difference", l.Relative, v/64)
	}
}

// In a level of equal signals no order of the differences may decide.
func TestEqualSignalsAreOneLevel(t *testing.T) {
	a, b := madeUp(30, 30), madeUp(30, 30)
	for i := range b.raster.Value {
		b.raster.Value[i] += float32(i%3 - 1)
	}
	c := compared(t, a, b, CompareOptions{})
	if len(c.Levels) != 1 || c.Levels[0].Pixels != 900 || c.Levels[0].Difference != 0 {
		t.Errorf("levels %+v, want one without difference", c.Levels)
	}
}

// Frames of one scene with independent noise: d/u is a pull, of mean 0 and sd
// 1, at every level the medians of d are 0.
func TestDifferentFramesHaveIndependentErrors(t *testing.T) {
	const n = 300
	a, b := madeUp(n, n), madeUp(n, n)
	b.record.Inputs[0].SHA256 = strings.Repeat("b", 64)
	random := rand.New(rand.NewPCG(11, 1))
	for i := range a.raster.Value {
		light := float64(i/n) / 10
		ua, ub := 2+light/20, 1+light/30
		a.raster.Value[i], a.raster.Variance[i] = float32(light+ua*random.NormFloat64()), float32(ua)
		b.raster.Value[i], b.raster.Variance[i] = float32(light+ub*random.NormFloat64()), float32(ub)
	}
	c := compared(t, a, b, CompareOptions{Any: true})
	if !c.Independent {
		t.Fatal("they do not count as independent")
	}
	// Five standard errors of mean and sd of n² normal numbers.
	if mean := *c.Relative.Mean; math.Abs(mean) > 5.0/n {
		t.Errorf("mean of the pulls %g", mean)
	}
	if sd := *c.Relative.SD; math.Abs(sd-1) > 5/math.Sqrt(2*n*n) {
		t.Errorf("sd of the pulls %g", sd)
	}
	// The median of m normal numbers has the standard error sd sqrt(pi/2m); the
	// sd of d is 5 or less here (ua 3.5 and ub 2 at the brightest). Sorting by
	// the mean of both leaves a shift, since their noise is unlike: a fraction
	// (ua²-ub²)/2/(sum/4 + variance of the light, 75) of what the mean lies off.
	for _, l := range c.Levels[1 : len(c.Levels)-1] {
		if math.Abs(l.Difference) > 5*5*math.Sqrt(math.Pi/2/float64(l.Pixels))+0.1*math.Abs(l.Signal-15) {
			t.Errorf("level %+v differs", l)
		}
	}
}

func TestComparisonIsTheSameForAnyNumberOfWorkers(t *testing.T) {
	a, b := madeUp(77, 1000), madeUp(77, 1000)
	random := rand.New(rand.NewPCG(5, 5))
	for i := range a.raster.Value {
		a.raster.Value[i] = float32(100 * random.Float64())
		b.raster.Value[i] = a.raster.Value[i] + float32(random.NormFloat64())
		b.raster.Flags[i] = calib.Flags(random.IntN(4))
	}
	pa, pb := a.file(t), b.file(t)
	var want *Comparison
	for _, workers := range []int{1, 2, 3, 50} {
		c, err := Compare(pa, pb, CompareOptions{Workers: workers})
		if err != nil {
			t.Fatal(err)
		}
		if want == nil {
			want = c
		}
		if !reflect.DeepEqual(c, want) {
			t.Errorf("%d workers: %+v, want %+v", workers, c, want)
		}
	}
}

// Statistics that are put together from blocks agree with those of two passes
// over all.
func TestMomentsOfBlocksAreThoseOfTheWhole(t *testing.T) {
	random := rand.New(rand.NewPCG(3, 4))
	values := make([]float64, 10_000)
	for i := range values {
		values[i] = 1e6 + random.NormFloat64()
	}
	mean, square := 0.0, 0.0
	for _, v := range values {
		mean += (v - 1e6) / float64(len(values))
	}
	for _, v := range values {
		square += (v - 1e6 - mean) * (v - 1e6 - mean)
	}
	var all moments
	for part := range slices.Chunk(values, 300) {
		var m moments
		for _, v := range part {
			m.add(v)
		}
		all.merge(m)
	}
	all.merge(moments{})
	if all.n != len(values) || math.Abs(all.mean-1e6-mean) > 1e-8 || math.Abs(all.sd()-math.Sqrt(square/float64(len(values)))) > 1e-8 {
		t.Errorf("n %d, mean 1e6+%g, sd %g; want %d, 1e6+%g, %g", all.n, all.mean-1e6, all.sd(), len(values), mean, math.Sqrt(square/float64(len(values))))
	}
}

// Each column and each place in a pattern of 2, 3 or 4 pixels has its share of
// the sample.
func TestSampleIsSpreadEvenly(t *testing.T) {
	for _, pixels := range []int{1, compareSamples, compareSamples + 1, 3 * compareSamples, 8 * compareSamples, 100 * compareSamples} {
		step := sampleStep(pixels)
		if pixels/step > compareSamples {
			t.Errorf("step %d of %d pixels leaves too many", step, pixels)
		}
		if step > 1 && step > 2*(pixels/compareSamples)+5 {
			t.Errorf("step %d of %d pixels leaves too few", step, pixels)
		}
		for _, period := range []int{2, 3, 4} {
			size := period * step
			counts := map[[2]int]int{}
			columns := map[int]bool{}
			for y := range size {
				for x := range size {
					if (x+rowShift*y)%step == 0 {
						counts[[2]int{x % period, y % period}]++
						columns[x] = true
					}
				}
			}
			for place, n := range counts {
				if n != size*size/step/period/period {
					t.Errorf("step %d: place %v of a pattern of %d has %d samples", step, place, period, n)
				}
			}
			if len(counts) != period*period || len(columns) != size {
				t.Errorf("step %d: %d places of a pattern of %d and %d of %d columns are sampled", step, len(counts), period, len(columns), size)
			}
		}
	}
}

func TestProductsThatAreNoVersionsOfOneAreRefused(t *testing.T) {
	for _, test := range []struct {
		name   string
		change func(*invented)
		want   []string
		any    bool // they can be compared with Any
	}{
		{"another raw frame", func(m *invented) { m.record.Inputs[0].SHA256 = strings.Repeat("b", 64) }, []string{"raw frame", "--any"}, true},
		{"another detector", func(m *invented) { m.record.Detector = "chip1" }, []string{"detector chip2 and chip1", "--any"}, true},
		{"another plane", func(m *invented) { m.record.Plane = 4 }, []string{"plane 3 and 4", "--any"}, true},
		{"another instrument", func(m *invented) { m.record.Instrument = "quillon" }, []string{"instrument pellam and quillon"}, true},
		{"another unit", func(m *invented) { m.unit = "DN" }, []string{"electron", "DN", "output.quantity"}, false},
		{"another place", func(m *invented) { m.row = 2 }, []string{"raw column 1 and row 1, the other at 1 and 2"}, false},
		{"another size", func(m *invented) { m.raster = calib.NewRaster(4, 5) }, []string{"6 x 5 pixels and the other 4 x 5"}, false},
		{"no product", func(m *invented) { m.record.What = "flat" }, []string{"is a flat"}, false},
		{"no raw frame", func(m *invented) { m.record.Inputs = m.record.Inputs[1:] }, []string{"lists no raw frame"}, false},
	} {
		t.Run(test.name, func(t *testing.T) {
			a, b := madeUp(6, 5), madeUp(6, 5)
			test.change(b)
			pa, pb := a.file(t), b.file(t)
			_, err := Compare(pa, pb, CompareOptions{})
			if err == nil {
				t.Fatal("no error")
			}
			for _, w := range append(test.want, pb) {
				if !strings.Contains(err.Error(), w) {
					t.Errorf("%q does not say %q", err, w)
				}
			}
			if _, err := Compare(pa, pb, CompareOptions{Any: true}); (err == nil) != test.any {
				t.Errorf("with Any: error %v", err)
			}
		})
	}
}

func TestDamagedProductIsNotCompared(t *testing.T) {
	path := madeUp(100, 100).file(t)
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	b[len(b)/2] ^= 1
	bad := filepath.Join(t.TempDir(), "bad.fits")
	if err := os.WriteFile(bad, b, 0o666); err != nil {
		t.Fatal(err)
	}
	for _, files := range [][2]string{{path, bad}, {bad, path}} {
		if _, err := Compare(files[0], files[1], CompareOptions{}); err == nil || !strings.Contains(err.Error(), bad) {
			t.Errorf("error %v, want one that names %s", err, bad)
		}
	}
}

func TestProductsWithoutCommonPixelsHaveNoStatistics(t *testing.T) {
	a, b := madeUp(3, 3), madeUp(3, 3)
	for i := range a.raster.Value {
		a.raster.Value[i] = float32(math.NaN())
	}
	c := compared(t, a, b, CompareOptions{})
	if c.Compared != 0 || c.Appeared != 9 || c.Difference != (Differences{}) || c.Relative.Mean != nil || c.Relative.SD != nil ||
		c.Uncertainty != nil || len(c.Levels) != 0 || len(c.Relative.Quantiles) != 0 {
		t.Errorf("%+v", c)
	}
	if text := c.Text(); !strings.Contains(text, "mean -") || strings.Contains(text, "NaN") {
		t.Errorf("the text is\n%s", text)
	}
}

func TestWhatDiffersInTheMakingIsListed(t *testing.T) {
	a := record()
	a.Inputs = append(a.Inputs, Input{"flat", "f1.fits", "1"}, Input{"flat", "f2.fits", "2"}, Input{"dark", "d.fits", "d"})
	b := record()
	// One flat stays, under another file name; the other is replaced.
	b.Inputs = append(b.Inputs, Input{"flat", "f3.fits", "3"}, Input{"flat", "renamed.fits", "1"}, Input{"linearity", "l.fits", "l"})
	b.Version, b.ProfileHash, b.Band = "1.3.0", "another", "red"
	b.Stages = []StageRecord{
		{"dark", []calib.Setting{{Name: "law", Value: "a=c"}}},
		{"saturation", []calib.Setting{{Name: "levels_dn", Value: "14000.25, 13999"}, {Name: "margin", Value: "3"}}},
		{Name: "flat"},
	}
	want := []MadeChange{
		{MadeVersion, "", "1.2.3", "1.3.0"},
		{MadeProfile, "", a.ProfileHash, "another"},
		{MadeFrame, "band", "clear", "red"},
		{MadeInput, "flat", "f2.fits sha256 2", "f3.fits sha256 3"},
		{MadeInput, "dark", "d.fits sha256 d", ""},
		{MadeInput, "linearity", "", "l.fits sha256 l"},
		{MadeStage, "frame", "frame", ""},
		{MadeSetting, "saturation.grow", "1", ""},
		{MadeSetting, "saturation.margin", "", "3"},
		{MadeSetting, "dark.law", "a=b", "a=c"},
		{MadeStage, "flat", "", "flat"},
		{MadeOrder, "", "saturation, dark", "dark, saturation"},
	}
	if got := madeChanges(a, b); !reflect.DeepEqual(got, want) {
		t.Errorf("got\n%q\nwant\n%q", got, want)
	}
	if got := madeChanges(a, a); len(got) != 0 {
		t.Errorf("a product differs from itself: %q", got)
	}
}

func TestSystematicUncertaintiesThatDifferAreListed(t *testing.T) {
	v := func(x float64) *float64 { return &x }
	got := termChanges([]Term{{"gain", 0.003}, {"flat", 0.01}, {"law", 0.1}}, []Term{{"flat", 0.02}, {"gain", 0.003}, {"distance", 0.5}})
	want := []TermChange{{"flat", v(0.01), v(0.02)}, {"law", v(0.1), nil}, {"distance", nil, v(0.5)}}
	if !reflect.DeepEqual(got, want) {
		t.Errorf("got %+v, want %+v", got, want)
	}
}
