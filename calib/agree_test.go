package calib

import (
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"
)

// ground is an endless, repeating landscape, finely sampled: the sum of waves
// of many lengths.
type ground struct {
	size int // samples of a side
	fine float64
	v    []float64
}

// newGround draws a landscape of size x size pixels, of mean 1 and the given
// relative contrast, whose waves are at least the given length, pixels.
func newGround(rng *rand.Rand, size, shortest int, contrast float64) *ground {
	const fine = 4
	g := &ground{size * fine, fine, make([]float64, size*size*fine*fine)}
	const waves = 40
	for range waves {
		// Whole numbers of waves fit into the side.
		most := size / shortest
		fx, fy := rng.IntN(2*most+1)-most, 1+rng.IntN(most)
		phase := 2 * math.Pi * rng.Float64()
		a := contrast * math.Sqrt(2.0/waves)
		sx, cx := make([]float64, g.size), make([]float64, g.size)
		for x := range sx {
			sx[x], cx[x] = math.Sincos(2 * math.Pi * float64(fx*x) / float64(g.size))
		}
		for y := range g.size {
			sy, cy := math.Sincos(2*math.Pi*float64(fy*y)/float64(g.size) + phase)
			for x := range g.size {
				g.v[y*g.size+x] += a * (sx[x]*cy + cx[x]*sy)
			}
		}
	}
	for i := range g.v {
		g.v[i]++
	}
	return g
}

// at returns the brightness at a place, in pixels.
func (g *ground) at(x, y float64) float64 {
	x, y = x*g.fine, y*g.fine
	ix, iy := math.Floor(x), math.Floor(y)
	fx, fy := x-ix, y-iy
	wrap := func(i int) int { return ((i % g.size) + g.size) % g.size }
	x0, x1 := wrap(int(ix)), wrap(int(ix)+1)
	y0, y1 := wrap(int(iy))*g.size, wrap(int(iy)+1)*g.size
	return (1-fy)*((1-fx)*g.v[y0+x0]+fx*g.v[y0+x1]) + fy*((1-fx)*g.v[y1+x0]+fx*g.v[y1+x1])
}

// pairOf says how two eyes see a ground.
type pairOf struct {
	size     int
	level    float64 // electrons, say
	ratio    float64
	offset   float64 // of the right eye
	sigma    float64 // noise of a pixel, both eyes
	parallax float64 // largest disparity along the rows, pixels
	curve    float64 // relative excess of the right eye at twice the level
	shade    float64 // relative excess of the right eye at the right edge
}

// draw makes both images of a ground, seen from a place of its own.
func (p pairOf) draw(rng *rand.Rand, g *ground) (left, right *Raster) {
	left, right = NewRaster(p.size, p.size), NewRaster(p.size, p.size)
	x0, y0 := float64(g.size)*rng.Float64(), float64(g.size)*rng.Float64()
	// Relief: two crossing waves of about 40 pixels.
	k1, k2 := 2*math.Pi/(35+10*rng.Float64()), 2*math.Pi/(35+10*rng.Float64())
	p1, p2 := 2*math.Pi*rng.Float64(), 2*math.Pi*rng.Float64()
	for y := range p.size {
		for x := range p.size {
			i := y*p.size + x
			fx, fy := float64(x), float64(y)
			d := p.parallax * math.Sin(k1*fx+p1) * math.Sin(k2*fy+p2)
			l, r := g.at(x0+fx, y0+fy), g.at(x0+fx+d, y0+fy)
			r *= p.ratio * (1 + p.curve*(r-1) + p.shade*fx/float64(p.size-1))
			left.Value[i] = float32(p.level*l + p.sigma*rng.NormFloat64())
			right.Value[i] = float32(p.level*r + p.offset + p.sigma*rng.NormFloat64())
			left.Variance[i], right.Variance[i] = float32(p.sigma*p.sigma), float32(p.sigma*p.sigma)
		}
	}
	return left, right
}

func mustAgree(t *testing.T, left, right *Raster, opt AgreeOptions) *Agreement {
	t.Helper()
	a, err := Agree(left, right, opt)
	if err != nil {
		t.Fatal(err)
	}
	return a
}

