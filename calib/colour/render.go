package colour

import (
	"fmt"
	"image"
	"math"
	"sync"
	"sync/atomic"

	"evenlight/calib"

	"gonum.org/v1/gonum/mat"
)

// Mixer takes rows of band values to linear red, green and blue. It is made
// once and may be used by many goroutines.
type Mixer struct {
	factors [][3]float32 // by band
	hide    calib.Flags
}

// NewMixer prepares the product of a 3 x n matrix (see Transform.RGB and
// Direct) and a white. A pixel with any bit of hide in any band gets no
// colour; calib.Unusable is the usual choice, as a colour from a value that
// is only a bound would be wrong.
func NewMixer(rgb *mat.Dense, white White, hide calib.Flags) (*Mixer, error) {
	rows, n := rgb.Dims()
	if rows != 3 {
		return nil, fmt.Errorf("colour matrix has %d rows: it must have three, for red, green and blue", rows)
	}
	if err := white.check(n); err != nil {
		return nil, err
	}
	m := &Mixer{factors: make([][3]float32, n), hide: hide}
	for j := range n {
		for c := range 3 {
			m.factors[j][c] = float32(rgb.At(c, j) / white.Values[j])
		}
	}
	return m, nil
}

// Direct is the matrix that shows three bands or ratios as red, green and
// blue, as they are.
func Direct() *mat.Dense { return mat.NewDense(3, 3, []float64{1, 0, 0, 0, 1, 0, 0, 0, 1}) }

// Row mixes a row. Values and flags are by band; linear takes three values a
// pixel, NaN in all where the pixel has no value.
func (m *Mixer) Row(values [][]float32, flags [][]calib.Flags, linear []float32) {
	if len(m.factors) == 3 {
		m.rowOfThree(values, flags, linear)
		return
	}
	clear(linear)
	for j, f := range m.factors {
		band, bandFlags := values[j], flags[j][:len(values[j])]
		for i, v := range band {
			if bandFlags[i].Standing()&m.hide != 0 {
				v = nan()
			}
			rgb := linear[3*i : 3*i+3 : 3*i+3]
			rgb[0] += f[0] * v
			rgb[1] += f[1] * v
			rgb[2] += f[2] * v
		}
	}
}

// rowOfThree is Row for the usual number of bands, in one pass.
func (m *Mixer) rowOfThree(values [][]float32, flags [][]calib.Flags, linear []float32) {
	n := len(values[0])
	v0, v1, v2 := values[0], values[1][:n], values[2][:n]
	f0, f1, f2 := flags[0][:n], flags[1][:n], flags[2][:n]
	a, b, c := m.factors[0], m.factors[1], m.factors[2]
	for i, x := range v0 {
		if (f0[i]|f1[i]|f2[i])&m.hide != 0 && (f0[i].Standing()|f1[i].Standing()|f2[i].Standing())&m.hide != 0 {
			x = nan()
		}
		y, z := v1[i], v2[i]
		rgb := linear[3*i : 3*i+3 : 3*i+3]
		rgb[0] = a[0]*x + b[0]*y + c[0]*z
		rgb[1] = a[1]*x + b[1]*y + c[1]*z
		rgb[2] = a[2]*x + b[2]*y + c[2]*z
	}
}

func nan() float32 { return math.Float32frombits(0x7fc00000) }

// Picture is an image in colour. A pixel without a value is NaN in Linear and
// transparent, alpha 0, in the others; all other pixels are opaque.
type Picture struct {
	Width, Height int
	Linear        []float32      // linear red, green, blue of each pixel, row by row; white is 1
	Deep          *image.NRGBA64 // 16 bits a channel; nil: not wanted
	Plain         *image.NRGBA   // 8 bits a channel; nil: not wanted
	Clipped       Clipped        // by the last encoding
}

// NewPicture makes an empty picture with all planes.
func NewPicture(width, height int) *Picture {
	all := image.Rect(0, 0, width, height)
	return &Picture{Width: width, Height: height, Linear: make([]float32, 3*width*height),
		Deep: image.NewNRGBA64(all), Plain: image.NewNRGBA(all)}
}

