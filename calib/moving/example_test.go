package moving_test

import (
	"fmt"
	"math"
	"math/rand/v2"

	"evenlight/calib"
	"evenlight/calib/moving"
)

// A cloud of dust drifts by 12 px to the right from band to band. The bands
// were exposed 30 s apart, and a pixel is 40 m on the ground.
func ExampleFind() {
	noise := rand.New(rand.NewPCG(1, 2))
	var bands []*calib.Raster
	for b := range 3 {
		r := calib.NewRaster(256, 256)
		for i := range r.Value {
			dx, dy := float64(i%256)-float64(100+12*b), float64(i/256)-130
			r.Value[i] = float32(40*(1+0.2*math.Exp(-(dx*dx+dy*dy)/72)) + 0.1*noise.NormFloat64())
			r.Variance[i] = 0.01
		}
		bands = append(bands, r)
	}
	movers, err := moving.Find(bands, []float64{0, 30, 60}, moving.Options{MetrePerPx: 40}, 2)
	if err != nil {
		fmt.Println(err)
		return
	}
	for _, m := range movers {
		fmt.Printf("at %.0f, %.0f to %.0f, %.0f; contrast %.1f; size %.0f px; %s\n",
			m.Positions[0].X, m.Positions[0].Y, m.Positions[2].X, m.Positions[2].Y, m.Contrast, m.SizePx, m.Motion)
		fmt.Printf("%.1f px/s, %.0f m/s\n", m.Velocity.Speed, m.Velocity.GroundSpeed)
	}
	// Output:
	// at 100, 130 to 124, 130; contrast 0.2; size 6 px; consistent
	// 0.4 px/s, 16 m/s
}
