package main

import (
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
)

func TestExitCodeTellsHowTheRunWent(t *testing.T) {
	demo := sharedCampaign(t)
	scene := demo.scenes(t, 1)[0]
	empty := t.TempDir()
	bias := filepath.Join(demo.raw(), "0001-bias.fits")
	template := command("profile", "template", "quillon").out
	wrongKey := writeFile(t, t.TempDir(), "cam.yaml", []byte(strings.ReplaceAll(template, "read_noise_e:", "read_noize_e:")))
	whole := readFile(t, scene)
	// The header is a small part of the file, so this ends amid the samples.
	truncated := writeFile(t, t.TempDir(), "cut-scene.fits", whole[:len(whole)/2])

	tests := []struct {
		name   string
		args   func(out string) []string
		code   int
		out    []string // parts of standard output
		errors []string // parts of standard error
	}{
		{"a scene is calibrated", func(out string) []string { return demo.calibrate(out, scene) },
			exitDone, []string{"1 found, 1 done", "0 failed"}, nil},
		{"a truncated frame among good ones", func(out string) []string { return demo.calibrate(out, scene, truncated) },
			exitSome, []string{"2 found, 1 done", "1 failed", truncated, "fetch it again"}, nil},
		{"a truncated calibration frame among good ones", func(out string) []string {
			args := []string{"masters", "--profile", demo.profile(), "--out", out, truncated}
			biases, _ := filepath.Glob(filepath.Join(demo.raw(), "*-bias.fits"))
			return append(args, biases...)
		}, exitSome, []string{"1 masters made", "1 failures", truncated}, nil},
		{"inspection of a truncated frame and a good one", func(string) []string {
			return []string{"inspect", "--profile", demo.profile(), scene, truncated}
		}, exitSome, []string{scene}, []string{truncated}},

		{"a flag that does not exist", func(out string) []string { return append(demo.calibrate(out, scene), "--loud") },
			exitUsage, nil, []string{"--loud"}},
		{"a command that does not exist", func(string) []string { return []string{"calibrat"} },
			exitUsage, nil, []string{`"calibrat"`}},
		{"required flags left out", func(string) []string { return []string{"calibrate", "--profile", "quillon", scene} },
			exitUsage, nil, []string{`"masters"`, `"out"`}},
		{"no raw files named", func(out string) []string { return demo.calibrate(out) },
			exitUsage, nil, []string{"at least 1 arg"}},
		{"a profile with a key that is unknown", func(string) []string { return []string{"profile", "check", "--profile", wrongKey} },
			exitUsage, nil, []string{wrongKey + ":" + lineOf(template, "read_noise_e:") + ":", `"read_noise_e"`, "nearest"}},
		{"a profile that does not exist", func(string) []string { return []string{"profile", "check", "--profile", "nowhere.yaml"} },
			exitUsage, nil, []string{"nowhere.yaml", "check the path"}},
		{"a template that does not exist", func(string) []string { return []string{"profile", "template", "quilon"} },
			exitUsage, nil, []string{"quilon", "quillon"}},
		{"an override with a value that is unknown", func(out string) []string {
			return append(demo.calibrate(out, scene), "--set", "output.quantity=elektrons")
		}, exitUsage, nil, []string{"output.quantity", `"electrons"`}},
		{"a log level that is unknown", func(out string) []string { return append(demo.calibrate(out, scene), "--log-level", "loud") },
			exitUsage, nil, []string{`--log-level "loud"`, "debug, info, warn or error"}},
		{"a log format that is unknown", func(out string) []string { return append(demo.calibrate(out, scene), "--log-format", "xml") },
			exitUsage, nil, []string{`--log-format "xml"`, "console or json"}},

		{"an empty folder of scenes", func(out string) []string { return demo.calibrate(out, empty) },
			exitNothing, nil, []string{"no scene frames found", "evenlight inspect"}},
		{"only calibration frames where scenes are wanted", func(out string) []string { return demo.calibrate(out, bias) },
			exitNothing, []string{"0 done"}, []string{"no scene frames found"}},
		{"an empty folder of calibration frames", func(out string) []string {
			return []string{"masters", "--profile", demo.profile(), "--out", out, empty}
		}, exitNothing, nil, []string{"no calibration frames found", "evenlight inspect"}},
		{"an empty folder to inspect", func(string) []string { return []string{"inspect", "--profile", demo.profile(), empty} },
			exitNothing, nil, []string{"no FITS files found"}},
		{"raw files that do not exist", func(out string) []string { return demo.calibrate(out, filepath.Join(empty, "0001.fits")) },
			exitNothing, nil, []string{filepath.Join(empty, "0001.fits")}},
		{"no masters for any frame", func(out string) []string {
			return []string{"calibrate", "--profile", demo.profile(), "--masters", empty, "--out", out, demo.raw()}
		}, exitNothing, []string{"0 done", "21 failed", "no bias master", "evenlight masters"}, nil},
		{"a product whose raw frame is elsewhere", func(string) []string {
			return []string{"verify", "--inputs", empty, filepath.Join(string(demo), "products", "0171-scene-calibrated.fits")}
		}, exitNothing, nil, []string{"0171-scene.fits", "--inputs"}},
		{"provenance of what is no product", func(string) []string { return []string{"provenance", demo.profile()} },
			exitNothing, nil, []string{demo.profile()}},
	}
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			got := command(test.args(t.TempDir())...)
			if got.code != test.code {
				t.Errorf("exit code %d, want %d\n%s%s", got.code, test.code, got.out, got.errors)
			}
			mustContain(t, "standard output", got.out, test.out...)
			mustContain(t, "standard error", got.errors, test.errors...)
		})
	}
}

// lineOf returns the number of the first line of text that holds part.
func lineOf(text, part string) string {
	return strconv.Itoa(strings.Count(text[:strings.Index(text, part)], "\n") + 1)
}

func TestEveryRefusedSceneIsNamedWithItsReason(t *testing.T) {
	demo := sharedCampaign(t)
	scenes := demo.scenes(t, 9)
	got := command(append([]string{"calibrate", "--profile", demo.profile(), "--masters", t.TempDir(), "--out", t.TempDir()}, scenes...)...)
	mustContain(t, "standard output", got.out, "9 frames: no bias master")
	for _, s := range scenes {
		mustContain(t, "standard output", got.out, s)
	}
}

func TestUsageErrorsWriteNothing(t *testing.T) {
	demo := sharedCampaign(t)
	out := filepath.Join(t.TempDir(), "products")
	if got := command(append(demo.calibrate(out, demo.raw()), "--log-level", "loud")...); got.code != exitUsage {
		t.Errorf("exit code %d, want %d", got.code, exitUsage)
	}
	if _, err := os.Stat(out); !os.IsNotExist(err) {
		t.Errorf("the output folder was made: %v", err)
	}
}

func TestProductsAreReplacedOnlyWhenAsked(t *testing.T) {
	demo := sharedCampaign(t)
	out, scene := t.TempDir(), demo.scenes(t, 1)[0]
	for i, step := range []struct {
		more []string
		code int
	}{{nil, exitDone}, {nil, exitNothing}, {[]string{"--overwrite"}, exitDone}} {
		got := command(append(demo.calibrate(out, scene), step.more...)...)
		if got.code != step.code {
			t.Errorf("run %d: exit code %d, want %d\n%s", i+1, got.code, step.code, got.out)
		}
		if step.code == exitNothing {
			mustContain(t, "standard output", got.out, "allow overwriting")
		}
	}
}
