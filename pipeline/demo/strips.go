package demo

import (
	"fmt"
	"math"
	"path/filepath"
	"strconv"
	"strings"

	"evenlight/calib"
	"evenlight/calib/align"
	"evenlight/fitsutil"
	"evenlight/pipeline"
	"evenlight/pipeline/simulate"
)

// StripsTruth compares assembled band images with the ground.
type StripsTruth struct {
	Bands []StripTest `json:"bands"`
	// Places are the displacements of the band images against the first one,
	// measured anew; the truth is none.
	Places []PlaceTest `json:"places"`
}

// StripTest compares one band image.
type StripTest struct {
	// Pulls are against what samples between the pixels can show of the
	// ground; Blur is the rms of its difference to the ground, in
	// uncertainties.
	Pulls
	Blur float64 `json:"blur_sigma"`
	// Light is the sum over the ground that the band saw, over that of the
	// true ground, less 1.
	Light   float64 `json:"light_ratio_error"`
	LightU  float64 `json:"light_ratio_uncertainty"`
	GapRows int     `json:"gap_rows"`
}

// strips assembles the sequences of the ground and of the grey wedge.
func (c *campaign) strips(out *Colour) error {
	all, err := simulate.LoadSequences(filepath.Join(c.truthDir(), simulate.SequenceFile))
	if err != nil {
		return err
	}
	shots, err := c.framesOf(&all[0])
	if err != nil {
		return err
	}
	wedge, err := sequence(all, simulate.WedgeSequence)
	if err != nil {
		return err
	}
	steps, err := c.framesOf(wedge)
	if err != nil {
		return err
	}
	if out.Cubes, err = c.cubes(append(products(shots), products(steps)...)); err != nil {
		return err
	}
	report, cube, err := cubeOf(out.Cubes, shots[0].product())
	if err != nil {
		return err
	}
	x0, y0, err := firstPixel(report.Cube)
	if err != nil {
		return err
	}
	seen, err := c.seenBy(all[0].Frames, cube.images[0].width, cube.images[0].height, x0, y0)
	if err != nil {
		return err
	}
	out.Strips = &StripsTruth{}
	for i := range report.Bands {
		t, err := c.strip(report, cube, i, seen)
		if err != nil {
			return err
		}
		out.Strips.Bands = append(out.Strips.Bands, *t)
	}
	if err := c.stripPlaces(out.Strips, cube); err != nil {
		return err
	}
	if err := c.pictures(out, []wish{{shows: "ground", file: report.Cube}}); err != nil {
		return err
	}
	return c.stripWedge(out, wedge)
}

// firstPixel reads from a cube of strips where its first pixel stands in the
// first frame, from 0.
func firstPixel(cube string) (x, y int, err error) {
	record, err := pipeline.ReadProvenance(cube)
	if err != nil {
		return 0, 0, err
	}
	for _, s := range record.Stages {
		for _, set := range s.Settings {
			if set.Name != "first_pixel" {
				continue
			}
			column, row, _ := strings.Cut(set.Value, ",")
			if x, err = strconv.Atoi(column); err == nil {
				y, err = strconv.Atoi(row)
			}
			return x - 1, y - 1, err
		}
	}
	return 0, 0, fmt.Errorf("%s does not tell where its first pixel stands", cube)
}

// ground is the truth that strips passed over; its first pixel stands at
// (x0, y0) of the first frame.
type ground struct {
	x0, y0, width, height int
	radiance              []float32
}

