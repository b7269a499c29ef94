package fitsutil

import (
	"errors"
	"fmt"
	"math"
	"math/bits"
	"slices"
	"strings"
	"sync"
)

// CreateOptions says how [Create] treats the file system.
type CreateOptions struct {
	// Overwrite replaces a file of the same name; else such a file is an
	// error for which errors.Is(err, fs.ErrExist) holds.
	Overwrite bool
	// NoSync leaves it to the operating system when the bytes reach the disk.
	// A file that is lost in a power cut must then be made again.
	NoSync bool
}

// Writer writes one FITS file. Its methods belong to one goroutine; the
// [ImageWriter.WriteRows] of its images may run in several.
type Writer struct {
	name    string
	backend backend
	units   []*unit
	end     int64 // where the next HDU starts
	done    bool
	err     error // the first failure of the layout
}

// unit is one HDU on its way to the file. Its place is fixed from the start:
// the header has its final length, and DATASUM and CHECKSUM are filled in when
// the file is committed.
type unit struct {
	header       *Header
	headerOffset int64
	dataOffset   int64
	dataSize     int64
	rows         *ImageWriter // writes the data, of a table too
}

// Create starts a FITS file. The bytes go into a temporary file in the same
// folder, which takes the name path in [Writer.Commit]; so a file of that name
// is whole at any time, even when the process is killed. What killed processes
// left behind of the same path is removed here.
//
//	w, err := fitsutil.Create(path, fitsutil.CreateOptions{})
//	if err != nil {
//		return err
//	}
//	defer w.Abort()
//	... AddImage, WriteRows ...
//	return w.Commit()
//
// On network file systems the promise is only as good as their rename and
// their locks.
func Create(path string, opt CreateOptions) (*Writer, error) {
	partial, err := createPartial(path, opt)
	if err != nil {
		return nil, err
	}
	return &Writer{name: path, backend: partial}, nil
}

// CreateBuffer starts a FITS file in memory, by the same code as [Create];
// [Writer.Bytes] returns it after [Writer.Commit].
func CreateBuffer() *Writer {
	return &Writer{name: "memory", backend: &memoryBackend{}}
}

// Bytes returns the file that was written since [CreateBuffer]. It returns nil
// before Commit and for a file on disk.
func (w *Writer) Bytes() []byte {
	m, ok := w.backend.(*memoryBackend)
	if !ok || !w.done {
		return nil
	}
	return m.b
}

// AddImage adds an image: the primary HDU when it is the first, else an IMAGE
// extension. axes are NAXIS1, NAXIS2, ...; there may be none in an HDU that
// has a header only. The mandatory keywords are written from bitpix and axes;
// hdr (which may be nil, and is copied) gives the others, and what it says
// about structure and checksums is left out. The rows are then written through
// the [ImageWriter].
//
// hdr must describe the samples as they are written: BSCALE, BZERO and BLANK
// of the file that it came from are copied like any other keyword. BLANK with
// real samples is an error (clause 4.4.2.5). Bytes that a header may not hold
// (clause 4.1.2) are written as "?".
func (w *Writer) AddImage(hdr *Header, bitpix int, axes ...int) (*ImageWriter, error) {
	if err := w.checkOpen(); err != nil {
		return nil, err
	}
	size, err := imageSize(bitpix, axes)
	if err != nil {
		return nil, w.fail(fmt.Errorf("%s: HDU %d: add image: %w", w.name, len(w.units), err))
	}
	header, err := w.imageHeader(hdr, bitpix, axes)
	if err != nil {
		return nil, w.fail(fmt.Errorf("%s: HDU %d: add image: %w", w.name, len(w.units), err))
	}
	return w.addUnit(header, size, &HDU{Bitpix: bitpix, Axes: slices.Clone(axes)}), nil
}

func (w *Writer) checkOpen() error {
	if w.done {
		return fmt.Errorf("%s: the file is finished: nothing can be added", w.name)
	}
	return w.err
}

// fail keeps the first error, so that a Commit after an error that went
// unnoticed cannot succeed.
func (w *Writer) fail(err error) error {
	if w.err == nil {
		w.err = err
	}
	return err
}

// imageSize returns the number of data bytes (clause 4.4.1.1, equation 1).
func imageSize(bitpix int, axes []int) (int64, error) {
	switch bitpix {
	case 8, 16, 32, 64, -32, -64:
	default:
		return 0, fmt.Errorf("BITPIX %d is none of 8, 16, 32, 64, -32, -64 (clause 4.4.1.1)", bitpix)
	}
	if len(axes) > 999 {
		return 0, fmt.Errorf("%d axes, where 999 are the most (clause 4.4.1.1)", len(axes))
	}
	if len(axes) == 0 {
		return 0, nil
	}
	size, ok := uint64(sampleBytes(bitpix)), true
	for _, n := range axes {
		if n < 0 {
			return 0, fmt.Errorf("an axis of length %d (clause 4.4.1.1: not negative)", n)
		}
		high, low := bits.Mul64(size, uint64(n))
		ok = ok && high == 0 && low < math.MaxInt64/2
		size = low
	}
	if !ok {
		return 0, fmt.Errorf("axes %v are too long for one file", axes)
	}
	return int64(size), nil
}

