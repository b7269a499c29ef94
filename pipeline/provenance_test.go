package pipeline

import (
	"fmt"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"
	"time"

	"evenlight/calib"
	"evenlight/configs"
	"evenlight/fitsutil"
)

// record is a provenance with something in each field.
func record() *Provenance {
	return &Provenance{
		Software: "evenlight", Version: "1.2.3", What: "calibrated frame", Instrument: "pellam", Detector: "chip2",
		Mode: "slow", Band: "clear", Plane: 3, ProfileHash: strings.Repeat("0123456789abcdef", 4),
		Inputs: []Input{
			{"raw", "a name, with 'quotes' & more than sixty-eight characters, so that it needs a second card.fits.gz", strings.Repeat("a", 64)},
			{"bad-pixels", "b.fits", strings.Repeat("b", 64)},
		},
		Stages: []StageRecord{
			{Name: "frame"},
			{"saturation", []calib.Setting{{Name: "levels_dn", Value: "14000.25, 13999"}, {Name: "grow", Value: "1"}}},
			{"dark", []calib.Setting{{Name: "law", Value: "a=b"}}},
		},
		Systematic: []Term{{"gain", 0.003}, {"responsivity", 1.0 / 3}},
	}
}

// written writes a record as the primary header of a file.
func written(t *testing.T, p *Provenance) string {
	t.Helper()
	h := fitsutil.NewHeader()
	w := cardWriter{h: h}
	w.set("PRODUCT", p.What, "")
	w.set("INSTRUME", p.Instrument, "")
	w.set("DETECTOR", p.Detector, "")
	w.set("READMODE", p.Mode, "")
	w.set("BAND", p.Band, "")
	w.set("PLANE", p.Plane, "")
	if w.err != nil {
		t.Fatal(w.err)
	}
	if err := p.writeTo(h); err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(t.TempDir(), "product.fits")
	f, err := fitsutil.Create(path, fitsutil.CreateOptions{NoSync: true})
	if err != nil {
		t.Fatal(err)
	}
	defer f.Abort()
	if _, err := f.AddImage(h, 8); err != nil {
		t.Fatal(err)
	}
	if err := f.Commit(); err != nil {
		t.Fatal(err)
	}
	return path
}

func TestProvenanceReadsBackAsWritten(t *testing.T) {
	want := record()
	want.File = written(t, want)
	got, err := ReadProvenance(want.File)
	if err != nil {
		t.Fatal(err)
	}
	if !reflect.DeepEqual(got, want) {
		t.Errorf("read back\n%+v\nwant\n%+v", got, want)
	}
}

func TestProvenanceTextTellsAll(t *testing.T) {
	p := record()
	text := p.Text()
	want := []string{p.Software, p.Version, p.What, p.Instrument, p.Detector, p.ProfileHash[:12], "responsivity", "0.33", "grow", "14000.25, 13999"}
	for _, in := range p.Inputs {
		want = append(want, in.Role, in.Name, in.SHA256[:12])
	}
	for _, w := range want {
		if !strings.Contains(text, w) {
			t.Errorf("%q is not in\n%s", w, text)
		}
	}
}

func TestProvenanceRefusesMoreInputsThanKeywordsCount(t *testing.T) {
	p := record()
	p.Inputs = make([]Input, 10000)
	if err := p.writeTo(fitsutil.NewHeader()); err == nil || !strings.Contains(err.Error(), "split_gap_hours") {
		t.Errorf("%v, want an error with the remedy", err)
	}
}

func TestBrokenProvenanceIsAnErrorThatNamesTheKeyword(t *testing.T) {
	for key, value := range map[string]any{"NINPUTS": -1, "NSTAGES": 100, "INSH0002": 7, "PROFHASH": nil} {
		t.Run(key, func(t *testing.T) {
			f, err := fitsutil.Open(written(t, record()))
			if err != nil {
				t.Fatal(err)
			}
			defer f.Close()
			h := f.HDUs()[0].Header.Clone()
			h.Delete(key)
			if value != nil {
				if err := h.Set(key, value, ""); err != nil {
					t.Fatal(err)
				}
			}
			if _, err := provenanceOf("x.fits", h); err == nil || !strings.Contains(err.Error(), "x.fits") || !strings.Contains(err.Error(), key) {
				t.Errorf("%v, want an error that names the file and %s", err, key)
			}
		})
	}
}

// A file that grows or is replaced between the two passes over a set would
// bring other samples than those that were hashed.
func TestFileThatChangesBetweenThePassesIsRefused(t *testing.T) {
	for name, change := range map[string]func(path string) error{
		"another size": func(p string) error { return os.Truncate(p, 2880) },
		"another time": func(p string) error { return os.Chtimes(p, time.Time{}, time.Unix(1, 0)) },
		"gone":         os.Remove,
	} {
		t.Run(name, func(t *testing.T) {
			path := written(t, record())
			st, err := os.Stat(path)
			if err != nil {
				t.Fatal(err)
			}
			if err := change(path); err != nil {
				t.Fatal(err)
			}
			f := &setFrame{Frame: &Frame{Path: path}, size: st.Size(), modified: st.ModTime()}
			_, err = f.read(0, 1, &setWorker{}, false)
			if err == nil || !(strings.Contains(err.Error(), "changed while it was being read") || os.IsNotExist(err)) {
				t.Errorf("%v, want a refusal", err)
			}
		})
	}
}

func TestParallelReturnsTheFirstError(t *testing.T) {
	for _, workers := range []int{1, 2, 7, 100} {
		err := parallel(workers, 50, func(_, i int) error {
			if i >= 20 {
				return fmt.Errorf("%d", i)
			}
			return nil
		})
		if err == nil || err.Error() != "20" {
			t.Errorf("%d workers: error %v, want that of 20", workers, err)
		}
	}
}

func TestStemDropsTheEndingsOfFITSFiles(t *testing.T) {
	p := testProfile(t)
	for name, want := range map[string]string{
		"a.fits": "a", "a.FIT": "a", "a.fts": "a", "a.fits.gz": "a", "a.b.fits": "a.b", "a": "a", ".fits": ".fits",
	} {
		if got := (&Frame{Path: "/dir/" + name, Planes: 1}).Stem(p); got != want {
			t.Errorf("%s: %q, want %q", name, got, want)
		}
	}
	if got := (&Frame{Path: "a.fits", Planes: 12, Plane: 4}).Stem(p); got != "a-plane005" {
		t.Errorf("plane of a cube: %q", got)
	}
}

// testProfile returns the profile of quillon, which has one detector.
func testProfile(t *testing.T) *configs.Profile {
	t.Helper()
	text, err := configs.Builtin("quillon")
	if err != nil {
		t.Fatal(err)
	}
	p, err := configs.Parse("quillon", text, configs.Overrides{})
	if err != nil {
		t.Fatal(err)
	}
	return p
}
