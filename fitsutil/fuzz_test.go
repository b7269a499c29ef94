package fitsutil

import (
	"bytes"
	"errors"
	"fmt"
	"math/big"
	"os"
	"path/filepath"
	"testing"
)

// addSeeds gives every file in testdata/fits to the fuzzer.
func addSeeds(f *testing.F, add func(b []byte)) {
	f.Helper()
	names, err := filepath.Glob(seedPath("*.fits*"))
	if err != nil || len(names) == 0 {
		f.Fatalf("no seeds: %v", err)
	}
	for _, name := range names {
		b, err := os.ReadFile(name)
		if err != nil {
			f.Fatal(err)
		}
		add(b)
	}
}

// FuzzParseHeader: what is parsed and encoded comes back byte for byte, parses
// to the same cards, and each card that can be written anew reads back alike.
func FuzzParseHeader(f *testing.F) {
	addSeeds(f, func(b []byte) {
		f.Add(b)
		if len(b) > blockSize {
			f.Add(b[blockSize:])
		}
	})
	f.Fuzz(func(t *testing.T, block []byte) {
		h, err := ParseHeader(block, "fuzz", 0)
		if err != nil {
			mustBeOurs(t, err)
			return
		}
		encoded := h.Encode()
		end := 0
		for _, e := range h.entries {
			end += len(e.raw)
		}
		if len(encoded)%blockSize != 0 || !bytes.Equal(encoded[:end], block[:end]) {
			t.Fatal("the records changed")
		}
		again, err := ParseHeader(encoded, "fuzz", 0)
		if err != nil {
			t.Fatal(err)
		}
		compareCards(t, again.Cards(), h.Cards())
		askEverything(t, h)
		setEverything(t, h)
	})
}

func mustBeOurs(t *testing.T, err error) {
	t.Helper()
	var broken *FormatError
	var unsupported *UnsupportedError
	if !errors.As(err, &broken) && !errors.As(err, &unsupported) {
		t.Fatalf("%v is neither a FormatError nor an UnsupportedError", err)
	}
}

func compareCards(t *testing.T, got, want []Card) {
	t.Helper()
	if len(got) != len(want) {
		t.Fatalf("%d cards, want %d", len(got), len(want))
	}
	for i := range want {
		if got[i].Key != want[i].Key || got[i].Comment != want[i].Comment || !sameValue(got[i].Value, want[i].Value) {
			t.Fatalf("card %d is %#v, want %#v", i, got[i], want[i])
		}
	}
}

// askEverything uses every accessor on every key.
func askEverything(t *testing.T, h *Header) {
	t.Helper()
	for _, c := range h.Cards() {
		_, _, errText := h.Text(c.Key)
		_, _, errInt := h.Int(c.Key)
		_, _, errFloat := h.Float(c.Key)
		_, _, errBool := h.Bool(c.Key)
		for _, err := range []error{errText, errInt, errFloat, errBool} {
			if err != nil {
				mustBeOurs(t, err)
			}
		}
	}
}

// setEverything writes each value anew, into a header of its own.
func setEverything(t *testing.T, h *Header) {
	t.Helper()
	for _, c := range h.Cards() {
		if _, ok := c.Value.(complex128); ok || checkSettable(c.Key) != nil {
			continue
		}
		fresh := NewHeader()
		if err := fresh.Set(c.Key, c.Value, c.Comment); err != nil {
			t.Fatalf("%#v cannot be set: %v", c, err)
		}
		again, err := ParseHeader(fresh.Encode(), "fuzz", 0)
		if err != nil {
			t.Fatal(err)
		}
		if got := again.Card(0); again.Len() != 1 || got.Key != c.Key || !sameValue(got.Value, c.Value) {
			t.Fatalf("%#v came back as %#v of %d cards", c, got, again.Len())
		}
	}
}

