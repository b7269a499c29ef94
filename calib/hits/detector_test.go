package hits

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"evenlight/calib"
)

func newImageRaster(size int) *calib.Raster { return calib.NewRaster(size, size) }

// block is the whole frame as a block.
func (o *observed) block() *calib.Block {
	return &calib.Block{Raster: o.Raster, ImageRows: o.size}
}

// quads is a mosaic of three bands, size pixels wide.
func quads(size int) *calib.BandMap {
	return calib.NewMosaicMap(size, size, [][]uint8{{1, 0}, {2, 1}}, 3)
}

// threeStrips has rows without a band between its strips.
func threeStrips(size int) *calib.BandMap {
	rows := make([]uint8, size)
	for y := range rows {
		rows[y] = uint8(min(2, 3*y/size))
		if y%(size/3) == 0 {
			rows[y] = calib.NoBand
		}
	}
	return calib.NewStripMap(size, rows, 3)
}

// inBands gives the pixels of each band a share of the light.
func (im image) inBands(m *calib.BandMap, share ...float64) image {
	out := newImage(im.size, 0)
	for i, e := range im.e {
		if b := m.Row(i / im.size)[i%im.size]; b != calib.NoBand {
			out.e[i] = e * share[b]
		}
	}
	return out
}

func mapped(m *calib.BandMap) Options {
	opt := usual(2)
	opt.Map = m
	opt.PerElectron = []float64{1, 1, 1}
	return opt
}

// What is found does not depend on how the frame is cut into blocks, nor on
// what lay in the memory before.
func TestBlocksDoNotChangeWhatIsFound(t *testing.T) {
	src := rand.NewPCG(1, 2)
	r := rand.New(src)
	const size = 128
	for _, c := range []struct {
		name string
		m    *calib.BandMap
	}{{"alike", nil}, {"mosaic", quads(size)}, {"strips", threeStrips(size)}} {
		name, m := c.name, c.m
		opt := usual(2)
		if m != nil {
			opt = mapped(m)
		}
		im := ground(size, 2, 5000, 3)
		hit := strike(im, shapes[4], 25)
		for i, e := range strike(im, shapes[3], 12) {
			hit[(i+8*size+8)%len(hit)] += e
		}
		o := observe(t, im, hit, m, r, src)
		for range 40 {
			o.Flags[r.IntN(len(o.Flags))] |= calib.Hot
		}
		clean := slices.Clone(o.Flags)
		want := slices.Clone(find(t, o, opt))
		if n := count(want); n < 50 {
			t.Fatalf("%s: only %d pixels found", name, n)
		}
		d, err := NewDetector(opt)
		if err != nil {
			t.Fatal(err)
		}
		w, halo := d.Worker(), d.Halo()
		for y0 := 0; y0 < size; {
			y1 := min(size, y0+1+r.IntN(20))
			top, bottom := max(0, y0-halo), min(size, y1+halo)
			b := &calib.Block{Top: top, ImageRows: size, Raster: calib.Raster{Width: size, Height: bottom - top,
				Value:    slices.Clone(o.Value[top*size : bottom*size]),
				Variance: slices.Clone(o.Variance[top*size : bottom*size]),
				Flags:    slices.Clone(clean[top*size : bottom*size])}}
			w.Apply(b, y0, y1)
			for y := top; y < bottom; y++ {
				for x := range size {
					got := b.Flags[b.At(y)+x]&calib.Hit != 0
					if inside := y >= y0 && y < y1; got != (want[y*size+x] && inside) {
						t.Fatalf("%s: column %d, row %d of rows %d to %d: %v", name, x, y, y0, y1, got)
					}
				}
			}
			y0 = y1
		}
	}
}

// Bad pixels, saturated ones and what spilled over from them are left alone,
// and their neighbours are not blamed.
func TestBadAndSaturatedPixelsAreLeftAlone(t *testing.T) {
	src := rand.NewPCG(4, 4)
	r := rand.New(src)
	const size = 128
	for _, c := range []struct {
		flag   calib.Flags
		factor float64 // of the value
	}{{calib.Hot, 3}, {calib.Dead, 0}, {calib.Low, 0.4}, {calib.Saturated, 8}, {calib.NearSaturated, 6}, {calib.Missing, math.NaN()}, {calib.NoCalibration, math.NaN()}, {calib.Mark, 0.1}} {
		im := newImage(size, 2000)
		o := observe(t, im, nil, nil, r, src)
		spoiled := 0
		for i := 300; i < len(o.Value); i += 97 {
			o.Value[i] *= float32(c.factor)
			o.Flags[i] |= c.flag
			if c.flag&calib.Unusable != 0 {
				o.Variance[i] = float32(math.NaN())
			}
			spoiled++
		}
		found := find(t, o, usual(2))
		// One alarm in a million pixels is the noise's.
		if n := count(found); n > 1 || spoiled < 100 {
			t.Errorf("%s: %d pixels flagged beside %d spoiled ones", c.flag, n, spoiled)
		}
	}
}

