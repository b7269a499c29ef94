package simulate

import (
	"errors"
	"io/fs"
	"math"
	"path/filepath"
	"reflect"
	"slices"
	"testing"
	"time"

	"evenlight/configs"
	"evenlight/fitsutil"
)

// tubeCamera is a camera tube of 96 x 96 pixels with 4 x 4 reference marks and
// two bands.
func tubeCamera() *configs.Profile {
	whole := configs.Region{Columns: [2]int{1, 96}, Rows: [2]int{1, 96}}
	return &configs.Profile{
		Format: 1, Instrument: "sallow",
		Keywords: configs.Keywords{
			ExposureS:    configs.Quantity{Key: "EXPOSMS", Unit: "ms"},
			TemperatureK: &configs.Quantity{Key: "TUBETEMP", Unit: "degC"},
			Time:         configs.TimeKey{Key: "SCANSTRT", Form: "iso8601"},
			Band:         &configs.Word{Key: "FILTER"},
		},
		FrameKinds: []configs.KindRule{
			{Kind: configs.KindBias, When: []configs.KeyTest{{Key: "SEQTYPE", Equals: "READ"}}},
			{Kind: configs.KindDark, When: []configs.KeyTest{{Key: "SEQTYPE", Equals: "CLOSED"}}},
			{Kind: configs.KindFlat, When: []configs.KeyTest{{Key: "SEQTYPE", Equals: "EVEN"}}},
			{Kind: configs.KindLadder, When: []configs.KeyTest{{Key: "SEQTYPE", Equals: "STEPS"}}},
			{Kind: configs.KindScene, When: []configs.KeyTest{{Key: "SEQTYPE", Equals: "VIEW"}}},
		},
		Detectors: []configs.Detector{{
			Name: "tube", Width: 96, Height: 96, ADCBits: 10, Image: whole,
			Reference:  configs.Region{Columns: [2]int{29, 68}, Rows: [2]int{29, 68}},
			Amplifiers: []configs.Amplifier{{Name: "only", Region: whole, GainEPerDN: 60, ReadNoiseE: 80, OffsetDN: 40}},
			Offset:     configs.Offset{From: configs.OffsetBias},
			Linearity:  configs.Linearity{From: configs.LinearityLadder, Order: 3, Zones: [2]int{4, 4}},
			Dark:       configs.Dark{ReferenceK: 283.15, Law: configs.DarkConstant},
			Residual:   &configs.Residual{Fraction: 0.05, MaxGapS: 100},
			Marks: &configs.Marks{
				First: [2]float64{12, 12}, Step: [2]float64{24, 24}, Count: [2]int{4, 4},
				RadiusPixels: 2, SearchPixels: 6, Order: 3,
			},
		}},
		Bands: []configs.Band{
			{Name: "orange", WavelengthNM: 610, Responsivity: 1.6e6, SolarIrradiance: 1.7},
			{Name: "clear", WavelengthNM: 560, Responsivity: 2.4e6, SolarIrradiance: 1.8},
		},
		Masters: configs.Masters{MinFrames: 3},
	}
}

// plainTube switches every effect off but the noise and what a test asks for.
func plainTube(seed uint64) TubeOptions {
	return TubeOptions{Options: plain(seed), NoResidual: true, NoDistortion: true, NoMarks: true}
}

func mustTube(t testing.TB, p *configs.Profile, opt TubeOptions) *Tube {
	t.Helper()
	tube, err := NewTube(p, "tube", opt)
	if err != nil {
		t.Fatal(err)
	}
	return tube
}

func mustExposeTube(t testing.TB, tube *Tube, e Exposure, before []float64) *Raw {
	t.Helper()
	raw, err := tube.Expose(e, before)
	if err != nil {
		t.Fatal(err)
	}
	return raw
}

func mustLight(t testing.TB, tube *Tube, e Exposure) []float64 {
	t.Helper()
	light, err := tube.Light(e)
	if err != nil {
		t.Fatal(err)
	}
	return light
}

func sampleMoments(samples []uint16) (mean, variance, n float64) {
	var sum, squares float64
	for _, s := range samples {
		v := float64(s)
		sum, squares = sum+v, squares+v*v
	}
	n = float64(len(samples))
	mean = sum / n
	return mean, squares/n - mean*mean, n
}

