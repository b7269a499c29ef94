package fitsutil

import (
	"bytes"
	"fmt"
	"reflect"
	"strconv"
	"strings"

	"github.com/astrogo/fitsio"
)

// Table is a table in memory. All columns have the same number of rows.
type Table struct {
	Columns []Column
}

// Column is one column of a table, with one value in each row.
type Column struct {
	Name string // TTYPEn, 1 to 68 printable characters (clause 7.3.2)
	Unit string // TUNITn; "" for none
	// Data is a []string, []bool, []uint8, []int16, []int32, []int64,
	// []float32 or []float64 (TFORMn A, L, B, I, J, K, E, D; table 18).
	Data any
}

// Len returns the number of values of the column, or 0 when Data is of no type
// that a column can have.
func (c *Column) Len() int {
	if columnLetter(c.Data) == 0 {
		return 0
	}
	return reflect.ValueOf(c.Data).Len()
}

// columnLetter returns the TFORM letter for a column's data, or 0.
func columnLetter(data any) byte {
	switch data.(type) {
	case []string:
		return 'A'
	case []bool:
		return 'L'
	case []uint8:
		return 'B'
	case []int16:
		return 'I'
	case []int32:
		return 'J'
	case []int64:
		return 'K'
	case []float32:
		return 'E'
	case []float64:
		return 'D'
	}
	return 0
}

// letterBytes gives the size of an element in bytes (clause 7.3.1, table 18).
func letterBytes(letter byte) int {
	switch letter {
	case 'I':
		return 2
	case 'J', 'E':
		return 4
	case 'K', 'D':
		return 8
	}
	return 1
}

// cell is the place of one column in a row.
type cell struct {
	name, unit string
	letter     byte
	offset     int // bytes from the start of the row
	width      int // bytes
	null       *int64
}

func (c *cell) format() string {
	if c.letter == 'A' {
		return fmt.Sprintf("%dA", c.width)
	}
	return "1" + string(c.letter)
}

// The library that codes the numbers writes strings with a NUL before them,
// which the Standard reads as an empty string, and logical values as 0 and 1
// instead of F and T (clause 7.3.3.1). So these two kinds of cell are
// translated on the way in and out.

// AddTable adds a binary table (clause 7.3). It may not come first: a file
// begins with an image, which may be empty. hdr (which may be nil) gives
// further keywords; what it says about structure and columns is left out.
// Strings are written in a field as wide as the longest, their trailing blanks
// are not kept.
//
// It is an error when the columns have no or different numbers of rows, no or
// equal names, or data of another type; when text is not printable ASCII; and
// when there is no column.
func (w *Writer) AddTable(hdr *Header, t *Table) error {
	if err := w.checkOpen(); err != nil {
		return err
	}
	if err := w.addTable(hdr, t); err != nil {
		return w.fail(fmt.Errorf("%s: HDU %d: add table: %w", w.name, len(w.units), err))
	}
	return nil
}

func (w *Writer) addTable(hdr *Header, t *Table) error {
	if len(w.units) == 0 {
		return fmt.Errorf("a table cannot be the primary HDU (clause 3.1); add an image first")
	}
	cells, rows, err := t.layout()
	if err != nil {
		return err
	}
	header, err := tableHeader(hdr, cells, rows)
	if err != nil {
		return err
	}
	data, err := encodeTable(t, cells, rows)
	if err != nil {
		return err
	}
	width := rowWidth(cells)
	out := w.addUnit(header, int64(len(data)), &HDU{Bitpix: 8, Axes: []int{width, rows}})
	if len(data) == 0 {
		return nil
	}
	return out.WriteRows(0, 0, rows, data)
}

// layout checks the columns and gives each its place in the row.
func (t *Table) layout() (cells []cell, rows int, err error) {
	if len(t.Columns) == 0 || len(t.Columns) > 999 {
		return nil, 0, fmt.Errorf("%d columns; a table has 1 to 999 (clause 7.3.1)", len(t.Columns))
	}
	rows = t.Columns[0].Len()
	names := map[string]bool{}
	offset := 0
	for i := range t.Columns {
		c, err := t.Columns[i].cell(offset, rows)
		if err != nil {
			return nil, 0, err
		}
		if fold := strings.ToUpper(c.name); names[fold] {
			return nil, 0, fmt.Errorf("two columns named %q; names are alike without regard to case (clause 7.3.2)", c.name)
		} else {
			names[fold] = true
		}
		cells = append(cells, c)
		offset += c.width
	}
	return cells, rows, nil
}

func (c *Column) cell(offset, rows int) (cell, error) {
	letter := columnLetter(c.Data)
	if letter == 0 {
		return cell{}, fmt.Errorf("column %q: data of type %T; see Column.Data for the types", c.Name, c.Data)
	}
	if c.Len() != rows {
		return cell{}, fmt.Errorf("column %q has %d rows, the first column %d", c.Name, c.Len(), rows)
	}
	if c.Name == "" || len(c.Name) > 68 || !printable(c.Name) {
		return cell{}, fmt.Errorf("column name %q: 1 to 68 printable ASCII characters are wanted (clause 7.3.2)", c.Name)
	}
	width := letterBytes(letter)
	if letter == 'A' {
		var err error
		if width, err = c.textWidth(); err != nil {
			return cell{}, err
		}
	}
	return cell{name: c.Name, unit: c.Unit, letter: letter, offset: offset, width: width}, nil
}

