package pipeline_test

import (
	"bytes"
	"compress/gzip"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"evenlight/configs"
	"evenlight/fitsutil"
	"evenlight/pipeline"
	"evenlight/pipeline/demo"
)

// images returns the pixels of all images of a master or product, by name of
// the HDU. Provenance names the inputs' files and so differs where those do.
func images(t *testing.T, path string) map[string][]byte {
	t.Helper()
	f, err := fitsutil.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	out := map[string][]byte{}
	for _, h := range f.HDUs() {
		if h.Kind != fitsutil.ImageHDU || len(h.Axes) == 0 {
			continue
		}
		b, err := f.ReadRows(h, 0, 0, h.Height(), nil)
		if err != nil {
			t.Fatal(err)
		}
		out[h.Name()] = b
	}
	if len(out) == 0 {
		t.Fatalf("%s has no image", path)
	}
	return out
}

// sameImages compares the pixels of two files.
func sameImages(t *testing.T, got, want string) {
	t.Helper()
	a, b := images(t, got), images(t, want)
	if len(a) != len(b) {
		t.Errorf("%s has %d images, %s has %d", got, len(a), want, len(b))
	}
	for name, pixels := range b {
		if !bytes.Equal(a[name], pixels) {
			t.Errorf("%s differs between %s and %s", name, got, want)
		}
	}
}

// masterLike returns the master of the same kind, detector and band.
func masterLike(t *testing.T, masters []*pipeline.Master, m *pipeline.Master) *pipeline.Master {
	t.Helper()
	for _, o := range masters {
		if o.Kind == m.Kind && o.Detector == m.Detector && o.Band == m.Band {
			return o
		}
	}
	t.Fatalf("no master like %s was made", m.Name())
	return nil
}

