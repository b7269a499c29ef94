package calib

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"
)

// The covariance of two rows' offsets is that of sums that have samples in
// common: here with rows of four samples, of which one is lost in row 2, and
// smoothing over three rows.
func TestOffsetsOfRowsHaveSamplesInCommon(t *testing.T) {
	const rows, columns, sigma = 6, 4, 3.0
	s := plainSensor(columns+5, rows)
	s.Image = Region{columns, columns + 5, 0, rows}
	s.Amps[0].Overscan = Region{0, columns, 0, rows}
	s.Offset = OffsetRule{FromOverscan: true, SmoothRows: 3, RejectSigma: 50}
	f := newFrame(columns+5, rows)
	rng := newRand(1)
	for i := range f.dn {
		f.dn[i] = float32(300 + sigma*rng.NormFloat64())
	}
	f.set(1, 2, math.NaN())
	trace, err := MeasureOffset(s, 0, f)
	if err != nil {
		t.Fatal(err)
	}
	s2 := trace.NoiseDN * trace.NoiseDN
	samples := []float64{4, 4, 3, 4, 4, 4}
	// The weight of each sample of a row in the offset of a row: those of a mean,
	// and at the edges of a straight line of least squares, taken there.
	weights := func(y int) []float64 {
		w := make([]float64, len(samples))
		var n, x, xx float64
		lo, hi := max(0, y-1), min(len(w), y+2)
		for i := lo; i < hi; i++ {
			n, x, xx = n+samples[i], x+samples[i]*float64(i), xx+samples[i]*float64(i*i)
		}
		for i := lo; i < hi; i++ {
			w[i] = 1 / n
			if hi-lo == 2 { // row of the inverse normal matrix at y, times (1, i)
				w[i] = (xx - x*float64(i) + float64(y)*(n*float64(i)-x)) / (n*xx - x*x)
			}
		}
		return w
	}
	for y1 := range samples {
		for y2 := range samples {
			a, b := weights(y1), weights(y2)
			want := 0.0
			for i, n := range samples {
				want += s2 * n * a[i] * b[i]
			}
			within(t, fmt.Sprintf("covariance of rows %d and %d", y1, y2), trace.Covariance(y1, y2), want, 1e-12*s2)
			if apart := trace.Apart(y1, y2); apart != (max(y1, y2)-1 >= min(y1, y2)+2) {
				t.Errorf("rows %d and %d apart: %t", y1, y2, apart)
			}
		}
	}
	// 23 samples: the whole overscan.
	within(t, "variance of the mean", trace.MeanVariance(), s2/23, 1e-12)
}

// bench is a camera whose calibration and scenes are simulated anew in each
// trial: framing, with overscan beside each row, or a line scanner.
type bench struct {
	sensor           *Sensor
	light            float64 // e-
	bias, dark, flat []float64
	frames           int // of each master
	ht, flatE        float64
}

func newBench(overscan, width, height int, lines bool) *bench {
	s := plainSensor(overscan+width, height)
	s.Image = Region{overscan, overscan + width, 0, height}
	s.Reference = s.Image
	s.Amps[0].GainEPerDN, s.Amps[0].ReadNoiseE = 2.1, 7.5
	s.Amps[0].Overscan = Region{0, overscan, 0, height}
	s.Offset = OffsetRule{FromOverscan: true, SmoothRows: 15, RejectSigma: 8}
	s.LineScan = lines
	b := &bench{sensor: s, light: 60, frames: 4, ht: 10, flatE: 20000}
	rng := newRand(11)
	for range width * s.MasterRows() {
		b.bias = append(b.bias, rng.NormFloat64()*3)
		b.dark = append(b.dark, 2+rng.ExpFloat64())
		b.flat = append(b.flat, 1+0.02*rng.NormFloat64())
	}
	return b
}

// expose makes a raw frame of the light (e-, before the flat field) and dark
// time given; rounding to whole DN included.
func (b *bench) expose(rng *rand.Rand, light, ht float64) memoryFrame {
	s := b.sensor
	f := newFrame(s.Width, s.Height)
	a := s.Amps[0]
	for y := range s.Height {
		for x := range s.Width {
			v := 300 + a.ReadNoiseE/a.GainEPerDN*rng.NormFloat64()
			if i := x - s.Image.X0; i >= 0 {
				at := i
				if !s.LineScan {
					at += y * s.Image.Width()
				}
				mean := light*b.flat[at] + b.dark[at]*ht
				charge := mean + math.Sqrt(mean)*rng.NormFloat64() // as wide as Poisson's
				v += b.bias[at] + charge/a.GainEPerDN
			}
			f.dn[y*s.Width+x] = float32(math.Round(v))
		}
	}
	return f
}

