package calib

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/stat/distuv"
)

// sigmas is the width of every statistical bound here. A true statement
// about normal noise fails it once in 150 000 seeds.
const sigmas = 4.5

// within fails the test unless got is within the bound of want.
func within(t *testing.T, what string, got, want, bound float64) {
	t.Helper()
	if !(math.Abs(got-want) <= bound) {
		t.Errorf("%s is %.6g, want %.6g within %.3g", what, got, want, bound)
	}
}

// moments gathers mean and spread of pulls.
type moments struct{ n, sum, square float64 }

func (m *moments) add(v float64) {
	m.n++
	m.sum += v
	m.square += v * v
}

func (m *moments) mean() float64 { return m.sum / m.n }

// meanSquare is the mean of the squares, about zero.
func (m *moments) meanSquare() float64 { return m.square / m.n }

func newRand(seed uint64) *rand.Rand { return rand.New(rand.NewPCG(seed, 0x9e3779b97f4a7c15)) }

// poisson draws from a Poisson distribution.
func poisson(rng *rand.Rand, mean float64) float64 {
	if mean <= 0 {
		return 0
	}
	return distuv.Poisson{Lambda: mean, Src: rng}.Rand()
}

// memoryFrame serves rows of a raw frame of any numbers, DN, from memory.
type memoryFrame struct {
	width int
	dn    []float32
}

func newFrame(width, height int) memoryFrame {
	return memoryFrame{width, make([]float32, width*height)}
}

func (f memoryFrame) RawRow(y, x0, x1 int, dst []float32) ([]float32, error) {
	if y < 0 || (y+1)*f.width > len(f.dn) || x0 < 0 || x1 > f.width || x0 > x1 {
		return nil, fmt.Errorf("row %d, columns %d to %d are outside the frame", y, x0, x1)
	}
	return append(dst[:0], f.dn[y*f.width+x0:y*f.width+x1]...), nil
}

func (f memoryFrame) set(x, y int, dn float64) { f.dn[y*f.width+x] = float32(dn) }

// picture is what a chain makes of a frame.
type picture struct {
	width    int
	value    []float32
	variance []float32
	flags    []Flags
}

func (p *picture) at(x, y int) (value, variance float64, flags Flags) {
	i := y*p.width + x
	return float64(p.value[i]), float64(p.variance[i]), p.flags[i]
}

// develop runs a chain over the whole image, cut into runs of the given
// number of rows.
func develop(t *testing.T, c *Chain, raw RawRows, run int) *picture {
	t.Helper()
	p := &picture{width: c.Sensor.Image.Width()}
	var s Scratch
	next := 0
	height := c.Sensor.Image.Height()
	for y := 0; y < height; y += run {
		err := c.Run(raw, y, min(y+run, height), &s, func(r *Row) error {
			if r.Y != next {
				t.Fatalf("row %d came where row %d was due", r.Y, next)
			}
			next++
			p.value = append(p.value, r.V...)
			p.variance = append(p.variance, r.Var...)
			p.flags = append(p.flags, r.Flags...)
			return nil
		})
		if err != nil {
			t.Fatal(err)
		}
	}
	if next != height {
		t.Fatalf("%d rows came, want %d", next, height)
	}
	return p
}

// plainSensor has one amplifier, no overscan, and an image that fills the frame.
func plainSensor(width, height int) *Sensor {
	whole := Region{0, width, 0, height}
	return &Sensor{
		Width: width, Height: height, Image: whole, Reference: whole,
		CeilingDN: 65535, FillDN: math.NaN(),
		Amps: []Amplifier{{Name: "only", Region: whole, GainEPerDN: 1, ReadNoiseE: 5}},
	}
}

// level returns the trace of a constant, exactly known offset.
func level(rows int, dn float64) OffsetTrace {
	t := NoOffset(rows)
	for y := range t.DN {
		t.DN[y] = float32(dn)
	}
	t.Level = dn
	return t
}

// constant returns a plane of one value and variance.
func constant(width, height int, value, variance float64) *Plane {
	p := &Plane{Width: width, Value: make([]float32, width*height), Variance: make([]float32, width*height)}
	for i := range p.Value {
		p.Value[i], p.Variance[i] = float32(value), float32(variance)
	}
	return p
}

// wholeRow is a row that one amplifier reads, as the stages get it.
func wholeRow(v ...float32) *Row {
	return &Row{
		V: v, Var: make([]float32, len(v)), Flags: make([]Flags, len(v)),
		Segs: []Segment{{0, len(v), 0}}, BadX: -1,
	}
}

func isNaN(v float32) bool { return v != v }
