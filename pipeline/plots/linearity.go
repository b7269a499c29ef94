package plots

import "fmt"

// Linearity is the departure of the measured signal from a straight line,
// in percent of the line, against the signal.
type Linearity struct {
	Heading
	XLabel       string // empty: "mean signal above offset, DN"
	Sets         []Points
	LimitPercent float64 // lines at plus and minus that; 0: none
}

// Draw makes the figure.
func (p *Linearity) Draw() (*Figure, error) {
	c := &Chart{Heading: p.Heading, X: Axis{Label: p.XLabel}, Y: Axis{Label: "departure from the straight line, %"}, Limits: []Limit{{At: 0}}}
	if c.X.Label == "" {
		c.X.Label = "mean signal above offset, DN"
	}
	for _, s := range p.Sets {
		s.Name = nameOf(s.Name)
		s.Joined = true
		c.Points = append(c.Points, s)
	}
	if l := p.LimitPercent; l > 0 {
		c.Limits = append(c.Limits, Limit{Name: fmt.Sprintf("limit +%g %%", l), At: l}, Limit{Name: fmt.Sprintf("limit −%g %%", l), At: -l})
	}
	return c.Draw()
}
