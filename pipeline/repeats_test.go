package pipeline_test

import (
	"bytes"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"go.uber.org/zap"

	"evenlight/calib"
	"evenlight/configs"
	"evenlight/pipeline"
	"evenlight/pipeline/simulate"
)

// exposures simulates the brightest scene of a small camera's campaign again,
// so many times within minutes, under a rain of cosmic rays, and calibrates it.
// moved paints the scene of the last exposure so many columns wider and cuts
// them off at the left. The moon stands at 0.52 of the width, so it moves by 0.48
// of them.
func exposures(t *testing.T, camera string, n, moved int) (in *pipeline.Instrument, folders []string, products, truths []string) {
	t.Helper()
	f := mustFamily(t, camera)
	dir := t.TempDir()
	sensors, err := simulate.NewAll(f.in.Profile, simulate.Options{Seed: 3})
	if err != nil {
		t.Fatal(err)
	}
	// The second scene of a campaign is the moon, or a ramp in all bands.
	scenes := slices.DeleteFunc(simulate.Scenario(f.in.Profile, simulate.ScenarioOptions{Seed: 3, Scale: 0.1}), func(p simulate.Planned) bool { return p.Kind != configs.KindScene })
	var plan []simulate.Planned
	for k := range n {
		p := scenes[1]
		p.Name = fmt.Sprintf("again-%d", k)
		p.Time = p.Time.Add(time.Duration(k) * time.Minute)
		p.Exposure.Index = uint64(5000 + k)
		p.Exposure.CosmicRate = 1e-3
		if still := p.Scene; moved != 0 && k == n-1 {
			p.Scene = func(width, height int) []float32 {
				all := still(width+moved, height)
				var out []float32
				for y := range height {
					out = append(out, all[y*(width+moved)+moved:(y+1)*(width+moved)]...)
				}
				return out
			}
		}
		plan = append(plan, p)
	}
	raw, truth, out := filepath.Join(dir, "raw"), filepath.Join(dir, "truth"), filepath.Join(dir, "products")
	if err := simulate.WriteFrames(raw, truth, sensors, plan, 2); err != nil {
		t.Fatal(err)
	}
	files, err := pipeline.FindFrames([]string{raw})
	if err != nil {
		t.Fatal(err)
	}
	run, err := pipeline.Calibrate(f.in, files, pipeline.RunOptions{MastersDir: f.masters, OutDir: out, Workers: 2, Log: zap.NewNop()})
	if err != nil || len(run.Failures) > 0 || len(run.Frames) != n {
		t.Fatal(err, run)
	}
	for i := range run.Frames {
		products = append(products, run.Frames[i].Product)
		truths = append(truths, simulate.TruthFile(truth, plan[i].Name, f.in.Profile.Detectors[0].Name))
	}
	return f.in, []string{raw, f.masters, out}, products, truths
}

func sameBits(a, b []float32) bool {
	return slices.EqualFunc(a, b, func(x, y float32) bool { return math.Float32bits(x) == math.Float32bits(y) })
}

