package fitsutil

import (
	"bytes"
	"compress/gzip"
	"errors"
	"fmt"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"sync"
	"testing"
)

func seedPath(name string) string { return filepath.Join("..", "testdata", "fits", name) }

// rampAt is the formula of make_seeds.py for a sample of a sound file.
func rampAt(plane, y, x int) float64 { return float64(1000*plane + 100*y + x) }

// opened gives the same file from disk and from memory.
func opened(t *testing.T, name string) map[string]*File {
	t.Helper()
	disk, err := Open(seedPath(name))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { disk.Close() })
	return map[string]*File{"disk": disk, "memory": openSeed(t, name)}
}

func TestSoundFilesHaveTheValuesThatAstropyWrote(t *testing.T) {
	scaledBlank := func(p, y, x int) float64 {
		if v := rampAt(p, y, x); v != 203 {
			return 10 + 0.5*v
		}
		return math.NaN()
	}
	withNaN := func(p, y, x int) float64 {
		if y == 2 && x == 3 {
			return math.NaN()
		}
		return rampAt(p, y, x)
	}
	cases := []struct {
		file, sel             string
		bitpix                int
		width, height, planes int
		want                  func(plane, y, x int) float64
	}{
		{"unsigned.fits", "", 16, 7, 5, 1, rampAt},
		{"unsigned.fits.gz", "", 16, 7, 5, 1, rampAt},
		{"blank.fits", "", 16, 7, 5, 1, scaledBlank},
		{"chips.fits", "0", 8, 2, 2, 1, rampAt},
		{"chips.fits", "chip", -32, 7, 5, 1, withNaN},
		{"cube.fits", "", -64, 4, 3, 2, rampAt},
		{"longs.fits", "0", 32, 3, 2, 1, rampAt},
		{"longs.fits", "1", 64, 9, 1, 1, rampAt},
	}
	for _, c := range cases {
		for from, f := range opened(t, c.file) {
			t.Run(c.file+" "+c.sel+" from "+from, func(t *testing.T) {
				h, err := f.Find(c.sel)
				if err != nil {
					t.Fatal(err)
				}
				if h.Bitpix != c.bitpix || h.Width() != c.width || h.Height() != c.height || h.Planes() != c.planes {
					t.Fatalf("BITPIX %d, %d x %d x %d; want %d, %d x %d x %d",
						h.Bitpix, h.Width(), h.Height(), h.Planes(), c.bitpix, c.width, c.height, c.planes)
				}
				checkBands(t, f, h, c.want)
			})
		}
	}
}

// checkBands reads an image in bands of every height, backwards too, and
// compares each sample with the formula.
func checkBands(t *testing.T, f *File, h *HDU, want func(plane, y, x int) float64) {
	t.Helper()
	var buf []byte
	for rows := 1; rows <= h.Height(); rows++ {
		for plane := range h.Planes() {
			for _, y0 := range bandStarts(h.Height(), rows) {
				n := min(rows, h.Height()-y0)
				raw, err := f.ReadRows(h, plane, y0, n, buf)
				if err != nil {
					t.Fatal(err)
				}
				if view, ok := f.RowsView(h, plane, y0, n); ok && !bytes.Equal(view, raw) {
					t.Fatalf("view and copy of rows %d to %d differ", y0, y0+n-1)
				}
				checkBand(t, h, raw, plane, y0, want)
				buf = raw
			}
		}
	}
}

func bandStarts(height, rows int) []int {
	var up []int
	for y := 0; y < height; y += rows {
		up = append(up, y)
	}
	down := slices.Clone(up)
	slices.Reverse(down)
	return append(up, down...)
}

func checkBand(t *testing.T, h *HDU, raw []byte, plane, y0 int, want func(plane, y, x int) float64) {
	t.Helper()
	values := make([]float64, len(raw)/sampleBytes(h.Bitpix))
	if err := h.DecodeFloat64(values, raw); err != nil {
		t.Fatal(err)
	}
	for i, got := range values {
		y, x := y0+i/h.Width(), i%h.Width()
		if w := want(plane, y, x); !sameFloat(got, w) {
			t.Fatalf("sample (%d,%d,%d) is %v, want %v", plane, y, x, got, w)
		}
	}
}

