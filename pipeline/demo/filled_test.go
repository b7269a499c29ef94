package demo

import (
	"math"
	"testing"
)

// Filled pixels of whole campaigns: an even ramp in blocks, a moon before dark
// sky, a glint, with hot, dead, unstable, low and bending pixels and a dead
// column. What is stated of them is a standard deviation of the pulls of 1
// within a tenth; the spread by number is that of normal pulls of a few hundred
// independent holes in some twenty frames.
var (
	quillonFilled = calibratedAgain(quillon, "quillon", "detectors.0.fill={causes: [bad_pixels, hits]}")
	brindleFilled = calibratedAgain(brindle, "brindle", "detectors.0.fill={causes: [bad_pixels]}")
)

func TestFilledPixelsAreAsUncertainAsStated(t *testing.T) {
	heavy(t)
	for _, c := range []struct {
		name   string
		run    func() (*Result, error)
		causes []int
	}{{"quillon", quillonFilled, []int{filledBad, filledStruck}}, {"brindle", brindleFilled, []int{filledBad}}} {
		t.Run(c.name, func(t *testing.T) {
			r := mustRun(t, c.run)
			for _, cause := range c.causes {
				p := r.Truth.Filled.Causes[cause]
				if p.Pixels < 100 {
					t.Fatalf("%d filled %s are too few to tell", p.Pixels, p.Name)
				}
				spread := mostSigma / math.Sqrt(2*float64(p.Pixels))
				if math.Abs(p.SD-1) > 0.1+spread {
					t.Errorf("%s: the pulls have a standard deviation of %.3f, 1 within 0.1 is stated", p.Name, p.SD)
				}
				if math.Abs(p.Mean) > 0.1+mostSigma/math.Sqrt(float64(p.Pixels)) {
					t.Errorf("%s: the pulls have a mean of %.3f, 0 within 0.1 is stated", p.Name, p.Mean)
				}
				t.Logf("%s: %s", p.Name, p.line())
			}
		})
	}
}
