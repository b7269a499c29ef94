package fitsutil

import (
	"fmt"
	"math"
	"math/bits"
	"strings"
)

// Kind says what an HDU holds.
type Kind int

// Kinds of HDU (clauses 4.4.1 and 7).
const (
	ImageHDU    Kind = iota // the primary array, or an IMAGE extension; may be without data
	BinaryTable             // a BINTABLE extension
	ASCIITable              // a TABLE extension
	OtherHDU                // any other conforming extension
)

// String returns the kind in plain words.
func (k Kind) String() string {
	switch k {
	case ImageHDU:
		return "image"
	case BinaryTable:
		return "binary table"
	case ASCIITable:
		return "ASCII table"
	}
	return "other extension"
}

// HDU is one header and data unit of a file: what its header says, checked
// against the file.
type HDU struct {
	Index  int // 0 is the primary
	Kind   Kind
	Header *Header

	Bitpix int   // 8, 16, 32, 64, -32 or -64 (clause 4.4.1.1, table 8)
	Axes   []int // NAXIS1, NAXIS2, ...; the first varies fastest

	HeaderOffset int64 // byte offsets in the file, for a .gz file in the inflated one
	DataOffset   int64
	DataSize     int64 // bytes of data, without the fill up to a whole block

	// Scale and Zero turn a stored number into the physical one (clause
	// 4.4.2.5): physical = Zero + Scale * stored.
	Scale, Zero float64
	// Blank is the stored integer that stands for "no value" (clause
	// 4.4.2.5); nil when there is none or when the numbers are not integers.
	Blank *int64
}

// Name returns EXTNAME, or "" when there is none (clause 4.4.2.6).
func (h *HDU) Name() string {
	name, _, _ := h.Header.Text("EXTNAME")
	return name
}

// Version returns EXTVER, or 1 when there is none (clause 4.4.2.6).
func (h *HDU) Version() int {
	version, ok, err := h.Header.Int("EXTVER")
	if !ok || err != nil {
		return 1
	}
	return int(version)
}

// Width returns NAXIS1, the number of samples in a row (of bytes in a row of a
// table), or 0 when there are no axes.
func (h *HDU) Width() int { return h.axis(0) }

// Height returns NAXIS2, the number of rows: 1 when there is only one axis, 0
// when there is none.
func (h *HDU) Height() int { return h.axis(1) }

// Planes returns how many planes of Width x Height samples there are: the
// product of NAXIS3 and all axes above; 1 for two axes, 0 when there is none.
func (h *HDU) Planes() int {
	n := h.axis(2)
	for i := 3; i < len(h.Axes); i++ {
		n *= h.Axes[i]
	}
	return n
}

func (h *HDU) axis(i int) int {
	switch {
	case len(h.Axes) == 0:
		return 0
	case i < len(h.Axes):
		return h.Axes[i]
	}
	return 1
}

// RowBytes returns the number of bytes of one row.
func (h *HDU) RowBytes() int { return h.Width() * sampleBytes(h.Bitpix) }

func sampleBytes(bitpix int) int {
	if bitpix < 0 {
		return -bitpix / 8
	}
	return bitpix / 8
}

// newHDU reads the structure of an HDU from its header. offset is where the
// header starts and headerSize its length with fill.
func newHDU(index int, header *Header, offset, headerSize int64) (*HDU, error) {
	h := &HDU{Index: index, Header: header, HeaderOffset: offset, DataOffset: offset + headerSize}
	for _, step := range []func() error{h.readKind, h.readBitpix, h.readAxes, h.readSize, h.readScaling} {
		if err := step(); err != nil {
			return nil, err
		}
	}
	return h, nil
}

// file returns the name of the file that the HDU was read from.
func (h *HDU) file() string {
	if h.Header == nil {
		return ""
	}
	return h.Header.file
}

func (h *HDU) broken(problem, remedy string) error {
	return &FormatError{File: h.file(), Place: fmt.Sprintf("HDU %d", h.Index), Problem: problem, Remedy: remedy}
}

