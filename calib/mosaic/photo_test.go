package mosaic

import (
	"image"
	_ "image/jpeg"
	_ "image/png"
	"math"
	"os"
	"path/filepath"
	"testing"

	"evenlight/calib"
)

// photoDir is where Debian's python3-skimage keeps its sample photographs.
const photoDir = "/usr/lib/python3/dist-packages/skimage/data"

// photos reads colour photographs, as their encoded 8-bit values or in linear
// light (IEC 61966-2-1, from memory), scaled to 255.
func photos(t testing.TB, linear bool) map[string][]*calib.Raster {
	t.Helper()
	all := map[string][]*calib.Raster{}
	for _, name := range photoNames {
		file, err := os.Open(filepath.Join(photoDir, name))
		if err != nil {
			if os.Getenv("EVENLIGHT_REQUIRE_TOOLS") != "" {
				t.Fatalf("%v: install python3-skimage, or unset EVENLIGHT_REQUIRE_TOOLS", err)
			}
			t.Skip("no photographs: install python3-skimage to measure on them")
		}
		img, _, err := image.Decode(file)
		file.Close()
		if err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		all[name] = planesOf(img, linear)
	}
	return all
}

var photoNames = []string{"astronaut.png", "chelsea.png", "coffee.png", "motorcycle_left.png", "motorcycle_right.png", "rocket.jpg"}

func planesOf(img image.Image, linear bool) []*calib.Raster {
	b := img.Bounds()
	planes := make([]*calib.Raster, 3)
	for c := range planes {
		planes[c] = calib.NewRaster(b.Dx(), b.Dy())
	}
	for y := range b.Dy() {
		for x := range b.Dx() {
			r, g, bl, _ := img.At(b.Min.X+x, b.Min.Y+y).RGBA()
			for c, v := range []uint32{r, g, bl} {
				e := float64(v) / 0xffff
				if linear {
					e = linearLight(e)
				}
				planes[c].Value[y*b.Dx()+x] = float32(e * 255)
			}
		}
	}
	return planes
}

func linearLight(e float64) float64 {
	if e <= 0.04045 {
		return e / 12.92
	}
	return math.Pow((e+0.055)/1.055, 2.4)
}

// sampled takes from each plane the samples that a mosaic has. A colour named
// "clear" sees the mean of all planes; the planes are returned with it.
func sampled(planes []*calib.Raster, p *Pattern) (*calib.Raster, []*calib.Raster) {
	w, h := planes[0].Width, planes[0].Height
	truth := make([]*calib.Raster, len(p.Colours()))
	for c, name := range p.Colours() {
		switch name {
		case "red":
			truth[c] = planes[0]
		case "green":
			truth[c] = planes[1]
		case "blue":
			truth[c] = planes[2]
		default:
			truth[c] = calib.NewRaster(w, h)
			for i := range truth[c].Value {
				truth[c].Value[i] = (planes[0].Value[i] + planes[1].Value[i] + planes[2].Value[i]) / 3
			}
		}
	}
	m := calib.NewRaster(w, h)
	for y := range h {
		for x := range w {
			m.Value[y*w+x] = truth[p.At(x, y)].Value[y*w+x]
		}
	}
	return m, truth
}

// meanSquare is that of the errors of interpolated samples, eight pixels and
// more away from the border.
func meanSquare(got, truth []*calib.Raster) float64 {
	const border = 8
	sum, n := 0.0, 0
	for c := range got {
		w, h := got[c].Width, got[c].Height
		for y := border; y < h-border; y++ {
			for x := border; x < w-border; x++ {
				i := y*w + x
				if got[c].Flags[i]&calib.Interpolated != 0 {
					d := float64(got[c].Value[i]) - float64(truth[c].Value[i])
					sum += d * d
					n++
				}
			}
		}
	}
	return sum / float64(n)
}

func psnr(square float64) float64 { return 10 * math.Log10(255*255/square) }

var rggb = [][]string{{"red", "green"}, {"green", "blue"}}

// clear2 has a clear pixel in place of the second green.
var clear2 = [][]string{{"red", "green"}, {"clear", "blue"}}

// sparse is a pattern of clear pixels with a colour in a quarter of its cells.
var sparse = [][]string{
	{"clear", "red", "clear", "green"},
	{"red", "clear", "green", "clear"},
	{"clear", "green", "clear", "blue"},
	{"green", "clear", "blue", "clear"},
}

var quad = [][]string{
	{"red", "red", "green", "green"},
	{"red", "red", "green", "green"},
	{"green", "green", "blue", "blue"},
	{"green", "green", "blue", "blue"},
}

