package measure

import "math"

// clipSigmas is the distance from a robust centre, in robust sigmas, beyond
// which a pixel counts as hit or bad. Of normal noise one pixel in 1.7 million
// lies beyond.
const clipSigmas = 5

// leastSteps keeps the limit at this many steps of the converter at least:
// where the noise is smaller than a step most differences are equal, and a
// robust sigma says little.
const leastSteps = 4

// triples is the number of groups of three from which centre and spread of a
// block are taken.
const triples = 64

// middleOfThree is the mean of the median of three |z|, z standard normal:
// integral of 6 x F (1-F) F' with F = erf(x/sqrt 2), computed numerically.
const middleOfThree = 0.732363990729319

// window is a range of values that belong to a block.
type window struct{ centre, reach float32 }

// holds tells whether v lies within; NaN does not.
func (w window) holds(v float32) bool {
	return abs(v-w.centre) <= w.reach
}

// windowOf returns centre +- clipSigmas sigma of a block, with the centre the
// mean of medians of three values, and sigma from the mean of medians of three
// departures. The three stand a third of the block apart, so that a hit
// that covers several neighbours spoils no median. Against a share p of
// outliers of size A sigma, sigma grows by 3 p^2 A at most; its own scatter is
// about 6 %. Fewer than three values cannot be judged, and all of them belong.
func windowOf(x []float32, step float64) window {
	third := len(x) / 3
	if third == 0 {
		return window{0, float32(math.Inf(1))}
	}
	stride := max(1, third/triples)
	centre, n := 0.0, 0
	for j := 0; j < third; j += stride {
		if m := middle(x[j], x[j+third], x[j+2*third]); m == m {
			centre += float64(m)
			n++
		}
	}
	c := float32(centre / float64(max(n, 1)))
	spread := 0.0
	for j := 0; j < third; j += stride {
		if m := middle(abs(x[j]-c), abs(x[j+third]-c), abs(x[j+2*third]-c)); m == m {
			spread += float64(m)
		}
	}
	sigma := spread / float64(max(n, 1)) / middleOfThree
	return window{c, float32(max(clipSigmas*sigma, leastSteps*step))}
}

// middle returns the median of three, NaN where one of them is.
func middle(a, b, c float32) float32 {
	return max(min(a, b), min(max(a, b), c))
}

func abs(v float32) float32 { return math.Float32frombits(math.Float32bits(v) &^ (1 << 31)) }

// clippedShare is the part of the variance of normal noise that is lost when
// what lies beyond k sigma is left out: 2 k phi(k) / (2 Phi(k) - 1), 1.5e-5
// for 5 sigma.
func clippedShare(k float64) float64 {
	return 2 * k * math.Exp(-k*k/2) / math.Sqrt(2*math.Pi) / math.Erf(k/math.Sqrt2)
}
