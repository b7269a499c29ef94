package demo

import (
	"encoding/json"
	"image"
	"image/color"
	"image/png"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"evenlight/configs"
	"evenlight/pipeline"
)

// commonOffset is the relative variance, in units of the read noise, that the
// mean of a whole frame gets from the offsets of its groups of rows: one over
// the overscan samples of a group and over the groups of a frame.
func commonOffset(p *configs.Profile) float64 {
	worst := 0.0
	for i := range p.Detectors {
		d := &p.Detectors[i]
		for k := range d.Amplifiers {
			if n := overscanSamples(d, &d.Amplifiers[k]); n > 0 {
				rows := d.Image.Rows[1] - d.Image.Rows[0] + 1
				if d.LineScan != nil {
					rows = tarnLines
				}
				groups := float64(rows) / float64(max(1, d.Offset.SmoothRows))
				worst = max(worst, 1/(n*groups))
			}
		}
	}
	return worst
}

// spread tells what besides the number of pulls bounds their mean and their
// standard deviation: factors of the variances that independent ones give
// them, the variance of a shift that all have in common, and a relative standard
// uncertainty of all values.
type spread struct{ mean, sd, shift, relative float64 }

// honestOver is honestWithin where what pulls share makes the mean's variance
// correlated/N, and the standard deviation's correlated^2/(2N) at most.
// correlated is 1 for independent pixels.
func honestOver(t *testing.T, what string, got *Pulls, p *configs.Profile, r *Result, c *camera, correlated float64) {
	t.Helper()
	honestWithin(t, what, got, p, c, spread{mean: correlated, sd: correlated * correlated, relative: relativeOf(t, r)})
}

// honestWithin holds pulls of one frame, or one cube, against 0 and 1. The
// offsets of groups of rows shift all of them, and so does the relative
// uncertainty, that of curve and flats, at the best ratio of signal to noise, the
// root of the range.
func honestWithin(t *testing.T, what string, got *Pulls, p *configs.Profile, c *camera, s spread) {
	t.Helper()
	n := float64(got.Pixels)
	if n < 1000 {
		t.Errorf("%s: only %d pulls", what, got.Pixels)
		return
	}
	shift := commonOffset(p) + square(s.relative)*rangeE(p) + s.shift
	if most := mostSigma * math.Sqrt(s.mean/n+shift); !(math.Abs(got.Mean) <= most) {
		t.Errorf("%s: mean pull %.4f, want 0 within %.4f", what, got.Mean, most)
	}
	bias, flat := c.masters(rangeE(p), rangeE(p))
	excess := square(bias/(1+bias))/(c.biasFrames-1) + square(flat/(1+flat))/(c.flatFrames-1)
	if most := mostSigma*math.Sqrt(s.sd/(2*n)) + excess; !(math.Abs(got.SD-1) <= most) {
		t.Errorf("%s: standard deviation of pulls %.4f, want 1 within %.4f", what, got.SD, most)
	}
}

// colourOf runs a camera's demo and returns what its bands came to.
func colourOf(t *testing.T, name string) (*Result, *camera, *configs.Profile) {
	t.Helper()
	heavy(t)
	all := cameras()
	i := slices.IndexFunc(all, func(c camera) bool { return c.profile == name })
	r := mustRun(t, all[i].run)
	return r, &all[i], all[i].load(t)
}

// placesHold holds displacements against the truth.
func placesHold(t *testing.T, what string, all []PlaceTest) {
	t.Helper()
	if len(all) == 0 {
		t.Errorf("%s: nothing was compared", what)
	}
	for _, p := range all {
		if !(math.Abs(p.ErrorX) <= mostSigma*p.SigmaX) || !(math.Abs(p.ErrorY) <= mostSigma*p.SigmaY) {
			t.Errorf("%s, %s: off by (%.4f ± %.4f, %.4f ± %.4f) pixels", what, p.Band, p.ErrorX, p.SigmaX, p.ErrorY, p.SigmaY)
		}
	}
}

func TestMosaicKeepsWhatItMeasured(t *testing.T) {
	r, c, p := colourOf(t, "brindle")
	for _, m := range r.Colour.Mosaic.Measured {
		honestOver(t, m.Name, &m, p, r, c, 1)
	}
}

