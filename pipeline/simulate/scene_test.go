package simulate

import (
	"math"
	"testing"

	"evenlight/configs"
)

func TestRampHoldsEveryLevelFromDarkToPeak(t *testing.T) {
	const width, height, peak = 128, 96, 0.02
	l := Ramp(peak)(width, height)
	levels := map[float32]int{}
	for _, v := range l {
		levels[v]++
	}
	if len(levels) != 256 {
		t.Errorf("%d levels, want 256", len(levels))
	}
	for k := range 256 {
		want := float32(peak * math.Pow(float64(k)/255, 2))
		if levels[want] != width*height/256 {
			t.Errorf("level %d, %g, has %d pixels, want %d", k, want, levels[want], width*height/256)
		}
	}
}

// Along a row the square root of the level changes by one of 255 steps from
// block to block.
func TestRampBlocksResembleTheirNeighbours(t *testing.T) {
	const size = 64
	l := Ramp(1)(size, size)
	for y := range size {
		for x := 1; x < size; x++ {
			a, b := math.Sqrt(float64(l[y*size+x-1])), math.Sqrt(float64(l[y*size+x]))
			if math.Abs(a-b) > 1.001/255 {
				t.Fatalf("row %d: the level jumps from %g to %g at column %d", y+1, a*a, b*b, x+1)
			}
		}
	}
}

func TestGlintIsADiscOnAnEvenBackground(t *testing.T) {
	const size = 256
	bright := 0
	for _, v := range Glint(0.1, 0.9)(size, size) {
		switch v {
		case 0.9:
			bright++
		case 0.1:
		default:
			t.Fatalf("level %g, want 0.1 or 0.9", v)
		}
	}
	// A circle of radius R covers pi R^2 pixels, give or take its edge.
	const radius = size / 16
	if want, edge := math.Pi*radius*radius, 2*math.Pi*radius; math.Abs(float64(bright)-want) > edge {
		t.Errorf("%d bright pixels, want %.0f within %.0f", bright, want, edge)
	}
}

// Lambert's law: radiance relative to a white surface is albedo times the
// cosine of the angle at which the light comes in, and nothing beyond the
// terminator.
func TestBareMoonIsShadedByLambertsLaw(t *testing.T) {
	sun := vector{-0.6, 0, 0.8}
	m := &moon{sun: sun, albedo: 0.4}
	for _, c := range []struct {
		name   string
		dx, dy float64
		want   float64
	}{
		{"below the Sun", -0.6, 0, 0.4},
		{"centre of the disc", 0, 0, 0.4 * 0.8},
		{"terminator", 0.8, 0, 0},
		{"night", 0.9, 0, 0},
		{"off the equator", 0, 0.6, 0.4 * 0.8 * 0.8},
		{"sky", 1.2, 0, 0},
	} {
		if got := m.reflectance(c.dx, c.dy, 200); math.Abs(got-c.want) > 1e-12 {
			t.Errorf("%s: reflectance %.6f, want %.6f", c.name, got, c.want)
		}
	}
}

func TestCraterIsABowlWithAWall(t *testing.T) {
	c := crater{centre: vector{0, 0, 1}, radius: 0.1, slope: 0.5, near: math.Cos(0.16)}
	m := &moon{sun: vector{-1, 0, 1}.unit(), albedo: 1, craters: []crater{c}}
	bare := &moon{sun: m.sun, albedo: 1}
	// The Sun stands at the left: inside, the left wall turns away from it
	// and the right wall towards it; outside, the slopes are the other way.
	for _, at := range []struct {
		name     string
		dx       float64
		brighter bool
	}{
		{"left wall", -0.08, false},
		{"right wall", 0.08, true},
		{"left outer slope", -0.115, true},
		{"right outer slope", 0.115, false},
	} {
		with, without := m.reflectance(at.dx, 0, 200), bare.reflectance(at.dx, 0, 200)
		if (with > without) != at.brighter || with == without {
			t.Errorf("%s: %.4f with the crater, %.4f without", at.name, with, without)
		}
	}
	if with, without := m.reflectance(0.2, 0, 200), bare.reflectance(0.2, 0, 200); with != without {
		t.Errorf("land beyond the crater has changed from %g to %g", without, with)
	}
}

