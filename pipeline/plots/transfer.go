package plots

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"gonum.org/v1/plot/vg"
)

// PhotonTransfer is the variance of the signal against its mean, both
// logarithmic, with the fitted curve; below it the differences from the curve
// in units of their uncertainty.
type PhotonTransfer struct {
	Heading
	Unit string // of the mean; empty: DN
	Sets []TransferSet
}

// TransferSet is what one amplifier or colour has measured.
type TransferSet struct {
	Name                      string
	Mean, Variance, UVariance []float64                  // DN, DN², DN²; without uncertainties: nil
	Used                      []bool                     // took part in the fit, others are drawn hollow; nil: all
	Fit                       func(mean float64) float64 // DN²; nil: none
	FullWell                  float64                    // mean at which the variance bends, DN; 0: not found
}

// Heights of two panels of which one shows the differences from the other.
const (
	upperHeight     vg.Length = 205
	differentHeight vg.Length = 70
)

// Draw makes the figure.
func (p *PhotonTransfer) Draw() (*Figure, error) {
	c := &Chart{Heading: p.Heading, low: true,
		X: Axis{Label: "mean signal above offset, " + p.unit(), Log: true},
		Y: Axis{Label: "temporal variance, " + p.unit() + "²", Log: true}}
	fits := make([]func(float64) float64, len(p.Sets))
	for i, s := range p.Sets {
		fits[i] = s.Fit
		c.Points = append(c.Points, Points{Name: nameOf(s.Name), X: s.Mean, Y: s.Variance, U: s.UVariance, Used: s.Used})
	}
	if err := c.check(); err != nil {
		return nil, err
	}
	c.Notes = slices.Clone(p.Notes)
	p.markBends(c)
	c.leaveOutTheLow()
	return c.withDifferences(fits)
}

func (p *PhotonTransfer) unit() string {
	if p.Unit == "" {
		return "DN"
	}
	return p.Unit
}

// markBends marks where the variances bend. Many names would cover the plot:
// a note tells where the first and the last of them are.
func (p *PhotonTransfer) markBends(c *Chart) {
	const mostNames = 4
	names := make([]string, len(p.Sets))
	for i := range p.Sets {
		names[i] = p.Sets[i].Name
	}
	chosen := coloursOf(names)
	first, last := math.Inf(1), 0.0
	for i, s := range p.Sets {
		if s.FullWell > 0 {
			first, last = math.Min(first, s.FullWell), math.Max(last, s.FullWell)
			c.Marks = append(c.Marks, Mark{Name: strings.TrimSpace(s.Name + " bends at " + p.level(s.FullWell)), At: s.FullWell, colour: chosen[i]})
		}
	}
	if len(c.Marks) <= mostNames {
		return
	}
	for i := range c.Marks {
		c.Marks[i].Name = ""
	}
	c.Notes = append(c.Notes, fmt.Sprintf("Dotted: the curves bend between %s and %s.", p.level(first), p.level(last)))
}

func (p *PhotonTransfer) level(mean float64) string {
	return number(math.Round(mean), 0) + " " + p.unit()
}

// leaveOutTheLow ends the vertical axis a little below what the fit used:
// beyond full well the variance falls to nothing, and would press all else
// together.
func (c *Chart) leaveOutTheLow() {
	used := emptySpan()
	for _, s := range c.Points {
		for i, v := range s.Y {
			if c.X.shows(s.X[i]) && c.Y.shows(v) && (s.Used == nil || s.Used[i]) {
				used.add(v)
			}
		}
	}
	_, all := c.spans()
	if used.empty() || all.low > used.low/4 {
		return
	}
	c.Y.Min, c.Y.Max = used.low/4, all.high*1.5
	below := 0
	for _, s := range c.Points {
		for _, v := range s.Y {
			if v > 0 && v < c.Y.Min {
				below++
			}
		}
	}
	c.Notes = append(c.Notes, fmt.Sprintf("Points below the plot: %d.", below))
}

// nameOf is the name of points in a key.
func nameOf(set string) string {
	if set == "" {
		return "measured"
	}
	return set
}

// withDifferences adds the fitted curves of the points, of which some may be
// nil, and a second panel with (measured - fitted) / uncertainty.
func (c *Chart) withDifferences(fits []func(float64) float64) (*Figure, error) {
	if err := c.check(); err != nil {
		return nil, err
	}
	xs, _ := c.spans()
	d := &Chart{Heading: c.Heading, X: c.X, Y: Axis{Label: "(measured − fitted) / uncertainty, grey: within one"}, Limits: []Limit{{At: 0}}, height: differentHeight}
	most := 0.0
	for i, s := range c.Points {
		away := Points{Name: s.Name, X: s.X, Y: make([]float64, len(s.X)), Used: s.Used}
		for j := range s.X {
			away.Y[j] = math.NaN()
			if fits[i] != nil && s.U != nil && s.U[j] > 0 && (s.Used == nil || s.Used[j]) {
				away.Y[j] = (s.Y[j] - fits[i](s.X[j])) / s.U[j]
				most = math.Max(most, math.Abs(away.Y[j]))
			}
		}
		d.Points = append(d.Points, away)
		if fits[i] != nil && !xs.empty() {
			low, high := limitsOf(xs, c.X.Log)
			x, y := sampled(fits[i], low, high, c.X.Log)
			c.Curves = append(c.Curves, Curve{Name: "fitted", X: x, Y: y, Of: s.Name})
		}
	}
	if most == 0 {
		return stack(c.Heading, c)
	}
	d.Y.Max = math.Max(2, most) * 1.1
	d.Y.Min = -d.Y.Max
	d.beneath = []shownLayer{&bandLayer{x0: xs.low, x1: xs.high, half: 1}}
	return c.above(d)
}

// above puts a chart above another that has the same horizontal axis.
func (c *Chart) above(d *Chart) (*Figure, error) {
	c.height = upperHeight
	f, err := stack(c.Heading, c, d)
	if err != nil {
		return nil, err
	}
	upper, lower := f.panels[0], f.panels[1]
	upper.bare = true
	across, name := upper.x.Across, upper.x.AcrossLabel
	lower.x = upper.x
	lower.x.Across, lower.x.AcrossLabel = nil, ""
	upper.x.Across, upper.x.AcrossLabel = across, name
	return f, nil
}
