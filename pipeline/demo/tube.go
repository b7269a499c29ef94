package demo

import (
	"fmt"
	"math"
	"path/filepath"
	"slices"
	"strings"

	"evenlight/calib"
	"evenlight/calib/marks"
	"evenlight/configs"
	"evenlight/pipeline"
	"evenlight/pipeline/simulate"
)

// TubeTruth compares what is a camera tube's own.
type TubeTruth struct {
	Residual  ResidualTest   `json:"residual"`
	Geometry  []GeometryTest `json:"geometry"`
	Rectified []Pulls        `json:"rectified"` // by band, on the smooth parts of the ramps
}

// ResidualTest compares a faint frame that follows a bright one, calibrated
// with the residual image taken off and with it left in, over the pixels that
// the residual image covers best.
type ResidualTest struct {
	Frame  string `json:"frame"`
	Pixels int    `json:"pixels"`
	// Signal, and Residual that the frame before left, are means in e-.
	Signal   float64 `json:"signal_electrons"`
	Residual float64 `json:"residual_electrons"`
	// Without and With are the mean error relative to the true signal, with
	// the residual image left in and taken off.
	Without float64 `json:"relative_error_left_in"`
	With    float64 `json:"relative_error_taken_off"`
	// Systematic is the uncertainty that the product states for what it took
	// off, relative to the signal.
	Systematic float64 `json:"relative_uncertainty"`
	WithPulls  Pulls   `json:"pulls_taken_off"`
	LeftIn     Pulls   `json:"pulls_left_in"`
}

// GeometryTest compares the geometry that reference marks told with the true
// distortion, over the part of the picture that the marks enclose, pixels.
type GeometryTest struct {
	Frame  string  `json:"frame"`
	Marks  int     `json:"marks_found"`
	RMS    float64 `json:"error_rms"`
	Max    float64 `json:"error_max"`
	Stated float64 `json:"uncertainty_rms"`
	Raw    float64 `json:"distortion_rms"` // what is left without rectification
}

// tube makes cubes of the ramps, of both pairs of moons and of the grey wedge.
func (c *campaign) tube(out *Colour) error {
	bands := len(c.in.Profile.Bands)
	shots, err := c.at(upTo(bands + 4)...)
	if err != nil {
		return err
	}
	if out.Cubes, err = c.cubes(products(shots)); err != nil {
		return err
	}
	out.Tube = &TubeTruth{}
	truth, err := simulate.LoadTube(filepath.Join(c.truthDir(), simulate.TubeFile))
	if err != nil {
		return err
	}
	for _, s := range shots {
		g, err := c.geometry(s, truth)
		if err != nil {
			return err
		}
		out.Tube.Geometry = append(out.Tube.Geometry, *g)
	}
	for b := range bands {
		p, err := c.rectified(out.Cubes, shots[b], b)
		if err != nil {
			return err
		}
		out.Tube.Rectified = append(out.Tube.Rectified, *p)
	}
	if err := c.residual(out.Tube, shots[bands+1]); err != nil {
		return err
	}
	path, err := cubePath(out.Cubes, shots[bands])
	if err != nil {
		return err
	}
	if err := c.pictures(out, []wish{{shows: "moon", file: path}}); err != nil {
		return err
	}
	// A bright moon goes before the wedge.
	wedge, err := c.at(bands+5, bands+6)
	if err != nil {
		return err
	}
	return c.tubeWedge(out, wedge)
}

func upTo(n int) []int {
	out := make([]int, n)
	for i := range out {
		out[i] = i
	}
	return out
}

