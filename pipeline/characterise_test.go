package pipeline

import (
	"fmt"
	"maps"
	"math"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"testing"

	"go.uber.org/zap"

	"evenlight/calib"
	"evenlight/configs"
	"evenlight/fitsutil"
	"evenlight/pipeline/simulate"
)

// sensorSide is the side of the image of the sensors that are measured here.
const sensorSide = 128

// sensorInstrument is the demo camera with a small chip whose reference region
// is all of its image.
func sensorInstrument(t testing.TB, more ...string) *Instrument {
	t.Helper()
	text, err := configs.Builtin("quillon")
	if err != nil {
		t.Fatal(err)
	}
	half, end := sensorSide/2+16, sensorSide+32
	rows := fmt.Sprintf("rows: [1, %d]}", sensorSide)
	set := []string{
		fmt.Sprintf("detectors.0.width=%d", end), fmt.Sprintf("detectors.0.height=%d", sensorSide),
		fmt.Sprintf("detectors.0.image={columns: [17, %d], ", sensorSide+16) + rows,
		fmt.Sprintf("detectors.0.reference={columns: [17, %d], ", sensorSide+16) + rows,
		fmt.Sprintf("detectors.0.amplifiers.0.region={columns: [1, %d], ", half) + rows,
		"detectors.0.amplifiers.0.overscan={columns: [1, 16], " + rows,
		fmt.Sprintf("detectors.0.amplifiers.1.region={columns: [%d, %d], ", half+1, end) + rows,
		fmt.Sprintf("detectors.0.amplifiers.1.overscan={columns: [%d, %d], ", end-15, end) + rows,
	}
	p, err := configs.Parse("quillon", text, configs.Overrides{Set: append(set, more...)})
	if err != nil {
		t.Fatal(err)
	}
	return NewInstrument(p)
}

// sensorPlan is the calibration frames of the demo's campaign in one band.
func sensorPlan(p *configs.Profile, seed uint64) []simulate.Planned {
	var out []simulate.Planned
	for _, f := range simulate.Scenario(p, simulate.ScenarioOptions{Seed: seed, Scale: 0.6}) {
		if lookedAt(f.Kind) && (f.Exposure.Band == "green" || f.Kind == configs.KindBias || f.Kind == configs.KindDark) {
			out = append(out, f)
		}
	}
	return out
}

// simulated writes the frames of a plan and returns them with the truth.
func simulatedSensor(t testing.TB, in *Instrument, plan []simulate.Planned, opt simulate.Options) ([]string, *simulate.Sensor) {
	t.Helper()
	s, err := simulate.NewAll(in.Profile, opt)
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	if err := simulate.WriteFrames(filepath.Join(dir, "raw"), filepath.Join(dir, "truth"), s, plan, 2); err != nil {
		t.Fatal(err)
	}
	files, err := FindFrames([]string{filepath.Join(dir, "raw")})
	if err != nil {
		t.Fatal(err)
	}
	return files, s[0]
}

// measureAll measures without writing.
func measureAll(t testing.TB, in *Instrument, files []string, workers int) []*Characterisation {
	t.Helper()
	frames, _, errs := in.lookAll(files, workers)
	for _, e := range errs {
		if len(e) > 0 {
			t.Fatal(e)
		}
	}
	var out []*Characterisation
	for _, s := range in.sensorSets(frames) {
		c, failures := s.measure(CharacteriseOptions{Workers: workers, Log: zap.NewNop()})
		if len(failures) > 0 {
			t.Fatal(failures)
		}
		out = append(out, c)
	}
	return out
}

// pulls gathers (measured - truth) / u by figure.
type pulls map[string][]float64

func (p pulls) add(t *testing.T, name string, m *SensorFigure, truth float64) {
	t.Helper()
	if m == nil {
		t.Fatalf("%s was not measured", name)
	}
	p[name] = append(p[name], (m.Value-truth)/m.U)
}

// goodOf tells the good pixels of an amplifier's part of the raw frame.
func goodOf(s *simulate.Sensor, a int) (pixels []int) {
	r := region(s.Detector.Amplifiers[a].Region).Intersect(region(s.Detector.Reference))
	for y := r.Y0; y < r.Y1; y++ {
		for x := r.X0; x < r.X1; x++ {
			if i := y*s.Detector.Width + x; s.Defects[i]&^simulate.Nonlinear == 0 {
				pixels = append(pixels, i)
			}
		}
	}
	return pixels
}

