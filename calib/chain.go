package calib

import (
	"fmt"
	"math"
	"strconv"
)

// Setting is one parameter of a stage, as provenance records it.
type Setting struct {
	Name  string `json:"name"`
	Value string `json:"value"`
}

// number writes a parameter so that it reads back to the same float64.
func number(name string, v float64) Setting {
	return Setting{name, strconv.FormatFloat(v, 'g', -1, 64)}
}

// Stage is one step of the correction. Apply treats one row in place; it must
// not keep the row, and may be called for different rows at the same time.
type Stage interface {
	Name() string
	Settings() []Setting
	Apply(r *Row)
}

// Row is one row of the image region on its way through the stages.
type Row struct {
	Y     int       // row of the image, from 0
	V     []float32 // value; DN, then electrons from stage "gain" on, then the product's unit
	Var   []float32 // random variance, the square of V's unit
	Flags []Flags
	Segs  []Segment // the amplifiers along the row
	// Other is charge besides light and dark that was collected and taken
	// off, e-: smear and residual image. Nil where no stage brings any.
	Other []float32

	BadX int // first column whose sample the converter cannot have made; -1: none

	saturated bool // any sample of the row is
	bright    bool // any sample of the row is close to saturation
}

// Chain is the list of stages of one frame. Local stages come first; Noise,
// which looks at the neighbouring pixels, may follow, and the stages behind
// it are local again.
type Chain struct {
	Sensor *Sensor
	Before []Stage
	Noise  *Noise // nil: no shot noise is added
	After  []Stage
	Zone   *SaturationZone // nil: not looked for; it needs Noise
	// Grow is the reach, in pixels, of the flag NearSaturated; NewChain takes
	// it from the sensor.
	Grow int

	segs [][]Segment
}

// NewChain prepares the chain of a frame.
func NewChain(s *Sensor, before []Stage, noise *Noise, after []Stage) *Chain {
	return &Chain{Sensor: s, Before: before, Noise: noise, After: after, Grow: s.GrowPixels, segs: s.Segments()}
}

// Stages lists all stages in the order in which they act.
func (c *Chain) Stages() []Stage {
	all := append([]Stage(nil), c.Before...)
	if c.Noise != nil {
		all = append(all, c.Noise)
	}
	return append(all, c.After...)
}

// SampleError says that a raw sample is impossible for the converter that
// the profile describes.
type SampleError struct {
	Column, Row int     // raw coordinates, from 1
	Value       float64 // DN
	CeilingDN   float64
}

func (e *SampleError) Error() string {
	return fmt.Sprintf("sample at column %d, row %d is %g DN, outside the converter's range 0 to %g: set adc_bits or fill_dn of the detector, or see whether the file holds raw samples",
		e.Column, e.Row, e.Value, e.CeilingDN)
}

// Scratch is the working memory of one goroutine; it is made once and used
// for any number of frames of the same width.
type Scratch struct {
	rows  []Row
	raw   []float32
	other []float32 // of all rows
	near  nearSums
}

// halo is the number of rows above and below a row that must be known before
// the row can be finished.
func (c *Chain) halo() int {
	h := c.Grow
	if c.Noise != nil {
		h = max(h, c.Noise.rows())
	}
	return h
}

// ring returns the ring of 2 halo+1 rows, the reach of the noise window at
// least, growing the scratch as needed.
func (s *Scratch) ring(n, width int) []Row {
	if len(s.rows) != n || len(s.rows[0].V) != width {
		s.rows = make([]Row, n)
		for i := range s.rows {
			s.rows[i] = Row{V: make([]float32, width), Var: make([]float32, width), Flags: make([]Flags, width)}
		}
		s.raw = make([]float32, width)
	}
	return s.rows
}

// otherCharge is a stage that brings charge besides light and dark.
type otherCharge interface{ bringsCharge() }

// makeOther gives the rows of the ring their Other, or takes it away, as the
// chain asks for.
func (s *Scratch) makeOther(c *Chain, width int) {
	brings := false
	for _, st := range c.Before {
		if _, ok := st.(otherCharge); ok {
			brings = true
		}
	}
	if n := len(s.rows) * width; brings && len(s.other) < n {
		s.other = make([]float32, n)
	}
	for i := range s.rows {
		s.rows[i].Other = nil
		if brings {
			s.rows[i].Other = s.other[i*width : (i+1)*width]
		}
	}
}

