package colour

import (
	"bytes"
	"compress/zlib"
	"encoding/binary"
	"errors"
	"hash/crc32"
	"image"
	"image/color"
	"image/png"
	"strings"
	"testing"

	"evenlight/calib"
)

func encoded(t *testing.T, img image.Image, notes []TextChunk, level int) []byte {
	t.Helper()
	var out bytes.Buffer
	if err := EncodePNG(&out, img, notes, level); err != nil {
		t.Fatal(err)
	}
	return out.Bytes()
}

type pngChunk struct {
	kind string
	data []byte
}

// chunksOf takes a PNG file apart and checks each CRC (W3C PNG Specification,
// clause 5).
func chunksOf(t *testing.T, file []byte) (chunks []pngChunk) {
	t.Helper()
	rest, found := bytes.CutPrefix(file, []byte("\x89PNG\r\n\x1a\n"))
	if !found {
		t.Fatal("no PNG signature")
	}
	for len(rest) > 0 {
		n := binary.BigEndian.Uint32(rest)
		if crc32.ChecksumIEEE(rest[4:8+n]) != binary.BigEndian.Uint32(rest[8+n:]) {
			t.Fatalf("chunk %s: wrong CRC", rest[4:8])
		}
		chunks = append(chunks, pngChunk{string(rest[4:8]), rest[8 : 8+n]})
		rest = rest[12+n:]
	}
	return chunks
}

// pictures holds images of all four kinds: 16 and 8 bits, with and without
// transparent pixels.
func pictures(t *testing.T) map[string]image.Image {
	t.Helper()
	all := map[string]image.Image{}
	for _, name := range []string{"whole", "lost"} {
		bands := scene(61, 47)
		for _, b := range bands {
			for i := range b.Flags {
				b.Flags[i] = 0
				if b.Value[i] != b.Value[i] {
					b.Value[i] = 0.5
				}
			}
			if name == "lost" {
				b.Flags[100] = calib.Missing
			}
		}
		p := NewPicture(61, 47)
		if err := p.Render(mustMixer(t, Direct(), SunWhite(3)), mustEncoder(t, FullRange()), bands, 1); err != nil {
			t.Fatal(err)
		}
		all[name+" 16 bits"], all[name+" 8 bits"] = p.Deep, p.Plain
	}
	part := all["lost 16 bits"].(*image.NRGBA64).SubImage(image.Rect(30, 0, 50, 40))
	all["part of a lost 16 bits"] = part
	return all
}

func TestPNGDecodesToTheSamePixels(t *testing.T) {
	for name, img := range pictures(t) {
		for _, level := range []int{zlib.NoCompression, zlib.BestSpeed, zlib.DefaultCompression} {
			got, err := png.Decode(bytes.NewReader(encoded(t, img, nil, level)))
			if err != nil {
				t.Fatalf("%s: %v", name, err)
			}
			size := img.Bounds().Size()
			if got.Bounds().Size() != size {
				t.Fatalf("%s: %v, want %v", name, got.Bounds().Size(), size)
			}
			for y := range size.Y {
				for x := range size.X {
					at := img.Bounds().Min.Add(image.Pt(x, y))
					a, b := color.NRGBA64Model.Convert(got.At(x, y)), color.NRGBA64Model.Convert(img.At(at.X, at.Y))
					if a != b {
						t.Fatalf("%s: pixel %d,%d is %v, want %v", name, x, y, a, b)
					}
				}
			}
		}
	}
}

