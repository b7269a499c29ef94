package main

import (
	"bytes"
	"maps"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"
)

var sha256Hex = regexp.MustCompile(`[0-9a-f]{64}`)

// profileHash returns the hash that "profile check" prints.
func profileHash(t *testing.T, args ...string) string {
	t.Helper()
	got := command(append([]string{"profile", "check"}, args...)...)
	hash := sha256Hex.FindString(got.out)
	if got.code != exitDone || hash == "" {
		t.Fatalf("exit code %d, output %s%s", got.code, got.out, got.errors)
	}
	return hash
}

func TestTemplateAndItsShownFormAreTheSameProfile(t *testing.T) {
	for _, name := range []string{"quillon", "pellam"} {
		t.Run(name, func(t *testing.T) {
			dir := t.TempDir()
			template := writeFile(t, dir, "template.yaml", []byte(command("profile", "template", name).out))
			shown := writeFile(t, dir, "shown.yaml", []byte(command("profile", "show", "--profile", template).out))
			if bytes.Equal(readFile(t, template), readFile(t, shown)) {
				t.Error("the shown form has the template's comments, or the template has none")
			}
			want := profileHash(t, "--profile", name)
			for _, path := range []string{template, shown} {
				if got := profileHash(t, "--profile", path); got != want {
					t.Errorf("%s has the hash %s, the built-in profile %s", filepath.Base(path), got, want)
				}
			}
		})
	}
}

func TestOverridesShowInTheProfileAndItsHash(t *testing.T) {
	plain := command("profile", "show", "--profile", "quillon").out
	set := []string{"--profile", "quillon", "--set", "output.quantity=electrons"}
	got := command(append([]string{"profile", "show"}, set...)...)
	mustContain(t, "the profile", got.out, "quantity: electrons")
	if strings.Contains(plain, "quantity: electrons") {
		t.Error("the built-in profile has the override's value already")
	}
	if profileHash(t, set...) == profileHash(t, "--profile", "quillon") {
		t.Error("the override does not change the hash")
	}
}

func TestOverridesCanComeFromTheEnvironment(t *testing.T) {
	t.Setenv("EVENLIGHT_SET_OUTPUT__QUANTITY", "electrons")
	mustContain(t, "the profile", command("profile", "show", "--profile", "quillon").out, "quantity: electrons")
}

func TestProfileCheckListsTheStagesInTheOrderOfActing(t *testing.T) {
	out := command("profile", "check", "--profile", "quillon").out
	// The order of the measurement model, undone from the outside in.
	at := -1
	for _, stage := range []string{"offset", "bias", "linearity", "gain", "dark", "flat", "radiance"} {
		next := strings.Index(out, "\n  "+stage+" ")
		if next <= at {
			t.Errorf("stage %s is missing or too early in\n%s", stage, out)
		}
		at = next
	}
	off := command("profile", "check", "--profile", "quillon", "--set", "stages_off=[flat]").out
	if !regexp.MustCompile(`\n  flat +off `).MatchString(off) {
		t.Errorf("the flat stage is not off in\n%s", off)
	}
}

func TestSchemaIsAJSONSchema(t *testing.T) {
	got := command("profile", "schema")
	schema := object(t, parse(t, got.out))
	properties, _ := schema["properties"].(map[string]any)
	for _, key := range []string{"format", "instrument", "keywords", "frame_kinds", "detectors", "bands", "output"} {
		if _, ok := properties[key]; !ok {
			t.Errorf("the schema does not know %q", key)
		}
	}
}

func TestInspectShowsWhatTheProfileReads(t *testing.T) {
	demo := sharedCampaign(t)
	for _, test := range []struct {
		file string
		want []string
	}{
		{"0001-bias.fits", []string{"  bias  ", " 0 s "}},
		{"0021-dark.fits", []string{"  dark  "}},
		{"0077-flat.fits", []string{"  flat  ", "band violet"}},
		{"0161-ladder.fits", []string{"  ladder  "}},
		{"0171-scene.fits", []string{"  scene  ", "band violet", " 4 s "}},
		{"0177-scene.fits", []string{"  scene  ", "band nir", " 4 s "}},
	} {
		path := filepath.Join(demo.raw(), test.file)
		got := command("inspect", "--profile", demo.profile(), path)
		if got.code != exitDone {
			t.Errorf("%s: exit code %d\n%s", test.file, got.code, got.errors)
		}
		mustContain(t, test.file, got.out, append(test.want, path, "detector main", "mode normal")...)
	}
}

func TestProvenanceOfAProductNamesItsInputs(t *testing.T) {
	demo := sharedCampaign(t)
	got := command("provenance", filepath.Join(string(demo), "products", "0171-scene-calibrated.fits"))
	mustContain(t, "provenance", got.out, "0171-scene.fits")
	masters := hashes(t, demo.masters())
	for _, kind := range []string{"bias-main", "dark-main", "linearity-main", "flat-main-normal-violet", "bad-pixels-main"} {
		name := onlyWithPrefix(t, masters, kind)
		mustContain(t, "provenance", got.out, name, masters[name])
	}
}

func onlyWithPrefix(t *testing.T, files map[string]string, prefix string) string {
	t.Helper()
	var found []string
	for name := range files {
		if strings.HasPrefix(name, prefix) {
			found = append(found, name)
		}
	}
	if len(found) != 1 {
		t.Fatalf("%q begins the names %v, want one", prefix, found)
	}
	return found[0]
}

