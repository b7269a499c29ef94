package simulate

import (
	"math"
	"math/rand/v2"
	"reflect"
	"slices"
	"testing"

	"gonum.org/v1/gonum/stat/distuv"

	"evenlight/configs"
)

// largeCamera is smallCamera with an image of 512 x 512 pixels, for tests
// that count rare pixels.
func largeCamera() *configs.Profile {
	p := smallCamera()
	d := &p.Detectors[0]
	d.Width, d.Height = 528, 512
	d.Image = configs.Region{Columns: [2]int{9, 520}, Rows: [2]int{1, 512}}
	d.Reference = configs.Region{Columns: [2]int{137, 392}, Rows: [2]int{129, 384}}
	for i := range d.Amplifiers {
		a := &d.Amplifiers[i]
		a.Region = configs.Region{Columns: [2]int{1 + 264*i, 264 + 264*i}, Rows: [2]int{1, 512}}
		a.Overscan = &configs.Region{Columns: [2]int{1 + 520*i, 8 + 520*i}, Rows: [2]int{1, 512}}
	}
	return p
}

func (s *Sensor) with(d Defect) (pixels []int) {
	for i, have := range s.Defects {
		if have == d {
			pixels = append(pixels, i)
		}
	}
	return pixels
}

// Rare pixels are drawn one by one, so that their number is Poisson: limit 5
// sqrt(expected).
func TestDefectsAreAsManyAsStated(t *testing.T) {
	s := mustNew(t, largeCamera(), Options{Seed: 21})
	const pixels = 512 * 512
	for _, c := range []struct {
		name   string
		defect Defect
		share  float64
		extra  float64 // one column is dead
	}{
		{"dead", Dead, 0.0003, 512},
		{"low", Low, 0.0005, 0},
		{"hot", Hot, 0.001, 0},
		{"unstable", Unstable, 0.0004, 0},
		{"nonlinear", Nonlinear, 0.0003, 0},
	} {
		want := c.share*pixels + c.extra
		if got, limit := float64(len(s.with(c.defect))), 5*math.Sqrt(c.share*pixels); math.Abs(got-want) > limit {
			t.Errorf("%g %s pixels, want %g within %.0f", got, c.name, want, limit)
		}
	}
}

func TestOneColumnIsDeadFromEndToEnd(t *testing.T) {
	s := mustNew(t, largeCamera(), Options{Seed: 21})
	byColumn := make([]int, 528)
	for _, i := range s.with(Dead) {
		byColumn[i%528]++
	}
	full := 0
	for _, n := range byColumn {
		if n == 512 {
			full++
		}
	}
	if full != 1 {
		t.Errorf("%d columns are dead, want 1", full)
	}
}

func TestDefectivePixelsBehaveAsTheirNameSays(t *testing.T) {
	s := mustNew(t, largeCamera(), Options{Seed: 22, NoUnevenness: true})
	flat, err := s.Flat("green")
	if err != nil {
		t.Fatal(err)
	}
	for i, d := range s.Defects {
		response, dark := float64(flat[i]), float64(s.Dark[i])
		if d == Hot != (dark >= 200) {
			t.Fatalf("pixel %d with defect %d has dark current %g e-/s", i, d, dark)
		}
		if d == Unstable != (s.Telegraph[i] > 0) {
			t.Fatalf("pixel %d with defect %d has telegraph current %g e-/s", i, d, s.Telegraph[i])
		}
		if d == Nonlinear != (s.Bend[i] != 0) {
			t.Fatalf("pixel %d with defect %d has bend %g", i, d, s.Bend[i])
		}
		x := i % 528
		low, high := 1-1e-6, 1+1e-6
		switch {
		case x < 8 || x >= 520:
			low, high = 0, 0
		case d == Dead:
			low, high = 0, 0.05
		case d == Low:
			low, high = 0.25, 0.55
		}
		if response < low || response > high*(1+1e-6) {
			t.Fatalf("pixel %d with defect %d has response %g, want %g to %g", i, d, response, low, high)
		}
	}
}

