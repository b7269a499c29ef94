package fitsutil

import (
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"reflect"
	"strings"
	"testing"
)

// requireTools makes a missing outside tool a failure instead of a skip.
const requireTools = "EVENLIGHT_REQUIRE_TOOLS"

func needTool(t *testing.T, name string, probe ...string) {
	t.Helper()
	err := exec.Command(name, probe...).Run()
	var exit *exec.ExitError
	if err == nil || errors.As(err, &exit) && len(probe) == 0 {
		return
	}
	text := fmt.Sprintf("%s %s cannot be used: %v", name, strings.Join(probe, " "), err)
	if os.Getenv(requireTools) != "" {
		t.Fatal(text)
	}
	t.Skip(text)
}

func run(t *testing.T, name string, args ...string) string {
	t.Helper()
	out, err := exec.Command(name, args...).CombinedOutput()
	if err != nil {
		t.Fatalf("%s %s: %v\n%s", name, strings.Join(args, " "), err, out)
	}
	return string(out)
}

// writtenSample writes a file with images of these types and a table.
func writtenSample(t *testing.T, bitpixes []int) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "product.fits")
	w, err := Create(path, CreateOptions{NoSync: true})
	if err != nil {
		t.Fatal(err)
	}
	defer w.Abort()
	writeSample(t, w, bitpixes)
	if err := w.Commit(); err != nil {
		t.Fatal(err)
	}
	return path
}

// fitsverify of the HEASARC checks a file against the FITS Standard.
func TestFitsverifyFindsNothing(t *testing.T) {
	needTool(t, "fitsverify")
	out := run(t, "fitsverify", writtenSample(t, everyBitpix))
	if !strings.Contains(out, "found 0 warning(s) and 0 error(s)") {
		t.Error(out)
	}
}

// The values of writeSample, worked out once more in the other language.
const astropyScript = `
import sys, warnings
import numpy as np
from astropy.io import fits
warnings.simplefilter("error")  # a checksum that does not fit is a warning
with fits.open(sys.argv[1], checksum=True, uint=False, do_not_scale_image_data=True) as f:
    f.verify("exception")
    assert len(f) == 7, len(f)
    p, y, x = np.indices((2, 7, 5))
    want = (1000 * p + 100 * y + x) % 128
    for i, (hdu, dtype) in enumerate(zip(f, ["i2", "u1", "i4", "i8", "f4", "f8"])):
        assert hdu.data.dtype.newbyteorder("=") == np.dtype(dtype), hdu.data.dtype
        assert np.array_equal(hdu.data, want), i
        h = hdu.header
        assert h["EXTNAME"] == "SCENE" and h["EXTVER"] == i + 1
        assert h["EXPDUR"] == 1250 and h.comments["EXPDUR"] == "ms" and isinstance(h["EXPDUR"], int)
        assert h["FPATEMP"] == -10.25 and h["DONE"] is True and h["EMPTYTXT"] == ""
        assert h["STEPS"] == "offset, bias, linearity; " * 8 + "it's all", h["STEPS"]
        assert h.comments["STEPS"] == "in order"
        assert str(h["HISTORY"]) == "bias taken off" and str(h["COMMENT"]) == "made for a test"
    t = f["BADPIX"].data
    assert list(t["NAME"]) == ["dead", "hot pixe", ""] and list(t["KNOWN"]) == [True, False, True]
    assert list(t["REASON"]) == [1, 128, 255] and list(t["X"]) == [-3, 0, 32767]
    assert list(t["Y"]) == [-70000, 0, 70000] and list(t["ID"]) == [-2**40, 0, 2**40]
    assert list(t["RATE"]) == [0.5, -1.25, 3] and list(t["EXACT"]) == [1e-300, 2.5, -1e300]
    assert f["BADPIX"].columns["X"].unit == "pixel"
with fits.open(sys.argv[1]) as f:
    assert f[0].data.dtype == np.uint16 and np.array_equal(f[0].data, want + 32768)
print("agrees")
`

const python = "/usr/bin/python3"

func TestAstropyReadsTheSameValues(t *testing.T) {
	needTool(t, python, "-c", "import astropy.io.fits")
	if out := run(t, python, "-c", astropyScript, writtenSample(t, everyBitpix)); out != "agrees\n" {
		t.Error(out)
	}
}

// fitscopy, imcopy, fpack and funpack are tools of the CFITSIO library.
func TestCfitsioCopiesAreTheSame(t *testing.T) {
	needTool(t, "fitscopy")
	path := writtenSample(t, everyBitpix)
	copied := filepath.Join(t.TempDir(), "copy.fits")
	run(t, "fitscopy", path, copied)
	sameContent(t, path, copied)
}

func TestCfitsioPacksAndUnpacksOurFiles(t *testing.T) {
	needTool(t, "fpack", "-V")
	needTool(t, "funpack", "-V")
	path := writtenSample(t, []int{16, 8, 32, -32, -64}) // fpack does not know 64-bit integers
	dir := t.TempDir()
	packed, unpacked := filepath.Join(dir, "p.fits.fz"), filepath.Join(dir, "u.fits")
	run(t, "fpack", "-g", "-q", "0", "-O", packed, path) // without loss
	run(t, "funpack", "-O", unpacked, packed)
	f, err := Open(packed)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	var unsupported *UnsupportedError
	if _, err := f.Find(""); !errors.As(err, &unsupported) {
		t.Errorf("a packed file: %v, want an UnsupportedError", err)
	}
	sameImages(t, path, unpacked)
}

// sameContent compares images, table and the values of all headers.
func sameContent(t *testing.T, a, b string) {
	t.Helper()
	sameImages(t, a, b)
	x, y := openBoth(t, a, b)
	for i, h := range x.HDUs() {
		for _, card := range h.Header.Cards() {
			got, ok := y.HDUs()[i].Header.Value(card.Key)
			if want, _ := h.Header.Value(card.Key); !ok || !sameValue(got, want) {
				t.Errorf("HDU %d, %s: %v in the copy, want %v", i, card.Key, got, want)
			}
		}
	}
	table := len(x.HDUs()) - 1
	want, err := x.ReadTable(x.HDUs()[table])
	if err != nil {
		t.Fatal(err)
	}
	if got, err := y.ReadTable(y.HDUs()[table]); err != nil || !reflect.DeepEqual(got, want) {
		t.Errorf("table %v, %v; want %v", got, err, want)
	}
}

func sameImages(t *testing.T, a, b string) {
	t.Helper()
	x, y := openBoth(t, a, b)
	if n, err := y.VerifyChecksums(); n < len(x.HDUs()) || err != nil {
		t.Errorf("%d HDUs checked, %v", n, err)
	}
	for _, want := range x.HDUs() {
		if want.Kind != ImageHDU {
			continue
		}
		h, err := y.Find(fmt.Sprintf("%s,%d", want.Name(), want.Version()))
		if err != nil || h.Bitpix != want.Bitpix {
			t.Errorf("HDU %d in the copy: %v, %v", want.Index, h, err)
			continue
		}
		for plane := range 2 {
			raw, err := y.ReadRows(h, plane, 0, 7, nil)
			if err != nil || string(raw) != string(sampleRows(h.Bitpix, plane, 0, 7)) {
				t.Errorf("plane %d of HDU %d differs, %v", plane, want.Index, err)
			}
		}
	}
}

func openBoth(t *testing.T, a, b string) (x, y *File) {
	t.Helper()
	x, errX := Open(a)
	y, errY := Open(b)
	if err := errors.Join(errX, errY); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { x.Close(); y.Close() })
	return x, y
}