// rowsPerBlock is the number of rows that a worker takes at a time.
const rowsPerBlock = 32

// Render mixes and encodes bands into p in one pass. The result does not
// depend on the number of workers.
func (p *Picture) Render(m *Mixer, e *Encoder, bands []*calib.Raster, workers int) error {
	if err := p.fits(m, bands); err != nil {
		return err
	}
	views, clipped := makeViews(workers), make([]Clipped, max(workers, 1))
	eachRow(p.Height, workers, func(worker, y int) {
		p.mixRow(m, bands, y, &views[worker])
		clipped[worker].add(p.encodeRow(e, y))
	})
	p.Clipped = total(clipped)
	return nil
}

// Mix fills Linear only, say to find a stretch from it before Encode.
func (p *Picture) Mix(m *Mixer, bands []*calib.Raster, workers int) error {
	if err := p.fits(m, bands); err != nil {
		return err
	}
	views := makeViews(workers)
	eachRow(p.Height, workers, func(worker, y int) { p.mixRow(m, bands, y, &views[worker]) })
	return nil
}

// Encode fills Deep and Plain from Linear.
func (p *Picture) Encode(e *Encoder, workers int) {
	clipped := make([]Clipped, max(workers, 1))
	eachRow(p.Height, workers, func(worker, y int) { clipped[worker].add(p.encodeRow(e, y)) })
	p.Clipped = total(clipped)
}

func (c *Clipped) add(d Clipped) {
	c.Below += d.Below
	c.Above += d.Above
}

func total(parts []Clipped) (sum Clipped) {
	for _, c := range parts {
		sum.add(c)
	}
	return sum
}

func (p *Picture) fits(m *Mixer, bands []*calib.Raster) error {
	if len(bands) != len(m.factors) {
		return fmt.Errorf("%d bands for a colour matrix of %d: give the bands that it was made for, in order", len(bands), len(m.factors))
	}
	for j, b := range bands {
		if b.Width != p.Width || b.Height != p.Height {
			return fmt.Errorf("band %d is %d x %d pixels, the picture %d x %d: bring the bands to one grid first",
				j+1, b.Width, b.Height, p.Width, p.Height)
		}
	}
	return nil
}

func (p *Picture) linearRow(y int) []float32 { return p.Linear[3*p.Width*y : 3*p.Width*(y+1)] }

func (p *Picture) encodeRow(e *Encoder, y int) Clipped {
	var deep, plain []byte
	if p.Deep != nil {
		deep = p.Deep.Pix[p.Deep.Stride*y:]
	}
	if p.Plain != nil {
		plain = p.Plain.Pix[p.Plain.Stride*y:]
	}
	return e.Row(p.linearRow(y), deep, plain)
}

func (p *Picture) mixRow(m *Mixer, bands []*calib.Raster, y int, view *rowView) {
	view.show(bands, y)
	m.Row(view.values, view.flags, p.linearRow(y))
}

// rowView is one row of all bands; each worker has one.
type rowView struct {
	values [][]float32
	flags  [][]calib.Flags
}

func (v *rowView) show(bands []*calib.Raster, y int) {
	v.values, v.flags = v.values[:0], v.flags[:0]
	for _, b := range bands {
		v.values = append(v.values, b.Value[b.Width*y:b.Width*(y+1)])
		v.flags = append(v.flags, b.Flags[b.Width*y:b.Width*(y+1)])
	}
}

func makeViews(workers int) []rowView { return make([]rowView, max(workers, 1)) }

// eachRow has the workers, numbered from 0, do all rows, a block of rows at a
// time. Rows must not depend on one another.
func eachRow(height, workers int, row func(worker, y int)) {
	var nextBlock atomic.Int64
	var wait sync.WaitGroup
	for worker := range max(workers, 1) {
		wait.Go(func() {
			for y0 := 0; y0 < height; {
				y0 = int(nextBlock.Add(1)-1) * rowsPerBlock
				for y := y0; y < min(y0+rowsPerBlock, height); y++ {
					row(worker, y)
				}
			}
		})
	}
	wait.Wait()
}