func TestRowsAreReadByManyAtOnce(t *testing.T) {
	for from, f := range opened(t, "unsigned.fits") {
		compressed := opened(t, "unsigned.fits.gz")["disk"]
		h, g := f.HDUs()[0], compressed.HDUs()[0]
		var wg sync.WaitGroup
		for worker := range 8 {
			wg.Go(func() {
				y := worker % h.Height()
				plain, err := f.ReadRows(h, 0, y, 1, nil)
				inflated, err2 := compressed.ReadRows(g, 0, y, 1, nil)
				if err := errors.Join(err, err2); err != nil || !bytes.Equal(plain, inflated) {
					t.Errorf("%s: row %d: % x and % x, %v", from, y, plain, inflated, err)
				}
			})
		}
		wg.Wait()
	}
}

func TestRowsThatDoNotExistAreRefused(t *testing.T) {
	f := openSeed(t, "cube.fits")
	h := f.HDUs()[0]
	for _, r := range [][3]int{{-1, 0, 1}, {2, 0, 1}, {0, -1, 1}, {0, 3, 1}, {0, 0, 4}, {0, 2, 2}, {0, 0, -1}, {0, math.MaxInt, 1}, {0, 1, math.MaxInt}} {
		if _, err := f.ReadRows(h, r[0], r[1], r[2], nil); err == nil {
			t.Errorf("plane %d, %d rows from %d were read", r[0], r[2], r[1])
		}
		if _, ok := f.RowsView(h, r[0], r[1], r[2]); ok {
			t.Errorf("plane %d, %d rows from %d were viewed", r[0], r[2], r[1])
		}
	}
}

func TestFind(t *testing.T) {
	b := CreateBuffer()
	for _, ext := range []struct {
		name    string
		version int
	}{{"", 0}, {"CHIP", 1}, {"CHIP", 2}, {"MASK", 0}} {
		h := NewHeader()
		if ext.name != "" {
			h.Set("EXTNAME", ext.name, "")
		}
		if ext.version != 0 {
			h.Set("EXTVER", ext.version, "")
		}
		var axes []int
		if ext.version == 2 {
			axes = []int{4, 1}
		}
		iw, err := b.AddImage(h, 8, axes...)
		if err != nil {
			t.Fatal(err)
		}
		if axes != nil {
			if err := iw.WriteRows(0, 0, 1, make([]byte, 4)); err != nil {
				t.Fatal(err)
			}
		}
	}
	if err := b.Commit(); err != nil {
		t.Fatal(err)
	}
	f, err := OpenBytes("many", b.Bytes(), 0)
	if err != nil {
		t.Fatal(err)
	}
	for sel, want := range map[string]int{"": 2, " ": 2, "0": 0, "3": 3, "CHIP": 1, "chip": 1, "CHIP,2": 2, "chip, 1": 1, "mask,1": 3} {
		if h, err := f.Find(sel); err != nil || h.Index != want {
			t.Errorf("Find(%q): %v, want HDU %d", sel, err, want)
		}
	}
	for _, sel := range []string{"4", "-1", "CHIP,3", "FLAT"} {
		_, err := f.Find(sel)
		if !errors.Is(err, ErrNoHDU) || !strings.Contains(err.Error(), sel) || !strings.Contains(err.Error(), "1 CHIP,1 (image without data)") {
			t.Errorf("Find(%q): %v, want ErrNoHDU with what was asked and what is there", sel, err)
		}
	}
	if _, err := f.Find("CHIP,x"); err == nil || errors.Is(err, ErrNoHDU) {
		t.Errorf("a version that is no number: %v", err)
	}
}

