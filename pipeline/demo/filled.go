package demo

import (
	"fmt"
	"strings"

	"evenlight/calib"
)

// Filled holds the pulls of pixels that were filled in from their neighbours,
// by what they were filled in for.
type Filled struct {
	Causes []Pulls `json:"causes"`
	// Beyond counts pulls beyond four standard deviations: what no neighbour
	// hints at, in scenes with edges and small things.
	Beyond int `json:"beyond_4_sigma"`
}

// Causes of filling that are told apart; the first that holds counts.
const (
	filledBad    = iota
	filledStruck // hits where the simulator let a particle strike
	filledAlarm  // hits where it did not
	filledOther
)

var causesOfFilling = [...]string{filledBad: "bad pixels", filledStruck: "hits", filledAlarm: "taken for hits", filledOther: "others"}

const beyondSigma = 4

func newFilled() *Filled {
	f := &Filled{Causes: make([]Pulls, len(causesOfFilling))}
	for i, name := range causesOfFilling {
		f.Causes[i].Name = name
	}
	return f
}

// add takes in a filled pixel; struck says that a particle did strike it.
func (f *Filled) add(flags calib.Flags, struck bool, pull float64) {
	cause := filledOther
	switch {
	case flags&calib.BadPixel != 0:
		cause = filledBad
	case flags&calib.Hit != 0 && struck:
		cause = filledStruck
	case flags&calib.Hit != 0:
		cause = filledAlarm
	}
	f.Causes[cause].add(pull)
	if pull*pull > beyondSigma*beyondSigma {
		f.Beyond++
	}
}

// text writes the pulls for people.
func (f *Filled) text(b *strings.Builder) {
	b.WriteString("\npulls of pixels that were filled in from their neighbours\n")
	for i := range f.Causes {
		if c := &f.Causes[i]; c.Pixels > 0 {
			fmt.Fprintf(b, "%20s %s\n", c.Name, c.columns())
		}
	}
	fmt.Fprintf(b, "%20s %9d\n", "beyond 4 sigma", f.Beyond)
}
