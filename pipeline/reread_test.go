package pipeline_test

import (
	"bytes"
	"errors"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"testing"

	"evenlight/configs"
	"evenlight/fitsutil"
	"evenlight/pipeline"
)

// A product tells by itself what a lost ledger has to know of it.
func TestAProductTellsOfItself(t *testing.T) {
	eachCampaign(t, func(t *testing.T, c campaignOf) {
		cal := pipeline.NewCalibrators(1, c.in, &pipeline.Library{}, pipeline.CalibratorOptions{Workers: 1, CacheMiB: 1})[0]
		type part struct {
			detector string
			plane    int
		}
		needs := map[string]map[part]pipeline.Need{} // by content of the raw file
		for _, path := range c.files {
			raw := cal.Open(path)
			needs[raw.SHA256] = map[part]pipeline.Need{}
			for _, f := range raw.Frames {
				plane := 0
				if f.Planes > 1 {
					plane = f.Plane + 1
				}
				needs[raw.SHA256][part{c.in.Profile.Detectors[f.Detector].Name, plane}] = c.in.NeedOf(f)
			}
		}
		reader := pipeline.NewProductReader()
		for _, path := range c.products {
			r, err := reader.Read(path)
			if err != nil {
				t.Fatal(err)
			}
			data, err := os.ReadFile(path)
			if err != nil {
				t.Fatal(err)
			}
			if r.SHA256 != hash(t, path) || r.Bytes != int64(len(data)) || r.What != pipeline.ProductFrame || r.Version != pipeline.Version {
				t.Errorf("%s: %s of %d bytes, %s by version %s", path, r.SHA256, r.Bytes, r.What, r.Version)
			}
			if r.Kind != configs.KindScene || r.ProfileHash != c.in.Hash || !bytes.Equal(r.Profile, c.in.Profile.Canonical()) {
				t.Errorf("%s: a %s, and its profile is another", path, r.Kind)
			}
			want, ok := needs[r.RawSHA][part{r.Detector, r.Plane}]
			if !ok {
				t.Errorf("%s: it is of detector %s, plane %d of %s, of which nothing was taken", path, r.Detector, r.Plane, r.RawName)
				continue
			}
			if !sameNeed(r.Frame, want) {
				t.Errorf("%s: masters were chosen by %+v, and the raw frame says %+v", path, r.Frame, want)
			}
		}
	})
}

// sameNeed compares; a temperature that is not known is not known.
func sameNeed(a, b pipeline.Need) bool {
	sameTemp := a.TempK == b.TempK || a.TempK != a.TempK && b.TempK != b.TempK
	sameTime := a.Time.Equal(b.Time)
	a.TempK, b.TempK, a.Time = 0, 0, b.Time
	return sameTemp && sameTime && a == b
}

func TestWhatIsNoCalibratedFrameIsNotReadAsOne(t *testing.T) {
	c := mustRun(t, quillon)
	scene := c.frames(t, configs.KindScene)[0]
	wheel, files := wheelProducts(t)
	made := cubes(t, wheel, files[:4], pipeline.CubeOptions{})
	if len(made.Cubes) == 0 {
		t.Fatal(made.Failures)
	}
	reader := pipeline.NewProductReader()
	for name, path := range map[string]string{"a cube": made.Cubes[0].Cube, "a master": c.Masters.Made[0].Path} {
		if _, err := reader.Read(path); !errors.Is(err, pipeline.ErrNotProduct) {
			t.Errorf("%s: %v, want that it is no calibrated frame", name, err)
		} else {
			says(t, err.Error(), path)
		}
	}
	for name, path := range map[string]string{"a raw frame": scene, "nothing": filepath.Join(t.TempDir(), "none.fits")} {
		if _, err := reader.Read(path); err == nil {
			t.Errorf("%s is read", name)
		} else {
			says(t, err.Error(), filepath.Base(path))
		}
	}
}

// Any damage to a product is noticed, in whichever of its HDUs.
func TestADamagedProductIsNotRead(t *testing.T) {
	c := mustRun(t, quillon)
	whole, err := os.ReadFile(c.Run.Frames[0].Product)
	if err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(t.TempDir(), "product.fits")
	reader := pipeline.NewProductReader()
	readAs := func(data []byte) error {
		if err := os.WriteFile(path, data, 0o666); err != nil {
			t.Fatal(err)
		}
		_, err := reader.Read(path)
		return err
	}
	if err := readAs(whole); err != nil {
		t.Fatal(err)
	}
	// A bit in every third block of the Standard's, at changing places.
	for at, n := 100, 0; at < len(whole); at, n = at+3*2880, n+1 {
		data := slices.Clone(whole)
		data[at+(n*977)%2000] ^= 1
		if err := readAs(data); err == nil {
			t.Errorf("a bit at %d is another, and it is read", at+(n*977)%2000)
		}
	}
	f, err := fitsutil.OpenBytes(path, whole, int64(len(whole)))
	if err != nil {
		t.Fatal(err)
	}
	for _, size := range []int{0, 1, 2880, len(whole) / 2, len(whole) - 2880} {
		if err := readAs(whole[:size]); err == nil {
			t.Errorf("%d of %d bytes of %d HDUs are read", size, len(whole), len(f.HDUs()))
		} else {
			says(t, err.Error(), path)
		}
	}
}

func TestAMasterTellsWhatItIs(t *testing.T) {
	c := mustRun(t, quillon)
	lib, err := pipeline.OpenLibrary(c.masters)
	if err != nil {
		t.Fatal(err)
	}
	if len(lib.Masters) != len(c.Masters.Made) {
		t.Fatalf("the folder has %d masters, and %d were made", len(lib.Masters), len(c.Masters.Made))
	}
	for _, want := range lib.Masters {
		got, err := pipeline.ReadMaster(want.Path)
		if err != nil {
			t.Fatal(err)
		}
		if !reflect.DeepEqual(got, want) {
			t.Errorf("%s: %+v, want %+v", want.Path, got, want)
		}
	}
	for name, path := range map[string]string{"a product": c.Run.Frames[0].Product, "a raw frame": c.frames(t, configs.KindFlat)[0]} {
		if _, err := pipeline.ReadMaster(path); !errors.Is(err, pipeline.ErrNotMaster) {
			t.Errorf("%s: %v, want that it is no master", name, err)
		}
	}
	if _, err := pipeline.ReadMaster(copyFile(t, lib.Masters[0].Path, filepath.Join(t.TempDir(), "cut.fits"), 4000)); err == nil || errors.Is(err, pipeline.ErrNotMaster) {
		t.Errorf("a master that is cut off: %v, want another reason", err)
	}
}
