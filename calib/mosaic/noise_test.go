package mosaic

import (
	"math"
	"math/rand/v2"
	"testing"

	"evenlight/calib"
)

// leaves is a scene of discs that hide one another, of many sizes, each of a
// colour of its own and with a soft edge: edges and contrasts are spread as in
// photographs (dead leaves model; Lee, Mumford & Huang 2001, from memory).
func leaves(width, height int, seed uint64) []*calib.Raster {
	rng := rand.New(rand.NewPCG(seed, 0))
	planes := []*calib.Raster{calib.NewRaster(width, height), calib.NewRaster(width, height), calib.NewRaster(width, height)}
	for range width * height / 20 {
		radius := 2.5 / math.Sqrt(rng.Float64()+0.003)
		cx, cy := rng.Float64()*float64(width), rng.Float64()*float64(height)
		bright := 40 + 180*rng.Float64()
		var colour [3]float64
		for c := range colour {
			colour[c] = bright * (0.85 + 0.3*rng.Float64())
		}
		x0, x1 := max(0, int(cx-radius-1)), min(width-1, int(cx+radius+2))
		y0, y1 := max(0, int(cy-radius-1)), min(height-1, int(cy+radius+2))
		for y := y0; y <= y1; y++ {
			for x := x0; x <= x1; x++ {
				cover := min(1, max(0, (radius+0.9-math.Hypot(float64(x)-cx, float64(y)-cy))/1.8))
				for c := range planes {
					v := &planes[c].Value[y*width+x]
					*v += float32(cover) * (float32(colour[c]) - *v)
				}
			}
		}
	}
	return planes
}

// exposeNoisy gives each sample normal noise of its own variance.
func exposeNoisy(noisy, m *calib.Raster, rng *rand.Rand) {
	for i, v := range m.Value {
		noisy.Value[i] = v + float32(math.Sqrt(float64(m.Variance[i]))*rng.NormFloat64())
		noisy.Variance[i] = m.Variance[i]
	}
}

// scatter repeats a frame and gives, for each colour and pixel, the variance
// between the frames and the mean of the stated ones.
func scatter(t *testing.T, m *calib.Raster, p *Pattern, method Method, frames int) (found, stated [][]float64) {
	t.Helper()
	rng := rand.New(rand.NewPCG(9, 9))
	noisy := calib.NewRaster(m.Width, m.Height)
	copy(noisy.Flags, m.Flags)
	var first []*calib.Raster
	sum := make([][]float64, len(p.Colours()))
	found, stated = make([][]float64, len(sum)), make([][]float64, len(sum))
	for c := range sum {
		sum[c], found[c], stated[c] = make([]float64, len(m.Value)), make([]float64, len(m.Value)), make([]float64, len(m.Value))
	}
	n := float64(frames)
	for f := range frames {
		exposeNoisy(noisy, m, rng)
		planes, err := interpolate(noisy, p, method, 2)
		if err != nil {
			t.Fatal(err)
		}
		if f == 0 {
			first = planes
		}
		for c, plane := range planes {
			for i, v := range plane.Value {
				d := float64(v) - float64(first[c].Value[i])
				sum[c][i] += d
				found[c][i] += d * d
				stated[c][i] += float64(plane.Variance[i]) / n
			}
		}
	}
	for c := range sum {
		for i := range sum[c] {
			found[c][i] = (found[c][i] - sum[c][i]*sum[c][i]/n) / (n - 1)
		}
	}
	return found, stated
}

// unevenNoise sets variances that differ between colours, pixels and rows, so
// that a variance that mixes up its samples is found out.
func unevenNoise(m *calib.Raster, p *Pattern, level float64) {
	rng := rand.New(rand.NewPCG(5, 5))
	for y := range m.Height {
		for x := range m.Width {
			m.Variance[y*m.Width+x] = float32(level * float64(1+p.At(x, y)) * (1 + rng.ExpFloat64()))
		}
	}
}

// The variance between n frames has a relative standard deviation of
// √(2/(n-1)) at each pixel; the mean over a class of pixels has less by the
// root of their number, or of a tenth of it as neighbours are correlated.
func classTolerance(frames, pixels int) float64 {
	return 5 * math.Sqrt(2/float64(frames-1)) / math.Sqrt(float64(pixels)/10)
}

