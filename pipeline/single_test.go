package pipeline_test

import (
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"evenlight/configs"
	"evenlight/fitsutil"
	"evenlight/pipeline"
)

// campaignOf is a small campaign of a camera as those who make products one at a
// time see it.
type campaignOf struct {
	in       *pipeline.Instrument
	masters  string
	files    []string
	products []string
}

func eachCampaign(t *testing.T, f func(t *testing.T, c campaignOf)) {
	t.Helper()
	for name, run := range map[string]func(*testing.T) campaignOf{
		"quillon": func(t *testing.T) campaignOf { return ofCampaign(t, mustRun(t, quillon), "quillon") },
		"pellam":  func(t *testing.T) campaignOf { return ofCampaign(t, mustRun(t, pellam), "pellam") },
	} {
		t.Run(name, func(t *testing.T) { f(t, run(t)) })
	}
	for _, camera := range cameras {
		t.Run(camera, func(t *testing.T) {
			m := mustFamily(t, camera)
			f(t, campaignOf{m.in, m.masters, m.files, productsOf(m)})
		})
	}
}

func ofCampaign(t *testing.T, c campaign, camera string) campaignOf {
	t.Helper()
	files, err := pipeline.FindFrames([]string{c.raw})
	if err != nil {
		t.Fatal(err)
	}
	out := campaignOf{in: instrument(t, camera), masters: c.masters, files: files}
	for i := range c.Run.Frames {
		out.products = append(out.products, c.Run.Frames[i].Product)
	}
	return out
}

// chooser is one of all masters of a folder.
func chooser(t *testing.T, in *pipeline.Instrument, masters string) *pipeline.Chooser {
	t.Helper()
	lib, err := pipeline.OpenLibrary(masters)
	if err != nil {
		t.Fatal(err)
	}
	return pipeline.NewChooser(in, lib)
}

// exposuresOf reads, file by file, what may have left something in another.
func exposuresOf(t *testing.T, c campaignOf) *pipeline.Exposures {
	t.Helper()
	if c.in.ResidualGapS() == 0 {
		return nil
	}
	cal := pipeline.NewCalibrators(1, c.in, &pipeline.Library{}, pipeline.CalibratorOptions{Workers: 1, CacheMiB: 1})[0]
	var all []pipeline.Exposure
	for _, path := range c.files {
		raw := cal.Open(path)
		for _, f := range raw.Frames {
			all = append(all, pipeline.Exposure{Need: c.in.NeedOf(f), Path: path, SHA256: raw.SHA256, Plane: f.Plane})
		}
	}
	return c.in.NewExposures(all)
}

func sortedInputs(in []pipeline.Input) []pipeline.Input {
	out := slices.DeleteFunc(slices.Clone(in), func(i pipeline.Input) bool { return i.Role == "raw" })
	slices.SortFunc(out, func(a, b pipeline.Input) int {
		return strings.Compare(a.Role+" "+a.Name+" "+a.SHA256, b.Role+" "+b.Name+" "+b.SHA256)
	})
	return slices.Compact(out) // a master may have served several frames
}

// What a chooser foretells for a frame is what the header of its product lists.
func TestAChooserForetellsTheInputsOfProducts(t *testing.T) {
	eachCampaign(t, func(t *testing.T, c campaignOf) {
		choose, exposures, reader := chooser(t, c.in, c.masters), exposuresOf(t, c), pipeline.NewProductReader()
		for _, path := range c.products {
			record, err := reader.Read(path)
			if err != nil {
				t.Fatal(err)
			}
			inputs, err := choose.Inputs(record.Frame, exposures)
			if err != nil {
				t.Fatal(err)
			}
			if got, want := sortedInputs(inputs), sortedInputs(record.Inputs); !slices.Equal(got, want) {
				t.Errorf("%s: foretold are %v, and its header lists %v", filepath.Base(path), got, want)
			}
		}
	})
}

func TestAChooserNamesTheMasterThatIsMissing(t *testing.T) {
	c := mustRun(t, quillon)
	in := instrument(t, "quillon")
	record, err := pipeline.NewProductReader().Read(c.Run.Frames[0].Product)
	if err != nil {
		t.Fatal(err)
	}
	some := t.TempDir()
	for _, m := range c.Masters.Made {
		if m.Kind != pipeline.MasterFlat {
			copyFile(t, m.Path, filepath.Join(some, filepath.Base(m.Path)), -1)
		}
	}
	inputs, err := chooser(t, in, some).Inputs(record.Frame, nil)
	var missing *pipeline.MissingMasterError
	if !errors.As(err, &missing) || missing.Need.Kind != pipeline.MasterFlat || missing.Need.Band != record.Frame.Band {
		t.Errorf("the error is %v, want that of a flat of band %s", err, record.Frame.Band)
	}
	whole, err := chooser(t, in, c.masters).Inputs(record.Frame, nil)
	if err != nil {
		t.Fatal(err)
	}
	// With the flat the list is another, so that whoever waits for it notices.
	without := slices.DeleteFunc(slices.Clone(whole), func(i pipeline.Input) bool { return i.Role == pipeline.MasterFlat })
	at := slices.IndexFunc(inputs, func(i pipeline.Input) bool { return i.SHA256 == "" })
	if at < 0 || len(inputs) != len(whole) || !strings.Contains(inputs[at].Role, pipeline.MasterFlat) {
		t.Fatalf("the inputs are %v, want those of %v with a mark for the flat", inputs, whole)
	}
	if rest := slices.Delete(slices.Clone(inputs), at, at+1); !slices.Equal(rest, without) {
		t.Errorf("the other inputs are %v, want %v", rest, without)
	}

	record.Frame.Detector = "second"
	if _, err := chooser(t, in, c.masters).Inputs(record.Frame, nil); err == nil {
		t.Error("a detector that the profile does not have is taken")
	} else {
		says(t, err.Error(), "second", "profile")
	}
}

