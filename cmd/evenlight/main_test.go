package main

import (
	"bytes"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"

	"evenlight/fitsutil"
)

// asCommand in the environment makes the test binary behave as the command,
// so that tests can have a process of their own to read the log of, or to kill.
const asCommand = "RUN_TEST_BINARY_AS_COMMAND"

// campaignDir is the folder of the demo that the tests share; they only read it.
var campaignDir string

func TestMain(m *testing.M) {
	if os.Getenv(asCommand) != "" {
		os.Exit(run(os.Args[1:], os.Stdout, os.Stderr))
	}
	dir, err := os.MkdirTemp("", "evenlight-command-test-")
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
	campaignDir = filepath.Join(dir, "demo")
	code := m.Run()
	if err := os.RemoveAll(dir); err != nil {
		fmt.Fprintln(os.Stderr, err)
		code = 1
	}
	os.Exit(code)
}

// answer is what a run of the command gave back.
type answer struct {
	code        int
	out, errors string
}

// command runs the command in this process.
func command(args ...string) answer {
	var out, errors bytes.Buffer
	code := run(args, &out, &errors)
	return answer{code, out.String(), errors.String()}
}

// process prepares the command as a process of its own.
func process(t *testing.T, args ...string) *exec.Cmd {
	t.Helper()
	self, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	c := exec.Command(self, args...)
	c.Env = append(os.Environ(), asCommand+"=1")
	return c
}

// runDemo makes the shared demo once and keeps what the command answered.
var runDemo = sync.OnceValue(func() answer { return command("demo", campaignDir) })

// campaign is the demo's folder.
type campaign string

// sharedCampaign returns the demo that all tests read.
func sharedCampaign(t *testing.T) campaign {
	t.Helper()
	if a := runDemo(); a.code != exitDone {
		t.Fatalf("demo: exit code %d\n%s", a.code, a.errors)
	}
	return campaign(campaignDir)
}

func (c campaign) raw() string     { return filepath.Join(string(c), "raw") }
func (c campaign) masters() string { return filepath.Join(string(c), "masters") }
func (c campaign) profile() string { return filepath.Join(string(c), "profile.yaml") }

// scenes returns the paths of the first n scene frames.
func (c campaign) scenes(t *testing.T, n int) []string {
	t.Helper()
	files, err := filepath.Glob(filepath.Join(c.raw(), "*-scene.fits"))
	if err != nil || len(files) < n {
		t.Fatalf("%d scene frames in %s, want %d or more (%v)", len(files), c.raw(), n, err)
	}
	return files[:n]
}

// calibrate is the command line that calibrates files into out.
func (c campaign) calibrate(out string, files ...string) []string {
	return append([]string{"calibrate", "--profile", c.profile(), "--masters", c.masters(), "--out", out}, files...)
}

// hashes returns the SHA-256 of each file in dir by its name, hidden files too.
func hashes(t *testing.T, dir string) map[string]string {
	t.Helper()
	entries, err := os.ReadDir(dir)
	if err != nil {
		t.Fatal(err)
	}
	out := map[string]string{}
	for _, e := range entries {
		sum, _, err := fitsutil.HashFile(filepath.Join(dir, e.Name()))
		if err != nil {
			t.Fatal(err)
		}
		out[e.Name()] = sum
	}
	return out
}

// mustContain fails unless text has each of the parts.
func mustContain(t *testing.T, what, text string, parts ...string) {
	t.Helper()
	for _, p := range parts {
		if !strings.Contains(text, p) {
			t.Errorf("%s lacks %q:\n%s", what, p, text)
		}
	}
}

// writeFile writes a file of a test and returns its path.
func writeFile(t *testing.T, dir, name string, content []byte) string {
	t.Helper()
	path := filepath.Join(dir, name)
	if err := os.WriteFile(path, content, 0o666); err != nil {
		t.Fatal(err)
	}
	return path
}

func readFile(t *testing.T, path string) []byte {
	t.Helper()
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return b
}