func TestPNGSaysWhatItHolds(t *testing.T) {
	notes := []TextChunk{{"stretch.low", "0 0 0"}, {"Comment", "caf\u00e9 5 \u00b5m\nline"}, {"Title", "\u0394E of Tessaly"}}
	for name, want := range map[string][2]byte{ // depth and colour type, clause 11.2.1
		"whole 16 bits": {16, 2}, "lost 16 bits": {16, 6}, "whole 8 bits": {8, 2}, "lost 8 bits": {8, 6},
	} {
		chunks := chunksOf(t, encoded(t, pictures(t)[name], notes, zlib.BestSpeed))
		if got := [2]byte(chunks[0].data[8:10]); chunks[0].kind != "IHDR" || got != want {
			t.Errorf("%s: first chunk %s, depth and type %v, want %v", name, chunks[0].kind, got, want)
		}
		for i, c := range []pngChunk{
			{"gAMA", []byte{0, 0, 0xb1, 0x8f}}, // 45455
			{"sRGB", []byte{1}},
			{"tEXt", []byte("stretch.low\x000 0 0")},
			{"tEXt", []byte("Comment\x00caf\xe9 5 \xb5m\nline")},
			{"iTXt", []byte("Title\x00\x00\x00\x00\x00\u0394E of Tessaly")},
		} {
			if got := chunks[1+i]; got.kind != c.kind || !bytes.Equal(got.data, c.data) {
				t.Errorf("%s: chunk %s %q, want %s %q", name, got.kind, got.data, c.kind, c.data)
			}
		}
		if last := chunks[len(chunks)-1]; last.kind != "IEND" || len(last.data) != 0 {
			t.Errorf("%s: last chunk %s", name, last.kind)
		}
	}
}

func TestPNGBytesAreTheSameAlways(t *testing.T) {
	for name, img := range pictures(t) {
		notes := TextOf([]calib.Setting{{Name: "b", Value: "2"}, {Name: "a", Value: "1"}})
		if !bytes.Equal(encoded(t, img, notes, zlib.DefaultCompression), encoded(t, img, notes, zlib.DefaultCompression)) {
			t.Errorf("%s: two encodings differ", name)
		}
	}
}

func TestPNGErrors(t *testing.T) {
	img := image.NewNRGBA(image.Rect(0, 0, 2, 2))
	for name, c := range map[string]struct {
		img   image.Image
		notes []TextChunk
		level int
		want  string
	}{
		"level":          {img, nil, 12, "compression level 12: choose -2 to 9"},
		"kind of image":  {image.NewGray(img.Rect), nil, 1, "PNG of a *image.Gray: convert it"},
		"empty":          {image.NewNRGBA(image.Rectangle{}), nil, 1, "0 x 0 pixels"},
		"empty keyword":  {img, []TextChunk{{"", "x"}}, 1, `keyword ""`},
		"long keyword":   {img, []TextChunk{{strings.Repeat("k", 80), "x"}}, 1, "1 to 79"},
		"blank at end":   {img, []TextChunk{{"key ", "x"}}, 1, `keyword "key "`},
		"two blanks":     {img, []TextChunk{{"a  b", "x"}}, 1, "single blanks"},
		"Greek keyword":  {img, []TextChunk{{"\u0394E", "x"}}, 1, "Latin-1"},
		"line feed":      {img, []TextChunk{{"a\nb", "x"}}, 1, "printable"},
		"NUL in a text":  {img, []TextChunk{{"key", "a\x00b"}}, 1, "NUL"},
		"NUL in keyword": {img, []TextChunk{{"a\x00b", "x"}}, 1, "printable"},
	} {
		var out bytes.Buffer
		err := EncodePNG(&out, c.img, c.notes, c.level)
		if err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: error %v, want one with %q", name, err, c.want)
		}
		if out.Len() != 0 {
			t.Errorf("%s: %d bytes written all the same", name, out.Len())
		}
	}
}

// fullDisk takes so many bytes and no more.
type fullDisk struct{ left int }

var errFull = errors.New("no space left")

func (d *fullDisk) Write(p []byte) (int, error) {
	if len(p) > d.left {
		return 0, errFull
	}
	d.left -= len(p)
	return len(p), nil
}

func TestPNGReportsAFailedWriteWhereverItHappens(t *testing.T) {
	img := pictures(t)["lost 16 bits"]
	whole := len(encoded(t, img, nil, zlib.NoCompression))
	for left := 0; left < whole; left += 97 {
		if err := EncodePNG(&fullDisk{left}, img, nil, zlib.NoCompression); !errors.Is(err, errFull) {
			t.Fatalf("room for %d of %d bytes: error %v", left, whole, err)
		}
	}
	if err := EncodePNG(&fullDisk{whole}, img, nil, zlib.NoCompression); err != nil {
		t.Errorf("room for all: %v", err)
	}
}
