package align

import (
	"bytes"
	"encoding/binary"
	"math"
	"reflect"
	"testing"

	"evenlight/calib"
)

var kernels = []Kernel{Nearest, Bilinear, Cubic}

// filledBy makes an image of a function of the place.
func filledBy(width, height int, f func(x, y float64) float64) *calib.Raster {
	r := calib.NewRaster(width, height)
	for i := range r.Value {
		r.Value[i] = float32(f(float64(i%width), float64(i/width)))
		r.Variance[i] = 1
	}
	return r
}

// bits returns all of a raster's planes, NaN payloads included.
func bits(r *calib.Raster) []byte {
	var b bytes.Buffer
	for _, plane := range []any{r.Value, r.Variance, r.Flags} {
		if err := binary.Write(&b, binary.LittleEndian, plane); err != nil {
			panic(err)
		}
	}
	return b.Bytes()
}

// strange is an image of noise with every kind of flag, NaN and infinity.
func strange(seed uint64, width, height int) *calib.Raster {
	rng := newRand(seed)
	r := noisy(filled(width, height, 100, 0), 10, rng)
	for range width * height / 40 {
		i := rng.IntN(width * height)
		r.Flags[i] = 1 << rng.IntN(19)
		if r.Flags[i]&calib.Unusable != 0 {
			r.Variance[i] = math.Float32frombits(0x7fc01234)
		}
		switch rng.IntN(8) {
		case 0:
			r.Value[i] = math.Float32frombits(0x7fc05678)
		case 1:
			r.Value[i] = float32(math.Inf(-1))
		}
	}
	return r
}

func TestWholePixelsAreCopiedBitByBit(t *testing.T) {
	const width, height = 37, 41
	r := strange(1, width, height)
	for _, k := range kernels {
		for _, d := range [][2]int{{0, 0}, {1, 0}, {0, -1}, {-5, 7}, {36, -40}} {
			want := filled(width, height, float32(math.NaN()), calib.Missing)
			for i := range want.Value {
				want.Variance[i] = float32(math.NaN())
				x, y := i%width+d[0], i/width+d[1]
				if x >= 0 && x < width && y >= 0 && y < height {
					j := y*width + x
					want.Value[i], want.Variance[i], want.Flags[i] = r.Value[j], r.Variance[j], r.Flags[j]
				}
			}
			for _, tiny := range []float64{0, 9e-7, -9e-7} {
				got := Resample(r, float64(d[0])+tiny, float64(d[1])-tiny, k, 2)
				if !bytes.Equal(bits(got), bits(want)) {
					t.Errorf("%v by %v + %g: not the same bits", k, d, tiny)
				}
			}
		}
	}
}

func TestNothingComesFromOutside(t *testing.T) {
	r := filled(20, 10, 5, 0)
	for _, k := range kernels {
		for _, d := range []vector{{20, 0}, {0, -10}, {1e300, 0}, {math.NaN(), 0}, {0, math.Inf(1)}} {
			for i, f := range Resample(r, d.x, d.y, k, 1).Flags {
				if f&calib.Missing == 0 {
					t.Fatalf("%v by %v: pixel %d has the flags %v", k, d, i, f)
				}
			}
		}
	}
}

// Each kernel is exact for the polynomials that it is made for: Bilinear for
// x y, and Cubic for parabolas (Keys 1981).
func TestKernelsAreExactForTheirPolynomials(t *testing.T) {
	linear := func(x, y float64) float64 { return 3 + 0.5*x - 0.25*y + 0.125*x*y }
	parabola := func(x, y float64) float64 { return linear(x, y) + 0.0625*x*x - 0.03125*y*y + 0.015625*x*y*y }
	const size = 24
	for _, c := range []struct {
		kernel Kernel
		f      func(x, y float64) float64
	}{{Bilinear, linear}, {Cubic, linear}, {Cubic, parabola}} {
		r := filledBy(size, size, c.f)
		for _, d := range []vector{{0.3, 0}, {0, 0.7}, {-1.25, 2.5}} {
			out := Resample(r, d.x, d.y, c.kernel, 1)
			known := 0
			for i, v := range out.Value {
				if out.Flags[i]&calib.Missing != 0 {
					continue
				}
				known++
				want := c.f(float64(i%size)+d.x, float64(i/size)+d.y)
				if e := math.Abs(float64(v) - want); e > 1e-6*(100+math.Abs(want)) { // single precision
					t.Fatalf("%v by %v: pixel %d is %g, want %g", c.kernel, d, i, v, want)
				}
			}
			if known < (size-6)*(size-6) {
				t.Errorf("%v by %v: %d pixels only have a value", c.kernel, d, known)
			}
		}
	}
}

