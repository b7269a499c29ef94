package demo

import (
	"fmt"
	"math"
	"path/filepath"
	"slices"
	"strings"

	"evenlight/calib"
	"evenlight/fitsutil"
	"evenlight/pipeline"
	"evenlight/pipeline/simulate"
)

// WheelTruth compares a set of bands that were taken one after another.
type WheelTruth struct {
	Name  string      `json:"name"`
	Bands []PlaceTest `json:"bands"` // all but the reference
	// Beyond is the share of the pixels in which the bands disagree by more
	// than BeyondSigma standard deviations, without those near cosmic rays
	// and bent pixels, which one band alone shows; Pixels is their number, and Expected the
	// share by noise alone. Even is the same over those where the true colour
	// is even: edges of colour are disagreement too, and not motion.
	Pixels      int     `json:"pixels"`
	Beyond      float64 `json:"beyond_fraction"`
	EvenPixels  int     `json:"even_pixels"`
	Even        float64 `json:"even_beyond_fraction"`
	BeyondSigma float64 `json:"beyond_sigma"`
	Expected    float64 `json:"expected_fraction"`
	// Movers were found; Moving tells whether there is a cloud, and Cloud how
	// it was found, if it was.
	Movers int        `json:"movers"`
	Moving bool       `json:"moving"`
	Cloud  *CloudTest `json:"cloud,omitempty"`
}

// PlaceTest is the displacement of a band against the truth, pixels.
type PlaceTest struct {
	Band   string  `json:"band"`
	ErrorX float64 `json:"error_x"`
	ErrorY float64 `json:"error_y"`
	SigmaX float64 `json:"sigma_x"`
	SigmaY float64 `json:"sigma_y"`
}

// CloudTest compares what was found of the cloud with the truth.
type CloudTest struct {
	Places []PlaceTest `json:"places"` // in each band
	// Speeds, pixels a second.
	SpeedError float64 `json:"speed_error"`
	SpeedSigma float64 `json:"speed_sigma"`
	SpeedTrue  float64 `json:"speed_true"`
	// Covered is the share of the pixels within one sigma of the cloud's
	// centre in any band that are flagged moved, Beyond that of the pixels
	// further than five sigmas from it in every band; without those near
	// cosmic rays.
	Covered float64 `json:"covered_fraction"`
	Beyond  float64 `json:"beyond_fraction"`
}

// wheel makes a cube of the moon and of each sequence of the ground, and one
// of the grey wedge.
func (c *campaign) wheel(out *Colour) error {
	bands := len(c.in.Profile.Bands)
	var moons []int
	for b := range bands {
		moons = append(moons, 2*b+1)
	}
	moon, err := c.at(moons...)
	if err != nil {
		return err
	}
	all, err := simulate.LoadSequences(filepath.Join(c.truthDir(), simulate.SequenceFile))
	if err != nil {
		return err
	}
	wedge, err := sequence(all, simulate.WedgeSequence)
	if err != nil {
		return err
	}
	all = slices.DeleteFunc(slices.Clone(all), func(q simulate.Sequence) bool { return q.Name == simulate.WedgeSequence })
	files := products(moon)
	for i := range all {
		for _, step := range all[i].Frames {
			s, err := c.named(step.Frame)
			if err != nil {
				return err
			}
			files = append(files, s.product())
		}
	}
	if out.Cubes, err = c.cubes(files); err != nil {
		return err
	}
	still := simulate.Sequence{Name: stillMoon}
	for b, s := range moon {
		still.Frames = append(still.Frames, simulate.Step{Frame: s.stem, Band: c.in.Profile.Bands[b].Name})
	}
	for _, q := range append([]simulate.Sequence{still}, all...) {
		w, err := c.wheelTruth(out.Cubes, &q)
		if err != nil {
			return err
		}
		out.Wheel = append(out.Wheel, *w)
	}
	if err := c.wheelPictures(out, moon[0], all); err != nil {
		return err
	}
	return c.wheelWedge(out, wedge)
}

// wheelPictures shows the moon and each sequence; what moved is outlined.
func (c *campaign) wheelPictures(out *Colour, moon *shot, all []simulate.Sequence) error {
	path, err := cubePath(out.Cubes, moon)
	if err != nil {
		return err
	}
	wishes := []wish{{shows: "moon", file: path}}
	for i := range all {
		first, err := c.named(all[i].Frames[0].Frame)
		if err != nil {
			return err
		}
		if path, err = cubePath(out.Cubes, first); err != nil {
			return err
		}
		shows := "ground"
		if all[i].Cloud != nil {
			shows = "ground with a cloud, whose pixels flagged moved are outlined"
		}
		wishes = append(wishes, wish{shows: shows, file: path, marked: all[i].Cloud != nil})
	}
	return c.pictures(out, wishes)
}

// stillMoon is the set of the moon in all bands; the others show the ground.
const stillMoon = "moon"

