package pipeline_test

import (
	"maps"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"

	"go.uber.org/zap"

	"evenlight/calib"
	"evenlight/configs"
	"evenlight/fitsutil"
	"evenlight/pipeline"
	"evenlight/pipeline/simulate"
)

// small makes the chips of the built-in cameras small, so that whole
// campaigns take moments.
var small = map[string][]string{
	"quillon": {"detectors.0.width=128", "detectors.0.height=96", "detectors.0.image={columns: [17, 112], rows: [1, 96]}",
		"detectors.0.reference={columns: [33, 96], rows: [17, 80]}",
		"detectors.0.amplifiers.0.region={columns: [1, 64], rows: [1, 96]}", "detectors.0.amplifiers.0.overscan.rows=[1, 96]",
		"detectors.0.amplifiers.1.region={columns: [65, 128], rows: [1, 96]}", "detectors.0.amplifiers.1.overscan={columns: [113, 128], rows: [1, 96]}"},
	"brindle": {"detectors.0.width=112", "detectors.0.height=96", "detectors.0.image={columns: [17, 112], rows: [1, 96]}",
		"detectors.0.reference={columns: [33, 96], rows: [17, 80]}",
		"detectors.0.amplifiers.0.region={columns: [1, 112], rows: [1, 48]}", "detectors.0.amplifiers.0.overscan.rows=[1, 48]",
		"detectors.0.amplifiers.1.region={columns: [1, 112], rows: [49, 96]}", "detectors.0.amplifiers.1.overscan.rows=[49, 96]", hitsOn},
	"oxlip": {"detectors.0.width=112", "detectors.0.height=104", "detectors.0.image={columns: [17, 112], rows: [1, 96]}",
		"detectors.0.reference={columns: [33, 96], rows: [17, 80]}", "detectors.0.smear.masked_rows=[97, 104]", "detectors.0.smear.row_s=1e-5",
		"detectors.0.amplifiers.0.region={columns: [1, 112], rows: [1, 104]}", "detectors.0.amplifiers.0.overscan.rows=[1, 104]"},
	"sallow": {"detectors.0.width=176", "detectors.0.height=176", "detectors.0.image={columns: [1, 176], rows: [1, 176]}",
		"detectors.0.reference={columns: [41, 136], rows: [41, 136]}", "detectors.0.linearity.zones=[3, 2]",
		"detectors.0.marks.step=[30, 30]", "detectors.0.marks.count=[5, 5]",
		"detectors.0.amplifiers.0.region={columns: [1, 176], rows: [1, 176]}"},
	"fescue": {"detectors.0.width=112", "detectors.0.height=192", "detectors.0.image={columns: [17, 112], rows: [1, 192]}",
		"detectors.0.reference={columns: [33, 96], rows: [1, 192]}",
		"detectors.0.strips=[{band: violet, rows: [5, 44]}, {band: green, rows: [53, 92]}, {band: red, rows: [101, 140]}, {band: nir, rows: [149, 188]}]",
		"detectors.0.amplifiers.0.region={columns: [1, 112], rows: [1, 192]}", "detectors.0.amplifiers.0.overscan.rows=[1, 192]", hitsOn},
	"tarn":  slices.Concat(smallPan, smallLine("1"), smallLine("2")),
	"umber": slices.Concat(smallLayer("0"), smallLayer("1"), smallLayer("2")),
}

// hitsOn has hits searched for in a camera that does without by default.
const hitsOn = "detectors.0.hits={point_fwhm_pixels: 2}"

var smallPan = []string{"detectors.0.width=128", "detectors.0.image.columns=[17, 112]", "detectors.0.reference.columns=[33, 96]",
	"detectors.0.amplifiers.0.region.columns=[1, 64]", "detectors.0.amplifiers.1.region.columns=[65, 128]", "detectors.0.amplifiers.1.overscan.columns=[113, 128]"}

func smallLine(n string) []string {
	d := "detectors." + n
	return []string{d + ".width=80", d + ".image.columns=[17, 80]", d + ".reference.columns=[25, 72]", d + ".amplifiers.0.region.columns=[1, 80]"}
}

func smallLayer(n string) []string {
	d := "detectors." + n
	return []string{d + ".width=112", d + ".height=64", d + ".image={columns: [17, 112], rows: [1, 64]}", d + ".reference={columns: [33, 96], rows: [9, 56]}",
		d + ".amplifiers.0.region={columns: [1, 112], rows: [1, 64]}", d + ".amplifiers.0.overscan.rows=[1, 64]"}
}

