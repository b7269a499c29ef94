package pipeline_test

import (
	"encoding/json"
	"fmt"
	"maps"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"go.uber.org/zap"

	"evenlight/calib"
	"evenlight/calib/align"
	"evenlight/configs"
	"evenlight/fitsutil"
	"evenlight/pipeline"
	"evenlight/pipeline/simulate"
)

// plain leaves out what needs masters, and perfect has nothing that they would
// take off: products of such frames come without calibration frames.
var (
	plain   = "stages_off=[bias, linearity, dark, flat, bad_pixels]"
	perfect = simulate.Options{Seed: 5, NoPattern: true, NoDrift: true, NoDark: true, NoHot: true, NoUnstable: true, NoDead: true, NoLow: true,
		NoUnevenness: true, NoCurvature: true, NoBadLinearity: true, NoSmear: true}
)

// shot is one frame of a plan.
type shot struct {
	name      string
	band      string
	afterS    float64 // since the plan's start
	x, y      float64 // corner of the ground seen
	exposureS float64
	even      bool    // no texture
	glint     float64 // radiance of a spot in the middle; 0: none
	cloud     float64 // column, from 0, of a bright round cloud; 0: none
}

var cubeStart = time.Date(2031, 3, 14, 6, 0, 0, 0, time.UTC)

// whites are the radiances of white surfaces in a profile's bands.
func whites(p *configs.Profile) []float64 {
	out := make([]float64, len(p.Bands))
	for b := range p.Bands {
		out[b] = p.Bands[b].SolarIrradiance / (math.Pi * 3.2 * 3.2)
	}
	return out
}

// planOf plans frames of the ground. A camera that takes all bands at once has
// the scene in all of them.
func planOf(p *configs.Profile, shots []shot) []simulate.Planned {
	ground := simulate.NewGround(9, p.Bands, whites(p))
	var plan []simulate.Planned
	for i, s := range shots {
		f := simulate.Planned{Name: s.name, Kind: configs.KindScene, Time: cubeStart.Add(time.Duration(s.afterS * float64(time.Second))),
			Exposure: simulate.Exposure{Band: s.band, ExposureS: s.exposureS, Index: uint64(i + 1), TempK: p.Detectors[0].Dark.ReferenceK},
			Target:   "Tessaly", SunDistanceAU: 3.2}
		if p.Keywords.Mode != nil {
			f.Mode = p.Keywords.Mode.Words[0].Is
		}
		view := func(width, height int) [][]float32 {
			seen := ground.Window(s.x, s.y, width, height)
			for b := range seen {
				if s.even {
					seen[b] = slices.Repeat([]float32{float32(0.4 * whites(p)[b])}, width*height)
				}
				if s.cloud > 0 {
					addCloud(seen[b], width, s.cloud, 0.4*whites(p)[b])
				}
				if s.glint > 0 {
					seen[b][height/2*width+width/2] = float32(s.glint)
				}
			}
			return seen
		}
		if s.band == "" {
			f.Bands = view
		} else {
			b := slices.IndexFunc(p.Bands, func(b configs.Band) bool { return b.Name == s.band })
			f.Scene = func(width, height int) []float32 { return view(width, height)[b] }
		}
		plan = append(plan, f)
	}
	return plan
}

// cloudRow and cloudSize are the row of a cloud's middle, from 0, and its size
// (standard deviation), pixels.
const cloudRow, cloudSize = 44.0, 3.0

func addCloud(radiance []float32, width int, column, bright float64) {
	for i := range radiance {
		dx, dy := float64(i%width)-column, float64(i/width)-cloudRow
		radiance[i] += float32(bright * math.Exp(-(dx*dx+dy*dy)/(2*cloudSize*cloudSize)))
	}
}

// shoot simulates frames and calibrates them, and returns the products' paths
// in the order of the shots.
func shoot(t *testing.T, p *configs.Profile, shots []shot) []string {
	t.Helper()
	dir := t.TempDir()
	s, err := simulate.NewAll(p, perfect)
	if err != nil {
		t.Fatal(err)
	}
	raw := filepath.Join(dir, "raw")
	if err := simulate.WriteFrames(raw, filepath.Join(dir, "truth"), s, planOf(p, shots), 2); err != nil {
		t.Fatal(err)
	}
	var files []string
	for _, s := range shots {
		files = append(files, filepath.Join(raw, s.name+".fits"))
	}
	return products(t, p, files, filepath.Join(dir, "products"))
}

func products(t *testing.T, p *configs.Profile, files []string, out string) []string {
	t.Helper()
	masters := t.TempDir()
	run := calibrate(t, pipeline.NewInstrument(p), files, pipeline.RunOptions{MastersDir: masters, OutDir: out})
	if len(run.Failures) > 0 {
		t.Fatal(run.Failures)
	}
	var paths []string
	for _, f := range run.Frames {
		paths = append(paths, f.Product)
	}
	return paths
}