// The departure of a nonlinear pixel from its amplifier's curve is 8 to 18
// percent at full well, either way, and its curve can be inverted up to there.
func TestNonlinearPixelsDepartEitherWay(t *testing.T) {
	s := mustNew(t, largeCamera(), Options{Seed: 23})
	up := 0
	pixels := s.with(Nonlinear)
	for _, i := range pixels {
		a := &s.Amplifiers[i%528/264]
		top := 30000 / a.GainEPerDN
		departure := float64(s.Bend[i]) * top
		if size := math.Abs(departure); size < 0.08-1e-6 || size > 0.18+1e-6 {
			t.Fatalf("pixel %d departs by %g at full well", i, departure)
		}
		if departure > 0 {
			up++
		}
		v := s.measured(a, top, i)
		own := v + (a.C2+float64(s.Bend[i]))*v*v + a.C3*v*v*v
		if v < 1<<14-1 && math.Abs(own-top) > 1e-8 {
			t.Fatalf("pixel %d: the inverse of %g DN is %g DN, which the curve takes to %.9f", i, top, v, own)
		}
	}
	n := float64(len(pixels))
	if math.Abs(float64(up)-n/2) > 5*math.Sqrt(n/4) {
		t.Errorf("%d of %g nonlinear pixels bend upward", up, n)
	}
}

func TestFlatHasMeanOneOverGoodReferencePixels(t *testing.T) {
	s := mustNew(t, largeCamera(), Options{Seed: 24})
	flat, err := s.Flat("green")
	if err != nil {
		t.Fatal(err)
	}
	var sum float64
	n := 0
	for y := 128; y < 384; y++ {
		for x := 136; x < 392; x++ {
			if i := y*528 + x; s.Defects[i] == 0 {
				sum += float64(flat[i])
				n++
			}
		}
	}
	// Values are kept as float32, 6e-8 relative.
	if mean := sum / float64(n); math.Abs(mean-1) > 1e-7 {
		t.Errorf("mean over the good reference pixels is %.9f", mean)
	}
}

// Single pixels differ by 1 percent: the difference of two neighbours, a
// second difference to lose the slope of the light, has sqrt(6) times that.
// Dust and vignetting bend by far less from pixel to pixel.
func TestSinglePixelsDifferByOnePercent(t *testing.T) {
	s := mustNew(t, largeCamera(), Options{Seed: 24})
	flat, err := s.Flat("green")
	if err != nil {
		t.Fatal(err)
	}
	var squares float64
	n := 0
	for i := 1; i < len(flat)-1; i++ {
		x := i % 528
		if x < 9 || x >= 519 || s.Defects[i-1]&(Dead|Low) != 0 || s.Defects[i]&(Dead|Low) != 0 || s.Defects[i+1]&(Dead|Low) != 0 {
			continue
		}
		second := float64(flat[i-1]-2*flat[i]+flat[i+1]) / float64(flat[i])
		squares += second * second
		n++
	}
	// A variance of n values that overlap by two: relative standard error
	// below sqrt(2*3/n); 1 percent of room for the dust's own curvature.
	spread := math.Sqrt(squares / float64(n) / 6)
	if limit := 0.01 * (0.5*5*math.Sqrt(6/float64(n)) + 0.01); math.Abs(spread-0.01) > limit {
		t.Errorf("single pixels differ by %.5f rms, want 0.01 within %.5f", spread, limit)
	}
}

func TestLightFallsToThreeQuartersInTheCorners(t *testing.T) {
	s := mustNew(t, largeCamera(), Options{Seed: 24})
	flat, err := s.Flat("green")
	if err != nil {
		t.Fatal(err)
	}
	mean := func(x0, y0 int) float64 {
		var sum float64
		n := 0
		for y := y0; y < y0+12; y++ {
			for x := x0; x < x0+12; x++ {
				if i := y*528 + x; s.Defects[i] == 0 {
					sum += float64(flat[i])
					n++
				}
			}
		}
		return sum / float64(n)
	}
	// A box of 144 pixels of 1 percent is known to 0.001; dust may take 8
	// percent, and light is 0.011 brighter 6 pixels inside the corner.
	if ratio := mean(8, 0) / mean(258, 250); ratio < 0.75*0.92-0.005 || ratio > 0.761/0.92+0.005 {
		t.Errorf("the corner has %.4f of the centre's light", ratio)
	}
}

