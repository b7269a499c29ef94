package marks

import (
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"reflect"
	"strings"
	"testing"

	"evenlight/calib"
)

// quiet is a target with little noise and an even ground.
var quiet = target{width: 340, height: 260, level: 2000, noise: 10, contrast: 0.5, stamp: dotStamp(1.5)}

// dot is the shape of its marks.
var dot = Shape{Kind: Dot, BlurPx: 1.5}

func mustFind(t *testing.T, r *calib.Raster, marks []Mark, opt Options) *Survey {
	t.Helper()
	s, err := Find(r, marks, opt, 2)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// TestMarksAreFoundWhereTheyAre compares positions with the truth. Stated
// uncertainties may not be too small beyond chance; being the larger of two
// estimates they may be a little too large on even ground, and up to twice too
// large on textured ground, whose texture the marks themselves darken.
func TestMarksAreFoundWhereTheyAre(t *testing.T) {
	textured, loud := quiet, quiet
	textured.texture = 0.04
	loud.noise = 100
	disc, cross := quiet, quiet
	disc.stamp, cross.stamp = discStamp(2.5), crossStamp(5, 2)
	disc.texture, cross.texture = 0.02, 0.02
	for _, c := range []struct {
		name       string
		target     target
		shape      Shape
		leastPull2 float64
	}{
		{"dots in noise", quiet, dot, 0.8},
		{"dots in much noise", loud, dot, 0.8},
		{"dots on textured ground", textured, dot, 0.25},
		{"discs on textured ground", disc, Shape{Kind: Disc, BlurPx: 0.1, RadiusPx: 2.5}, 0.25},
		{"crosses on textured ground", cross, Shape{Kind: Cross, BlurPx: 0.1, RadiusPx: 5, WidthPx: 2}, 0.25},
	} {
		rng := rand.New(rand.NewPCG(1, 5))
		marks := grid(8, 6, 40)
		var square, sum, errors, stated, n float64
		for range 4 {
			places := jitter(rng, marks, 5)
			s := mustFind(t, c.target.draw(rng, places), marks, Options{Shape: c.shape, SearchPx: 9})
			if len(s.Lost) > 0 {
				t.Errorf("%s: %v are lost", c.name, s.Lost)
			}
			for _, f := range s.Found {
				dx, dy := f.X-places[f.Index][0], f.Y-places[f.Index][1]
				px, py := dx/f.SigmaX, dy/f.SigmaY
				square += px*px + py*py
				sum += px + py
				errors += dx*dx + dy*dy
				stated += f.SigmaX*f.SigmaX + f.SigmaY*f.SigmaY
				n += 2
			}
		}
		t.Logf("%s: error %.4f px, stated %.4f px, mean square pull %.3f", c.name, math.Sqrt(errors/n), math.Sqrt(stated/n), square/n)
		bound := sigmas * math.Sqrt(2/n)
		if pull2 := square / n; pull2 > 1+bound || pull2 < c.leastPull2-bound {
			t.Errorf("%s: mean square pull is %.3f, want %.2f to 1, give or take %.2f", c.name, pull2, c.leastPull2, bound)
		}
		within(t, c.name+": mean pull", sum/n, 0, sigmas/math.Sqrt(n))
	}
}

// TestUncertaintyIsThatOfTheory compares with the least variance that any
// estimate can have. For a Gaussian dip of depth A in white noise s, finely
// sampled, the sum of squared slopes is A^2 pi/2 whatever its width, so
// sigma = s/(A sqrt(pi/2)) (Cramer-Rao bound). The pixel's square lowers the
// slopes: a dip of variance v becomes one of v+1/12, of depth A v/(v+1/12). The
// sloping background costs a few per cent more.
func TestUncertaintyIsThatOfTheory(t *testing.T) {
	rng := rand.New(rand.NewPCG(6, 5))
	marks := grid(8, 6, 40)
	s := mustFind(t, quiet.draw(rng, jitter(rng, marks, 3)), marks, Options{Shape: dot, SearchPx: 6})
	v := 1.5 * 1.5
	bound := quiet.noise / (quiet.level * quiet.contrast * math.Sqrt(math.Pi/2) * v / (v + 1.0/12))
	mean := 0.0
	for _, f := range s.Found {
		if min(f.SigmaX, f.SigmaY) < 0.99*bound {
			t.Errorf("mark %d: +- (%.4f, %.4f) px is better than %.4f, which nothing can be", f.Index, f.SigmaX, f.SigmaY, bound)
		}
		mean += (f.SigmaX + f.SigmaY) / float64(2*len(s.Found))
		within(t, "contrast", f.Contrast, quiet.contrast, 0.03)
		within(t, "depth", f.Depth, quiet.level*quiet.contrast, 60)
	}
	if mean > 1.15*bound {
		t.Errorf("the mean uncertainty is %.4f px; theory allows %.4f", mean, bound)
	}
}

// TestLostMarksAreReported spoils marks one at a time.
func TestLostMarksAreReported(t *testing.T) {
	marks := grid(8, 6, 40)
	for _, c := range []struct {
		name  string
		spoil func(marks []Mark, places *[][2]float64)
		cover bool
		want  Reason
	}{
		{"none there", func(_ []Mark, p *[][2]float64) { (*p)[20] = [2]float64{-100, -100} }, false, NoContrast},
		{"outside", func(m []Mark, _ *[][2]float64) { m[20].X = -30 }, false, OutsideFrame},
		{"without a place", func(m []Mark, _ *[][2]float64) { m[20].X = math.NaN() }, false, OutsideFrame},
		{"two of them", func(m []Mark, p *[][2]float64) { *p = append(*p, [2]float64{m[20].X + 6, m[20].Y - 6}) }, false, Ambiguous},
		{"further than the search", func(m []Mark, p *[][2]float64) { (*p)[20] = [2]float64{m[20].X + 13, m[20].Y} }, false, AtEdge},
		{"under saturated pixels", func([]Mark, *[][2]float64) {}, true, Covered},
	} {
		rng := rand.New(rand.NewPCG(4, 5))
		listed := append([]Mark(nil), marks...)
		places := jitter(rng, marks, 0.5)
		c.spoil(listed, &places)
		r := quiet.draw(rng, places)
		if c.cover {
			for y := -20; y <= 20; y++ {
				for x := -20; x <= 20; x++ {
					i := (int(marks[20].Y)+y)*r.Width + int(marks[20].X) + x
					r.Flags[i], r.Variance[i] = calib.Saturated, float32(math.NaN())
				}
			}
		}
		s := mustFind(t, r, listed, Options{Shape: dot, SearchPx: 12})
		if want := []Lost{{20, c.want}}; !reflect.DeepEqual(s.Lost, want) {
			t.Errorf("%s: lost are %v, want %v", c.name, s.Lost, want)
		}
		if len(s.Found) != len(marks)-1 {
			t.Errorf("%s: %d found", c.name, len(s.Found))
		}
	}
}

// TestNothingIsFoundWhereNothingIs looks for marks that were not drawn. In
// white noise a place exceeds 6 sigma once in 1e9.
func TestNothingIsFoundWhereNothingIs(t *testing.T) {
	rough := quiet
	rough.texture = 0.1
	for _, g := range []target{quiet, rough} {
		rng := rand.New(rand.NewPCG(9, 5))
		for range 4 {
			_, err := Find(g.draw(rng, nil), grid(8, 6, 40), Options{Shape: dot, SearchPx: 9}, 2)
			if !errors.Is(err, ErrNoMarks) || !strings.Contains(err.Error(), "48 of 48 show no dip") {
				t.Errorf("with texture %g: %v", g.texture, err)
			}
		}
	}
}

// TestBadPixelsDoNotMoveAMark puts wild values under flags beside the centres.
func TestBadPixelsDoNotMoveAMark(t *testing.T) {
	rng := rand.New(rand.NewPCG(2, 5))
	marks := grid(8, 6, 40)
	places := jitter(rng, marks, 3)
	r := quiet.draw(rng, places)
	for k, p := range places {
		for j, flag := range []calib.Flags{calib.Hot, calib.Saturated, calib.Dead} {
			i := (int(p[1])+j)*r.Width + int(p[0]) + 1 - j
			r.Flags[i], r.Value[i] = flag, float32(1e5*float64(k%2)-5e4)
			if flag == calib.Saturated {
				r.Variance[i] = float32(math.NaN())
			}
		}
	}
	s := mustFind(t, r, marks, Options{Shape: dot, SearchPx: 6})
	if len(s.Found) != len(marks) {
		t.Fatalf("lost are %v", s.Lost)
	}
	for _, f := range s.Found {
		within(t, fmt.Sprint("column of mark ", f.Index), f.X, places[f.Index][0], sigmas*f.SigmaX)
		within(t, fmt.Sprint("row of mark ", f.Index), f.Y, places[f.Index][1], sigmas*f.SigmaY)
	}
}

func TestWorkersDoNotChangeTheSurvey(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 5))
	marks := grid(8, 6, 40)
	marks[7].X = 1000
	r := quiet.draw(rng, jitter(rng, marks, 3))
	var first *Survey
	for _, workers := range []int{1, 2, 3} {
		s, err := Find(r, marks, Options{Shape: dot, SearchPx: 6}, workers)
		if err != nil {
			t.Fatal(err)
		}
		if first == nil {
			first = s
		}
		if !reflect.DeepEqual(s, first) {
			t.Errorf("%d workers: another result", workers)
		}
	}
}

