package demo

import (
	"fmt"

	"evenlight/calib"
	"evenlight/fitsutil"
	"evenlight/pipeline/simulate"
)

// bandImage is one plane of a product or cube: value, standard uncertainty and
// flags.
type bandImage struct {
	width, height int
	value, unc    []float32
	flags         []calib.Flags
}

// good tells whether pixel i carries no flag but those that are allowed.
func (m *bandImage) good(i int, allowed calib.Flags) bool {
	return m.flags[i]&^allowed == 0 && m.value[i] == m.value[i]
}

// raster is the image as the pipeline's own packages take it.
func (m *bandImage) raster() *calib.Raster {
	r := &calib.Raster{Width: m.width, Height: m.height, Value: m.value, Variance: make([]float32, len(m.unc)), Flags: m.flags}
	for i, u := range m.unc {
		r.Variance[i] = u * u
	}
	return r
}

// planeSet is a product (one plane) or a cube.
type planeSet struct {
	header *fitsutil.Header
	bands  []string // of a cube
	images []bandImage
}

// band finds a plane by the name of its band.
func (p *planeSet) band(name string) (*bandImage, error) {
	for i, b := range p.bands {
		if b == name {
			return &p.images[i], nil
		}
	}
	return nil, fmt.Errorf("there is no band %s among %v", name, p.bands)
}

// readPlanes reads a product or a cube.
func readPlanes(path string) (*planeSet, error) {
	f, err := fitsutil.Open(path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	p := &planeSet{header: f.HDUs()[0].Header.Clone()}
	value, err := f.Find("VALUE")
	if err != nil {
		return nil, err
	}
	n := 1
	if count, ok, err := p.header.Int("NBANDS"); err != nil {
		return nil, err
	} else if ok {
		n = int(count)
		for i := range n {
			name, _, err := p.header.Text(fmt.Sprintf("BAND%02d", i+1))
			if err != nil {
				return nil, err
			}
			p.bands = append(p.bands, name)
		}
	}
	for i := range n {
		m := bandImage{width: value.Width(), height: value.Height()}
		if m.value, err = readFloats(f, "VALUE", i); err != nil {
			return nil, err
		}
		if m.unc, err = readFloats(f, "UNCERTAINTY", i); err != nil {
			return nil, err
		}
		if m.flags, err = readFlags(f, i); err != nil {
			return nil, err
		}
		p.images = append(p.images, m)
	}
	return p, nil
}

func readFloats(f *fitsutil.File, name string, plane int) ([]float32, error) {
	h, b, err := readHDU(f, name, plane)
	if err != nil {
		return nil, err
	}
	out := make([]float32, h.Width()*h.Height())
	return out, h.DecodeFloat32(out, b)
}

func readFlags(f *fitsutil.File, plane int) ([]calib.Flags, error) {
	h, b, err := readHDU(f, "FLAGS", plane)
	if err != nil {
		return nil, err
	}
	whole := make([]int32, h.Width()*h.Height())
	if err := h.DecodeInt32(whole, b); err != nil {
		return nil, err
	}
	out := make([]calib.Flags, len(whole))
	for i, v := range whole {
		out[i] = calib.Flags(v)
	}
	return out, nil
}

func readHDU(f *fitsutil.File, name string, plane int) (*fitsutil.HDU, []byte, error) {
	h, err := f.Find(name)
	if err != nil {
		return nil, nil, err
	}
	b, err := f.ReadRows(h, plane, 0, h.Height(), nil)
	return h, b, err
}

// clean tells which pixels have none within reach that a cosmic ray hit or
// whose response has a curve of its own: single frames tell neither.
func clean(t *simulate.Truth, reach int) []bool {
	out := make([]bool, len(t.Cosmic))
	for i := range out {
		out[i] = true
	}
	for i, e := range t.Cosmic {
		if e == 0 && t.Defects[i]&simulate.Nonlinear == 0 {
			continue
		}
		x0, y0 := i%t.Width, i/t.Width
		for y := max(0, y0-reach); y <= min(t.Height-1, y0+reach); y++ {
			for x := max(0, x0-reach); x <= min(t.Width-1, x0+reach); x++ {
				out[y*t.Width+x] = false
			}
		}
	}
	return out
}
