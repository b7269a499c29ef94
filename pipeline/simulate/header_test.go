package simulate

import (
	"math"
	"strings"
	"testing"
	"time"

	"evenlight/configs"
)

func someFrame(kind string) *Planned {
	return &Planned{
		Name: "0001-" + kind, Kind: kind,
		Exposure: Exposure{Band: "green", ExposureS: 0.35, WaitS: 0.02, TempK: 263.27},
		Time:     time.Date(2031, time.March, 14, 6, 7, 8, 250e6, time.UTC),
		Mode:     "fast", Target: "Tessaly", SunDistanceAU: 3.21,
	}
}

// The values that a header must hold are converted by hand: 0.35 s, 263.27 K,
// 3.21 au of 149597870.7 km (IAU 2012 Resolution B2).
func TestQuantitiesAreWrittenInTheUnitOfTheHeader(t *testing.T) {
	for _, c := range []struct {
		name string
		unit string
		own  float64
		want float64
	}{
		{"seconds", "s", 0.35, 0.35},
		{"milliseconds", "ms", 0.35, 350},
		{"microseconds", "us", 0.35, 350000},
		{"minutes", "min", 90, 1.5},
		{"kelvins", "K", 263.27, 263.27},
		{"degrees Celsius", "degC", 263.27, -9.88},
		{"degrees Fahrenheit", "degF", 263.27, 14.216},
		{"astronomical units", "au", 3.21, 3.21},
		{"kilometres", "km", 3.21, 480209164.947},
		{"metres", "m", 3.21, 480209164947},
	} {
		got, err := rawQuantity(&configs.Quantity{Key: "KEY", Unit: c.unit}, c.own)
		if err != nil {
			t.Errorf("%s: %v", c.name, err)
			continue
		}
		if raw, ok := got.(float64); !ok || math.Abs(raw-c.want) > 1e-11*math.Abs(c.want) {
			t.Errorf("%s: %v, want %v", c.name, got, c.want)
		}
	}
}

func TestUnitThatIsUnknownIsRefused(t *testing.T) {
	_, err := rawQuantity(&configs.Quantity{Key: "EXPDUR", Unit: "fortnight"}, 1)
	if err == nil || !strings.Contains(err.Error(), "EXPDUR") || !strings.Contains(err.Error(), "fortnight") {
		t.Errorf("error %v does not name the keyword and its unit", err)
	}
}

// 2031-03-14T06:07:08.25: day 22353 of Unix time (calendar arithmetic by hand:
// 61 years of 365 days, 15 leap days from 1972 to 2028, and 73 days of 2031),
// 22028.25 s into the day.
func TestTimesAreWrittenInTheFormOfTheHeader(t *testing.T) {
	const day, seconds = 61*365 + 15 + 72, 6*3600 + 7*60 + 8.25
	for _, c := range []struct {
		form string
		want any
	}{
		{"iso8601", "2031-03-14T06:07:08.250"},
		{"unix_s", day*86400 + seconds},
		{"unix_ms", int64(day*86400000 + seconds*1000)},
		{"jd", 2440587.5 + day + seconds/86400},
		{"mjd", 40587 + day + seconds/86400},
	} {
		got, err := rawTime(configs.TimeKey{Key: "WHEN", Form: c.form}, someFrame("scene").Time)
		if err != nil {
			t.Errorf("%s: %v", c.form, err)
			continue
		}
		if want, ok := c.want.(float64); ok {
			if raw, ok := got.(float64); !ok || math.Abs(raw-want) > 1e-15*want*4 {
				t.Errorf("%s: %v, want %v", c.form, got, want)
			}
		} else if got != c.want {
			t.Errorf("%s: %v, want %v", c.form, got, c.want)
		}
	}
}

func TestRuleIsMetByItsFirstWord(t *testing.T) {
	one, two, yes, no := 1.0, 2.0, true, false
	for _, c := range []struct {
		name  string
		tests []configs.KeyTest
		want  any
		there bool
	}{
		{"text", []configs.KeyTest{{Key: "K", Equals: "ZERO"}}, "ZERO", true},
		{"number", []configs.KeyTest{{Key: "K", Equals: "7"}}, int64(7), true},
		{"number that is text", []configs.KeyTest{{Key: "K", Equals: "007"}}, "007", true},
		{"one of", []configs.KeyTest{{Key: "K", OneOf: []string{"IMAGE", "PICTURE"}}}, "IMAGE", true},
		{"above", []configs.KeyTest{{Key: "K", Above: &one}}, 2.0, true},
		{"below", []configs.KeyTest{{Key: "K", Below: &one}}, 0.0, true},
		{"between", []configs.KeyTest{{Key: "K", Above: &one}, {Key: "K", Below: &two}}, 1.5, true},
		{"present", []configs.KeyTest{{Key: "K", Present: &yes}}, true, true},
		{"absent", []configs.KeyTest{{Key: "K", Present: &no}}, nil, false},
	} {
		if got, there := meeting(c.tests, "K"); got != c.want || there != c.there {
			t.Errorf("%s: %v, %t; want %v, %t", c.name, got, there, c.want, c.there)
		}
	}
}