// TestShapesAreMeansOverThePixel compares with fine sampling of each shape as
// it is before the pixels.
func TestShapesAreMeansOverThePixel(t *testing.T) {
	for _, c := range []struct {
		name  string
		shape Shape
		want  stamp
		bound float64
	}{
		{"dot", dot, sampled(200, func(x, y float64) float64 { return math.Exp(-(x*x + y*y) / 4.5) }), 1e-5},
		{"sharp dot", Shape{Kind: Dot, BlurPx: 0.3}, sampled(200, func(x, y float64) float64 { return math.Exp(-(x*x + y*y) / 0.18) }), 1e-4},
		// Hard edges: a blur of 0.1 px shifts their means by less than 0.1^2.
		{"disc", Shape{Kind: Disc, BlurPx: 0.1, RadiusPx: 2.5}, discStamp(2.5), 0.03},
		{"cross", Shape{Kind: Cross, BlurPx: 0.1, RadiusPx: 5, WidthPx: 2}, crossStamp(5, 2), 0.05},
	} {
		for y := -6.0; y <= 6; y += 0.7 {
			for x := -6.0; x <= 6; x += 0.7 {
				within(t, fmt.Sprintf("%s at (%.1f, %.1f)", c.name, x, y), c.shape.At(x, y), c.want(x, y), c.bound)
			}
		}
		if at := c.shape.Reach(); c.shape.At(at, 0) > 0.015 || c.shape.At(0, -at) > 0.015 {
			t.Errorf("%s: beyond its reach the dip is still %.3f", c.name, c.shape.At(at, 0))
		}
	}
}

