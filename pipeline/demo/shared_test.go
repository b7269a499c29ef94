package demo

import (
	"fmt"
	"os"
	"path/filepath"
	"sync"
	"testing"

	"go.uber.org/zap"

	"evenlight/pipeline"
)

// scratch is a folder for what the tests of this package share; TestMain
// removes it.
var scratch = sync.OnceValues(func() (string, error) { return os.MkdirTemp("", "evenlight-demo-") })

func TestMain(m *testing.M) {
	code := m.Run()
	if dir, err := scratch(); err == nil {
		os.RemoveAll(dir)
	}
	os.Exit(code)
}

// runOnce returns a demo that is run once for all tests that look at it.
func runOnce(name string, opt Options) func() (*Result, error) {
	return sync.OnceValues(func() (*Result, error) {
		dir, err := scratch()
		if err != nil {
			return nil, err
		}
		opt.Dir, opt.Seed, opt.Workers, opt.Log = filepath.Join(dir, name), 1, 2, zap.NewNop()
		return Run(opt)
	})
}

// The demos that tests look at.
var (
	quillon          = runOnce("quillon", Options{Colour: true})
	quillonElectrons = calibratedAgain(quillon, "quillon", "output.quantity=electrons")
	pellam           = runOnce("pellam", Options{Camera: "pellam", Set: []string{"output.quantity=radiance"}, Scale: half, Colour: true})
	pellamReflecting = calibratedAgain(pellam, "pellam", "output.quantity=reflectance")
	brindle          = runOnce("brindle", Options{Camera: "brindle", Scale: half, Colour: true})
	oxlip            = runOnce("oxlip", Options{Camera: "oxlip", Scale: half, Colour: true})
	gemel            = runOnce("gemel", Options{Camera: "gemel", Scale: half, Colour: true})
	fescue           = runOnce("fescue", Options{Camera: "fescue", Scale: half, Colour: true})
	tarn             = runOnce("tarn", Options{Camera: "tarn", Scale: half, Colour: true})
	umber            = runOnce("umber", Options{Camera: "umber", Scale: half, Colour: true})
	sallow           = runOnce("sallow", Options{Camera: "sallow", Scale: half, Colour: true})
)

// calibratedAgain returns a demo whose scenes are calibrated once more, with
// the masters that are there and another setting.
func calibratedAgain(run func() (*Result, error), camera, set string) func() (*Result, error) {
	return sync.OnceValues(func() (*Result, error) {
		before, err := run()
		if err != nil {
			return nil, err
		}
		opt := Options{Camera: camera, Set: []string{set}}
		p, _, err := opt.profile()
		if err != nil {
			return nil, err
		}
		files, err := pipeline.FindFrames([]string{filepath.Join(before.Dir, RawDir)})
		if err != nil {
			return nil, err
		}
		after := &Result{Dir: before.Dir, Masters: &pipeline.BuildResult{}}
		after.Run, err = pipeline.Calibrate(pipeline.NewInstrument(p), files, pipeline.RunOptions{
			MastersDir: filepath.Join(before.Dir, MastersDir), OutDir: filepath.Join(before.Dir, set), Workers: 2, Log: zap.NewNop()})
		if err != nil {
			return nil, err
		}
		after.Truth, err = Compare(after.Run, filepath.Join(before.Dir, TruthDir), p)
		return after, err
	})
}

// half is the scale of campaigns that are not the default one.
const half = 0.5

// heavy leaves a test out that runs a whole campaign where tests are to be
// short, as under the race detector; the small campaigns are run anyway.
func heavy(t *testing.T) {
	t.Helper()
	if testing.Short() {
		t.Skip("runs a whole campaign")
	}
}

// mustRun returns a demo that went through without a failure.
func mustRun(t *testing.T, run func() (*Result, error)) *Result {
	t.Helper()
	r, err := run()
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range append(r.Masters.Failures, r.Run.Failures...) {
		t.Errorf("failed: %s: %s", f.Raw, f.Reason)
	}
	if t.Failed() {
		t.FailNow()
	}
	return r
}

// filesIn lists the FITS files in folders of a demo.
func filesIn(t *testing.T, dir string, folders ...string) []string {
	t.Helper()
	var out []string
	for _, f := range folders {
		got, err := filepath.Glob(filepath.Join(dir, f, "*.fits"))
		if err != nil {
			t.Fatal(err)
		}
		out = append(out, got...)
	}
	if len(out) == 0 {
		t.Fatal(fmt.Errorf("no files in %v of %s", folders, dir))
	}
	return out
}
