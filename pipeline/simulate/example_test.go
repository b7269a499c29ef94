package simulate_test

import (
	"fmt"
	"log"
	"os"
	"path/filepath"

	"evenlight/configs"
	"evenlight/pipeline/simulate"
)

func quillon() *configs.Profile {
	text, err := configs.Builtin("quillon")
	if err != nil {
		log.Fatal(err)
	}
	p, err := configs.Parse("quillon.yaml", text, configs.Overrides{})
	if err != nil {
		log.Fatal(err)
	}
	return p
}

// A flooded pixel stops at full well: 30000 e- at 2.1 e-/DN above an offset
// of 310 DN.
func ExampleSensor_Expose() {
	s, err := simulate.New(quillon(), "main", simulate.Options{
		Seed: 1, NoPattern: true, NoDrift: true, NoCurvature: true, NoShotNoise: true, NoReadNoise: true,
	})
	if err != nil {
		log.Fatal(err)
	}
	raw, err := s.Expose(simulate.Exposure{Band: "green", ExposureS: 2, LampRate: 40000})
	if err != nil {
		log.Fatal(err)
	}
	const row, column = 256, 100 // counted from 0
	fmt.Println("raw sample:", raw.Samples[row*544+column], "DN")
	fmt.Println("light at unit flat:", raw.Truth.Electrons[row*raw.Truth.Width+column-16], "e-")
	fmt.Println("saturated:", raw.Truth.Saturated[row*raw.Truth.Width+column-16])
	// Output:
	// raw sample: 14596 DN
	// light at unit flat: 80000 e-
	// saturated: true
}

func ExampleScenario() {
	plan := simulate.Scenario(quillon(), simulate.ScenarioOptions{Seed: 1})
	first, last := plan[0], plan[len(plan)-1]
	fmt.Println(len(plan), "frames")
	fmt.Println(first.Name, first.Time.Format("2006-01-02 15:04"))
	fmt.Println(last.Name, last.Time.Format("2006-01-02 15:04"), last.Exposure.Band)
	// Output:
	// 179 frames
	// 0001-bias 2031-03-14 06:00
	// 0179-scene 2031-03-15 15:32 green
}

func ExampleWriteFrames() {
	root, err := os.MkdirTemp("", "campaign")
	if err != nil {
		log.Fatal(err)
	}
	defer os.RemoveAll(root)
	raw, truth := filepath.Join(root, "raw"), filepath.Join(root, "truth")

	p := quillon()
	sensors, err := simulate.NewAll(p, simulate.Options{Seed: 1})
	if err != nil {
		log.Fatal(err)
	}
	plan := simulate.Scenario(p, simulate.ScenarioOptions{Seed: 1})
	if err := simulate.WriteFrames(raw, truth, sensors, plan[len(plan)-1:], 1); err != nil {
		log.Fatal(err)
	}
	known, err := simulate.LoadTruth(simulate.TruthFile(truth, "0179-scene", "main"))
	if err != nil {
		log.Fatal(err)
	}
	fmt.Printf("%s: %d x %d pixels, %.0f e- in the corner\n", known.Detector, known.Width, known.Height, known.Electrons[0])
	// Output:
	// main: 512 x 512 pixels, 9000 e- in the corner
}