func TestFindRefuses(t *testing.T) {
	for _, c := range []struct {
		name  string
		marks []Mark
		opt   Options
		says  string
	}{
		{"no marks", nil, Options{Shape: dot, SearchPx: 5}, "the list of marks is empty"},
		{"no shape", grid(2, 2, 40), Options{SearchPx: 5}, "the blur of the marks is 0 pixels"},
		{"an unknown kind", grid(2, 2, 40), Options{Shape: Shape{Kind: 7, BlurPx: 1}, SearchPx: 5}, "kind 7"},
		{"a disc without radius", grid(2, 2, 40), Options{Shape: Shape{Kind: Disc, BlurPx: 1}, SearchPx: 5}, "the radius of the marks is 0"},
		{"a cross that is a square", grid(2, 2, 40), Options{Shape: Shape{Kind: Cross, BlurPx: 1, RadiusPx: 3, WidthPx: 4}, SearchPx: 5}, "the bars of the crosses"},
		{"no search radius", grid(2, 2, 40), Options{Shape: dot}, "the search radius is 0"},
		{"a low limit", grid(2, 2, 40), Options{Shape: dot, SearchPx: 5, MinSNR: 1}, "give 3 or more"},
		{"a rival above the best", grid(2, 2, 40), Options{Shape: dot, SearchPx: 5, Rival: 2}, "depth of a rival"},
	} {
		if _, err := Find(calib.NewRaster(100, 100), c.marks, c.opt, 1); err == nil || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%s: %v, want a word of %q", c.name, err, c.says)
		}
	}
}

// TestCoverFlagsTheMarksAlone counts pixel centres within a circle, which for
// radius 2 about a pixel's centre are 13, and about a pixel's corner 12.
func TestCoverFlagsTheMarksAlone(t *testing.T) {
	for _, c := range []struct {
		name string
		x, y float64
		want int
	}{
		{"on a pixel", 10, 10, 13},
		{"on a corner", 10.5, 10.5, 12},
		{"in the corner of the frame", 0, 0, 6},
		{"outside", -5, 10, 0},
	} {
		r := calib.NewRaster(20, 20)
		r.Flags[10*20+10] = calib.Hot
		Cover(r, []Found{{X: c.x, Y: c.y}}, 2)
		n := 0
		for _, f := range r.Flags {
			if f&calib.Mark != 0 {
				n++
			}
		}
		if n != c.want || r.Flags[10*20+10]&calib.Hot == 0 {
			t.Errorf("%s: %d pixels are covered, want %d", c.name, n, c.want)
		}
	}
}

// BenchmarkFind finds 48 marks on one core.
func BenchmarkFind(b *testing.B) {
	rng := rand.New(rand.NewPCG(3, 5))
	marks := grid(8, 6, 40)
	r := quiet.draw(rng, jitter(rng, marks, 3))
	for b.Loop() {
		if _, err := Find(r, marks, Options{Shape: dot, SearchPx: 9}, 1); err != nil {
			b.Fatal(err)
		}
	}
}
