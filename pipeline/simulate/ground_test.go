package simulate

import (
	"math"
	"testing"

	"evenlight/configs"
)

func testBands() []configs.Band {
	return []configs.Band{{Name: "violet", WavelengthNM: 420}, {Name: "orange", WavelengthNM: 600}, {Name: "nir", WavelengthNM: 870}}
}

// The means are compared with Simpson's rule on 200 steps, whose error for
// such smooth functions is below 1e-11.
func TestMeansOverPixelsAreThoseOfTheFunctions(t *testing.T) {
	for _, size := range []float64{1, 2.7, 30} {
		f := feature{size: size}
		bell := func(u float64) float64 { return math.Exp(-u * u / (2 * size * size)) }
		slope := func(u float64) float64 { return math.Sqrt(math.E) * u / size * bell(u) }
		for _, from := range []float64{-4.3 * size, -1, -0.5, 0.21, size, 2.2 * size} {
			for _, c := range []struct {
				name string
				got  float64
				of   func(u float64) float64
			}{{"bell", f.meanBell(from), bell}, {"slope", f.meanSlope(from), slope}} {
				const steps = 200
				var want float64
				for k := range steps {
					u := from + float64(k)/steps
					want += (c.of(u) + 4*c.of(u+0.5/steps) + c.of(u+1.0/steps)) / (6 * steps)
				}
				if math.Abs(c.got-want) > 1e-10 {
					t.Errorf("%s of size %g from %g: mean %.12f, want %.12f", c.name, size, from, c.got, want)
				}
			}
		}
	}
}

// A patch is exp(-(u^2+v^2)/2s^2) high; a pit is the slope of that towards the
// Sun, sqrt(e) (0.94 u + 0.34 v)/s exp(-(u^2+v^2)/2s^2). The mean over each pixel
// is found here on 40 x 40 points, whose error for features of size 1.3 is
// below (1/40)^2/24 of the second derivatives, which are below 5.
func TestFeaturesOfTheGroundHaveTheirShape(t *testing.T) {
	for _, f := range []feature{
		{x: 7.3, y: 5.9, size: 1.3, shape: 0.3, pit: true},
		{x: 7.3, y: 5.9, size: 1.3, shape: 0.3, tint: -0.2},
	} {
		w := &groundWindow{left: func(int) float64 { return 0.25 }, y: -1.5, width: 16, height: 14,
			shape: make([]float64, 16*14), tint: make([]float64, 16*14), columns: make([]float64, 32)}
		w.add(&f)
		for i := range w.shape {
			var mean float64
			for k := range 1600 {
				u := 0.25 + float64(i%16) + (float64(k%40)+0.5)/40 - f.x
				v := -1.5 + float64(i/16) + (float64(k/40)+0.5)/40 - f.y
				height := math.Exp(-(u*u + v*v) / (2 * f.size * f.size))
				if f.pit {
					height *= math.Sqrt(math.E) * (0.94*u + 0.34*v) / f.size
				}
				mean += height / 1600
			}
			if math.Abs(w.shape[i]-f.shape*mean) > 1.5e-4*0.3 || math.Abs(w.tint[i]-f.tint*mean) > 1.5e-4*0.3 {
				t.Errorf("pit: %t, pixel %d: shape %.6f, tint %.6f, mean height %.6f", f.pit, i, w.shape[i], w.tint[i], mean)
			}
		}
	}
}

// A window that begins whole pixels further on shows the same ground.
func TestGroundIsTheSameWhereverTheWindowBegins(t *testing.T) {
	g := NewGround(5, testBands(), []float64{1, 1, 1})
	whole := g.Window(-130.25, 40.5, 90, 80)
	part := g.Window(-130.25+17, 40.5+9, 50, 60)
	for b := range whole {
		for y := range 60 {
			for x := range 50 {
				got, want := part[b][y*50+x], whole[b][(y+9)*90+x+17]
				if math.Abs(float64(got-want)) > 1e-6 {
					t.Fatalf("band %d, column %d, row %d: %g, in the larger window %g", b, x, y, got, want)
				}
			}
		}
	}
}

// A window half a pixel further on shows means over squares that cover one
// half of each of two pixels: they lie between, off the middle by a second
// difference of the ground, which is smaller than a step from pixel to pixel.
// On an edge within a pixel it is half the step; a window on the wrong side
// would be off by a whole step.
func TestGroundBetweenPixelsLiesBetweenThem(t *testing.T) {
	g := NewGround(6, testBands(), []float64{1, 1, 1})
	at, half := g.Window(0, 0, 400, 300), g.Window(0.5, 0, 400, 300)
	var misses, steps float64
	for y := range 300 {
		for x := range 399 {
			i := y*400 + x
			misses += math.Pow(float64(half[1][i])-float64(at[1][i]+at[1][i+1])/2, 2)
			steps += math.Pow(float64(at[1][i+1]-at[1][i]), 2)
		}
	}
	if ratio := math.Sqrt(misses / steps); ratio > 0.25 {
		t.Errorf("half a pixel on, the ground is off the middle by %.3f of a step", ratio)
	}
}

func TestGroundHasTextureAndColourAndIsSeldomCut(t *testing.T) {
	whites := []float64{0.05, 0.06, 0.03}
	land := NewGround(7, testBands(), whites).Window(0, 0, 600, 600)
	cut := 0
	var ratios []float64
	values := make([][]float64, 3)
	for i := range land[0] {
		for b, white := range whites {
			reflectance := float64(land[b][i]) / white
			if reflectance < 0.02-1e-6 || reflectance > 0.75+1e-6 {
				t.Fatalf("band %d, pixel %d has reflectance %g", b, i, reflectance)
			}
			if reflectance < 0.02+1e-6 || reflectance > 0.75-1e-6 {
				cut++
			}
			values[b] = append(values[b], reflectance)
		}
		ratios = append(ratios, values[2][i]/values[0][i])
	}
	if share := float64(cut) / float64(3*len(ratios)); share > 1e-3 {
		t.Errorf("%.5f of the pixels are cut", share)
	}
	if spread := spreadOf(ratios); spread < 0.05 {
		t.Errorf("the colour varies by %.4f only", spread)
	}
	for b := range values {
		if spread := spreadOf(values[b]); spread < 0.03 {
			t.Errorf("the reflectance of band %d varies by %.4f only", b, spread)
		}
	}
}
