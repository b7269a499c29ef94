package pipeline

import (
	"fmt"
	"math"

	"evenlight/calib"
	"evenlight/calib/marks"
	"evenlight/configs"
	"evenlight/fitsutil"
)

// extMarks lists where a flat shows a camera tube's reference marks.
const extMarks = "MARKS"

// clearMarks takes the reference marks out of a camera tube's flat. They lie
// on the faceplate and cast a shadow; the pixels beneath respond as those
// around them do, and where the raster of the scan shifts from frame to frame,
// so do the shadows. The response beneath a mark is the mean of a ring around
// it, and its places are kept for the bad-pixel mask.
func (b *builder) clearMarks(s *frameSet, out calib.Combined, c *masterContent) error {
	d := &b.in.Profile.Detectors[s.detector]
	if d.Marks == nil {
		return nil
	}
	im := s.sensor.Image
	r := &calib.Raster{Width: im.Width(), Height: im.Height(), Value: out.Value, Variance: out.Variance, Flags: make([]calib.Flags, len(out.Value))}
	for i, v := range out.Value {
		if v != v {
			r.Flags[i] = calib.Missing
		}
	}
	survey, err := marks.Find(r, markList(d), markOptions(d), s.workers)
	if err != nil {
		return fmt.Errorf("reference marks in the flat: %w", err)
	}
	x, y := make([]float64, len(survey.Found)), make([]float64, len(survey.Found))
	for i, f := range survey.Found {
		x[i], y[i] = f.X, f.Y
		fillDisc(r, f.X, f.Y, d.Marks.RadiusPixels+coverMargin)
	}
	for i := range x {
		x[i]++
		y[i]++
	}
	c.tables = append(c.tables, table{name: extMarks, comment: "Reference marks that were taken out of the flat; pixels from 1.",
		columns: []fitsutil.Column{{Name: "X", Unit: "pixel", Data: x}, {Name: "Y", Unit: "pixel", Data: y}}})
	c.record.Stages = append(c.record.Stages, StageRecord{"clear marks", []calib.Setting{{Name: "marks", Value: fmt.Sprint(len(x))}, {Name: "lost", Value: fmt.Sprint(len(survey.Lost))}}})
	return nil
}

// ringWidth is the width of the ring from which a mark is filled, pixels.
const ringWidth = 2

// fillDisc gives the pixels of a disc the mean of a ring around it, and the
// variance of the ring's pixels about that mean.
func fillDisc(r *calib.Raster, cx, cy, radius float64) {
	var sum, square float64
	n := 0
	eachNear(r.Width, r.Height, cx, cy, radius+ringWidth, func(i int, distance float64) {
		if v := float64(r.Value[i]); distance > radius && v == v {
			sum += v
			square += v * v
			n++
		}
	})
	if n < 2 {
		return
	}
	mean := sum / float64(n)
	variance := max(square-sum*mean, 0) / float64(n-1)
	eachNear(r.Width, r.Height, cx, cy, radius, func(i int, _ float64) {
		r.Value[i], r.Variance[i] = float32(mean), float32(variance)
	})
}

// eachNear calls do with each pixel within a distance of a place.
func eachNear(width, height int, cx, cy, reach float64, do func(i int, distance float64)) {
	for y := max(0, int(math.Floor(cy-reach))); y <= min(height-1, int(math.Ceil(cy+reach))); y++ {
		for x := max(0, int(math.Floor(cx-reach))); x <= min(width-1, int(math.Ceil(cx+reach))); x++ {
			if d := math.Hypot(float64(x)-cx, float64(y)-cy); d <= reach {
				do(y*width+x, d)
			}
		}
	}
}

// markPlaces are the marks that a flat showed, pixels from 0.
type markPlaces struct{ x, y []float64 }

// markPlaces reads the marks of a flat; nil where it has none.
func (r *planeReader) markPlaces() *markPlaces {
	if r.err != nil {
		return nil
	}
	h, err := r.file.Find(extMarks)
	if err != nil {
		return nil
	}
	t, err := r.file.ReadTable(h)
	if err != nil {
		r.err = err
		return nil
	}
	m := &markPlaces{}
	for _, c := range t.Columns {
		v, ok := c.Data.([]float64)
		if !ok {
			continue
		}
		for i := range v {
			v[i]--
		}
		switch c.Name {
		case "X":
			m.x = v
		case "Y":
			m.y = v
		}
	}
	if len(m.x) != len(m.y) {
		r.err = fmt.Errorf("table %s lacks columns X and Y", extMarks)
	}
	return m
}

// cover flags the pixels beneath the marks.
func (m *markPlaces) cover(mask []calib.Flags, width int, d *configs.Detector) {
	if m == nil || d.Marks == nil {
		return
	}
	for i := range m.x {
		eachNear(width, len(mask)/width, m.x[i], m.y[i], d.Marks.RadiusPixels+coverMargin, func(p int, _ float64) { mask[p] |= calib.Mark })
	}
}
