package moving

import (
	"errors"
	"fmt"
	"math"
	"reflect"
	"testing"

	"evenlight/calib"
)

// perfect says that the bands are aligned as well as can be told.
var perfect = Options{AlignSigmaPx: 0.002, MinShiftPx: 0.5}

// shorter returns how often something is drawn: few times in a short run.
func shorter(all, few int) int {
	if testing.Short() {
		return few
	}
	return all
}

// skipShort leaves a test that counts over many scenes out of a short run.
func skipShort(t *testing.T) {
	t.Helper()
	if testing.Short() {
		t.Skip("counts over many scenes")
	}
}

// find runs Find and fails the test on an error.
func find(t *testing.T, bands []*calib.Raster, times []float64, opt Options) []Mover {
	t.Helper()
	movers, err := Find(bands, times, opt, 2)
	if err != nil {
		t.Fatal(err)
	}
	return movers
}

// match pairs the movers with the blobs of a scene, one each, by place; it
// fails the test where any is missing or too many.
func match(t *testing.T, movers []Mover, blobs []blob) []Mover {
	t.Helper()
	if len(movers) != len(blobs) {
		t.Fatalf("%d movers found, there are %d", len(movers), len(blobs))
	}
	out := make([]Mover, len(blobs))
	for i, b := range blobs {
		for _, m := range movers {
			if math.Hypot(m.Positions[0].X-b.at[0].x, m.Positions[0].Y-b.at[0].y) < 2*b.sigma+3 {
				out[i] = m
			}
		}
		if out[i].Positions == nil {
			t.Fatalf("nothing found at %.1f", b.at[0])
		}
	}
	return out
}

// idealSigmas is the significance of a blob under white noise of standard
// deviation noise (relative) with a brightness that is free in each pixel:
//
//	c/noise sqrt( pi s^2 [ n - 1/n sum_bc exp(-|p_b - p_c|^2 / 4 s^2) ] ),
//
// from the squared norm pi s^2 of the Gaussian and its autocorrelation. A fit
// that also frees the colour of the ground reaches somewhat less.
func idealSigmas(b blob, noise float64) float64 {
	n := float64(len(b.at))
	sum := n
	for _, p := range b.at {
		for _, q := range b.at {
			sum -= math.Exp(-p.squared(q)/(4*b.sigma*b.sigma)) / n
		}
	}
	return math.Abs(b.contrast) / noise * math.Sqrt(math.Pi*b.sigma*b.sigma*sum)
}

func TestFindsWhatMovedAndNothingElse(t *testing.T) {
	for _, c := range []struct {
		name            string
		bands           int
		sigma, contrast float64
		stepX, stepY    float64
		brief           bool // part of a short run
	}{
		{"small and fast", 3, 3, 0.1, 32, 24, false},
		{"small and slow", 3, 3, 0.1, 1.6, 1.2, false},
		{"middling", 3, 6, 0.05, -8, 6, false},
		{"large and fast", 3, 15, 0.05, -24, -32, false},
		{"large over its own trace", 3, 15, 0.3, 5, -4, false},
		{"large and slow", 3, 15, 0.1, 1.6, 1.2, false},
		{"dark", 3, 8, -0.2, 12, 0, false},
		{"dark over its own trace", 3, 8, -0.2, 0, 3, true},
		{"four bands", 4, 6, 0.05, 10, 5, false},
		{"two bands", 2, 6, 0.1, 24, -18, true},
		{"two bands over its own trace", 2, 6, 0.1, -4, 3, false},
		{"two bands and dark", 2, 10, -0.15, 20, 20, false},
		{"two bands, dark, over its own trace", 2, 10, -0.15, 6, 0, false},
	} {
		if testing.Short() && !c.brief {
			continue
		}
		for _, aligned := range []struct {
			name string
			opt  Options
		}{{"", perfect}, {", alignment unsure", Options{}}} {
			t.Run(c.name+aligned.name, func(t *testing.T) {
				s := scene{width: 320, height: 320, bands: c.bands, level: 50, noise: 0.01}
				s.blobs = []blob{{track(160.3-c.stepX, 158.6-c.stepY, c.stepX, c.stepY, c.bands), c.sigma, c.contrast}}
				m := match(t, find(t, s.expose(newRNG(3)), evenTimes(c.bands, 10), aligned.opt), s.blobs)[0]
				checkAgainst(t, m, s.blobs[0])
				if ideal := idealSigmas(s.blobs[0], s.noise); m.Significance > ideal+4 {
					t.Errorf("significance %.1f, more than the %.1f that noise allows", m.Significance, ideal)
				}
			})
		}
	}
}

