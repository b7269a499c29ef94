package demo

import (
	"path/filepath"
	"slices"
	"testing"

	"go.uber.org/zap"

	"evenlight/configs"
	"evenlight/pipeline"
	"evenlight/pipeline/simulate"
)

// measured simulates the calibration frames of a campaign and measures the
// sensor from them.
func measured(t *testing.T, camera string, plan simulate.ScenarioOptions) *Sensor {
	t.Helper()
	opt := Options{Dir: t.TempDir(), Camera: camera, Workers: 2, Log: zap.NewNop()}
	p, _, err := opt.profile()
	if err != nil {
		t.Fatal(err)
	}
	sensors, err := simulate.NewAll(p, simulate.Options{Seed: plan.Seed})
	if err != nil {
		t.Fatal(err)
	}
	frames := slices.DeleteFunc(simulate.Scenario(p, plan), func(f simulate.Planned) bool { return f.Kind == configs.KindScene })
	raw := filepath.Join(opt.Dir, RawDir)
	if err := simulate.WriteFrames(raw, filepath.Join(opt.Dir, TruthDir), sensors, frames, 2); err != nil {
		t.Fatal(err)
	}
	files, err := pipeline.FindFrames([]string{raw})
	if err != nil {
		t.Fatal(err)
	}
	s, err := characterise(pipeline.NewInstrument(p), files, opt)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func TestPeek(t *testing.T) {
	for seed := range uint64(2) {
		t.Log(measured(t, "quillon", simulate.ScenarioOptions{Seed: seed + 1, Overfull: true}).Text())
		t.Log(measured(t, "quillon", simulate.ScenarioOptions{Seed: seed + 1, Overfull: true, CosmicRate: -1}).Text())
	}
}