// Each colour of a mosaic is judged by its own: colours that differ by a factor
// raise no alarm, stars that light up all of them raise none, and hits are
// found in each.
func TestRatesUnderMosaics(t *testing.T) {
	src := rand.NewPCG(7, 7)
	r := rand.New(src)
	const size, frames = 256, 4
	m := quads(size)
	shares := []float64{0.5, 1, 0.3}
	opt := mapped(m)
	opt.Grey = shares
	alarms := func(im image) int {
		n := 0
		for range frames {
			n += count(find(t, observe(t, im.inBands(m, shares...), nil, m, r, src), opt))
		}
		return n
	}
	const pixels = frames * size * size
	for _, c := range []struct {
		name string
		im   image
		most float64
	}{
		{"even", newImage(size, 5000), 8},
		{"limb", limb(size, 2, 20000), 8},
		{"craters", ground(size, 2, 20000, 4), 5e-4 * pixels},
	} {
		n := alarms(c.im)
		t.Logf("mosaic, %s: %.1g false alarms a pixel", c.name, float64(n)/pixels)
		if float64(n) > c.most {
			t.Errorf("%s: %d false alarms, want %g at most", c.name, n, c.most)
		}
	}
	sky, stars := newImage(size, 20), 0
	for y := 8.0; y < size-8; y += 16 {
		for x := 8.0; x < size-8; x += 16 {
			sky.addStar(x+2*r.Float64(), y+2*r.Float64(), 2, math.Exp(math.Log(400)+r.Float64()*math.Log(500)))
			stars++
		}
	}
	n := alarms(sky)
	t.Logf("mosaic, stars of 2 pixels: %.2g pixels flagged a star", float64(n)/float64(frames*stars))
	if n > frames*stars/100 {
		t.Errorf("%d pixels flagged in %d stars", n, frames*stars)
	}
	line := "mosaic, single pixels found, %:"
	for _, k := range []float64{6, 8, 10, 15, 20, 30} {
		im := newImage(size, 5000).inBands(m, shares...)
		hit := strike(im, shapes[0], k)
		shifted := make([]float64, len(hit)) // so that every place of the pattern is struck
		for i, e := range hit {
			if e > 0 {
				j := i + r.IntN(2) + size*r.IntN(2)
				shifted[j] = k * math.Sqrt(im.e[j]+readNoiseE*readNoiseE)
			}
		}
		all, got := struck(shifted, find(t, observe(t, im, shifted, m, r, src), opt))
		line += fmt.Sprintf("  %gσ %.1f", k, 100*float64(got)/float64(all))
		if k >= 30 && float64(got) < 0.99*float64(all) {
			t.Errorf("%d of %d hits of %g sigma found", got, all, k)
		}
	}
	t.Log(line)
}

// A step of brightness from one strip of filters to the next is no hit, and
// rows that see no band are not searched.
func TestStrips(t *testing.T) {
	src := rand.NewPCG(8, 8)
	r := rand.New(src)
	const size = 120
	m := threeStrips(size)
	im := newImage(size, 10000).inBands(m, 1, 0.05, 0.6)
	if n := count(find(t, observe(t, im, nil, m, r, src), mapped(m))); n > 1 {
		t.Errorf("%d false alarms", n)
	}
	hit := strike(im, shapes[0], 20)
	for i := range hit {
		if m.Row(i / size)[i%size] == calib.NoBand {
			hit[i] = 0
		}
	}
	o := observe(t, im, hit, m, r, src)
	found := find(t, o, mapped(m))
	if all, got := struck(hit, found); got < all {
		t.Errorf("%d of %d hits found", got, all)
	}
	for i, f := range found {
		if f && m.Row(i / size)[i%size] == calib.NoBand {
			t.Errorf("pixel %d sees no band and is flagged", i)
		}
	}
}

// A pixel that was struck, or has more dark charge than its neighbours, is judged
// by the noise that it has without the hit: the shot noise of the hit
// itself does not hide it, and that of the dark charge does not make it one.
func TestOwnVariance(t *testing.T) {
	d, err := NewDetector(usual(2))
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		name              string
		own, excess, most float32
		want              float32
	}{
		{"stands out, by its own count", 50 + 500, 500, 50, 50},
		{"does not stand out", 60, 20, 50, 60},
		{"much dark charge beside little", 900, 100, 50, 900},
		{"much dark charge and a hit", 900 + 1000, 1000, 50, 900},
		{"below its neighbours", 50, -300, 50, 50},
	} {
		o := &observed{size: 1, Raster: *newImageRaster(1)}
		o.Variance[0] = c.own
		w := &worker{Detector: d, b: o.block()}
		if got := w.ownVariance(0, 0, 0, c.excess, c.most); got != c.want {
			t.Errorf("%s: %g, want %g", c.name, got, c.want)
		}
	}
}

func TestOptionsAreChecked(t *testing.T) {
	for name, spoil := range map[string]func(*Options){
		"sigma": func(o *Options) { o.Sigma = 2 }, "sharp": func(o *Options) { o.SharpSigma = -1 }, "grow": func(o *Options) { o.GrowSigma = math.NaN() },
		"width": func(o *Options) { o.FWHMPixels = 0.5 }, "colour": func(o *Options) { o.Colour = 0 },
		"units": func(o *Options) { o.PerElectron = nil }, "grey": func(o *Options) { o.Grey = []float64{1, 1} },
	} {
		o := usual(2)
		spoil(&o)
		if _, err := NewDetector(o); err == nil {
			t.Errorf("%s: no error", name)
		}
	}
}