// checkAgainst compares a mover with the truth, within four sigmas.
func checkAgainst(t *testing.T, m Mover, truth blob) {
	t.Helper()
	for b, p := range m.Positions {
		if math.Abs(p.X-truth.at[b].x) > 4*p.SigmaX || math.Abs(p.Y-truth.at[b].y) > 4*p.SigmaY {
			t.Errorf("band %d: %.3f, %.3f +- %.3f, %.3f, truth %.3f", b, p.X, p.Y, p.SigmaX, p.SigmaY, truth.at[b])
		}
	}
	if math.Abs(m.Contrast-truth.contrast) > 4*m.ContrastSigma {
		t.Errorf("contrast %.4f +- %.4f, truth %.4f", m.Contrast, m.ContrastSigma, truth.contrast)
	}
	if math.Abs(m.SizePx-truth.sigma) > 4*m.SizeSigmaPx {
		t.Errorf("size %.3f +- %.3f, truth %.3f", m.SizePx, m.SizeSigmaPx, truth.sigma)
	}
	if want := 2 * math.Pi * m.SizePx * m.SizePx; math.Abs(m.AreaPx-want) > 1e-9*want {
		t.Errorf("area %.2f, of the size %.2f", m.AreaPx, want)
	}
	if m.Motion != Consistent {
		t.Errorf("even motion is called %v", m.Motion)
	}
}

// Several movers, dark and bright, large and small, over land with craters
// and colour and with bands that are not quite aligned.
func TestFindsSeveralMoversOverColouredLand(t *testing.T) {
	rng := newRNG(11)
	s := scene{width: 640, height: 640, bands: 3, level: 80, noise: 0.01}
	s.land = landscape(rng, 640, 640)
	s.shift = [4]point{{0.06, -0.05}, {-0.08, 0.02}, {0.03, 0.07}}
	s.blobs = []blob{
		{track(100, 120, 20, 5, 3), 4, 0.15},
		{track(420, 100, -6, 14, 3), 6, 0.2},
		{track(150, 450, 3, -4, 3), 5, 0.25},
		{track(450, 430, 30, 20, 3), 8, -0.25},
		{track(320, 300, -12, 9, 3), 3, -0.2},
	}
	bands := s.expose(rng)
	for i, m := range match(t, find(t, bands, evenTimes(3, 4), Options{}), s.blobs) {
		b := s.blobs[i]
		if m.Contrast*b.contrast <= 0 {
			t.Errorf("mover %d has contrast %.3f, truth %.3f", i, m.Contrast, b.contrast)
		}
		for _, d := range m.Displacements {
			dx, dy := b.at[d.To].x-b.at[d.From].x, b.at[d.To].y-b.at[d.From].y
			if math.Abs(d.DX-dx) > 4*d.SigmaX || math.Abs(d.DY-dy) > 4*d.SigmaY {
				t.Errorf("mover %d, bands %d to %d: way %.2f, %.2f +- %.2f, %.2f, truth %.2f, %.2f",
					i, d.From, d.To, d.DX, d.DY, d.SigmaX, d.SigmaY, dx, dy)
			}
		}
	}
}

// The seeds are fixed, so this is a statement about these 60 scenes: at
// least 95 % of each kind hold no false mover.
func TestStaticGroundHoldsNoMover(t *testing.T) {
	skipShort(t)
	const runs = 20
	for bands := 2; bands <= 4; bands++ {
		t.Run(fmt.Sprint(bands, " bands"), func(t *testing.T) {
			withMover := 0
			for seed := range uint64(runs) {
				rng := newRNG(5000 + seed)
				s := scene{width: 320, height: 320, bands: bands, level: 60, noise: 0.01, disc: seed%2 == 1}
				s.land = landscape(rng, 320, 320)
				for b := range bands {
					s.shift[b] = point{0.2*rng.Float64() - 0.1, 0.2*rng.Float64() - 0.1}
				}
				if movers := find(t, s.expose(rng), evenTimes(bands, 10), Options{}); len(movers) > 0 {
					withMover++
					t.Logf("seed %d: %.1f, contrast %.3f, size %.1f", seed, movers[0].Positions, movers[0].Contrast, movers[0].SizePx)
				}
			}
			t.Logf("%d of %d static scenes have a mover", withMover, runs)
			if withMover > runs*5/100 {
				t.Errorf("%d of %d static scenes have a mover", withMover, runs)
			}
		})
	}
}

