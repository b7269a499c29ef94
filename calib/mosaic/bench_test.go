package mosaic

import (
	"math/rand/v2"
	"testing"

	"evenlight/calib"
)

// benchmarkFrame is a noisy even scene of 2048 by 2048 pixels. One pixel in
// every gap is dead; 0: none.
func benchmarkFrame(gap int) *calib.Raster {
	r := calib.NewRaster(2048, 2048)
	rng := rand.New(rand.NewPCG(1, 2))
	for i := range r.Value {
		r.Value[i], r.Variance[i] = 1000+30*float32(rng.NormFloat64()), 900
		if gap > 0 && rng.IntN(gap) == 0 {
			r.Flags[i] = calib.Dead
		}
	}
	return r
}

func BenchmarkFill(b *testing.B) {
	for _, c := range []struct {
		name   string
		cells  [][]string
		gap    int
		method Method
	}{
		{"TwoGreens", rggb, 0, Sharp},
		{"TwoGreensPlain", rggb, 0, Plain},
		{"TwoGreensDead1000", rggb, 1000, Sharp},
		{"TwoGreensDead15", rggb, 15, Sharp},
		{"Clear", clear2, 0, Sharp},
		{"ClearDead1000", clear2, 1000, Sharp},
		{"ClearDead15", clear2, 15, Sharp},
		{"Sparse", sparse, 0, Sharp},
	} {
		b.Run(c.name, func(b *testing.B) {
			m, p := benchmarkFrame(c.gap), mustNew(b, c.cells)
			planes := newPlanes(m, p)
			for b.Loop() {
				ip, err := NewInterpolator(m, p, c.method, 2)
				if err != nil {
					b.Fatal(err)
				}
				if err := ip.Fill(planes, 2); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}

// BenchmarkInterpolate has the memory of the planes in its time.
func BenchmarkInterpolate(b *testing.B) {
	m, p := benchmarkFrame(0), mustNew(b, rggb)
	for b.Loop() {
		if _, err := Interpolate(m, p, 2); err != nil {
			b.Fatal(err)
		}
	}
}

func newPlanes(m *calib.Raster, p *Pattern) []*calib.Raster {
	planes := make([]*calib.Raster, len(p.Colours()))
	for c := range planes {
		planes[c] = calib.NewRaster(m.Width, m.Height)
	}
	return planes
}