// TestAgreementCoversTheTrueRatio counts how often the 95 % interval holds the
// true ratio. The bounds are those of a binomial count at 4.5 sigma; that
// leaves no room above, so how much too wide the interval may be where parallax
// rules is asked of the pulls: their mean square is 1 for noise alone (times
// n/(n-2) for U from n degrees of freedom), and above 1/9 with parallax, whose
// exchange across borders only partly cancels in U.
func TestAgreementCoversTheTrueRatio(t *testing.T) {
	const runs, p = 250, 0.95
	bound := sigmas * math.Sqrt(p*(1-p)/runs)
	for _, c := range []struct {
		name string
		pair pairOf
	}{
		{"noise alone", pairOf{size: 128, level: 1000, ratio: 1, sigma: 30}},
		{"3 % brighter", pairOf{size: 128, level: 1000, ratio: 1.03, sigma: 30}},
		{"parallax", pairOf{size: 128, level: 1000, ratio: 1, sigma: 10, parallax: 0.7}},
		{"3 % brighter with parallax", pairOf{size: 128, level: 1000, ratio: 1.03, sigma: 10, parallax: 0.7}},
	} {
		rng := newRand(11)
		g := newGround(rng, 256, 4, 0.2)
		covered := 0
		var pulls, stated moments
		dof := 0.0
		for range runs {
			left, right := c.pair.draw(rng, g)
			a := mustAgree(t, left, right, AgreeOptions{BlockPx: 16})
			if low, high := a.Interval(p); low <= c.pair.ratio && c.pair.ratio <= high {
				covered++
			}
			pulls.add((a.Ratio - c.pair.ratio) / a.U)
			stated.add(a.U / a.NoiseU)
			dof = a.DoF
		}
		share := float64(covered) / runs
		t.Logf("%s: %.1f %% covered, mean pull %.3f, mean square pull %.3f, U %.2f times that of the noise", c.name, 100*share, pulls.mean(), pulls.meanSquare(), stated.mean())
		within(t, c.name+": share of intervals that hold the truth", share, p, bound)
		if expected := dof / (dof - 2); c.pair.parallax == 0 {
			// The variance of t^2 is that of F(1, n).
			spread := expected * math.Sqrt(2*(dof-1)/(dof-4))
			within(t, c.name+": mean square pull", pulls.meanSquare(), expected, sigmas*spread/math.Sqrt(runs))
		} else if pulls.meanSquare() < 1.0/9 {
			t.Errorf("%s: mean square pull is %.3f: U is more than 3 times too large", c.name, pulls.meanSquare())
		}
		within(t, c.name+": mean pull", pulls.mean(), 0, sigmas*math.Sqrt(pulls.meanSquare()/runs))
	}
}

// TestAgreementIsJudgedWithTheSystematicUncertainty takes the same 3 % for
// right or wrong by what the calibrations claim.
func TestAgreementIsJudgedWithTheSystematicUncertainty(t *testing.T) {
	rng := newRand(3)
	g := newGround(rng, 256, 4, 0.2)
	for _, c := range []struct {
		name       string
		ratio      float64
		systematic []float64
		consistent bool
	}{
		{"equal eyes, nothing systematic", 1, nil, true},
		{"3 % apart, nothing systematic", 1.03, nil, false},
		{"3 % apart, 0.5 % each", 1.03, []float64{0.005, 0.005}, false},
		{"3 % apart, 2 % each", 1.03, []float64{0.02, 0.02}, true},
	} {
		left, right := pairOf{size: 256, level: 1000, ratio: c.ratio, sigma: 10, parallax: 0.5}.draw(rng, g)
		a := mustAgree(t, left, right, AgreeOptions{Systematic: c.systematic, CoverageFactor: 3})
		if a.Consistent != c.consistent {
			t.Errorf("%s: consistent is %t at a deviation of %.2f", c.name, a.Consistent, a.Deviation)
		}
		want := 0.0
		for _, s := range c.systematic {
			want = math.Hypot(want, s)
		}
		within(t, c.name+": systematic uncertainty", a.Systematic, want, 1e-12)
	}
	same := NewRaster(256, 256)
	for i := range same.Value {
		same.Value[i], same.Variance[i] = float32(500+i%256), 100
	}
	if a := mustAgree(t, same, same, AgreeOptions{}); a.Ratio != 1 || a.Deviation != 0 || !a.Consistent {
		t.Errorf("an image does not agree with itself: %+v", a)
	}
}