func TestMoonStandsBeforeDarkSkyAndNeverOutshinesWhite(t *testing.T) {
	const size, white = 256, 0.05
	l := Tessaly(7, configs.Band{WavelengthNM: 550}, white)(size, size)
	lit := 0
	for i, v := range l {
		if v < 0 || v > white {
			t.Fatalf("pixel %d has radiance %g, want 0 to %g", i, v, white)
		}
		if v > 0 {
			lit++
		}
		x, y := float64(i%size)+0.5-0.52*size, float64(i/size)+0.5-0.48*size
		if math.Hypot(x, y) > 0.42*size+0.5 && v != 0 {
			t.Fatalf("the sky has radiance %g at pixel %d", v, i)
		}
	}
	// The Sun is some 51 degrees from the camera, so (1 + cos 51)/2 = 0.81 of
	// the disc is lit, less the walls near the terminator that lie in shade.
	disc := math.Pi * 0.42 * 0.42 * size * size
	if share := float64(lit) / disc; share < 0.77 || share > 0.83 {
		t.Errorf("%.3f of the disc is lit", share)
	}
}

func TestMoonsColourDiffersFromPlaceToPlace(t *testing.T) {
	const size = 128
	violet := Tessaly(7, configs.Band{WavelengthNM: 425}, 1)(size, size)
	nir := Tessaly(7, configs.Band{WavelengthNM: 880}, 1)(size, size)
	var ratios []float64
	for i := range violet {
		if (violet[i] > 0) != (nir[i] > 0) {
			t.Fatalf("pixel %d is lit in one band only", i)
		}
		if violet[i] > 0.01 {
			ratios = append(ratios, float64(nir[i]/violet[i]))
		}
	}
	if spread := spreadOf(ratios); spread < 0.05 {
		t.Errorf("the colour varies by %.4f only", spread)
	}
}

// A grey target has one reflectance in all bands, whatever white is in them:
// 16 steps of 0.9/16 each, side by side.
func TestGreyWedgeIsGrey(t *testing.T) {
	whites := []float64{0.05, 0.02, 0.11}
	bands := GreyWedge(whites)(64, 10)
	for b, white := range whites {
		for i, l := range bands[b] {
			want := float32(white * 0.9 * float64(i%64/4+1) / 16)
			if l != want {
				t.Fatalf("band %d, column %d: radiance %g, want %g", b, i%64+1, l, want)
			}
		}
	}
}

func TestColourRampHoldsManyColoursFromDarkToPeak(t *testing.T) {
	peaks := []float64{0.01, 0.02, 0.04}
	bands := ColourRamp(peaks)(128, 64)
	colours := map[[3]float32]int{}
	var least, most [3]float32
	for i := range bands[0] {
		colour := [3]float32{bands[0][i], bands[1][i], bands[2][i]}
		colours[colour]++
		for b := range colour {
			if i == 0 {
				least[b], most[b] = colour[b], colour[b]
			}
			least[b], most[b] = min(least[b], colour[b]), max(most[b], colour[b])
		}
	}
	if len(colours) != 256 {
		t.Errorf("%d colours, want 256", len(colours))
	}
	for colour, n := range colours {
		if n != 128*64/256 {
			t.Errorf("colour %v has %d pixels, want %d", colour, n, 128*64/256)
		}
	}
	for b, peak := range peaks {
		if least[b] > 1e-12 || math.Abs(float64(most[b])-peak) > 1e-6*peak {
			t.Errorf("band %d goes from %g to %g, want 0 to %g", b, least[b], most[b], peak)
		}
	}
}
