package fitsutil

import (
	"bytes"
	"errors"
	"fmt"
	"math"
	"math/big"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// seed returns the bytes of a file in testdata/fits, which make_seeds.py there
// wrote with astropy.io.fits.
func seed(tb testing.TB, name string) []byte {
	tb.Helper()
	b, err := os.ReadFile(filepath.Join("..", "testdata", "fits", name))
	if err != nil {
		tb.Fatal(err)
	}
	return b
}

// headerOf parses records that are given without their padding.
func headerOf(tb testing.TB, records ...string) *Header {
	tb.Helper()
	h, err := ParseHeader(blockOf(records...), "test", 0)
	if err != nil {
		tb.Fatal(err)
	}
	return h
}

func blockOf(records ...string) []byte {
	var b strings.Builder
	for _, r := range append(records, "END") {
		b.WriteString(r + strings.Repeat(" ", recordSize-len(r)))
	}
	fill := padded(int64(b.Len())) - int64(b.Len())
	return []byte(b.String() + strings.Repeat(" ", int(fill)))
}

func sameValue(a, b any) bool {
	x, okX := a.(*big.Int)
	y, okY := b.(*big.Int)
	if okX && okY {
		return x.Cmp(y) == 0
	}
	return a == b
}

// Expected values follow the examples and rules of the FITS Standard 4.0,
// clause 4.2, read by hand.
func TestValueFields(t *testing.T) {
	large, _ := new(big.Int).SetString("123456789012345678901234567890", 10)
	cases := []struct {
		name, record string
		want         Card
	}{
		{"string", "KEY     = 'abc     '           / note", Card{"KEY", "abc", "note"}},
		{"string with doubled quotes", "KEY     = 'it''s'", Card{"KEY", "it's", ""}},
		{"string of quotes only", "KEY     = ''''''", Card{"KEY", "''", ""}},
		{"null string", "KEY     = ''", Card{"KEY", "", ""}},
		{"leading blanks count", "KEY     = '  a '", Card{"KEY", "  a", ""}},
		{"slash inside a string", "KEY     = 'a / b' / c", Card{"KEY", "a / b", "c"}},
		{"string in free format", "KEY     =      'a'/c", Card{"KEY", "a", "c"}},
		{"comment without a slash", "KEY     = 'a' c", Card{"KEY", "a", "c"}},
		{"true", "KEY     =                    T / c", Card{"KEY", true, "c"}},
		{"false in free format", "KEY     = F", Card{"KEY", false, ""}},
		{"integer", "KEY     =                  -42", Card{"KEY", int64(-42), ""}},
		{"integer with plus and zeros", "KEY     = +007", Card{"KEY", int64(7), ""}},
		{"greatest 64-bit integer", "KEY     = 9223372036854775807", Card{"KEY", int64(math.MaxInt64), ""}},
		{"integer beyond 64 bits", "KEY     = 123456789012345678901234567890", Card{"KEY", large, ""}},
		{"real", "KEY     = 2.5E-7", Card{"KEY", 2.5e-7, ""}},
		{"real with D", "KEY     = 1.25D+03", Card{"KEY", 1250.0, ""}},
		{"real with small letter", "KEY     = 1e2", Card{"KEY", 100.0, ""}},
		{"real without digits before the point", "KEY     = -.5", Card{"KEY", -0.5, ""}},
		{"real without digits behind the point", "KEY     = 5.", Card{"KEY", 5.0, ""}},
		{"complex", "KEY     = (1.5, -2) / c", Card{"KEY", complex(1.5, -2), "c"}},
		{"undefined", "KEY     =", Card{"KEY", nil, ""}},
		{"undefined with comment", "KEY     =                      / c", Card{"KEY", nil, "c"}},
		{"no value indicator", "KEY     text = 5", Card{"KEY", nil, "text = 5"}},
		{"equal sign without blank", "KEY     =5", Card{"KEY", nil, "=5"}},
		{"comment", "COMMENT = 5 is text", Card{"COMMENT", nil, "= 5 is text"}},
		{"history", "HISTORY   indented", Card{"HISTORY", nil, "  indented"}},
		{"blank keyword", "        = 5", Card{"", nil, "= 5"}},
		{"small letters in the keyword", "key     = 5", Card{"KEY", int64(5), ""}},
		{"HIERARCH", "HIERARCH DET  gain = 2.5 / c", Card{"HIERARCH DET GAIN", 2.5, "c"}},
		{"HIERARCH without equal sign", "HIERARCH is text", Card{"HIERARCH", nil, " is text"}},
		{"HIERARCH without name", "HIERARCH   = 5", Card{"HIERARCH", nil, "   = 5"}},
		{"byte that is not ASCII", "KEY     = 'a\xb0b' / \tc", Card{"KEY", "a?b", "?c"}},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			got := headerOf(t, c.record).Card(0)
			if got.Key != c.want.Key || !sameValue(got.Value, c.want.Value) || got.Comment != c.want.Comment {
				t.Errorf("%q read as %#v, want %#v", c.record, got, c.want)
			}
		})
	}
}

