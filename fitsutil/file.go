package fitsutil

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"os"
	"strconv"
	"strings"
)

// DefaultInflateLimit is the limit that [OpenBytes] uses when it is given none.
const DefaultInflateLimit = 1 << 30

// maxHeaderBytes bounds the headers of one file together. Only a compressed
// file could otherwise ask for more memory than its own size.
const maxHeaderBytes = 64 << 20

// File is a FITS file that is open for reading.
type File struct {
	name string
	src  source
	hdus []*HDU

	headerBytes int // of all headers so far
}

// Open opens a FITS file and reads the structure of all its HDUs; the data
// stays on disk. A file that is compressed with gzip is known by its first
// bytes, whatever its name is, and is read as a stream in bounded memory.
//
// A file that does not exist gives an error for which errors.Is(err,
// fs.ErrNotExist) holds. A file that breaks the Standard, that is shorter than
// its headers say, or that has bytes behind its last HDU that are neither
// blank nor special records (clause 3.5) gives a [FormatError].
func Open(path string) (*File, error) {
	file, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	return OpenFile(file)
}

// OpenFile opens a FITS file that is open already. [File.Close] closes it, and
// so does an error, which is one of those of [Open].
func OpenFile(file *os.File) (*File, error) {
	src, err := chooseSource(file)
	if err != nil {
		file.Close()
		return nil, err
	}
	f, err := newFile(file.Name(), src)
	if err != nil {
		src.Close()
		return nil, err
	}
	return f, nil
}

// PrimaryHeader reads the primary header of a file that is perhaps not whole:
// what follows the header is not looked at.
func PrimaryHeader(path string) (*Header, error) {
	file, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer file.Close()
	return PrimaryHeaderOf(file)
}

// PrimaryHeaderOf is [PrimaryHeader] of a file that is open, and stays so.
func PrimaryHeaderOf(file *os.File) (*Header, error) {
	src, err := chooseSource(file)
	if err != nil {
		return nil, err
	}
	f := &File{name: file.Name(), src: src}
	first, err := f.readBlock(make([]byte, blockSize), 0)
	if err != nil {
		return nil, err
	}
	block, err := f.readHeader(first, 0, 0)
	if err != nil {
		return nil, err
	}
	return ParseHeader(block, f.name, 0)
}

func chooseSource(file *os.File) (source, error) {
	info, err := file.Stat()
	if err != nil {
		return nil, err
	}
	if !info.Mode().IsRegular() {
		return nil, fmt.Errorf("%s: not a regular file; name a FITS file", file.Name())
	}
	var magic [2]byte
	if _, err := file.ReadAt(magic[:], 0); err != nil && err != io.EOF {
		return nil, err
	}
	if isGzip(magic[:]) {
		return newGzipSource(file)
	}
	return &plainSource{File: file, size: info.Size()}, nil
}

// OpenBytes opens a FITS file that is in memory, under a name for messages. It
// keeps b and never changes it. When b is a gzip stream it is inflated, up to
// limit bytes ([DefaultInflateLimit] when limit is 0); a stream that goes
// beyond gives an [UnsupportedError]. Other errors are those of [Open].
func OpenBytes(name string, b []byte, limit int64) (*File, error) {
	if limit <= 0 {
		limit = DefaultInflateLimit
	}
	if isGzip(b) {
		inflated, err := inflate(name, b, limit)
		if err != nil {
			return nil, err
		}
		b = inflated
	}
	return newFile(name, newMemorySource(b))
}

func newFile(name string, src source) (*File, error) {
	f := &File{name: name, src: src}
	if err := f.scan(); err != nil {
		return nil, err
	}
	return f, nil
}

// Name returns the name under which the file was opened.
func (f *File) Name() string { return f.name }

// Compressed tells whether the file is compressed with gzip, and read from disk.
func (f *File) Compressed() bool {
	_, ok := f.src.(*gzipSource)
	return ok
}

// HDUs returns the HDUs in file order.
func (f *File) HDUs() []*HDU { return f.hdus }

