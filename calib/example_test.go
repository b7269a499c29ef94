package calib_test

import (
	"fmt"
	"math"

	"evenlight/calib"
)

func ExampleClippedMean() {
	x := []float64{101, 99, 100, 102, 98, 100, 4000, 99} // a hit among bias samples, DN
	c := calib.ClippedMean(x, 4)
	fmt.Printf("%.2f DN, sigma %.2f DN, %d of 8 samples\n", c.Mean, c.Sigma, c.N)
	// Output: 99.86 DN, sigma 1.35 DN, 7 of 8 samples
}

func ExampleFitLadder() {
	// A response that falls short by 2 % at 10 000 DN: lin(v) = v + 2e-6 v^2.
	measured := func(linear float64) float64 { return (math.Sqrt(1+8e-6*linear) - 1) / 4e-6 }
	var rungs []calib.Rung
	for _, exposureS := range []float64{1, 2, 4, 6, 8, 10} {
		rungs = append(rungs, calib.Rung{ExposureS: exposureS, MeanDN: measured(1000 * exposureS), Variance: 0.04})
	}
	fit, err := calib.FitLadder(rungs, 2)
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("c2 = %.2g /DN, lamp %.1f DN/s, good up to %.0f DN\n", fit.Curve[0], fit.RateDNPerS, fit.MaxDN)
	fmt.Printf("uncertainty at the top %.1g\n", fit.RelativeUncertainty(fit.MaxDN))
	// Output:
	// c2 = 2e-06 /DN, lamp 1000.0 DN/s, good up to 9808 DN
	// uncertainty at the top 7e-05
}

func ExampleCombiner() {
	frames := [][]float32{{300, 301}, {302, 299}, {301, 4000}, {299, 300}, {298, 300}} // DN, two pixels
	noise := make([]calib.FrameNoise, len(frames))
	for i := range noise {
		noise[i] = calib.FrameNoise{A: 2.5} // DN^2: read noise and quantisation
	}
	out := calib.Combined{Value: make([]float32, 2), Variance: make([]float32, 2), Samples: make([]int32, 2)}
	calib.NewCombiner(5, noise, 300).Combine(frames, out, new(calib.CombineScratch))
	for p := range out.Value {
		fmt.Printf("%.1f +- %.2f DN from %d frames\n", out.Value[p], math.Sqrt(float64(out.Variance[p])), out.Samples[p])
	}
	// Output:
	// 300.0 +- 0.71 DN from 5 frames
	// 300.0 +- 0.41 DN from 4 frames
}

func ExampleDarkLaw() {
	law := calib.DarkLaw{Kind: "doubling", ReferenceK: 260, IntervalK: 7, RelUncert: 0.05}
	for _, tempK := range []float64{253, 260, 270} {
		fmt.Printf("h(%g K) = %.3f +- %.1f %%\n", tempK, law.At(tempK), 100*law.RelativeUncertainty(tempK, law.ReferenceK))
	}
	// Output:
	// h(253 K) = 0.500 +- 3.5 %
	// h(260 K) = 1.000 +- 0.0 %
	// h(270 K) = 2.692 +- 5.0 %
}

// rows serves a raw frame from memory.
type rows [][]float32

func (r rows) RawRow(y, x0, x1 int, dst []float32) ([]float32, error) { return r[y][x0:x1], nil }

func ExampleChain() {
	whole := calib.Region{X0: 0, X1: 4, Y0: 0, Y1: 3}
	sensor := &calib.Sensor{
		Width: 4, Height: 3, Image: whole, Reference: whole, CeilingDN: 4095, FillDN: math.NaN(),
		Amps:   []calib.Amplifier{{Name: "a", Region: whole, Overscan: calib.Region{X0: 0, X1: 1, Y0: 0, Y1: 3}, GainEPerDN: 2, ReadNoiseE: 4}},
		Offset: calib.OffsetRule{FromOverscan: true, RejectSigma: 4},
	}
	sensor.Image.X0 = 1 // the first column is overscan
	raw := rows{{100, 600, 601, 599}, {101, 598, 4095, 602}, {99, 600, 600, 0}}
	trace, err := calib.MeasureOffset(sensor, 0, raw)
	if err != nil {
		fmt.Println(err)
		return
	}
	chain := calib.NewChain(sensor, []calib.Stage{
		calib.FrameStage{CeilingDN: 4095, FillDN: math.NaN()},
		calib.SaturationStage{LevelDN: []float64{4095}},
		calib.OffsetStage{Rule: sensor.Offset, Traces: []calib.OffsetTrace{trace}},
		calib.GainStage{Amps: sensor.Amps},
	}, nil, nil)
	err = chain.Run(raw, 0, 3, new(calib.Scratch), func(r *calib.Row) error {
		fmt.Println(r.V, r.Flags)
		return nil
	})
	if err != nil {
		fmt.Println(err)
	}
	// Output:
	// [1000 1002 998] [good good good]
	// [996 7990 1004] [good saturated good]
	// [1000 1000 -200] [good good at-floor]
}