// Products that are made one at a time are those of a run, byte for byte.
func TestProductsMadeOneAtATimeAreThoseOfARun(t *testing.T) {
	eachCampaign(t, func(t *testing.T, c campaignOf) {
		lib, err := pipeline.OpenLibrary(c.masters)
		if err != nil {
			t.Fatal(err)
		}
		cals := pipeline.NewCalibrators(2, c.in, lib, pipeline.CalibratorOptions{Workers: 2, CacheMiB: 64})
		exposures := exposuresOf(t, c)
		for _, cal := range cals {
			cal.Follow(exposures)
		}
		dir, made := t.TempDir(), 0
		for i, path := range c.files {
			if !strings.HasSuffix(path, "-"+configs.KindScene+".fits") {
				continue
			}
			cal := cals[i%2] // by turns
			raw := cal.Open(path)
			if len(raw.Errs) > 0 || raw.SHA256 != hash(t, path) {
				t.Fatalf("%s: %v, content %s", path, raw.Errs, raw.SHA256)
			}
			for _, f := range raw.Frames {
				to := filepath.Join(dir, f.ProductName(c.in.Profile, filepath.Base(path)))
				report, inputs, err := cal.Make(f, to, nil)
				if err != nil {
					t.Fatal(err)
				}
				record, err := pipeline.ReadProvenance(to)
				if err != nil {
					t.Fatal(err)
				}
				if report.Product != to || !slices.Equal(inputs, record.Inputs) {
					t.Errorf("%s: told are product %s and inputs %v, and the header lists %v", to, report.Product, inputs, record.Inputs)
				}
				made++
			}
		}
		if made != len(c.products) {
			t.Errorf("%d products, want %d", made, len(c.products))
		}
		for _, want := range c.products {
			if got := filepath.Join(dir, filepath.Base(want)); hash(t, got) != hash(t, want) {
				t.Errorf("%s is not that of the run", got)
			}
		}
	})
}

// oneScene is a calibrator that holds a scene of the main camera.
func oneScene(t *testing.T) (cal *pipeline.Calibrator, f *pipeline.Frame, product string) {
	t.Helper()
	c := mustRun(t, quillon)
	lib, err := pipeline.OpenLibrary(c.masters)
	if err != nil {
		t.Fatal(err)
	}
	cal = pipeline.NewCalibrators(1, instrument(t, "quillon"), lib, pipeline.CalibratorOptions{Workers: 2, CacheMiB: 64})[0]
	raw := cal.Open(c.Run.Frames[0].Raw)
	if len(raw.Errs) > 0 || len(raw.Frames) != 1 {
		t.Fatal(raw.Errs)
	}
	return cal, raw.Frames[0], c.Run.Frames[0].Product
}

func TestAProductTakesItsNameWhenItIsWhole(t *testing.T) {
	cal, f, want := oneScene(t)
	dir := t.TempDir()
	path := filepath.Join(dir, "product.fits")
	if err := os.WriteFile(path, []byte("earlier"), 0o666); err != nil {
		t.Fatal(err)
	}
	seen := ""
	look := func() error {
		data, err := os.ReadFile(path)
		seen = string(data)
		return err
	}
	if _, _, err := cal.Make(f, path, look); err != nil {
		t.Fatal(err)
	}
	if seen != "earlier" {
		t.Errorf("before the product takes its name, %d bytes are there, want the earlier ones", len(seen))
	}
	if hash(t, path) != hash(t, want) {
		t.Error("the product is another")
	}
	alone(t, dir, "product.fits")
}

func TestWhatIsCalledBeforehandMayPreventAProduct(t *testing.T) {
	cal, f, _ := oneScene(t)
	dir := t.TempDir()
	path := filepath.Join(dir, "product.fits")
	if err := os.WriteFile(path, []byte("earlier"), 0o666); err != nil {
		t.Fatal(err)
	}
	no := errors.New("the turn is lost")
	_, _, err := cal.Make(f, path, func() error { return no })
	if !errors.Is(err, no) {
		t.Errorf("the error is %v, want that of what was called", err)
	}
	if data, err := os.ReadFile(path); err != nil || string(data) != "earlier" {
		t.Errorf("%q is there, want what was there", data)
	}
	alone(t, dir, "product.fits")
}