// wheelTruth compares the cube of a sequence with its truth.
func (c *campaign) wheelTruth(made *pipeline.CubeSummary, q *simulate.Sequence) (*WheelTruth, error) {
	first, err := c.named(q.Frames[0].Frame)
	if err != nil {
		return nil, err
	}
	report, cube, err := cubeOf(made, first.product())
	if err != nil {
		return nil, err
	}
	d := report.Disagreement
	w := &WheelTruth{Name: q.Name, Movers: len(report.Movers), Moving: q.Cloud != nil, BeyondSigma: d.BeyondSigma, Expected: d.Expected}
	quiet, err := c.quiet(q, cube.images[0].width)
	if err != nil {
		return nil, err
	}
	reference := referenceOf(report)
	zero := stepOf(q, report.Bands[reference].Name)
	even, err := c.evenGround(q, cube, zero)
	if err != nil {
		return nil, err
	}
	if err := w.disagreement(report.Cube, quiet, even); err != nil {
		return nil, err
	}
	for i := range report.Bands {
		if b := &report.Bands[i]; i != reference {
			s := stepOf(q, b.Name)
			w.Bands = append(w.Bands, PlaceTest{Band: b.Name, ErrorX: b.DX - (s.ShiftX - zero.ShiftX), ErrorY: b.DY - (s.ShiftY - zero.ShiftY), SigmaX: b.SigmaX, SigmaY: b.SigmaY})
		}
	}
	if q.Cloud != nil && len(report.Movers) > 0 {
		w.Cloud = cloudTest(report, cube, q, zero, quiet)
	}
	return w, nil
}

// quiet tells which pixels of a cube no cosmic ray or bent pixel comes near in
// any band. The bands stand a few pixels from where the cube shows them.
func (c *campaign) quiet(q *simulate.Sequence, width int) ([]bool, error) {
	var out []bool
	for i := range q.Frames {
		s, err := c.named(q.Frames[i].Frame)
		if err != nil {
			return nil, err
		}
		t, err := c.truth(s, 0)
		if err != nil {
			return nil, err
		}
		if t.Width != width {
			return nil, fmt.Errorf("the cube of %s is %d pixels wide and the truth %d", s.stem, width, t.Width)
		}
		here := clean(t, cosmicReach+shiftReach)
		if out == nil {
			out = here
			continue
		}
		for k := range out {
			out[k] = out[k] && here[k]
		}
	}
	return out, nil
}

// shiftReach is the largest displacement, in pixels, between bands of a
// simulated sequence.
const shiftReach = 5

// disagreement reads the map of a cube.
func (w *WheelTruth) disagreement(cube string, quiet, even []bool) error {
	f, err := fitsutil.Open(cube)
	if err != nil {
		return err
	}
	defer f.Close()
	sigmas, err := readFloats(f, "DISAGREEMENT", 0)
	if err != nil {
		return err
	}
	beyond, evenBeyond := 0, 0
	for i, s := range sigmas {
		if !quiet[i] || s != s {
			continue
		}
		w.Pixels++
		if even[i] {
			w.EvenPixels++
		}
		if float64(s) > w.BeyondSigma {
			beyond++
			if even[i] {
				evenBeyond++
			}
		}
	}
	w.Beyond = float64(beyond) / float64(max(w.Pixels, 1))
	w.Even = float64(evenBeyond) / float64(max(w.EvenPixels, 1))
	return nil
}

// evenGround tells where the true colour of the ground that a cube shows,
// whatever moves before it, is even to within its noise.
func (c *campaign) evenGround(q *simulate.Sequence, cube *planeSet, zero *simulate.Step) ([]bool, error) {
	m := &cube.images[0]
	var planes [][]float32
	if q.Name != stillMoon {
		whites := make([]float64, len(c.in.Profile.Bands))
		for b := range whites {
			whites[b] = 1 // its amount does not matter to the evenness of colour
		}
		planes = simulate.NewGround(c.opt.Seed, c.in.Profile.Bands, whites).Window(-zero.ShiftX, -zero.ShiftY, m.width, m.height)
	} else {
		for i := range q.Frames {
			s, err := c.named(q.Frames[i].Frame)
			if err != nil {
				return nil, err
			}
			t, err := c.truth(s, 0)
			if err != nil {
				return nil, err
			}
			planes = append(planes, t.Radiance)
		}
	}
	var noise []float64
	for _, name := range bandNames(c.in.Profile) {
		b, err := cube.band(name)
		if err != nil {
			return nil, err
		}
		noise = append(noise, medianNoise(b))
	}
	return evenColour(planes, m.width, m.height, noise), nil
}

// medianNoise is the median relative uncertainty of pixels with light.
func medianNoise(m *bandImage) float64 {
	var all []float32
	for i, v := range m.value {
		if r := m.unc[i] / v; m.good(i, calib.Interpolated) && r > 0 && r < 0.5 {
			all = append(all, r)
		}
	}
	if len(all) == 0 {
		return 0
	}
	return float64(calib.Median(all))
}

