package align

import (
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"reflect"
	"testing"

	"evenlight/calib"
)

// waves is an image of sinusoids up to 0.4 cycles per pixel along either axis,
// all periodic in the frame, with a red spectrum. Its displacement is exact.
func waves(seed uint64, size int, dx, dy float64) *calib.Raster {
	rng := newRand(seed)
	sum := make([]float64, size*size)
	for range 150 {
		u, v := float64(rng.IntN(size*2/5)), float64(rng.IntN(size*4/5)-size*2/5)
		phase, height := 2*math.Pi*rng.Float64(), 100/(3+math.Hypot(u, v))
		for y := range size {
			for x := range size {
				sum[y*size+x] += height * math.Sin(2*math.Pi*(u*(float64(x)-dx)+v*(float64(y)-dy))/float64(size)+phase)
			}
		}
	}
	r := calib.NewRaster(size, size)
	for i, v := range sum {
		r.Value[i] = float32(1000 + v)
	}
	return r
}

// The bound is that of Guizar-Sicairos, Thurman & Fienup (2008) for
// band-limited images without noise.
func TestShiftWithoutNoiseIsFoundToAHundredthOfAPixel(t *testing.T) {
	const bound = 0.01 // px
	type sized struct{ width, height int }
	const binned = 1600 // px: such images are binned for phase correlation
	for _, size := range []sized{{binned, binned - 200}, {32, 32}, {48, 61}, {64, 64}, {129, 100}, {300, 200}, {512, 512}} {
		if testing.Short() && size.width == binned {
			continue
		}
		scene := ground(5, size.width, size.height)
		a := render(scene, size.width, size.height, 1000, 0, 0)
		shifts := []vector{{0, 0}, {0.5, -0.5}, {0.25, 0.1}, {3.27, -2.61}}
		switch {
		case size.width == binned:
			shifts = []vector{{7.23, -31.68}}
		case size.width >= 48: // the smallest images have too little in common
			shifts = append(shifts, vector{-6.5, 5.01})
		}
		for _, d := range shifts {
			b := recast(render(scene, size.width, size.height, 1000, d.x, d.y), 0.6, 50)
			s, err := Find(a, b, Options{})
			if err != nil {
				t.Errorf("%v, displaced %v: %v", size, d, err)
				continue
			}
			if e := math.Hypot(s.DX-d.x, s.DY-d.y); e > bound {
				t.Errorf("%v, displaced %v: off by %.4f px", size, d, e)
			}
			if math.Abs(s.Gain-0.6) > 0.01 {
				t.Errorf("%v, displaced %v: contrast %.4f, want 0.6", size, d, s.Gain)
			}
		}
	}
}

func TestShiftOfWavesIsFoundToAHundredthOfAPixel(t *testing.T) {
	const bound = 0.01 // px, as above
	a := waves(8, 96, 0, 0)
	for _, d := range []vector{{0.37, -0.22}, {0.5, 0.5}, {4.75, 2.1}} {
		s, err := Find(a, waves(8, 96, d.x, d.y), Options{})
		if err != nil {
			t.Fatal(err)
		}
		if e := math.Hypot(s.DX-d.x, s.DY-d.y); e > bound {
			t.Errorf("displaced %v: off by %.4f px", d, e)
		}
	}
}

// repeats returns how often a statistical test is to be repeated.
func repeats(usual int) int {
	if testing.Short() {
		return max(2, usual/10)
	}
	return usual
}

// pulls gathers errors in units of their uncertainties.
type pulls struct {
	n, failed    int
	sum, squares float64
}

func (p *pulls) add(v float64) { p.n++; p.sum += v; p.squares += v * v }

func (p *pulls) sd() float64 { return math.Sqrt(p.squares / float64(p.n)) }