// The leading errors for a wave of w rad/px at the fraction f are
// w^2 f (1 - f) / 2 for Bilinear and, for Cubic, of the order w^3 (Keys 1981:
// its error is O(h^3)): half the frequency, a quarter or an eighth of the error.
func TestErrorsFallWithTheOrderOfTheKernel(t *testing.T) {
	worst := func(k Kernel, w, f float64) float64 {
		wave := func(x, _ float64) float64 { return math.Sin(w*x + 0.3) }
		out, e := Resample(filledBy(400, 4, wave), f, 0, k, 1), 0.0
		for x := 2; x < 396; x++ {
			e = max(e, math.Abs(float64(out.Value[x])-wave(float64(x)+f, 0)))
		}
		return e
	}
	const w, f = 0.3, 0.3
	if e, want := worst(Bilinear, w, f), w*w*f*(1-f)/2; math.Abs(e/want-1) > 0.05 {
		t.Errorf("bilinear: error %g, want %g", e, want)
	}
	if ratio := worst(Cubic, w, f) / worst(Cubic, w/2, f); ratio < 7 || ratio > 9 {
		t.Errorf("cubic: half the frequency leaves 1/%.2f of the error, want 1/8", ratio)
	}
}

func TestVarianceAndCorrelationAreThoseOfTheNoise(t *testing.T) {
	const size, sigma = 400, 3.0
	noise := noisy(calib.NewRaster(size, size), sigma, newRand(5))
	for _, c := range []struct {
		kernel Kernel
		dx, dy float64
	}{
		{Bilinear, 0.5, 0.5}, {Bilinear, 0.2, -3.9}, {Bilinear, 0.4, 2}, {Cubic, 0.5, 0.5}, {Cubic, -0.3, 7.1}, {Cubic, 1, 0.25}, {Nearest, 0.4, 0.2},
	} {
		out := Resample(noise, c.dx, c.dy, c.kernel, 2)
		lagX, lagY := Correlation(c.kernel, c.dx, c.dy)
		var squares, alongX, alongY, predicted, n float64
		for y := 10; y < size-10; y++ {
			for x := 10; x < size-10; x++ {
				i := y*size + x
				v := float64(out.Value[i])
				squares += v * v
				alongX += v * float64(out.Value[i+1])
				alongY += v * float64(out.Value[i+size])
				predicted += float64(out.Variance[i])
				n++
			}
		}
		// Correlated neighbours leave at least a ninth as many independent
		// terms; five standard deviations.
		if ratio, tolerance := squares/predicted, 5*math.Sqrt(2*9/n); math.Abs(ratio-1) > tolerance {
			t.Errorf("%v by %g, %g: variance is %.4f of the predicted", c.kernel, c.dx, c.dy, ratio)
		}
		tolerance := 5 * math.Sqrt(9/n)
		if gotX, gotY := alongX/squares, alongY/squares; math.Abs(gotX-lagX) > tolerance || math.Abs(gotY-lagY) > tolerance {
			t.Errorf("%v by %g, %g: correlation %.4f, %.4f, predicted %.4f, %.4f", c.kernel, c.dx, c.dy, gotX, gotY, lagX, lagY)
		}
	}
}

// Halfway, Bilinear has the weights 1/2, 1/2 and Cubic -1/16, 9/16, 9/16,
// -1/16 (Keys 1981), along either axis.
func TestVarianceHalfwayIsThatOfThePublishedWeights(t *testing.T) {
	flat := filled(16, 16, 5, 0)
	for i := range flat.Variance {
		flat.Variance[i] = 2
	}
	cubic := 2*9.0/16*9/16 + 2*1.0/16/16
	for _, c := range []struct {
		kernel   Kernel
		variance float64
		lag      float64
	}{
		{Bilinear, 2 * 0.5 * 0.5, 0.5},
		{Cubic, 2 * cubic * cubic, (-2*9.0/256 + 81.0/256) / cubic},
		{Nearest, 2, 0},
	} {
		out := Resample(flat, 0.5, 0.5, c.kernel, 1)
		i := 8*16 + 8
		if math.Abs(float64(out.Variance[i])-c.variance) > 1e-6 || math.Abs(float64(out.Value[i])-5) > 1e-5 {
			t.Errorf("%v: %g with variance %g, want 5 with %g", c.kernel, out.Value[i], out.Variance[i], c.variance)
		}
		if lagX, lagY := Correlation(c.kernel, 0.5, -1.5); math.Abs(lagX-c.lag) > 1e-12 || math.Abs(lagY-c.lag) > 1e-12 {
			t.Errorf("%v: correlation %g, %g, want %g", c.kernel, lagX, lagY, c.lag)
		}
	}
}

