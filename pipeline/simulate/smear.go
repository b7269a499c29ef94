package simulate

import (
	"fmt"
	"math"
	"math/rand/v2"

	"evenlight/configs"
)

// Smear of a detector that shifts its image through the light.
//
// The charge of an image moves along the columns, row by row, and stands
// row_s on each row that it passes, where it gathers that row's light, the
// response F of the pixel there included:
//
//	m(x,y) = row_s sum_y' F(x,y') (K_b L(x,y') + lamp)
//
// In the shift after the exposure a pixel's charge passes the rows between
// its place and the end that it moves to. What arrives at a pixel's place in
// the shift before the exposure has passed the rows behind it. With both
// shifts a pixel passes every other row once. Its own row counts, once a
// shift, where the profile says so. Light falls on the image rows only.
//
// Masked rows are shifted with the image. One at the end that the charge
// moves to is passed through all of the image before the exposure, one at the
// other end after it: each passes every image row once.

// checkSmear refuses a smear that cannot be simulated.
func checkSmear(d *configs.Detector) error {
	m := d.Smear
	if m == nil {
		return nil
	}
	if !(m.RowS >= 0) || math.IsInf(m.RowS, 1) {
		return fmt.Errorf("smear.row_s is %g s; it must be finite and not negative", m.RowS)
	}
	if m.Toward != configs.FirstRow && m.Toward != configs.LastRow {
		return fmt.Errorf("smear.toward is %q; use %s or %s", m.Toward, configs.FirstRow, configs.LastRow)
	}
	if m.When != configs.ShiftBefore && m.When != configs.ShiftAfter && m.When != configs.ShiftBoth {
		return fmt.Errorf("smear.when is %q; use %s, %s or %s", m.When, configs.ShiftBefore, configs.ShiftAfter, configs.ShiftBoth)
	}
	if m.MaskedRows == nil {
		return nil
	}
	first, last := m.MaskedRows[0], m.MaskedRows[1]
	if first < 1 || first > last || last > d.Height || first <= d.Image.Rows[1] && last >= d.Image.Rows[0] {
		return fmt.Errorf("smear.masked_rows are %d to %d; they must lie inside the frame of %d rows and outside the image", first, last, d.Height)
	}
	if m.When != configs.ShiftBoth {
		return fmt.Errorf("smear.masked_rows need smear.when to be %s, where each of them passes all of the image", configs.ShiftBoth)
	}
	return nil
}

// maskedBox is where masked rows hold charge: their rows, the image's columns.
func maskedBox(d *configs.Detector) box {
	if d.Smear == nil || d.Smear.MaskedRows == nil {
		return box{}
	}
	return box{x0: d.Image.Columns[0] - 1, x1: d.Image.Columns[1], y0: d.Smear.MaskedRows[0] - 1, y1: d.Smear.MaskedRows[1]}
}

// makeMaskedDark gives the masked rows the dark current of ordinary pixels.
func (s *Sensor) makeMaskedDark() {
	r := rand.New(newStream(s.Options.Seed, forMaskedDark, 0, 0))
	s.each(s.masked, func(p int) { s.Dark[p] = float32(ordinaryDark(r)) })
}

// passes tells which rows a pixel's charge passes: those of lower number,
// those of higher number, and how often its own.
func passes(m *configs.Smear) (lower, higher bool, own float64) {
	before, after := m.When != configs.ShiftAfter, m.When != configs.ShiftBefore
	lower, higher = after, before
	if m.Toward == configs.LastRow {
		lower, higher = before, after
	}
	if m.OwnRow {
		own = 1
		if m.When == configs.ShiftBoth {
			own = 2
		}
	}
	return lower, higher, own
}

// addSmear fills in m; the light is given as rates, e-/s at F = 1.
func (f *frame) addSmear(s *Sensor) {
	m := s.Detector.Smear
	if m == nil || s.Options.NoSmear {
		return
	}
	width, height := s.ImageWidth(), s.ImageHeight()
	lower, higher, own := passes(m)
	f.smear = make([]float64, width*height)
	passed := make([]float64, width) // e-/s of the rows passed so far
	pass := func(y int, own float64) {
		light := f.light[y*width:][:width]
		smear := f.smear[y*width:][:width]
		flat := f.flat[(s.image.y0+y)*s.Detector.Width+s.image.x0:][:width]
		for x := range passed {
			rate := float64(flat[x]) * light[x]
			smear[x] += m.RowS * (passed[x] + own*rate)
			passed[x] += rate
		}
	}
	if lower {
		for y := range height {
			pass(y, own)
		}
		own = 0
		f.maskedSmear = scaled(passed, m.RowS)
		clear(passed)
	}
	if higher {
		for y := height - 1; y >= 0; y-- {
			pass(y, own)
		}
	}
	f.raw.Truth.Smear = make([]float32, len(f.smear))
	for i, electrons := range f.smear {
		f.raw.Truth.Smear[i] = float32(electrons)
	}
}

func scaled(values []float64, by float64) []float64 {
	out := make([]float64, len(values))
	for i, v := range values {
		out[i] = by * v
	}
	return out
}