func TestValuesThatCannotBeReadAreErrorsWhenAskedFor(t *testing.T) {
	for _, value := range []string{
		"'no end", "word", "(1.0, 2.0", "(1.0)", "1.0E999", "0x10", "1_000", "nan", "inf", "--1", "1e", ".", "E5", "1 000", "2020-01-01", "5 seconds",
	} {
		h := headerOf(t, "SIMPLE  =                    T", "KEY     = "+value)
		for name, read := range map[string]func() (bool, error){
			"Text":  func() (bool, error) { _, ok, err := h.Text("KEY"); return ok, err },
			"Int":   func() (bool, error) { _, ok, err := h.Int("KEY"); return ok, err },
			"Float": func() (bool, error) { _, ok, err := h.Float("KEY"); return ok, err },
			"Bool":  func() (bool, error) { _, ok, err := h.Bool("KEY"); return ok, err },
		} {
			ok, err := read()
			var broken *FormatError
			if ok || !errors.As(err, &broken) || broken.Place != "HDU 0, card 2 (KEY)" || broken.Remedy == "" {
				t.Errorf("%s of %q: %v, %v; want a FormatError that names card 2", name, value, ok, err)
			}
		}
		if v, there := h.Value("KEY"); v != nil || !there {
			t.Errorf("Value of %q = %v, %v; want nil, true", value, v, there)
		}
	}
}

func TestTypedAccessors(t *testing.T) {
	h := headerOf(t,
		"TEXT    = 'abc'", "INT     = 7", "REAL    = 1.5", "YES     = T",
		"UNDEF   =", "BIG     = 123456789012345678901234567890", "HIERARCH DET GAIN = 2", "INT     = 8")
	if s, ok, err := h.Text("text"); s != "abc" || !ok || err != nil {
		t.Errorf("Text = %q, %v, %v", s, ok, err)
	}
	if n, ok, err := h.Int("INT"); n != 7 || !ok || err != nil {
		t.Errorf("Int of the first of two cards = %d, %v, %v", n, ok, err)
	}
	if b, ok, err := h.Bool("YES"); !b || !ok || err != nil {
		t.Errorf("Bool = %v, %v, %v", b, ok, err)
	}
	for key, want := range map[string]float64{"REAL": 1.5, "INT": 7, "BIG": 123456789012345678901234567890, "DET GAIN": 2, "hierarch det gain": 2} {
		if x, ok, err := h.Float(key); x != want || !ok || err != nil {
			t.Errorf("Float(%s) = %v, %v, %v; want %v", key, x, ok, err, want)
		}
	}
	for _, key := range []string{"UNDEF", "ABSENT"} {
		if _, ok, err := h.Float(key); ok || err != nil {
			t.Errorf("Float(%s) = %v, %v; want no value and no error", key, ok, err)
		}
	}
	wrong := map[string]func() error{
		"Int of a string": func() error { _, _, err := h.Int("TEXT"); return err },
		"Int of a real":   func() error { _, _, err := h.Int("REAL"); return err },
		"Int of 97 bits":  func() error { _, _, err := h.Int("BIG"); return err },
		"Text of an int":  func() error { _, _, err := h.Text("INT"); return err },
		"Float of a bool": func() error { _, _, err := h.Float("YES"); return err },
		"Bool of an int":  func() error { _, _, err := h.Bool("INT"); return err },
	}
	for name, read := range wrong {
		var broken *FormatError
		if err := read(); !errors.As(err, &broken) || !strings.Contains(err.Error(), "where") {
			t.Errorf("%s: %v, want a FormatError that tells both types", name, err)
		}
	}
}

