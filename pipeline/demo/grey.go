package demo

import (
	"fmt"
	"math"
	"strings"

	"evenlight/calib"
	"evenlight/pipeline"
	"evenlight/pipeline/simulate"
)

// wedgeSteps is the number of steps of a grey wedge, side by side.
const wedgeSteps = 16

// greyBands are the bands of a grey wedge on one grid.
type greyBands struct {
	names  []string
	images []*bandImage
	white  []float64 // turns the values of each band into reflectances
	use    []bool    // pixels that are compared
	// allowed are the flags with which a pixel is compared nevertheless.
	allowed calib.Flags
	// correlation of the errors of two bands; nil: they are independent.
	correlation func(pair [2]int) (float64, error)
}

// pairs compares the reflectances of all pairs of bands, which on a grey wedge
// are equal: the pulls of their difference, pixel by pixel.
func (g *greyBands) pairs() ([]Pulls, error) {
	var out []Pulls
	for _, pair := range pairsOf(len(g.names)) {
		r := 0.0
		if g.correlation != nil {
			var err error
			if r, err = g.correlation(pair); err != nil {
				return nil, err
			}
		}
		out = append(out, g.pair(pair[0], pair[1], r))
	}
	return out, nil
}

func (g *greyBands) pair(first, second int, correlation float64) Pulls {
	out := Pulls{Name: g.names[first] + " - " + g.names[second]}
	a, b := g.images[first], g.images[second]
	ka, kb := g.white[first], g.white[second]
	for i, use := range g.use {
		if !use || !a.good(i, g.allowed) || !b.good(i, g.allowed) {
			continue
		}
		ua, ub := ka*float64(a.unc[i]), kb*float64(b.unc[i])
		out.add((ka*float64(a.value[i]) - kb*float64(b.value[i])) / math.Sqrt(ua*ua+ub*ub-2*correlation*ua*ub))
	}
	out.finish()
	return out
}

// greyCube makes ready to compare all bands of a cube.
func (c *campaign) greyCube(cube *planeSet, use []bool, allowed calib.Flags) (*greyBands, error) {
	white, err := cube.reflectances(c.in.Profile)
	if err != nil {
		return nil, err
	}
	g := &greyBands{names: bandNames(c.in.Profile), white: white, use: use, allowed: allowed}
	for _, name := range g.names {
		m, err := cube.band(name)
		if err != nil {
			return nil, err
		}
		g.images = append(g.images, m)
	}
	return g, nil
}

// sequence finds one by its name.
func sequence(all []simulate.Sequence, name string) (*simulate.Sequence, error) {
	for i := range all {
		if all[i].Name == name {
			return &all[i], nil
		}
	}
	return nil, fmt.Errorf("the simulated campaign has no sequence %s", name)
}

// framesOf finds the frames of a sequence, each once.
func (c *campaign) framesOf(q *simulate.Sequence) ([]*shot, error) {
	var out []*shot
	for i := range q.Frames {
		s, err := c.named(q.Frames[i].Frame)
		if err != nil {
			return nil, err
		}
		if len(out) == 0 || out[len(out)-1] != s {
			out = append(out, s)
		}
	}
	return out, nil
}

// cubeInPlace makes a cube of bands that see one place: a wedge has no edges
// along its steps by which they could be aligned.
func (c *campaign) cubeInPlace(out *Colour, shots []*shot) (*pipeline.CubeReport, *planeSet, error) {
	made, err := c.cubesBy(products(shots), pipeline.CubeOptions{KeepPlace: true})
	if err != nil {
		return nil, nil, err
	}
	out.Cubes.Cubes = append(out.Cubes.Cubes, made.Cubes...)
	return cubeOf(made, shots[0].product())
}

// undisturbed tells which pixels have none within reach that a cosmic ray hit
// or whose response has a curve of its own, in any of the frames.
func (c *campaign) undisturbed(shots []*shot, reach int) (use []bool, width int, err error) {
	for _, s := range shots {
		t, err := c.truth(s, 0)
		if err != nil {
			return nil, 0, err
		}
		use, width = both(use, clean(t, reach)), t.Width
	}
	return use, width, nil
}

// both is true where a and b are; a nil list is true everywhere.
func both(a, b []bool) []bool {
	if a == nil {
		return b
	}
	for i := range a {
		a[i] = a[i] && b[i]
	}
	return a
}

// wheelWedge compares the frames of a wedge that were taken one after another.
func (c *campaign) wheelWedge(out *Colour, q *simulate.Sequence) error {
	shots, err := c.framesOf(q)
	if err != nil {
		return err
	}
	report, cube, err := c.cubeInPlace(out, shots)
	if err != nil {
		return err
	}
	use, width, err := c.undisturbed(shots, 0)
	if err != nil {
		return err
	}
	g, err := c.greyCube(cube, use, 0)
	if err != nil {
		return err
	}
	if out.GreyPairs, err = g.pairs(); err != nil {
		return err
	}
	return c.greyWedge(out, report.Cube, wholeWedge(use, width))
}