// For weights that do not depend on the samples, variances are exact, also at
// borders and next to dead pixels.
func TestVarianceOfFixedWeightsIsExact(t *testing.T) {
	const frames = 60
	for _, c := range patterns {
		for _, method := range []Method{Sharp, Plain} {
			p := mustNew(t, c.cells)
			if method == Sharp && p.diagonal() >= 0 {
				continue
			}
			m := calib.NewRaster(96, 96)
			m.Flags[30*96+41] = calib.Dead
			unevenNoise(m, p, 4)
			found, stated := scatter(t, m, p, method, frames)
			for cell := range p.width * p.height {
				for colour := range p.colours {
					if int(p.cells[cell]) == colour {
						continue
					}
					ratio, n := 0.0, 0
					for y := cell / p.width; y < m.Height; y += p.height {
						for x := cell % p.width; x < m.Width; x += p.width {
							ratio += found[colour][y*m.Width+x] / stated[colour][y*m.Width+x]
							n++
						}
					}
					ratio /= float64(n)
					if tolerance := max(0.03, classTolerance(frames, n)); math.Abs(ratio-1) > tolerance {
						t.Errorf("%s, method %d, cell %d, colour %d: variance %.3f of the stated one, tolerance %.3f",
							c.name, method, cell, colour, ratio, tolerance)
					}
				}
			}
		}
	}
}

// Where directions are weighed by the samples, the scatter of their shares
// adds some hundredths. At no level of noise, from far below the contrasts of
// the scene to far above, and in no class of pixels, even or rich in detail,
// is the variance off by more than the stated factors.
func TestVarianceOfBlendedDirectionsIsHonest(t *testing.T) {
	const frames = 24
	p := mustNew(t, rggb)
	planes := leaves(160, 160, 8)
	for _, level := range []float64{0.1, 1, 10, 100, 1000} {
		m, _ := sampled(planes, p)
		unevenNoise(m, p, level)
		found, stated := scatter(t, m, p, Sharp, frames)
		classes := map[string][2]float64{}
		for c := range found {
			for y := 8; y < m.Height-8; y++ {
				for x := 8; x < m.Width-8; x++ {
					if p.At(x, y) == c {
						continue
					}
					i := y*m.Width + x
					name := p.colours[c] + " at " + p.colours[p.At(x, y)]
					for _, class := range []string{name, name + ", " + contrast(planes[1], x, y)} {
						s := classes[class]
						classes[class] = [2]float64{s[0] + found[c][i], s[1] + stated[c][i]}
					}
				}
			}
		}
		for name, s := range classes {
			if ratio := s[0] / s[1]; ratio < 0.97 || ratio > 1.08 {
				t.Errorf("noise level %g, %s: variance %.3f of the stated one", level, name, ratio)
			}
		}
	}
}

// contrast names the class of a pixel by how much the scene varies around it.
func contrast(r *calib.Raster, x, y int) string {
	low, high := r.Value[y*r.Width+x], r.Value[y*r.Width+x]
	for yy := y - 2; yy <= y+2; yy++ {
		for xx := x - 2; xx <= x+2; xx++ {
			low, high = min(low, r.Value[yy*r.Width+xx]), max(high, r.Value[yy*r.Width+xx])
		}
	}
	switch {
	case high-low < 2:
		return "even"
	case high-low < 50:
		return "some contrast"
	}
	return "edge"
}

// Next to dead pixels and borders a pixel may take one direction only.
func TestVarianceNextToGapsIsHonest(t *testing.T) {
	const frames = 60
	p := mustNew(t, rggb)
	m, _ := sampled(leaves(96, 96, 8), p)
	unevenNoise(m, p, 10)
	dead := 0
	for y := 6; y < 96; y += 9 {
		for x := 5; x < 96; x += 8 {
			m.Flags[y*96+x] |= calib.Dead
			dead++
		}
	}
	found, stated := scatter(t, m, p, Sharp, frames)
	for c := range found {
		f, s := 0.0, 0.0
		for i := range found[c] {
			if p.At(i%96, i/96) != c {
				f += found[c][i]
				s += stated[c][i]
			}
		}
		if ratio := f / s; ratio < 0.97 || ratio > 1.08 {
			t.Errorf("%d dead pixels, %s: variance %.3f of the stated one", dead, p.colours[c], ratio)
		}
	}
}
