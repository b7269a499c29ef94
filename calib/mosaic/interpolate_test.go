package mosaic

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"evenlight/calib"
)

// mosaicOf samples a scene that gives each colour, numbered as in the pattern,
// a value at each pixel.
func mosaicOf(p *Pattern, w, h int, scene func(colour, x, y int) float64) *calib.Raster {
	m := calib.NewRaster(w, h)
	for y := range h {
		for x := range w {
			m.Value[y*w+x] = float32(scene(p.At(x, y), x, y))
			m.Variance[y*w+x] = 1
		}
	}
	return m
}

func planesBy(t *testing.T, m *calib.Raster, p *Pattern, method Method) []*calib.Raster {
	t.Helper()
	planes, err := interpolate(m, p, method, 2)
	if err != nil {
		t.Fatal(err)
	}
	return planes
}

var methods = []struct {
	name   string
	method Method
}{{"sharp", Sharp}, {"plain", Plain}}

// rounding of single precision, of sums of up to thirty terms
const rounding = 30 * 0x1p-24

func TestEvenSceneOfAnyColourStaysEven(t *testing.T) {
	levels := []float64{3, 1000, 0.25, 70}
	for _, c := range patterns {
		for _, way := range methods {
			p := mustNew(t, c.cells)
			m := mosaicOf(p, 37, 29, func(colour, _, _ int) float64 { return levels[colour] })
			for colour, plane := range planesBy(t, m, p, way.method) {
				for i, v := range plane.Value {
					if d := math.Abs(float64(v) - levels[colour]); !(d <= 1000*rounding) {
						t.Fatalf("%s, %s: pixel %d, %d of %s is %g, want %g", c.name, way.name, i%37, i/37, p.colours[colour], v, levels[colour])
					}
				}
			}
		}
	}
}

// A common slope is kept by all patterns; on a pattern with two greens the
// weights are symmetric, so each colour keeps a slope of its own.
func TestSlopesAreKeptAwayFromBorders(t *testing.T) {
	for _, c := range patterns {
		p := mustNew(t, c.cells)
		scene := func(colour, x, y int) float64 {
			own := 0.0
			if p.diagonal() >= 0 {
				own = float64(colour)
			}
			return 100*float64(colour) + (2+own)*float64(x) - (0.5+own/4)*float64(y)
		}
		const w, h, border = 48, 44, 10
		m := mosaicOf(p, w, h, scene)
		for colour, plane := range planesBy(t, m, p, Sharp) {
			for y := border; y < h-border; y++ {
				for x := border; x < w-border; x++ {
					if got, want := float64(plane.Value[y*w+x]), scene(colour, x, y); math.Abs(got-want) > 500*rounding {
						t.Fatalf("%s: pixel %d, %d of %s is %g, want %g", c.name, x, y, p.colours[colour], got, want)
					}
				}
			}
		}
	}
}

// The baseline on two greens is bilinear interpolation by hand.
func TestPlainIsBilinearOnTwoGreens(t *testing.T) {
	p := mustNew(t, rggb)
	m, _ := sampled(leaves(20, 20, 1), p)
	planes := planesBy(t, m, p, Plain)
	at := func(x, y int) float64 { return float64(m.Value[y*20+x]) }
	for _, c := range []struct {
		name string
		got  float32
		want float64
	}{
		{"green at red", planes[1].Value[8*20+6], (at(5, 8) + at(7, 8) + at(6, 7) + at(6, 9)) / 4},
		{"red at green beside", planes[0].Value[8*20+7], (at(6, 8) + at(8, 8)) / 2},
		{"red at green below", planes[0].Value[9*20+6], (at(6, 8) + at(6, 10)) / 2},
		{"red at blue", planes[0].Value[9*20+7], (at(6, 8) + at(8, 8) + at(6, 10) + at(8, 10)) / 4},
	} {
		if math.Abs(float64(c.got)-c.want) > 255*rounding {
			t.Errorf("%s: %g, want %g", c.name, c.got, c.want)
		}
	}
}