// Close releases the file. Views from [File.RowsView] stay valid.
func (f *File) Close() error { return f.src.Close() }

// scan walks from HDU to HDU, forward only, so that a compressed file is
// inflated once.
func (f *File) scan() error {
	offset := int64(0)
	buf := make([]byte, blockSize)
	for {
		first, err := f.readBlock(buf, offset)
		if err != nil {
			return err
		}
		more, err := f.startsHDU(first, offset)
		if err != nil || !more {
			return err
		}
		h, err := f.scanHDU(first, offset)
		if err != nil {
			return err
		}
		f.hdus = append(f.hdus, h)
		offset = h.DataOffset + padded(h.DataSize)
	}
}

// readBlock reads the block at offset, or as much of it as there is.
func (f *File) readBlock(buf []byte, offset int64) ([]byte, error) {
	n, err := f.src.ReadAt(buf, offset)
	if err == io.EOF {
		err = nil
	}
	return buf[:n], err
}

// startsHDU looks at the block at offset. The first HDU must begin with SIMPLE
// (clause 4.4.1.1); further ones begin with XTENSION (clause 4.4.1.2), and
// anything else ends the list of HDUs.
func (f *File) startsHDU(first []byte, offset int64) (bool, error) {
	if len(f.hdus) == 0 {
		return true, f.checkMagic(first[:min(9, len(first))])
	}
	if bytes.HasPrefix(first, []byte(extensionStart)) {
		return true, nil
	}
	return false, f.checkTrailing(first, offset)
}

// The first bytes of a file and of an extension.
const (
	fileStart      = "SIMPLE  ="
	extensionStart = "XTENSION="
)

func (f *File) checkMagic(start []byte) error {
	if string(start) == fileStart {
		return nil
	}
	return &FormatError{
		File:    f.name,
		Problem: fmt.Sprintf("not a FITS file: it begins with %q instead of SIMPLE (clause 4.4.1.1)", start),
		Remedy:  "name a FITS file, plain or compressed with gzip",
		CutOff:  len(start) < len(fileStart) && (strings.HasPrefix(fileStart, string(start)) || string(start) == "\x1f"),
	}
}

// checkTrailing looks at what follows the last HDU. Special records (clause
// 3.5) and fill, zeros or blanks, are let pass; so is a last block that the
// writer did not fill up. Anything else means that the file is damaged or
// that something was appended to it.
func (f *File) checkTrailing(first []byte, offset int64) error {
	t, err := f.surveyTrailing(first, offset)
	if err != nil || t.onlyFill {
		return err
	}
	if t.length%blockSize == 0 && !strings.HasPrefix(t.start, "SIMPLE  ") {
		return nil
	}
	return &FormatError{
		File:    f.name,
		Place:   fmt.Sprintf("byte %d", offset),
		Problem: fmt.Sprintf("%d bytes follow the last HDU that are neither an extension nor special records (clauses 3.4, 3.5)", t.length),
		Remedy:  fmt.Sprintf("if they do not belong to the file, cut a copy of it to %d bytes", offset),
		CutOff:  t.length < int64(len(extensionStart)) && strings.HasPrefix(extensionStart, t.start),
	}
}

// trailing describes the bytes behind the last HDU.
type trailing struct {
	length   int64
	onlyFill bool
	start    string
}

func (f *File) surveyTrailing(first []byte, offset int64) (trailing, error) {
	t := trailing{onlyFill: true}
	t.add(first)
	buf := make([]byte, 16*blockSize)
	for {
		n, err := f.src.ReadAt(buf, offset+t.length)
		t.add(buf[:n])
		if err == io.EOF {
			return t, nil
		}
		if err != nil {
			return t, err
		}
	}
}

func (t *trailing) add(b []byte) {
	if t.length == 0 {
		t.start = string(b[:min(8, len(b))])
	}
	t.length += int64(len(b))
	for _, c := range b {
		if c != 0 && c != ' ' {
			t.onlyFill = false
			return
		}
	}
}