// Hits are found among exposures of one scene; values stay; the copies can be
// made again from what they list, and do not depend on the number of workers.
func TestRepeatsFlagHits(t *testing.T) {
	for _, camera := range []string{"quillon", "brindle"} {
		t.Run(camera, func(t *testing.T) {
			in, folders, products, truths := exposures(t, camera, 3, 0)
			opt := pipeline.RepeatOptions{OutDir: filepath.Join(t.TempDir(), "new"), WithinS: 600, Sigma: 5, MaxShiftPx: 0.2, Workers: 1}
			got, err := pipeline.FlagRepeats(in, products, opt)
			if err != nil || len(got.Failures) > 0 || len(got.Frames) != 3 {
				t.Fatal(err, got)
			}
			strong, found, alarms, clean := 0, 0, 0, 0
			for k, r := range got.Frames {
				truth, err := simulate.LoadTruth(truths[k])
				if err != nil {
					t.Fatal(err)
				}
				_, v, u, flags := planesOf(t, r.Product)
				_, before, uBefore, old := planesOf(t, products[k])
				if !sameBits(v, before) || !sameBits(u, uBefore) {
					t.Errorf("%s: values or uncertainties are not those of %s", r.Product, products[k])
				}
				for i, f := range flags {
					if f&^int32(calib.Hit) != old[i]&^int32(calib.Hit) || f&old[i] != old[i] {
						t.Fatalf("%s: pixel %d had the flags %v and has %v", r.Product, i, calib.Flags(old[i]), calib.Flags(f))
					}
					if f&^int32(calib.Hit) != 0 {
						continue
					}
					// Ten sigmas depart by 8 from the smaller of two others.
					hit := f&int32(calib.Hit) != 0
					switch e := float64(truth.Cosmic[i]); {
					case e > 10*math.Sqrt(float64(truth.Electrons[i])+100):
						strong++
						if hit {
							found++
						}
					case e == 0 && truth.Defects[i] == 0:
						clean++
						if hit && old[i]&int32(calib.Hit) == 0 {
							alarms++
						}
					}
				}
				if k == 0 {
					sameBudget(t, r.Product, products[k], flags, folders)
				}
				v2, err := pipeline.Verify(r.Product, folders, 3)
				if err != nil || !v2.Same || len(v2.Details) > 0 {
					t.Errorf("%s: %+v, %v", r.Product, v2, err)
				}
			}
			t.Logf("%d of %d hits found, %d false alarms in %d pixels", found, strong, alarms, clean)
			// Both others struck at one place would hide a hit: rates of a
			// percent make that rare. Of 25000 pixels noise strikes none.
			if strong < 30 || found < strong-1 || alarms > 1 {
				t.Errorf("%d of %d hits found, %d false alarms in %d pixels", found, strong, alarms, clean)
			}
			opt.OutDir, opt.Workers = t.TempDir(), 3
			again, err := pipeline.FlagRepeats(in, products, opt)
			if err != nil {
				t.Fatal(err)
			}
			for k := range again.Frames {
				if hash(t, again.Frames[k].Product) != hash(t, got.Frames[k].Product) {
					t.Errorf("%s: other bytes with 3 workers", again.Frames[k].Product)
				}
			}
		})
	}
}

// sameBudget checks that a copy, which has other flags alone, has the budget of
// the product that it was made from, in its first pixel without flags.
func sameBudget(t *testing.T, copied, product string, flags []int32, folders []string) {
	t.Helper()
	width, _, _, _ := planesOf(t, product)
	i := slices.Index(flags, 0)
	pixel := &calib.Region{X0: i % width, X1: i%width + 1, Y0: i / width, Y1: i/width + 1}
	got, want := mustBudget(t, copied, pixel, folders...), mustBudget(t, product, pixel, folders...)
	got.Product = want.Product
	if !reflect.DeepEqual(got, want) {
		t.Errorf("%s: budget %+v, of the product itself %+v", copied, got, want)
	}
}

