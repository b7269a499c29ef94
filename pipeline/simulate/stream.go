package simulate

import "math/rand/v2"

// purpose keeps the random streams of unlike effects apart, so that switching
// one effect off leaves all the others as they were.
type purpose uint64

const (
	forColumns purpose = iota + 1
	forRows
	forPattern
	forOverscanLevel
	forDark
	forHot
	forTelegraph
	forDefects
	forDeadColumn
	forResponse
	forBandResponse
	forDust
	forBandDust
	forLinearity
	forBend
	forDrift
	forCosmic
	forReadout
	forLandscape
	forLamp
	forTemperature
	forMaskedDark
	forMaskedCosmic
	forPatches
	forPits
	forPointing
)

// newStream returns the generator of one effect; a and b number the frame,
// the row, the amplifier or the band that it serves.
func newStream(seed uint64, p purpose, a, b uint64) *rand.PCG {
	high := scramble(scramble(seed+uint64(p)*0x9e3779b97f4a7c15) ^ a)
	low := scramble(high ^ scramble(b+0x9e3779b97f4a7c15))
	return rand.NewPCG(high, low)
}

// scramble is the finalizer of SplitMix64 (Steele, Lea & Flood 2014, "Fast
// splittable pseudorandom number generators", constants from memory). PCG
// states that differ in a few low bits give related first outputs; scrambled
// ones do not.
func scramble(z uint64) uint64 {
	z = (z ^ z>>30) * 0xbf58476d1ce4e5b9
	z = (z ^ z>>27) * 0x94d049bb133111eb
	return z ^ z>>31
}

// between draws a number evenly from [low, high).
func between(r *rand.Rand, low, high float64) float64 {
	return low + (high-low)*r.Float64()
}
