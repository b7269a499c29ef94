package page

import (
	"math"
	"testing"
)

func TestNumbersAreWrittenForReading(t *testing.T) {
	half := 0.5
	for _, c := range []struct{ got, want string }{
		{figure(251.47), "251.5"},
		{figure(-0.00012346), "−0.0001235"},
		{figure(7.0020555e-06), "7.002 × 10⁻⁶"},
		{figure(-1.2e13), "−1.2 × 10¹³"},
		{figure(&half), "0.5"},
		{figure((*float64)(nil)), "–"},
		{percent(0.99334), "99.33 %"},
		{percent(0.000996), "0.100 %"},
		{percent(0.0), "0.000 %"},
		{percent(&half), "50.00 %"},
		{percent((*float64)(nil)), "–"},
		{count(0), "0"},
		{count(9999), "9999"},
		{count(10000), "10\u202f000"},
		{count(1234567), "1\u202f234\u202f567"},
		{unitText("W m-2 sr-1 nm-1"), "W m⁻² sr⁻¹ nm⁻¹"},
		{unitText("DN, as-coded"), "DN, as-coded"},
		{unitText("-1"), "-1"},
		{utc("2031-03-15T15:14:12.684Z"), "2031-03-15 15:14:12"},
		{utc("2031-03-15T15:14:12+01:00"), "2031-03-15 14:14:12"},
		{utc("soon\u202e"), "soon\\u202e"},
		{short("8bfb800da71f2edc"), "8bfb800da71f…"},
		{short("12ab"), "12ab"},
		{address("../a b/50%#1?.fits"), "./../a%20b/50%25%231%3F.fits"},
		{address("javascript:x"), "./javascript:x"},
	} {
		if c.got != c.want {
			t.Errorf("%q, want %q", c.got, c.want)
		}
	}
}

// All numbers of a column of levels have one power of ten, and the largest has
// digitsShown digits.
func TestLevelsShareAPowerOfTen(t *testing.T) {
	for _, c := range []struct {
		values []float64
		unit   string
		digits int
		first  float64
	}{
		{[]float64{0.02234, -3e-5}, "10⁻³ W m⁻²", 2, 22.34},
		{[]float64{2500, 10.25}, "W m⁻²", 0, 2500},
		{[]float64{0.5}, "W m⁻²", 4, 0.5},
		{[]float64{4.2e7, 1}, "10⁶ W m⁻²", 2, 42},
		{[]float64{math.NaN(), 0}, "W m⁻²", 0, math.NaN()},
	} {
		got := scaled("median", "W m-2", c.values)
		if got.Unit != c.unit || got.Digits != c.digits {
			t.Errorf("%v: unit %q and %d digits, want %q and %d", c.values, got.Unit, got.Digits, c.unit, c.digits)
		}
		if first := float64(got.Numbers[0]); first != c.first && !(math.IsNaN(first) && math.IsNaN(c.first)) {
			t.Errorf("%v, want %v", first, c.first)
		}
	}
}

// What all frames share is told once, above the table.
func TestColumnsAreWhatDiffers(t *testing.T) {
	p := SamplePage(3)
	p.Frames[1].Band = "red"
	p.Frames[2].Median = nil
	table := newFrameTable(p.Frames)
	titles := map[string]column{}
	for _, c := range table.Columns {
		titles[c.Title] = c
	}
	shared := map[string]string{}
	for _, c := range table.Common {
		shared[c.Title] = c.Value
	}
	for _, title := range []string{"state", "frame", "start, UTC", "band", "target", "background", "median", "noise"} {
		if _, ok := titles[title]; !ok {
			t.Errorf("no column %q in %v", title, table.Columns)
		}
	}
	for title, value := range map[string]string{"date": "2031-04-05", "detector": "vis", "mode": "normal", "unit": "electron", "exposure": "0.25 s", "temperature": "251.50 K"} {
		if shared[title] != value {
			t.Errorf("%s is %q for all frames, want %q", title, shared[title], value)
		}
		if _, ok := titles[title]; ok {
			t.Errorf("%s is a column too", title)
		}
	}
	if last := float64(titles["median"].Numbers[2]); !math.IsNaN(last) {
		t.Errorf("a frame without median has %v", last)
	}
}
