package main

import (
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"evenlight/pipeline"
)

// secondFlat makes, once, a red flat of half of the demo's red flat frames.
var secondFlat = sync.OnceValues(func() (string, error) {
	demo := campaign(campaignDir)
	raw, err := filepath.Glob(filepath.Join(demo.raw(), "*-flat.fits"))
	if err != nil {
		return "", err
	}
	var red []string
	for _, path := range raw {
		if strings.Contains(command("inspect", "--profile", demo.profile(), path).out, "band red") {
			red = append(red, path)
		}
	}
	apart := campaignDir + "-second-flat"
	if err := os.CopyFS(apart, os.DirFS(demo.masters())); err != nil {
		return "", err
	}
	got := command(append([]string{"masters", "--profile", demo.profile(), "--out", apart}, red[:len(red)/2]...)...)
	if got.code != exitDone {
		return "", fmt.Errorf("exit code %d\n%s%s", got.code, got.out, got.errors)
	}
	flats, err := filepath.Glob(filepath.Join(apart, "flat-*-red-*.fits"))
	for _, f := range flats {
		if _, err := os.Stat(filepath.Join(demo.masters(), filepath.Base(f))); err != nil {
			return f, nil
		}
	}
	return "", fmt.Errorf("no flat was made: %v, %v", flats, err)
})

// shelfCopy is a folder with the demo's masters, about which may be decided, and
// a second red flat.
func shelfCopy(t *testing.T) (dir, flat, other string) {
	t.Helper()
	demo := sharedCampaign(t)
	second, err := secondFlat()
	if err != nil {
		t.Fatal(err)
	}
	dir = filepath.Join(t.TempDir(), "masters")
	if err := os.CopyFS(dir, os.DirFS(demo.masters())); err != nil {
		t.Fatal(err)
	}
	flat = oneOf(t, dir, "flat-*-red-*.fits")
	return dir, flat, writeFile(t, dir, filepath.Base(second), readFile(t, second))
}

func oneOf(t *testing.T, dir, pattern string) string {
	t.Helper()
	found, err := filepath.Glob(filepath.Join(dir, pattern))
	if err != nil || len(found) != 1 {
		t.Fatalf("%s in %s: %v, %v; want one", pattern, dir, found, err)
	}
	return found[0]
}

// redScene is a scene frame of the demo behind the red filter.
func redScene(t *testing.T) string {
	t.Helper()
	demo := sharedCampaign(t)
	for _, path := range demo.scenes(t, 9) {
		if strings.Contains(command("inspect", "--profile", demo.profile(), path).out, "band red") {
			return path
		}
	}
	t.Fatal("none of the first nine scenes is red")
	return ""
}

// decide runs a command that records a decision on a day of May 2031.
func decide(t *testing.T, code int, dir, what, at string, words ...string) answer {
	t.Helper()
	got := command(append([]string{"library", what, "--masters", dir, "--by", "A. Rook", "--why", "the lamp drifted", "--at", at}, words...)...)
	if got.code != code {
		t.Fatalf("library %s %v: exit code %d, want %d\n%s%s", what, words, got.code, code, got.out, got.errors)
	}
	return got
}

// A characterisation serves by the profile that names it, so that is where its
// products are looked for.
func TestAWithdrawnCharacterisationTellsWhichProductsTookIt(t *testing.T) {
	demo := sharedCampaign(t)
	dir, _, _ := shelfCopy(t)
	measured := oneOf(t, filepath.Join(string(demo), "sensor"), "*-characterisation.json")
	sensor := writeFile(t, dir, filepath.Base(measured), readFile(t, measured))
	products := t.TempDir()
	scenes := demo.scenes(t, 2)
	for i, set := range []string{"detectors.0.characterised.file=" + sensor, "output.quantity=electrons"} {
		if got := command("calibrate", "--profile", demo.profile(), "--masters", filepath.Join(string(demo), "masters"), "--out", products, "--set", set, scenes[i]); got.code != exitDone {
			t.Fatalf("exit code %d\n%s%s", got.code, got.out, got.errors)
		}
	}
	took := filepath.Join(products, strings.TrimSuffix(filepath.Base(scenes[0]), ".fits")+"-calibrated.fits")
	got := decide(t, exitDone, dir, "withdraw", "2031-05-02", "--products", products, sensor)
	mustContain(t, "the answer", got.out, "products whose profile took it: 1, in "+products, took, "use it until they name another")
}

