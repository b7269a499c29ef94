package demo

import (
	"fmt"
	"math"
	"strings"

	"evenlight/calib"
	mosaics "evenlight/calib/mosaic"
	"evenlight/pipeline/simulate"
)

// MosaicTruth compares the bands of a mosaic's frame.
type MosaicTruth struct {
	Measured []Pulls      `json:"measured"` // samples that the band's own pixels took
	Between  []BetweenOne `json:"interpolated"`
}

// BetweenOne tells how well a band is interpolated, as the peak
// signal-to-noise ratio, dB: 10 lg(peak^2/mean square of the error), with the
// band's highest true value as the peak.
type BetweenOne struct {
	Band   string  `json:"band"`
	Pixels int     `json:"pixels"`
	Sharp  float64 `json:"psnr_db"`
	Plain  float64 `json:"bilinear_psnr_db"`
}

// Scenes of a camera that takes all bands at once, in their order.
const (
	greyRampScene = iota
	colourRampScene
	moonScene
	wedgeScene
	glintScene
	sceneCount // what follows is a sequence
)

// mosaic makes cubes of the moon and of the grey wedge.
func (c *campaign) mosaic(out *Colour) error {
	shots, err := c.at(moonScene, wedgeScene)
	if err != nil {
		return err
	}
	if out.Cubes, err = c.cubes(products(shots)); err != nil {
		return err
	}
	out.Mosaic = &MosaicTruth{}
	if err := c.mosaicMoon(out, shots[0]); err != nil {
		return err
	}
	if err := c.mosaicWedge(out, shots[1]); err != nil {
		return err
	}
	return c.moonAndWedge(out, shots[0], shots[1], []int{0}, cosmicReach)
}

// moonAndWedge makes pictures of the moon and of the grey wedge; the detectors
// named are those whose truth tells of cosmic rays, which spoil what lies within
// reach.
func (c *campaign) moonAndWedge(out *Colour, moon, wedge *shot, detectors []int, reach int) error {
	path, err := cubePath(out.Cubes, moon)
	if err != nil {
		return err
	}
	if err := c.pictures(out, []wish{{shows: "moon", file: path}}); err != nil {
		return err
	}
	if path, err = cubePath(out.Cubes, wedge); err != nil {
		return err
	}
	var quiet []bool
	width := 0
	for _, d := range detectors {
		t, err := c.truth(wedge, d)
		if err != nil {
			return err
		}
		quiet, width = both(quiet, clean(t, reach)), t.Width
	}
	return c.greyWedge(out, path, wholeWedge(quiet, width))
}

func (c *campaign) mosaicMoon(out *Colour, moon *shot) error {
	t, err := c.truth(moon, 0)
	if err != nil {
		return err
	}
	_, cube, err := cubeOf(out.Cubes, moon.product())
	if err != nil {
		return err
	}
	plain, pattern, err := c.bilinear(moon.product())
	if err != nil {
		return err
	}
	use := clean(t, cosmicReach)
	for b, name := range t.BandNames {
		sharp, err := cube.band(name)
		if err != nil {
			return err
		}
		want, err := cube.expect(c.in.Profile, b, t.BandRadiance[b])
		if err != nil {
			return err
		}
		measured := Pulls{Name: name}
		between := BetweenOne{Band: name}
		var sharpOff, plainOff rootMean
		peak := 0.0
		other := plain[indexOf(pattern.Colours(), name)]
		for i, w := range want {
			peak = max(peak, float64(w))
			if use[i] && sharp.good(i, 0) {
				measured.add(float64((sharp.value[i] - w) / sharp.unc[i]))
			}
			if use[i] && sharp.flags[i] == calib.Interpolated && other.Flags[i] == calib.Interpolated {
				between.Pixels++
				sharpOff.add(float64(sharp.value[i] - w))
				plainOff.add(float64(other.Value[i] - w))
			}
		}
		measured.finish()
		between.Sharp, between.Plain = decibel(peak/sharpOff.value()), decibel(peak/plainOff.value())
		out.Mosaic.Measured = append(out.Mosaic.Measured, measured)
		out.Mosaic.Between = append(out.Mosaic.Between, between)
	}
	return nil
}

