package main

import (
	"encoding/json"
	"path/filepath"
	"reflect"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/spf13/cobra"
)

// parse reads a JSON answer.
func parse(t *testing.T, text string) any {
	t.Helper()
	var v any
	if err := json.Unmarshal([]byte(text), &v); err != nil {
		t.Fatalf("not one JSON value: %v\n%s", err, text)
	}
	return v
}

// object takes an answer that is one object, or a list of one.
func object(t *testing.T, v any) map[string]any {
	t.Helper()
	if list, ok := v.([]any); ok && len(list) == 1 {
		v = list[0]
	}
	m, ok := v.(map[string]any)
	if !ok {
		t.Fatalf("%v is neither an object nor a list of one", v)
	}
	return m
}

// The keys are those that the json tags of the answers' types document.
func TestJSONAnswersHaveTheDocumentedKeys(t *testing.T) {
	demo := sharedCampaign(t)
	scene := demo.scenes(t, 1)[0]
	product := filepath.Join(string(demo), "products", "0171-scene-calibrated.fits")
	biases, err := filepath.Glob(filepath.Join(demo.raw(), "*-bias.fits"))
	if err != nil {
		t.Fatal(err)
	}
	tests := []struct {
		name string
		args []string
		keys []string
	}{
		{"masters", append([]string{"masters", "--profile", demo.profile(), "--out", t.TempDir()}, biases...),
			[]string{"made", "unchanged", "failures", "found", "skipped"}},
		{"calibrate", demo.calibrate(t.TempDir(), scene),
			[]string{"software", "version", "instrument", "profile_sha256", "counts", "frames", "failures", "throughput"}},
		{"provenance of a product", []string{"provenance", product},
			[]string{"file", "software", "version", "what", "instrument", "detector", "mode", "band", "profile_sha256", "inputs", "stages"}},
		{"verify", []string{"verify", "--inputs", demo.raw(), "--inputs", demo.masters(), product},
			[]string{"product", "same", "details"}},
		{"inspect", []string{"inspect", "--profile", demo.profile(), scene},
			[]string{"file", "detector", "plane", "kind", "band", "mode", "target", "time", "exposure_s", "wait_s", "temperature_k", "sun_distance_au"}},
		{"profile check", []string{"profile", "check", "--profile", demo.profile()},
			[]string{"instrument", "profile_sha256", "stages"}},
		{"library list", []string{"library", "list", "--masters", demo.masters()},
			[]string{"folder", "required", "entries", "unreadable", "torn_lines"}},
		{"library show", []string{"library", "show", "--masters", demo.masters(), filepath.Base(oneOf(t, demo.masters(), "dark-*.fits"))},
			[]string{"kind", "name", "path", "sha256", "instrument", "detector", "mode", "begin", "end", "frames", "state", "decisions", "masters", "products", "looked_in"}},
		{"library choose", []string{"library", "choose", "--masters", demo.masters(), "--profile", demo.profile(), scene},
			[]string{"raw", "detector", "band", "time", "masters"}},
		{"library compare", []string{"library", "compare", oneOf(t, demo.masters(), "dark-*.fits"), oneOf(t, demo.masters(), "dark-*.fits")},
			[]string{"a", "b", "kind", "level_a", "level_b", "ratio", "difference", "difference_over_u", "curves", "reasons", "made_differently"}},
		{"demo", []string{"demo", filepath.Join(t.TempDir(), "demo")},
			[]string{"dir", "raw_frames", "masters", "run", "truth"}},
	}
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			got := command(append(test.args, "--json")...)
			if got.code != exitDone {
				t.Fatalf("exit code %d\n%s", got.code, got.errors)
			}
			answer := object(t, parse(t, got.out))
			for _, key := range test.keys {
				if _, ok := answer[key]; !ok {
					t.Errorf("no key %q in\n%s", key, got.out)
				}
			}
		})
	}
}

func TestJSONAnswerOfARunThatFailedInPartListsTheFailure(t *testing.T) {
	demo := sharedCampaign(t)
	scene := demo.scenes(t, 1)[0]
	whole := readFile(t, scene)
	truncated := writeFile(t, t.TempDir(), "cut-scene.fits", whole[:len(whole)/2])
	got := command(append(demo.calibrate(t.TempDir(), scene, truncated), "--json")...)
	if got.code != exitSome {
		t.Errorf("exit code %d, want %d", got.code, exitSome)
	}
	failures, _ := object(t, parse(t, got.out))["failures"].([]any)
	if len(failures) != 1 {
		t.Fatalf("%d failures, want 1\n%s", len(failures), got.out)
	}
	if raw := object(t, failures[0])["raw"]; raw != truncated {
		t.Errorf("the failure names %v, want %s", raw, truncated)
	}
}

