package strips_test

import (
	"fmt"

	"evenlight/calib"
	"evenlight/calib/strips"
)

func ExampleAssemble() {
	// A chip of 8 rows carries two filters with two unused rows between; the
	// ground moves by one row a frame.
	chip := []strips.Strip{{Band: "green", Y0: 0, Y1: 3}, {Band: "red", Y0: 5, Y1: 8}}
	var frames []strips.Frame
	for i := range 7 {
		frames = append(frames, strips.Frame{Name: fmt.Sprintf("fescue-%d", i+1), TimeS: float64(i), Offset: strips.Offset{DY: float64(i)}})
	}
	load := func(i int) (*calib.Raster, error) {
		r := calib.NewRaster(4, 8)
		for p := range r.Value {
			r.Value[p], r.Variance[p] = float32(100+p/4-i), 6 // brighter row by row of the ground
		}
		return r, nil
	}
	images, grid, err := strips.Assemble(chip, frames, load, strips.Options{}, 1)
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("ground of %d x %d pixels from row %d of the first frame\n", grid.Width, grid.Height, grid.Y0)
	for _, m := range images {
		i := 6 * grid.Width // first frame's row 0
		fmt.Printf("%s: %g, variance %g, seen by %g frames, chi-square %g\n", m.Band, m.Raster.Value[i], m.Raster.Variance[i], m.Coverage[i], m.ChiSquare)
	}
	// Output:
	// ground of 4 x 14 pixels from row -6 of the first frame
	// green: 100, variance 2, seen by 3 frames, chi-square 0
	// red: 100, variance 3, seen by 2 frames, chi-square 0
}
