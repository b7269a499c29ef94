package demo

import (
	"math"
	"path/filepath"
	"strings"
	"testing"

	"evenlight/configs"
	"evenlight/fitsutil"
	"evenlight/pipeline"
	"evenlight/pipeline/simulate"
)

// mostSigma is the departure, in standard deviations, that a mean or a
// standard deviation of pulls may have: 6e-5 of normal ones have more.
const mostSigma = 4

// masterShare bounds the part of a pixel's variance that comes from masters,
// which all frames share at that pixel: 1/20 of the read noise from the 20
// frames of the bias, S/(10 * 0.6 * full well) = 0.15 of the shot noise at
// full well from the 10 flats.
const masterShare = 0.2

// sharing tells how the pixels of a bin share what is not independent.
type sharing struct {
	pixels   float64
	offset   map[[3]int]float64 // pixels by frame, amplifier and group of rows whose overscan is averaged
	bias     map[[2]int]float64 // the same over all frames
	position map[int]float64    // pixels by detector and place in the image
}

func squares[K comparable](m map[K]float64) float64 {
	sum := 0.0
	for _, n := range m {
		sum += n * n
	}
	return sum
}

// sharingOf counts, for each bin, who shares what, from the truth alone.
func sharingOf(t *testing.T, r *Result, p *configs.Profile) []sharing {
	t.Helper()
	out := make([]sharing, len(edgesE)-1)
	for i := range out {
		out[i] = sharing{offset: map[[3]int]float64{}, bias: map[[2]int]float64{}, position: map[int]float64{}}
	}
	for f, fr := range r.Run.Frames {
		stem := strings.TrimSuffix(filepath.Base(fr.Raw), ".fits")
		truth, err := simulate.LoadTruth(simulate.TruthFile(filepath.Join(r.Dir, TruthDir), stem, fr.Detector))
		if err != nil {
			t.Fatal(err)
		}
		number := detectorNumber(p, fr.Detector)
		d := &p.Detectors[number]
		for i, e := range truth.Electrons {
			b := binOf(float64(e))
			if b < 0 {
				continue
			}
			x, y := i%truth.Width, i/truth.Width
			amp, group := amplifierAt(d, x), 0
			if d.Offset.SmoothRows > 0 {
				group = y / d.Offset.SmoothRows
			}
			out[b].pixels++
			out[b].offset[[3]int{f, amp, group}]++
			out[b].bias[[2]int{amp, group}]++
			out[b].position[number*len(truth.Electrons)+i]++
		}
	}
	return out
}

func binOf(e float64) int {
	for i := range len(edgesE) - 1 {
		if e >= edgesE[i] && e < edgesE[i+1] {
			return i
		}
	}
	return -1
}

func detectorNumber(p *configs.Profile, name string) int {
	for i := range p.Detectors {
		if p.Detectors[i].Name == name {
			return i
		}
	}
	return -1
}

// amplifierAt returns the amplifier that reads column x of the image; in both
// cameras the amplifiers lie side by side.
func amplifierAt(d *configs.Detector, x int) int {
	for a := range d.Amplifiers {
		if c := x + d.Image.Columns[0]; c >= d.Amplifiers[a].Region.Columns[0] && c <= d.Amplifiers[a].Region.Columns[1] {
			return a
		}
	}
	return -1
}

// offsetSD is the standard deviation, e-, of the offset of a group of rows:
// the read noise (the rounding is 1/12 DN^2 more) over the root of its
// overscan samples.
func offsetSD(d *configs.Detector) float64 {
	worst := 0.0
	for i := range d.Amplifiers {
		a := &d.Amplifiers[i]
		if d.Offset.From != configs.OffsetOverscan || a.Overscan == nil {
			continue
		}
		n := float64(a.Overscan.Width() * max(1, d.Offset.SmoothRows))
		worst = max(worst, math.Sqrt((a.ReadNoiseE*a.ReadNoiseE+a.GainEPerDN*a.GainEPerDN/12)/n))
	}
	return worst
}

// linearityOf returns the relative standard uncertainty of the curve that the
// products state.
func linearityOf(t *testing.T, r *Result) float64 {
	t.Helper()
	worst := 0.0
	for _, f := range r.Run.Frames {
		p, err := pipeline.ReadProvenance(f.Product)
		if err != nil {
			t.Fatal(err)
		}
		for _, s := range p.Systematic {
			if s.Name == "linearity" || s.Name == "flat normalisation" {
				worst = max(worst, s.Relative)
			}
		}
	}
	return worst
}

