package main

import (
	"bytes"
	"encoding/json"
	"errors"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"go.uber.org/zap"
	"go.uber.org/zap/zapcore"
)

// logForms are both forms of the log as they are written to files.
func logForms() map[string]zapcore.Encoder {
	form := zap.NewProductionEncoderConfig()
	form.MessageKey, form.TimeKey, form.EncodeTime = "event", "time", utcTime
	return map[string]zapcore.Encoder{"json": zapcore.NewJSONEncoder(form), "console": oneLine(zapcore.NewConsoleEncoder(form))}
}

func logTo(encoder zapcore.Encoder, w zapcore.WriteSyncer) *zap.Logger {
	return zap.New(zapcore.NewCore(encoder, w, zapcore.DebugLevel), zap.AddStacktrace(zapcore.ErrorLevel))
}

func TestEachEventIsOneLineWhateverNamesHold(t *testing.T) {
	const hostile = "raw/a\nb\r\n\x1b[2J\x00\u0085\u2028'\"\\ \xff é 名.fits"
	for form, encoder := range logForms() {
		t.Run(form, func(t *testing.T) {
			path := filepath.Join(t.TempDir(), "evenlight.log")
			w, closeLog := openLogFile(path, 1, 1)
			log := logTo(encoder, w).Named("a\nb")
			log.Info("frame-done", zap.String("raw", hostile))
			log.Warn(hostile, zap.Error(errors.New(hostile)), zap.Strings("all", []string{hostile}), zap.ByteString("bytes", []byte(hostile)))
			log.With(zap.Any(hostile, map[string]string{hostile: hostile})).Error("frame-failed")
			if err := closeLog(); err != nil {
				t.Fatal(err)
			}
			text := readFile(t, path)
			if n := bytes.Count(text, []byte("\n")); n != 3 {
				t.Errorf("%d lines for 3 events:\n%s", n, text)
			}
			if i := bytes.IndexAny(text, "\r\x1b\x00"); i >= 0 {
				t.Errorf("control character %q in the log", text[i])
			}
			if !bytes.HasSuffix(text, []byte("\n")) {
				t.Error("the last line does not end")
			}
		})
	}
}

func TestJSONLogKeepsNamesWhole(t *testing.T) {
	const name = "a\nb\r\x1b'\"\\ é 名.fits"
	path := filepath.Join(t.TempDir(), "evenlight.log")
	w, closeLog := openLogFile(path, 1, 1)
	logTo(logForms()["json"], w).Info("frame-done", zap.String("raw", name))
	if err := closeLog(); err != nil {
		t.Fatal(err)
	}
	var event struct{ Event, Raw string }
	if err := json.Unmarshal(readFile(t, path), &event); err != nil {
		t.Fatal(err)
	}
	if event.Event != "frame-done" || event.Raw != name {
		t.Errorf("read back %+q", event)
	}
}

func TestConsoleLogLeavesOrdinaryNamesAlone(t *testing.T) {
	for _, name := range []string{"frame-done", "é 名 \"x\" \\n"} {
		if got := escapeControls(name); got != name {
			t.Errorf("%q became %q", name, got)
		}
	}
	if got, want := escapeControls("a\nb\u2028c"), `a\u000ab\u2028c`; got != want {
		t.Errorf("%q, want %q", got, want)
	}
}

// putAside is the name of a log file that was put aside.
var putAside = regexp.MustCompile(`^evenlight-\d{4}-\d\d-\d\dT\d\d-\d\d-\d\d\.\d{3}\.log$`)

