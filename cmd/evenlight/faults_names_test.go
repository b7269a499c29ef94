//go:build unix

package main

import (
	"encoding/json"
	"errors"
	"io/fs"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

// oddNames are names of raw files that a file system allows. 255 bytes are the
// longest that Linux and most others take (NAME_MAX of pathconf(3)).
var oddNames = []string{
	"two  words .fits",
	" in front.fits",
	`"double" and 'single'.fits`,
	"back`tick` $(id) ;|&.fits",
	`back\slash\n.fits`,
	"new\nline.fits",
	"reason: none\nsha256: 00.fits",
	"tab\tand\rreturn.fits",
	"escape\x1b[31m.fits",
	"Grüße-月-🛰.fits",
	"e\u0301-and-é.fits",
	"bidi-\u202etxt.fits",
	"not\xff\xfeUTF-8\xc3.fits",
	"-leading-dash.fits",
	"--archive.fits",
	"percent%20%s%d%n%.fits",
	"star*?[a-z]{b}~#!.fits",
	"UPPER.FITS",
	"twice.fits.fits",
	strings.Repeat("n", 200) + ".fits",
}

// longNames are as long as names can be, in letters of one byte and of several.
var longNames = []string{
	strings.Repeat("l", 250) + ".fits",
	strings.Repeat("月", 83) + "s.fits",
	strings.Repeat("m", 235) + ".fits",
}

func TestFramesOfAnyNameAreProcessedAndTheirProductsVerify(t *testing.T) {
	mustTakeNames(t, oddNames)
}

func TestFramesOfTheLongestNamesAreProcessedAndTheirProductsVerify(t *testing.T) {
	mustTakeNames(t, longNames)
}

// mustTakeNames takes frames of such names in, first into quarantine and then
// back. Each lies in a folder of such a name.
func mustTakeNames(t *testing.T, names []string) {
	t.Helper()
	n := len(names)
	d := sharedDownlink(t, n)
	a := newKept(t, t.TempDir(), d.profile)
	lookIn := []string{"--inputs", a.path("masters")}
	for i, name := range names {
		folder := a.path("raw", strings.TrimSuffix(name, ".fits"))
		if err := os.Mkdir(folder, 0o755); err != nil && !errors.Is(err, fs.ErrExist) {
			t.Fatalf("this file system does not take the name %q: %v", name, err)
		}
		if err := os.WriteFile(filepath.Join(folder, name), readFile(t, d.scenes[i]), 0o600); err != nil {
			t.Fatalf("this file system does not take the name %q: %v", name, err)
		}
		lookIn = append(lookIn, "--inputs", folder)
	}
	raw := a.tree("raw")

	r, got := a.intake(exitNothing)
	if r.Quarantined != n || r.Counts.Failed != n {
		t.Fatalf("without masters: %+v\n%s", r, got.errors)
	}
	a.accept(d)
	r, got = a.intake(exitDone)
	if r.Counts.Done != n || r.Returned != n {
		t.Fatalf("with masters: %+v\n%s", r, got.errors)
	}
	for line := range strings.Lines(string(a.logText())) {
		if !json.Valid([]byte(line)) {
			t.Errorf("a name breaks a line of the log: %q", line)
		}
	}
	products := a.tree("products")
	if len(products) != n {
		t.Errorf("%d products are there, want %d", len(products), n)
	}
	for _, rel := range slices.Sorted(maps.Keys(products)) {
		path := a.path("products", rel)
		mustBeSound(t, path)
		if got := command("provenance", "--", path); got.code != exitDone {
			t.Errorf("provenance of %q: code %d\n%s", rel, got.code, got.errors)
		}
		if got := command(append(append([]string{"verify"}, lookIn...), "--", path)...); got.code != exitDone {
			t.Errorf("verify of %q: code %d\n%s%s", rel, got.code, got.out, got.errors)
		}
	}
	a.mustHoldNoPartials("products", "raw", "quarantine")
	a.mustBeIn("raw", raw)
	a.mustAgree(n)
	a.dropLedger()
	a.mustRun(exitDone, "ledger", "rebuild")
	if r, got := a.intake(exitDone); r.Counts.Done+r.Adopted > 0 {
		t.Errorf("after the ledger was rebuilt: %+v\n%s", r, got.errors)
	}
	a.mustPlanNothing()
}
