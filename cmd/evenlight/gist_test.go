package main

import (
	"bytes"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"evenlight/pipeline"
	"evenlight/pipeline/archive"
)

func reportOf(name string, noise float64, warnings ...string) pipeline.FrameReport {
	return pipeline.FrameReport{Product: "products/" + name + "-calibrated.fits", Band: "green", ExposureS: 1, Good: 0.99, NoiseRatio: &noise, Fractions: map[string]float64{}, Warnings: warnings}
}

func TestTheGistHasTheWorstFramesFirst(t *testing.T) {
	s := &pipeline.RunSummary{Software: "evenlight", Version: "0", Instrument: "quillon", Counts: pipeline.Counts{Found: 24, Done: 22, Warned: 2, Failed: 2},
		Failures: []pipeline.Failure{{Raw: "raw/a.fits", Reason: "raw/a.fits: no bias master for detector main in m: build one"}, {Raw: "raw/b.fits", Reason: "raw/b.fits: no bias master for detector main in m: build one"}}}
	for i := range 19 {
		s.Frames = append(s.Frames, reportOf(fmt.Sprintf("plain%02d", i), 1))
	}
	s.Frames = append(s.Frames, reportOf("noisy", 1.2), reportOf("warned", 1, "1.2 % of the pixels are saturated"), reportOf("twice", 1, "one\x1b[2J", "two"))
	text := runGist(s, false)
	last := -1
	for _, part := range []string{"22 done (2 with warnings), 2 failed", "failed 2 frames: no bias master for detector main in m", "build one", "raw/a.fits, raw/b.fits", "look  twice", `one\x1b[2J`, "look  warned", "1.2 % of the pixels", "good  noisy", "good  plain00", "7 more frames, 0 with warnings"} {
		at := strings.Index(text, part)
		if at <= last {
			t.Errorf("%q is not there, or not in its place, in\n%s", part, text)
		}
		last = at
	}
	if strings.Contains(text, "\x1b") || strings.Contains(text, "plain12") {
		t.Errorf("there are colours, or more frames than are shown:\n%s", text)
	}
}

// Colour adds to words and says nothing of its own: without it the text is the
// same.
func TestColoursComeOnTopOfWords(t *testing.T) {
	s := &pipeline.RunSummary{Counts: pipeline.Counts{Found: 3, Done: 2, Warned: 1, Failed: 1}, Failures: []pipeline.Failure{{Raw: "a", Reason: "a: broken"}},
		Frames: []pipeline.FrameReport{reportOf("x", 1), reportOf("y", 1, "w")}}
	st := &archive.Status{Quarantine: []archive.QuarantineView{{Entry: "q", Reason: "r"}}, Alerts: []archive.AlertView{{Rule: "noise", First: time.Unix(0, 0)}}}
	r := &archive.Report{What: "intake", Counts: s.Counts, Failures: s.Failures, Frames: s.Frames, Stopped: "no room", Missing: []string{"raw is gone"}, Alerts: st.Alerts}
	for name, text := range map[string]func(paint) string{
		"calibrate": func(p paint) string { return runGist(s, p) },
		"status":    func(p paint) string { return statusText(st, p) },
		"intake":    func(p paint) string { return reportText(r, p) },
	} {
		plain, coloured := text(false), text(true)
		if !strings.Contains(coloured, "\x1b[31m") || strings.Contains(plain, "\x1b") {
			t.Errorf("%s: colours are missing, or there without being wanted", name)
		}
		for _, code := range []string{"\x1b[31m", "\x1b[33m", "\x1b[32m", "\x1b[0m"} {
			coloured = strings.ReplaceAll(coloured, code, "")
		}
		if coloured != plain {
			t.Errorf("%s: the words differ:\n%q\n%q", name, coloured, plain)
		}
	}
}

// /dev/ptmx is a terminal of its own; a file and a buffer are none.
func TestColoursAreForTerminalsWithoutNOCOLOR(t *testing.T) {
	t.Setenv("TERM", "xterm")
	t.Setenv("NO_COLOR", "")
	file, err := os.Create(filepath.Join(t.TempDir(), "out"))
	if err != nil {
		t.Fatal(err)
	}
	defer file.Close()
	if paintFor(file) || paintFor(&bytes.Buffer{}) {
		t.Error("a file gets colours")
	}
	terminal, err := os.OpenFile("/dev/ptmx", os.O_RDWR, 0)
	if err != nil {
		t.Skip(err)
	}
	defer terminal.Close()
	for _, c := range []struct {
		noColor, term string
		want          paint
	}{{"", "xterm", true}, {"1", "xterm", false}, {"0", "xterm", false}, {"", "dumb", false}} {
		t.Setenv("NO_COLOR", c.noColor)
		t.Setenv("TERM", c.term)
		if got := paintFor(terminal); got != c.want {
			t.Errorf("NO_COLOR=%q TERM=%s: %v", c.noColor, c.term, got)
		}
	}
}

func TestStatusTellsWhatNeedsAttentionFirst(t *testing.T) {
	s := &archive.Status{Ledger: "ledger.db", Alerts: []archive.AlertView{{Rule: "noise", Subject: "s", Message: "m"}}}
	for range shownSetAside + 3 {
		s.Quarantine = append(s.Quarantine, archive.QuarantineView{Entry: "entry", Reason: "why"})
	}
	text := statusText(s, false)
	if !strings.HasPrefix(text, "ALERT noise") || strings.Index(text, "in quarantine") > strings.Index(text, "ledger ledger.db") || !strings.Contains(text, "3 more in quarantine") || strings.Count(text, "why") != shownSetAside {
		t.Error(text)
	}
}