// momentsOf are mean and standard deviation over some pixels.
func momentsOf(plane []float32, pixels []int) (mean, sd float64) {
	for _, i := range pixels {
		mean += float64(plane[i]) / float64(len(pixels))
	}
	for _, i := range pixels {
		sd += (float64(plane[i]) - mean) * (float64(plane[i]) - mean) / float64(len(pixels)-1)
	}
	return mean, math.Sqrt(sd)
}

// unshaded is a flat with its second-order surface taken off, by least squares
// over all pixels.
func unshaded(t *testing.T, s *simulate.Sensor, plane []float32, pixels []int) []float32 {
	t.Helper()
	var design [][]float64
	var y []float64
	for _, i := range pixels {
		u, v := float64(i%s.Detector.Width)/100-1, float64(i/s.Detector.Width)/100-1
		design = append(design, []float64{1, u, v, u * u, u * v, v * v})
		y = append(y, float64(plane[i]))
	}
	fit, err := calib.LeastSquares(design, y, nil)
	if err != nil {
		t.Fatal(err)
	}
	out := slices.Clone(plane)
	for k, i := range pixels {
		out[i] = float32(y[k] / (y[k] - fit.Residuals[k]))
	}
	return out
}

// TestMeasuredFiguresAreWithinTheirUncertainty measures simulated sensors and
// compares with their truth. Of n pulls the mean has the standard deviation
// 1/sqrt(n) and the standard deviation of them 1/sqrt(2n); four of each are
// allowed, for some twenty figures. Pixels with a curve of their own are not
// marked from flats and widen the PRNU: there are none here.
func TestMeasuredFiguresAreWithinTheirUncertainty(t *testing.T) {
	in := sensorInstrument(t)
	p := pulls{}
	for seed := uint64(1); seed <= 8; seed++ {
		files, s := simulatedSensor(t, in, sensorPlan(in.Profile, seed), simulate.Options{Seed: seed, GainError: 0.02, NoBadLinearity: true})
		c := measureAll(t, in, files, 2)[0]
		flat, err := s.Flat("green")
		if err != nil {
			t.Fatal(err)
		}
		for a := range s.Amplifiers {
			truth, f := &s.Amplifiers[a], &c.Cells[a]
			good := goodOf(s, a)
			dark, _ := momentsOf(s.Dark, good)
			_, pattern := momentsOf(s.Pattern, good)
			_, response := momentsOf(unshaded(t, s, flat, good), good)
			p.add(t, "gain", f.Gain, truth.GainEPerDN)
			p.add(t, "read noise", f.ReadNoise, truth.ReadNoiseE)
			p.add(t, "read noise of the transfer", f.TransferReadNoise, truth.ReadNoiseE)
			p.add(t, "c2", f.LinearityC2, truth.C2)
			p.add(t, "c3", f.LinearityC3, truth.C3)
			p.add(t, "dark current", f.DarkRate, dark)
			p.add(t, "doubling interval", f.Doubling, s.Detector.Dark.IntervalK)
			p.add(t, "DSNU", f.DSNU.Total, pattern*truth.GainEPerDN)
			p.add(t, "PRNU", f.PRNU[0].Total, 100*response)
		}
		counts := map[simulate.Defect]float64{}
		for _, d := range simulate.Trim(s, s.Defects) {
			counts[d]++
		}
		for _, b := range []struct {
			name string
			got  *SensorFigure
			of   simulate.Defect
		}{{"hot", c.BadPixels.Hot, simulate.Hot}, {"unstable", c.BadPixels.Unstable, simulate.Unstable}, {"dead", c.BadPixels.Dead, simulate.Dead}, {"low", c.BadPixels.Low, simulate.Low}} {
			if off := math.Abs(b.got.Value - counts[b.of]); off > 4*b.got.U+1 {
				t.Errorf("seed %d: %g ± %.2g %s pixels, %g are true", seed, b.got.Value, b.got.U, b.name, counts[b.of])
			}
		}
	}
	for name, all := range p {
		mean, sd := 0.0, 0.0
		n := float64(len(all))
		for _, v := range all {
			mean += v / n
		}
		for _, v := range all {
			sd += (v - mean) * (v - mean) / (n - 1)
		}
		sd = math.Sqrt(sd)
		t.Logf("%-28s mean pull %+.2f, sd %.2f of %d", name, mean, sd, len(all))
		if math.Abs(mean) > 4/math.Sqrt(n) || math.Abs(sd-1) > 4/math.Sqrt(2*n) {
			t.Errorf("%s: pulls %.2f", name, all)
		}
	}
}