// bounds gives the standard uncertainties of the mean and of the standard
// deviation of a bin's pulls.
//
// Mean: its variance is 1/N for independent pixels; pixels at one place share
// masters, which adds masterShare (sum n^2 - N)/N^2 over the places with n
// pixels each; a group of rows shares its offset, sd o: (o/u)^2 sum(n/N)^2
// over the groups, and a twentieth of it over the rows of the master bias; the
// curve's and the flat's relative uncertainties l move all pixels by l S/u.
//
// Standard deviation: 1/(2N), and a share of the mean's shifts squared. The
// estimate m of the light is the mean of 24 neighbours with variance u^2 each,
// so the variance that a product states has the relative variance
// 1/(24 u^2), and the pulls' standard deviation is 1/(48 u^2) above 1 (the
// mean of 1/x is 1 + Var(x) for x about 1). Pixels whose response bends by
// less than nonlinear_fraction pass unflagged and depart by that times S/u at
// most: unflagged share times its square is added to the variance of pulls.
func bounds(b *Bin, s *sharing, offset, relative, bend float64) (mean, sd float64) {
	n := float64(b.Pixels)
	signal := max(b.ToE, 1)
	lin := relative * signal / b.MeanUncert
	o := offset / b.MeanUncert
	all := s.pixels * s.pixels
	shared := masterShare*(squares(s.position)-s.pixels)/all + o*o*(squares(s.offset)+squares(s.bias)/20)/all + lin*lin
	mean = math.Sqrt(1/n + shared)
	bent := bend * math.Pow(0.05*signal/b.MeanUncert, 2) / 2
	sd = math.Sqrt(1/(2*n)) + (1/(48*b.MeanUncert*b.MeanUncert)+bent)/mostSigma + mostSigma*shared/2
	return mean, sd
}

// unflaggedBent is the share of pixels that bend and carry no flag.
func unflaggedBent(c *Comparison) float64 {
	all, bent := 0, 0
	for _, b := range c.Bins {
		all += b.Pixels
	}
	for _, d := range c.Defects {
		if d.Name == "nonlinear" {
			bent = d.Pixels - d.Flagged
		}
	}
	return float64(bent) / float64(all)
}

// checkPulls holds the pulls of all bins against their bounds.
func checkPulls(t *testing.T, r *Result, c *Comparison, camera string) {
	t.Helper()
	text, err := configs.Builtin(camera)
	if err != nil {
		t.Fatal(err)
	}
	p, err := configs.Parse(camera, text, configs.Overrides{})
	if err != nil {
		t.Fatal(err)
	}
	offset, relative, bend := offsetSD(&p.Detectors[0]), linearityOf(t, r), unflaggedBent(c)
	shared := sharingOf(t, r, p)
	populated := 0
	for i := range c.Bins {
		b := &c.Bins[i]
		if b.Pixels < 1000 {
			continue
		}
		populated++
		mean, sd := bounds(b, &shared[i], offset, relative, bend)
		if !(math.Abs(b.Mean) <= mostSigma*mean) {
			t.Errorf("%g to %g e-: mean pull %.4f, want 0 within %.4f", b.FromE, b.ToE, b.Mean, mostSigma*mean)
		}
		if !(math.Abs(b.SD-1) <= mostSigma*sd) {
			t.Errorf("%g to %g e-: standard deviation of pulls %.4f, want 1 within %.4f", b.FromE, b.ToE, b.SD, mostSigma*sd)
		}
	}
	if first, last := c.Bins[0], c.Bins[len(c.Bins)-1]; populated < 9 || first.Pixels < 1000 || last.Pixels < 1000 {
		t.Errorf("%d bins hold 1000 pixels or more, the first %d, the last %d: want 9 bins at least, the first and the last among them",
			populated, first.Pixels, last.Pixels)
	}
}

func TestUncertaintiesAreHonest(t *testing.T) {
	for _, d := range []struct {
		name, camera string
		run          func() (*Result, error)
	}{
		{"radiance", "quillon", quillon},
		{"electrons, half the calibration frames", "quillon", quillonElectrons},
		{"two detectors, no overscan", "pellam", pellam},
	} {
		t.Run(d.name, func(t *testing.T) {
			r := mustRun(t, d.run)
			checkPulls(t, r, r.Truth, d.camera)
		})
	}
}