// referenceOf is the band that the others were brought onto.
func referenceOf(r *pipeline.CubeReport) int {
	for i := range r.Bands {
		if r.Bands[i].SigmaX == 0 && r.Bands[i].SigmaY == 0 {
			return i
		}
	}
	return 0
}

func stepOf(q *simulate.Sequence, band string) *simulate.Step {
	for i := range q.Frames {
		if q.Frames[i].Band == band {
			return &q.Frames[i]
		}
	}
	return &simulate.Step{}
}

// cloudTest compares the mover that is nearest to the cloud.
func cloudTest(r *pipeline.CubeReport, cube *planeSet, q *simulate.Sequence, zero *simulate.Step, quiet []bool) *CloudTest {
	at := make([]simulate.Place, len(r.Bands)) // on the cube's grid, that of the reference
	for i := range r.Bands {
		s := stepOf(q, r.Bands[i].Name)
		at[i] = simulate.Place{X: s.CloudAt.X - s.ShiftX + zero.ShiftX, Y: s.CloudAt.Y - s.ShiftY + zero.ShiftY}
	}
	best, nearest := 0, math.Inf(1)
	for k := range r.Movers {
		if d := math.Hypot(r.Movers[k].X[0]-1-at[0].X, r.Movers[k].Y[0]-1-at[0].Y); d < nearest {
			best, nearest = k, d
		}
	}
	m := &r.Movers[best]
	t := &CloudTest{SpeedTrue: math.Hypot(q.Cloud.ColumnsPerS, q.Cloud.RowsPerS)}
	for i := range r.Bands {
		b := &r.Bands[i]
		t.Places = append(t.Places, PlaceTest{Band: b.Name, ErrorX: m.X[i] - 1 - at[i].X, ErrorY: m.Y[i] - 1 - at[i].Y,
			SigmaX: math.Hypot(m.SigmaPx, b.SigmaX), SigmaY: math.Hypot(m.SigmaPx, b.SigmaY)})
	}
	if m.Speed != nil {
		t.SpeedError, t.SpeedSigma = *m.Speed-t.SpeedTrue, *m.SpeedSigma
	}
	t.Covered, t.Beyond = coverOf(&cube.images[0], at, q.Cloud.SigmaPixels, quiet)
	return t
}

// coverOf returns the shares of the pixels near the cloud, and of those far
// from it, that are flagged moved.
func coverOf(m *bandImage, at []simulate.Place, sigma float64, quiet []bool) (near, far float64) {
	var count, moved [2]float64
	for i := range m.flags {
		if !quiet[i] {
			continue
		}
		distance := math.Inf(1)
		for _, p := range at {
			distance = min(distance, math.Hypot(float64(i%m.width)-p.X, float64(i/m.width)-p.Y))
		}
		k := -1
		switch {
		case distance <= sigma:
			k = 0
		case distance > 5*sigma:
			k = 1
		}
		if k >= 0 {
			count[k]++
			if m.flags[i]&calib.Moved != 0 {
				moved[k]++
			}
		}
	}
	return moved[0] / count[0], moved[1] / count[1]
}

// Text writes the comparison for people.
func (w *WheelTruth) Text() string {
	var b strings.Builder
	fmt.Fprintf(&b, "%s: displacement found less the true one, columns and rows, pixels\n", w.Name)
	writePlaces(&b, w.Bands)
	fmt.Fprintf(&b, "  bands disagree beyond %g sigma in %.4f %% of the pixels away from cosmic rays and bent pixels,\n  in %.4f %% of those of even colour (noise alone: %.4f %%); %s\n", w.BeyondSigma, 100*w.Beyond, 100*w.Even, 100*w.Expected, count(w.Movers, "mover"))
	if t := w.Cloud; t != nil {
		b.WriteString("  the cloud's place in each band less the true one, columns and rows, pixels\n")
		writePlaces(&b, t.Places)
		fmt.Fprintf(&b, "  its speed is %+.4f ± %.4f off the true %.4f pixels/s\n", t.SpeedError, t.SpeedSigma, t.SpeedTrue)
		fmt.Fprintf(&b, "  flagged moved: %.1f %% of the pixels within its sigma, %.3f %% of those beyond five\n", 100*t.Covered, 100*t.Beyond)
	}
	if w.Moving && w.Cloud == nil {
		b.WriteString("  the cloud that drifted here was missed\n")
	}
	return b.String()
}

func writePlaces(b *strings.Builder, all []PlaceTest) {
	for _, p := range all {
		fmt.Fprintf(b, "  %-12s %+8.4f ± %.4f  %+8.4f ± %.4f\n", p.Band, p.ErrorX, p.SigmaX, p.ErrorY, p.SigmaY)
	}
}

// count words a number of things.
func count(n int, what string) string {
	switch n {
	case 0:
		return "no " + what + " found"
	case 1:
		return "1 " + what + " found"
	}
	return fmt.Sprintf("%d %ss found", n, what)
}