// TestFullWellIsMeasuredWhereTheLadderReachesIt lights an even sensor beyond
// full well.
func TestFullWellIsMeasuredWhereTheLadderReachesIt(t *testing.T) {
	in := sensorInstrument(t)
	plan := beyondFullWell(in.Profile, sensorPlan(in.Profile, 3))
	files, s := simulatedSensor(t, in, plan, simulate.Options{Seed: 3, NoUnevenness: true, NoLow: true})
	c := measureAll(t, in, files, 2)[0]
	for a := range s.Amplifiers {
		f := c.Cells[a].FullWell
		if f == nil || f.Bound != "" || math.Abs(f.Value-s.FullWellE) > 4*f.U {
			t.Errorf("amplifier %d: full well %+v, want %g", a, f, s.FullWellE)
		}
	}
	named(t, c, FoundSaturated, "over-0", "over-1", "over-2", "over-3")
}

// beyondFullWell adds ladder steps at 1.2 and 1.5 times full well.
func beyondFullWell(p *configs.Profile, plan []simulate.Planned) []simulate.Planned {
	last := plan[len(plan)-1]
	for i, times := range []float64{1.2, 1.2, 1.5, 1.5} {
		f := last
		f.Name = fmt.Sprintf("over-%d", i)
		f.Exposure.Index = uint64(9000 + i)
		f.Exposure.ExposureS = times
		plan = append(plan, f)
	}
	return plan
}

// named tells that a kind of finding names the given frames and no others.
func named(t *testing.T, c *Characterisation, kind string, frames ...string) {
	t.Helper()
	var got []string
	for _, f := range c.Findings {
		if f.Kind != kind {
			continue
		}
		if f.What == "" || f.Remedy == "" {
			t.Errorf("%+v says too little", f)
		}
		for _, file := range f.Files {
			got = append(got, strings.TrimSuffix(file, ".fits"))
		}
	}
	slices.Sort(got)
	slices.Sort(frames)
	if !slices.Equal(slices.Compact(got), frames) {
		t.Errorf("%s names %v, want %v", kind, got, frames)
	}
}

// spoil changes a plan.
type spoil func(plan []simulate.Planned) (out []simulate.Planned, names []string)

// nth is the n-th frame of a kind.
func nth(plan []simulate.Planned, kind string, n int) *simulate.Planned {
	for i := range plan {
		if plan[i].Kind == kind {
			if n == 0 {
				return &plan[i]
			}
			n--
		}
	}
	return nil
}