// Carrying detail over from the other bands halves the error of interpolation
// at least; Malvar, He & Cutler, ICASSP 2004 (from memory) gain 5.5 dB over
// bilinear interpolation on photographs without noise.
func TestMosaicInterpolatesBetterThanBilinear(t *testing.T) {
	r, _, _ := colourOf(t, "brindle")
	for _, o := range r.Colour.Mosaic.Between {
		if gain := o.Sharp - o.Plain; !(gain > decibel(math.Sqrt2)) {
			t.Errorf("%s: %.2f dB, bilinear %.2f dB: %.2f dB better, want 3 at least", o.Band, o.Sharp, o.Plain, gain)
		}
		if o.Pixels < 100000 {
			t.Errorf("%s: only %d interpolated pixels were compared", o.Band, o.Pixels)
		}
	}
}

// overVariance is the mean, over the steps of a grey wedge whose white fills 85 %
// of the range, of 1/u^2, where u^2 is the variance of a pixel by shot and read
// noise, e-^2.
func overVariance(p *configs.Profile) float64 {
	sum := 0.0
	for k := 1; k <= wedgeSteps; k++ {
		signal := 0.85 * 0.9 * float64(k) / wedgeSteps * rangeE(p)
		sum += 1 / (signal + square(p.Detectors[0].Amplifiers[0].ReadNoiseE)) / wedgeSteps
	}
	return sum
}

// spreadOnWedge is what the pixels of a wedge share. Each band of a wheel has a
// frame of its own, so that what columns and frames have in common stays in the
// difference; its bands gather the same charge behind one curve, whose error is
// the same in both. The pixels of a column of a line scanner share its masters,
// and a detector pixel under strips sees the wedge in each of 5 frames; pixels
// that lie between samples share these, as for the ground and for ramps.
func (c *camera) spreadOnWedge(t *testing.T, p *configs.Profile, r *Result) spread {
	t.Helper()
	d := &p.Detectors[0]
	bias, flat := c.masters(rangeE(p), rangeE(p))
	masters := (bias + flat) / (1 + bias + flat)
	rows := float64(d.Image.Rows[1] - d.Image.Rows[0] + 1)
	column := square(c.columnE) * overVariance(p)
	s := spread{mean: 1 + column*(rows-1), sd: 1 + column*column*(rows-1), shift: square(c.frameE) * overVariance(p), relative: relativeOf(t, r)}
	if f := familyOf(p); f == filterWheel || f == cameraTube {
		s.relative = relativeOf(t, r, "flat normalisation")
	}
	switch {
	case d.LineScan != nil:
		s.mean, s.sd = 1+masters*tarnLines, 1+masters*masters*tarnLines
	case len(d.Strips) > 0:
		s.mean = 4 + 5*masters
		s.sd = s.mean * s.mean
	case d.Marks != nil:
		s.mean, s.sd = 4, 4*4
	}
	return s
}

func TestGreyStaysGrey(t *testing.T) {
	for _, test := range []struct {
		camera string
		pairs  int
	}{{"quillon", 6}, {"oxlip", 3}, {"brindle", 3}, {"fescue", 6}, {"tarn", 3}, {"umber", 3}, {"sallow", 1}, {"gemel", 1}} {
		t.Run(test.camera, func(t *testing.T) {
			r, c, p := colourOf(t, test.camera)
			if got := len(r.Colour.GreyPairs); got != test.pairs {
				t.Fatalf("%d pairs were compared, want %d", got, test.pairs)
			}
			for _, g := range r.Colour.GreyPairs {
				honestWithin(t, g.Name, &g, p, c, c.spreadOnWedge(t, p, r))
			}
		})
	}
}

// Each step's ratio of the eyes is 1 within its random uncertainty and what both
// flats' normalisation and both curves add.
func TestEyesAgreeOnEachStepOfAWedge(t *testing.T) {
	r, _, _ := colourOf(t, "gemel")
	s := r.Colour.EyesSeen
	if len(s.Steps) != wedgeSteps {
		t.Fatalf("%d steps, want %d", len(s.Steps), wedgeSteps)
	}
	for i, step := range s.Steps {
		if most := mostSigma * math.Hypot(step.Random, math.Sqrt2*relativeOf(t, r)); !(math.Abs(step.Error) <= most) {
			t.Errorf("step %d: the ratio is %.5f off 1, want 0 within %.5f", i+1, step.Error, most)
		}
		// 25 columns of 400 rows, and 600 e- in the darkest step.
		if step.Pixels < 9000 || !(step.Random < 0.001) {
			t.Errorf("step %d: the ratio of %d pixels is known to %.5f only", i+1, step.Pixels, step.Random)
		}
	}
}