func (h *HDU) unsupported(problem, remedy string) error {
	return &UnsupportedError{File: h.file(), Place: fmt.Sprintf("HDU %d", h.Index), Problem: problem, Remedy: remedy}
}

// readKind looks at the first card: SIMPLE in a primary header (clause
// 4.4.1.1), XTENSION in an extension (clause 4.4.1.2).
func (h *HDU) readKind() error {
	if h.Index == 0 {
		return h.readSimple()
	}
	name, ok, err := h.Header.Text("XTENSION")
	if err != nil {
		return err
	}
	if !ok {
		return h.broken("XTENSION has no value (clause 4.4.1.2)", "fetch the file again")
	}
	switch strings.TrimRight(name, " ") {
	case "IMAGE":
		h.Kind = ImageHDU
	case "BINTABLE":
		h.Kind = BinaryTable
	case "TABLE":
		h.Kind = ASCIITable
	default:
		h.Kind = OtherHDU
	}
	return nil
}

func (h *HDU) readSimple() error {
	conforms, ok, err := h.Header.Bool("SIMPLE")
	if err != nil {
		return err
	}
	if !ok {
		return h.broken("SIMPLE has no value (clause 4.4.1.1)", "fetch the file again")
	}
	if !conforms {
		return h.unsupported("SIMPLE is F: the file says itself that it departs from the FITS Standard", "convert the file")
	}
	h.Kind = ImageHDU
	return nil
}

// readBitpix reads the size and type of a sample (clause 4.4.1.1, table 8).
func (h *HDU) readBitpix() error {
	n, err := h.mandatory("BITPIX")
	if err != nil {
		return err
	}
	switch n {
	case 8, 16, 32, 64, -32, -64:
		h.Bitpix = int(n)
		return nil
	}
	return h.broken(fmt.Sprintf("BITPIX is %d, which is none of 8, 16, 32, 64, -32, -64 (clause 4.4.1.1)", n), "the header is damaged or of another format")
}

// readAxes reads NAXIS, 0 to 999, and NAXISn, 0 or more (clause 4.4.1.1).
func (h *HDU) readAxes() error {
	n, err := h.mandatory("NAXIS")
	if err != nil {
		return err
	}
	if n < 0 || n > 999 {
		return h.broken(fmt.Sprintf("NAXIS is %d, outside 0 to 999 (clause 4.4.1.1)", n), "the header is damaged")
	}
	h.Axes = make([]int, n)
	for i := range h.Axes {
		key := fmt.Sprintf("NAXIS%d", i+1)
		length, err := h.mandatory(key)
		if err != nil {
			return err
		}
		if length < 0 || length > math.MaxInt {
			return h.broken(fmt.Sprintf("%s is %d (clause 4.4.1.1: not negative)", key, length), "the header is damaged")
		}
		h.Axes[i] = int(length)
	}
	return nil
}

// mandatory returns an integer that the header must have. A second card with
// another value would leave open which one counts, so it is refused.
func (h *HDU) mandatory(key string) (int64, error) {
	n, ok, err := h.Header.Int(key)
	if err != nil {
		return 0, err
	}
	if !ok {
		return 0, h.broken(fmt.Sprintf("the mandatory keyword %s is missing or has no value (clause 4.4.1)", key), "fetch the file again")
	}
	return n, h.checkUnambiguous(key, n)
}

// optional is mandatory with a value for headers that lack the keyword.
func (h *HDU) optional(key string, otherwise int64) (int64, error) {
	n, ok, err := h.Header.Int(key)
	if err != nil || !ok {
		return otherwise, err
	}
	return n, h.checkUnambiguous(key, n)
}

func (h *HDU) checkUnambiguous(key string, n int64) error {
	for i := range h.Header.entries {
		card := &h.Header.entries[i].card
		if card.Key == key && card.Value != any(n) {
			return h.Header.cardError(i, fmt.Sprintf("a second %s has another value than the first, %d (clause 4.1.2.3)", key, n))
		}
	}
	return nil
}