func TestDarkCurrentIsLognormalWithMeanTwo(t *testing.T) {
	s := mustNew(t, largeCamera(), Options{Seed: 25})
	var sum, logs, logSquares float64
	n := 0.0
	s.each(s.image, func(p int) {
		if s.Defects[p] == Hot {
			return
		}
		d := float64(s.Dark[p])
		sum += d
		logs += math.Log(d)
		logSquares += math.Log(d) * math.Log(d)
		n++
	})
	// A lognormal number of log spread w has relative spread
	// sqrt(exp(w^2)-1), 0.361 at w = 0.35.
	if mean := sum / n; math.Abs(mean-2) > 5*2*0.361/math.Sqrt(n) {
		t.Errorf("mean dark current is %.4f e-/s, want 2", mean)
	}
	spread := math.Sqrt(logSquares/n - logs*logs/(n*n))
	if math.Abs(spread-0.35) > 5*0.35/math.Sqrt(2*n) {
		t.Errorf("spread of the logarithm is %.4f, want 0.35", spread)
	}
}

// B: columns 0.8, rows 0.7 and pixels 1.0 DN rms. The column and row means of
// the pattern scatter by those, with standard error spread/sqrt(2n).
func TestPatternHasColumnsRowsAndPixels(t *testing.T) {
	s := mustNew(t, largeCamera(), Options{Seed: 26})
	columns, rows := make([]float64, 512), make([]float64, 512)
	s.each(s.image, func(p int) {
		columns[p%528-8] += float64(s.Pattern[p]) / 512
		rows[p/528] += float64(s.Pattern[p]) / 512
	})
	for _, c := range []struct {
		name  string
		means []float64
		want  float64
	}{{"column", columns, 0.8}, {"row", rows, 0.7}} {
		if got, limit := spreadOf(c.means), 5*c.want/math.Sqrt(2*512); math.Abs(got-c.want) > limit {
			t.Errorf("%s means scatter by %.3f DN, want %g within %.3f", c.name, got, c.want, limit)
		}
	}
	for i := range s.Amplifiers {
		a := &s.Amplifiers[i]
		if level := math.Abs(a.OverscanLevelDN); level < 0.5 || level > 2 {
			t.Errorf("overscan of %s lies %.2f DN off the image", a.Name, a.OverscanLevelDN)
		}
	}
}

func spreadOf(values []float64) float64 {
	var sum, squares float64
	for _, v := range values {
		sum += v
		squares += v * v
	}
	n := float64(len(values))
	return math.Sqrt(squares/n - sum*sum/(n*n))
}

// The offset at the last row less its start: the walk's variance at u = 1 is
// 2 sigma^2 sum 1/((k-1/2) pi)^2 over its 8 terms, 0.975 sigma^2.
func TestOffsetDriftsSlowly(t *testing.T) {
	s := mustNew(t, largeCamera(), Options{Seed: 27})
	const frames = 400
	var starts, ends []float64
	roughest := 0.0
	for index := range uint64(frames) {
		for i, o := range s.drift(index) {
			starts = append(starts, o[0]-s.Amplifiers[i].OffsetDN)
			ends = append(ends, o[511]-o[0])
			for y := 7; y < len(o)-7; y++ {
				var sum float64
				for _, near := range o[y-7 : y+8] {
					sum += near
				}
				roughest = max(roughest, math.Abs(sum/15-o[y]))
			}
		}
	}
	var terms float64
	for k := 1; k <= 8; k++ {
		terms += 2 / math.Pow((float64(k)-0.5)*math.Pi, 2)
	}
	for _, c := range []struct {
		name   string
		values []float64
		want   float64
	}{{"level of a frame", starts, 0.8}, {"walk over a frame", ends, 1.5 * math.Sqrt(terms)}} {
		if got, limit := spreadOf(c.values), 5*c.want/math.Sqrt(4*frames); math.Abs(got-c.want) > limit {
			t.Errorf("the %s scatters by %.3f DN, want %.3f within %.3f", c.name, got, c.want, limit)
		}
	}
	// The overscan of 15 rows of 8 columns is known to 3.6/sqrt(120) = 0.33
	// DN; smoothing may not add a tenth of that.
	if roughest > 0.033 {
		t.Errorf("15 rows of smoothing move the offset by %.4f DN", roughest)
	}
}

func TestOffsetWithoutOverscanStandsStill(t *testing.T) {
	p := smallCamera()
	p.Detectors[0].Offset.From = configs.OffsetBias
	s := mustNew(t, p, Options{Seed: 27})
	for i, o := range s.drift(12) {
		for y, v := range o {
			if v != s.Amplifiers[i].OffsetDN {
				t.Fatalf("offset of row %d is %g DN, want %g", y+1, v, s.Amplifiers[i].OffsetDN)
			}
		}
	}
}

