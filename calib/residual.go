package calib

// ResidualStage takes off what a camera tube's target keeps of the frame
// before: a fraction of its light.
type ResidualStage struct {
	Fraction float64
	// Before is the light of the frame before, e-, and its variance; nil:
	// there was none.
	Before     *Plane
	BeforeName string // file name of the frame before, for provenance
	// Unsure says that the frame before is known to be there and could not
	// be used.
	Unsure bool
}

func (ResidualStage) bringsCharge() {}

// Name implements Stage.
func (ResidualStage) Name() string { return "residual" }

// Settings implements Stage.
func (s ResidualStage) Settings() []Setting {
	before := s.BeforeName
	switch {
	case s.Unsure:
		before += " (not usable)"
	case s.Before == nil:
		before = "none"
	}
	return []Setting{number("fraction", s.Fraction), {"before", before}}
}

// Apply implements Stage. Where the frame before has no value, the residual
// image is left in and flagged.
func (s ResidualStage) Apply(r *Row) {
	if s.Before == nil {
		if s.Unsure {
			for x := range r.Flags {
				r.Flags[x] |= ResidualUnsure
			}
		}
		return
	}
	k := float32(s.Fraction)
	b, vb := s.Before.row(r.Y)
	v, vr, fl, other := r.V, r.Var[:len(r.V)], r.Flags[:len(r.V)], r.Other[:len(r.V)]
	b, vb = b[:len(v)], vb[:len(v)]
	for x := range v {
		if b[x] != b[x] || vb[x] != vb[x] {
			fl[x] |= ResidualUnsure
			continue
		}
		v[x] -= k * b[x]
		vr[x] += k * k * vb[x]
		other[x] += k * max(b[x], 0)
	}
}

// PaceStage flags all pixels of a line scanner's frame whose charge was
// stepped out of pace with the ground.
type PaceStage struct {
	// SmearPixels is the motion of the ground against the charge over all
	// stages; NaN: not known.
	SmearPixels float64
	LimitPixels float64
}

// LineSmearPixels returns |1 - v t / p| n: the motion of the ground against
// the charge in pixels, for a line time t in s, speed v over the ground in
// m/s, footprint p of a pixel in m, and n stages. In step, it is 0.
func LineSmearPixels(lineS, speedMS, footprintM float64, stages int) float64 {
	d := 1 - speedMS*lineS/footprintM
	if d < 0 {
		d = -d
	}
	return d * float64(stages)
}

// Name implements Stage.
func (PaceStage) Name() string { return "pace" }

// Settings implements Stage.
func (s PaceStage) Settings() []Setting {
	if s.SmearPixels != s.SmearPixels {
		return []Setting{{"smear_pixels", "unknown"}}
	}
	return []Setting{number("smear_pixels", s.SmearPixels), number("limit_pixels", s.LimitPixels)}
}

// Apply implements Stage.
func (s PaceStage) Apply(r *Row) {
	if !(s.SmearPixels > s.LimitPixels) {
		return
	}
	for x := range r.Flags {
		r.Flags[x] |= LineSmear
	}
}
