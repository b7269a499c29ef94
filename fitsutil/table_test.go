package fitsutil

import (
	"errors"
	"math"
	"reflect"
	"strings"
	"testing"
)

// seedTable is what make_seeds.py puts into table.fits.
var seedTable = []Column{
	{"NAME", "", []string{"dead", "hot pixe", ""}}, // cut to the 8 characters of the column
	{"KNOWN", "", []bool{true, false, true}},
	{"REASON", "", []uint8{1, 128, 255}},
	{"X", "pixel", []int16{-3, 0, 32767}},
	{"Y", "", []int32{-70000, 0, 70000}},
	{"ID", "", []int64{-1 << 40, 0, 1 << 40}},
	{"RATE", "s-1", []float32{0.5, -1.25, 3}},
	{"EXACT", "", []float64{1e-300, 2.5, -1e300}},
}

func TestAstropyTableIsRead(t *testing.T) {
	for from, f := range opened(t, "table.fits") {
		h, err := f.Find("BADPIX")
		if err != nil {
			t.Fatal(err)
		}
		table, err := f.ReadTable(h)
		if err != nil {
			t.Fatal(err)
		}
		if !reflect.DeepEqual(table.Columns, seedTable) {
			t.Errorf("from %s:\n%v, want\n%v", from, table.Columns, seedTable)
		}
	}
}

// writeTable puts a table behind an empty image.
func writeTable(t *testing.T, table *Table) (*File, error) {
	t.Helper()
	w := CreateBuffer()
	if _, err := w.AddImage(nil, 8); err != nil {
		t.Fatal(err)
	}
	if err := w.AddTable(nil, table); err != nil {
		return nil, err
	}
	if err := w.Commit(); err != nil {
		t.Fatal(err)
	}
	return OpenBytes("table", w.Bytes(), 0)
}

func TestTablesComeBack(t *testing.T) {
	tall := make([]float64, 5000)
	for i := range tall {
		tall[i] = 1 / float64(i+1)
	}
	cases := map[string][]Column{
		"all types":     seedTable,
		"one column":    {{"A", "", []int16{1, 2}}},
		"tall":          {{"A", "", tall}},
		"no rows":       {{"A", "m", []string{}}, {"B", "", []bool{}}},
		"empty strings": {{"A", "", []string{"", ""}}},
		"numbers' ends": {{"I", "", []int64{math.MinInt64, math.MaxInt64}}, {"D", "", []float64{math.Inf(1), math.SmallestNonzeroFloat64}}},
		"quotes":        {{"it's", "m'", []string{"'", "a'b"}}},
	}
	for name, columns := range cases {
		t.Run(name, func(t *testing.T) {
			f, err := writeTable(t, &Table{columns})
			if err != nil {
				t.Fatal(err)
			}
			if n, err := f.VerifyChecksums(); n != 2 || err != nil {
				t.Errorf("%d checked, %v", n, err)
			}
			got, err := f.ReadTable(f.HDUs()[1])
			if err != nil {
				t.Fatal(err)
			}
			if !reflect.DeepEqual(got.Columns, columns) {
				t.Errorf("%v, want %v", got.Columns, columns)
			}
		})
	}
}

func TestTablesThatAreNotWritten(t *testing.T) {
	cases := map[string][]Column{
		"no columns":        {},
		"two equal names":   {{"A", "", []bool{true}}, {"a", "", []bool{true}}},
		"no name":           {{"", "", []bool{true}}},
		"unlike lengths":    {{"A", "", []bool{true}}, {"B", "", []bool{}}},
		"unknown type":      {{"A", "", []int{1}}},
		"no data":           {{"A", "", nil}},
		"text not ASCII":    {{"A", "", []string{"°"}}},
		"text with NUL":     {{"A", "", []string{"a\x00"}}},
		"unit not ASCII":    {{"A", "°", []bool{true}}},
		"name not ASCII":    {{"°", "", []bool{true}}},
		"name far too long": {{strings.Repeat("A", 69), "", []bool{true}}},
	}
	for name, columns := range cases {
		if _, err := writeTable(t, &Table{columns}); err == nil || !strings.Contains(err.Error(), "HDU 1: add table") {
			t.Errorf("%s: %v", name, err)
		}
	}
	if err := CreateBuffer().AddTable(nil, &Table{seedTable}); err == nil {
		t.Error("a table was accepted as the primary HDU")
	}
}

// tableFile is an empty primary HDU and a binary table of these records and
// this data.
func tableFile(t *testing.T, data string, records ...string) *File {
	t.Helper()
	b := blockOf("SIMPLE  = T", "BITPIX  = 8", "NAXIS   = 0")
	b = append(b, blockOf(append([]string{"XTENSION= 'BINTABLE'", "BITPIX  = 8", "NAXIS   = 2"}, records...)...)...)
	f, err := OpenBytes("table", append(b, data...), 0)
	if err != nil {
		t.Fatal(err)
	}
	return f
}