// profileOf is a built-in camera with a small chip.
func profileOf(camera string, set ...string) (*configs.Profile, error) {
	text, err := configs.Builtin(camera)
	if err != nil {
		return nil, err
	}
	return configs.Parse(camera, text, configs.Overrides{Set: slices.Concat(settings, small[camera], set)})
}

func smallInstrument(t *testing.T, camera string, set ...string) *pipeline.Instrument {
	t.Helper()
	p, err := profileOf(camera, set...)
	if err != nil {
		t.Fatal(err)
	}
	return pipeline.NewInstrument(p)
}

// writeCampaign simulates a camera's own campaign, as its kind of sensor asks.
func writeCampaign(p *configs.Profile, raw, truth string) error {
	opt, plan := simulate.Options{Seed: 3}, simulate.ScenarioOptions{Seed: 3, Scale: 0.1}
	switch {
	case p.Stack != nil:
		s, err := simulate.NewStack(p, opt)
		if err != nil {
			return err
		}
		return simulate.WriteStack(raw, truth, s, simulate.PlanStack(p, plan), 2)
	case p.Detectors[0].LineScan != nil:
		s, err := simulate.NewLineScanners(p, opt)
		if err != nil {
			return err
		}
		files := simulate.PlanLines(p, plan)
		for i := range files {
			if files[i].Kind != configs.KindScene { // of any length
				files[i].Exposure.Lines = []int{256, 100, 300}[i%3]
			}
		}
		return simulate.WriteLines(raw, truth, s, files, 2)
	case p.Detectors[0].Marks != nil:
		s, err := simulate.NewTube(p, p.Detectors[0].Name, simulate.TubeOptions{Options: opt})
		if err != nil {
			return err
		}
		return simulate.WriteTube(raw, truth, s, simulate.PlanTube(p, plan), 2)
	}
	s, err := simulate.NewAll(p, opt)
	if err != nil {
		return err
	}
	return simulate.WriteFrames(raw, truth, s, simulate.Scenario(p, plan), 2)
}

// family is a small campaign of a camera with its masters and products, made
// by two workers.
type family struct {
	in                *pipeline.Instrument
	raw, truth        string
	masters, products string
	files             []string
	built             *pipeline.BuildResult
	run               *pipeline.RunSummary
}

func makeFamily(camera string) (*family, error) {
	dir, err := scratch()
	if err != nil {
		return nil, err
	}
	dir = filepath.Join(dir, "small-"+camera)
	p, err := profileOf(camera)
	if err != nil {
		return nil, err
	}
	f := &family{in: pipeline.NewInstrument(p), raw: filepath.Join(dir, "raw"), truth: filepath.Join(dir, "truth"),
		masters: filepath.Join(dir, "masters"), products: filepath.Join(dir, "products")}
	if err := writeCampaign(p, f.raw, f.truth); err != nil {
		return nil, err
	}
	if f.files, err = pipeline.FindFrames([]string{f.raw}); err != nil {
		return nil, err
	}
	f.built, f.run, err = process(f.in, f.files, f.masters, f.products, 2)
	return f, err
}

// process makes masters and products.
func process(in *pipeline.Instrument, files []string, masters, products string, workers int) (*pipeline.BuildResult, *pipeline.RunSummary, error) {
	built, err := pipeline.BuildMasters(in, files, pipeline.BuildOptions{OutDir: masters, Workers: workers, Log: zap.NewNop()})
	if err != nil {
		return nil, nil, err
	}
	run, err := pipeline.Calibrate(in, files, pipeline.RunOptions{MastersDir: masters, OutDir: products, Workers: workers, Log: zap.NewNop()})
	return built, run, err
}

// families are the small campaigns, each made once.
var families = func() map[string]func() (*family, error) {
	out := map[string]func() (*family, error){}
	for camera := range small {
		out[camera] = sync.OnceValues(func() (*family, error) { return makeFamily(camera) })
	}
	return out
}()

// cameras are those whose whole campaign is run here.
var cameras = []string{"brindle", "fescue", "oxlip", "sallow", "tarn", "umber"}

func mustFamily(t *testing.T, camera string) *family {
	t.Helper()
	f, err := families[camera]()
	if err != nil {
		t.Fatal(err)
	}
	if len(f.built.Failures)+len(f.run.Failures) > 0 || len(f.built.Made) == 0 || len(f.run.Frames) == 0 {
		t.Fatalf("%s: %d masters, %d products, failures %v %v", camera, len(f.built.Made), len(f.run.Frames), f.built.Failures, f.run.Failures)
	}
	return f
}

