package simulate

import (
	"bytes"
	"encoding/json"
	"errors"
	"io/fs"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"evenlight/configs"
	"evenlight/fitsutil"
)

// lineCamera is a line scanner with a detector of 128 lit columns and two
// outputs, and one of 64 and one output; 8 masked columns at their ends.
func lineCamera() *configs.Profile {
	columns := func(x0, x1 int) configs.Region {
		return configs.Region{Columns: [2]int{x0, x1}, Rows: [2]int{1, 1}}
	}
	left, right := columns(1, 8), columns(137, 144)
	one := configs.Detector{
		Name: "pan", HDU: "PAN", Band: "pan", Width: 144, Height: 1, ADCBits: 14,
		Image: columns(9, 136), Reference: columns(41, 104),
		Amplifiers: []configs.Amplifier{
			{Name: "left", Region: columns(1, 72), Overscan: &left, GainEPerDN: 4.0, ReadNoiseE: 20, OffsetDN: 400, C2: 2e-6},
			{Name: "right", Region: columns(73, 144), Overscan: &right, GainEPerDN: 4.2, ReadNoiseE: 22, OffsetDN: 430, C2: 1e-6},
		},
		Offset:     configs.Offset{From: configs.OffsetOverscan, SmoothRows: 31, RejectSigma: 4},
		Saturation: configs.Saturation{FullWellE: 60000, MarginSigma: 5},
		Linearity:  configs.Linearity{From: configs.LinearityProfile},
		Dark:       configs.Dark{ReferenceK: 273.15, Law: configs.DarkDoubling, IntervalK: 7},
		BadPixels:  configs.BadPixels{HotEPerS: 20000},
		LineScan:   &configs.LineScan{MaxSmearPixels: 0.5},
	}
	two := one
	two.Name, two.HDU, two.Band, two.Width = "nir", "NIR", "nir", 72
	two.Image, two.Reference = columns(9, 72), columns(25, 56)
	two.Amplifiers = []configs.Amplifier{
		{Name: "only", Region: columns(1, 72), Overscan: &left, GainEPerDN: 3.9, ReadNoiseE: 18, OffsetDN: 390, C2: 1.5e-6},
	}
	return &configs.Profile{
		Format: 1, Instrument: "tarn",
		Keywords: configs.Keywords{
			LineTimeS:     &configs.Quantity{Key: "LINETIME", Unit: "us"},
			ChargeStages:  &configs.Quantity{Key: "NSTAGE"},
			Binning:       &configs.Quantity{Key: "BINNING", Unit: "count"},
			GroundSpeedMS: &configs.Quantity{Key: "GRNDVEL", Unit: "km/s"},
			FootprintM:    &configs.Quantity{Key: "FOOTPRNT", Unit: "cm"},
			TemperatureK:  &configs.Quantity{Key: "FPLTEMP", Unit: "degC"},
			Time:          configs.TimeKey{Key: "FIRSTLIN", Form: "unix_ms"},
		},
		FrameKinds: []configs.KindRule{
			{Kind: configs.KindDark, When: []configs.KeyTest{{Key: "LIGHT", Equals: "COVER"}}},
			{Kind: configs.KindFlat, When: []configs.KeyTest{{Key: "LIGHT", Equals: "LAMP"}}},
			{Kind: configs.KindScene, When: []configs.KeyTest{{Key: "LIGHT", Equals: "SKY"}}},
		},
		Detectors: []configs.Detector{one, two},
		Bands: []configs.Band{
			{Name: "pan", WavelengthNM: 600, Responsivity: 1e8},
			{Name: "nir", WavelengthNM: 600, Responsivity: 2e8},
		},
		Masters: configs.Masters{MinFrames: 3},
	}
}

