package fill_test

import (
	"fmt"
	"math"

	"evenlight/calib"
	"evenlight/calib/fill"
)

// A dead pixel in an even field takes the mean of its 16 nearest neighbours,
// whose noise of 4 leaves 4/sqrt(16) = 1.
func ExampleFiller() {
	const side = 41
	b := &calib.Block{Raster: *calib.NewRaster(side, side), ImageRows: side}
	for i := range b.Value {
		b.Value[i], b.Variance[i] = 500, 16
	}
	dead := 20*side + 20
	b.Value[dead], b.Flags[dead] = 3, calib.Dead

	f := fill.NewFiller(calib.Dead, 3, nil)
	w := f.Worker()
	w.Apply(b, 0, side)

	fmt.Printf("%g ± %.2f %v\n", b.Value[dead], math.Sqrt(float64(b.Variance[dead])), b.Flags[dead])
	fmt.Println(f.Name(), f.Settings())
	// Output:
	// 500 ± 1.00 dead+filled
	// fill [{causes dead} {max_depth 3} {neighbours 16} {window 15x15}]
}
