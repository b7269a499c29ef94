package fitsutil

import (
	"bytes"
	"errors"
	"fmt"
	"io/fs"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
)

// sampleHeader has one card of each kind that a product carries.
func sampleHeader(tb testing.TB) *Header {
	tb.Helper()
	h := NewHeader()
	for _, c := range []Card{
		{"EXTNAME", "SCENE", "what this HDU holds"}, {"EXPDUR", 1250, "ms"}, {"FPATEMP", -10.25, "degC"},
		{"TGTNAME", "Tessaly", ""}, {"STEPS", strings.Repeat("offset, bias, linearity; ", 8) + "it's all", "in order"},
		{"EMPTYTXT", "", ""}, {"DONE", true, ""},
	} {
		if err := h.Set(c.Key, c.Value, c.Comment); err != nil {
			tb.Fatal(err)
		}
	}
	h.AddHistory("bias taken off")
	h.AddComment("made for a test")
	return h
}

// everyBitpix are all kinds of samples.
var everyBitpix = []int{16, 8, 32, 64, -32, -64}

// writeSample writes one image for each BITPIX, and a table.
func writeSample(tb testing.TB, w *Writer, bitpixes []int) {
	tb.Helper()
	for i, bitpix := range bitpixes {
		h := sampleHeader(tb)
		if err := h.Set("EXTVER", i+1, ""); err != nil {
			tb.Fatal(err)
		}
		if bitpix == 16 {
			h.Set("BZERO", 32768, "unsigned")
			h.Set("BSCALE", 1, "")
		}
		iw, err := w.AddImage(h, bitpix, 5, 7, 2) // odd rows: words of the sum cross them
		if err != nil {
			tb.Fatal(err)
		}
		writePlanes(tb, iw, bitpix)
	}
	th := NewHeader()
	th.Set("EXTNAME", "BADPIX", "")
	if err := w.AddTable(th, &Table{seedTable}); err != nil {
		tb.Fatal(err)
	}
}

// writePlanes writes 2 planes of 7 rows of 5 samples by several goroutines in
// bands of unlike height, and out of order.
func writePlanes(tb testing.TB, iw *ImageWriter, bitpix int) {
	var wg sync.WaitGroup
	for _, band := range [][3]int{{1, 4, 3}, {0, 5, 2}, {0, 0, 1}, {1, 0, 4}, {0, 1, 4}} {
		wg.Go(func() {
			if err := iw.WriteRows(band[0], band[1], band[2], sampleRows(bitpix, band[0], band[1], band[2])); err != nil {
				tb.Error(err)
			}
		})
	}
	wg.Wait()
}

// sampleRows gives rows of 5 samples with the values of rampAt, modulo 128 so
// that they fit every BITPIX.
func sampleRows(bitpix, plane, y0, n int) []byte {
	var stored []float64
	for y := y0; y < y0+n; y++ {
		for x := range 5 {
			stored = append(stored, math.Mod(rampAt(plane, y, x), 128))
		}
	}
	return rawSamples(bitpix, stored)
}

func checkSample(t *testing.T, f *File) {
	t.Helper()
	if n, err := f.VerifyChecksums(); n != 7 || err != nil {
		t.Errorf("%d HDUs checked, %v; want 7 and no error", n, err)
	}
	for i, h := range f.HDUs()[:6] {
		for plane := range 2 {
			raw, err := f.ReadRows(h, plane, 0, 7, nil)
			if err != nil || !bytes.Equal(raw, sampleRows(h.Bitpix, plane, 0, 7)) {
				t.Errorf("plane %d of BITPIX %d comes back changed, %v", plane, h.Bitpix, err)
			}
		}
		if h.Name() != "SCENE" || h.Version() != i+1 {
			t.Errorf("HDU %d is %s,%d", i, h.Name(), h.Version())
		}
	}
}

func TestWrittenFilesComeBack(t *testing.T) {
	path := filepath.Join(t.TempDir(), "product.fits")
	w, err := Create(path, CreateOptions{})
	if err != nil {
		t.Fatal(err)
	}
	defer w.Abort()
	writeSample(t, w, everyBitpix)
	if _, err := os.Stat(path); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("the file shows before Commit: %v", err)
	}
	if err := w.Commit(); err != nil {
		t.Fatal(err)
	}
	f, err := Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	checkSample(t, f)
	onlyFile(t, filepath.Dir(path), "product.fits")
	if w.Bytes() != nil {
		t.Error("a file on disk gives bytes")
	}
}

