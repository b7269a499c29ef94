package simulate

import (
	"bytes"
	"errors"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"testing"

	"evenlight/configs"
	"evenlight/fitsutil"
)

// fewFrames is one frame of each kind and of each sequence, and every other
// scene of a plan.
func fewFrames(plan []Planned) []Planned {
	seen := map[string]bool{}
	return slices.DeleteFunc(slices.Clone(plan), func(f Planned) bool {
		group := f.Kind
		if f.Sequence != nil {
			group = f.Sequence.Name
		}
		drop := seen[group] && (!f.looks() || f.Sequence != nil)
		seen[group] = true
		return drop
	})
}

func simulate(t *testing.T, p *configs.Profile, workers int) (dir, truthDir string, sensors []*Sensor, plan []Planned) {
	t.Helper()
	root := t.TempDir()
	dir, truthDir = filepath.Join(root, "raw"), filepath.Join(root, "truth")
	sensors, err := NewAll(p, Options{Seed: 5})
	if err != nil {
		t.Fatal(err)
	}
	plan = fewFrames(Scenario(p, ScenarioOptions{Seed: 5}))
	if err := WriteFrames(dir, truthDir, sensors, plan, workers); err != nil {
		t.Fatal(err)
	}
	return dir, truthDir, sensors, plan
}

func readFolder(t *testing.T, dir string) map[string][]byte {
	t.Helper()
	files := map[string][]byte{}
	entries, err := os.ReadDir(dir)
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range entries {
		if files[e.Name()], err = os.ReadFile(filepath.Join(dir, e.Name())); err != nil {
			t.Fatal(err)
		}
	}
	return files
}

func TestFilesDoNotDependOnWorkers(t *testing.T) {
	dir, truthDir, _, plan := simulate(t, smallCamera(), 1)
	raw, truth := readFolder(t, dir), readFolder(t, truthDir)
	if len(raw) != len(plan) {
		t.Fatalf("%d files for %d frames", len(raw), len(plan))
	}
	for _, workers := range []int{2, 7} {
		otherDir, otherTruth, _, _ := simulate(t, smallCamera(), workers)
		for _, c := range []struct{ one, other map[string][]byte }{
			{raw, readFolder(t, otherDir)}, {truth, readFolder(t, otherTruth)},
		} {
			if len(c.one) != len(c.other) {
				t.Errorf("%d workers wrote %d files, 1 wrote %d", workers, len(c.other), len(c.one))
			}
			for name, content := range c.one {
				if !bytes.Equal(content, c.other[name]) {
					t.Errorf("%d workers wrote another %s", workers, name)
				}
			}
		}
	}
}

// Samples are where the profile looks for them, and are those of the sensor.
func TestRawFramesHoldTheSamplesOfEverySensor(t *testing.T) {
	for _, name := range framingCameras(t) {
		dir, _, sensors, plan := simulate(t, builtin(t, name), 2)
		for _, planned := range plan {
			f, err := fitsutil.Open(filepath.Join(dir, planned.Name+".fits"))
			if err != nil {
				t.Fatal(err)
			}
			for i, s := range sensors {
				want := mustExpose(t, s, planned.exposure(i, s)).Samples
				if got := readSamples(t, f, s.Detector.HDU, len(want)); !slices.Equal(got, want) {
					t.Errorf("%s, detector %s: the file holds other samples than the sensor gave", planned.Name, s.Detector.Name)
				}
			}
			f.Close()
		}
	}
}

func readSamples(t *testing.T, f *fitsutil.File, sel string, n int) []uint16 {
	t.Helper()
	hdu, err := f.Find(sel)
	if err != nil {
		t.Fatal(err)
	}
	data, err := f.ReadRows(hdu, 0, 0, hdu.Height(), nil)
	if err != nil {
		t.Fatal(err)
	}
	values := make([]float64, n)
	if err := hdu.DecodeFloat64(values, data); err != nil {
		t.Fatal(err)
	}
	samples := make([]uint16, n)
	for i, v := range values {
		samples[i] = uint16(v)
	}
	return samples
}

