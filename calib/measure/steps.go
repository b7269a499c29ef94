package measure

import (
	"cmp"
	"fmt"
	"slices"
)

// Step is one step of an exposure ladder.
type Step struct {
	ExposureS float64
	Mean      Figure  // DN above offset
	Ceiling   float64 // share of pixels at the converter's ceiling
}

// SaturatedStep is a step that does not follow the light any more.
type SaturatedStep struct {
	Index  int
	Detail string
}

// slowGrowth is the share of the growth up to there below which a step has
// ceased to follow the light; no response that a linearity correction serves
// bends so far.
const slowGrowth = 0.5

// SaturatedSteps finds the steps with more than maxShare of their pixels at
// the ceiling, and those from which on the mean grows less than half as fast
// with the exposure as below, by more than 5 sigmas. The two shortest
// exposures are judged by the ceiling alone.
func SaturatedSteps(steps []Step, maxShare float64) []SaturatedStep {
	order := make([]int, len(steps))
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(a, b int) int { return cmp.Compare(steps[a].ExposureS, steps[b].ExposureS) })
	var out []SaturatedStep
	var good []int // not saturated, by exposure, one for each exposure
	full := 0.0    // shortest exposure that did not grow; 0: none
	for _, i := range order {
		s := steps[i]
		switch {
		case s.Ceiling > maxShare:
			out = append(out, SaturatedStep{i, fmt.Sprintf("%.3g %% of the pixels are at the converter's ceiling at %g s", 100*s.Ceiling, s.ExposureS)})
			continue
		case full > 0 || len(good) >= 2 && grewLittle(steps[good[0]], steps[good[len(good)-1]], s):
			if full == 0 {
				full = s.ExposureS
			}
			out = append(out, SaturatedStep{i, fmt.Sprintf("the mean of %.6g DN at %g s has grown less than half as fast as below %g s", s.Mean.Value, s.ExposureS, full)})
			continue
		}
		if len(good) == 0 || steps[good[len(good)-1]].ExposureS < s.ExposureS {
			good = append(good, i)
		}
	}
	slices.SortFunc(out, func(a, b SaturatedStep) int { return cmp.Compare(a.Index, b.Index) })
	return out
}

// grewLittle tells whether the mean grows from last to s at less than half the
// pace of first to last, beyond noise.
func grewLittle(first, last, s Step) bool {
	if s.ExposureS == last.ExposureS {
		return false
	}
	pace := last.Mean.minus(first.Mean).scaled(1 / (last.ExposureS - first.ExposureS))
	now := s.Mean.minus(last.Mean).scaled(1 / (s.ExposureS - last.ExposureS))
	short := pace.scaled(slowGrowth).minus(now)
	return short.Value > departure*short.U
}
