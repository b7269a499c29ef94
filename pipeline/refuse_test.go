package pipeline_test

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"os"
	"path/filepath"
	"reflect"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"go.uber.org/zap"

	"evenlight/fitsutil"
	"evenlight/pipeline"
	"evenlight/pipeline/simulate"
)

// fill sets all samples to a raw value; files hold them 32768 lower.
func fill(raw int) func(*fitsutil.Header, []byte) ([]int, []byte) {
	return func(_ *fitsutil.Header, samples []byte) ([]int, []byte) {
		for i := 0; i < len(samples); i += 2 {
			binary.BigEndian.PutUint16(samples[i:], uint16(raw-32768))
		}
		return nil, nil
	}
}

// one sets the sample at column x and row y, from 0, to a raw value.
func one(x, y, raw int) func(*fitsutil.Header, []byte) ([]int, []byte) {
	return func(_ *fitsutil.Header, samples []byte) ([]int, []byte) {
		binary.BigEndian.PutUint16(samples[2*(y*544+x):], uint16(raw-32768))
		return nil, nil
	}
}

// cut keeps so many rows.
func cut(rows int) func(*fitsutil.Header, []byte) ([]int, []byte) {
	return func(_ *fitsutil.Header, samples []byte) ([]int, []byte) {
		return []int{544, rows}, samples[:2*544*rows]
	}
}

func TestFrameThatCannotBeTrustedIsRefusedAndTheOthersAreDone(t *testing.T) {
	c := mustRun(t, quillon)
	scenes := c.frames(t, "scene")
	for _, x := range []struct {
		name  string
		spoil func(t *testing.T, from, to string)
		words []string
	}{
		{"wrong size", func(t *testing.T, from, to string) { rewrite(t, from, to, cut(511)) },
			[]string{"544 x 511", "544 x 512", "detector main", "width and height"}},
		{"sample that the converter cannot make", func(t *testing.T, from, to string) { rewrite(t, from, to, one(99, 199, 16384)) },
			[]string{"16383", "100", "200", "adc_bits"}},
		{"truncated", func(t *testing.T, from, to string) { copyFile(t, from, to, 100*2880) }, nil},
		{"truncated header", func(t *testing.T, from, to string) { copyFile(t, from, to, 1000) }, nil},
		{"zero length", func(t *testing.T, from, to string) { copyFile(t, from, to, 0) }, nil},
		{"something else", func(t *testing.T, from, to string) {
			if err := os.WriteFile(to, bytes.Repeat([]byte("not a FITS file\n"), 400), 0o666); err != nil {
				t.Fatal(err)
			}
		}, nil},
		{"no exposure time", func(t *testing.T, from, to string) { rewrite(t, from, to, setKey(t, "EXPDUR", nil)) }, []string{"EXPDUR"}},
		{"no time", func(t *testing.T, from, to string) { rewrite(t, from, to, setKey(t, "OBSTIME", "yesterday")) }, []string{"OBSTIME", "yesterday"}},
		{"unknown filter", func(t *testing.T, from, to string) { rewrite(t, from, to, setKey(t, "FILTPOS", 9)) }, []string{"FILTPOS", "9"}},
		{"unknown kind", func(t *testing.T, from, to string) { rewrite(t, from, to, setKey(t, "OBSTYPE", "OTHER")) }, []string{"kind"}},
		{"no masters of its mode", func(t *testing.T, from, to string) { rewrite(t, from, to, setKey(t, "RDMODE", 1)) },
			[]string{"no bias master", "mode fast", "evenlight masters"}},
		{"masters too old", func(t *testing.T, from, to string) {
			rewrite(t, from, to, setKey(t, "OBSTIME", "2031-06-14T06:00:00"))
		}, []string{"no bias master", "the nearest", "selection.bias"}},
	} {
		t.Run(x.name, func(t *testing.T) {
			dir := t.TempDir()
			bad := filepath.Join(dir, "bad.fits")
			x.spoil(t, scenes[0], bad)
			before := hash(t, bad)
			s := calibrate(t, instrument(t, "quillon"), []string{bad, scenes[1]}, pipeline.RunOptions{MastersDir: c.masters})
			if s.Counts.Done != 1 || s.Counts.Failed != 1 || len(s.Failures) != 1 {
				t.Fatalf("%+v %v, want one frame done and one failed", s.Counts, s.Failures)
			}
			if s.Failures[0].Raw != bad || strings.Count(s.Failures[0].Reason, bad) != 1 {
				t.Errorf("failure of %s: %s; want %s named once", s.Failures[0].Raw, s.Failures[0].Reason, bad)
			}
			says(t, s.Failures[0].Reason, x.words...)
			if hash(t, bad) != before {
				t.Error("the raw file has changed")
			}
		})
	}
}