// Dead and hot pixels have to be found, and saturated ones; a product that
// flags everything would find them too, so most pixels have to be good.
func TestSpoiledPixelsAreFlaggedAndTheOthersAreNot(t *testing.T) {
	for name, run := range map[string]func() (*Result, error){"quillon": quillon, "quillon in electrons": quillonElectrons, "pellam": pellam} {
		t.Run(name, func(t *testing.T) {
			r := mustRun(t, run)
			found := map[string]float64{}
			for _, d := range r.Truth.Defects {
				if d.Pixels > 0 {
					found[d.Name] = float64(d.Flagged) / float64(d.Pixels)
				}
			}
			for _, kind := range []string{"hot", "dead", "saturated"} {
				if !(found[kind] >= 0.99) {
					t.Errorf("%.2f %% of the %s pixels carry a flag, want 99 %% at least", 100*found[kind], kind)
				}
			}
			for _, f := range r.Run.Frames {
				if !(f.Good > 0.9) {
					t.Errorf("%s: %.1f %% of the pixels are good, want more than 90 %%", f.Product, 100*f.Good)
				}
			}
		})
	}
}

// The reflectance factor of a surface is pi L r^2 / E, r in au and E the
// irradiance at 1 au. The truth of L is the simulator's.
func TestReflectanceComesFromRadianceAndSun(t *testing.T) {
	r, err := runOnce("pellam-reflectance", Options{Camera: "pellam", Set: []string{"output.quantity=reflectance"}, Scale: 0.5})()
	if err != nil {
		t.Fatal(err)
	}
	const irradiance = 1.6 // of band clear in the profile of pellam
	n, sum, square := 0.0, 0.0, 0.0
	for _, f := range r.Run.Frames {
		truth, err := simulate.LoadTruth(simulate.TruthFile(filepath.Join(r.Dir, TruthDir), strings.TrimSuffix(filepath.Base(f.Raw), ".fits"), f.Detector))
		if err != nil {
			t.Fatal(err)
		}
		p := readProduct(t, f.Product)
		distance, ok, err := p.header.Float("SUNDIST")
		if err != nil || !ok {
			t.Fatal("SUNDIST is not in the header", err)
		}
		perRadiance := math.Pi * distance * distance / irradiance
		for i, l := range truth.Radiance {
			if p.flags[i] == 0 && truth.Cosmic[i] == 0 {
				pull := (float64(p.value[i]) - float64(l)*perRadiance) / float64(p.unc[i])
				n++
				sum += pull
				square += pull * pull
			}
		}
	}
	// Two detectors share three frames' places: master share over at most 3
	// frames a place.
	mean, sd := sum/n, math.Sqrt(square/n)
	if most := mostSigma * math.Sqrt((1+2*masterShare)/n); !(math.Abs(mean) <= most) {
		t.Errorf("mean pull %.4f, want 0 within %.4f", mean, most)
	}
	if most := mostSigma*math.Sqrt(1/(2*n)) + 0.002; !(math.Abs(sd-1) <= most) { // 0.002: bent pixels, see bounds
		t.Errorf("standard deviation of pulls %.4f, want 1 within %.4f", sd, most)
	}
}

// planes are the images of a product.
type planes struct {
	header     *fitsutil.Header
	value, unc []float32
	flags      []int32
}

func readProduct(t *testing.T, path string) *planes {
	t.Helper()
	f, err := fitsutil.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	p := &planes{header: f.HDUs()[0].Header.Clone()}
	for _, name := range []string{"VALUE", "UNCERTAINTY", "FLAGS"} {
		h, err := f.Find(name)
		if err != nil {
			t.Fatal(err)
		}
		raw, err := f.ReadRows(h, 0, 0, h.Height(), nil)
		if err != nil {
			t.Fatal(err)
		}
		n := h.Width() * h.Height()
		switch name {
		case "VALUE":
			p.value = make([]float32, n)
			err = h.DecodeFloat32(p.value, raw)
		case "UNCERTAINTY":
			p.unc = make([]float32, n)
			err = h.DecodeFloat32(p.unc, raw)
		default:
			p.flags = make([]int32, n)
			err = h.DecodeInt32(p.flags, raw)
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	return p
}