// onlyFile makes sure that a folder holds nothing else.
func onlyFile(t *testing.T, dir string, want ...string) {
	t.Helper()
	entries, err := os.ReadDir(dir)
	if err != nil {
		t.Fatal(err)
	}
	var names []string
	for _, e := range entries {
		names = append(names, e.Name())
	}
	if strings.Join(names, " ") != strings.Join(want, " ") {
		t.Errorf("the folder holds %q, want %q", names, want)
	}
}

func TestMemoryAndDiskGiveTheSameBytes(t *testing.T) {
	path := filepath.Join(t.TempDir(), "product.fits")
	disk, err := Create(path, CreateOptions{NoSync: true})
	if err != nil {
		t.Fatal(err)
	}
	memory := CreateBuffer()
	for _, w := range []*Writer{disk, memory} {
		writeSample(t, w, everyBitpix)
		if w.Bytes() != nil {
			t.Error("bytes before Commit")
		}
		if err := w.Commit(); err != nil {
			t.Fatal(err)
		}
	}
	onDisk, err := os.ReadFile(path)
	if err != nil || !bytes.Equal(onDisk, memory.Bytes()) {
		t.Errorf("%d bytes on disk and %d in memory differ, %v", len(onDisk), len(memory.Bytes()), err)
	}
	if len(onDisk)%blockSize != 0 {
		t.Errorf("%d bytes are not whole blocks", len(onDisk))
	}
}

func TestStructureIsTheWritersOwn(t *testing.T) {
	source := headerOf(t,
		"SIMPLE  = T", "BITPIX  = 16", "NAXIS   = 3", "NAXIS1  = 1", "NAXIS2  = 2", "NAXIS3  = 3", "EXTEND  = T", "PCOUNT  = 5", "GCOUNT  = 6", "GROUPS  = T",
		"DATASUM = '1'", "CHECKSUM= 'x'", "KEEP    = 'me' / unchanged   ", "HISTORY kept", "NAXISX  = 'kept too'", "BAD     = 'a\xb0'")
	w := CreateBuffer()
	for range 2 {
		iw, err := w.AddImage(source, -32, 2)
		if err != nil {
			t.Fatal(err)
		}
		if err := iw.WriteRows(0, 0, 1, make([]byte, 8)); err != nil {
			t.Fatal(err)
		}
	}
	if err := w.Commit(); err != nil {
		t.Fatal(err)
	}
	f, err := OpenBytes("f", w.Bytes(), 0)
	if err != nil {
		t.Fatal(err)
	}
	want := [][]string{
		{"SIMPLE", "BITPIX", "NAXIS", "NAXIS1", "EXTEND", "KEEP", "HISTORY", "NAXISX", "BAD", "DATASUM", "CHECKSUM"},
		{"XTENSION", "BITPIX", "NAXIS", "NAXIS1", "PCOUNT", "GCOUNT", "KEEP", "HISTORY", "NAXISX", "BAD", "DATASUM", "CHECKSUM"},
	}
	for i, h := range f.HDUs() {
		var keys []string
		for _, c := range h.Header.Cards() {
			keys = append(keys, c.Key)
		}
		if strings.Join(keys, " ") != strings.Join(want[i], " ") {
			t.Errorf("HDU %d has %v, want %v", i, keys, want[i])
		}
		if !bytes.Contains(h.Header.Encode(), []byte("KEEP    = 'me' / unchanged   ")) || !bytes.Contains(h.Header.Encode(), []byte("'a?'")) {
			t.Errorf("HDU %d: a record is not kept, or an illegal byte is", i)
		}
	}
}