func TestTruthIsReadBackAsItWas(t *testing.T) {
	for _, name := range framingCameras(t) {
		_, truthDir, sensors, plan := simulate(t, builtin(t, name), 2)
		for _, planned := range plan {
			if !planned.looks() {
				continue
			}
			for i, s := range sensors {
				got, err := LoadTruth(TruthFile(truthDir, planned.Name, s.Detector.Name))
				if err != nil {
					t.Fatal(err)
				}
				if want := mustExpose(t, s, planned.exposure(i, s)).Truth; !reflect.DeepEqual(*got, want) {
					t.Errorf("%s, detector %s: the truth has changed on its way through the file", planned.Name, s.Detector.Name)
				}
			}
		}
	}
}

func TestScalarTruthIsReadBackAsItWas(t *testing.T) {
	_, truthDir, sensors, _ := simulate(t, builtin(t, "pellam"), 1)
	all, err := LoadScalars(filepath.Join(truthDir, ScalarsFile))
	if err != nil {
		t.Fatal(err)
	}
	if len(all) != len(sensors) {
		t.Fatalf("%d detectors, want %d", len(all), len(sensors))
	}
	for i, s := range sensors {
		got, a := all[i], s.Amplifiers[0]
		if got.Detector != s.Detector.Name || got.Seed != s.Options.Seed || got.FullWellE != 0 {
			t.Errorf("detector %s has seed %d and full well %g e-", got.Detector, got.Seed, got.FullWellE)
		}
		if r := got.Amplifiers[0]; r.GainEPerDN != a.GainEPerDN || r.ReadNoiseE != a.ReadNoiseE || r.C2 != a.C2 || r.C3 != a.C3 {
			t.Errorf("amplifier is read as %+v", r)
		}
		if r := got.Amplifiers[0]; r.Linear(3000) != a.Linear(3000) || r.Measured(3000) != a.Measured(3000) {
			t.Errorf("linearity takes 3000 DN to %g and back to %g, that of the sensor to %g and %g",
				r.Linear(3000), r.Measured(3000), a.Linear(3000), a.Measured(3000))
		}
		if dead := got.DefectCounts[0]; dead.Name != "dead" || dead.Pixels != len(s.with(Dead)) {
			t.Errorf("%d pixels are %s, want %d dead", dead.Pixels, dead.Name, len(s.with(Dead)))
		}
	}
}

func TestSensorMapsAreThoseOfTheSensor(t *testing.T) {
	_, truthDir, sensors, _ := simulate(t, builtin(t, "quillon"), 1)
	f, err := fitsutil.Open(MapsFile(truthDir, "main"))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	r := truthReader{file: f}
	for name, want := range map[string][]float32{
		planePattern: sensors[0].Pattern, planeDark: sensors[0].Dark,
		planeFlat + ",1": sensors[0].flats["violet"], planeFlat + ",4": sensors[0].flats["nir"],
	} {
		if got := r.floats(name); r.err != nil || !slices.Equal(got, want) {
			t.Errorf("plane %s differs (error %v)", name, r.err)
		}
	}
	m, err := LoadMaps(MapsFile(truthDir, "main"))
	if err != nil {
		t.Fatal(err)
	}
	s := sensors[0]
	if m.Width != s.Detector.Width || m.Height != s.Detector.Height || !slices.Equal(m.Pattern, s.Pattern) || !slices.Equal(m.Dark, s.Dark) ||
		!slices.Equal(m.Defects, s.Defects) || !slices.Equal(m.Bend, s.Bend) || !reflect.DeepEqual(m.Flats, s.flats) {
		t.Error("the maps are not read as they were")
	}
}

func TestNoFileIsReplaced(t *testing.T) {
	dir, truthDir, sensors, plan := simulate(t, smallCamera(), 1)
	before := readFolder(t, dir)
	if err := WriteFrames(dir, truthDir, sensors, plan, 2); !errors.Is(err, fs.ErrExist) {
		t.Errorf("writing the truth again: error %v", err)
	}
	err := WriteFrames(dir, filepath.Join(t.TempDir(), "truth"), sensors, plan, 2)
	if first := plan[0].Name + ".fits"; err == nil || !strings.Contains(err.Error(), first) {
		t.Errorf("writing the frames again: error %v does not name %s", err, first)
	}
	if !reflect.DeepEqual(before, readFolder(t, dir)) {
		t.Error("frames have changed")
	}
}

