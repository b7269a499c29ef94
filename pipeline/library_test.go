package pipeline

import (
	"errors"
	"math"
	"strings"
	"testing"
	"time"

	"evenlight/configs"
)

// day returns noon of a day of March 2031, or later.
func day(d float64) time.Time {
	return time.Date(2031, time.March, 1, 12, 0, 0, 0, time.UTC).Add(time.Duration((d - 1) * 24 * float64(time.Hour)))
}

// dark describes a dark master made from day a to day b.
func dark(name string, a, b, minK, maxK float64, frames int) *Master {
	return &Master{Kind: MasterDark, Instrument: "quillon", Detector: "main", Mode: "normal",
		Begin: day(a), End: day(b), TempMinK: minK, TempMaxK: maxK, Frames: frames, Path: "masters/" + name}
}

// with returns a changed copy of a master.
func with(m *Master, change func(*Master)) *Master {
	c := *m
	change(&c)
	return &c
}

func TestSelect(t *testing.T) {
	flat := func(name, band string) *Master {
		return with(dark(name, 9, 9, 260, 260, 10), func(m *Master) { m.Kind, m.Band = MasterFlat, band })
	}
	near, nan := dark("near", 9, 9, 260, 260, 10), math.NaN()
	var unset configs.Limits
	for _, c := range []struct {
		name    string
		masters []*Master
		need    func(*Need)
		limits  configs.Limits
		want    string // "": none
	}{
		{name: "the only one", masters: []*Master{near}, want: "near"},
		{name: "another kind", masters: []*Master{with(near, func(m *Master) { m.Kind = MasterBias })}},
		{name: "another instrument", masters: []*Master{with(near, func(m *Master) { m.Instrument = "pellam" })}},
		{name: "another detector", masters: []*Master{with(near, func(m *Master) { m.Detector = "chip1" })}},
		{name: "another mode", masters: []*Master{with(near, func(m *Master) { m.Mode = "fast" })}},
		{name: "no mode is another mode", masters: []*Master{with(near, func(m *Master) { m.Mode = "" })}},
		{name: "a dark serves all bands", masters: []*Master{near}, need: func(n *Need) { n.Band = "nir" }, want: "near"},
		{name: "the flat of the band", masters: []*Master{flat("red", "red"), flat("nir", "nir")},
			need: func(n *Need) { n.Kind, n.Band = MasterFlat, "nir" }, want: "nir"},
		{name: "no flat of the band", masters: []*Master{flat("red", "red")}, need: func(n *Need) { n.Kind, n.Band = MasterFlat, "nir" }},
		{name: "earlier and nearer", masters: []*Master{dark("far", 20, 20, 260, 260, 10), near}, want: "near"},
		{name: "later and nearer", masters: []*Master{dark("far", 2, 2, 260, 260, 10), dark("after", 11, 11, 260, 260, 10)}, want: "after"},
		{name: "inside the range the age is 0", masters: []*Master{near, dark("around", 1, 30, 260, 260, 10)}, want: "around"},
		{name: "the age counts from the nearest exposure", masters: []*Master{near, dark("long", 1, 9.5, 260, 260, 10)}, want: "long"},
		{name: "at the limit of age", masters: []*Master{near}, limits: configs.Limits{MaxAgeDays: 1}, want: "near"},
		{name: "beyond the limit of age", masters: []*Master{near}, limits: configs.Limits{MaxAgeDays: 0.99}},
		{name: "at the limit of temperature", masters: []*Master{dark("warm", 9, 9, 265, 270, 10)}, limits: configs.Limits{MaxTempDiffK: 5}, want: "warm"},
		{name: "beyond it, too cold", masters: []*Master{dark("cold", 9, 9, 240, 254.9, 10)}, limits: configs.Limits{MaxTempDiffK: 5}},
		{name: "beyond it, too warm", masters: []*Master{dark("warm", 9, 9, 265.1, 270, 10)}, limits: configs.Limits{MaxTempDiffK: 5}},
		{name: "a farther one within the limits", masters: []*Master{dark("warm", 10, 10, 280, 280, 10), near}, limits: configs.Limits{MaxTempDiffK: 5}, want: "near"},
		{name: "a master without temperatures passes", masters: []*Master{dark("unknown", 9, 9, nan, nan, 10)}, limits: configs.Limits{MaxTempDiffK: 5}, want: "unknown"},
		{name: "a frame without temperature takes any", masters: []*Master{dark("warm", 9, 9, 300, 300, 10)}, need: func(n *Need) { n.TempK = nan },
			limits: configs.Limits{MaxTempDiffK: 5}, want: "warm"},
		{name: "time before temperature", masters: []*Master{near, dark("warm", 9.5, 9.5, 280, 280, 10)}, want: "warm"},
		{name: "equal time: nearest in temperature", masters: []*Master{dark("warm", 9, 9, 262, 262, 10), near}, want: "near"},
		{name: "then the nearest middle", masters: []*Master{dark("wide", 1, 30, 260, 260, 10), dark("narrow", 9, 12, 260, 260, 10)}, want: "narrow"},
		{name: "then the most frames", masters: []*Master{near, with(near, func(m *Master) { m.Frames, m.Path = 20, "z" })}, want: "z"},
		{name: "then the first name", masters: []*Master{near, with(near, func(m *Master) { m.Path = "a" })}, want: "a"},
	} {
		t.Run(c.name, func(t *testing.T) {
			n := Need{Kind: MasterDark, Instrument: "quillon", Detector: "main", Mode: "normal", Band: "red", Time: day(10), TempK: 260}
			if c.need != nil {
				c.need(&n)
			}
			if c.limits == unset {
				c.limits = configs.Limits{MaxAgeDays: 30, MaxTempDiffK: 50}
			}
			for _, order := range []string{"as listed", "turned round"} {
				l := &Library{Dir: "masters", Masters: c.masters}
				if order == "turned round" {
					l.Masters = nil
					for i := range c.masters {
						l.Masters = append(l.Masters, c.masters[len(c.masters)-1-i])
					}
				}
				m, err := l.Select(n, c.limits)
				var missing *MissingMasterError
				switch {
				case c.want == "" && !errors.As(err, &missing):
					t.Errorf("%s: %v, %v; want a MissingMasterError", order, m, err)
				case c.want != "" && (err != nil || m.Name() != c.want):
					t.Errorf("%s: %v, %v; want %s", order, m, err, c.want)
				}
			}
		})
	}
}

