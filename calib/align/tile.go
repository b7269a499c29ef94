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
	inverse matrix  // of noise
	weight  float64 // does not depend on the tile's own noise, in order not to follow it
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
func typicalGain(whole *cells, used []int, scale int) float64 {
	var gains []float64
	cross, power := 0.0, 0.0
	for _, i := range used {
		t := &whole.sums[i]
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

// tile makes a tile's normal equations, the sums of those of its cells. It is
// nothing where no cell counts.
func (t *sums) tile(parts []sums, gain float64, scale int) tile {
	out := tile{
		weight: t.n / (t.v + gain*gain*t.u),
		cross:  t.cross.trace(), power: t.texturePower(scale), texture: t.textured(scale),
	}
	out.bent = out.texture && out.cross/out.power < gain/10
	for i := range parts {
		if part := &parts[i]; part.counts() {
			out.take(part, gain, scale)
		}
	}
	out.noise = out.noise.over(float64(scale * scale))
	out.inverse = out.noise.inverse()
	return out
}

// nothing tells whether no cell had enough points.
func (t *tile) nothing() bool { return t.noise.trace() <= 0 }

// take adds a cell's normal equations: those of the parts of the gradient
// that offset and contrast cannot imitate. A cell that is mostly noise takes
// the typical contrast, as noise would spoil its own.
func (t *tile) take(c *sums, gain float64, scale int) {
	score := c.bGradient.plus(-c.b/c.n, c.gradient)
	slope := c.cross.plus(-1/c.n, c.gradient.outer(c.other))
	noise := c.noise(gain, scale)
	// Covariances with the brightness, times the number of points.
	contrast := c.aGradient.plus(-c.a/c.n, c.gradient)
	if power := c.aa - c.a*c.a/c.n; c.textured(scale) && power > 0 {
		fit := (c.ab - c.a*c.b/c.n) / power
		score = score.plus(-fit, contrast)
		slope = slope.plus(-1/power, contrast.outer(c.aOther.plus(-c.a/c.n, c.other)))
		mean := (c.v + gain*gain*c.u) / c.n
		noise = noise.plus(-mean/power, contrast.outer(contrast))
	} else {
		score = score.plus(-gain, contrast)
	}
	t.score = t.score.plus(1, score)
	t.slope = t.slope.plus(1, slope)
	t.noise = t.noise.plus(1, noise.atLeast(leastNoise, c.vSpread.plus(gain*gain, c.uSpread)))
}

// leastNoise is the least part of a cell's noise that is left when what does
// not act is taken off. Less comes about in small cells only: there the mean of
// smoothed noise is less than is taken off, so that the noise of cells of four
// points comes out too large, by up to 1.25 in the standard uncertainty.
const leastNoise = 0.1

// noise returns the variance of the sum of image times gradient, with the
// cell's mean taken off, in units of the variance of one grid point.
func (t *sums) noise(gain float64, scale int) matrix {
	// The noise of the reference does not act on its own gradient's noise,
	// whose part in S S' is taken off.
	own := t.uSquared * slopePower(math.Sqrt2*float64(scale))
	fromA := t.uSpread.plus(-own, matrix{1, 0, 1})
	mean := (t.v + gain*gain*t.u) / t.n
	return t.vSpread.plus(gain*gain, fromA).plus(-mean/t.n, t.gradient.outer(t.gradient))
}
