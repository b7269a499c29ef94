package demo

import (
	"cmp"
	"math"
	"path/filepath"
	"slices"
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

// camera is a demo and what bounds its pulls besides the number of pixels.
type camera struct {
	name, profile string
	text          string // of the profile, where it is none of the built-in ones
	run           func() (*Result, error)
	biasFrames    float64 // of the master bias
	flatFrames    float64 // of each master flat
	lamp          float64 // share of the lamp that the weakest band gets; 0: 1
	// columnE and frameE are standard deviations, e-, of what all pixels of a
	// column of one frame, and of one frame, have in common.
	columnE, frameE float64
}

// Frames of calibration at half the scale.
const (
	halfBias = 10
	halfFlat = 5
)

// A band of a mosaic or of strips gets 0.55 of the lamp at least.
const weakestLamp = 0.55

// tarn's masters average files of 256 lines: 3 of each flat; its bias is the
// intercept of 9 files at line times 1, 4 and 16, which has 1/9 + 49/378 = 0.24
// of the variance of a file's mean.
const (
	tarnBias = 256 / 0.24
	tarnFlat = 3 * 256
)

// tarnLines is the number of lines of each of tarn's scenes.
const tarnLines = 512

// masters returns the shares of bias and flat in a pixel's variance, which all
// frames share at that pixel, at a signal: 1/n of the read noise from n bias
// frames, and from n flats of 60 % of the range R S/(0.6 n R) of the shot noise
// S.
func (c *camera) masters(signal, rangeE float64) (bias, flat float64) {
	return 1 / c.biasFrames, signal / (0.6 * c.flatFrames * rangeE * cmp.Or(c.lamp, 1))
}

// oxlip's smear comes from 8 masked rows, read noise 14 e- and codes of 21 e-
// (21/sqrt(12) = 6.1): 5.4 e- for a plain mean, 6.8 for one of 64 % efficiency
// (a median), which bounds robust ones. Their offset, from the 16 overscan
// samples of the last 16 rows at least, is common to a frame: 15.3/16 = 1 e-.
const (
	oxlipColumnE = 6.8
	oxlipFrameE  = 1.0
)

// plainDemo ends with the calibration.
const plainDemo = "electrons"

func cameras() []camera {
	return []camera{
		{name: "radiance", profile: "quillon", run: quillon, biasFrames: 20, flatFrames: 10},
		{name: plainDemo, profile: "quillon", run: quillonElectrons, biasFrames: 20, flatFrames: 10},
		{name: "two detectors, no overscan", profile: "pellam", run: pellam, biasFrames: halfBias, flatFrames: halfFlat},
		{name: "mosaic, rolling reset", profile: "brindle", run: brindle, biasFrames: halfBias, flatFrames: halfFlat, lamp: weakestLamp},
		{name: "frame transfer, codes", profile: "oxlip", run: oxlip, biasFrames: halfBias, flatFrames: halfFlat, columnE: oxlipColumnE, frameE: oxlipFrameE},
		{name: "stereo pair", profile: "gemel", run: gemel, biasFrames: halfBias, flatFrames: halfFlat},
		{name: "strips of filters", profile: "fescue", run: fescue, biasFrames: halfBias, flatFrames: halfFlat, lamp: weakestLamp},
		{name: "line scanner", profile: "tarn", run: tarn, biasFrames: tarnBias, flatFrames: tarnFlat},
		{name: "stacked diodes", profile: "umber", run: umber, biasFrames: halfBias, flatFrames: halfFlat, lamp: weakestLamp},
		{name: "camera tube", profile: "sallow", run: sallow, biasFrames: halfBias, flatFrames: halfFlat},
	}
}

// load returns the camera's profile.
func (c *camera) load(t *testing.T) *configs.Profile {
	t.Helper()
	text := []byte(c.text)
	if c.text == "" {
		var err error
		if text, err = configs.Builtin(c.profile); err != nil {
			t.Fatal(err)
		}
	}
	p, err := configs.Parse(c.name, text, configs.Overrides{})
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// sharing tells how the pixels of a bin share what is not independent: counts
// of pixels, by what they share.
type sharing struct {
	pixels   float64
	offset   counts // by frame, amplifier and group of rows whose overscan is averaged
	bias     counts // the same over all frames
	position counts // by detector, mode and place in the image; of a line scanner, column
	column   counts // by frame and column
	frame    counts // by frame
}

// counts are numbers of pixels by a key from 0 on.
type counts []float32

func (c *counts) add(key int) {
	if key >= len(*c) {
		*c = append(*c, make(counts, key+1-len(*c))...)
	}
	(*c)[key]++
}

// squares is the sum of the squares.
func (c counts) squares() float64 {
	sum := 0.0
	for _, n := range c {
		sum += float64(n) * float64(n)
	}
	return sum
}

// sharingOf counts, for each bin, who shares what, from the truth alone.
func sharingOf(t *testing.T, r *Result, p *configs.Profile) []sharing {
	t.Helper()
	out := make([]sharing, len(r.Truth.Bins))
	kinds := map[string]int{} // detectors in their modes
	for f, fr := range r.Run.Frames {
		truth, err := simulate.LoadTruth(simulate.TruthFile(filepath.Join(r.Dir, TruthDir), stemOf(fr.Raw), fr.Detector))
		if err != nil {
			t.Fatal(err)
		}
		key := fr.Detector + " " + fr.Mode
		if _, known := kinds[key]; !known {
			kinds[key] = len(kinds)
		}
		d := detectorOf(p, fr.Detector)
		binning := (d.Image.Columns[1] - d.Image.Columns[0] + 1) / truth.Width
		groups := truth.Height/max(d.Offset.SmoothRows, 1) + 1
		bin := 0
		for y := range truth.Height {
			group := 0
			if d.Offset.SmoothRows > 0 {
				group = y / d.Offset.SmoothRows
			}
			for x := range truth.Width {
				i := y*truth.Width + x
				if bin = binOf(r.Truth.Bins, float64(truth.Electrons[i]), bin); bin < 0 {
					bin = 0
					continue
				}
				shared := amplifierAt(d, x*binning, y)*groups + group
				place := i
				if d.LineScan != nil {
					place = x
				}
				s := &out[bin]
				s.pixels++
				s.offset.add(f*groups*len(d.Amplifiers) + shared)
				s.bias.add(shared)
				s.position.add(kinds[key]*len(truth.Electrons) + place)
				s.column.add(f*truth.Width + x)
				s.frame.add(f)
			}
		}
	}
	return out
}

// binOf finds the bin of a level, first the one that is likely.
func binOf(bins []Bin, e float64, likely int) int {
	if b := &bins[likely]; e >= b.FromE && e < b.ToE {
		return likely
	}
	return slices.IndexFunc(bins, func(b Bin) bool { return e >= b.FromE && e < b.ToE })
}

// amplifierAt returns the amplifier that reads a pixel of the image.
func amplifierAt(d *configs.Detector, x, y int) int {
	column, row := x+d.Image.Columns[0], y+d.Image.Rows[0]
	if d.LineScan != nil {
		row = 1
	}
	for a := range d.Amplifiers {
		if r := d.Amplifiers[a].Region; column >= r.Columns[0] && column <= r.Columns[1] && row >= r.Rows[0] && row <= r.Rows[1] {
			return a
		}
	}
	return -1
}

// overscanSamples is the number of samples from which the offset of a group of
// rows comes; 0 where the camera has no overscan.
func overscanSamples(d *configs.Detector, a *configs.Amplifier) float64 {
	if d.Offset.From != configs.OffsetOverscan || a.Overscan == nil {
		return 0
	}
	rows := d.Offset.SmoothRows
	if rows == 0 {
		rows = a.Overscan.Rows[1] - a.Overscan.Rows[0] + 1
	}
	return float64((a.Overscan.Columns[1] - a.Overscan.Columns[0] + 1) * rows)
}

// offsetSD is the standard deviation, e-, of the offset of a group of rows:
// the read noise and the rounding (1/12 of the square of a step) over the root
// of its overscan samples.
func offsetSD(d *configs.Detector) float64 {
	worst := 0.0
	for i := range d.Amplifiers {
		a := &d.Amplifiers[i]
		if n := overscanSamples(d, a); n > 0 {
			step := a.GainEPerDN * stepDN(d, a.OffsetDN)
			worst = max(worst, math.Sqrt((a.ReadNoiseE*a.ReadNoiseE+step*step/12)/n))
		}
	}
	return worst
}

// stepDN is the width of the code that stands for a level.
func stepDN(d *configs.Detector, level float64) float64 {
	if d.Decompanding == nil {
		return 1
	}
	dn, width := d.Decompanding.Table()
	for k := range dn {
		if level < dn[k]+width[k]/2 {
			return width[k]
		}
	}
	return width[len(width)-1]
}

// relativeOf returns the largest relative standard uncertainty that the products
// state by one of some terms; none named: of the curve and of the flats'
// normalisation, which of what is stated are not taken from the profile by both
// sides of the comparison.
func relativeOf(t *testing.T, r *Result, terms ...string) float64 {
	t.Helper()
	if len(terms) == 0 {
		terms = []string{"linearity", "flat normalisation"}
	}
	worst := 0.0
	for _, f := range r.Run.Frames {
		p, err := pipeline.ReadProvenance(f.Product)
		if err != nil {
			t.Fatal(err)
		}
		for _, name := range terms {
			worst = max(worst, termOf(p, name))
		}
	}
	return worst
}

// bounds gives the standard uncertainties of the mean and of the standard
// deviation of a bin's pulls.
//
// Mean: its variance is 1/N for independent pixels; pixels at one place share
// masters, which adds their share (sum n^2 - N)/N^2 over the places with n
// pixels each; a group of rows shares its offset, sd o: (o/u)^2 sum(n/N)^2
// over the groups, and the offset of the bias frames the same way; what
// columns and frames have in common likewise; the curve's and the flat's
// relative uncertainties l move all pixels by l S/u.
//
// Standard deviation: its variance is 1/(2N), by the shared part s of the
// variance of pixels (1 + s^2 (sum n^2/N - 1))/(2N), and a share of the mean's
// shifts squared. The uncertainties that products state are estimates
// themselves, and the mean of 1/x is 1 + Var(x) for x about 1: the estimate m
// of the light is the mean of 24 neighbours with variance u^2 each, which gives
// the variance the relative variance 1/(24 u^2) and raises the standard
// deviation by 1/(48 u^2); the variance of a master of n frames comes from their
// own scatter, whose relative variance is 2/(n-1), and raises it by b^2/(n-1)
// with b the master's part of the whole variance. Pixels whose response bends by
// less than nonlinear_fraction pass unflagged and depart by that times S/u at
// most: unflagged share times its square is added to the variance of pulls.
func (c *camera) bounds(b *Bin, s *sharing, f *figures) (mean, sd float64) {
	n, u := float64(b.Pixels), b.MeanUncert
	signal := max(b.ToE, 1)
	bias, flat := c.masters(signal, f.rangeE)
	masters := (bias + flat) / (1 + bias + flat)
	place := s.position.squares()
	shared := masters*(place-s.pixels) +
		square(f.offset/u)*(s.offset.squares()+s.bias.squares()/c.biasFrames) +
		square(c.columnE/u)*s.column.squares() + square(c.frameE/u)*s.frame.squares()
	shared = shared/square(s.pixels) + square(f.relative*signal/u)
	mean = math.Sqrt(1/n + shared)
	excess := 1/(48*u*u) + f.bend*square(0.05*signal/u)/2 +
		square(bias/(1+bias))/(c.biasFrames-1) + square(flat/(1+flat))/(c.flatFrames-1)
	sd = math.Sqrt((1+square(masters)*(place/s.pixels-1))/(2*n)) + excess/mostSigma + mostSigma*shared/2
	return mean, sd
}

// figures are what a run and its profile say about the bounds of all bins.
type figures struct {
	rangeE   float64
	offset   float64 // standard deviation of a group's offset, e-
	relative float64 // of curve and flats
	bend     float64 // share of unflagged pixels that bend
}

func figuresOf(t *testing.T, r *Result, p *configs.Profile) *figures {
	t.Helper()
	return &figures{rangeE: rangeE(p), offset: offsetSD(&p.Detectors[0]), relative: relativeOf(t, r), bend: unflaggedBent(r.Truth)}
}

// unflaggedBent is the share of pixels that bend and carry no flag. Without a
// ladder they are left out of the pulls.
func unflaggedBent(c *Comparison) float64 {
	all, bent := 0, 0
	for _, b := range c.Bins {
		all += b.Pixels
	}
	for _, d := range c.Defects {
		if d.Name == "nonlinear" && c.Bent == 0 {
			bent = d.Pixels - d.Flagged
		}
	}
	return float64(bent) / float64(all)
}

// checkPulls holds the pulls of all bins against their bounds.
func checkPulls(t *testing.T, r *Result, c *camera) {
	t.Helper()
	p := c.load(t)
	f, shared := figuresOf(t, r, p), sharingOf(t, r, p)
	populated := 0
	for i := range r.Truth.Bins {
		b := &r.Truth.Bins[i]
		if b.Pixels < 1000 {
			continue
		}
		populated++
		mean, sd := c.bounds(b, &shared[i], f)
		if !(math.Abs(b.Mean) <= mostSigma*mean) {
			t.Errorf("%g to %g e-: mean pull %.4f, want 0 within %.4f", b.FromE, b.ToE, b.Mean, mostSigma*mean)
		}
		if !(math.Abs(b.SD-1) <= mostSigma*sd) {
			t.Errorf("%g to %g e-: standard deviation of pulls %.4f, want 1 within %.4f", b.FromE, b.ToE, b.SD, mostSigma*sd)
		}
	}
	bins := r.Truth.Bins
	if first, last := bins[0], bins[len(bins)-1]; populated < 9 || first.Pixels < 1000 || last.Pixels < 1000 {
		t.Errorf("%d bins hold 1000 pixels or more, the first %d, the last %d: want 9 bins at least, the first and the last among them",
			populated, first.Pixels, last.Pixels)
	}
}

func TestUncertaintiesAreHonest(t *testing.T) {
	for _, c := range cameras() {
		t.Run(c.name, func(t *testing.T) {
			heavy(t)
			checkPulls(t, mustRun(t, c.run), &c)
		})
	}
}

// Dead and hot pixels have to be found, and saturated ones; a product that
// flags everything would find them too, so most pixels have to be good.
func TestSpoiledPixelsAreFlaggedAndTheOthersAreNot(t *testing.T) {
	for _, c := range cameras() {
		t.Run(c.name, func(t *testing.T) {
			heavy(t)
			r := mustRun(t, c.run)
			p := c.load(t)
			found := map[string]float64{}
			for _, d := range r.Truth.Defects {
				if d.Pixels > 0 {
					found[d.Name] = float64(d.Flagged) / float64(d.Pixels)
				}
			}
			for _, kind := range []string{"hot", "dead", "saturated"} {
				if share, there := found[kind]; there && !(share >= 0.99) {
					t.Errorf("%.2f %% of the %s pixels carry a flag, want 99 %% at least", 100*found[kind], kind)
				}
			}
			for _, f := range r.Run.Frames {
				if unusable := unusableBySight(p, &f); !(f.Good > 0.9-unusable) {
					t.Errorf("%s: %.1f %% of the pixels are good, want more than %.1f %%", f.Product, 100*f.Good, 100*(0.9-unusable))
				}
			}
		})
	}
}

// Of hits of 20 sigmas and more 98 of 100 are found on the roughest ground
// (README, measured in calib/hits), and of pixels that were not struck no more
// than one in 50000 is taken for one; few beside hits are.
func TestHitsAreFoundAndLightIsLeft(t *testing.T) {
	searched := 0
	for _, c := range cameras() {
		p := c.load(t)
		if p.Detectors[0].Hits == nil {
			continue
		}
		searched++
		t.Run(c.name, func(t *testing.T) {
			heavy(t)
			h := mustRun(t, c.run).Truth.Hits
			strong, found := 0, 0
			for _, b := range h.Bins {
				if b.FromSigma >= 20 {
					strong, found = strong+b.Pixels, found+b.Flagged
				}
			}
			missed := 0.02 * float64(strong)
			if strong < 50 || float64(strong-found) > missed+4*math.Sqrt(missed) {
				t.Errorf("%d of %d hits found", found, strong)
			}
			if pixels := float64(h.Pixels); float64(h.Alarms) > 2e-5*pixels || float64(h.Beside) > 1e-6*pixels+10 {
				t.Errorf("%d false alarms in %g pixels, and %d beside hits", h.Alarms, pixels, h.Beside)
			}
		})
	}
	if searched == 0 {
		t.Error("no camera searches for hits")
	}
}

// unusableBySight is the share of a frame's pixels that cannot be good: rows
// that no strip of filters covers, and lines out of pace with the ground.
func unusableBySight(p *configs.Profile, f *pipeline.FrameReport) float64 {
	d := detectorOf(p, f.Detector)
	if d.LineScan != nil && *f.LineSmear > d.LineScan.MaxSmearPixels {
		return 1
	}
	if len(d.Strips) == 0 {
		return 0
	}
	covered := 0
	for _, s := range d.Strips {
		covered += s.Rows[1] - s.Rows[0] + 1
	}
	return 1 - float64(covered)/float64(d.Image.Rows[1]-d.Image.Rows[0]+1)
}

// The reflectance factor of a surface is pi L r^2 / E, r in au and E the
// irradiance at 1 au. The truth of L is the simulator's.
func TestReflectanceComesFromRadianceAndSun(t *testing.T) {
	heavy(t)
	r := mustRun(t, pellamReflecting)
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
	// Two detectors share three frames' places: masters' share of the variance
	// at full well, 1/10 + 1/(0.6 * 5), over at most 3 frames a place.
	const masterShare = 1.0/halfBias + 1/(0.6*halfFlat)
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
