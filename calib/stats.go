package calib

import (
	"cmp"
	"math"
	"slices"
)

// madToSigma turns the median absolute deviation of a normal distribution
// into its standard deviation: 1/Phi^-1(3/4).
const madToSigma = 1.4826022185056018

// Number is what the estimators here accept.
type Number interface{ ~float32 | ~float64 }

// Median returns the median of x, the mean of the middle two for an even
// number. It reorders x, which must hold no NaN. Empty x gives NaN.
func Median[T Number](x []T) T {
	n := len(x)
	if n == 0 {
		return T(math.NaN())
	}
	if f, ok := any(x).([]float32); ok && (n >= manySamples || n <= fewSamples) {
		return T(medianByKeys(f))
	}
	hi := selectKth(x, n/2)
	if n%2 == 1 {
		return hi
	}
	return (slices.Max(x[:n/2]) + hi) / 2
}

// selectKth moves the k-th smallest element (from 0) to x[k], smaller ones
// before it and larger ones after it, and returns it (Hoare's FIND with the
// median of three as pivot).
func selectKth[T cmp.Ordered](x []T, k int) T {
	lo, hi := 0, len(x)-1
	for hi-lo > 12 {
		mid := lo + (hi-lo)/2
		if x[mid] < x[lo] {
			x[mid], x[lo] = x[lo], x[mid]
		}
		if x[hi] < x[lo] {
			x[hi], x[lo] = x[lo], x[hi]
		}
		if x[hi] < x[mid] {
			x[hi], x[mid] = x[mid], x[hi]
		}
		pivot := x[mid]
		i, j := lo, hi
		for i <= j {
			for x[i] < pivot {
				i++
			}
			for pivot < x[j] {
				j--
			}
			if i <= j {
				x[i], x[j] = x[j], x[i]
				i++
				j--
			}
		}
		switch {
		case k <= j:
			hi = j
		case k >= i:
			lo = i
		default:
			return x[k]
		}
	}
	for i := lo + 1; i <= hi; i++ {
		for j := i; j > lo && x[j] < x[j-1]; j-- {
			x[j], x[j-1] = x[j-1], x[j]
		}
	}
	return x[k]
}

// MedianMAD returns the median of x and the standard deviation that its
// median absolute deviation stands for in normal noise. It reorders and
// overwrites x, which must hold no NaN.
func MedianMAD[T Number](x []T) (median, sigma T) {
	median = Median(x)
	for i, v := range x {
		x[i] = T(math.Abs(float64(v - median)))
	}
	return median, Median(x) * madToSigma
}

// Clipped is a mean after outliers were left out.
type Clipped struct {
	Mean  float64
	Sigma float64 // standard deviation of the kept samples, n-1 in the denominator
	N     int     // samples kept
}

// ClippedMean leaves out the samples further than k robust standard
// deviations (MAD) from the median, once, and returns mean and standard
// deviation of the rest. For normal noise and k = 4 the standard deviation
// of the rest is 0.05 % too small, since 2 k phi(k) of the variance lies
// beyond the limit; the mean is not biased. x is overwritten.
func ClippedMean(x []float64, k float64) Clipped {
	keep := slices.Clone(x)
	median, sigma := MedianMAD(x)
	n := 0
	for _, v := range keep {
		if math.Abs(v-median) <= k*sigma {
			keep[n] = v
			n++
		}
	}
	return meanOf(keep[:n])
}

// meanOf returns mean, standard deviation and number of x.
func meanOf(x []float64) Clipped {
	c := Clipped{Mean: math.NaN(), Sigma: math.NaN(), N: len(x)}
	if len(x) == 0 {
		return c
	}
	sum := 0.0
	for _, v := range x {
		sum += v
	}
	c.Mean = sum / float64(len(x))
	if len(x) > 1 {
		q := 0.0
		for _, v := range x {
			q += (v - c.Mean) * (v - c.Mean)
		}
		c.Sigma = math.Sqrt(q / float64(len(x)-1))
	}
	return c
}