// hashesIn returns the content hash of each FITS file of a folder.
func hashesIn(t *testing.T, dirs ...string) map[string]string {
	t.Helper()
	out := map[string]string{}
	for _, dir := range dirs {
		files, err := filepath.Glob(filepath.Join(dir, "*.fits"))
		if err != nil {
			t.Fatal(err)
		}
		for _, f := range files {
			out[filepath.Base(f)] = hash(t, f)
		}
	}
	if len(out) == 0 {
		t.Fatalf("no files in %v", dirs)
	}
	return out
}

func TestFilesOfAllKindsOfSensorDoNotDependOnTheNumberOfWorkers(t *testing.T) {
	for _, camera := range cameras {
		t.Run(camera, func(t *testing.T) {
			f := mustFamily(t, camera)
			want := hashesIn(t, f.masters, f.products)
			for _, workers := range []int{1, 3} {
				dir := t.TempDir()
				masters, products := filepath.Join(dir, "m"), filepath.Join(dir, "p")
				if _, _, err := process(f.in, f.files, masters, products, workers); err != nil {
					t.Fatal(err)
				}
				if got := hashesIn(t, masters, products); !maps.Equal(got, want) {
					t.Errorf("%d workers make other files than 2", workers)
				}
			}
		})
	}
}

// A product is made again, byte for byte, from what it names: of a camera
// tube also from the frames before it.
func TestProductsOfAllKindsOfSensorCanBeMadeAgain(t *testing.T) {
	for _, camera := range cameras {
		t.Run(camera, func(t *testing.T) {
			f := mustFamily(t, camera)
			for i, r := range f.run.Frames {
				if camera != "sallow" && i%3 != 0 {
					continue
				}
				v, err := pipeline.Verify(r.Product, []string{f.raw, f.masters}, 3)
				if err != nil || !v.Same || len(v.Details) > 0 {
					t.Errorf("%s: %+v, %v", filepath.Base(r.Product), v, err)
				}
			}
		})
	}
}

// What acts on the frames of each camera, in the order of the measurement
// model.
func TestStagesOfEachCamera(t *testing.T) {
	for _, c := range []struct {
		camera string
		stages string
		need   string // kinds of master
	}{
		{"quillon", "frame saturation offset bias linearity gain dark flat noise radiance bad_pixels hits", "bias linearity dark flat bad-pixels"},
		{"pellam", "frame saturation offset bias linearity gain dark flat noise radiance bad_pixels", "bias dark flat bad-pixels"},
		{"brindle", "frame saturation offset bias linearity gain dark flat noise radiance bad_pixels", "bias linearity dark flat bad-pixels"},
		{"fescue", "frame saturation offset bias linearity gain dark flat noise radiance bad_pixels", "bias dark flat bad-pixels"},
		{"oxlip", "frame decompand saturation offset bias linearity gain dark smear flat noise radiance bad_pixels", "bias dark flat bad-pixels"},
		{"sallow", "frame saturation offset bias linearity gain dark residual flat noise radiance bad_pixels", "bias linearity dark flat bad-pixels"},
		{"tarn", "frame saturation offset bias linearity gain dark flat noise radiance bad_pixels pace", "bias dark flat bad-pixels"},
		{"umber", "frame saturation offset bias linearity gain dark flat noise bad_pixels", "bias dark flat bad-pixels"},
		{"gemel", "frame saturation offset bias linearity gain dark flat noise radiance bad_pixels", "bias dark flat bad-pixels"},
	} {
		in := instrument(t, c.camera)
		for d := range in.Profile.Detectors {
			var names, need []string
			for _, s := range in.Stages(d) {
				names = append(names, s.Name)
				if !s.On || s.Does == "" {
					t.Errorf("%s, detector %d: %+v, want each stage on and described", c.camera, d, s)
				}
				if s.Master != "" {
					need = append(need, s.Master)
				}
			}
			if got := strings.Join(names, " "); got != c.stages {
				t.Errorf("%s, detector %d: stages %s, want %s", c.camera, d, got, c.stages)
			}
			if got := strings.Join(need, " "); got != c.need {
				t.Errorf("%s, detector %d: masters %s, want %s", c.camera, d, got, c.need)
			}
		}
	}
	if n := len(configs.BuiltinNames()); n != 9 {
		t.Errorf("%d cameras are built in and 9 are listed here", n)
	}
}