// Mean and variance of an evenly lit frame, with and without what is left of
// the frame before: that brings 5 percent of 40000 e-, and their shot noise.
// Limits as in the test of evenly lit frames.
func TestTubeFrameHasMeanAndVarianceOfTheory(t *testing.T) {
	opt := plainTube(11)
	opt.NoResidual = false
	tube := mustTube(t, tubeCamera(), opt)
	before := mustLight(t, tube, Exposure{Band: "orange", ExposureS: 2, LampRate: 20000})
	for _, c := range []struct {
		name      string
		light     float64
		before    []float64
		electrons float64
	}{
		{"no light", 0, nil, 0},
		{"light", 20000, nil, 20000},
		{"no light after light", 0, before, 2000},
		{"light after light", 20000, before, 22000},
	} {
		raw := mustExposeTube(t, tube, Exposure{Band: "clear", ExposureS: 1, LampRate: c.light, Index: 2}, c.before)
		mean, variance, n := sampleMoments(raw.Samples)
		wantMean := 40 + c.electrons/60
		wantVariance := (c.electrons+80*80)/3600 + 1.0/12
		if limit := 5 * math.Sqrt(wantVariance/n); math.Abs(mean-wantMean) > limit {
			t.Errorf("%s: mean %.3f DN, want %.3f within %.3f", c.name, mean, wantMean, limit)
		}
		if limit := 5 * wantVariance * math.Sqrt(2/n); math.Abs(variance-wantVariance) > limit {
			t.Errorf("%s: variance %.3f DN^2, want %.3f within %.3f", c.name, variance, wantVariance, limit)
		}
		if got := float64(raw.Truth.Electrons[50]); got != c.light {
			t.Errorf("%s: the truth is %g electrons, want %g without what is left of the frame before", c.name, got, c.light)
		}
	}
}

// Without noise every sample is a number that can be computed by hand. lin is
// inverted here by bisection, not by Newton's method.
func TestNoiselessTubeFrameFollowsTheModel(t *testing.T) {
	p := tubeCamera()
	p.Detectors[0].Saturation.FullWellE = 50000
	tube := mustTube(t, p, TubeOptions{Options: Options{Seed: 5, NoShotNoise: true, NoReadNoise: true}})
	orange, _ := tube.Flat("orange")
	clear, _ := tube.Flat("clear")
	radiance, _ := tube.View(Ramp(0.03)) // to 1.4 times full well
	before := mustLight(t, tube, Exposure{Band: "clear", ExposureS: 0.5, LampRate: 110000})
	raw := mustExposeTube(t, tube, Exposure{Band: "orange", ExposureS: 1.5, WaitS: 20, Radiance: radiance, LampRate: 100}, before)
	for i, got := range raw.Samples {
		light := float64(orange[i]) * (100 + 1.6e6*float64(radiance[i])) * 1.5
		charge := light + float64(tube.Dark[i])*21.5 + 0.05*min(float64(clear[i])*55000, 50000)
		v := bisectTube(min(charge, 50000)/60, float64(tube.C2[i]), float64(tube.C3[i]))
		want := math.Round(40 + float64(tube.Pattern[i]) + v)
		if float64(got) != want {
			t.Fatalf("sample at column %d, row %d is %d, want %g", i%96+1, i/96+1, got, want)
		}
		if raw.Truth.Saturated[i] != (charge >= 50000) {
			t.Fatalf("column %d, row %d with %.0f electrons: saturated is %t", i%96+1, i/96+1, charge, raw.Truth.Saturated[i])
		}
	}
}

// bisectTube solves v + c2 v^2 + c3 v^3 = u for v from 0 to the first code
// that 10 bits cannot hold, beyond which some curves of a tube fall again.
func bisectTube(u, c2, c3 float64) float64 {
	low, high := 0.0, 1024.0
	for range 60 {
		middle := (low + high) / 2
		if middle+c2*middle*middle+c3*middle*middle*middle < u {
			low = middle
		} else {
			high = middle
		}
	}
	return (low + high) / 2
}

