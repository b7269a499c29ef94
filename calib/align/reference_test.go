package align

import (
	"bytes"
	"encoding/json"
	"math"
	"os"
	"os/exec"
	"testing"

	"evenlight/calib"
)

// shiftByReference asks python3-skimage's phase_cross_correlation, which is
// made after Guizar-Sicairos, Thurman & Fienup (2008), for displacements of
// images, without the normalisation of the phase: y, x by which the second is
// to be moved onto the first, so the negative of ours. Its own bilinear
// resampling is scipy's.
const shiftByReference = `
import json, sys
import numpy as np
from scipy import ndimage
from skimage.registration import phase_cross_correlation
out = []
for p in json.load(sys.stdin):
    a, b = (np.array(p[k], dtype=float).reshape(p["Height"], p["Width"]) for k in "AB")
    y, x = phase_cross_correlation(a, b, upsample_factor=200, normalization=None)[0]
    moved = ndimage.shift(b, (-p["DY"], -p["DX"]), order=1, cval=-1e9)
    out.append({"DX": -float(x), "DY": -float(y), "Moved": moved.ravel().tolist()})
json.dump(out, sys.stdout)
`

type question struct {
	Width, Height int
	A, B          []float32
	DX, DY        float64 // by which B is to be resampled
}

type answer struct {
	DX, DY float64
	Moved  []float64
}

// skimagePython returns a python3 that has skimage. Without one the test is
// skipped, or fails where EVENLIGHT_REQUIRE_TOOLS is set. With -short it is
// skipped unless that is set.
func skimagePython(t *testing.T) string {
	t.Helper()
	if testing.Short() && os.Getenv("EVENLIGHT_REQUIRE_TOOLS") == "" {
		t.Skip("starting python takes seconds")
	}
	for _, python := range []string{"python3", "/usr/bin/python3"} {
		if exec.Command(python, "-c", "import skimage.registration, scipy.ndimage").Run() == nil {
			return python
		}
	}
	if os.Getenv("EVENLIGHT_REQUIRE_TOOLS") != "" {
		t.Fatal("no python3 with skimage: install python3-skimage, or unset EVENLIGHT_REQUIRE_TOOLS")
	}
	t.Skip("no python3 with skimage: install python3-skimage to compare with its registration")
	return ""
}

func askReference(t *testing.T, questions []question) []answer {
	t.Helper()
	python := skimagePython(t)
	in, err := json.Marshal(questions)
	if err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command(python, "-c", shiftByReference)
	cmd.Stdin = bytes.NewReader(in)
	var complaint bytes.Buffer
	cmd.Stderr = &complaint
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("%v: %s", err, complaint.Bytes())
	}
	var answers []answer
	if err := json.Unmarshal(out, &answers); err != nil {
		t.Fatal(err)
	}
	return answers
}

// The images are periodic in the frame, as the reference takes them to be.
func TestShiftsAgreeWithReferenceLibrary(t *testing.T) {
	const size = 96
	shifts := []vector{{0, 0}, {0.37, -0.22}, {0.5, 0.5}, {4.75, 2.13}, {-7.31, 6.9}}
	noises := []float64{0, 5}
	var questions []question
	var pairs [][2]*calib.Raster
	rng := newRand(3)
	for _, noise := range noises {
		for _, d := range shifts {
			a, b := noisy(waves(8, size, 0, 0), noise, rng), noisy(waves(8, size, d.x, d.y), noise, rng)
			pairs = append(pairs, [2]*calib.Raster{a, b})
			questions = append(questions, question{size, size, a.Value, b.Value, d.x, d.y})
		}
	}
	for i, want := range askReference(t, questions) {
		q := questions[i]
		s, err := Find(pairs[i][0], pairs[i][1], Options{})
		if err != nil {
			t.Fatal(err)
		}
		// 0.01 px without noise (Guizar-Sicairos et al. 2008), where the
		// reference's own steps are 0.005 px. With noise the errors of the
		// two methods differ, as we see the frame through margins and the
		// smoothing: by less than four sigma of either axis.
		toleranceX, toleranceY := 0.01, 0.01
		if noises[i/len(shifts)] > 0 {
			toleranceX, toleranceY = toleranceX+4*s.SigmaX, toleranceY+4*s.SigmaY
		}
		if math.Abs(s.DX-want.DX) > toleranceX || math.Abs(s.DY-want.DY) > toleranceY {
			t.Errorf("displaced %g, %g: found %.4f, %.4f, reference %.4f, %.4f, tolerance %.4f", q.DX, q.DY, s.DX, s.DY, want.DX, want.DY, toleranceX)
		}
		if math.Abs(s.DX-q.DX) > toleranceX || math.Abs(s.DY-q.DY) > toleranceY {
			t.Errorf("displaced %g, %g: found %.4f, %.4f, tolerance %.4f", q.DX, q.DY, s.DX, s.DY, toleranceX)
		}
		t.Logf("displaced %g, %g: found off by %.4f, %.4f (uncertainty %.4f), reference off by %.4f, %.4f",
			q.DX, q.DY, s.DX-q.DX, s.DY-q.DY, s.SigmaX, want.DX-q.DX, want.DY-q.DY)
		compareMoved(t, Resample(pairs[i][1], q.DX, q.DY, Bilinear, 2), want.Moved)
	}
}

func compareMoved(t *testing.T, got *calib.Raster, want []float64) {
	t.Helper()
	compared := 0
	for i, v := range got.Value {
		if got.Flags[i]&calib.Missing != 0 {
			continue
		}
		compared++
		if math.Abs(float64(v)-want[i]) > 1e-3 { // single precision of values of some thousands
			t.Fatalf("pixel %d is %g, the reference has %g", i, v, want[i])
		}
	}
	if compared < len(want)*3/4 {
		t.Errorf("%d of %d pixels compared", compared, len(want))
	}
}
