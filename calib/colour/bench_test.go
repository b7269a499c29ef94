package colour

import (
	"compress/zlib"
	"fmt"
	"io"
	"testing"

	"evenlight/calib"
)

// scene is a smooth invented moon in three bands with grain, 2048 x 2048 in
// the benchmarks: the sun low in the east, some dust, a few lost pixels.
func scene(width, height int) []*calib.Raster {
	bands := []*calib.Raster{calib.NewRaster(width, height), calib.NewRaster(width, height), calib.NewRaster(width, height)}
	state := uint32(1)
	for j, b := range bands {
		for i := range b.Value {
			x, y := float32(i%width)/float32(width), float32(i/width)/float32(height)
			state = state*1664525 + 1013904223
			grain := float32(state>>8)/(1<<24) - 0.5
			b.Value[i] = (0.05+0.6*x)*(1-0.3*y) + 0.1*float32(j)*x*y + 0.01*grain
			b.Variance[i] = 0.01 * 0.01 / 12
			if state>>20 == 77 {
				b.Value[i], b.Flags[i] = nan(), calib.Missing
			}
		}
	}
	return bands
}

func rgbBands() []Response {
	return []Response{Gaussian("blue", 450, 80), Gaussian("green", 550, 80), Gaussian("red", 640, 80)}
}

func BenchmarkRender(b *testing.B) {
	bands := scene(2048, 2048)
	t, err := Matrix(rgbBands(), D65())
	if err != nil {
		b.Fatal(err)
	}
	m, err := NewMixer(t.RGB, SunWhite(3), calib.Unusable)
	if err != nil {
		b.Fatal(err)
	}
	e, err := NewEncoder(FullRange())
	if err != nil {
		b.Fatal(err)
	}
	for _, workers := range []int{1, 2} {
		b.Run(fmt.Sprintf("%dworkers", workers), func(b *testing.B) {
			p := NewPicture(2048, 2048)
			b.ReportAllocs()
			for b.Loop() {
				if err := p.Render(m, e, bands, workers); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
	b.Run("2workers_new_picture", func(b *testing.B) {
		for b.Loop() {
			if err := NewPicture(2048, 2048).Render(m, e, bands, 2); err != nil {
				b.Fatal(err)
			}
		}
	})
	p := NewPicture(2048, 2048)
	if err := p.Mix(m, bands, 2); err != nil {
		b.Fatal(err)
	}
	b.Run("auto_stretch", func(b *testing.B) {
		for b.Loop() {
			if _, err := AutoStretch(p, DefaultPercentiles()); err != nil {
				b.Fatal(err)
			}
		}
	})
	b.Run("ratio", func(b *testing.B) {
		for b.Loop() {
			Expression{0, 1}.Of(bands, 2)
		}
	})
}

func BenchmarkEncodePNG(b *testing.B) {
	p := NewPicture(2048, 2048)
	t, err := Matrix(rgbBands(), D65())
	if err != nil {
		b.Fatal(err)
	}
	m, err := NewMixer(t.RGB, SunWhite(3), calib.Unusable)
	if err != nil {
		b.Fatal(err)
	}
	e, err := NewEncoder(FullRange())
	if err != nil {
		b.Fatal(err)
	}
	if err := p.Render(m, e, scene(2048, 2048), 2); err != nil {
		b.Fatal(err)
	}
	for _, level := range []int{zlib.BestSpeed, zlib.DefaultCompression} {
		b.Run(fmt.Sprintf("16bit_level%d", level), func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				if err := EncodePNG(io.Discard, p.Deep, nil, level); err != nil {
					b.Fatal(err)
				}
			}
		})
		b.Run(fmt.Sprintf("8bit_level%d", level), func(b *testing.B) {
			for b.Loop() {
				if err := EncodePNG(io.Discard, p.Plain, nil, level); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}