func TestAProductThatCannotBeWrittenIsNotTheFramesFault(t *testing.T) {
	cal, f, _ := oneScene(t)
	path := filepath.Join(t.TempDir(), "none", "product.fits")
	_, _, err := cal.Make(f, path, nil)
	var write *pipeline.WriteError
	var frame *pipeline.FrameError
	if !errors.As(err, &write) || errors.As(err, &frame) || !errors.Is(err, fs.ErrNotExist) {
		t.Fatalf("the error is %v, want one of writing", err)
	}
	says(t, err.Error(), path, "room", "leave to write")
}

// alone says that a folder holds one file.
func alone(t *testing.T, dir, name string) {
	t.Helper()
	files, err := os.ReadDir(dir)
	if err != nil || len(files) != 1 || files[0].Name() != name {
		t.Errorf("the folder holds %v (%v), want %s", files, err, name)
	}
}

func TestARawFileTellsWhatCanBeReadOfIt(t *testing.T) {
	c := mustRun(t, quillon)
	in := instrument(t, "quillon")
	scene := c.frames(t, configs.KindScene)[0]
	dir := t.TempDir()
	text := filepath.Join(dir, "text.fits")
	if err := os.WriteFile(text, []byte("the camera was switched off\n"), 0o666); err != nil {
		t.Fatal(err)
	}
	cut := copyFile(t, scene, filepath.Join(dir, "cut.fits"), 9000)
	cal := pipeline.NewCalibrators(1, in, &pipeline.Library{}, pipeline.CalibratorOptions{Workers: 1, CacheMiB: 1})[0]

	whole := cal.Open(scene)
	if len(whole.Frames) != 1 || len(whole.Errs) != 0 || whole.SHA256 != hash(t, scene) || whole.Header != nil {
		t.Fatalf("a whole file: %d frames, errors %v", len(whole.Frames), whole.Errs)
	}
	need := in.NeedOf(whole.Frames[0])
	size, err := os.Stat(scene)
	if err != nil || whole.Bytes != size.Size() {
		t.Errorf("it has %d bytes, want %d", whole.Bytes, size.Size())
	}

	for name, given := range map[string]struct {
		path           string
		hashed, header bool
		is             error
	}{
		"not there":    {filepath.Join(dir, "none.fits"), false, false, fs.ErrNotExist},
		"not FITS":     {text, true, false, nil},
		"cut off":      {cut, true, true, fitsutil.ErrCutOff},
		"from product": {c.Run.Frames[0].Product, true, false, nil},
	} {
		raw := cal.Open(given.path)
		var frame *pipeline.FrameError
		if len(raw.Frames) != 0 || len(raw.Errs) != 1 || !errors.As(raw.Errs[0], &frame) || frame.Path != given.path {
			t.Errorf("%s: %d frames, errors %v; want none, and one that names the file", name, len(raw.Frames), raw.Errs)
			continue
		}
		if given.is != nil && !errors.Is(raw.Errs[0], given.is) {
			t.Errorf("%s: %v is not %v", name, raw.Errs[0], given.is)
		}
		if (raw.SHA256 != "") != given.hashed || given.hashed && raw.SHA256 != hash(t, given.path) {
			t.Errorf("%s: its content is %q", name, raw.SHA256)
		}
		if (raw.Header != nil) != given.header {
			t.Errorf("%s: its header tells %+v", name, raw.Header)
		}
		if given.header && (raw.Header.Kind != configs.KindScene || !raw.Header.Time.Equal(need.Time)) {
			t.Errorf("%s: its header tells of a %s at %v, want a scene at %v", name, raw.Header.Kind, raw.Header.Time, need.Time)
		}
	}
}

func TestRawFilesAreOpenedAsTheCallerSays(t *testing.T) {
	c := mustRun(t, quillon)
	scene := c.frames(t, configs.KindScene)[0]
	no := errors.New("a link is on its way")
	opened := 0
	cal := pipeline.NewCalibrators(1, instrument(t, "quillon"), &pipeline.Library{}, pipeline.CalibratorOptions{Workers: 1, CacheMiB: 1,
		Open: func(path string) (*os.File, error) {
			opened++
			if path != scene {
				return nil, no
			}
			return os.Open(path)
		}})[0]
	if raw := cal.Open(scene); raw.SHA256 != hash(t, scene) || opened == 0 {
		t.Errorf("the file was opened %d times: %v", opened, raw.Errs)
	}
	if raw := cal.Open(scene + "x"); raw.SHA256 != "" || len(raw.Errs) != 1 || !errors.Is(raw.Errs[0], no) {
		t.Errorf("the errors are %v, want that of the caller", raw.Errs)
	}
}

func TestOnlyACameraTubeHasResidualImages(t *testing.T) {
	for _, camera := range configs.BuiltinNames() {
		want := 0.0
		if camera == "sallow" {
			want = 120 // as its profile says
		}
		if got := instrument(t, camera).ResidualGapS(); got != want {
			t.Errorf("%s: %g s, want %g", camera, got, want)
		}
	}
	if got := instrument(t, "sallow", "stages_off=[residual]").ResidualGapS(); got != 0 {
		t.Errorf("with its stage switched off: %g s, want 0", got)
	}
}
