package demo

import (
	"encoding/json"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"evenlight/pipeline"
)

// requireTools makes a missing outside tool a failure instead of a skip.
const requireTools = "EVENLIGHT_REQUIRE_TOOLS"

const python = "/usr/bin/python3"

func needTool(t *testing.T, name string, args ...string) {
	t.Helper()
	path, err := exec.LookPath(name)
	if err == nil && len(args) > 0 {
		err = exec.Command(path, args...).Run()
	}
	if err == nil {
		return
	}
	if os.Getenv(requireTools) != "" {
		t.Fatalf("%s %s cannot be used: %v", name, strings.Join(args, " "), err)
	}
	t.Skipf("%s %s cannot be used: %v", name, strings.Join(args, " "), err)
}

// fitsverify of the HEASARC checks files against the FITS Standard.
func TestFitsverifyFindsNothingInMastersAndProducts(t *testing.T) {
	needTool(t, "fitsverify")
	for name, run := range map[string]func() (*Result, error){"quillon": smallQuillon, "pellam": smallPellam} {
		t.Run(name, func(t *testing.T) {
			r := mustRun(t, run)
			verifies(t, filesIn(t, r.Dir, MastersDir, ProductsDir))
		})
	}
}

func verifies(t *testing.T, files []string) {
	t.Helper()
	out, _ := exec.Command("fitsverify", append([]string{"-q"}, files...)...).CombinedOutput()
	lines := strings.Split(strings.TrimSpace(string(out)), "\n")
	if len(lines) != len(files) {
		t.Fatalf("%d lines about %d files:\n%s", len(lines), len(files), out)
	}
	for _, l := range lines {
		if !strings.HasPrefix(l, "verification OK:") {
			t.Error(l)
		}
	}
}

func TestFitsverifyFindsNothingInCubes(t *testing.T) {
	heavy(t)
	needTool(t, "fitsverify")
	for name, run := range map[string]func() (*Result, error){"quillon": quillon, "brindle": brindle, "oxlip": oxlip, "fescue": fescue, "tarn": tarn, "umber": umber, "sallow": sallow} {
		t.Run(name, func(t *testing.T) {
			verifies(t, filesIn(t, mustRun(t, run).Dir, CubesDir))
		})
	}
}

// Reads products with the library of the astropy project, checksums verified
// and each warning an error, and gives sums that only the same pixels have.
const astropyScript = `
import sys, json, warnings
import numpy as np
from astropy.io import fits
warnings.simplefilter("error")  # a checksum that does not fit is a warning
out = []
for path in sys.argv[1:]:
    with fits.open(path, checksum=True) as f:
        f.verify("exception")
        sums = {}
        for name in ["VALUE", "UNCERTAINTY", "FLAGS"]:
            a = f[name].data.astype(np.float64).ravel()
            good = ~np.isnan(a)
            sums[name] = [float(a.size), float(good.sum()), float(np.max(a[good])), float(np.min(a[good])),
                          float(np.argmax(np.where(good, a, -np.inf))), [float(x) for x in a[good][::997]]]
        h = f[0].header
        out.append({"sums": sums, "unit": f["VALUE"].header["BUNIT"], "inputs": [h["INNM%04d" % (i + 1)] for i in range(h["NINPUTS"])],
                    "profile": len(f["PROFILE"].data), "raw": f["RAWHEAD"].header.get("OBSTYPE", "")})
print(json.dumps(out))
`

// seen is what astropyScript tells of a product.
type seen struct {
	Sums    map[string][]any `json:"sums"`
	Unit    string           `json:"unit"`
	Inputs  []string         `json:"inputs"`
	Profile int              `json:"profile"`
	Raw     string           `json:"raw"`
}

func TestAstropyReadsTheSameProducts(t *testing.T) {
	needTool(t, python, "-c", "import astropy.io.fits")
	r := mustRun(t, smallQuillon)
	files := filesIn(t, r.Dir, ProductsDir)
	cmd := exec.Command(python, append([]string{"-c", astropyScript}, files...)...)
	var complaints strings.Builder
	cmd.Stderr = &complaints
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("%v\n%s", err, complaints.String())
	}
	var all []seen
	if err := json.Unmarshal(out, &all); err != nil {
		t.Fatal(err)
	}
	for i, path := range files {
		got, p := all[i], readProduct(t, path)
		flags := make([]float32, len(p.flags))
		for k, v := range p.flags {
			flags[k] = float32(v)
		}
		for name, plane := range map[string][]float32{"VALUE": p.value, "UNCERTAINTY": p.unc, "FLAGS": flags} {
			samePlane(t, filepath.Base(path)+" "+name, got.Sums[name], plane)
		}
		record, err := pipeline.ReadProvenance(path)
		if err != nil {
			t.Fatal(err)
		}
		var names []string
		for _, in := range record.Inputs {
			names = append(names, in.Name)
		}
		if strings.Join(got.Inputs, ",") != strings.Join(names, ",") {
			t.Errorf("%s: inputs %v, want %v", path, got.Inputs, names)
		}
		if got.Unit != "W m-2 sr-1 nm-1" || got.Raw != "IMAGE" || got.Profile < 50 {
			t.Errorf("%s: unit %q, OBSTYPE of the raw frame %q, %d lines of profile", path, got.Unit, got.Raw, got.Profile)
		}
	}
}

// samePlane compares the number of pixels and of numbers, the extremes and
// where the first highest is, and every 997th number.
func samePlane(t *testing.T, what string, got []any, plane []float32) {
	t.Helper()
	high, low, at := math.Inf(-1), math.Inf(1), 0
	var numbers []float64
	for i, v := range plane {
		if v != v {
			continue
		}
		e := float64(v)
		if e > high {
			high, at = e, i
		}
		low = math.Min(low, e)
		numbers = append(numbers, e)
	}
	for i, want := range []float64{float64(len(plane)), float64(len(numbers)), high, low, float64(at)} {
		if got[i] != want {
			t.Errorf("%s: figure %d is %v, want %v", what, i, got[i], want)
		}
	}
	for i, v := range got[5].([]any) {
		if v != numbers[i*997] {
			t.Fatalf("%s: number %d is %v, want %v", what, i*997, v, numbers[i*997])
		}
	}
}