func readGround(path string) (*ground, error) {
	f, err := fitsutil.Open(path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	h := f.HDUs()[0].Header
	x, _, err := h.Int("GRNDCOL")
	if err != nil {
		return nil, err
	}
	y, _, err := h.Int("GRNDROW")
	if err != nil {
		return nil, err
	}
	g := &ground{x0: int(x), y0: int(y)}
	hdu, err := f.Find("GROUND")
	if err != nil {
		return nil, err
	}
	g.width, g.height = hdu.Width(), hdu.Height()
	g.radiance, err = readFloats(f, "GROUND", 0)
	return g, err
}

// at returns the radiance at a pixel of the first frame, NaN beyond the edge.
func (g *ground) at(x, y int) float64 {
	x, y = x-g.x0, y-g.y0
	if x < 0 || y < 0 || x >= g.width || y >= g.height {
		return math.NaN()
	}
	return float64(g.radiance[y*g.width+x])
}

// seenGround is what the samples of a band show of the ground: each pixel the
// mean of the true samples that overlap it, weighted by the area of the
// overlap. That is the ground itself but for the blur of samples that lie
// between its pixels.
type seenGround struct {
	x0, y0, width, height int
	sum, area             [][]float64 // by band of the profile
	hit                   [][]bool    // a cosmic ray is among the samples
}

// seenBy works out what the samples of a sequence should show.
func (c *campaign) seenBy(steps []simulate.Step, width, height, x0, y0 int) (*seenGround, error) {
	p := c.in.Profile
	g := &seenGround{x0: x0, y0: y0, width: width, height: height}
	for range p.Bands {
		g.sum, g.area, g.hit = append(g.sum, make([]float64, width*height)), append(g.area, make([]float64, width*height)), append(g.hit, make([]bool, width*height))
	}
	for k := range steps {
		s, err := c.named(steps[k].Frame)
		if err != nil {
			return nil, err
		}
		t, err := c.truth(s, 0)
		if err != nil {
			return nil, err
		}
		product, err := readPlanes(s.product())
		if err != nil {
			return nil, err
		}
		bands := bandsOfPixels(p, &p.Detectors[0], "", t.Width, t.Height)
		for i, f := range product.images[0].flags {
			if bands[i] >= 0 && f&(calib.Unusable|calib.BadPixel) == 0 {
				g.add(int(bands[i]), float64(i%t.Width)-steps[k].ShiftX-float64(x0), float64(i/t.Width)-steps[k].ShiftY-float64(y0), float64(t.Radiance[i]), t.Cosmic[i] != 0)
			}
		}
	}
	return g, nil
}

// add spreads a sample whose square begins at (x, y) over the pixels below.
func (g *seenGround) add(band int, x, y, value float64, hit bool) {
	x1, y1 := math.Floor(x), math.Floor(y)
	u, v := x-x1, y-y1
	for _, part := range [...]struct{ dx, dy, area float64 }{{0, 0, (1 - u) * (1 - v)}, {1, 0, u * (1 - v)}, {0, 1, (1 - u) * v}, {1, 1, u * v}} {
		column, row := int(x1+part.dx), int(y1+part.dy)
		if part.area < leastArea || column < 0 || row < 0 || column >= g.width || row >= g.height {
			continue
		}
		i := row*g.width + column
		g.sum[band][i] += part.area * value
		g.area[band][i] += part.area
		g.hit[band][i] = g.hit[band][i] || hit
	}
}

// leastArea is the overlap below which rounding alone makes a sample touch a
// pixel.
const leastArea = 1e-6

// strip compares one band image with the ground.
func (c *campaign) strip(report *pipeline.CubeReport, cube *planeSet, band int, seen *seenGround) (*StripTest, error) {
	of := &report.Bands[band]
	number := indexOf(bandNames(c.in.Profile), of.Name)
	g, err := readGround(simulate.GroundFile(c.truthDir(), of.Name))
	if err != nil {
		return nil, err
	}
	k, err := cube.perRadiance(c.in.Profile, number)
	if err != nil {
		return nil, err
	}
	m := &cube.images[band]
	t := &StripTest{Pulls: Pulls{Name: of.Name}, GapRows: of.GapRows}
	var blur rootMean
	var sum, want, variance float64
	for i := range m.value {
		if !m.good(i, calib.Interpolated) || seen.hit[number][i] {
			continue
		}
		unc := float64(m.unc[i])
		shown := k * seen.sum[number][i] / seen.area[number][i]
		truth := k * g.at(i%m.width+seen.x0, i/m.width+seen.y0)
		t.add((float64(m.value[i]) - shown) / unc)
		blur.add((shown - truth) / unc)
		sum += float64(m.value[i])
		want += truth
		variance += unc * unc
	}
	t.finish()
	t.Blur = blur.value()
	// Neighbours' errors are correlated, so that the variance of the sum is
	// larger than the sum of the variances.
	t.Light, t.LightU = sum/want-1, math.Sqrt(variance*(1+2*of.LagX)*(1+2*of.LagY))/want
	return t, nil
}

// stripPlaces measures the displacements between the band images.
func (c *campaign) stripPlaces(out *StripsTruth, cube *planeSet) error {
	first := cube.images[0].raster()
	for i := 1; i < len(cube.images); i++ {
		s, err := align.Find(first, cube.images[i].raster(), align.Options{Workers: c.opt.Workers})
		if err != nil {
			return fmt.Errorf("band %s against %s: %w", cube.bands[i], cube.bands[0], err)
		}
		out.Places = append(out.Places, PlaceTest{Band: cube.bands[i], ErrorX: s.DX, ErrorY: s.DY, SigmaX: s.SigmaX, SigmaY: s.SigmaY})
	}
	return nil
}

// Text writes the comparison for people.
func (s *StripsTruth) Text() string {
	var b strings.Builder
	b.WriteString("strips: pulls against the ground as frames see it between pixels, rms of that blur, light, rows that no frame saw\n")
	for i := range s.Bands {
		t := &s.Bands[i]
		fmt.Fprintf(&b, "  %-8s %s; blur %.2f sigma; light %+.6f ± %.6f; %d gap rows\n", t.Name, t.line(), t.Blur, t.Light, t.LightU, t.GapRows)
	}
	b.WriteString("displacement of the band images against the first, columns and rows, pixels; the truth is none\n")
	writePlaces(&b, s.Places)
	return b.String()
}