func TestConvertersCeilingIsMarkedInTubeFrames(t *testing.T) {
	tube := mustTube(t, tubeCamera(), plainTube(1))
	raw := mustExposeTube(t, tube, Exposure{Band: "clear", ExposureS: 1, LampRate: 90000}, nil)
	for i, s := range raw.Samples {
		if s != 1023 || !raw.Truth.Saturated[i] {
			t.Fatalf("sample %d is %d, saturated %t; want 1023 and true", i, s, raw.Truth.Saturated[i])
		}
	}
}

// (lin(v)-v)/v at the top of the range, 983 DN, lies between 3 and 12 percent,
// nearly reaches both, and changes little from pixel to pixel.
func TestTubeResponseVariesSmoothlyOverTheTarget(t *testing.T) {
	tube := mustTube(t, tubeCamera(), TubeOptions{Options: Options{Seed: 4}})
	departure := func(i int) float64 { return float64(tube.C2[i])*983 + float64(tube.C3[i])*983*983 }
	lowest, highest := math.Inf(1), 0.0
	for i := range tube.C2 {
		d := departure(i)
		lowest, highest = min(lowest, d), max(highest, d)
		// A polynomial of second order that spans 0.09 has slopes of some
		// 0.09 x 4 over the image of 96 pixels at most.
		if i%96 > 0 && math.Abs(d-departure(i-1)) > 0.36/96 {
			t.Fatalf("the departure jumps by %.4f at column %d, row %d", d-departure(i-1), i%96+1, i/96+1)
		}
	}
	if lowest < 0.0299 || highest > 0.1201 || lowest > 0.035 || highest < 0.115 {
		t.Errorf("departures of %.4f to %.4f, want 0.03 to 0.12", lowest, highest)
	}
}

func TestTubeWithAStatedResponseHasItEverywhere(t *testing.T) {
	p := tubeCamera()
	p.Detectors[0].Linearity = configs.Linearity{From: configs.LinearityProfile}
	p.Detectors[0].Amplifiers[0].C2 = 3e-5
	tube := mustTube(t, p, TubeOptions{Options: Options{Seed: 4}})
	for i := range tube.C2 {
		if tube.C2[i] != 3e-5 || tube.C3[i] != 0 {
			t.Fatalf("pixel %d has c2 %g and c3 %g", i, tube.C2[i], tube.C3[i])
		}
	}
}

// Shading is 1 - 0.3 r^2, r = 1 in the corners, and a slope that the mean of
// the four corners does not feel. The corners are means of 4 x 4 pixels of 0.5
// percent each, the centre one of 8 x 8.
func TestTubeIsShadedToItsCorners(t *testing.T) {
	opt := plainTube(7)
	opt.NoUnevenness = false
	tube := mustTube(t, tubeCamera(), opt)
	mean := func(flat []float32, x0, y0, size int) (sum float64) {
		for y := y0; y < y0+size; y++ {
			for x := x0; x < x0+size; x++ {
				sum += float64(flat[y*96+x])
			}
		}
		return sum / float64(size*size)
	}
	for _, band := range []string{"orange", "clear"} {
		flat, err := tube.Flat(band)
		if err != nil {
			t.Fatal(err)
		}
		corners := (mean(flat, 0, 0, 4) + mean(flat, 92, 0, 4) + mean(flat, 0, 92, 4) + mean(flat, 92, 92, 4)) / 4
		var u2 float64 // mean of u^2 over the first 4 columns
		for x := range 4 {
			u := (float64(x) + 0.5 - 48) / 48
			u2 += u * u / 4
		}
		want := 1 - 0.3*u2
		if got, limit := corners/mean(flat, 44, 44, 8), 5*0.005*math.Sqrt(1.0/64+1.0/64)+0.001; math.Abs(got-want) > limit {
			t.Errorf("band %s: the corners have %.4f of the centre, want %.4f within %.4f", band, got, want, limit)
		}
		if m := mean(flat, 28, 28, 40); math.Abs(m-1) > 1e-5 {
			t.Errorf("band %s: the mean over the reference region is %.6f, want 1", band, m)
		}
	}
}

