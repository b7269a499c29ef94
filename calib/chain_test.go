package calib

import (
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
)

// troubled returns a chain with every stage over a small frame of four
// amplifiers, and a frame with everything in it that can go wrong: saturated
// spots, hits, lost samples and rows, bad pixels, pixels without a flat.
func troubled(rng *rand.Rand, width, height, grow int, withNoise bool) (*Chain, RawRows) {
	s := plainSensor(width+2, height+2)
	s.Image = Region{1, width + 1, 1, height + 1}
	s.FillDN, s.GrowPixels = 0, grow
	x, y := 1+(width+1)/2, 1+(height+1)/2
	s.Amps = nil
	for _, r := range []Region{{0, x, 0, y}, {x, width + 2, 0, y}, {0, x, y, height + 2}, {x, width + 2, y, height + 2}} {
		if !r.Empty() {
			s.Amps = append(s.Amps, Amplifier{Region: r, GainEPerDN: 2, ReadNoiseE: 5})
		}
	}
	n := len(s.Amps)
	f := newFrame(width+2, height+2)
	for i := range f.dn {
		f.dn[i] = float32(math.Round(1100 + 10*rng.NormFloat64()))
		switch rng.IntN(40) {
		case 0:
			f.dn[i] = 65535
		case 1:
			f.dn[i] = 0
		case 2:
			f.dn[i] = float32(1000 + rng.IntN(20000))
		}
	}
	if height > 4 {
		lost := 1 + rng.IntN(height)
		clear(f.dn[lost*f.width : (lost+1)*f.width])
	}
	flat, dark, bias := constant(width, height, 0, 1e-4), constant(width, height, 0, 0.01), constant(width, height, 0, 0.1)
	mask := make([]Flags, width*height)
	for i := range mask {
		flat.Value[i] = float32(0.7 + 0.5*rng.Float64())
		dark.Value[i] = float32(rng.ExpFloat64())
		bias.Value[i] = float32(rng.NormFloat64())
		switch rng.IntN(30) {
		case 0:
			mask[i] = Hot
		case 1:
			flat.Value[i] = 0
		}
	}
	traces := make([]OffsetTrace, n)
	curves, maxDN, limit := make([]Polynomial, n), make([]float64, n), make([]float64, n)
	for a := range n {
		traces[a] = level(height, 1000+float64(a))
		traces[a].Unsure[rng.IntN(height)] = true
		curves[a], limit[a] = Polynomial{1e-6, 1e-11}, 60000
	}
	ff := NewFlatField(flat)
	var noise *Noise
	if withNoise {
		noise = &Noise{Flat: ff, Dark: dark, HT: 3, Mask: mask, FloorE2: 25, Steps: NoiseSteps(130000)}
	}
	return NewChain(s, []Stage{
		FrameStage{s.CeilingDN, s.FillDN}, SaturationStage{LevelDN: limit}, OffsetStage{s.Offset, traces}, BiasStage{bias, 1},
		LinearityStage{curves, maxDN}, GainStage{s.Amps}, DarkStage{Master: dark, HT: 3}, FlatStage{ff},
	}, noise, []Stage{LightStage{Light: Light{0.01, "W m-2 sr-1 nm-1"}}, BadPixelStage{mask}}), f
}

func sameBits(a, b []float32) bool {
	return slices.EqualFunc(a, b, func(x, y float32) bool { return math.Float32bits(x) == math.Float32bits(y) })
}

// The bytes of a product must not depend on how many rows a worker takes,
// for any size of frame and any reach of the flag around saturation.
func TestChainDoesNotDependOnTheRuns(t *testing.T) {
	sizes := [][2]int{{40, 30}, {7, 23}}
	for w := 1; w <= 6; w++ {
		for h := 1; h <= 6; h++ {
			sizes = append(sizes, [2]int{w, h})
		}
	}
	for i, size := range sizes {
		for _, grow := range []int{0, 1, 2, 3, 5} {
			for _, noise := range []bool{true, false} {
				c, raw := troubled(newRand(uint64(100+i)), size[0], size[1], grow, noise)
				want := develop(t, c, raw, size[1])
				for _, run := range []int{1, 2, 3, 5, 16} {
					got := develop(t, c, raw, run)
					if !sameBits(got.value, want.value) || !sameBits(got.variance, want.variance) || !slices.Equal(got.flags, want.flags) {
						t.Errorf("%d x %d, %d grown, noise %t: runs of %d rows differ from the whole", size[0], size[1], grow, noise, run)
					}
				}
			}
		}
	}
}

