package pipeline

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"evenlight/calib"
	"evenlight/calib/align"
	"evenlight/calib/marks"
	"evenlight/calib/mosaic"
	"evenlight/calib/strips"
	"evenlight/configs"
)

// interpolate fills in the bands of a mosaic.
func (b *cubeBuilder) interpolate(set *bandSet, p *productFile) error {
	d := &b.in.Profile.Detectors[p.detector]
	pattern, err := mosaic.New(d.Mosaic.Pattern)
	if err != nil {
		return err
	}
	im := region(d.Image)
	pattern = pattern.Shift(im.X0, im.Y0)
	ip, err := mosaic.NewInterpolator(p.raster, pattern, mosaic.Sharp, b.opt.Workers)
	if err != nil {
		return err
	}
	planes := make([]*calib.Raster, len(pattern.Colours()))
	for i := range planes {
		planes[i] = calib.NewRaster(p.widthPx, p.heightPx)
	}
	if err := ip.Fill(planes, b.opt.Workers); err != nil {
		return err
	}
	for _, band := range b.wanted() {
		i := slices.Index(pattern.Colours(), band)
		if i < 0 {
			return fmt.Errorf("the mosaic of detector %s has no pixel of band %s: name the bands wanted with --bands", d.Name, band)
		}
		set.bands = append(set.bands, p.bandOf(band, set.begin))
		set.rasters = append(set.rasters, planes[i])
	}
	set.stages = append(set.stages, StageRecord{"interpolate mosaic", []calib.Setting{{Name: "bands", Value: strings.Join(pattern.Colours(), ",")}}})
	return nil
}

// strips assembles the band images of a sequence.
func (b *cubeBuilder) strips(s *source) (*bandSet, error) {
	d := &b.in.Profile.Detectors[s.products[0].detector]
	motion := b.in.Profile.Motion
	if motion == nil {
		return nil, fmt.Errorf("the profile does not say how the ground moves over the strips: give motion")
	}
	if err := alike(s.products); err != nil {
		return nil, err
	}
	list := b.stripList(d)
	offsets, sigma, err := b.offsets(s, list, motion)
	if err != nil {
		return nil, err
	}
	set := newSet(s, wayStrips)
	frames := make([]strips.Frame, len(s.products))
	for i, p := range s.products {
		frames[i] = strips.Frame{Name: p.name(), TimeS: p.time.Sub(set.begin).Seconds(), Offset: offsets[i]}
	}
	images, grid, err := strips.Assemble(list, frames, func(i int) (*calib.Raster, error) {
		p, err := b.in.readProduct(s.products[i].path, b.opt.Workers)
		if err != nil {
			return nil, err
		}
		s.products[i].sha = p.sha
		return p.raster, nil
	}, strips.Options{}, b.opt.Workers)
	if err != nil {
		return nil, err
	}
	for _, band := range b.wanted() {
		i := slices.IndexFunc(images, func(im strips.Image) bool { return im.Band == band })
		if i < 0 {
			return nil, fmt.Errorf("detector %s has no strip of band %s: name the bands wanted with --bands", d.Name, band)
		}
		b.addStrip(set, &images[i], list, motion)
	}
	set.alignSigma = max(sigma, leastAlignSigma)
	set.stages = append(set.stages, StageRecord{"assemble strips", []calib.Setting{
		{Name: "motion", Value: motion.From}, {Name: "frames", Value: fmt.Sprint(len(frames))},
		{Name: "last_offset", Value: fmt.Sprintf("%.5f,%.5f", offsets[len(offsets)-1].DX, offsets[len(offsets)-1].DY)},
		{Name: "first_pixel", Value: fmt.Sprintf("%d,%d", grid.X0+1, grid.Y0+1)},
	}})
	return set, nil
}

// stripList lists the strips in rows of the product.
func (b *cubeBuilder) stripList(d *configs.Detector) []strips.Strip {
	im := region(d.Image)
	var out []strips.Strip
	for _, s := range d.Strips {
		y0, y1 := max(s.Rows[0]-1, im.Y0)-im.Y0, min(s.Rows[1], im.Y1)-im.Y0
		if y1 > y0 {
			out = append(out, strips.Strip{Band: s.Band, Y0: y0, Y1: y1})
		}
	}
	return out
}

