package marks

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"evenlight/calib"
)

// sigmas is the width of every statistical bound here.
const sigmas = 4.5

func within(t *testing.T, what string, got, want, bound float64) {
	t.Helper()
	if !(math.Abs(got-want) <= bound) {
		t.Errorf("%s is %.6g, want %.6g within %.3g", what, got, want, bound)
	}
}

// target is a tube's target as the tests draw it.
type target struct {
	width, height int
	level         float64 // of the ground
	noise         float64 // standard deviation of a pixel
	texture       float64 // relative, of waves from 15 pixels up
	contrast      float64 // of the marks
	stamp         stamp
}

// stamp is the mean over a pixel's square of what a mark takes away, at a
// distance from its centre.
type stamp func(dx, dy float64) float64

// sampled takes the mean over a pixel from n x n places.
func sampled(n int, at func(dx, dy float64) float64) stamp {
	return func(dx, dy float64) float64 {
		sum := 0.0
		for j := range n {
			for i := range n {
				sum += at(dx+(float64(i)+0.5)/float64(n)-0.5, dy+(float64(j)+0.5)/float64(n)-0.5)
			}
		}
		return sum / float64(n*n)
	}
}

// dotStamp is a Gaussian dip.
func dotStamp(sigma float64) stamp {
	return sampled(3, func(dx, dy float64) float64 { return math.Exp(-(dx*dx + dy*dy) / (2 * sigma * sigma)) })
}

// discStamp is a spot with a hard edge.
func discStamp(radius float64) stamp {
	return sampled(15, func(dx, dy float64) float64 {
		if dx*dx+dy*dy < radius*radius {
			return 1
		}
		return 0
	})
}

// crossStamp is two bars with hard edges, by the area that they cover of the
// pixel.
func crossStamp(arm, width float64) stamp {
	covered := func(x, half float64) float64 { return max(0, min(x+0.5, half)-max(x-0.5, -half)) }
	return func(dx, dy float64) float64 {
		x, y := covered(dx, width/2), covered(dy, width/2)
		return covered(dx, arm)*y + x*covered(dy, arm) - x*y
	}
}

// draw makes a frame with marks at the given places.
func (g target) draw(rng *rand.Rand, places [][2]float64) *calib.Raster {
	light := make([]float64, g.width*g.height)
	for i := range light {
		light[i] = 1
	}
	const waves = 12
	for range waves {
		length, angle, phase := 15+45*rng.Float64(), 2*math.Pi*rng.Float64(), 2*math.Pi*rng.Float64()
		kx, ky := 2*math.Pi*math.Cos(angle)/length, 2*math.Pi*math.Sin(angle)/length
		for i := range light {
			light[i] += g.texture * math.Sqrt(2.0/waves) * math.Sin(kx*float64(i%g.width)+ky*float64(i/g.width)+phase)
		}
	}
	const reach = 7
	for _, p := range places {
		for y := int(p[1]) - reach; y <= int(p[1])+reach; y++ {
			for x := int(p[0]) - reach; x <= int(p[0])+reach; x++ {
				if x >= 0 && y >= 0 && x < g.width && y < g.height {
					light[y*g.width+x] *= 1 - g.contrast*g.stamp(float64(x)-p[0], float64(y)-p[1])
				}
			}
		}
	}
	r := calib.NewRaster(g.width, g.height)
	for i, l := range light {
		r.Value[i] = float32(g.level*l + g.noise*rng.NormFloat64())
		r.Variance[i] = float32(g.noise * g.noise)
	}
	return r
}

// grid lays marks out in columns and rows, spacing pixels apart, and expects
// them at their true places.
func grid(columns, rows int, spacing float64) []Mark {
	var out []Mark
	for j := range rows {
		for i := range columns {
			x, y := spacing*(float64(i)+0.75), spacing*(float64(j)+0.75)
			out = append(out, Mark{Name: fmt.Sprintf("%c%d", 'a'+j, i+1), X: x, Y: y, TrueX: x, TrueY: y})
		}
	}
	return out
}

// jitter moves each mark by up to most pixels along both axes.
func jitter(rng *rand.Rand, marks []Mark, most float64) [][2]float64 {
	var out [][2]float64
	for _, m := range marks {
		out = append(out, [2]float64{m.X + most*(2*rng.Float64()-1), m.Y + most*(2*rng.Float64()-1)})
	}
	return out
}
