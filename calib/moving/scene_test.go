package moving

import (
	"math"
	"math/rand/v2"

	"evenlight/calib"
)

// The test scene is its own: an analytic ground, seen by bands of unlike
// level, with Gaussian blobs at known places and noise of known variance.

// land is a round feature of the ground.
type land struct {
	x, y, sigma float64
	colour      [4]float64 // change of the albedo in each band, relative
	slopeX      float64    // of a crater's shading, relative brightness at one sigma
	slopeY      float64
}

// blob is a mover of the scene.
type blob struct {
	at       []point // in each band
	sigma    float64
	contrast float64
}

// scene describes what the bands see.
type scene struct {
	width, height int
	bands         int
	level         float64 // of the first band
	noise         float64 // standard deviation at that level, relative
	land          []land
	blobs         []blob
	shift         [4]point // misalignment of each band
	disc          bool     // a moon before dark sky
}

// bandLevel scales the bands against one another.
var bandLevel = [4]float64{1, 1.4, 0.7, 1.1}

// landscape draws a ground of craters and of coloured patches: albedo that
// changes by up to 35 % in all bands and by up to 8 % more between bands next
// to one another.
func landscape(rng *rand.Rand, width, height int) []land {
	between := func(a, b float64) float64 { return a + (b-a)*rng.Float64() }
	var all []land
	area := float64(width*height) / (512 * 512)
	for range int(24 * area) {
		grey, tint := between(-0.35, 0.35), between(-0.08, 0.08)
		f := land{x: between(0, float64(width)), y: between(0, float64(height)), sigma: between(12, 53)}
		for b := range f.colour {
			f.colour[b] = grey + tint*(float64(b)-1)
		}
		all = append(all, f)
	}
	for range int(70 * area) {
		turn, steep := between(0, 2*math.Pi), between(0.1, 0.5)
		all = append(all, land{
			x: between(0, float64(width)), y: between(0, float64(height)),
			sigma: 2 * math.Pow(between(0.03, 1), -0.7), slopeX: steep * math.Cos(turn), slopeY: steep * math.Sin(turn),
		})
	}
	return all
}

// add multiplies the ground by the feature over the places that it reaches.
func (f *land) add(ground []float64, width, height, band int, shift point) {
	stampGauss(width, height, f.x+shift.x, f.y+shift.y, f.sigma, func(i int, m, dx, dy float64) {
		ground[i] *= 1 + m*(f.colour[band]+(f.slopeX*dx+f.slopeY*dy)/f.sigma)
	})
}

// stampGauss calls do within five sigma with the value of a Gaussian.
func stampGauss(width, height int, cx, cy, sigma float64, do func(i int, m, dx, dy float64)) {
	reach := 5 * sigma
	for y := max(0, int(cy-reach)); y <= min(height-1, int(cy+reach)); y++ {
		for x := max(0, int(cx-reach)); x <= min(width-1, int(cx+reach)); x++ {
			dx, dy := float64(x)-cx, float64(y)-cy
			do(y*width+x, math.Exp(-(dx*dx+dy*dy)/(2*sigma*sigma)), dx, dy)
		}
	}
}

// expose returns the bands. Half of the variance is shot noise, half is the
// same everywhere.
func (s *scene) expose(rng *rand.Rand) []*calib.Raster {
	var bands []*calib.Raster
	for b := range s.bands {
		level := s.level * bandLevel[b]
		ground := make([]float64, s.width*s.height)
		for i := range ground {
			ground[i] = level * s.cover(float64(i%s.width)-s.shift[b].x, float64(i/s.width)-s.shift[b].y)
		}
		for i := range s.land {
			s.land[i].add(ground, s.width, s.height, b, s.shift[b])
		}
		for _, m := range s.blobs {
			stampGauss(s.width, s.height, m.at[b].x, m.at[b].y, m.sigma, func(i int, v, _, _ float64) {
				ground[i] *= 1 + m.contrast*v
			})
		}
		r := calib.NewRaster(s.width, s.height)
		whole := s.noise * s.noise * level * level
		for i, v := range ground {
			variance := whole * (0.5 + 0.5*max(v, 0)/level)
			r.Value[i] = float32(v + math.Sqrt(variance)*rng.NormFloat64())
			r.Variance[i] = float32(variance)
		}
		bands = append(bands, r)
	}
	return bands
}

// cover is the brightness of the bare ground: 1, or a half-lit ball before
// the sky.
func (s *scene) cover(x, y float64) float64 {
	if !s.disc {
		return 1
	}
	radius := 0.42 * float64(min(s.width, s.height))
	dx, dy := (x-0.52*float64(s.width))/radius, (y-0.48*float64(s.height))/radius
	far := math.Hypot(dx, dy)
	edge := min(max((1-far)*radius+0.5, 0), 1)
	dz := math.Sqrt(max(0, 1-far*far))
	return edge * max(0, -0.75*dx-0.2*dy+0.63*dz)
}

// track returns places at even steps.
func track(x, y, stepX, stepY float64, bands int) []point {
	var at []point
	for b := range bands {
		at = append(at, point{x + stepX*float64(b), y + stepY*float64(b)})
	}
	return at
}

// times returns even times, dt apart.
func evenTimes(bands int, dt float64) []float64 {
	var t []float64
	for b := range bands {
		t = append(t, dt*float64(b))
	}
	return t
}

func newRNG(seed uint64) *rand.Rand { return rand.New(rand.NewPCG(seed, 17)) }