func TestUncertaintyCoversTheTruth(t *testing.T) {
	runs := repeats(40)
	d := vector{3.27, -2.61}
	even := func(int, int) float64 { return 1 }
	uneven := func(x, y int) float64 { return 0.3 + float64(x)/64 } // 0.3 to 4.3 times
	for _, c := range []struct {
		name   string
		size   int
		sigma  float64
		factor func(x, y int) float64
	}{
		{"faint noise", 256, 1, even},
		{"usual noise", 256, 5, even},
		{"noise as strong as the texture", 256, 50, even},
		{"noise twice as strong", 256, 100, even},
		{"small image", 64, 5, even},
		{"half of the usual side", 128, 20, even},
		{"uneven noise", 256, 10, uneven},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			scene, rng := ground(5, c.size, c.size), newRand(uint64(len(c.name)))
			a := render(scene, c.size, c.size, 1000, 0, 0)
			b := recast(render(scene, c.size, c.size, 1000, d.x, d.y), 0.6, 50)
			var p pulls
			for range runs {
				s, err := Find(spoil(a, c.sigma, c.factor, rng), spoil(b, c.sigma, c.factor, rng), Options{})
				if err != nil {
					p.failed++
					continue
				}
				p.add((s.DX - d.x) / s.SigmaX)
				p.add((s.DY - d.y) / s.SigmaY)
			}
			if p.failed > runs/20 {
				t.Errorf("%d of %d were not aligned", p.failed, runs)
			}
			// Four standard errors of the standard deviation and of the mean.
			tolerance := 4 / math.Sqrt(2*float64(p.n))
			if sd := p.sd(); math.Abs(sd-1) > tolerance {
				t.Errorf("pulls scatter by %.2f, want 1 within %.2f", sd, tolerance)
			}
			if mean := p.sum / float64(p.n); math.Abs(mean) > 4/math.Sqrt(float64(p.n)) {
				t.Errorf("pulls have the mean %.2f, want 0 within %.2f", mean, 4/math.Sqrt(float64(p.n)))
			}
			t.Logf("pulls: mean %.2f, scatter %.2f of %d", p.sum/float64(p.n), p.sd(), p.n)
		})
	}
}

// spoil adds noise whose standard deviation varies over the image.
func spoil(r *calib.Raster, sigma float64, factor func(x, y int) float64, rng *rand.Rand) *calib.Raster {
	out := calib.NewRaster(r.Width, r.Height)
	for i, v := range r.Value {
		s := sigma * factor(i%r.Width, i/r.Width)
		out.Value[i] = v + float32(s*rng.NormFloat64())
		out.Variance[i] = float32(s * s)
	}
	return out
}

// The bound for one image with noise sigma_a and another with sigma_b is
// (sigma_a^2 + sigma_b^2) times the inverse of the sum of outer products of
// the gradient. Here the gradient is that of the scene without noise.
func TestUncertaintyIsNearTheCramerRaoBound(t *testing.T) {
	const size, sigma, width = 256, 5.0, 5.0
	scene := ground(6, size, size)
	for i := range scene {
		scene[i].sigma = width // broad against the smoothing
	}
	step := 0.01
	var power matrix
	left, right := render(scene, size, size, 0, step, 0), render(scene, size, size, 0, -step, 0)
	up, down := render(scene, size, size, 0, 0, step), render(scene, size, size, 0, 0, -step)
	for i := range left.Value {
		g := vector{float64(right.Value[i]-left.Value[i]) / (2 * step), float64(down.Value[i]-up.Value[i]) / (2 * step)}
		power = power.plus(1, g.outer(g))
	}
	bound := power.inverse().over(1 / (2 * sigma * sigma))
	rng := newRand(4)
	s, err := Find(noisy(render(scene, size, size, 1000, 0, 0), sigma, rng), noisy(render(scene, size, size, 1000, 1.3, 0.4), sigma, rng), Options{})
	if err != nil {
		t.Fatal(err)
	}
	// The bound is for known contrast and offset; those of the tiles, and
	// the margins, cost some tens of per cent.
	for _, c := range []struct{ got, bound float64 }{{s.SigmaX, math.Sqrt(bound.xx)}, {s.SigmaY, math.Sqrt(bound.yy)}} {
		if c.got < c.bound || c.got > 1.5*c.bound {
			t.Errorf("uncertainty %.5f px; the bound is %.5f px", c.got, c.bound)
		}
	}
}

