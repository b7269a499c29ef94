package plots

import "testing"

func BenchmarkSVG(b *testing.B) { benchmark(b, (*Figure).SVG) }

func BenchmarkPNG(b *testing.B) { benchmark(b, (*Figure).PNG) }

func benchmark(b *testing.B, draw func(*Figure) ([]byte, error)) {
	for b.Loop() {
		f, err := sampleTransfer([]string{"A", "B"}).Draw()
		if err != nil {
			b.Fatal(err)
		}
		if _, err := draw(f); err != nil {
			b.Fatal(err)
		}
	}
}
