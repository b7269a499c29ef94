package colour

import (
	"bufio"
	"bytes"
	"compress/zlib"
	"encoding/binary"
	"fmt"
	"hash/crc32"
	"image"
	"io"
	"strings"

	"evenlight/calib"
)

// TextChunk is one note in a PNG file. The keyword has 1 to 79 characters of
// Latin-1. The text goes into a tEXt chunk where Latin-1 holds it, otherwise
// into an iTXt chunk as UTF-8, not compressed.
type TextChunk struct{ Keyword, Text string }

// TextOf makes a note of each setting.
func TextOf(settings []calib.Setting) []TextChunk {
	notes := make([]TextChunk, len(settings))
	for i, s := range settings {
		notes[i] = TextChunk{s.Name, s.Value}
	}
	return notes
}

// EncodePNG writes an image as a PNG file that says it is sRGB (W3C PNG
// Specification: chunk sRGB with relative colorimetric intent, and the gAMA
// that goes with it for older readers) and carries notes. Level is that of
// compress/zlib. Images are *image.NRGBA64 (16 bits) or *image.NRGBA (8 bits);
// one without transparent pixels is written without alpha. The same input
// gives the same bytes.
func EncodePNG(w io.Writer, img image.Image, notes []TextChunk, level int) error {
	if level < zlib.HuffmanOnly || level > zlib.BestCompression {
		return fmt.Errorf("PNG compression level %d: choose %d to %d", level, zlib.HuffmanOnly, zlib.BestCompression)
	}
	src, err := pixelsOf(img)
	if err != nil {
		return err
	}
	head := bytes.NewBufferString("\x89PNG\r\n\x1a\n")
	writeChunk(head, "IHDR", src.header())
	writeChunk(head, "gAMA", binary.BigEndian.AppendUint32(nil, 45455))
	writeChunk(head, "sRGB", []byte{1}) // relative colorimetric
	for _, n := range notes {
		kind, data, err := n.chunk()
		if err != nil {
			return err
		}
		writeChunk(head, kind, data)
	}
	if _, err := w.Write(head.Bytes()); err != nil {
		return err
	}
	if err := src.writeData(w, level); err != nil {
		return err
	}
	return writeChunk(w, "IEND", nil)
}

// writeChunk writes length, type, data and CRC (clause 5.3).
func writeChunk(w io.Writer, kind string, data []byte) error {
	var head [8]byte
	binary.BigEndian.PutUint32(head[:4], uint32(len(data)))
	copy(head[4:], kind)
	sum := crc32.Update(crc32.ChecksumIEEE(head[4:]), crc32.IEEETable, data)
	for _, part := range [][]byte{head[:], data, binary.BigEndian.AppendUint32(nil, sum)} {
		if _, err := w.Write(part); err != nil {
			return err
		}
	}
	return nil
}

// chunk checks the note and lays it out (clauses 11.3.3.2 and 11.3.3.4).
func (n TextChunk) chunk() (kind string, data []byte, err error) {
	keyword, ok := latin1(n.Keyword)
	if !ok || len(keyword) < 1 || len(keyword) > 79 || strings.ContainsAny(n.Keyword, "\n\u00a0") ||
		strings.TrimSpace(n.Keyword) != n.Keyword || strings.Contains(n.Keyword, "  ") {
		return "", nil, fmt.Errorf("PNG keyword %q: use 1 to 79 printable Latin-1 characters, single blanks only between words", n.Keyword)
	}
	if strings.ContainsRune(n.Text, 0) {
		return "", nil, fmt.Errorf("PNG text of %q has a NUL character: take it out", n.Keyword)
	}
	data = append(keyword, 0)
	if text, ok := latin1(n.Text); ok {
		return "tEXt", append(data, text...), nil
	}
	data = append(data, 0, 0, 0, 0) // not compressed, no language, keyword not translated
	return "iTXt", append(data, strings.ToValidUTF8(n.Text, "\ufffd")...), nil
}

