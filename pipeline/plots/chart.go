package plots

import (
	"cmp"
	"fmt"
	"image/color"
	"math"

	"gonum.org/v1/plot/vg"
)

// Chart is points, curves and limits between one pair of axes.
type Chart struct {
	Heading
	X, Y   Axis
	Points []Points
	Curves []Curve
	Limits []Limit
	Marks  []Mark
	Hollow string // what hollow points are; empty: left out of the fit

	beneath []shownLayer // drawn before limits, curves and points
	height  vg.Length    // 0: that of a panel that stands alone
	low     bool         // names of marks stand at the foot
}

// Points are measured values with their standard uncertainties.
type Points struct {
	Name   string
	X, Y   []float64
	U      []float64 // standard uncertainty of Y; nil: none
	Used   []bool    // took part in the fit, others are drawn hollow; nil: all
	Joined bool      // by a thin line
}

// Curve is what is expected of points.
type Curve struct {
	Name   string
	X, Y   []float64 // NaN breaks the line
	Of     string    // name of the Points whose colour it takes; empty: black
	Dashed bool
}

// Limit is a horizontal line.
type Limit struct {
	Name string
	At   float64
}

// Mark is a vertical line.
type Mark struct {
	Name string
	At   float64

	colour color.Color // nil: that of ink
}

// shownLayer is a layer that has a part in the limits and the key of a chart.
type shownLayer interface {
	layer
	spans() (x, y []float64) // values that must be inside
	key() []keyEntry
}

// noData says that nothing of a plot has a place on its axes.
func noData(title string) error { return fmt.Errorf("plot %q: there is no value to draw", title) }

// Draw makes the chart's figure. It refuses slices of different lengths, and
// a chart without any value to draw.
func (c *Chart) Draw() (*Figure, error) { return stack(c.Heading, c) }

// stack makes a figure of charts, one below the other, with the key of the
// first.
func stack(h Heading, charts ...*Chart) (*Figure, error) {
	f := &Figure{heading: h}
	bars := false
	for i, c := range charts {
		p, err := c.panel()
		if err != nil {
			return nil, err
		}
		f.panels = append(f.panels, p)
		if i == 0 {
			f.key = c.key()
		}
		bars = bars || c.hasBars()
	}
	if bars {
		f.heading.Notes = append(append([]string{}, h.Notes...), "Bars are one standard uncertainty.")
	}
	return f, nil
}

func (c *Chart) check() error {
	for _, s := range c.Points {
		if len(s.X) != len(s.Y) || s.U != nil && len(s.U) != len(s.X) || s.Used != nil && len(s.Used) != len(s.X) {
			return fmt.Errorf("plot %q, points %q: %d, %d, %d and %d values of X, Y, U and Used; give as many of each", c.Title, s.Name, len(s.X), len(s.Y), len(s.U), len(s.Used))
		}
	}
	for _, k := range c.Curves {
		if len(k.X) != len(k.Y) {
			return fmt.Errorf("plot %q, curve %q: %d values of X and %d of Y; give as many of each", c.Title, k.Name, len(k.X), len(k.Y))
		}
	}
	return nil
}

// panel settles limits and colours.
func (c *Chart) panel() (*panel, error) {
	if err := c.check(); err != nil {
		return nil, err
	}
	xs, ys := c.spans()
	if xs.empty() || ys.empty() {
		return nil, noData(c.Title)
	}
	p := &panel{x: scaleOf(c.X, xs), y: scaleOf(c.Y, ys), height: c.height, limits: c.Limits, marks: c.Marks, low: c.low}
	if p.height == 0 {
		p.height = panelHeight
	}
	for _, l := range c.beneath {
		p.back = append(p.back, l)
	}
	colour := c.colourOf()
	for _, k := range c.Curves {
		p.layers = append(p.layers, &curveLayer{Curve: k, colour: colour(k.Of)})
	}
	for i, s := range c.Points {
		p.layers = append(p.layers, &pointsLayer{Points: s, colour: colour(s.Name), shape: shape(i)})
	}
	return p, nil
}

// spans are the ranges of the data; curves follow them and do not widen them,
// limits do vertically.
func (c *Chart) spans() (xs, ys span) {
	xs, ys = emptySpan(), emptySpan()
	add := func(x, y, u float64) {
		if !c.X.shows(x) || !c.Y.shows(y) {
			return
		}
		xs.add(x)
		ys.add(y)
		for _, end := range [...]float64{y - u, y + u} {
			if c.Y.shows(end) && !(c.Y.Log && end < y/3) {
				ys.add(end)
			}
		}
	}
	for _, s := range c.Points {
		for i := range s.X {
			u := 0.0
			if s.U != nil && !math.IsNaN(s.U[i]) {
				u = s.U[i]
			}
			add(s.X[i], s.Y[i], u)
		}
	}
	for _, l := range c.beneath {
		x, y := l.spans()
		for i := range x {
			add(x[i], y[i], 0)
		}
	}
	if xs.empty() {
		for _, k := range c.Curves {
			for i := range k.X {
				add(k.X[i], k.Y[i], 0)
			}
		}
	}
	if !ys.empty() {
		for _, l := range c.Limits {
			if c.Y.shows(l.At) {
				ys.add(l.At)
			}
		}
	}
	return xs, ys
}

// colourOf gives the colour of the points of a name.
func (c *Chart) colourOf() func(name string) color.Color {
	names := make([]string, len(c.Points))
	for i := range c.Points {
		names[i] = c.Points[i].Name
	}
	chosen := coloursOf(names)
	return func(name string) color.Color {
		for i := range names {
			if names[i] == name {
				return chosen[i]
			}
		}
		return black
	}
}

// key lists the points, what hollow ones are, and the curves, each name once.
// A key of points alone and of one kind says nothing and is left out.
func (c *Chart) key() []keyEntry {
	var key []keyEntry
	for _, l := range c.beneath {
		key = append(key, l.key()...)
	}
	colour := c.colourOf()
	for i, s := range c.Points {
		key = append(key, keyEntry{name: s.Name, colour: colour(s.Name), shape: shape(i), point: true})
	}
	if c.hasHollow() {
		key = append(key, keyEntry{name: cmp.Or(c.Hollow, "left out of the fit"), colour: ink, point: true, hollow: true})
	}
	key = append(key, c.curveKey(colour)...)
	if len(key) == 1 && key[0].point {
		return nil
	}
	return key
}

// curveKey has an entry for each name of curves; one that stands for several
// has no colour.
func (c *Chart) curveKey(colour func(string) color.Color) []keyEntry {
	var key []keyEntry
	for _, k := range c.Curves {
		entry := keyEntry{name: k.Name, colour: colour(k.Of), line: true}
		if k.Dashed {
			entry.dashes = dashed
		}
		known := false
		for i := range key {
			if key[i].name == k.Name {
				known = true
				key[i].colour = faded
			}
		}
		if !known && k.Name != "" {
			key = append(key, entry)
		}
	}
	return key
}

func (c *Chart) hasHollow() bool {
	for _, s := range c.Points {
		for _, used := range s.Used {
			if !used {
				return true
			}
		}
	}
	return false
}

func (c *Chart) hasBars() bool {
	for _, s := range c.Points {
		if s.U != nil {
			return true
		}
	}
	return false
}