// textWidth returns the length of the longest string, at least 1.
func (c *Column) textWidth() (int, error) {
	width := 1
	for row, s := range c.Data.([]string) {
		if !printable(s) {
			return 0, fmt.Errorf("column %q, row %d: %q is not printable ASCII (clause 7.3.3.1)", c.Name, row, s)
		}
		width = max(width, len(strings.TrimRight(s, " ")))
	}
	return width, nil
}

func rowWidth(cells []cell) int {
	last := cells[len(cells)-1]
	return last.offset + last.width
}

// tableHeader builds the header in the order of clause 7.3.1.
func tableHeader(hdr *Header, cells []cell, rows int) (*Header, error) {
	b := headerBuilder{h: NewHeader()}
	b.set("XTENSION", "BINTABLE", "binary table extension")
	b.set("BITPIX", 8, "a row is a string of bytes")
	b.set("NAXIS", 2, "number of axes")
	b.set("NAXIS1", rowWidth(cells), "bytes in a row")
	b.set("NAXIS2", rows, "number of rows")
	b.set("PCOUNT", 0, "no data beside the rows")
	b.set("GCOUNT", 1, "one group")
	b.set("TFIELDS", len(cells), "number of columns")
	for i := range cells {
		c := &cells[i]
		n := strconv.Itoa(i + 1)
		b.set("TTYPE"+n, c.name, "")
		b.set("TFORM"+n, c.format(), "")
		if c.unit != "" {
			b.set("TUNIT"+n, c.unit, "")
		}
	}
	b.copyCards(hdr, isTableStructural)
	return b.finish()
}

// isTableStructural recognises the keywords that describe columns (clauses
// 7.3.1 and 7.3.2).
func isTableStructural(key string) bool {
	if isStructural(key) || key == "TFIELDS" || key == "THEAP" {
		return true
	}
	for _, root := range []string{"TTYPE", "TFORM", "TUNIT", "TSCAL", "TZERO", "TNULL", "TDISP", "TDIM", "TBCOL", "TDMIN", "TDMAX", "TLMIN", "TLMAX"} {
		if isIndexed(key, root) {
			return true
		}
	}
	return false
}

// encodeTable lets the library code the rows and puts in the cells that it
// does not code as the Standard has them.
func encodeTable(t *Table, cells []cell, rows int) (data []byte, err error) {
	if rows == 0 {
		return nil, nil
	}
	var file bytes.Buffer
	if err := writeWithLibrary(&file, t, cells, rows); err != nil {
		return nil, err
	}
	written, err := OpenBytes("table", file.Bytes(), 0)
	if err != nil {
		return nil, err
	}
	data, err = written.ReadRows(written.hdus[1], 0, 0, rows, nil)
	if err != nil {
		return nil, err
	}
	for i := range cells {
		fillCells(&cells[i], t.Columns[i].Data, data, rowWidth(cells))
	}
	return data, nil
}

func writeWithLibrary(file *bytes.Buffer, t *Table, cells []cell, rows int) error {
	out, err := fitsio.Create(file)
	if err != nil {
		return err
	}
	defer out.Close()
	primary, err := fitsio.NewPrimaryHDU(nil)
	if err != nil {
		return err
	}
	if err := out.Write(primary); err != nil {
		return err
	}
	table, err := fitsio.NewTable("table", libraryColumns(cells), fitsio.BINARY_TBL)
	if err != nil {
		return err
	}
	pointers := make([]any, len(cells))
	for row := range rows {
		for i := range pointers {
			pointers[i] = elementPointer(t.Columns[i].Data, row)
		}
		if err := table.Write(pointers...); err != nil {
			return err
		}
	}
	return out.Write(table)
}

// libraryColumns describes the cells to the library under names of our own,
// which it cannot confuse with one another.
func libraryColumns(cells []cell) []fitsio.Column {
	columns := make([]fitsio.Column, len(cells))
	for i := range cells {
		columns[i] = fitsio.Column{Name: "c" + strconv.Itoa(i), Format: cells[i].format()}
	}
	return columns
}

// elementPointer returns a pointer to one value, as the library wants it.
func elementPointer(data any, row int) any {
	switch d := data.(type) {
	case []string:
		return &d[row]
	case []bool:
		return &d[row]
	case []uint8:
		return &d[row]
	case []int16:
		return &d[row]
	case []int32:
		return &d[row]
	case []int64:
		return &d[row]
	case []float32:
		return &d[row]
	case []float64:
		return &d[row]
	}
	panic(fmt.Sprintf("fitsutil: column data of type %T passed the check of its type", data))
}

// fillCells writes the cells of strings and logical values (clause 7.3.3.1).
func fillCells(c *cell, values any, data []byte, width int) {
	switch v := values.(type) {
	case []string:
		for row, s := range v {
			at := row*width + c.offset
			field := data[at : at+c.width]
			n := copy(field, strings.TrimRight(s, " "))
			blank(field[n:])
		}
	case []bool:
		for row, set := range v {
			data[row*width+c.offset] = 'F'
			if set {
				data[row*width+c.offset] = 'T'
			}
		}
	}
}

func blank(b []byte) {
	for i := range b {
		b[i] = ' '
	}
}