func TestLinearityIsThatOfTheProfileOrDrawn(t *testing.T) {
	ladder := mustNew(t, smallCamera(), Options{Seed: 28})
	for i := range ladder.Amplifiers {
		a := &ladder.Amplifiers[i]
		top := 30000 / a.GainEPerDN
		if departure := a.Linear(top)/top - 1; departure < 0.02 || departure > 0.03 {
			t.Errorf("drawn linearity of %s departs by %.4f at full well, want 0.02 to 0.03", a.Name, departure)
		}
	}
	p := smallCamera()
	p.Detectors[0].Linearity.From = configs.LinearityProfile
	p.Detectors[0].Amplifiers[1].C2, p.Detectors[0].Amplifiers[1].C3 = 2e-6, -1e-11
	known := mustNew(t, p, Options{Seed: 28}).Amplifiers[1]
	if known.C2 != 2e-6 || known.C3 != -1e-11 {
		t.Errorf("coefficients are %g and %g, want the profile's 2e-6 and -1e-11", known.C2, known.C3)
	}
	p.Detectors[0].Linearity.From = configs.LinearityNone
	if straight := mustNew(t, p, Options{Seed: 28}).Amplifiers[1]; straight.Linear(10000) != 10000 {
		t.Error("a straight response is bent")
	}
}

func TestLinearityIsInvertedTo1e10(t *testing.T) {
	s := mustNew(t, smallCamera(), Options{Seed: 29})
	for i := range s.Amplifiers {
		a := &s.Amplifiers[i]
		for u := -60.0; u < 30100/a.GainEPerDN; u += 7.3 {
			v := a.Measured(u)
			if back := v + a.C2*v*v + a.C3*v*v*v; math.Abs(back-u) > 1e-10 {
				t.Fatalf("amplifier %s: lin(lin^-1(%g)) = %.12f", a.Name, u, back)
			}
		}
	}
}

// v + c2 v^2 = u has the solution v = 2u / (1 + sqrt(1 + 4 c2 u)).
func TestInverseAgreesWithTheQuadraticFormula(t *testing.T) {
	for _, c2 := range []float64{-1.2e-5, -2e-6, 1.8e-6, 1.5e-5} {
		c, err := newCurve(c2, 0, 16383, 14300)
		if err != nil {
			t.Fatal(err)
		}
		for u := -50.0; u <= 14300; u += 11.1 {
			want := min(2*u/(1+math.Sqrt(1+4*c2*u)), 16383)
			if got := c.inverse(u); math.Abs(got-want) > 1e-9 {
				t.Fatalf("c2 = %g: lin^-1(%g) = %.12f, want %.12f", c2, u, got, want)
			}
		}
	}
}

func TestLinearityThatCannotBeInvertedIsRefused(t *testing.T) {
	for _, c := range []struct {
		name   string
		c2, c3 float64
		fine   bool
	}{
		{"gentle", 2e-6, 1e-11, true},
		{"turns above the converter's range", -3e-5, 0, true},
		{"turns below full well", -5e-5, 0, false},
		{"turns back by its cubic term", 0, -5e-9, false},
		{"level twice, first below full well", -1e-4, 2e-9, false},
	} {
		if _, err := newCurve(c.c2, c.c3, 16383, 14300); (err == nil) != c.fine {
			t.Errorf("%s: error %v", c.name, err)
		}
	}
}

func TestImpossibleSensorsAreRefused(t *testing.T) {
	for name, spoil := range map[string]func(*configs.Detector){
		"no such detector":         func(d *configs.Detector) { d.Name = "other" },
		"24 bits":                  func(d *configs.Detector) { d.ADCBits = 24 },
		"image outside":            func(d *configs.Detector) { d.Image.Columns[1] = 145 },
		"reference outside":        func(d *configs.Detector) { d.Reference.Rows[0] = 0 },
		"reference without light":  func(d *configs.Detector) { d.Reference.Columns = [2]int{1, 8} },
		"amplifier outside":        func(d *configs.Detector) { d.Amplifiers[0].Region.Rows[1] = 97 },
		"no gain":                  func(d *configs.Detector) { d.Amplifiers[0].GainEPerDN = 0 },
		"doubling without a step":  func(d *configs.Detector) { d.Dark.IntervalK = 0 },
		"linearity that goes back": func(d *configs.Detector) { d.Linearity.From = "profile"; d.Amplifiers[0].C2 = -1e-4 },
	} {
		p := smallCamera()
		spoil(&p.Detectors[0])
		if _, err := New(p, "main", Options{}); err == nil {
			t.Errorf("%s: no error", name)
		}
	}
}