func TestNoiseAloneIsSeldomTakenForTexture(t *testing.T) {
	const nominal = 0.05
	runs := repeats(400)
	for _, size := range []int{32, 60, 128} {
		rng, passed := newRand(uint64(size)), 0
		flat := calib.NewRaster(size, size)
		opt := Options{FalseAlarm: nominal, MaxShift: float64(size) / 2}
		for range runs {
			c := newCorrelator(prepare(noisy(flat, 3, rng), opt), opt)
			_, err := c.correlate(prepare(noisy(flat, 3, rng), opt))
			if err == nil || errors.Is(err, ErrBeyond) {
				passed++
			}
		}
		// Four standard deviations of the count.
		if tolerance := 4 * math.Sqrt(nominal*(1-nominal)*float64(runs)); math.Abs(float64(passed)-nominal*float64(runs)) > tolerance {
			t.Errorf("%d px: %d of %d noise images pass at a nominal rate of %g; %.0f within %.0f expected", size, passed, runs, nominal, nominal*float64(runs), tolerance)
		}
		t.Logf("%d px: %d of %d pass phase correlation at a nominal rate of %g", size, passed, runs, nominal)
	}
}

func TestNoiseAloneIsNeverAligned(t *testing.T) {
	rng := newRand(12)
	flat := calib.NewRaster(64, 64)
	for i := range repeats(300) {
		// Even where phase correlation is made to let half of them pass.
		opt := Options{FalseAlarm: []float64{0, 0.5}[i%2]}
		if s, err := Find(noisy(flat, 3, rng), noisy(flat, 3, rng), opt); err == nil {
			t.Errorf("pair %d is aligned at %+v", i, s)
		}
	}
}

func filled(width, height int, value float32, flags calib.Flags) *calib.Raster {
	r := calib.NewRaster(width, height)
	for i := range r.Value {
		r.Value[i], r.Flags[i] = value, flags
	}
	return r
}

func TestImagesThatCannotBeAlignedAreErrors(t *testing.T) {
	const size = 128
	scene, rng := ground(5, size, size), newRand(3)
	picture := func(dx, dy float64) *calib.Raster { return noisy(render(scene, size, size, 1000, dx, dy), 3, rng) }
	stripes := func(dx float64) *calib.Raster {
		r := calib.NewRaster(size, size)
		for i := range r.Value {
			x := float64(i%size) - dx
			r.Value[i] = float32(1000 + 50*math.Sin(x*0.31) + 40*math.Sin(x*0.17) + 30*math.Sin(x*0.83))
		}
		return noisy(r, 3, rng)
	}
	partly := picture(1.5, 2.5) // checkered by 16 px with the inverse
	for i := range partly.Value {
		if (i%size/16+i/size/16)%2 == 0 {
			partly.Value[i] = 2000 - partly.Value[i]
		}
	}
	nan := float32(math.NaN())
	for _, c := range []struct {
		name string
		a, b *calib.Raster
		opt  Options
		want error
	}{
		{"flat", filled(size, size, 7, 0), filled(size, size, 7, 0), Options{}, ErrTexture},
		{"zero", calib.NewRaster(size, size), calib.NewRaster(size, size), Options{}, ErrTexture},
		{"nothing arrived", filled(size, size, nan, calib.Missing), picture(0, 0), Options{}, ErrTexture},
		{"NaN without a flag", filled(size, size, nan, 0), filled(size, size, nan, 0), Options{}, ErrTexture},
		{"all saturated", filled(size, size, 1e4, calib.Saturated), picture(0, 0), Options{}, ErrTexture},
		{"one is noise", picture(0, 0), noisy(filled(size, size, 1000, 0), 3, rng), Options{}, ErrTexture},
		{"another scene", picture(0, 0), noisy(render(ground(77, size, size), size, size, 1000, 0, 0), 3, rng), Options{}, ErrTexture},
		{"stripes", stripes(0), stripes(1.7), Options{}, ErrTexture},
		{"inverted", picture(0, 0), noisy(recast(picture(2, 3), -1, 2000), 3, rng), Options{}, ErrDisagree},
		{"half inverted", picture(0, 0), partly, Options{}, ErrTexture},
		{"beyond the limit", picture(0, 0), picture(20, 0), Options{MaxShift: 8}, ErrBeyond},
		{"unlike sizes", picture(0, 0), calib.NewRaster(64, 32), Options{}, ErrSize},
		{"too small", calib.NewRaster(31, 64), calib.NewRaster(31, 64), Options{}, ErrSize},
		{"absent", picture(0, 0), nil, Options{}, ErrSize},
	} {
		if s, err := Find(c.a, c.b, c.opt); !errors.Is(err, c.want) {
			t.Errorf("%s: %v (%+v), want %v", c.name, err, s, c.want)
		}
	}
}

