package calib

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/stat/distuv"
)

// scene is an evenly lit frame with dark charge.
type scene struct {
	light     float64 // e- a pixel
	dark      float64 // e- a pixel, known to the master
	readNoise float64 // e-
}

const sceneOffset = 2000 // DN

// others is the number of pixels in a whole window beside its centre.
const others = 24

// gain is fine enough that the converter adds half a percent to the variance
// of the read noise.
func (s scene) gain() float64 { return s.readNoise / 4 }

// rest is the variance without shot noise.
func (s scene) rest() float64 { return s.readNoise*s.readNoise + s.gain()*s.gain()/12 }

// draw makes a raw frame; spots are added to single pixels.
func (s scene) draw(rng *rand.Rand, size int) memoryFrame {
	f := newFrame(size, size)
	charge := distuv.Poisson{Lambda: s.light + s.dark, Src: rng}
	for i := range f.dn {
		e := s.readNoise * rng.NormFloat64()
		if charge.Lambda > 0 {
			e += charge.Rand()
		}
		f.dn[i] = float32(math.Round(sceneOffset + e/s.gain()))
	}
	return f
}

// chain corrects such a frame, with a flat of 1.
func (s scene) chain(size int, noise bool) *Chain {
	sensor := plainSensor(size, size)
	sensor.CeilingDN = 1 << 22
	sensor.Amps[0].GainEPerDN, sensor.Amps[0].ReadNoiseE = s.gain(), s.readNoise
	dark := constant(size, size, s.dark, 0)
	before := []Stage{
		FrameStage{sensor.CeilingDN, math.NaN()}, OffsetStage{OffsetRule{}, []OffsetTrace{level(size, sceneOffset)}},
		GainStage{sensor.Amps}, DarkStage{Master: dark, HT: 1},
	}
	if !noise {
		return NewChain(sensor, before, nil, nil)
	}
	return NewChain(sensor, before, &Noise{Dark: dark, HT: 1, FloorE2: s.rest() + s.dark, Steps: NoiseSteps(50000)}, nil)
}

// meanSquarePull is the mean of e^2/V' over the error e of a pixel's value and
// the error m of the mean of the others, from their distributions. With V the
// pixel's variance, V' = V + m + 1/24. Without the 1/24 the mean would be
// 1 + Var(m)/V^2 = 1 + 1/(24 V) to leading order, and with it that term is
// gone. Pixels further than 5 sqrt(V') from the others have V' from their own
// count, and V' is held above a quarter of the variance without shot noise.
func (s scene) meanSquarePull() float64 {
	const fine, reach = 0.05, 9 // sigmas
	rest, charge := s.rest(), s.light+s.dark
	v := rest + charge
	es, em := math.Sqrt(v), math.Sqrt(v/others)
	var e, pe []float64
	for z := -float64(reach); z <= 2*reach; z += fine { // Poisson tails are long
		e, pe = append(e, z*es), append(pe, s.density(z*es, 1)*fine*es)
	}
	sum := 0.0
	for z := -float64(reach); z <= reach; z += fine {
		m := z * em
		given := 0.0
		for i, e := range e {
			estimate := v + m + 1.0/others
			if (e-m)*(e-m) > 25*estimate {
				estimate = rest + s.dark + max(s.light+e, 0)
			}
			given += pe[i] * e * e / max(estimate, rest/4)
		}
		sum += given * s.density(m, others) * fine * em
	}
	return sum
}

// density is that of the error x of the mean of n pixels: a Poisson number
// over n, less its mean, and normal noise of the variance rest/n.
func (s scene) density(x, n float64) float64 {
	charge, variance := n*(s.light+s.dark), s.rest()/n
	if charge > 3000 { // nearly normal
		return distuv.Normal{Sigma: math.Sqrt(charge/(n*n) + variance)}.Prob(x)
	}
	noise := distuv.Normal{Sigma: math.Sqrt(variance)}
	if charge == 0 {
		return noise.Prob(x)
	}
	counts := distuv.Poisson{Lambda: charge}
	near := n * x // of counts that lead here
	width := 9 * n * noise.Sigma
	sum := 0.0
	for k := max(0, math.Floor(charge+near-width)); k <= charge+near+width; k++ {
		sum += counts.Prob(k) * noise.Prob(x-(k-charge)/n)
	}
	return sum
}

