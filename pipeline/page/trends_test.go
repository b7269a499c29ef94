package page

import (
	"bytes"
	"math"
	"testing"
	"time"

	"evenlight/pipeline/trend"
)

var noon = time.Date(2031, 4, 5, 12, 0, 0, 0, time.UTC)

// tracked is a track of values a minute apart.
func tracked(values ...float64) *track {
	t := &track{series: trendSeries{"quillon", "main", "normal", "green"}, metric: "noise_ratio"}
	for i, v := range values {
		t.points = append(t.points, point{trend.Sample{Time: noon.Add(time.Duration(i) * time.Minute), Name: "f", Value: v}, i + 1})
	}
	return t
}

// A baseline of 9, 11, 9, 11 ... has centre 10 and the mean moving range 2, so
// limits 10 ± 3 x 2/1.128 (e-Handbook 6.3.2.2).
func TestARunIsComparedWithItsFirstHalf(t *testing.T) {
	values := []float64{9, 11, 9, 11, 9, 11, 9, 11, 9, 11, 10, 15.31, 15.33, 10, 4.69, 4.67, 30, 10, 20, 40}
	j := tracked(values...).judge(nil)
	half := 3 * 2 / 1.128
	if j.problem != "" || j.after != 10 || math.Abs(j.limits.Upper-10-half) > 1e-9 || math.Abs(j.limits.Lower-10+half) > 1e-9 {
		t.Fatalf("%+v", j)
	}
	c, err := j.chart("t001")
	if err != nil {
		t.Fatal(err)
	}
	if c.Out != 5 || c.FirstOut.N != 13 || c.OutSince.N != 19 || c.Worst[0].N != 20 || c.Worst[1].N != 17 || c.Last.Value != 40 || c.Points != 20 {
		t.Errorf("%+v", c)
	}
	// The same points against a baseline of other frames, which ended before.
	before := make([]trend.Sample, 10)
	for i := range before {
		before[i] = trend.Sample{Time: noon.Add(-time.Hour), Value: 10 + 100*float64(i%2)}
	}
	if j := tracked(values...).judge(before); j.after != 0 || j.limits.Centre != 60 {
		t.Errorf("%+v", j.limits)
	}
	// And against one that is a part of the page.
	overlap := make([]trend.Sample, 4)
	for i := range overlap {
		overlap[i] = trend.Sample{Time: noon.Add(time.Duration(i) * time.Minute), Value: values[i]}
	}
	if j := tracked(values...).judge(overlap); j.after != 4 {
		t.Errorf("judged from point %d on", j.after)
	}
}

func TestFewOrEqualValuesHaveNoLimitsAndAreDrawn(t *testing.T) {
	for name, values := range map[string][]float64{"few": {1, 2, 3, 4, 5, 6, 7, 8, 9}, "equal": {1, 1, 1, 1, 1, 1, 1, 1, 1, 1, 1, 1}} {
		j := tracked(values...).judge(nil)
		c, err := j.chart("t001")
		if err != nil || j.problem == "" || c.Out != 0 || c.Centre != nil || len(c.SVG) == 0 {
			t.Errorf("%s: %v %+v", name, err, c)
		}
	}
}

// A drawing of many points takes no more room than one of some hundred, and has
// the points that are out.
func TestDrawingsOfManyPointsStaySmall(t *testing.T) {
	values := make([]float64, 20_000)
	for i := range values {
		values[i] = 9 + 2*float64(i%2)
	}
	values[7001], values[15_000] = 30, 40
	j := tracked(values...).judge(nil)
	shown := j.drawn()
	if len(shown) != drawnPoints {
		t.Errorf("%d points are drawn", len(shown))
	}
	has := map[int]bool{}
	for _, i := range shown {
		has[i] = true
	}
	if !has[7001] || !has[15_000] {
		t.Error("points that are out are not drawn")
	}
	c, err := j.chart("t001")
	if err != nil || len(c.SVG) > 200_000 || !bytes.Contains(c.SVG, []byte("400 of 20000 points")) {
		t.Errorf("%v, %d bytes", err, len(c.SVG))
	}
}

func TestAxesOfTimeHaveAFewMarksWithDates(t *testing.T) {
	for _, span := range []time.Duration{0, time.Second, 40 * time.Second, 50 * time.Minute, 5 * time.Hour, 30 * time.Hour, 9 * day, 300 * day, 4000 * day} {
		a := timeAxis(noon.Add(7*time.Second), noon.Add(7*time.Second+span))
		if len(a.Ticks) < 1 || len(a.Ticks) > mostTicks+1 {
			t.Errorf("%v: %d marks", span, len(a.Ticks))
		}
		seen := map[string]bool{}
		for _, k := range a.Ticks {
			if k.At < 0 || k.At > span.Hours() || seen[k.Label] {
				t.Errorf("%v: mark %+v", span, k)
			}
			seen[k.Label] = true
		}
	}
}

func TestFiguresOfTheCameraAreFollowedAndThoseOfTheSceneAreNot(t *testing.T) {
	for name, want := range map[string]bool{"offset_dn.left": true, "read_noise_e.A": true, "temperature_k": true, "noise_ratio.red": true, "good_fraction": true, "median": false, "background.red": false, "flagged.hot": false} {
		if followed(name) != want {
			t.Errorf("%s: %v", name, !want)
		}
	}
}