func TestUnlikeSizesAreNamed(t *testing.T) {
	_, err := Find(calib.NewRaster(40, 50), calib.NewRaster(60, 70), Options{})
	want := "images cannot be compared: the reference has 40 x 50 pixels, the other 60 x 70; cut both to the same part of the detector"
	if err == nil || err.Error() != want {
		t.Errorf("%v, want %s", err, want)
	}
}

// A bright cloud of 90 x 110 px, 15 % of the frame, drifts over the ground.
func TestGroundWinsOverADriftingCloud(t *testing.T) {
	const size, sigma = 256, 3.0
	d := vector{3.27, -2.61}
	for _, height := range []float64{100, 300, 1000} {
		for _, drift := range []vector{{1, 1}, {4, -2}, {9, 4}, {-20, 10}} {
			rng := newRand(9)
			scene := ground(5, size, size)
			still, moved := render(scene, size, size, 1000, 0, 0), render(scene, size, size, 1000, d.x, d.y)
			var cloud []blob
			for range 60 {
				cloud = append(cloud, blob{70 + 60*rng.Float64(), 80 + 80*rng.Float64(), 3 + 5*rng.Float64(), height * rng.Float64()})
			}
			for i, v := range render(cloud, size, size, 0, 0, 0).Value {
				still.Value[i] += v
			}
			for i, v := range render(cloud, size, size, 0, d.x+drift.x, d.y+drift.y).Value {
				moved.Value[i] += v
			}
			s, err := Find(noisy(still, sigma, rng), noisy(moved, sigma, rng), Options{})
			if err != nil {
				t.Errorf("cloud of %g drifting %v: %v", height, drift, err)
				continue
			}
			// Tiles that the cloud's rim touches by less than their noise stay
			// in, so some of the error is not noise.
			if ex, ey := s.DX-d.x, s.DY-d.y; math.Hypot(ex, ey) > 0.02 || math.Hypot(ex/s.SigmaX, ey/s.SigmaY) > 6 {
				t.Errorf("cloud of %g drifting %v: off by %.4f, %.4f px with uncertainty %.4f px", height, drift, ex, ey, s.SigmaX)
			}
			if s.Agree > 0.95 {
				t.Errorf("cloud of %g drifting %v: %.0f %% of the tiles agree; the cloud's cannot", height, drift, 100*s.Agree)
			}
		}
	}
}

func TestBandsOfUnlikeColourRaiseTheUncertainty(t *testing.T) {
	const size = 256
	d := vector{1.4, 0.7}
	scene := ground(5, size, size)
	a := render(scene, size, size, 1000, 0, 0)
	var p pulls
	for seed := range uint64(12) {
		rng := newRand(seed)
		b := render(scene, size, size, 1000, d.x, d.y)
		for i, v := range render(ground(100+seed, size, size), size, size, 0, 0, 0).Value {
			b.Value[i] += v / 10 // the colour of the ground has a pattern of its own
		}
		s, err := Find(noisy(a, 1, rng), noisy(b, 1, rng), Options{})
		if err != nil {
			t.Fatal(err)
		}
		if s.Scatter < 2 {
			t.Errorf("scatter %.1f; the pattern of colours is several times the noise", s.Scatter)
		}
		p.add((s.DX - d.x) / s.SigmaX)
		p.add((s.DY - d.y) / s.SigmaY)
	}
	if sd, limit := p.sd(), 1+4/math.Sqrt(2*float64(p.n)); sd > limit {
		t.Errorf("pulls scatter by %.2f, want at most %.2f", sd, limit)
	}
}

// mask flags some pixels at the same places in both images.
func mask(share float64, rng *rand.Rand, a, b *calib.Raster, value float32) {
	for i := range a.Value {
		if rng.Float64() < share {
			a.Value[i], a.Flags[i] = value, calib.Hot
			b.Value[i], b.Flags[i] = value, calib.Saturated
		}
	}
}

