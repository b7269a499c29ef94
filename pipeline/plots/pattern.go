package plots

import (
	"math"

	"gonum.org/v1/plot/vg"
)

// Pattern is the mean of each column and of each row, as two panels.
type Pattern struct {
	Heading
	YLabel        string
	Columns, Rows []Profile
}

// Profile is the mean of each column or row, less the mean of all.
type Profile struct {
	Name   string
	First  int       // number of the first column or row
	Step   int       // from value to value, columns or rows; 0: 1
	Values []float64 // NaN: none
	U      float64   // standard deviation that noise alone would give; 0: not known
}

const patternHeight vg.Length = 120

// Draw makes the figure. A side without any profile is left out.
func (p *Pattern) Draw() (*Figure, error) {
	var charts []*Chart
	if len(p.Columns) > 0 {
		charts = append(charts, p.chart("column", p.Columns))
	}
	if len(p.Rows) > 0 {
		charts = append(charts, p.chart("row", p.Rows))
	}
	if charts == nil {
		return nil, noData(p.Title)
	}
	return stack(p.Heading, charts...)
}

func (p *Pattern) chart(what string, profiles []Profile) *Chart {
	c := &Chart{Heading: p.Heading, X: Axis{Label: what}, Y: Axis{Label: "mean of each " + what + ": " + p.YLabel}, height: patternHeight}
	names := make([]string, len(profiles))
	for i := range profiles {
		names[i] = profiles[i].Name
	}
	chosen := coloursOf(names)
	noise := 0.0
	ends := emptySpan()
	for i, one := range profiles {
		t := &traceLayer{name: one.Name, y: one.Values, x: make([]float64, len(one.Values)), colour: chosen[i], width: 0.6}
		for j := range one.Values {
			t.x[j] = float64(one.First + j*max(1, one.Step))
			ends.add(t.x[j])
		}
		noise = math.Max(noise, one.U)
		c.beneath = append(c.beneath, t)
	}
	if noise > 0 && !ends.empty() {
		grey := &bandLayer{x0: ends.low, x1: ends.high, half: noise, name: "noise alone, one standard deviation"}
		c.beneath = append([]shownLayer{grey}, c.beneath...)
	}
	return c
}
