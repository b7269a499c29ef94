package calib

import (
	"math"
	"slices"
	"testing"
)

// ledger is what an account tells of a whole image.
type ledger struct {
	picture
	terms map[string][]float64
	names []string
}

// keep runs an account over the whole image, cut into runs of rows.
func keep(t *testing.T, c *Chain, raw RawRows, run int) *ledger {
	t.Helper()
	a := NewAccount(c)
	l := &ledger{terms: map[string][]float64{}}
	l.width = c.Sensor.Image.Width()
	for y := 0; y < c.Sensor.Image.Height(); y += run {
		err := a.Run(raw, y, min(y+run, c.Sensor.Image.Height()), func(r *Row, e *Entries) error {
			l.value = append(l.value, r.V...)
			l.variance = append(l.variance, r.Var...)
			l.flags = append(l.flags, r.Flags...)
			for i, term := range a.Terms {
				l.terms[term.Name] = append(l.terms[term.Name], e.Var[i]...)
			}
			return nil
		})
		if err != nil {
			t.Fatal(err)
		}
	}
	for _, term := range a.Terms {
		l.names = append(l.names, term.Name)
	}
	return l
}

// stageRounding bounds what single precision loses of a variance: half a unit
// in the last place, 2^-24, for each of some three operations in each of some
// twelve stages.
const stageRounding = 36.0 / (1 << 24)

// An account changes nothing, whatever goes wrong in a frame and however it is
// cut, and its terms are the plane's variance.
func TestAccountAddsUpToThePlane(t *testing.T) {
	for i := range 10 {
		c, raw := troubled(newRand(uint64(500+i)), 30, 25, i%3, i != 9)
		want := develop(t, c, raw, 25)
		got := keep(t, c, raw, 25)
		for _, run := range []int{1, 4, 25} {
			again := keep(t, c, raw, run)
			if !sameBits(again.value, want.value) || !sameBits(again.variance, want.variance) || !slices.Equal(again.flags, want.flags) {
				t.Fatalf("frame %d: an account in runs of %d rows changes the frame", i, run)
			}
			for _, name := range got.names {
				if !slices.EqualFunc(again.terms[name], got.terms[name], func(a, b float64) bool { return a == b || (a != a && b != b) }) {
					t.Fatalf("frame %d: %s depends on runs of %d rows", i, name, run)
				}
			}
		}
		sums := 0
		for x, v := range want.variance {
			if want.flags[x]&Unusable != 0 || isNaN(v) {
				continue
			}
			sum, size := 0.0, 0.0
			for _, name := range got.names {
				sum += got.terms[name][x]
				size += math.Abs(got.terms[name][x])
			}
			within(t, "sum of the terms", sum, float64(v), stageRounding*size)
			sums++
		}
		if sums < 300 {
			t.Fatalf("%d sums were looked at", sums)
		}
	}
}