// A blob whose ideal significance is twice the threshold must be found, one
// of half the threshold must not. With a true rate of 99 % or more, two
// misses in four have a probability of 6e-4.
func TestDetectionByNoiseAndWay(t *testing.T) {
	skipShort(t)
	const runs, mostMisses = 4, 1
	opt := perfect
	opt.MinSigma = 8
	for _, sigma := range []float64{3, 8} {
		for _, way := range []float64{3, 10, 40} {
			for _, cnr := range []float64{0.25, 1, 2, 5} {
				found, ideal := 0, 0.0
				for seed := range uint64(runs) {
					rng := newRNG(900 + seed)
					s := scene{width: 192, height: 192, bands: 3, level: 50, noise: 0.02}
					x, y := 60+rng.Float64(), 70+rng.Float64()
					s.blobs = []blob{{track(x, y, 0.8*way, 0.6*way, 3), sigma, cnr * s.noise}}
					ideal = idealSigmas(s.blobs[0], s.noise)
					for _, m := range find(t, s.expose(rng), evenTimes(3, 10), opt) {
						middle := s.blobs[0].at[1]
						switch {
						case math.Hypot(m.Positions[0].X-x, m.Positions[0].Y-y) < sigma:
							found++
						case math.Hypot(m.Positions[1].X-middle.x, m.Positions[1].Y-middle.y) < 2*sigma:
							// The blob, with its way or sign mistaken: a miss.
						default:
							t.Errorf("size %g, way %g, contrast-to-noise %g: false mover at %.1f", sigma, way, cnr, m.Positions)
						}
					}
				}
				t.Logf("size %2g px, way %2g px, contrast-to-noise %3g, ideal %5.1f sigma: found %2d of %d", sigma, way, cnr, ideal, found, runs)
				if ideal > 2*opt.MinSigma && found < runs-mostMisses {
					t.Errorf("size %g, way %g, contrast-to-noise %g: only %d of %d found at %.1f sigma", sigma, way, cnr, found, runs, ideal)
				}
				if ideal < opt.MinSigma/2 && found > 0 {
					t.Errorf("size %g, way %g, contrast-to-noise %g: %d of %d found at %.1f sigma", sigma, way, cnr, found, runs, ideal)
				}
			}
		}
	}
}

// pulls gathers errors over their uncertainties.
type pulls struct{ n, sum, square float64 }

func (p *pulls) add(v float64) {
	p.n++
	p.sum += v
	p.square += v * v
}

// check demands mean 0 and standard deviation 1 within four standard errors.
// The values of one mover are correlated at most within the mover, so the
// number of movers counts for the mean.
func (p *pulls) check(t *testing.T, name string, movers int) {
	t.Helper()
	mean := p.sum / p.n
	sd := math.Sqrt(p.square/p.n - mean*mean)
	t.Logf("%s: pull mean %+.3f sd %.3f of %g", name, mean, sd, p.n)
	if math.Abs(mean) > 4/math.Sqrt(float64(movers)) {
		t.Errorf("%s: pull mean %+.3f", name, mean)
	}
	if math.Abs(sd-1) > 4/math.Sqrt(2*float64(movers)) {
		t.Errorf("%s: pull sd %.3f", name, sd)
	}
}

