package fitsutil

import (
	"bytes"
	"fmt"
	"math/big"
	"strings"
	"testing"

	"github.com/astrogo/fitsio"
)

// withLibrary opens a file with the fitsio library and turns a panic into an
// error that says so.
func withLibrary(b []byte) (f *fitsio.File, err error) {
	defer func() {
		if r := recover(); r != nil {
			err = fmt.Errorf("panic: %v", r)
		}
	}()
	return fitsio.Open(bytes.NewReader(b))
}

// These files make version 0.3.0 of the library panic. Should a later version
// refuse them, the test says so, and the guard can be looked at again.
func TestFilesThatMakeTheLibraryPanic(t *testing.T) {
	primary := func(more ...string) []byte {
		return blockOf(append([]string{"SIMPLE  =                    T", "BITPIX  =                    8"}, more...)...)
	}
	cases := []struct {
		name   string
		file   []byte
		broken bool // whether this package refuses the file too
	}{
		{"NAXIS is text", primary("NAXIS   = '2'"), true},
		{"NAXIS1 is real", primary("NAXIS   =                    1", "NAXIS1  =                  2.0"), true},
		{"NAXIS is negative", primary("NAXIS   =                   -1"), true},
		{"XTENSION is a number", append(primary("NAXIS   =                    0"), blockOf("XTENSION=                    5")...), true},
		{"data beyond any memory", primary("NAXIS   =                    1", "NAXIS1  =  4611686018427387904"), true},
		{"CONTINUE after a number", primary("NAXIS   =                    0", "CONTINUE  'text'"), false},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			if _, err := withLibrary(c.file); err == nil || !strings.HasPrefix(err.Error(), "panic") {
				t.Errorf("the library no longer panics: %v", err)
			}
			f, err := OpenBytes("f", c.file, 0)
			if (err != nil) != c.broken {
				t.Fatalf("OpenBytes: %v; refused should be %v", err, c.broken)
			}
			if err == nil && !bytes.Equal(f.HDUs()[0].Header.Encode(), c.file) {
				t.Error("the header does not survive")
			}
		})
	}
}

// The library does not double the quotes in a text (clause 4.2.1.1), so that
// the text ends at the first one when it is read.
func TestQuotesThatTheLibraryLoses(t *testing.T) {
	const text = "it's a test"
	f, err := withLibrary(libraryFile(t, fitsio.Card{Name: "QUOTED", Value: text}))
	if err == nil && f.HDU(0).Header().Get("QUOTED").Value == text {
		t.Error("the library now keeps quotes: a reason for an own writer is gone")
	}
	h := NewHeader()
	if err := h.Set("QUOTED", text, ""); err != nil {
		t.Fatal(err)
	}
	if got, _ := headerOf(t, strings.TrimRight(string(h.Encode()[:recordSize]), " ")).Value("QUOTED"); got != text {
		t.Errorf("the text is %q, want %q", got, text)
	}
}

// The library writes a string into a table behind a NUL, which the Standard
// reads as no string at all, and logical values as 0 and 1 instead of F and T
// (clause 7.3.3.1). Our cells have neither.
func TestTableCellsThatTheLibraryWritesWrongly(t *testing.T) {
	f, err := writeTable(t, &Table{[]Column{{"S", "", []string{"ab"}}, {"L", "", []bool{true}}, {"M", "", []bool{false}}}})
	if err != nil {
		t.Fatal(err)
	}
	raw, err := f.ReadRows(f.HDUs()[1], 0, 0, 1, nil)
	if err != nil || string(raw) != "abTF" {
		t.Errorf("the row is %q, %v; want \"abTF\"", raw, err)
	}
}

// libraryFile is a file with one more card, written by the library.
func libraryFile(t *testing.T, card fitsio.Card) []byte {
	t.Helper()
	var b bytes.Buffer
	out, err := fitsio.Create(&b)
	if err != nil {
		t.Fatal(err)
	}
	primary, err := fitsio.NewPrimaryHDU(fitsio.NewHeader([]fitsio.Card{card}, fitsio.IMAGE_HDU, 8, nil))
	if err != nil {
		t.Fatal(err)
	}
	if err := out.Write(primary); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// On well-formed headers the library is a second opinion.
func TestHeadersAgreeWithTheLibrary(t *testing.T) {
	records := []string{
		"SIMPLE  =                    T / standard", "BITPIX  =                   16 / bits", "NAXIS   =                    0",
		"TEXT    = 'it''s / a test'     / with a note", "SPACE   = '  leading'", "NULL    = ''",
		"YES     =                    T", "NO      =                    F / logical",
		"INT     =                  -42 / integer", "BIG     = 123456789012345678901234567890",
		"REAL    =              2.5E-07", "DEXP    = 1.25D+03", "POINT   = 0.5", "WHOLE   = 5.",
		"CPLX    = (1.5, -2.0)", "UNDEF   =                      / nothing",
		"LONG    = 'first part &'", "CONTINUE  'and the rest'",
		"HIERARCH DET GAIN = 2.5 / e-/DN", "COMMENT a comment", "HISTORY some history",
	}
	block := blockOf(records...)
	lib, err := withLibrary(block)
	if err != nil {
		t.Fatal(err)
	}
	own := headerOf(t, records...)
	compared := 0
	for i := range own.Len() {
		card := own.Card(i)
		if card.Key == keyComment || card.Key == keyHistory {
			continue
		}
		theirs := lib.HDU(0).Header().Get(strings.TrimPrefix(card.Key, hierarchPrefix))
		if theirs == nil {
			t.Errorf("the library has no %s", card.Key)
			continue
		}
		compared++
		if !sameValue(card.Value, ownType(theirs.Value)) {
			t.Errorf("%s is %#v, the library has %#v", card.Key, card.Value, theirs.Value)
		}
	}
	if compared != 18 {
		t.Errorf("%d cards compared, want 18", compared)
	}
}

// ownType turns a value of the library into the type that Card has for it.
func ownType(v any) any {
	switch v := v.(type) {
	case int:
		return int64(v)
	case big.Int:
		return &v
	}
	return v
}
