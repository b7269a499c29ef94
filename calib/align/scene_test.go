package align

import (
	"math"
	"math/rand/v2"

	"evenlight/calib"
)

func newRand(seed uint64) *rand.Rand { return rand.New(rand.NewPCG(seed, 20)) }

// blob is a Gaussian spot, so that a scene of them is known exactly at any
// displacement. From a width of 1.2 px on its spectrum at the Nyquist
// frequency is below 1e-3 of its maximum.
type blob struct{ x, y, sigma, height float64 }

// ground is a scene of blobs of widths from 1.2 to 6 px, with as many of them
// per pixel at any size of the image.
func ground(seed uint64, width, height int) []blob {
	rng := newRand(seed)
	const margin = 40 // px, so that what a displacement brings in is scene too
	w, h := float64(width+2*margin), float64(height+2*margin)
	blobs := make([]blob, int(w*h/60))
	for i := range blobs {
		sigma := 1.2 * math.Pow(5, rng.Float64())
		blobs[i] = blob{rng.Float64()*w - margin, rng.Float64()*h - margin, sigma, 60 * rng.NormFloat64()}
	}
	return blobs
}

// render paints the scene displaced by dx, dy on top of a level.
func render(blobs []blob, width, height int, level, dx, dy float64) *calib.Raster {
	sum := make([]float64, width*height)
	for i := range sum {
		sum[i] = level
	}
	for _, b := range blobs {
		paint(sum, width, height, blob{b.x + dx, b.y + dy, b.sigma, b.height})
	}
	r := calib.NewRaster(width, height)
	for i, v := range sum {
		r.Value[i] = float32(v)
	}
	return r
}

func paint(sum []float64, width, height int, b blob) {
	const far = 6 // sigmas, where the spot is 1.5e-8 of its height
	x0, x1 := max(0, int(b.x-far*b.sigma)), min(width, int(b.x+far*b.sigma)+2)
	y0, y1 := max(0, int(b.y-far*b.sigma)), min(height, int(b.y+far*b.sigma)+2)
	if x0 >= x1 {
		return
	}
	along := make([]float64, x1-x0)
	for i := range along {
		u := (float64(x0+i) - b.x) / b.sigma
		along[i] = b.height * math.Exp(-u*u/2)
	}
	for y := y0; y < y1; y++ {
		u := (float64(y) - b.y) / b.sigma
		down := math.Exp(-u * u / 2)
		for i, v := range along {
			sum[y*width+x0+i] += v * down
		}
	}
}

// noisy returns a copy with normal noise of the given standard deviation, and
// its variance.
func noisy(r *calib.Raster, sigma float64, rng *rand.Rand) *calib.Raster {
	out := calib.NewRaster(r.Width, r.Height)
	copy(out.Flags, r.Flags)
	for i, v := range r.Value {
		out.Value[i] = v + float32(sigma*rng.NormFloat64())
		out.Variance[i] = float32(sigma * sigma)
	}
	return out
}

// recast changes contrast and offset, as another band does.
func recast(r *calib.Raster, gain, offset float64) *calib.Raster {
	out := calib.NewRaster(r.Width, r.Height)
	copy(out.Flags, r.Flags)
	for i, v := range r.Value {
		out.Value[i] = float32(gain*float64(v) + offset)
		out.Variance[i] = float32(gain * gain * float64(r.Variance[i]))
	}
	return out
}