func TestBadPixelsDoNotCount(t *testing.T) {
	const size = 192
	d := vector{2.3, -1.6}
	scene := ground(5, size, size)
	a, b := render(scene, size, size, 1000, 0, 0), render(scene, size, size, 1000, d.x, d.y)
	for _, share := range []float64{0.001, 0.01, 0.05, 0.1} {
		var first Shift
		for i, value := range []float32{0, 65535, float32(math.NaN()), float32(math.Inf(1))} {
			na, nb := noisy(a, 3, newRand(1)), noisy(b, 3, newRand(2))
			mask(share, newRand(3), na, nb, value)
			s, err := Find(na, nb, Options{})
			if err != nil {
				t.Fatalf("%g bad: %v", share, err)
			}
			if i == 0 {
				first = s
			}
			if s != first {
				t.Errorf("%g bad: the value %v of a bad pixel changes the result: %+v, %+v", share, value, s, first)
			}
			if r := math.Hypot((s.DX-d.x)/s.SigmaX, (s.DY-d.y)/s.SigmaY); r > 4 {
				t.Errorf("%g bad: %.4f, %.4f px are %.1f sigma off", share, s.DX, s.DY, r)
			}
		}
	}
}

func TestAllowedFlagsAreUsed(t *testing.T) {
	const size = 96
	scene, rng := ground(5, size, size), newRand(1)
	a, b := noisy(render(scene, size, size, 1000, 0, 0), 3, rng), noisy(render(scene, size, size, 1000, 1, 1), 3, rng)
	for i := range a.Flags {
		a.Flags[i] = calib.OffsetUnsure | calib.Interpolated
	}
	if _, err := Find(a, b, Options{}); !errors.Is(err, ErrTexture) {
		t.Errorf("all pixels flagged: %v, want %v", err, ErrTexture)
	}
	if _, err := Find(a, b, Options{Allow: calib.OffsetUnsure}); err != nil {
		t.Error(err)
	}
	for i := range a.Flags {
		a.Flags[i] = calib.Saturated
	}
	if _, err := Find(a, b, Options{Allow: calib.Saturated}); !errors.Is(err, ErrTexture) {
		t.Errorf("unusable pixels allowed: %v, want %v", err, ErrTexture)
	}
}

func TestHoleInBothImagesDoesNotHoldThemTogether(t *testing.T) {
	const size = 256
	d := vector{3.4, 1.2}
	scene, rng := ground(5, size, size), newRand(6)
	a, b := noisy(render(scene, size, size, 1000, 0, 0), 3, rng), noisy(render(scene, size, size, 1000, d.x, d.y), 3, rng)
	for y := 120; y < size; y++ {
		for x := 100; x < size; x++ {
			i := y*size + x
			a.Flags[i], b.Flags[i] = calib.Missing, calib.NoCalibration
		}
	}
	s, err := Find(a, b, Options{})
	if err != nil {
		t.Fatal(err)
	}
	if r := math.Hypot((s.DX-d.x)/s.SigmaX, (s.DY-d.y)/s.SigmaY); r > 4 {
		t.Errorf("%.4f, %.4f px are %.1f sigma off", s.DX, s.DY, r)
	}
}

func TestFindAllIsFindForEach(t *testing.T) {
	const width, height = 150, 203
	scene, rng := ground(5, width, height), newRand(1)
	a := noisy(render(scene, width, height, 1000, 0, 0), 3, rng)
	others := []*calib.Raster{
		noisy(render(scene, width, height, 1000, 1.2, 3.4), 3, rng),
		calib.NewRaster(10, 10),
		noisy(recast(render(scene, width, height, 1000, -5.6, 7.8), 0.4, 9), 3, rng),
	}
	shifts, errs := FindAll(a, others, Options{})
	for i, b := range others {
		s, err := Find(a, b, Options{})
		if s != shifts[i] || fmt.Sprint(err) != fmt.Sprint(errs[i]) {
			t.Errorf("image %d: %+v (%v), alone %+v (%v)", i, shifts[i], errs[i], s, err)
		}
	}
}