// pulls adds the pulls of the pixels that have a whole window.
func (s scene) pulls(p *picture, m *moments) {
	for y := 2; y < p.width-2; y++ {
		for x := 2; x < p.width-2; x++ {
			v, variance, _ := p.at(x, y)
			m.add((v - s.light) / math.Sqrt(variance))
		}
	}
}

// Pulls over simulated frames have mean 0 and the mean square that the theory
// of an estimate from 24 pixels gives, which is 1 within 2 %, at every level.
//
// The bound for the mean square of N pulls: a pull squared has the variance
// 2 + Q/V^2 (Q the charge, whose fourth cumulant it is, V the whole
// variance), and the error of m, which 24 pixels share, adds 24 Var(m)/V^2 =
// 1/V. Correlations between a pixel and its neighbours' estimates are
// negative and left out.
func TestNoisePullsAtEveryLevel(t *testing.T) {
	const size, frames = 256, 6
	for _, readNoise := range []float64{0.5, 1.5, 4, 10} {
		for _, light := range []float64{0, 1, 3, 10, 100, 1e4} {
			s := scene{light: light, readNoise: readNoise}
			t.Run(fmt.Sprintf("%g e- and read noise %g e-", light, readNoise), func(t *testing.T) {
				t.Parallel()
				checkPulls(t, s, size, frames)
			})
		}
	}
}

// Dark charge is as noisy as light; the master knows its mean.
func TestNoisePullsWithDarkCharge(t *testing.T) {
	for _, s := range []scene{
		{light: 0, dark: 9, readNoise: 0.5},
		{light: 2, dark: 50, readNoise: 3},
		{light: 0, dark: 1000, readNoise: 5},
		{light: 300, dark: 300, readNoise: 5},
	} {
		t.Run(fmt.Sprintf("%g e- of light, %g e- of dark, read noise %g e-", s.light, s.dark, s.readNoise), func(t *testing.T) {
			t.Parallel()
			checkPulls(t, s, 256, 6)
		})
	}
}

func checkPulls(t *testing.T, s scene, size, frames int) {
	t.Helper()
	rng := newRand(uint64(1000*s.light + 100*s.readNoise + 7*s.dark))
	c := s.chain(size, true)
	var pull moments
	for range frames {
		s.pulls(develop(t, c, s.draw(rng, size), size), &pull)
	}
	charge := s.light + s.dark
	v := s.rest() + charge
	want := s.meanSquarePull()
	within(t, "theory of the squared pull", want, 1, 0.02)
	t.Logf("pulls: mean %.4f, mean square %.4f where %.4f is expected", pull.mean(), pull.meanSquare(), want)
	within(t, "mean pull", pull.mean(), 0, sigmas*math.Sqrt(want*(1+1/(96*v))/pull.n))
	within(t, "squared pull", pull.meanSquare(), want, sigmas*want*math.Sqrt((2+charge/(v*v)+1/v)/pull.n))
}

// A variance from the pixel's own count goes up and down with the value, and
// the mean pull is -Cov(e, V')/(2 V^(3/2)) = -1/(2 sqrt V) to leading order:
// this is the bias that the neighbours' estimate is free of.
func TestNoiseAvoidsTheBiasOfOwnCounts(t *testing.T) {
	const size, frames = 256, 6
	s := scene{light: 100, readNoise: 4}
	rng := newRand(71)
	c := s.chain(size, true)
	var ours, naive moments
	for range frames {
		p := develop(t, c, s.draw(rng, size), size)
		s.pulls(p, &ours)
		for i, v := range p.value {
			p.variance[i] = float32(s.rest()) + max(v, 0)
		}
		s.pulls(p, &naive)
	}
	bound := sigmas / math.Sqrt(ours.n)
	bias := -1 / (2 * math.Sqrt(s.rest()+s.light))
	within(t, "mean pull", ours.mean(), 0, bound)
	within(t, "mean pull with own counts", naive.mean(), bias, bound-0.1*bias) // the next order is 1/V of it
}

