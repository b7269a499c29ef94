//go:build unix

package configs

import (
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"

	"go.uber.org/zap"
	"go.uber.org/zap/zapcore"
	"go.uber.org/zap/zaptest/observer"
)

// placedFile writes a file of a mode into a folder of a mode, which lies in a
// folder that only its owner may write to.
func placedFile(t *testing.T, folder, file os.FileMode, text string) string {
	t.Helper()
	dir := filepath.Join(t.TempDir(), "archive")
	if err := os.Mkdir(dir, 0o700); err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(dir, "file.yaml")
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	for name, mode := range map[string]os.FileMode{path: file, dir: folder} { // the umask took part above
		if err := os.Chmod(name, mode); err != nil {
			t.Fatal(err)
		}
	}
	return path
}

func TestConfigurationThatOthersMayWriteIsRefusedOrWarnedOf(t *testing.T) {
	for _, c := range []struct {
		name         string
		folder, file os.FileMode
		warns        string
		refuses      string
	}{
		{"owner only", 0o700, 0o600, "", ""},
		{"everybody may read", 0o755, 0o644, "", ""},
		{"group may write", 0o755, 0o664, "chmod g-w", ""},
		{"everybody may write", 0o755, 0o646, "", "chmod o-w"},
		{"everybody may write, and cannot reach it", 0o700, 0o666, "", "chmod o-w"},
		{"everybody may replace it", 0o757, 0o644, "", "another file in its place"},
		{"everybody may put files beside it", 0o757 | os.ModeSticky, 0o644, "", ""},
		{"group may replace it", 0o775, 0o644, "", ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			path := placedFile(t, c.folder, c.file, leastArchive)
			checked, checkErr := CheckPrivate(path)
			_, loaded, loadErr := LoadArchive(path, Overrides{})
			s := Source{Name: "cam", Profile: placedFile(t, c.folder, c.file, builtin(t, "quillon"))}
			_, profile, profileErr := s.LoadProfile()
			for what, got := range map[string]struct {
				warnings []string
				err      error
			}{"check": {checked, checkErr}, "archive": {loaded, loadErr}, "profile": {profile, profileErr}} {
				if c.refuses != "" {
					if !errors.Is(got.err, ErrExposed) || !strings.Contains(got.err.Error(), c.refuses) || !strings.Contains(got.err.Error(), "file.yaml") {
						t.Errorf("%s: %v", what, got.err)
					}
					continue
				}
				if got.err != nil {
					t.Errorf("%s: %v", what, got.err)
				}
				if text := strings.Join(got.warnings, "\n"); (text != "") != (c.warns != "") || !strings.Contains(text, c.warns) {
					t.Errorf("%s: warnings %q", what, text)
				}
			}
		})
	}
}

