package simulate_test

import (
	"fmt"
	"log"

	"evenlight/configs"
	"evenlight/pipeline/simulate"
)

func profile(name string) *configs.Profile {
	text, err := configs.Builtin(name)
	if err != nil {
		log.Fatal(err)
	}
	p, err := configs.Parse(name+".yaml", text, configs.Overrides{})
	if err != nil {
		log.Fatal(err)
	}
	return p
}

// Twice the stages gather twice the light; so do two columns that are summed.
func ExampleLineScanner_Expose() {
	s, err := simulate.NewLineScanner(profile("tarn"), "nir", simulate.Options{Seed: 1})
	if err != nil {
		log.Fatal(err)
	}
	for _, e := range []simulate.LineExposure{
		{LineTimeS: 1e-4, Stages: 32, Binning: 1, Lines: 4, LampRate: 5e6},
		{LineTimeS: 1e-4, Stages: 64, Binning: 1, Lines: 4, LampRate: 5e6},
		{LineTimeS: 1e-4, Stages: 32, Binning: 2, Lines: 4, LampRate: 5e6},
	} {
		raw, err := s.Expose(e)
		if err != nil {
			log.Fatal(err)
		}
		fmt.Printf("%d stages, binning %d: %d columns, %.0f e-\n", e.Stages, e.Binning, raw.Truth.Width, raw.Truth.Electrons[0])
	}
	// Output:
	// 32 stages, binning 1: 512 columns, 16000 e-
	// 64 stages, binning 1: 512 columns, 32000 e-
	// 32 stages, binning 2: 256 columns, 32000 e-
}

func ExamplePlanLines() {
	plan := simulate.PlanLines(profile("tarn"), simulate.ScenarioOptions{Seed: 1})
	first, last := &plan[0], &plan[len(plan)-1]
	fmt.Println(len(plan), "files from", first.Name, "to", last.Name)
	fmt.Printf("the last is smeared over %.1f lines\n", last.Exposure.SmearLines())
	// Output:
	// 61 files from 0001-dark to 0061-scene
	// the last is smeared over 1.6 lines
}