func gzipTo(t *testing.T, from, to string) string {
	t.Helper()
	data, err := os.ReadFile(from)
	if err != nil {
		t.Fatal(err)
	}
	var b bytes.Buffer
	w, err := gzip.NewWriterLevel(&b, gzip.BestSpeed)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := w.Write(data); err != nil {
		t.Fatal(err)
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(to, b.Bytes(), 0o666); err != nil {
		t.Fatal(err)
	}
	return to
}

func TestCompressedFramesGiveTheSamePixels(t *testing.T) {
	for camera, run := range map[string]func() (*demo.Result, error){"quillon": quillon, "pellam": pellam} {
		t.Run(camera, func(t *testing.T) {
			c := mustRun(t, run)
			dir := t.TempDir()
			var files []string
			for _, kind := range []string{"bias", "dark", "flat", "ladder", "scene"} {
				for _, f := range c.frames(t, kind) {
					files = append(files, gzipTo(t, f, filepath.Join(dir, filepath.Base(f)+".gz")))
				}
			}
			in := instrument(t, camera)
			r := build(t, in, files)
			if len(r.Failures) > 0 || len(r.Made) != len(c.Masters.Made) {
				t.Fatalf("%d masters made, want %d; %v", len(r.Made), len(c.Masters.Made), r.Failures)
			}
			for _, want := range c.Masters.Made {
				sameImages(t, masterLike(t, r.Made, want).Path, want.Path)
			}
			s := calibrate(t, in, files, pipeline.RunOptions{MastersDir: filepath.Dir(r.Made[0].Path)})
			if len(s.Failures) > 0 || len(s.Frames) != len(c.Run.Frames) {
				t.Fatalf("%+v: %v", s.Counts, s.Failures)
			}
			for i, f := range s.Frames {
				if filepath.Base(f.Product) != filepath.Base(c.Run.Frames[i].Product) {
					t.Errorf("product %s, want %s", f.Product, c.Run.Frames[i].Product)
				}
				sameImages(t, f.Product, c.Run.Frames[i].Product)
			}
		})
	}
}

// cube writes the samples of frames as planes under the header of the first.
func cube(t *testing.T, to string, frames ...string) string {
	t.Helper()
	var all []byte
	for _, f := range frames {
		_, samples, _ := rawImage(t, f, "")
		all = append(all, samples...)
	}
	return rewrite(t, frames[0], to, func(*fitsutil.Header, []byte) ([]int, []byte) { return []int{544, 512, len(frames)}, all })
}

func TestPlanesOfACubeAreFrames(t *testing.T) {
	c := mustRun(t, quillon)
	in, dir := instrument(t, "quillon"), t.TempDir()

	bias := c.frames(t, "bias")
	zero := cube(t, filepath.Join(dir, "zero.fits"), bias...)
	for _, file := range []string{zero, gzipTo(t, zero, filepath.Join(dir, "zero.fits.gz"))} {
		r := build(t, in, []string{file})
		if len(r.Made) != 1 || r.Made[0].Frames != len(bias) {
			t.Fatalf("made %v, failures %v; want one bias of %d frames", r.Made, r.Failures, len(bias))
		}
		sameImages(t, r.Made[0].Path, masterLike(t, c.Masters.Made, r.Made[0]).Path)
	}

	scenes := c.frames(t, "scene")
	file := cube(t, filepath.Join(dir, "moon.fits"), scenes[0], scenes[1], scenes[0])
	s := calibrate(t, in, []string{file, gzipTo(t, file, filepath.Join(dir, "packed.fits.gz"))}, pipeline.RunOptions{MastersDir: c.masters})
	if len(s.Frames) != 6 {
		t.Fatalf("%+v: %v; want 6 products", s.Counts, s.Failures)
	}
	for i, name := range []string{"moon-plane001", "moon-plane002", "moon-plane003", "packed-plane001", "packed-plane002", "packed-plane003"} {
		product := s.Frames[i].Product
		if filepath.Base(product) != name+"-calibrated.fits" {
			t.Errorf("product %s, want %s", product, name)
		}
		if i%3 != 1 {
			sameImages(t, product, c.Run.Frames[0].Product)
		}
		record, err := pipeline.ReadProvenance(product)
		if err != nil || record.Plane != i%3+1 {
			t.Errorf("%s: plane %d, %v; want %d", name, record.Plane, err, i%3+1)
		}
		v, err := pipeline.Verify(product, []string{dir, c.masters}, 2)
		if err != nil || !v.Same {
			t.Errorf("%s made again: %+v, %v", name, v, err)
		}
	}
	if bytes.Equal(images(t, s.Frames[0].Product)["VALUE"], images(t, s.Frames[1].Product)["VALUE"]) {
		t.Error("planes 1 and 2 hold different samples and their products the same")
	}
}

// firstChip is a camera that has only the first detector of pellam, in the
// primary HDU.
func firstChip(t *testing.T) *pipeline.Instrument {
	t.Helper()
	text, err := configs.Builtin("pellam")
	if err != nil {
		t.Fatal(err)
	}
	head, rest, ok := strings.Cut(string(text), "  - name: chip2\n")
	_, tail, found := strings.Cut(rest, "\nbands:\n")
	if !ok || !found {
		t.Fatal("the profile of pellam has changed its layout")
	}
	return parsed(t, "first chip", []byte(strings.Replace(head, "    hdu: CHIP1\n", "", 1)+"\nbands:\n"+tail))
}

func TestDetectorInAnExtensionGivesThePixelsOfAPlainFile(t *testing.T) {
	c := mustRun(t, pellam)
	dir := t.TempDir()
	var files []string
	for _, kind := range []string{"bias", "dark", "flat", "ladder", "scene"} {
		for _, f := range c.frames(t, kind) {
			_, samples, axes := rawImage(t, f, "CHIP1")
			to := filepath.Join(dir, filepath.Base(f))
			writeRaw(t, to, primaryHeader(t, f), samples, axes)
			files = append(files, to)
		}
	}
	in := firstChip(t)
	r := build(t, in, files)
	if len(r.Failures) > 0 {
		t.Fatal(r.Failures)
	}
	for _, m := range r.Made {
		sameImages(t, m.Path, masterLike(t, c.Masters.Made, m).Path)
	}
	s := calibrate(t, in, files, pipeline.RunOptions{MastersDir: filepath.Dir(r.Made[0].Path)})
	if len(s.Failures) > 0 || len(s.Frames) != 3 {
		t.Fatalf("%+v: %v", s.Counts, s.Failures)
	}
	for _, f := range s.Frames {
		stem := strings.TrimSuffix(filepath.Base(f.Raw), ".fits")
		sameImages(t, f.Product, filepath.Join(c.Dir, "products", stem+"-chip1-calibrated.fits"))
	}
}

func primaryHeader(t *testing.T, path string) *fitsutil.Header {
	t.Helper()
	f, err := fitsutil.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	h := f.HDUs()[0].Header.Clone()
	for _, key := range []string{"CHECKSUM", "DATASUM"} {
		h.Delete(key)
	}
	if err := h.Set("BZERO", fileZero(t, path), ""); err != nil {
		t.Fatal(err)
	}
	return h
}

// fileZero is BZERO of the samples of CHIP1.
func fileZero(t *testing.T, path string) float64 {
	t.Helper()
	header, _, _ := rawImage(t, path, "CHIP1")
	zero, _, err := header.Float("BZERO")
	if err != nil {
		t.Fatal(err)
	}
	return zero
}

func TestProductsListTheStagesInTheOrderOfActing(t *testing.T) {
	for camera, c := range map[string]campaign{"quillon": mustRun(t, quillon), "pellam": mustRun(t, pellam)} {
		record, err := pipeline.ReadProvenance(c.Run.Frames[0].Product)
		if err != nil {
			t.Fatal(err)
		}
		want := framingStages()
		if camera == "pellam" {
			want = slices.DeleteFunc(want, func(name string) bool { return name == configs.StageHits }) // its profile has no such section
		}
		if got := stageNames(record); !slices.Equal(got, want) {
			t.Errorf("%s: stages %v, want %v", camera, got, want)
		}
		listed := instrument(t, camera).Stages(0)
		if len(listed) != len(record.Stages) {
			t.Errorf("%s: %d stages are listed and %d acted", camera, len(listed), len(record.Stages))
		}
		for _, s := range listed {
			if !s.On || s.Does == "" {
				t.Errorf("%s: %+v, want each stage on and described", camera, s)
			}
		}
	}
}

// framingStages are the stages of a framing camera with a shutter, whose
// samples are DN and whose profile has hits searched for.
func framingStages() []string {
	return []string{"frame", "saturation", "offset", "bias", "linearity", "gain", "dark", "flat", "noise", "radiance", "bad_pixels", "hits"}
}

func stageNames(p *pipeline.Provenance) []string {
	var out []string
	for _, s := range p.Stages {
		out = append(out, s.Name)
	}
	return out
}

// A stage that is off neither acts nor asks for its master.
func TestStageThatIsOffIsAbsentAndNeedsNoMaster(t *testing.T) {
	c := mustRun(t, quillon)
	kind := map[string]string{
		configs.StageBias: pipeline.MasterBias, configs.StageLinearity: pipeline.MasterLinearity, configs.StageDark: pipeline.MasterDark,
		configs.StageFlat: pipeline.MasterFlat, configs.StageBadPixels: pipeline.MasterBadPixels,
	}
	scene := c.frames(t, "scene")[1:2]
	for _, off := range configs.SwitchableStages() {
		if !slices.Contains(framingStages(), off) {
			continue // of other kinds of camera
		}
		t.Run(off, func(t *testing.T) {
			some := t.TempDir()
			for _, m := range c.Masters.Made {
				if m.Kind != kind[off] {
					copyFile(t, m.Path, filepath.Join(some, m.Name()), -1)
				}
			}
			s := calibrate(t, instrument(t, "quillon", "stages_off=["+off+"]"), scene, pipeline.RunOptions{MastersDir: some})
			if len(s.Frames) != 1 {
				t.Fatal(s.Failures)
			}
			record, err := pipeline.ReadProvenance(s.Frames[0].Product)
			if err != nil {
				t.Fatal(err)
			}
			want := slices.DeleteFunc(framingStages(), func(name string) bool { return name == off })
			if got := stageNames(record); !slices.Equal(got, want) {
				t.Errorf("stages %v, want %v", got, want)
			}
			for _, in := range record.Inputs {
				if in.Role == kind[off] {
					t.Errorf("%s is an input", in.Name)
				}
			}
		})
	}
}
