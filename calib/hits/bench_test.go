package hits

import (
	"math/rand/v2"
	"testing"

	"evenlight/calib"
)

// BenchmarkDetector searches frames of 1024 x 1024 pixels on one core.
func BenchmarkDetector(b *testing.B) {
	src := rand.NewPCG(1, 1)
	r := rand.New(src)
	const size = 1024
	for _, c := range []struct {
		name string
		im   image
	}{{"even", newImage(size, 5000)}, {"craters", ground(size, 2, 10000, 4)}} {
		b.Run(c.name, func(b *testing.B) {
			o := observe(b, c.im, strike(c.im, shapes[3], 30), nil, r, src)
			d, err := NewDetector(usual(2))
			if err != nil {
				b.Fatal(err)
			}
			w := d.Worker()
			block := &calib.Block{Raster: o.Raster, ImageRows: size}
			b.ReportAllocs()
			for b.Loop() {
				w.Apply(block, 0, size)
			}
			b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/(size*size), "ns/pixel")
		})
	}
}