// The chromaticities of a grey wedge's 16 steps scatter about white as their
// uncertainties say; curve and flats shift all of them. What columns of oxlip
// have in common does not average out along the rows of a step, which are
// height/6, and what a frame has in common not at all. What a picture states for
// a mean of pixels that were resampled, each from several frames, is on the safe
// side.
func TestPictureOfAGreyWedgeIsGrey(t *testing.T) {
	for _, test := range []struct {
		camera    string
		resampled bool
	}{{"quillon", false}, {"oxlip", false}, {"brindle", false}, {"fescue", true}, {"umber", false}} {
		t.Run(test.camera, func(t *testing.T) {
			r, c, p := colourOf(t, test.camera)
			g := r.Colour.Grey
			if g == nil {
				t.Fatal("no grey wedge was measured")
			}
			columns, rows := probeSize(p)
			scatter := math.Sqrt(1 + square(c.columnE)*overVariance(p)*rows)
			shift := square(c.frameE) * overVariance(p) * columns * rows
			for _, x := range []Pulls{g.X, g.Y} {
				n := float64(x.Pixels)
				if n < 12 {
					t.Errorf("%s: only %g steps", x.Name, n)
				}
				spread := mostSigma / math.Sqrt(2*(n-1))
				if !(math.Abs(x.Mean) <= mostSigma*math.Sqrt(scatter*scatter/n+shift)) || !(x.SD <= scatter*(1+spread)) {
					t.Errorf("%s: pulls of mean %.3f, standard deviation %.3f over %g steps", x.Name, x.Mean, x.SD, n)
				}
				if !test.resampled && !(x.SD >= 1-spread) {
					t.Errorf("%s: pulls of standard deviation %.3f over %g steps: what is stated is too much", x.Name, x.SD, n)
				}
			}
			if most := mostSigma * chromaticityNoise(p, columns*rows); test.resampled && !(g.Largest <= most) {
				t.Errorf("a step is %.5f off white, want %.5f at most", g.Largest, most)
			}
		})
	}
}

// probeSize is the size of the region in which a step is measured.
func probeSize(p *configs.Profile) (columns, rows float64) {
	im := p.Detectors[0].Image
	return float64(im.Columns[1]-im.Columns[0]+1)/wedgeSteps - 10, float64(im.Rows[1]-im.Rows[0]+1) / 6
}

// chromaticityNoise is the standard deviation of a chromaticity over so many
// pixels in the darkest step of a wedge, at most: x = X/(X+Y+Z) has the slope
// x(1-x) <= 1/4 against the logarithm of each of three bands, of which the
// faintest has weakestLight of the brightest one's charge. Half of the pixels
// may be bad, or be made of the samples of others.
func chromaticityNoise(p *configs.Profile, pixels float64) float64 {
	const weakestLight = 0.5
	signal := weakestLight * 0.85 * 0.9 / wedgeSteps * rangeE(p)
	u := math.Sqrt(signal + square(p.Detectors[0].Amplifiers[0].ReadNoiseE))
	return math.Sqrt(3) / 4 * u / signal / math.Sqrt(pixels/2)
}

func TestBandsOfAWheelComeToTheirPlace(t *testing.T) {
	for _, name := range []string{"quillon", "oxlip"} {
		t.Run(name, func(t *testing.T) {
			r, _, p := colourOf(t, name)
			if len(r.Colour.Wheel) != 3 {
				t.Fatalf("%d sets of bands, want moon, drift and cloud", len(r.Colour.Wheel))
			}
			for _, w := range r.Colour.Wheel {
				if len(w.Bands) != len(p.Bands)-1 {
					t.Errorf("%s: %d bands have a displacement, want %d", w.Name, len(w.Bands), len(p.Bands)-1)
				}
				placesHold(t, w.Name, w.Bands)
				for _, b := range w.Bands {
					if !(b.SigmaX < 0.1 && b.SigmaY < 0.1) {
						t.Errorf("%s, %s: known to (%.3f, %.3f) pixels only", w.Name, b.Band, b.SigmaX, b.SigmaY)
					}
				}
			}
		})
	}
}