// TestWhatDoesNotBelongIsNamedAndLeftOut spoils a campaign in one way at a
// time. The figures of the rest stay within their uncertainty of the truth.
func TestWhatDoesNotBelongIsNamedAndLeftOut(t *testing.T) {
	in := sensorInstrument(t)
	for _, c := range []struct {
		kind  string
		spoil spoil
	}{
		{FoundLightLeak, func(plan []simulate.Planned) ([]simulate.Planned, []string) {
			f := nth(plan, configs.KindDark, 7)
			f.Exposure.Band, f.Exposure.LampRate = "green", 0.5 // e-/s, a quarter of the dark current
			return plan, []string{f.Name}
		}},
		{FoundUnequal, func(plan []simulate.Planned) ([]simulate.Planned, []string) {
			f := nth(plan, configs.KindLadder, 21)
			f.Exposure.LampRate *= 1.1
			return plan, []string{f.Name}
		}},
		{FoundUnpaired, func(plan []simulate.Planned) ([]simulate.Planned, []string) {
			f := *nth(plan, configs.KindLadder, 24)
			other := nth(plan, configs.KindLadder, 25)
			if other.Exposure.ExposureS != f.Exposure.ExposureS {
				t.Fatal("not a pair")
			}
			plan = slices.DeleteFunc(plan, func(p simulate.Planned) bool { return p.Name == f.Name })
			last := *nth(plan, configs.KindLadder, 26)
			return plan, []string{last.Name}
		}},
		{FoundSaturated, func(plan []simulate.Planned) ([]simulate.Planned, []string) {
			return beyondFullWell(in.Profile, plan), []string{"over-0", "over-1", "over-2", "over-3"}
		}},
		{FoundMixedModes, func(plan []simulate.Planned) ([]simulate.Planned, []string) {
			f := nth(plan, configs.KindFlat, 2)
			f.Mode = "fast"
			return plan, []string{f.Name}
		}},
		{FoundNoExposure, func(plan []simulate.Planned) ([]simulate.Planned, []string) {
			f := nth(plan, configs.KindDark, 3)
			f.Exposure.ExposureS = 0
			return plan, []string{f.Name}
		}},
		{FoundLampDrift, func(plan []simulate.Planned) ([]simulate.Planned, []string) {
			var names []string
			for i := range plan {
				if f := &plan[i]; f.Kind == configs.KindLadder {
					f.Exposure.LampRate *= 0.9 - 0.03*f.Time.Sub(nth(plan, configs.KindLadder, 0).Time).Hours()
					names = append(names, f.Name)
				}
			}
			return plan, names
		}},
	} {
		t.Run(c.kind, func(t *testing.T) {
			plan, names := c.spoil(sensorPlan(in.Profile, 5))
			files, s := simulatedSensor(t, in, plan, simulate.Options{Seed: 5})
			all := measureAll(t, in, files, 2)
			got := all[len(all)-1] // "normal" comes after "fast"
			if c.kind == FoundLampDrift {
				if got.Cells[0].LinearityError != nil {
					t.Error("a linearity error was measured with a lamp that drifts")
				}
			}
			if c.kind != FoundSaturated {
				named(t, got, c.kind, names...)
			} else {
				for _, n := range names {
					if !slices.ContainsFunc(got.Findings, func(f SensorFinding) bool {
						return f.Kind == c.kind && slices.Contains(f.Files, n+".fits")
					}) {
						t.Errorf("%s is not named: %+v", n, got.Findings)
					}
				}
			}
			for a := range s.Amplifiers {
				f := &got.Cells[a]
				dark, _ := momentsOf(s.Dark, goodOf(s, a))
				for _, m := range []struct {
					name  string
					got   *SensorFigure
					truth float64
				}{{"gain", f.Gain, s.Amplifiers[a].GainEPerDN}, {"read noise", f.ReadNoise, s.Amplifiers[a].ReadNoiseE}, {"dark current", f.DarkRate, dark}, {"doubling interval", f.Doubling, 7.1}} {
					if m.got == nil || math.Abs(m.got.Value-m.truth) > 4*m.got.U {
						t.Errorf("%s: %+v, want %g", m.name, m.got, m.truth)
					}
				}
			}
		})
	}
}

// TestTooFewFramesAreTold measures what a single bias and a few darks allow.
func TestTooFewFramesAreTold(t *testing.T) {
	in := sensorInstrument(t)
	var plan []simulate.Planned
	full := sensorPlan(in.Profile, 6)
	plan = append(plan, *nth(full, configs.KindBias, 0), *nth(full, configs.KindFlat, 0), *nth(full, configs.KindFlat, 1))
	files, _ := simulatedSensor(t, in, plan, simulate.Options{Seed: 6})
	c := measureAll(t, in, files, 2)[0]
	if c.anything() {
		t.Errorf("something was measured: %+v", c.Cells)
	}
	if !strings.Contains(c.reasons(), "1 frames without exposure, and two or more are needed") {
		t.Errorf("it says %q", c.reasons())
	}
}

// TestCharacterisationDoesNotDependOnTheNumberOfWorkers compares all files,
// tables and plots included, and their names.
func TestCharacterisationDoesNotDependOnTheNumberOfWorkers(t *testing.T) {
	in := sensorInstrument(t)
	files, _ := simulatedSensor(t, in, sensorPlan(in.Profile, 7), simulate.Options{Seed: 7})
	var want map[string]string
	for _, workers := range []int{1, 3} {
		dir := t.TempDir()
		r, err := Characterise(in, files, CharacteriseOptions{OutDir: dir, Workers: workers, Log: zap.NewNop()})
		if err != nil || len(r.Failures) > 0 || len(r.Made) != 1 {
			t.Fatal(err, r)
		}
		got := map[string]string{}
		for _, f := range r.Files {
			sum, _, err := fitsutil.HashFile(f)
			if err != nil {
				t.Fatal(err)
			}
			got[filepath.Base(f)] = sum
		}
		if want == nil {
			want = got
		}
		if len(got) != 12 || !maps.Equal(got, want) {
			t.Errorf("%d workers make %v, and 1 makes %v", workers, got, want)
		}
		c, err := ReadCharacterisation(r.Files[0])
		if err != nil || c.SHA256 != r.Made[0].SHA256 || len(c.Inputs) != len(files) {
			t.Errorf("%v: read back %+v", err, c)
		}
	}
}