// windowMean is the estimate by its definition: the mean of the good pixels
// within two columns and rows, the centre left out, and their number.
func windowMean(value func(x, y int) (float64, bool), width, height, x, y int) (mean, n float64) {
	for j := max(0, y-2); j <= min(height-1, y+2); j++ {
		for i := max(0, x-2); i <= min(width-1, x+2); i++ {
			if v, good := value(i, j); good && (i != x || j != y) {
				mean += v
				n++
			}
		}
	}
	return mean / n, n
}

// At edges, in frames of a few pixels, beside lost rows and columns, and
// beside bad pixels of each kind, the light is the mean of the good pixels
// that are left, and no bad one counts. With no good pixel near, the pixel's
// own count must do.
func TestNoiseWindowLeavesOutWhatIsNotThere(t *testing.T) {
	const offset, readNoise = 1000, 5.0
	sizes := [][2]int{{24, 12}}
	for w := 1; w <= 6; w++ {
		for h := 1; h <= 6; h++ {
			sizes = append(sizes, [2]int{w, h})
		}
	}
	for _, size := range sizes {
		for _, fault := range []string{"none", "lost row", "lost half row", "masked first column", "masked last column", "scattered"} {
			t.Run(fmt.Sprintf("%d x %d, %s", size[0], size[1], fault), func(t *testing.T) {
				width, height := size[0], size[1]
				rng := newRand(uint64(72 + width*7 + height))
				s := plainSensor(width, height)
				f := newFrame(width, height)
				mask := make([]Flags, width*height)
				for i := range f.dn {
					// The left half is bright where it is wide enough not to
					// be a spike; steps within a half are small.
					f.dn[i] = float32(offset + 40 + rng.IntN(10))
					if i%width < width/2 && width >= 4 && fault != "scattered" {
						f.dn[i] += 20000
					}
				}
				for y := range height {
					for x := range width {
						i := y*width + x
						switch {
						case fault == "lost row" && y == height/2,
							fault == "lost half row" && y == height/2 && x >= width/2,
							fault == "scattered" && rng.IntN(8) == 0:
							f.dn[i] = float32(math.NaN())
						case fault == "scattered" && rng.IntN(8) == 0:
							f.dn[i] = 60000
						case fault == "masked first column" && x == 0,
							fault == "masked last column" && x == width-1,
							fault == "scattered" && rng.IntN(8) == 0:
							mask[i] = Hot
							f.dn[i] += 3000
						}
					}
				}
				value := func(x, y int) (float64, bool) {
					dn := float64(f.dn[y*width+x])
					return dn - offset, dn < 60000 && mask[y*width+x] == 0
				}
				c := NewChain(s, []Stage{
					FrameStage{65535, math.NaN()}, SaturationStage{LevelDN: []float64{60000}},
					OffsetStage{OffsetRule{}, []OffsetTrace{level(height, offset)}}, GainStage{s.Amps},
				}, &Noise{Mask: mask, FloorE2: readNoise * readNoise, Steps: NoiseSteps(65535)}, nil)
				p := develop(t, c, f, 3)
				for y := range height {
					for x := range width {
						v, variance, flags := p.at(x, y)
						if flags&Unusable != 0 {
							continue
						}
						light, n := windowMean(value, width, height, x, y)
						rest := readNoise*readNoise + 1.0/12
						want := rest + light + 1/n
						if n == 0 || (v-light)*(v-light) > 25*want {
							want = rest + max(v, 0)
						}
						within(t, fmt.Sprintf("variance at column %d row %d", x, y), variance, want, 1.0/16+2e-6*want)
					}
				}
			})
		}
	}
}