// A header of every kind of record must come back as it was.
func TestUntouchedRecordsSurviveByteForByte(t *testing.T) {
	block := blockOf(
		"SIMPLE  =                    T / standard", "BITPIX  = 16", "KEY     =5", "odd key = 'free'   /c",
		"LONG    = 'abc &'  / one", "CONTINUE  'def&'", "CONTINUE  '' / two", "CONTINUE  'orphan'",
		"HISTORY a  b", "", "COMMENT", "HIERARCH A B = 3", "UNDEF   =", "DEXP    = 1.D0", "BAD     = word", "KEY     = 'a\xb0'")
	h, err := ParseHeader(block, "test", 0)
	if err != nil {
		t.Fatal(err)
	}
	if got := h.Encode(); !bytes.Equal(got, block) {
		t.Errorf("encoded header differs:\n%q\n%q", got, block)
	}
	if err := h.Set("DEXP", 2, ""); err != nil {
		t.Fatal(err)
	}
	want := bytes.Replace(block, []byte("DEXP    = 1.D0                "), []byte("DEXP    =                    2"), 1)
	if got := h.Encode(); !bytes.Equal(got, want) {
		t.Errorf("setting one card changed others:\n%q\n%q", got, want)
	}
}

func TestAstropyHeaderIsRead(t *testing.T) {
	f, err := OpenBytes("unsigned.fits", seed(t, "unsigned.fits"), 0)
	if err != nil {
		t.Fatal(err)
	}
	h := f.HDUs()[0].Header
	large, _ := new(big.Int).SetString("123456789012345678901234567890", 10)
	want := map[string]any{ // HEADER_VALUES of make_seeds.py
		"TEXT": "it's a 'quoted' text", "EMPTY": "", "TRUTH": true, "COUNT": int64(-42), "HUGE": large,
		"REAL": 2.5e-7, "CPLX": complex(1.5, -2), "UNDEF": nil, "DET FOCUS TEMP": 263.15, "DEXP": 1250.0,
		"LONGTEXT": strings.Repeat("Tessaly ", 20) + "& the 'end'", "NOVALUE": nil,
	}
	for key, value := range want {
		if got, ok := h.Value(key); !ok || !sameValue(got, value) {
			t.Errorf("%s = %#v (%v), want %#v", key, got, ok, value)
		}
	}
	if got := h.Encode(); !bytes.Equal(got, seed(t, "unsigned.fits")[:len(got)]) {
		t.Error("the header does not survive a round trip")
	}
}

func TestContinueWithoutAStringBeforeIsText(t *testing.T) {
	h := headerOf(t, "CONTINUE  'nothing before'", "N       = 3", "CONTINUE  'after a number'", "S       = 'closed'", "CONTINUE  'x'", "A       = 'amp&'")
	want := []Card{
		{"CONTINUE", nil, "  'nothing before'"}, {"N", int64(3), ""}, {"CONTINUE", nil, "  'after a number'"},
		{"S", "closed", ""}, {"CONTINUE", nil, "  'x'"}, {"A", "amp&", ""},
	}
	got := h.Cards()
	if len(got) != len(want) {
		t.Fatalf("%d cards, want %d", len(got), len(want))
	}
	for i := range want {
		if got[i] != want[i] {
			t.Errorf("card %d is %#v, want %#v", i, got[i], want[i])
		}
	}
}

