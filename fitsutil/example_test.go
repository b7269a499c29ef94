package fitsutil_test

import (
	"fmt"
	"log"
	"os"
	"path/filepath"
	"strings"

	"evenlight/fitsutil"
)

// tinyFrame returns a file of 4 x 3 unsigned 16-bit samples, 100 y + x.
func tinyFrame() []byte {
	w := fitsutil.CreateBuffer()
	header := fitsutil.NewHeader()
	for _, card := range []fitsutil.Card{
		{Key: "BZERO", Value: 32768, Comment: "unsigned samples"},
		{Key: "EXPDUR", Value: 1250, Comment: "ms"},
		{Key: "TGTNAME", Value: "Tessaly"},
	} {
		if err := header.Set(card.Key, card.Value, card.Comment); err != nil {
			log.Fatal(err)
		}
	}
	image, err := w.AddImage(header, 16, 4, 3)
	if err != nil {
		log.Fatal(err)
	}
	samples := []uint16{0, 1, 2, 3, 100, 101, 102, 103, 200, 201, 202, 203}
	raw := make([]byte, 2*len(samples))
	fitsutil.EncodeUint16Offset(raw, samples)
	if err := image.WriteRows(0, 0, 3, raw); err != nil {
		log.Fatal(err)
	}
	if err := w.Commit(); err != nil {
		log.Fatal(err)
	}
	return w.Bytes()
}

// An image is read in bands of rows, in memory for one band.
func ExampleFile_ReadRows() {
	f, err := fitsutil.OpenBytes("frame.fits", tinyFrame(), 0)
	if err != nil {
		log.Fatal(err)
	}
	defer f.Close()
	h, err := f.Find("") // the first image
	if err != nil {
		log.Fatal(err)
	}
	const band = 2
	var raw []byte
	for y := 0; y < h.Height(); y += band {
		n := min(band, h.Height()-y)
		if raw, err = f.ReadRows(h, 0, y, n, raw); err != nil {
			log.Fatal(err)
		}
		samples := make([]float32, n*h.Width())
		if err := h.DecodeFloat32(samples, raw); err != nil {
			log.Fatal(err)
		}
		fmt.Println(samples)
	}
	// Output:
	// [0 1 2 3 100 101 102 103]
	// [200 201 202 203]
}

// A product has its name only once it is whole.
func ExampleCreate() {
	dir, err := os.MkdirTemp("", "example")
	if err != nil {
		log.Fatal(err)
	}
	defer os.RemoveAll(dir)
	path := filepath.Join(dir, "product.fits")
	if err := writeProduct(path); err != nil {
		log.Fatal(err)
	}
	f, err := fitsutil.Open(path)
	if err != nil {
		log.Fatal(err)
	}
	defer f.Close()
	checked, err := f.VerifyChecksums()
	fmt.Println(checked, "HDUs checked:", err)
	for _, h := range f.HDUs() {
		fmt.Println(h.Index, h.Kind, h.Name(), h.Axes)
	}
	// Output:
	// 3 HDUs checked: <nil>
	// 0 image  [2 1]
	// 1 image UNCERT [2 1]
	// 2 binary table BADPIX [3 2]
}

func writeProduct(path string) error {
	w, err := fitsutil.Create(path, fitsutil.CreateOptions{})
	if err != nil {
		return err
	}
	defer w.Abort()
	raw := make([]byte, 8)
	fitsutil.EncodeFloat32(raw, []float32{1.5, -2})
	for _, name := range []string{"", "UNCERT"} {
		header := fitsutil.NewHeader()
		if name != "" {
			if err := header.Set("EXTNAME", name, "what this HDU holds"); err != nil {
				return err
			}
		}
		image, err := w.AddImage(header, -32, 2, 1)
		if err != nil {
			return err
		}
		if err := image.WriteRows(0, 0, 1, raw); err != nil {
			return err
		}
	}
	header := fitsutil.NewHeader()
	if err := header.Set("EXTNAME", "BADPIX", "pixels not to be used"); err != nil {
		return err
	}
	err = w.AddTable(header, &fitsutil.Table{Columns: []fitsutil.Column{
		{Name: "X", Unit: "pixel", Data: []int16{17, 300}},
		{Name: "HOT", Data: []bool{true, false}},
	}})
	if err != nil {
		return err
	}
	return w.Commit()
}

func ExampleHeader_Set() {
	h := fitsutil.NewHeader()
	for _, card := range []fitsutil.Card{
		{Key: "GAIN", Value: 2.1, Comment: "e-/DN"},
		{Key: "STATUS", Value: "it's done"},
	} {
		if err := h.Set(card.Key, card.Value, card.Comment); err != nil {
			log.Fatal(err)
		}
	}
	records := h.Encode()
	for _, record := range []string{string(records[:80]), string(records[80:160])} {
		fmt.Println(strings.TrimRight(record, " "))
	}
	// Output:
	// GAIN    =                  2.1 / e-/DN
	// STATUS  = 'it''s done'
}

func ExampleHeader_Float() {
	f, err := fitsutil.OpenBytes("frame.fits", tinyFrame(), 0)
	if err != nil {
		log.Fatal(err)
	}
	h := f.HDUs()[0].Header
	fmt.Println(h.Float("EXPDUR"))
	fmt.Println(h.Float("ABSENT"))
	fmt.Println(h.Float("TGTNAME"))
	// Output:
	// 1250 true <nil>
	// 0 false <nil>
	// 0 false frame.fits: HDU 0, card 9 (TGTNAME): broken FITS: the value is the string "Tessaly", where a number is wanted; correct the card in a copy of the file
}

// The example of the FITS Standard 4.0, appendix J.
func ExampleEncodeChecksum() {
	fmt.Println(fitsutil.EncodeChecksum(868229149, true))
	// Output: hcHjjc9ghcEghc9g
}

// Sums of parts are put together in any order.
func ExampleChecksum() {
	data := []byte{0xFF, 0xFF, 0xFF, 0xFF, 0, 0, 0, 5, 0, 0, 1, 0}
	whole := fitsutil.Checksum(data, 0)
	head, tail := fitsutil.Checksum(data[:4], 0), fitsutil.Checksum(data[4:], 0)
	fmt.Println(whole, fitsutil.AddSums(tail, head))
	// Output: 261 261
}
