package calib

import "math"

// quantisation is the variance of rounding to whole DN, DN^2.
const quantisation = 1.0 / 12

// FrameStage is step 1: it marks samples that never arrived and samples at
// the converter's floor, finds impossible ones, and starts the variance with
// that of the quantisation, 1/12 DN^2.
type FrameStage struct {
	CeilingDN float64 // 2^bits - 1, or the last code of a decompanding table
	FillDN    float64 // NaN: none
}

// Name implements Stage.
func (FrameStage) Name() string { return "frame" }

// Settings implements Stage.
func (s FrameStage) Settings() []Setting {
	out := []Setting{number("ceiling_dn", s.CeilingDN)}
	if !math.IsNaN(s.FillDN) {
		out = append(out, number("fill_dn", s.FillDN))
	}
	return out
}

// Apply implements Stage.
func (s FrameStage) Apply(r *Row) {
	ceiling, fill := float32(s.CeilingDN), float32(s.FillDN)
	v, vr, fl := r.V, r.Var[:len(r.V)], r.Flags[:len(r.V)]
	for x, d := range v {
		vr[x] = quantisation
		fl[x] = 0
		if d > 0 && d <= ceiling && d != fill {
			continue
		}
		switch {
		case d != d || d == fill:
			v[x] = float32(math.NaN())
			fl[x] = Missing
		case d == 0:
			fl[x] = AtFloor
		default:
			if r.BadX < 0 {
				r.BadX = x
			}
		}
	}
}

// SaturationStage is step 3: it marks samples at or above a raw level, one
// for each amplifier.
type SaturationStage struct {
	LevelDN []float64
	// CloseDN is the level from which on a row may hold pixels whose noise
	// saturation cuts (SaturationZone); nil: none are looked for.
	CloseDN []float64
}

// Name implements Stage.
func (SaturationStage) Name() string { return "saturation" }

// Settings implements Stage.
func (s SaturationStage) Settings() []Setting { return numbers("level_dn", s.LevelDN) }

// numbers writes one setting for each amplifier.
func numbers(name string, v []float64) []Setting {
	out := make([]Setting, len(v))
	for i, x := range v {
		out[i] = number(name+"."+itoa(i+1), x)
	}
	return out
}

// Apply implements Stage.
func (s SaturationStage) Apply(r *Row) {
	for _, g := range r.Segs {
		limit := float32(s.LevelDN[g.Amp])
		near := limit
		if s.CloseDN != nil {
			near = float32(s.CloseDN[g.Amp])
		}
		v, fl := r.V[g.X0:g.X1], r.Flags[g.X0:g.X1]
		for x, d := range v {
			if d >= near {
				r.bright = true
				if d >= limit {
					fl[x] |= Saturated
					r.saturated = true
				}
			}
		}
	}
}

// SaturationLevel returns the raw level at which amplifier a saturates: the
// lowest of the profile's level, the converter's ceiling, and full well less
// MarginSigma read-noise sigmas, since full well clips before the read noise
// is added. offsetDN is the lowest level of offset and bias in the frame, and
// lin the amplifier's linearity correction. The result is NaN, which the
// caller must refuse, where lin never reaches full well or the offset is NaN.
func (s *Sensor) SaturationLevel(a int, offsetDN float64, lin Polynomial) float64 {
	level := s.CeilingDN
	if s.LevelDN > 0 {
		level = min(level, s.LevelDN)
	}
	if s.FullWellE > 0 {
		amp := s.Amps[a]
		linear := (s.FullWellE - s.MarginSigma*amp.ReadNoiseE) / amp.GainEPerDN
		level = min(level, math.Floor(offsetDN+lin.Inverse(linear)))
	}
	return level
}

// OffsetStage is step 4: it takes o_a(y) off.
type OffsetStage struct {
	Rule   OffsetRule
	Traces []OffsetTrace // one for each amplifier
}

// Name implements Stage.
func (OffsetStage) Name() string { return "offset" }

// Settings implements Stage.
func (s OffsetStage) Settings() []Setting {
	if !s.Rule.FromOverscan {
		return []Setting{{"from", "bias"}}
	}
	out := []Setting{{"from", "overscan"}, {"smooth_rows", itoa(s.Rule.SmoothRows)}, number("reject_sigma", s.Rule.RejectSigma)}
	for i, t := range s.Traces {
		out = append(out, number("level_dn."+itoa(i+1), t.Level))
	}
	return out
}