func TestSummaryFileEqualsTheJSONAnswer(t *testing.T) {
	demo := sharedCampaign(t)
	elsewhere := filepath.Join(t.TempDir(), "qa.json")
	for _, test := range []struct {
		name    string
		more    []string
		summary func(out string) string
	}{
		{"in the output folder", nil, func(out string) string { return filepath.Join(out, "summary.json") }},
		{"where --summary says", []string{"--summary", elsewhere}, func(string) string { return elsewhere }},
	} {
		t.Run(test.name, func(t *testing.T) {
			out := t.TempDir()
			got := command(append(append(demo.calibrate(out, demo.scenes(t, 2)...), "--json"), test.more...)...)
			if got.code != exitDone {
				t.Fatalf("exit code %d\n%s", got.code, got.errors)
			}
			file := parse(t, string(readFile(t, test.summary(out))))
			if !reflect.DeepEqual(file, parse(t, got.out)) {
				t.Errorf("the file says\n%v\nand the answer\n%s", file, got.out)
			}
		})
	}
}

// progressLine is a plain line of progress, which shares standard error with the log.
var progressLine = regexp.MustCompile(`^\d+/\d+ `)

func TestJSONLogHasOneEventALine(t *testing.T) {
	demo := sharedCampaign(t)
	bias := filepath.Join(demo.raw(), "0001-bias.fits")
	saturated := demo.scenes(t, 9)[8] // which the scenario overexposes
	c := process(t, append(demo.calibrate(t.TempDir(), bias, saturated), "--log-level", "debug", "--log-format", "json")...)
	var errors strings.Builder
	c.Stderr = &errors
	if err := c.Run(); err != nil {
		t.Fatalf("%v\n%s", err, errors.String())
	}
	var events []string
	for line := range strings.Lines(errors.String()) {
		if progressLine.MatchString(line) {
			continue
		}
		events = append(events, mustBeEvent(t, line))
	}
	for _, want := range []string{"run-started", "frame-skipped", "frame-done", "frame-warning", "run-ended"} {
		if !slices.Contains(events, want) {
			t.Errorf("no event %q among %q", want, events)
		}
	}
	if events[0] != "run-started" || events[len(events)-1] != "run-ended" {
		t.Errorf("events go from %q to %q", events[0], events[len(events)-1])
	}
}

// mustBeEvent reads one line of the log and returns the name of its event.
func mustBeEvent(t *testing.T, line string) string {
	t.Helper()
	fields := object(t, parse(t, line))
	level, _ := fields["level"].(string)
	if !slices.Contains([]string{"debug", "info", "warn", "error"}, level) {
		t.Errorf("level %v in %s", fields["level"], line)
	}
	stamp, _ := fields["time"].(string)
	if at, err := time.Parse("2006-01-02T15:04:05.000Z07:00", stamp); err != nil || at.Location() != time.UTC {
		t.Errorf("time %q is not UTC to the millisecond: %v", stamp, err)
	}
	event, _ := fields["event"].(string)
	if event == "" {
		t.Errorf("no event in %s", line)
	}
	return event
}

func TestLogIsAsQuietAsItsLevel(t *testing.T) {
	demo := sharedCampaign(t)
	c := process(t, append(demo.calibrate(t.TempDir(), demo.scenes(t, 1)[0]), "--log-level", "error", "--log-format", "json")...)
	var errors strings.Builder
	c.Stderr = &errors
	if err := c.Run(); err != nil {
		t.Fatalf("%v\n%s", err, errors.String())
	}
	for line := range strings.Lines(errors.String()) {
		if !progressLine.MatchString(line) {
			t.Errorf("a run without errors logs %s", line)
		}
	}
}

// walk visits a command and all below it that this project has written.
func walk(c *cobra.Command, visit func(*cobra.Command)) {
	visit(c)
	for _, sub := range c.Commands() {
		walk(sub, visit)
	}
}

func TestHelpOfEveryCommandThatTakesWordsHasAnExample(t *testing.T) {
	walk(rootCommand(), func(c *cobra.Command) {
		if !c.HasParent() || c.Runnable() && strings.Contains(c.Use, " ") {
			t.Run(c.CommandPath(), func(t *testing.T) {
				got := command(append(strings.Fields(c.CommandPath())[1:], "--help")...)
				if got.code != exitDone {
					t.Fatalf("exit code %d\n%s", got.code, got.errors)
				}
				mustContain(t, "help", got.out, "Examples:\n  "+c.CommandPath()+" ", "Usage:\n  evenlight")
			})
		}
	})
}

func TestEveryCommandHasAShortAccountOfItself(t *testing.T) {
	walk(rootCommand(), func(c *cobra.Command) {
		if c.Short == "" {
			t.Errorf("%s has none", c.CommandPath())
		}
	})
}

func TestCompletionIsWrittenForEachShell(t *testing.T) {
	for _, shell := range []string{"bash", "zsh", "fish"} {
		got := command("completion", shell)
		if got.code != exitDone || !strings.Contains(got.out, "evenlight") {
			t.Errorf("%s: exit code %d, %d bytes\n%s", shell, got.code, len(got.out), got.errors)
		}
	}
}

func TestVersionIsPrinted(t *testing.T) {
	got := command("--version")
	if got.code != exitDone || !regexp.MustCompile(`^evenlight version \d+\.\d+\.\d+\n$`).MatchString(got.out) {
		t.Errorf("exit code %d, output %q", got.code, got.out)
	}
}