// TestAChangedCharacterisationIsRefused changes one digit of a file.
func TestAChangedCharacterisationIsRefused(t *testing.T) {
	path := filepath.Join(t.TempDir(), "c.json")
	c := &Characterisation{Format: CharacterisationFormat, What: whatCharacterisation, Instrument: "quillon", Detector: "main", Cells: []CellFigures{}}
	text, err := c.identify()
	if err != nil {
		t.Fatal(err)
	}
	for _, change := range []struct{ from, to, says string }{
		{"", "", ""},
		{`"main"`, `"moon"`, "is not what was measured"},
		{`"format": 1`, `"format": 9`, "format 9"},
		{`"what": "sensor characterisation"`, `"what": "poem"`, "no sensor characterisation"},
		{`"cells"`, `"sells"`, "sells"},
	} {
		if err := os.WriteFile(path, []byte(strings.Replace(string(text), change.from, change.to, 1)), 0o666); err != nil {
			t.Fatal(err)
		}
		_, err := ReadCharacterisation(path)
		if change.says == "" {
			if err != nil {
				t.Errorf("the file as written is refused: %v", err)
			}
			continue
		}
		if err == nil || !strings.Contains(err.Error(), change.says) || !strings.Contains(err.Error(), path) {
			t.Errorf("%s for %s: %v, want an error that names the file and says %q", change.to, change.from, err, change.says)
		}
	}
}

// TestCharacterisingTakesNoMemoryPerFrame goes through many copies of a bias
// and looks at the memory in use after a few pairs and after all. A frame
// leaves its headline, some kilobytes; its samples would be 57 kilobytes.
// Another pair may be under way at either moment.
func TestCharacterisingTakesNoMemoryPerFrame(t *testing.T) {
	in := sensorInstrument(t)
	files, _ := simulatedSensor(t, in, sensorPlan(in.Profile, 8)[:2], simulate.Options{Seed: 8})
	const pairs, warm = 120, 4
	dir := t.TempDir()
	var copies []string
	for i := range 2 * pairs {
		text, err := os.ReadFile(files[i%2])
		if err != nil {
			t.Fatal(err)
		}
		path := filepath.Join(dir, fmt.Sprintf("copy%03d.fits", i))
		if err := os.WriteFile(path, text, 0o666); err != nil {
			t.Fatal(err)
		}
		copies = append(copies, path)
	}
	live := func() int64 {
		runtime.GC()
		runtime.GC() // the first empties pools into the second's reach
		var m runtime.MemStats
		runtime.ReadMemStats(&m)
		return int64(m.HeapAlloc)
	}
	var early, late int64
	frames, _, _ := in.lookAll(copies, 2)
	c, failures := in.sensorSets(frames)[0].measure(CharacteriseOptions{Workers: 2, Log: zap.NewNop(), Progress: func(done, total int, _ string) {
		switch done {
		case warm:
			early = live()
		case pairs - 1:
			late = live()
		}
	}})
	if len(failures) > 0 || len(c.Inputs) != 2*pairs || late == 0 {
		t.Fatal(failures, late)
	}
	const headline, underWay = 4 << 10, 1 << 20
	if grown := late - early; grown > 2*(pairs-warm)*headline+underWay {
		t.Errorf("memory in use grew by %d bytes over %d frames", grown, 2*(pairs-warm))
	}
}

