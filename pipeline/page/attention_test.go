package page

import (
	"fmt"
	"slices"
	"testing"

	"evenlight/pipeline"
)

// The texts are those of errors of this software.
func TestReasonAndRemedyArePartedInErrors(t *testing.T) {
	for _, c := range []struct{ text, reason, remedy string }{
		{"no flat master for detector main, mode normal, band violet in masters: build one with 'evenlight masters', or switch its stage off in the profile",
			"no flat master for detector main, mode normal, band violet in masters", "build one with 'evenlight masters', or switch its stage off in the profile"},
		{"no dark master for detector main within the limits: the nearest, dark.fits, is 40.0 days and 0.1 K away (limits 30 days, 2 K): build a nearer one, or widen selection.dark in the profile",
			"no dark master for detector main within the limits: the nearest, dark.fits, is 40.0 days and 0.1 K away (limits 30 days, 2 K)", "build a nearer one, or widen selection.dark in the profile"},
		{"HDU 0: broken FITS: the file is cut off: fetch it again", "HDU 0: broken FITS: the file is cut off", "fetch it again"},
		{"keyword EXPDUR: is missing", "keyword EXPDUR: is missing", ""},
		{"", "", ""},
	} {
		if reason, remedy := splitReason(c.text); reason != c.reason || remedy != c.remedy {
			t.Errorf("%q: %q, %q", c.text, reason, remedy)
		}
	}
}

func TestFailuresOfOneCauseAreOneThing(t *testing.T) {
	var failures []pipeline.Failure
	for i := range 30 {
		raw := fmt.Sprintf("raw/%04d.fits", i)
		failures = append(failures, pipeline.Failure{Raw: raw, Reason: fmt.Sprintf("%s: no flat master for detector main within the limits: the nearest, f.fits, is %d.0 days and 0.1 K away (limits 30 days, 2 K): build a nearer one, or widen selection.flat in the profile", raw, 31+i)})
	}
	failures = append(failures, pipeline.Failure{Raw: "raw/cut.fits", Reason: "raw/cut.fits: HDU 0: 12 of 96 rows are whole: fetch it again"})
	causes := Causes(failures)
	if len(causes) != 2 {
		t.Fatalf("%+v", causes)
	}
	a, b := causes[0], causes[1]
	if a.Kind != "missing-master" || a.Count != 30 || len(a.Names) != MostNamed || a.Names[0] != "raw/0000.fits" || a.Text != "no flat master for detector main within the limits" || a.Remedy == "" {
		t.Errorf("%+v", a)
	}
	if b.Kind != "failure" || b.Count != 1 || b.Text != "HDU 0: 12 of 96 rows are whole" || b.Remedy != "fetch it again" {
		t.Errorf("%+v", b)
	}
}

func TestWarningsThatDifferInFiguresAreOneThing(t *testing.T) {
	frames := []Frame{
		{N: 1, Time: "2031-04-05T06:00:02Z", Warnings: []string{"noise is 1.40 of the expected (fine structure of the scene counts as noise here)"}},
		{N: 2, Time: "2031-04-05T06:00:01Z", Warnings: []string{"noise is 1.52 of the expected (fine structure of the scene counts as noise here)", "1.2 % of the pixels are saturated"}},
		{N: 3, State: StateBroken, Warnings: []string{"the product cannot be read"}},
	}
	things := order(frameThings(frames))
	want := []Attention{
		{Kind: "warning", Grade: GradeAct, Text: "the product cannot be read", Count: 1, Frames: []int{3}},
		{Kind: "noise", Grade: GradeLook, Text: "noise is … of the expected (fine structure of the scene counts as noise here)", Count: 2, Frames: []int{1, 2}, Since: "2031-04-05T06:00:01Z"},
		{Kind: "warning", Grade: GradeLook, Text: "1.2 % of the pixels are saturated", Count: 1, Frames: []int{2}, Since: "2031-04-05T06:00:01Z"},
	}
	if fmt.Sprintf("%+v", things) != fmt.Sprintf("%+v", want) {
		t.Errorf("%+v\nwant\n%+v", things, want)
	}
}

func TestAFrameWithFarFewerGoodPixelsThanItsLikeIsOutOfTheWay(t *testing.T) {
	var frames []goodOf
	for i := range 9 {
		frames = append(frames, goodOf{"green", 0.99 + 0.0005*float64(i%3)}, goodOf{"red", 0.90 + 0.02*float64(i%3)})
	}
	frames = append(frames, goodOf{"green", 0.97}, goodOf{"green", 0.985}, goodOf{"red", 0.87}, goodOf{"blue", 0.1})
	out := outOfTheWay(frames)
	for i, text := range out {
		// 0.985 is within 0.01 of the median of green; red scatters by 0.02; blue
		// is alone.
		if (text != "") != (i == 18) {
			t.Errorf("frame %d %+v: %q", i, frames[i], text)
		}
	}
	if out[18] != "97.0 % of its pixels are good, of its like 99.1 %" && out[18] != "97.0 % of its pixels are good, of its like 99.0 %" {
		t.Error(out[18])
	}
	if kindOfWarning(out[18]) != "good" {
		t.Error("it is not of the kind good")
	}
}

func TestAlertsThatHoldAndChartsThatAreOutNeedAttention(t *testing.T) {
	things := append(alertThings([]Alert{{Rule: "a", Subject: "s", Message: "m", First: "f", Holds: true}, {Rule: "b"}}),
		trendThings([]Chart{{ID: "t1", Title: "x"}, {ID: "t2", Title: "y", Out: 2, FirstOut: &ChartPoint{Time: "then"}, OutSince: &ChartPoint{Time: "now"}, Worst: []ChartPoint{{N: 7}, {N: 3}}}})...)
	if len(things) != 2 || things[0].Text != "Alert a of s: m" || things[0].Since != "f" || things[1].Since != "then" || !slices.Equal(things[1].Frames, []int{7, 3}) || things[1].Text != "y is outside of its control limits, and has been since now" {
		t.Errorf("%+v", things)
	}
}

func TestAnAlertNamesItsSubjectOnce(t *testing.T) {
	things := alertThings([]Alert{{Rule: "noise", Subject: "band=red", Message: "noise_ratio of band=red is 1.4", Holds: true}})
	if len(things) != 1 || things[0].Text != "Alert noise: noise_ratio of band=red is 1.4" {
		t.Errorf("%+v", things)
	}
}

func TestWordsForAShellAreQuoted(t *testing.T) {
	for in, want := range map[string]string{"products/0001-a.fits": "products/0001-a.fits", "a b": "'a b'", "it's": `'it'\''s'`, "$(rm)": "'$(rm)'", "": "''"} {
		if got := quoted(in); got != want {
			t.Errorf("%q: %s, want %s", in, got, want)
		}
	}
}
