package plots

import (
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/plot/vg"
)

// Histogram is how often values occur, the counts on a logarithmic scale, so
// that single pixels far from the others show, with the normal distribution
// beside.
type Histogram struct {
	Heading
	XLabel string
	Log    bool // the horizontal axis is logarithmic
	Sets   []Counts
	Marks  []Mark
}

// Counts are the pixels in bins of values.
type Counts struct {
	Name   string
	Edges  []float64 // of the bins, rising, one more than there are bins
	Counts []float64
	// NormalMean and NormalSD are of the normal distribution of as many
	// values that is drawn beside; an SD of 0 draws none.
	NormalMean, NormalSD float64
}

// Draw makes the figure.
func (p *Histogram) Draw() (*Figure, error) {
	c := &Chart{Heading: p.Heading, X: Axis{Label: p.XLabel, Log: p.Log}, Y: Axis{Label: "pixels in a bin", Log: true}, Marks: p.Marks}
	names := make([]string, len(p.Sets))
	for i := range p.Sets {
		names[i] = p.Sets[i].Name
	}
	chosen := coloursOf(names)
	lines := [...][]vg.Length{nil, {6, 2}, {2, 1.5}, {6, 2, 1.5, 2}}
	most := 0.0
	for i, s := range p.Sets {
		if err := s.check(); err != nil {
			return nil, fmt.Errorf("plot %q: %w", p.Title, err)
		}
		most = max(most, slices.Max(s.Counts))
		s.Name = nameOf(s.Name)
		c.beneath = append(c.beneath, &stepsLayer{counts: s, colour: chosen[i], dashes: lines[i%len(lines)], filled: len(p.Sets) == 1})
		if s.NormalSD > 0 {
			c.Curves = append(c.Curves, s.normal())
		}
	}
	if most < 1 {
		return nil, noData(p.Title)
	}
	c.Y.Min, c.Y.Max = 0.6, most*2 // a single pixel stands above the foot
	if len(p.Marks) > 0 {
		c.Y.Max *= 3 // room for their names
	}
	return c.Draw()
}

func (s *Counts) check() error {
	if len(s.Counts) == 0 || len(s.Edges) != len(s.Counts)+1 {
		return fmt.Errorf("histogram %q: %d edges and %d counts; give one edge more than counts", s.Name, len(s.Edges), len(s.Counts))
	}
	if !slices.IsSorted(s.Edges) {
		return fmt.Errorf("histogram %q: the edges do not rise", s.Name)
	}
	return nil
}

// normal is the count that a normal distribution gives each bin.
func (s *Counts) normal() Curve {
	total := 0.0
	for _, n := range s.Counts {
		total += n
	}
	k := Curve{Name: "normal distribution", Dashed: true}
	for i := range s.Counts {
		k.X = append(k.X, (s.Edges[i]+s.Edges[i+1])/2)
		k.Y = append(k.Y, total*normalShare(s.NormalMean, s.NormalSD, s.Edges[i], s.Edges[i+1]))
	}
	return k
}

// normalShare is the part of a normal distribution between two values.
func normalShare(mean, sd, low, high float64) float64 {
	at := func(v float64) float64 { return 0.5 * math.Erfc(-(v-mean)/(sd*math.Sqrt2)) }
	return at(high) - at(low)
}