// imageHeader builds the header in the order of clauses 4.4.1.1 and 7.1.1.
func (w *Writer) imageHeader(hdr *Header, bitpix int, axes []int) (*Header, error) {
	if hdr != nil && bitpix < 0 && hdr.index("BLANK") >= 0 {
		return nil, errors.New("the header has BLANK, which real samples cannot have (clause 4.4.2.5); delete it and write NaN")
	}
	b := headerBuilder{h: NewHeader()}
	primary := len(w.units) == 0
	if primary {
		b.set("SIMPLE", true, "file conforms to the FITS Standard")
	} else {
		b.set("XTENSION", "IMAGE", "image extension")
	}
	b.set("BITPIX", bitpix, "bits per sample")
	b.set("NAXIS", len(axes), "number of axes")
	for i, n := range axes {
		b.set(fmt.Sprintf("NAXIS%d", i+1), n, fmt.Sprintf("length of axis %d", i+1))
	}
	if primary {
		b.set("EXTEND", true, "extensions may follow")
	} else {
		b.set("PCOUNT", 0, "no parameters")
		b.set("GCOUNT", 1, "one group")
	}
	b.copyCards(hdr, isStructural)
	return b.finish()
}

// headerBuilder collects cards and keeps the first error.
type headerBuilder struct {
	h   *Header
	err error
}

func (b *headerBuilder) set(key string, value any, comment string) {
	if b.err == nil {
		b.err = b.h.Set(key, value, comment)
	}
}

// copyCards appends the records of hdr, but for those that skip names.
func (b *headerBuilder) copyCards(hdr *Header, skip func(key string) bool) {
	if hdr == nil {
		return
	}
	if hasLongString(hdr, skip) && hdr.index("LONGSTRN") < 0 {
		// The Standard no longer asks for it (clause 4.2.1.2), but readers
		// of the older convention do.
		b.set("LONGSTRN", "OGIP 1.0", "long strings go on in CONTINUE records")
	}
	for _, e := range hdr.entries {
		if !skip(e.card.Key) {
			e.raw = toPrintable(e.raw)
			b.h.entries = append(b.h.entries, e)
		}
	}
}

func hasLongString(hdr *Header, skip func(string) bool) bool {
	for i := range hdr.entries {
		e := &hdr.entries[i]
		if len(e.raw) > recordSize && !skip(e.card.Key) {
			return true
		}
	}
	return false
}

// finish adds the checksum keywords. Their values have a fixed length, so the
// header does not move when the sums are known. The Standard suggests the time
// in the comment; it is left out, so that equal data make equal files.
func (b *headerBuilder) finish() (*Header, error) {
	b.setSums(0, strings.Repeat("0", 16))
	return b.h, b.err
}

// setSums gives DATASUM and CHECKSUM their values (clause 4.4.2.7).
func (b *headerBuilder) setSums(data uint32, checksum string) {
	b.set("DATASUM", fmt.Sprint(data), "sum of the data unit")
	b.set("CHECKSUM", checksum, "sum of the HDU")
}

// isStructural recognises the keywords that a Writer writes itself. EXTEND is
// among them because it belongs into the primary header alone.
func isStructural(key string) bool {
	switch key {
	case "SIMPLE", "XTENSION", "BITPIX", "NAXIS", "EXTEND", "PCOUNT", "GCOUNT", "GROUPS", keyEnd, "DATASUM", "CHECKSUM":
		return true
	}
	return isIndexed(key, "NAXIS")
}

// isIndexed reports whether key is root and a number (clause 4.1.2.1).
func isIndexed(key, root string) bool {
	number, ok := strings.CutPrefix(key, root)
	return ok && number != "" && allDigits(number)
}

// addUnit gives an HDU its place in the file.
func (w *Writer) addUnit(header *Header, size int64, shape *HDU) *ImageWriter {
	u := &unit{
		header:       header,
		headerOffset: w.end,
		dataOffset:   w.end + int64(len(header.Encode())),
		dataSize:     size,
	}
	u.rows = newImageWriter(w, u, shape)
	w.units = append(w.units, u)
	w.end = u.dataOffset + padded(size)
	return u.rows
}

// Commit finishes the file: it checks that all rows were written, fills up
// blocks, writes headers and sums, and lets the file appear under its name.
// After an error the file does not appear; call [Writer.Abort] then.
func (w *Writer) Commit() error {
	if err := w.checkOpen(); err != nil {
		return err
	}
	if len(w.units) == 0 {
		return w.fail(fmt.Errorf("%s: a FITS file has at least a primary HDU (clause 3.1)", w.name))
	}
	for i, u := range w.units {
		if err := w.finishUnit(u); err != nil {
			return w.fail(fmt.Errorf("%s: HDU %d: %w", w.name, i, err))
		}
	}
	if err := w.backend.publish(); err != nil {
		return w.fail(fmt.Errorf("%s: finish the file: %w", w.name, err))
	}
	w.done = true
	return nil
}

