package demo

import (
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"go.uber.org/zap"

	"evenlight/configs"
	"evenlight/fitsutil"
	"evenlight/pipeline"
)

// hashes returns the content hash of each file by its name.
func hashes(t *testing.T, files []string) map[string]string {
	t.Helper()
	out := map[string]string{}
	for _, f := range files {
		sha, _, err := fitsutil.HashFile(f)
		if err != nil {
			t.Fatal(err)
		}
		out[filepath.Base(f)] = sha
	}
	return out
}

// instrument returns a built-in camera made ready.
func instrument(t *testing.T, camera string, set ...string) *pipeline.Instrument {
	t.Helper()
	text, err := configs.Builtin(camera)
	if err != nil {
		t.Fatal(err)
	}
	p, err := configs.Parse(camera, text, configs.Overrides{Set: set})
	if err != nil {
		t.Fatal(err)
	}
	return pipeline.NewInstrument(p)
}

// small is a camera and a campaign with few calibration frames.
var (
	smallSettings = []string{"masters.min_frames=3", "output.quantity=radiance"}
	smallQuillon  = runOnce("quillon-small", Options{Set: smallSettings, Scale: 0.1})
	smallPellam   = runOnce("pellam-small", Options{Camera: "pellam", Set: smallSettings, Scale: 0.1})
)

// makeAgain makes the masters and products of the raw frames in a folder.
func makeAgain(t *testing.T, in *pipeline.Instrument, raw string, workers int) (masters, products []string) {
	t.Helper()
	dir := t.TempDir()
	files, err := pipeline.FindFrames([]string{raw})
	if err != nil {
		t.Fatal(err)
	}
	built, err := pipeline.BuildMasters(in, files, pipeline.BuildOptions{OutDir: filepath.Join(dir, MastersDir), Workers: workers, Log: zap.NewNop()})
	if err != nil {
		t.Fatal(err)
	}
	run, err := pipeline.Calibrate(in, files, pipeline.RunOptions{MastersDir: filepath.Join(dir, MastersDir), OutDir: filepath.Join(dir, ProductsDir), Workers: workers, Log: zap.NewNop()})
	if err != nil {
		t.Fatal(err)
	}
	if len(built.Failures)+len(run.Failures) > 0 {
		t.Fatal(built.Failures, run.Failures)
	}
	return filesIn(t, dir, MastersDir), filesIn(t, dir, ProductsDir)
}

func TestFilesDoNotDependOnTheNumberOfWorkers(t *testing.T) {
	for _, c := range []struct {
		camera string
		run    func() (*Result, error)
	}{{"quillon", smallQuillon}, {"pellam", smallPellam}} {
		t.Run(c.camera, func(t *testing.T) {
			others := []int{1, 7}
			if testing.Short() { // with the race detector, which is slow
				if c.camera == "pellam" {
					t.Skip("the other camera passes through the same code")
				}
				others = []int{7}
			}
			r := mustRun(t, c.run)
			want := hashes(t, filesIn(t, r.Dir, MastersDir, ProductsDir)) // made by 2 workers
			for _, workers := range others {
				masters, products := makeAgain(t, instrument(t, c.camera, smallSettings...), filepath.Join(r.Dir, RawDir), workers)
				if got := hashes(t, slices.Concat(masters, products)); !maps.Equal(got, want) {
					t.Errorf("%d workers make other files than 2:\n%v\nwant\n%v", workers, got, want)
				}
			}
		})
	}
}

func TestMastersMadeAgainAreUnchanged(t *testing.T) {
	r := mustRun(t, smallQuillon)
	files, err := pipeline.FindFrames([]string{filepath.Join(r.Dir, RawDir)})
	if err != nil {
		t.Fatal(err)
	}
	again, err := pipeline.BuildMasters(instrument(t, "quillon", smallSettings...), files,
		pipeline.BuildOptions{OutDir: filepath.Join(r.Dir, MastersDir), Workers: 2, Log: zap.NewNop()})
	if err != nil {
		t.Fatal(err)
	}
	if len(again.Made) != 0 || len(again.Failures) != 0 || len(again.Unchanged) != len(r.Masters.Made) {
		t.Errorf("made again: %d new, %d unchanged, %d failures; want 0, %d, 0",
			len(again.Made), len(again.Unchanged), len(again.Failures), len(r.Masters.Made))
	}
}