func TestDetectorsAreLaidOutWhereTheProfileLooks(t *testing.T) {
	for _, c := range []struct {
		name string
		hdus []string
		want []frameHDU
	}{
		{"any", []string{""}, []frameHDU{{sensor: 0}}},
		{"primary and first extension", []string{"1", "0"}, []frameHDU{{sensor: 1}, {sensor: 0}}},
		{"named", []string{"CHIP1", "CHIP2"}, []frameHDU{{sensor: noSensor}, {sensor: 0, name: "CHIP1"}, {sensor: 1, name: "CHIP2"}}},
		{"versions", []string{"CHIP,2", "CHIP,1"}, []frameHDU{{sensor: noSensor}, {sensor: 0, name: "CHIP", version: 2}, {sensor: 1, name: "CHIP", version: 1}}},
		{"second extension, a name before it", []string{"2", "CHIP"}, []frameHDU{{sensor: noSensor}, {sensor: 1, name: "CHIP"}, {sensor: 0}}},
		{"twice the same", []string{"1", "1"}, nil},
		{"version that is no number", []string{"CHIP,first"}, nil},
	} {
		p := smallCamera()
		p.Detectors = slices.Repeat(p.Detectors, len(c.hdus))
		sensors := make([]*Sensor, len(c.hdus))
		for i, hdu := range c.hdus {
			p.Detectors[i].HDU = hdu
			sensors[i] = &Sensor{Profile: p, Detector: p.Detectors[i]}
		}
		got, err := layOut(sensors)
		if (err != nil) != (c.want == nil) || !reflect.DeepEqual(got, c.want) {
			t.Errorf("%s: %+v, error %v; want %+v", c.name, got, err, c.want)
		}
	}
}

func TestFirstErrorOfThePlanIsReturned(t *testing.T) {
	at := func(i int) error { return errors.New(string(rune('a' + i))) }
	for _, workers := range []int{1, 3} {
		err := inParallel(9, workers, func(i int) error {
			if i >= 4 {
				return at(i)
			}
			return nil
		})
		if err == nil || err.Error() != "e" {
			t.Errorf("%d workers: error %v, want that of the fifth", workers, err)
		}
	}
}

// fitsverify (of HEASARC) is an independent judge of the FITS Standard.
func TestFilesPassFitsverify(t *testing.T) {
	tool, err := exec.LookPath("fitsverify")
	if err != nil {
		if os.Getenv("EVENLIGHT_REQUIRE_TOOLS") != "" {
			t.Fatal(err)
		}
		t.Skip("fitsverify is not installed")
	}
	for _, p := range []*configs.Profile{smallCamera(), builtin(t, "pellam"), builtin(t, "quillon"), builtin(t, "brindle"), builtin(t, "fescue"), builtin(t, "oxlip")} {
		dir, truthDir, _, _ := simulate(t, p, 2)
		for _, d := range []string{dir, truthDir} {
			files, err := filepath.Glob(filepath.Join(d, "*.fits"))
			if err != nil || len(files) == 0 {
				t.Fatalf("%d files to verify in %s, error %v", len(files), d, err)
			}
			for _, file := range files {
				out, err := exec.Command(tool, "-q", file).CombinedOutput()
				if err != nil || !strings.Contains(string(out), "verification OK") {
					t.Errorf("%s: %v\n%s", filepath.Base(file), err, out)
				}
			}
		}
	}
}

// BenchmarkWholeCampaign makes and writes all frames of the demo camera, with
// two workers.
func BenchmarkWholeCampaign(b *testing.B) {
	p := builtin(b, "quillon")
	for b.Loop() {
		root := b.TempDir()
		sensors, err := NewAll(p, Options{Seed: 1})
		if err != nil {
			b.Fatal(err)
		}
		plan := Scenario(p, ScenarioOptions{Seed: 1})
		if err := WriteFrames(filepath.Join(root, "raw"), filepath.Join(root, "truth"), sensors, plan, 2); err != nil {
			b.Fatal(err)
		}
	}
}
