package colour

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"evenlight/calib"
)

// Stretch takes linear red, green and blue to what is shown: low becomes 0 and
// high 1, channel by channel, and then comes the curve.
type Stretch struct {
	Low, High [3]float64
	// Gamma of 0 is the curve of sRGB (see Encode), with which a screen shows
	// the light in proportion; any other value g gives s^(1/g), from 0.4 to
	// 3.5, which is a choice of looks.
	Gamma  float64
	Source string // how the limits were found
}

// The range of Gamma over which an Encoder is exact to half a code.
const (
	minGamma = 0.4
	maxGamma = 3.5
)

// FullRange is the stretch that changes nothing: 0 to 1, with the curve of
// sRGB.
func FullRange() Stretch {
	return Stretch{High: [3]float64{1, 1, 1}, Source: "full range"}
}

// Common tells whether the channels share their limits, so that grey stays
// grey.
func (s Stretch) Common() bool {
	return s.Low[0] == s.Low[1] && s.Low[0] == s.Low[2] && s.High[0] == s.High[1] && s.High[0] == s.High[2]
}

func (s Stretch) check() error {
	for c, name := range channelNames() {
		if !(s.High[c] > s.Low[c]) || math.IsInf(s.High[c]-s.Low[c], 0) {
			return fmt.Errorf("stretch of %s: %g to %g: the upper limit must be above the lower", name, s.Low[c], s.High[c])
		}
	}
	if s.Gamma != 0 && !(s.Gamma >= minGamma && s.Gamma <= maxGamma) {
		return fmt.Errorf("stretch: gamma %g: choose %g to %g, or 0 for the curve of sRGB", s.Gamma, minGamma, maxGamma)
	}
	return nil
}

func channelNames() [3]string { return [3]string{"red", "green", "blue"} }

// curve is the part of the stretch from 0..1 to 0..1.
func (s Stretch) curve() func(float64) float64 {
	if s.Gamma == 0 {
		return Encode
	}
	return func(x float64) float64 { return math.Pow(x, 1/s.Gamma) }
}

// Settings records the stretch; StretchFrom reads it back exactly.
func (s Stretch) Settings() []calib.Setting {
	curve := "srgb"
	if s.Gamma != 0 {
		curve = "gamma " + numbers(s.Gamma)
	}
	return []calib.Setting{
		{Name: "stretch.low", Value: numbers(s.Low[:]...)},
		{Name: "stretch.high", Value: numbers(s.High[:]...)},
		{Name: "stretch.curve", Value: curve},
		{Name: "stretch.source", Value: s.Source},
	}
}

// StretchFrom reads a stretch from recorded settings; others are passed over.
func StretchFrom(settings []calib.Setting) (Stretch, error) {
	var s Stretch
	var low, high, curve bool
	for _, set := range settings {
		var err error
		switch set.Name {
		case "stretch.low":
			s.Low, err = threeNumbers(set.Value)
			low = true
		case "stretch.high":
			s.High, err = threeNumbers(set.Value)
			high = true
		case "stretch.curve":
			s.Gamma, err = gammaOf(set.Value)
			curve = true
		case "stretch.source":
			s.Source = set.Value
		}
		if err != nil {
			return Stretch{}, fmt.Errorf("setting %s: %w", set.Name, err)
		}
	}
	if !low || !high || !curve {
		return Stretch{}, fmt.Errorf("the settings hold no whole stretch: stretch.low, stretch.high and stretch.curve are needed")
	}
	return s, s.check()
}

func threeNumbers(text string) (v [3]float64, err error) {
	words := strings.Fields(text)
	if len(words) != 3 {
		return v, fmt.Errorf("%q: give three numbers, for red, green and blue", text)
	}
	for c, word := range words {
		if v[c], err = strconv.ParseFloat(word, 64); err != nil {
			return v, fmt.Errorf("%q is not a number: give three, for red, green and blue", word)
		}
	}
	return v, nil
}

func gammaOf(text string) (float64, error) {
	if text == "srgb" {
		return 0, nil
	}
	rest, found := strings.CutPrefix(text, "gamma ")
	g, err := strconv.ParseFloat(rest, 64)
	if !found || err != nil || g == 0 {
		return 0, fmt.Errorf("%q: write srgb, or gamma and a number above zero", text)
	}
	return g, nil
}

// Percentiles says how AutoStretch finds its limits.
type Percentiles struct {
	Low, High  float64 // percent, 0 to 100
	PerChannel bool    // limits for each channel alone; colours then shift
}

// DefaultPercentiles cuts half a percent off either end.
func DefaultPercentiles() Percentiles { return Percentiles{Low: 0.5, High: 99.5} }

// sampledPixels bounds the pixels that AutoStretch looks at. Of the order of
// 0.5 % that lie beyond a limit, 65536 pixels tell to about 0.03 %.
const sampledPixels = 1 << 16

// AutoStretch finds limits from the linear picture: the same percentiles of
// all channels together, unless they are asked for by channel. It looks at a
// fixed lattice of pixels that have a value, so the same picture gives the
// same limits always. Between samples the percentile is linear.
func AutoStretch(p *Picture, at Percentiles) (Stretch, error) {
	if !(at.Low >= 0 && at.High <= 100 && at.Low < at.High) {
		return Stretch{}, fmt.Errorf("stretch: percentiles %g and %g: choose 0 <= low < high <= 100", at.Low, at.High)
	}
	channels := sampled(p)
	n := len(channels[0])
	if n == 0 {
		return Stretch{}, fmt.Errorf("stretch: none of the pixels looked at has a value: give the limits")
	}
	s := Stretch{Source: fmt.Sprintf("percentiles %s of %d pixels, channels together", numbers(at.Low, at.High), n)}
	if at.PerChannel {
		s.Source = fmt.Sprintf("percentiles %s of %d pixels, each channel alone", numbers(at.Low, at.High), n)
		for c := range channels {
			s.Low[c], s.High[c] = limits(channels[c], at)
		}
		return s, s.check()
	}
	low, high := limits(slices.Concat(channels[0], channels[1], channels[2]), at)
	s.Low, s.High = [3]float64{low, low, low}, [3]float64{high, high, high}
	return s, s.check()
}

// sampled returns the channels of every k-th pixel that has a value, k having
// no factor in common with the width, so that no columns are preferred.
func sampled(p *Picture) (channels [3][]float32) {
	pixels := p.Width * p.Height
	step := max(1, pixels/sampledPixels)
	for commonFactor(step, p.Width) > 1 {
		step++
	}
	for i := 0; i < pixels; i += step {
		rgb := p.Linear[3*i : 3*i+3]
		if !finite(rgb[0]) || !finite(rgb[1]) || !finite(rgb[2]) {
			continue
		}
		for c := range channels {
			channels[c] = append(channels[c], rgb[c])
		}
	}
	return channels
}

func commonFactor(a, b int) int {
	for b != 0 {
		a, b = b, a%b
	}
	return a
}

func finite(x float32) bool { return x-x == 0 }

func limits(samples []float32, at Percentiles) (low, high float64) {
	slices.Sort(samples)
	return percentile(samples, at.Low), percentile(samples, at.High)
}

func percentile(sorted []float32, percent float64) float64 {
	place := percent / 100 * float64(len(sorted)-1)
	i := min(int(place), max(0, len(sorted)-2))
	j := min(i+1, len(sorted)-1)
	u := place - float64(i)
	return (1-u)*float64(sorted[i]) + u*float64(sorted[j])
}
