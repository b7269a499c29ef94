package fitsutil

import (
	"bytes"
	"fmt"
	"strconv"
	"strings"

	"github.com/astrogo/fitsio"
)

// ReadTable reads a binary table whole. Its columns may hold one string or one
// number in each row; arrays, bits, complex numbers, scaled columns, undefined
// logical values and integers that are marked as null are an
// [UnsupportedError]. A table whose header contradicts itself is a
// [FormatError]. The memory taken is a small multiple of the table's size in
// the file.
func (f *File) ReadTable(h *HDU) (t *Table, err error) {
	if h.Kind != BinaryTable {
		return nil, h.unsupported(fmt.Sprintf("the HDU is of kind %s, not a binary table", h.Kind), "name a binary table")
	}
	cells, err := h.tableCells()
	if err != nil {
		return nil, err
	}
	data, err := f.ReadRows(h, 0, 0, h.Height(), nil)
	if err != nil {
		return nil, err
	}
	if err := h.prepareCells(cells, data); err != nil {
		return nil, err
	}
	defer func() {
		if r := recover(); r != nil {
			t, err = nil, h.broken(fmt.Sprintf("the table cannot be decoded: %v", r), "fetch the file again")
		}
	}()
	return h.decodeTable(cells, data)
}

// tableCells reads the columns' layout from the header (clause 7.3.1).
func (h *HDU) tableCells() ([]cell, error) {
	if h.Bitpix != 8 || len(h.Axes) != 2 {
		return nil, h.broken(fmt.Sprintf("a binary table with BITPIX %d and %d axes, not 8 and 2 (clause 7.3.1)", h.Bitpix, len(h.Axes)), "the header is damaged")
	}
	n, err := h.mandatory("TFIELDS")
	if err != nil {
		return nil, err
	}
	if n < 0 || n > 999 {
		return nil, h.broken(fmt.Sprintf("TFIELDS is %d, outside 0 to 999 (clause 7.3.1)", n), "the header is damaged")
	}
	cells := make([]cell, n)
	offset := 0
	for i := range cells {
		if cells[i], err = h.tableCell(i+1, offset); err != nil {
			return nil, err
		}
		offset += cells[i].width
		if offset > h.Width() {
			break
		}
	}
	if offset != h.Width() {
		return nil, h.broken(fmt.Sprintf("the columns take another number of bytes than NAXIS1 = %d (clause 7.3.1)", h.Width()), "the header is damaged")
	}
	return cells, nil
}

func (h *HDU) tableCell(n, offset int) (cell, error) {
	form, ok, err := h.Header.Text(fmt.Sprintf("TFORM%d", n))
	if err != nil {
		return cell{}, err
	}
	if !ok {
		return cell{}, h.broken(fmt.Sprintf("the mandatory keyword TFORM%d is missing (clause 7.3.1)", n), "the header is damaged")
	}
	c := cell{offset: offset}
	if c.letter, c.width, err = h.parseForm(n, form); err != nil {
		return cell{}, err
	}
	if c.name, _, err = h.Header.Text(fmt.Sprintf("TTYPE%d", n)); err != nil {
		return cell{}, err
	}
	if c.unit, _, err = h.Header.Text(fmt.Sprintf("TUNIT%d", n)); err != nil {
		return cell{}, err
	}
	return c, h.readCellMarks(&c, n)
}

// parseForm reads TFORMn, "rT" (clause 7.3.1).
func (h *HDU) parseForm(n int, form string) (letter byte, width int, err error) {
	text := strings.TrimSpace(form)
	digits := len(text) - len(strings.TrimLeft(text, "0123456789"))
	if digits == len(text) {
		return 0, 0, h.broken(fmt.Sprintf("TFORM%d %q has no type letter (clause 7.3.1)", n, form), "the header is damaged")
	}
	repeat := 1
	if digits > 0 {
		if repeat, err = strconv.Atoi(text[:digits]); err != nil {
			return 0, 0, h.broken(fmt.Sprintf("TFORM%d %q has too great a repeat count", n, form), "the header is damaged")
		}
	}
	letter = text[digits]
	switch {
	case strings.IndexByte("ALBIJKED", letter) < 0:
		return 0, 0, h.unsupported(fmt.Sprintf("column %d has format %q; A, L, B, I, J, K, E and D can be read", n, form), "convert the table")
	case repeat == 0:
		return 0, 0, h.unsupported(fmt.Sprintf("column %d has format %q, without any value", n, form), "delete the column in a copy of the file")
	case letter == 'A':
		return letter, repeat, nil
	case repeat != 1:
		return 0, 0, h.unsupported(fmt.Sprintf("column %d has format %q, %d values in each row", n, form, repeat), "convert the table to one value in each row")
	}
	return letter, letterBytes(letter), nil
}

