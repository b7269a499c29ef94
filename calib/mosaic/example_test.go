package mosaic_test

import (
	"fmt"

	"evenlight/calib"
	"evenlight/calib/mosaic"
)

// The camera brindle has two green pixels for each red and blue one.
func ExampleInterpolate() {
	pattern, err := mosaic.New([][]string{{"red", "green"}, {"green", "blue"}})
	if err != nil {
		fmt.Println(err)
		return
	}
	levels := map[string]float32{"red": 0.5, "green": 0.25, "blue": 0.125}
	frame := calib.NewRaster(32, 32)
	for i := range frame.Value {
		frame.Value[i] = levels[pattern.Colours()[pattern.At(i%32, i/32)]]
		frame.Variance[i] = 1e-4
	}
	planes, err := mosaic.Interpolate(frame, pattern, 2)
	if err != nil {
		fmt.Println(err)
		return
	}
	for c, name := range pattern.Colours() {
		i := 16*32 + 16
		fmt.Printf("%s %.3f %v\n", name, planes[c].Value[i], planes[c].Flags[i])
	}
	// Output:
	// red 0.500 good
	// green 0.250 interpolated
	// blue 0.125 interpolated
}

// A trimmed image begins somewhere else in the pattern.
func ExamplePattern_Shift() {
	pattern, err := mosaic.New([][]string{{"red", "green"}, {"green", "blue"}})
	if err != nil {
		fmt.Println(err)
		return
	}
	trimmed := pattern.Shift(5, 1)
	fmt.Println(trimmed.Colours()[trimmed.At(0, 0)])
	fmt.Println(trimmed.Divides(1023, 512))
	// Output:
	// blue
	// a frame of 1023 columns and 512 rows is no whole number of colour patterns of 2 columns and 2 rows: check the image region and the pattern
}

// Planes can be made a band of rows at a time, in memory that is used again.
func ExampleInterpolator_Rows() {
	pattern, err := mosaic.New([][]string{{"red", "clear"}, {"clear", "blue"}})
	if err != nil {
		fmt.Println(err)
		return
	}
	frame := calib.NewRaster(64, 64)
	ip, err := mosaic.NewInterpolator(frame, pattern, mosaic.Sharp, 2)
	if err != nil {
		fmt.Println(err)
		return
	}
	band := []*calib.Raster{calib.NewRaster(64, 16), calib.NewRaster(64, 16), calib.NewRaster(64, 16)}
	interpolated := 0
	for y := 0; y < frame.Height; y += 16 {
		if err := ip.Rows(band, y); err != nil {
			fmt.Println(err)
			return
		}
		for _, plane := range band {
			for _, f := range plane.Flags {
				interpolated += int(f&calib.Interpolated) / int(calib.Interpolated)
			}
		}
	}
	fmt.Println(64*64*3-interpolated, "samples are measured")
	// Output: 4096 samples are measured
}