// Each term is what the measurement model says it is, here worked out by hand
// for an evenly lit frame with every kind of stage.
func TestTermsOfTheVariance(t *testing.T) {
	const (
		width, height       = 9, 7
		raw, offset, bias   = 2000.0, 300.0, 12.0 // DN
		c2                  = 4e-6
		gain, read          = 2.5, 6.0
		dark, ht            = 7.0, 11.0 // e-/s, s
		smear, before, keep = 40.0, 900.0, 0.1
		flat, scale         = 0.8, 3e-4
	)
	s := plainSensor(width, height)
	s.Amps[0].GainEPerDN, s.Amps[0].ReadNoiseE = gain, read
	codes := &CodeTable{DN: make([]float64, 256), Width: make([]float64, 256)}
	for k := range codes.DN {
		codes.DN[k], codes.Width[k] = 20*float64(k), 20
	}
	s.Codes = codes
	f := newFrame(width, height)
	for i := range f.dn {
		f.dn[i] = raw / 20
	}
	trace := level(height, offset)
	for y := range trace.Variance {
		trace.Variance[y] = 0.7
	}
	plane := func(value, variance float64) *Plane { return constant(width, height, value, variance) }
	ff := NewFlatField(plane(flat, 1e-4))
	rule := SmearRule{Before: true, After: true, Measured: true, RowS: 1e-3, ExposeS: 1, OwnRow: true}
	const kappa = 0.05
	factor := BiasVarianceFactor(kappa, ht, true)
	one := func(v float32) []float32 { return slices.Repeat([]float32{v}, width) }
	smearMap := rule.Columns(one(smear), one(3), make([]bool, width))
	smearMap.Own = 0
	c := NewChain(s, []Stage{
		FrameStage{255, math.NaN()}, NewDecompandStage(codes), OffsetStage{s.Offset, []OffsetTrace{trace}},
		BiasStage{plane(bias, 0.3), factor}, LinearityStage{[]Polynomial{{c2}}, []float64{0}}, GainStage{s.Amps},
		DarkStage{Master: plane(dark, 0.02), HT: ht}, SmearStage{rule, smearMap},
		ResidualStage{Fraction: keep, Before: plane(before, 1000)}, FlatStage{ff},
	}, &Noise{Flat: ff, Dark: plane(dark, 0.02), HT: ht, FloorE2: 36, Steps: NoiseSteps(1e5)},
		[]Stage{LightStage{Light: Light{scale, "W m-2 sr-1 nm-1"}}})
	v := raw - offset - bias
	slope := 1 + 2*c2*v
	light := (v+c2*v*v)*gain - dark*ht - smear - keep*before // e-, F times S
	const rho = 1e-4 / (flat * flat)                         // a noisy F divides by 1/(1 - rho) more on average
	perE2 := math.Pow(scale*(1-rho)/flat, 2)
	perDN2 := slope * slope * gain * gain * perE2
	// The shot noise of the light is estimated from 24 neighbours, which adds
	// 1/(n F^2) (see Noise).
	want := map[string]float64{
		"quantisation":                           400.0 / 12 * perDN2,
		"offset":                                 0.7 * perDN2,
		"bias master":                            0.3 * perDN2,
		"bias in the dark master":                0.3 * (math.Pow(1-kappa*ht, 2) - 1) * perDN2,
		"read noise":                             read * read * perE2,
		"dark master":                            0.02 * ht * ht * perE2,
		"smear":                                  3 * perE2,
		"residual image":                         keep * keep * 1000 * perE2,
		"flat master":                            light * light * rho * perE2,
		"shot noise of the light":                (light + 1.0/24) * perE2,
		"shot noise of the dark charge":          dark * ht * perE2,
		"shot noise of smear and residual image": (smear + keep*before) * perE2,
	}
	l := keepMiddle(t, c, f)
	total := 0.0
	for name, w := range want {
		total += w
		got, ok := l[name]
		if !ok {
			t.Errorf("there is no term %s in %v", name, l)
		}
		// A term may be small beside the variance that it is found in.
		within(t, name, got, w, 1e-5*w+2e-6*want["shot noise of the light"])
	}
	if len(l) != len(want) {
		t.Errorf("terms are %v, want those of %v", l, want)
	}
	if !(total > 0) {
		t.Fatal("nothing was looked at")
	}
}

// keepMiddle returns the terms of the pixel in the middle that are not zero.
func keepMiddle(t *testing.T, c *Chain, raw RawRows) map[string]float64 {
	t.Helper()
	l := keep(t, c, raw, c.Sensor.Image.Height())
	out := map[string]float64{}
	for name, v := range l.terms {
		if x := v[c.Sensor.Image.Height()/2*l.width+l.width/2]; x != 0 {
			out[name] = x
		}
	}
	return out
}

// What one unit more of an offset or a charge does to a value is what the
// account says it does.
func TestAccountKnowsWhatAUnitIs(t *testing.T) {
	s := plainSensor(6, 6)
	s.Amps[0].GainEPerDN = 2.5
	ff := NewFlatField(constant(6, 6, 0.8, 0))
	chain := func(offset, dark float64) *Chain {
		return NewChain(s, []Stage{FrameStage{65535, math.NaN()}, OffsetStage{s.Offset, []OffsetTrace{level(6, offset)}},
			LinearityStage{[]Polynomial{{4e-6}}, []float64{0}}, GainStage{s.Amps}, DarkStage{Master: constant(6, 6, dark, 0), HT: 1}, FlatStage{ff}},
			&Noise{Flat: ff, FloorE2: 25, Steps: NoiseSteps(1e5)}, []Stage{LightStage{Light: Light{0.01, "1"}}})
	}
	f := newFrame(6, 6)
	for i := range f.dn {
		f.dn[i] = 5000
	}
	at := func(c *Chain) float64 { return float64(develop(t, c, f, 6).value[8]) }
	base := at(chain(300, 50))
	var perDN, perE, dark float64
	if err := NewAccount(chain(300, 50)).Run(f, 1, 2, func(r *Row, e *Entries) error {
		perDN, perE, dark = e.PerDN[2], e.PerE[2], e.Dark[2]
		return nil
	}); err != nil {
		t.Fatal(err)
	}
	// Single precision and the curvature over 10 DN bound the differences.
	within(t, "a DN", perDN, (at(chain(295, 50))-at(chain(305, 50)))/10, 1e-4*perDN)
	within(t, "an electron", perE, (at(chain(300, 0))-at(chain(300, 100)))/100, 1e-4*perE)
	within(t, "the dark charge", dark, at(chain(300, 0))-base, 1e-4*dark)
}