// readCellMarks refuses scaled columns and notes the null value (clause 7.3.2).
func (h *HDU) readCellMarks(c *cell, n int) error {
	scale, _, err := h.Header.Float(fmt.Sprintf("TSCAL%d", n))
	if err != nil {
		return err
	}
	zero, _, err := h.Header.Float(fmt.Sprintf("TZERO%d", n))
	if err != nil {
		return err
	}
	if scale != 0 && scale != 1 || zero != 0 {
		return h.unsupported(fmt.Sprintf("column %d is scaled: TSCAL%d and TZERO%d are set", n, n, n), "convert the table to plain numbers")
	}
	null, ok, err := h.Header.Int(fmt.Sprintf("TNULL%d", n))
	if ok {
		c.null = &null
	}
	return err
}

// prepareCells turns strings and logical values into what the library reads
// rightly, and refuses values that have no counterpart here.
func (h *HDU) prepareCells(cells []cell, data []byte) error {
	width := h.Width()
	for i := range cells {
		c := &cells[i]
		for row := range h.Height() {
			at := row*width + c.offset
			if problem := c.prepare(data[at : at+c.width]); problem != "" {
				return h.unsupported(fmt.Sprintf("column %d, row %d (from 0): %s", i+1, row, problem), "convert the table")
			}
		}
	}
	return nil
}

func (c *cell) prepare(b []byte) (problem string) {
	switch c.letter {
	case 'A':
		// A NUL ends a string early (clause 7.3.3.1).
		if end := bytes.IndexByte(b, 0); end >= 0 {
			blank(b[end:])
		}
	case 'L':
		switch b[0] {
		case 'T':
			b[0] = 1
		case 'F':
			b[0] = 0
		default:
			return fmt.Sprintf("the logical value is byte %d, neither T nor F", b[0])
		}
	case 'B', 'I', 'J', 'K':
		if c.null != nil && c.stored(b) == *c.null {
			return fmt.Sprintf("the integer is marked as null (%d)", *c.null)
		}
	}
	return ""
}

func (c *cell) stored(b []byte) int64 {
	return storedInt(8*c.width, b, 0)
}

// decodeTable gives the library a table of its own making, with our checked
// header, and collects the columns.
func (h *HDU) decodeTable(cells []cell, data []byte) (*Table, error) {
	t := &Table{Columns: make([]Column, len(cells))}
	pointers := make([]any, len(cells))
	store := make([]func(row int), len(cells))
	for i := range cells {
		pointers[i], store[i] = newColumn(&t.Columns[i], &cells[i], h.Height())
	}
	if len(cells) == 0 || h.Height() == 0 {
		return t, nil
	}
	rows, err := h.libraryRows(cells, data)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	for row := 0; rows.Next(); row++ {
		if err := rows.Scan(pointers...); err != nil {
			return nil, h.broken(fmt.Sprintf("row %d (from 0) cannot be decoded: %v", row, err), "fetch the file again")
		}
		for i := range store {
			store[i](row)
		}
	}
	return t, rows.Err()
}

// libraryRows lets the library open the rows under a header that was checked
// here and has nothing but the columns in it.
func (h *HDU) libraryRows(cells []cell, data []byte) (*fitsio.Rows, error) {
	header, err := tableHeader(nil, libraryCells(cells), h.Height())
	if err != nil {
		return nil, err
	}
	primary := NewHeader()
	b := headerBuilder{h: primary}
	b.set("SIMPLE", true, "")
	b.set("BITPIX", 8, "")
	b.set("NAXIS", 0, "")
	if b.err != nil {
		return nil, b.err
	}
	var file bytes.Buffer
	file.Write(primary.Encode())
	file.Write(header.Encode())
	file.Write(data)
	file.Write(make([]byte, padded(int64(len(data)))-int64(len(data))))
	in, err := fitsio.Open(&file)
	if err != nil {
		return nil, err
	}
	table, ok := in.HDU(1).(*fitsio.Table)
	if !ok {
		return nil, h.broken("the table cannot be decoded", "fetch the file again")
	}
	return table.Read(0, table.NumRows())
}

// libraryCells gives the cells names that the library cannot confuse.
func libraryCells(cells []cell) []cell {
	renamed := make([]cell, len(cells))
	for i, c := range cells {
		c.name, c.unit = "c"+strconv.Itoa(i), ""
		renamed[i] = c
	}
	return renamed
}

// newColumn makes an empty column for a cell. It returns a pointer for the
// library to read one value into, and a function that stores the value.
func newColumn(col *Column, c *cell, rows int) (pointer any, store func(row int)) {
	col.Name, col.Unit = c.name, c.unit
	switch c.letter {
	case 'A':
		data, value := make([]string, rows), new(string)
		col.Data = data
		return value, func(row int) { data[row] = strings.TrimRight(*value, " ") }
	case 'L':
		return typedColumn[bool](col, rows)
	case 'B':
		return typedColumn[uint8](col, rows)
	case 'I':
		return typedColumn[int16](col, rows)
	case 'J':
		return typedColumn[int32](col, rows)
	case 'K':
		return typedColumn[int64](col, rows)
	case 'E':
		return typedColumn[float32](col, rows)
	}
	return typedColumn[float64](col, rows)
}

func typedColumn[T any](col *Column, rows int) (pointer any, store func(row int)) {
	data, value := make([]T, rows), new(T)
	col.Data = data
	return value, func(row int) { data[row] = *value }
}