func scatterFlags(m *calib.Raster) {
	rng := rand.New(rand.NewPCG(4, 4))
	for i := range m.Value {
		switch rng.IntN(40) {
		case 0:
			m.Value[i], m.Variance[i], m.Flags[i] = float32(math.NaN()), float32(math.NaN()), calib.Missing
		case 1:
			m.Flags[i] = calib.Hot | calib.NearSaturated
		case 2:
			m.Variance[i], m.Flags[i] = float32(math.NaN()), calib.Saturated
		case 3:
			m.Flags[i] = calib.AtFloor
		}
	}
}

// A mosaic of n pixels has n samples, not n for each colour (common practice,
// no source), and they pass unchanged.
func TestMeasuredSamplesPassBitByBit(t *testing.T) {
	for _, c := range patterns {
		for _, way := range methods {
			p := mustNew(t, c.cells)
			m, _ := sampled(leaves(50, 41, 2), p)
			scatterFlags(m)
			measured := 0
			for colour, plane := range planesBy(t, m, p, way.method) {
				for i, f := range plane.Flags {
					if f&calib.Interpolated == 0 {
						measured++
					}
					if p.At(i%50, i/50) == colour && !sameSample(plane, m, i) {
						t.Fatalf("%s, %s: sample %d changes", c.name, way.name, i)
					}
				}
			}
			if measured != 50*41 {
				t.Errorf("%s, %s: %d measured samples, want %d", c.name, way.name, measured, 50*41)
			}
		}
	}
}

func sameSample(a, b *calib.Raster, i int) bool {
	return math.Float32bits(a.Value[i]) == math.Float32bits(b.Value[i]) &&
		math.Float32bits(a.Variance[i]) == math.Float32bits(b.Variance[i]) && a.Flags[i] == b.Flags[i]
}

// Whatever a bad pixel holds, no other pixel feels it.
func TestBadPixelDoesNotSpread(t *testing.T) {
	for _, c := range patterns {
		for _, way := range methods {
			p := mustNew(t, c.cells)
			m, _ := sampled(leaves(40, 40, 2), p)
			bad := []int{20*40 + 20, 20*40 + 21, 7*40 + 30, 0, 39*40 + 5}
			var before []*calib.Raster
			for _, spoil := range []struct {
				value, variance float32
				flags           calib.Flags
			}{
				{0, 1, calib.Dead}, {1e9, 1e9, calib.Hot}, {50, 1, calib.Low | calib.Unstable}, {50, 1, calib.Nonlinear}, {50, 1, calib.Mark},
				{nan, nan, calib.Missing}, {1e30, nan, calib.Saturated}, {nan, nan, calib.NoCalibration},
				{nan, 1, 0}, {float32(math.Inf(1)), 1, 0}, {50, nan, 0}, {50, -1, 0},
			} {
				for _, i := range bad {
					m.Value[i], m.Variance[i], m.Flags[i] = spoil.value, spoil.variance, spoil.flags
				}
				after := planesBy(t, m, p, way.method)
				for colour := range after {
					for i := range m.Value {
						if p.At(i%40, i/40) == colour {
							continue
						}
						if after[colour].Flags[i] != calib.Interpolated || !(after[colour].Variance[i] >= 0) {
							t.Fatalf("%s, %s, %v: pixel %d of %s has flags %v and variance %g",
								c.name, way.name, spoil, i, p.colours[colour], after[colour].Flags[i], after[colour].Variance[i])
						}
						if before != nil && !sameSample(before[colour], after[colour], i) {
							t.Fatalf("%s, %s, %v: pixel %d of %s changes", c.name, way.name, spoil, i, p.colours[colour])
						}
					}
				}
				before = after
			}
		}
	}
}