func plainProfile(t *testing.T, camera string, set ...string) *configs.Profile {
	t.Helper()
	p, err := profileOf(camera, append([]string{plain}, set...)...)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// cubes makes cubes in a folder of their own, or opt's.
func cubes(t *testing.T, p *configs.Profile, files []string, opt pipeline.CubeOptions) *pipeline.CubeSummary {
	t.Helper()
	if opt.OutDir == "" {
		opt.OutDir = t.TempDir()
	}
	if opt.Workers == 0 {
		opt.Workers = 2
	}
	opt.Log = zap.NewNop()
	s, err := pipeline.BuildCubes(pipeline.NewInstrument(p), files, opt)
	if err != nil {
		t.Fatal(err)
	}
	made, err := filepath.Glob(filepath.Join(opt.OutDir, "*"))
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range s.Cubes {
		if !slices.Contains(made, c.Cube) {
			t.Errorf("%s is reported and not there", c.Cube)
		}
	}
	return s
}

// bandsOf lists a cube's bands and the products they came from.
func bandsOf(c pipeline.CubeReport) string {
	var out []string
	for _, b := range c.Bands {
		out = append(out, b.Name+"="+strings.Join(b.Products, "+"))
	}
	return strings.ReplaceAll(strings.Join(out, " "), "-calibrated.fits", "")
}

// failed checks that a run made no cube, left no file, and says why.
func failed(t *testing.T, s *pipeline.CubeSummary, dir string, words ...string) {
	t.Helper()
	if len(s.Cubes) != 0 || len(s.Failures) != 1 {
		t.Fatalf("%d cubes, failures %v; want one failure", len(s.Cubes), s.Failures)
	}
	says(t, s.Failures[0].Raw+": "+s.Failures[0].Reason, words...)
	if left, _ := filepath.Glob(filepath.Join(dir, "*")); len(left) > 0 {
		t.Errorf("left behind: %v", left)
	}
}

// wheelShots are two sequences of four bands, the second half an hour after the
// first, of ground that drifts by whole and part pixels.
var wheelShots = []shot{
	{name: "a-violet", band: "violet", afterS: 0, exposureS: 0.4}, {name: "b-green", band: "green", afterS: 40, x: 1.25, y: -0.5, exposureS: 0.3},
	{name: "c-red", band: "red", afterS: 80, x: 2, y: -1, exposureS: 0.3}, {name: "d-nir", band: "nir", afterS: 120, x: 3.5, y: -1.75, exposureS: 0.5},
	{name: "e-violet", band: "violet", afterS: 1800, x: 200, exposureS: 0.4}, {name: "f-green", band: "green", afterS: 1840, x: 200, exposureS: 0.3},
	{name: "g-red", band: "red", afterS: 1880, x: 200, exposureS: 0.3}, {name: "h-nir", band: "nir", afterS: 1920, x: 200, exposureS: 0.5},
}

// wheelProducts are its products, made once.
func wheelProducts(t *testing.T) (*configs.Profile, []string) {
	t.Helper()
	p := plainProfile(t, "quillon")
	wheelOnce.Do(func() {
		dir, err := scratch()
		if err != nil {
			t.Fatal(err)
		}
		for _, path := range shoot(t, p, wheelShots) {
			wheelFiles = append(wheelFiles, copyFile(t, path, filepath.Join(dir, filepath.Base(path)), -1))
		}
	})
	if len(wheelFiles) != len(wheelShots) {
		t.Fatal("the products of the wheel were not made")
	}
	return p, slices.Clone(wheelFiles)
}

var (
	wheelOnce  sync.Once
	wheelFiles []string
)

func TestWheelSetsBeginAnewWhereABandComesAgain(t *testing.T) {
	p, files := wheelProducts(t)
	first := "violet=a-violet green=b-green red=c-red nir=d-nir"
	second := "violet=e-violet green=f-green red=g-red nir=h-nir"
	turned := slices.Clone(files)
	slices.Reverse(turned)
	for _, c := range []struct {
		name  string
		files []string
		opt   pipeline.CubeOptions
		want  []string
	}{
		{"two sequences", files, pipeline.CubeOptions{}, []string{first, second}},
		{"in any order", turned, pipeline.CubeOptions{}, []string{first, second}},
		{"bands in the order asked for", files, pipeline.CubeOptions{Bands: []string{"red", "green"}}, []string{"red=c-red green=b-green", "red=g-red green=f-green"}},
		{"one band", files, pipeline.CubeOptions{Bands: []string{"nir"}}, []string{"nir=d-nir", "nir=h-nir"}},
		{"half sequences that make a whole", slices.Concat(files[:2], files[6:]), pipeline.CubeOptions{KeepPlace: true},
			[]string{"violet=a-violet green=b-green red=g-red nir=h-nir"}},
		{"just within", files[:4], pipeline.CubeOptions{WithinS: 120}, []string{first}},
	} {
		t.Run(c.name, func(t *testing.T) {
			s := cubes(t, p, c.files, c.opt)
			var got []string
			for _, cube := range s.Cubes {
				got = append(got, bandsOf(cube))
			}
			if !slices.Equal(got, c.want) || len(s.Failures) > 0 {
				t.Errorf("cubes %q, failures %v, want %q", got, s.Failures, c.want)
			}
		})
	}
}

func TestWheelSetThatTakesTooLongIsSplitAndNamesWhatIsMissing(t *testing.T) {
	p, files := wheelProducts(t)
	s := cubes(t, p, files[:4], pipeline.CubeOptions{WithinS: 100})
	if len(s.Cubes) != 0 || len(s.Failures) != 2 {
		t.Fatalf("%d cubes, failures %v; want none and two", len(s.Cubes), s.Failures)
	}
	says(t, s.Failures[0].Reason, "band nir is missing", "violet (a-violet-calibrated.fits)", "--within", "--bands")
	says(t, s.Failures[1].Reason, "bands violet, green, red are missing", "nir (d-nir-calibrated.fits)")
}

func TestBandThatTheProfileLacksIsAnError(t *testing.T) {
	p, files := wheelProducts(t)
	_, err := pipeline.BuildCubes(pipeline.NewInstrument(p), files, pipeline.CubeOptions{OutDir: t.TempDir(), Bands: []string{"green", "ultra"}, Workers: 1, Log: zap.NewNop()})
	if err == nil {
		t.Fatal("a cube of band ultra is made")
	}
	says(t, err.Error(), "ultra", "violet, green, red, nir")
}

// The displacement that is taken out is that of the ground: -x of the corner.
func TestWheelBandsAreAlignedToTheGround(t *testing.T) {
	p, files := wheelProducts(t)
	c := cubes(t, p, files[:4], pipeline.CubeOptions{}).Cubes[0]
	ref := slices.IndexFunc(c.Bands, func(b pipeline.BandOfCube) bool { return b.DX == 0 && b.DY == 0 && b.SigmaX == 0 })
	if ref < 0 {
		t.Fatalf("no reference among %+v", c.Bands)
	}
	for i, b := range c.Bands {
		if i == ref {
			continue
		}
		wantX, wantY := wheelShots[ref].x-wheelShots[i].x, wheelShots[ref].y-wheelShots[i].y
		for _, d := range []struct{ got, want, sigma float64 }{{b.DX, wantX, b.SigmaX}, {b.DY, wantY, b.SigmaY}} {
			if !(d.sigma > 0 && d.sigma < 0.1) || math.Abs(d.got-d.want) > 5*d.sigma+0.02 {
				t.Errorf("%s: displaced by %.4f ± %.4f, want %.4f", b.Name, d.got, d.sigma, d.want)
			}
		}
	}
	if c.Way != "wheel" || c.Unit != "W m-2 sr-1 nm-1" || c.Width != 96 || c.Height != 96 || c.Disagreement == nil {
		t.Errorf("%+v", c)
	}
}

// A cloud that drifts by 0.15 pixels a second over ground that stays is found
// in each band, with its speed, and its pixels are flagged.
func TestWheelFindsWhatMoved(t *testing.T) {
	const perS, metre = 0.15, 20.0
	p := plainProfile(t, "quillon")
	shots := slices.Clone(wheelShots[:4])
	for i := range shots {
		shots[i].x, shots[i].y = 0, 0
		shots[i].cloud = 30 + perS*shots[i].afterS
	}
	s := cubes(t, p, shoot(t, p, shots), pipeline.CubeOptions{MetrePerPx: metre})
	if len(s.Cubes) != 1 || len(s.Cubes[0].Movers) != 1 {
		t.Fatalf("failures %v, cubes %+v; want one cube and one mover", s.Failures, s.Cubes)
	}
	c := s.Cubes[0]
	m := c.Movers[0]
	if m.Speed == nil || m.GroundSpeed == nil {
		t.Fatalf("no speed of %+v", m)
	}
	if !(*m.SpeedSigma > 0) || math.Abs(*m.Speed-perS) > 5**m.SpeedSigma+0.002 {
		t.Errorf("speed %.4f ± %.4f pixels/s, want %g", *m.Speed, *m.SpeedSigma, perS)
	}
	if math.Abs(*m.GroundSpeed-metre**m.Speed) > 1e-9*metre || m.Contrast <= 0 {
		t.Errorf("speed %g m/s with contrast %g, want %g and bright", *m.GroundSpeed, m.Contrast, metre**m.Speed)
	}
	flags, n := planeOf(t, c.Cube, "FLAGS"), c.Width*c.Height
	table := tableOf(t, c.Cube, "MOVERS")
	for b := range 4 {
		want := shots[b].cloud
		if math.Abs(m.X[b]-1-want) > 5*m.SigmaPx+0.1 || math.Abs(m.Y[b]-1-cloudRow) > 5*m.SigmaPx+0.1 {
			t.Errorf("%s: at column %.2f row %.2f ± %.2f, want %.2f and %.2f", shots[b].band, m.X[b], m.Y[b], m.SigmaPx, want+1, cloudRow+1)
		}
		if x := table["X"].([]float64)[b]; x != m.X[b] {
			t.Errorf("the table has column %g and the report %g", x, m.X[b])
		}
		if at := int(cloudRow)*c.Width + int(want); calib.Flags(flags[b*n+at])&calib.Moved == 0 {
			t.Errorf("%s: the middle of the cloud is not flagged", shots[b].band)
		}
		// Ground far from the cloud's path did not move.
		if far := 88*c.Width + 10; calib.Flags(flags[b*n+far])&calib.Moved != 0 {
			t.Errorf("%s: the ground moved", shots[b].band)
		}
	}
	says(t, s.Text(), "mover 1", "pixels/s", "m/s", "moved between the bands")
}

// Bands that were not resampled are the products, pixel by pixel, flags and
// all.
func TestBandsThatKeepTheirPlaceAreTheProducts(t *testing.T) {
	p := plainProfile(t, "quillon")
	shots := slices.Clone(wheelShots[4:])
	for i := range shots {
		shots[i].glint = 50
	}
	files := shoot(t, p, shots)
	cube := cubes(t, p, files, pipeline.CubeOptions{KeepPlace: true}).Cubes[0]
	values, unc, flags := planeOf(t, cube.Cube, "VALUE"), planeOf(t, cube.Cube, "UNCERTAINTY"), planeOf(t, cube.Cube, "FLAGS")
	n := cube.Width * cube.Height
	saturated := 0
	for b, file := range files {
		v, u, f := planeOf(t, file, "VALUE"), planeOf(t, file, "UNCERTAINTY"), planeOf(t, file, "FLAGS")
		for i := range v {
			j := b*n + i
			if !same(values[j], v[i]) {
				t.Fatalf("%s, pixel %d: value %g, want %g", shots[b].name, i, values[j], v[i])
			}
			// The variance goes through a square and a root.
			if !same(unc[j], u[i]) && !(math.Abs(unc[j]-u[i]) <= 2e-7*u[i]) {
				t.Fatalf("%s, pixel %d: uncertainty %g, want %g", shots[b].name, i, unc[j], u[i])
			}
			if calib.Flags(flags[j])&^calib.Moved != calib.Flags(f[i]) {
				t.Fatalf("%s, pixel %d: %v, want %v", shots[b].name, i, calib.Flags(flags[j]), calib.Flags(f[i]))
			}
			if calib.Flags(f[i])&calib.Saturated != 0 {
				saturated++
			}
		}
	}
	if saturated < len(files) {
		t.Errorf("%d pixels are saturated, want one in each band at least", saturated)
	}
	if cube.Measured != 1 {
		t.Errorf("%g of the samples were measured, want all", cube.Measured)
	}
}

func same(a, b float64) bool { return a == b || (a != a && b != b) }

func TestWheelOfNoTextureFailsAndLeavesNoFile(t *testing.T) {
	p := plainProfile(t, "quillon")
	shots := slices.Clone(wheelShots[:4])
	for i := range shots {
		shots[i].even = true
	}
	files := shoot(t, p, shots)
	dir := t.TempDir()
	failed(t, cubes(t, p, files, pipeline.CubeOptions{OutDir: dir}), dir, "cube of a-violet", "band", "nothing is made up", "--keep-place")
	if s := cubes(t, p, files, pipeline.CubeOptions{KeepPlace: true}); len(s.Cubes) != 1 {
		t.Errorf("kept in place: %v", s.Failures)
	}
}

// Electrons grow with the exposure, so bands of unlike ones are no colours.
func TestElectronsOfUnlikeExposuresAreRefused(t *testing.T) {
	p := plainProfile(t, "quillon", "output.quantity=electrons")
	files := shoot(t, p, wheelShots[:4])
	dir := t.TempDir()
	failed(t, cubes(t, p, files, pipeline.CubeOptions{OutDir: dir}), dir, "a-violet-calibrated.fits was exposed for 0.4 s", "b-green-calibrated.fits for 0.3 s", "radiance")
	if s := cubes(t, p, files, pipeline.CubeOptions{Bands: []string{"green", "red"}}); len(s.Cubes) != 1 {
		t.Errorf("of like exposures: %v", s.Failures)
	}
}

func TestBandsOfUnlikeUnitsOrSizesAreRefused(t *testing.T) {
	p, files := wheelProducts(t)
	dir := t.TempDir()
	electrons := shoot(t, plainProfile(t, "quillon", "output.quantity=electrons"), wheelShots[1:2])
	failed(t, cubes(t, p, slices.Concat(files[:1], electrons, files[2:4]), pipeline.CubeOptions{OutDir: dir}), dir,
		`96 x 96 pixels in "W m-2 sr-1 nm-1"`, `b-green-calibrated.fits is 96 x 96 pixels in "electron"`, "share size and unit")
	narrow := shoot(t, plainProfile(t, "quillon", "detectors.0.image.columns=[17, 100]"), wheelShots[3:4])
	s := cubes(t, p, slices.Concat(files[:3], narrow), pipeline.CubeOptions{OutDir: dir})
	if len(s.Cubes) != 0 || len(s.Failures) != 2 {
		t.Fatalf("%d cubes, failures %v; want the product and the set that lacks it", len(s.Cubes), s.Failures)
	}
	says(t, s.Failures[0].Reason, "d-nir-calibrated.fits is 84 x 96 pixels", "96 x 96", "make the product again")
	says(t, s.Failures[1].Reason, "band nir is missing")
}

// A cube that is there stays; --overwrite makes the same again.
func TestCubeThatIsThereIsNotReplaced(t *testing.T) {
	p, files := wheelProducts(t)
	dir := t.TempDir()
	path := cubes(t, p, files[:4], pipeline.CubeOptions{OutDir: dir}).Cubes[0].Cube
	before := hash(t, path)
	s := cubes(t, p, files[:4], pipeline.CubeOptions{OutDir: dir, Bands: []string{"violet", "green"}})
	if len(s.Cubes) != 0 || len(s.Failures) != 1 || hash(t, path) != before {
		t.Fatalf("%d cubes, failures %v", len(s.Cubes), s.Failures)
	}
	says(t, s.Failures[0].Reason, filepath.Base(path), "already exists", "overwriting")
	if s := cubes(t, p, files[:4], pipeline.CubeOptions{OutDir: dir, Overwrite: true}); len(s.Cubes) != 1 || hash(t, path) != before {
		t.Errorf("made again it is another, or %v", s.Failures)
	}
}

func TestCubeIsMadeOfProductsOfItsInstrument(t *testing.T) {
	p, files := wheelProducts(t)
	oxlip := plainProfile(t, "oxlip", "stages_off=[bias, linearity, dark, flat, bad_pixels, smear]", "detectors.0.decompanding.square_root.codes=256")
	foreign := shoot(t, oxlip, []shot{{name: "z", band: "green", exposureS: 0.02}})[0]
	dir := t.TempDir()
	cube := cubes(t, p, files[:4], pipeline.CubeOptions{OutDir: dir}).Cubes[0].Cube
	spoilt := copyFile(t, files[0], filepath.Join(dir, "spoilt.fits"), -1)
	data, err := os.ReadFile(spoilt)
	if err != nil {
		t.Fatal(err)
	}
	data[40*2880] ^= 1
	if err := os.WriteFile(spoilt, data, 0o666); err != nil {
		t.Fatal(err)
	}
	for name, c := range map[string]struct {
		file string
		says []string
	}{
		"another instrument": {foreign, []string{"z-calibrated.fits", "instrument oxlip", "quillon"}},
		"a cube":             {cube, []string{filepath.Base(cube), "band cube", "calibrated frames"}},
		"no product":         {copyFile(t, files[0], filepath.Join(dir, "cut.fits"), 2880), []string{"cut.fits"}},
		"absent":             {filepath.Join(dir, "gone.fits"), []string{"gone.fits"}},
		"spoilt":             {spoilt, []string{"spoilt"}},
	} {
		t.Run(name, func(t *testing.T) {
			// The others go on.
			s := cubes(t, p, append(slices.Clone(files[4:]), c.file), pipeline.CubeOptions{})
			if len(s.Cubes) != 1 || len(s.Failures) != 1 {
				t.Fatalf("%d cubes, failures %v; want one each", len(s.Cubes), s.Failures)
			}
			says(t, s.Failures[0].Raw+" "+s.Failures[0].Reason, c.says...)
		})
	}
}

// Whatever bit of a product is turned over, no cube is made of it, and nothing
// worse happens.
func TestNoCubeIsMadeOfASpoiltProduct(t *testing.T) {
	p, files := wheelProducts(t)
	whole, err := os.ReadFile(files[1])
	if err != nil {
		t.Fatal(err)
	}
	rng := rand.New(rand.NewPCG(900, 0))
	dir := t.TempDir()
	for range 150 {
		at := rng.IntN(len(whole))
		if rng.IntN(2) == 0 {
			at = rng.IntN(5 * 2880) // headers, for which there is most to understand
		}
		data, bit := slices.Clone(whole), byte(1)<<rng.IntN(8)
		data[at] ^= bit
		spoilt := filepath.Join(dir, "spoilt.fits")
		if err := os.WriteFile(spoilt, data, 0o666); err != nil {
			t.Fatal(err)
		}
		s := cubes(t, p, []string{spoilt, files[2]}, pipeline.CubeOptions{Bands: []string{"green", "red"}, KeepPlace: true})
		if len(s.Cubes) != 0 || len(s.Failures) == 0 {
			t.Errorf("byte %d, bit %#x turned over: a cube is made", at, bit)
		}
	}
}

// Products of one name from two folders are two, and neither cube may take
// the place of the other.
func TestProductsOfOneNameMakeNoCubeInEachOthersPlace(t *testing.T) {
	p, files := wheelProducts(t)
	other := shoot(t, p, []shot{{name: "a-violet", band: "violet", afterS: 7200, x: 400, exposureS: 0.4}, {name: "b-green", band: "green", afterS: 7240, x: 400, exposureS: 0.3}})
	s := cubes(t, p, slices.Concat(files[:2], other), pipeline.CubeOptions{Bands: []string{"violet", "green"}, Overwrite: true})
	if len(s.Cubes)+len(s.Failures) != 2 {
		t.Fatalf("%d cubes, failures %v", len(s.Cubes), s.Failures)
	}
	names := map[string]bool{}
	for _, c := range s.Cubes {
		if names[c.Cube] {
			t.Errorf("%s was written twice", c.Cube)
		}
		names[c.Cube] = true
	}
}

// Layers of two raw frames of one name are not mixed: what belongs together
// is told by the frame's content. Their cubes would have one name.
func TestLayersOfTwoFramesOfOneNameAreNotMixed(t *testing.T) {
	f := mustFamily(t, "umber")
	scenes := sceneFiles(t, f)
	namesake := copyFile(t, scenes[1], filepath.Join(t.TempDir(), filepath.Base(scenes[0])), -1)
	run := calibrate(t, f.in, []string{namesake}, pipeline.RunOptions{MastersDir: f.masters})
	var others []string
	for _, r := range run.Frames {
		others = append(others, r.Product)
	}
	dir := t.TempDir()
	s := cubes(t, f.in.Profile, slices.Concat(productsOf(f)[1:3], others), pipeline.CubeOptions{OutDir: dir})
	if left, _ := filepath.Glob(filepath.Join(dir, "*")); len(s.Cubes) != 0 || len(s.Failures) != 2 || len(left) > 0 {
		t.Fatalf("%d cubes, failures %v, files %v; want none and two", len(s.Cubes), s.Failures, left)
	}
	says(t, s.Failures[0].Reason, "layer top is missing")
	says(t, s.Failures[1].Reason, "same name", "separate output folders")
}

// The planes, bands and inputs of a cube as its header and tables tell them.
func TestCubeTellsWhatItIs(t *testing.T) {
	p, files := wheelProducts(t)
	c := cubes(t, p, files[:4], pipeline.CubeOptions{Bands: []string{"nir", "green", "red"}}).Cubes[0]
	record, err := pipeline.ReadProvenance(c.Cube)
	if err != nil {
		t.Fatal(err)
	}
	var inputs []string
	for _, in := range record.Inputs {
		i := slices.IndexFunc(files, func(f string) bool { return filepath.Base(f) == in.Name })
		if in.Role != "product" || i < 0 || hash(t, files[i]) != in.SHA256 {
			t.Errorf("input %+v", in)
		}
		inputs = append(inputs, strings.TrimSuffix(in.Name, "-calibrated.fits"))
	}
	if got := strings.Join(inputs, " "); got != "d-nir b-green c-red" {
		t.Errorf("inputs %s", got)
	}
	if record.What != "band cube" || record.Instrument != "quillon" || record.Detector != "main" || record.Mode != "normal" || len(record.Systematic) == 0 {
		t.Errorf("record %+v", record)
	}
	says(t, (&pipeline.CubeSummary{Cubes: []pipeline.CubeReport{c}, Failures: []pipeline.Failure{{Raw: "cube of z", Reason: "no light"}}}).Text(),
		"1 cube made, 1 failure", "b-green-cube.fits: wheel, 96 x 96 pixels", "shift", "bands disagree", "failed: cube of z: no light")
	bands := tableOf(t, c.Cube, "BANDS")
	if got := bands["BAND"].([]string); !slices.Equal(got, []string{"nir", "green", "red"}) {
		t.Errorf("table of bands: %v", got)
	}
	for i, b := range c.Bands {
		for name, want := range map[string]float64{"OFFSET": b.OffsetS, "EXPOSURE": b.ExposureS, "DX": b.DX, "U_DY": b.SigmaY, "LAG_X": b.LagX, "WAVELENGTH": []float64{880, 550, 660}[i]} {
			if got := bands[name].([]float64)[i]; got != want {
				t.Errorf("%s of %s is %g, want %g", name, b.Name, got, want)
			}
		}
	}
	if offsets := bands["OFFSET"].([]float64); !slices.Equal(offsets, []float64{80, 0, 40}) {
		t.Errorf("bands began %v s after the first, want 80, 0 and 40", offsets)
	}
}

func TestCubesDoNotDependOnTheNumberOfWorkers(t *testing.T) {
	quillon, wheelFiles := wheelProducts(t)
	fescue, stripFiles := stripProducts(t)
	brindle, umber, tarn := mustFamily(t, "brindle"), mustFamily(t, "umber"), mustFamily(t, "tarn")
	for name, c := range map[string]struct {
		p     *configs.Profile
		files []string
	}{
		"wheel": {quillon, wheelFiles}, "strips": {fescue, stripFiles}, "mosaic": {brindle.in.Profile, productsOf(brindle)[:2]},
		"stack": {umber.in.Profile, productsOf(umber)[:6]}, "detectors": {tarn.in.Profile, productsOf(tarn)},
	} {
		t.Run(name, func(t *testing.T) {
			var want map[string]string
			for _, workers := range []int{1, 2, 3} {
				dir := t.TempDir()
				s := cubes(t, c.p, c.files, pipeline.CubeOptions{OutDir: dir, Workers: workers})
				if len(s.Cubes) == 0 {
					t.Fatal(s.Failures)
				}
				got := hashesIn(t, dir)
				if want == nil {
					want = got
				}
				if !maps.Equal(got, want) {
					t.Errorf("%d workers make other cubes than 1", workers)
				}
			}
		})
	}
}

func productsOf(f *family) []string {
	var out []string
	for _, r := range f.run.Frames {
		out = append(out, r.Product)
	}
	return out
}

// A cube is made again, byte for byte, from the products that it names, with
// the options that it was made with.
func TestCubesCanBeMadeAgain(t *testing.T) {
	dir := t.TempDir()
	inputs, err := scratch()
	if err != nil {
		t.Fatal(err)
	}
	files := oneOfEach(t, dir)
	p, wheel := wheelProducts(t)
	for i, opt := range []pipeline.CubeOptions{
		{Bands: []string{"red", "violet"}}, {KeepPlace: true}, {MaxShiftPx: 6, Kernel: align.Cubic}, {MetrePerPx: 12.5}, {WithinS: 121},
	} {
		opt.OutDir = filepath.Join(dir, fmt.Sprint("option", i))
		for _, c := range cubes(t, p, wheel[:4], opt).Cubes {
			files = append(files, c.Cube)
		}
	}
	for _, file := range files {
		v, err := pipeline.Verify(file, []string{inputs}, 3)
		if err != nil || !v.Same || len(v.Details) > 0 {
			t.Errorf("%s: %+v, %v", strings.TrimPrefix(file, dir), v, err)
		}
	}
}

// A mosaic's cube has all bands in the profile's order, on the product's grid;
// where a band was measured, it is what the product says.
func TestMosaicCubeKeepsWhatWasMeasured(t *testing.T) {
	f := mustFamily(t, "brindle")
	product := productsOf(f)[0]
	s := cubes(t, f.in.Profile, []string{product}, pipeline.CubeOptions{})
	if len(s.Cubes) != 1 {
		t.Fatal(s.Failures)
	}
	c := s.Cubes[0]
	if got := bandsOf(c); c.Way != "mosaic" || strings.Count(got, "=") != 3 || !strings.HasPrefix(got, "red=") {
		t.Errorf("%s: bands %s", c.Way, got)
	}
	if c.Disagreement != nil || len(c.Movers) != 0 {
		t.Error("bands that were exposed at once disagree")
	}
	value, flags := planeOf(t, product, "VALUE"), planeOf(t, product, "FLAGS")
	cube, marks := planeOf(t, c.Cube, "VALUE"), planeOf(t, c.Cube, "FLAGS")
	n := c.Width * c.Height
	pattern := [2][2]int{{1, 0}, {2, 1}} // green red, blue green; the image begins at an odd column
	measured := 0
	for i := range value {
		y, x := i/c.Width, i%c.Width
		j := pattern[y%2][x%2]*n + i
		if calib.Flags(flags[i])&calib.Unusable == 0 && !same(cube[j], value[i]) {
			t.Fatalf("column %d row %d: %g, measured %g", x, y, cube[j], value[i])
		}
		for b := range 3 {
			if calib.Flags(marks[b*n+i])&(calib.Interpolated|calib.Missing) == 0 {
				measured++
				if b != pattern[y%2][x%2] {
					t.Fatalf("column %d row %d: band %d passes for measured", x, y, b)
				}
			}
		}
	}
	if got := float64(measured) / float64(3*n); math.Abs(c.Measured-got) > 1e-12 || c.Measured > 1.0/3 {
		t.Errorf("%g of the samples were measured, want %g", c.Measured, got)
	}
}

// Layers make a cube only together.
func TestStackNeedsAllItsLayers(t *testing.T) {
	f := mustFamily(t, "umber")
	files := productsOf(f)[:3]
	dir := t.TempDir()
	for i, layer := range []string{"top", "middle", "bottom"} {
		some := slices.Delete(slices.Clone(files), i, i+1)
		failed(t, cubes(t, f.in.Profile, some, pipeline.CubeOptions{OutDir: dir}), dir, "layer "+layer+" is missing", "calibrate all layers")
	}
	s := cubes(t, f.in.Profile, files, pipeline.CubeOptions{})
	if len(s.Cubes) != 1 {
		t.Fatal(s.Failures)
	}
	c := s.Cubes[0]
	if c.Way != "stack" || c.Unit != "W m-2 sr-1 nm-1" || len(c.Bands) != 3 || len(c.Bands[0].Products) != 3 {
		t.Errorf("%+v", c)
	}
	for i, want := range []float64{1.7, 2.4, 1.8} { // as the profile's own comment says
		if got := c.Bands[i].NoiseGain; math.Abs(got-want) > 0.05 {
			t.Errorf("the noise of %s grows %.3f times, want %.1f", c.Bands[i].Name, got, want)
		}
	}
}

// The layers' electrons are sum_b M K_b L_b t: the bands, put back through the
// matrix, are the layers again.
func TestStackOfBandsIsItsLayersMixture(t *testing.T) {
	f := mustFamily(t, "umber")
	files := productsOf(f)[:3]
	c := cubes(t, f.in.Profile, files, pipeline.CubeOptions{}).Cubes[0]
	bands, flags := planeOf(t, c.Cube, "VALUE"), planeOf(t, c.Cube, "FLAGS")
	n := c.Width * c.Height
	k := []float64{1.7e6, 1.8e6, 2.0e6} // responsivities of the profile
	matrix := [][]float64{{0.72, 0.24, 0.04}, {0.22, 0.60, 0.22}, {0.06, 0.26, 0.70}}
	checked := 0
	for l, file := range files {
		layer := planeOf(t, file, "VALUE")
		for i := range layer {
			if flags[i] != 0 || flags[n+i] != 0 || flags[2*n+i] != 0 {
				continue
			}
			sum, size := 0.0, 0.0
			for b := range 3 {
				e := matrix[l][b] * k[b] * bands[b*n+i] * c.Bands[b].ExposureS
				sum += e
				size += math.Abs(e)
			}
			if math.Abs(sum-layer[i]) > 5e-6*size {
				t.Fatalf("layer %d, pixel %d: the bands mix to %g e-, want %g", l+1, i, sum, layer[i])
			}
			checked++
		}
	}
	if checked < n {
		t.Errorf("%d pixels were compared", checked)
	}
}

// Detectors whose lines have one length are aligned; others are left out and
// named.
func TestDetectorsOfUnlikeLinesAreLeftOut(t *testing.T) {
	f := mustFamily(t, "tarn")
	byRaw := map[string][]string{}
	for _, r := range f.run.Frames {
		byRaw[r.Raw] = append(byRaw[r.Raw], r.Product)
	}
	made := 0
	for raw, files := range byRaw {
		s := cubes(t, f.in.Profile, files, pipeline.CubeOptions{})
		for _, c := range s.Cubes {
			made++
			if c.Way != "detectors" || strings.Count(bandsOf(c), "=") != 2 || c.Bands[0].Name != "bluegreen" || c.Bands[1].Name != "nir" {
				t.Errorf("%s: %s", filepath.Base(raw), bandsOf(c))
			}
			says(t, strings.Join(c.Warnings, "\n"), "band pan is left out")
		}
	}
	if made == 0 {
		t.Error("no cube of a line scanner")
	}
	dir := t.TempDir()
	for _, files := range byRaw {
		failed(t, cubes(t, f.in.Profile, files[:1], pipeline.CubeOptions{OutDir: dir}), dir, "only band pan", "nothing to put together")
		break
	}
}

// stripStep is the motion of the ground over the strips from frame to frame.
const stripStep = 4.37

// stripShots are frames of ground that moves by a step along the rows.
func stripShots(n int, even bool) []shot {
	var out []shot
	for i := range n {
		at := float64(i) * stripStep
		out = append(out, shot{name: fmt.Sprintf("s%02d", i), afterS: at / 1.25, x: -at * 0.05 / 1.25, y: -at, exposureS: 0.3, even: even})
	}
	return out
}

// stripProducts are products of a sequence that carries the ground over all
// strips, made once.
func stripProducts(t *testing.T) (*configs.Profile, []string) {
	t.Helper()
	p := plainProfile(t, "fescue")
	stripOnce.Do(func() {
		dir, err := scratch()
		if err != nil {
			t.Fatal(err)
		}
		for _, path := range shoot(t, p, stripShots(36, false)) {
			stripFiles = append(stripFiles, copyFile(t, path, filepath.Join(dir, filepath.Base(path)), -1))
		}
	})
	if len(stripFiles) != 36 {
		t.Fatal("the products of the strips were not made")
	}
	return p, slices.Clone(stripFiles)
}

var (
	stripOnce  sync.Once
	stripFiles []string
)

func TestStripsAreAssembledInTheOrderOfTime(t *testing.T) {
	p, files := stripProducts(t)
	a, b := t.TempDir(), t.TempDir()
	s := cubes(t, p, files, pipeline.CubeOptions{OutDir: a})
	if len(s.Cubes) != 1 {
		t.Fatal(s.Failures)
	}
	mixed := slices.Concat(files[20:], files[:20])
	slices.Reverse(mixed[3:30])
	cubes(t, p, mixed, pipeline.CubeOptions{OutDir: b})
	if !maps.Equal(hashesIn(t, a), hashesIn(t, b)) {
		t.Error("frames in another order make another cube")
	}
	c := s.Cubes[0]
	if c.Way != "strips" || len(c.Bands) != 4 || len(c.Bands[0].Products) != 36 || c.Width < 96 || c.Height < 192 {
		t.Errorf("%s, %d bands, %d x %d pixels", c.Way, len(c.Bands), c.Width, c.Height)
	}
	// The middles of the strips lie 48 rows apart; at 1.25 rows a second that
	// is 38.4 s.
	for i, band := range c.Bands {
		if want := 38.4 * float64(i); math.Abs(band.OffsetS-want) > 1e-9 {
			t.Errorf("%s passes %g s after the first band, want %g", band.Name, band.OffsetS, want)
		}
		if band.GapRows != 0 || band.ChiSquare == nil || !(*band.ChiSquare > 0.8 && *band.ChiSquare < 2) {
			t.Errorf("%s: %d gap rows, chi-square %v", band.Name, band.GapRows, band.ChiSquare)
		}
	}
}

// Measured motion is that of the profile here, since the simulator obeys it.
func TestMotionOverStripsIsMeasured(t *testing.T) {
	_, files := stripProducts(t)
	p := plainProfile(t, "fescue", "motion={from: measured, rows_per_s: 1.3, columns_per_s: 0, search_pixels: 4}")
	s := cubes(t, p, files, pipeline.CubeOptions{})
	if len(s.Cubes) != 1 {
		t.Fatal(s.Failures)
	}
	record, err := pipeline.ReadProvenance(s.Cubes[0].Cube)
	if err != nil {
		t.Fatal(err)
	}
	var dx, dy float64
	for _, st := range record.Stages {
		for _, v := range st.Settings {
			if v.Name == "last_offset" {
				if _, err := fmt.Sscanf(v.Value, "%f,%f", &dx, &dy); err != nil {
					t.Fatal(err)
				}
			}
		}
	}
	// 35 steps, each known to some hundredths of a pixel.
	wantY, wantX := 35*stripStep, 35*stripStep*0.05/1.25
	if math.Abs(dy-wantY) > 0.6 || math.Abs(dx-wantX) > 0.6 {
		t.Errorf("the ground moved by %.3f, %.3f pixels, want %.3f, %.3f", dx, dy, wantX, wantY)
	}
}

func TestStripsThatCannotBeAssembled(t *testing.T) {
	p, files := stripProducts(t)
	measured := plainProfile(t, "fescue", "motion={from: measured, rows_per_s: 1.25, columns_per_s: 0.05, search_pixels: 4}")
	even := shoot(t, measured, stripShots(3, true))
	far := []string{files[0], files[4]} // 17 rows apart: 23 of 40 rows overlap
	for name, c := range map[string]struct {
		p     *configs.Profile
		files []string
		says  []string
	}{
		"too few for all bands to see common ground": {p, files[:5], []string{"cube of s00-to-s04"}},
		"no texture":                   {measured, even, []string{"s01-calibrated.fits against s00-calibrated.fits", "texture"}},
		"too far apart to be measured": {measured, far, []string{"overlaps the next frame's by 23 rows", "32 are needed", "motion.from: profile"}},
	} {
		t.Run(name, func(t *testing.T) {
			dir := t.TempDir()
			failed(t, cubes(t, c.p, c.files, pipeline.CubeOptions{OutDir: dir}), dir, c.says...)
		})
	}
}

// What frames carry must be one quantity, as elsewhere.
func TestStripsOfUnlikeUnitsOrExposuresAreRefused(t *testing.T) {
	p, files := stripProducts(t)
	inElectrons := plainProfile(t, "fescue", "output.quantity=electrons")
	shots := stripShots(36, false)
	electrons := shoot(t, inElectrons, shots[17:18])
	dir := t.TempDir()
	mixed := slices.Concat(files[:17], electrons, files[18:])
	failed(t, cubes(t, p, mixed, pipeline.CubeOptions{OutDir: dir}), dir, "s17-calibrated.fits", "electron")
	shots[17].exposureS = 0.2
	failed(t, cubes(t, inElectrons, shoot(t, inElectrons, shots), pipeline.CubeOptions{OutDir: dir}), dir, "s17-calibrated.fits", "0.2 s", "radiance")
}

// Ground that no frame saw is missing, and the report says how much.
func TestStripsWithAGapWarn(t *testing.T) {
	p, files := stripProducts(t)
	// Without frames 12 to 23 the ground moves 56.8 rows at once, and strips
	// are 40 rows high.
	s := cubes(t, p, slices.Concat(files[:12], files[24:]), pipeline.CubeOptions{})
	if len(s.Cubes) != 1 {
		t.Fatal(s.Failures)
	}
	for _, b := range s.Cubes[0].Bands {
		if b.GapRows < 16 || b.GapRows > 17 {
			t.Errorf("%s: %d gap rows, want 16.8", b.Name, b.GapRows)
		}
		says(t, strings.Join(s.Cubes[0].Warnings, "\n"), "band "+b.Name, "seen by no frame")
	}
}

// requireTools makes a missing outside tool a failure instead of a skip.
const requireTools = "EVENLIGHT_REQUIRE_TOOLS"

const python = "/usr/bin/python3"

func needTool(t *testing.T, name string, args ...string) {
	t.Helper()
	path, err := exec.LookPath(name)
	if err == nil && len(args) > 0 {
		err = exec.Command(path, args...).Run()
	}
	switch {
	case err == nil:
	case os.Getenv(requireTools) != "":
		t.Fatalf("%s cannot be used: %v", name, err)
	default:
		t.Skipf("%s cannot be used: %v", name, err)
	}
}

// oneOfEach are cubes of every way in which bands come together.
func oneOfEach(t *testing.T, dir string) []string {
	t.Helper()
	quillon, wheelFiles := wheelProducts(t)
	fescue, stripFiles := stripProducts(t)
	sources := []struct {
		p     *configs.Profile
		files []string
	}{{quillon, wheelFiles[:4]}, {fescue, stripFiles}}
	for camera, n := range map[string]int{"brindle": 1, "umber": 3, "tarn": 100, "sallow": 100} {
		f := mustFamily(t, camera)
		files := productsOf(f)
		sources = append(sources, struct {
			p     *configs.Profile
			files []string
		}{f.in.Profile, files[:min(n, len(files))]})
	}
	var out []string
	for _, s := range sources {
		made := cubes(t, s.p, s.files, pipeline.CubeOptions{OutDir: filepath.Join(dir, s.p.Instrument)})
		if len(made.Cubes) == 0 {
			t.Fatalf("%s: %v", s.p.Instrument, made.Failures)
		}
		for _, c := range made.Cubes {
			out = append(out, c.Cube)
		}
	}
	return out
}

// fitsverify of the HEASARC checks files against the FITS Standard.
func TestFitsverifyFindsNothingInCubesAndMasters(t *testing.T) {
	needTool(t, "fitsverify")
	files := oneOfEach(t, t.TempDir())
	for _, camera := range cameras {
		f := mustFamily(t, camera)
		for _, m := range f.built.Made {
			files = append(files, m.Path)
		}
		files = append(files, productsOf(f)[0])
	}
	out, _ := exec.Command("fitsverify", append([]string{"-q"}, files...)...).CombinedOutput()
	lines := strings.Split(strings.TrimSpace(string(out)), "\n")
	if len(lines) != len(files) {
		t.Fatalf("%d lines about %d files:\n%s", len(lines), len(files), out)
	}
	for _, l := range lines {
		if !strings.HasPrefix(l, "verification OK:") {
			t.Error(l)
		}
	}
}

// Reads cubes with the library of the astropy project, checksums verified and
// each warning an error.
const astropyCubes = `
import sys, json, warnings
import numpy as np
from astropy.io import fits
warnings.simplefilter("error")
out = []
for path in sys.argv[1:]:
    with fits.open(path, checksum=True) as f:
        f.verify("exception")
        planes = {}
        for name in ["VALUE", "UNCERTAINTY", "FLAGS"]:
            a = f[name].data.astype(np.float64)
            good = ~np.isnan(a)
            planes[name] = [list(a.shape), int(good.sum()), [float(x) for x in a[good][::997]]]
        h = f[0].header
        out.append({"planes": planes, "bands": [h["BAND%02d" % (i + 1)] for i in range(h["NBANDS"])], "way": h["CUBEWAY"],
                    "table": [str(b) for b in f["BANDS"].data["BAND"]], "unit": f["VALUE"].header["BUNIT"]})
print(json.dumps(out))
`

func TestAstropyReadsTheSameCubes(t *testing.T) {
	needTool(t, python, "-c", "import astropy.io.fits")
	files := oneOfEach(t, t.TempDir())
	cmd := exec.Command(python, append([]string{"-c", astropyCubes}, files...)...)
	var complaints strings.Builder
	cmd.Stderr = &complaints
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("%v\n%s", err, complaints.String())
	}
	var all []struct {
		Planes    map[string][]json.RawMessage
		Bands     []string
		Way, Unit string
		Table     []string
	}
	if err := json.Unmarshal(out, &all); err != nil {
		t.Fatal(err)
	}
	for i, path := range files {
		f, err := fitsutil.Open(path)
		if err != nil {
			t.Fatal(err)
		}
		h, err := f.Find("VALUE")
		if err != nil {
			t.Fatal(err)
		}
		shape := []int{h.Planes(), h.Height(), h.Width()}
		f.Close()
		got := all[i]
		if !slices.Equal(got.Bands, got.Table) || len(got.Bands) != h.Planes() || got.Way == "" || got.Unit == "" {
			t.Errorf("%s: %+v", path, got)
		}
		for name, figures := range got.Planes {
			var axes []int
			var count int
			var some []float64
			for k, to := range []any{&axes, &count, &some} {
				if err := json.Unmarshal(figures[k], to); err != nil {
					t.Fatal(err)
				}
			}
			if len(axes) == 2 {
				axes = append([]int{1}, axes...)
			}
			numbers := slices.DeleteFunc(planeOf(t, path, name), func(v float64) bool { return v != v })
			if !slices.Equal(axes, shape) || count != len(numbers) {
				t.Errorf("%s %s: axes %v with %d numbers, want %v with %d", path, name, axes, count, shape, len(numbers))
				continue
			}
			for k, v := range some {
				if v != numbers[997*k] {
					t.Fatalf("%s %s: number %d is %v, want %v", path, name, 997*k, v, numbers[997*k])
				}
			}
		}
	}
}

