package pipeline

import "evenlight/calib"

// addCommonVariance adds to the variance of a flat's mean what the scatter of
// its frames does not show, since all of them have it in common: the noise of
// the bias and of the dark that were taken off. With g the gain, k the mean
// over the frames of what electrons were multiplied with, and h t their mean
// dark time,
//
//	Var(F) += k^2 (g^2 Var(B) f + (h t)^2 Var(d))
//
// with f as where a scene's bias and dark are taken off. Beside a lamp's
// thousands of electrons it is nothing; in flats of a few hundred it is a
// third of the whole. A scene that has the same bias taken off shares its
// error with the flat: at the flat's own level S the two cancel, so there the
// variance is stated too large by 2 S k g^2 Var(B) f.
func (s *frameSet) addCommonVariance(out calib.Combined) {
	bias, dark := s.masters.bias, s.masters.dark
	if bias == nil && dark == nil {
		return
	}
	ht := 0.0
	for _, f := range s.set {
		ht += f.ht / float64(len(s.set))
	}
	factor := 1.0
	if bias != nil && dark != nil {
		factor = calib.BiasVarianceFactor(dark.BiasKappa, ht, dark.BiasSHA256 == bias.SHA256)
	}
	width := s.sensor.Image.Width()
	scale := s.meanScale()
	for y := range s.sensor.MasterRows() {
		row := s.meanRowScale(y)
		s.eachRun(y, func(c, x0, x1 int, from []int) {
			g := s.sensor.Amps[c/len(scale)].GainEPerDN
			k := scale[c%len(scale)] * float64(row)
			for i := x0; i < x1; i++ {
				at := y*width + placeOf(from, i)
				common := 0.0
				if bias != nil {
					common += g * g * factor * float64(bias.plane.Variance[at])
				}
				if dark != nil {
					common += ht * ht * float64(dark.plane.Variance[at])
				}
				out.Variance[at] += float32(k * k * common)
			}
		})
	}
}

// meanScale is the mean over the frames of what samples are multiplied with,
// by band.
func (s *frameSet) meanScale() []float64 {
	out := make([]float64, len(s.set[0].scale))
	for _, f := range s.set {
		for b, k := range f.scale {
			out[b] += k / float64(len(s.set))
		}
	}
	return out
}