func (w *Writer) finishUnit(u *unit) error {
	sum, err := u.rows.finish()
	if err != nil {
		return err
	}
	if err := w.writeHeader(u, sum); err != nil {
		return err
	}
	// Data units are filled up with zeros (clauses 3.3.2 and 7.3.3).
	fill := make([]byte, padded(u.dataSize)-u.dataSize)
	_, err = w.backend.WriteAt(fill, u.dataOffset+u.dataSize)
	return err
}

// writeHeader works out CHECKSUM with a value of zeros in its place, then
// writes the one that brings the sum of the HDU to -0 (appendix J).
func (w *Writer) writeHeader(u *unit, data uint32) error {
	b := headerBuilder{h: u.header}
	b.setSums(data, strings.Repeat("0", 16))
	total := Checksum(b.h.Encode(), data)
	b.setSums(data, EncodeChecksum(total, true))
	if b.err != nil {
		return b.err
	}
	_, err := w.backend.WriteAt(b.h.Encode(), u.headerOffset)
	return err
}

// Abort throws the file away. After Commit it does nothing, so it may be
// deferred.
func (w *Writer) Abort() error {
	if w.done {
		return nil
	}
	w.done = true
	return w.backend.discard()
}

// ImageWriter writes the rows of one image.
type ImageWriter struct {
	w    *Writer
	unit *unit
	hdu  *HDU // for its shape

	mu      sync.Mutex
	written []uint64 // one bit for each row of each plane
	left    int64    // rows not yet written
	sum     uint32
	err     error // the first failure
}

func newImageWriter(w *Writer, u *unit, shape *HDU) *ImageWriter {
	iw := &ImageWriter{w: w, unit: u, hdu: shape}
	if u.dataSize > 0 {
		iw.left = int64(shape.Height()) * int64(shape.Planes())
		iw.written = make([]uint64, (iw.left+63)/64)
	}
	return iw
}

// WriteRows writes n whole rows of plane, from row y0 on, all counted from 0.
// raw holds their samples as a FITS file has them; [EncodeFloat32] and its kin
// make them. It may be called by several goroutines at once, in any order.
//
// It is an error when raw has another length than n rows, when a row does not
// exist, and when a row was written before.
func (iw *ImageWriter) WriteRows(plane, y0, n int, raw []byte) error {
	if err := iw.checkRows(plane, y0, n, raw); err != nil {
		return iw.fail(err)
	}
	first := int64(plane)*int64(iw.hdu.Height()) + int64(y0)
	if err := iw.claim(first, int64(n)); err != nil {
		return iw.fail(err)
	}
	position := first * int64(iw.hdu.RowBytes())
	sum := sumAt(position, raw)
	if _, err := iw.w.backend.WriteAt(raw, iw.unit.dataOffset+position); err != nil {
		return iw.fail(err)
	}
	iw.mu.Lock()
	iw.sum = AddSums(iw.sum, sum)
	iw.mu.Unlock()
	return nil
}

func (iw *ImageWriter) checkRows(plane, y0, n int, raw []byte) error {
	switch {
	case iw.unit.dataSize == 0:
		return errors.New("the image has no data")
	case plane < 0 || plane >= iw.hdu.Planes():
		return fmt.Errorf("plane %d, there are %d", plane, iw.hdu.Planes())
	case y0 < 0 || n < 0 || n > iw.hdu.Height() || y0 > iw.hdu.Height()-n:
		return fmt.Errorf("%d rows from row %d, there are %d", n, y0, iw.hdu.Height())
	case len(raw) != n*iw.hdu.RowBytes():
		return fmt.Errorf("%d bytes for %d rows of %d bytes", len(raw), n, iw.hdu.RowBytes())
	}
	return nil
}

// claim marks rows as written.
func (iw *ImageWriter) claim(first, n int64) error {
	iw.mu.Lock()
	defer iw.mu.Unlock()
	for i := first; i < first+n; i++ {
		if iw.written[i/64]&(1<<(i%64)) != 0 {
			height := int64(iw.hdu.Height())
			return fmt.Errorf("row %d of plane %d is written twice", i%height, i/height)
		}
		iw.written[i/64] |= 1 << (i % 64)
	}
	iw.left -= n
	return nil
}

func (iw *ImageWriter) fail(err error) error {
	err = fmt.Errorf("%s: write rows: %w", iw.w.name, err)
	iw.mu.Lock()
	defer iw.mu.Unlock()
	if iw.err == nil {
		iw.err = err
	}
	return err
}

// finish returns the sum of the data once all rows are there.
func (iw *ImageWriter) finish() (uint32, error) {
	iw.mu.Lock()
	defer iw.mu.Unlock()
	if iw.err != nil {
		return 0, iw.err
	}
	if iw.left > 0 {
		return 0, fmt.Errorf("%d of %d rows were not written", iw.left, int64(iw.hdu.Height())*int64(iw.hdu.Planes()))
	}
	return iw.sum, nil
}