// TestAgreementShowsWhatIsWrong gives the right eye one fault at a time and
// looks for it in the part of the answer that should show it.
func TestAgreementShowsWhatIsWrong(t *testing.T) {
	base := pairOf{size: 256, level: 1000, ratio: 1, sigma: 10, parallax: 0.3}
	rng := newRand(8)
	// Broad waves, so that blocks differ in level.
	g := newGround(rng, 256, 50, 0.3)
	offset, curve, shade := base, base, base
	offset.offset, curve.curve, shade.shade = 50, 0.1, 0.05
	for _, c := range []struct {
		name                    string
		pair                    pairOf
		wantOffset              float64
		offset, levels, corners bool
	}{
		{"nothing", base, 0, false, false, false},
		{"an offset", offset, 50, true, true, false},
		{"curvature", curve, math.NaN(), true, true, false},
		{"shading", shade, 0, false, false, true},
	} {
		left, right := c.pair.draw(rng, g)
		a := mustAgree(t, left, right, AgreeOptions{BlockPx: 16})
		if !math.IsNaN(c.wantOffset) {
			within(t, c.name+": offset", a.Offset, c.wantOffset, sigmas*a.OffsetU)
		}
		if found := math.Abs(a.Offset) > sigmas*a.OffsetU; found != c.offset {
			t.Errorf("%s: offset %.2f +- %.2f", c.name, a.Offset, a.OffsetU)
		}
		first, last := a.Levels[0], a.Levels[len(a.Levels)-1]
		if found := math.Abs(last.Ratio-first.Ratio) > sigmas*math.Hypot(first.U, last.U); found != c.levels {
			t.Errorf("%s: ratio %.4f +- %.4f at level %.0f and %.4f +- %.4f at %.0f", c.name, first.Ratio, first.U, first.Level, last.Ratio, last.U, last.Level)
		}
		l, r := a.Quadrants[0], a.Quadrants[1]
		if found := math.Abs(r.Ratio-l.Ratio) > sigmas*math.Hypot(l.U, r.U); found != c.corners {
			t.Errorf("%s: ratio %.4f +- %.4f at the left and %.4f +- %.4f at the right", c.name, l.Ratio, l.U, r.Ratio, r.U)
		}
	}
}

// TestAgreementLeavesOutWhatCannotBeCompared spoils parts of a pair.
func TestAgreementLeavesOutWhatCannotBeCompared(t *testing.T) {
	rng := newRand(21)
	g := newGround(rng, 256, 4, 0.1)
	left, right := pairOf{size: 256, level: 1000, ratio: 1.02, sigma: 5}.draw(rng, g)
	each := func(x0, x1, y0, y1 int, do func(i int)) {
		for y := y0; y < y1; y++ {
			for x := x0; x < x1; x++ {
				do(y*256 + x)
			}
		}
	}
	each(0, 32, 0, 32, func(i int) { right.Value[i] *= 3 })                              // a glint
	each(32, 64, 0, 20, func(i int) { left.Flags[i], left.Value[i] = Saturated, 9e9 })   // most of a block
	each(64, 96, 0, 10, func(i int) { right.Flags[i], right.Value[i] = Hot, -9e9 })      // a third of one
	each(96, 128, 0, 32, func(i int) { left.Value[i], right.Value[i] = 0, 0 })           // the night side
	each(128, 160, 0, 10, func(i int) { left.Value[i] = float32(math.NaN()) })           // no value, no flag
	each(160, 192, 0, 32, func(i int) { left.Flags[i], right.Flags[i] = Missing, Mark }) // nothing at all
	a := mustAgree(t, left, right, AgreeOptions{})
	if a.Rejected != 1 || a.Dark != 1 || a.Blocks != 64-4 {
		t.Errorf("%d blocks rejected, %d dark, %d kept; want 1, 1, 60", a.Rejected, a.Dark, a.Blocks)
	}
	if want := 60*32*32 - 2*10*32; a.Pixels != want {
		t.Errorf("%d pixels compared, want %d", a.Pixels, want)
	}
	within(t, "ratio", a.Ratio, 1.02, sigmas*a.U)
}

