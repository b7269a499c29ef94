package calib

import (
	"math"
	"slices"
)

// ZoneCurves is a linearity that varies over the detector: one curve for each
// zone of a grid over the image, interpolated linearly between the middles of
// zones and carried on by the same slope beyond the outer ones.
type ZoneCurves struct {
	Width, Height int          // of the image, pixels
	Columns, Rows int          // zones
	Curves        []Polynomial // row by row, all of one order
	MaxDN         []float64    // level up to which each was measured; 0: no limit
}

// place returns the two zones along one side between whose middles a pixel
// lies, or the outer two, and the share of the second.
func place(pixel, pixels, zones int) (first, second int, share float64) {
	if zones == 1 {
		return 0, 0, 0
	}
	at := (float64(pixel)+0.5)*float64(zones)/float64(pixels) - 0.5
	first = min(max(int(at), 0), zones-2)
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

// Uncertainty returns the relative standard uncertainty of lin(v)/v that the
// grid brings: what lies between zones is interpolated, and a zone's curve is
// a mean over it. For a curve that bends by d from zone to zone (its second
// difference) the former is d/8 at most and the latter d/24, of one sign;
// both directions together, root mean square over the inner zones at their
// highest level.
func (z *ZoneCurves) Uncertainty() float64 {
	sum, n := 0.0, 0
	at := func(c, r int, v float64) float64 { return z.Curves[r*z.Columns+c].At(v) / v }
	for r := range z.Rows {
		for c := range z.Columns {
			v := z.MaxDN[r*z.Columns+c]
			if !(v > 0) || atEdge(c, z.Columns) || atEdge(r, z.Rows) {
				continue
			}
			bend := 0.0
			if z.Columns > 2 {
				bend += math.Abs(at(c-1, r, v) - 2*at(c, r, v) + at(c+1, r, v))
			}
			if z.Rows > 2 {
				bend += math.Abs(at(c, r-1, v) - 2*at(c, r, v) + at(c, r+1, v))
			}
			bend *= 1.0/8 + 1.0/24
			sum += bend * bend
			n++
		}
	}
	if n == 0 {
		return 0
	}
	return math.Sqrt(sum / float64(n))
}

// atEdge tells whether a zone is the first or last of a row that has inner ones.
func atEdge(zone, zones int) bool { return zones > 2 && (zone == 0 || zone == zones-1) }

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