// Where the true colour is even to within the noise of a pixel, and a pixel of
// one band is shifted by one sigma at most, four more sigmas make five: 3.2e-5
// of normal numbers have more.
func TestNothingMovesWhereNothingMoved(t *testing.T) {
	const most = 3.2e-5
	for _, name := range []string{"quillon", "oxlip"} {
		t.Run(name, func(t *testing.T) {
			r, _, _ := colourOf(t, name)
			for _, w := range r.Colour.Wheel {
				if w.Moving {
					continue
				}
				if w.Movers != 0 {
					t.Errorf("%s: %d movers found", w.Name, w.Movers)
				}
				if n := float64(w.EvenPixels); n < 10000 || !(w.Even <= most+mostSigma*math.Sqrt(most/n)) {
					t.Errorf("%s: bands disagree in %.4f %% of %g pixels of even colour", w.Name, 100*w.Even, n)
				}
			}
		})
	}
}

func TestTheCloudIsFound(t *testing.T) {
	for _, name := range []string{"quillon", "oxlip"} {
		t.Run(name, func(t *testing.T) {
			r, _, p := colourOf(t, name)
			w := r.Colour.Wheel[len(r.Colour.Wheel)-1]
			if w.Movers != 1 || w.Cloud == nil {
				t.Fatalf("%d movers found, want the cloud", w.Movers)
			}
			cloud := w.Cloud
			if len(cloud.Places) != len(p.Bands) {
				t.Errorf("the cloud has a place in %d bands, want %d", len(cloud.Places), len(p.Bands))
			}
			placesHold(t, "cloud", cloud.Places)
			if !(cloud.SpeedSigma > 0) || !(math.Abs(cloud.SpeedError) <= mostSigma*cloud.SpeedSigma) {
				t.Errorf("its speed is off by %.4f ± %.4f pixels/s", cloud.SpeedError, cloud.SpeedSigma)
			}
			if !(cloud.SpeedSigma < 0.1*cloud.SpeedTrue) {
				t.Errorf("its speed %.3f pixels/s is known to %.3f only", cloud.SpeedTrue, cloud.SpeedSigma)
			}
			if !(cloud.Covered > 0.99) {
				t.Errorf("%.1f %% of the cloud is flagged moved, want 99 %% at least", 100*cloud.Covered)
			}
			if !(cloud.Beyond < 0.01) {
				t.Errorf("%.2f %% of the ground far from the cloud is flagged moved, want less than 1 %%", 100*cloud.Beyond)
			}
		})
	}
}

// Ground that moves v t/p lines a line time against the charge smears by
// |1 - v t/p| over each stage; 5 % too fast over 32 stages are 1.6 pixels.
func TestLinesOutOfPaceAreFlaggedAndOthersNot(t *testing.T) {
	r, _, p := colourOf(t, "tarn")
	if want := 8 * len(p.Detectors); len(r.Colour.Lines.Scenes) != want {
		t.Fatalf("%d scenes, want %d", len(r.Colour.Lines.Scenes), want)
	}
	limit := p.Detectors[0].LineScan.MaxSmearPixels
	out := 0
	for _, s := range r.Colour.Lines.Scenes {
		if !(math.Abs(s.Smear-s.True) < 1e-6) {
			t.Errorf("%s %s: smear of %g pixels is stated, true are %g", s.Frame, s.Detector, s.Smear, s.True)
		}
		want := 0.0
		if s.True > limit {
			want = 1
			out++
		}
		if s.Flagged != want {
			t.Errorf("%s %s, smear %.2f: %.2f %% of the pixels are flagged, want %.0f %%", s.Frame, s.Detector, s.True, 100*s.Flagged, 100*want)
		}
	}
	if out != len(p.Detectors) {
		t.Errorf("%d detectors saw ground out of pace, want %d", out, len(p.Detectors))
	}
}

func TestDetectorsOfALineScannerSeeOnePlace(t *testing.T) {
	r, _, _ := colourOf(t, "tarn")
	if len(r.Colour.Lines.Places) != lineModes {
		t.Errorf("%d displacements, want one in each of %d modes", len(r.Colour.Lines.Places), lineModes)
	}
	placesHold(t, "detectors", r.Colour.Lines.Places)
}

