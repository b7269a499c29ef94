package fill

import (
	"math"

	"evenlight/calib"
)

// window holds the sound pixels around a pixel; NaN where there is none.
type window struct {
	value    []float64 // less that of origin, so that squares keep their digits
	variance []float64
	flags    []calib.Flags
	origin   float64 // of the first sound pixel, in reading order
}

// rounding is the relative variance of a value rounded to single precision:
// an error evenly within half a unit in the last place.
const rounding = 0x1p-24 * 0x1p-24 / 3

// leastVariance keeps what has no noise at all from dividing by zero; it is far
// below the square of any single-precision number.
const leastVariance = 1e-100

// fitting holds the flags with which a pixel still shows the scene, and so may
// serve its neighbours; they inherit them.
const fitting = calib.OffsetUnsure | calib.SmearUnsure | calib.LineSmear | calib.ResidualUnsure | calib.Moved

// sound tells whether a pixel may serve others.
func sound(v, variance float32, f calib.Flags) bool {
	return f&^fitting == 0 && v-v == 0 && variance-variance == 0 && variance >= 0
}

// load takes the window around a pixel from a block. Values are relative to
// that of the first sound one, if there is any.
func (w *window) load(g *geometry, b *calib.Block, x, y int) {
	nan := math.NaN()
	origin := nan
	for i := range w.value {
		w.value[i] = nan
	}
	for wy := -g.reachY; wy <= g.reachY; wy++ {
		yy := y + wy
		if yy < max(0, b.Top) || yy >= b.Top+b.Height || !g.together(y, yy) {
			continue
		}
		x0, x1 := max(0, x-g.reachX), min(b.Width, x+g.reachX+1)
		from := b.At(yy) + x0
		to := (wy+g.reachY)*g.stride + x0 - x + g.reachX
		for i := range x1 - x0 {
			v, q, f := b.Value[from+i], b.Variance[from+i], b.Flags[from+i]
			if !sound(v, q, f) {
				continue
			}
			if origin != origin {
				origin = float64(v)
			}
			w.value[to+i] = float64(v) - origin
			w.variance[to+i] = max(float64(q)+float64(v)*float64(v)*rounding, leastVariance)
			w.flags[to+i] = f
		}
	}
	w.origin = origin
}