// cosmicReach is how far, in pixels, a cosmic ray or a bent pixel spoils
// interpolated values.
const cosmicReach = 4

func decibel(ratio float64) float64 { return 20 * math.Log10(ratio) }

func indexOf(list []string, name string) int {
	for i, n := range list {
		if n == name {
			return i
		}
	}
	return -1
}

// bilinear interpolates a product by the plain method.
func (c *campaign) bilinear(path string) ([]*calib.Raster, *mosaics.Pattern, error) {
	product, err := readPlanes(path)
	if err != nil {
		return nil, nil, err
	}
	d := &c.in.Profile.Detectors[0]
	pattern, err := mosaics.New(d.Mosaic.Pattern)
	if err != nil {
		return nil, nil, err
	}
	pattern = pattern.Shift(d.Image.Columns[0]-1, d.Image.Rows[0]-1)
	plain, err := mosaics.Bilinear(product.images[0].raster(), pattern, c.opt.Workers)
	return plain, pattern, err
}

// mosaicWedge compares the bands of each whole pattern of the wedge.
func (c *campaign) mosaicWedge(out *Colour, wedge *shot) error {
	t, err := c.truth(wedge, 0)
	if err != nil {
		return err
	}
	product, err := readPlanes(wedge.product())
	if err != nil {
		return err
	}
	p := c.in.Profile
	d := &p.Detectors[0]
	bands := bandsOfPixels(p, d, "", t.Width, t.Height)
	cellW, cellH := len(d.Mosaic.Pattern[0]), len(d.Mosaic.Pattern)
	white, err := product.reflectances(p)
	if err != nil {
		return err
	}
	pairs := pairsOf(len(p.Bands))
	for _, pair := range pairs {
		out.GreyPairs = append(out.GreyPairs, Pulls{Name: pairName(p, pair)})
	}
	for y := 0; y+cellH <= t.Height; y += cellH {
		for x := 0; x+cellW <= t.Width; x += cellW {
			means := cellMeans(&product.images[0], t, bands, white, x, y, cellW, cellH)
			for k, pair := range pairs {
				a, b := means[pair[0]], means[pair[1]]
				if a.n > 0 && b.n > 0 {
					out.GreyPairs[k].add((a.value - b.value) / math.Sqrt(a.variance+b.variance))
				}
			}
		}
	}
	finishAll(out.GreyPairs)
	return nil
}

// pairsOf lists all pairs of n bands.
func pairsOf(n int) [][2]int {
	var out [][2]int
	for i := range n {
		for j := i + 1; j < n; j++ {
			out = append(out, [2]int{i, j})
		}
	}
	return out
}

// cellMean is the mean reflectance of a band over one cell of a pattern.
type cellMean struct{ n, value, variance float64 }

// cellMeans averages the usable samples of each band; white turns the bands'
// values into reflectances.
func cellMeans(m *bandImage, t *simulate.Truth, bands []int8, white []float64, x0, y0, width, height int) []cellMean {
	out := make([]cellMean, len(white))
	for y := y0; y < y0+height; y++ {
		for x := x0; x < x0+width; x++ {
			i := y*t.Width + x
			if m.flags[i] != 0 || t.Cosmic[i] != 0 || bands[i] < 0 {
				continue
			}
			k := white[bands[i]]
			o := &out[bands[i]]
			o.n++
			o.value += k * float64(m.value[i])
			o.variance += k * k * float64(m.unc[i]) * float64(m.unc[i])
		}
	}
	for b := range out {
		if n := out[b].n; n > 0 {
			out[b].value /= n
			out[b].variance /= n * n
		}
	}
	return out
}

// Text writes the comparison for people.
func (m *MosaicTruth) Text() string {
	var b strings.Builder
	b.WriteString("moon: pulls of measured samples; interpolated ones by peak signal-to-noise ratio\n")
	for i := range m.Measured {
		o := &m.Between[i]
		fmt.Fprintf(&b, "  %-12s %s; %.2f dB, %+.2f dB over bilinear\n", m.Measured[i].Name, m.Measured[i].line(), o.Sharp, o.Sharp-o.Plain)
	}
	return b.String()
}