// gather brings frames through some stages to one plane each.
func (b *bench) gather(t *testing.T, frames []memoryFrame, scale float64, stages func(OffsetTrace) []Stage) [][]float32 {
	t.Helper()
	out := make([][]float32, len(frames))
	for i, f := range frames {
		trace, err := MeasureOffset(b.sensor, 0, f)
		if err != nil {
			t.Fatal(err)
		}
		c := NewChain(b.sensor, stages(trace), nil, nil)
		out[i] = develop(t, c, f, b.sensor.Height).value
		for x := range out[i] {
			out[i][x] *= float32(scale)
		}
	}
	return out
}

// mean combines frames to a master; a line scanner's lines too.
func (b *bench) mean(frames [][]float32) *Plane {
	width := b.sensor.Image.Width()
	views := frames
	if b.sensor.LineScan {
		views = nil
		for _, f := range frames {
			for y := 0; y < len(f); y += width {
				views = append(views, f[y:y+width])
			}
		}
	}
	n := len(views[0])
	p := &Plane{Width: width, Value: make([]float32, n), Variance: make([]float32, n)}
	noise := make([]FrameNoise, len(views))
	NewCombiner(0, noise, 0).Combine(views, Combined{Value: p.Value, Variance: p.Variance, Samples: make([]int32, n)}, &CombineScratch{})
	return p
}

// trial makes fresh masters and some scenes.
type trial struct {
	chains []*Chain
	scenes []memoryFrame
	with   []*Together
}

func (b *bench) trial(t *testing.T, rng *rand.Rand, scenes int) *trial {
	t.Helper()
	s := b.sensor
	shoot := func(n int, light, ht float64) []memoryFrame {
		out := make([]memoryFrame, n)
		for i := range out {
			out[i] = b.expose(rng, light, ht)
		}
		return out
	}
	first := func(trace OffsetTrace) []Stage {
		return []Stage{FrameStage{65535, math.NaN()}, OffsetStage{s.Offset, []OffsetTrace{trace}}}
	}
	bias := b.mean(b.gather(t, shoot(b.frames, 0, 0), 1, first))
	kappa := 1 / b.ht
	toGain := func(trace OffsetTrace) []Stage {
		return append(first(trace), BiasStage{bias, 1}, GainStage{s.Amps})
	}
	dark := b.mean(b.gather(t, shoot(b.frames, 0, b.ht), kappa, toGain))
	ff := NewFlatField(b.mean(b.gather(t, shoot(b.frames, b.flatE, b.ht), 1/b.flatE, func(trace OffsetTrace) []Stage {
		return append(toGain(trace), DarkStage{Master: dark, HT: b.ht})
	})))
	const ht = 4.0
	out := &trial{}
	for range scenes {
		f := b.expose(rng, b.light, ht)
		trace, err := MeasureOffset(s, 0, f)
		if err != nil {
			t.Fatal(err)
		}
		stages := append(first(trace), BiasStage{bias, BiasVarianceFactor(kappa, ht, true)}, GainStage{s.Amps}, DarkStage{Master: dark, HT: ht}, FlatStage{ff})
		noise := &Noise{Flat: ff, Dark: dark, HT: ht, FloorE2: 60, Steps: NoiseSteps(1e5)}
		with := &Together{Sensor: s, Traces: []OffsetTrace{trace}, HT: ht}
		samples := float64(b.frames)
		if s.LineScan {
			// All lines of all frames of a master, and their overscan.
			each := trace.NoiseDN * trace.NoiseDN / (samples * float64(s.Height*s.Amps[0].Overscan.Width()))
			with.Bias.Even, with.Dark.Even = []float64{each}, []float64{each * kappa * kappa * s.Amps[0].GainEPerDN * s.Amps[0].GainEPerDN}
		} else {
			with.Bias.OfFrame, with.Dark.OfFrame = 1/samples, kappa*kappa/samples
		}
		out.chains, out.scenes, out.with = append(out.chains, NewChain(s, stages, noise, nil)), append(out.scenes, f), append(out.with, with)
	}
	return out
}

