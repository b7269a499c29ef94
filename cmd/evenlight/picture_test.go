package main

import (
	"encoding/json"
	"image/png"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"evenlight/calib"
	"evenlight/calib/colour"
	"evenlight/pipeline"
)

// product returns a calibrated frame of the shared demo.
func (c campaign) product(t *testing.T) string {
	t.Helper()
	files, err := filepath.Glob(filepath.Join(string(c), "products", "*-calibrated.fits"))
	if err != nil || len(files) == 0 {
		t.Fatalf("no products in %s (%v)", c, err)
	}
	return files[0]
}

func TestPictureWritesItsFilesAndAnswersInJSON(t *testing.T) {
	product := sharedCampaign(t).product(t)
	out := t.TempDir()
	got := command("picture", "--json", "--out", out, "--preview-size", "100", "--probe", "11:30,21:40", product)
	if got.code != exitDone {
		t.Fatalf("exit code %d\n%s", got.code, got.errors)
	}
	var answer pipeline.PictureSummary
	if err := json.Unmarshal([]byte(got.out), &answer); err != nil {
		t.Fatal(err)
	}
	if len(answer.Pictures) != 1 || answer.Pictures[0].Folder != out {
		t.Fatalf("answer:\n%s", got.out)
	}
	r := answer.Pictures[0]
	if q := r.Probes[0]; q.Columns != [2]int{11, 30} || q.Rows != [2]int{21, 40} {
		t.Errorf("probe of columns %v rows %v", q.Columns, q.Rows)
	}
	files := hashes(t, out)
	for _, name := range []string{r.Files.Colour, r.Files.Preview, r.Files.Record} {
		if files[name] == "" {
			t.Errorf("no file %s among %v", name, files)
		}
	}
	if len(files) != 3 {
		t.Errorf("files %v, want three", files)
	}
	f, err := os.Open(filepath.Join(out, r.Files.Preview))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	size, err := png.DecodeConfig(f)
	if err != nil || max(size.Width, size.Height) > 100 || max(size.Width, size.Height) <= 50 {
		t.Errorf("preview of %d x %d pixels (%v), want 51 to 100 on the longer side", size.Width, size.Height, err)
	}
}

func TestPictureExitCodes(t *testing.T) {
	demo := sharedCampaign(t)
	product := demo.product(t)
	scene := demo.scenes(t, 1)[0]
	notRecord := writeFile(t, t.TempDir(), "x-colour.json", []byte("{}"))
	for name, test := range map[string]struct {
		args   []string
		code   int
		out    []string
		errors []string
	}{
		"a frame":                     {[]string{product}, exitDone, []string{"1 pictures made, 0 failures", "grey: one band"}, nil},
		"a frame and a raw one":       {[]string{product, scene}, exitSome, []string{"1 pictures made, 1 failures", scene}, nil},
		"a raw one":                   {[]string{scene}, exitNothing, []string{scene}, nil},
		"an absent file":              {[]string{"absent.fits"}, exitNothing, nil, []string{"absent.fits"}},
		"no file":                     {nil, exitUsage, nil, []string{"at least 1 arg"}},
		"a region the wrong way":      {[]string{"--white", "5:1,1:4", product}, exitUsage, nil, []string{`--white "5:1,1:4"`, "x0:x1,y0:y1"}},
		"a probe of columns alone":    {[]string{"--probe", "1:5", product}, exitUsage, nil, []string{`--probe "1:5"`}},
		"a stretch upside down":       {[]string{"--stretch", "2:1", product}, exitUsage, nil, []string{`--stretch "2:1"`, "auto, full"}},
		"two stretches":               {[]string{"--stretch", "full", "--stretch-from", notRecord, product}, exitUsage, nil, []string{"stretch-from"}},
		"a stretch from what is none": {[]string{"--stretch-from", notRecord, product}, exitUsage, nil, []string{notRecord, "-colour.json"}},
		"two bands":                   {[]string{"--rgb", "red,green", product}, exitUsage, nil, []string{"name three"}},
		"a band that is not there":    {[]string{"--rgb", "a,b,c", product}, exitNothing, []string{product, `"a"`}, nil},
		"a flag that is not there":    {[]string{"--hide", "ugly", product}, exitUsage, nil, []string{`"ugly"`, "saturated"}},
	} {
		t.Run(name, func(t *testing.T) {
			got := command(append([]string{"picture", "--out", t.TempDir()}, test.args...)...)
			if got.code != test.code {
				t.Errorf("exit code %d, want %d\n%s%s", got.code, test.code, got.out, got.errors)
			}
			mustContain(t, "standard output", got.out, test.out...)
			mustContain(t, "standard error", got.errors, test.errors...)
		})
	}
}

func TestPicturesAreReplacedOnlyWhenAsked(t *testing.T) {
	product := sharedCampaign(t).product(t)
	out := t.TempDir()
	for i, step := range []struct {
		more []string
		code int
	}{{nil, exitDone}, {nil, exitNothing}, {[]string{"--overwrite"}, exitDone}} {
		got := command(append([]string{"picture", "--out", out, product}, step.more...)...)
		if got.code != step.code {
			t.Errorf("run %d: exit code %d, want %d\n%s", i+1, got.code, step.code, got.out)
		}
		if step.code == exitNothing {
			mustContain(t, "standard output", got.out, "allow overwriting")
		}
	}
}

func TestRegionsAreReadAsPeopleCountPixels(t *testing.T) {
	r, err := parseRegion("--white", "3:10, 1:1")
	if err != nil || *r != (calib.Region{X0: 2, X1: 10, Y0: 0, Y1: 1}) {
		t.Errorf("region %v, error %v", r, err)
	}
	for _, text := range []string{"", "1:2", "1:2,3", "0:2,1:2", "1:2,4:3", "a:2,1:2", "1:2,1:2,1:2", "1.5:2,1:2"} {
		if r, err := parseRegion("--white", text); err == nil || !strings.Contains(err.Error(), text) {
			t.Errorf("%q is read as %v, error %v", text, r, err)
		}
	}
}

func TestStretchesAreReadFromTheirFlag(t *testing.T) {
	for text, want := range map[string]*colour.Stretch{
		"auto":     nil,
		"full":     {High: [3]float64{1, 1, 1}, Gamma: 2.2, Source: "full range"},
		"-0.1:2e1": {Low: [3]float64{-0.1, -0.1, -0.1}, High: [3]float64{20, 20, 20}, Gamma: 2.2, Source: "given"},
	} {
		got, err := parseStretch(text, 2.2)
		if err != nil || (got == nil) != (want == nil) || got != nil && *got != *want {
			t.Errorf("%q is read as %+v, error %v", text, got, err)
		}
	}
	for _, text := range []string{"", "1", "1:1", "NaN:1", "0:x", "0:1:2"} {
		if got, err := parseStretch(text, 0); err == nil {
			t.Errorf("%q is read as %+v", text, got)
		}
	}
}