// stripWedge compares the band images of a wedge that moved over strips of
// filters.
func (c *campaign) stripWedge(out *Colour, q *simulate.Sequence) error {
	shots, err := c.framesOf(q)
	if err != nil {
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
	m := &cube.images[0]
	seen, err := c.seenBy(q.Frames, m.width, m.height, x0, y0)
	if err != nil {
		return err
	}
	view := wedgeView{quiet: cube.commonRows(), width: m.width, x0: -x0, steps: c.in.Profile.Detectors[0].Image.Columns, rows: leastStripRows}
	for _, hit := range seen.hit {
		for i := range hit {
			view.quiet[i] = view.quiet[i] && !hit[i]
		}
	}
	g, err := c.greyCube(cube, view.withinSteps(betweenPixels), calib.Interpolated)
	if err != nil {
		return err
	}
	if out.GreyPairs, err = g.pairs(); err != nil {
		return err
	}
	return c.greyWedge(out, report.Cube, view)
}

// commonRows tells which pixels lie in rows that all bands show, but for bad
// pixels.
func (s *planeSet) commonRows() []bool {
	out := make([]bool, len(s.images[0].flags))
	width := s.images[0].width
	for from := 0; from < len(out); from += width {
		shown := true
		for b := range s.images {
			missing := 0
			for _, f := range s.images[b].flags[from : from+width] {
				if f&calib.Missing != 0 {
					missing++
				}
			}
			shown = shown && missing < width/2
		}
		for i := range width {
			out[from+i] = shown
		}
	}
	return out
}

// betweenPixels is how far, in pixels, samples that lie between the pixels of a
// band image reach, and one for the width of an edge.
const betweenPixels = 2

// leastStripRows is the number of rows of a wedge that are measured for its
// colour where strips of 100 rows see it.
const leastStripRows = 80

// lineWedge compares the detectors of a line scanner on the wedge. The longest
// sees more to both sides than the others.
func (c *campaign) lineWedge(out *Colour, s *shot) error {
	p := c.in.Profile
	g := &greyBands{}
	var truths []*simulate.Truth
	narrowest := math.MaxInt
	for i, path := range s.products {
		product, err := readPlanes(path)
		if err != nil {
			return err
		}
		band := indexOf(bandNames(p), p.Detectors[i].Band)
		white, err := product.reflectances(p)
		if err != nil {
			return err
		}
		t, err := c.truth(s, i)
		if err != nil {
			return err
		}
		g.names, g.images, g.white = append(g.names, p.Bands[band].Name), append(g.images, &product.images[0]), append(g.white, white[band])
		truths, narrowest = append(truths, t), min(narrowest, t.Width)
	}
	for i, m := range g.images {
		g.use = both(g.use, middle(clean(truths[i], 0), m.width, narrowest))
		g.images[i] = &bandImage{width: narrowest, height: m.height, value: middle(m.value, m.width, narrowest), unc: middle(m.unc, m.width, narrowest), flags: middle(m.flags, m.width, narrowest)}
	}
	var err error
	out.GreyPairs, err = g.pairs()
	return err
}

// middle cuts the columns in the middle out of an image.
func middle[T any](v []T, width, keep int) []T {
	out := make([]T, 0, len(v)/width*keep)
	for from := (width - keep) / 2; from < len(v); from += width {
		out = append(out, v[from:from+keep]...)
	}
	return out
}

// tubeWedge compares the rectified bands of a tube on the wedge, each of which
// follows another bright frame.
func (c *campaign) tubeWedge(out *Colour, shots []*shot) error {
	_, cube, err := c.cubeInPlace(out, shots)
	if err != nil {
		return err
	}
	ideal, err := simulate.LoadTruth(simulate.TubeIdealFile(c.truthDir(), shots[0].stem, c.in.Profile.Detectors[0].Name))
	if err != nil {
		return err
	}
	use := make([]bool, len(ideal.Radiance))
	for i := range use {
		use[i] = even(ideal.Radiance, ideal.Width, ideal.Height, i, evenReach)
	}
	g, err := c.greyCube(cube, use, calib.Interpolated)
	if err != nil {
		return err
	}
	// What is taken off the second frame is a share of what was measured in the
	// first, with its error; both gather the same charge.
	share := c.in.Profile.Detectors[0].Residual.Fraction
	g.correlation = func([2]int) (float64, error) { return -share, nil }
	out.GreyPairs, err = g.pairs()
	return err
}

// eyesWedge compares the eyes of a stereo pair on the wedge, pixel by pixel and
// step by step.
func (c *campaign) eyesWedge(out *Colour, s *shot) error {
	p := c.in.Profile
	g := &greyBands{}
	for i, path := range s.products {
		product, err := readPlanes(path)
		if err != nil {
			return err
		}
		white, err := product.reflectances(p)
		if err != nil {
			return err
		}
		t, err := c.truth(s, i)
		if err != nil {
			return err
		}
		g.names, g.images, g.white = append(g.names, p.Detectors[i].Name), append(g.images, &product.images[0]), append(g.white, white[0])
		g.use = both(g.use, clean(t, 0))
	}
	var err error
	out.GreyPairs, err = g.pairs()
	out.EyesSeen.Steps = g.ratios()
	return err
}

// ratios are those of the second band's reflectance to the first's in each step
// of a wedge that fills the image.
func (g *greyBands) ratios() []RatioTest {
	a, b := g.images[0], g.images[1]
	var sums [wedgeSteps]struct{ n, a, b, varianceA, varianceB float64 }
	for i, use := range g.use {
		if !use || !a.good(i, g.allowed) || !b.good(i, g.allowed) {
			continue
		}
		s := &sums[i%a.width*wedgeSteps/a.width]
		s.n++
		s.a += g.white[0] * float64(a.value[i])
		s.b += g.white[1] * float64(b.value[i])
		s.varianceA += square(g.white[0] * float64(a.unc[i]))
		s.varianceB += square(g.white[1] * float64(b.unc[i]))
	}
	out := make([]RatioTest, wedgeSteps)
	for k, s := range sums {
		ratio := s.b / s.a
		out[k] = RatioTest{Pixels: int(s.n), Error: ratio - 1, Random: ratio * math.Sqrt(s.varianceA/square(s.a)+s.varianceB/square(s.b))}
	}
	return out
}

func square(x float64) float64 { return x * x }

// wedgeView tells where an image shows a grey wedge.
type wedgeView struct {
	quiet []bool // pixels that nothing disturbs
	width int    // of the image
	x0    int    // the wedge's first column
	steps [2]int // first and last column of the wedge, both counted from anywhere
	rows  int    // in which a step is measured
}

// wholeWedge is the view of a wedge that fills the image.
func wholeWedge(quiet []bool, width int) wedgeView {
	return wedgeView{quiet: quiet, width: width, steps: [2]int{1, width}, rows: len(quiet) / width / 6}
}

// step is the first column of a step, and of the one that follows.
func (v *wedgeView) step(s int) (from, to int) {
	n := v.steps[1] - v.steps[0] + 1
	return v.x0 + s*n/wedgeSteps, v.x0 + (s+1)*n/wedgeSteps
}

// withinSteps tells which quiet pixels lie in a step, further than reach from
// its edges.
func (v *wedgeView) withinSteps(reach int) []bool {
	out := make([]bool, len(v.quiet))
	for s := range wedgeSteps {
		from, to := v.step(s)
		for x := max(from+reach, 0); x < min(to-reach, v.width); x++ {
			for i := x; i < len(out); i += v.width {
				out[i] = v.quiet[i]
			}
		}
	}
	return out
}

// probes chooses a region in the middle of each step that nothing disturbs; a
// step that has none is left out.
func (v *wedgeView) probes() []calib.Region {
	const margin = 5
	height := len(v.quiet) / v.width
	var out []calib.Region
	for s := range wedgeSteps {
		from, to := v.step(s)
		r := calib.Region{X0: max(from, 0) + margin, X1: min(to, v.width) - margin}
		for r.Y0 = margin; r.Y0+v.rows < height-margin; r.Y0 += margin {
			r.Y1 = r.Y0 + v.rows
			if allIn(v.quiet, v.width, r) {
				out = append(out, r)
				break
			}
		}
	}
	return out
}

func allIn(is []bool, width int, r calib.Region) bool {
	for y := r.Y0; y < r.Y1; y++ {
		for x := r.X0; x < r.X1; x++ {
			if !is[y*width+x] {
				return false
			}
		}
	}
	return true
}

// greyText writes the comparison of bands on a grey wedge for people.
func (c *Colour) greyText() string {
	if len(c.GreyPairs) == 0 {
		return ""
	}
	of := "two bands'"
	if c.EyesSeen != nil {
		of = "the eyes'"
	}
	var b strings.Builder
	fmt.Fprintf(&b, "grey wedge: pulls of the difference of %s reflectances; grey is 0\n", of)
	for i := range c.GreyPairs {
		fmt.Fprintf(&b, "  %-18s %s\n", c.GreyPairs[i].Name, c.GreyPairs[i].line())
	}
	return b.String()
}