// nothingElse fails if a folder holds anything but the named files: what is
// refused leaves no parts behind.
func nothingElse(t *testing.T, dir string, names ...string) {
	t.Helper()
	entries, err := os.ReadDir(dir)
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range entries {
		if !slices.Contains(names, e.Name()) {
			t.Errorf("%s is left in %s", e.Name(), dir)
		}
	}
}

func TestFramesWithoutTheirMasterAreRefused(t *testing.T) {
	c := mustRun(t, quillon)
	for _, kind := range []string{"bias", "linearity", "dark", "flat-main-normal-nir", "bad-pixels"} {
		t.Run(kind, func(t *testing.T) {
			some := t.TempDir()
			for _, m := range c.Masters.Made {
				if !strings.HasPrefix(m.Name(), kind+"-") {
					copyFile(t, m.Path, filepath.Join(some, m.Name()), -1)
				}
			}
			out := t.TempDir()
			s := calibrate(t, instrument(t, "quillon"), c.frames(t, "scene"), pipeline.RunOptions{MastersDir: some, OutDir: out})
			wantFailed, band := 9, ""
			if strings.HasPrefix(kind, "flat") {
				wantFailed, band = 2, "nir" // the two scenes in that band
			}
			if s.Counts.Failed != wantFailed || s.Counts.Done != 9-wantFailed {
				t.Fatalf("%+v, want %d of 9 failed: %v", s.Counts, wantFailed, s.Failures)
			}
			for _, f := range s.Failures {
				says(t, f.Reason, "no "+strings.TrimSuffix(kind, "-main-normal-nir")+" master", band, some)
			}
			var products []string
			for _, f := range s.Frames {
				products = append(products, filepath.Base(f.Product))
			}
			nothingElse(t, out, products...)
		})
	}
}

func TestMasterThatIsDamagedIsNotUsed(t *testing.T) {
	c := mustRun(t, quillon)
	for name, damage := range map[string]func(data []byte) []byte{
		"one bit":   func(d []byte) []byte { d[30*2880] ^= 1; return d },
		"truncated": func(d []byte) []byte { return d[:len(d)/2] },
	} {
		t.Run(name, func(t *testing.T) {
			dir := t.TempDir()
			var damaged string
			for _, m := range c.Masters.Made {
				to := copyFile(t, m.Path, filepath.Join(dir, m.Name()), -1)
				if m.Band == "green" {
					damaged = to
				}
			}
			data, err := os.ReadFile(damaged)
			if err != nil {
				t.Fatal(err)
			}
			if err := os.WriteFile(damaged, damage(data), 0o666); err != nil {
				t.Fatal(err)
			}
			s := calibrate(t, instrument(t, "quillon"), c.frames(t, "scene"), pipeline.RunOptions{MastersDir: dir})
			if s.Counts.Failed != 3 || s.Counts.Done != 6 { // two scenes and the glint are green
				t.Fatalf("%+v, want 3 failed and 6 done: %v", s.Counts, s.Failures)
			}
			for _, f := range s.Failures {
				says(t, f.Reason, "flat", "green")
			}
		})
	}
}

func TestRawFrameIsNeverWrittenOver(t *testing.T) {
	c := mustRun(t, quillon)
	out := t.TempDir()
	raw := copyFile(t, c.frames(t, "scene")[0], filepath.Join(t.TempDir(), "a.fits"), -1)
	before := hash(t, raw)
	for name, link := range map[string]func(from, to string) error{"hard link": os.Link, "symbolic link": os.Symlink} {
		t.Run(name, func(t *testing.T) {
			product := filepath.Join(out, "a-calibrated.fits")
			if err := link(raw, product); err != nil {
				t.Skip(err)
			}
			defer os.Remove(product)
			s := calibrate(t, instrument(t, "quillon"), []string{raw}, pipeline.RunOptions{MastersDir: c.masters, OutDir: out, Overwrite: true})
			if len(s.Failures) != 1 || hash(t, raw) != before {
				t.Fatalf("%+v, want a refusal and the raw frame as it was", s)
			}
			says(t, s.Failures[0].Reason, raw, "another output folder")
		})
	}
}

