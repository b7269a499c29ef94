package colour

import (
	"math"
	"strings"
	"testing"

	"evenlight/calib"
)

func TestStretchReadsBackExactly(t *testing.T) {
	for _, s := range []Stretch{
		FullRange(),
		{Low: [3]float64{0.1, -1.0 / 3, 1e-17}, High: [3]float64{math.Pi, 7, 2e-17}, Gamma: 2.2, Source: "by hand"},
	} {
		settings := append([]calib.Setting{{Name: "colour.bands", Value: "a b"}}, s.Settings()...)
		got, err := StretchFrom(settings)
		if err != nil || got != s {
			t.Errorf("%+v comes back as %+v, %v", s, got, err)
		}
	}
}

func TestStretchErrors(t *testing.T) {
	good := FullRange().Settings()
	with := func(i int, value string) []calib.Setting {
		s := append([]calib.Setting(nil), good...)
		s[i].Value = value
		return s
	}
	for name, c := range map[string]struct {
		settings []calib.Setting
		want     string
	}{
		"incomplete":     {good[:2], "stretch.curve are needed"},
		"two numbers":    {with(0, "0 1"), "give three numbers"},
		"not a number":   {with(1, "1 x 1"), `"x" is not a number`},
		"unknown curve":  {with(2, "log"), "write srgb, or gamma"},
		"gamma of zero":  {with(2, "gamma 0"), "write srgb, or gamma"},
		"wild gamma":     {with(2, "gamma 9"), "choose 0.4 to 3.5"},
		"upside down":    {with(1, "1 0 1"), "stretch of green: 0 to 0"},
		"without limits": {with(1, "1 NaN 1"), "stretch of green"},
	} {
		if _, err := StretchFrom(c.settings); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: error %v, want one with %q", name, err, c.want)
		}
	}
}

// ramp is a picture whose red goes evenly from 0 to 1 along and down, green
// from 0 to 2 and blue from 0 to 3, with a lost pixel here and there.
func ramp(width, height int) *Picture {
	p := &Picture{Width: width, Height: height, Linear: make([]float32, 3*width*height)}
	n := width * height
	for i := range n {
		v := float32(i) / float32(n-1)
		copy(p.Linear[3*i:], []float32{v, 2 * v, 3 * v})
		if i%7 == 3 {
			copy(p.Linear[3*i:], []float32{nan(), nan(), nan()})
		}
	}
	return p
}

// The percentile q of values that are evenly spread from 0 to m is q m. The
// limits are known to the distance between samples.
func TestAutoStretchFindsPercentiles(t *testing.T) {
	for _, size := range [][2]int{{50, 40}, {1024, 700}} {
		p := ramp(size[0], size[1])
		each, err := AutoStretch(p, Percentiles{Low: 2, High: 90, PerChannel: true})
		if err != nil {
			t.Fatal(err)
		}
		for c := range 3 {
			m := float64(c + 1)
			within(t, "lower limit", each.Low[c], 0.02*m, 0.001*m)
			within(t, "upper limit", each.High[c], 0.90*m, 0.001*m)
		}
		together, err := AutoStretch(p, Percentiles{Low: 0, High: 100})
		if err != nil {
			t.Fatal(err)
		}
		if !together.Common() || each.Common() {
			t.Errorf("common limits: %t and %t, want true and false", together.Common(), each.Common())
		}
		within(t, "least of all", together.Low[0], 0, 0)
		within(t, "greatest of all", together.High[0], 3, 0.001)
	}
}

func TestAutoStretchIsTheSameAlways(t *testing.T) {
	p := ramp(512, 512)
	before := append([]float32(nil), p.Linear...)
	first, err := AutoStretch(p, DefaultPercentiles())
	if err != nil {
		t.Fatal(err)
	}
	if second, _ := AutoStretch(p, DefaultPercentiles()); second != first {
		t.Errorf("%+v, then %+v", first, second)
	}
	for i, v := range before {
		if math.Float32bits(p.Linear[i]) != math.Float32bits(v) {
			t.Fatal("the picture was changed")
		}
	}
}

// Every 64th pixel of rows of 2048 would see 32 of the columns only.
func TestAutoStretchSeesAllColumns(t *testing.T) {
	p := &Picture{Width: 2048, Height: 2048, Linear: make([]float32, 3*2048*2048)}
	for i := range p.Width * p.Height {
		v := float32(i % p.Width)
		copy(p.Linear[3*i:], []float32{v, v, v})
	}
	s, err := AutoStretch(p, Percentiles{Low: 0, High: 100})
	if err != nil {
		t.Fatal(err)
	}
	within(t, "lower limit", s.Low[0], 0, 0)
	within(t, "upper limit", s.High[0], 2047, 0)
}

func TestAutoStretchErrors(t *testing.T) {
	empty := &Picture{Width: 1, Height: 1, Linear: []float32{nan(), nan(), nan()}}
	flat := &Picture{Width: 2, Height: 1, Linear: []float32{1, 1, 1, 1, 1, 1}}
	for name, c := range map[string]struct {
		p    *Picture
		at   Percentiles
		want string
	}{
		"upside down": {ramp(4, 4), Percentiles{Low: 90, High: 10}, "choose 0 <= low < high <= 100"},
		"NaN":         {ramp(4, 4), Percentiles{Low: math.NaN(), High: 10}, "choose 0 <= low"},
		"empty":       {empty, DefaultPercentiles(), "give the limits"},
		"flat":        {flat, DefaultPercentiles(), "must be above the lower"},
	} {
		if _, err := AutoStretch(c.p, c.at); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: error %v, want one with %q", name, err, c.want)
		}
	}
}