// Among many dead pixels the picture is still sharper than from each colour by
// itself.
func TestDeadPixelsCostLittle(t *testing.T) {
	p := mustNew(t, rggb)
	m, truth := sampled(leaves(256, 256, 3), p)
	whole, plain := both(t, m, p)
	rng := rand.New(rand.NewPCG(6, 6))
	for i := range m.Flags {
		if rng.IntN(100) == 0 {
			m.Flags[i], m.Value[i] = calib.Dead, 0
		}
	}
	dead := planesBy(t, m, p, Sharp)
	loss := psnr(meanSquare(whole, truth)) - psnr(meanSquare(dead, truth))
	gain := psnr(meanSquare(dead, truth)) - psnr(meanSquare(plain, truth))
	t.Logf("loss %.2f dB, gain over bilinear without dead pixels %.2f dB", loss, gain)
	if gain < 5 {
		t.Errorf("with one pixel of a hundred dead, gain over bilinear %.2f dB, want 5", gain)
	}
}

func TestFlagsPassToTheNeighboursThatUseTheSample(t *testing.T) {
	for _, c := range patterns {
		for _, way := range methods {
			p := mustNew(t, c.cells)
			m, _ := sampled(leaves(60, 60, 2), p)
			const x0, y0 = 30, 30
			m.Flags[y0*60+x0] = calib.NearSaturated
			colour, reached := p.At(x0, y0), 0
			for at, plane := range planesBy(t, m, p, way.method) {
				for i, f := range plane.Flags {
					x, y := i%60, i/60
					if at == p.At(x, y) || f&calib.NearSaturated == 0 {
						continue
					}
					if d := max(x-x0, x0-x, y-y0, y0-y); d > 4 {
						t.Errorf("%s, %s: the flag passes on %d pixels far", c.name, way.name, d)
					}
					if at == colour {
						reached++
					}
				}
			}
			if reached < 2 {
				t.Errorf("%s, %s: the flag passes to %d pixels only", c.name, way.name, reached)
			}
		}
	}
}

func TestNoSampleOfTheColourNear(t *testing.T) {
	for _, c := range patterns {
		for _, way := range methods {
			p := mustNew(t, c.cells)
			m, _ := sampled(leaves(80, 80, 2), p)
			for y := 20; y < 60; y++ {
				for x := 20; x < 60; x++ {
					if p.At(x, y) == 0 {
						m.Flags[y*80+x] = calib.Missing
						m.Value[y*80+x], m.Variance[y*80+x] = nan, nan
					}
				}
			}
			plane := planesBy(t, m, p, way.method)[0]
			missing := 0
			for i, v := range plane.Value {
				if p.At(i%80, i/80) == 0 {
					continue
				}
				lost := plane.Flags[i] == calib.Missing|calib.Interpolated
				if lost != (v != v) || lost != (plane.Variance[i] != plane.Variance[i]) {
					t.Fatalf("%s, %s: pixel %d is %g with flags %v", c.name, way.name, i, v, plane.Flags[i])
				}
				if lost {
					missing++
				}
				inside := min(i%80-20, 59-i%80, i/80-20, 59-i/80)
				if inside < 0 && lost || inside >= 2*MaxPeriod && !lost {
					t.Fatalf("%s, %s: pixel %d, %d inside the gap: flags %v", c.name, way.name, i, inside, plane.Flags[i])
				}
			}
			if missing == 0 {
				t.Errorf("%s, %s: nothing is missing", c.name, way.name)
			}
		}
	}
}

// A measure of one colour in another unit changes that plane by the factor and
// nothing else.
func TestUnitsOfColoursDoNotMatter(t *testing.T) {
	factors := []float64{1, 250, 0.004, 7}
	for _, c := range patterns {
		p := mustNew(t, c.cells)
		m, _ := sampled(leaves(64, 64, 2), p)
		for i := range m.Variance {
			m.Variance[i] = 4
		}
		scaled := calib.NewRaster(64, 64)
		for i := range m.Value {
			f := factors[p.At(i%64, i/64)]
			scaled.Value[i], scaled.Variance[i] = float32(float64(m.Value[i])*f), float32(4*f*f)
		}
		one, other := planesBy(t, m, p, Sharp), planesBy(t, scaled, p, Sharp)
		for colour := range one {
			for i, v := range one[colour].Value {
				f := factors[colour]
				if d := float64(other[colour].Value[i])/f - float64(v); math.Abs(d) > 255*10*rounding {
					t.Fatalf("%s: pixel %d of %s is %g times the unit, want %g", c.name, i, p.colours[colour], float64(other[colour].Value[i])/f, v)
				}
				u := float64(one[colour].Variance[i])
				if d := float64(other[colour].Variance[i])/f/f - u; math.Abs(d) > u*1e-3 {
					t.Fatalf("%s: variance of pixel %d of %s is off by %g of %g", c.name, i, p.colours[colour], d, u)
				}
			}
		}
	}
}

