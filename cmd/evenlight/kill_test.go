//go:build unix

package main

import (
	"encoding/json"
	"errors"
	"io/fs"
	"maps"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"evenlight/fitsutil"
)

// killed starts the command again and again, and kills it at moments spread
// evenly over the time that an undisturbed run took, until it was caught
// running n times. After each kill it calls check; before each start, before.
func killed(t *testing.T, n int, span time.Duration, args []string, before, check func(kill int)) {
	t.Helper()
	random := rand.New(rand.NewPCG(20310314, 1))
	for caught, tries := 0, 0; caught < n; tries++ {
		if tries == 20*n {
			t.Fatalf("caught only %d of %d runs before they ended", caught, tries)
		}
		before(caught)
		c := process(t, args...)
		if err := c.Start(); err != nil {
			t.Fatal(err)
		}
		time.Sleep(time.Duration(random.Float64() * float64(span)))
		// The process may have ended already, which Wait tells.
		_ = c.Process.Kill()
		if wasKilled(t, c.Wait()) {
			caught++
			check(caught)
		}
	}
}

// wasKilled tells a killed run from one that ended well; any other end is a
// failure of the test.
func wasKilled(t *testing.T, err error) bool {
	t.Helper()
	if err == nil {
		return false
	}
	var exit *exec.ExitError
	if errors.As(err, &exit) {
		if status, ok := exit.Sys().(syscall.WaitStatus); ok && status.Signaled() && status.Signal() == syscall.SIGKILL {
			return true
		}
	}
	t.Fatalf("a run that was not killed failed: %v", err)
	return false
}

// undisturbed runs the command in a process to its end and returns how long
// that took.
func undisturbed(t *testing.T, args []string) time.Duration {
	t.Helper()
	start := time.Now()
	if out, err := process(t, args...).CombinedOutput(); err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	return time.Since(start)
}

// mustBeWhole fails when a file under its final name is torn: it must open,
// its checksums must hold, and it must be what an undisturbed run writes.
func mustBeWhole(t *testing.T, kill int, dir string, want map[string]string) {
	t.Helper()
	for name, sum := range hashes(t, dir) {
		switch {
		case strings.HasPrefix(name, "."):
			// not under a final name
		case filepath.Ext(name) == ".fits":
			mustBeSound(t, filepath.Join(dir, name))
			if want[name] != sum {
				t.Errorf("kill %d: %s differs from that of an undisturbed run", kill, name)
			}
		case name == "summary.json":
			if b := readFile(t, filepath.Join(dir, name)); !json.Valid(b) {
				t.Errorf("kill %d: %s is torn:\n%s", kill, name, b)
			}
		default:
			t.Errorf("kill %d: nobody asked for the file %s", kill, name)
		}
	}
}

func mustBeSound(t *testing.T, path string) {
	t.Helper()
	f, err := fitsutil.Open(path)
	if err != nil {
		t.Error(err)
		return
	}
	defer f.Close()
	if n, err := f.VerifyChecksums(); err != nil || n != len(f.HDUs()) {
		t.Errorf("%s: %d of %d HDUs have a good checksum: %v", path, n, len(f.HDUs()), err)
	}
}

// fitsOf leaves the FITS files and the partial ones, finished or not; the QA
// summary holds timings and differs from run to run.
func fitsOf(files map[string]string) map[string]string {
	out := maps.Clone(files)
	maps.DeleteFunc(out, func(name, _ string) bool { return !strings.Contains(name, ".fits") })
	return out
}

func partials(files map[string]string) int {
	n := 0
	for name := range files {
		if strings.Contains(name, ".partial-") {
			n++
		}
	}
	return n
}

// fewer is the number of kills for a quick test run.
func fewer(n int) int {
	if testing.Short() {
		return n/5 + 1
	}
	return n
}

func TestKilledCalibrationLeavesOnlyWholeFilesAndIsRepairedByTheNextRun(t *testing.T) {
	demo := sharedCampaign(t)
	scenes := demo.scenes(t, 5)
	reference, out := t.TempDir(), t.TempDir()
	span := undisturbed(t, demo.calibrate(reference, scenes...))
	want := hashes(t, reference)
	args := append(demo.calibrate(out, scenes...), "--overwrite")

	products, caughtWriting := 0, 0
	// Products are replaced in some runs and made afresh in others.
	removeOne := func(kill int) {
		base := strings.TrimSuffix(filepath.Base(scenes[kill%len(scenes)]), ".fits")
		if err := os.Remove(filepath.Join(out, base+"-calibrated.fits")); err != nil && !errors.Is(err, fs.ErrNotExist) {
			t.Fatal(err)
		}
	}
	killed(t, fewer(30), span, args, removeOne, func(kill int) {
		mustBeWhole(t, kill, out, want)
		now := hashes(t, out)
		if partials(now) > 0 {
			caughtWriting++
		}
		products = max(products, len(fitsOf(now))-partials(now))
	})
	t.Logf("partial files were there after %d kills; up to %d products were whole", caughtWriting, products)

	undisturbed(t, args)
	if got := fitsOf(hashes(t, out)); !maps.Equal(got, fitsOf(want)) {
		t.Errorf("after the kills and a full run the folder holds\n%v\nwant\n%v", got, fitsOf(want))
	}
}

func TestKilledMastersRunLeavesOnlyWholeFilesAndIsRepairedByTheNextRun(t *testing.T) {
	demo := sharedCampaign(t)
	reference, out := t.TempDir(), t.TempDir()
	args := func(dir string) []string {
		return []string{"masters", "--profile", demo.profile(), "--out", dir, demo.raw()}
	}
	span := undisturbed(t, args(reference))
	want := hashes(t, reference)

	killed(t, fewer(6), span, args(out), func(int) {}, func(kill int) { mustBeWhole(t, kill, out, want) })

	undisturbed(t, args(out))
	if got := hashes(t, out); !maps.Equal(got, want) {
		t.Errorf("after the kills and a full run the folder holds\n%v\nwant\n%v", got, want)
	}
}
