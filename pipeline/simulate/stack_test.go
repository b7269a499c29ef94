package simulate

import (
	"errors"
	"fmt"
	"io/fs"
	"math"
	"path/filepath"
	"reflect"
	"slices"
	"testing"

	"evenlight/configs"
	"evenlight/fitsutil"
)

// stackCamera is smallCamera with three layers, as planes of the primary cube,
// and bands red, green and blue that mix.
func stackCamera() *configs.Profile {
	p := smallCamera()
	one := p.Detectors[0]
	p.Detectors = nil
	for i, name := range []string{"top", "middle", "bottom"} {
		layer := one
		layer.Name, layer.Plane = name, i+1
		layer.Amplifiers = slices.Clone(one.Amplifiers)
		p.Detectors = append(p.Detectors, layer)
	}
	p.Bands = []configs.Band{
		{Name: "blue", WavelengthNM: 450, Responsivity: 1.5e6, SolarIrradiance: 2.0},
		{Name: "green", WavelengthNM: 550, Responsivity: 2e6, SolarIrradiance: 1.9},
		{Name: "red", WavelengthNM: 650, Responsivity: 2.5e6, SolarIrradiance: 1.6},
	}
	p.Stack = &configs.Stack{
		Layers:           []string{"top", "middle", "bottom"},
		Matrix:           [][]float64{{0.7, 0.25, 0.05}, {0.2, 0.6, 0.25}, {0.1, 0.2, 0.7}},
		MaxAmplification: 5,
	}
	p.FrameKinds = []configs.KindRule{
		{Kind: configs.KindBias, When: []configs.KeyTest{{Key: "USE", Equals: "ZERO"}}},
		{Kind: configs.KindFlat, When: []configs.KeyTest{{Key: "USE", Equals: "PANEL"}}},
		{Kind: configs.KindScene, When: []configs.KeyTest{{Key: "USE", Equals: "PICTURE"}}},
	}
	return p
}