// One worker's memory serves frames of any size, one after another.
func TestScratchServesOtherFrames(t *testing.T) {
	var s Scratch
	for i, size := range [][2]int{{9, 8}, {3, 4}, {9, 8}, {1, 1}, {12, 3}} {
		c, raw := troubled(newRand(uint64(200+i)), size[0], size[1], i, true)
		want := develop(t, c, raw, size[1])
		var got []float32
		err := c.Run(raw, 0, size[1], &s, func(r *Row) error {
			got = append(got, r.Var...)
			return nil
		})
		if err != nil {
			t.Fatal(err)
		}
		if !sameBits(got, want.variance) {
			t.Errorf("frame %d differs after others", i)
		}
	}
}

// What a chain promises of every pixel, whatever happened to it.
func TestChainSettlesEveryPixel(t *testing.T) {
	for i := range 20 {
		c, raw := troubled(newRand(uint64(300+i)), 30, 30, 1, true)
		p := develop(t, c, raw, 30)
		for j := range p.value {
			value, variance, flags := float64(p.value[j]), float64(p.variance[j]), p.flags[j]
			if absent := flags&(Missing|NoCalibration) != 0; absent != math.IsNaN(value) {
				t.Fatalf("pixel %d is %v and has the value %g", j, flags, value)
			}
			if unusable := flags&Unusable != 0; unusable != math.IsNaN(variance) {
				t.Fatalf("pixel %d is %v and has the variance %g", j, flags, variance)
			}
			if flags&Unusable == 0 && !(variance > 0) {
				t.Fatalf("pixel %d is %v and has the variance %g", j, flags, variance)
			}
			if flags&Missing != 0 && flags&NoCalibration != 0 {
				t.Fatalf("pixel %d is both missing and without calibration", j)
			}
		}
	}
}

// Pixels within reach of a saturated one are flagged, over corners and edges
// and across the rows of runs, and no others.
func TestSaturationGrows(t *testing.T) {
	const width, height = 13, 11
	for _, grow := range []int{0, 1, 2, 3, 6} {
		s := plainSensor(width, height)
		s.GrowPixels = grow
		f := newFrame(width, height)
		for i := range f.dn {
			f.dn[i] = 500
		}
		hot := [][2]int{{0, 0}, {12, 5}, {6, 10}, {7, 10}}
		for _, h := range hot {
			f.set(h[0], h[1], 1000)
		}
		c := NewChain(s, []Stage{FrameStage{65535, math.NaN()}, SaturationStage{LevelDN: []float64{1000}}}, nil, nil)
		p := develop(t, c, f, 2)
		for y := range height {
			for x := range width {
				want := Flags(0)
				for _, h := range hot {
					if max(x-h[0], h[0]-x, y-h[1], h[1]-y) <= grow && grow > 0 {
						want = NearSaturated
					}
				}
				if slices.Contains(hot, [2]int{x, y}) {
					want = Saturated
				}
				if _, _, got := p.at(x, y); got != want {
					t.Errorf("%d grown: column %d row %d is %v, want %v", grow, x, y, got, want)
				}
			}
		}
	}
}

// All stages together against the formula of the measurement, for a pixel in
// an evenly lit frame:
//
//	S = (g lin(raw - o - B) - d h t) / F', 1/F' = (1 - u^2(F)/F^2) / F
//	u^2(S) = ((1/12 + u^2(o) + u^2(B)) lin'^2 g^2 + r^2 + u^2(d) (h t)^2 + Q)/F'^2 + S^2 u^2(F)/F^2
//
// where Q is the charge, F S + d h t.
func TestChainFollowsTheMeasurementModel(t *testing.T) {
	const width, height = 9, 9
	const raw, offset, uo, biasDN, ub, c2, gain, rn = 3000.0, 400, 0.05, 3, 0.02, 2e-6, 2.5, 8
	const dark, ud, ht, flat, uf, perE = 1.5, 0.1, 6, 0.8, 0.002, 0.004
	v := raw - offset - biasDN
	charge := gain * (v + c2*v*v)
	slope := 1 + 2*c2*v
	divisor := flat / (1 - uf*uf/(flat*flat))
	s := (charge - dark*ht) / divisor
	variance := ((1.0/12+uo*uo+ub*ub)*slope*slope*gain*gain+rn*rn+ud*ud*ht*ht+charge)/(divisor*divisor) + s*s*uf*uf/(flat*flat)

	sensor := plainSensor(width, height)
	sensor.Amps[0].GainEPerDN, sensor.Amps[0].ReadNoiseE = gain, rn
	trace := level(height, offset)
	for y := range trace.Variance {
		trace.Variance[y] = uo * uo
	}
	d, ff := constant(width, height, dark, ud*ud), NewFlatField(constant(width, height, flat, uf*uf))
	c := NewChain(sensor, []Stage{
		FrameStage{65535, math.NaN()}, SaturationStage{LevelDN: []float64{60000}}, OffsetStage{OffsetRule{}, []OffsetTrace{trace}},
		BiasStage{constant(width, height, biasDN, ub*ub), 1}, LinearityStage{[]Polynomial{{c2}}, []float64{0}},
		GainStage{sensor.Amps}, DarkStage{Master: d, HT: ht}, FlatStage{ff},
	}, &Noise{Flat: ff, Dark: d, HT: ht, FloorE2: rn * rn, Steps: NoiseSteps(100000)}, []Stage{LightStage{Light: Light{perE, ""}}})
	if names := stageNames(c); !slices.Equal(names, []string{"frame", "saturation", "offset", "bias", "linearity", "gain", "dark", "flat", "noise", "radiance"}) {
		t.Errorf("stages are %v", names)
	}
	f := newFrame(width, height)
	for i := range f.dn {
		f.dn[i] = raw
	}
	p := develop(t, c, f, 4)
	for y := range height {
		for x := range width {
			value, got, flags := p.at(x, y)
			if flags != 0 {
				t.Fatalf("column %d row %d is %v", x, y, flags)
			}
			within(t, "value", value, s*perE, 1e-6*s*perE)
			// The estimate of Q from n pixels adds 1/(n F^2), and is known to
			// 1/16 electron, the step of its sums.
			n := float64((min(x, 2)+min(width-1-x, 2)+1)*(min(y, 2)+min(height-1-y, 2)+1) - 1)
			want := variance + 1/(n*flat*flat)
			within(t, "variance", got, want*perE*perE, (2e-6*want+0.0625/flat)*perE*perE)
		}
	}
}

