package pipeline

import (
	"math"
	"math/rand/v2"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"evenlight/calib"
	"evenlight/fitsutil"
)

// Size of the masters that are compared, and the number of pixels.
const (
	pairWidth, pairHeight = 200, 150
	pairPixels            = pairWidth * pairHeight
)

// masterOf writes a master of raw frames of some names.
func masterOf(t *testing.T, name, kind string, planes []plane, tables []table, frames ...string) string {
	t.Helper()
	c := &masterContent{info: *dark(name, 8, 8, 260, 260, len(frames)), width: pairWidth, height: pairHeight, profile: []byte("instrument: quillon\n"),
		record: Provenance{Software: Software, Version: Version, What: "master " + kind, Instrument: "quillon", Detector: "main", Mode: "normal", ProfileHash: sha("p")},
		planes: planes, tables: tables}
	c.info.Kind = kind
	for _, f := range frames {
		c.record.Inputs = append(c.record.Inputs, Input{roleRaw, f + ".fits", sha(f)})
	}
	c.record.Inputs = append(c.record.Inputs, Input{MasterBias, "bias.fits", sha(name)})
	path := filepath.Join(t.TempDir(), name)
	if err := c.write(path); err != nil {
		t.Fatal(err)
	}
	return path
}

// noisy makes a plane of a level with Gaussian noise of its variance.
func noisy(rng *rand.Rand, level, sd float64) []plane {
	value, variance := make([]float32, pairPixels), make([]float32, pairPixels)
	for i := range value {
		value[i], variance[i] = float32(level+sd*rng.NormFloat64()), float32(sd*sd)
	}
	return []plane{{name: "VALUE", float: value}, {name: "VARIANCE", float: variance}}
}

// inTolerance fails unless a figure lies within so much of what theory says.
func inTolerance(t *testing.T, what string, got *float64, want, by float64) {
	t.Helper()
	if got == nil || math.Abs(*got-want) > by {
		t.Errorf("%s is %s, want %.6g ± %.2g", what, optional(got, "%.6g"), want, by)
	}
}

// Two flats of levels 1 and 1.02 with noise of 0.003 and 0.004: the ratio has
// the median 1.02 and, to first order, the relative standard deviation
// hypot(0.003, 0.004/1.02); (B - A)/u has the mean 0.02/0.005 = 4 and the standard
// deviation 1. Tolerances are five standard errors for the number of pixels; of
// a median sqrt(pi/2)/sqrt(n), of a standard deviation 1/sqrt(2 n), of one from
// the median absolute deviation 1.17/sqrt(n) (its efficiency is 0.368) of sigma.
func TestComparisonOfTwoFlats(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 21))
	a := masterOf(t, "a.fits", MasterFlat, noisy(rng, 1, 0.003), nil, "1", "2", "3")
	planes := noisy(rng, 1.02, 0.004)
	for i := range 7 {
		planes[0].float[i] = float32(math.NaN())
	}
	b := masterOf(t, "b.fits", MasterFlat, planes, nil, "3", "4")
	c, err := CompareMasters(a, b, 2)
	if err != nil {
		t.Fatal(err)
	}
	n := float64(pairPixels)
	ratioSD := 1.02 * math.Hypot(0.003, 0.004/1.02)
	inTolerance(t, "level of A", c.LevelA, 1, 5*0.003*math.Sqrt(math.Pi/2/n))
	inTolerance(t, "level of B", c.LevelB, 1.02, 5*0.004*math.Sqrt(math.Pi/2/n))
	inTolerance(t, "median ratio", c.Ratio.Median, 1.02, 5*ratioSD*math.Sqrt(math.Pi/2/n))
	inTolerance(t, "robust sd of the ratio", c.Ratio.RobustSD, ratioSD, 5*1.17*ratioSD/math.Sqrt(n))
	inTolerance(t, "mean of the difference", c.Difference.Mean, 0.02, 5*0.005/math.Sqrt(n))
	inTolerance(t, "sd of the difference", c.Difference.SD, 0.005, 5*0.005/math.Sqrt(2*n))
	inTolerance(t, "mean of d/u", c.Relative.Mean, 4, 5/math.Sqrt(n))
	inTolerance(t, "sd of d/u", c.Relative.SD, 1, 5/math.Sqrt(2*n))
	inTolerance(t, "ratio of the uncertainties", c.Uncertainty, 4./3, 1e-6)
	// The 5 % quantile of a Gaussian lies 1.6449 below its mean; the density
	// there is 0.1031, so the standard error is sqrt(0.05 0.95)/0.1031/sqrt(n).
	i := slices.IndexFunc(c.Relative.Quantiles, func(q Quantile) bool { return q.Percent == 5 })
	inTolerance(t, "5 % quantile of d/u", &c.Relative.Quantiles[i].Value, 4-1.6449, 5*math.Sqrt(0.05*0.95)/0.1031/math.Sqrt(n))
	// Beyond 3 are those above -1 standard deviation: 84.134 %.
	beyond := c.Beyond3
	inTolerance(t, "fraction beyond 3", &beyond, 0.84134, 5*math.Sqrt(0.84134*0.15866/n))
	if c.Compared != pairPixels-7 || c.Disappeared != 7 || c.Appeared != 0 || c.Ratio.Pixels != c.Sampled {
		t.Errorf("%d compared, %d lost, %d gained, ratio of %d; want %d, 7, 0, all", c.Compared, c.Disappeared, c.Appeared, c.Ratio.Pixels, pairPixels-7)
	}
	if c.FramesA != 3 || c.FramesB != 2 || c.CommonFrames != 1 {
		t.Errorf("%d and %d raw frames, %d in common; want 3, 2, 1", c.FramesA, c.FramesB, c.CommonFrames)
	}
	if len(c.Made) != 1 || c.Made[0].What != MadeInput || c.Made[0].Name != MasterBias {
		t.Errorf("made differently: %v, want the bias", c.Made)
	}
	one, err := CompareMasters(a, b, 1)
	if err != nil || asJSON(t, one) != asJSON(t, c) {
		t.Errorf("with one worker the answer is another: %v", err)
	}
}

