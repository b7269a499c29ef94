package demo

import (
	"math"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"go.uber.org/zap"
	"gonum.org/v1/gonum/stat/distuv"

	"evenlight/configs"
	"evenlight/pipeline"
	"evenlight/pipeline/simulate"
)

// tinyQuillon is quillon with a quarter of its pixels and one of its bands.
func tinyQuillon(t *testing.T) *configs.Profile {
	t.Helper()
	opt := Options{}
	p, _, err := opt.profile()
	if err != nil {
		t.Fatal(err)
	}
	d := &p.Detectors[0]
	d.Width, d.Height = 288, 256
	d.Image = configs.Region{Columns: [2]int{17, 272}, Rows: [2]int{1, 256}}
	d.Reference = configs.Region{Columns: [2]int{49, 240}, Rows: [2]int{33, 224}}
	left, right := &d.Amplifiers[0], &d.Amplifiers[1]
	left.Region = configs.Region{Columns: [2]int{1, 144}, Rows: [2]int{1, 256}}
	left.Overscan = &configs.Region{Columns: [2]int{1, 16}, Rows: [2]int{1, 256}}
	right.Region = configs.Region{Columns: [2]int{145, 288}, Rows: [2]int{1, 256}}
	right.Overscan = &configs.Region{Columns: [2]int{273, 288}, Rows: [2]int{1, 256}}
	p.Bands = slices.DeleteFunc(p.Bands, func(b configs.Band) bool { return b.Name != "green" })
	return p
}

// measuredOf simulates the calibration frames of a campaign and measures the
// sensor from them.
func measuredOf(t *testing.T, p *configs.Profile, seed uint64) *Sensor {
	t.Helper()
	opt := Options{Dir: t.TempDir(), Workers: 2, Log: zap.NewNop()}
	sensors, err := simulate.NewAll(p, simulate.Options{Seed: seed})
	if err != nil {
		t.Fatal(err)
	}
	plan := simulate.Scenario(p, simulate.ScenarioOptions{Seed: seed, Overfull: true})
	plan = slices.DeleteFunc(plan, func(f simulate.Planned) bool { return f.Kind == configs.KindScene })
	raw := filepath.Join(opt.Dir, RawDir)
	if err := simulate.WriteFrames(raw, filepath.Join(opt.Dir, TruthDir), sensors, plan, opt.Workers); err != nil {
		t.Fatal(err)
	}
	return characterised(t, pipeline.NewInstrument(p), opt)
}

// characterised measures the sensor from the raw frames in a demo's folder.
func characterised(t *testing.T, in *pipeline.Instrument, opt Options) *Sensor {
	t.Helper()
	files, err := pipeline.FindFrames([]string{filepath.Join(opt.Dir, RawDir)})
	if err != nil {
		t.Fatal(err)
	}
	s, err := characterise(in, files, opt)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// chance is the probability with which a bound of these tests is exceeded
// though all is right, on either side.
const chance = 3e-5

// Over n independent pulls with mean 0 and sd 1 the mean has the standard
// deviation 1/sqrt(n), and the sum of squares is chi-square of n degrees of
// freedom. The figures of one kind, of two amplifiers and six sensors, are
// independent.
func TestSensorFiguresAreThoseOfTheSimulator(t *testing.T) {
	const sensors = 6
	pulls := map[string][]float64{}
	for seed := range uint64(sensors) {
		s := measuredOf(t, tinyQuillon(t), seed+1)
		for _, f := range s.Detectors[0].Figures {
			if f.Of == "" {
				checkCount(t, seed+1, f)
			} else if f.Pull != nil {
				pulls[f.Name] = append(pulls[f.Name], *f.Pull)
			}
		}
	}
	for _, name := range []string{"gain, e-/DN", "read noise, e-", "full well, e-", "linearity error, %", "dark current, e-/s", "doubling interval, K", "DSNU, e-", "PRNU green, %"} {
		all := pulls[name]
		n := float64(len(all))
		if n != 2*sensors {
			t.Errorf("%s: measured %g times, want %d", name, n, 2*sensors)
			continue
		}
		var sum, square float64
		for _, p := range all {
			sum, square = sum+p, square+p*p
		}
		most := -distuv.UnitNormal.Quantile(chance) / math.Sqrt(n)
		chi := distuv.ChiSquared{K: n}
		low, high := math.Sqrt(chi.Quantile(chance)/n), math.Sqrt(chi.Quantile(1-chance)/n)
		mean, rms := sum/n, math.Sqrt(square/n)
		t.Logf("%-22s mean pull %5.2f (within %.2f), rms %.2f (%.2f to %.2f)", name, mean, most, rms, low, high)
		if math.Abs(mean) > most || rms < low || rms > high {
			t.Errorf("%s: pulls %.2f are not those of honest figures", name, all)
		}
	}
}

// checkCount holds a number of bad pixels against the truth: each bad pixel of
// the simulator is far from the limits.
func checkCount(t *testing.T, seed uint64, f SensorFigure) {
	t.Helper()
	most := f.True
	if f.TrueTo != nil {
		most = *f.TrueTo
	}
	if f.Value < f.True || f.Value > most {
		t.Errorf("sensor %d: %s: %g measured, %g to %g are true", seed, f.Name, f.Value, f.True, most)
	}
}

func TestPeekCameras(t *testing.T) {
	for name, run := range map[string]func() (*Result, error){"pellam": pellam, "brindle": brindle, "oxlip": oxlip, "gemel": gemel, "fescue": fescue, "tarn": tarn, "umber": umber, "sallow": sallow} {
		heavy(t)
		r := mustRun(t, run)
		s := characterised(t, instrument(t, name), Options{Dir: r.Dir, Workers: 2, Log: zap.NewNop()})
		lines := strings.Split(s.Text(), "\n")
		lines = slices.DeleteFunc(lines, func(l string) bool { return strings.Contains(l, "found ") })
		t.Log(name, strings.Join(lines, "\n"))
	}
}
