package align_test

import (
	"fmt"
	"math"

	"evenlight/calib"
	"evenlight/calib/align"
)

// hills is a smooth scene, displaced by dx, dy, with a contrast of its own.
func hills(contrast, dx, dy float64) *calib.Raster {
	const size = 128
	r := calib.NewRaster(size, size)
	for i := range r.Value {
		x, y := float64(i%size)-dx, float64(i/size)-dy
		v := math.Sin(x/3.1+math.Sin(y/9)) + math.Sin(y/2.7+2*math.Sin(x/11)) + math.Sin((x+y)/4.3)
		r.Value[i], r.Variance[i] = float32(1000+contrast*v), 4
	}
	return r
}

func ExampleFind() {
	red, blue := hills(100, 0, 0), hills(60, 2.4, -1.3)
	s, err := align.Find(red, blue, align.Options{})
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("displaced by %.2f, %.2f px, contrast %.2f\n", s.DX, s.DY, s.Gain)
	moved := align.Resample(blue, s.DX, s.DY, align.Cubic, 1)
	fmt.Println("pixel 64, 64:", moved.Flags[64*128+64])
	// Output:
	// displaced by 2.40, -1.30 px, contrast 0.60
	// pixel 64, 64: interpolated
}

func ExampleFind_unlikeSizes() {
	_, err := align.Find(calib.NewRaster(64, 64), calib.NewRaster(64, 48), align.Options{})
	fmt.Println(err)
	// Output: images cannot be compared: the reference has 64 x 64 pixels, the other 64 x 48; cut both to the same part of the detector
}

func ExampleFindLocal() {
	field, err := align.FindLocal(hills(100, 0, 0), hills(100, 1.5, 0.5), 64, align.Options{})
	if err != nil {
		fmt.Println(err)
		return
	}
	for _, t := range field.Tiles {
		fmt.Printf("%.1f, %.1f: %.1f, %.1f px\n", t.X, t.Y, t.DX, t.DY)
	}
	// Output:
	// 31.5, 31.5: 1.5, 0.5 px
	// 95.5, 31.5: 1.5, 0.5 px
	// 31.5, 95.5: 1.5, 0.5 px
	// 95.5, 95.5: 1.5, 0.5 px
}

func ExampleCorrelation() {
	x, y := align.Correlation(align.Bilinear, 0.5, 2)
	fmt.Printf("%.2f in rows, %.2f in columns\n", x, y)
	// Output: 0.50 in rows, 0.00 in columns
}

// The source of a row is given as coordinates: here the image is mirrored.
func ExampleResampleMap() {
	r := calib.NewRaster(3, 1)
	copy(r.Value, []float32{1, 2, 3})
	out := align.ResampleMap(r, 3, 1, func(y int, sx, sy []float64) {
		for x := range sx {
			sx[x], sy[x] = float64(2-x), float64(y)
		}
	}, align.Bilinear, 1)
	fmt.Println(out.Value)
	// Output: [3 2 1]
}