// Of a dark, most pixels may lie about 0: their ratio tells nothing.
func TestTheRatioIsThatOfPixelsWellAboveZero(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 22))
	a, b := noisy(rng, 0.1, 1), noisy(rng, 0.1, 1)
	const hot = 40
	for i := range hot {
		a[0].float[i*97], b[0].float[i*97] = 200, 210
	}
	c, err := CompareMasters(masterOf(t, "a.fits", MasterDark, a, nil, "1"), masterOf(t, "b.fits", MasterDark, b, nil, "2"), 2)
	if err != nil {
		t.Fatal(err)
	}
	if c.Ratio.Pixels != hot {
		t.Fatalf("the ratio is that of %d pixels, want the %d hot ones", c.Ratio.Pixels, hot)
	}
	inTolerance(t, "median ratio", c.Ratio.Median, 1.05, 1e-6)
}

func TestComparisonOfBadPixelMasksTellsNewAndVanishedOnesByReason(t *testing.T) {
	a, b := make([]calib.Flags, pairPixels), make([]calib.Flags, pairPixels)
	for i := range 50 {
		a[i] = calib.Hot // 50 in A, of which 10 vanish and 5 are dead as well in B
	}
	for i := range 40 {
		b[i] = calib.Hot
	}
	for i := range 5 {
		b[i] |= calib.Dead
	}
	for i := 100; i < 103; i++ {
		b[i] = calib.Hot
	}
	mask := func(name string, f []calib.Flags) string {
		return masterOf(t, name, MasterBadPixels, []plane{{name: "REASONS", flags: f}}, nil)
	}
	c, err := CompareMasters(mask("a.fits", a), mask("b.fits", b), 2)
	if err != nil {
		t.Fatal(err)
	}
	want := []FlagChange{{"hot", 50, 43, 3, 10}, {"dead", 0, 5, 5, 0}}
	if !slices.Equal(c.Reasons, want) {
		t.Errorf("%v, want %v", c.Reasons, want)
	}
	if c.Compared != 0 || c.LevelA != nil || c.Ratio.Pixels != 0 {
		t.Errorf("%d values were compared, and a mask has none", c.Compared)
	}
	if text := c.Text(); !strings.Contains(text, "hot                      50         43          3         10") {
		t.Errorf("the text has no line of hot pixels:\n%s", text)
	}
}

// lin(v)/v = 1 + c2 v is told at half the range of A.
func TestComparisonOfLinearity(t *testing.T) {
	curves := func(c2 []float64, maxDN, u float64) []table {
		return []table{{name: "CURVES", columns: []fitsutil.Column{{Name: "AMPLIFIER", Data: []string{"left", "right"}}, {Name: "C2", Data: c2},
			{Name: "MAX_DN", Data: []float64{maxDN, maxDN}}, {Name: "REL_UNCERT", Data: []float64{u, u}}}}}
	}
	departures := func() []plane {
		p := noisy(rand.New(rand.NewPCG(5, 23)), 0.01, 0.001)
		p[0].name, p[1].name = "DEPARTURE", "DEPARTURE_U"
		return p
	}
	a := masterOf(t, "a.fits", MasterLinearity, departures(), curves([]float64{1e-6, 2e-6}, 10000, 3e-4), "1")
	b := masterOf(t, "b.fits", MasterLinearity, departures(), curves([]float64{1e-6, 3e-6}, 8000, 4e-4), "2")
	c, err := CompareMasters(a, b, 2)
	if err != nil {
		t.Fatal(err)
	}
	if len(c.Curves) != 2 || c.Curves[0].Name != "left" || c.Curves[1].AtDN != 5000 || c.Curves[1].MaxDNB != 8000 {
		t.Fatalf("curves: %+v", c.Curves)
	}
	inTolerance(t, "left, difference over u", c.Curves[0].OverU, 0, 1e-9)
	inTolerance(t, "right, factor of A", &c.Curves[1].FactorA, 1.010, 1e-12)
	inTolerance(t, "right, factor of B", &c.Curves[1].FactorB, 1.015, 1e-12)
	inTolerance(t, "right, difference over u", c.Curves[1].OverU, (1.015/1.010-1)/5e-4, 1e-6)
}

func TestMastersThatCannotTakeEachOthersPlaceAreNotCompared(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 24))
	flat := masterOf(t, "flat.fits", MasterFlat, noisy(rng, 1, 0.1), nil, "1")
	bias := masterOf(t, "bias.fits", MasterBias, noisy(rng, 1, 0.1), nil, "1")
	_, err := CompareMasters(flat, bias, 1)
	if err == nil || !strings.Contains(err.Error(), `their kind differs, "flat" and "bias"`) {
		t.Errorf("%v", err)
	}
	_, err = CompareMasters(flat, filepath.Join(t.TempDir(), "none.fits"), 1)
	if err == nil || !strings.Contains(err.Error(), "none.fits") {
		t.Errorf("%v", err)
	}
}
