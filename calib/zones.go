package calib

import "slices"

// ZoneCurves is a linearity that varies over the detector: one curve for each
// zone of a grid over the image, interpolated linearly between the middles of
// zones and held beyond the outer ones.
type ZoneCurves struct {
	Width, Height int          // of the image, pixels
	Columns, Rows int          // zones
	Curves        []Polynomial // row by row, all of one order
	MaxDN         []float64    // level up to which each was measured; 0: no limit
}

// place returns the two neighbouring zones along one side for a pixel, and
// the share of the second.
func place(pixel, pixels, zones int) (first, second int, share float64) {
	at := (float64(pixel)+0.5)*float64(zones)/float64(pixels) - 0.5
	if at <= 0 {
		return 0, 0, 0
	}
	first = int(at)
	if first >= zones-1 {
		return zones - 1, zones - 1, 0
	}
	return first, first + 1, at - float64(first)
}

// Zone returns the number of the zone that a pixel lies in.
func (z *ZoneCurves) Zone(x, y int) int {
	return y*z.Rows/z.Height*z.Columns + x*z.Columns/z.Width
}

// At returns the curve of one pixel in dst, which must have room for it.
func (z *ZoneCurves) At(x, y int, dst Polynomial) Polynomial {
	x0, x1, u := place(x, z.Width, z.Columns)
	y0, y1, v := place(y, z.Height, z.Rows)
	a, b := z.Curves[y0*z.Columns+x0], z.Curves[y0*z.Columns+x1]
	c, d := z.Curves[y1*z.Columns+x0], z.Curves[y1*z.Columns+x1]
	dst = dst[:len(a)]
	for i := range dst {
		dst[i] = (a[i]*(1-u)+b[i]*u)*(1-v) + (c[i]*(1-u)+d[i]*u)*v
	}
	return dst
}

// Mean returns the mean curve.
func (z *ZoneCurves) Mean() Polynomial {
	mean := make(Polynomial, len(z.Curves[0]))
	for _, p := range z.Curves {
		for i, c := range p {
			mean[i] += c / float64(len(z.Curves))
		}
	}
	return mean
}

// ZoneLinearityStage is step 6 for a response that varies over the detector.
type ZoneLinearityStage struct {
	Zones *ZoneCurves
}

// Name implements Stage.
func (ZoneLinearityStage) Name() string { return "linearity" }

// Settings implements Stage.
func (s ZoneLinearityStage) Settings() []Setting {
	out := []Setting{{"zones", itoa(s.Zones.Columns) + "x" + itoa(s.Zones.Rows)}}
	for i, c := range s.Zones.Mean() {
		out = append(out, number("mean_c"+itoa(i+2), c))
	}
	return append(out, number("least_max_dn", slices.Min(s.Zones.MaxDN)))
}

// Apply implements Stage.
func (s ZoneLinearityStage) Apply(r *Row) {
	var room [4]float64
	v, vr, fl := r.V, r.Var[:len(r.V)], r.Flags[:len(r.V)]
	for x, d := range v {
		if limit := float32(s.Zones.MaxDN[s.Zones.Zone(x, r.Y)]); limit > 0 && d > limit {
			fl[x] |= BeyondRange
		}
		p := s.Zones.At(x, r.Y, room[:])
		slope := float32(p.Slope(float64(d)))
		v[x] = float32(p.At(float64(d)))
		vr[x] *= slope * slope
	}
}