func TestAFolderFurtherUpCounts(t *testing.T) {
	top := filepath.Join(t.TempDir(), "top")
	if err := os.MkdirAll(filepath.Join(top, "archive"), 0o700); err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(top, "archive", "archive.yaml")
	if err := os.WriteFile(path, []byte(leastArchive), 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := CheckPrivate(path); err != nil {
		t.Fatal(err)
	}
	if err := os.Chmod(top, 0o777); err != nil {
		t.Fatal(err)
	}
	if _, err := CheckPrivate(path); !errors.Is(err, ErrExposed) || !strings.Contains(err.Error(), "the folder "+top+" ") {
		t.Errorf("got %v", err)
	}
}

func TestWhatALinkLeadsToIsJudged(t *testing.T) {
	for _, c := range []struct {
		name                  string
		folder, file, linkDir os.FileMode
		good                  bool
	}{
		{"all is private", 0o700, 0o600, 0o700, true},
		{"a file that everybody may write", 0o700, 0o606, 0o700, false},
		{"a file in a folder of everybody", 0o777, 0o600, 0o700, false},
		{"a link in a folder of everybody", 0o700, 0o600, 0o777, false},
	} {
		t.Run(c.name, func(t *testing.T) {
			link := placedFile(t, c.linkDir, 0o600, "")
			if err := os.Remove(link); err != nil {
				t.Fatal(err)
			}
			if err := os.Symlink(placedFile(t, c.folder, c.file, leastArchive), link); err != nil {
				t.Fatal(err)
			}
			if _, err := CheckPrivate(link); (err == nil) != c.good || err != nil && !errors.Is(err, ErrExposed) {
				t.Errorf("got %v", err)
			}
		})
	}
}

// The value is a token of the form of RFC 6750, section 2.1, made up.
const knock = "open-Sesame.2031~x+y/z=="

func TestTheWebhooksSecretComesFromEnvironmentOrFile(t *testing.T) {
	t.Setenv("KNOCK", "  "+knock+"\n")
	file := placedFile(t, 0o700, 0o400, knock+"\r\n")
	for name, w := range map[string]Webhook{"environment": {SecretEnv: "KNOCK"}, "file": {SecretFile: file}} {
		if got, err := w.Secret(); err != nil || got != knock {
			t.Errorf("%s: %q, %v", name, got, err)
		}
	}
	if got, err := (&Webhook{URL: "https://alerts.example"}).Secret(); got != "" || err != nil {
		t.Errorf("%q, %v where none is configured", got, err)
	}
}

func TestASecretThatCannotBeUsedIsNeverInTheError(t *testing.T) {
	t.Setenv("KNOCK_EMPTY", " \n")
	t.Setenv("KNOCK_BROKEN", knock+"\n"+knock)
	t.Setenv("KNOCK_LONG", knock+strings.Repeat(" ", maxSecretBytes))
	if err := os.Unsetenv("KNOCK_ABSENT"); err != nil {
		t.Fatal(err)
	}
	pipe := filepath.Join(t.TempDir(), "pipe")
	if err := syscall.Mkfifo(pipe, 0o600); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		name    string
		webhook Webhook
		says    string
		exposed bool
	}{
		{"no variable", Webhook{SecretEnv: "KNOCK_ABSENT"}, "KNOCK_ABSENT is not set", false},
		{"empty variable", Webhook{SecretEnv: "KNOCK_EMPTY"}, "KNOCK_EMPTY holds nothing", false},
		{"two lines", Webhook{SecretEnv: "KNOCK_BROKEN"}, "no bearer token", false},
		{"endless", Webhook{SecretEnv: "KNOCK_LONG"}, "no bearer token", false},
		{"no file", Webhook{SecretFile: filepath.Join(t.TempDir(), "absent")}, "check the path", false},
		{"a folder", Webhook{SecretFile: t.TempDir()}, "no ordinary file", false},
		{"a pipe, which nobody writes to", Webhook{SecretFile: pipe}, "no ordinary file", false},
		{"empty file", Webhook{SecretFile: placedFile(t, 0o700, 0o600, "")}, "holds nothing", false},
		{"file of another kind", Webhook{SecretFile: placedFile(t, 0o700, 0o600, "token: "+knock)}, "no bearer token", false},
		{"group may read", Webhook{SecretFile: placedFile(t, 0o700, 0o640, knock)}, "chmod 600", true},
		{"others may read", Webhook{SecretFile: placedFile(t, 0o700, 0o604, knock)}, "chmod 600", true},
		{"others may write", Webhook{SecretFile: placedFile(t, 0o700, 0o602, knock)}, "chmod 600", true},
	} {
		t.Run(c.name, func(t *testing.T) {
			got, err := c.webhook.Secret()
			if err == nil || got != "" || !strings.Contains(err.Error(), c.says) || errors.Is(err, ErrExposed) != c.exposed {
				t.Fatalf("%q, %v", got, err)
			}
			if strings.Contains(err.Error(), "Sesame") {
				t.Errorf("the secret is in the error: %v", err)
			}
		})
	}
}

func TestNoFormOfAWebhookHoldsItsSecret(t *testing.T) {
	t.Setenv("KNOCK", knock)
	w := &Webhook{URL: "https://alerts.example", SecretEnv: "KNOCK", TimeoutS: 10, Tries: 4}
	if _, err := w.Secret(); err != nil {
		t.Fatal(err)
	}
	asJSON, err := json.Marshal(w)
	if err != nil {
		t.Fatal(err)
	}
	core, seen := observer.New(zapcore.DebugLevel)
	zap.New(core).Info("x", zap.Any("webhook", w), zap.Reflect("again", w))
	forms := fmt.Sprintf("%v %+v %#v %s %v", w, w, w, asJSON, seen.All()[0].ContextMap())
	if strings.Contains(forms, "Sesame") || !strings.Contains(forms, "KNOCK") {
		t.Error(forms)
	}
}
