//go:build unix

package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"os"
	"syscall"
	"testing"
	"time"

	"evenlight/fitsutil"
)

// tinyCamera is a profile of frames of 16 x 16 samples that need no masters.
const tinyCamera = `format: 1
instrument: quillon
description: Corner of a framing camera (invented)
keywords:
  exposure_s: {key: EXPDUR, unit: ms}
  time: {key: OBSTIME, form: iso8601}
  band: {key: FILTPOS, words: [{raw: 1, is: green}]}
frame_kinds:
  - {kind: scene, when: [{key: OBSTYPE, equals: IMAGE}]}
detectors:
  - name: main
    width: 16
    height: 16
    adc_bits: 14
    image: {columns: [1, 16], rows: [1, 16]}
    reference: {columns: [5, 12], rows: [5, 12]}
    amplifiers:
      - {name: only, region: {columns: [1, 16], rows: [1, 16]}, gain_e_per_dn: 2.1, gain_relative_uncertainty: 0.003, read_noise_e: 7.5, offset_dn: 310, offset_tolerance_dn: 40}
    offset: {from: bias}
    saturation: {full_well_e: 30000, margin_sigma: 5, grow_pixels: 1}
    linearity: {from: none}
    dark: {reference_k: 263.15, law: constant}
    bad_pixels: {hot_e_per_s: 100, unstable_sigma: 8, dead_below: 0.2, low_below: 0.6, nonlinear_fraction: 0.05}
bands:
  - {name: green, wavelength_nm: 550, responsivity: 2.2e6, responsivity_relative_uncertainty: 0.02, solar_irradiance: 1.85, solar_irradiance_relative_uncertainty: 0.015}
output: {quantity: electrons}
stages_off: [offset, bias, linearity, dark, flat, bad_pixels]
`

// writeTiny writes the n-th tiny frame.
func writeTiny(t *testing.T, path string, n int) {
	t.Helper()
	h := fitsutil.NewHeader()
	begin := time.Date(2031, time.April, 5, 6, 0, 0, 0, time.UTC).Add(time.Duration(n) * time.Minute)
	for _, card := range []struct {
		key   string
		value any
	}{{"EXPDUR", 20.0}, {"OBSTIME", begin.Format("2006-01-02T15:04:05.000")}, {"FILTPOS", 1}, {"OBSTYPE", "IMAGE"}} {
		if err := h.Set(card.key, card.value, ""); err != nil {
			t.Fatal(err)
		}
	}
	w, err := fitsutil.Create(path, fitsutil.CreateOptions{NoSync: true})
	if err != nil {
		t.Fatal(err)
	}
	defer w.Abort()
	image, err := w.AddImage(h, 16, 16, 16)
	if err != nil {
		t.Fatal(err)
	}
	samples := make([]byte, 2*16*16)
	for i := 0; i < len(samples); i += 2 {
		samples[i], samples[i+1] = 4, byte(n+7*i) // near 1024 DN
	}
	if err := image.WriteRows(0, 0, 16, samples); err != nil {
		t.Fatal(err)
	}
	if err := w.Commit(); err != nil {
		t.Fatal(err)
	}
}

// used is what a run took.
type used struct {
	report
	mib  float64 // the most memory at a time
	took time.Duration
}

// measured runs an intake and measures it.
func (a *kept) measured() used {
	a.t.Helper()
	c := a.command("intake", "--json", "--log-level", "warn")
	var out bytes.Buffer
	c.Stdout = &out
	start := time.Now()
	if err := c.Run(); err != nil {
		a.t.Fatalf("%v\n%.2000s", err, a.logText())
	}
	u := used{took: time.Since(start)}
	if err := json.Unmarshal(out.Bytes(), &u.report); err != nil {
		a.t.Fatal(err)
	}
	rusage := c.ProcessState.SysUsage().(*syscall.Rusage)
	u.mib = float64(rusage.Maxrss) / 1024 // Linux: KiB, getrusage(2)
	return u
}

func TestTenThousandFramesInOneFolderAreTakenInAndLookedAtAgainInBoundedMemory(t *testing.T) {
	many := 10_000
	if testing.Short() {
		many = 500
	}
	few := many / 20
	a := newKept(t, t.TempDir(), []byte(tinyCamera))
	for n := range few {
		writeTiny(t, a.path("raw", fmt.Sprintf("%05d.fits", n)), n)
	}
	first := a.measured()
	for n := few; n < many; n++ {
		writeTiny(t, a.path("raw", fmt.Sprintf("%05d.fits", n)), n)
	}
	all := a.measured()
	if first.Counts.Done != few || all.Counts.Done != many-few || all.Counts.Failed > 0 {
		t.Fatalf("%+v, then %+v", first.report, all.report)
	}
	again := a.measured()
	if again.Counts.Found > 0 || again.Counts.Done > 0 {
		t.Errorf("another intake did something: %+v", again.report)
	}
	if entries, err := os.ReadDir(a.path("products", "quillon")); err != nil || len(entries) != many {
		t.Errorf("%d products are there, want %d (%v)", len(entries), many, err)
	}
	t.Logf("%d frames: %.1f s, %.2f ms a frame, %.0f MiB; %d more: %.1f s, %.2f ms a frame, %.0f MiB; looked at again: %.3f s, %.0f MiB",
		few, first.took.Seconds(), first.took.Seconds()*1e3/float64(few), first.mib,
		many-few, all.took.Seconds(), all.took.Seconds()*1e3/float64(many-few), all.mib, again.took.Seconds(), again.mib)
	// A frame may cost what is kept of its name and state, some 10 KiB, and
	// not what it holds.
	if most := first.mib + float64(many)*10/1024; all.mib > most || again.mib > most {
		t.Errorf("%d frames took %.0f MiB and then %.0f, where %d took %.0f: want at most %.0f", many, all.mib, again.mib, few, first.mib, most)
	}
	a.mustPlanNothing()
}