func TestAbsentBrokenAndUnsupportedAreToldApart(t *testing.T) {
	if _, err := Open(filepath.Join(t.TempDir(), "absent.fits")); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("absent file: %v", err)
	}
	if _, err := Open(t.TempDir()); err == nil || !strings.Contains(err.Error(), "regular file") {
		t.Errorf("folder: %v", err)
	}
	cases := []struct {
		file   string
		broken bool // else unsupported
		says   string
	}{
		{"huge-axes.fits", true, "HDU 0"},
		{"overflow-axes.fits", true, "beyond 2^63"},
		{"axis-text.fits", true, "card 3 (NAXIS)"},
		{"axis-negative.fits", true, "NAXIS1 is -5"},
		{"axis-missing.fits", true, "NAXIS2 is missing"},
		{"axis-twice.fits", true, "card 6 (NAXIS1)"},
		{"bitpix-17.fits", true, "BITPIX is 17"},
		{"no-end.fits", true, "END"},
		{"cut-data.fits", true, "the last 5000 are missing; 1 of 5 rows are whole"},
		{"cut-header.fits", true, "ends 1000 bytes into the header"},
		{"simple-f.fits", false, "SIMPLE is F"},
		{"groups.fits", false, "random groups"},
		{"trailing.fits", true, "11 bytes follow"},
		{"not-fits.fits", true, "not a FITS file"},
		{"empty.fits", true, "not a FITS file"},
		{"cut.fits.gz", true, "gzip"},
	}
	for _, c := range cases {
		b := seed(t, c.file)
		_, fromMemory := OpenBytes(seedPath(c.file), b, 0)
		_, fromDisk := Open(seedPath(c.file))
		for from, err := range map[string]error{"memory": fromMemory, "disk": fromDisk} {
			var broken *FormatError
			var unsupported *UnsupportedError
			if errors.As(err, &broken) != c.broken || errors.As(err, &unsupported) == c.broken {
				t.Errorf("%s from %s: %v; broken should be %v", c.file, from, err, c.broken)
				continue
			}
			if text := err.Error(); !strings.Contains(text, c.says) || !strings.Contains(text, c.file) || !strings.Contains(text, "; ") {
				t.Errorf("%s from %s: %q does not name the file, %q and a remedy", c.file, from, text, c.says)
			}
		}
	}
}

func TestTilesAreExplained(t *testing.T) {
	_, err := openSeed(t, "tiled.fits").Find("")
	var unsupported *UnsupportedError
	if !errors.As(err, &unsupported) || unsupported.Place != "HDU 1" {
		t.Errorf("looking for an image among tiles: %v", err)
	}
}

func TestWhatMayFollowTheLastHDU(t *testing.T) {
	sound := blockOf("SIMPLE  = T", "BITPIX  = 8", "NAXIS   = 1", "NAXIS1  = 3")
	sound = append(sound, 1, 2, 3)
	fill := make([]byte, blockSize-3)
	special := bytes.Repeat([]byte("special "), 2*blockSize/8)
	cases := []struct {
		name  string
		bytes []byte
		ok    bool
	}{
		{"data without fill", sound, true},
		{"data with fill", slices.Concat(sound, fill), true},
		{"zeros", slices.Concat(sound, fill, make([]byte, 100)), true},
		{"blanks", slices.Concat(sound, fill, bytes.Repeat([]byte(" "), 5000)), true},
		{"special records", slices.Concat(sound, fill, special), true},
		{"junk", slices.Concat(sound, fill, special[:100]), false},
		{"another file", slices.Concat(sound, fill, sound, fill), false},
	}
	for _, c := range cases {
		f, err := OpenBytes("f", c.bytes, 0)
		if (err == nil) != c.ok {
			t.Errorf("%s: %v", c.name, err)
		}
		if err == nil && len(f.HDUs()) != 1 {
			t.Errorf("%s: %d HDUs, want 1", c.name, len(f.HDUs()))
		}
	}
}

// allocated returns the bytes that f allocates, freed ones included.
func allocated(f func()) uint64 {
	var before, after runtime.MemStats
	runtime.ReadMemStats(&before)
	f()
	runtime.ReadMemStats(&after)
	return after.TotalAlloc - before.TotalAlloc
}

// The bound on memory: a fixed part for buffers, and a small multiple of what
// the input holds.
func memoryBound(input int) uint64 { return 256<<10 + 40*uint64(input) }

