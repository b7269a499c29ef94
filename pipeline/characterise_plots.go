package pipeline

import (
	"fmt"
	"math"
	"strings"

	"evenlight/configs"
	"evenlight/pipeline/plots"
)

// drawnPlot is one file of a plot.
type drawnPlot struct {
	name    string // ending of the file's name
	content []byte
}

// drawer makes one figure; ok is false where nothing was measured to draw.
type drawer struct {
	name string
	draw func() (f *plots.Figure, ok bool, err error)
}

// plots draws what was measured, each figure as SVG and as PNG.
func (c *Characterisation) plots(workers int) ([]drawnPlot, error) {
	all := []drawer{
		{"transfer", c.drawTransfer}, {"linearity", c.drawLinearity}, {"dark", c.drawDark},
		{"dark-histogram", c.drawShape}, {"bias-pattern", c.drawPattern},
	}
	drawn := make([][]drawnPlot, len(all))
	err := parallel(workers, len(all), func(_, i int) error {
		f, ok, err := all[i].draw()
		if err != nil || !ok {
			return err
		}
		svg, err := f.SVG()
		if err != nil {
			return err
		}
		png, err := f.PNG()
		if err != nil {
			return err
		}
		drawn[i] = []drawnPlot{{all[i].name + ".svg", svg}, {all[i].name + ".png", png}}
		return nil
	})
	var out []drawnPlot
	for _, d := range drawn {
		out = append(out, d...)
	}
	return out, err
}

func (c *Characterisation) heading(title string) plots.Heading {
	return plots.Heading{Title: title, Subject: c.Instrument + ", detector " + c.Detector + prefixed(", mode ", c.Mode)}
}

// short writes a figure in a line.
func (m *SensorFigure) short() string {
	v, u := withU(m.Value, m.U)
	return strings.Join(nonEmpty(m.Bound, v+" ± "+u, m.Unit), " ")
}

// drawTransfer draws variance against mean.
func (c *Characterisation) drawTransfer() (*plots.Figure, bool, error) {
	p := plots.PhotonTransfer{Heading: c.heading("Photon transfer"), Unit: "DN"}
	for i := range c.Cells {
		f := &c.Cells[i]
		if f.Gain == nil {
			continue
		}
		s := plots.TransferSet{Name: f.Name, Fit: func(mean float64) float64 {
			y := 0.0
			for p := len(f.Curve) - 1; p >= 0; p-- {
				y = y*mean + f.Curve[p]
			}
			return y
		}}
		for _, t := range f.Transfer {
			s.Mean, s.Variance, s.UVariance, s.Used = append(s.Mean, t.X), append(s.Variance, t.Y), append(s.UVariance, t.U), append(s.Used, t.Used)
		}
		if f.Bend != nil && f.Bend.Bound == "" {
			s.FullWell = f.Bend.Value / f.Gain.Value
		}
		p.Sets = append(p.Sets, s)
		p.Notes = append(p.Notes, fmt.Sprintf("%s: gain %s, read noise %s", f.Name, f.Gain.short(), f.ReadNoise.short()))
	}
	return drawn(len(p.Sets), p.Draw)
}

// drawn draws a plot that has any sets.
func drawn(sets int, draw func() (*plots.Figure, error)) (*plots.Figure, bool, error) {
	if sets == 0 {
		return nil, false, nil
	}
	f, err := draw()
	return f, true, err
}

// drawLinearity draws the deviations from a straight line.
func (c *Characterisation) drawLinearity() (*plots.Figure, bool, error) {
	p := plots.Linearity{Heading: c.heading("Linearity residuals"), XLabel: "mean signal, DN"}
	for i := range c.Cells {
		f := &c.Cells[i]
		if f.LinearityError == nil {
			continue
		}
		s := plots.Points{Name: f.Name}
		for _, t := range f.Linearity {
			s.X, s.Y, s.U = append(s.X, t.X), append(s.Y, t.Y), append(s.U, t.U)
		}
		p.Sets = append(p.Sets, s)
		p.Notes = append(p.Notes, fmt.Sprintf("%s: linearity error LE %s", f.Name, f.LinearityError.short()))
	}
	return drawn(len(p.Sets), p.Draw)
}

// drawDark draws the dark current against temperature.
func (c *Characterisation) drawDark() (*plots.Figure, bool, error) {
	p := plots.DarkCurrent{Heading: c.heading("Dark current against temperature")}
	for i := range c.Cells {
		f := &c.Cells[i]
		if len(f.Dark) < 2 {
			continue
		}
		s := plots.DarkSet{Name: f.Name, Fit: f.darkFit()}
		for _, t := range f.Dark {
			s.TempK, s.Rate, s.URate = append(s.TempK, t.X), append(s.Rate, t.Y), append(s.URate, t.U)
		}
		p.Sets = append(p.Sets, s)
	}
	return drawn(len(p.Sets), p.Draw)
}

// darkFit is the fitted law of a cell; nil without one.
func (f *CellFigures) darkFit() func(tempK float64) float64 {
	if f.DarkLaw == "" || f.DarkRate == nil || f.DarkReferenceK == nil {
		return nil
	}
	rate, t0 := f.DarkRate.Value, *f.DarkReferenceK
	if f.DarkLaw == configs.DarkDoubling {
		return func(t float64) float64 { return rate * math.Exp2((t-t0)/f.Doubling.Value) }
	}
	// In units of k/e, exact: SI Brochure, 9th edition.
	const boltzmannEVPerK = 1.380649e-23 / 1.602176634e-19
	return func(t float64) float64 {
		return rate * math.Exp(-f.Activation.Value/boltzmannEVPerK*(1/t-1/t0))
	}
}

// drawShape draws the distribution of the dark current.
func (c *Characterisation) drawShape() (*plots.Figure, bool, error) {
	p := plots.Histogram{Heading: c.heading("Distribution of the dark current"), XLabel: "dark current at the reference temperature, e-/s", Log: true}
	for i := range c.Cells {
		f := &c.Cells[i]
		if f.DarkShape == nil || f.DarkShape.Pixels == 0 {
			continue
		}
		first, last := f.DarkShape.span()
		if first > last {
			continue
		}
		p.Sets = append(p.Sets, plots.Counts{Name: f.Name, Edges: f.DarkShape.Edges[first : last+2], Counts: f.DarkShape.Counts[first : last+1]})
	}
	return drawn(len(p.Sets), p.Draw)
}

// span is the first and the last bin that hold any pixel.
func (s *Shape) span() (first, last int) {
	first, last = len(s.Counts), -1
	for i, n := range s.Counts {
		if n > 0 {
			first, last = min(first, i), i
		}
	}
	return first, last
}

// drawPattern draws the means of the biases' columns and rows.
func (c *Characterisation) drawPattern() (*plots.Figure, bool, error) {
	p := plots.Pattern{Heading: c.heading("Columns and rows of the biases"), YLabel: "less the mean of the region, DN"}
	for i := range c.Cells {
		f := &c.Cells[i]
		if f.BiasFirst == nil {
			continue
		}
		u := 0.0
		if f.BiasNoise != nil {
			u = *f.BiasNoise
		}
		n := float64(max(1, len(f.BiasRow)))
		p.Columns = append(p.Columns, plots.Profile{Name: f.Name, First: f.BiasFirst[0], Values: f.BiasColumn, U: u / math.Sqrt(n)})
		n = float64(max(1, len(f.BiasColumn)))
		p.Rows = append(p.Rows, plots.Profile{Name: f.Name, First: f.BiasFirst[1], Values: f.BiasRow, U: u / math.Sqrt(n)})
	}
	return drawn(len(p.Columns), p.Draw)
}