// What is listed is what acts.
func TestProductsOfAllKindsOfSensorListTheirStages(t *testing.T) {
	for _, camera := range cameras {
		f := mustFamily(t, camera)
		for _, r := range f.run.Frames {
			record, err := pipeline.ReadProvenance(r.Product)
			if err != nil {
				t.Fatal(err)
			}
			d := slices.IndexFunc(f.in.Profile.Detectors, func(d configs.Detector) bool { return d.Name == r.Detector })
			var want []string
			for _, s := range f.in.Stages(d) {
				want = append(want, s.Name)
			}
			got := stageNames(record)
			if camera == "umber" {
				// A layer's electrons go through a light of 1.
				got = slices.DeleteFunc(got, func(s string) bool { return s == "radiance" })
			}
			if !slices.Equal(got, want) {
				t.Errorf("%s: stages %v, want %v", filepath.Base(r.Product), got, want)
			}
		}
	}
}

// The frame before is the one that the simulator left something of.
func TestTubeTakesOffTheFrameBefore(t *testing.T) {
	f := mustFamily(t, "sallow")
	truth, err := simulate.LoadTube(filepath.Join(f.truth, simulate.TubeFile))
	if err != nil {
		t.Fatal(err)
	}
	before := map[string]string{}
	for _, fr := range truth.Frames {
		before[fr.Name] = fr.Before
	}
	followed := 0
	for _, r := range f.run.Frames {
		name := strings.TrimSuffix(filepath.Base(r.Raw), ".fits")
		var want []string // it, and those before it as far as they count
		for b := before[name]; b != "" && len(want) < 3; b = before[b] {
			want = append(want, b+".fits")
		}
		record, err := pipeline.ReadProvenance(r.Product)
		if err != nil {
			t.Fatal(err)
		}
		var got []string
		for _, in := range record.Inputs {
			if in.Role == "frame before" {
				got = append(got, in.Name)
			}
		}
		if !slices.Equal(got, want) {
			t.Errorf("%s: frames before %v, want %v", name, got, want)
		}
		if len(want) > 0 {
			followed++
			if r.Before != want[0] {
				t.Errorf("%s: the summary names %q, want %q", name, r.Before, want[0])
			}
		}
	}
	if followed < 3 {
		t.Errorf("%d scenes followed another, want 3 at least", followed)
	}
}

// tubePair is two scenes of the tube, the second soon after the first.
func tubePair(t *testing.T, f *family) (first, second string) {
	t.Helper()
	for _, r := range f.run.Frames {
		if r.Before != "" {
			return filepath.Join(f.raw, r.Before), r.Raw
		}
	}
	t.Fatal("no scene follows another")
	return "", ""
}

// Whatever keeps the frame before from being used, the product says so, and is
// made again in the same way.
func TestTubeFlagsWhatAnUnusableFrameBeforeLeaves(t *testing.T) {
	f := mustFamily(t, "sallow")
	first, second := tubePair(t, f)
	whole, err := os.ReadFile(first)
	if err != nil {
		t.Fatal(err)
	}
	changed := slices.Clone(whole)
	changed[len(changed)-2880-100] ^= 0x10 // a sample: the checksum does not fit
	for name, data := range map[string][]byte{"changed": changed, "cut short": whole[:len(whole)/2]} {
		t.Run(name, func(t *testing.T) { checkUnusableBefore(t, f, filepath.Base(first), data, second) })
	}
}

func checkUnusableBefore(t *testing.T, f *family, first string, data []byte, second string) {
	t.Helper()
	dir := t.TempDir()
	spoilt := filepath.Join(dir, first)
	if err := os.WriteFile(spoilt, data, 0o666); err != nil {
		t.Fatal(err)
	}
	out := t.TempDir()
	s := calibrate(t, f.in, []string{spoilt, second}, pipeline.RunOptions{MastersDir: f.masters, OutDir: out})
	if len(s.Failures) != 1 || len(s.Frames) != 1 {
		t.Fatalf("%+v: %v", s.Counts, s.Failures)
	}
	r := s.Frames[0]
	if got := r.Fractions["residual-unsure"]; got != 1 {
		t.Errorf("%g of the pixels are residual-unsure, want all", got)
	}
	says(t, strings.Join(r.Warnings, "\n"), "residual image of the frame before", first)
	for i, v := range planeOf(t, r.Product, "FLAGS") {
		if calib.Flags(v)&calib.ResidualUnsure == 0 {
			t.Fatalf("pixel %d is %v", i, calib.Flags(v))
		}
	}
	v, err := pipeline.Verify(r.Product, []string{dir, f.raw, f.masters}, 2)
	if err != nil || !v.Same {
		t.Errorf("made again: %+v, %v", v, err)
	}
}

