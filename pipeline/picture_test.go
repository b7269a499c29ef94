package pipeline

import (
	"bytes"
	"encoding/binary"
	"encoding/json"
	"errors"
	"fmt"
	"image"
	"image/png"
	"io/fs"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"reflect"
	"runtime"
	"strings"
	"testing"

	"evenlight/calib"
	"evenlight/calib/colour"
	"evenlight/configs"
	"evenlight/fitsutil"
)

// testCube is a band cube of a test, of the camera brindle unless its profile
// says otherwise.
type testCube struct {
	name          string
	what          string                 // whatCube if empty
	change        func(*configs.Profile) // nil: none
	bands         []string
	unit          string
	sunAU         float64 // 0: not told
	width, height int
	lag           float64 // of neighbours, along rows and columns
	stages        []StageRecord
	systematic    []Term
	// pixel tells value, standard uncertainty and flags; band counts from 0.
	pixel func(band, x, y int) (value, sigma float64, flags calib.Flags)
}

const (
	noUnit       = ""
	radianceUnit = "W m-2 sr-1 nm-1"
)

// flat is a cube of I/F in which all pixels are alike.
func flat(values ...float64) testCube {
	return testCube{bands: []string{"red", "green", "blue"}[:len(values)], width: 16, height: 12,
		pixel: func(band, _, _ int) (float64, float64, calib.Flags) { return values[band], 0.001, 0 }}
}

// profile is the profile that the cube carries.
func (c testCube) profile(t testing.TB) *configs.Profile {
	t.Helper()
	text, err := configs.Builtin("brindle")
	if err != nil {
		t.Fatal(err)
	}
	p, err := configs.Parse("brindle", text, configs.Overrides{})
	if err != nil {
		t.Fatal(err)
	}
	if c.change != nil {
		c.change(p)
	}
	return p
}

// write writes the cube into a folder and returns its path.
func (c testCube) write(t testing.TB, dir string) string {
	t.Helper()
	if c.name == "" {
		c.name = "0031-scene-cube.fits"
	}
	if c.what == "" {
		c.what = whatCube
	}
	path := filepath.Join(dir, c.name)
	w, err := fitsutil.Create(path, fitsutil.CreateOptions{NoSync: true})
	must(t, err)
	defer w.Abort()
	profile := c.profile(t)
	must(t, c.writeHeader(w, profile))
	for _, e := range []struct {
		name, unit string
		bitpix     int
	}{{extValue, c.unit, -32}, {extUncertainty, c.unit, -32}, {extFlags, "", 32}} {
		h, err := imageHeader(e.name, e.unit, "")
		must(t, err)
		iw, err := w.AddImage(h, e.bitpix, c.width, c.height, len(c.bands))
		must(t, err)
		for b := range c.bands {
			must(t, iw.WriteRows(b, 0, c.height, c.plane(e.name, b)))
		}
	}
	lags := make([]float64, len(c.bands))
	for i := range lags {
		lags[i] = c.lag
	}
	h, err := tableHeader(extBands, "")
	must(t, err)
	must(t, w.AddTable(h, &fitsutil.Table{Columns: []fitsutil.Column{{Name: "BAND", Data: c.bands}, {Name: "LAG_X", Data: lags}, {Name: "LAG_Y", Data: lags}}}))
	must(t, addProfile(w, profile.Canonical()))
	must(t, w.Commit())
	return path
}

func (c testCube) writeHeader(w *fitsutil.Writer, profile *configs.Profile) error {
	h := fitsutil.NewHeader()
	cw := cardWriter{h: h}
	cw.set("PRODUCT", c.what, "")
	cw.set("INSTRUME", profile.Instrument, "")
	cw.set("DETECTOR", "main", "")
	cw.set("OBJECT", "Tessaly", "")
	cw.set("DATE-BEG", "2031-03-09T12:00:00.000", "")
	if c.sunAU > 0 {
		cw.set("SUNDIST", c.sunAU, "")
	}
	cw.set("NBANDS", len(c.bands), "")
	for i, b := range c.bands {
		cw.set(fmt.Sprintf("BAND%02d", i+1), b, "")
	}
	if cw.err != nil {
		return cw.err
	}
	p := Provenance{Software: Software, Version: Version, ProfileHash: profile.Hash(), Stages: c.stages, Systematic: c.systematic}
	if err := p.writeTo(h); err != nil {
		return err
	}
	_, err := w.AddImage(h, 8)
	return err
}

// plane is the content of one plane of an extension.
func (c testCube) plane(ext string, band int) []byte {
	out := make([]byte, 0, 4*c.width*c.height)
	for y := range c.height {
		for x := range c.width {
			v, sigma, flags := c.pixel(band, x, y)
			bits := map[string]uint32{extValue: math.Float32bits(float32(v)), extUncertainty: math.Float32bits(float32(sigma)), extFlags: uint32(flags)}[ext]
			out = binary.BigEndian.AppendUint32(out, bits)
		}
	}
	return out
}

