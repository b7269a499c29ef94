package hits

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"evenlight/calib"
)

func rasters(all []*observed) []*calib.Raster {
	out := make([]*calib.Raster, len(all))
	for i, o := range all {
		out[i] = &o.Raster
	}
	return out
}

func comparing(n int) RepeatOptions {
	opt := RepeatOptions{Sigma: 5, PerElectron: make([]float64, n)}
	for i := range opt.PerElectron {
		opt.PerElectron[i] = 1
	}
	return opt
}

// Closed forms: the smaller of two normal deviates has mean -1/sqrt(pi) and
// variance 1 - 1/pi, the median of three has variance 1 - sqrt(3)/pi (David &
// Nagaraja, Order Statistics, 3rd edition, section 3.2; from memory).
func TestOrderStatistics(t *testing.T) {
	for _, c := range []struct {
		n    int
		want order
	}{{1, order{0, 1}}, {2, order{-1 / math.Sqrt(math.Pi), 1 - 1/math.Pi}}, {3, order{0, 1 - math.Sqrt(3)/math.Pi}}} {
		if got := lowerMedian(c.n); math.Abs(got.mean-c.want.mean) > 1e-6 || math.Abs(got.variance-c.want.variance) > 1e-6 {
			t.Errorf("%d deviates: %v, want %v", c.n, got, c.want)
		}
	}
}

// Hits of eight sigmas depart by 8/sqrt(1+q) standard deviations from the
// others; no more than that share of them is missed, the same pixel struck in
// another frame or not. Exposures of unequal length are put on one scale.
func TestRatesInRepeatedFrames(t *testing.T) {
	src := rand.NewPCG(9, 9)
	r := rand.New(src)
	for _, b := range []struct {
		name string
		im   image
	}{{"dark sky", newImage(frameSize, 2)}, {"craters", ground(frameSize, 2, 20000, 4)}} {
		for _, n := range []int{2, 3, 5} {
			for _, longer := range []float64{1, 2} {
				var all []*observed
				var struckBy [][]float64
				for k := range n {
					im := newImage(frameSize, 0)
					for i, e := range b.im.e {
						im.e[i] = e * math.Pow(longer, float64(k%2))
					}
					var hit []float64
					if k == 0 {
						hit = strike(im, shapes[0], 8)
					}
					all, struckBy = append(all, observe(t, im, hit, nil, r, src)), append(struckBy, hit)
				}
				if _, err := Repeated(rasters(all), comparing(n)); err != nil {
					t.Fatal(err)
				}
				found := flagged(all[0])
				hits, got := struck(struckBy[0], found)
				alarms := count(found) - got
				for _, o := range all[1:] {
					alarms += count(flagged(o))
				}
				t.Logf("%-9s %d frames, exposures 1:%g: %5.1f %% found of 8σ, %.1g false alarms a pixel", b.name, n, longer, 100*float64(got)/float64(hits), float64(alarms)/float64(n*frameSize*frameSize))
				// A longer exposure of the dark sky cannot be put on the scale
				// of the shorter: there is no light to tell it by, nor to differ.
				missed := tail(8/math.Sqrt(1+lowerMedian(n-1).variance) - 5)
				if longer == 1 && float64(hits-got) > float64(hits)*missed+5*math.Sqrt(float64(hits)*missed)+1 {
					t.Errorf("%s, %d frames: %d of %d hits missed, want about %.1f", b.name, n, hits-got, hits, float64(hits)*missed)
				}
				// 2.9e-7 of the pixels of normal noise; few counts are skewed.
				if float64(alarms) > 5 {
					t.Errorf("%s, %d frames: %d false alarms", b.name, n, alarms)
				}
			}
		}
	}
}

// A hit is found though another frame was struck there too, where three others
// or more are left.
func TestHitsAtOnePlace(t *testing.T) {
	src := rand.NewPCG(3, 1)
	r := rand.New(src)
	im := newImage(64, 100)
	for _, n := range []int{3, 5} {
		var all []*observed
		for k := range n {
			var hit []float64
			if k < 2 {
				hit = strike(im, shapes[0], 30)
			}
			all = append(all, observe(t, im, hit, nil, r, src))
		}
		if _, err := Repeated(rasters(all), comparing(n)); err != nil {
			t.Fatal(err)
		}
		want := strike(im, shapes[0], 30)
		for k, o := range all {
			hits, got := struck(want, flagged(o))
			if k < 2 && got != hits || k >= 2 && got > 0 {
				t.Errorf("%d frames, frame %d: %d of %d flagged", n, k, got, hits)
			}
		}
	}
}

// Displaced frames: with the displacement allowed for there are no more alarms
// than one in 1e5 pixels; without, sharp edges raise them.
func TestDisplacedFrames(t *testing.T) {
	src := rand.NewPCG(3, 2)
	r := rand.New(src)
	const shift = 0.15
	line := ""
	for _, allowed := range []bool{false, true} {
		a := through(frameSize, 2, disc)
		b := through(frameSize, 2, func(x, y float64) float64 { return disc(x+shift, y) })
		all := []*observed{observe(t, a, nil, nil, r, src), observe(t, b, nil, nil, r, src)}
		opt := comparing(2)
		if allowed {
			opt.ShiftPixels = []float64{shift, shift}
		}
		found, err := Repeated(rasters(all), opt)
		if err != nil {
			t.Fatal(err)
		}
		line += fmt.Sprintf(" %v: %d;", allowed, found[0]+found[1])
		if n := found[0] + found[1]; allowed && n > 1 || !allowed && n < 100 {
			t.Errorf("displacement allowed for %v: %d false alarms", allowed, n)
		}
	}
	t.Logf("false alarms at a limb displaced by %g pixels, allowed for or not:%s", shift, line)
}

func disc(x, y float64) float64 {
	if math.Hypot(x-120, y-130) < 90 {
		return 20000
	}
	return 0
}

func TestRepeatsAreChecked(t *testing.T) {
	a, b := calib.NewRaster(8, 8), calib.NewRaster(8, 9)
	for name, c := range map[string]struct {
		frames []*calib.Raster
		opt    RepeatOptions
	}{
		"one frame":    {[]*calib.Raster{a}, comparing(1)},
		"unlike sizes": {[]*calib.Raster{a, b}, comparing(2)},
		"low limit":    {[]*calib.Raster{a, a}, RepeatOptions{Sigma: 1, PerElectron: []float64{1, 1}}},
		"no units":     {[]*calib.Raster{a, a}, RepeatOptions{Sigma: 5}},
		"too many":     {make([]*calib.Raster, MostRepeats+1), comparing(MostRepeats + 1)},
	} {
		if _, err := Repeated(c.frames, c.opt); err == nil {
			t.Errorf("%s: no error", name)
		}
	}
}