func TestStatedUncertaintiesAreTheErrors(t *testing.T) {
	skipShort(t)
	const frames, dt, metre = 5, 5, 120.0
	opt := perfect
	opt.MetrePerPx = metre
	var places, velocities, speeds, contrasts pulls
	var square, inside, count float64
	for seed := range uint64(frames) {
		rng := newRNG(70 + seed)
		s := scene{width: 480, height: 480, bands: 3, level: 50, noise: 0.02}
		for i := range 9 {
			x, y := 90+140*float64(i%3)+10*rng.Float64(), 90+140*float64(i/3)+10*rng.Float64()
			turn, way := 2*math.Pi*rng.Float64(), 8+14*rng.Float64()
			s.blobs = append(s.blobs, blob{
				track(x-way*math.Cos(turn), y-way*math.Sin(turn), way*math.Cos(turn), way*math.Sin(turn), 3),
				3 + 4*rng.Float64(), 0.1 + 0.1*rng.Float64(),
			})
		}
		for i, m := range match(t, find(t, s.expose(rng), evenTimes(3, dt), opt), s.blobs) {
			b := s.blobs[i]
			for k, p := range m.Positions {
				places.add((p.X - b.at[k].x) / p.SigmaX)
				places.add((p.Y - b.at[k].y) / p.SigmaY)
				square += (p.X-b.at[k].x)*(p.X-b.at[k].x) + (p.Y-b.at[k].y)*(p.Y-b.at[k].y)
			}
			contrasts.add((m.Contrast - b.contrast) / m.ContrastSigma)
			vx, vy := (b.at[1].x-b.at[0].x)/dt, (b.at[1].y-b.at[0].y)/dt
			velocities.add((m.Velocity.VX - vx) / m.Velocity.SigmaX)
			velocities.add((m.Velocity.VY - vy) / m.Velocity.SigmaY)
			speed := math.Hypot(vx, vy) * metre
			speeds.add((m.Velocity.GroundSpeed - speed) / m.Velocity.GroundSpeedSigma)
			if m.Motion == Consistent {
				inside++
			}
			count++
		}
	}
	movers := int(count)
	places.check(t, "places", movers)
	velocities.check(t, "velocities", movers)
	speeds.check(t, "speeds over ground", movers)
	contrasts.check(t, "contrasts", movers)
	t.Logf("root mean square error of a place: %.3f px along each axis", math.Sqrt(square/(6*count)))
	// One even motion in a thousand is called inconsistent; three in this
	// many have a probability of 6e-5.
	if inside < count-2 {
		t.Errorf("%g of %g even motions are consistent", inside, count)
	}
}

func TestUnevenMotionIsMarked(t *testing.T) {
	s := scene{width: 320, height: 320, bands: 3, level: 50, noise: 0.01}
	s.blobs = []blob{{[]point{{80, 90}, {105, 90}, {105, 125}}, 6, 0.1}}
	m := match(t, find(t, s.expose(newRNG(1)), evenTimes(3, 10), perfect), s.blobs)[0]
	if m.Motion != Inconsistent || m.DOF != 2 {
		t.Errorf("motion round a corner is called %v with %d degrees of freedom", m.Motion, m.DOF)
	}
	if d := m.Displacements[1]; d.From != 0 || d.To != 2 || math.Abs(d.DX-25) > 4*d.SigmaX || math.Abs(d.DY-35) > 4*d.SigmaY {
		t.Errorf("displacement %+v, truth 25, 35", d)
	}
}

// The way follows the times, not the order of the bands.
func TestTimesNeedNoOrderAndNoEvenSteps(t *testing.T) {
	s := scene{width: 320, height: 320, bands: 3, level: 50, noise: 0.01}
	times := []float64{30, 0, 10}
	const vx, vy = 1.5, -0.7
	var at []point
	for _, when := range times {
		at = append(at, point{120 + vx*when, 180 + vy*when})
	}
	s.blobs = []blob{{at, 5, 0.1}}
	m := match(t, find(t, s.expose(newRNG(1)), times, perfect), s.blobs)[0]
	v := m.Velocity
	if math.Abs(v.VX-vx) > 4*v.SigmaX || math.Abs(v.VY-vy) > 4*v.SigmaY || m.Motion != Consistent {
		t.Errorf("velocity %.4f, %.4f +- %.4f, %.4f (%v), truth %g, %g", v.VX, v.VY, v.SigmaX, v.SigmaY, m.Motion, vx, vy)
	}
}