// A ground pixel is made of at most 4 samples of a frame. In both directions
// a sample's neighbours share it: the sum of correlations is (1 + 2 lagX)
// (1 + 2 lagY), at most 4. A detector pixel sees ground in each frame, so its
// masters' share counts frames times.
func TestStripsShowTheGround(t *testing.T) {
	r, c, p := colourOf(t, "fescue")
	if len(r.Colour.Strips.Bands) != len(p.Bands) {
		t.Fatalf("%d bands, want %d", len(r.Colour.Strips.Bands), len(p.Bands))
	}
	bias, flat := c.masters(rangeE(p), rangeE(p))
	frames := 12 * (bias + flat) / (1 + bias + flat)
	for _, s := range r.Colour.Strips.Bands {
		honestOver(t, s.Name, &s.Pulls, p, r, c, 4+frames)
		if s.GapRows != 0 {
			t.Errorf("%s: %d rows of ground were seen by no frame", s.Name, s.GapRows)
		}
		// The random part is stated for independent masters.
		most := mostSigma * math.Hypot(s.LightU*math.Sqrt(1+frames), relativeOf(t, r))
		if !(math.Abs(s.Light) <= most) {
			t.Errorf("%s: %.6f of the light is lost or made, want 0 within %.6f", s.Name, s.Light, most)
		}
	}
	placesHold(t, "band images", r.Colour.Strips.Places)
}

func TestLayersAreSeparated(t *testing.T) {
	r, c, p := colourOf(t, "umber")
	for _, b := range r.Colour.Stack.Bands {
		honestOver(t, b.Name, &b, p, r, c, 1)
	}
	for _, k := range r.Colour.Stack.Correlations {
		// The sample correlation of n normal pairs has the standard deviation
		// (1 - r^2)/sqrt(n) (Kendall & Stuart, from memory); the pixels' own
		// levels, over which the stated one is a mean, make it sqrt(3) times
		// that at most (fourth moment of levels that are even between 0 and 1).
		most := mostSigma * math.Sqrt(3) * (1 - k.Stated*k.Stated) / math.Sqrt(float64(k.Pixels))
		if !(math.Abs(k.Found-k.Stated) <= most) {
			t.Errorf("%s: correlation %.4f is stated and %.4f found, want them equal within %.4f", k.Bands, k.Stated, k.Found, most)
		}
	}
}

func TestWhatCannotBeSeparatedIsFlagged(t *testing.T) {
	r, _, _ := colourOf(t, "umber")
	if len(r.Colour.Stack.Unsure) != 2 {
		t.Fatalf("%d scenes, want the over- and the under-exposed one", len(r.Colour.Stack.Unsure))
	}
	for _, u := range r.Colour.Stack.Unsure {
		if u.Unsure < 500 {
			t.Errorf("%s: only %d pixels", u.Scene, u.Unsure)
		}
		// Pixels within four sigmas of a limit are left out.
		if !(u.Flagged > 0.999) || !(u.Others < 0.001) {
			t.Errorf("%s: %.2f %% of the pixels are flagged, and %.3f %% of those that can be separated", u.Scene, 100*u.Flagged, 100*u.Others)
		}
	}
}

func TestResidualImageIsTakenOff(t *testing.T) {
	r, c, p := colourOf(t, "sallow")
	x := r.Colour.Tube.Residual
	honestOver(t, "residual image taken off", &x.WithPulls, p, r, c, 1)
	// Left in it is as large as it is; shading makes it count by up to 1/0.7
	// more where the frame before was brighter.
	if share := x.Residual / x.Signal; !(x.Without > 0.9*share && x.Without < share/0.7) {
		t.Errorf("left in, the error is %.3f of the signal, want %.3f", x.Without, share)
	}
	if !(x.LeftIn.Mean > 3) {
		t.Errorf("left in, the mean pull is %.2f: the demo does not show the effect", x.LeftIn.Mean)
	}
}

