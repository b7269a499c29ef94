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

// medianByKeys is [Median] of few samples or of many. x keeps its order.
func medianByKeys(x []float32) float32 {
	if len(x) <= fewSamples {
		return medianOfFew(x)
	}
	return medianOfMany(x)
}

// fewSamples is the number of samples up to which swapping neighbours without
// branches costs less than dividing them.
const fewSamples = 24

// medianOfFew lets the largest of the samples rise to the end, then the largest
// of the rest, until the middle is reached.
func medianOfFew(x []float32) float32 {
	var keys [fewSamples]int32
	k := keys[:len(x)]
	for i, v := range x {
		k[i] = OrderKey(v)
	}
	middle := len(k) / 2
	for end := len(k) - 1; end >= max(0, middle-1); end-- {
		high := k[0]
		for i := 1; i <= end; i++ {
			v := k[i]
			k[i-1], high = min(v, high), max(v, high)
		}
		k[end] = high
	}
	hi := FromOrderKey(k[middle])
	if len(k)%2 == 1 {
		return hi
	}
	return (FromOrderKey(k[middle-1]) + hi) / 2
}

// manySamples is the number of samples from which counting them by the leading
// bits of their keys costs less than putting them in order.
const manySamples = 4096

// keyBits are the leading bits of a key that samples are counted by: sign,
// exponent and three bits of the mantissa. Their counts fit the first cache.
const keyBits = 12

// medianOfMany counts the samples by their leading bits. Only those that share
// them with the middle are looked at again.
func medianOfMany(x []float32) float32 {
	var count [1 << keyBits]int32
	for _, v := range x {
		count[leading(v)]++
	}
	before, within := shareOf(x, &count, len(x)/2)
	k := len(x)/2 - before
	hi := selectKth(within, k)
	if len(x)%2 == 1 {
		return hi
	}
	if k == 0 {
		_, within = shareOf(x, &count, len(x)/2-1)
		return (slices.Max(within) + hi) / 2
	}
	return (slices.Max(within[:k]) + hi) / 2
}

// shareOf returns the samples that share their leading bits with the k-th
// smallest (from 0), and the number of smaller ones.
func shareOf(x []float32, count *[1 << keyBits]int32, k int) (before int, within []float32) {
	bin := 0
	for k >= before+int(count[bin]) {
		before += int(count[bin])
		bin++
	}
	within = make([]float32, count[bin]+1) // one place for those that are passed over
	n := 0
	for _, v := range x {
		within[n] = v
		if leading(v) == bin { // becomes an addition, not a branch
			n++
		}
	}
	return before, within[:n]
}

// leading are the leading bits of a sample's key, counted from 0.
func leading(v float32) int {
	return int(uint32(OrderKey(v))>>(32-keyBits)) ^ 1<<(keyBits-1)
}
