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

// mostHit is the number of good pixels of tinyQuillon that cosmic rays may make
// look unstable. Darks of 1080 s in all, at 4e-5 hits a second, hit a pixel
// 0.043 times; two high samples of a pixel are left out, three are had by 0.84
// of 65536 pixels, and by more than 7 with a probability of 3e-6.
const mostHit = 7

// checkCount holds a number of bad pixels against the truth: each bad pixel of
// the simulator is far from the limits.
func checkCount(t *testing.T, seed uint64, f SensorFigure) {
	t.Helper()
	most := f.True
	if f.TrueTo != nil {
		most = *f.TrueTo
	}
	if f.Name == "unstable pixels" {
		most += mostHit
	}
	if f.Value < f.True || f.Value > most {
		t.Errorf("sensor %d: %s: %g measured, %g to %g are true", seed, f.Name, f.Value, f.True, most)
	}
}

// Each family gives what its campaign can, and says of the rest why not. Every
// pull of these figures is within the bound that 3e-5 of normal ones exceed on
// either side. Tubes and line scanners have no pairs of flats that are two
// exposures of one size; without a ladder there is one level only.
func TestEveryCameraTellsWhatItCanOfItsSensor(t *testing.T) {
	ladder := []string{"gain, e-/DN", "read noise, e-", "linearity error, %", "dark current, e-/s", "DSNU, e-"}
	flats := []string{"read noise, e-", "dark current, e-/s", "DSNU, e-"}
	for _, test := range []struct {
		camera  string
		run     func() (*Result, error)
		cells   int      // amplifiers, or bands of them, with figures
		figures []string // of each
		refused string   // part of what cannot be measured
	}{
		{"pellam", pellam, 2, append(ladder, "activation energy, eV", "PRNU clear, %"), ""},
		{"brindle", brindle, 6, append(ladder, "doubling interval, K"), ""},
		{"gemel", gemel, 2, append(flats, "doubling interval, K", "PRNU broad, %"), "photon transfer"},
		// Codes as wide as the noise hide part of it: the uncertainty of
		// oxlip's DSNU does not cover that.
		{"oxlip", oxlip, 1, []string{"dark current, e-/s", "doubling interval, K", "PRNU red, %"}, "photon transfer"},
		{"fescue", fescue, 4, append(flats, "doubling interval, K"), "photon transfer"},
		{"umber", umber, 3, append(flats, "doubling interval, K", "PRNU, %"), "photon transfer"},
		{"sallow", sallow, 1, append(flats, "activation energy, eV"), "two flats are not two exposures"},
		{"tarn", tarn, 0, nil, "line scanner"},
	} {
		t.Run(test.camera, func(t *testing.T) {
			heavy(t)
			dir := mustRun(t, test.run).Dir
			s := characterised(t, instrument(t, test.camera), Options{Dir: dir, Workers: 2, Log: zap.NewNop()})
			t.Log("\n" + s.Text())
			seen := map[string]int{}
			for _, d := range s.Detectors {
				for _, f := range d.Figures {
					seen[f.Name]++
					if f.Of != "" && slices.Contains(test.figures, f.Name) && f.Pull != nil && math.Abs(*f.Pull) > -distuv.UnitNormal.Quantile(chance) {
						t.Errorf("%s %s: %g ± %g, %g is true: pull %.1f", f.Of, f.Name, f.Value, f.U, f.True, *f.Pull)
					}
				}
			}
			for _, name := range test.figures {
				if seen[name] != test.cells {
					t.Errorf("%s: measured %d times, want %d", name, seen[name], test.cells)
				}
			}
			if !strings.Contains(s.Text(), test.refused) {
				t.Errorf("nothing says %q", test.refused)
			}
		})
	}
}

func TestSensorTextGivesTwoDigitsOfTheUncertainty(t *testing.T) {
	pull := -1.25
	for _, test := range []struct {
		f    SensorFigure
		want string
	}{
		{SensorFigure{Of: "left", Value: 2.1044, U: 0.0059, True: 2.1, Pull: &pull}, "2.1044 ± 0.0059 2.1000 -1.25"},
		{SensorFigure{Of: "left", Value: 30012.3, U: 84.2, True: 30000, Pull: &pull}, "30012 ± 84 30000 -1.25"},
		{SensorFigure{Of: "left", Value: 28650.2, U: 84.2, Bound: pipeline.AtLeast, True: 30000}, "at least 28650 30000"},
		{SensorFigure{Value: 290, U: 0.04, True: 245, TrueTo: new(358.0)}, "290.0 ± 0.0 245.0 to 358.0"},
	} {
		if got := strings.Join(strings.Fields(test.f.columns()), " "); got != test.want {
			t.Errorf("%q, want %q", got, test.want)
		}
	}
}

// A chessboard of 1 ± 0.01 through even shading has a spread of 1 percent of
// the light, whatever the amplifier's curve makes of it.
func TestTrueSpreadOfResponseIsOfLightAndLeavesShadingOut(t *testing.T) {
	const size, light = 64, 10000.0
	p := &configs.Profile{Bands: []configs.Band{{Name: "green"}}}
	d := &configs.Detector{Name: "main", Width: size, Height: size}
	flat := make([]float32, size*size)
	var all []int
	for i := range flat {
		x, y := i%size, i/size
		shade := 1 - 0.2*math.Pow(float64(x-size/2)/size, 2) - 0.1*float64(y)/size
		flat[i] = float32(shade * (1 + 0.01*float64(1-2*((x+y)%2))))
		all = append(all, i)
	}
	truth := &detectorTruth{profile: p, detector: d, maps: &simulate.Maps{Width: size, Height: size, Flats: map[string][]float32{"green": flat}}}
	// The surface is fitted to products of the chessboard and the shading, to
	// the second order of one percent.
	for _, c2 := range []float64{0, 2e-6} {
		if got := truth.prnu(amplifier(t, c2), "green", light, all); math.Abs(got-1) > 0.002 {
			t.Errorf("%.4f %% of a response with c2 %g, want 1", got, c2)
		}
	}
}

// amplifier returns an amplifier of a simulated sensor with a given c2.
func amplifier(t *testing.T, c2 float64) *simulate.Amplifier {
	t.Helper()
	p := tinyQuillon(t)
	p.Detectors[0].Linearity.From = configs.LinearityProfile
	p.Detectors[0].Amplifiers[0].C2 = c2
	s, err := simulate.New(p, "main", simulate.Options{Seed: 1})
	if err != nil {
		t.Fatal(err)
	}
	return &s.Amplifiers[0]
}