func TestFlagsPassWithTheWeights(t *testing.T) {
	const size, at = 12, 6 // the flagged pixel is (6, 6)
	nan := float32(math.NaN())
	for _, c := range []struct {
		name    string
		kernel  Kernel
		dx      float64
		value   float32
		flag    calib.Flags
		touched []int // x of the pixels of row 6 that take its flags
		want    calib.Flags
		absent  bool
	}{
		{"hot, bilinear", Bilinear, 0.5, 9, calib.Hot, []int{5, 6}, calib.Hot | calib.Interpolated, false},
		{"hot, cubic", Cubic, 0.5, 9, calib.Hot, []int{4, 5, 6, 7}, calib.Hot | calib.Interpolated, false},
		{"hot, whole", Cubic, 1, 9, calib.Hot, []int{5}, calib.Hot, false},
		{"hot, nearest", Nearest, 0.6, 9, calib.Hot, []int{5}, calib.Hot | calib.Interpolated, false},
		{"hot, small weight", Bilinear, 0.0005, 9, calib.Hot, []int{6}, calib.Hot | calib.Interpolated, false},
		{"saturated, bilinear", Bilinear, 0.5, 9, calib.Saturated, []int{5, 6}, calib.Saturated | calib.Missing | calib.Interpolated, true},
		{"saturated, nearest", Nearest, 0.6, 9, calib.Saturated, []int{5}, calib.Saturated | calib.Interpolated, false},
		{"missing, cubic", Cubic, 0.5, nan, calib.Missing, []int{4, 5, 6, 7}, calib.Missing | calib.Interpolated, true},
		{"missing and filled, cubic", Cubic, 0.5, 5, calib.Missing | calib.Filled, []int{4, 5, 6, 7}, calib.Missing | calib.Filled | calib.Interpolated, false},
		{"saturated and filled, bilinear", Bilinear, 0.5, 5, calib.Saturated | calib.Filled, []int{5, 6}, calib.Saturated | calib.Missing | calib.Interpolated, true},
		{"no flag, bilinear", Bilinear, 0.25, nan, 0, []int{5, 6}, calib.Missing | calib.Interpolated, true},
		{"missing, small weight", Bilinear, 0.0005, nan, calib.Missing, []int{6}, calib.Missing | calib.Interpolated, true},
	} {
		r := filledBy(size, size, func(_, _ float64) float64 { return 5 })
		r.Value[at*size+at], r.Flags[at*size+at] = c.value, c.flag
		out := Resample(r, c.dx, 0, c.kernel, 1)
		clean := calib.Flags(0)
		if c.dx != math.Round(c.dx) {
			clean = calib.Interpolated
		}
		touched := map[int]bool{}
		for _, x := range c.touched {
			touched[x] = true
		}
		for x := 2; x < size-3; x++ {
			i := at*size + x
			want := clean
			if touched[x] {
				want = c.want
			}
			if out.Flags[i] != want {
				t.Errorf("%s: pixel %d has %v, want %v", c.name, x, out.Flags[i], want)
			}
			if isNaN := math.IsNaN(float64(out.Value[i])); isNaN != (touched[x] && c.absent) {
				t.Errorf("%s: pixel %d is %g", c.name, x, out.Value[i])
			}
			if !touched[x] && math.Abs(float64(out.Value[i])-5) > 0.005 {
				t.Errorf("%s: pixel %d is %g, want 5", c.name, x, out.Value[i])
			}
			above := out.Flags[(at-1)*size+x]
			if above != clean {
				t.Errorf("%s: the row above has %v at %d, want %v", c.name, above, x, clean)
			}
		}
	}
}

func TestEdgeIsMissingOnlyWhereTheKernelReachesOut(t *testing.T) {
	r := filled(10, 8, 5, 0)
	for _, c := range []struct {
		kernel      Kernel
		first, last int // columns with a value, displaced by +0.5 px
	}{{Bilinear, 0, 8}, {Cubic, 1, 7}, {Nearest, 0, 8}} {
		out := Resample(r, 0.5, 0, c.kernel, 1)
		for i, f := range out.Flags {
			x := i % 10
			if missing := f&calib.Missing != 0; missing == (x >= c.first && x <= c.last) {
				t.Errorf("%v: pixel %d, %d has %v", c.kernel, x, i/10, f)
			}
		}
	}
}