func TestResultDoesNotDependOnWorkers(t *testing.T) {
	const width, height = 263, 310
	scene, rng := ground(5, width, height), newRand(1)
	a := noisy(render(scene, width, height, 1000, 0, 0), 3, rng)
	b := noisy(render(scene, width, height, 1000, 1.2, 3.4), 3, rng)
	mask(0.01, rng, a, b, 0)
	before := [2]*calib.Raster{noisy(a, 0, rng), noisy(b, 0, rng)}
	one, err := Find(a, b, Options{Workers: 1})
	if err != nil {
		t.Fatal(err)
	}
	field, err := FindLocal(a, b, 64, Options{Workers: 1})
	if err != nil {
		t.Fatal(err)
	}
	for _, workers := range []int{0, 2, 3} {
		if s, err := Find(a, b, Options{Workers: workers}); s != one || err != nil {
			t.Errorf("%d workers: %+v (%v), one: %+v", workers, s, err, one)
		}
		if f, err := FindLocal(a, b, 64, Options{Workers: workers}); !reflect.DeepEqual(f, field) || err != nil {
			t.Errorf("%d workers: another field (%v)", workers, err)
		}
	}
	if !reflect.DeepEqual(a.Value, before[0].Value) || !reflect.DeepEqual(b.Value, before[1].Value) {
		t.Error("an image was changed")
	}
}

// A turn by 0.01 rad about the middle displaces the corners by 1.3 px.
func TestLocalShiftsShowATurn(t *testing.T) {
	const size, middle, angle = 256, 128.0, 0.01
	turn := func(x, y float64) (float64, float64) {
		sin, cos := math.Sincos(angle)
		return middle + (x-middle)*cos - (y-middle)*sin, middle + (x-middle)*sin + (y-middle)*cos
	}
	scene, rng := ground(5, size, size), newRand(1)
	turned := append([]blob(nil), scene...)
	for i, b := range scene {
		turned[i].x, turned[i].y = turn(b.x, b.y)
	}
	field, err := FindLocal(noisy(render(scene, size, size, 1000, 0, 0), 3, rng), noisy(render(turned, size, size, 1000, 0, 0), 3, rng), 64, Options{Workers: 2})
	if err != nil {
		t.Fatal(err)
	}
	if field.Across != 4 || field.Down != 4 || len(field.Tiles) != 16 {
		t.Fatalf("%d x %d tiles", field.Across, field.Down)
	}
	var p pulls
	for _, l := range field.Tiles {
		if !l.OK {
			t.Errorf("tile at %g, %g: %v", l.X, l.Y, l.Err)
			continue
		}
		x, y := turn(l.X, l.Y)
		p.add((l.DX - (x - l.X)) / l.SigmaX)
		p.add((l.DY - (y - l.Y)) / l.SigmaY)
		// Texture is not spread evenly over a tile, so its mean displacement
		// is that of a place some pixels from the centre.
		if e := math.Hypot(l.DX-(x-l.X), l.DY-(y-l.Y)); e > 16*angle {
			t.Errorf("tile at %g, %g: off by %.3f px", l.X, l.Y, e)
		}
	}
	if sd := p.sd(); sd > 1+4/math.Sqrt(2*float64(p.n)) {
		t.Errorf("pulls scatter by %.2f; the turn within a tile should be in the uncertainty", sd)
	}
}

func TestTilesWithoutTextureHaveNoShift(t *testing.T) {
	const size = 192
	scene, rng := ground(5, size, size), newRand(1)
	a, b := render(scene, size, size, 1000, 0, 0), render(scene, size, size, 1000, 2.2, 0.9)
	for y := range size {
		for x := size / 2; x < size; x++ {
			a.Value[y*size+x], b.Value[y*size+x] = 1000, 1000
		}
	}
	field, err := FindLocal(noisy(a, 3, rng), noisy(b, 3, rng), 48, Options{})
	if err != nil {
		t.Fatal(err)
	}
	for _, l := range field.Tiles {
		if l.X > size/2 && (l.OK || !errors.Is(l.Err, ErrTexture)) {
			t.Errorf("sky at %g, %g: %+v", l.X, l.Y, l)
		}
		if l.X < size/2 && !l.OK {
			t.Errorf("ground at %g, %g: %v", l.X, l.Y, l.Err)
		}
	}
	for _, side := range []int{0, 31, size + 1} {
		if _, err := FindLocal(a, b, side, Options{}); !errors.Is(err, ErrSize) {
			t.Errorf("side %d: %v, want %v", side, err, ErrSize)
		}
	}
}
