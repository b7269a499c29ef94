package calib

import "math"

// CodeNoise is the noise of the samples before they were turned into codes:
// at a level v the variance is ReadDN^2 + max(v-ZeroDN, 0)/GainEPerDN, DN^2.
type CodeNoise struct {
	ZeroDN     float64 // level without charge
	ReadDN     float64 // read noise
	GainEPerDN float64
}

func (n CodeNoise) sigma(level float64) float64 {
	return math.Sqrt(n.ReadDN*n.ReadDN + max(level-n.ZeroDN, 0)/n.GainEPerDN)
}

// Unbias finds what each code stands for, given the noise.
//
// The middle C[k] of a bin is the mean of the samples in it only where their
// density is even over the bin. Where bins are as wide as the noise and of
// unlike widths, as those of a square-root table that are rounded to whole DN,
// the mean of the middles over samples of mean mu,
//
//	M(mu) = sum_k P(k | mu) C[k],  P(k | mu) = Phi((b_k-mu)/sigma) - Phi((a_k-mu)/sigma)
//
// departs from mu, with a_k and b_k the limits of the bin and sigma the noise
// at mu. The corrected C' has M'(mu) = mu at the middles of the bins; it is
// found by van Cittert's iteration C' += C - P C' (van Cittert 1931, Z. Phys.
// 69, 298, from memory), of which codeSteps bring most of what noise of half a
// bin lets through. Between the middles a ripple stays, of relative amplitude
// exp(-2 pi^2 sigma^2/w^2)/pi of a bin: with a noise of half a bin 0.002 w, of
// a quarter 0.09 w.
//
// The variance of rounding stays w_k^2/12 of the code's own bin. That is right
// on average over the levels of a few codes; at single levels the true one
// departs by a third of it either way where widths alternate. A variance that
// followed it would have to know the level better than one code tells it.
func (t *CodeTable) Unbias(noise CodeNoise) {
	t.Mean = append([]float64(nil), t.DN...)
	shares := make([]codeShares, len(t.DN))
	for k, level := range t.DN {
		shares[k] = t.shares(level, noise.sigma(level))
	}
	next := make([]float64, len(t.DN))
	for range codeSteps {
		for k, s := range shares {
			next[k] = t.Mean[k]
			if s.whole {
				next[k] += t.DN[k] - s.mean(t.Mean)
			}
		}
		copy(t.Mean, next)
	}
}

// codeSteps is the number of steps of the iteration.
const codeSteps = 4

// codeReach is the distance from a level, in sigmas, within which codes count.
const codeReach = 6

// codeShares are the probabilities of the codes from first on.
type codeShares struct {
	first int
	p     []float64
	whole bool // the table holds all of them; if not, the code keeps its middle
}

// shares returns the probabilities of the codes of samples with a normal
// distribution.
func (t *CodeTable) shares(level, sigma float64) codeShares {
	s := codeShares{first: -1}
	sum := 0.0
	for k, c := range t.DN {
		a, b := (c-t.Width[k]/2-level)/sigma, (c+t.Width[k]/2-level)/sigma
		if b < -codeReach || a > codeReach {
			continue
		}
		if s.first < 0 {
			s.first = k
		}
		p := (math.Erf(b/math.Sqrt2) - math.Erf(a/math.Sqrt2)) / 2
		s.p = append(s.p, p)
		sum += p
	}
	for i := range s.p {
		s.p[i] /= sum
	}
	s.whole = sum > 1-1e-6
	return s
}

// mean returns the mean of one number for each code.
func (s codeShares) mean(v []float64) float64 {
	sum := 0.0
	for i, p := range s.p {
		sum += p * v[s.first+i]
	}
	return sum
}
