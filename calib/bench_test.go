package calib

import (
	"math"
	"math/rand/v2"
	"testing"
)

// rawPlane serves rows of a raw frame from memory.
type rawPlane struct {
	width int
	dn    []uint16
}

func (p rawPlane) RawRow(y, x0, x1 int, dst []float32) ([]float32, error) {
	src := p.dn[y*p.width+x0 : y*p.width+x1]
	dst = dst[:len(src)]
	for i, v := range src {
		dst[i] = float32(v)
	}
	return dst, nil
}

// benchChain returns every stage over a size x size frame with two
// amplifiers, and a noisy frame at half of full scale.
func benchChain(size int) (*Chain, rawPlane) {
	rng := rand.New(rand.NewPCG(1, 2))
	s := &Sensor{
		Width: size + 32, Height: size, Image: Region{16, size + 16, 0, size},
		CeilingDN: 16383, FillDN: math.NaN(), GrowPixels: 1, FullWellE: 30000, MarginSigma: 5,
		Amps: []Amplifier{
			{Name: "left", Region: Region{0, size/2 + 16, 0, size}, Overscan: Region{0, 16, 0, size}, GainEPerDN: 2.1, ReadNoiseE: 7},
			{Name: "right", Region: Region{size/2 + 16, size + 32, 0, size}, Overscan: Region{size + 16, size + 32, 0, size}, GainEPerDN: 2.2, ReadNoiseE: 8},
		},
		Offset: OffsetRule{FromOverscan: true, SmoothRows: 15, RejectSigma: 4},
	}
	raw := rawPlane{s.Width, make([]uint16, s.Width*s.Height)}
	for i := range raw.dn {
		raw.dn[i] = uint16(5000 + 40*rng.NormFloat64())
	}
	plane := func(level float32) *Plane {
		p := &Plane{Width: size, Value: make([]float32, size*size), Variance: make([]float32, size*size)}
		for i := range p.Value {
			p.Value[i] = level * (1 + 0.01*float32(rng.NormFloat64()))
			p.Variance[i] = level * 1e-4
		}
		return p
	}
	traces := []OffsetTrace{NoOffset(size), NoOffset(size)}
	flat, dark := NewFlatField(plane(1)), plane(2)
	mask := make([]Flags, size*size)
	for range size * size / 1000 {
		mask[rng.IntN(len(mask))] = Hot
	}
	return NewChain(s, []Stage{
		FrameStage{16383, math.NaN()},
		SaturationStage{LevelDN: []float64{14000, 14000}},
		OffsetStage{s.Offset, traces},
		BiasStage{plane(300), 1},
		LinearityStage{[]Polynomial{{1e-7, 1e-12}, {1e-7, 1e-12}}, []float64{15000, 15000}},
		GainStage{s.Amps},
		DarkStage{Master: dark, HT: 2},
		FlatStage{flat},
	}, &Noise{Flat: flat, Dark: dark, HT: 2, Mask: mask, FloorE2: 49, Steps: NoiseSteps(40000)}, []Stage{
		LightStage{Light: Light{1e-5, ""}},
		BadPixelStage{mask},
	}), raw
}

// BenchmarkChain takes a 2048 x 2048 frame through all stages on one core.
func BenchmarkChain(b *testing.B) {
	const size = 2048
	c, raw := benchChain(size)
	var s Scratch
	b.SetBytes(size * size)
	b.ReportAllocs()
	for b.Loop() {
		if err := c.Run(raw, 0, size, &s, func(*Row) error { return nil }); err != nil {
			b.Fatal(err)
		}
	}
}

// BenchmarkCombine averages 64 bias frames of 65 536 pixels; one sample in
// 10 000 is a hit.
func BenchmarkCombine(b *testing.B) {
	const n, pixels = 64, 1 << 16
	noise := alike(n, FrameNoise{A: 16})
	samples := frames(1, noise, pixels, 300)
	rng := newRand(2)
	for range n * pixels / 10000 {
		samples[rng.IntN(n)][rng.IntN(pixels)] += 4000
	}
	c := NewCombiner(5, noise, 300)
	out := newCombined(pixels)
	var s CombineScratch
	b.ReportAllocs()
	for b.Loop() {
		c.Combine(samples, out, &s)
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/(n*pixels), "ns/sample")
}

// BenchmarkCombineWeighted averages 64 dark frames of two exposures.
func BenchmarkCombineWeighted(b *testing.B) {
	const n, pixels = 64, 1 << 14
	noise := alike(n, FrameNoise{A: 1})
	for i := range n / 2 {
		noise[i].A = 100
	}
	samples := frames(1, noise, pixels, 2)
	c := NewCombiner(5, noise, 2)
	out := newCombined(pixels)
	var s CombineScratch
	b.ReportAllocs()
	for b.Loop() {
		c.Combine(samples, out, &s)
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/(n*pixels), "ns/sample")
}

// BenchmarkMeasureOffset finds the offset of one amplifier of a 2048-row
// frame from 16 overscan columns.
func BenchmarkMeasureOffset(b *testing.B) {
	p := strip{width: 16, image: 16, rows: 2048, sigma: 3, offset: steady}
	s, f := p.sensor(15), p.draw(newRand(1))
	b.ReportAllocs()
	for b.Loop() {
		if _, err := MeasureOffset(s, 0, f); err != nil {
			b.Fatal(err)
		}
	}
}
