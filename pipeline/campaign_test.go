package pipeline_test

import (
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"

	"go.uber.org/zap"

	"evenlight/configs"
	"evenlight/fitsutil"
	"evenlight/pipeline"
	"evenlight/pipeline/demo"
)

// scratch is a folder for what the tests share; TestMain removes it.
var scratch = sync.OnceValues(func() (string, error) { return os.MkdirTemp("", "evenlight-pipeline-") })

func TestMain(m *testing.M) {
	code := m.Run()
	if dir, err := scratch(); err == nil {
		os.RemoveAll(dir)
	}
	os.Exit(code)
}

// settings make small sets of calibration frames do.
var settings = []string{"masters.min_frames=3"}

// simulated returns a folder with a small campaign, masters and products of a
// camera, made once.
func simulated(camera string) func() (*demo.Result, error) {
	return sync.OnceValues(func() (*demo.Result, error) {
		dir, err := scratch()
		if err != nil {
			return nil, err
		}
		return demo.Run(demo.Options{Dir: filepath.Join(dir, camera), Camera: camera, Seed: 7, Scale: 0.1, Workers: 2, Set: settings, Log: zap.NewNop()})
	})
}

// Small campaigns.
var (
	quillon = simulated("quillon")
	pellam  = simulated("pellam")
)

// campaign is a small campaign and the folders of its files.
type campaign struct {
	*demo.Result
	raw, masters string
}

func mustRun(t *testing.T, run func() (*demo.Result, error)) campaign {
	t.Helper()
	r, err := run()
	if err != nil {
		t.Fatal(err)
	}
	if len(r.Masters.Failures)+len(r.Run.Failures) > 0 {
		t.Fatal(r.Masters.Failures, r.Run.Failures)
	}
	return campaign{r, filepath.Join(r.Dir, demo.RawDir), filepath.Join(r.Dir, demo.MastersDir)}
}

// frames lists the raw files of one kind.
func (c *campaign) frames(t *testing.T, kind string) []string {
	t.Helper()
	files, err := filepath.Glob(filepath.Join(c.raw, "*-"+kind+".fits"))
	if err != nil || len(files) == 0 {
		t.Fatalf("no %s frames in %s: %v", kind, c.raw, err)
	}
	return files
}

// instrument returns a built-in camera made ready.
func instrument(t *testing.T, camera string, set ...string) *pipeline.Instrument {
	t.Helper()
	text, err := configs.Builtin(camera)
	if err != nil {
		t.Fatal(err)
	}
	return parsed(t, camera, text, set...)
}

func parsed(t *testing.T, name string, text []byte, set ...string) *pipeline.Instrument {
	t.Helper()
	p, err := configs.Parse(name, text, configs.Overrides{Set: append(append([]string(nil), settings...), set...)})
	if err != nil {
		t.Fatal(err)
	}
	return pipeline.NewInstrument(p)
}

func calibrate(t *testing.T, in *pipeline.Instrument, files []string, opt pipeline.RunOptions) *pipeline.RunSummary {
	t.Helper()
	if opt.OutDir == "" {
		opt.OutDir = t.TempDir()
	}
	opt.Workers, opt.Log = 2, zap.NewNop()
	s, err := pipeline.Calibrate(in, files, opt)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func build(t *testing.T, in *pipeline.Instrument, files []string) *pipeline.BuildResult {
	t.Helper()
	r, err := pipeline.BuildMasters(in, files, pipeline.BuildOptions{OutDir: t.TempDir(), Workers: 2, Log: zap.NewNop()})
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// rewrite writes the primary image of a raw file anew, with changes to
// header and samples; the axes are those of the samples returned.
func rewrite(t *testing.T, from, to string, change func(h *fitsutil.Header, samples []byte) (axes []int, out []byte)) string {
	t.Helper()
	header, samples, axes := rawImage(t, from, "")
	for _, key := range []string{"CHECKSUM", "DATASUM"} {
		header.Delete(key)
	}
	if change != nil {
		if a, s := change(header, samples); a != nil {
			axes, samples = a, s
		}
	}
	writeRaw(t, to, header, samples, axes)
	return to
}

// rawImage returns header, samples and axes of an image of a raw file.
func rawImage(t *testing.T, path, hdu string) (*fitsutil.Header, []byte, []int) {
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
	samples, err := f.ReadRows(h, 0, 0, h.Height(), nil)
	if err != nil {
		t.Fatal(err)
	}
	return h.Header.Clone(), samples, h.Axes
}

func writeRaw(t *testing.T, path string, header *fitsutil.Header, samples []byte, axes []int) {
	t.Helper()
	w, err := fitsutil.Create(path, fitsutil.CreateOptions{NoSync: true})
	if err != nil {
		t.Fatal(err)
	}
	defer w.Abort()
	iw, err := w.AddImage(header, 16, axes...)
	if err != nil {
		t.Fatal(err)
	}
	planes := 1
	if len(axes) > 2 {
		planes = axes[2]
	}
	size := len(samples) / planes
	for p := range planes {
		if err := iw.WriteRows(p, 0, axes[1], samples[p*size:(p+1)*size]); err != nil {
			t.Fatal(err)
		}
	}
	if err := w.Commit(); err != nil {
		t.Fatal(err)
	}
}

// setKey returns a change of one keyword; nil removes it.
func setKey(t *testing.T, key string, value any) func(*fitsutil.Header, []byte) ([]int, []byte) {
	return func(h *fitsutil.Header, _ []byte) ([]int, []byte) {
		if value == nil {
			h.Delete(key)
		} else if err := h.Set(key, value, ""); err != nil {
			t.Fatal(err)
		}
		return nil, nil
	}
}

// copyFile copies a file, cut to so many bytes where most is not negative.
func copyFile(t *testing.T, from, to string, most int) string {
	t.Helper()
	data, err := os.ReadFile(from)
	if err != nil {
		t.Fatal(err)
	}
	if most >= 0 {
		data = data[:most]
	}
	if err := os.WriteFile(to, data, 0o666); err != nil {
		t.Fatal(err)
	}
	return to
}

func hash(t *testing.T, path string) string {
	t.Helper()
	sha, _, err := fitsutil.HashFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return sha
}

// says reports words that a reason lacks.
func says(t *testing.T, reason string, words ...string) {
	t.Helper()
	for _, w := range words {
		if !strings.Contains(reason, w) {
			t.Errorf("%q does not say %q", reason, w)
		}
	}
}