func TestEachSwitchTakesAwayItsOwnEffectOnly(t *testing.T) {
	const seed = 31
	whole := mustNew(t, largeCamera(), Options{Seed: seed})
	flatOf := func(s *Sensor) []float32 { return s.flats["green"] }
	// A pixel of the dead column may have another defect once it lives, so
	// dead pixels are left out.
	alike := func(a, b []float32) bool {
		for i := range a {
			if a[i] != b[i] && whole.Defects[i] != Dead {
				return false
			}
		}
		return true
	}
	for _, c := range []struct {
		name    string
		opt     Options
		changed []string
	}{
		{"pattern", Options{NoPattern: true}, []string{"pattern", "amplifiers"}},
		{"dark", Options{NoDark: true}, []string{"dark", "telegraph", "defects", "flat"}},
		{"hot", Options{NoHot: true}, []string{"dark", "defects", "flat"}},
		{"unstable", Options{NoUnstable: true}, []string{"telegraph", "defects", "flat"}},
		{"dead", Options{NoDead: true}, []string{"defects", "flat"}},
		{"low", Options{NoLow: true}, []string{"defects", "flat"}},
		{"unevenness", Options{NoUnevenness: true}, []string{"flat"}},
		{"curvature", Options{NoCurvature: true}, []string{"amplifiers"}},
		{"bad linearity", Options{NoBadLinearity: true}, []string{"bend", "defects", "flat"}},
		{"drift", Options{NoDrift: true}, nil},
		{"shot noise", Options{NoShotNoise: true}, nil},
		{"read noise", Options{NoReadNoise: true}, []string{"amplifiers"}},
		{"gain error", Options{GainError: 0.01}, []string{"amplifiers"}},
	} {
		c.opt.Seed = seed
		s := mustNew(t, largeCamera(), c.opt)
		for name, same := range map[string]bool{
			"pattern":    slices.Equal(s.Pattern, whole.Pattern),
			"dark":       alike(s.Dark, whole.Dark),
			"telegraph":  alike(s.Telegraph, whole.Telegraph),
			"bend":       alike(s.Bend, whole.Bend),
			"defects":    slices.Equal(s.Defects, whole.Defects),
			"flat":       slices.Equal(flatOf(s), flatOf(whole)),
			"amplifiers": reflect.DeepEqual(s.Scalars().Amplifiers, whole.Scalars().Amplifiers),
		} {
			if want := slices.Contains(c.changed, name); same == want {
				t.Errorf("without %s: %s changed is %t, want %t", c.name, name, !same, want)
			}
		}
	}
}

func TestTwoDetectorsAreUnlike(t *testing.T) {
	p := smallCamera()
	p.Detectors = append(p.Detectors, p.Detectors[0])
	p.Detectors[1].Name = "second"
	sensors, err := NewAll(p, Options{Seed: 3})
	if err != nil {
		t.Fatal(err)
	}
	if slices.Equal(sensors[0].Dark, sensors[1].Dark) {
		t.Error("both detectors have the same dark current")
	}
	if !slices.Equal(sensors[0].Dark, mustNew(t, p, Options{Seed: 3}).Dark) {
		t.Error("the first detector is not the one that New makes")
	}
}

// Pearson's chi-square of Poisson numbers against the probabilities
// mean^k e^-mean / k!, in cells that expect 20 or more. With n degrees of
// freedom it has mean n and spread sqrt(2n); the limit is 5 of these.
func TestShotNoiseIsPoisson(t *testing.T) {
	const draws = 200000
	for _, mean := range []float64{0.03, 0.7, 4, 9.99, 10.01, 37, 800, 29000} {
		p := distuv.Poisson{Lambda: mean, Src: newStream(1, forReadout, uint64(mean*100), 3)}
		counts := map[int]int{}
		for range draws {
			counts[int(p.Rand())]++
		}
		low, high := int(mean-8*math.Sqrt(mean)-10), int(mean+8*math.Sqrt(mean)+10)
		var expected, chi, covered float64
		seen, cells, total := 0, 0, 0
		for k := max(low, 0); k <= high; k++ {
			logGamma, _ := math.Lgamma(float64(k) + 1)
			expected += draws * math.Exp(float64(k)*math.Log(mean)-mean-logGamma)
			seen += counts[k]
			rest := draws - covered - expected
			if expected >= 20 && (rest >= 20 || k == high) || k == high {
				chi += (float64(seen) - expected) * (float64(seen) - expected) / expected
				cells++
				covered += expected
				total += seen
				expected, seen = 0, 0
			}
		}
		if total != draws {
			t.Errorf("mean %g: %d of %d numbers lie beyond 8 standard deviations", mean, draws-total, draws)
		}
		n := float64(cells - 1)
		if limit := n + 5*math.Sqrt(2*n); chi > limit || cells < 2 {
			t.Errorf("mean %g: chi-square is %.1f with %g degrees of freedom, want below %.1f", mean, chi, n, limit)
		}
	}
}

