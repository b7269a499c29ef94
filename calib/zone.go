package calib

import "math"

// zoneSigma is the distance from saturation, in sigmas, within which a pixel's
// noise counts as cut: what is cut there moves the mean pull by phi(2.5) = 0.02
// at most, and farther off by less.
const zoneSigma = 2.5

// SaturationZone finds the pixels whose noise saturation cuts. Of a surface
// less than some sigmas below saturation the upward fluctuations are flagged
// as saturated, and what is left unflagged is too dark: at saturation itself
// by 0.8 sigma. Whether a pixel is of that kind must not be judged by anything
// that its own value depends on, which would only move the cut: neither by its
// count nor by its flat, whose error is in the value too. So it is judged by the
// pixels about it: it is marked where
//
//	limit - Q < zoneSigma sqrt(V + (s Q)^2),   Q = m F + d h t
//
// with m the estimate of the light that Noise makes, F and s mean and relative
// scatter of the flats of the eight like pixels about it, V the variance of its
// charge, and limit the charge at which it saturates. A pixel that stands out of
// its neighbours, as a star does, has no such estimate and stays as it is.
type SaturationZone struct {
	LimitE []float64 // charge at which a sample saturates, e-, by amplifier
}

// flatScatter is the largest relative scatter of neighbouring flats that counts
// where a row is judged to be bright; dust and dead pixels have more.
const flatScatter = 0.03

// CloseTo returns the charge, e-, above which some pixel of a window must lie
// whose mean is within the zone; noiseE2 is the variance without shot noise.
func (z *SaturationZone) CloseTo(a int, noiseE2 float64) float64 {
	limit := max(z.LimitE[a], 0)
	return limit - zoneSigma*math.Sqrt(limit+noiseE2+flatScatter*flatScatter*limit*limit)
}

// mark flags the pixels of a row, once its variance holds the shot noise.
func (z *SaturationZone) mark(n *Noise, r *Row, s *nearSums, height int) {
	own := s.rings[r.Y%len(s.rings)]
	shares := n.shares()
	c := n.chargesOf(r, s)
	ht := n.htOf(r.Y)
	flats := n.flatsAbout(r.Y, height, s)
	for _, g := range r.Segs {
		limit := float32(z.LimitE[g.Amp])
		for x := g.X0; x < g.X1; x++ {
			others, sum := (s.wide[x] - own[x]).split()
			m := float32(sum) * shares[others&31]
			d := r.V[x] - m
			if others == 0 || !(d*d <= standOut*standOut*r.Var[x]) || r.Flags[x]&Saturated != 0 {
				continue
			}
			f, scatter := flats.at(x)
			q := m * f
			gap := limit - q - c.dark[x]*ht - c.other[x]
			if gap < 0 || gap*gap < zoneSigma*zoneSigma*(r.Var[x]*f*f+q*q*scatter) {
				r.Flags[x] |= NearSaturated
			}
		}
	}
}

// flatRows are the inverse flats of the like row above, of a row itself, and of
// the like row below; nil where there is none.
type flatRows struct {
	rows [3][]float32
	step int
}

// flatsAbout returns the flats about row y of an image. A flat of one row, a
// line scanner's, has no others above and below.
func (n *Noise) flatsAbout(y, height int, s *nearSums) flatRows {
	_, stepX, stepY := n.window()
	f := flatRows{step: stepX}
	for i := range f.rows {
		near := y + (i-1)*stepY
		switch {
		case near < 0 || near >= height:
		case n.Flat == nil:
			f.rows[i] = s.ones
		case i == 1 || len(n.Flat.Inverse) > n.Flat.Width:
			f.rows[i], _ = n.Flat.row(near)
		}
	}
	return f
}

// at returns the mean flat of the eight like pixels about column x, and their
// relative variance about it, for one more of them.
func (f *flatRows) at(x int) (flat, variance float32) {
	var sum, square, n float32
	for i, row := range f.rows {
		for _, c := range [3]int{x - f.step, x, x + f.step} {
			if c < 0 || c >= len(row) || (i == 1 && c == x) || !(row[c] > 0) {
				continue
			}
			k := row[c]
			sum += k
			square += k * k
			n++
		}
	}
	if n < 2 {
		return 1, 0
	}
	mean := sum / n
	return 1 / mean, max(square/n/(mean*mean)-1, 0) * (n + 1) / (n - 1)
}
