package plots_test

import (
	"bytes"
	"fmt"

	"evenlight/pipeline/plots"
)

func Example() {
	p := &plots.PhotonTransfer{
		Heading: plots.Heading{Title: "Photon transfer", Subject: "quillon, detector main"},
		Sets: []plots.TransferSet{{
			Mean:      []float64{100, 1000, 10000},
			Variance:  []float64{99, 690, 6650},
			UVariance: []float64{0.6, 4, 38},
			Fit:       func(mean float64) float64 { return mean/1.51 + 31 },
		}},
	}
	figure, err := p.Draw()
	if err != nil {
		fmt.Println(err)
		return
	}
	svg, err := figure.SVG()
	fmt.Println(bytes.HasPrefix(svg, []byte("<?xml")), err)
	// Output: true <nil>
}