// Run takes rows y0 <= y < y1 of the image through all stages and hands each
// finished row to sink, in order. The row is valid only during that call.
// The result for a row does not depend on how the image is cut into runs.
func (c *Chain) Run(raw RawRows, y0, y1 int, s *Scratch, sink func(*Row) error) error {
	im := c.Sensor.Image
	halo := c.halo()
	ring := s.ring(2*halo+1, im.Width())
	at := func(y int) *Row { return &ring[y%len(ring)] }
	s.makeOther(c, im.Width())
	first, last := max(0, y0-halo), min(im.Height(), y1+halo)
	reach, step := 0, 0
	if c.Noise != nil {
		reach = c.Noise.rows()
		_, _, step = c.Noise.window()
		s.near.start(im.Width(), c.Noise)
	}
	loaded, summed := first, max(0, y0-reach)
	for y := y0; y < y1; y++ {
		for ; loaded < min(last, y+halo+1); loaded++ {
			if err := c.load(raw, at(loaded), loaded, s); err != nil {
				return err
			}
		}
		r := at(y)
		c.growSaturation(r, at)
		if c.Noise != nil {
			for ; summed < min(im.Height(), y+reach+1); summed++ {
				s.near.add(c.Noise, at(summed))
			}
			if gone := y - reach - step; y+reach >= im.Height() && gone >= max(0, y0-reach) {
				s.near.drop(gone) // no row came in its place
			}
			c.Noise.addShot(r, &s.near)
			if c.Zone != nil && c.nearBright(y, at) {
				c.Zone.mark(c.Noise, r, &s.near, im.Height())
			}
		}
		for _, st := range c.After {
			st.Apply(r)
		}
		if c.finishes() {
			settle(r)
		}
		if err := sink(r); err != nil {
			return err
		}
	}
	return nil
}

// finishes tells whether the chain ends in a product. One that ends before
// the noise serves masters: its rows keep a NaN, if a master had no value, but
// neither flag it nor take the variance away.
func (c *Chain) finishes() bool { return c.Noise != nil || len(c.After) > 0 }

// load reads one row and takes it through the stages before Noise.
func (c *Chain) load(raw RawRows, r *Row, y int, s *Scratch) error {
	im := c.Sensor.Image
	v, err := raw.RawRow(y+im.Y0, im.X0, im.X1, r.V)
	if err != nil {
		return err
	}
	if len(v) > 0 && &v[0] != &r.V[0] {
		copy(r.V, v)
	}
	r.Y, r.Segs, r.BadX, r.saturated, r.bright = y, c.segs[y], -1, false, false
	clear(r.Other)
	for _, st := range c.Before {
		st.Apply(r)
	}
	if r.BadX >= 0 {
		got, err := raw.RawRow(y+im.Y0, im.X0, im.X1, s.raw)
		if err != nil {
			return err
		}
		return &SampleError{r.BadX + im.X0 + 1, y + im.Y0 + 1, float64(got[r.BadX]), c.Sensor.CeilingCode()}
	}
	return nil
}

// growSaturation flags the neighbours of saturated pixels in row r.
func (c *Chain) growSaturation(r *Row, at func(int) *Row) {
	g := c.Grow
	if g == 0 {
		return
	}
	for y := max(0, r.Y-g); y < min(c.Sensor.Image.Height(), r.Y+g+1); y++ {
		near := at(y)
		if !near.saturated {
			continue
		}
		for x, f := range near.Flags {
			if f&Saturated == 0 {
				continue
			}
			for i := max(0, x-g); i < min(len(r.Flags), x+g+1); i++ {
				if r.Flags[i]&Saturated == 0 {
					r.Flags[i] |= NearSaturated
				}
			}
		}
	}
}

// nearBright tells whether any row of the noise window about row y is bright.
func (c *Chain) nearBright(y int, at func(int) *Row) bool {
	reach := c.Noise.rows()
	for i := max(0, y-reach); i < min(c.Sensor.Image.Height(), y+reach+1); i++ {
		if at(i).bright {
			return true
		}
	}
	return false
}

// settle gives pixels whose value a master could not supply their flag, and
// takes the uncertainty from pixels that have none.
func settle(r *Row) {
	nan := float32(math.NaN())
	v, vr, fl := r.V, r.Var[:len(r.V)], r.Flags[:len(r.V)]
	for x := range v {
		if v[x]-v[x] != 0 || vr[x]-vr[x] != 0 { // NaN or infinite
			if fl[x]&Missing == 0 {
				fl[x] |= NoCalibration
			}
			v[x] = nan
		}
		if fl[x]&Unusable != 0 {
			vr[x] = nan
		}
	}
}