// polynomial adds up the terms of a distortion from their powers.
func polynomial(d *Distortion, column, row float64) (dx, dy float64) {
	for _, term := range d.Terms {
		product := math.Pow((column-48.5)/48, float64(term.PowerU)) * math.Pow((row-48.5)/48, float64(term.PowerV))
		dx, dy = dx+term.DX*product, dy+term.DY*product
	}
	return dx, dy
}

func TestDistortionIsThePolynomialItLists(t *testing.T) {
	for seed := range uint64(5) {
		tube := mustTube(t, tubeCamera(), TubeOptions{Options: Options{Seed: seed}})
		if len(tube.Distortion.Terms) != 10 {
			t.Fatalf("%d terms, want the 10 of a third order", len(tube.Distortion.Terms))
		}
		most := 0.0
		for row := 0.5; row <= 96.5; row += 3 {
			for column := 0.5; column <= 96.5; column += 3 {
				dx, dy := polynomial(&tube.Distortion, column, row)
				most = max(most, math.Hypot(dx, dy))
				x, y := tube.Distortion.Raw(column, row)
				if math.Hypot(x-column-dx, y-row-dy) > 1e-9 {
					t.Fatalf("seed %d: (%g, %g) goes to (%g, %g), want a shift of (%g, %g)", seed, column, row, x, y, dx, dy)
				}
				if c, r := tube.Distortion.True(x, y); math.Hypot(c-column, r-row) > 1e-8 {
					t.Fatalf("seed %d: (%g, %g) comes back as (%g, %g)", seed, column, row, c, r)
				}
			}
		}
		// Two thirds of search_pixels.
		if math.Abs(most-4) > 1e-9 {
			t.Errorf("seed %d: the largest shift is %g pixels, want 4", seed, most)
		}
	}
}

// The shade of each mark has its centroid where the distortion puts the mark.
// Its smooth edge makes the centroid of the samples exact to some 0.01 pixels
// (the spectrum of a disc of radius 2 with an edge of 0.5 pixels is that weak
// beyond what pixels sample).
func TestMarksStandAtDistortedPlaces(t *testing.T) {
	opt := plainTube(6)
	opt.NoMarks, opt.NoDistortion, opt.NoShotNoise, opt.NoReadNoise = false, false, true, true
	p := tubeCamera()
	p.Detectors[0].ADCBits = 16
	p.Detectors[0].Amplifiers[0].GainEPerDN = 0.5
	tube := mustTube(t, p, opt)
	raw := mustExposeTube(t, tube, Exposure{Band: "clear", ExposureS: 1, LampRate: 20000}, nil)
	bright := float64(slices.Max(raw.Samples))
	for j := range 4 {
		for i := range 4 {
			column, row := 12+24*float64(i), 12+24*float64(j)
			dx, dy := polynomial(&tube.Distortion, column, row)
			wantX, wantY := column+dx, row+dy
			var sum, sumX, sumY float64
			darkest := math.Inf(1)
			for y := int(wantY) - 6; y <= int(wantY)+7; y++ {
				for x := int(wantX) - 6; x <= int(wantX)+7; x++ {
					if x < 1 || y < 1 || x > 96 || y > 96 {
						continue
					}
					s := float64(raw.Samples[(y-1)*96+x-1])
					darkest = min(darkest, (s-40)/(bright-40))
					sum, sumX, sumY = sum+bright-s, sumX+(bright-s)*float64(x), sumY+(bright-s)*float64(y)
				}
			}
			if x, y := sumX/sum, sumY/sum; math.Hypot(x-wantX, y-wantY) > 0.02 {
				t.Errorf("mark %d, %d is seen at (%.3f, %.3f), want (%.3f, %.3f)", i, j, x, y, wantX, wantY)
			}
			if darkest < 0.149 || darkest > 0.17 {
				t.Errorf("mark %d, %d lets %.3f of the light through, want 0.15", i, j, darkest)
			}
			m := tube.Marks[j*4+i]
			if m.Column != column || m.Row != row || math.Hypot(m.RawColumn-wantX, m.RawRow-wantY) > 1e-9 {
				t.Errorf("mark %d, %d is listed as %+v", i, j, m)
			}
		}
	}
}