func TestImagesThatAreNotWritten(t *testing.T) {
	blank := headerOf(t, "BLANK   = 0")
	cases := []struct {
		name   string
		hdr    *Header
		bitpix int
		axes   []int
	}{
		{"BITPIX", nil, 17, []int{1}}, {"negative axis", nil, 8, []int{-1}}, {"too large", nil, -64, []int{math.MaxInt / 4}},
		{"far too large", nil, 8, []int{1 << 40, 1 << 40}}, {"too many axes", nil, 8, make([]int, 1000)}, {"BLANK with real samples", blank, -32, []int{1}},
	}
	for _, c := range cases {
		w := CreateBuffer()
		if _, err := w.AddImage(c.hdr, c.bitpix, c.axes...); err == nil {
			t.Errorf("%s: accepted", c.name)
		}
		if err := w.Commit(); err == nil {
			t.Errorf("%s: Commit succeeds after the error", c.name)
		}
	}
	if _, err := CreateBuffer().AddImage(blank, 16, 0); err != nil {
		t.Errorf("BLANK with integers: %v", err)
	}
}

func TestRowsThatAreNotWritten(t *testing.T) {
	row := make([]byte, 10)
	cases := []struct {
		name        string
		plane, y, n int
		raw         []byte
	}{
		{"twice", 0, 0, 1, row}, {"plane", 1, 1, 1, row}, {"negative plane", -1, 1, 1, row}, {"row", 0, 3, 1, row}, {"negative row", 0, -1, 1, row},
		{"past the end", 0, 2, 2, make([]byte, 20)}, {"overflow", 0, 1, math.MaxInt, row}, {"short", 0, 1, 1, row[:9]}, {"long", 0, 1, 1, make([]byte, 11)},
	}
	for _, c := range cases {
		w := CreateBuffer()
		iw, err := w.AddImage(nil, 16, 5, 3)
		if err != nil {
			t.Fatal(err)
		}
		if err := iw.WriteRows(0, 0, 1, row); err != nil {
			t.Fatal(err)
		}
		if err := iw.WriteRows(c.plane, c.y, c.n, c.raw); err == nil {
			t.Errorf("%s: accepted", c.name)
		}
		if err := w.Commit(); err == nil {
			t.Errorf("%s: Commit succeeds after the error", c.name)
		}
	}
	w := CreateBuffer()
	iw, err := w.AddImage(nil, 16, 0, 3)
	if err != nil {
		t.Fatal(err)
	}
	if err := iw.WriteRows(0, 0, 1, nil); err == nil {
		t.Error("a row of an image without data was accepted")
	}
}

func TestCommitNeedsEveryRow(t *testing.T) {
	path := filepath.Join(t.TempDir(), "f.fits")
	w, err := Create(path, CreateOptions{})
	if err != nil {
		t.Fatal(err)
	}
	iw, err := w.AddImage(nil, 8, 5, 100)
	if err != nil {
		t.Fatal(err)
	}
	if err := iw.WriteRows(0, 0, 97, make([]byte, 485)); err != nil {
		t.Fatal(err)
	}
	if err := w.Commit(); err == nil || !strings.Contains(err.Error(), "3 of 100 rows were not written") {
		t.Errorf("Commit with rows missing: %v", err)
	}
	if err := w.Abort(); err != nil {
		t.Error(err)
	}
	onlyFile(t, filepath.Dir(path))
	if err := CreateBuffer().Commit(); err == nil {
		t.Error("a file without any HDU was committed")
	}
}

func TestNothingIsAddedToAFinishedFile(t *testing.T) {
	for name, finish := range map[string]func(*Writer) error{"committed": (*Writer).Commit, "aborted": (*Writer).Abort} {
		w := CreateBuffer()
		if _, err := w.AddImage(nil, 8); err != nil {
			t.Fatal(err)
		}
		if err := finish(w); err != nil {
			t.Fatal(err)
		}
		_, imageErr := w.AddImage(nil, 8)
		if tableErr := w.AddTable(nil, &Table{seedTable}); imageErr == nil || tableErr == nil || w.Commit() == nil {
			t.Errorf("%s: image %v, table %v", name, imageErr, tableErr)
		}
		if err := w.Abort(); err != nil {
			t.Errorf("%s: Abort: %v", name, err)
		}
		if got := len(w.Bytes()); got != 0 && name == "aborted" || got != blockSize && name == "committed" {
			t.Errorf("%s: %d bytes", name, got)
		}
	}
}