func TestWithoutTimesThereAreDisplacementsOnly(t *testing.T) {
	for name, times := range map[string][]float64{"no times": nil, "equal times": {7, 7, 7}} {
		t.Run(name, func(t *testing.T) {
			s := scene{width: 256, height: 256, bands: 3, level: 50, noise: 0.01}
			s.blobs = []blob{{track(100, 100, 15, 8, 3), 5, 0.1}}
			m := match(t, find(t, s.expose(newRNG(1)), times, perfect), s.blobs)[0]
			if m.Velocity != nil || m.Motion != Untested {
				t.Errorf("velocity %v, motion %v", m.Velocity, m.Motion)
			}
			if d := m.Displacements[0]; math.Abs(d.DX-15) > 4*d.SigmaX || math.Abs(d.DY-8) > 4*d.SigmaY {
				t.Errorf("displacement %+v, truth 15, 8", d)
			}
		})
	}
}

// The alignment's uncertainty is part of that of the way: for the difference
// of two bands it is sqrt(2) times that of one.
func TestAlignmentCountsInDisplacements(t *testing.T) {
	s := scene{width: 256, height: 256, bands: 2, level: 50, noise: 0.001}
	s.blobs = []blob{{track(90, 90, 30, 20, 2), 5, 0.2}}
	opt := Options{AlignSigmaPx: 0.2}
	m := match(t, find(t, s.expose(newRNG(1)), evenTimes(2, 10), opt), s.blobs)[0]
	// The noise of the place itself is about noise/contrast/sqrt(pi) = 0.003 px.
	if want := 0.2 * math.Sqrt2; math.Abs(m.Displacements[0].SigmaX-want) > 0.1*want {
		t.Errorf("uncertainty %.4f px, alignment alone gives %.4f px", m.Displacements[0].SigmaX, want)
	}
	if want := 0.2 * math.Sqrt2 / 10; math.Abs(m.Velocity.SigmaX-want) > 0.1*want {
		t.Errorf("uncertainty %.4f px/s, alignment alone gives %.4f px/s", m.Velocity.SigmaX, want)
	}
}

// spoil writes absurd values with a flag into a part of one band.
func spoil(r *calib.Raster, region calib.Region, flag calib.Flags) {
	for y := region.Y0; y < region.Y1; y++ {
		for x := region.X0; x < region.X1; x++ {
			i := y*r.Width + x
			r.Value[i], r.Flags[i] = 1e30, flag
			if flag&calib.Unusable != 0 {
				r.Variance[i] = float32(math.NaN())
			}
			if flag&calib.Missing != 0 {
				r.Value[i] = float32(math.NaN())
			}
		}
	}
}

func TestFlaggedPixelsAreLeftOut(t *testing.T) {
	s := scene{width: 256, height: 256, bands: 3, level: 50, noise: 0.01}
	s.blobs = []blob{{track(100, 120, 16, 8, 3), 6, 0.1}}
	bands := s.expose(newRNG(4))
	spoil(bands[0], calib.Region{X0: 0, X1: 9, Y0: 0, Y1: 256}, calib.Missing)
	spoil(bands[1], calib.Region{X0: 0, X1: 256, Y0: 250, Y1: 256}, calib.Missing|calib.Interpolated)
	spoil(bands[2], calib.Region{X0: 200, X1: 220, Y0: 30, Y1: 60}, calib.Saturated)
	spoil(bands[0], calib.Region{X0: 60, X1: 61, Y0: 0, Y1: 256}, calib.Hot)
	spoil(bands[1], calib.Region{X0: 112, X1: 115, Y0: 126, Y1: 129}, calib.Dead) // within the mover
	for i := range bands[2].Flags {
		bands[2].Flags[i] |= calib.Interpolated | calib.Moved // says nothing against a value
	}
	m := match(t, find(t, bands, evenTimes(3, 10), perfect), s.blobs)[0]
	for b, p := range m.Positions {
		if truth := s.blobs[0].at[b]; math.Abs(p.X-truth.x) > 4*p.SigmaX || math.Abs(p.Y-truth.y) > 4*p.SigmaY {
			t.Errorf("band %d: %+v, truth %.2f", b, p, truth)
		}
	}
	d, err := Compare(bands, Options{}, 2)
	if err != nil {
		t.Fatal(err)
	}
	// Where one of three bands is out the other two are compared.
	if v := d.Map.Value[40*256+210]; v != v || v > 5 {
		t.Errorf("disagreement %v where one band is saturated", v)
	}
}