// Alone, a row is its own window.
func TestNoiseOfARowAlone(t *testing.T) {
	r := wholeRow(100, 104, 99, 101, 98, 103, 97)
	for x := range r.Var {
		r.Var[x] = 25
	}
	values := append([]float32(nil), r.V...)
	(&Noise{FloorE2: 25, Steps: NoiseSteps(1000)}).Apply(r)
	for x := range r.V {
		m, n := windowMean(func(x, _ int) (float64, bool) { return float64(values[x]), true }, len(values), 1, x, 0)
		within(t, fmt.Sprintf("variance at column %d", x), float64(r.Var[x]), 25+m+1/n, 1.0/16)
		within(t, "value", float64(r.V[x]), float64(values[x]), 0)
	}
}

// The steps are fine beside the smallest light that matters, and sums hold
// four times the largest.
func TestNoiseStepsHoldTheRange(t *testing.T) {
	for _, maxE := range []float64{1, 4e4, 1e6, 1e8} {
		steps := NoiseSteps(maxE)
		if exponent := math.Log2(steps); exponent != math.Trunc(exponent) || maxE <= 1e6 && steps < 16 {
			t.Errorf("%g steps per electron up to %g e-", steps, maxE)
		}
		r := wholeRow(make([]float32, 9)...)
		for x := range r.V {
			r.V[x], r.Var[x] = float32(4*maxE), 25
		}
		(&Noise{FloorE2: 25, Steps: steps}).Apply(r)
		for x := range r.V {
			within(t, fmt.Sprintf("variance at %g e-", 4*maxE), float64(r.Var[x]), 25+4*maxE, 0.5+1/steps+1e-6*4*maxE)
		}
	}
}

// One bright pixel, be it a star, a hot pixel or a cosmic-ray hit, has the
// noise of its own count, and its neighbours keep theirs.
func TestNoiseBesideABrightPixel(t *testing.T) {
	const size, x0, y0, draws = 11, 5, 5, 800
	for _, c := range []struct {
		name   string
		bright float64 // e-
		masked bool
	}{
		{"star or hit", 4000, false},
		{"strong hit", 200000, false},
		{"hot pixel that the mask knows", 4000, true},
	} {
		t.Run(c.name, func(t *testing.T) {
			s := scene{light: 60, readNoise: 4}
			rng := newRand(73)
			chain := s.chain(size, true)
			chain.Noise.Mask = make([]Flags, size*size)
			if c.masked {
				chain.Noise.Mask[y0*size+x0] = Hot
			}
			var own moments
			near := map[[2]int]*moments{}
			for range draws {
				f := s.draw(rng, size)
				e := poisson(rng, c.bright)
				f.set(x0, y0, float64(f.dn[y0*size+x0])+math.Round(e/s.gain()))
				p := develop(t, chain, f, size)
				v, variance, _ := p.at(x0, y0)
				own.add(variance / (s.rest() + v))
				for dy := -2; dy <= 2; dy++ {
					for dx := -2; dx <= 2; dx++ {
						at := [2]int{dx, dy}
						if near[at] == nil {
							near[at] = new(moments)
						}
						_, variance, _ := p.at(x0+dx, y0+dy)
						near[at].add(variance)
					}
				}
			}
			within(t, "variance of the bright pixel over that of its count", own.mean(), 1, 1e-5)
			v := s.rest() + s.light
			for at, m := range near {
				if at == [2]int{0, 0} {
					continue
				}
				// The bright pixel counts as the larger of two neighbours,
				// which is 0.56 sigma above their mean.
				within(t, fmt.Sprintf("mean variance at %v from the bright pixel", at), m.mean(), v+1.0/others,
					sigmas*math.Sqrt(v/others/draws)+0.6*math.Sqrt(v)/others)
			}
		})
	}
}