func TestHostileFilesTakeLittleMemory(t *testing.T) {
	names, err := filepath.Glob(seedPath("*.fits"))
	if err != nil || len(names) < 20 {
		t.Fatalf("%d seed files, %v", len(names), err)
	}
	for _, name := range names {
		b := seed(t, filepath.Base(name))
		if got := allocated(func() { readEverything(name, b) }); got > memoryBound(len(b)) {
			t.Errorf("%s: %d bytes allocated for a file of %d", name, got, len(b))
		}
		if got := allocated(func() { openAndClose(name) }); got > memoryBound(len(b)) {
			t.Errorf("%s from disk: %d bytes allocated for a file of %d", name, got, len(b))
		}
	}
}

func openAndClose(name string) {
	if f, err := Open(name); err == nil {
		f.Close()
	}
}

// readEverything opens b and reads all that it has, as far as that goes.
func readEverything(name string, b []byte) {
	f, err := OpenBytes(name, b, 1<<20)
	if err != nil {
		return
	}
	for _, h := range f.HDUs() {
		f.ReadRows(h, 0, 0, h.Height(), nil)
		f.ReadTable(h)
	}
	f.VerifyChecksums()
}

// A header of 990 axes, and one that has as many records as are allowed.
func TestLongHeaders(t *testing.T) {
	records := []string{"SIMPLE  = T", "BITPIX  = 8", "NAXIS   = 990"}
	for i := range 990 {
		records = append(records, fmt.Sprintf("NAXIS%-3d= 1", i+1))
	}
	block := append(blockOf(records...), 42)
	f, err := OpenBytes("axes", block, 0)
	if err != nil {
		t.Fatal(err)
	}
	if h := f.HDUs()[0]; len(h.Axes) != 990 || h.DataSize != 1 || h.Planes() != 1 {
		t.Errorf("%d axes, %d bytes, %d planes; want 990, 1, 1", len(h.Axes), h.DataSize, h.Planes())
	}
	endless := append([]byte("SIMPLE  =                    T"), bytes.Repeat([]byte(" "), (MaxHeaderRecords+2*perBlock)*recordSize)...)
	var unsupported *UnsupportedError
	if _, err := OpenBytes("endless", endless[:len(endless)/blockSize*blockSize], 0); !errors.As(err, &unsupported) {
		t.Errorf("a header without end: %v", err)
	}
}

func TestTheLimitOfInflationHolds(t *testing.T) {
	b := seed(t, "bomb.fits.gz")
	size := int64(2880 + 3000960) // make_seeds.py
	if _, err := OpenBytes("bomb", b, size); err != nil {
		t.Errorf("within the limit: %v", err)
	}
	var unsupported *UnsupportedError
	const limit = 100000
	if got := allocated(func() {
		if _, err := OpenBytes("bomb", b, limit); !errors.As(err, &unsupported) {
			t.Errorf("beyond the limit: %v", err)
		}
	}); got > memoryBound(limit) {
		t.Errorf("%d bytes allocated for a limit of %d", got, limit)
	}
}

// A compressed file may be much larger than memory: opening it and reading its
// last row must not hold it.
func TestCompressedFilesAreStreamed(t *testing.T) {
	const width, height = 4096, 8192 // 64 MiB of samples
	path := filepath.Join(t.TempDir(), "large")
	file, err := os.Create(path)
	if err != nil {
		t.Fatal(err)
	}
	z := gzip.NewWriter(file)
	z.Write(blockOf("SIMPLE  = T", "BITPIX  = 16", "NAXIS   = 2", fmt.Sprintf("NAXIS1  = %d", width), fmt.Sprintf("NAXIS2  = %d", height)))
	row := make([]byte, 2*width)
	for y := range height {
		row[0], row[1] = byte(y>>8), byte(y)
		z.Write(row)
	}
	z.Write(make([]byte, padded(2*width*height)-2*width*height))
	if err := errors.Join(z.Close(), file.Close()); err != nil {
		t.Fatal(err)
	}
	got := allocated(func() {
		f, err := Open(path)
		if err != nil {
			t.Fatal(err)
		}
		defer f.Close()
		for _, y := range []int{height - 1, 5} {
			raw, err := f.ReadRows(f.HDUs()[0], 0, y, 1, row)
			if err != nil || int(raw[0])<<8|int(raw[1]) != y {
				t.Errorf("row %d: % x, %v", y, raw[:2], err)
			}
		}
	})
	if got > 1<<20 {
		t.Errorf("%d bytes allocated for a file of 64 MiB", got)
	}
}