func TestEveryPlannedFrameIsReadBackAsPlanned(t *testing.T) {
	for _, name := range framingCameras(t) {
		p := builtin(t, name)
		for _, f := range Scenario(p, ScenarioOptions{Seed: 1, Sequence: true}) {
			h, err := frameHeader(p, &f)
			if err != nil {
				t.Fatalf("%s, %s: %v", name, f.Name, err)
			}
			info, err := p.Describe(h)
			if err != nil {
				t.Fatalf("%s, %s: %v", name, f.Name, err)
			}
			band := f.Exposure.Band
			if f.Kind == configs.KindBias || f.Kind == configs.KindDark {
				band = "" // no light, whichever filter is in place
			}
			if info.Kind != f.Kind || info.Band != band || info.Mode != f.Mode || info.Target != f.Target {
				t.Errorf("%s, %s: read as %s, band %q, mode %q, target %q; planned %s, %q, %q, %q", name, f.Name,
					info.Kind, info.Band, info.Mode, info.Target, f.Kind, band, f.Mode, f.Target)
			}
			// Unix seconds of 2031 in a float64 come in steps of 2^-22 s, days
			// since 1858 in steps of 2^-37 d, reached from days since 1970
			// in steps of 2^-38 d: half a step each is lost.
			limit := 120 * time.Nanosecond
			if p.Keywords.Time.Form == "mjd" {
				limit += 472 * time.Nanosecond
			}
			if off := info.Time.Sub(f.Time).Abs(); off > limit {
				t.Errorf("%s, %s: time read as %v, planned %v", name, f.Name, info.Time, f.Time)
			}
			for _, q := range []struct {
				name          string
				read, planned float64
			}{
				{"exposure time", info.ExposureS, f.Exposure.ExposureS},
				{"wait", info.WaitS, f.Exposure.WaitS},
				{"temperature", info.TempK, f.Exposure.TempK},
				{"distance of the Sun", info.SunDistanceAU, f.SunDistanceAU},
			} {
				// 12 digits are written; a temperature of -9.88 degC keeps 11 in K.
				if math.IsNaN(q.read) || math.Abs(q.read-q.planned) > 1e-11*q.planned {
					t.Errorf("%s, %s: %s read as %v, planned %v", name, f.Name, q.name, q.read, q.planned)
				}
			}
		}
	}
}

func TestSecondRuleOfAKindServesWhereTheFirstIsShadowed(t *testing.T) {
	p := smallCamera()
	p.FrameKinds = []configs.KindRule{
		{Kind: configs.KindIgnore, When: []configs.KeyTest{{Key: "OBSTYPE", Equals: "ZERO"}}},
		{Kind: configs.KindBias, When: []configs.KeyTest{{Key: "OBSTYPE", Equals: "ZERO"}}},
		{Kind: configs.KindBias, When: []configs.KeyTest{{Key: "OBSTYPE", Equals: "NULL"}}},
	}
	h, err := frameHeader(p, someFrame(configs.KindBias))
	if err != nil {
		t.Fatal(err)
	}
	if word, _ := h.Value("OBSTYPE"); word != "NULL" {
		t.Errorf("OBSTYPE is %v, want NULL", word)
	}
}

func TestKindThatNoRuleCanGiveIsRefused(t *testing.T) {
	p := smallCamera()
	p.FrameKinds = []configs.KindRule{
		{Kind: configs.KindScene},
		{Kind: configs.KindBias, When: []configs.KeyTest{{Key: "OBSTYPE", Equals: "ZERO"}}},
	}
	if _, err := frameHeader(p, someFrame(configs.KindBias)); err == nil || !strings.Contains(err.Error(), "bias") {
		t.Errorf("error %v does not name the kind", err)
	}
}