// A long cloud, of two round ones that overlap, is one mover whose way is that
// of the cloud.
func TestCloudNeedNotBeRound(t *testing.T) {
	s := scene{width: 320, height: 320, bands: 3, level: 50, noise: 0.01}
	s.blobs = []blob{
		{track(90, 100, 22, 11, 3), 6, 0.08},
		{track(96, 103, 22, 11, 3), 6, 0.06},
	}
	movers := find(t, s.expose(newRNG(3)), evenTimes(3, 10), perfect)
	if len(movers) != 1 {
		t.Fatalf("%d movers, there is one cloud", len(movers))
	}
	for _, d := range movers[0].Displacements {
		steps := float64(d.To - d.From)
		if math.Abs(d.DX-22*steps) > 4*d.SigmaX || math.Abs(d.DY-11*steps) > 4*d.SigmaY {
			t.Errorf("way %.2f, %.2f +- %.2f, %.2f, truth %.0f, %.0f", d.DX, d.DY, d.SigmaX, d.SigmaY, 22*steps, 11*steps)
		}
	}
	if movers[0].Motion != Consistent {
		t.Errorf("even motion is called %v", movers[0].Motion)
	}
}

// Bands that were moved by half a pixel with linear weights have a quarter of
// the variance in each pixel and neighbours that go together, so that the
// scatter over an area is twice what the variances say.
func TestCorrelatedNoiseIsNoMover(t *testing.T) {
	for seed := range uint64(shorter(6, 2)) {
		s := scene{width: 320, height: 320, bands: 3, level: 50, noise: 0.02}
		bands := s.expose(newRNG(40 + seed))
		for _, r := range bands[1:] {
			for i := range len(r.Value) - r.Width - 1 {
				r.Value[i] = (r.Value[i] + r.Value[i+1] + r.Value[i+r.Width] + r.Value[i+r.Width+1]) / 4
				r.Variance[i] = (r.Variance[i] + r.Variance[i+1] + r.Variance[i+r.Width] + r.Variance[i+r.Width+1]) / 16
				r.Flags[i] = calib.Interpolated
			}
		}
		if movers := find(t, bands, evenTimes(3, 10), Options{}); len(movers) > 0 {
			t.Errorf("seed %d: %d movers from noise, the first at %.1f", seed, len(movers), movers[0].Positions)
		}
	}
}

// Hits of single pixels and of pairs are no movers, however strong.
func TestHitsAreNoMovers(t *testing.T) {
	rng := newRNG(8)
	s := scene{width: 320, height: 320, bands: 3, level: 50, noise: 0.01}
	bands := s.expose(rng)
	for range 200 {
		r := bands[rng.IntN(3)]
		i := rng.IntN(len(r.Value) - 1)
		r.Value[i] += 100
		r.Value[i+1] += float32(100 * rng.IntN(2))
	}
	if movers := find(t, bands, evenTimes(3, 10), Options{}); len(movers) > 0 {
		t.Errorf("%d movers from hits, the first %+v", len(movers), movers[0])
	}
}

// streak adds a stroke of light to one band: the track of a cosmic ray or a
// bent pixel, drawn out when the band was resampled.
func streak(r *calib.Raster, x, y, turn, length, width, height float64) {
	sin, cos := math.Sincos(turn)
	stampGauss(r.Width, r.Height, x, y, length, func(i int, _, dx, dy float64) {
		along, across := dx*cos+dy*sin, dy*cos-dx*sin
		r.Value[i] += float32(height * math.Exp(-along*along/(2*length*length)-across*across/(2*width*width)))
	})
}

