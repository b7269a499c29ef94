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
				groups := float64(d.Image.Rows[1]-d.Image.Rows[0]+1) / float64(max(1, d.Offset.SmoothRows))
				worst = max(worst, 1/(n*groups))
			}
		}
	}
	return worst
}

// honestOver holds pulls of one frame, or one cube, against 0 and 1. The mean's
// variance is correlated/N, besides the offsets of groups of rows and the
// relative uncertainties of curve and flats at the best ratio of signal to
// noise, the root of the range; the standard deviation's is
// correlated^2/(2N). correlated is 1 for independent pixels.
func honestOver(t *testing.T, what string, got *Pulls, p *configs.Profile, r *Result, c *camera, correlated float64) {
	t.Helper()
	n := float64(got.Pixels)
	if n < 1000 {
		t.Errorf("%s: only %d pulls", what, got.Pixels)
		return
	}
	shift := commonOffset(p) + square(relativeOf(t, r))*rangeE(p)
	if most := mostSigma * math.Sqrt(correlated/n+shift); !(math.Abs(got.Mean) <= most) {
		t.Errorf("%s: mean pull %.4f, want 0 within %.4f", what, got.Mean, most)
	}
	bias, flat := c.masters(rangeE(p), rangeE(p))
	excess := square(bias/(1+bias))/(c.biasFrames-1) + square(flat/(1+flat))/(c.flatFrames-1)
	if most := mostSigma*correlated/math.Sqrt(2*n) + excess; !(math.Abs(got.SD-1) <= most) {
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

func TestGreyStaysGrey(t *testing.T) {
	for _, name := range []string{"brindle", "umber"} {
		t.Run(name, func(t *testing.T) {
			r, c, p := colourOf(t, name)
			var grey []Pulls
			if r.Colour.Mosaic != nil {
				grey = r.Colour.Mosaic.Grey
			} else {
				grey = r.Colour.Stack.Grey
			}
			if len(grey) != 3 {
				t.Fatalf("%d pairs of bands were compared, want 3", len(grey))
			}
			for _, g := range grey {
				honestOver(t, g.Name, &g, p, r, c, 1)
			}
		})
	}
}

// The chromaticities of a grey wedge's 16 steps scatter about white as their
// uncertainties say; curve and flats shift all of them.
func TestPictureOfAGreyWedgeIsGrey(t *testing.T) {
	for _, name := range []string{"brindle", "umber"} {
		t.Run(name, func(t *testing.T) {
			r, _, _ := colourOf(t, name)
			g := r.Colour.Grey
			if g == nil {
				t.Fatal("no grey wedge was measured")
			}
			for _, p := range []Pulls{g.X, g.Y} {
				n := float64(p.Pixels)
				if n < 12 {
					t.Errorf("%s: only %g steps", p.Name, n)
				}
				if !(math.Abs(p.Mean) <= mostSigma/math.Sqrt(n)) || !(math.Abs(p.SD-1) <= mostSigma/math.Sqrt(2*(n-1))) {
					t.Errorf("%s: pulls of mean %.3f, standard deviation %.3f over %g steps", p.Name, p.Mean, p.SD, n)
				}
			}
		})
	}
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
	if want := 7 * len(p.Detectors); len(r.Colour.Lines.Scenes) != want {
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