func TestALibraryIsKeptByItsCommands(t *testing.T) {
	demo := sharedCampaign(t)
	dir, flat, other := shelfCopy(t)
	scene := redScene(t)
	choose := func(more ...string) string {
		t.Helper()
		got := command(append([]string{"library", "choose", "--masters", dir, "--profile", demo.profile(), scene}, more...)...)
		return got.out
	}
	served, spare := flat, other
	if !strings.Contains(choose(), filepath.Base(flat)) {
		served, spare = other, flat
	}
	mustContain(t, "the choice at first", choose(), filepath.Base(served))

	products := filepath.Join(string(demo), "products")
	got := decide(t, exitDone, dir, "withdraw", "2031-05-02", "--products", products, served)
	mustContain(t, "the answer", got.out, filepath.Base(served), "withdrawn", "2031-05-02 00:00:00 withdraw by A. Rook: the lamp drifted", "products made with it:")
	mustContain(t, "the choice after the withdrawal", choose(), filepath.Base(spare))
	mustContain(t, "the choice on the day before", choose("--on", "2031-05-01"), filepath.Base(served))
	mustContain(t, "the choice on that day", choose("--on", "2031-05-02"), filepath.Base(spare))

	decide(t, exitDone, dir, "require", "2031-05-03", "on")
	mustContain(t, "the choice where acceptance is required", choose(), "no bias master", "was not accepted", "by A. Rook on 2031-05-03 00:00:00")
	all, err := filepath.Glob(filepath.Join(dir, "*.fits"))
	if err != nil {
		t.Fatal(err)
	}
	decide(t, exitDone, dir, "accept", "2031-05-04", all...)
	mustContain(t, "the choice after all were accepted", choose(), filepath.Base(served))
	decide(t, exitDone, dir, "accept", "2031-05-05", "--from", "2031-03-01", "--to", "2031-04-01", "--supersedes", served, spare)
	mustContain(t, "the choice after one was superseded", choose(), filepath.Base(spare))

	// A decision that comes too late to matter is recorded, and people are told.
	got = decide(t, exitNothing, dir, "withdraw", "2031-05-01", spare)
	mustContain(t, "standard error", got.errors, filepath.Base(spare), "without effect", "2031-05-05")
	decide(t, exitDone, dir, "note", "2031-05-06", "--joined", "2031-04-20", spare)
	mustContain(t, "what is shown of it", command("library", "show", "--masters", dir, spare).out,
		"serves      frames from 2031-03-01 00:00:00 to before 2031-04-01 00:00:00", "supersedes", "note by A. Rook", "withdraw by A. Rook", "not looked for")
	mustContain(t, "the list", command("library", "list", "--masters", dir).out, "only accepted ones serve", "accepted, superseded", filepath.Base(spare))
	if out := command("library", "list", "--masters", dir, "--on", "2031-04-19").out; strings.Contains(out, filepath.Base(spare)) {
		t.Errorf("before it joined, the list has it:\n%s", out)
	}

	// The products follow what was chosen.
	made := t.TempDir()
	if got := command("calibrate", "--profile", demo.profile(), "--masters", dir, "--out", made, scene); got.code != exitDone {
		t.Fatalf("exit code %d\n%s%s", got.code, got.out, got.errors)
	}
	mustContain(t, "the provenance", command("provenance", oneOf(t, made, "*-calibrated.fits")).out, filepath.Base(spare))
	if got := command("verify", "--inputs", demo.raw(), "--inputs", dir, oneOf(t, made, "*-calibrated.fits")); got.code != exitDone {
		t.Errorf("verify: exit code %d\n%s%s", got.code, got.out, got.errors)
	}
}

