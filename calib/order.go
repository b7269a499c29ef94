package calib

import (
	"math"
	"slices"
)

// OrderKey turns a sample into a whole number that grows with it, so that
// samples can be ordered without branches, which would be mispredicted half of
// the time. Positive NaN is above all.
func OrderKey(v float32) int32 {
	b := int32(math.Float32bits(v))
	return b ^ int32(uint32(b>>31)>>1)
}

// FromOrderKey is the sample again.
func FromOrderKey(k int32) float32 {
	return math.Float32frombits(uint32(k ^ int32(uint32(k>>31)>>1)))
}

// manySamples is the number of samples from which counting them by the leading
// bits of their keys costs less than putting them in order.
const manySamples = 4096

// keyBits are the leading bits of a key that samples are counted by: sign,
// exponent and three bits of the mantissa. Their counts fit the first cache.
const keyBits = 12

// medianOfMany is [Median] of many samples: all are counted, and only those
// that share their leading bits with the middle are looked at again. x keeps
// its order.
func medianOfMany(x []float32) float32 {
	var count [1 << keyBits]int32
	for _, v := range x {
		count[leading(v)]++
	}
	hi := kthOf(x, &count, len(x)/2)
	if len(x)%2 == 1 {
		return hi
	}
	return (kthOf(x, &count, len(x)/2-1) + hi) / 2
}

// kthOf is the k-th smallest sample (from 0) of x, counted by leading bits.
func kthOf(x []float32, count *[1 << keyBits]int32, k int) float32 {
	bin := 0
	for k >= int(count[bin]) {
		k -= int(count[bin])
		bin++
	}
	within := make([]float32, 0, count[bin])
	for _, v := range x {
		if leading(v) == bin {
			within = append(within, v)
		}
	}
	if k == len(within)-1 {
		return slices.Max(within)
	}
	return selectKth(within, k)
}

// leading are the leading bits of a sample's key, counted from 0.
func leading(v float32) int {
	return int(uint32(OrderKey(v))>>(32-keyBits)) ^ 1<<(keyBits-1)
}