// geometry finds the marks of a product as the cubes do.
func (c *campaign) geometry(s *shot, truth *simulate.TubeTruth) (*GeometryTest, error) {
	product, err := readPlanes(s.product())
	if err != nil {
		return nil, err
	}
	d := &c.in.Profile.Detectors[0]
	var list []marks.Mark
	for j := range d.Marks.Count[1] {
		for i := range d.Marks.Count[0] {
			x, y := d.Marks.First[0]+float64(i)*d.Marks.Step[0]-float64(d.Image.Columns[0]), d.Marks.First[1]+float64(j)*d.Marks.Step[1]-float64(d.Image.Rows[0])
			list = append(list, marks.Mark{Name: fmt.Sprintf("%d,%d", i, j), X: x, Y: y, TrueX: x, TrueY: y})
		}
	}
	shape := marks.Shape{Kind: marks.Disc, RadiusPx: d.Marks.RadiusPixels, BlurPx: 0.5}
	found, err := marks.Find(product.images[0].raster(), list, marks.Options{Shape: shape, SearchPx: d.Marks.SearchPixels}, c.opt.Workers)
	if err != nil {
		return nil, err
	}
	model, err := marks.Fit(list, found.Found, marks.FitOptions{Order: d.Marks.Order})
	if err != nil {
		return nil, err
	}
	g := &GeometryTest{Frame: s.stem, Marks: len(found.Found)}
	var off, stated, raw rootMean
	for y := model.TrueY[0]; y <= model.TrueY[1]; y += 4 {
		for x := model.TrueX[0]; x <= model.TrueX[1]; x += 4 {
			mx, my := model.At(x, y)
			// The truth counts raw pixels from 1.
			tx, ty := truth.Distortion.Raw(x+float64(d.Image.Columns[0]), y+float64(d.Image.Rows[0]))
			tx, ty = tx-float64(d.Image.Columns[0]), ty-float64(d.Image.Rows[0])
			ux, uy := model.Uncertainty(x, y)
			off.add(math.Hypot(mx-tx, my-ty))
			stated.add(math.Hypot(ux, uy))
			raw.add(math.Hypot(tx-x, ty-y))
			g.Max = max(g.Max, math.Hypot(mx-tx, my-ty))
		}
	}
	g.RMS, g.Stated, g.Raw = off.value(), stated.value(), raw.value()
	return g, nil
}

// rectified compares a band of a rectified ramp with the undistorted picture,
// where that is even.
func (c *campaign) rectified(made *pipeline.CubeSummary, s *shot, band int) (*Pulls, error) {
	name := c.in.Profile.Bands[band].Name
	_, cube, err := cubeOf(made, s.product())
	if err != nil {
		return nil, err
	}
	m, err := cube.band(name)
	if err != nil {
		return nil, err
	}
	ideal, err := simulate.LoadTruth(simulate.TubeIdealFile(c.truthDir(), s.stem, c.in.Profile.Detectors[0].Name))
	if err != nil {
		return nil, err
	}
	want, err := cube.expect(c.in.Profile, band, ideal.Radiance)
	if err != nil {
		return nil, err
	}
	out := &Pulls{Name: name}
	for i, w := range want {
		if m.good(i, calib.Interpolated) && even(want, m.width, m.height, i, evenReach) {
			out.add(float64((m.value[i] - w) / m.unc[i]))
		}
	}
	out.finish()
	return out, nil
}

// evenReach is the distance, in pixels, to what a resampled pixel is made of,
// and what errors of the geometry add.
const evenReach = 4

// even tells whether all pixels around one have its value.
func even(v []float32, width, height, i, reach int) bool {
	x0, y0 := i%width, i/width
	if x0 < reach || y0 < reach || x0 >= width-reach || y0 >= height-reach {
		return false
	}
	for y := y0 - reach; y <= y0+reach; y++ {
		for x := x0 - reach; x <= x0+reach; x++ {
			if v[y*width+x] != v[i] {
				return false
			}
		}
	}
	return true
}

