package calib

import (
	"math"
	"testing"
)

// A propagation of distributions (JCGM 101:2008, clause 5.9: draw every input
// from its distribution, put the draws through the model, look at what comes
// out) gives the first-order standard uncertainty (JCGM 100:2008, 5.1) within
// 1 % for the nominal case: a well lit pixel of a camera like quillon, to
// reflectance. The model is the chain itself. With 200 000 trials the standard
// deviation is known to 1/sqrt(2 x 200 000) = 0.16 %.
func TestPropagationOfDistributionsAgreesWithFirstOrder(t *testing.T) {
	const trials = 200_000
	n := nominal{gain: 2.1, offset: 310, bias: 4, curve: Polynomial{3e-6}, dark: 8, interval: 7.1, flat: 0.97,
		normalisation: 1, responsivity: 2.2e6, irradiance: 1.85, sunAU: 5.2}
	u := nominal{gain: 0.003 * 2.1, offset: 0.25, bias: 0.9, curve: Polynomial{2e-8}, dark: 0.06, interval: 0.03 * 7.1, flat: 0.003,
		normalisation: 2e-4, responsivity: 0.02 * 2.2e6, irradiance: 0.015 * 1.85, sunAU: 1e-4 * 5.2}
	const light, read = 9000.0, 7.5 // e-, of F = 1
	truth := n.light().Scale * light
	mean := light*n.flat + n.dark*n.ht()

	var drawn moments
	rng := newRand(61)
	draw := func(value, u float64) float64 { return value + u*rng.NormFloat64() }
	f := newFrame(1, 1)
	for range trials {
		// From light to number, with the true camera.
		charge := poisson(rng, mean) + read*rng.NormFloat64()
		f.dn[0] = float32(math.Round(n.offset + n.bias + n.curve.Inverse(charge/n.gain)))
		// From number to light, with what is known of it.
		known := nominal{gain: draw(n.gain, u.gain), offset: draw(n.offset, u.offset), bias: draw(n.bias, u.bias),
			curve: Polynomial{draw(n.curve[0], u.curve[0])}, dark: draw(n.dark, u.dark), interval: draw(n.interval, u.interval),
			flat: draw(n.flat, u.flat) * draw(1, u.normalisation), responsivity: draw(n.responsivity, u.responsivity),
			irradiance: draw(n.irradiance, u.irradiance), sunAU: draw(n.sunAU, u.sunAU)}
		drawn.add(pixelOf(t, known.chain(u, read), f).value - truth)
	}

	f.dn[0] = float32(n.offset + n.bias + n.curve.Inverse(mean/n.gain))
	p := pixelOf(t, n.chain(u, read), f)
	within(t, "value of the nominal inputs", p.value, truth, 1e-5*truth) // single precision
	v := n.curve.Inverse(mean / n.gain)
	fit := LadderFit{Covariance: [][]float64{{u.curve[0] * u.curve[0]}}}
	law := n.law()
	law.RelUncert = u.interval / n.interval
	systematic := []float64{
		p.value * u.gain / n.gain, p.value * fit.RelativeUncertainty(v), n.dark * n.ht() / n.flat * n.light().Scale * law.RelativeUncertainty(nominalTempK, law.ReferenceK),
		p.value * u.normalisation, p.value * u.responsivity / n.responsivity, p.value * u.irradiance / n.irradiance,
		p.value * 2 * u.sunAU / n.sunAU,
	}
	square := p.variance
	for _, s := range systematic {
		square += s * s
	}
	first := math.Sqrt(square)
	found := math.Sqrt(drawn.meanSquare() - drawn.mean()*drawn.mean())
	t.Logf("first order %.6g, of which random %.6g; propagated %.6g, ratio %.4f; mean off by %.2g of it",
		first, math.Sqrt(p.variance), found, found/first, drawn.mean()/found)
	within(t, "standard deviation over first-order uncertainty", found/first, 1, 0.01)

	// The random part by itself, without which 1 % of the whole would hide it.
	var random moments
	for range trials {
		charge := poisson(rng, mean) + read*rng.NormFloat64()
		f.dn[0] = float32(math.Round(n.offset + n.bias + n.curve.Inverse(charge/n.gain)))
		known := n
		known.offset, known.bias, known.dark, known.flat = draw(n.offset, u.offset), draw(n.bias, u.bias), draw(n.dark, u.dark), draw(n.flat, u.flat)
		random.add(pixelOf(t, known.chain(u, read), f).value - truth)
	}
	found = math.Sqrt(random.meanSquare() - random.mean()*random.mean())
	t.Logf("random: first order %.6g, propagated %.6g, ratio %.4f", math.Sqrt(p.variance), found, found/math.Sqrt(p.variance))
	within(t, "random: standard deviation over first-order uncertainty", found/math.Sqrt(p.variance), 1, 0.01)
}

// nominal holds the inputs of a measurement, or their standard uncertainties.
type nominal struct {
	gain, offset, bias, dark, interval, flat, normalisation float64
	curve                                                   Polynomial
	responsivity, irradiance, sunAU                         float64
}

const nominalTempK, nominalTimeS = 255.0, 20.0

func (n nominal) law() DarkLaw {
	return DarkLaw{Kind: "doubling", ReferenceK: 263.15, IntervalK: n.interval}
}

func (n nominal) ht() float64 { return n.law().At(nominalTempK) * nominalTimeS }

func (n nominal) light() Light {
	return ReflectanceLight(n.responsivity, nominalTimeS, n.irradiance, n.sunAU)
}

// chain makes the chain of what is known, with the variances that masters and
// offset have.
func (n nominal) chain(u nominal, read float64) *Chain {
	s := plainSensor(1, 1)
	s.Amps[0].GainEPerDN, s.Amps[0].ReadNoiseE = n.gain, read
	trace := level(1, n.offset)
	trace.Variance[0] = float32(u.offset * u.offset)
	ff := NewFlatField(constant(1, 1, n.flat, u.flat*u.flat))
	dark := constant(1, 1, n.dark, u.dark*u.dark)
	return NewChain(s, []Stage{
		FrameStage{16383, math.NaN()}, OffsetStage{s.Offset, []OffsetTrace{trace}}, BiasStage{constant(1, 1, n.bias, u.bias*u.bias), 1},
		LinearityStage{[]Polynomial{n.curve}, []float64{0}}, GainStage{s.Amps}, DarkStage{Master: dark, HT: n.ht()}, FlatStage{ff},
	}, &Noise{Flat: ff, Dark: dark, HT: n.ht(), FloorE2: 60, Steps: NoiseSteps(4e4)}, []Stage{LightStage{Light: n.light()}})
}

// onePixel is what a chain makes of a frame of one pixel.
type onePixel struct{ value, variance float64 }

func pixelOf(t *testing.T, c *Chain, f memoryFrame) (p onePixel) {
	t.Helper()
	var s Scratch
	err := c.Run(f, 0, 1, &s, func(r *Row) error {
		p = onePixel{float64(r.V[0]), float64(r.Var[0])}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	return p
}