// writeTiny creates a file with one sample.
func writeTiny(path string, value byte, opt CreateOptions) error {
	w, err := Create(path, opt)
	if err != nil {
		return err
	}
	defer w.Abort()
	iw, err := w.AddImage(nil, 8, 1)
	if err != nil {
		return err
	}
	if err := iw.WriteRows(0, 0, 1, []byte{value}); err != nil {
		return err
	}
	return w.Commit()
}

func readTiny(t *testing.T, path string) byte {
	t.Helper()
	f, err := Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	raw, err := f.ReadRows(f.HDUs()[0], 0, 0, 1, nil)
	if err != nil {
		t.Fatal(err)
	}
	return raw[0]
}

func TestFilesAreOverwrittenOnlyWithLeave(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "f.fits")
	if err := writeTiny(path, 1, CreateOptions{}); err != nil {
		t.Fatal(err)
	}
	if err := writeTiny(path, 2, CreateOptions{}); !errors.Is(err, fs.ErrExist) {
		t.Errorf("without leave: %v", err)
	}
	if got := readTiny(t, path); got != 1 {
		t.Errorf("the file holds %d, want 1", got)
	}
	if err := writeTiny(path, 3, CreateOptions{Overwrite: true}); err != nil {
		t.Errorf("with leave: %v", err)
	}
	if got := readTiny(t, path); got != 3 {
		t.Errorf("the file holds %d, want 3", got)
	}
	if err := writeTiny(dir, 4, CreateOptions{Overwrite: true}); err == nil {
		t.Error("a folder was overwritten")
	}
	onlyFile(t, dir, "f.fits")
}

func TestOfTwoWritersTheSecondToFinishLoses(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "f.fits")
	slow, err := Create(path, CreateOptions{})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := slow.AddImage(nil, 8); err != nil {
		t.Fatal(err)
	}
	if err := writeTiny(path, 1, CreateOptions{}); err != nil {
		t.Fatal(err)
	}
	if err := slow.Commit(); !errors.Is(err, fs.ErrExist) {
		t.Errorf("the second writer: %v", err)
	}
	if err := slow.Abort(); err != nil {
		t.Error(err)
	}
	if got := readTiny(t, path); got != 1 {
		t.Errorf("the file holds %d, want 1", got)
	}
	onlyFile(t, dir, "f.fits")
}

func TestCreateInAFolderThatIsAbsent(t *testing.T) {
	if _, err := Create(filepath.Join(t.TempDir(), "absent", "f.fits"), CreateOptions{}); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("%v, want fs.ErrNotExist", err)
	}
}

// Whatever shape an image has and however it is cut into bands, what is
// written is what is read, and the sums hold.
func TestRandomShapesAndBands(t *testing.T) {
	random := rand.New(rand.NewPCG(9, 10))
	for round := range 200 {
		bitpix := []int{8, 16, 32, 64, -32, -64}[random.IntN(6)]
		axes := []int{1 + random.IntN(9), 1 + random.IntN(9), 1 + random.IntN(3)}
		w := CreateBuffer()
		iw, err := w.AddImage(nil, bitpix, axes...)
		if err != nil {
			t.Fatal(err)
		}
		row := axes[0] * sampleBytes(bitpix)
		data := randomBytes(row * axes[1] * axes[2])
		for plane := range axes[2] {
			for y := 0; y < axes[1]; {
				n := 1 + random.IntN(axes[1]-y)
				start := (plane*axes[1] + y) * row
				if err := iw.WriteRows(plane, y, n, data[start:start+n*row]); err != nil {
					t.Fatal(err)
				}
				y += n
			}
		}
		if err := w.Commit(); err != nil {
			t.Fatal(err)
		}
		name := fmt.Sprintf("round %d: BITPIX %d, axes %v", round, bitpix, axes)
		f, err := OpenBytes(name, w.Bytes(), 0)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := f.VerifyChecksums(); err != nil {
			t.Error(err)
		}
		h := f.HDUs()[0]
		if got := w.Bytes()[h.DataOffset : h.DataOffset+h.DataSize]; !bytes.Equal(got, data) {
			t.Errorf("%s: data comes back changed", name)
		}
	}
}