func TestLimitsOfZeroAllowAny(t *testing.T) {
	l := &Library{Masters: []*Master{dark("old", -3000, -3000, 100, 100, 3)}}
	n := Need{Kind: MasterDark, Instrument: "quillon", Detector: "main", Mode: "normal", Time: day(10), TempK: 260}
	if m, err := l.Select(n, configs.Limits{}); err != nil || m.Name() != "old" {
		t.Errorf("%v, %v", m, err)
	}
}

func TestMissingMasterErrorTellsWhatAndWhatToDo(t *testing.T) {
	bad := with(dark("bad-b", 1, 2, 240, 250, 3), func(m *Master) { m.Kind = MasterBadPixels })
	for _, c := range []struct {
		name    string
		masters []*Master
		need    Need
		limits  configs.Limits
		want    []string
	}{
		{"none", nil, Need{Kind: MasterFlat, Detector: "main", Mode: "normal", Band: "nir"}, configs.Limits{},
			[]string{"no flat master", "detector main", "mode normal", "band nir", "in shelf", "evenlight masters", "switch its stage off"}},
		{"all outside the limits", []*Master{with(bad, func(m *Master) { m.Path, m.End = "bad-a", day(1) }), bad},
			Need{Kind: MasterBadPixels, Instrument: "quillon", Detector: "main", Mode: "normal", Time: day(12), TempK: 260},
			configs.Limits{MaxAgeDays: 7, MaxTempDiffK: 3},
			[]string{"no bad-pixels master", "the nearest, bad-b,", "10.0 days", "10.0 K", "limits 7 days, 3 K", "selection.bad_pixels"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			_, err := (&Library{Dir: "shelf", Masters: c.masters}).Select(c.need, c.limits)
			if err == nil {
				t.Fatal("no error")
			}
			for _, w := range c.want {
				if !strings.Contains(err.Error(), w) {
					t.Errorf("%q does not say %q", err, w)
				}
			}
		})
	}
}
