package simulate

import (
	"math"
	"testing"

	"evenlight/configs"
)

// A point becomes a Gaussian whose neighbours have 2^(-4 d^2/w^2) of its middle
// at distance d, and no light is lost; without the section the scene is as it was.
func TestOpticsMakeAPointAGaussian(t *testing.T) {
	const w = 2.4
	p := smallCamera()
	p.Detectors[0].Hits = &configs.Hits{PointFWHMPixels: w}
	s := mustNew(t, p, Options{Seed: 1})
	width, height := s.ImageWidth(), s.ImageHeight()
	scene := make([]float32, width*height)
	x, y := width/2, height/2
	scene[y*width+x] = 1000
	got := s.throughOptics(scene)
	sum := 0.0
	for i, v := range got {
		sum += float64(v)
		d2 := float64((i%width-x)*(i%width-x) + (i/width-y)*(i/width-y))
		want := float64(got[y*width+x]) * math.Exp2(-4*d2/(w*w))
		if d2 < 20 && math.Abs(float64(v)-want) > 1e-4*want+1e-4 {
			t.Errorf("at distance %.2f: %g, want %g", math.Sqrt(d2), v, want)
		}
	}
	if math.Abs(sum-1000) > 0.01 {
		t.Errorf("%g of 1000 are left", sum)
	}
	even := make([]float32, width*height)
	for i := range even {
		even[i] = 7
	}
	for i, v := range s.throughOptics(even) {
		if math.Abs(float64(v)-7) > 1e-5 {
			t.Fatalf("pixel %d of an even scene: %g, want 7", i, v)
		}
	}
	p.Detectors[0].Hits = nil
	if ideal := mustNew(t, p, Options{Seed: 1}).throughOptics(scene); &ideal[0] != &scene[0] {
		t.Error("ideal optics change the scene")
	}
}