// A set of more exposures than can be compared is refused by its headers, before
// the planes of all lie in memory: these are damaged, and nothing has noticed.
func TestTooManyRepeats(t *testing.T) {
	in, _, products, _ := exposures(t, "quillon", 1, 0)
	data, err := os.ReadFile(products[0])
	if err != nil {
		t.Fatal(err)
	}
	_, value, _, _ := planesOf(t, products[0])
	data[bytes.Index(data, floats(value[:8]))] ^= 1
	record, err := pipeline.ReadProvenance(products[0])
	if err != nil {
		t.Fatal(err)
	}
	raw := record.Inputs[0].SHA256 // each is to be of another exposure
	dir := t.TempDir()
	var files []string
	for i := range 65 {
		files = append(files, filepath.Join(dir, fmt.Sprintf("again-%02d.fits", i)))
		other := bytes.ReplaceAll(data, []byte(raw), []byte(fmt.Sprintf("%02x", i)+raw[2:]))
		if err := os.WriteFile(files[i], other, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	got, err := pipeline.FlagRepeats(in, files, pipeline.RepeatOptions{OutDir: t.TempDir(), WithinS: 600, Sigma: 5, MaxShiftPx: 0.2, Workers: 1})
	if err != nil || len(got.Frames) != 0 || len(got.Failures) != 1 || !strings.Contains(got.Failures[0].Reason, "65 exposures of one scene") {
		t.Errorf("%+v, %v", got, err)
	}
}

// A product is no second exposure of what it shows itself, under its own name or
// another; nor may the copy of one take the place of another's.
func TestAnExposureIsNoRepeatOfItself(t *testing.T) {
	in, _, products, _ := exposures(t, "quillon", 2, 0)
	dir := t.TempDir()
	copied := func(name, of string) string {
		data, err := os.ReadFile(of)
		if err != nil {
			t.Fatal(err)
		}
		path := filepath.Join(dir, name)
		if err := os.WriteFile(path, data, 0o600); err != nil {
			t.Fatal(err)
		}
		return path
	}
	renamed, sameName := copied("other.fits", products[0]), copied(filepath.Base(products[0]), products[1])
	for _, c := range []struct {
		name             string
		files            []string
		frames, failures int
	}{
		{"one exposure twice", []string{products[0], renamed}, 0, 2},
		{"two names alike", []string{products[0], sameName}, 0, 2},
		{"two exposures, one twice", []string{products[0], products[1], renamed}, 2, 1},
	} {
		got, err := pipeline.FlagRepeats(in, c.files, pipeline.RepeatOptions{OutDir: t.TempDir(), Overwrite: true, WithinS: 600, Sigma: 5, MaxShiftPx: 0.2, Workers: 1})
		if err != nil || len(got.Frames) != c.frames || len(got.Failures) != c.failures || !strings.Contains(got.Failures[0].Reason, "compare one of the two") {
			t.Errorf("%s: %+v, %v", c.name, got, err)
		}
	}
}

// What cannot be compared is refused with the reason, and nothing is written.
func TestRepeatsThatAreNone(t *testing.T) {
	in, _, products, _ := exposures(t, "quillon", 3, 2)
	opt := pipeline.RepeatOptions{OutDir: t.TempDir(), WithinS: 600, Sigma: 5, MaxShiftPx: 0.2, Workers: 1}
	for _, c := range []struct {
		name     string
		files    []string
		within   float64
		failures int
		says     string
	}{
		{"one exposure", products[:1], 600, 1, "no other exposure"},
		{"too far apart", products[:2], 30, 2, "no other exposure"},
		{"the scene moved", products, 600, 1, "displaced by 0.9"},
	} {
		o := opt
		o.WithinS = c.within
		got, err := pipeline.FlagRepeats(in, c.files, o)
		if err != nil {
			t.Fatal(err)
		}
		if len(got.Frames) != 0 || len(got.Failures) != c.failures || !strings.Contains(got.Failures[0].Reason, c.says) {
			t.Errorf("%s: %+v", c.name, got)
		}
	}
	// A ramp and the moon, both called by the moon's name.
	f := mustFamily(t, "quillon")
	two := []string{f.run.Frames[0].Product, f.run.Frames[1].Product}
	unlike, err := pipeline.FlagRepeats(in, two, pipeline.RepeatOptions{OutDir: t.TempDir(), WithinS: 600, Sigma: 5, MaxShiftPx: 0.2, Workers: 1})
	if err != nil || len(unlike.Frames) != 0 || len(unlike.Failures) != 1 {
		t.Errorf("unlike scenes: %+v, %v", unlike, err)
	}
	for _, c := range []pipeline.RepeatOptions{{WithinS: 0, Sigma: 5}, {WithinS: 1, Sigma: 2}, {WithinS: 1, Sigma: 5, MaxShiftPx: 2}} {
		if _, err := pipeline.FlagRepeats(in, products, c); err == nil {
			t.Errorf("%+v: no error", c)
		}
	}
	opt.WithinS = 100
	first, err := pipeline.FlagRepeats(in, products[:2], opt)
	if err != nil || len(first.Frames) != 2 {
		t.Fatal(err, first)
	}
	twice, err := pipeline.FlagRepeats(in, []string{first.Frames[0].Product}, pipeline.RepeatOptions{OutDir: t.TempDir(), WithinS: 100, Sigma: 5})
	if err != nil || len(twice.Failures) != 1 || !strings.Contains(twice.Failures[0].Reason, "compared with other exposures before") {
		t.Errorf("compared twice: %+v, %v", twice, err)
	}
}