func TestProductIsWrittenOverOnlyWhenAskedFor(t *testing.T) {
	c := mustRun(t, quillon)
	raw, out := c.frames(t, "scene")[:1], t.TempDir()
	product := filepath.Join(out, strings.TrimSuffix(filepath.Base(raw[0]), ".fits")+"-calibrated.fits")
	if err := os.WriteFile(product, []byte("precious"), 0o666); err != nil {
		t.Fatal(err)
	}
	s := calibrate(t, instrument(t, "quillon"), raw, pipeline.RunOptions{MastersDir: c.masters, OutDir: out})
	if data, err := os.ReadFile(product); err != nil || string(data) != "precious" || len(s.Failures) != 1 {
		t.Fatalf("%v, %v: want a refusal and the file as it was", s.Failures, err)
	}
	says(t, s.Failures[0].Reason, product)
	s = calibrate(t, instrument(t, "quillon"), raw, pipeline.RunOptions{MastersDir: c.masters, OutDir: out, Overwrite: true})
	if s.Counts.Done != 1 || hash(t, product) != hash(t, c.Run.Frames[0].Product) {
		t.Errorf("%+v, want the product in the file's place", s)
	}
}

func TestFoldersThatAreNotThereAreErrors(t *testing.T) {
	c := mustRun(t, quillon)
	gone := filepath.Join(t.TempDir(), "gone")
	if _, err := pipeline.FindFrames([]string{c.raw, gone}); err == nil || !strings.Contains(err.Error(), gone) {
		t.Errorf("input: %v, want an error that names %s", err, gone)
	}
	_, err := pipeline.Calibrate(instrument(t, "quillon"), c.frames(t, "scene"), pipeline.RunOptions{MastersDir: gone, OutDir: t.TempDir(), Log: zap.NewNop()})
	if err == nil || !strings.Contains(err.Error(), gone) {
		t.Errorf("masters: %v, want an error that names %s", err, gone)
	}
	if _, err := pipeline.OpenLibrary(gone); err == nil || !strings.Contains(err.Error(), gone) {
		t.Errorf("library: %v, want an error that names %s", err, gone)
	}
	s := calibrate(t, instrument(t, "quillon"), []string{gone + ".fits"}, pipeline.RunOptions{MastersDir: c.masters})
	if len(s.Failures) != 1 || !strings.Contains(s.Failures[0].Reason, gone) {
		t.Errorf("raw file: %v, want an error that names %s", s.Failures, gone)
	}
}

func TestSetsThatMakeNoMasterAreRefusedAndTheOthersAreMade(t *testing.T) {
	c := mustRun(t, quillon)
	bias, flats := c.frames(t, "bias"), c.frames(t, "flat")
	dark := c.frames(t, "dark")
	for _, x := range []struct {
		name      string
		files     func(t *testing.T, dir string) []string // besides bias frames
		linearity string
		words     []string
	}{
		{"too few frames", func(*testing.T, string) []string { return dark[:2] }, "none",
			[]string{"master dark", "2 frames", "3", "masters.min_frames"}},
		{"darks without exposure", func(t *testing.T, dir string) []string {
			var out []string
			for _, d := range dark[:3] {
				out = append(out, rewrite(t, d, filepath.Join(dir, filepath.Base(d)), setKey(t, "EXPDUR", 0)))
			}
			return out
		}, "none", []string{"master dark", filepath.Base(dark[0]), "bias in frame_kinds"}},
		{"flats without their linearity", func(*testing.T, string) []string { return append(slices.Clone(dark), flats[:3]...) }, "ladder",
			[]string{"no linearity master"}},
		{"an impossible sample", func(t *testing.T, dir string) []string {
			return append(slices.Clone(dark[1:]), rewrite(t, dark[0], filepath.Join(dir, "spoilt.fits"), one(99, 199, 40000)))
		}, "none", []string{"spoilt.fits", "16383"}},
	} {
		t.Run(x.name, func(t *testing.T) {
			in := instrument(t, "quillon", "detectors.0.linearity.from="+x.linearity)
			r := build(t, in, append(slices.Clone(bias), x.files(t, t.TempDir())...))
			if len(r.Failures) == 0 || len(r.Made) == 0 || r.Made[0].Kind != pipeline.MasterBias {
				t.Fatalf("made %v, failures %v; want the bias made and a failure", r.Made, r.Failures)
			}
			var reasons []string
			for _, f := range r.Failures {
				reasons = append(reasons, f.Raw+": "+f.Reason)
			}
			says(t, strings.Join(reasons, "\n"), x.words...)
		})
	}
}

