package simulate_test

import (
	"fmt"
	"log"

	"evenlight/pipeline/simulate"
)

// A dark frame right after a flat shows 4 percent of its 30000 e-, at 60 e-/DN.
func ExampleTube_Expose() {
	opt := simulate.TubeOptions{NoMarks: true, Options: simulate.Options{
		NoPattern: true, NoDark: true, NoDead: true, NoLow: true, NoUnevenness: true,
		NoCurvature: true, NoShotNoise: true, NoReadNoise: true,
	}}
	tube, err := simulate.NewTube(profile("sallow"), "tube", opt)
	if err != nil {
		log.Fatal(err)
	}
	flat, err := tube.Light(simulate.Exposure{Band: "clear", ExposureS: 1, LampRate: 30000})
	if err != nil {
		log.Fatal(err)
	}
	alone, err := tube.Expose(simulate.Exposure{ExposureS: 5}, nil)
	if err != nil {
		log.Fatal(err)
	}
	after, err := tube.Expose(simulate.Exposure{ExposureS: 5}, flat)
	if err != nil {
		log.Fatal(err)
	}
	fmt.Println("alone:", alone.Samples[0], "DN")
	fmt.Println("after the flat:", after.Samples[0], "DN")
	// Output:
	// alone: 40 DN
	// after the flat: 60 DN
}