func mustLineScanner(t testing.TB, p *configs.Profile, detector string, opt Options) *LineScanner {
	t.Helper()
	s, err := NewLineScanner(p, detector, opt)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func mustExposeLines(t testing.TB, s *LineScanner, e LineExposure) *Raw {
	t.Helper()
	raw, err := s.Expose(e)
	if err != nil {
		t.Fatal(err)
	}
	return raw
}

// Noise of every column over n lines: mean o + B + Q/g, variance
// (Q + r^2)/g^2 + 1/12, with Q = sum over the bin of (F lamp + d h) t. The
// limits are 5 standard errors: sqrt(variance/n) of a mean, variance
// sqrt(2/n) of a variance (Q is large enough for a Poisson number to be like a
// Gaussian one). Without light Q may be small, so that its excess kurtosis,
// Q/g^4 over the squared variance, is added.
func TestEveryColumnHasMeanAndVarianceOfTheory(t *testing.T) {
	p := lineCamera()
	s := mustLineScanner(t, p, "pan", Options{Seed: 12, NoCurvature: true, NoDrift: true})
	const lines = 1500
	for _, c := range []struct {
		name    string
		stages  int
		binning int
		lamp    float64 // e-/s
		tempK   float64
		h       float64 // 2^((tempK - 273.15)/7)
	}{
		{"dark", 32, 1, 0, 0, 1},
		{"dark, 7 K warmer", 128, 1, 0, 280.15, 2},
		{"lamp, 32 stages", 32, 1, 5e6, 0, 1},
		{"lamp, 64 stages", 64, 1, 5e6, 0, 1},
		{"lamp, binning 2", 32, 2, 5e6, 0, 1},
		{"lamp, binning 4", 8, 4, 5e6, 280.15, 2},
	} {
		t.Run(c.name, func(t *testing.T) {
			raw := mustExposeLines(t, s, LineExposure{
				LineTimeS: 1e-4, Stages: c.stages, Binning: c.binning, Lines: lines, LampRate: c.lamp, TempK: c.tempK, Index: 4,
			})
			time := 1e-4 * float64(c.stages)
			width := 144 / c.binning
			for x := range width {
				var charge, pattern float64
				for i := x * c.binning; i < (x+1)*c.binning; i++ {
					charge += (float64(s.Flat[i])*c.lamp + float64(s.Dark[i])*c.h) * time
					pattern += float64(s.Pattern[i]) / float64(c.binning)
				}
				a := &p.Detectors[0].Amplifiers[x*c.binning/72]
				g2 := a.GainEPerDN * a.GainEPerDN
				wantMean := a.OffsetDN + pattern + charge/a.GainEPerDN
				wantVariance := (charge+a.ReadNoiseE*a.ReadNoiseE)/g2 + 1.0/12
				mean, variance := columnMoments(raw.Samples, width, x)
				if limit := 5 * math.Sqrt(wantVariance/lines); math.Abs(mean-wantMean) > limit {
					t.Errorf("column %d: mean %.3f DN, want %.3f within %.3f", x+1, mean, wantMean, limit)
				}
				excess := charge / (g2 * g2) / (wantVariance * wantVariance)
				if limit := 5 * wantVariance * math.Sqrt((2+excess)/lines); math.Abs(variance-wantVariance) > limit {
					t.Errorf("column %d: variance %.3f DN^2, want %.3f within %.3f", x+1, variance, wantVariance, limit)
				}
			}
		})
	}
}

func columnMoments(samples []uint16, width, x int) (mean, variance float64) {
	var sum, squares, n float64
	for i := x; i < len(samples); i += width {
		v := float64(samples[i])
		sum, squares, n = sum+v, squares+v*v, n+1
	}
	mean = sum / n
	return mean, squares/n - mean*mean
}

// Without noise every sample is a number that can be computed by hand.
func TestNoiselessLinesFollowTheModel(t *testing.T) {
	p := lineCamera()
	s := mustLineScanner(t, p, "pan", Options{Seed: 5, NoShotNoise: true, NoReadNoise: true, NoDrift: true})
	const stages, binning, lines, lineTimeS = 16, 2, 24, 2e-4
	e := LineExposure{LineTimeS: lineTimeS, Stages: stages, Binning: binning, Lines: lines, TempK: 280.15, LampRate: 1000}
	e.Radiance = Ramp(0.15)(64, lines) // to 1.6 times full well
	raw := mustExposeLines(t, s, e)
	for y := range lines {
		for x := range 72 {
			charge, pattern := 0.0, 0.0
			for i := 2 * x; i < 2*x+2; i++ {
				charge += float64(s.Dark[i]) * 2 * lineTimeS * stages
				if i >= 8 && i < 136 {
					charge += float64(s.Flat[i]) * (1000 + 1e8*float64(e.Radiance[y*64+x-4])) * lineTimeS * stages
				}
				pattern += float64(s.Pattern[i]) / 2
			}
			a := &p.Detectors[0].Amplifiers[x/36]
			v := bisect(min(charge, 60000)/a.GainEPerDN, a.C2, 0)
			want := math.Round(a.OffsetDN + pattern + v)
			if got := float64(raw.Samples[y*72+x]); got != want {
				t.Fatalf("sample at column %d, line %d is %g, want %g", x+1, y+1, got, want)
			}
			if x < 4 || x >= 68 {
				continue
			}
			if got, want := raw.Truth.Saturated[y*64+x-4], charge >= 60000; got != want {
				t.Fatalf("column %d, line %d with %.0f electrons: saturated is %t", x+1, y+1, charge, got)
			}
		}
	}
}

func TestTruthOfLinesIsTheLightInPace(t *testing.T) {
	s := mustLineScanner(t, lineCamera(), "nir", Options{Seed: 5})
	e := LineExposure{
		LineTimeS: 2e-4, Stages: 32, Binning: 2, Lines: 64, LampRate: 500,
		GroundSpeedMS: 6000, FootprintM: 1, Radiance: Ramp(0.01)(32, 64),
	}
	raw := mustExposeLines(t, s, e)
	for i, l := range e.Radiance {
		want := 2 * (2e8*float64(l) + 500) * 2e-4 * 32
		if got := float64(raw.Truth.Electrons[i]); math.Abs(got-want) > 1e-7*want {
			t.Fatalf("pixel %d: truth is %g electrons, want %g", i, got, want)
		}
	}
	if !slices.Equal(raw.Truth.Radiance, e.Radiance) {
		t.Error("the truth does not keep the radiance of the scene")
	}
}

// F has mean 1 over the good columns of the reference region, and is 0 where
// no light comes.
func TestFlatOfLinesIsNormalised(t *testing.T) {
	s := mustLineScanner(t, lineCamera(), "pan", Options{Seed: 3})
	var sum, n float64
	for x := 40; x < 104; x++ {
		if s.Defects[x] == 0 {
			sum, n = sum+float64(s.Flat[x]), n+1
		}
	}
	if mean := sum / n; math.Abs(mean-1) > 1e-6 {
		t.Errorf("the mean of F is %.7f, want 1", mean)
	}
	for x, f := range s.Flat {
		if masked := x < 8 || x >= 136; masked != (f == 0) {
			t.Errorf("column %d has F = %g", x+1, f)
		}
	}
}

func TestLineScannersHaveTheirBadColumns(t *testing.T) {
	s := mustLineScanner(t, lineCamera(), "pan", Options{Seed: 3, NoUnevenness: true})
	count := map[Defect]int{}
	var normal float64
	for x, d := range s.Defects {
		count[d]++
		if d == 0 {
			normal = max(normal, float64(s.Flat[x]))
		}
		if hot := s.Dark[x] >= 2*20000; hot != (d == Hot) {
			t.Errorf("column %d with defect %d has a dark current of %g e-/s", x+1, d, s.Dark[x])
		}
	}
	for x, d := range s.Defects {
		response := float64(s.Flat[x]) / normal
		if d == Dead && response > 0.05 || d == Low && (response < 0.25 || response > 0.55) {
			t.Errorf("column %d with defect %d has response %g", x+1, d, response)
		}
	}
	if count[Dead] != 1 || count[Low] != 2 || count[Hot] != 2 {
		t.Errorf("%d dead, %d low and %d hot columns, want 1, 2 and 2", count[Dead], count[Low], count[Hot])
	}
}

// |1 - v t / p| n by hand; a line of the chip is half an output line with
// binning 2.
func TestSmearIsTheSlipOverAllStages(t *testing.T) {
	for _, c := range []struct {
		name string
		e    LineExposure
		want float64
	}{
		{"in pace", LineExposure{LineTimeS: 1e-4, Stages: 128, GroundSpeedMS: 5000, FootprintM: 0.5}, 0},
		{"too fast", LineExposure{LineTimeS: 1e-4, Stages: 32, GroundSpeedMS: 5250, FootprintM: 0.5}, 1.6},
		{"too slow", LineExposure{LineTimeS: 1e-4, Stages: 64, GroundSpeedMS: 4900, FootprintM: 0.5}, 1.28},
		{"too fast, binned", LineExposure{LineTimeS: 2e-4, Stages: 32, Binning: 2, GroundSpeedMS: 5250, FootprintM: 1}, 0.8},
		{"not known", LineExposure{LineTimeS: 1e-4, Stages: 32, GroundSpeedMS: 5250}, 0},
	} {
		if got := c.e.SmearLines(); math.Abs(got-c.want) > 1e-9 {
			t.Errorf("%s: %g lines, want %g", c.name, got, c.want)
		}
	}
}

// The expected value is found by moving a pixel of one line's height over
// ground that is even within lines, in 4000 steps over the length of the smear.
func TestSmearIsABoxAlongTheTrack(t *testing.T) {
	ground := []float32{3, 1, 4, 1, 5, 9, 2, 6, 5, 3, 5, 8}
	at := func(y int) float64 { return float64(ground[min(max(y, 0), len(ground)-1)]) }
	for _, length := range []float64{0, 0.4, 1, 1.6, 2, 3.3, 7} {
		got := smearLines(ground, 1, length)
		for y := range ground {
			const steps = 4000
			var want float64
			for k := range steps {
				shift := length * ((float64(k)+0.5)/steps - 0.5)
				whole := math.Floor(shift)
				part := shift - whole
				want += ((1-part)*at(y+int(whole)) + part*at(y+int(whole)+1)) / steps
			}
			if math.Abs(got[y]-want) > 1e-5 {
				t.Errorf("length %g, line %d: %.6f, want %.6f", length, y, got[y], want)
			}
		}
	}
}

func TestOutOfPaceSceneIsSmearedAlongTheTrackOnly(t *testing.T) {
	opt := plain(3)
	opt.NoShotNoise, opt.NoReadNoise = true, true
	s := mustLineScanner(t, lineCamera(), "nir", opt)
	const lines = 40
	e := LineExposure{LineTimeS: 1e-4, Stages: 32, Lines: lines, GroundSpeedMS: 5250, FootprintM: 0.5, Radiance: make([]float32, lines*64)}
	for i := range e.Radiance {
		if i/64 >= 20 != (i%64 >= 32) {
			e.Radiance[i] = 0.05 // 32000 e-
		}
	}
	raw := mustExposeLines(t, s, e)
	share := smearWeights(1.6) // of the last line before the edge, taken from the other side of it
	for x := range 64 {
		above, below := 0.0, 32000.0
		if x >= 32 {
			above, below = below, above
		}
		last := above + (below-above)*share[2]
		for y, want := range map[int]float64{0: above, 18: above, 19: last, 21: below, 39: below} {
			v := math.Round(390 + want/3.9)
			if got := float64(raw.Samples[y*72+8+x]); math.Abs(got-v) > 1 {
				t.Fatalf("column %d, line %d: %g DN, want %g", x, y, got, v)
			}
		}
	}
}

// The offset moves with the lines, together for all columns of an amplifier,
// and differently in every file.
func TestOffsetOfLinesDriftsForAWholeAmplifier(t *testing.T) {
	opt := plain(6)
	opt.NoDrift, opt.NoReadNoise = false, true
	s := mustLineScanner(t, lineCamera(), "pan", opt)
	const lines = 512
	raw := mustExposeLines(t, s, LineExposure{LineTimeS: 1e-4, Stages: 32, Lines: lines, Index: 1})
	lowest, highest := math.Inf(1), math.Inf(-1)
	for y := range lines {
		row := raw.Samples[y*144:][:144]
		for x := range row {
			if row[x] != row[x/72*72] {
				t.Fatalf("line %d: column %d has another offset than the first of its amplifier", y+1, x+1)
			}
		}
		lowest, highest = min(lowest, float64(row[0])), max(highest, float64(row[0]))
	}
	if highest == lowest {
		t.Error("the offset does not drift")
	}
	other := mustExposeLines(t, s, LineExposure{LineTimeS: 1e-4, Stages: 32, Lines: lines, Index: 2})
	if slices.Equal(raw.Samples, other.Samples) {
		t.Error("two files have the same drift")
	}
}

func TestLinesDoNotDependOnWorkers(t *testing.T) {
	s := mustLineScanner(t, lineCamera(), "pan", Options{Seed: 9})
	e := LineExposure{
		LineTimeS: 1e-4, Stages: 32, Lines: 100, TempK: 275, GroundSpeedMS: 5100, FootprintM: 0.5,
		Index: 17, Radiance: Ramp(0.1)(128, 100),
	}
	one := mustExposeLines(t, s, e)
	for _, workers := range []int{1, 2, 7} {
		e.Workers = workers
		if again := mustExposeLines(t, s, e); !reflect.DeepEqual(one, again) {
			t.Errorf("the lines made by %d workers differ", workers)
		}
	}
	e.Index++
	if other := mustExposeLines(t, s, e); slices.Equal(one.Samples, other.Samples) {
		t.Error("two files with unlike numbers are equal")
	}
}

func TestImpossibleLineExposuresAreRefused(t *testing.T) {
	s := mustLineScanner(t, lineCamera(), "pan", Options{Seed: 1})
	good := LineExposure{LineTimeS: 1e-4, Stages: 32, Lines: 4}
	mustExposeLines(t, s, good)
	for name, change := range map[string]func(*LineExposure){
		"no lines":           func(e *LineExposure) { e.Lines = 0 },
		"no stages":          func(e *LineExposure) { e.Stages = 0 },
		"negative line time": func(e *LineExposure) { e.LineTimeS = -1 },
		"endless lamp":       func(e *LineExposure) { e.LampRate = math.Inf(1) },
		"speed not a value":  func(e *LineExposure) { e.GroundSpeedMS = math.NaN() },
		"short radiance":     func(e *LineExposure) { e.Radiance = make([]float32, 7) },
		"binning 3":          func(e *LineExposure) { e.Binning = 3 },
	} {
		e := good
		change(&e)
		if _, err := s.Expose(e); err == nil {
			t.Errorf("%s: no error", name)
		}
	}
}

func TestLineScannersNeedASuitableProfile(t *testing.T) {
	for name, change := range map[string]func(*configs.Profile){
		"frames":        func(p *configs.Profile) { p.Detectors[0].LineScan = nil },
		"two rows":      func(p *configs.Profile) { p.Detectors[0].Height = 2 },
		"other name":    func(p *configs.Profile) { p.Detectors[0].Name = "other" },
		"masked middle": func(p *configs.Profile) { p.Detectors[0].Reference.Columns = [2]int{1, 8} },
	} {
		p := lineCamera()
		change(p)
		if _, err := NewLineScanner(p, "pan", Options{Seed: 1}); err == nil {
			t.Errorf("%s: no error", name)
		}
	}
}

// Bands of one wavelength show the same albedo: the short detector sees the
// middle of what the long one sees, and binned pixels the mean of 2 x 2.
func TestAllDetectorsSeeTheSameGround(t *testing.T) {
	p := lineCamera()
	pan := mustLineScanner(t, p, "pan", Options{Seed: 1})
	nir := mustLineScanner(t, p, "nir", Options{Seed: 2})
	e := LineExposure{LineTimeS: 1e-4, Stages: 32, Lines: 60}
	ground := LineGround(8, 40000)
	long, short := ground(pan, &e), ground(nir, &e)
	levels := map[float32]bool{}
	for y := range 60 {
		for x := range 64 {
			a, b := long[y*128+32+x], 2*short[y*64+x] // twice the responsivity
			levels[a] = true
			if math.Abs(float64(a-b)) > 1e-6*float64(a) {
				t.Fatalf("column %d, line %d: %g and %g", x, y, a, b)
			}
		}
	}
	if len(levels) < 1000 {
		t.Errorf("the ground has %d levels only", len(levels))
	}
	binned := LineExposure{LineTimeS: 2e-4, Stages: 32, Binning: 2, Lines: 30}
	small := ground(pan, &binned)
	for y := range 30 {
		for x := range 64 {
			mean := (long[2*y*128+2*x] + long[2*y*128+2*x+1] + long[(2*y+1)*128+2*x] + long[(2*y+1)*128+2*x+1]) / 4
			// Twice the time and twice the columns: a quarter of the radiance fills the pixel.
			if got := 4 * small[y*64+x]; math.Abs(float64(got-mean)) > 1e-6*float64(mean) {
				t.Fatalf("binned column %d, line %d: %g, want %g", x, y, got, mean)
			}
		}
	}
}

func TestLinePlanHoldsTheWholeCampaign(t *testing.T) {
	plan := PlanLines(lineCamera(), ScenarioOptions{Seed: 1})
	kinds := map[string]int{}
	modes := map[lineMode]int{}
	for i, f := range plan {
		kinds[f.Kind]++
		modes[lineMode{f.Exposure.Stages, f.Exposure.Binning}]++
		inPace := f.Exposure.SmearLines() < 1e-9
		if f.Kind == configs.KindScene && inPace != (i < len(plan)-1) {
			t.Errorf("%s: smear of %g lines", f.Name, f.Exposure.SmearLines())
		}
		if i == 0 {
			continue
		}
		before := &plan[i-1]
		busy := time.Duration(before.Exposure.LineTimeS * float64(before.Exposure.Lines) * float64(time.Second))
		if f.Time.Sub(before.Time) < busy || f.Name <= before.Name || f.Exposure.Index <= before.Exposure.Index {
			t.Errorf("%s does not come after %s", f.Name, before.Name)
		}
	}
	if want := map[string]int{configs.KindDark: 36, configs.KindFlat: 18, configs.KindScene: 7}; !reflect.DeepEqual(kinds, want) {
		t.Errorf("kinds are %v, want %v", kinds, want)
	}
	if len(modes) != 3 {
		t.Errorf("modes are %v, want 3", modes)
	}
}

// No scene or flat comes nearer to full well than 5 sigma.
func TestNoPlannedLineSaturates(t *testing.T) {
	p := lineCamera()
	scanners, err := NewLineScanners(p, Options{Seed: 1})
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range PlanLines(p, ScenarioOptions{Seed: 1}) {
		if f.Kind == configs.KindDark {
			continue
		}
		brightest := 0.0
		for _, s := range scanners {
			e := f.Exposure
			if f.Scene != nil {
				e.Radiance = f.Scene(s, &e)
			}
			raw := mustExposeLines(t, s, e)
			for i, n := range raw.Truth.Electrons {
				x := s.base.image.x0 + i%raw.Truth.Width*e.Binning
				brightest = max(brightest, float64(n)*float64(s.Flat[x]))
			}
		}
		if brightest+5*math.Sqrt(brightest) >= 60000 || brightest < 0.4*60000 {
			t.Errorf("%s reaches %.0f of 60000 electrons", f.Name, brightest)
		}
	}
}

// All columns of all detectors see every step of the wedge, 32 lines each. The
// brightest step uses half of the range of the least gain, 14000 DN of 4.6 e-, and
// a pixel whose response is 10 % high stays 5 sigma of shot noise below its end.
func TestWedgeOfALineScannerIsGreyInEveryDetector(t *testing.T) {
	p := builtin(t, "tarn")
	scanners, err := NewLineScanners(p, Options{Seed: 1})
	if err != nil {
		t.Fatal(err)
	}
	plan := PlanLines(p, ScenarioOptions{Seed: 1, Sequence: true})
	if shorter := PlanLines(p, ScenarioOptions{Seed: 1}); len(plan) != len(shorter)+1 || plan[len(shorter)-1].Name != shorter[len(shorter)-1].Name {
		t.Fatalf("%d files, want one more than %d", len(plan), len(shorter))
	}
	f := plan[len(plan)-1]
	if smear := f.Exposure.SmearLines(); smear > 1e-9 {
		t.Errorf("the wedge is smeared over %g lines", smear)
	}
	const least = 14000 * 4.6
	for b, s := range scanners {
		e := f.Exposure
		seen := f.Scene(s, &e)
		width := len(seen) / e.Lines
		greySteps(t, s.Detector.Name, seen, whiteAt(p, b), func(i int) int { return i / width / 32 })
		brightest := 0.9 * whiteAt(p, b) * p.Bands[b].Responsivity * e.LineTimeS * float64(e.Stages)
		if brightest < least/2 || 1.1*brightest+5*math.Sqrt(brightest) > least {
			t.Errorf("%s: the wedge reaches %.0f of %.0f e-", s.Detector.Name, brightest, least)
		}
	}
}

// The header of every planned file says what was planned, by independent
// reading of the profile.
func TestLineHeadersAreReadBack(t *testing.T) {
	for _, p := range []*configs.Profile{lineCamera(), builtin(t, "tarn")} {
		for _, f := range PlanLines(p, ScenarioOptions{Seed: 1}) {
			h, err := lineHeader(p, &f)
			if err != nil {
				t.Fatal(err)
			}
			info, err := p.Describe(h)
			if err != nil {
				t.Fatal(err)
			}
			e := &f.Exposure
			for _, c := range []struct {
				name      string
				got, want float64
			}{
				{"line time", info.LineTimeS, e.LineTimeS}, {"exposure", info.ExposureS, e.LineTimeS * float64(e.Stages)},
				{"stages", float64(info.ChargeStages), float64(e.Stages)}, {"binning", float64(info.Binning), float64(e.Binning)},
				{"speed", info.GroundSpeedMS, e.GroundSpeedMS}, {"footprint", info.FootprintM, e.FootprintM},
				{"temperature", info.TempK, e.TempK},
			} {
				if math.Abs(c.got-c.want) > 1e-9*c.want {
					t.Errorf("%s: %s is read as %g, planned %g", f.Name, c.name, c.got, c.want)
				}
			}
			if info.Kind != f.Kind || !info.Time.Equal(f.Time) {
				t.Errorf("%s is read as %s at %v", f.Name, info.Kind, info.Time)
			}
		}
	}
}

func TestKindOfLinesThatNoRuleMeetsIsAnError(t *testing.T) {
	p := lineCamera()
	p.FrameKinds = p.FrameKinds[:1]
	f := PlannedLines{Kind: configs.KindScene, Exposure: LineExposure{LineTimeS: 1e-4, Stages: 8, Lines: 2}}
	if _, err := lineHeader(p, &f); err == nil || !strings.Contains(err.Error(), "scene") {
		t.Errorf("error %v does not name the kind", err)
	}
}

// fewLines is one file of each kind and mode of a plan.
func fewLines(plan []PlannedLines) []PlannedLines {
	type sort struct {
		kind string
		mode lineMode
	}
	seen := map[sort]bool{}
	return slices.DeleteFunc(slices.Clone(plan), func(f PlannedLines) bool {
		s := sort{f.Kind, lineMode{f.Exposure.Stages, f.Exposure.Binning}}
		drop := seen[s]
		seen[s] = true
		return drop
	})
}

func simulateLines(t *testing.T, p *configs.Profile, workers int) (dir, truthDir string, scanners []*LineScanner, plan []PlannedLines) {
	t.Helper()
	root := t.TempDir()
	dir, truthDir = filepath.Join(root, "raw"), filepath.Join(root, "truth")
	scanners, err := NewLineScanners(p, Options{Seed: 5})
	if err != nil {
		t.Fatal(err)
	}
	plan = fewLines(PlanLines(p, ScenarioOptions{Seed: 5}))
	if err := WriteLines(dir, truthDir, scanners, plan, workers); err != nil {
		t.Fatal(err)
	}
	return dir, truthDir, scanners, plan
}

func sameFolder(t *testing.T, one, other string) {
	t.Helper()
	a, b := readFolder(t, one), readFolder(t, other)
	if len(a) == 0 || len(a) != len(b) {
		t.Errorf("%d and %d files", len(a), len(b))
	}
	for name, content := range a {
		if !bytes.Equal(content, b[name]) {
			t.Errorf("%s differs", name)
		}
	}
}

func TestFilesOfLinesDoNotDependOnWorkers(t *testing.T) {
	dir, truthDir, _, _ := simulateLines(t, lineCamera(), 1)
	otherDir, otherTruth, _, _ := simulateLines(t, lineCamera(), 3)
	sameFolder(t, dir, otherDir)
	sameFolder(t, truthDir, otherTruth)
}

func TestFilesOfLinesHoldSamplesAndTruth(t *testing.T) {
	dir, truthDir, scanners, plan := simulateLines(t, lineCamera(), 2)
	for _, planned := range plan {
		f, err := fitsutil.Open(filepath.Join(dir, planned.Name+".fits"))
		if err != nil {
			t.Fatal(err)
		}
		for _, s := range scanners {
			e := planned.Exposure
			if planned.Scene != nil {
				e.Radiance = planned.Scene(s, &e)
			}
			want := mustExposeLines(t, s, e)
			hdu, err := f.Find(s.Detector.HDU)
			if err != nil {
				t.Fatal(err)
			}
			if hdu.Width() != s.RawWidth(e.Binning) || hdu.Height() != e.Lines {
				t.Errorf("%s, detector %s: %d x %d samples", planned.Name, s.Detector.Name, hdu.Width(), hdu.Height())
			}
			if got := readSamples(t, f, s.Detector.HDU, len(want.Samples)); !slices.Equal(got, want.Samples) {
				t.Errorf("%s, detector %s: the file holds other samples than the sensor gave", planned.Name, s.Detector.Name)
			}
			if planned.Scene == nil {
				continue
			}
			truth, err := LoadTruth(TruthFile(truthDir, planned.Name, s.Detector.Name))
			if err != nil {
				t.Fatal(err)
			}
			if !reflect.DeepEqual(*truth, want.Truth) {
				t.Errorf("%s, detector %s: the truth has changed on its way through the file", planned.Name, s.Detector.Name)
			}
		}
		f.Close()
	}
}

func TestCommonTruthOfLinesIsReadBack(t *testing.T) {
	_, truthDir, scanners, plan := simulateLines(t, lineCamera(), 1)
	for i, s := range scanners {
		f, err := fitsutil.Open(MapsFile(truthDir, s.Detector.Name))
		if err != nil {
			t.Fatal(err)
		}
		r := truthReader{file: f}
		flat := planeFlat + [...]string{",1", ",2"}[i]
		for name, want := range map[string][]float32{planePattern: s.Pattern, planeDark: s.Dark, flat: s.Flat} {
			if got := r.floats(name); r.err != nil || !slices.Equal(got, want) {
				t.Errorf("detector %s: plane %s differs (error %v)", s.Detector.Name, name, r.err)
			}
		}
		f.Close()
	}
	scalars, err := LoadScalars(filepath.Join(truthDir, ScalarsFile))
	if err != nil {
		t.Fatal(err)
	}
	if len(scalars) != 2 || scalars[0].Amplifiers[1].C2 != 1e-6 || scalars[1].DefectCounts[2].Pixels != 2 {
		t.Errorf("scalar truth is read as %+v", scalars)
	}
	text, err := os.ReadFile(filepath.Join(truthDir, LinesFile))
	if err != nil {
		t.Fatal(err)
	}
	var facts []LinesTruth
	if err := json.Unmarshal(text, &facts); err != nil {
		t.Fatal(err)
	}
	if len(facts) != len(plan) || facts[0].Name != plan[0].Name || facts[0].Stages != 32 {
		t.Errorf("the list of files begins with %+v", facts[0])
	}
}

func TestNoFileOfLinesIsReplaced(t *testing.T) {
	dir, truthDir, scanners, plan := simulateLines(t, lineCamera(), 1)
	if err := WriteLines(dir, truthDir, scanners, plan, 1); !errors.Is(err, fs.ErrExist) {
		t.Errorf("writing the truth again: error %v", err)
	}
	err := WriteLines(dir, filepath.Join(t.TempDir(), "truth"), scanners, plan, 2)
	if first := plan[0].Name + ".fits"; err == nil || !strings.Contains(err.Error(), first) {
		t.Errorf("writing the frames again: error %v does not name %s", err, first)
	}
}

// passFitsverify has the independent judge of the FITS Standard look at all
// files of folders.
func passFitsverify(t *testing.T, folders ...string) {
	t.Helper()
	tool, err := exec.LookPath("fitsverify")
	if err != nil {
		if os.Getenv("EVENLIGHT_REQUIRE_TOOLS") != "" {
			t.Fatal(err)
		}
		t.Skip("fitsverify is not installed")
	}
	for _, folder := range folders {
		files, err := filepath.Glob(filepath.Join(folder, "*.fits"))
		if err != nil || len(files) == 0 {
			t.Fatalf("%d files to verify in %s, error %v", len(files), folder, err)
		}
		for _, file := range files {
			out, err := exec.Command(tool, "-q", file).CombinedOutput()
			if err != nil || !strings.Contains(string(out), "verification OK") {
				t.Errorf("%s: %v\n%s", filepath.Base(file), err, out)
			}
		}
	}
}

func TestFilesOfLinesPassFitsverify(t *testing.T) {
	dir, truthDir, _, _ := simulateLines(t, lineCamera(), 2)
	passFitsverify(t, dir, truthDir)
}

func BenchmarkExposeLines(b *testing.B) {
	s := mustLineScanner(b, lineCamera(), "pan", Options{Seed: 1})
	e := LineExposure{LineTimeS: 1e-4, Stages: 32, Lines: 512, Radiance: Ramp(0.1)(128, 512)}
	b.SetBytes(144 * 512)
	for b.Loop() {
		mustExposeLines(b, s, e)
	}
}

// Without a full well the converter's highest code ends the range; masked
// columns do not reach it.
func TestConvertersCeilingIsMarkedInLines(t *testing.T) {
	p := lineCamera()
	p.Detectors[0].Saturation.FullWellE = 0
	p.Detectors[0].Linearity.From = configs.LinearityNone
	s := mustLineScanner(t, p, "pan", plain(1))
	raw := mustExposeLines(t, s, LineExposure{LineTimeS: 1e-4, Stages: 32, Binning: 2, Lines: 3, LampRate: 2e7}) // 128000 e-
	for y := range 3 {
		for x, code := range raw.Samples[y*72:][:72] {
			if masked := x < 4 || x >= 68; masked == (code == 1<<14-1) {
				t.Fatalf("line %d, column %d: code %d", y+1, x+1, code)
			}
		}
	}
	if slices.Contains(raw.Truth.Saturated, false) {
		t.Error("a pixel is not marked saturated")
	}
}

// The expected values are conversions by hand.
func TestLineQuantitiesAreWrittenInTheProfilesUnit(t *testing.T) {
	for _, c := range []struct {
		unit  string
		value float64
		want  any
	}{
		{"s", 1e-4, 1e-4}, {"ms", 1e-4, 0.1}, {"us", 1e-4, 100.0}, {"min", 3.0, 0.05},
		{"m/s", 5250, 5250.0}, {"km/s", 5250, 5.25}, {"m", 0.5, 0.5}, {"cm", 0.5, 50.0}, {"km", 0.5, 0.0005},
		{"", 32, int64(32)}, {"1", 32, int64(32)}, {"count", 2, int64(2)},
	} {
		got, err := rawLineQuantity(&configs.Quantity{Key: "KEY", Unit: c.unit}, c.value)
		if err != nil || got != c.want {
			t.Errorf("%g in %q is written as %v, want %v (error %v)", c.value, c.unit, got, c.want, err)
		}
	}
	if _, err := rawLineQuantity(&configs.Quantity{Key: "KEY", Unit: "mile"}, 1); err == nil {
		t.Error("a unit that is not known: no error")
	}
	coded := configs.Quantity{Key: "KEY", Words: []configs.NumberWord{{Raw: "LONG", Is: 64}}}
	if got, err := rawLineQuantity(&coded, 64); err != nil || got != "LONG" {
		t.Errorf("a coded word is written as %v, error %v", got, err)
	}
}

func TestKindsOfLinesWithoutARuleAreLeftOut(t *testing.T) {
	p := lineCamera()
	p.FrameKinds = p.FrameKinds[2:]
	plan := PlanLines(p, ScenarioOptions{Seed: 1})
	for _, f := range plan {
		if f.Kind != configs.KindScene {
			t.Errorf("%s is of kind %s", f.Name, f.Kind)
		}
	}
	if len(plan) != 7 {
		t.Errorf("%d files, want the 7 scenes", len(plan))
	}
}
