package configs

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// sensorText is a characterisation of two amplifiers of quillon's detector, of
// which the left one was measured in two bands.
func sensorText(t *testing.T, change func(string) string) string {
	t.Helper()
	text := `{
  "what": "sensor characterisation", "format": 1, "instrument": "quillon", "detector": "main",
  "cells": [
    {"amplifier": "left", "gain": {"value": 2.10, "u": 0.01}, "read_noise": {"value": 7.4, "u": 0.1}},
    {"amplifier": "left", "gain": {"value": 2.14, "u": 0.02}, "read_noise": {"value": 7.4, "u": 0.1}},
    {"amplifier": "right", "gain": {"value": 2.25, "u": 0.0045}, "read_noise": {"value": 8.3, "u": 0.1}}
  ],
  "sha256": ""
}
`
	text = change(text)
	sum := sha256.Sum256([]byte(text))
	return strings.Replace(text, `"sha256": ""`, `"sha256": "`+hex.EncodeToString(sum[:])+`"`, 1)
}

func same(s string) string { return s }

// referring writes a profile that refers to a file beside it.
func referring(t *testing.T, sensor string) string {
	t.Helper()
	dir := t.TempDir()
	text, err := Builtin("quillon")
	if err != nil {
		t.Fatal(err)
	}
	with := strings.Replace(string(text), "    bad_pixels:\n", "    characterised: {file: sensor.json}\n    bad_pixels:\n", 1)
	if with == string(text) {
		t.Fatal("the profile has no place for it")
	}
	for name, content := range map[string]string{"cam.yaml": with, "sensor.json": sensor} {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(content), 0o666); err != nil {
			t.Fatal(err)
		}
	}
	return filepath.Join(dir, "cam.yaml")
}

// Means of two bands are weighted by 1/u^2: (2.10/1 + 2.14/4) / (1 + 1/4) =
// 2.108, with u = 0.01/sqrt(1.25).
func TestAProfileTakesWhatWasMeasured(t *testing.T) {
	text := sensorText(t, same)
	p, err := Load(referring(t, text), Overrides{})
	if err != nil {
		t.Fatal(err)
	}
	for i, want := range [][3]float64{{2.108, 0.01 / math.Sqrt(1.25) / 2.108, 7.4}, {2.25, 0.002, 8.3}} {
		a := p.Detectors[0].Amplifiers[i]
		for k, got := range []float64{a.GainEPerDN, a.GainRelUncert, a.ReadNoiseE} {
			if math.Abs(got-want[k]) > 1e-12*want[k] {
				t.Errorf("amplifier %s: %v, want %v", a.Name, got, want[k])
			}
		}
	}
	ref := p.Detectors[0].Characterised
	if ref == nil || !strings.Contains(text, ref.SHA256) || len(ref.SHA256) != 64 {
		t.Errorf("the profile does not keep the file's identity: %+v", ref)
	}
	// The canonical text stands for itself, far from the file.
	again, err := Parse("elsewhere.yaml", p.Canonical(), Overrides{})
	if err != nil || again.Hash() != p.Hash() {
		t.Errorf("the canonical text gives another profile: %v", err)
	}
	plain, err := Load(referring(t, sensorText(t, func(s string) string { return strings.Replace(s, "2.25", "2.26", 1) })), Overrides{})
	if err != nil || plain.Hash() == p.Hash() {
		t.Errorf("another file gives the same profile: %v", err)
	}
}

func TestAFileThatDoesNotFitTheProfileIsRefused(t *testing.T) {
	swap := func(from, to string) func(string) string {
		return func(s string) string { return strings.Replace(s, from, to, -1) }
	}
	for _, c := range []struct{ name, text, says string }{
		{"other detector", sensorText(t, swap(`"main"`, `"side"`)), `is of detector "side" of "quillon"`},
		{"other camera", sensorText(t, swap(`"quillon"`, `"pellam"`)), `is of detector "main" of "pellam"`},
		{"amplifier missing", sensorText(t, swap(`"right"`, `"middle"`)), `does not measure gain and read noise of amplifier "right"`},
		{"a bound only", sensorText(t, swap(`"value": 8.3,`, `"bound": "at most", "value": 8.3,`)), `does not measure gain and read noise of amplifier "right"`},
		{"other format", sensorText(t, swap(`"format": 1`, `"format": 2`)), "has format 2"},
		{"changed", strings.Replace(sensorText(t, same), "2.25", "2.26", 1), "its sha256 does not fit its content"},
		{"something else", "{}", "is no characterisation of a sensor"},
		{"no JSON", "gain: 2", "is no characterisation of a sensor"},
	} {
		path := referring(t, c.text)
		_, err := Load(path, Overrides{})
		text, readErr := os.ReadFile(path)
		if readErr != nil {
			t.Fatal(readErr)
		}
		line := 1 + strings.Count(string(text[:strings.Index(string(text), "characterised:")]), "\n")
		want := fmt.Sprintf("%s:%d: detectors.0.characterised.file: ", path, line)
		if err == nil || !strings.Contains(err.Error(), c.says) || !strings.HasPrefix(err.Error(), want) || !strings.Contains(err.Error(), "evenlight characterise") {
			t.Errorf("%s: %v, want %q, the place %q and a remedy", c.name, err, c.says, want)
		}
	}
	path := referring(t, "{}")
	if err := os.Remove(filepath.Join(filepath.Dir(path), "sensor.json")); err != nil {
		t.Fatal(err)
	}
	if _, err := Load(path, Overrides{}); err == nil || !strings.Contains(err.Error(), "sensor.json") {
		t.Errorf("a missing file: %v", err)
	}
}