// readSize works out the size of the data, clause 4.4.1.1 (equation 1) and
// 4.4.1.2 (equation 2), with a check of each product.
func (h *HDU) readSize() error {
	if len(h.Axes) == 0 {
		return nil
	}
	if h.Index == 0 {
		return h.readPrimarySize()
	}
	pcount, err := h.optional("PCOUNT", 0)
	if err != nil {
		return err
	}
	gcount, err := h.optional("GCOUNT", 1)
	if err != nil {
		return err
	}
	if pcount < 0 || gcount < 1 {
		return h.broken(fmt.Sprintf("PCOUNT is %d and GCOUNT %d; they start at 0 and 1 (clause 4.4.1.2)", pcount, gcount), "the header is damaged")
	}
	if h.Kind == ImageHDU && (pcount != 0 || gcount != 1) {
		return h.broken(fmt.Sprintf("PCOUNT is %d and GCOUNT %d; in an image they are 0 and 1 (clause 7.1.1)", pcount, gcount), "the header is damaged")
	}
	return h.setSize(pcount, gcount)
}

// readPrimarySize refuses random groups, clause 6: they alone have NAXIS1 = 0
// and more axes behind it, with GROUPS = T.
func (h *HDU) readPrimarySize() error {
	groups, _, err := h.Header.Bool("GROUPS")
	if err != nil {
		return err
	}
	if groups && h.Axes[0] == 0 {
		return h.unsupported("the primary HDU holds random groups (clause 6)", "convert the file to images or tables")
	}
	return h.setSize(0, 1)
}

func (h *HDU) setSize(pcount, gcount int64) error {
	size := uint64(1)
	ok := true
	for _, n := range h.Axes {
		size, ok = mulChecked(size, uint64(n), ok)
	}
	size, carry := bits.Add64(size, uint64(pcount), 0)
	ok = ok && carry == 0
	size, ok = mulChecked(size, uint64(gcount), ok)
	size, ok = mulChecked(size, uint64(sampleBytes(h.Bitpix)), ok)
	// Room is left for offsets and fill beyond the data.
	if limit := uint64(math.MaxInt64) - uint64(h.DataOffset) - blockSize; !ok || size > limit {
		return h.broken("the size of the data that the header declares is beyond 2^63 bytes", "the header is damaged")
	}
	h.DataSize = int64(size)
	return nil
}

// mulChecked multiplies, and keeps ok true while the product fits 64 bits. A
// factor of zero makes the product zero whatever came before it.
func mulChecked(a, b uint64, ok bool) (uint64, bool) {
	if b == 0 {
		return 0, true
	}
	high, low := bits.Mul64(a, b)
	return low, ok && high == 0
}

// readScaling reads BSCALE, BZERO and BLANK of an image (clause 4.4.2.5).
func (h *HDU) readScaling() error {
	h.Scale, h.Zero = 1, 0
	if h.Kind != ImageHDU {
		return nil
	}
	if err := h.readFloat("BSCALE", &h.Scale); err != nil {
		return err
	}
	if err := h.readFloat("BZERO", &h.Zero); err != nil {
		return err
	}
	if h.Scale == 0 {
		return h.broken("BSCALE is 0, which makes all samples alike (clause 4.4.2.5)", "correct BSCALE in a copy of the file")
	}
	return h.readBlank()
}

func (h *HDU) readFloat(key string, dst *float64) error {
	x, ok, err := h.Header.Float(key)
	if err == nil && ok {
		*dst = x
	}
	return err
}

// readBlank leaves BLANK out where the samples are not integers: the Standard
// has no meaning for it there, and NaN does its work (clause 4.4.2.5).
func (h *HDU) readBlank() error {
	if h.Bitpix < 0 {
		return nil
	}
	n, ok, err := h.Header.Int("BLANK")
	if err == nil && ok {
		h.Blank = &n
	}
	return err
}
