package calib

import (
	"math"
	"sort"
)

// CodeTable is a decompanding table.
type CodeTable struct {
	DN    []float64 // C[k] of code k
	Width []float64 // w_k, DN
	// Mean is what a code stands for where the noise of the samples is known
	// (Unbias): the DN whose mean over the codes is the level. Nil: C[k].
	Mean []float64
}

// mean returns the DN that each code stands for.
func (t *CodeTable) mean() []float64 {
	if t.Mean != nil {
		return t.Mean
	}
	return t.DN
}

// at returns the width of the bin that a level in DN falls into.
func (t *CodeTable) at(dn float64) float64 {
	k := sort.SearchFloat64s(t.DN, dn)
	if k > 0 && (k == len(t.DN) || dn-t.DN[k-1] <= t.Width[k-1]/2) {
		k-- // the upper half of the bin below
	}
	return t.Width[k]
}

// CeilingCode is the highest value that a raw sample can have: CeilingDN, or
// the last code of the decompanding table.
func (s *Sensor) CeilingCode() float64 {
	if s.Codes != nil {
		return float64(len(s.Codes.DN) - 1)
	}
	return s.CeilingDN
}

// Quantisation returns the variance of a sample's rounding as base + slope
// times the level above base level: base for a level of the given raw DN, and
// the slope, in DN, with which it grows to the ceiling's. Whole DN have 1/12
// and 0. A square-root table's bins grow so that it is a straight line.
func (s *Sensor) Quantisation(rawDN float64) (base, slope float64) {
	if s.Codes == nil {
		return quantisation, 0
	}
	low, high := s.Codes.at(rawDN), s.Codes.at(s.CeilingDN)
	base = low * low * quantisation
	if s.CeilingDN > rawDN {
		slope = max(0, (high*high*quantisation-base)/(s.CeilingDN-rawDN))
	}
	return base, slope
}

// DecompandStage is step 2: transmitted codes become DN, and the variance
// becomes that of the bin, w_k^2/12.
type DecompandStage struct {
	dn, variance []float32
}

// NewDecompandStage prepares the table.
func NewDecompandStage(t *CodeTable) DecompandStage {
	s := DecompandStage{make([]float32, len(t.DN)), make([]float32, len(t.DN))}
	for k, dn := range t.mean() {
		s.dn[k] = float32(dn)
		s.variance[k] = float32(t.Width[k] * t.Width[k] * quantisation)
	}
	return s
}

// Name implements Stage.
func (DecompandStage) Name() string { return "decompand" }

// Settings implements Stage.
func (s DecompandStage) Settings() []Setting {
	return []Setting{{"codes", itoa(len(s.dn))}, number("last_dn", float64(s.dn[len(s.dn)-1]))}
}

// Apply implements Stage.
func (s DecompandStage) Apply(r *Row) {
	vr := r.Var[:len(r.V)]
	dn, variance := s.dn, s.variance[:len(s.dn)]
	for x, code := range r.V {
		// A sample that is missing or that no converter makes stays as it is;
		// the frame stage has marked it.
		if k := int(code); k >= 0 && k < len(dn) && code == code {
			r.V[x], vr[x] = dn[k], variance[k]
		}
	}
}

// Decompanded serves raw rows in DN where a file holds codes, for the offset.
type Decompanded struct {
	Rows   RawRows
	Sensor *Sensor
}

// RawRow implements RawRows. A sample that never arrived, or that is no code,
// is NaN.
func (d Decompanded) RawRow(y, x0, x1 int, dst []float32) ([]float32, error) {
	row, err := d.Rows.RawRow(y, x0, x1, dst)
	if err != nil {
		return nil, err
	}
	out := dst[:len(row)]
	t := d.Sensor.Codes.mean()
	for i, code := range row {
		k := int(code)
		if code != code || code == float32(d.Sensor.FillDN) || k < 0 || k >= len(t) {
			out[i] = float32(math.NaN())
			continue
		}
		out[i] = float32(t[k])
	}
	return out, nil
}