func TestEveryProductCanBeMadeAgain(t *testing.T) {
	for name, run := range map[string]func() (*Result, error){"quillon": smallQuillon, "pellam": smallPellam} {
		t.Run(name, func(t *testing.T) {
			r := mustRun(t, run)
			for _, f := range r.Run.Frames {
				v, err := pipeline.Verify(f.Product, []string{r.Dir}, 3)
				if err != nil || !v.Same || len(v.Details) != 0 {
					t.Errorf("%s: %+v, %v", f.Product, v, err)
				}
			}
		})
	}
}

// copyTo copies a file into a folder and returns the copy's path.
func copyTo(t *testing.T, path, dir string) string {
	t.Helper()
	data, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	to := filepath.Join(dir, filepath.Base(path))
	if err := os.WriteFile(to, data, 0o666); err != nil {
		t.Fatal(err)
	}
	return to
}

// changeByte turns over a bit of the byte at an offset, from the end of the
// file where it is negative.
func changeByte(t *testing.T, path string, at int) {
	t.Helper()
	data, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if at < 0 {
		at += len(data)
	}
	data[at] ^= 1
	if err := os.WriteFile(path, data, 0o666); err != nil {
		t.Fatal(err)
	}
}

// inputsOf copies a product and its inputs to a folder of their own, and
// returns the product's copy and the inputs' by role.
func inputsOf(t *testing.T, r *Result, product string) (copied string, inputs map[string]string) {
	t.Helper()
	record, err := pipeline.ReadProvenance(product)
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	inputs = map[string]string{}
	for _, in := range record.Inputs {
		from := MastersDir
		if in.Role == "raw" {
			from = RawDir
		}
		inputs[in.Role] = copyTo(t, filepath.Join(r.Dir, from, in.Name), dir)
	}
	return copyTo(t, product, dir), inputs
}

func TestVerifyNamesTheInputThatWasChanged(t *testing.T) {
	r := mustRun(t, smallQuillon)
	for _, role := range []string{"raw", "bias", "linearity", "dark", "flat", "bad-pixels"} {
		t.Run(role, func(t *testing.T) {
			product, inputs := inputsOf(t, r, r.Run.Frames[1].Product)
			folder := []string{filepath.Dir(product)}
			if v, err := pipeline.Verify(product, folder, 2); err != nil || !v.Same {
				t.Fatalf("before the change: %+v, %v", v, err)
			}
			changeByte(t, inputs[role], 20*2880)
			if _, err := pipeline.Verify(product, folder, 2); err == nil || !strings.Contains(err.Error(), inputs[role]) || !strings.Contains(err.Error(), "another content") {
				t.Errorf("changed %s: %v, want an error that names it", inputs[role], err)
			}
			if err := os.Remove(inputs[role]); err != nil {
				t.Fatal(err)
			}
			if _, err := pipeline.Verify(product, folder, 2); err == nil || !strings.Contains(err.Error(), filepath.Base(inputs[role])) || !strings.Contains(err.Error(), "--inputs") {
				t.Errorf("absent %s: %v, want an error that names it and the remedy", inputs[role], err)
			}
		})
	}
}

func TestVerifyReportsAProductThatWasChanged(t *testing.T) {
	r := mustRun(t, smallQuillon)
	product, _ := inputsOf(t, r, r.Run.Frames[1].Product)
	const at = 40 * 2880 // in the pixels of VALUE
	changeByte(t, product, at)
	v, err := pipeline.Verify(product, []string{filepath.Dir(product)}, 2)
	if err != nil {
		t.Fatal(err)
	}
	details := strings.Join(v.Details, "\n")
	if v.Same || !strings.Contains(details, "differs from byte 115200 on") || !strings.Contains(details, "HDU 1: ") {
		t.Errorf("%+v, want the changed byte and HDU 1 (VALUE), whose checksum does not fit", v)
	}
}