// addStrip adds a band image to the set. The time of a band is that at which
// the ground passes the middle of its strip, relative to the first band.
func (b *cubeBuilder) addStrip(set *bandSet, im *strips.Image, list []strips.Strip, motion *configs.Motion) {
	p := set.products[0]
	band := p.bandOf(im.Band, set.begin)
	band.Products = nil
	for _, p := range set.products {
		band.Products = append(band.Products, p.name())
	}
	band.OffsetS = (middleRow(list, im.Band) - middleRow(list, list[0].Band)) / motion.RowsPerS
	band.LagX, band.LagY, band.ChiSquare, band.GapRows = im.LagX, im.LagY, finite(im.ChiSquare), im.GapRows
	if im.GapRows > 0 {
		set.warnings = append(set.warnings, fmt.Sprintf("band %s: %d rows of ground were seen by no frame and are missing", im.Band, im.GapRows))
	}
	set.bands, set.rasters = append(set.bands, band), append(set.rasters, im.Raster)
}

// middleRow is the mean row of a band's strips.
func middleRow(list []strips.Strip, band string) float64 {
	sum, rows := 0.0, 0.0
	for _, s := range list {
		if s.Band == band {
			n := float64(s.Y1 - s.Y0)
			sum += n * (float64(s.Y0+s.Y1-1) / 2)
			rows += n
		}
	}
	return sum / rows
}

// offsets tells where the ground stands in each frame relative to the first,
// by the profile's rates or measured from frame to frame, and how well, pixels.
func (b *cubeBuilder) offsets(s *source, list []strips.Strip, motion *configs.Motion) ([]strips.Offset, float64, error) {
	out := make([]strips.Offset, len(s.products))
	for i, p := range s.products {
		t := p.time.Sub(s.products[0].time).Seconds()
		out[i] = strips.Offset{DX: t * motion.ColumnsPerS, DY: t * motion.RowsPerS}
	}
	if motion.From == configs.MotionProfile {
		return out, 0, nil
	}
	var before *calib.Raster
	variance := 0.0
	at := strips.Offset{}
	expected := slices.Clone(out)
	for i := range s.products {
		p, err := b.in.readProduct(s.products[i].path, b.opt.Workers)
		if err != nil {
			return nil, 0, err
		}
		if before != nil {
			step := strips.Offset{DX: expected[i].DX - expected[i-1].DX, DY: expected[i].DY - expected[i-1].DY}
			found, sigma, err := b.step(before, p.raster, list, step, motion.SearchPixels)
			if err != nil {
				return nil, 0, fmt.Errorf("%s against %s: %w", p.name(), s.products[i-1].name(), err)
			}
			at = strips.Offset{DX: at.DX + found.DX, DY: at.DY + found.DY}
			variance += sigma * sigma
		}
		out[i], before = at, p.raster
	}
	return out, math.Sqrt(variance), nil
}

// leastOverlapRows is the height of the overlap of two frames in a strip from
// which their motion can be measured.
const leastOverlapRows = 32

// step measures the motion of the ground from one frame to the next in each
// strip, near what is expected, and returns the weighted mean.
func (b *cubeBuilder) step(before, after *calib.Raster, list []strips.Strip, expected strips.Offset, search float64) (strips.Offset, float64, error) {
	dx, dy := int(math.Round(expected.DX)), int(math.Round(expected.DY))
	var sum strips.Offset
	var weight float64
	var last error
	for _, s := range list {
		// Ground rows that stand in the strip in both frames.
		y0, y1 := max(s.Y0, s.Y0-dy), min(s.Y1, s.Y1-dy)
		x0, x1 := max(0, -dx), min(before.Width, before.Width-dx)
		if y1-y0 < leastOverlapRows || x1-x0 < leastOverlapRows {
			last = fmt.Errorf("strip %s overlaps the next frame's by %d rows, and %d are needed to measure the motion: take frames more often, or give motion.from: profile", s.Band, y1-y0, leastOverlapRows)
			continue
		}
		found, err := align.Find(crop(before, x0, y0, x1, y1), crop(after, x0+dx, y0+dy, x1+dx, y1+dy), align.Options{MaxShift: search, Workers: b.opt.Workers})
		if err != nil {
			last = fmt.Errorf("strip %s: %w", s.Band, err)
			continue
		}
		w := 1 / (found.SigmaX*found.SigmaX + found.SigmaY*found.SigmaY)
		sum.DX += w * (float64(dx) + found.DX)
		sum.DY += w * (float64(dy) + found.DY)
		weight += w
	}
	if weight == 0 {
		return strips.Offset{}, 0, last
	}
	return strips.Offset{DX: sum.DX / weight, DY: sum.DY / weight}, math.Sqrt(1 / weight), nil
}

