package hits

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"
)

// medianBox is the median of each pixel's box of so many pixels, smaller at the
// edges.
func medianBox(v []float64, size, reach int) []float64 {
	out := make([]float64, len(v))
	var box []float64
	for i := range v {
		box = box[:0]
		for y := max(0, i/size-reach); y <= min(size-1, i/size+reach); y++ {
			box = append(box, v[y*size+max(0, i%size-reach):y*size+min(size-1, i%size+reach)+1]...)
		}
		slices.Sort(box)
		out[i] = box[len(box)/2]
	}
	return out
}

// subsampledLaplacian is the Laplacian of van Dokkum (2001), section 3 (from
// memory): pixels are cut in four, the differences to the four neighbours of a
// part summed, and the mean of the four parts taken, with negative ones left
// out if clip.
func subsampledLaplacian(v []float64, size int, clip bool) []float64 {
	n := 2 * size
	at := func(x, y int) float64 {
		x, y = min(max(x, 0), n-1), min(max(y, 0), n-1)
		return v[y/2*size+x/2]
	}
	out := make([]float64, len(v))
	for y := range n {
		for x := range n {
			l := 4*at(x, y) - at(x-1, y) - at(x+1, y) - at(x, y-1) - at(x, y+1)
			if l < 0 && clip {
				l = 0
			}
			out[y/2*size+x/2] += l / 4
		}
	}
	return out
}

// laplacianEdges is the first round of van Dokkum's method (2001, PASP 113,
// 1420; from memory), with his limits for well-sampled images: a significance
// of 5 above its median of 5 pixels, and a Laplacian of twice the fine
// structure.
func laplacianEdges(o *observed) []bool {
	v := make([]float64, len(o.Value))
	for i, x := range o.Value {
		v[i] = float64(x)
	}
	l := subsampledLaplacian(v, o.size, true)
	smooth := medianBox(v, o.size, 2)
	s := make([]float64, len(v))
	for i := range s {
		s[i] = l[i] / 2 / math.Sqrt(max(smooth[i], 0)+readNoiseE*readNoiseE)
	}
	large := medianBox(s, o.size, 2)
	m3 := medianBox(v, o.size, 1)
	m7 := medianBox(m3, o.size, 3)
	out := make([]bool, len(v))
	for i := range out {
		out[i] = s[i]-large[i] > 5 && l[i] > 2*max(m3[i]-m7[i], 0.01)
	}
	return out
}

// The package comment says that cutting pixels in four and summing is the same
// as twice the difference to the mean of four neighbours. Differences are of
// whole numbers here, so the agreement is exact.
func TestTheLaplacianOfPartsIsTwiceTheDifference(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 3))
	const size = 16
	o := &observed{size: size, Raster: *newImageRaster(size)}
	v := make([]float64, size*size)
	for i := range v {
		v[i] = float64(r.IntN(1000))
		o.Value[i], o.Variance[i] = float32(v[i]), 1
	}
	want := subsampledLaplacian(v, size, false)
	d, err := NewDetector(usual(2))
	if err != nil {
		t.Fatal(err)
	}
	w := d.Worker().(*worker)
	w.b = o.block()
	w.load()
	for y := 1; y < size-1; y++ {
		for x := 1; x < size-1; x++ {
			all := meanOf(w.like(x-1, y, 0), w.like(x+1, y, 0), w.like(x, y-1, 0), w.like(x, y+1, 0))
			if got := 2 * (v[y*size+x] - float64(all.v)); got != want[y*size+x] {
				t.Fatalf("column %d, row %d: %g, want %g", x, y, got, want[y*size+x])
			}
		}
	}
}