func mustNew(t testing.TB, cells [][]string) *Pattern {
	t.Helper()
	p, err := New(cells)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

func both(t testing.TB, m *calib.Raster, p *Pattern) (sharp, plain []*calib.Raster) {
	t.Helper()
	sharp, err := Interpolate(m, p, 2)
	if err != nil {
		t.Fatal(err)
	}
	plain, err = Bilinear(m, p, 2)
	if err != nil {
		t.Fatal(err)
	}
	return sharp, plain
}

// malvar is the method of Malvar, He & Cutler (2004), figure 2, for a pattern
// with red first, here as the yardstick: the gradient corrections have the
// gains 1/2, 5/8 and 3/4. Written down from memory; each kernel sums to 8.
func malvar(m *calib.Raster) []*calib.Raster {
	green := [5][5]float64{{0, 0, -1, 0, 0}, {0, 0, 2, 0, 0}, {-1, 2, 4, 2, -1}, {0, 0, 2, 0, 0}, {0, 0, -1, 0, 0}}
	beside := [5][5]float64{{0, 0, 0.5, 0, 0}, {0, -1, 0, -1, 0}, {-1, 4, 5, 4, -1}, {0, -1, 0, -1, 0}, {0, 0, 0.5, 0, 0}}
	across := [5][5]float64{{0, 0, -1.5, 0, 0}, {0, 2, 0, 2, 0}, {-1.5, 0, 6, 0, -1.5}, {0, 2, 0, 2, 0}, {0, 0, -1.5, 0, 0}}
	var above [5][5]float64
	for i := range 5 {
		for j := range 5 {
			above[i][j] = beside[j][i]
		}
	}
	measured := [5][5]float64{2: {2: 8}}
	kernels := [3][2][2][5][5]float64{ // colour, row, column
		{{measured, beside}, {above, across}},
		{{green, measured}, {measured, green}},
		{{across, above}, {beside, measured}},
	}
	planes := make([]*calib.Raster, 3)
	for c := range planes {
		planes[c] = calib.NewRaster(m.Width, m.Height)
		for y := 2; y < m.Height-2; y++ {
			for x := 2; x < m.Width-2; x++ {
				sum := 0.0
				for i, row := range kernels[c][y&1][x&1] {
					for j, w := range row {
						sum += w / 8 * float64(m.Value[(y+i-2)*m.Width+x+j-2])
					}
				}
				planes[c].Value[y*m.Width+x] = float32(sum)
				if kernels[c][y&1][x&1] != measured {
					planes[c].Flags[y*m.Width+x] = calib.Interpolated
				}
			}
		}
	}
	return planes
}

// patterns are those that the tests go through.
var patterns = []struct {
	name  string
	cells [][]string
}{
	{"two greens", rggb},
	{"two greens turned", [][]string{{"green", "blue"}, {"red", "green"}}},
	{"clear", clear2},
	{"sparse", sparse},
	{"quad", quad},
	{"two colours", [][]string{{"red", "blue"}, {"blue", "red"}}},
	{"stripes", [][]string{{"red", "green", "blue"}}},
}

// The yardstick of published methods on photographs, in their encoded values,
// is "more than 5 dB better PSNR than bilinear" (Malvar, He & Cutler 2004,
// abstract). On these photographs, some of them soft, their own kernels gain
// 1 to 4.5 dB. In linear light, for which there is no published figure, the
// brightest edges decide.
func TestPhotographsGainFiveDecibelsOverBilinear(t *testing.T) {
	p := mustNew(t, rggb)
	for _, linear := range []bool{false, true} {
		gain, all := 0.0, photos(t, linear)
		for _, name := range photoNames {
			m, truth := sampled(all[name], p)
			sharp, plain := both(t, m, p)
			bilinear := psnr(meanSquare(plain, truth))
			best := psnr(meanSquare(sharp, truth))
			published := psnr(meanSquare(malvar(m), truth))
			t.Logf("linear %v, %-20s bilinear %.2f dB, published kernels %+.2f dB, sharp %+.2f dB", linear, name, bilinear, published-bilinear, best-bilinear)
			if best < published {
				t.Errorf("linear %v, %s: %.2f dB, published kernels %.2f dB", linear, name, best, published)
			}
			gain += (best - bilinear) / float64(len(photoNames))
		}
		t.Logf("linear %v: mean gain %.2f dB, mean square error to %.2f", linear, gain, math.Pow(10, -gain/10))
		if gain < 5 && !linear {
			t.Errorf("mean gain over bilinear %.2f dB, want 5", gain)
		}
	}
}

func TestOtherPatternsGainOverTheirOwnColourAlone(t *testing.T) {
	for _, linear := range []bool{false, true} {
		all := photos(t, linear)
		for _, c := range patterns[2:] {
			p := mustNew(t, c.cells)
			gain := 0.0
			for _, name := range photoNames {
				m, truth := sampled(all[name], p)
				sharp, plain := both(t, m, p)
				gain += (psnr(meanSquare(sharp, truth)) - psnr(meanSquare(plain, truth))) / float64(len(photoNames))
			}
			t.Logf("linear %v, %s: mean gain %.2f dB", linear, c.name, gain)
			if gain < 1 {
				t.Errorf("linear %v, %s: mean gain %.2f dB, want 1", linear, c.name, gain)
			}
		}
	}
}

// The same without photographs.
func TestLeavesGainFiveDecibelsOverBilinear(t *testing.T) {
	planes := leaves(256, 256, 3)
	for _, c := range patterns {
		p := mustNew(t, c.cells)
		m, truth := sampled(planes, p)
		sharp, plain := both(t, m, p)
		gain := psnr(meanSquare(sharp, truth)) - psnr(meanSquare(plain, truth))
		t.Logf("%s: %.2f dB", c.name, gain)
		want := 1.0
		if p.diagonal() >= 0 {
			want = 5
		}
		if gain < want {
			t.Errorf("%s: gain %.2f dB, want %.0f", c.name, gain, want)
		}
	}
}