// The model has 20 coefficients, so the rms of its error over the picture is
// within 1/sqrt(2 x 20) of the stated one, one sigma.
func TestMarksTellTheGeometry(t *testing.T) {
	r, _, _ := colourOf(t, "sallow")
	most := 1 + mostSigma/math.Sqrt(2*20)
	for _, g := range r.Colour.Tube.Geometry {
		if !(g.RMS <= most*g.Stated) {
			t.Errorf("%s: error %.4f pixels rms, %.4f is stated", g.Frame, g.RMS, g.Stated)
		}
		if !(g.RMS < 0.1*g.Raw) {
			t.Errorf("%s: error %.3f pixels rms of a distortion of %.3f", g.Frame, g.RMS, g.Raw)
		}
	}
}

// The kernel correlates neighbours: sum of correlations 4 at most, as for
// strips.
func TestRectifiedValuesAreHonest(t *testing.T) {
	r, c, p := colourOf(t, "sallow")
	for _, b := range r.Colour.Tube.Rectified {
		honestOver(t, b.Name, &b, p, r, c, 4)
	}
}

func TestEyesAgree(t *testing.T) {
	r, _, _ := colourOf(t, "gemel")
	s := r.Colour.EyesSeen
	if most := mostSigma * math.Hypot(s.Random, s.Known); !(math.Abs(s.RatioError) <= most) {
		t.Errorf("the ratio of the eyes is %.5f off 1, want 0 within %.5f", s.RatioError, most)
	}
	if !(s.Random < 0.001) {
		t.Errorf("the ratio is known to %.4f only", s.Random)
	}
	if found := r.Colour.Eyes.Pairs[0].Found; !found.Consistent {
		t.Errorf("the eyes are said to disagree: %+v", found)
	}
	// One displacement stands for ground of some relief.
	if !(math.Hypot(s.ErrorX, s.ErrorY) <= s.Relief) {
		t.Errorf("the displacement is (%.3f, %.3f) pixels off, and the relief is %.3f", s.ErrorX, s.ErrorY, s.Relief)
	}
}

func TestEveryCameraHasPictures(t *testing.T) {
	for _, c := range cameras() {
		if c.name == plainDemo {
			continue
		}
		t.Run(c.name, func(t *testing.T) {
			heavy(t)
			r := mustRun(t, c.run)
			if len(r.Colour.Pictures) == 0 {
				t.Fatal("there are no pictures")
			}
			for _, p := range r.Colour.Pictures {
				if m := decode(t, filepath.Join(r.Dir, PicturesDir, p.Preview)); isFlat(m) {
					t.Errorf("%s shows nothing", p.Preview)
				}
			}
		})
	}
}

func decode(t *testing.T, path string) image.Image {
	t.Helper()
	f, err := os.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	m, err := png.Decode(f)
	if err != nil {
		t.Fatalf("%s: %v", path, err)
	}
	return m
}

// isFlat tells whether a picture spans less than half of the grey scale.
func isFlat(m image.Image) bool {
	low, high := uint8(255), uint8(0)
	for y := m.Bounds().Min.Y; y < m.Bounds().Max.Y; y++ {
		for x := m.Bounds().Min.X; x < m.Bounds().Max.X; x++ {
			g := color.GrayModel.Convert(m.At(x, y)).(color.Gray).Y
			low, high = min(low, g), max(high, g)
		}
	}
	return high-low < 128
}

func TestCubesCanBeTracedToTheirProducts(t *testing.T) {
	r, _, _ := colourOf(t, "brindle")
	for _, c := range r.Colour.Cubes.Cubes {
		record, err := pipeline.ReadProvenance(c.Cube)
		if err != nil {
			t.Fatal(err)
		}
		if len(record.Inputs) != 1 || record.Inputs[0].Name != c.Bands[0].Products[0] {
			t.Errorf("%s: inputs %v, want %v", c.Cube, record.Inputs, c.Bands[0].Products)
		}
	}
}

// A number that is not finite has no form in JSON.
func TestResultCanBeWritten(t *testing.T) {
	for _, c := range cameras() {
		t.Run(c.name, func(t *testing.T) {
			heavy(t)
			r := mustRun(t, c.run)
			if _, err := json.Marshal(r); err != nil {
				t.Error(err)
			}
			text := r.Text()
			for _, word := range []string{"NaN", "Inf", "%!"} {
				if strings.Contains(text, word) {
					t.Errorf("the text holds %q:\n%s", word, text)
				}
			}
		})
	}
}