// planeOf returns the pixels of a plane as numbers.
func planeOf(t *testing.T, path, hdu string) []float64 {
	t.Helper()
	f, err := fitsutil.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	h, err := f.Find(hdu)
	if err != nil {
		t.Fatal(err)
	}
	var out []float64
	for p := range h.Planes() {
		raw, err := f.ReadRows(h, p, 0, h.Height(), nil)
		if err != nil {
			t.Fatal(err)
		}
		n := h.Width() * h.Height()
		if hdu == "FLAGS" {
			whole := make([]int32, n)
			if err := h.DecodeInt32(whole, raw); err != nil {
				t.Fatal(err)
			}
			for _, v := range whole {
				out = append(out, float64(v))
			}
			continue
		}
		v := make([]float32, n)
		if err := h.DecodeFloat32(v, raw); err != nil {
			t.Fatal(err)
		}
		for _, x := range v {
			out = append(out, float64(x))
		}
	}
	return out
}

// Frames that began longer ago than residual.max_gap_s, or after, or at the
// same time, leave nothing.
func TestTubeFrameWithoutOneBeforeIsAlone(t *testing.T) {
	f := mustFamily(t, "sallow")
	first, second := tubePair(t, f)
	for name, c := range map[string]struct {
		files []string
		set   string
	}{
		"alone":            {[]string{second}, "detectors.0.residual.max_gap_s=120"},
		"after a long gap": {[]string{first, second}, "detectors.0.residual.max_gap_s=1"},
		"switched off":     {[]string{first, second}, "stages_off=[residual]"},
	} {
		t.Run(name, func(t *testing.T) {
			s := calibrate(t, smallInstrument(t, "sallow", c.set), c.files, pipeline.RunOptions{MastersDir: f.masters})
			r := s.Frames[len(s.Frames)-1]
			record, err := pipeline.ReadProvenance(r.Product)
			if err != nil {
				t.Fatal(err)
			}
			for _, in := range record.Inputs {
				if in.Role == "frame before" {
					t.Errorf("%s counts", in.Name)
				}
			}
			if r.Before != "" || r.Fractions["residual-unsure"] != 0 {
				t.Errorf("frame before %q, %g of the pixels unsure", r.Before, r.Fractions["residual-unsure"])
			}
		})
	}
}

// Masked rows' levels lie beside the bias and the dark, in their units, a
// value a column with a variance above 0.
func TestMastersOfASmearingCameraHoldItsMaskedRows(t *testing.T) {
	f := mustFamily(t, "oxlip")
	seen := 0
	for _, m := range f.built.Made {
		if m.Kind != pipeline.MasterBias && m.Kind != pipeline.MasterDark {
			continue
		}
		seen++
		value, variance := planeOf(t, m.Path, "MASKED"), planeOf(t, m.Path, "MASKED_VARIANCE")
		if len(value) != 96 || len(variance) != 96 {
			t.Fatalf("%s: %d values and %d variances for 96 columns", m.Name(), len(value), len(variance))
		}
		// The mean of 8 rows scatters less from frame to frame than a pixel.
		typical := planeOf(t, m.Path, "VARIANCE")
		var rows, pixels float64
		for x := range value {
			if math.IsNaN(value[x]) || !(variance[x] > 0) {
				t.Errorf("%s: column %d has %g with variance %g", m.Name(), x, value[x], variance[x])
			}
			rows += variance[x] / 96
		}
		for _, v := range typical {
			if !math.IsNaN(v) {
				pixels += v / float64(len(typical))
			}
		}
		if !(rows < pixels/2) {
			t.Errorf("%s: masked rows have the variance %g and pixels %g", m.Name(), rows, pixels)
		}
	}
	if seen < 2 {
		t.Errorf("%d bias and dark masters", seen)
	}
}

// A master that was made before the profile told of masked rows cannot serve
// them, and says so.
func TestMastersWithoutMaskedRowsAreRefused(t *testing.T) {
	f := mustFamily(t, "oxlip")
	dir := t.TempDir()
	before := smallInstrument(t, "oxlip", "detectors.0.smear={row_s: 1e-5, toward: first_row, when: both}")
	built, err := pipeline.BuildMasters(before, f.files, pipeline.BuildOptions{OutDir: dir, Workers: 2, Log: zap.NewNop()})
	if err != nil || len(built.Failures) > 0 {
		t.Fatal(err, built.Failures)
	}
	s := calibrate(t, f.in, sceneFiles(t, f)[:1], pipeline.RunOptions{MastersDir: dir})
	if len(s.Failures) != 1 {
		t.Fatalf("%+v: %v, want a failure", s.Counts, s.Failures)
	}
	says(t, s.Failures[0].Reason, "masked")
}