func mustStack(t testing.TB, p *configs.Profile, opt Options) *Stack {
	t.Helper()
	s, err := NewStack(p, opt)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func mustExposeStack(t testing.TB, s *Stack, e StackExposure) []*Raw {
	t.Helper()
	raws, err := s.Expose(e)
	if err != nil {
		t.Fatal(err)
	}
	return raws
}

// even is a scene with the same radiance everywhere, by band.
func even(pixels int, radiance ...float32) [][]float32 {
	out := make([][]float32, len(radiance))
	for b, l := range radiance {
		out[b] = slices.Repeat([]float32{l}, pixels)
	}
	return out
}

// Mean o + Q/g and variance (Q + r^2)/g^2 + 1/12 of each layer, with Q from
// the matrix by hand; limits as in the test of evenly lit frames.
func TestLayersMixTheBands(t *testing.T) {
	s := mustStack(t, stackCamera(), plain(11))
	const blue, green, red = 1.5e6 * 0.004, 2e6 * 0.003, 2.5e6 * 0.002 // e-/s: 6000, 6000, 5000
	for _, c := range []struct {
		name             string
		blue, green, red float32
		want             [3]float64
	}{
		{"blue", 0.004, 0, 0, [3]float64{0.7 * blue, 0.2 * blue, 0.1 * blue}},
		{"green", 0, 0.003, 0, [3]float64{0.25 * green, 0.6 * green, 0.2 * green}},
		{"red", 0, 0, 0.002, [3]float64{0.05 * red, 0.25 * red, 0.7 * red}},
		{"all", 0.004, 0.003, 0.002, [3]float64{5950, 6050, 5300}},
	} {
		t.Run(c.name, func(t *testing.T) {
			e := StackExposure{ExposureS: 2, Radiance: even(128*96, c.blue, c.green, c.red), Index: 3}
			for i, raw := range mustExposeStack(t, s, e) {
				electrons := 2 * c.want[i]
				if got := float64(raw.Truth.Electrons[0]); math.Abs(got-electrons) > 1e-6*electrons {
					t.Errorf("layer %d: truth is %g electrons, want %g", i, got, electrons)
				}
				checkMoments(t, s.Layers[i], raw, fmt.Sprintf("layer %d", i), electrons)
			}
		})
	}
}

// checkMoments compares mean and variance of an evenly lit frame with theory.
func checkMoments(t *testing.T, s *Sensor, raw *Raw, what string, electrons float64) {
	t.Helper()
	for i, a := range s.Detector.Amplifiers {
		wantMean := a.OffsetDN + electrons/a.GainEPerDN
		wantVariance := (electrons+a.ReadNoiseE*a.ReadNoiseE)/(a.GainEPerDN*a.GainEPerDN) + 1.0/12
		mean, variance, n := moments(s, raw, i)
		if limit := 5 * math.Sqrt(wantVariance/float64(n)); math.Abs(mean-wantMean) > limit {
			t.Errorf("%s, amplifier %s: mean %.3f DN, want %.3f within %.3f", what, a.Name, mean, wantMean, limit)
		}
		if limit := 5 * wantVariance * math.Sqrt(2/float64(n)); math.Abs(variance-wantVariance) > limit {
			t.Errorf("%s, amplifier %s: variance %.3f DN^2, want %.3f within %.3f", what, a.Name, variance, wantVariance, limit)
		}
	}
}

// The noise of two layers is independent: the correlation of n pairs is 0 with
// standard error 1/sqrt(n).
func TestLayersHaveNoiseOfTheirOwn(t *testing.T) {
	s := mustStack(t, stackCamera(), plain(11))
	raws := mustExposeStack(t, s, StackExposure{ExposureS: 1, LampRate: 10000})
	var xy, xx, yy, n float64
	top, middle := raws[0], raws[1]
	meanTop, _, _ := moments(s.Layers[0], top, 0)
	meanMiddle, _, _ := moments(s.Layers[1], middle, 0)
	for y := range 96 {
		for x := 8; x < 72; x++ {
			a, b := float64(top.Samples[y*144+x])-meanTop, float64(middle.Samples[y*144+x])-meanMiddle
			xy, xx, yy, n = xy+a*b, xx+a*a, yy+b*b, n+1
		}
	}
	if r := xy / math.Sqrt(xx*yy); math.Abs(r) > 5/math.Sqrt(n) {
		t.Errorf("correlation %.4f, want 0 within %.4f", r, 5/math.Sqrt(n))
	}
}

// The lamp gives 1, 0.95 and 0.95^2 in blue, green and red; the layers get
// 0.982625, 0.995625 and 0.92175 of it by the matrix, by hand.
func TestLampLightsLayersByTheMatrix(t *testing.T) {
	opt := plain(2)
	opt.NoShotNoise, opt.NoReadNoise = true, true
	s := mustStack(t, stackCamera(), opt)
	for i, raw := range mustExposeStack(t, s, StackExposure{ExposureS: 0.5, LampRate: 20000}) {
		want := 10000 * [...]float64{0.982625, 0.995625, 0.92175}[i] / 0.995625
		if got := float64(raw.Truth.Electrons[77]); math.Abs(got-want) > 1e-3 {
			t.Errorf("layer %d gets %g electrons, want %g", i, got, want)
		}
	}
}

// Without noise a sample of a layer with all its errors is a number that can
// be computed by hand.
func TestNoiselessLayerFollowsTheModel(t *testing.T) {
	p := stackCamera()
	s := mustStack(t, p, Options{Seed: 5, NoShotNoise: true, NoReadNoise: true, NoDrift: true, NoUnstable: true})
	radiance := StackColours([]float64{0.006, 0.005, 0.004})(128, 96)
	raws := mustExposeStack(t, s, StackExposure{ExposureS: 1, WaitS: 0.5, TempK: 263.15 + 7.1, Radiance: radiance})
	for i, layer := range s.Layers {
		m := p.Stack.Matrix[i]
		for y := range 96 {
			for x := 8; x < 136; x++ {
				pixel, at := y*144+x, y*128+x-8
				light := m[0]*1.5e6*float64(radiance[0][at]) + m[1]*2e6*float64(radiance[1][at]) + m[2]*2.5e6*float64(radiance[2][at])
				charge := float64(s.Flat(i)[pixel])*light + float64(layer.Dark[pixel])*2*1.5
				a := &layer.Amplifiers[x/72]
				v := bisect(min(charge, 30000)/a.GainEPerDN, a.C2+float64(layer.Bend[pixel]), a.C3)
				want := math.Round(a.OffsetDN + float64(layer.Pattern[pixel]) + v)
				// The light is handed on in float32, so that a value next to
				// the middle between two codes may be rounded the other way.
				if got := float64(raws[i].Samples[pixel]); math.Abs(got-want) > 1 {
					t.Fatalf("layer %d, column %d, row %d: %g DN, want %g", i, x+1, y+1, got, want)
				}
			}
		}
	}
}

// Three bands have 6 levels each, and all 216 combinations are there.
func TestStackColoursHoldEveryCombination(t *testing.T) {
	l := StackColours([]float64{1, 2, 4})(128, 96)
	combinations := map[[3]float32]bool{}
	for i := range l[0] {
		combinations[[3]float32{l[0][i], l[1][i], l[2][i]}] = true
	}
	if len(combinations) != 216 {
		t.Errorf("%d combinations, want 216", len(combinations))
	}
	for _, want := range [][3]float32{{0, 0, 0}, {1, 2, 4}, {1, 0, 0}, {0, 2, 0}, {0, 0, 4}, {0.04, 0.32, 1.44}} {
		if !combinations[want] {
			t.Errorf("%v is missing", want)
		}
	}
}

func TestWedgeIsGreyInAllBands(t *testing.T) {
	l := StackWedge([]float64{1, 2, 4})(160, 32)
	for x := range 16 {
		want := 0.02 * math.Pow(45, float64(x)/15)
		for b, white := range []float64{1, 2, 4} {
			if got := float64(l[b][20*160+x*10+5]) / white; math.Abs(got-want) > 1e-6 {
				t.Errorf("step %d, band %d: reflectance %g, want %g", x, b, got, want)
			}
		}
	}
}

func TestStackPlanHoldsTheWholeCampaign(t *testing.T) {
	p := stackCamera()
	s := mustStack(t, p, plain(1))
	plan := PlanStack(p, ScenarioOptions{Seed: 1})
	kinds := map[string]int{}
	var scenes []PlannedStack
	for _, f := range plan {
		kinds[f.Kind]++
		if (f.Kind == configs.KindScene) != (f.Colours != nil) {
			t.Errorf("%s of kind %s looks at a scene: %t", f.Name, f.Kind, f.Colours != nil)
		}
		if f.Colours != nil {
			scenes = append(scenes, f)
		}
	}
	if want := map[string]int{configs.KindBias: 20, configs.KindFlat: 10, configs.KindScene: 5}; !reflect.DeepEqual(kinds, want) {
		t.Fatalf("kinds are %v, want %v", kinds, want)
	}
	for i, want := range [...]struct {
		name      string
		low, high float64 // of full well, the brightest pixel
	}{{"colours", 0.8, 0.86}, {"wedge", 0.7, 0.86}, {"moon", 0.2, 0.86}, {"glint", 2, 5}, {"under-exposed moon", 0, 0.02}} {
		f := scenes[i]
		brightest := float32(0)
		for _, raw := range mustExposeStack(t, s, StackExposure{ExposureS: f.Exposure.ExposureS, Radiance: f.Colours(128, 96)}) {
			brightest = max(brightest, slices.Max(raw.Truth.Electrons))
		}
		if level := float64(brightest) / 30000; level < want.low || level > want.high {
			t.Errorf("%s reaches %.3f of full well, want %g to %g", want.name, level, want.low, want.high)
		}
	}
}

func TestImpossibleStacksAreRefused(t *testing.T) {
	for name, change := range map[string]func(*configs.Profile){
		"no stack":      func(p *configs.Profile) { p.Stack = nil },
		"two rows":      func(p *configs.Profile) { p.Stack.Matrix = p.Stack.Matrix[:2] },
		"short row":     func(p *configs.Profile) { p.Stack.Matrix[1] = []float64{1, 0} },
		"negative":      func(p *configs.Profile) { p.Stack.Matrix[1][1] = -0.1 },
		"unknown layer": func(p *configs.Profile) { p.Stack.Layers[2] = "cellar" },
		"unlike sizes":  func(p *configs.Profile) { p.Detectors[1].Image.Rows[1] = 90 },
	} {
		p := stackCamera()
		change(p)
		if _, err := NewStack(p, Options{Seed: 1}); err == nil {
			t.Errorf("%s: no error", name)
		}
	}
	s := mustStack(t, stackCamera(), Options{Seed: 1})
	for name, e := range map[string]StackExposure{
		"two bands":     {ExposureS: 1, Radiance: even(128*96, 1, 1)},
		"short band":    {ExposureS: 1, Radiance: even(7, 1, 1, 1)},
		"negative time": {ExposureS: -1},
	} {
		if _, err := s.Expose(e); err == nil {
			t.Errorf("%s: no error", name)
		}
	}
}

func TestLayersMustShareACube(t *testing.T) {
	for name, change := range map[string]func(*configs.Profile){
		"other HDU":      func(p *configs.Profile) { p.Detectors[2].HDU = "1" },
		"same plane":     func(p *configs.Profile) { p.Detectors[2].Plane = 2 },
		"plane too high": func(p *configs.Profile) { p.Detectors[2].Plane = 4 },
		"no plane":       func(p *configs.Profile) { p.Detectors[0].Plane = 0 },
	} {
		p := stackCamera()
		change(p)
		dir := t.TempDir()
		if err := WriteStack(dir, filepath.Join(dir, "truth"), mustStack(t, p, Options{}), nil, 1); err == nil {
			t.Errorf("%s: no error", name)
		}
	}
}

func simulateStack(t *testing.T, p *configs.Profile, workers int) (dir, truthDir string, s *Stack, plan []PlannedStack) {
	t.Helper()
	root := t.TempDir()
	dir, truthDir = filepath.Join(root, "raw"), filepath.Join(root, "truth")
	s = mustStack(t, p, Options{Seed: 5})
	plan = PlanStack(p, ScenarioOptions{Seed: 5})
	plan = plan[len(plan)-7:] // two flats and the scenes
	if err := WriteStack(dir, truthDir, s, plan, workers); err != nil {
		t.Fatal(err)
	}
	return dir, truthDir, s, plan
}

func TestFilesOfAStackDoNotDependOnWorkers(t *testing.T) {
	dir, truthDir, _, _ := simulateStack(t, stackCamera(), 1)
	otherDir, otherTruth, _, _ := simulateStack(t, stackCamera(), 3)
	sameFolder(t, dir, otherDir)
	sameFolder(t, truthDir, otherTruth)
}

// Planes may come in any order; here the bottom layer is the first.
func TestCubesHoldLayersAndTruth(t *testing.T) {
	p := stackCamera()
	p.Detectors[0].Plane, p.Detectors[1].Plane, p.Detectors[2].Plane = 3, 2, 1
	dir, truthDir, s, plan := simulateStack(t, p, 2)
	for _, planned := range plan {
		e := StackExposure{
			ExposureS: planned.Exposure.ExposureS, TempK: planned.Exposure.TempK, LampRate: planned.Exposure.LampRate,
			CosmicRate: planned.Exposure.CosmicRate, Index: planned.Exposure.Index,
		}
		if planned.Colours != nil {
			e.Radiance = planned.Colours(128, 96)
			radiance, err := LoadStackBands(StackBandsFile(truthDir, planned.Name), 3)
			if err != nil {
				t.Fatal(err)
			}
			if !reflect.DeepEqual(radiance, e.Radiance) {
				t.Errorf("%s: the radiance of the bands has changed on its way through the file", planned.Name)
			}
		}
		f, err := fitsutil.Open(filepath.Join(dir, planned.Name+".fits"))
		if err != nil {
			t.Fatal(err)
		}
		hdu := f.HDUs()[0]
		if hdu.Width() != 144 || hdu.Height() != 96 || hdu.Planes() != 3 {
			t.Fatalf("%s: %d x %d x %d samples", planned.Name, hdu.Width(), hdu.Height(), hdu.Planes())
		}
		for i, want := range mustExposeStack(t, s, e) {
			data, err := f.ReadRows(hdu, 2-i, 0, 96, nil)
			if err != nil {
				t.Fatal(err)
			}
			values := make([]float64, len(want.Samples))
			if err := hdu.DecodeFloat64(values, data); err != nil {
				t.Fatal(err)
			}
			for k, v := range values {
				if v != float64(want.Samples[k]) {
					t.Fatalf("%s, layer %d, sample %d is %g, want %d", planned.Name, i, k, v, want.Samples[k])
				}
			}
			if planned.Colours == nil {
				continue
			}
			truth, err := LoadTruth(TruthFile(truthDir, planned.Name, want.Truth.Detector))
			if err != nil {
				t.Fatal(err)
			}
			if !reflect.DeepEqual(*truth, want.Truth) {
				t.Errorf("%s, layer %d: the truth has changed on its way through the file", planned.Name, i)
			}
		}
		f.Close()
	}
	scalars, err := LoadScalars(filepath.Join(truthDir, ScalarsFile))
	if err != nil {
		t.Fatal(err)
	}
	if len(scalars) != 3 || len(scalars[2].Bands) != 3 || scalars[2].Bands[2].Responsivity != 2.5e6 {
		t.Errorf("scalar truth is read as %+v", scalars)
	}
}

func TestNoFileOfAStackIsReplaced(t *testing.T) {
	dir, truthDir, s, plan := simulateStack(t, stackCamera(), 1)
	if err := WriteStack(dir, truthDir, s, plan, 1); !errors.Is(err, fs.ErrExist) {
		t.Errorf("writing the truth again: error %v", err)
	}
	if err := WriteStack(dir, filepath.Join(t.TempDir(), "truth"), s, plan, 1); !errors.Is(err, fs.ErrExist) {
		t.Errorf("writing the frames again: error %v", err)
	}
}

func TestFilesOfAStackPassFitsverify(t *testing.T) {
	dir, truthDir, _, _ := simulateStack(t, stackCamera(), 2)
	passFitsverify(t, dir, truthDir)
}

// The built-in profile of a stack can be simulated as it is.
func TestBuiltinStackIsWritten(t *testing.T) {
	dir, _, _, plan := simulateStack(t, builtin(t, "umber"), 2)
	if files := readFolder(t, dir); len(files) != len(plan) {
		t.Errorf("%d files for %d frames", len(files), len(plan))
	}
}