// averages gathers regions of one scene.
func (tr *trial) averages(t *testing.T, scene int, regions []Region) []*Average {
	t.Helper()
	c := tr.chains[scene]
	a := NewAccount(c)
	width := c.Sensor.Image.Width()
	out, use := make([]*Average, len(regions)), make([][]bool, len(regions))
	for i, r := range regions {
		out[i], use[i] = NewAverage(a.Terms, tr.with[scene]), make([]bool, width)
		for x := r.X0; x < r.X1; x++ {
			use[i][x] = true
		}
	}
	err := a.Run(tr.scenes[scene], 0, c.Sensor.Image.Height(), func(r *Row, e *Entries) error {
		for i, region := range regions {
			if r.Y >= region.Y0 && r.Y < region.Y1 {
				out[i].Add(r, e, use[i])
			}
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	return out
}

// ofMean splits the variance of the mean into what is the frame's own and what
// comes from masters.
func ofMean(a *Average) (frame, masters float64) {
	n := float64(a.N) * float64(a.N)
	for i, v := range a.SumVar() {
		if a.Terms[i].Sharing == OfMaster {
			masters += v / n
		} else {
			frame += v / n
		}
	}
	return frame, masters
}

// scatter gathers the pulls of means.
type scatter struct{ right, naive moments }

// honest fails unless the pulls have the mean square 1, within what n
// independent normal pulls allow: its standard deviation is sqrt(2/n).
func (s *scatter) honest(t *testing.T, what string) {
	t.Helper()
	t.Logf("%s: %.0f means, mean square of the pulls %.3f; as if pixels and frames were independent %.3f", what, s.right.n, s.right.meanSquare(), s.naive.meanSquare())
	within(t, what+", mean square of the pulls", s.right.meanSquare(), 1, sigmas*math.Sqrt(2/s.right.n))
}

// tooSmall fails unless what is claimed by the plane alone is refuted.
func (s *scatter) tooSmall(t *testing.T, what string) {
	t.Helper()
	if !(s.naive.meanSquare() > 1+sigmas*math.Sqrt(2/s.naive.n)) {
		t.Errorf("%s: the mean square of the pulls is %.3f as if pixels were independent; this frame does not show that they are not", what, s.naive.meanSquare())
	}
}

// Means of 1, 100 and 10 000 pixels, with fresh masters each time, scatter about
// the truth as their uncertainty says: of one frame, and of four frames that
// share their masters. The root of the sum of squares of the plane, over the
// number of pixels and frames, does not.
func TestMeansOfPixelsScatterAsStated(t *testing.T) {
	const trials, scenes = 240, 4
	b := newBench(8, 100, 100, false)
	// Places so far apart that their offsets have no sample in common.
	var one, hundred []Region
	for y := 0; y < 100; y += 30 {
		for x := 0; x < 100; x += 30 {
			one = append(one, Region{x, x + 1, y, y + 1})
		}
		hundred = append(hundred, Region{y, y + 10, y, y + 10})
	}
	regions := append(append(one, hundred...), Region{0, 100, 0, 100})
	var ofOne, ofHundred, ofAll, ofFour, ofFourOne scatter
	rng := newRand(21)
	for range trials {
		tr := b.trial(t, rng, scenes)
		var sum, own, shared, plane float64
		var sumOne, ownOne, sharedOne, planeOne float64
		for k := range scenes {
			all := tr.averages(t, k, regions)
			for i, a := range all {
				frame, masters := ofMean(a)
				n := float64(a.N)
				off, alone := a.Sum/n-b.light, a.PlaneVar/(n*n)
				if i == len(all)-1 {
					sum, own, shared, plane = sum+off, own+frame, masters, plane+alone
				}
				if i == 0 {
					sumOne, ownOne, sharedOne, planeOne = sumOne+off, ownOne+frame, masters, planeOne+alone
				}
				if k > 0 {
					continue // frames with the same masters are not independent
				}
				to := &ofOne
				switch a.N {
				case 100:
					to = &ofHundred
				case 10000:
					to = &ofAll
				}
				to.right.add(off / math.Sqrt(frame+masters))
				to.naive.add(off / math.Sqrt(alone))
			}
		}
		ofFour.right.add(sum / scenes / math.Sqrt(own/(scenes*scenes)+shared))
		ofFour.naive.add(sum / math.Sqrt(plane))
		ofFourOne.right.add(sumOne / scenes / math.Sqrt(ownOne/(scenes*scenes)+sharedOne))
		ofFourOne.naive.add(sumOne / math.Sqrt(planeOne))
	}
	ofOne.honest(t, "one pixel of one frame")
	ofHundred.honest(t, "100 pixels of one frame")
	ofAll.honest(t, "10000 pixels of one frame")
	ofFourOne.honest(t, "one pixel of four frames")
	ofFour.honest(t, "10000 pixels of four frames")
	ofHundred.tooSmall(t, "100 pixels of one frame")
	ofAll.tooSmall(t, "10000 pixels of one frame")
	ofFour.tooSmall(t, "10000 pixels of four frames")
}

// A line scanner's masters have one row: an error of theirs is that of all the
// pixels of a column.
func TestMeansOfLinesScatterAsStated(t *testing.T) {
	const trials, scenes = 600, 4
	b := newBench(8, 24, 60, true)
	b.frames = 1
	regions := []Region{{0, 24, 0, 60}, {5, 6, 0, 60}}
	var all, column, ofFour scatter
	rng := newRand(31)
	for range trials {
		tr := b.trial(t, rng, scenes)
		var sum, own, shared, plane float64
		for k := range scenes {
			for i, a := range tr.averages(t, k, regions) {
				frame, masters := ofMean(a)
				n := float64(a.N)
				off, alone := a.Sum/n-b.light, a.PlaneVar/(n*n)
				if i == 0 {
					sum, own, shared, plane = sum+off, own+frame, masters, plane+alone
				}
				if k > 0 {
					continue
				}
				to := []*scatter{&all, &column}[i]
				to.right.add(off / math.Sqrt(frame+masters))
				to.naive.add(off / math.Sqrt(alone))
			}
		}
		ofFour.right.add(sum / scenes / math.Sqrt(own/(scenes*scenes)+shared))
		ofFour.naive.add(sum / math.Sqrt(plane))
	}
	all.honest(t, "24 columns of 60 lines")
	column.honest(t, "one column of 60 lines")
	ofFour.honest(t, "24 columns of four frames")
	all.tooSmall(t, "24 columns of 60 lines")
	column.tooSmall(t, "one column of 60 lines")
}

// The smear that the image tells of itself is common to a column, and holds
// the errors of the pixels that were passed.
func TestMeansOverColumnsOfSmearScatterAsStated(t *testing.T) {
	const trials, width, height, light = 1200, 8, 120, 2000.0
	for name, rule := range map[string]SmearRule{
		"after, to the first row":  {After: true, ToFirst: true},
		"before, to the first row": {Before: true, ToFirst: true},
		"after, to the last row":   {After: true},
		"both":                     {Before: true, After: true},
	} {
		rule.RowS, rule.ExposeS, rule.NoiseE2 = 1e-3, 1, 25+1.0/12
		s := plainSensor(width, height)
		rng := newRand(41)
		var means scatter
		for range trials {
			f := newFrame(width, height)
			rate := light / rule.ExposeS
			for y := range height {
				passed := float64(y)
				switch {
				case rule.Before && rule.After:
					passed = height - 1
				case !rule.forward():
					passed = float64(height - 1 - y)
				}
				mean := light + rule.RowS*rate*passed
				for x := range width {
					f.set(x, y, math.Round(300+mean+math.Sqrt(mean+25)*rng.NormFloat64()))
				}
			}
			start := []Stage{FrameStage{65535, math.NaN()}, OffsetStage{s.Offset, []OffsetTrace{level(height, 300)}}, GainStage{s.Amps}}
			n := develop(t, NewChain(s, start, nil, nil), f, height).value
			stage := SmearStage{rule, SolveSmear(rule, width, n, make([]bool, len(n)))}
			c := NewChain(s, append(start, stage), &Noise{FloorE2: 25, Steps: NoiseSteps(1e5)}, nil)
			with := &Together{Sensor: s, Traces: []OffsetTrace{level(height, 300)}, Smear: rule}
			tr := &trial{chains: []*Chain{c}, scenes: []memoryFrame{f}, with: []*Together{with}}
			var regions []Region
			for x := range width {
				regions = append(regions, Region{x, x + 1, 10, 110})
			}
			for _, a := range tr.averages(t, 0, regions) {
				frame, _ := ofMean(a)
				off := a.Sum/100 - light
				means.right.add(off / math.Sqrt(frame))
				means.naive.add(off / math.Sqrt(a.PlaneVar/1e4))
			}
		}
		means.honest(t, "shift "+name)
	}
}

// The pieces of an average put together are the average of the whole.
func TestAveragesMerge(t *testing.T) {
	for name, rule := range map[string]SmearRule{"forward": {After: true, ToFirst: true}, "backward": {Before: true, ToFirst: true}} {
		const width, height = 5, 40
		rule.RowS, rule.ExposeS, rule.NoiseE2 = 1e-2, 1, 25
		s := plainSensor(width, height)
		f := newFrame(width, height)
		rng := newRand(51)
		for i := range f.dn {
			f.dn[i] = float32(math.Round(1500 + 30*rng.NormFloat64()))
		}
		trace := level(height, 300)
		for y := range trace.Variance {
			trace.Variance[y] = 0.5
		}
		n := make([]float32, width*height)
		for i := range n {
			n[i] = f.dn[i] - 300
		}
		c := NewChain(s, []Stage{FrameStage{65535, math.NaN()}, OffsetStage{s.Offset, []OffsetTrace{trace}}, GainStage{s.Amps},
			DarkStage{Master: constant(width, height, 1, 0.1), HT: 3}, SmearStage{rule, SolveSmear(rule, width, n, make([]bool, len(n)))}},
			&Noise{FloorE2: 25, Steps: NoiseSteps(1e5)}, nil)
		with := &Together{Sensor: s, Traces: []OffsetTrace{trace}, HT: 3, Smear: rule, Dark: OffsetShare{OfFrame: 0.02}}
		tr := &trial{chains: []*Chain{c}, scenes: []memoryFrame{f}, with: []*Together{with}}
		all := tr.averages(t, 0, []Region{{1, 4, 3, 37}, {1, 4, 3, 9}, {1, 4, 9, 30}, {1, 4, 30, 37}})
		merged := all[1]
		merged.Merge(all[2])
		merged.Merge(all[3])
		whole := all[0].SumVar()
		for i, v := range merged.SumVar() {
			within(t, name+": "+merged.Terms[i].Name, v, whole[i], 1e-9*math.Abs(whole[i])) // sums in another order
		}
		if merged.N != all[0].N || all[0].N != 3*34 {
			t.Errorf("%s: %d pixels, merged %d", name, all[0].N, merged.N)
		}
		// By hand: sum over all pairs of rows of c1 c2 min(v1, v2), c = 1 here, less
		// twice k v of each pixel for each that passed it.
		smear, want := stageOf[SmearStage](c), 0.0
		own := ownVariances(t, c, f)
		for x := 1; x < 4; x++ {
			for y1 := 3; y1 < 37; y1++ {
				for y2 := 3; y2 < 37; y2++ {
					want += min(float64(smear.Map.Variance[y1*width+x]), float64(smear.Map.Variance[y2*width+x]))
					if passes := (y2 > y1) == rule.forward(); passes && y1 != y2 {
						want -= 2 * 1e-2 * own[y1*width+x]
					}
				}
			}
		}
		for i, term := range all[0].Terms {
			if term.Sharing == OwnColumn {
				within(t, name+": smear of the sum", whole[i], want, 1e-5*math.Abs(want)+1e-4*all[0].PixelVar[i])
			}
		}
	}
}

func stageOf[T Stage](c *Chain) (found T) {
	for _, s := range c.Before {
		if st, ok := s.(T); ok {
			found = st
		}
	}
	return found
}

// ownVariances are the variances that pixels have for themselves.
func ownVariances(t *testing.T, c *Chain, raw RawRows) []float64 {
	t.Helper()
	l := keep(t, c, raw, c.Sensor.Image.Height())
	out := make([]float64, len(l.value))
	for name, v := range l.terms {
		switch name {
		case "offset", "dark master", "smear":
			continue
		}
		for i := range v {
			out[i] += v[i]
		}
	}
	return out
}