// A scene that rises evenly is not changed by averaging or interpolation, so
// the raw picture shows at each pixel the level of its true place, but for the
// distortion's bend within a pixel, of a few 1e-4 pixels.
func TestSceneIsShownAtDistortedPlaces(t *testing.T) {
	tube := mustTube(t, tubeCamera(), TubeOptions{Options: Options{Seed: 3}})
	slope := func(width, height int) []float32 {
		out := make([]float32, width*height)
		for i := range out {
			column := (float64(i%width)+0.5)*96/float64(width) + 0.5
			row := (float64(i/width)+0.5)*96/float64(height) + 0.5
			out[i] = float32(2*column + 3*row)
		}
		return out
	}
	raw, ideal := tube.View(slope)
	compared := 0
	for i := range raw {
		column, row := float64(i%96+1), float64(i/96+1)
		if want := 2*column + 3*row; math.Abs(float64(ideal[i])-want) > 1e-3 {
			t.Fatalf("column %g, row %g: the undistorted picture has %g, want %g", column, row, ideal[i], want)
		}
		x, y := tube.Distortion.True(column, row)
		if x < 3 || y < 3 || x > 94 || y > 94 {
			continue
		}
		compared++
		if want := 2*x + 3*y; math.Abs(float64(raw[i])-want) > 0.01 {
			t.Fatalf("column %g, row %g: the raw picture has %g, want %g", column, row, raw[i], want)
		}
	}
	if compared < 96*96/2 {
		t.Errorf("%d pixels compared only", compared)
	}
}

// Without distortion the two pictures are one but for the interpolation
// between sub-pixels, which falls on them.
func TestUndistortedViewIsTheIdealOne(t *testing.T) {
	tube := mustTube(t, tubeCamera(), plainTube(3))
	raw, ideal := tube.View(Ramp(1))
	for i := range raw {
		if math.Abs(float64(raw[i]-ideal[i])) > 1e-6 {
			t.Fatalf("pixel %d: %g and %g", i, raw[i], ideal[i])
		}
	}
}

func TestTubeFrameDoesNotDependOnWorkers(t *testing.T) {
	tube := mustTube(t, tubeCamera(), TubeOptions{Options: Options{Seed: 9}})
	radiance, _ := tube.View(Ramp(0.01))
	before := mustLight(t, tube, Exposure{Band: "clear", ExposureS: 1, LampRate: 30000})
	e := Exposure{Band: "orange", ExposureS: 2, Radiance: radiance, Index: 17}
	one := mustExposeTube(t, tube, e, before)
	for _, workers := range []int{1, 2, 7} {
		e.Workers = workers
		if again := mustExposeTube(t, tube, e, before); !reflect.DeepEqual(one, again) {
			t.Errorf("the frame made by %d workers differs", workers)
		}
	}
	e.Index++
	if other := mustExposeTube(t, tube, e, before); slices.Equal(one.Samples, other.Samples) {
		t.Error("two frames with unlike numbers are equal")
	}
}

func TestImpossibleTubeExposuresAreRefused(t *testing.T) {
	tube := mustTube(t, tubeCamera(), TubeOptions{Options: Options{Seed: 1}})
	for name, e := range map[string]Exposure{
		"unknown band":   {Band: "red", ExposureS: 1, LampRate: 1},
		"short radiance": {Band: "clear", Radiance: make([]float32, 7)},
		"negative time":  {ExposureS: -1},
		"endless lamp":   {Band: "clear", LampRate: math.Inf(1)},
	} {
		if _, err := tube.Expose(e, nil); err == nil {
			t.Errorf("%s: no error", name)
		}
		if _, err := tube.Light(e); err == nil {
			t.Errorf("%s: no error about its light", name)
		}
	}
	if _, err := tube.Expose(Exposure{}, make([]float64, 7)); err == nil {
		t.Error("a frame before of another size: no error")
	}
}

func TestDistortionThatFoldsThePictureIsRefused(t *testing.T) {
	p := tubeCamera()
	d := &p.Detectors[0]
	small := configs.Region{Columns: [2]int{1, 12}, Rows: [2]int{1, 12}}
	d.Width, d.Height, d.Image, d.Reference, d.Amplifiers[0].Region, d.Marks = 12, 12, small, small, small, nil
	if _, err := NewTube(p, "tube", TubeOptions{}); err == nil {
		t.Error("no error")
	}
	if _, err := NewTube(p, "tube", TubeOptions{NoDistortion: true}); err != nil {
		t.Error(err)
	}
}

