package simulate_test

import (
	"fmt"
	"log"
	"slices"

	"evenlight/pipeline/simulate"
)

// Blue light alone reaches all three layers, most of it the top one.
func ExampleStack_Expose() {
	s, err := simulate.NewStack(profile("umber"), simulate.Options{Seed: 1})
	if err != nil {
		log.Fatal(err)
	}
	pixels := s.Layers[0].ImageWidth() * s.Layers[0].ImageHeight()
	blue, none := slices.Repeat([]float32{0.01}, pixels), make([]float32, pixels)
	raws, err := s.Expose(simulate.StackExposure{ExposureS: 1, Radiance: [][]float32{blue, none, none}})
	if err != nil {
		log.Fatal(err)
	}
	for _, raw := range raws {
		fmt.Printf("%s: %.0f e-\n", raw.Truth.Detector, raw.Truth.Electrons[0])
	}
	// Output:
	// top: 12240 e-
	// middle: 3740 e-
	// bottom: 1020 e-
}