// Many headers compress to almost nothing; they must not fill the memory.
func TestHeadersOfACompressedFileAreBounded(t *testing.T) {
	var packed bytes.Buffer
	z := gzip.NewWriter(&packed)
	z.Write(blockOf("SIMPLE  = T", "BITPIX  = 8", "NAXIS   = 0"))
	long := blockOf(append([]string{"XTENSION= 'IMAGE   '", "BITPIX  = 8", "NAXIS   = 0"}, make([]string, 35000)...)...)
	for range maxHeaderBytes/len(long) + 1 {
		z.Write(long)
	}
	if err := z.Close(); err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(t.TempDir(), "headers.gz")
	if err := os.WriteFile(path, packed.Bytes(), 0o600); err != nil {
		t.Fatal(err)
	}
	var unsupported *UnsupportedError
	if _, err := Open(path); !errors.As(err, &unsupported) {
		t.Errorf("%d bytes of headers: %v, want an UnsupportedError", maxHeaderBytes, err)
	}
}

func TestAFileThatShrinksIsNoticed(t *testing.T) {
	path := filepath.Join(t.TempDir(), "f.fits")
	b := seed(t, "unsigned.fits")
	if err := os.WriteFile(path, b, 0o600); err != nil {
		t.Fatal(err)
	}
	f, err := Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	if err := os.Truncate(path, 2900); err != nil {
		t.Fatal(err)
	}
	var broken *FormatError
	if _, err := f.ReadRows(f.HDUs()[0], 0, 0, 5, nil); !errors.As(err, &broken) {
		t.Errorf("reading cut rows: %v", err)
	}
}

// Rules of the FITS Standard 4.0, clauses 4.4.1, 4.4.2.5 and 7.1.
func TestHeadersThatContradictTheStandard(t *testing.T) {
	image := []string{"XTENSION= 'IMAGE   '", "BITPIX  = 8", "NAXIS   = 1", "NAXIS1  = 1"}
	primary := []string{"SIMPLE  = T", "BITPIX  = 8", "NAXIS   = 1", "NAXIS1  = 1"}
	with := func(base []string, more ...string) []string { return slices.Concat(base, more) }
	cases := []struct {
		name    string
		records []string
		says    string
	}{
		{"SIMPLE without value", []string{"SIMPLE  ="}, "SIMPLE has no value"},
		{"SIMPLE is a number", []string{"SIMPLE  = 1"}, "card 1 (SIMPLE)"},
		{"no BITPIX", []string{"SIMPLE  = T"}, "BITPIX is missing"},
		{"NAXIS of 1000", []string{"SIMPLE  = T", "BITPIX  = 8", "NAXIS   = 1000"}, "outside 0 to 999"},
		{"GROUPS is text", with(primary, "GROUPS  = 'T'"), "(GROUPS)"},
		{"BSCALE is zero", with(primary, "BSCALE  = 0"), "BSCALE is 0"},
		{"BSCALE is text", with(primary, "BSCALE  = '1'"), "(BSCALE)"},
		{"BZERO is logical", with(primary, "BZERO   = T"), "(BZERO)"},
		{"BLANK is real", with(primary, "BLANK   = 1.0"), "(BLANK)"},
		{"XTENSION without value", []string{"XTENSION="}, "XTENSION has no value"},
		{"XTENSION is a number", []string{"XTENSION= 5"}, "(XTENSION)"},
		{"PCOUNT is negative", with(image, "PCOUNT  = -1", "GCOUNT  = 1"), "PCOUNT is -1"},
		{"GCOUNT is zero", with(image, "PCOUNT  = 0", "GCOUNT  = 0"), "GCOUNT 0"},
		{"PCOUNT is text", with(image, "PCOUNT  = 'a'"), "(PCOUNT)"},
		{"GCOUNT is text", with(image, "GCOUNT  = 'a'"), "(GCOUNT)"},
		{"PCOUNT of an image", with(image, "PCOUNT  = 1", "GCOUNT  = 1"), "in an image"},
		{"PCOUNT twice", with(image, "PCOUNT  = 0", "PCOUNT  = 1"), "a second PCOUNT"},
	}
	for _, c := range cases {
		b := blockOf(c.records...)
		if strings.HasPrefix(c.records[0], "XTENSION") {
			b = append(blockOf("SIMPLE  = T", "BITPIX  = 8", "NAXIS   = 0"), b...)
		}
		_, err := OpenBytes("f", append(b, 0), 0)
		var broken *FormatError
		if !errors.As(err, &broken) || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%s: %v, want a FormatError with %q", c.name, err, c.says)
		}
	}
}