func TestFullLogFileIsPutAsideAndTheNewestRemain(t *testing.T) {
	const mib, keep, files = 1, 2, 5
	dir := t.TempDir()
	path := filepath.Join(dir, "evenlight.log")
	w, closeLog := openLogFile(path, mib, keep)
	log := logTo(logForms()["json"], w)
	long := strings.Repeat("x", 64<<10)
	for i := 0; i < files*16; i++ {
		log.Info("frame-done", zap.Int("number", i), zap.String("raw", long))
		// Names of files put aside differ from one millisecond to the next.
		time.Sleep(time.Millisecond)
	}
	if err := closeLog(); err != nil {
		t.Fatal(err)
	}
	// Older ones are removed beside the writing.
	var names []string
	for deadline := time.Now().Add(30 * time.Second); ; time.Sleep(10 * time.Millisecond) {
		names = logNames(t, dir)
		if len(names) == keep+1 || time.Now().After(deadline) {
			break
		}
	}
	if len(names) != keep+1 {
		t.Fatalf("the files are %q, want %d", names, keep+1)
	}
	var numbers []int
	for _, name := range names {
		if name != "evenlight.log" && !putAside.MatchString(name) {
			t.Errorf("%s is no name of a log file", name)
		}
		st, err := os.Stat(filepath.Join(dir, name))
		if err != nil {
			t.Fatal(err)
		}
		if st.Size() > mib<<20 || st.Mode().Perm() != 0o600 {
			t.Errorf("%s has %d bytes and the rights %o, want %d at most and 600", name, st.Size(), st.Mode().Perm(), mib<<20)
		}
		for line := range bytes.Lines(readFile(t, filepath.Join(dir, name))) {
			var event struct{ Number int }
			if err := json.Unmarshal(line, &event); err != nil {
				t.Fatalf("%s: a line is no event: %v", name, err)
			}
			numbers = append(numbers, event.Number)
		}
	}
	// The names sort by time, and the file in use comes last.
	for i, n := range numbers {
		if want := files*16 - len(numbers) + i; n != want {
			t.Fatalf("event %d in place of %d: one was lost", n, want)
		}
	}
}

// logNames lists the files of a folder, those put aside first.
func logNames(t *testing.T, dir string) []string {
	t.Helper()
	entries, err := os.ReadDir(dir)
	if err != nil {
		t.Fatal(err)
	}
	var names []string
	for _, e := range entries {
		names = append(names, e.Name())
	}
	slices.Sort(names) // "-" sorts before "."
	return names
}

func TestLogGoesOnWhereItEnded(t *testing.T) {
	path := writeFile(t, t.TempDir(), "evenlight.log", []byte("before\n"))
	if err := os.Chmod(path, 0o640); err != nil {
		t.Fatal(err)
	}
	w, closeLog := openLogFile(path, 1, 1)
	logTo(logForms()["json"], w).Info("run-started")
	if err := closeLog(); err != nil {
		t.Fatal(err)
	}
	mustContain(t, "the log", string(readFile(t, path)), "before\n{", "run-started")
	st, err := os.Stat(path)
	if err != nil {
		t.Fatal(err)
	}
	if st.Mode().Perm() != 0o640 {
		t.Errorf("the rights are %o now, want 640 as before", st.Mode().Perm())
	}
}

func TestLogFileThatCannotBeKeptIsRefused(t *testing.T) {
	dir := t.TempDir()
	good := filepath.Join(dir, "evenlight.log")
	for _, test := range []struct {
		name      string
		path      string
		mib, keep int
		want      string
	}{
		{"no room", good, 0, 1, "--log-max-mib 0"},
		{"none kept", good, 1, 0, "--log-keep 0"},
		{"a folder", dir, 1, 1, "is not a file"},
		{"no such folder", filepath.Join(dir, "none", "a.log"), 1, 1, "in a folder that exists"},
	} {
		t.Run(test.name, func(t *testing.T) {
			err := checkLogFile(test.path, test.mib, test.keep)
			if err == nil || !strings.Contains(err.Error(), test.want) {
				t.Errorf("error %v, want one that says %q", err, test.want)
			}
		})
	}
	if err := checkLogFile(good, 1, 1); err != nil {
		t.Error(err)
	}
	if st, err := os.Stat(good); err != nil || st.Mode().Perm() != 0o600 {
		t.Errorf("the file made has the rights %v (%v), want 600", st, err)
	}
}