// A grey scene, in unlike units, comes out with less colour than from each
// colour by itself.
func TestGreySceneStaysGrey(t *testing.T) {
	factors := []float64{1, 30, 0.2, 4}
	for _, c := range patterns {
		p := mustNew(t, c.cells)
		grey := leaves(128, 128, 5)[1]
		m := mosaicOf(p, 128, 128, func(colour, x, y int) float64 { return factors[colour] * float64(grey.Value[y*128+x]) })
		var colourError [2]float64
		for k, way := range methods {
			planes := planesBy(t, m, p, way.method)
			for i := range planes[0].Value {
				for colour := 1; colour < len(planes); colour++ {
					d := float64(planes[colour].Value[i])/factors[colour] - float64(planes[0].Value[i])
					colourError[k] += d * d
				}
			}
		}
		if ratio := colourError[0] / colourError[1]; ratio > 0.5 {
			t.Errorf("%s: the square of the false colour is %.2f of that from each colour by itself", c.name, ratio)
		}
	}
}

func TestWorkersAndBandsDoNotMatter(t *testing.T) {
	for _, c := range patterns {
		for _, way := range methods {
			p := mustNew(t, c.cells)
			m, _ := sampled(leaves(70, 150, 2), p)
			scatterFlags(m)
			one, err := interpolate(m, p, way.method, 1)
			if err != nil {
				t.Fatal(err)
			}
			for _, workers := range []int{0, 2, 3} {
				other, err := interpolate(m, p, way.method, workers)
				if err != nil {
					t.Fatal(err)
				}
				samePlanes(t, one, other, 0)
			}
			ip, err := NewInterpolator(m, p, way.method, 2)
			if err != nil {
				t.Fatal(err)
			}
			for y := 0; y < 150; y += 37 {
				band := newPlanes(calib.NewRaster(70, min(37, 150-y)), p)
				if err := ip.Rows(band, y); err != nil {
					t.Fatal(err)
				}
				samePlanes(t, one, band, y)
			}
		}
	}
}

// samePlanes compares planes with others that begin at row y0.
func samePlanes(t *testing.T, a, b []*calib.Raster, y0 int) {
	t.Helper()
	for c := range b {
		for y := range b[c].Height {
			want, got := lineOf(a[c], y+y0), lineOf(b[c], y)
			for x := range got.value {
				if math.Float32bits(got.value[x]) != math.Float32bits(want.value[x]) ||
					math.Float32bits(got.variance[x]) != math.Float32bits(want.variance[x]) || got.flags[x] != want.flags[x] {
					t.Fatalf("pixel %d, %d of colour %d differs", x, y+y0, c)
				}
			}
		}
	}
}

// The weights that rows are worked out with were multiplied out by hand; those
// of pixels next to gaps are put together from the differences.
func TestRowsAgreeWithSamplesOneByOne(t *testing.T) {
	for _, c := range patterns[:2] {
		p := mustNew(t, c.cells)
		m, _ := sampled(leaves(64, 64, 2), p)
		unevenNoise(m, p, 3)
		ip, err := NewInterpolator(m, p, Sharp, 1)
		if err != nil {
			t.Fatal(err)
		}
		s := ip.scratch.Get().(*scratch)
		rows, single := newPlanes(m, p), newPlanes(m, p)
		ip.openLines(s, 0)
		for y := range 64 {
			var row, one []line
			for k := range rows {
				row, one = append(row, lineOf(rows[k], y)), append(one, lineOf(single[k], y))
			}
			ip.lineRow(s, y, row)
			for x := lineReach; x < 64-lineReach && y >= lineReach && y < 64-lineReach; x++ {
				for k := range one {
					if p.At(x, y) == k {
						continue
					}
					ip.applyPair(&ip.lines.pairs[(y&1*2+x&1)*3+k], x, y, s.rings.share[x+pad], &one[k])
					if math.Abs(float64(row[k].value[x]-one[k].value[x])) > 255*rounding ||
						math.Abs(float64(row[k].variance[x]/one[k].variance[x]-1)) > rounding {
						t.Fatalf("%s: pixel %d, %d of %s: %g ± %g by rows, %g ± %g one by one", c.name, x, y, p.colours[k],
							row[k].value[x], row[k].variance[x], one[k].value[x], one[k].variance[x])
					}
				}
			}
		}
	}
}

