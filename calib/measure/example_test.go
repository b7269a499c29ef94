package measure_test

import (
	"fmt"
	"math"
	"math/rand/v2"

	"evenlight/calib/measure"
)

// frame is an even frame of a sensor with 2 e-/DN and 8 e- of read noise, DN
// above offset.
func frame(rng *rand.Rand, electrons float64) []float32 {
	row := make([]float32, 40_000)
	for i := range row {
		row[i] = float32(math.Round((electrons + math.Sqrt(electrons+64)*rng.NormFloat64()) / 2))
	}
	return row
}

func ExampleFitTransfer() {
	rng := rand.New(rand.NewPCG(1, 2))
	var levels []measure.Level
	for _, electrons := range []float64{0, 500, 4000, 10000, 20000, 40000} {
		var sums measure.PairSums
		sums.Add(frame(rng, electrons), frame(rng, electrons)) // usually row by row
		pair := sums.Pair()
		levels = append(levels, measure.Level{Mean: pair.Mean, Variance: pair.Variance})
	}
	t, err := measure.FitTransfer(levels, measure.TransferOptions{Order: 1})
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("gain %.3f +- %.3f e-/DN, read noise %.2f +- %.2f e-\n", t.Gain.Value, t.Gain.U, t.ReadNoise.Value, t.ReadNoise.U)
	fmt.Printf("full well reached: %t, above %.0f e-\n", t.FullWell.Reached, t.FullWell.E.Value)
	// Output:
	// gain 2.004 +- 0.007 e-/DN, read noise 8.04 +- 0.04 e-
	// full well reached: false, above 40080 e-
}

func ExampleFitDark() {
	points := []measure.DarkPoint{
		{TempK: 253.15, Rate: measure.Figure{Value: 2.49, U: 0.05}},
		{TempK: 260.15, Rate: measure.Figure{Value: 5.03, U: 0.05}},
		{TempK: 267.15, Rate: measure.Figure{Value: 9.94, U: 0.05}},
		{TempK: 274.15, Rate: measure.Figure{Value: 20.1, U: 0.1}},
	}
	d, err := measure.FitDark(points, measure.Doubling, 263.15)
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("%.2f +- %.2f e-/s at 263.15 K, doubles every %.2f +- %.2f K\n", d.Rate.Value, d.Rate.U, d.Parameter.Value, d.Parameter.U)
	// Output: 6.71 +- 0.03 e-/s at 263.15 K, doubles every 6.97 +- 0.04 K
}

func ExampleLinearityError() {
	var levels []measure.Exposed
	for t := 1.0; t <= 9; t++ {
		levels = append(levels, measure.Exposed{ExposureS: t, Mean: measure.Figure{Value: 1000*t - 2*t*t, U: 0.5}})
	}
	l, err := measure.LinearityError(levels, 10000)
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("LE %.3f +- %.3f %% over %d levels\n", l.Error.Value, l.Error.U, len(l.Levels))
	// Output: LE 0.269 +- 0.006 % over 9 levels
}

func ExampleSpatial() {
	plane := measure.NewSpatial(4) // means of darks, DN
	plane.AddRow(0, 1, []float32{10, 12, 10, 12})
	plane.AddRow(0, 1, []float32{11, 13, 11, 13})
	plane.AddRow(0, 1, []float32{12, 14, 12, 14})
	p := plane.Pattern(measure.Figure{}) // no temporal noise
	d := measure.DSNU(p, measure.Figure{Value: 2})
	fmt.Printf("rows %.2f, columns %.2f, pixels %.2f e-\n", d.Row.Value, d.Column.Value, d.Pixel.Value)
	// Output: rows 2.00, columns 2.31, pixels 0.00 e-
}

func ExampleTestDrift() {
	var flats []measure.Timed
	for i, mean := range []float64{20010, 20001, 19994, 19983, 19972} {
		flats = append(flats, measure.Timed{TimeS: 60 * float64(i), Mean: measure.Figure{Value: mean, U: 2}})
	}
	d, err := measure.TestDrift(flats, 0.001)
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("trend %.2g +- %.1g per second, beyond chance: %t; scatter beyond chance: %t\n", d.Trend.Value, d.Trend.U, d.Trending, d.Scattered)
	// Output: trend -7.8e-06 +- 5e-07 per second, beyond chance: true; scatter beyond chance: false
}
