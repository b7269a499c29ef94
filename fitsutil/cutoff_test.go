package fitsutil

import (
	"bytes"
	"compress/gzip"
	"errors"
	"os"
	"path/filepath"
	"testing"
)

// Whoever waits for a file that is still arriving must be able to tell "not
// all there yet" from "wrong".
func TestAFileThatIsNotAllThereIsCutOffAndNothingElse(t *testing.T) {
	w := CreateBuffer()
	defer w.Abort()
	writeSample(t, w, []int{16, -32})
	if err := w.Commit(); err != nil {
		t.Fatal(err)
	}
	whole := w.Bytes()
	if len(w.units) < 2 {
		t.Fatal("the sample has one HDU only")
	}
	ends := map[int]bool{0: false}
	for _, u := range w.units {
		// A file is as good as whole when all but fill is there.
		for n := u.dataOffset + u.dataSize; n <= u.dataOffset+padded(u.dataSize); n++ {
			ends[int(n)] = true
		}
	}
	path := filepath.Join(t.TempDir(), "cut.fits")
	for n := 0; n < len(whole); n++ {
		_, err := OpenBytes("cut.fits", whole[:n], 0)
		if n%97 == 0 {
			if err := os.WriteFile(path, whole[:n], 0o666); err != nil {
				t.Fatal(err)
			}
			f, errDisk := Open(path)
			if errDisk == nil {
				f.Close()
			}
			if (errDisk == nil) != (err == nil) || errors.Is(errDisk, ErrCutOff) != errors.Is(err, ErrCutOff) {
				t.Errorf("%d bytes: in memory %v, on disk %v", n, err, errDisk)
			}
		}
		if err == nil && ends[n] {
			continue
		}
		if !errors.Is(err, ErrCutOff) {
			t.Fatalf("the first %d of %d bytes: %v", n, len(whole), err)
		}
	}
}

func TestACompressedFileThatIsNotAllThereIsCutOff(t *testing.T) {
	w := CreateBuffer()
	defer w.Abort()
	writeSample(t, w, []int{16})
	if err := w.Commit(); err != nil {
		t.Fatal(err)
	}
	var packed bytes.Buffer
	z := gzip.NewWriter(&packed)
	if _, err := z.Write(w.Bytes()); err != nil {
		t.Fatal(err)
	}
	if err := z.Close(); err != nil {
		t.Fatal(err)
	}
	for n := 0; n < packed.Len(); n++ {
		if _, err := OpenBytes("cut.fits.gz", packed.Bytes()[:n], 0); !errors.Is(err, ErrCutOff) {
			t.Fatalf("the first %d of %d bytes: %v", n, packed.Len(), err)
		}
	}
	damaged := bytes.Clone(packed.Bytes())
	damaged[len(damaged)/2] ^= 0x55
	if _, err := OpenBytes("damaged.fits.gz", damaged, 0); err == nil || errors.Is(err, ErrCutOff) {
		t.Errorf("a damaged stream that is all there: %v", err)
	}
}
