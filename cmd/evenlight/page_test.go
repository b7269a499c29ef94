package main

import (
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

func TestPageCommandSaysWhatBelongsTogether(t *testing.T) {
	dir := t.TempDir()
	for _, c := range []struct {
		args []string
		code int
		says string
	}{
		{[]string{}, exitUsage, "--products"},
		{[]string{"--products", dir, "--archive", "a.yaml"}, exitUsage, "--products"},
		{[]string{"--archive", "a.yaml", "--raw", dir}, exitUsage, "belong to --products"},
		{[]string{"--products", dir, "--from", "2031-04-05"}, exitUsage, "belong to --archive"},
		{[]string{"--products", dir, "--by", "arrival"}, exitUsage, "belong to --archive"},
		{[]string{"--archive", "a.yaml", "--by", "moon"}, exitUsage, "exposure or arrival"},
		{[]string{"--products", dir}, exitNothing, "summary.json"},
	} {
		out := filepath.Join(dir, "page")
		got := command(append([]string{"page", "--out", out}, c.args...)...)
		if got.code != c.code || !strings.Contains(got.errors, c.says) {
			t.Errorf("%v: code %d, %s", c.args, got.code, got.errors)
		}
		if _, err := os.Stat(out); err == nil {
			t.Errorf("%v: a page was begun", c.args)
		}
	}
}

// The page at the end of a run is the one that the command makes of its files.
func TestPageAtTheEndOfARunIsThatOfItsFiles(t *testing.T) {
	campaign := sharedCampaign(t)
	scenes := campaign.scenes(t, 2)
	dir := t.TempDir()
	products, page := filepath.Join(dir, "products"), filepath.Join(dir, "page")
	must := func(args ...string) string {
		t.Helper()
		got := command(args...)
		if got.code != exitDone {
			t.Fatalf("%v: code %d, %s", args, got.code, got.errors)
		}
		return got.out
	}
	must(append([]string{"calibrate", "--profile", campaign.profile(), "--masters", campaign.masters(), "--out", products, "--page", page}, scenes...)...)
	read := func() string {
		b, err := os.ReadFile(filepath.Join(page, "index.html"))
		if err != nil {
			t.Fatal(err)
		}
		return string(b)
	}
	before := read()
	out := must("--json", "page", "--products", products, "--masters", campaign.masters(), "--out", page)
	if read() != before {
		t.Error("the two pages differ")
	}
	var view pageView
	if err := json.Unmarshal([]byte(out), &view); err != nil || view.Counts.Done != 2 || view.Index != filepath.Join(page, "index.html") {
		t.Errorf("%v %+v", err, view)
	}
	// A page that cannot be written is told, and the products stay.
	blocked := filepath.Join(dir, "file")
	if err := os.WriteFile(blocked, nil, 0o666); err != nil {
		t.Fatal(err)
	}
	got := command(append([]string{"calibrate", "--overwrite", "--profile", campaign.profile(), "--masters", campaign.masters(), "--out", products, "--page", blocked}, scenes...)...)
	if got.code != exitSome || !strings.Contains(got.errors, "their page is not") {
		t.Errorf("code %d, %s", got.code, got.errors)
	}
}
