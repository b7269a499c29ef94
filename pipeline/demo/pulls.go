package demo

import (
	"fmt"
	"math"
)

// Pulls are the mean and the standard deviation of values less truth over
// uncertainty; honest uncertainties give 0 and 1.
type Pulls struct {
	Name   string  `json:"name,omitempty"`
	Pixels int     `json:"pixels"`
	Mean   float64 `json:"mean_pull"`
	SD     float64 `json:"sd_pull"`

	sum, square float64
}

func (p *Pulls) add(pull float64) {
	p.Pixels++
	p.sum += pull
	p.square += pull * pull
}

// finish works out the figures; all are 0 for fewer than two pulls.
func (p *Pulls) finish() {
	p.Mean, p.SD = 0, 0
	if p.Pixels < 2 {
		return
	}
	n := float64(p.Pixels)
	p.Mean = p.sum / n
	p.SD = math.Sqrt(max(p.square-p.sum*p.Mean, 0) / (n - 1))
}

// line writes the figures for people.
func (p *Pulls) line() string {
	return fmt.Sprintf("mean %+.4f, sd %.4f of %d", p.Mean, p.SD, p.Pixels)
}

// pullsNamed starts a list of pulls.
func pullsNamed(names []string) []Pulls {
	out := make([]Pulls, len(names))
	for i, n := range names {
		out[i].Name = n
	}
	return out
}

func finishAll(all []Pulls) {
	for i := range all {
		all[i].finish()
	}
}

// rootMean is the root of the mean of squares.
type rootMean struct{ n, sum float64 }

func (r *rootMean) add(x float64) { r.n++; r.sum += x * x }

func (r *rootMean) value() float64 { return math.Sqrt(r.sum / max(r.n, 1)) }
