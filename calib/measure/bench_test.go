package measure

import "testing"

// Each benchmark takes rows of 2048 pixels; bytes are those of the float32
// samples.
const benchPixels = 2048

func BenchmarkPairSums(b *testing.B) {
	v, w := noisePair(9, benchPixels, 1000, 30)
	b.SetBytes(2 * 4 * benchPixels)
	var p PairSums
	for b.Loop() {
		p.Add(v, w)
	}
}

func BenchmarkSpatial(b *testing.B) {
	v, _ := noisePair(11, benchPixels, 100, 4)
	s := NewSpatial(benchPixels)
	b.SetBytes(4 * benchPixels)
	for b.Loop() {
		s.AddRow(0, 1, v)
	}
}

func BenchmarkTilt(b *testing.B) {
	v, _ := noisePair(12, benchPixels, 100, 4)
	var t Tilt
	b.SetBytes(4 * benchPixels)
	for b.Loop() {
		t.AddRow(0, 1, 3, v)
	}
}

func BenchmarkDistribution(b *testing.B) {
	v := rates(13, 1<<20, 0.1)
	b.SetBytes(4 << 20)
	for b.Loop() {
		NewDistribution(v).Quantile(0.5)
	}
}