func stageNames(c *Chain) []string {
	var names []string
	for _, s := range c.Stages() {
		names = append(names, s.Name())
	}
	return names
}

// A sample that the converter cannot have made is named in the coordinates
// of the raw frame, as the file has it.
func TestChainRefusesImpossibleSamples(t *testing.T) {
	c, raw := troubled(newRand(400), 8, 8, 1, true)
	f := raw.(memoryFrame)
	f.set(1+4, 1+6, 70000)
	err := c.Run(f, 0, 8, new(Scratch), func(*Row) error { return nil })
	var bad *SampleError
	if !errors.As(err, &bad) {
		t.Fatalf("error is %v, want a SampleError", err)
	}
	if want := (SampleError{Column: 6, Row: 8, Value: 70000, CeilingDN: 65535}); *bad != want {
		t.Errorf("error is %+v, want %+v", *bad, want)
	}
	for _, part := range []string{"column 6", "row 8", "70000", "adc_bits"} {
		if !strings.Contains(bad.Error(), part) {
			t.Errorf("message %q lacks %q", bad.Error(), part)
		}
	}
}

func TestChainStopsWhereReadingOrWritingFails(t *testing.T) {
	c, raw := troubled(newRand(401), 8, 8, 1, true)
	f := raw.(memoryFrame)
	f.dn = f.dn[:f.width*5]
	if err := c.Run(f, 0, 8, new(Scratch), func(*Row) error { return nil }); err == nil {
		t.Error("a frame of 5 rows serves for one of 10")
	}
	full := fmt.Errorf("no space")
	rows := 0
	err := c.Run(raw, 0, 8, new(Scratch), func(*Row) error {
		rows++
		return full
	})
	if !errors.Is(err, full) || rows != 1 {
		t.Errorf("error is %v after %d rows", err, rows)
	}
}

// A row whose offset is unknown has no calibrated value, and says why.
func TestChainOfARowWithoutOffset(t *testing.T) {
	s := plainSensor(4, 3)
	trace := level(3, 100)
	trace.DN[1], trace.Variance[1], trace.Unsure[1] = float32(math.NaN()), float32(math.NaN()), true
	f := newFrame(4, 3)
	for i := range f.dn {
		f.dn[i] = 150
	}
	c := NewChain(s, []Stage{FrameStage{65535, math.NaN()}, OffsetStage{OffsetRule{}, []OffsetTrace{trace}}, GainStage{s.Amps}},
		&Noise{FloorE2: 25, Steps: NoiseSteps(65535)}, nil)
	p := develop(t, c, f, 3)
	for x := range 4 {
		value, variance, flags := p.at(x, 1)
		if !math.IsNaN(value) || !math.IsNaN(variance) || flags != OffsetUnsure|NoCalibration {
			t.Errorf("column %d of the row is %g, %g, %v", x, value, variance, flags)
		}
		value, variance, flags = p.at(x, 0)
		within(t, "value beside it", value, 50, 0)
		n := float64(2*(min(x, 2)+min(3-x, 2)+1) - 1) // the row is left out
		within(t, "variance beside it", variance, 25+1.0/12+50+1/n, 0.0625+1e-5)
		if flags != 0 {
			t.Errorf("the row before is %v", flags)
		}
	}
}