func TestFarSamplesHaveSmallWeights(t *testing.T) {
	p := mustNew(t, rggb)
	ip, err := NewInterpolator(mosaicOf(p, 32, 32, func(int, int, int) float64 { return 5 }), p, Sharp, 1)
	if err != nil {
		t.Fatal(err)
	}
	for _, pair := range ip.lines.pairs {
		for _, tap := range pair.taps {
			if max(abs(tap.h), abs(tap.v)) > 0.125 && (max(tap.dx, -tap.dx, tap.dy, -tap.dy) > 2 || tap.dx*tap.dx+tap.dy*tap.dy > 5) {
				t.Errorf("the sample at %v has weights %g and %g and does not pass its flags on", tap.site, tap.h, tap.v)
			}
		}
	}
}

func TestSmallFrames(t *testing.T) {
	for _, c := range patterns {
		for _, way := range methods {
			p := mustNew(t, c.cells)
			w, h := p.Size()
			for _, size := range [][2]int{{w, h}, {w + 1, h + 2}, {15, 40}, {17, 16}} {
				m := mosaicOf(p, size[0], size[1], func(colour, _, _ int) float64 { return 10 + float64(colour) })
				for colour, plane := range planesBy(t, m, p, way.method) {
					for i, v := range plane.Value {
						if math.Abs(float64(v)-10-float64(colour)) > 20*rounding {
							t.Fatalf("%s, %s, %v: pixel %d of %s is %g", c.name, way.name, size, i, p.colours[colour], v)
						}
					}
				}
			}
		}
	}
}

func TestFramesThatCannotBeInterpolated(t *testing.T) {
	p := mustNew(t, rggb)
	short := calib.NewRaster(4, 4)
	short.Variance = short.Variance[:15]
	for _, c := range []struct {
		name string
		r    *calib.Raster
		p    *Pattern
		want string
	}{
		{"no pattern", calib.NewRaster(4, 4), nil, "no colour pattern"},
		{"no pixels", calib.NewRaster(0, 0), p, "0 columns"},
		{"too few variances", short, p, "15 variances"},
		{"a colour is not in the frame", calib.NewRaster(4, 1), p, `"blue"`},
	} {
		if _, err := Interpolate(c.r, c.p, 1); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: error %v, want one with %q", c.name, err, c.want)
		}
	}
	ip, err := NewInterpolator(calib.NewRaster(6, 6), p, Sharp, 1)
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		name   string
		planes []*calib.Raster
		y0     int
		want   string
	}{
		{"two planes", newPlanes(calib.NewRaster(6, 2), p)[:2], 0, "2 planes for 3 colours"},
		{"narrow planes", newPlanes(calib.NewRaster(5, 2), p), 0, "5 columns"},
		{"rows below the frame", newPlanes(calib.NewRaster(6, 2), p), 5, "rows 6 to 7"},
		{"rows above the frame", newPlanes(calib.NewRaster(6, 2), p), -1, "rows 0 to 1"},
	} {
		if err := ip.Rows(c.planes, c.y0); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: error %v, want one with %q", c.name, err, c.want)
		}
	}
	if err := ip.Fill(newPlanes(calib.NewRaster(6, 2), p), 1); err == nil || !strings.Contains(err.Error(), "2 rows") {
		t.Errorf("low planes: error %v", err)
	}
}