func TestSetAndReadBack(t *testing.T) {
	long := strings.Repeat("it's long & ", 40)
	cases := []struct {
		name  string
		value any
		want  any
	}{
		{"bool", true, true}, {"no", false, false}, {"int", -5, int64(-5)}, {"uint8", uint8(200), int64(200)}, {"least int64", int64(math.MinInt64), int64(math.MinInt64)},
		{"uint64", uint64(math.MaxUint64), new(big.Int).SetUint64(math.MaxUint64)},
		{"whole float", 5.0, 5.0}, {"minus zero", math.Copysign(0, -1), math.Copysign(0, -1)}, {"third", 1.0 / 3, 1.0 / 3},
		{"greatest float", math.MaxFloat64, math.MaxFloat64}, {"least float", math.SmallestNonzeroFloat64, math.SmallestNonzeroFloat64},
		{"million", 1e6, 1e6}, {"million and a bit", 1000000.25, 1000000.25}, {"float32", float32(0.1), 0.1},
		{"text", "abc", "abc"}, {"null", "", ""}, {"quotes", "''", "''"}, {"trailing blanks", "a  ", "a"}, {"leading blanks", "  a", "  a"}, {"slash", "a/b", "a/b"},
		{"68 characters", strings.Repeat("x", 68), strings.Repeat("x", 68)}, {"69 characters", strings.Repeat("x", 69), strings.Repeat("x", 69)},
		{"quotes at the seam", strings.Repeat("x", 66) + "'''y", strings.Repeat("x", 66) + "'''y"},
		{"blanks at the seam", strings.Repeat("x", 60) + strings.Repeat(" ", 20) + "y", strings.Repeat("x", 60) + strings.Repeat(" ", 20) + "y"},
		{"ends in ampersand", "a&", "a&"}, {"long", long, strings.TrimRight(long, " ")}, {"long ampersands", strings.Repeat("&", 200), strings.Repeat("&", 200)},
		{"undefined", nil, nil},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			h := NewHeader()
			if err := h.Set("KEY", c.value, "note"); err != nil {
				t.Fatal(err)
			}
			again, err := ParseHeader(h.Encode(), "test", 0)
			if err != nil {
				t.Fatal(err)
			}
			for _, h := range []*Header{h, again} {
				card := h.Card(0)
				// A text of 68 characters leaves no room for the comment.
				room := len(fmt.Sprint(c.value)) != 68
				if h.Len() != 1 || !sameValue(card.Value, c.want) || room != (card.Comment == "note") {
					t.Errorf("read back %#v of %d cards, want %#v", card, h.Len(), c.want)
				}
				if x, ok := c.want.(float64); ok && math.Signbit(x) != math.Signbit(card.Value.(float64)) {
					t.Errorf("the sign of %v is lost", x)
				}
			}
		})
	}
}

// Values stand right-justified in columns 11 to 30, strings open in column 11
// and have at least eight characters (FITS Standard 4.0, clause 4.2.1.1 and
// following, fixed format).
func TestFixedFormat(t *testing.T) {
	cases := []struct {
		value any
		want  string
	}{
		{true, "KEY     =                    T / c"},
		{int16(-3), "KEY     =                   -3 / c"},
		{0.5, "KEY     =                  0.5 / c"},
		{1e6, "KEY     =              1.0E+06 / c"},
		{"ab", "KEY     = 'ab      '           / c"},
		{nil, "KEY     =                      / c"},
	}
	for _, c := range cases {
		h := NewHeader()
		if err := h.Set("key", c.value, "c"); err != nil {
			t.Fatal(err)
		}
		if got := strings.TrimRight(string(h.Encode()[:80]), " "); got != c.want {
			t.Errorf("%v is written %q, want %q", c.value, got, c.want)
		}
	}
}

func TestSetRefusesWhatAHeaderCannotHold(t *testing.T) {
	h := headerOf(t, "KEY     = 5")
	before := h.Encode()
	cases := []struct {
		name, key string
		value     any
		comment   string
	}{
		{"no key", "", 1, ""}, {"long key", "NINECHARS", 1, ""}, {"blank in key", "A B", 1, ""}, {"dot in key", "A.B", 1, ""},
		{"COMMENT", "COMMENT", "x", ""}, {"END", "END", 1, ""}, {"CONTINUE", "CONTINUE", "x", ""}, {"HIERARCH", "hierarch", 1, ""},
		{"NaN", "KEY", math.NaN(), ""}, {"Inf", "KEY", math.Inf(-1), ""}, {"float32 Inf", "KEY", float32(math.Inf(1)), ""},
		{"newline", "KEY", "a\nb", ""}, {"not ASCII", "KEY", "°", ""}, {"not ASCII comment", "KEY", 1, "°"}, {"type", "KEY", []int{1}, ""},
	}
	for _, c := range cases {
		if err := h.Set(c.key, c.value, c.comment); err == nil {
			t.Errorf("%s: Set(%q, %v, %q) succeeded", c.name, c.key, c.value, c.comment)
		}
	}
	if !bytes.Equal(h.Encode(), before) {
		t.Error("a refused Set changed the header")
	}
}

