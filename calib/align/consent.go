package align

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"evenlight/calib"
)

// solution is what the tiles agree on.
type solution struct {
	at, step   vector
	covariance matrix
	scatter    float64
	agree      float64
	gain       float64
	scale      int
	cell       int // px
}

// worst returns the larger of the standard uncertainties, px.
func (s *solution) worst() float64 {
	return math.Sqrt(max(s.covariance.xx, s.covariance.yy))
}

func (s *solution) shift() Shift {
	c := s.covariance
	sx, sy := math.Sqrt(c.xx), math.Sqrt(c.yy)
	return Shift{
		DX: s.at.x, DY: s.at.y, SigmaX: sx, SigmaY: sy, Correlation: c.xy / (sx * sy),
		Agree: s.agree, Scatter: s.scatter, Gain: s.gain, Scale: s.scale, Cell: s.cell,
	}
}

// misfit returns the squared distance of the tile from the step, in standard
// deviations.
func (t *tile) misfit(step vector) float64 {
	d := t.slope.times(step)
	u := vector{t.score.x + d.x, t.score.y + d.y}
	v := t.inverse.times(u)
	return u.x*v.x + u.y*v.y
}

// Robust agreement: with two degrees of freedom, the median of the squared
// distance is 2 ln 2, and 3 in 10 000 are beyond 4 sigma.
const (
	medianMisfit = 2 * math.Ln2
	rejectSigma  = 4
	mostRounds   = 30
)

// consent finds the step on which most tiles agree, and its uncertainty.
func consent(tiles []tile) (*solution, error) {
	step := middle(tiles)
	kept := make([]bool, len(tiles))
	misfits := make([]float64, len(tiles))
	var s solution
	for range mostRounds {
		limit := acceptance(tiles, step, misfits)
		same := true
		for i := range tiles {
			keep := !tiles[i].bent && misfits[i] <= limit
			same = same && keep == kept[i]
			kept[i] = keep
		}
		if same {
			break
		}
		next, err := combine(tiles, kept)
		if err != nil {
			return nil, err
		}
		s, step = next, next.step
	}
	s.judge(tiles, kept, misfits)
	return &s, nil
}

// acceptance fills in the misfits and returns the largest that is accepted.
func acceptance(tiles []tile, step vector, misfits []float64) float64 {
	for i := range tiles {
		misfits[i] = tiles[i].misfit(step)
	}
	typical := calib.Median(slices.Clone(misfits)) / medianMisfit
	return rejectSigma * rejectSigma * max(1, typical)
}

// middle returns the median of the tiles' own steps along either axis. A tile
// counts with the reciprocal of its uncertainty, but for no more than the
// median tile, so that a small part with strong contrast does not decide.
func middle(tiles []tile) vector {
	type vote struct{ x, y, weight float64 }
	var votes []vote
	for i := range tiles {
		t := &tiles[i]
		if t.bent || t.slope.xx <= 0 || t.slope.det() <= 0 {
			continue
		}
		inverse := t.slope.inverse()
		own := inverse.times(t.score)
		if c := inverse.around(t.noise); c.trace() > 0 {
			votes = append(votes, vote{-own.x, -own.y, 1 / math.Sqrt(c.trace())})
		}
	}
	if len(votes) == 0 {
		return vector{}
	}
	weights := make([]float64, len(votes))
	for i, v := range votes {
		weights[i] = v.weight
	}
	most := calib.Median(weights)
	total := 0.0
	for i := range votes {
		votes[i].weight = min(votes[i].weight, most)
		total += votes[i].weight
	}
	median := func(of func(vote) float64) float64 {
		slices.SortStableFunc(votes, func(a, b vote) int { return cmp.Compare(of(a), of(b)) })
		sum := 0.0
		for _, v := range votes {
			if sum += v.weight; sum >= total/2 {
				return of(v)
			}
		}
		return 0
	}
	return vector{median(func(v vote) float64 { return v.x }), median(func(v vote) float64 { return v.y })}
}

// combine solves the normal equations of the tiles kept.
func combine(tiles []tile, kept []bool) (solution, error) {
	var score vector
	var slope, noise matrix
	for i := range tiles {
		if t := &tiles[i]; kept[i] {
			score = score.plus(t.weight, t.score)
			slope = slope.plus(t.weight, t.slope)
			noise = noise.plus(t.weight*t.weight, t.noise)
		}
	}
	if slope.xx <= 0 || slope.det() <= 0 {
		return solution{}, fmt.Errorf("%w: what the images have in common does not fix the displacement; use frames with more light or a textured scene", ErrTexture)
	}
	inverse := slope.inverse()
	s := solution{covariance: inverse.around(noise)}
	s.step = inverse.times(score)
	s.step = vector{-s.step.x, -s.step.y}
	if !(s.worst() < worstSigma) {
		return solution{}, fmt.Errorf("%w: the displacement would be uncertain by %.1f px; use frames with more light, or a scene with texture along both axes",
			ErrTexture, s.worst())
	}
	return s, nil
}

// judge tells how well the tiles agree, and raises the uncertainty where they
// scatter by more than their noise.
func (s *solution) judge(tiles []tile, kept []bool, misfits []float64) {
	sum, cross, power := 0.0, 0.0, 0.0
	n, textured, agreeing := 0, 0, 0
	for i := range tiles {
		if kept[i] {
			sum += misfits[i]
			cross += tiles[i].cross
			power += tiles[i].power
			n++
		}
		if tiles[i].texture {
			textured++
			if kept[i] {
				agreeing++
			}
		}
	}
	s.gain = cross / power
	s.agree = 1
	if textured > 0 {
		s.agree = float64(agreeing) / float64(textured)
	}
	s.scatter = 1
	if n > 1 {
		s.scatter = math.Sqrt(sum / float64(2*n-2))
		s.raise(s.spread(tiles, kept, n))
	}
}

// raise makes the uncertainty along each axis that of the noise times the
// scatter, or that of the spread, whichever is larger.
func (s *solution) raise(spread matrix) {
	scatter := max(1, s.scatter*s.scatter)
	x, y := max(scatter, spread.xx/s.covariance.xx), max(scatter, spread.yy/s.covariance.yy)
	s.covariance = matrix{s.covariance.xx * x, s.covariance.xy * math.Sqrt(x*y), s.covariance.yy * y}
}

// spread returns the covariance of the displacement as it follows from what is
// left in the tiles, whatever its cause (White 1980). Other than the scatter it
// counts each tile by its say: a few tiles with strong contrast, such as a limb,
// may decide the displacement and fit worse than the rest.
func (s *solution) spread(tiles []tile, kept []bool, n int) matrix {
	var slope, left matrix
	for i := range tiles {
		if t := &tiles[i]; kept[i] {
			slope = slope.plus(t.weight, t.slope)
			u := t.score.plus(1, t.slope.times(s.step))
			left = left.plus(t.weight*t.weight, u.outer(u))
		}
	}
	return slope.inverse().around(left).over(1 - 1/float64(n))
}