// FuzzOpenBytes: any bytes are read without panic and in memory bounded by
// their number; what opens can be written again with the same data.
func FuzzOpenBytes(f *testing.F) {
	addSeeds(f, func(b []byte) { f.Add(b) })
	f.Fuzz(func(t *testing.T, b []byte) {
		const limit = 1 << 20
		input := len(b)
		if isGzip(b) {
			input = limit
		}
		if got := allocated(func() { readEverything("fuzz", b) }); got > memoryBound(input) {
			t.Fatalf("%d bytes allocated for %d", got, input)
		}
		file, err := OpenBytes("fuzz", b, limit)
		if err != nil {
			mustBeOurs(t, err)
			return
		}
		rewrite(t, file)
	})
}

// rewrite copies all images of a file and compares.
func rewrite(t *testing.T, file *File) {
	t.Helper()
	w := CreateBuffer()
	var copied []*HDU
	for _, h := range file.HDUs() {
		if h.Kind == ImageHDU && h.Height()*h.Planes() < 1<<16 {
			copyImage(t, w, file, h)
			copied = append(copied, h)
		}
	}
	if len(copied) == 0 {
		return
	}
	if err := w.Commit(); err != nil {
		t.Fatal(err)
	}
	again, err := OpenBytes("rewritten", w.Bytes(), 0)
	if err != nil {
		t.Fatal(err)
	}
	if n, err := again.VerifyChecksums(); n != len(copied) || err != nil {
		t.Fatalf("%d of %d HDUs checked, %v", n, len(copied), err)
	}
	for i, h := range copied {
		if err := sameData(file, h, again, again.HDUs()[i]); err != nil {
			t.Fatal(err)
		}
	}
}

func copyImage(t *testing.T, w *Writer, file *File, h *HDU) {
	t.Helper()
	header := h.Header.Clone()
	if h.Bitpix < 0 {
		header.Delete("BLANK")
	}
	iw, err := w.AddImage(header, h.Bitpix, h.Axes...)
	if err != nil {
		t.Fatal(err)
	}
	if h.DataSize == 0 {
		return
	}
	for plane := range h.Planes() {
		raw, err := file.ReadRows(h, plane, 0, h.Height(), nil)
		if err != nil {
			t.Fatal(err)
		}
		if err := iw.WriteRows(plane, 0, h.Height(), raw); err != nil {
			t.Fatal(err)
		}
	}
}

func sameData(a *File, x *HDU, b *File, y *HDU) error {
	if x.DataSize != y.DataSize {
		return fmt.Errorf("HDU %d has %d bytes, want %d", y.Index, y.DataSize, x.DataSize)
	}
	if x.DataSize == 0 {
		return nil
	}
	for plane := range x.Planes() {
		want, errX := a.ReadRows(x, plane, 0, x.Height(), nil)
		got, errY := b.ReadRows(y, plane, 0, y.Height(), nil)
		if err := errors.Join(errX, errY); err != nil || !bytes.Equal(got, want) {
			return fmt.Errorf("plane %d of HDU %d differs: %v", plane, y.Index, err)
		}
	}
	return nil
}

// FuzzSet: whatever Set accepts reads back as it was set.
func FuzzSet(f *testing.F) {
	f.Add("KEY", "it's a long text & more", "note", 1.5, int64(-3))
	f.Add("A-B_9", "&&&&''''", "", 1e300, int64(1))
	f.Fuzz(func(t *testing.T, key, text, comment string, real float64, whole int64) {
		for _, value := range []any{text, real, whole, new(big.Int).Lsh(big.NewInt(whole), 100)} {
			h := NewHeader()
			if h.Set(key, value, comment) != nil {
				continue
			}
			again, err := ParseHeader(h.Encode(), "fuzz", 0)
			if err != nil {
				t.Fatal(err)
			}
			compareCards(t, again.Cards(), h.Cards())
			want := value
			switch v := value.(type) {
			case string:
				want = string(bytes.TrimRight([]byte(v), " "))
			case *big.Int:
				if v.IsInt64() {
					want = v.Int64()
				}
			}
			if got := again.Card(0).Value; !sameValue(got, want) {
				t.Fatalf("%#v came back as %#v", want, got)
			}
		}
	})
}