func TestExtensionsOfEveryKind(t *testing.T) {
	b := blockOf("SIMPLE  = T", "BITPIX  = 8", "NAXIS   = 0")
	want := []Kind{ImageHDU, ImageHDU, BinaryTable, ASCIITable, OtherHDU}
	for _, name := range []string{"IMAGE", "BINTABLE", "TABLE", "FOREIGN"} {
		b = append(b, blockOf("XTENSION= '"+name+"'", "BITPIX  = 8", "NAXIS   = 2", "NAXIS1  = 2", "NAXIS2  = 3")...)
		b = append(b, make([]byte, blockSize)...)
	}
	f, err := OpenBytes("f", b, 0)
	if err != nil {
		t.Fatal(err)
	}
	if len(f.HDUs()) != len(want) || f.Name() != "f" {
		t.Fatalf("%s has %d HDUs, want f with %d", f.Name(), len(f.HDUs()), len(want))
	}
	for i, h := range f.HDUs() {
		if h.Kind != want[i] {
			t.Errorf("HDU %d is of kind %s, want %s", i, h.Kind, want[i])
		}
	}
}

// BLANK has no meaning for real samples (clause 4.4.2.5), even when it is there.
func TestBlankOfRealSamplesIsIgnored(t *testing.T) {
	b := append(blockOf("SIMPLE  = T", "BITPIX  = -32", "NAXIS   = 1", "NAXIS1  = 1", "BLANK   = 0"), 0, 0, 0, 0)
	f, err := OpenBytes("f", b, 0)
	if err != nil {
		t.Fatal(err)
	}
	if blank := f.HDUs()[0].Blank; blank != nil {
		t.Errorf("BLANK of real samples is %d, want none", *blank)
	}
}

// A stream that breaks off and one that ends too early, at any place, are both
// broken files.
func TestCompressedFilesThatAreCutOff(t *testing.T) {
	plain := seed(t, "unsigned.fits")
	dir := t.TempDir()
	for _, n := range []int{0, 5, 1000, 2880, 2900, 2949} {
		for _, whole := range []bool{true, false} {
			path := filepath.Join(dir, fmt.Sprintf("%d-%v", n, whole))
			if err := os.WriteFile(path, gzipOf(t, plain[:n], whole), 0o600); err != nil {
				t.Fatal(err)
			}
			_, err := Open(path)
			var broken *FormatError
			if !errors.As(err, &broken) || broken.File != path {
				t.Errorf("%d bytes, whole stream %v: %v, want a FormatError", n, whole, err)
			}
		}
	}
}

// gzipOf compresses b, with or without the end of the stream.
func gzipOf(t *testing.T, b []byte, whole bool) []byte {
	t.Helper()
	var out bytes.Buffer
	z := gzip.NewWriter(&out)
	if _, err := z.Write(b); err != nil {
		t.Fatal(err)
	}
	if err := z.Flush(); err != nil {
		t.Fatal(err)
	}
	cut := out.Len()
	if err := z.Close(); err != nil {
		t.Fatal(err)
	}
	if whole {
		return out.Bytes()
	}
	return out.Bytes()[:cut]
}
