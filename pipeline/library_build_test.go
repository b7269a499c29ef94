package pipeline_test

import (
	"path/filepath"
	"strings"
	"testing"
	"time"

	"go.uber.org/zap"

	"evenlight/configs"
	"evenlight/pipeline"
)

// ruling records a decision about a master of a folder, or about all of them.
func ruling(t *testing.T, dir, what, master string, at time.Time) {
	t.Helper()
	d := pipeline.Decision{What: what, At: at, By: "A. Rook", Why: "light leak"}
	if what == pipeline.DecisionRequire {
		on := true
		d.On = &on
	} else {
		d.SHA256, d.Name = hash(t, master), filepath.Base(master)
	}
	if err := pipeline.Record(dir, d); err != nil {
		t.Fatal(err)
	}
}

// Where acceptance is required, nobody can have accepted a bias that a dark is
// made with in the same run; but a content that was withdrawn serves no master
// either, however often it is made again.
func TestMakingMastersHeedsDecisions(t *testing.T) {
	c, in := mustRun(t, quillon), instrument(t, "quillon", settings...)
	dir := t.TempDir()
	biases, darks := c.frames(t, configs.KindBias), c.frames(t, configs.KindDark)
	built := func(files ...string) *pipeline.BuildResult {
		t.Helper()
		r, err := pipeline.BuildMasters(in, files, pipeline.BuildOptions{OutDir: dir, Workers: 2, Log: zap.NewNop()})
		if err != nil {
			t.Fatal(err)
		}
		return r
	}
	at := time.Date(2031, 4, 1, 0, 0, 0, 0, time.UTC)
	ruling(t, dir, pipeline.DecisionRequire, "", at)
	ladder := c.frames(t, configs.KindLadder)
	r := built(append(append(biases, darks...), ladder...)...)
	if len(r.Failures) > 0 || len(r.Made) != 4 { // with the mask
		t.Fatalf("%d masters were made, failures %v; want bias, linearity, dark and mask", len(r.Made), r.Failures)
	}
	calibrated, err := pipeline.Calibrate(in, c.frames(t, configs.KindScene)[:1], pipeline.RunOptions{MastersDir: dir, OutDir: t.TempDir(), Workers: 2, Log: zap.NewNop()})
	if err != nil || calibrated.Counts.Failed != 1 || !strings.Contains(calibrated.Failures[0].Reason, "was not accepted") {
		t.Errorf("a scene was not refused for masters that nobody accepted: %v, %v", calibrated, err)
	}

	withdraw := func(kind string) {
		t.Helper()
		at = at.Add(time.Hour)
		for _, m := range r.Made {
			if m.Kind == kind {
				ruling(t, dir, pipeline.DecisionWithdraw, m.Path, at)
			}
		}
	}
	withdraw(pipeline.MasterBias)
	again := built(append(biases, darks...)...)
	if len(again.Unchanged) != 1 || len(again.Failures) != 1 || !strings.Contains(again.Failures[0].Reason, "was withdrawn by A. Rook") {
		t.Errorf("%d masters unchanged, failures %v; want the bias, and that no dark is made with it", len(again.Unchanged), again.Failures)
	}
	for _, m := range r.Made {
		if m.Kind == pipeline.MasterBias {
			ruling(t, dir, pipeline.DecisionAccept, m.Path, at.Add(time.Minute))
		}
		if m.Kind == pipeline.MasterLinearity {
			ruling(t, dir, pipeline.DecisionAccept, m.Path, at.Add(time.Minute))
		}
	}
	withdraw(pipeline.MasterDark)
	again = built(darks...)
	if len(again.Failures) != 1 || !strings.Contains(again.Failures[0].Raw, "bad-pixels") || !strings.Contains(again.Failures[0].Reason, "was withdrawn by A. Rook") {
		t.Errorf("%d masters unchanged, failures %v; want that no mask is made of the dark", len(again.Unchanged), again.Failures)
	}
}