func TestSaturatedFlatIsRefused(t *testing.T) {
	c := mustRun(t, quillon)
	dir := t.TempDir()
	files := slices.Concat(c.frames(t, "bias"), c.frames(t, "dark"), c.frames(t, "ladder"), c.frames(t, "flat"))
	last := files[len(files)-1] // of the last band
	files[len(files)-1] = rewrite(t, last, filepath.Join(dir, "bright.fits"), fill(16383))
	r := build(t, instrument(t, "quillon"), files)
	if len(r.Failures) != 1 || len(r.Made) != 7 {
		t.Fatalf("%d masters made, failures %v; want 7 and one failure", len(r.Made), r.Failures)
	}
	says(t, r.Failures[0].Raw+r.Failures[0].Reason, "master flat", "nir", "bright.fits", "saturated", "ignore in frame_kinds")
}

// At 1.1, 1.5 and 3 times full well nothing grows any more; the curve is that
// of the ladder without those steps, to the last bit.
func TestLadderStepsBeyondFullWellAreNamedAndLeftOut(t *testing.T) {
	c := mustRun(t, quillon)
	in := instrument(t, "quillon")
	sensors, err := simulate.NewAll(in.Profile, simulate.Options{Seed: 7})
	if err != nil {
		t.Fatal(err)
	}
	plan := simulate.Scenario(in.Profile, simulate.ScenarioOptions{Seed: 7, Overfull: true})
	dir := t.TempDir()
	if err := simulate.WriteFrames(dir, t.TempDir(), sensors, plan[len(plan)-6:], 2); err != nil {
		t.Fatal(err)
	}
	full, err := filepath.Glob(filepath.Join(dir, "*-ladder.fits"))
	if err != nil || len(full) != 6 {
		t.Fatalf("%d frames beyond full well (%v), want 6", len(full), err)
	}
	files := slices.Concat(c.frames(t, "bias"), c.frames(t, "ladder"))
	curves := func(files []string) (map[string]any, []string) {
		r := build(t, in, files)
		i := slices.IndexFunc(r.Made, func(m *pipeline.Master) bool { return m.Kind == pipeline.MasterLinearity })
		if i < 0 {
			t.Fatalf("no linearity was made: %v", r.Failures)
		}
		return tableOf(t, r.Made[i].Path, "CURVES"), r.Warnings
	}
	want, quiet := curves(files)
	got, warned := curves(slices.Concat(files, full))
	if !reflect.DeepEqual(got, want) {
		t.Errorf("the curves are %v, want %v", got, want)
	}
	if len(quiet) != 0 || len(warned) != 1 {
		t.Fatalf("warnings %q without and %q with the saturated steps; want none and one", quiet, warned)
	}
	for _, f := range full {
		says(t, warned[0], "does not grow with the light", "1.1 s", filepath.Base(f))
	}
}

// The number that the error asks for is the least that is enough: with one
// less the error stays, with it the set gets as far as its first frame, whose
// impossible sample ends the test.
func TestMemorySettingThatIsTooSmallIsAnErrorWithTheNumberToSet(t *testing.T) {
	c := mustRun(t, quillon)
	bias := c.frames(t, "bias")
	files := []string{rewrite(t, bias[0], filepath.Join(t.TempDir(), "first.fits"), one(99, 199, 40000))}
	for i := range 2199 { // a row of each, and what is kept about each, exceed 16 MiB
		files = append(files, bias[1+i%(len(bias)-1)])
	}
	failure := func(mib int) string {
		r := build(t, instrument(t, "quillon", fmt.Sprintf("masters.memory_mib=%d", mib)), files)
		if len(r.Failures) != 1 {
			t.Fatalf("made %v, failures %v; want one failure", r.Made, r.Failures)
		}
		return r.Failures[0].Reason
	}
	reason := failure(16)
	says(t, reason, "2200 frames", "masters.memory_mib", "split_gap_hours")
	number := regexp.MustCompile(`raise it to (\d+) or more`).FindStringSubmatch(reason)
	if number == nil {
		t.Fatalf("%q names no number", reason)
	}
	enough, err := strconv.Atoi(number[1])
	if err != nil || enough <= 16 {
		t.Fatalf("%q names no number above 16", reason)
	}
	says(t, failure(enough-1), "raise it to "+number[1])
	says(t, failure(enough), "first.fits", "16383")
}
