package main

import (
	"bytes"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// TestExitCodesOfCharacterise: wrong use, nothing to measure, and a file that
// is no frame.
func TestExitCodesOfCharacterise(t *testing.T) {
	dir := t.TempDir()
	empty := filepath.Join(dir, "empty")
	if err := os.Mkdir(empty, 0o777); err != nil {
		t.Fatal(err)
	}
	bad := filepath.Join(dir, "bad.fits")
	if err := os.WriteFile(bad, []byte("no frame"), 0o666); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		args []string
		code int
		says string
	}{
		{[]string{"--profile", "quillon", empty}, exitUsage, `required flag(s) "out"`},
		{[]string{"--profile", "quillon", "--out", filepath.Join(dir, "out"), empty}, exitNothing, "no calibration frames found"},
		{[]string{"--profile", "quillon", "--out", filepath.Join(dir, "out"), bad}, exitNothing, "bad.fits"},
	} {
		var stdout, stderr bytes.Buffer
		if code := run(append([]string{"characterise"}, c.args...), &stdout, &stderr); code != c.code || !strings.Contains(stdout.String()+stderr.String(), c.says) {
			t.Errorf("%v: exit code %d, want %d; it says %q and %q, want %q", c.args, code, c.code, stdout.String(), stderr.String(), c.says)
		}
	}
}
