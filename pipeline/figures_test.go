package pipeline_test

import (
	"encoding/json"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"evenlight/calib"
	"evenlight/fitsutil"
	"evenlight/pipeline"
)

func number(x float64) *float64 { return &x }

func TestFiguresAreTheNumbersOfTheSummary(t *testing.T) {
	r := &pipeline.FrameReport{
		TempK: number(261.5), Background: number(-0.25), Median: number(12), Good: 0.75, NoiseRatio: number(1.01), LineSmear: number(0.3),
		Amplifiers: []pipeline.AmpReport{
			{Name: "left", OffsetDN: number(310.5), DriftDN: number(1.5), ReadNoiseE: number(7.4)},
			{Name: "right"}, // of a camera without overscan
		},
		Bands:     []pipeline.BandReport{{Name: "red", Median: number(3), Good: 0.5}},
		Fractions: map[string]float64{"saturated": 0.125, "hot": 0.0625},
	}
	want := []pipeline.Figure{
		{"offset_dn.left", 310.5}, {"drift_dn.left", 1.5}, {"read_noise_e.left", 7.4},
		{"temperature_k", 261.5}, {"background", -0.25}, {"median", 12}, {"good_fraction", 0.75}, {"noise_ratio", 1.01}, {"line_smear", 0.3},
		{"median.red", 3}, {"good_fraction.red", 0.5},
	}
	for _, f := range calib.FlagTable() {
		want = append(want, pipeline.Figure{Name: "flagged." + f.Name, Value: r.Fractions[f.Name]})
	}
	if got := r.Figures(); !slices.Equal(got, want) {
		t.Errorf("the figures are %v, want %v", got, want)
	}
	// What could not be measured is left out; the shares are always there.
	if got := (&pipeline.FrameReport{}).Figures(); len(got) != 1+len(calib.FlagTable()) || got[0] != (pipeline.Figure{Name: "good_fraction"}) {
		t.Errorf("of an empty summary: %v", got)
	}
}

// The figures that a product holds are those of the summary of the run that
// made it, each under a name of its own.
func TestFiguresOutlastTheSummary(t *testing.T) {
	reader := pipeline.NewProductReader()
	check := func(t *testing.T, frames []pipeline.FrameReport) {
		t.Helper()
		for i := range frames {
			record, err := reader.Read(frames[i].Product)
			if err != nil {
				t.Fatal(err)
			}
			want := frames[i].Figures()
			if !slices.Equal(record.Figures, want) {
				t.Errorf("%s holds %v, and the summary says %v", frames[i].Product, record.Figures, want)
			}
			names := map[string]bool{}
			for _, f := range want {
				if names[f.Name] || f.Name == "" {
					t.Errorf("%s: the name %q stands twice, or is none", frames[i].Product, f.Name)
				}
				names[f.Name] = true
			}
		}
	}
	for name, run := range map[string]func(*testing.T) campaign{
		"quillon": func(t *testing.T) campaign { return mustRun(t, quillon) },
		"pellam":  func(t *testing.T) campaign { return mustRun(t, pellam) },
	} {
		t.Run(name, func(t *testing.T) { check(t, run(t).Run.Frames) })
	}
	for _, camera := range cameras {
		t.Run(camera, func(t *testing.T) { check(t, mustFamily(t, camera).run.Frames) })
	}
}

// Reads the table of figures with the library of the astropy project.
const astropyFigures = `
import sys, json
from astropy.io import fits
with fits.open(sys.argv[1], checksum=True) as f:
    t = f["FIGURES"].data
    print(json.dumps([[str(n).strip(), float(v)] for n, v in zip(t["NAME"], t["VALUE"])]))
`

func TestOthersReadTheFiguresToo(t *testing.T) {
	needTool(t, "/usr/bin/python3", "-c", "import astropy.io.fits")
	frame := mustRun(t, quillon).Run.Frames[0]
	out, err := exec.Command("/usr/bin/python3", "-W", "error", "-c", astropyFigures, frame.Product).Output()
	if err != nil {
		t.Fatal(err)
	}
	var rows [][2]any
	if err := json.Unmarshal(out, &rows); err != nil {
		t.Fatal(err)
	}
	want := frame.Figures()
	if len(rows) != len(want) {
		t.Fatalf("%d rows, want %d", len(rows), len(want))
	}
	for i, f := range want {
		if rows[i][0] != f.Name || rows[i][1] != f.Value {
			t.Errorf("row %d is %v, want %v", i+1, rows[i], f)
		}
	}
}

// A product without figures, or with a table of another form, is refused with
// its name.
func TestATableOfFiguresOfAnotherFormIsRefused(t *testing.T) {
	product := mustRun(t, quillon).Run.Frames[0].Product
	for name, given := range map[string]struct {
		columns []fitsutil.Column // nil: no table at all
		words   []string
	}{
		"none":             {nil, []string{"FIGURES"}},
		"three columns":    {[]fitsutil.Column{{Name: "NAME", Data: []string{"a"}}, {Name: "VALUE", Data: []float64{1}}, {Name: "MORE", Data: []float64{1}}}, []string{"FIGURES", "3 columns"}},
		"numbers for both": {[]fitsutil.Column{{Name: "NAME", Data: []float64{1}}, {Name: "VALUE", Data: []float64{1}}}, []string{"FIGURES", "names and numbers"}},
	} {
		t.Run(name, func(t *testing.T) {
			path := filepath.Join(t.TempDir(), "product.fits")
			withFigures(t, product, path, given.columns)
			_, err := pipeline.NewProductReader().Read(path)
			if err == nil {
				t.Fatal("it is read")
			}
			says(t, err.Error(), append(given.words, path)...)
		})
	}
}

// withFigures copies a product up to its table of figures, which comes last,
// and puts another in its place.
func withFigures(t *testing.T, from, to string, columns []fitsutil.Column) {
	t.Helper()
	data, err := os.ReadFile(from)
	if err != nil {
		t.Fatal(err)
	}
	at := strings.LastIndex(string(data), "XTENSION= 'BINTABLE'")
	if at < 0 || !strings.Contains(string(data[at:]), "'FIGURES") {
		t.Fatal("the table of figures does not come last")
	}
	data = data[:at]
	if columns != nil {
		w := fitsutil.CreateBuffer()
		if _, err := w.AddImage(fitsutil.NewHeader(), 8); err != nil {
			t.Fatal(err)
		}
		h := fitsutil.NewHeader()
		if err := h.Set("EXTNAME", "FIGURES", ""); err != nil {
			t.Fatal(err)
		}
		if err := w.AddTable(h, &fitsutil.Table{Columns: columns}); err != nil {
			t.Fatal(err)
		}
		if err := w.Commit(); err != nil {
			t.Fatal(err)
		}
		table := w.Bytes()
		data = append(data, table[strings.Index(string(table), "XTENSION"):]...)
	}
	if err := os.WriteFile(to, data, 0o666); err != nil {
		t.Fatal(err)
	}
}
