package align

import (
	"math"

	"evenlight/calib"
)

// tile is one tile's part in the normal equations for a step d of the
// displacement: score + slope d is zero but for noise of the variance noise.
type tile struct {
	score   vector
	slope   matrix
	noise   matrix
	inverse matrix // of noise
	weight  float64
	cross   float64 // power that the gradients have in common
	power   float64 // power of the reference's gradient without its noise
	texture bool    // the gradient stands out of its noise
	bent    bool    // the contrast is inverted, or lost
}

// noisePower is the part of the power of the reference's gradient that is
// noise, for each component.
func (t *sums) noisePower(scale int) float64 { return t.u * slopePower(float64(scale)) }

// texturePower is the rest.
func (t *sums) texturePower(scale int) float64 { return t.power.trace() - 2*t.noisePower(scale) }

// textured tells whether there is more texture than noise.
func (t *sums) textured(scale int) bool { return t.texturePower(scale) > t.power.trace()/2 }

// typicalGain returns about the contrast of the image relative to the reference:
// the median over the tiles with texture, or, where few have any, the ratio
// of the sums.
func typicalGain(all []sums, scale int) float64 {
	var gains []float64
	cross, power := 0.0, 0.0
	for i := range all {
		t := &all[i]
		if t.textured(scale) {
			gains = append(gains, t.cross.trace()/t.texturePower(scale))
		}
		cross += t.cross.trace()
		power += t.texturePower(scale)
	}
	if len(gains) >= 5 {
		return calib.Median(gains)
	}
	return cross / power
}

// tile makes a tile's normal equations: those of the parts of the gradient
// that offset and contrast cannot imitate. A tile that is mostly noise takes
// the typical contrast, as noise would spoil its own. The weight does not
// depend on the tile's own noise either.
func (t *sums) tile(gain float64, scale int) tile {
	out := tile{
		weight: t.n / (t.v + gain*gain*t.u),
		cross:  t.cross.trace(), power: t.texturePower(scale), texture: t.textured(scale),
	}
	out.score = t.bGradient.plus(-t.b/t.n, t.gradient)
	out.slope = t.cross.plus(-1/t.n, t.gradient.outer(t.other))
	out.noise = t.noise(gain, scale)
	// Covariances with the brightness, times the number of points.
	contrast := t.aGradient.plus(-t.a/t.n, t.gradient)
	if power := t.aa - t.a*t.a/t.n; out.texture && power > 0 {
		out.bent = out.cross/out.power < gain/10
		fit := (t.ab - t.a*t.b/t.n) / power
		out.score = out.score.plus(-fit, contrast)
		out.slope = out.slope.plus(-1/power, contrast.outer(t.aOther.plus(-t.a/t.n, t.other)))
		mean := (t.v + gain*gain*t.u) / t.n
		out.noise = out.noise.plus(-mean/power, contrast.outer(contrast))
	} else {
		out.score = out.score.plus(-gain, contrast)
	}
	out.noise = out.noise.atLeast(leastNoise, t.vSpread.plus(gain*gain, t.uSpread)).over(float64(scale * scale))
	out.inverse = out.noise.inverse()
	return out
}

// leastNoise is the least part of a tile's noise that is left when what does
// not act is taken off; less comes about in small tiles only, by chance.
const leastNoise = 0.1

// noise returns the variance of the sum of image times gradient, with the
// tile's mean taken off, in units of the variance of one grid point.
func (t *sums) noise(gain float64, scale int) matrix {
	// The noise of the reference does not act on its own gradient's noise,
	// whose part in S S' is taken off.
	own := t.uSquared * slopePower(math.Sqrt2*float64(scale))
	fromA := t.uSpread.plus(-own, matrix{1, 0, 1})
	mean := (t.v + gain*gain*t.u) / t.n
	return t.vSpread.plus(gain*gain, fromA).plus(-mean/t.n, t.gradient.outer(t.gradient))
}