func TestResampleDoesNotDependOnWorkers(t *testing.T) {
	r := strange(2, 130, 211)
	turn := func(y int, sx, sy []float64) {
		for x := range sx {
			sx[x], sy[x] = float64(x)+0.02*float64(y)-3, float64(y)-0.02*float64(x)
		}
	}
	for _, k := range kernels {
		one, mapped := bits(Resample(r, 1.3, -2.6, k, 1)), bits(ResampleMap(r, 100, 120, turn, k, 1))
		for _, workers := range []int{2, 3} {
			if !bytes.Equal(one, bits(Resample(r, 1.3, -2.6, k, workers))) {
				t.Errorf("%v: %d workers give another image", k, workers)
			}
			if !bytes.Equal(mapped, bits(ResampleMap(r, 100, 120, turn, k, workers))) {
				t.Errorf("%v: %d workers give another mapped image", k, workers)
			}
		}
	}
}

func TestMapOfConstantShiftIsResample(t *testing.T) {
	const width, height = 60, 50
	r := strange(3, width, height)
	for _, k := range kernels {
		for _, d := range []vector{{0, 0}, {3, -2}, {0.3, 0}, {-1.7, 2.4}} {
			want := Resample(r, d.x, d.y, k, 1)
			got := ResampleMap(r, width, height, func(y int, sx, sy []float64) {
				for x := range sx {
					sx[x], sy[x] = float64(x)+d.x, float64(y)+d.y
				}
			}, k, 1)
			if !reflect.DeepEqual(got.Flags, want.Flags) {
				t.Errorf("%v by %v: other flags", k, d)
			}
			for i, w := range want.Value {
				g := got.Value[i]
				same := math.Float32bits(g) == math.Float32bits(w) || g != g && w != w
				if !same && !(math.Abs(float64(g-w)) < 1e-4) { // single precision of values near 100
					t.Fatalf("%v by %v: pixel %d is %g, want %g", k, d, i, g, w)
				}
				if a, b := float64(got.Variance[i]), float64(want.Variance[i]); math.Abs(a-b) > 1e-4*b {
					t.Fatalf("%v by %v: variance of pixel %d is %g, want %g", k, d, i, a, b)
				}
			}
		}
	}
}

func TestMapFollowsATurnedScene(t *testing.T) {
	scene := func(x, y float64) float64 { return math.Sin(x/5)*math.Cos(y/7) + 0.01*x }
	const size = 80
	sin, cos := math.Sincos(0.1)
	place := func(x, y float64) (float64, float64) { return 20 + x*cos - y*sin, 5 + x*sin + y*cos }
	out := ResampleMap(filledBy(size, size, scene), 50, 40, func(y int, sx, sy []float64) {
		for x := range sx {
			sx[x], sy[x] = place(float64(x), float64(y))
		}
		sx[7] = math.NaN()
	}, Cubic, 2)
	for i, v := range out.Value {
		x, y := i%50, i/50
		u, w := place(float64(x), float64(y))
		switch {
		case x == 7:
			if out.Flags[i] != calib.Missing || v == v {
				t.Errorf("no place: %g, %v", v, out.Flags[i])
			}
		case math.Abs(float64(v)-scene(u, w)) > 1e-3: // (1/5 rad/px)^3 / 8, the order of the kernel's error
			t.Fatalf("pixel %d, %d is %g, want %g", x, y, v, scene(u, w))
		}
	}
}

func TestResampledBandLiesOnTheReference(t *testing.T) {
	const size = 160
	scene, rng := ground(5, size, size), newRand(2)
	a := noisy(render(scene, size, size, 1000, 0, 0), 2, rng)
	b := noisy(render(scene, size, size, 1000, 4.3, -2.8), 2, rng)
	s, err := Find(a, b, Options{})
	if err != nil {
		t.Fatal(err)
	}
	left, err := Find(a, Resample(b, s.DX, s.DY, Cubic, 1), Options{Allow: calib.Interpolated})
	if err != nil {
		t.Fatal(err)
	}
	// The same noise, and at fractions other than 0 and 1/2 the kernel bends
	// the phase of fine texture.
	if e := math.Hypot(left.DX, left.DY); e > 0.02 {
		t.Errorf("%.4f px are left", e)
	}
}

func TestKernelsHaveNames(t *testing.T) {
	for _, k := range kernels {
		if got, err := ParseKernel(k.String()); got != k || err != nil {
			t.Errorf("%v: %v, %v", k, got, err)
		}
	}
	if _, err := ParseKernel("lanczos"); err == nil {
		t.Error("a name that is none is taken")
	}
	if got := Kernel(9).String(); got != "Kernel(9)" {
		t.Error(got)
	}
}