// sceneFiles lists the raw scenes of a family.
func sceneFiles(t *testing.T, f *family) []string {
	t.Helper()
	files, err := filepath.Glob(filepath.Join(f.raw, "*-scene.fits"))
	if err != nil || len(files) == 0 {
		t.Fatal("no scenes in ", f.raw, err)
	}
	return files
}

// Light of an even rate R leaves R t_row in each row that it passes: the
// image is even again when that is taken off, at R t, and the rows' workers do
// not matter. Codes move the mean by -1/48 DN, 0.11 e-, see the tests of the
// decompanding.
func TestSmearSolvedFromTheImage(t *testing.T) {
	for _, when := range []string{"before", "after", "both"} {
		t.Run(when, func(t *testing.T) {
			p := plainProfile(t, "oxlip", "output.quantity=electrons", "detectors.0.smear={row_s: 1e-5, toward: first_row, when: "+when+", own_row: true}")
			opt := perfect
			opt.NoSmear = false
			s, err := simulate.NewAll(p, opt)
			if err != nil {
				t.Fatal(err)
			}
			dir := t.TempDir()
			if err := simulate.WriteFrames(dir, t.TempDir(), s, planOf(p, []shot{{name: "even", band: "green", exposureS: 0.02, even: true}}), 2); err != nil {
				t.Fatal(err)
			}
			raw := []string{filepath.Join(dir, "even.fits")}
			var products []string
			for _, workers := range []int{1, 3} {
				run, err := pipeline.Calibrate(pipeline.NewInstrument(p), raw, pipeline.RunOptions{MastersDir: t.TempDir(), OutDir: t.TempDir(), Workers: workers, Log: zap.NewNop()})
				if err != nil || len(run.Failures) > 0 {
					t.Fatal(err, run.Failures)
				}
				products = append(products, run.Frames[0].Product)
			}
			if hash(t, products[0]) != hash(t, products[1]) {
				t.Error("1 and 3 workers make unlike products")
			}
			want := 0.4 * whites(p)[1] * 1.2e7 * 0.02
			value, unc := planeOf(t, products[0], "VALUE"), planeOf(t, products[0], "UNCERTAINTY")
			// By rows, since what is left of a smear grows along the columns;
			// pixels share the offset of their rows and the smear of columns.
			for y := 0; y < 96; y += 8 {
				mean, variance := 0.0, 0.0
				for i := y * 96; i < (y+8)*96; i++ {
					mean += value[i] / (8 * 96)
					variance += unc[i] * unc[i] / (8 * 96)
				}
				if bound := 4.5*math.Sqrt(variance/(8*96)) + 4.5*14/math.Sqrt(16*31) + 0.2; math.Abs(mean-want) > bound {
					t.Errorf("rows %d to %d hold %.2f e-, want %.2f within %.2f", y+1, y+8, mean, want, bound)
				}
			}
		})
	}
}

// darkRuns are the dark files of a line scanner whose lines take a time that
// ok likes.
func darkRuns(t *testing.T, f *family, ok func(lineS float64) bool) []string {
	t.Helper()
	files, err := filepath.Glob(filepath.Join(f.raw, "*-dark.fits"))
	if err != nil {
		t.Fatal(err)
	}
	var out []string
	for _, file := range files {
		views, err := f.in.Inspect(file)
		if err != nil {
			t.Fatal(err)
		}
		if ok(views[0].Info.LineTimeS) {
			out = append(out, file)
		}
	}
	return out
}

// Dark runs of one line time tell no bias; of others they do.
func TestLineScannerNeedsDarkRunsOfUnlikeLineTimes(t *testing.T) {
	f := mustFamily(t, "tarn")
	short := darkRuns(t, f, func(lineS float64) bool { return lineS < 3e-4 })
	r := build(t, f.in, short)
	if len(short) < 6 || len(r.Failures) == 0 {
		t.Fatalf("%d files, failures %v", len(short), r.Failures)
	}
	for _, m := range r.Made {
		if m.Kind == pipeline.MasterBias {
			t.Errorf("%s is made of lines that take one time", m.Name())
		}
	}
	says(t, r.Failures[0].Raw+" "+r.Failures[0].Reason, "master bias", "do not tell the bias from the dark current", "add dark runs")
}