// Apply implements Stage.
func (s OffsetStage) Apply(r *Row) {
	for _, g := range r.Segs {
		t := s.Traces[g.Amp]
		o, variance := t.DN[r.Y], t.Variance[r.Y]
		v, vr := r.V[g.X0:g.X1], r.Var[g.X0:g.X1]
		for x := range v {
			v[x] -= o
			vr[x] += variance
		}
		if t.Unsure[r.Y] {
			for x := g.X0; x < g.X1; x++ {
				r.Flags[x] |= OffsetUnsure
			}
		}
	}
}

// GainStage is step 7: DN to electrons, with the read noise, which is in
// electrons at the output.
type GainStage struct {
	Amps []Amplifier
}

// Name implements Stage.
func (GainStage) Name() string { return "gain" }

// Settings implements Stage.
func (s GainStage) Settings() []Setting {
	var out []Setting
	for i, a := range s.Amps {
		out = append(out, number("gain_e_per_dn."+itoa(i+1), a.GainEPerDN), number("read_noise_e."+itoa(i+1), a.ReadNoiseE))
	}
	return out
}

// Apply implements Stage.
func (s GainStage) Apply(r *Row) {
	for _, g := range r.Segs {
		a := s.Amps[g.Amp]
		k, k2, rn := float32(a.GainEPerDN), float32(a.GainEPerDN*a.GainEPerDN), float32(a.ReadNoiseE*a.ReadNoiseE)
		v, vr := r.V[g.X0:g.X1], r.Var[g.X0:g.X1]
		vr = vr[:len(v)]
		for x := range v {
			v[x] *= k
			vr[x] = vr[x]*k2 + rn
		}
	}
}

// LightStage is step 11: electrons to what the product carries.
type LightStage struct {
	Light Light
	// Bands holds the scale of each band where pixels see different ones;
	// they take the place of Light.Scale. Map tells which.
	Bands []Light
	Map   *BandMap
	// RowFactor multiplies the scale of each image row, where rows are exposed
	// for different times; nil: 1 for all.
	RowFactor []float32

	scales map[*uint8][]float32 // by row of the map
}

// NewLightStage prepares a light stage for a frame whose pixels see the bands
// that m tells (nil: one band, bands[0]).
func NewLightStage(bands []Light, m *BandMap, rowFactor []float32) LightStage {
	s := LightStage{Light: bands[0], RowFactor: rowFactor}
	if m == nil {
		return s
	}
	s.Bands, s.Map, s.scales = bands, m, map[*uint8][]float32{}
	for _, row := range m.rows {
		if s.scales[&row[0]] != nil {
			continue
		}
		scale := make([]float32, len(row))
		for x, b := range row {
			scale[x] = float32(math.NaN()) // no band, no light
			if b != NoBand {
				scale[x] = float32(bands[b].Scale)
			}
		}
		s.scales[&row[0]] = scale
	}
	return s
}

// Name implements Stage.
func (LightStage) Name() string { return "radiance" }

// Settings implements Stage.
func (s LightStage) Settings() []Setting {
	var out []Setting
	if s.Map == nil {
		out = append(out, number("per_electron", s.Light.Scale))
	}
	for i, l := range s.Bands {
		out = append(out, number("per_electron."+itoa(i+1), l.Scale))
	}
	if n := len(s.RowFactor); n > 0 {
		out = append(out, number("first_row_factor", float64(s.RowFactor[0])), number("last_row_factor", float64(s.RowFactor[n-1])))
	}
	return append(out, Setting{"unit", s.Light.Unit})
}

// Apply implements Stage.
func (s LightStage) Apply(r *Row) {
	v, vr := r.V, r.Var[:len(r.V)]
	row := float32(1)
	if s.RowFactor != nil {
		row = s.RowFactor[r.Y]
	}
	if s.Map != nil {
		for x, k := range s.scales[&s.Map.Row(r.Y)[0]][:len(v)] {
			k *= row
			v[x] *= k
			vr[x] *= k * k
		}
		return
	}
	k := float32(s.Light.Scale) * row
	k2 := k * k
	if k == 1 {
		return
	}
	for x := range v {
		v[x] *= k
		vr[x] *= k2
	}
}

// BadPixelStage is step 12: it sets the flags of the bad-pixel mask.
type BadPixelStage struct {
	Mask []Flags // image size
}

// Name implements Stage.
func (BadPixelStage) Name() string { return "bad_pixels" }

// Settings implements Stage.
func (BadPixelStage) Settings() []Setting { return nil }

// Apply implements Stage.
func (s BadPixelStage) Apply(r *Row) {
	mask := rowOf(s.Mask, len(r.Flags), r.Y)
	fl := r.Flags[:len(mask)]
	for x, m := range mask {
		fl[x] |= m
	}
}