// TestAProfileWithTheMeasuredSensorUsesIt goes round: measure, refer to the
// file, and find its values and its identity in the profile that products keep.
func TestAProfileWithTheMeasuredSensorUsesIt(t *testing.T) {
	in := sensorInstrument(t)
	files, _ := simulatedSensor(t, in, sensorPlan(in.Profile, 9), simulate.Options{Seed: 9, GainError: 0.03})
	dir := t.TempDir()
	r, err := Characterise(in, files, CharacteriseOptions{OutDir: dir, Workers: 2, Log: zap.NewNop()})
	if err != nil || len(r.Made) != 1 {
		t.Fatal(err, r)
	}
	var with *configs.Profile
	for _, path := range []string{r.Files[0], filepath.Base(r.Files[0])} {
		with, err = configs.Parse(filepath.Join(dir, "cam.yaml"), in.Profile.Canonical(), configs.Overrides{Set: []string{"detectors.0.characterised={file: " + path + "}"}})
		if err != nil {
			t.Fatal(err)
		}
	}
	for a, amp := range with.Detectors[0].Amplifiers {
		f := r.Made[0].Cells[a]
		for _, m := range []struct{ got, want float64 }{{amp.GainEPerDN, f.Gain.Value}, {amp.GainRelUncert, f.Gain.U / f.Gain.Value}, {amp.ReadNoiseE, f.ReadNoise.Value}} {
			if math.Abs(m.got-m.want) > 1e-12*m.want {
				t.Errorf("amplifier %s has %v, and %v was measured", amp.Name, m.got, m.want)
			}
		}
	}
	if !strings.Contains(string(with.Canonical()), r.Made[0].SHA256) || with.Hash() == in.Profile.Hash() {
		t.Error("the profile that products keep does not tell the file's identity")
	}
}

// TestABrokenFileIsNamedAndTheRestIsMeasured cuts one bias off, and writes a
// sample into another that the converter cannot make: that one alone counts as
// lost.
func TestABrokenFileIsNamedAndTheRestIsMeasured(t *testing.T) {
	in := sensorInstrument(t)
	var plan []simulate.Planned
	for _, f := range sensorPlan(in.Profile, 10) {
		if f.Kind == configs.KindBias {
			plan = append(plan, f)
		}
	}
	files, _ := simulatedSensor(t, in, plan, simulate.Options{Seed: 10})
	for i, spoil := range []func([]byte) []byte{
		func(b []byte) []byte { return b[:len(b)/2] },
		func(b []byte) []byte {
			b[2880+2*((sensorSide+32)*71+40)] = 0x7f // the top bits of one sample
			return b
		},
	} {
		text, err := os.ReadFile(files[i])
		if err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(files[i], spoil(text), 0o666); err != nil {
			t.Fatal(err)
		}
	}
	r, err := Characterise(in, files, CharacteriseOptions{OutDir: t.TempDir(), Workers: 2, Log: zap.NewNop()})
	if err != nil || len(r.Made) != 1 || len(r.Failures) != 2 {
		t.Fatal(err, r)
	}
	for i, f := range r.Failures {
		if !strings.Contains(f.Reason, files[i]) {
			t.Errorf("failure %d: %s, want one that names %s", i, f.Reason, files[i])
		}
	}
	if f := r.Made[0].Cells[0].ReadNoise; f == nil || math.Abs(f.Value-7.5) > 5*f.U {
		t.Errorf("read noise %+v, want 7.5", f)
	}
}

// TestAnAmplifierWithoutAGoodPixelLeavesTheRest calls every pixel hot: no dark
// current can be told of good ones, and all else is measured and written.
func TestAnAmplifierWithoutAGoodPixelLeavesTheRest(t *testing.T) {
	in := sensorInstrument(t, "detectors.0.bad_pixels.hot_e_per_s=1e-6")
	files, _ := simulatedSensor(t, in, sensorPlan(in.Profile, 8), simulate.Options{Seed: 8})
	c := measureAll(t, in, files, 2)[0]
	for i := range c.Cells {
		f := &c.Cells[i]
		if f.Gain == nil || f.ReadNoise == nil || f.LinearityError == nil || f.DarkRate != nil {
			t.Errorf("%s: gain %v, read noise %v, linearity error %v, dark current %v", f.Name, f.Gain, f.ReadNoise, f.LinearityError, f.DarkRate)
		}
		if !strings.Contains(c.reasons(), "dark current of "+f.Name+": none of its pixels is good") {
			t.Errorf("%s: it says %q", f.Name, c.reasons())
		}
	}
	if c.BadPixels == nil || c.BadPixels.Hot.Value+c.BadPixels.Unstable.Value != float64(c.BadPixels.Pixels) {
		t.Errorf("bad pixels: %+v", c.BadPixels)
	}
}