// The bias of a line scanner, an intercept, against the pattern that the
// simulator drew. The offset has the mean pattern of the masked pixels in it,
// so a constant for each amplifier is free; that of the rows' offsets, which a
// block's columns share, goes with it.
func TestLineScannersBiasIsAsGoodAsItSays(t *testing.T) {
	f := mustFamily(t, "tarn")
	var square, stated, columns float64
	for _, m := range f.built.Made {
		if m.Kind != pipeline.MasterBias {
			continue
		}
		d := f.in.Profile.Detectors[slices.IndexFunc(f.in.Profile.Detectors, func(d configs.Detector) bool { return d.Name == m.Detector })]
		pattern := planeOf(t, simulate.MapsFile(f.truth, m.Detector), "PATTERN")
		value, variance := planeOf(t, m.Path, "VALUE"), planeOf(t, m.Path, "VARIANCE")
		for _, amp := range d.Amplifiers {
			var off []float64
			for x := range value {
				raw := d.Image.Columns[0] - 1 + x*m.Binning
				if raw+1 < amp.Region.Columns[0] || raw+1 > amp.Region.Columns[1] {
					continue
				}
				mean := 0.0 // of the pixels that a sample adds up
				for i := range m.Binning {
					mean += pattern[raw+i] / float64(m.Binning)
				}
				off = append(off, value[x]-mean)
				stated += variance[x]
			}
			mean := 0.0
			for _, v := range off {
				mean += v / float64(len(off))
			}
			n := float64(len(off))
			for _, v := range off {
				square += (v - mean) * (v - mean) * n / (n - 1)
			}
			columns += n
		}
	}
	// Nine files or more a mode leave seven degrees of freedom to the stated
	// variance. A row's offset, of 16 samples, adds a sixteenth to it.
	ratio, bound := square/stated, 4.5*math.Sqrt((2+2.0/7)/columns)
	t.Logf("%g columns: scatter over stated variance %.3f", columns, ratio)
	if columns < 500 || ratio < 1/(1+1.0/16)-bound || ratio > 1+bound {
		t.Errorf("over %g columns the bias scatters by %.3f of the stated variance, want 1 within %.3f", columns, ratio, bound)
	}
}

// A file of any length is one frame of that many lines.
func TestLineScannersFilesHaveAnyLength(t *testing.T) {
	f := mustFamily(t, "tarn")
	raw := filepath.Join(t.TempDir(), "short.fits")
	cutLines(t, sceneFiles(t, f)[0], raw, 7)
	s := calibrate(t, f.in, []string{raw}, pipeline.RunOptions{MastersDir: f.masters})
	if len(s.Frames) != 3 {
		t.Fatal(s.Failures)
	}
	for _, r := range s.Frames {
		if got := len(planeOf(t, r.Product, "VALUE")); got%7 != 0 || got == 0 {
			t.Errorf("%s has %d pixels", r.Product, got)
		}
	}
}

// cutLines copies a line scanner's file with so many lines.
func cutLines(t *testing.T, from, to string, lines int) {
	t.Helper()
	f, err := fitsutil.Open(from)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	w, err := fitsutil.Create(to, fitsutil.CreateOptions{NoSync: true})
	if err != nil {
		t.Fatal(err)
	}
	defer w.Abort()
	for _, h := range f.HDUs() {
		header := h.Header.Clone()
		for _, key := range []string{"CHECKSUM", "DATASUM"} {
			header.Delete(key)
		}
		if len(h.Axes) == 0 {
			if _, err := w.AddImage(header, 16); err != nil {
				t.Fatal(err)
			}
			continue
		}
		rows, err := f.ReadRows(h, 0, 0, lines, nil)
		if err != nil {
			t.Fatal(err)
		}
		iw, err := w.AddImage(header, 16, h.Axes[0], lines)
		if err != nil {
			t.Fatal(err)
		}
		if err := iw.WriteRows(0, 0, lines, rows); err != nil {
			t.Fatal(err)
		}
	}
	if err := w.Commit(); err != nil {
		t.Fatal(err)
	}
}