// crop copies columns x0 <= x < x1 and rows y0 <= y < y1.
func crop(r *calib.Raster, x0, y0, x1, y1 int) *calib.Raster {
	out := calib.NewRaster(x1-x0, y1-y0)
	for y := y0; y < y1; y++ {
		from, to, at := y*r.Width+x0, y*r.Width+x1, (y-y0)*out.Width
		copy(out.Value[at:], r.Value[from:to])
		copy(out.Variance[at:], r.Variance[from:to])
		copy(out.Flags[at:], r.Flags[from:to])
	}
	return out
}

// markList lists a detector's reference marks in pixels of its image, from 0.
func markList(d *configs.Detector) []marks.Mark {
	im := region(d.Image)
	var out []marks.Mark
	for j := range d.Marks.Count[1] {
		for i := range d.Marks.Count[0] {
			x := d.Marks.First[0] + float64(i)*d.Marks.Step[0] - 1 - float64(im.X0)
			y := d.Marks.First[1] + float64(j)*d.Marks.Step[1] - 1 - float64(im.Y0)
			out = append(out, marks.Mark{Name: fmt.Sprintf("%d of row %d", i+1, j+1), X: x, Y: y, TrueX: x, TrueY: y})
		}
	}
	return out
}

// markOptions says what a detector's marks look like.
func markOptions(d *configs.Detector) marks.Options {
	return marks.Options{Shape: marks.Shape{Kind: marks.Disc, RadiusPx: d.Marks.RadiusPixels, BlurPx: markBlurPx}, SearchPx: d.Marks.SearchPixels}
}

// markBlurPx is the blur of a mark's edge, pixels; the place that is found
// depends little on it.
const markBlurPx = 0.5

// coverMargin is what is flagged around a mark beyond its radius, pixels.
const coverMargin = 1.5

// rectify finds the reference marks of a camera tube's frame, flags them and
// brings the image onto the grid of their true places.
func (b *cubeBuilder) rectify(p *productFile) error {
	d := &b.in.Profile.Detectors[p.detector]
	if d.Marks == nil {
		return nil
	}
	list := markList(d)
	survey, err := marks.Find(p.raster, list, markOptions(d), b.opt.Workers)
	if err != nil {
		return err
	}
	model, err := marks.Fit(list, survey.Found, marks.FitOptions{Order: d.Marks.Order})
	if err != nil {
		return err
	}
	marks.Cover(p.raster, survey.Found, d.Marks.RadiusPixels+coverMargin)
	p.raster = align.ResampleMap(p.raster, p.widthPx, p.heightPx, model.Row, b.opt.Kernel, b.opt.Workers)
	// The fractional parts of a smooth mapping take all values: the mean over
	// them, for one pixel in the middle of its range.
	p.lagX, p.lagY = align.Correlation(b.opt.Kernel, quarter, quarter)
	p.geometry = &geometry{found: len(survey.Found), lost: len(survey.Lost), rms: model.RMS, predicted: model.Predicted, order: model.Order, kernel: b.opt.Kernel.String()}
	return nil
}

// quarter is a typical fractional displacement, pixels.
const quarter = 0.25

// geometry tells how a frame was rectified.
type geometry struct {
	found, lost, order int
	rms, predicted     float64 // pixels
	kernel             string
}

// record is the stage that provenance keeps of it.
func (g *geometry) record(product string) StageRecord {
	return StageRecord{"rectify", []calib.Setting{{Name: "product", Value: product}, {Name: "marks", Value: fmt.Sprint(g.found)}, {Name: "lost", Value: fmt.Sprint(g.lost)},
		{Name: "order", Value: fmt.Sprint(g.order)}, {Name: "kernel", Value: g.kernel}, {Name: "rms_px", Value: fmt.Sprintf("%.4f", g.rms)}, {Name: "predicted_px", Value: fmt.Sprintf("%.4f", g.predicted)}}}
}
