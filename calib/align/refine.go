package align

import (
	"cmp"
	"fmt"
	"math"
)

// scales are the widths of the Gaussian, px, from coarse to fine.
var scales = [...]int{4, 2, 1}

// Limits of the refinement.
const (
	mostPasses     = 8    // at one scale
	choosingPasses = 3    // after which the cells keep their side, lest two sides take turns
	settledPx      = 1e-3 // a step that is taken and ends the passes at a scale
	settledSigma   = 0.1  // the same, in standard uncertainties
	leastAgree     = 0.5  // share of the tiles with texture
	worstSigma     = 0.3  // px along either axis: beyond it, peaks cannot be told apart
)

// tileFor returns the side of the tiles, px: a power of two, and an eighth of
// the shorter side or less, as far as it is between 16 and 64.
func tileFor(width, height int) int {
	side := 64
	for side > 16 && min(width, height) < 8*side {
		side /= 2
	}
	return side
}

// refine returns the displacement of b near the one given.
func (r *reference) refine(b *prepared, start coarseShift) (Shift, error) {
	at := vector{start.dx, start.dy}
	side := min(b.width, b.height)
	var best *solution
	var problem error
	for _, scale := range scales {
		if side < 48*scale && scale > 1 {
			continue // the margins would take up more than half of the side
		}
		s, err := r.settle(b, scale, at)
		if err != nil {
			if problem == nil {
				problem = err
			}
			continue
		}
		if best != nil && s.worst() >= best.worst() {
			break
		}
		best, at = s, s.at
	}
	limit := 1.5 * float64(max(2, r.coarse.bin))
	switch {
	case best == nil:
		return Shift{}, problem
	case math.Abs(best.at.x-start.dx) > limit || math.Abs(best.at.y-start.dy) > limit:
		return Shift{}, fmt.Errorf("%w: phase correlation finds %.1f, %.1f px and the intensities %.1f, %.1f px; look whether most of the scene moved, and cut the images to the part that did not",
			ErrDisagree, start.dx, start.dy, best.at.x, best.at.y)
	case best.agree < leastAgree:
		return Shift{}, fmt.Errorf("%w: at %.1f, %.1f px only %.0f %% of the tiles with texture fit; look whether the contrast of the bands is inverted in parts or most of the scene moved, and cut the images to the part that did not",
			ErrDisagree, best.at.x, best.at.y, 100*best.agree)
	}
	return best.shift(), nil
}

// settle repeats the least squares at one scale until the displacement stays.
func (r *reference) settle(b *prepared, scale int, at vector) (*solution, error) {
	f := r.fields[scale]
	if f == nil {
		f = newFields(r.image, scale)
		r.fields[scale] = f
	}
	only := 0
	for pass := range mostPasses {
		s, err := solve(r.sums(f, b, at), f.scale, only)
		if err != nil {
			return nil, err
		}
		step := s.step.limited(float64(scale))
		at = vector{at.x + step.x, at.y + step.y}
		s.at = at
		if step.length() < max(settledPx, settledSigma*s.worst()) {
			return s, nil
		}
		if pass >= choosingPasses {
			only = s.cell / f.scale
		}
	}
	return nil, fmt.Errorf("%w: the displacement does not settle near %.1f, %.1f px; use frames with more light or a textured scene",
		ErrTexture, at.x, at.y)
}

// solve finds the step on which most tiles agree, with contrast and offset
// free in squares of the side, points, that is given, or with 0 of the one with
// which it is known best.
func solve(finest *cells, scale, only int) (*solution, error) {
	levels := finest.levels()
	whole := levels[0]
	used := whole.usable()
	if len(used) == 0 {
		return nil, fmt.Errorf("%w: the images overlap in no tile with texture; give images with more good pixels in common", ErrTexture)
	}
	gain := typicalGain(whole, used, scale)
	if !(gain > 0) {
		return nil, fmt.Errorf("%w: brightness rises in one image where it falls in the other; take a band of like contrast as the reference", ErrDisagree)
	}
	var best *solution
	var problem error
	for _, c := range levels {
		if only != 0 && c.side != only {
			continue
		}
		s, err := consent(c.tiles(whole, used, gain, scale))
		if err != nil {
			problem = cmp.Or(problem, err)
			continue
		}
		s.scale, s.cell = scale, c.side*scale
		if best == nil || s.worst() < best.toBeat() {
			best = s
		}
	}
	if best == nil {
		return nil, problem
	}
	return best, nil
}

// Smaller cells are taken at a ratio of uncertainties of clearlyBetter. Without
// colour they are as good or worse, and the smallest of estimates that scatter
// would be too small. But where the tiles scatter by evenScatter or more, the
// contrast is not the same throughout, and a part of the error is common to
// tiles and does not show: then smaller cells are taken if they are hardly worse.
const (
	clearlyBetter = 0.9
	hardlyWorse   = 1.2
	evenScatter   = 1.25
)

// toBeat returns the uncertainty below which smaller cells are taken.
func (s *solution) toBeat() float64 {
	if s.scatter < evenScatter {
		return clearlyBetter * s.worst()
	}
	return hardlyWorse * s.worst()
}
