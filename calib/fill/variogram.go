package fill

// exponents are the p that the variogram a h^p may have: from rough ground to
// slopes that hardly bend.
func exponents() [4]float64 { return [4]float64{0.5, 1, 1.5, 1.9} }

// variogram is a h^p: half the mean square of the difference of two pixels of
// the scene, h px apart.
type variogram struct {
	scale float64
	power []float64 // h^p by the square of h
}

func (v *variogram) at(square int) float64 { return v.scale * v.power[square] }

// between is the variogram of two offsets from the same pixel.
func (v *variogram) between(a, b offset) float64 {
	dx, dy := a.dx-b.dx, a.dy-b.dy
	return v.at(dx*dx + dy*dy)
}

// levelSums holds what the pairs of the window say at each level of distance.
type levelSums struct {
	half   []float64 // weighted mean of half the squared difference, less the noise
	weight []float64 // of all pairs
	noise  float64   // weighted mean of the noise variance of all pairs' pixels
}

// measure takes the sums over the window.
//
//	g(h) = sum w ((z_1 - z_2)^2 - D_1 - D_2) / (2 sum w)
//
// which has no bias by the noise.
func (s *levelSums) measure(w *window, g *geometry, c *cell) {
	levels := len(c.phi[0])
	s.half, s.weight = s.half[:levels], s.weight[:levels]
	clear(s.half)
	clear(s.weight)
	noise, weights := 0.0, 0.0
	for i := range c.lags {
		l := &c.lags[i]
		var half, both, sum float64
		for k, site := range c.sites {
			at := g.centre + site.at
			d := w.value[at] - w.value[at+l.at]
			if d != d {
				continue
			}
			q := w.variance[at] + w.variance[at+l.at]
			half += l.weight[k] * (d*d - q)
			both += l.weight[k] * q
			sum += l.weight[k]
		}
		s.half[l.level] += half / 2
		s.weight[l.level] += sum
		noise += both / 2
		weights += sum
	}
	for i, sum := range s.weight {
		if sum > 0 {
			s.half[i] /= sum
		}
	}
	s.noise = leastVariance
	if weights > 0 {
		s.noise = noise / weights
	}
}

// fitRounds is the number of rounds of the fit, whose weights depend on its
// result.
const fitRounds = 4

// certainty is the number of variances of a that it has to stand above zero to
// count as half. Levels share pixels, so the variance that levels without
// common errors would have is too small; 3 was found on simulated even scenes.
const certainty = 3

// fit finds the variogram: for each exponent
//
//	a = sum W g phi / sum W phi^2,    W = sum w / (a phi + D)^2
//
// over the levels, phi being the mean h^p of a level and D the noise variance;
// then the exponent with the least sum W (g - a phi)^2. In mere noise a would
// be above zero half of the time, so it is drawn towards zero by the factor
// 1 - 3 Var(a)/a^2, or 0 (a positive-part James-Stein estimate), where
// Var(a) = (D^2/n) / sum phi^2 and n is the number of independent pairs.
func (s *levelSums) fit(g *geometry, c *cell) variogram {
	best, least := variogram{power: g.powers[0]}, -1.0
	for e, phi := range c.phi {
		squares := 0.0
		for _, p := range phi {
			squares += p * p
		}
		doubt := certainty * s.noise * s.noise / (c.pairs * squares)
		a := 0.0
		for range fitRounds {
			if a = s.leastSquares(phi, a); a > 0 {
				a *= max(0, 1-doubt/(a*a))
			}
		}
		if misfit := s.misfit(phi, a); least < 0 || misfit < least {
			best, least = variogram{a, g.powers[e]}, misfit
		}
	}
	return best
}

// leastSquares fits a, at least 0, with weights by the a before.
func (s *levelSums) leastSquares(phi []float64, before float64) float64 {
	var top, bottom float64
	for i, p := range phi {
		e := before*p + s.noise
		w := s.weight[i] / (e * e)
		top += w * s.half[i] * p
		bottom += w * p * p
	}
	if !(top > 0) {
		return 0
	}
	return top / bottom
}

// misfit is the weighted sum of squares of what the fit leaves.
func (s *levelSums) misfit(phi []float64, a float64) float64 {
	sum := 0.0
	for i, p := range phi {
		d := (s.half[i] - a*p) / (a*p + s.noise)
		sum += s.weight[i] * d * d
	}
	return sum
}