// A response that differs from pixel to pixel: the light is even, the charge
// and its noise are not.
func TestNoiseFollowsTheFlat(t *testing.T) {
	const size, light, readNoise, gain = 256, 50.0, 4.0, 1.0
	flat := constant(size, size, 0, 0)
	for i := range flat.Value {
		flat.Value[i] = []float32{0.6, 1.3, 0.9, 1.2}[(i%size+2*(i/size))%4]
	}
	s := plainSensor(size, size)
	s.Amps[0].GainEPerDN, s.Amps[0].ReadNoiseE = gain, readNoise
	ff := NewFlatField(flat)
	c := NewChain(s, []Stage{
		FrameStage{65535, math.NaN()}, OffsetStage{OffsetRule{}, []OffsetTrace{level(size, sceneOffset)}}, GainStage{s.Amps}, FlatStage{ff},
	}, &Noise{Flat: ff, FloorE2: readNoise*readNoise + gain*gain/12, Steps: NoiseSteps(65535)}, nil)
	rng := newRand(74)
	pulls := map[float32]*moments{}
	for range 6 {
		f := newFrame(size, size)
		for i := range f.dn {
			e := poisson(rng, light*float64(flat.Value[i])) + readNoise*rng.NormFloat64()
			f.dn[i] = float32(math.Round(sceneOffset + e/gain))
		}
		p := develop(t, c, f, size)
		for y := 2; y < size-2; y++ {
			for x := 2; x < size-2; x++ {
				response := flat.Value[y*size+x]
				if pulls[response] == nil {
					pulls[response] = new(moments)
				}
				v, variance, _ := p.at(x, y)
				pulls[response].add((v - light) / math.Sqrt(variance))
			}
		}
	}
	for response, m := range pulls {
		within(t, fmt.Sprintf("mean pull where the response is %g", response), m.mean(), 0, sigmas/math.Sqrt(m.n))
		// Second order of an estimate from 24 pixels: its relative variance
		// is below 1/(24 F^2 V) = 0.005, and squared.
		within(t, fmt.Sprintf("squared pull where the response is %g", response), m.meanSquare(), 1, sigmas*math.Sqrt(2.1/m.n)+1e-3)
	}
}

// Warm pixels, whose dark charge the master knows, have its noise and leave
// their neighbours with theirs.
func TestNoiseOfWarmPixels(t *testing.T) {
	const size, warm = 256, 500.0
	s := scene{light: 20, readNoise: 5}
	c := s.chain(size, true)
	rng := newRand(75)
	dark := c.Noise.Dark
	for i := range dark.Value {
		if rng.IntN(50) == 0 {
			dark.Value[i] = warm
		}
	}
	c.Before[3] = DarkStage{Master: dark, HT: 1}
	var cold, hot moments
	for range 6 {
		f := s.draw(rng, size)
		for i, d := range dark.Value {
			if d > 0 {
				f.dn[i] += float32(math.Round(poisson(rng, warm) / s.gain()))
			}
		}
		p := develop(t, c, f, size)
		for y := 2; y < size-2; y++ {
			for x := 2; x < size-2; x++ {
				v, variance, _ := p.at(x, y)
				m := &cold
				if dark.Value[y*size+x] > 0 {
					m = &hot
				}
				m.add((v - s.light) / math.Sqrt(variance))
			}
		}
	}
	// A warm pixel's upward noise is held to the level of its neighbours and
	// its downward noise is not: each takes up to 0.4 sigma from the mean.
	v := s.rest() + s.light
	share := 0.4 * math.Sqrt(v+warm) / 50 / v
	for _, g := range []struct {
		what string
		m    moments
	}{{"cold", cold}, {"warm", hot}} {
		within(t, "mean pull of "+g.what+" pixels", g.m.mean(), 0, sigmas/math.Sqrt(g.m.n))
		within(t, "squared pull of "+g.what+" pixels", g.m.meanSquare(), 1, sigmas*math.Sqrt(2.1/g.m.n)+share)
	}
}