// TestAgreementUncertaintyOfPureNoise compares with the propagated variance:
// the ratio of two sums of n pixels of sigma s at level l has the relative
// variance 2 s^2/(n l^2) (JCGM 100:2008, 5.1.6).
func TestAgreementUncertaintyOfPureNoise(t *testing.T) {
	rng := newRand(4)
	const runs = 60
	want := math.Sqrt2 * 20 / 1000 / 256
	var square, noise moments
	dof := 0.0
	for range runs {
		left, right := NewRaster(256, 256), NewRaster(256, 256)
		for i := range left.Value {
			left.Value[i], right.Value[i] = float32(1000+20*rng.NormFloat64()), float32(1000+20*rng.NormFloat64())
			left.Variance[i], right.Variance[i] = 400, 400
		}
		a := mustAgree(t, left, right, AgreeOptions{BlockPx: 16})
		square.add(a.U * a.U / (want * want))
		noise.add(a.NoiseU / want)
		dof = a.DoF
	}
	// The square of U has the relative variance 2/DoF.
	within(t, "mean square of U over the expected", square.mean(), 1, sigmas*math.Sqrt(2/dof/runs))
	// The mean level is known to 20/1000/256.
	within(t, "U from the variances over the expected", noise.mean(), 1, 1e-3)
}

func TestAgreeRefuses(t *testing.T) {
	lit := func(w, h int) *Raster {
		r := NewRaster(w, h)
		for i := range r.Value {
			r.Value[i], r.Variance[i] = 1000, 100
		}
		return r
	}
	for _, c := range []struct {
		name        string
		left, right *Raster
		opt         AgreeOptions
		says        string
	}{
		{"unlike sizes", lit(128, 128), lit(128, 64), AgreeOptions{}, "128 x 128 pixels and the right one 128 x 64"},
		{"too small", lit(96, 96), lit(96, 96), AgreeOptions{}, "9, and 16 are needed"},
		{"dark", NewRaster(256, 256), lit(256, 256), AgreeOptions{}, "64 of 64 blocks"},
		{"a tiny block", lit(64, 64), lit(64, 64), AgreeOptions{BlockPx: 1}, "2 or more"},
		{"a low limit", lit(64, 64), lit(64, 64), AgreeOptions{RejectSigma: 1}, "3 or more"},
		{"no levels", lit(64, 64), lit(64, 64), AgreeOptions{LevelBins: -1}, "1 or more"},
		{"a negative coverage factor", lit(64, 64), lit(64, 64), AgreeOptions{CoverageFactor: -1}, "above 0"},
		{"an impossible uncertainty", lit(64, 64), lit(64, 64), AgreeOptions{Systematic: []float64{0.01, math.NaN()}}, "systematic uncertainty 2"},
	} {
		_, err := Agree(c.left, c.right, c.opt)
		if err == nil || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%s: %v, want a word of %q", c.name, err, c.says)
		}
	}
	if _, err := Agree(lit(96, 96), lit(96, 96), AgreeOptions{}); !errors.Is(err, ErrTooFewBlocks) {
		t.Errorf("too small: %v is not ErrTooFewBlocks", err)
	}
}

func ExampleAgree() {
	left, right := NewRaster(256, 256), NewRaster(256, 256)
	rng := rand.New(rand.NewPCG(1, 2))
	for i := range left.Value {
		slope := 1000 + float64(i%256) // radiance rising to the right
		left.Value[i], right.Value[i] = float32(slope+10*rng.NormFloat64()), float32(1.01*slope+10*rng.NormFloat64())
		left.Variance[i], right.Variance[i] = 100, 100
	}
	a, err := Agree(left, right, AgreeOptions{Systematic: []float64{0.008, 0.008}})
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("right/left %.3f, consistent with 1: %t\n", a.Ratio, a.Consistent)
	// Output: right/left 1.010, consistent with 1: true
}

// BenchmarkAgree compares two images of 2048 x 2048 pixels on one core.
func BenchmarkAgree(b *testing.B) {
	const size = 2048
	left, right := NewRaster(size, size), NewRaster(size, size)
	rng := newRand(1)
	for i := range left.Value {
		left.Value[i], right.Value[i] = float32(1000+10*rng.NormFloat64()), float32(1000+10*rng.NormFloat64())
		left.Variance[i], right.Variance[i] = 100, 100
	}
	for b.Loop() {
		if _, err := Agree(left, right, AgreeOptions{}); err != nil {
			b.Fatal(err)
		}
	}
}