// Kolmogorov's distance of n normal numbers from their distribution exceeds
// 2.23/sqrt(n) once in 10000 times: 2 exp(-2 x^2) at x = 2.23.
func TestReadNoiseIsNormal(t *testing.T) {
	r := rand.New(newStream(1, forReadout, 4, 5))
	values := gaussians(r, 100000, 7.5)
	slices.Sort(values)
	n := float64(len(values))
	var distance float64
	for i, v := range values {
		below := 0.5 * math.Erfc(-v/(7.5*math.Sqrt2))
		distance = max(distance, math.Abs(below-float64(i)/n), math.Abs(below-float64(i+1)/n))
	}
	if limit := 2.23 / math.Sqrt(n); distance > limit {
		t.Errorf("Kolmogorov's distance is %.5f, want below %.5f", distance, limit)
	}
}

// A charge drawn evenly over the logarithm from a to b has mean
// (b-a)/ln(b/a) and mean square (b^2-a^2)/(2 ln(b/a)). Tracks that leave the
// image lose less than 1 percent of it, rounding down to whole electrons a
// pixel less than 2 electrons of 1800 on average.
func TestCosmicRaysAreAsManyAndAsStrongAsStated(t *testing.T) {
	s := mustNew(t, largeCamera(), plain(33))
	const frames, rate, exposureS, waitS = 20, 5e-4, 25, 15
	var electrons float64
	pixels := 0
	for index := range uint64(frames) {
		raw := mustExpose(t, s, Exposure{ExposureS: exposureS, WaitS: waitS, CosmicRate: rate, Index: index})
		for _, e := range raw.Truth.Cosmic {
			electrons += float64(e)
			if e > 0 {
				pixels++
			}
		}
	}
	hits := rate * 512 * 512 * (exposureS + waitS) * frames
	mean := (8000 - 100) / math.Log(80)
	square := (8000*8000 - 100*100) / (2 * math.Log(80))
	want, limit := hits*mean, 5*math.Sqrt(hits*square)+0.012*hits*mean
	if math.Abs(electrons-want) > limit {
		t.Errorf("cosmic rays left %.3g electrons, want %.3g within %.2g", electrons, want, limit)
	}
	// 3.5 steps a track on average, of which a slanting one may spend two in
	// one pixel, and some tracks cross: they touch 7 percent of the pixels.
	if perHit := float64(pixels) / hits; perHit < 2.5 || perHit > 3.5 {
		t.Errorf("a hit touches %.2f pixels on average, want 2.5 to 3.5", perHit)
	}
}

func TestCosmicRaysReachTheSamples(t *testing.T) {
	p := smallCamera()
	opt := plain(35)
	opt.NoShotNoise, opt.NoReadNoise = true, true
	raw := mustExpose(t, mustNew(t, p, opt), Exposure{ExposureS: 10, CosmicRate: 1e-3})
	hit := 0
	for i, electrons := range raw.Truth.Cosmic {
		x, y := i%128+8, i/128
		a := &p.Detectors[0].Amplifiers[x/72]
		want := math.Round(a.OffsetDN + float64(electrons)/a.GainEPerDN)
		if got := float64(raw.Samples[y*144+x]); got != want {
			t.Fatalf("column %d, row %d, hit by %g electrons, reads %g DN, want %g", x+1, y+1, electrons, got, want)
		}
		if electrons > 0 {
			hit++
		}
	}
	if hit == 0 {
		t.Error("no pixel was hit")
	}
}

func TestNoTimeMeansNoCosmicRays(t *testing.T) {
	s := mustNew(t, smallCamera(), plain(34))
	raw := mustExpose(t, s, Exposure{CosmicRate: 1})
	if i := slices.IndexFunc(raw.Truth.Cosmic, func(e float32) bool { return e != 0 }); i >= 0 {
		t.Errorf("pixel %d of a zero exposure was hit", i)
	}
}