// The withdrawal lists the products whose headers name the content, and those
// of the masks that it went into.
func TestAWithdrawalListsTheProductsThatUsedTheMaster(t *testing.T) {
	demo := sharedCampaign(t)
	dir, flat, _ := shelfCopy(t)
	products := filepath.Join(string(demo), "products")
	got := command("library", "withdraw", "--masters", dir, "--by", "A. Rook", "--why", "a test", "--json", "--products", products, filepath.Base(flat))
	if got.code != exitDone {
		t.Fatalf("exit code %d\n%s", got.code, got.errors)
	}
	var views []usedView
	if err := json.Unmarshal([]byte(got.out), &views); err != nil || len(views) != 1 {
		t.Fatal(err, got.out)
	}
	listed := map[string]string{}
	for _, u := range views[0].Products {
		listed[filepath.Base(u.Product)] = u.Through
	}
	files, err := filepath.Glob(filepath.Join(products, "*.fits"))
	if err != nil {
		t.Fatal(err)
	}
	direct := 0
	for _, path := range files {
		p, err := pipeline.ReadProvenance(path)
		if err != nil {
			t.Fatal(err)
		}
		through, ok := listed[filepath.Base(path)]
		if !ok {
			t.Errorf("%s is not listed, though its mask was made with the flat", path)
		}
		if (p.Band == "red") != (through == "") {
			t.Errorf("%s of band %s is listed through %q", path, p.Band, through)
		}
		if through == "" {
			direct++
		}
	}
	if direct == 0 || direct == len(files) {
		t.Errorf("%d of %d products used the flat: nothing is tested", direct, len(files))
	}
}

func TestLibraryExitCodes(t *testing.T) {
	demo := sharedCampaign(t)
	dir, flat, other := shelfCopy(t)
	mask := oneOf(t, dir, "bad-pixels-*.fits")
	who := []string{"--by", "A. Rook", "--why", "a test"}
	empty := t.TempDir()
	decided := func(what string, words ...string) []string {
		return append(append([]string{"library", what, "--masters", dir}, who...), words...)
	}
	for _, test := range []struct {
		name   string
		args   []string
		code   int
		errors []string
	}{
		{"list", []string{"library", "list", "--masters", dir}, exitDone, nil},
		{"an empty library", []string{"library", "list", "--masters", empty}, exitNothing, []string{"evenlight masters"}},
		{"no library", []string{"library", "list", "--masters", filepath.Join(empty, "none")}, exitNothing, []string{"none"}},
		{"neither folder nor archive", []string{"library", "list"}, exitUsage, []string{"masters", "archive"}},
		{"both", []string{"library", "list", "--masters", dir, "--archive", "a.yaml"}, exitUsage, []string{"masters", "archive"}},
		{"nobody decides", []string{"library", "accept", "--masters", dir, "--why", "x", flat}, exitUsage, []string{`"by"`}},
		{"no reason", []string{"library", "accept", "--masters", dir, "--by", "x", flat}, exitUsage, []string{`"why"`}},
		{"a reason of nothing", []string{"library", "accept", "--masters", dir, "--by", "x", "--why", " ", flat}, exitNothing, []string{"why"}},
		{"a time that is none", decided("accept", "--at", "May", flat), exitUsage, []string{`--at "May"`}},
		{"a date that is none", []string{"library", "list", "--masters", dir, "--on", "May"}, exitUsage, []string{`--on "May"`}},
		{"a validity that is none", decided("accept", "--from", "2031-05-02", "--to", "2031-05-01", flat), exitNothing, []string{"is not before"}},
		{"an unknown master", decided("withdraw", "flat.fits"), exitNothing, []string{`"flat.fits"`, "library list"}},
		{"a successor of another kind", decided("accept", "--supersedes", flat, mask), exitNothing, []string{"cannot supersede", "bad-pixels"}},
		{"a requirement that is none", decided("require", "maybe"), exitUsage, []string{`"maybe"`}},
		{"compare", []string{"library", "compare", flat, other}, exitDone, nil},
		{"compare unlike ones", []string{"library", "compare", flat, mask}, exitNothing, []string{"their kind differs"}},
		{"choose for no scenes", []string{"library", "choose", "--masters", dir, "--profile", demo.profile(), empty}, exitNothing, []string{"no scene frames"}},
		{"choose where there are none", []string{"library", "choose", "--masters", empty, "--profile", demo.profile(), redScene(t)}, exitNothing, nil},
		{"products that cannot be read", decided("withdraw", "--products", campaignDir, "--products", filepath.Join(empty, "none"), flat), exitSome, []string{"none"}},
	} {
		t.Run(test.name, func(t *testing.T) {
			got := command(test.args...)
			if got.code != test.code {
				t.Errorf("exit code %d, want %d\n%s%s", got.code, test.code, got.out, got.errors)
			}
			mustContain(t, "standard error", got.errors, test.errors...)
		})
	}
	d, err := pipeline.ReadDecisions(dir)
	if err != nil || len(d.All) != 1 {
		t.Errorf("%d decisions are recorded, want the last withdrawal alone (%v)", len(d.All), err)
	}
	if len(d.All) == 1 && time.Since(d.All[0].At).Abs() > time.Hour {
		t.Errorf("it was made at %v, want now", d.All[0].At)
	}
}

