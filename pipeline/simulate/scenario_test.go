package simulate

import (
	"math"
	"path/filepath"
	"reflect"
	"slices"
	"testing"
	"time"

	"evenlight/configs"
	"evenlight/fitsutil"
)

func builtin(t testing.TB, name string) *configs.Profile {
	t.Helper()
	text, err := configs.Builtin(name)
	if err != nil {
		t.Fatal(err)
	}
	p, err := configs.Parse(name, text, configs.Overrides{})
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// framingCameras names the built-in cameras whose campaign Scenario plans.
func framingCameras(t testing.TB) []string {
	t.Helper()
	return slices.DeleteFunc(configs.BuiltinNames(), func(name string) bool {
		p := builtin(t, name)
		return p.Stack != nil || slices.ContainsFunc(p.Detectors, func(d configs.Detector) bool {
			return d.LineScan != nil || d.Residual != nil
		})
	})
}

func countKinds(plan []Planned) map[string]int {
	kinds := map[string]int{}
	for i := range plan {
		kinds[plan[i].Kind]++
	}
	return kinds
}

func TestScenarioHoldsTheWholeCampaign(t *testing.T) {
	kinds := countKinds(Scenario(builtin(t, "quillon"), ScenarioOptions{Seed: 1}))
	for kind, want := range map[string]int{
		configs.KindBias: 20, configs.KindDark: 3 * 3 * 6, configs.KindFlat: 4 * 10,
		configs.KindLadder: 14 * 4, configs.KindScene: 4*2 + 1,
	} {
		if kinds[kind] != want {
			t.Errorf("%d frames of kind %s, want %d", kinds[kind], kind, want)
		}
	}
}

func TestSmallScenarioStillFillsEveryMaster(t *testing.T) {
	p := builtin(t, "quillon")
	kinds := countKinds(Scenario(p, ScenarioOptions{Seed: 1, Scale: 0.01}))
	for kind, want := range map[string]int{
		configs.KindBias: p.Masters.MinFrames, configs.KindDark: 3 * 3 * p.Masters.MinFrames,
		configs.KindFlat: 4 * p.Masters.MinFrames, configs.KindLadder: 14 * 4,
	} {
		if kinds[kind] != want {
			t.Errorf("%d frames of kind %s, want %d", kinds[kind], kind, want)
		}
	}
}

func TestKindsWithoutARuleAreLeftOut(t *testing.T) {
	kinds := countKinds(Scenario(smallCamera(), ScenarioOptions{Seed: 1}))
	if len(kinds) != 2 || kinds[configs.KindBias] != 20 || kinds[configs.KindScene] != 3 {
		t.Errorf("kinds are %v, want 20 bias frames and 3 scenes", kinds)
	}
}

func TestScenarioAdvancesInTimeWithinTwoDays(t *testing.T) {
	for _, name := range framingCameras(t) {
		p := builtin(t, name)
		plan := Scenario(p, ScenarioOptions{Seed: 1})
		for i := 1; i < len(plan); i++ {
			before, f := &plan[i-1], &plan[i]
			busy := time.Duration((before.Exposure.ExposureS + before.Exposure.WaitS) * float64(time.Second))
			if f.Time.Sub(before.Time) < busy {
				t.Errorf("%s: %s begins before %s has ended", name, f.Name, before.Name)
			}
			if f.Name <= before.Name || f.Exposure.Index <= before.Exposure.Index {
				t.Errorf("%s: %s does not come after %s by name and number", name, f.Name, before.Name)
			}
		}
		first, last := plan[0].Time, plan[len(plan)-1].Time
		if span := last.Sub(first); first.Year() != 2031 || span < 24*time.Hour || span > 48*time.Hour {
			t.Errorf("%s: the campaign lasts %v from %v", name, span, first)
		}
	}
}

func TestTemperaturesStayNearTheirSetting(t *testing.T) {
	p := builtin(t, "quillon")
	warmest, coldest := math.Inf(-1), math.Inf(1)
	for _, f := range Scenario(p, ScenarioOptions{Seed: 1}) {
		off := f.Exposure.TempK - 263.15
		if f.Kind == configs.KindDark {
			off = math.Remainder(off, 6)
		}
		if math.Abs(off) > 0.12+5*0.03 {
			t.Errorf("%s is %.3f K off its setting", f.Name, off)
		}
		warmest, coldest = max(warmest, off), min(coldest, off)
	}
	if warmest-coldest < 0.1 {
		t.Errorf("the temperature moves by %.3f K only", warmest-coldest)
	}
}

func TestLadderClimbsFromOneToNinetySevenPercent(t *testing.T) {
	plan := Scenario(builtin(t, "quillon"), ScenarioOptions{Seed: 1})
	lowest, highest := math.Inf(1), 0.0
	times := map[float64]int{}
	for _, f := range plan {
		if f.Kind != configs.KindLadder {
			continue
		}
		level := f.Exposure.LampRate * f.Exposure.ExposureS / 30000
		lowest, highest = min(lowest, level), max(highest, level)
		times[f.Exposure.ExposureS]++
		if f.Exposure.LampRate != 30000 || f.Exposure.Band != "green" {
			t.Errorf("%s has lamp rate %g e-/s in band %s; a ladder has a steady lamp and one band", f.Name, f.Exposure.LampRate, f.Exposure.Band)
		}
	}
	if math.Abs(lowest-0.01) > 1e-9 || math.Abs(highest-0.97) > 1e-9 || len(times) != 14 {
		t.Errorf("the ladder goes from %g to %g of full well in %d steps", lowest, highest, len(times))
	}
}

// Only the glint may saturate, besides hot pixels and cosmic rays; the light
// alone, smear included, stays 5 sigma, of its shot noise and the read noise,
// below full well.
func TestFramesBeyondFullWellComeAfterTheRestAndFillEveryPixel(t *testing.T) {
	for _, name := range framingCameras(t) {
		p := builtin(t, name)
		plan := Scenario(p, ScenarioOptions{Seed: 1})
		longer := Scenario(p, ScenarioOptions{Seed: 1, Overfull: true})
		if len(longer) < len(plan) || !reflect.DeepEqual(countKinds(longer[:len(plan)]), countKinds(plan)) {
			t.Fatalf("%s: the rest of the plan has changed", name)
		}
		added := longer[len(plan):]
		if countKinds(plan)[configs.KindLadder] == 0 {
			if len(added) > 0 {
				t.Errorf("%s has no ladder and %d frames beyond full well", name, len(added))
			}
			continue
		}
		if len(added) != 6 || countKinds(added)[configs.KindLadder] != 6 {
			t.Fatalf("%s: %d frames beyond full well, want 3 pairs", name, len(added))
		}
		s, err := New(p, p.Detectors[0].Name, Options{Seed: 1})
		if err != nil {
			t.Fatal(err)
		}
		open := 0
		truth := mustExpose(t, s, added[5].Exposure).Truth
		for i, full := range truth.Saturated {
			if !full && truth.Defects[i]&(Dead|Low) == 0 && truth.Electrons[i] > 0 {
				open++
			}
		}
		if open > 0 {
			t.Errorf("%s: %d good pixels are not full at the last level", name, open)
		}
	}
}

func TestOnlyTheGlintSaturates(t *testing.T) {
	for _, name := range framingCameras(t) {
		p := builtin(t, name)
		sensors, err := NewAll(p, Options{Seed: 1, NoDark: true, NoShotNoise: true})
		if err != nil {
			t.Fatal(err)
		}
		full := capacityE(p)
		saturated := 0
		for _, f := range Scenario(p, ScenarioOptions{Seed: 1, CosmicRate: -1, Sequence: true}) {
			if !f.looks() {
				continue
			}
			brightest := 0.0
			for i, s := range sensors {
				brightest = max(brightest, brightestPixel(t, s, f.exposure(i, s)))
			}
			if brightest+5*math.Sqrt(brightest+25*25) >= full {
				saturated++
				if brightest < 2*full {
					t.Errorf("%s: %s reaches %.0f of %.0f electrons", name, f.Name, brightest, full)
				}
			}
			if brightest < 0.25*full {
				t.Errorf("%s: %s reaches %.0f of %.0f electrons only", name, f.Name, brightest, full)
			}
		}
		if saturated != 1 {
			t.Errorf("%s: %d scenes saturate, want 1", name, saturated)
		}
	}
}

// brightestPixel is the most mean charge that light leaves in a pixel.
func brightestPixel(t *testing.T, s *Sensor, e Exposure) float64 {
	t.Helper()
	truth := mustExpose(t, s, e).Truth
	flat := s.ownFlat
	if flat == nil {
		flat = s.flats[e.Band]
	}
	brightest := 0.0
	for i, response := range Trim(s, flat) {
		charge := float64(response) * float64(truth.Electrons[i])
		if truth.Smear != nil {
			charge += float64(truth.Smear[i])
		}
		brightest = max(brightest, charge)
	}
	return brightest
}

func TestCosmicRateCanBeSetAndTurnedOff(t *testing.T) {
	for _, c := range []struct{ option, want float64 }{{0, scenarioCosmicRate}, {2e-6, 2e-6}, {-1, 0}} {
		plan := Scenario(smallCamera(), ScenarioOptions{CosmicRate: c.option})
		if got := plan[0].Exposure.CosmicRate; got != c.want {
			t.Errorf("option %g gives rate %g, want %g", c.option, got, c.want)
		}
	}
}

func TestCameraThatTakesAllBandsAtOnceHasOneSetOfFlats(t *testing.T) {
	for _, c := range []struct {
		name  string
		kinds map[string]int
	}{
		{"brindle", map[string]int{configs.KindFlat: 10, configs.KindLadder: 14 * 4, configs.KindScene: 5}},
		{"fescue", map[string]int{configs.KindFlat: 10, configs.KindScene: 5 + 12 + 5}},
	} {
		plan := Scenario(builtin(t, c.name), ScenarioOptions{Seed: 1, Sequence: true})
		kinds := countKinds(plan)
		for kind, want := range c.kinds {
			if kinds[kind] != want {
				t.Errorf("%s: %d frames of kind %s, want %d", c.name, kinds[kind], kind, want)
			}
		}
		for i := range plan {
			if plan[i].Exposure.Band != "" || plan[i].Scene != nil {
				t.Errorf("%s: %s is of one band", c.name, plan[i].Name)
			}
		}
	}
}

// What a plan holds without sequences is not changed by them.
func TestSequencesComeAfterTheRestOfThePlan(t *testing.T) {
	for _, c := range []struct {
		name string
		more int
	}{{"quillon", 3 * 4}, {"oxlip", 3 * 3}, {"pellam", 0}, {"brindle", 0}, {"fescue", 5}, {"gemel", 1}} {
		p := builtin(t, c.name)
		plan := Scenario(p, ScenarioOptions{Seed: 1})
		longer := Scenario(p, ScenarioOptions{Seed: 1, Sequence: true})
		if len(longer) != len(plan)+c.more {
			t.Errorf("%s: sequences add %d frames, want %d", c.name, len(longer)-len(plan), c.more)
			continue
		}
		for i := range plan {
			a, b := plan[i], longer[i]
			if a.Name != b.Name || !a.Time.Equal(b.Time) || !reflect.DeepEqual(a.Exposure, b.Exposure) || a.Target != b.Target {
				t.Errorf("%s: %s has changed", c.name, a.Name)
			}
		}
		for i := len(plan); i < len(longer); i++ {
			if longer[i].Sequence == nil {
				t.Errorf("%s: %s belongs to no sequence", c.name, longer[i].Name)
			}
		}
	}
}

// sequenceOf returns the frames of a plan that belong to a sequence.
func sequenceOf(plan []Planned, name string) []Planned {
	return slices.DeleteFunc(slices.Clone(plan), func(f Planned) bool { return f.Sequence == nil || f.Sequence.Name != name })
}

// The ground moves by the rates of the profile times the time between frames,
// and by less than a strip from frame to frame, so that no row of the ground
// is left out in any band.
func TestGroundMovesOverTheStripsAtTheRatesOfTheProfile(t *testing.T) {
	p := builtin(t, "fescue")
	frames := sequenceOf(Scenario(p, ScenarioOptions{Seed: 1}), "strip")
	if len(frames) != 12 {
		t.Fatalf("%d frames, want 12", len(frames))
	}
	steps := frames[0].Sequence.Frames
	for i, f := range frames {
		timeS := f.Time.Sub(frames[0].Time).Seconds()
		want := Step{Frame: f.Name, TimeS: timeS, ShiftX: p.Motion.ColumnsPerS * timeS, ShiftY: p.Motion.RowsPerS * timeS}
		if !reflect.DeepEqual(steps[i], want) {
			t.Errorf("step %d is %+v, want %+v", i, steps[i], want)
		}
		if i == 0 {
			continue
		}
		step := steps[i].ShiftY - steps[i-1].ShiftY
		if step < 50 || step >= 100 || math.Abs(step-math.Round(step)) < 0.1 {
			t.Errorf("step %d moves the ground by %.3f rows; strips have 100 rows", i, step)
		}
	}
}

// greySteps checks that an image shows the steps of a wedge, 15 at least of the
// 16, whose white has a radiance; stepAt tells which a pixel sees.
func greySteps(t *testing.T, what string, seen []float32, white float64, stepAt func(i int) int) {
	t.Helper()
	shown := map[int]bool{}
	for i, l := range seen {
		step := stepAt(i)
		shown[step] = true
		if want := white * 0.9 * float64(step+1) / 16; math.Abs(float64(l)-want) > 1e-6*want {
			t.Fatalf("%s: pixel %d shows %g, want %g of step %d", what, i, l, want, step+1)
		}
	}
	if len(shown) < 15 {
		t.Errorf("%s: %d steps are in view", what, len(shown))
	}
}

// A white surface that faces the Sun has L = E/(pi r^2), by the profile's
// irradiance at 3.2 au.
func whiteAt(p *configs.Profile, band int) float64 {
	return p.Bands[band].SolarIrradiance / (math.Pi * 3.2 * 3.2)
}

func TestWedgeOfAWheelIsGreyInEveryBand(t *testing.T) {
	for _, name := range []string{"quillon", "oxlip", "gemel"} {
		p := builtin(t, name)
		frames := sequenceOf(Scenario(p, ScenarioOptions{Seed: 1, Sequence: true}), WedgeSequence)
		if len(frames) != len(p.Bands) {
			t.Errorf("%s: %d frames of the wedge, want one in each of %d bands", name, len(frames), len(p.Bands))
			continue
		}
		for b, f := range frames {
			if want := (Step{Frame: f.Name, Band: p.Bands[b].Name, TimeS: f.Time.Sub(frames[0].Time).Seconds()}); f.Exposure.Band != want.Band || !reflect.DeepEqual(f.Sequence.Frames[b], want) {
				t.Errorf("%s: frame in band %s, and the truth says %+v, want %+v", f.Name, f.Exposure.Band, f.Sequence.Frames[b], want)
			}
			greySteps(t, name+" "+f.Name, f.Scene(160, 30), whiteAt(p, b), func(i int) int { return i % 160 / 10 })
		}
	}
}

// Every strip, rows 13 to 112 of the first and 126 further on each of the others,
// sees some of the same rows of the wedge. A pixel shows the step below its
// centre.
func TestWedgeMovesOverAllStrips(t *testing.T) {
	p := builtin(t, "fescue")
	frames := sequenceOf(Scenario(p, ScenarioOptions{Seed: 1, Sequence: true}), WedgeSequence)
	first, last := math.Inf(-1), math.Inf(1)
	for _, strip := range p.Detectors[0].Strips {
		low, high := math.Inf(1), math.Inf(-1)
		covered := float64(strip.Rows[1])
		for k, step := range frames[0].Sequence.Frames {
			if from, to := float64(strip.Rows[0])-step.ShiftY, float64(strip.Rows[1])-step.ShiftY; k > 0 && to < covered-1 {
				t.Errorf("strip %s: rows %.1f to %.1f are not seen", strip.Band, to, covered)
			} else {
				covered, low, high = from, min(low, from), max(high, to)
			}
		}
		first, last = max(first, low), min(last, high)
	}
	if rows := last - first; rows < 90 {
		t.Errorf("%.1f rows of the wedge are seen by all strips, want 90 at least", rows)
	}
	for k, f := range frames {
		step := f.Sequence.Frames[k]
		if timeS := f.Time.Sub(frames[0].Time).Seconds(); step.TimeS != timeS || math.Abs(step.ShiftX-0.05*timeS) > 1e-9 || math.Abs(step.ShiftY-1.25*timeS) > 1e-9 {
			t.Errorf("%s, %g s after the first: %+v", f.Name, timeS, step)
		}
		for b, seen := range f.Bands(512, 3) {
			greySteps(t, f.Name+" "+p.Bands[b].Name, seen, whiteAt(p, b), func(i int) int {
				return int(max((float64(i%512)+0.5-step.ShiftX)/32, 0))
			})
		}
	}
}

// The share of dust in a pixel is (seen - ground) / (dust - ground): its
// centroid is where the truth says that the cloud stands, and its sum is that
// of a Gaussian, 2 pi sigma^2 opacity. The squares of pixels are summed
// for an integral over a smooth function: no error to speak of. float32 limits
// the share of dust to some 1e-6.
func TestCloudStandsWhereTheTruthSays(t *testing.T) {
	p := builtin(t, "quillon")
	frames := sequenceOf(Scenario(p, ScenarioOptions{Seed: 3, Sequence: true}), "cloud")
	cloud := frames[0].Sequence.Cloud
	whites := whiteRadiances(p)
	ground := NewGround(3, p.Bands, whites)
	for b, f := range frames {
		step := f.Sequence.Frames[b]
		wantX := cloud.X + cloud.ColumnsPerS*f.Time.Sub(frames[0].Time).Seconds() + step.ShiftX
		wantY := cloud.Y + cloud.RowsPerS*f.Time.Sub(frames[0].Time).Seconds() + step.ShiftY
		seen := f.Scene(512, 512)
		bare := ground.Window(-step.ShiftX, -step.ShiftY, 512, 512)[b]
		var sum, sumX, sumY float64
		for i := range seen {
			share := float64(seen[i]-bare[i]) / (0.7*whites[b] - float64(bare[i]))
			if dx, dy := float64(i%512)-wantX, float64(i/512)-wantY; math.Hypot(dx, dy) < 6*cloud.SigmaPixels {
				sum += share
				sumX += share * float64(i%512)
				sumY += share * float64(i/512)
			}
		}
		if x, y := sumX/sum, sumY/sum; math.Abs(x-wantX) > 0.01 || math.Abs(y-wantY) > 0.01 {
			t.Errorf("%s: the cloud stands at %.3f, %.3f, want %.3f, %.3f", f.Name, x, y, wantX, wantY)
		}
		if at := step.CloudAt; math.Abs(at.X-wantX) > 1e-9 || math.Abs(at.Y-wantY) > 1e-9 {
			t.Errorf("%s: the truth says %g, %g, want %g, %g", f.Name, at.X, at.Y, wantX, wantY)
		}
		if want := 2 * math.Pi * cloud.SigmaPixels * cloud.SigmaPixels * cloud.Opacity; math.Abs(sum-want) > 1e-3*want {
			t.Errorf("%s: the cloud covers %.3f pixels, want %.3f", f.Name, sum, want)
		}
	}
}

// A row of the right eye is the ground from further left: 3.4 columns, and up
// to 0.8 on the ridge.
func TestRightEyeSeesTheGroundFurtherOn(t *testing.T) {
	p := builtin(t, "gemel")
	plan := Scenario(p, ScenarioOptions{Seed: 4})
	frame := sequenceOf(plan, "pair")[0]
	ground := NewGround(4, p.Bands, whiteRadiances(p))
	left, right := frame.Eyes[0](400, 400), frame.Eyes[1](400, 400)
	for y := 0; y < 400; y += 7 {
		height := math.Pow(math.Sin(math.Pi*(float64(y)+0.5)/400), 2)
		for _, eye := range []struct {
			name  string
			seen  []float32
			shift float64
		}{{"left", left, 0}, {"right", right, 3.4 + 0.8*height}} {
			want := ground.Window(-eye.shift, float64(y), 400, 1)[0]
			for x, l := range eye.seen[y*400:][:400] {
				if math.Abs(float64(l-want[x])) > 1e-6*float64(want[x]) {
					t.Fatalf("%s eye, column %d, row %d: %g, want %g", eye.name, x+1, y+1, l, want[x])
				}
			}
		}
	}
	steps := frame.Sequence.Frames
	if steps[0].Detector != "left" || steps[0].ShiftX != 0 || steps[1].Detector != "right" || steps[1].ShiftX != 3.4 ||
		len(steps[1].RowShiftX) != 400 || math.Abs(steps[1].RowShiftX[199]-0.8) > 1e-4 {
		t.Errorf("the truth about the pair is %+v", steps)
	}
}

func TestTruthAboutSequencesIsReadBackAsItWas(t *testing.T) {
	p := builtin(t, "fescue")
	plan := Scenario(p, ScenarioOptions{Seed: 5})
	frames := sequenceOf(plan, "strip")
	sensors, err := NewAll(p, Options{Seed: 5})
	if err != nil {
		t.Fatal(err)
	}
	truthDir := filepath.Join(t.TempDir(), "truth")
	if err := WriteFrames(filepath.Join(t.TempDir(), "raw"), truthDir, sensors, frames[:1], 1); err != nil {
		t.Fatal(err)
	}
	got, err := LoadSequences(filepath.Join(truthDir, SequenceFile))
	if err != nil {
		t.Fatal(err)
	}
	want := *frames[0].Sequence
	want.ground = nil
	if len(got) != 1 || !reflect.DeepEqual(got[0], want) {
		t.Errorf("the sequence is read as %+v, want %+v", got, want)
	}
	checkGroundFile(t, p, truthDir, frames)
}

// In the coordinates of the ground, a pixel of the first frame has the value
// of the ground itself.
func checkGroundFile(t *testing.T, p *configs.Profile, truthDir string, frames []Planned) {
	t.Helper()
	first := frames[0].Bands(512, 512)
	last := frames[0].Sequence.Frames[len(frames)-1]
	for b := range p.Bands {
		f, err := fitsutil.Open(GroundFile(truthDir, p.Bands[b].Name))
		if err != nil {
			t.Fatal(err)
		}
		defer f.Close()
		r := truthReader{file: f}
		values := r.floats(planeGround)
		width, height := r.size(planeGround)
		column, _, _ := f.HDUs()[0].Header.Int("GRNDCOL")
		row, _, err := f.HDUs()[0].Header.Int("GRNDROW")
		if err != nil || r.err != nil {
			t.Fatal(err, r.err)
		}
		if row != int64(math.Floor(-last.ShiftY)) || column != int64(math.Floor(-last.ShiftX)) || height != 512-int(row) || width != 512-int(column) {
			t.Errorf("the ground begins at %d, %d with %d x %d pixels; the last frame is shifted by %g, %g", column, row, width, height, last.ShiftX, last.ShiftY)
		}
		for i, want := range first[b] {
			got := values[(i/512-int(row))*width+i%512-int(column)]
			if math.Abs(float64(got-want)) > 1e-6*float64(want) {
				t.Fatalf("band %s, column %d, row %d: the ground is %g, the frame %g", p.Bands[b].Name, i%512+1, i/512+1, got, want)
			}
		}
	}
}