func TestVerifyTellsAProductThatWasChanged(t *testing.T) {
	demo := sharedCampaign(t)
	out := t.TempDir()
	if got := command(demo.calibrate(out, demo.scenes(t, 2)...)...); got.code != exitDone {
		t.Fatal(got.errors)
	}
	good, changed := filepath.Join(out, "0171-scene-calibrated.fits"), filepath.Join(out, "0172-scene-calibrated.fits")
	b := readFile(t, changed)
	b[len(b)/3] ^= 1
	writeFile(t, out, filepath.Base(changed), b)
	got := command("verify", "--inputs", demo.raw(), "--inputs", demo.masters(), good, changed)
	if got.code != exitSome {
		t.Errorf("exit code %d, want %d\n%s%s", got.code, exitSome, got.out, got.errors)
	}
	mustContain(t, "standard output", got.out, "same      "+good)
	mustContain(t, "the answer", got.out+got.errors, changed)
	if strings.Contains(got.out, "same      "+changed) {
		t.Errorf("the changed product counts as the same:\n%s", got.out)
	}
}

// pullRow is a line of the demo's table of pulls: limits, pixels, mean and sd
// with the spread expected from the number of pixels.
var pullRow = regexp.MustCompile(`(?m)^ *\d+ to +\d+ +(\d+) +(-?[\d.]+) ± ([\d.]+) +([\d.]+) ± ([\d.]+) +[\d.]+$`)

func TestDemoComparesWithTheTruth(t *testing.T) {
	sharedCampaign(t)
	out := runDemo().out
	mustContain(t, "the demo", out, "masters made", "pulls (value - truth)/uncertainty", "hot", "dead", "saturated", campaignDir)
	rows := pullRow.FindAllStringSubmatch(out, -1)
	if len(rows) != 12 {
		t.Fatalf("%d rows of pulls, want 12\n%s", len(rows), out)
	}
	pixels := 0
	for _, row := range rows {
		n, err := strconv.Atoi(row[1])
		if err != nil {
			t.Fatal(err)
		}
		pixels += n
		// An sd of n normal pulls has the standard error 1/sqrt(2n), at most
		// 0.005 in the emptiest bin. Pulls are not all independent (masters
		// are shared by the frames), and uncertainties are themselves
		// estimates: 5 % is the accuracy that a user can count on here.
		sd, err := strconv.ParseFloat(row[4], 64)
		if err != nil || sd < 0.95 || sd > 1.05 {
			t.Errorf("the pulls have sd %s, want 1 within 0.05: %s", row[4], row[0])
		}
	}
	if pixels < 1_000_000 {
		t.Errorf("the table holds %d pixels, want a million or more", pixels)
	}
}

func TestDemoDoesNotReuseAFolder(t *testing.T) {
	demo := sharedCampaign(t)
	before := hashes(t, demo.raw())
	got := command("demo", string(demo))
	if got.code != exitNothing {
		t.Errorf("exit code %d, want %d", got.code, exitNothing)
	}
	mustContain(t, "standard error", got.errors, demo.raw(), "name a new folder")
	if !maps.Equal(before, hashes(t, demo.raw())) {
		t.Error("the raw frames are others now")
	}
}

func TestDemoHasNoCameraThatIsNotBuiltIn(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "demo")
	got := command("demo", "--camera", "quilon", dir)
	if got.code == exitDone {
		t.Error("exit code 0")
	}
	mustContain(t, "standard error", got.errors, "quilon", "quillon")
	if _, err := os.Stat(filepath.Join(dir, "raw")); !os.IsNotExist(err) {
		t.Errorf("raw frames were made: %v", err)
	}
}

func TestNoCommandChangesRawFrames(t *testing.T) {
	demo := sharedCampaign(t)
	raw := t.TempDir()
	var files []string
	for _, pattern := range []string{"000?-bias.fits", "0171-scene.fits", "0172-scene.fits"} {
		found, err := filepath.Glob(filepath.Join(demo.raw(), pattern))
		if err != nil || len(found) == 0 {
			t.Fatalf("no %s (%v)", pattern, err)
		}
		for _, path := range found {
			files = append(files, writeFile(t, raw, filepath.Base(path), readFile(t, path)))
		}
	}
	before, products := hashes(t, raw), t.TempDir()
	if len(before) != len(files) {
		t.Fatalf("%d raw frames, want %d", len(before), len(files))
	}
	for _, args := range [][]string{
		{"inspect", "--profile", demo.profile(), raw},
		{"masters", "--profile", demo.profile(), "--out", t.TempDir(), raw},
		demo.calibrate(products, raw),
		append(demo.calibrate(products, raw), "--overwrite"),
		append(demo.calibrate(raw, raw), "--overwrite"), // products beside the raw frames
		{"verify", "--inputs", raw, "--inputs", demo.masters(), filepath.Join(products, "0171-scene-calibrated.fits")},
	} {
		if got := command(args...); got.code != exitDone {
			t.Errorf("%s: exit code %d\n%s%s", args[0], got.code, got.out, got.errors)
		}
		after := hashes(t, raw)
		for name, sum := range before {
			if after[name] != sum {
				t.Errorf("%s changed %s", args[0], name)
			}
		}
	}
}
