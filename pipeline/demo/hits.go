package demo

import (
	"fmt"
	"math"
	"strings"

	"evenlight/calib"
	"evenlight/configs"
	"evenlight/pipeline/simulate"
)

// Hits holds the flags hit against the cosmic rays that the simulator left.
// Pixels with any other flag are left out: they were not searched.
type Hits struct {
	Bins []HitBin `json:"bins"` // by charge
	// Beside counts the flagged pixels that touch a struck one, Alarms those
	// that do not, of so many Pixels that were not struck. Bent pixels, whose
	// values are wrong, are none of them.
	Beside int `json:"beside"`
	Alarms int `json:"false_alarms"`
	Pixels int `json:"pixels"`
}

// HitBin counts the struck pixels whose charge lies between two multiples of
// the noise that the pixel has without it.
type HitBin struct {
	FromSigma float64 `json:"from_sigma"`
	ToSigma   float64 `json:"to_sigma,omitempty"` // 0: no limit
	Pixels    int     `json:"pixels"`
	Flagged   int     `json:"flagged"`
}

// edgesHits are the lower limits of the bins, in standard deviations.
var edgesHits = [...]float64{0, 3, 5, 7, 10, 20, 50}

func newHits() *Hits {
	h := &Hits{Bins: make([]HitBin, len(edgesHits))}
	for i, from := range edgesHits {
		h.Bins[i].FromSigma = from
		if i > 0 {
			h.Bins[i-1].ToSigma = from
		}
	}
	return h
}

// add takes in a frame.
func (h *Hits) add(flags []calib.Flags, t *simulate.Truth, d *configs.Detector) {
	read := 0.0
	for _, a := range d.Amplifiers {
		read += a.ReadNoiseE * a.ReadNoiseE / float64(len(d.Amplifiers))
	}
	for i, f := range flags {
		hit := f&calib.Hit != 0
		if f&^(calib.Hit|calib.Filled) != 0 {
			continue
		}
		if e := float64(t.Cosmic[i]); e > 0 {
			h.struck(e/math.Sqrt(float64(t.Electrons[i])+read), hit)
			continue
		}
		h.Pixels++
		switch {
		case !hit || t.Defects[i]&simulate.Nonlinear != 0:
		case besideStruck(t, i):
			h.Beside++
		default:
			h.Alarms++
		}
	}
}

func (h *Hits) struck(sigmas float64, flagged bool) {
	i := len(h.Bins) - 1
	for sigmas < h.Bins[i].FromSigma {
		i--
	}
	h.Bins[i].Pixels++
	if flagged {
		h.Bins[i].Flagged++
	}
}

// besideStruck tells whether any of the eight neighbours of pixel i was struck.
func besideStruck(t *simulate.Truth, i int) bool {
	x, y := i%t.Width, i/t.Width
	for v := max(0, y-1); v <= min(t.Height-1, y+1); v++ {
		for u := max(0, x-1); u <= min(t.Width-1, x+1); u++ {
			if t.Cosmic[v*t.Width+u] > 0 {
				return true
			}
		}
	}
	return false
}

// text writes the counts for people.
func (h *Hits) text(b *strings.Builder) {
	b.WriteString("\npixels that cosmic rays struck, by charge over the pixel's noise, and how many are flagged hit\n")
	for _, x := range h.Bins {
		if x.Pixels == 0 {
			continue
		}
		to := fmt.Sprintf("to %7.0f", x.ToSigma)
		if x.ToSigma == 0 {
			to = "and more  "
		}
		fmt.Fprintf(b, "%9.0f %s %9d %9d flagged %8.2f %%\n", x.FromSigma, to, x.Pixels, x.Flagged, 100*float64(x.Flagged)/float64(x.Pixels))
	}
	fmt.Fprintf(b, "flagged hit of %d pixels that were not struck: %d beside a struck one, %d elsewhere (%.1g of them)\n",
		h.Pixels, h.Beside, h.Alarms, float64(h.Alarms)/float64(max(h.Pixels, 1)))
}
