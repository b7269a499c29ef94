package measure

import (
	"bytes"
	"encoding/json"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"testing"

	"gonum.org/v1/gonum/stat/distuv"
)

func within(t *testing.T, what string, got, want, bound float64) {
	t.Helper()
	if !(math.Abs(got-want) <= bound) {
		t.Errorf("%s is %.9g, want %.9g within %.3g", what, got, want, bound)
	}
}

func newRand(seed uint64) *rand.Rand { return rand.New(rand.NewPCG(seed, 0x9e3779b97f4a7c15)) }

// coverage counts how often value +- 1.96 u holds the truth, and the mean and
// square of the pulls.
type coverage struct{ n, held, sum, square float64 }

func (c *coverage) add(f Figure, truth float64) {
	pull := (f.Value - truth) / f.U
	c.n++
	c.sum += pull
	c.square += pull * pull
	if math.Abs(pull) <= 1.959964 {
		c.held++
	}
}

// check asks for 93 to 97 % of at least 2000 intervals, which is 4 standard
// deviations of the binomial distribution and more, and for pulls whose mean
// departs from 0 by less than 4 standard deviations of a mean, plus what bias
// (in sigmas) theory allows.
func (c *coverage) check(t *testing.T, what string, bias float64) {
	t.Helper()
	if c.n < 2000 {
		t.Fatalf("%s: only %g sets", what, c.n)
	}
	mean := c.sum / c.n
	sd := math.Sqrt(c.square/c.n - mean*mean)
	t.Logf("%s: %.1f %% of %g intervals hold the truth; pulls %.3f +- %.3f", what, 100*c.held/c.n, c.n, mean, sd)
	within(t, what+": share of 95 % intervals that hold the truth", c.held/c.n, 0.95, 0.02)
	within(t, what+": mean pull", mean, 0, 4/math.Sqrt(c.n)+bias)
}

// sensor is a simulated sensor: electrons to DN with rounding.
type sensor struct {
	gain, readNoise float64 // e-/DN, e-
	offset          float64 // DN
	fullWell        float64 // e-; 0: none
}

// expose returns one frame of pixels with the mean charges q, less the offset.
func (s sensor) expose(rng *rand.Rand, q []float64) []float32 {
	out := make([]float32, len(q))
	for i, mean := range q {
		n := 0.0
		if mean > 0 {
			n = distuv.Poisson{Lambda: mean, Src: rng}.Rand()
		}
		if s.fullWell > 0 {
			n = min(n, s.fullWell)
		}
		n += s.readNoise * rng.NormFloat64()
		out[i] = float32(math.Round(s.offset+n/s.gain) - s.offset)
	}
	return out
}

// exposeNormal is expose with normal noise for charges where it is the same
// as Poisson's.
func (s sensor) exposeNormal(rng *rand.Rand, q []float64) []float32 {
	out := make([]float32, len(q))
	for i, mean := range q {
		n := mean + math.Sqrt(mean)*rng.NormFloat64()
		if s.fullWell > 0 {
			n = min(n, s.fullWell)
		}
		n += s.readNoise * rng.NormFloat64()
		out[i] = float32(math.Round(s.offset+n/s.gain) - s.offset)
	}
	return out
}

// even returns n pixels of the charge q.
func even(n int, q float64) []float64 {
	out := make([]float64, n)
	for i := range out {
		out[i] = q
	}
	return out
}

// askScipy runs a program of python3 with numpy and scipy (Debian packages
// python3-numpy and python3-scipy) that reads JSON and writes JSON. Without
// them the test is skipped, or fails where EVENLIGHT_REQUIRE_TOOLS is set.
func askScipy(t *testing.T, program string, in, out any) {
	t.Helper()
	for _, python := range []string{"python3", "/usr/bin/python3"} {
		if exec.Command(python, "-c", "import numpy, scipy.optimize").Run() != nil {
			continue
		}
		question, err := json.Marshal(in)
		if err != nil {
			t.Fatal(err)
		}
		cmd := exec.Command(python, "-c", program)
		cmd.Stdin = bytes.NewReader(question)
		var complaint bytes.Buffer
		cmd.Stderr = &complaint
		answer, err := cmd.Output()
		if err != nil {
			t.Fatalf("%v: %s", err, complaint.Bytes())
		}
		if err := json.Unmarshal(answer, out); err != nil {
			t.Fatal(err)
		}
		return
	}
	if os.Getenv("EVENLIGHT_REQUIRE_TOOLS") != "" {
		t.Fatal("no python3 with scipy: install python3-numpy and python3-scipy, or unset EVENLIGHT_REQUIRE_TOOLS")
	}
	t.Skip("no python3 with scipy: install python3-numpy and python3-scipy to compare with them")
}