// What is in one band only has nowhere to move to, whatever its shape: each
// mover must be seen without its strongest band. The streaks are 1 to 20
// sigma of a pixel high, so up to some 60 in all.
func TestWhatIsInOneBandOnlyIsNoMover(t *testing.T) {
	for bands := 3; bands <= 4; bands++ {
		for seed := range uint64(shorter(3, 1)) {
			rng := newRNG(605 + seed)
			s := scene{width: 256, height: 256, bands: bands, level: 50, noise: 0.01}
			rasters := s.expose(rng)
			for i := range 16 {
				x, y := 32+64*float64(i%4)+20*rng.Float64()-10, 32+64*float64(i/4)+20*rng.Float64()-10
				b := rng.IntN(bands)
				height := s.noise * s.level * bandLevel[b] * math.Pow(20, rng.Float64())
				streak(rasters[b], x, y, 2*math.Pi*rng.Float64(), 1.5+2.5*rng.Float64(), 0.8+0.7*rng.Float64(), height)
			}
			for _, m := range find(t, rasters, evenTimes(bands, 10), Options{}) {
				t.Errorf("%d bands, seed %d: mover of %.1f sigma at %.1f, contrasts %.3f, size %.1f", bands, seed, m.Significance, m.Positions, m.BandContrast, m.SizePx)
			}
		}
	}
}

func TestResultsDoNotDependOnWorkers(t *testing.T) {
	rng := newRNG(2)
	s := scene{width: 160, height: 170, bands: 3, level: 50, noise: 0.01, land: landscape(rng, 160, 170)}
	s.blobs = []blob{{track(40, 40, 16, 8, 3), 4, 0.2}, {track(120, 110, -6, 8, 3), 4, -0.2}}
	bands, opt := s.expose(rng), Options{MaxShiftPx: 25, MaxSizePx: 8}
	movers, err := Find(bands, evenTimes(3, 10), opt, 1)
	if err != nil || len(movers) != 2 {
		t.Fatal(len(movers), err)
	}
	d, err := Compare(bands, opt, 1)
	if err != nil {
		t.Fatal(err)
	}
	for _, workers := range []int{3, 2}[:shorter(2, 1)] {
		again, _ := Find(bands, evenTimes(3, 10), opt, workers)
		if !reflect.DeepEqual(movers, again) {
			t.Errorf("%d workers find other movers than one", workers)
		}
		other, _ := Compare(bands, opt, workers)
		if !reflect.DeepEqual(d, other) {
			t.Errorf("%d workers make another map than one", workers)
		}
	}
}

func TestErrorsTellWhatIsWrong(t *testing.T) {
	flat := func(width, height int) *calib.Raster {
		r := calib.NewRaster(width, height)
		for i := range r.Value {
			r.Value[i], r.Variance[i] = 10, 1
		}
		return r
	}
	empty := calib.NewRaster(64, 64)
	for i := range empty.Flags {
		empty.Flags[i] = calib.Missing
	}
	short := flat(64, 64)
	short.Variance = nil
	for _, c := range []struct {
		name  string
		bands []*calib.Raster
		times []float64
		opt   Options
		want  error
	}{
		{"no band", nil, nil, Options{}, ErrBands},
		{"one band", []*calib.Raster{flat(64, 64)}, nil, Options{}, ErrBands},
		{"an absent band", []*calib.Raster{flat(64, 64), nil}, nil, Options{}, ErrBands},
		{"unlike sizes", []*calib.Raster{flat(64, 64), flat(64, 63)}, nil, Options{}, ErrBands},
		{"no variances", []*calib.Raster{flat(64, 64), short}, nil, Options{}, ErrBands},
		{"no overlap", []*calib.Raster{flat(64, 64), empty}, nil, Options{}, ErrNoOverlap},
		{"a time too few", []*calib.Raster{flat(64, 64), flat(64, 64)}, []float64{1}, Options{}, ErrTimes},
		{"a time that is none", []*calib.Raster{flat(64, 64), flat(64, 64)}, []float64{1, math.NaN()}, Options{}, ErrTimes},
		{"an option out of range", []*calib.Raster{flat(64, 64), flat(64, 64)}, nil, Options{MinSigma: 1}, ErrOption},
		{"nothing wrong", []*calib.Raster{flat(64, 64), flat(64, 64)}, nil, Options{}, nil},
	} {
		t.Run(c.name, func(t *testing.T) {
			if _, err := Find(c.bands, c.times, c.opt, 1); !errors.Is(err, c.want) {
				t.Errorf("Find: %v, want %v", err, c.want)
			}
			if c.want == ErrTimes {
				return
			}
			if _, err := Compare(c.bands, c.opt, 1); !errors.Is(err, c.want) {
				t.Errorf("Compare: %v, want %v", err, c.want)
			}
		})
	}
}