func must(t testing.TB, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

// full is the stretch that shows linear 0 to 1 with the curve of sRGB.
func full() *colour.Stretch {
	s := colour.FullRange()
	return &s
}

// made is a picture that was made and read again.
type made struct {
	*PictureReport
	dir           string
	deep, small   image.Image
	deepB, smallB []byte
	record        []byte
}

// picture makes a picture of a cube in a folder of its own.
func picture(t *testing.T, c testCube, opt PictureOptions) made {
	t.Helper()
	dir := t.TempDir()
	return pictureOf(t, c.write(t, dir), opt)
}

func pictureOf(t *testing.T, path string, opt PictureOptions) made {
	t.Helper()
	r, err := MakePicture(path, opt)
	must(t, err)
	m := made{PictureReport: r, dir: filepath.Dir(path)}
	if opt.OutDir != "" {
		m.dir = opt.OutDir
	}
	m.deep, m.deepB = readPNG(t, filepath.Join(m.dir, r.Files.Colour))
	m.small, m.smallB = readPNG(t, filepath.Join(m.dir, r.Files.Preview))
	m.record, err = os.ReadFile(filepath.Join(m.dir, r.Files.Record))
	must(t, err)
	return m
}

func readPNG(t *testing.T, path string) (image.Image, []byte) {
	t.Helper()
	b, err := os.ReadFile(path)
	must(t, err)
	img, err := png.Decode(bytes.NewReader(b))
	if err != nil {
		t.Fatalf("%s: %v", path, err)
	}
	return img, b
}

// code returns red, green, blue and alpha of a pixel, 16 bits each.
func code(img image.Image, x, y int) [4]int {
	r, g, b, a := img.At(x, y).RGBA()
	return [4]int{int(r), int(g), int(b), int(a)}
}

// srgb is the curve of IEC 61966-2-1 (from memory).
func srgb(c float64) float64 {
	if c <= 0.0031308 {
		return 12.92 * c
	}
	return 1.055*math.Pow(c, 1/2.4) - 0.055
}

// fromSRGB is its inverse.
func fromSRGB(e float64) float64 {
	if e <= 0.04045 {
		return e / 12.92
	}
	return math.Pow((e+0.055)/1.055, 2.4)
}

// brindleSun is the solar irradiance of brindle's bands, as in its profile.
var brindleSun = map[string]float64{"red": 1.72, "green": 1.87, "blue": 2.02}

// sunlit turns reflectances into radiance at a distance to the Sun: L =
// rho E / (pi r^2).
func sunlit(c testCube, sunAU float64) testCube {
	reflectance := c.pixel
	c.unit, c.sunAU = radianceUnit, sunAU
	c.pixel = func(band, x, y int) (float64, float64, calib.Flags) {
		v, s, f := reflectance(band, x, y)
		k := brindleSun[c.bands[band]] / (math.Pi * sunAU * sunAU)
		return v * k, s * k, f
	}
	return c
}

func TestWhiteIsWhiteAndGreyIsGreyInEachUnit(t *testing.T) {
	ramp := flat(0, 0, 0)
	ramp.width, ramp.height = 101, 3
	ramp.pixel = func(_, x, _ int) (float64, float64, calib.Flags) { return float64(x) / 100, 0.001, 0 }
	counts := ramp // electrons, unlike from band to band; the target is 0.8 of the ramp's end
	counts.unit = "electron"
	counts.pixel = func(band, x, _ int) (float64, float64, calib.Flags) {
		return 80 * float64(x) * []float64{1, 2.5, 0.3}[band], 1, 0
	}
	target := &calib.Region{X0: 100, X1: 101, Y1: 3}
	for name, test := range map[string]struct {
		cube testCube
		opt  PictureOptions
		kind string
	}{
		"I/F":                         {ramp, PictureOptions{}, whiteSun},
		"radiance at 5.2 au":          {sunlit(ramp, 5.2), PictureOptions{}, whiteSun},
		"radiance with a target":      {sunlit(ramp, 5.2), PictureOptions{White: target}, whiteTarget},
		"electrons with a target":     {counts, PictureOptions{White: target}, whiteTarget},
		"I/F in the light of the Sun": {ramp, PictureOptions{Illuminant: "sun"}, whiteSun},
	} {
		t.Run(name, func(t *testing.T) {
			test.opt.Stretch = full()
			p := picture(t, test.cube, test.opt)
			if p.Mode != modeNatural || p.White.Kind != test.kind || p.Approximate {
				t.Errorf("mode %s, white by %s, approximate %v", p.Mode, p.White.Kind, p.Approximate)
			}
			for x := range 101 {
				want := 65535 * srgb(float64(x)/100)
				got := code(p.deep, x, 1)
				for _, v := range got[:3] {
					// float32's rounding of three products, 2e-7, times the
					// curve's steepest slope, 12.92 x 65535, and half a code.
					if math.Abs(float64(v)-want) > 0.8 {
						t.Fatalf("grey of %d %%: code %v, want %.2f in all", x, got, want)
					}
				}
			}
			if got := code(p.deep, 100, 1); got != [4]int{65535, 65535, 65535, 65535} {
				t.Errorf("white is %v", got)
			}
		})
	}
}

// Patches of a grey wedge, with noise: their chromaticity departs from that of
// white by what the quoted random uncertainty says. A pull of N patches has
// mean 0 +- 1/sqrt(N) and standard deviation 1 +- 1/sqrt(2N).
func TestGreyWedgeIsGreyWithinItsUncertainty(t *testing.T) {
	const side, columns, rows = 12, 16, 12
	c := flat(0, 0, 0)
	c.width, c.height = side*columns, side*rows
	noise := gaussians(3, c.width*c.height, 7)
	c.pixel = func(band, x, y int) (float64, float64, calib.Flags) {
		level := 0.05 + 0.9*float64(x/side)/columns
		sigma := []float64{0.01, 0.006, 0.015}[band] * math.Sqrt(level)
		return level + sigma*noise[band][y*c.width+x], sigma, 0
	}
	opt := PictureOptions{Probes: patches(side, columns, rows)}
	p := picture(t, sunlit(c, 1.4), opt)
	// D65's chromaticity (ISO/CIE 11664-2): 0.31272, 0.32903 with the tables at
	// 5 nm; its digits beyond matter less than 1e-5, far below the noise here.
	var pulls []float64
	var distances, quoted float64 // squared, from grey
	for _, q := range p.Probes {
		distances += q.ToGrey.DeltaE76 * q.ToGrey.DeltaE76
		quoted += q.ToGrey.Random * q.ToGrey.Random
		for i, white := range []float64{0.31272, 0.32903} {
			v := q.Chromaticity[i]
			pulls = append(pulls, (v.Value-white)/v.Random)
		}
		for i, v := range q.RGB { // R = G = B within four of their uncertainties
			o := q.RGB[(i+1)%3]
			if math.Abs(v.Value-o.Value) > 4.5*math.Hypot(v.Random, o.Random) {
				t.Errorf("patch at column %d: %s %.5f, %s %.5f", q.Columns[0], v.Name, v.Value, o.Name, o.Value)
			}
		}
		if q.Scatter < 0.7 || q.Scatter > 1.4 { // 144 pixels: 1 +- 0.06
			t.Errorf("patch at column %d: scatter %.2f of the noise", q.Columns[0], q.Scatter)
		}
	}
	// x and y of a patch correlate, so they count as one, and so do a* and b*:
	// the mean of N squares is uncertain by sqrt(2/N) at most.
	checkPulls(t, pulls, columns*rows)
	if ratio := distances / quoted; math.Abs(ratio-1) > 4*math.Sqrt(2.0/(columns*rows)) {
		t.Errorf("squared distances to grey are %.2f times what is quoted", ratio)
	}
}

// checkPulls compares pulls, of which n are independent, with a standard
// normal distribution, within four standard errors.
func checkPulls(t *testing.T, pulls []float64, n int) {
	t.Helper()
	var sum, squares float64
	for _, p := range pulls {
		sum += p
		squares += p * p
	}
	mean := sum / float64(len(pulls))
	sd := math.Sqrt(squares / float64(len(pulls)))
	if limit := 4 / math.Sqrt(float64(n)); math.Abs(mean) > limit {
		t.Errorf("pulls have mean %.3f, want 0 within %.3f", mean, limit)
	}
	if limit := 4 / math.Sqrt(2*float64(n)); math.Abs(sd-1) > limit {
		t.Errorf("pulls have root mean square %.3f, want 1 within %.3f", sd, limit)
	}
}

// gaussians draws n normal deviates for each of some bands.
func gaussians(bands, n int, seed uint64) [][]float64 {
	r := rand.New(rand.NewPCG(seed, 1))
	out := make([][]float64, bands)
	for b := range out {
		out[b] = make([]float64, n)
		for i := range out[b] {
			out[b][i] = r.NormFloat64()
		}
	}
	return out
}

// patches are square probes, side by side.
func patches(side, columns, rows int) []calib.Region {
	var out []calib.Region
	for y := range rows {
		for x := range columns {
			out = append(out, calib.Region{X0: side * x, X1: side * (x + 1), Y0: side * y, Y1: side * (y + 1)})
		}
	}
	return out
}

// surfaces are made-up reflectances in light of D65: values of brindle's red,
// green and blue, and X, Y, Z with Y of white 1. Computed apart from this
// project's code by summation at 1 nm, with the tables of ISO/CIE 11664-1 and
// 11664-2 and the profile's responses interpolated linearly. With w in nm:
//
//	rust  0.08 + 0.45 / (1 + exp(-(w-590)/22))
//	moss  0.05 + 0.28 exp(-((w-545)/55)^2)
//	slate 0.30 - 0.0003 (w-380)
//	ice   0.62 - 0.25 / (1 + exp(-(w-560)/40))
var surfaces = []struct {
	name        string
	values, xyz [3]float64
}{
	{"rust", [3]float64{0.32679, 0.14897, 0.09039}, [3]float64{0.26075, 0.20391, 0.08929}},
	{"moss", [3]float64{0.17067, 0.23907, 0.11106}, [3]float64{0.15576, 0.23918, 0.09200}},
	{"slate", [3]float64{0.23574, 0.25408, 0.27356}, [3]float64{0.23187, 0.24697, 0.30185}},
	{"ice", [3]float64{0.45114, 0.52915, 0.59035}, [3]float64{0.45577, 0.49936, 0.65344}},
}

func TestKnownColoursComeWithinTheQuotedError(t *testing.T) {
	white := [3]float64{0.95042, 1, 1.08845} // of D65, by the same computation
	for _, s := range surfaces {
		c := flat(s.values[:]...)
		p := picture(t, sunlit(c, 2), PictureOptions{Probes: []calib.Region{{X1: 16, Y1: 12}}})
		xyz := p.Probes[0].XYZ
		got := [3]float64{xyz[0].Value, xyz[1].Value, xyz[2].Value}
		e := colour.DeltaE2000(colour.ToLab(got, white), colour.ToLab(s.xyz, white))
		if e > p.ColourError.MaxDeltaE2000 {
			t.Errorf("%s: X, Y, Z %.5f, want %.5f: CIEDE2000 %.2f, and %.2f is quoted as the largest", s.name, got, s.xyz, e, p.ColourError.MaxDeltaE2000)
		}
		// The picture shows the same colour.
		var linear [3]float64
		for i, v := range p.Probes[0].RGB {
			linear[i] = v.Value
		}
		if high := p.Stretch.High[0]; !(p.Stretch.Low == [3]float64{}) || !p.Stretch.stretch().Common() {
			t.Errorf("%s: stretch %+v changes the hue", s.name, p.Stretch)
		} else {
			got := code(p.deep, 3, 3)
			for i, v := range got[:3] {
				if want := 65535 * srgb(min(1, max(0, linear[i]/high))); math.Abs(float64(v)-want) > 1 {
					t.Errorf("%s: code %d of channel %d, want %.1f", s.name, v, i, want)
				}
			}
		}
	}
}

// The pixels of a picture scatter by the noise that is quoted, also where the
// errors of bands correlate, as those of separated layers do.
func TestQuotedNoiseIsThatOfThePicture(t *testing.T) {
	const side = 160
	for name, rho := range map[string]float64{"independent bands": 0, "layers": -0.55} {
		t.Run(name, func(t *testing.T) {
			c := flat(0, 0, 0)
			c.width, c.height = side, side
			z := gaussians(3, side*side, 11)
			c.pixel = func(band, x, y int) (float64, float64, calib.Flags) {
				i := y*side + x
				e := z[band][i]
				if band == 1 { // correlates with red
					e = rho*z[0][i] + math.Sqrt(1-rho*rho)*z[1][i]
				}
				return 0.4 + 0.01*e, 0.01, 0
			}
			if rho != 0 {
				c.stages = []StageRecord{{"separate layers", []calib.Setting{{Name: "correlation.red.green", Value: fmt.Sprint(rho)}}}}
			}
			p := picture(t, c, PictureOptions{Stretch: full()})
			for ch := range 3 {
				var sum, squares float64
				for y := range side {
					for x := range side {
						v := fromSRGB(float64(code(p.deep, x, y)[ch]) / 65535)
						sum += v
						squares += v * v
					}
				}
				n := float64(side * side)
				sd := math.Sqrt(squares/n - sum*sum/(n*n))
				if want := p.Noise[ch]; math.Abs(sd/want-1) > 4/math.Sqrt(2*n) {
					t.Errorf("channel %d scatters by %.5f, quoted %.5f", ch, sd, want)
				}
			}
		})
	}
}

// The mean of a probe is as uncertain as is quoted where neighbours share
// their errors: pixels halfway between two, and pixels filled in from others.
func TestProbesKnowThatNeighboursAreNotIndependent(t *testing.T) {
	const side, columns, rows = 16, 12, 12
	const width, height = side * columns, side * rows
	z := gaussians(3, (width+1)*(height+1), 23)
	at := func(band, x, y int) float64 { return z[band][y*(width+1)+x] }
	halfway := flat(0, 0, 0)
	// The mean of four independent errors of 0.01 has 0.005; two neighbours
	// share half of theirs.
	halfway.lag = 0.5
	halfway.pixel = func(band, x, y int) (float64, float64, calib.Flags) {
		return 0.5 + 0.01*(at(band, x, y)+at(band, x+1, y)+at(band, x, y+1)+at(band, x+1, y+1))/4, 0.005, 0
	}
	filled := flat(0, 0, 0)
	// One of four pixels was measured, the others copy it.
	filled.pixel = func(band, x, y int) (float64, float64, calib.Flags) {
		flags := calib.Interpolated
		if x%2 == 0 && y%2 == 0 {
			flags = 0
		}
		return 0.5 + 0.01*at(band, x/2*2, y/2*2), 0.01, flags
	}
	// The same where frames had gaps that were filled in: these have a value,
	// although the flag of the cause stays.
	gaps := filled
	gaps.pixel = func(band, x, y int) (float64, float64, calib.Flags) {
		v, sigma, flags := filled.pixel(band, x, y)
		if flags != 0 {
			flags = calib.Dead | calib.NoCalibration | calib.Filled
		}
		return v, sigma, flags
	}
	for name, c := range map[string]testCube{"halfway": halfway, "interpolated": filled, "filled in": gaps} {
		t.Run(name, func(t *testing.T) {
			c.width, c.height = width, height
			p := picture(t, c, PictureOptions{Probes: patches(side, columns, rows)})
			for band := range 3 {
				var pulls []float64
				for _, q := range p.Probes {
					pulls = append(pulls, (q.Values[band].Value-0.5)/q.Values[band].Random)
				}
				checkPulls(t, pulls, len(pulls))
			}
		})
	}
}

// A target's white is as uncertain as its pixels' correlation makes it: with
// half of each error shared by neighbours, twice along each axis less the edge.
func TestTargetsKnowThatNeighboursAreNotIndependent(t *testing.T) {
	c := flat(0.3, 0.2, 0.1)
	c.lag = 0.5
	p := picture(t, c, PictureOptions{White: &calib.Region{X1: 16, Y1: 12}})
	want := 0.001 / math.Sqrt(192) * math.Sqrt((2-1.0/16)*(2-1.0/12))
	for i, u := range p.White.Uncertainty {
		if math.Abs(u/want-1) > 1e-4 {
			t.Errorf("white of %s is uncertain by %.4g, want %.4g", p.Bands[i], u, want)
		}
	}
}

func TestSystematicUncertainty(t *testing.T) {
	terms := []Term{{"gain", 0.003}, {"dark temperature law", 0.5}, {"flat normalisation", 0.001}, {"responsivity", 0.9}}
	distance := func(p *configs.Profile) { p.Output.SunDistanceRelUncert = 0.002 }
	probe := []calib.Region{{X1: 16, Y1: 12}}
	// Of band red: 0.02 responsivity and 0.015 irradiance (profile), 0.001 flat
	// normalisation, 0.003 gain, twice 0.002 distance.
	squares := func(v ...float64) (s float64) {
		for _, x := range v {
			s += x * x
		}
		return math.Sqrt(s)
	}
	one := flat(0.3)
	one.systematic, one.change = terms, distance
	electrons := one
	electrons.unit = "electron"
	for name, test := range map[string]struct {
		cube testCube
		opt  PictureOptions
		want float64
	}{
		"I/F":                   {one, PictureOptions{Probes: probe}, 0.3 * squares(0.02, 0.015, 0.001, 0.003, 0.004)},
		"radiance":              {sunlit(one, 3), PictureOptions{Probes: probe}, 0.3 * squares(0.02, 0.015, 0.001, 0.003, 0.004)},
		"electrons as they are": {electrons, PictureOptions{Probes: probe}, 0.3 * squares(0.001, 0.003)},
		// What is wrong by a factor cancels; the mean of the target's 192 pixels
		// stays uncertain.
		"with a target": {one, PictureOptions{Probes: probe, White: &probe[0]}, 0.001 / math.Sqrt(192) / 0.3},
	} {
		t.Run(name, func(t *testing.T) {
			test.opt.Stretch = full() // all pixels are alike
			p := picture(t, test.cube, test.opt)
			if got := p.Probes[0].RGB[1].Systematic; math.Abs(got/test.want-1) > 1e-6 {
				t.Errorf("systematic uncertainty %.6g, want %.6g", got, test.want)
			}
		})
	}
}

// A grey of which red alone is uncertain: chromaticity moves along one line
// only, and scaling all bands moves it not at all.
func TestWhatBandsShareDoesNotShiftTheColour(t *testing.T) {
	c := flat(0.4, 0.4, 0.4)
	c.change = func(p *configs.Profile) {
		for i := range p.Bands {
			p.Bands[i].ResponsivityRelUncert, p.Bands[i].SolarIrradianceRelUncert = 0, 0
		}
	}
	c.systematic = []Term{{"gain", 0.05}}
	p := picture(t, c, PictureOptions{Probes: []calib.Region{{X1: 16, Y1: 12}}})
	q := p.Probes[0]
	if y := q.XYZ[1]; math.Abs(y.Systematic-0.05*0.4) > 1e-9 {
		t.Errorf("Y is uncertain by %.5f, want 0.02", y.Systematic)
	}
	for _, v := range append(q.Chromaticity, Measured{"colour difference", 0, 0, q.ToGrey.Systematic / 1000}) {
		if v.Systematic > 1e-6 {
			t.Errorf("%s is uncertain by %.2g, want 0", v.Name, v.Systematic)
		}
	}
}

func TestOneBandIsGrey(t *testing.T) {
	c := flat(0.25)
	c.what, c.name = whatFrame, "0031-scene-calibrated.fits"
	c.change = func(p *configs.Profile) { p.Detectors[0].Mosaic, p.Bands = nil, p.Bands[:1] }
	c.width, c.height = 40, 20
	p := picture(t, c, PictureOptions{Stretch: full()})
	if p.Mode != modeGrey || p.ColourError != nil || p.Files.Colour != "0031-scene-calibrated-colour.png" {
		t.Errorf("mode %s, colour error %v, file %s", p.Mode, p.ColourError, p.Files.Colour)
	}
	want := int(math.Round(65535 * srgb(0.25)))
	if got := code(p.deep, 5, 5); got != [4]int{want, want, want, 65535} {
		t.Errorf("code %v, want %d", got, want)
	}
}

func TestBandsThatSeeLittleVisibleLightAreLeftOut(t *testing.T) {
	infrared := func(p *configs.Profile) { p.Bands[2].Response, p.Bands[2].WavelengthNM = nil, 870 }
	p := picture(t, with3(infrared), PictureOptions{})
	if !reflect.DeepEqual(p.Bands, []string{"red", "green"}) || !reflect.DeepEqual(p.LeftOut, []string{"blue"}) {
		t.Errorf("bands %v, left out %v", p.Bands, p.LeftOut)
	}
	if text := strings.Join(p.Warnings, "\n"); !strings.Contains(text, "two bands") || !strings.Contains(text, "blue is left out") {
		t.Errorf("warnings:\n%s", text)
	}
	asked := picture(t, with3(infrared), PictureOptions{Bands: []string{"red", "green", "blue"}})
	if len(asked.Bands) != 3 || !asked.Approximate {
		t.Errorf("bands %v, approximate %v", asked.Bands, asked.Approximate)
	}
}

// with3 is a cube of three bands with a changed profile.
func with3(change func(*configs.Profile)) testCube {
	c := flat(0.3, 0.2, 0.1)
	c.change = change
	return c
}

func TestApproximateColourSaysSoEverywhere(t *testing.T) {
	p := picture(t, with3(func(p *configs.Profile) { p.Bands[1].Response = nil }), PictureOptions{})
	text := (&PictureSummary{Pictures: []MadePicture{{p.dir, p.PictureReport}}}).Text()
	for where, content := range map[string]string{"statement": p.Statement, "terminal": text, "warnings": strings.Join(p.Warnings, " "),
		"16-bit PNG": string(p.deepB), "8-bit PNG": string(p.smallB), "record": string(p.record)} {
		if !strings.Contains(content, "approximate") {
			t.Errorf("the %s does not say approximate", where)
		}
	}
	if !p.Approximate {
		t.Error("the record is not marked")
	}
}

func TestFalseColourShowsBandsAndRatios(t *testing.T) {
	c := flat(0.3, 0.6, 0.2)
	c.systematic = []Term{{"gain", 0.04}} // cancels in the ratio
	p := picture(t, c, PictureOptions{RGB: []string{"red/green", " blue", "green"}, Stretch: full(), Probes: []calib.Region{{X1: 16, Y1: 12}}})
	got := code(p.deep, 2, 2)
	for i, v := range []float64{0.5, 0.2, 0.6} {
		if want := 65535 * srgb(v); math.Abs(float64(got[i])-want) > 0.8 {
			t.Errorf("channel %d has code %d, want %.1f", i, got[i], want)
		}
	}
	q := p.Probes[0]
	// u(r)^2 = (u^2 + r^2 u^2)/b^2 a pixel (JCGM 100:2008, 5.1), with 192 pixels.
	if want := 0.001 / 0.6 * math.Sqrt(1.25) / math.Sqrt(192); math.Abs(q.Values[0].Random/want-1) > 1e-4 {
		t.Errorf("ratio is uncertain by %.3g, want %.3g", q.Values[0].Random, want)
	}
	// 0.02 and 0.015 of either band (profile).
	if want := 0.5 * math.Sqrt(2*(0.02*0.02+0.015*0.015)); math.Abs(q.Values[0].Systematic/want-1) > 1e-6 {
		t.Errorf("systematic uncertainty of the ratio %.4g, want %.4g", q.Values[0].Systematic, want)
	}
	if q.XYZ != nil || p.ColourError != nil || p.Illuminant != "" || p.Mode != modeFalse {
		t.Errorf("false colour claims colour: %+v", p.PictureReport)
	}
}

func TestPixelsWithoutAValueAreTransparent(t *testing.T) {
	c := flat(0.3, 0.2, 0.1)
	whole := c.pixel
	c.pixel = func(band, x, y int) (float64, float64, calib.Flags) {
		v, s, f := whole(band, x, y)
		switch {
		case x == 4 && band == 1:
			return math.NaN(), math.NaN(), calib.Missing
		case x == 5 && band == 2:
			return v, math.NaN(), calib.Saturated
		case x == 6:
			return v, s, calib.Hot
		}
		return v, s, f
	}
	for name, test := range map[string]struct {
		hide   []string
		opaque [4]bool // columns 4 to 7
		shown  int
	}{
		"unusable ones":  {nil, [4]bool{false, false, true, true}, 14 * 12},
		"hot ones too":   {[]string{"missing", "saturated", "hot"}, [4]bool{false, false, false, true}, 13 * 12},
		"no flag at all": {[]string{}, [4]bool{false, true, true, true}, 15 * 12}, // NaN has no colour
	} {
		t.Run(name, func(t *testing.T) {
			p := picture(t, c, PictureOptions{Hide: test.hide, Stretch: full()})
			for i, want := range test.opaque {
				if got := code(p.deep, 4+i, 3)[3] == 65535; got != want {
					t.Errorf("column %d opaque: %v", 4+i, got)
				}
			}
			if p.Pixels.Shown != test.shown || p.Pixels.All != 16*12 {
				t.Errorf("counts %+v", p.Pixels)
			}
		})
	}
}

func TestManyClippedPixelsAreToldOfUnlessTheyAreNoise(t *testing.T) {
	c := flat(0, 0, 0) // twelve rows at -0.01, ..., 0.21
	c.pixel = func(_, x, y int) (float64, float64, calib.Flags) { return 0.02*float64(y) - 0.01, 0.01, 0 }
	for _, test := range []struct {
		low, high    float64
		below, above int // rows
		warns        []string
	}{
		{0, 1, 1, 0, nil},
		{0, 0.2, 1, 1, []string{"16 of 192 pixels are brighter"}},
		{0.02, 0.3, 2, 0, []string{"32 of 192 pixels are darker"}},
	} {
		s := colour.Stretch{Low: [3]float64{test.low, test.low, test.low}, High: [3]float64{test.high, test.high, test.high}}
		p := picture(t, c, PictureOptions{Stretch: &s})
		if p.Pixels.ClippedBelow != 16*test.below || p.Pixels.ClippedAbove != 16*test.above {
			t.Errorf("%g to %g: counts %+v", test.low, test.high, p.Pixels)
		}
		if len(p.Warnings) != len(test.warns) || len(test.warns) == 1 && !strings.Contains(p.Warnings[0], test.warns[0]) {
			t.Errorf("%g to %g: warnings %q, want %q", test.low, test.high, p.Warnings, test.warns)
		}
	}
}

func TestPreviewAveragesLightOfUnsaturatedPixels(t *testing.T) {
	c := flat(0)
	c.width, c.height = 30, 21
	c.pixel = func(_, x, y int) (float64, float64, calib.Flags) {
		switch {
		case x < 4: // black and white in turn
			return float64((x + y) % 2), 0.001, 0
		case x == 4 && y == 0: // beside three of 0.2
			return 1, math.NaN(), calib.Saturated
		}
		return 0.2, 0.001, 0
	}
	for _, hide := range [][]string{nil, {}} {
		p := picture(t, c, PictureOptions{PreviewPx: 15, Stretch: full(), Hide: hide})
		if p.Preview.Width != 15 || p.Preview.Height != 11 || p.Preview.Side != 2 || p.small.Bounds().Dx() != 15 {
			t.Fatalf("preview %+v", p.Preview)
		}
		for _, at := range []struct {
			x, y int
			mean float64
		}{{0, 0, 0.5}, {2, 0, 0.2}, {14, 10, 0.2}} {
			want := int(math.Round(255 * srgb(at.mean)))
			if got := code(p.small, at.x, at.y); got[0] != 257*want || got[3] != 65535 {
				t.Errorf("preview pixel %d, %d has code %d, want %d", at.x, at.y, got[0]/257, want)
			}
		}
	}
}

func TestMovedPixelsAreOutlinedInThePreviewOnly(t *testing.T) {
	c := flat(0.3, 0.3, 0.3)
	c.width, c.height = 40, 40
	whole := c.pixel
	c.pixel = func(band, x, y int) (float64, float64, calib.Flags) {
		v, s, f := whole(band, x, y)
		if x == 20 && (y == 12 || y == 13) {
			f |= calib.Moved
		}
		return v, s, f
	}
	plain := picture(t, c, PictureOptions{})
	drawn := picture(t, c, PictureOptions{MarkMoved: true})
	if plain.Preview.Marked != 0 || drawn.Preview.Marked != 10 { // around 1 x 2 pixels
		t.Errorf("%d and %d pixels drawn, want 0 and 10", plain.Preview.Marked, drawn.Preview.Marked)
	}
	magenta := [4]int{65535, 0, 65535, 65535}
	for y := range 40 {
		for x := range 40 {
			inside := x == 20 && (y == 12 || y == 13)
			around := x >= 19 && x <= 21 && y >= 11 && y <= 14 && !inside
			if got := code(drawn.small, x, y) == magenta; got != around {
				t.Errorf("pixel %d, %d drawn: %v", x, y, got)
			}
			if code(drawn.deep, x, y) != code(plain.deep, x, y) {
				t.Errorf("the 16-bit picture was drawn upon at %d, %d", x, y)
			}
		}
	}
	if drawn.Pixels.Moved != 2 || !strings.Contains(strings.Join(drawn.Warnings, " "), "2 pixels that are flagged moved") {
		t.Errorf("%d moved, warnings %v", drawn.Pixels.Moved, drawn.Warnings)
	}
}

func TestAnotherPicturesStretchIsReproduced(t *testing.T) {
	ramp := flat(0, 0, 0)
	ramp.width, ramp.height = 64, 64
	ramp.pixel = func(band, x, y int) (float64, float64, calib.Flags) {
		return float64(64*y+x)/4096*0.37 + 0.01*float64(band), 0.001, 0
	}
	first := picture(t, ramp, PictureOptions{Gamma: 1.7})
	record := filepath.Join(first.dir, first.Files.Record)
	again := picture(t, ramp, PictureOptions{StretchFrom: record})
	if again.Stretch.Low != first.Stretch.Low || again.Stretch.High != first.Stretch.High || again.Stretch.Gamma != 1.7 || again.Stretch.From != first.Files.Record {
		t.Errorf("stretch %+v, want %+v", again.Stretch, first.Stretch)
	}
	if !samePixels(again.deep, first.deep) || !samePixels(again.small, first.small) {
		t.Error("the same cube with the same stretch gives other pixels")
	}
	dim := ramp
	dim.pixel = func(band, x, y int) (float64, float64, calib.Flags) {
		v, s, f := ramp.pixel(band, x, y)
		return v / 2, s / 2, f
	}
	if own := picture(t, dim, PictureOptions{Gamma: 1.7}); own.Stretch.High == first.Stretch.High {
		t.Error("a dimmer cube has the same stretch of its own: the test shows nothing")
	}
	if dimmer := picture(t, dim, PictureOptions{StretchFrom: record}); dimmer.Stretch.High != first.Stretch.High {
		t.Errorf("stretch up to %v, want %v", dimmer.Stretch.High, first.Stretch.High)
	}
}

func samePixels(a, b image.Image) bool {
	if a.Bounds() != b.Bounds() {
		return false
	}
	for y := range a.Bounds().Dy() {
		for x := range a.Bounds().Dx() {
			if a.At(x, y) != b.At(x, y) {
				return false
			}
		}
	}
	return true
}

func TestPicturesDoNotDependOnWorkers(t *testing.T) {
	c := flat(0, 0, 0)
	c.width, c.height = 150, 201
	z := gaussians(3, c.width*c.height, 3)
	c.pixel = func(band, x, y int) (float64, float64, calib.Flags) {
		i := y*c.width + x
		if i%977 == 0 {
			return math.NaN(), math.NaN(), calib.Missing
		}
		return 0.3 + 0.1*z[band][i], 0.1, calib.Flags(i%5/4) * calib.Moved
	}
	path := c.write(t, t.TempDir())
	opt := PictureOptions{PreviewPx: 60, MarkMoved: true, Probes: []calib.Region{{X0: 3, X1: 90, Y0: 7, Y1: 150}}, White: &calib.Region{X1: 50, Y1: 50}}
	var first made
	for workers := range 4 {
		opt.Workers, opt.OutDir = workers, t.TempDir()
		p := pictureOf(t, path, opt)
		if workers == 0 {
			first = p
			continue
		}
		if !bytes.Equal(p.deepB, first.deepB) || !bytes.Equal(p.smallB, first.smallB) || !bytes.Equal(p.record, first.record) {
			t.Errorf("other bytes with %d workers", workers)
		}
	}
}

func TestTheRecordReadsBackAndThePNGsCarryIt(t *testing.T) {
	c := flat(0.3, 0.2, 0.1)
	path := c.write(t, t.TempDir())
	sum, _, err := fitsutil.HashFile(path)
	must(t, err)
	p := pictureOf(t, path, PictureOptions{Probes: []calib.Region{{X1: 8, Y1: 8}}, Stretch: full()})
	back, err := ReadPictureReport(filepath.Join(p.dir, p.Files.Record))
	must(t, err)
	if !reflect.DeepEqual(back, p.PictureReport) {
		t.Errorf("read back\n%+v\nwant\n%+v", back, p.PictureReport)
	}
	if len(p.Inputs) != 1 || p.Inputs[0] != (Input{"band cube", "0031-scene-cube.fits", sum}) || p.ProfileHash != c.profile(t).Hash() || p.Version != Version {
		t.Errorf("inputs %+v, profile %s", p.Inputs, p.ProfileHash)
	}
	var compact bytes.Buffer
	must(t, json.Compact(&compact, p.record))
	for name, b := range map[string][]byte{"16-bit": p.deepB, "8-bit": p.smallB} {
		if !bytes.Contains(b, append([]byte("tEXtrecord\x00"), compact.Bytes()...)) {
			t.Errorf("the %s PNG does not carry the record", name)
		}
		for _, part := range []string{"tEXtSoftware\x00evenlight " + Version, "tEXtstretch.high\x001 1 1", "tEXtwhite.source\x00", "tEXtcolour.red\x00"} {
			if !bytes.Contains(b, []byte(part)) {
				t.Errorf("the %s PNG lacks %q", name, part)
			}
		}
	}
}

func TestPicturesAreReplacedOnlyWhenAllowed(t *testing.T) {
	path := flat(0.3, 0.2, 0.1).write(t, t.TempDir())
	first := pictureOf(t, path, PictureOptions{})
	_, err := MakePicture(path, PictureOptions{Stretch: full()})
	if !errors.Is(err, fs.ErrExist) || !strings.Contains(err.Error(), first.Files.Colour) {
		t.Errorf("error %v", err)
	}
	if _, b := readPNG(t, filepath.Join(first.dir, first.Files.Colour)); !bytes.Equal(b, first.deepB) {
		t.Error("the picture changed nevertheless")
	}
	if again := pictureOf(t, path, PictureOptions{Stretch: full(), Overwrite: true}); bytes.Equal(again.deepB, first.deepB) {
		t.Error("the picture was not replaced")
	}
}

func TestCubesThatGiveNoPicture(t *testing.T) {
	good := flat(0.3, 0.2, 0.1)
	radiance := sunlit(good, 1)
	radiance.sunAU = 0
	noSun := sunlit(with3(func(p *configs.Profile) { p.Bands[1].SolarIrradiance = 0 }), 1)
	electrons := good
	electrons.unit = "electron"
	mosaic := flat(0.3)
	mosaic.what = whatFrame
	other := good
	other.what = MasterFlat
	noBand := good
	noBand.bands = []string{"red", "green", "clear"}
	for name, test := range map[string]struct {
		cube testCube
		opt  PictureOptions
		want []string
	}{
		"radiance without distance":   {radiance, PictureOptions{}, []string{"SUNDIST", "--white", "keywords.sun_distance_au"}},
		"radiance without irradiance": {noSun, PictureOptions{}, []string{"solar_irradiance", "green", "--white"}},
		"electrons without a target":  {electrons, PictureOptions{}, []string{`"electron"`, "--white"}},
		"a band of unknown response":  {noBand, PictureOptions{}, []string{"clear", "response", "wavelength_nm", "--bands", "--rgb"}},
		"no such band":                {good, PictureOptions{Bands: []string{"rde"}}, []string{`"rde"`, `"red"`}},
		"no such band in a ratio":     {good, PictureOptions{RGB: []string{"red", "green", "nir/blue"}}, []string{"nir/blue", "red, green, blue"}},
		"a target outside":            {good, PictureOptions{White: &calib.Region{X1: 17, Y1: 2}}, []string{"columns 1-17", "16 x 12"}},
		"a probe outside":             {good, PictureOptions{Probes: []calib.Region{{X1: 3, Y0: 11, Y1: 14}}}, []string{"rows 12-14", "16 x 12"}},
		"a mosaic's frame":            {mosaic, PictureOptions{}, []string{"evenlight cube"}},
		"a master":                    {other, PictureOptions{}, []string{"flat", "band cubes or calibrated frames"}},
		"an even picture":             {flat(0.3, 0.3), PictureOptions{RGB: []string{"red", "red", "red"}}, []string{"stretch", "LOW:HIGH"}},
	} {
		t.Run(name, func(t *testing.T) {
			dir := t.TempDir()
			path := test.cube.write(t, dir)
			_, err := MakePicture(path, test.opt)
			if err == nil {
				t.Fatal("no error")
			}
			for _, part := range append(test.want, path) {
				if strings.Count(err.Error(), part) == 0 {
					t.Errorf("error %q lacks %q", err, part)
				}
			}
			if files, _ := os.ReadDir(dir); len(files) != 1 {
				t.Errorf("files were left: %v", files)
			}
		})
	}
}

func TestPictureOptionsThatAreImpossible(t *testing.T) {
	notRecord := filepath.Join(t.TempDir(), "x-colour.json")
	must(t, os.WriteFile(notRecord, []byte(`{"software": "evenlight"}`), 0o666))
	for want, opt := range map[string]PictureOptions{
		"2 bands or ratios":           {RGB: []string{"red", "green"}},
		"choose one":                  {RGB: []string{"red", "green", "blue"}, Bands: []string{"red"}},
		`illuminant "moonlight"`:      {Illuminant: "moonlight"},
		`no flag "bad"`:               {Hide: []string{"bad"}},
		"compression level 10":        {PNGLevel: 10},
		"preview of -1":               {PreviewPx: -1},
		"gamma 9":                     {Gamma: 9},
		"upper limit":                 {Stretch: &colour.Stretch{}},
		"not the record of a picture": {StretchFrom: notRecord},
		"no such file":                {StretchFrom: filepath.Join(t.TempDir(), "absent.json")},
	} {
		if r, err := MakePictures(nil, opt); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: result %v, error %v", want, r, err)
		}
	}
}