// Calibration frames stand so far from any light before that nothing is left
// of it; each faint moon follows a bright one closely.
func TestTubePlanMindsTheFrameBefore(t *testing.T) {
	for _, p := range []*configs.Profile{tubeCamera(), builtin(t, "sallow")} {
		plan := PlanTube(p, ScenarioOptions{Seed: 1})
		if got, want := countKinds(plan), (map[string]int{
			configs.KindBias: 20, configs.KindDark: 54, configs.KindFlat: 20, configs.KindLadder: 56, configs.KindScene: 6,
		}); !reflect.DeepEqual(got, want) {
			t.Errorf("%s: kinds are %v, want %v", p.Instrument, got, want)
		}
		maxGap := time.Duration(p.Detectors[0].Residual.MaxGapS) * time.Second
		for i := 1; i < len(plan); i++ {
			before, f := &plan[i-1], &plan[i]
			gap := f.Time.Sub(before.Time)
			lit := before.Scene != nil || before.Exposure.LampRate > 0
			if f.Kind != configs.KindScene && lit && gap <= maxGap {
				t.Errorf("%s: %s follows the light of %s after %v", p.Instrument, f.Name, before.Name, gap)
			}
			if f.Name <= before.Name || gap <= 0 {
				t.Errorf("%s: %s does not come after %s", p.Instrument, f.Name, before.Name)
			}
		}
		last := len(plan) - 1
		for _, i := range []int{last - 2, last} {
			bright, faint := plan[i-1].Exposure, plan[i].Exposure
			if bright.Band != p.Bands[1].Name || faint.Band != p.Bands[0].Name || plan[i].Time.Sub(plan[i-1].Time) >= maxGap {
				t.Errorf("%s: %s in band %s after %s in band %s, %v later", p.Instrument,
					plan[i].Name, faint.Band, plan[i-1].Name, bright.Band, plan[i].Time.Sub(plan[i-1].Time))
			}
		}
	}
}

// Something is left in both frames of the wedge, of the frame before.
func TestWedgeOfATubeFollowsBrightFrames(t *testing.T) {
	p := builtin(t, "sallow")
	plan, longer := PlanTube(p, ScenarioOptions{Seed: 1}), PlanTube(p, ScenarioOptions{Seed: 1, Sequence: true})
	if len(longer) != len(plan)+3 || longer[len(plan)-1].Name != plan[len(plan)-1].Name || !longer[len(plan)-1].Time.Equal(plan[len(plan)-1].Time) {
		t.Fatalf("%d frames after %s, want 3 more than %d", len(longer), longer[len(plan)-1].Name, len(plan))
	}
	for b, f := range longer[len(plan)+1:] {
		before := &longer[len(plan)+b]
		if gap := f.Time.Sub(before.Time); gap >= time.Duration(p.Detectors[0].Residual.MaxGapS)*time.Second || f.Exposure.Band != p.Bands[b].Name {
			t.Errorf("%s in band %s, %v after %s", f.Name, f.Exposure.Band, gap, before.Name)
		}
		greySteps(t, f.Name, f.Scene(160, 30), whiteAt(p, b), func(i int) int { return i % 160 / 10 })
	}
}

// shortTubePlan is a flat, a dark soon after it, a ramp soon after that, a
// faint moon soon after the ramp, and a ramp much later.
func shortTubePlan() []Planned {
	start := time.Date(2031, time.March, 14, 6, 0, 0, 0, time.UTC)
	at := func(name, kind string, seconds int, e Exposure, scene Scene) Planned {
		e.TempK = 283.15
		return Planned{Name: name, Kind: kind, Exposure: e, Scene: scene, Time: start.Add(time.Duration(seconds) * time.Second)}
	}
	moon := Tessaly(1, configs.Band{Name: "orange"}, 0.05)
	return []Planned{
		at("0001-flat", configs.KindFlat, 0, Exposure{Band: "clear", ExposureS: 1, LampRate: 30000, Index: 1}, nil),
		at("0002-dark", configs.KindDark, 40, Exposure{Band: "clear", ExposureS: 5, Index: 2}, nil),
		at("0003-scene", configs.KindScene, 80, Exposure{Band: "clear", ExposureS: 2, Index: 3}, Ramp(0.01)),
		at("0004-scene", configs.KindScene, 120, Exposure{Band: "orange", ExposureS: 0.1, Index: 4}, moon),
		at("0005-scene", configs.KindScene, 220, Exposure{Band: "orange", ExposureS: 2, Index: 5}, Ramp(0.01)),
	}
}

