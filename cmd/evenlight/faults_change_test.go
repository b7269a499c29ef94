//go:build unix

package main

import (
	"errors"
	"fmt"
	"io/fs"
	"math/rand/v2"
	"os"
	"path/filepath"
	"testing"
	"time"

	"evenlight/pipeline"
)

// A raw file that is changed while a run is at work on it. Each way leaves the
// file with what content says, but for those that leave it cut off or gone.
var meddling = []struct {
	name   string
	whole  bool // the content is there afterwards
	meddle func(path string, content []byte) error
}{
	{"truncated", false, func(path string, content []byte) error { return os.Truncate(path, int64(len(content)/2)) }},
	{"emptied", false, func(path string, _ []byte) error { return os.Truncate(path, 0) }},
	{"overwritten with as many bytes", true, overwrite},
	{"replaced by another file", true, func(path string, content []byte) error {
		beside := filepath.Join(filepath.Dir(path), ".arriving")
		return errors.Join(os.WriteFile(beside, content, 0o600), os.Rename(beside, path))
	}},
	{"deleted", false, func(path string, _ []byte) error { return os.Remove(path) }},
	{"deleted and written anew", true, func(path string, content []byte) error {
		return errors.Join(os.Remove(path), os.WriteFile(path, content, 0o600))
	}},
}

// overwrite writes in place, in two pieces.
func overwrite(path string, content []byte) error {
	f, err := os.OpenFile(path, os.O_WRONLY, 0)
	if err != nil {
		return err
	}
	half := int64(len(content) / 2)
	_, first := f.WriteAt(content[:half], 0)
	_, second := f.WriteAt(content[half:], half)
	return errors.Join(first, second, f.Close())
}

func TestRawFilesThatChangeWhileTheyAreReadEndWithProductsOfTheirLastContent(t *testing.T) {
	rounds := 60
	if testing.Short() {
		rounds = 12
	}
	const files = 4
	d := sharedDownlink(t, 14)
	span := usualIntake(t)
	for _, m := range meddling {
		t.Run(m.name, func(t *testing.T) {
			random := rand.New(rand.NewPCG(20310406, uint64(len(m.name))))
			a := newKept(t, t.TempDir(), d.profile)
			a.accept(d)
			next, one := 0, filepath.Join(t.TempDir(), "frame.fits")
			content := func() []byte {
				next++
				frameLike(t, d.scenes[next%len(d.scenes)], one, fmt.Sprintf("TESSALY %d", next))
				return readFile(t, one)
			}
			// A source that has nothing in it any more counts as not mounted.
			if err := os.WriteFile(a.path("raw", "stays.fits"), content(), 0o600); err != nil {
				t.Fatal(err)
			}
			path := func(i int) string { return a.path("raw", string(rune('a'+i))+".fits") }
			for range rounds {
				for i := range files {
					if err := os.WriteFile(path(i), content(), 0o600); err != nil {
						t.Fatal(err)
					}
				}
				c := a.start("intake")
				time.Sleep(time.Duration(random.Float64() * float64(span)))
				for i := range files {
					if err := m.meddle(path(i), content()); err != nil {
						t.Fatal(err)
					}
				}
				if code, killed := endOf(t, c.Wait()); killed || code == exitUsage {
					t.Fatalf("the run that was meddled with ended with code %d\n%s", code, a.logText())
				}
				a.mustBeWhole("meddled with")
				got := a.run("intake")
				if got.code != exitDone {
					t.Fatalf("the next run ended with code %d\n%s", got.code, got.errors)
				}
				for i := range files {
					if m.whole {
						mustBeProductOf(t, a, path(i))
					}
				}
			}
			for i := range files {
				if err := os.WriteFile(path(i), content(), 0o600); err != nil {
					t.Fatal(err)
				}
			}
			a.intake(exitDone)
			for i := range files {
				mustBeProductOf(t, a, path(i))
			}
			mustHaveNoneAside(t, a)
			a.mustHoldNoPartials("products", "earlier", "quarantine")
			a.mustRun(exitDone, "ledger", "check")
			a.mustPlanNothing()
		})
	}
}

// usualIntake is how long an intake of new frames takes.
func usualIntake(t *testing.T) time.Duration {
	t.Helper()
	a := inProcesses(arrived(t, t.TempDir(), sharedDownlink(t, 4)))
	start := time.Now()
	a.intake(exitDone)
	return time.Since(start)
}

// mustBeProductOf fails unless the product of a raw file is made from what that
// file holds.
func mustBeProductOf(t *testing.T, a *kept, raw string) {
	t.Helper()
	stem := filepath.Base(raw[:len(raw)-len(".fits")])
	r, err := pipeline.NewProductReader().Read(a.path("products", "quillon", stem+"-calibrated.fits"))
	if err != nil {
		t.Fatal(err)
	}
	if want := hashOf(t, raw); r.RawSHA != want {
		t.Errorf("the product of %s is of the content %s, and the file holds %s", raw, r.RawSHA, want)
	}
}

// mustHaveNoneAside fails when a frame is in quarantine.
func mustHaveNoneAside(t *testing.T, a *kept) {
	t.Helper()
	left, err := os.ReadDir(a.path("quarantine"))
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		t.Fatal(err)
	}
	for _, e := range left {
		t.Errorf("the quarantine holds %s: %v", e.Name(), a.tree(filepath.Join("quarantine", e.Name())))
	}
}

func TestAContentThatLosesOneOfItsNamesKeepsItsProduct(t *testing.T) {
	d := sharedDownlink(t, 2)
	a := newKept(t, t.TempDir(), d.profile)
	a.accept(d)
	first, second := readFile(t, d.scenes[0]), readFile(t, d.scenes[1])
	a.write("raw/a.fits", first)
	a.write("raw/b.fits", first)
	a.intake(exitDone)
	a.write("raw/a.fits", second)
	a.intake(exitDone)
	a.intake(exitDone)
	made := map[string]bool{}
	for rel := range a.tree("products") {
		r, err := pipeline.NewProductReader().Read(a.path("products", rel))
		if err != nil {
			t.Fatal(err)
		}
		made[r.RawSHA] = true
	}
	for _, raw := range []string{"a.fits", "b.fits"} {
		if !made[hashOf(t, a.path("raw", raw))] {
			t.Errorf("what %s holds has no product", raw)
		}
	}
	a.mustPlanNothing()
}
