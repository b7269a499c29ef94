package plots

import "fmt"

// DarkCurrent is the dark current's logarithm against 1/kT, in which a law
// exp(-E/kT) is a straight line of slope -E; the temperature itself stands at
// the upper edge.
type DarkCurrent struct {
	Heading
	Sets []DarkSet
}

// DarkSet is what one amplifier or colour has measured.
type DarkSet struct {
	Name               string
	TempK, Rate, URate []float64                   // K, e-/s, e-/s; a rate that is not above 0 is only told of
	Used               []bool                      // took part in the fit, others are drawn hollow; nil: all
	Fit                func(tempK float64) float64 // e-/s; nil: none
}

// boltzmannEVPerK is k in eV/K: exactly 1.380649e-23 / 1.602176634e-19 by the
// definitions of the SI (9th edition, 2019).
const boltzmannEVPerK = 1.380649e-23 / 1.602176634e-19

func inverse(tempK float64) float64 { return 1 / (boltzmannEVPerK * tempK) }

// Draw makes the figure.
func (p *DarkCurrent) Draw() (*Figure, error) {
	c := &Chart{Heading: p.Heading, X: Axis{Label: "1 / kT, 1/eV", AcrossLabel: "temperature, K"}, Y: Axis{Label: "dark current, e-/s", Log: true}}
	fits := make([]func(float64) float64, len(p.Sets))
	kelvins := emptySpan()
	nowhere := 0
	for i, s := range p.Sets {
		x := make([]float64, len(s.TempK))
		for j, t := range s.TempK {
			x[j] = inverse(t)
			if j < len(s.Rate) && s.Rate[j] > 0 {
				kelvins.add(t)
			} else {
				nowhere++
			}
		}
		c.Points = append(c.Points, Points{Name: nameOf(s.Name), X: x, Y: s.Rate, U: s.URate, Used: s.Used})
		if law := s.Fit; law != nil {
			fits[i] = func(x float64) float64 { return law(inverse(x)) } // T = 1/(k x) has the same form
		}
	}
	if !kelvins.empty() {
		c.X.Across = kelvinTicks(kelvins)
	}
	if nowhere > 0 {
		c.Notes = append(append([]string{}, c.Notes...), fmt.Sprintf("Not drawn, as they are not above 0: %d rates.", nowhere))
	}
	return c.withDifferences(fits)
}

// kelvinTicks are round temperatures at their places on the axis of 1/kT.
func kelvinTicks(kelvins span) []Tick {
	low, high := limitsOf(kelvins, false)
	ticks := linearTicks(low, high)
	for i := range ticks {
		ticks[i].At = inverse(ticks[i].At)
	}
	return ticks
}
