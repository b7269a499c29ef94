package hits

import (
	"math"
	"testing"
)

// The smallest ratios are no larger than those that the formula gives for a
// point in the middle of a pixel: q = 2^(-4/w^2) beside it, q^4 and q^5 on the
// sides of the background; and for a diagonal pair q^2, q^8 and q^5 in its
// corners.
func TestRatiosOfAPointInTheMiddle(t *testing.T) {
	for _, w := range []float64{1, 1.2, 1.5, 1.8, 2, 3, 5} {
		straight, slant := SharpestRatios(w)
		q := math.Exp2(-4 / (narrower * w * narrower * w))
		b := (math.Pow(q, 4) + 2*math.Pow(q, 5)) / 3
		if most := (q - b) / (1 - b); straight > most || straight < 0.8*most {
			t.Errorf("points of %g pixels: ratio %.4f, want little below %.4f", w, straight, most)
		}
		b = min(b, (math.Pow(q, 8)+2*math.Pow(q, 5))/3)
		if most := (q*q - b) / (1 - b); slant > most || slant < 0.8*most {
			t.Errorf("points of %g pixels: ratio along diagonals %.4f, want little below %.4f", w, slant, most)
		}
	}
}

// Every image through points of the stated width keeps the ratios: each pixel
// of a limb, of craters and of stars, without noise.
func TestImagesKeepTheRatios(t *testing.T) {
	stars := newImage(128, 0)
	for k := range 60 {
		stars.addStar(10+float64(k*37%108)+0.13*float64(k%8), 10+float64(k*53%108)+0.17*float64(k%7), 2, 1000)
	}
	for name, im := range map[string]image{"limb": limb(128, 2, 1000), "stars": stars} {
		straight, _ := SharpestRatios(2)
		o := &observed{size: im.size, Raster: *newImageRaster(im.size)}
		for i, e := range im.e {
			o.Value[i], o.Variance[i] = float32(e), 1
		}
		d, err := NewDetector(usual(2))
		if err != nil {
			t.Fatal(err)
		}
		w := d.Worker().(*worker)
		w.b = o.block()
		w.load()
		tested := 0
		for y := 3; y < im.size-3; y++ {
			for x := 3; x < im.size-3; x++ {
				v := w.v[w.b.At(y)+x]
				b, _ := w.background(x, y, 0, grounds[:sides])
				if v-b.v < 10 {
					continue
				}
				tested++
				for _, p := range []mean{meanOf(w.like(x-1, y, 0), w.like(x+1, y, 0)), meanOf(w.like(x, y-1, 0), w.like(x, y+1, 0))} {
					if got := (p.v - b.v) / (v - b.v); float64(got) < straight {
						t.Errorf("%s, column %d, row %d: ratio %.3f, where an image has %.3f at least", name, x, y, got, straight)
					}
				}
			}
		}
		if tested < 100 {
			t.Errorf("%s: only %d pixels tested", name, tested)
		}
	}
}