// residual calibrates a faint frame once more with the residual image of the
// frame before left in.
func (c *campaign) residual(out *TubeTruth, faint *shot) error {
	without, err := c.leftIn(faint)
	if err != nil {
		return err
	}
	t, err := c.truth(faint, 0)
	if err != nil {
		return err
	}
	left, err := simulate.LoadTubeResidual(simulate.TruthFile(c.truthDir(), faint.stem, c.in.Profile.Detectors[0].Name))
	if err != nil {
		return err
	}
	r := &out.Residual
	r.Frame = faint.stem
	with, err := readPlanes(faint.product())
	if err != nil {
		return err
	}
	record, err := pipeline.ReadProvenance(faint.product())
	if err != nil {
		return err
	}
	band := indexOf(bandNames(c.in.Profile), c.reportOf(faint).Band)
	want, err := with.expect(c.in.Profile, band, t.Radiance)
	if err != nil {
		return err
	}
	most := slices.Max(left)
	var signal, offWith, offWithout float64
	for i, e := range left {
		a, b := &with.images[0], &without.images[0]
		if e < most/2 || !a.good(i, 0) || b.flags[i]&^calib.ResidualUnsure != 0 {
			continue
		}
		r.Pixels++
		r.Signal += float64(t.Electrons[i])
		r.Residual += float64(e)
		signal += float64(want[i])
		offWith += float64(a.value[i] - want[i])
		offWithout += float64(b.value[i] - want[i])
		r.WithPulls.add(float64((a.value[i] - want[i]) / a.unc[i]))
		r.LeftIn.add(float64((b.value[i] - want[i]) / b.unc[i]))
	}
	n := float64(r.Pixels)
	r.Signal, r.Residual, r.With, r.Without = r.Signal/n, r.Residual/n, offWith/signal, offWithout/signal
	// What is stated is relative to the residual image itself.
	r.Systematic = termOf(record, "residual fraction") * r.Residual / r.Signal
	r.WithPulls.finish()
	r.LeftIn.finish()
	return nil
}

// reportOf is what the run told of a shot's one product.
func (c *campaign) reportOf(s *shot) *pipeline.FrameReport {
	for i := range c.run.Frames {
		if c.run.Frames[i].Product == s.product() {
			return &c.run.Frames[i]
		}
	}
	return &pipeline.FrameReport{}
}

// LeftInDir holds the frame that was calibrated with the residual image left
// in, for comparison.
const LeftInDir = "residual-left-in"

func (c *campaign) leftIn(s *shot) (*planeSet, error) {
	opt := c.opt
	opt.Set = append(slices.Clone(opt.Set), "stages_off=["+configs.StageResidual+"]")
	p, _, err := opt.profile()
	if err != nil {
		return nil, err
	}
	run, err := pipeline.Calibrate(pipeline.NewInstrument(p), []string{s.raw}, pipeline.RunOptions{MastersDir: filepath.Join(c.opt.Dir, MastersDir),
		OutDir: filepath.Join(c.opt.Dir, LeftInDir), Workers: c.opt.Workers, Log: c.opt.Log})
	if err != nil {
		return nil, err
	}
	if len(run.Failures) > 0 {
		return nil, fmt.Errorf("%s: %s", run.Failures[0].Raw, run.Failures[0].Reason)
	}
	return readPlanes(run.Frames[0].Product)
}

// Text writes the comparison for people.
func (t *TubeTruth) Text() string {
	var b strings.Builder
	r := &t.Residual
	fmt.Fprintf(&b, "residual image in %s: %.0f e- on a signal of %.0f e- (%d pixels)\n", r.Frame, r.Residual, r.Signal, r.Pixels)
	fmt.Fprintf(&b, "  left in    error %+7.2f %%, pulls %s\n", 100*r.Without, r.LeftIn.line())
	fmt.Fprintf(&b, "  taken off  error %+7.2f %% ± %.2f %%, pulls %s\n", 100*r.With, 100*r.Systematic, r.WithPulls.line())
	b.WriteString("geometry by the reference marks, pixels: error rms, largest, stated rms, and the distortion itself\n")
	for _, g := range t.Geometry {
		fmt.Fprintf(&b, "  %-12s %3d marks %7.4f %7.4f %7.4f %7.3f\n", g.Frame, g.Marks, g.RMS, g.Max, g.Stated, g.Raw)
	}
	b.WriteString("rectified ramps: pulls of values on even ground\n")
	for i := range t.Rectified {
		fmt.Fprintf(&b, "  %-12s %s\n", t.Rectified[i].Name, t.Rectified[i].line())
	}
	return b.String()
}