// Long and short exposures that were taken in turn make two sets, each of
// frames of like exposure; where the exposures are alike, a band that comes
// again begins a set and what follows belongs to that.
func TestExposuresTakenInTurnMakeTwoSets(t *testing.T) {
	p := plainProfile(t, "quillon")
	bands := []string{"violet", "green", "red", "nir"}
	var shots []shot
	for i, band := range bands {
		at := float64(100 * i)
		shots = append(shots, shot{name: fmt.Sprintf("%d-long-%s", 2*i, band), band: band, afterS: at, exposureS: 0.6},
			shot{name: fmt.Sprintf("%d-short-%s", 2*i+1, band), band: band, afterS: at + 40, x: 150, exposureS: 0.05})
	}
	s := cubes(t, p, shoot(t, p, shots), pipeline.CubeOptions{})
	if len(s.Cubes) != 2 || len(s.Failures) != 0 {
		t.Fatalf("%d cubes, failures %v; want two cubes", len(s.Cubes), s.Failures)
	}
	for i, kind := range []string{"long", "short"} {
		for _, b := range s.Cubes[i].Bands {
			if !strings.Contains(b.Products[0], kind+"-"+b.Name) {
				t.Errorf("cube of %s exposures: band %s is of %s", kind, b.Name, b.Products[0])
			}
		}
	}
	// nir of the first set is lost: the second set is whole all the same.
	var rest []shot
	for i, again := range []float64{0, 600} {
		for k, band := range bands {
			if i == 0 && band == "nir" {
				continue
			}
			rest = append(rest, shot{name: fmt.Sprintf("%d%d-%s", i, k, band), band: band, afterS: again + float64(40*k), x: 100 * float64(i), exposureS: 0.3})
		}
	}
	s = cubes(t, p, shoot(t, p, rest), pipeline.CubeOptions{})
	if len(s.Cubes) != 1 || len(s.Failures) != 1 || !strings.HasPrefix(s.Cubes[0].Bands[3].Products[0], "13-") {
		t.Fatalf("cubes %v, failures %v; want the second set whole and the first without nir", s.Cubes, s.Failures)
	}
}

// A mosaic's product read with a profile that trims otherwise would have its
// colours exchanged.
func TestProductOfAnotherTrimIsRefused(t *testing.T) {
	_, files := wheelProducts(t)
	other := plainProfile(t, "quillon", "detectors.0.image.columns=[18, 112]", "detectors.0.reference.columns=[20, 100]")
	s := cubes(t, other, files[:4], pipeline.CubeOptions{})
	if len(s.Cubes) != 0 || len(s.Failures) != 4 {
		t.Fatalf("%d cubes, failures %v", len(s.Cubes), s.Failures)
	}
	says(t, s.Failures[0].Reason, "column 17", "column 18", "make the product again")
}
