package fitsutil

import (
	"math/rand/v2"
	"os"
	"path/filepath"
	"testing"
)

// The benchmarks work on one band of 512 rows x 512 samples, which stays in
// the cache of the processor.
const benchSamples = 512 * 512

func randomBytes(n int) []byte {
	random := rand.New(rand.NewPCG(1, 2))
	b := make([]byte, n)
	for i := range b {
		b[i] = byte(random.Uint32())
	}
	return b
}

func BenchmarkDecodeFloat32(b *testing.B) {
	cases := []struct {
		name string
		hdu  HDU
	}{
		{"uint16", HDU{Bitpix: 16, Scale: 1, Zero: 32768}},
		{"int16", HDU{Bitpix: 16, Scale: 1}},
		{"int16 scaled", HDU{Bitpix: 16, Scale: 0.25, Zero: 100}},
		{"float32", HDU{Bitpix: -32, Scale: 1}},
		{"float64", HDU{Bitpix: -64, Scale: 1}},
	}
	dst := make([]float32, benchSamples)
	for _, c := range cases {
		b.Run(c.name, func(b *testing.B) {
			src := make([]byte, benchSamples*sampleBytes(c.hdu.Bitpix))
			b.SetBytes(int64(len(src)))
			for b.Loop() {
				if err := c.hdu.DecodeFloat32(dst, src); err != nil {
					b.Fatal(err)
				}
			}
			b.ReportMetric(benchSamples*float64(b.N)/b.Elapsed().Seconds()/1e6, "Msample/s")
		})
	}
}

func BenchmarkEncodeFloat32(b *testing.B) {
	src := make([]float32, benchSamples)
	dst := make([]byte, 4*benchSamples)
	b.SetBytes(int64(len(dst)))
	for b.Loop() {
		EncodeFloat32(dst, src)
	}
	b.ReportMetric(benchSamples*float64(b.N)/b.Elapsed().Seconds()/1e6, "Msample/s")
}

func BenchmarkEncodeUint16Offset(b *testing.B) {
	src := make([]uint16, benchSamples)
	dst := make([]byte, 2*benchSamples)
	b.SetBytes(int64(len(dst)))
	for b.Loop() {
		EncodeUint16Offset(dst, src)
	}
	b.ReportMetric(benchSamples*float64(b.N)/b.Elapsed().Seconds()/1e6, "Msample/s")
}

func BenchmarkChecksum(b *testing.B) {
	data := randomBytes(1 << 18)
	b.SetBytes(int64(len(data)))
	for b.Loop() {
		Checksum(data, 0)
	}
}

func BenchmarkParseHeader(b *testing.B) {
	h := NewHeader()
	for _, key := range []string{"EXPDUR", "FPATEMP", "OBSTIME", "FILTPOS", "TGTNAME"} {
		for range 20 {
			h.entries = append(h.entries, mustCards(b, key, 12.5, "a comment")...)
		}
	}
	block := h.Encode()
	b.SetBytes(int64(len(block)))
	for b.Loop() {
		if _, err := ParseHeader(block, "bench", 0); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkReadAll(b *testing.B) {
	path := filepath.Join(b.TempDir(), "frame")
	if err := os.WriteFile(path, randomBytes(8<<20), 0o600); err != nil {
		b.Fatal(err)
	}
	var buf []byte
	b.SetBytes(8 << 20)
	for b.Loop() {
		data, _, err := ReadAll(path, buf, 1<<30)
		if err != nil {
			b.Fatal(err)
		}
		buf = data
	}
}

// mustCards returns the entries of a header with one card.
func mustCards(tb testing.TB, key string, value any, comment string) []entry {
	tb.Helper()
	h := NewHeader()
	if err := h.Set(key, value, comment); err != nil {
		tb.Fatal(err)
	}
	return h.entries
}