func TestOneFailingCubeDoesNotStopTheOthers(t *testing.T) {
	dir := t.TempDir()
	bad := flat(0.3, 0.2, 0.1)
	bad.name, bad.unit = "a-cube.fits", "electron"
	good := flat(0.3, 0.2, 0.1)
	good.name = "b-cube.fits"
	twin := good
	paths := []string{bad.write(t, dir), good.write(t, dir), twin.write(t, t.TempDir())}
	r, err := MakePictures(paths, PictureOptions{OutDir: filepath.Join(dir, "new", "pictures"), Overwrite: true})
	must(t, err)
	if len(r.Pictures) != 1 || r.Pictures[0].Files.Preview != "b-preview.png" || len(r.Failures) != 2 {
		t.Fatalf("%+v", r)
	}
	if !strings.Contains(r.Failures[0].Reason, paths[0]) || !strings.Contains(r.Failures[1].Reason, "take the name of that of "+paths[1]) {
		t.Errorf("failures %+v", r.Failures)
	}
	for _, part := range []string{"1 pictures made, 2 failures", "b-colour.png", "white"} {
		if !strings.Contains(r.Text(), part) {
			t.Errorf("the text lacks %q:\n%s", part, r.Text())
		}
	}
}

// BenchmarkPicture makes both PNGs and the record of a cube of three bands of
// 2048 x 2048 pixels with noise, from file to files, by compression level.
func BenchmarkPicture(b *testing.B) {
	const side = 2048
	c := flat(0, 0, 0)
	c.width, c.height = side, side
	z := gaussians(1, side*side, 1)[0]
	c.pixel = func(band, x, y int) (float64, float64, calib.Flags) {
		scene := 0.25 + 0.15*math.Sin(float64(x)/90)*math.Cos(float64(y)/130+float64(band))
		return scene + 0.004*z[(y*side+x+977*band)%len(z)], 0.004, 0
	}
	path := c.write(b, b.TempDir())
	for _, level := range []int{0, 1, 6} {
		b.Run(fmt.Sprintf("level=%d", level), func(b *testing.B) {
			opt := PictureOptions{OutDir: b.TempDir(), Overwrite: true, Workers: runtime.NumCPU(), PNGLevel: level}
			b.SetBytes(3 * 4 * side * side)
			for b.Loop() {
				r, err := MakePicture(path, opt)
				must(b, err)
				st, err := os.Stat(filepath.Join(opt.OutDir, r.Files.Colour))
				must(b, err)
				b.ReportMetric(float64(st.Size())/1e6, "MB")
			}
		})
	}
}