// latin1 returns the text in ISO 8859-1, if it is made of its printable
// characters and line feeds.
func latin1(text string) ([]byte, bool) {
	var out []byte
	for _, r := range text {
		if r != '\n' && (r < 32 || r > 126 && r < 160 || r > 255) {
			return nil, false
		}
		out = append(out, byte(r))
	}
	return out, true
}

// pngPixels is what a PNG file needs to know of an image.
type pngPixels struct {
	pix           []byte
	stride        int
	width, height int
	depth         int // bits a channel
	opaque        bool
}

func pixelsOf(img image.Image) (*pngPixels, error) {
	size := img.Bounds().Size()
	if size.X <= 0 || size.Y <= 0 {
		return nil, fmt.Errorf("PNG of %d x %d pixels: there must be one at least", size.X, size.Y)
	}
	switch m := img.(type) {
	case *image.NRGBA64:
		return &pngPixels{m.Pix, m.Stride, size.X, size.Y, 16, m.Opaque()}, nil
	case *image.NRGBA:
		return &pngPixels{m.Pix, m.Stride, size.X, size.Y, 8, m.Opaque()}, nil
	}
	return nil, fmt.Errorf("PNG of a %T: convert it to *image.NRGBA64 or *image.NRGBA", img)
}

// header is the data of IHDR (clause 11.2.1).
func (p *pngPixels) header() []byte {
	h := binary.BigEndian.AppendUint32(nil, uint32(p.width))
	h = binary.BigEndian.AppendUint32(h, uint32(p.height))
	colourType := byte(6) // truecolour with alpha
	if p.opaque {
		colourType = 2 // truecolour
	}
	return append(h, byte(p.depth), colourType, 0, 0, 0)
}

// dataChunkBytes is the size of the IDAT chunks.
const dataChunkBytes = 1 << 16

// writeData filters and compresses the rows into IDAT chunks.
func (p *pngPixels) writeData(w io.Writer, level int) error {
	chunks := bufio.NewWriterSize(dataWriter{w}, dataChunkBytes)
	z, err := zlib.NewWriterLevel(chunks, level)
	if err != nil {
		return err
	}
	f := newRowFilter(p)
	for y := range p.height {
		if _, err := z.Write(f.next(p, y)); err != nil {
			return err
		}
	}
	if err := z.Close(); err != nil {
		return err
	}
	return chunks.Flush()
}

// dataWriter makes an IDAT chunk of each write.
type dataWriter struct{ w io.Writer }

func (d dataWriter) Write(data []byte) (int, error) {
	if err := writeChunk(d.w, "IDAT", data); err != nil {
		return 0, err
	}
	return len(data), nil
}

// rowFilter turns rows into what the file holds: the filter's number, then
// the filtered bytes.
type rowFilter struct {
	step      int // bytes a pixel in the file
	row, last []byte
	out       []byte
}

func newRowFilter(p *pngPixels) *rowFilter {
	step := p.depth / 2 // four channels
	if p.opaque {
		step = p.depth / 8 * 3
	}
	n := step * p.width
	return &rowFilter{step, make([]byte, n), make([]byte, n), make([]byte, n+1)}
}

// The filter of all rows is Up (clause 9.2), the difference from the row
// above. On images with grain the best of the five for each row would save
// about one percent of a 16-bit file and five of an 8-bit one.
const filterUp = 2

func (f *rowFilter) next(p *pngPixels, y int) []byte {
	f.row, f.last = f.last, f.row
	f.load(p, p.pix[p.stride*y:])
	f.out[0] = filterUp
	out, last := f.out[1:], f.last[:len(f.row)]
	for i, v := range f.row {
		out[i] = v - last[i]
	}
	return f.out
}

// load takes the pixels of a row, without alpha if they are opaque.
func (f *rowFilter) load(p *pngPixels, pix []byte) {
	if !p.opaque {
		copy(f.row, pix)
		return
	}
	whole := p.depth / 2
	for x := range p.width {
		copy(f.row[f.step*x:f.step*(x+1)], pix[whole*x:])
	}
}