func TestSetKeepsPlaceAndComment(t *testing.T) {
	h := headerOf(t, "A       = 1 / first", "B       = 'xx&' / of b", "CONTINUE  'y'", "C       = 3")
	if err := h.Set("B", 2, ""); err != nil {
		t.Fatal(err)
	}
	if err := h.Set("A", 1.5, "new"); err != nil {
		t.Fatal(err)
	}
	want := []Card{{"A", 1.5, "new"}, {"B", int64(2), "of b"}, {"C", int64(3), ""}}
	for i, card := range h.Cards() {
		if card != want[i] {
			t.Errorf("card %d is %#v, want %#v", i, card, want[i])
		}
	}
}

func TestCloneIsIndependent(t *testing.T) {
	h := headerOf(t, "A       = 1", "B       = 2", "A       = 3")
	c := h.Clone()
	c.Delete("a")
	if err := c.Set("B", 7, ""); err != nil {
		t.Fatal(err)
	}
	if c.Len() != 1 || h.Len() != 3 {
		t.Errorf("the copy has %d cards and the original %d, want 1 and 3", c.Len(), h.Len())
	}
	if v, _ := h.Value("B"); v != int64(2) {
		t.Errorf("the original's B is %v, want 2", v)
	}
}

func TestTextIsSplitAt72Characters(t *testing.T) {
	h := NewHeader()
	h.AddHistory(strings.Repeat("a", 72) + "b\nsecond°")
	h.AddComment("")
	want := []Card{
		{"HISTORY", nil, strings.Repeat("a", 72)}, {"HISTORY", nil, "b"},
		{"HISTORY", nil, "second??"}, // two bytes of UTF-8
		{"COMMENT", nil, ""},
	}
	got := h.Cards()
	if len(got) != len(want) {
		t.Fatalf("%d cards, want %d", len(got), len(want))
	}
	for i := range want {
		if got[i] != want[i] {
			t.Errorf("card %d is %#v, want %#v", i, got[i], want[i])
		}
	}
}

func TestEncodeFillsBlocks(t *testing.T) {
	for _, c := range []struct{ cards, bytes int }{{0, 2880}, {35, 2880}, {36, 5760}, {71, 5760}, {72, 8640}} {
		h := NewHeader()
		for range c.cards {
			h.AddComment("x")
		}
		b := h.Encode()
		end := c.cards * recordSize
		if len(b) != c.bytes || strings.TrimRight(string(b[end:]), " ") != "END" {
			t.Errorf("%d cards take %d bytes ending in %q, want %d and END with blanks", c.cards, len(b), b[end:], c.bytes)
		}
	}
}

func TestHeadersThatAreRefused(t *testing.T) {
	tooLong := bytes.Repeat([]byte(" "), (MaxHeaderRecords+1)*recordSize)
	tooLong = append(tooLong, blockOf()...)
	var broken *FormatError
	if _, err := ParseHeader(blockOf("KEY = 1")[:80], "f", 2); !errors.As(err, &broken) || broken.Place != "HDU 2" {
		t.Errorf("without END: %v", err)
	}
	if _, err := ParseHeader(blockOf("A\x00      = 1"), "f", 2); !errors.As(err, &broken) || broken.Place != "HDU 2, card 1" {
		t.Errorf("binary keyword: %v", err)
	}
	var unsupported *UnsupportedError
	if _, err := ParseHeader(tooLong, "f", 2); !errors.As(err, &unsupported) {
		t.Errorf("%d records: %v", MaxHeaderRecords+1, err)
	}
}
