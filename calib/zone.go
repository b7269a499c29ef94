package calib

import "math"

// zoneSigma is the distance from saturation, in sigmas, within which a pixel's
// noise counts as cut: what is cut at 4 sigmas moves the mean pull by
// phi(4) = 1.3e-4 and its variance by 4 phi(4) = 5e-4.
const zoneSigma = 4

// SaturationZone finds the pixels whose noise saturation cuts. Of a surface
// less than some sigmas below saturation the upward fluctuations are flagged
// as saturated, and what is left unflagged is too dark: at saturation itself
// by 0.8 sigma. Whether a pixel is of that kind must not be judged by its own
// value, which would only move the cut; so it is judged by the light about it,
// the estimate that Noise makes: a pixel is marked where
//
//	limit - (m + q) < zoneSigma sqrt(V)
//
// with m + q its expected charge, V its variance, and limit the charge at
// which it saturates. A pixel that stands out of its neighbours has no such
// estimate and stays as it is.
type SaturationZone struct {
	LimitE []float64 // charge at which a sample saturates, e-, by amplifier
}

// CloseTo returns the charge, e-, above which some pixel of a window must lie
// whose mean is within the zone; noiseE2 is the variance without shot noise.
func (z *SaturationZone) CloseTo(a int, noiseE2 float64) float64 {
	return z.LimitE[a] - zoneSigma*math.Sqrt(max(z.LimitE[a], 0)+noiseE2)
}

// mark flags the pixels of a row, once its variance holds the shot noise.
func (z *SaturationZone) mark(n *Noise, r *Row, s *nearSums) {
	own := s.rings[r.Y%len(s.rings)]
	shares := n.shares()
	light := n.chargesOf(r, s)
	ht := n.htOf(r.Y)
	for _, g := range r.Segs {
		limit := float32(z.LimitE[g.Amp])
		for x := g.X0; x < g.X1; x++ {
			others, sum := (s.wide[x] - own[x]).split()
			if others == 0 {
				continue
			}
			k := light.inverse[x]
			m := float32(sum) * shares[others&31]
			gap := limit*k - m - (light.dark[x]*ht+light.other[x])*k
			d := r.V[x] - m
			cut := zoneSigma * zoneSigma * r.Var[x]
			if d*d <= standOut*standOut*r.Var[x] && (gap < 0 || gap*gap < cut) && r.Flags[x]&Saturated == 0 {
				r.Flags[x] |= NearSaturated
			}
		}
	}
}