// In an archive the ledger tells which products are concerned.
func TestALibraryOfAnArchive(t *testing.T) {
	demo := sharedCampaign(t)
	_, _, other := shelfCopy(t)
	base := t.TempDir()
	for _, folder := range []string{"raw", "masters"} {
		if err := os.Mkdir(filepath.Join(base, folder), 0o700); err != nil {
			t.Fatal(err)
		}
	}
	copyInto := func(folder string, files ...string) {
		t.Helper()
		for _, f := range files {
			writeFile(t, filepath.Join(base, folder), filepath.Base(f), readFile(t, f))
		}
	}
	scenes := demo.scenes(t, 9)
	copyInto("raw", scenes...)
	masters, err := filepath.Glob(filepath.Join(demo.masters(), "*.fits"))
	if err != nil {
		t.Fatal(err)
	}
	copyInto("masters", append(masters, other)...)
	file := filepath.Join(base, "archive.yaml")
	text := command("archive", "template").out
	text = strings.Replace(text, "folder: raw/quillon", "folder: raw", 1)
	text = strings.Replace(text, "profile: quillon ", "profile: "+demo.profile()+" ", 1)
	text = strings.Replace(text, "settle_s: ", "settle_s: 0 # ", 1)
	writeFile(t, base, "archive.yaml", []byte(text))
	if got := command("intake", "--archive", file); got.code != exitDone && got.code != exitAlert {
		t.Fatalf("exit code %d\n%s%s", got.code, got.out, got.errors)
	}
	choice := command("library", "choose", "--archive", file, "--profile", demo.profile(), "--json", redScene(t))
	var choices []pipeline.Choice
	if err := json.Unmarshal([]byte(choice.out), &choices); err != nil || len(choices) != 1 {
		t.Fatal(err, choice.out)
	}
	flat := ""
	for _, m := range choices[0].Masters {
		if m.Role == pipeline.MasterFlat {
			flat = m.SHA256
		}
	}
	got := command("library", "withdraw", "--archive", file, "--by", "A. Rook", "--why", "a test", "--json", flat)
	if got.code != exitDone {
		t.Fatalf("exit code %d\n%s%s", got.code, got.out, got.errors)
	}
	var views []usedView
	if err := json.Unmarshal([]byte(got.out), &views); err != nil || len(views) != 1 {
		t.Fatal(err, got.out)
	}
	direct := 0
	for _, u := range views[0].Products {
		if u.Through == "" {
			direct++
		}
	}
	plan := object(t, parse(t, command("plan", "--archive", file, "--json").out))
	if direct == 0 || direct == len(scenes) || plan["stale"] != float64(direct) {
		t.Errorf("%d products used the flat, and %v are to be made again of %d", direct, plan["stale"], len(scenes))
	}
}