// scanHDU reads the header at offset, whose first block is at hand, and checks
// that its data is there.
func (f *File) scanHDU(first []byte, offset int64) (*HDU, error) {
	index := len(f.hdus)
	block, err := f.readHeader(first, index, offset)
	if err != nil {
		return nil, err
	}
	header, err := ParseHeader(block, f.name, index)
	if err != nil {
		return nil, err
	}
	h, err := newHDU(index, header, offset, int64(len(block)))
	if err != nil {
		return nil, err
	}
	return h, f.checkPresent(h)
}

// readHeader reads blocks up to the one with END.
func (f *File) readHeader(first []byte, index int, offset int64) ([]byte, error) {
	header := bytes.Clone(first)
	buf := make([]byte, blockSize)
	for last := first; ; {
		if len(last) < blockSize {
			return nil, f.headerCutOff(index, len(header))
		}
		if _, found := findEnd(last); found {
			return header, f.checkHeaderTotal(offset, len(header))
		}
		if len(header) >= MaxHeaderRecords*recordSize {
			return nil, headerTooLong(f.name, index)
		}
		var err error
		if last, err = f.readBlock(buf, offset+int64(len(header))); err != nil {
			return nil, err
		}
		header = append(header, last...)
	}
}

func (f *File) headerCutOff(index, have int) error {
	return &FormatError{
		File: f.name, Place: fmt.Sprintf("HDU %d", index),
		Problem: fmt.Sprintf("the file ends %d bytes into the header, which goes on to the end of the block with END (clauses 3.3.1, 4.4.1)", have),
		Remedy:  "the file is cut off: fetch it again",
		CutOff:  true,
	}
}

func (f *File) checkHeaderTotal(offset int64, size int) error {
	f.headerBytes += size
	if f.headerBytes <= maxHeaderBytes {
		return nil
	}
	return &UnsupportedError{
		File: f.name, Place: fmt.Sprintf("byte %d", offset),
		Problem: fmt.Sprintf("the headers of the file take more than %d bytes together", maxHeaderBytes),
		Remedy:  "split the file",
	}
}

// checkPresent compares the size that the header declares with the file.
func (f *File) checkPresent(h *HDU) error {
	if h.DataSize == 0 {
		return nil
	}
	end := h.DataOffset + h.DataSize
	have, err := f.src.reach(end)
	if err != nil || have >= end {
		return err
	}
	got := max(have-h.DataOffset, 0)
	problem := fmt.Sprintf("the data unit has %d bytes, of which the last %d are missing", h.DataSize, h.DataSize-got)
	if row := int64(h.RowBytes()); row > 0 {
		problem += fmt.Sprintf("; %d of %d rows are whole", got/row, h.DataSize/row)
	}
	return &FormatError{File: h.file(), Place: fmt.Sprintf("HDU %d", h.Index), Problem: problem, Remedy: "the file is cut off: fetch it again", CutOff: true}
}

// Find returns the HDU that sel names: "" the first image that has data, a
// number the HDU with that index (0 is the primary), a name the first HDU with
// that EXTNAME, "NAME,2" the one with that EXTNAME and EXTVER. Small and
// capital letters are alike. Where there is none the error wraps [ErrNoHDU]
// and says what the file has.
func (f *File) Find(sel string) (*HDU, error) {
	sel = strings.TrimSpace(sel)
	match, err := f.selector(sel)
	if err != nil {
		return nil, err
	}
	for _, h := range f.hdus {
		if match(h) {
			return h, nil
		}
	}
	if sel == "" {
		if err := f.refuseTiles(); err != nil {
			return nil, err
		}
		sel = "an image with data"
	}
	return nil, fmt.Errorf("%s: %w: asked for %s, the file has %s", f.name, ErrNoHDU, sel, f.inventory())
}