// Binned columns must be whole ones on either side of each region's edge.
func TestBinningThatDividesNoRegionIsRefused(t *testing.T) {
	f := mustFamily(t, "tarn")
	var binned string
	for _, file := range sceneFiles(t, f) {
		if views, err := f.in.Inspect(file); err == nil && views[0].Info.Binning == 2 {
			binned = file
		}
	}
	in := smallInstrument(t, "tarn", "detectors.1.image.columns=[18, 79]", "detectors.1.reference.columns=[25, 72]")
	s := calibrate(t, in, []string{binned}, pipeline.RunOptions{MastersDir: f.masters})
	if len(s.Failures) != 1 || len(s.Frames) != 2 {
		t.Fatalf("%+v: %v; want a failure of one detector", s.Counts, s.Failures)
	}
	says(t, s.Failures[0].Reason, "columns 18 to 79 of detector bluegreen", "binning of 2", "correct the region")
}

// tableOf reads a binary table's columns by name.
func tableOf(t *testing.T, path, hdu string) map[string]any {
	t.Helper()
	f, err := fitsutil.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	h, err := f.Find(hdu)
	if err != nil {
		t.Fatal(err)
	}
	table, err := f.ReadTable(h)
	if err != nil {
		t.Fatal(err)
	}
	out := map[string]any{}
	for _, c := range table.Columns {
		out[c.Name] = c.Data
	}
	return out
}

// A ladder gives each zone a curve: that of the mean v over its pixels, whose
// own, v_i + c2_i v_i^2 + c3_i v_i^3 = F_i R t, the simulator drew. To first
// order its coefficients are mean(c2 F^2)/mean(F)^2 and mean(c3 F^3)/mean(F)^3.
func TestLadderMeasuresTheCurveOfEachZone(t *testing.T) {
	f := mustFamily(t, "sallow")
	i := slices.IndexFunc(f.built.Made, func(m *pipeline.Master) bool { return m.Kind == pipeline.MasterLinearity })
	curves := tableOf(t, f.built.Made[i].Path, "CURVES")
	c2, c3, maxDN, rel := curves["C2"].([]float64), curves["C3"].([]float64), curves["MAX_DN"].([]float64), curves["REL_UNCERT"].([]float64)
	if len(c2) != 6 {
		t.Fatalf("%d curves for 3 x 2 zones", len(c2))
	}
	if names := curves["ZONE"].([]string); names[4] != "zone 2 of row 2" {
		t.Errorf("zones are named %q", names)
	}
	maps := simulate.MapsFile(f.truth, "tube")
	true2, true3, flat := planeOf(t, maps, "C2"), planeOf(t, maps, "C3"), planeOf(t, maps, "FLAT,2") // the second band's, clear
	for z := range c2 {
		var n, sum, a, b float64
		for y := z / 3 * 88; y < (z/3+1)*88; y++ {
			for x := z % 3 * 176 / 3; x < (z%3+1)*176/3; x++ {
				// Marks and bad spots are no part of the mean.
				if r := flat[y*176+x]; math.Abs(r-1) < 0.3 {
					n++
					sum += r
					a += true2[y*176+x] * r * r
					b += true3[y*176+x] * r * r * r
				}
			}
		}
		v, mean := maxDN[z]/2, sum/n
		got, want := c2[z]*v+c3[z]*v*v, a/n/(mean*mean)*v+b/n/(mean*mean*mean)*v*v
		// The next order is that of the curvature squared.
		if math.Abs(got-want) > 5*rel[z]+want*want {
			t.Errorf("zone %d: lin(v)/v - 1 is %.5f at %.0f DN, want %.5f within %.5f", z+1, got, v, want, 5*rel[z]+want*want)
		}
		t.Logf("zone %d: %.5f, want %.5f, uncertainty %.5f", z+1, got, want, rel[z])
	}
}

// The uncertainty of the curve that a product states covers all zones, and
// what is left out between them.
func TestProductStatesTheWorstZone(t *testing.T) {
	f := mustFamily(t, "sallow")
	i := slices.IndexFunc(f.built.Made, func(m *pipeline.Master) bool { return m.Kind == pipeline.MasterLinearity })
	worst := slices.Max(tableOf(t, f.built.Made[i].Path, "CURVES")["REL_UNCERT"].([]float64))
	record, err := pipeline.ReadProvenance(f.run.Frames[0].Product)
	if err != nil {
		t.Fatal(err)
	}
	for _, s := range record.Systematic {
		if s.Name == "linearity" {
			if s.Relative < worst*(1-1e-6) {
				t.Errorf("linearity is known to %g, the worst zone to %g only", s.Relative, worst)
			}
			return
		}
	}
	t.Error("no uncertainty of linearity")
}
