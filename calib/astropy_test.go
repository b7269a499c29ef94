package calib

import (
	"bytes"
	"encoding/json"
	"os"
	"os/exec"
	"testing"
)

// clippedByReference asks python3-astropy's stats module (a published
// reference library for robust statistics) for what is left of each list
// after one round of clipping at k robust sigmas about the median.
const clippedByReference = `
import json, sys
import numpy as np
from astropy.stats import mad_std, sigma_clip
todo = json.load(sys.stdin)
out = []
for x in todo["Lists"]:
    x = np.array(x, dtype=float)
    kept = sigma_clip(x, sigma=todo["K"], maxiters=1, cenfunc="median", stdfunc="mad_std", masked=False)
    kept = kept[np.isfinite(kept)]
    out.append({"Median": float(np.median(x)), "Robust": float(mad_std(x)), "Mean": float(np.mean(kept)),
        "Sigma": float(np.std(kept, ddof=1)), "N": len(kept)})
json.dump(out, sys.stdout)
`

type referenceStats struct {
	Median, Robust, Mean, Sigma float64
	N                           int
}

// astropyPython returns a python3 that has astropy. Without one the test is
// skipped, or fails where EVENLIGHT_REQUIRE_TOOLS is set.
func astropyPython(t *testing.T) string {
	t.Helper()
	for _, python := range []string{"python3", "/usr/bin/python3"} {
		if exec.Command(python, "-c", "import astropy.stats").Run() == nil {
			return python
		}
	}
	if os.Getenv("EVENLIGHT_REQUIRE_TOOLS") != "" {
		t.Fatal("no python3 with astropy: install python3-astropy, or unset EVENLIGHT_REQUIRE_TOOLS")
	}
	t.Skip("no python3 with astropy: install python3-astropy to compare with its robust statistics")
	return ""
}

func askAstropy(t *testing.T, lists [][]float64, k float64) []referenceStats {
	t.Helper()
	python := astropyPython(t)
	in, err := json.Marshal(map[string]any{"Lists": lists, "K": k})
	if err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command(python, "-c", clippedByReference)
	cmd.Stdin = bytes.NewReader(in)
	var complaint bytes.Buffer
	cmd.Stderr = &complaint
	answer, err := cmd.Output()
	if err != nil {
		t.Fatalf("%v: %s", err, complaint.Bytes())
	}
	var out []referenceStats
	if err := json.Unmarshal(answer, &out); err != nil {
		t.Fatal(err)
	}
	return out
}

// spoiltLists are samples of a bias pixel: normal noise, rounded to float32
// as frames are, with some hits.
func spoiltLists(seed uint64) [][]float64 {
	rng := newRand(seed)
	var lists [][]float64
	for range 60 {
		for _, n := range []int{3, 4, 5, 10, 31, 64} {
			x := make([]float64, n)
			for i := range x {
				v := 300 + 4*rng.NormFloat64()
				if rng.IntN(12) == 0 {
					v += 500 * rng.ExpFloat64()
				}
				x[i] = float64(float32(v))
			}
			lists = append(lists, x)
		}
	}
	return lists
}

func TestRobustStatisticsAgreeWithAstropy(t *testing.T) {
	const k = 3.5
	lists := spoiltLists(11)
	for i, want := range askAstropy(t, lists, k) {
		median, robust := MedianMAD(append([]float64(nil), lists[i]...))
		got := ClippedMean(lists[i], k)
		if got.N != want.N {
			t.Errorf("list %d: %d kept, want %d", i, got.N, want.N)
		}
		const rounding = 1e-13 // of double precision, over 64 samples
		within(t, "median", median, want.Median, 0)
		within(t, "robust sigma", robust, want.Robust, rounding*300)
		within(t, "mean", got.Mean, want.Mean, rounding*300)
		within(t, "sigma", got.Sigma, want.Sigma, rounding*300)
	}
}

// With next to no expected noise, the scatter about the median decides alone.
func TestCombinerAgreesWithAstropy(t *testing.T) {
	const k = 3.5
	lists := spoiltLists(12)
	for i, want := range askAstropy(t, lists, k) {
		noise := make([]FrameNoise, len(lists[i]))
		samples := make([][]float32, len(lists[i]))
		for f, v := range lists[i] {
			noise[f] = FrameNoise{A: 1e-12}
			samples[f] = []float32{float32(v)}
		}
		out := newCombined(1)
		NewCombiner(k, noise, 0).Combine(samples, out, new(CombineScratch))
		if int(out.Samples[0]) != want.N {
			t.Errorf("list %d: %d kept, want %d", i, out.Samples[0], want.N)
		}
		// Value and variance are rounded to single precision; the median of
		// an even number of samples is, too, and the others count from it.
		const rounding = 0x1p-23
		within(t, "mean", float64(out.Value[0]), want.Mean, rounding*want.Mean)
		variance := want.Sigma * want.Sigma / float64(want.N)
		within(t, "variance", float64(out.Variance[0]), variance, rounding*variance)
	}
}

func newCombined(pixels int) Combined {
	return Combined{
		Value: make([]float32, pixels), Variance: make([]float32, pixels),
		Samples: make([]int32, pixels), Scatter: make([]float32, pixels),
	}
}