func TestTablesThatAreNotRead(t *testing.T) {
	shape := func(more ...string) []string {
		return append([]string{"NAXIS1  = 2", "NAXIS2  = 1", "PCOUNT  = 0", "GCOUNT  = 1"}, more...)
	}
	cases := []struct {
		name    string
		broken  bool
		data    string
		records []string
	}{
		{"no TFIELDS", true, "ab", shape("TFORM1  = '1I'")},
		{"TFIELDS too great", true, "ab", shape("TFIELDS = 1000")},
		{"no TFORM", true, "ab", shape("TFIELDS = 1")},
		{"TFORM is a number", true, "ab", shape("TFIELDS = 1", "TFORM1  = 2")},
		{"TFORM without letter", true, "ab", shape("TFIELDS = 1", "TFORM1  = '12'")},
		{"columns narrower than the row", true, "ab", shape("TFIELDS = 1", "TFORM1  = 'B'")},
		{"columns wider than the row", true, "ab", shape("TFIELDS = 2", "TFORM1  = 'I'", "TFORM2  = 'B'")},
		{"TTYPE is a number", true, "ab", shape("TFIELDS = 1", "TFORM1  = 'I'", "TTYPE1  = 5")},
		{"complex", false, "ab", shape("TFIELDS = 1", "TFORM1  = 'C'")},
		{"bits", false, "ab", shape("TFIELDS = 1", "TFORM1  = '16X'")},
		{"variable length", false, "ab", shape("TFIELDS = 1", "TFORM1  = '1PE(5)'")},
		{"two numbers", false, "ab", shape("TFIELDS = 1", "TFORM1  = '2B'")},
		{"no number", false, "ab", shape("TFIELDS = 2", "TFORM1  = '0I'", "TFORM2  = 'I'")},
		{"scaled", false, "ab", shape("TFIELDS = 1", "TFORM1  = 'I'", "TSCAL1  = 0.5")},
		{"unsigned", false, "ab", shape("TFIELDS = 1", "TFORM1  = 'I'", "TZERO1  = 32768")},
		{"null", false, "\x00\x07", shape("TFIELDS = 1", "TFORM1  = 'I'", "TNULL1  = 7")},
		{"undefined logical", false, "T\x00", shape("TFIELDS = 2", "TFORM1  = 'L'", "TFORM2  = 'L'")},
	}
	for _, c := range cases {
		f := tableFile(t, c.data, c.records...)
		_, err := f.ReadTable(f.HDUs()[1])
		var broken *FormatError
		var unsupported *UnsupportedError
		if errors.As(err, &broken) != c.broken || errors.As(err, &unsupported) == c.broken {
			t.Errorf("%s: %v; broken should be %v", c.name, err, c.broken)
		}
	}
	for _, name := range []string{"table-arrays.fits", "table-ascii.fits"} {
		f := openSeed(t, name)
		var unsupported *UnsupportedError
		if _, err := f.ReadTable(f.HDUs()[1]); !errors.As(err, &unsupported) {
			t.Errorf("%s: %v, want an UnsupportedError", name, err)
		}
	}
}

// A NUL ends a string early, and what follows it is undefined (FITS Standard
// 4.0, clause 7.3.3.1).
func TestNulEndsAString(t *testing.T) {
	f := tableFile(t, "ab\x00x"+"\x00xyz"+"abcd"+"a  \x00", "NAXIS1  = 4", "NAXIS2  = 4", "PCOUNT  = 0", "GCOUNT  = 1", "TFIELDS = 1", "TFORM1  = '4A'")
	table, err := f.ReadTable(f.HDUs()[1])
	if err != nil {
		t.Fatal(err)
	}
	if want := []string{"ab", "", "abcd", "a"}; !reflect.DeepEqual(table.Columns[0].Data, want) {
		t.Errorf("%q, want %q", table.Columns[0].Data, want)
	}
}

func TestDamagedTablesTakeLittleMemory(t *testing.T) {
	for _, name := range []string{"table-tall.fits", "table-width.fits", "table-repeat.fits"} {
		f := openSeed(t, name)
		got := allocated(func() {
			if table, err := f.ReadTable(f.HDUs()[1]); err == nil {
				t.Errorf("%s was read as %v", name, table)
			}
		})
		if got > memoryBound(0) {
			t.Errorf("%s: %d bytes allocated", name, got)
		}
	}
}

func TestColumnsAreTheTablesOwn(t *testing.T) {
	source := headerOf(t, "TFIELDS = 9", "TTYPE1  = 'OLD'", "TNULL1  = 5", "TZERO2  = 7", "THEAP   = 3", "TDIM1   = '(2)'", "TTYPEX  = 'kept'", "EXTNAME = 'BADPIX'")
	w := CreateBuffer()
	if _, err := w.AddImage(nil, 8); err != nil {
		t.Fatal(err)
	}
	if err := w.AddTable(source, &Table{[]Column{{"X", "", []int16{5}}}}); err != nil {
		t.Fatal(err)
	}
	if err := w.Commit(); err != nil {
		t.Fatal(err)
	}
	f, err := OpenBytes("f", w.Bytes(), 0)
	if err != nil {
		t.Fatal(err)
	}
	var keys []string
	for _, c := range f.HDUs()[1].Header.Cards() {
		keys = append(keys, c.Key)
	}
	want := "XTENSION BITPIX NAXIS NAXIS1 NAXIS2 PCOUNT GCOUNT TFIELDS TTYPE1 TFORM1 TTYPEX EXTNAME DATASUM CHECKSUM"
	if got := strings.Join(keys, " "); got != want {
		t.Errorf("the header has %s, want %s", got, want)
	}
}