func (f *File) selector(sel string) (func(*HDU) bool, error) {
	if sel == "" {
		return func(h *HDU) bool { return h.Kind == ImageHDU && h.DataSize > 0 }, nil
	}
	if index, err := strconv.Atoi(sel); err == nil {
		return func(h *HDU) bool { return h.Index == index }, nil
	}
	name, versionText, hasVersion := strings.Cut(sel, ",")
	name = strings.TrimSpace(name)
	if !hasVersion {
		return func(h *HDU) bool { return strings.EqualFold(h.Name(), name) }, nil
	}
	version, err := strconv.Atoi(strings.TrimSpace(versionText))
	if err != nil {
		return nil, fmt.Errorf("%s: %q does not name an HDU; write a number, NAME, or NAME,VERSION", f.name, sel)
	}
	return func(h *HDU) bool { return strings.EqualFold(h.Name(), name) && h.Version() == version }, nil
}

// refuseTiles explains a file whose images are compressed in tiles and thus
// look like tables (clause 10.1).
func (f *File) refuseTiles() error {
	for _, h := range f.hdus {
		if tiled, _, _ := h.Header.Bool("ZIMAGE"); tiled {
			return h.unsupported("the image is compressed in tiles (clause 10.1)", "uncompress a copy of the file first, for instance with funpack")
		}
	}
	return nil
}

func (f *File) inventory() string {
	const most = 8
	var b strings.Builder
	for i, h := range f.hdus {
		if i == most {
			fmt.Fprintf(&b, " and %d more", len(f.hdus)-most)
			break
		}
		if i > 0 {
			b.WriteString(", ")
		}
		fmt.Fprintf(&b, "%d", h.Index)
		if name := h.Name(); name != "" {
			fmt.Fprintf(&b, " %s,%d", name, h.Version())
		}
		fmt.Fprintf(&b, " (%s)", h.describe())
	}
	return b.String()
}

func (h *HDU) describe() string {
	if h.DataSize == 0 {
		return h.Kind.String() + " without data"
	}
	return h.Kind.String()
}

// ReadRows reads n whole rows of plane, from row y0 on, all counted from 0, and
// returns their bytes as they are in the file: big-endian and without scaling.
// dst is used when it is large enough, else new memory is taken.
//
// For a plain file it may be called by several goroutines at once. A
// compressed file is a stream: rows are best asked for in file order, since
// going back inflates the file again from its start; calls wait for each
// other.
func (f *File) ReadRows(h *HDU, plane, y0, n int, dst []byte) ([]byte, error) {
	offset, size, err := f.rowRange(h, plane, y0, n)
	if err != nil {
		return nil, err
	}
	if int64(cap(dst)) < size {
		dst = make([]byte, size)
	}
	dst = dst[:size]
	return dst, f.readFull(h, dst, offset)
}

func (f *File) readFull(h *HDU, dst []byte, offset int64) error {
	n, err := f.src.ReadAt(dst, offset)
	if n == len(dst) {
		return nil
	}
	if errors.Is(err, io.EOF) {
		return h.broken("the file became shorter while it was open", "read it again when it is no longer written to")
	}
	return fmt.Errorf("%s: HDU %d: read data: %w", f.name, h.Index, err)
}

// RowsView returns the same bytes as [File.ReadRows] without copying them. It
// works for files from [OpenBytes] only; for others, and for rows that do not
// exist, the second result is false. The bytes must not be changed.
func (f *File) RowsView(h *HDU, plane, y0, n int) ([]byte, bool) {
	offset, size, err := f.rowRange(h, plane, y0, n)
	if err != nil {
		return nil, false
	}
	return f.src.view(offset, size)
}

// rowRange returns where the bytes of some rows are. All products fit, since
// the whole data unit was found in the file.
func (f *File) rowRange(h *HDU, plane, y0, n int) (offset, size int64, err error) {
	if plane < 0 || plane >= h.Planes() {
		return 0, 0, fmt.Errorf("%s: HDU %d: plane %d asked for, there are %d", f.name, h.Index, plane, h.Planes())
	}
	if y0 < 0 || n < 0 || n > h.Height() || y0 > h.Height()-n {
		return 0, 0, fmt.Errorf("%s: HDU %d: %d rows from row %d asked for, there are %d", f.name, h.Index, n, y0, h.Height())
	}
	row := int64(h.RowBytes())
	first := int64(plane)*int64(h.Height()) + int64(y0)
	return h.DataOffset + first*row, int64(n) * row, nil
}