func simulateTube(t *testing.T, workers int) (dir, truthDir string, tube *Tube) {
	t.Helper()
	root := t.TempDir()
	dir, truthDir = filepath.Join(root, "raw"), filepath.Join(root, "truth")
	tube = mustTube(t, tubeCamera(), TubeOptions{Options: Options{Seed: 5}})
	if err := WriteTube(dir, truthDir, tube, shortTubePlan(), workers); err != nil {
		t.Fatal(err)
	}
	return dir, truthDir, tube
}

// Each frame keeps 5 percent of the light of the one before, whatever its
// kind, if that began less than 100 s before.
func TestEveryFrameKeepsSomeOfTheFrameBefore(t *testing.T) {
	dir, truthDir, tube := simulateTube(t, 2)
	plan := shortTubePlan()
	light := func(i int) []float64 {
		e := plan[i].Exposure
		if plan[i].Scene != nil {
			e.Radiance, _ = tube.View(plan[i].Scene)
		}
		return mustLight(t, tube, e)
	}
	facts, err := LoadTube(filepath.Join(truthDir, TubeFile))
	if err != nil {
		t.Fatal(err)
	}
	for i, before := range []int{-1, 0, 1, 2, -1} {
		want := TubeFrame{Name: plan[i].Name}
		var left []float64
		if before >= 0 {
			want.Before, want.GapS, left = plan[before].Name, 40, light(before)
		}
		if facts.Frames[i] != want {
			t.Errorf("frame %d is listed as %+v, want %+v", i, facts.Frames[i], want)
		}
		e := plan[i].Exposure
		if plan[i].Scene != nil {
			e.Radiance, _ = tube.View(plan[i].Scene)
			residual, err := LoadTubeResidual(TruthFile(truthDir, plan[i].Name, "tube"))
			if err != nil {
				t.Fatal(err)
			}
			for k := range residual {
				expected := 0.0
				if left != nil {
					expected = 0.05 * left[k]
				}
				if math.Abs(float64(residual[k])-expected) > 1e-6*expected {
					t.Fatalf("%s, pixel %d: %g e- are left of the frame before, want %g", plan[i].Name, k, residual[k], expected)
				}
			}
		}
		f, err := fitsutil.Open(filepath.Join(dir, plan[i].Name+".fits"))
		if err != nil {
			t.Fatal(err)
		}
		samples := mustExposeTube(t, tube, e, left).Samples
		if got := readSamples(t, f, "0", len(samples)); !slices.Equal(got, samples) {
			t.Errorf("%s: the file holds other samples than the tube gave", plan[i].Name)
		}
		f.Close()
	}
}

// The dark after a flat of 30000 e- has 1500 F e- more than its dark charge of
// 5 s, in the file, within 5 standard errors of the mean over all pixels.
func TestDarkAfterAFlatShowsIt(t *testing.T) {
	root := t.TempDir()
	opt := plainTube(4)
	opt.NoResidual = false
	tube := mustTube(t, tubeCamera(), opt)
	if err := WriteTube(root, filepath.Join(root, "truth"), tube, shortTubePlan()[:2], 1); err != nil {
		t.Fatal(err)
	}
	f, err := fitsutil.Open(filepath.Join(root, "0002-dark.fits"))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	mean, variance, n := sampleMoments(readSamples(t, f, "0", 96*96))
	if want, limit := 40+1500.0/60, 5*math.Sqrt(variance/n); math.Abs(mean-want) > limit {
		t.Errorf("mean %.3f DN, want %.3f within %.3f", mean, want, limit)
	}
}

func TestFilesOfATubeDoNotDependOnWorkers(t *testing.T) {
	dir, truthDir, _ := simulateTube(t, 1)
	otherDir, otherTruth, _ := simulateTube(t, 3)
	sameFolder(t, dir, otherDir)
	sameFolder(t, truthDir, otherTruth)
}

func TestTruthOfATubeIsReadBack(t *testing.T) {
	_, truthDir, tube := simulateTube(t, 1)
	scene := shortTubePlan()[2]
	raw, ideal := tube.View(scene.Scene)
	seen, err := LoadTruth(TruthFile(truthDir, scene.Name, "tube"))
	if err != nil {
		t.Fatal(err)
	}
	if !slices.Equal(seen.Radiance, raw) {
		t.Error("the truth does not keep the radiance of the raw picture")
	}
	straight, err := LoadTruth(TubeIdealFile(truthDir, scene.Name, "tube"))
	if err != nil {
		t.Fatal(err)
	}
	if !slices.Equal(straight.Radiance, ideal) {
		t.Error("the truth does not keep the radiance of the undistorted picture")
	}
	for i, l := range ideal {
		if want := 2.4e6 * float64(l) * 2; math.Abs(float64(straight.Electrons[i])-want) > 1e-6*want {
			t.Fatalf("pixel %d: %g electrons in the undistorted picture, want %g", i, straight.Electrons[i], want)
		}
	}
	facts, err := LoadTube(filepath.Join(truthDir, TubeFile))
	if err != nil {
		t.Fatal(err)
	}
	if !reflect.DeepEqual(facts.Distortion, tube.Distortion) || !reflect.DeepEqual(facts.Marks, tube.Marks) {
		t.Error("distortion or marks have changed on their way through the file")
	}
	f, err := fitsutil.Open(MapsFile(truthDir, "tube"))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	r := truthReader{file: f}
	for name, want := range map[string][]float32{
		planePattern: tube.Pattern, planeDark: tube.Dark, planeC2: tube.C2, planeC3: tube.C3, planeMarks: tube.Passed,
		planeFlat + ",1": tube.flats["orange"], planeFlat + ",2": tube.flats["clear"],
	} {
		if got := r.floats(name); r.err != nil || !slices.Equal(got, want) {
			t.Errorf("plane %s differs (error %v)", name, r.err)
		}
	}
}

func TestNoFileOfATubeIsReplaced(t *testing.T) {
	dir, truthDir, tube := simulateTube(t, 1)
	if err := WriteTube(dir, truthDir, tube, shortTubePlan(), 1); !errors.Is(err, fs.ErrExist) {
		t.Errorf("writing the truth again: error %v", err)
	}
	if err := WriteTube(dir, filepath.Join(t.TempDir(), "truth"), tube, shortTubePlan(), 1); !errors.Is(err, fs.ErrExist) {
		t.Errorf("writing the frames again: error %v", err)
	}
}

func TestFilesOfATubePassFitsverify(t *testing.T) {
	dir, truthDir, _ := simulateTube(t, 2)
	passFitsverify(t, dir, truthDir)
}

// The built-in profile of a tube can be simulated as it is, and no scene of its
// plan saturates.
func TestBuiltinTubeIsWritten(t *testing.T) {
	p := builtin(t, "sallow")
	tube := mustTube(t, p, TubeOptions{Options: Options{Seed: 1}})
	plan := PlanTube(p, ScenarioOptions{Seed: 1})
	plan = plan[len(plan)-6 : len(plan)-2] // the ramps, a bright moon and a faint one
	root := t.TempDir()
	if err := WriteTube(root, filepath.Join(root, "truth"), tube, plan, 2); err != nil {
		t.Fatal(err)
	}
	for _, f := range plan {
		truth, err := LoadTruth(TruthFile(filepath.Join(root, "truth"), f.Name, "tube"))
		if err != nil {
			t.Fatal(err)
		}
		brightest := slices.Max(truth.Electrons)
		if slices.Contains(truth.Saturated, true) || brightest < 4000 {
			t.Errorf("%s reaches %.0f e-, saturated: %t", f.Name, brightest, slices.Contains(truth.Saturated, true))
		}
	}
}
