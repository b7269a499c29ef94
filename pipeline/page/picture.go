package page

import (
	"bytes"
	"fmt"
	"image"
	"image/color"
	"image/png"

	"evenlight/calib"
)

// pictureSide bounds the sides of pictures, pixels.
const pictureSide = 128

// leastHigh keeps the one row of a line scanner's masters visible.
const leastHigh = 12

// Share of the pixels below black and below white.
const (
	blackBelow = 0.005
	whiteBelow = 0.995
)

// cells is a grid over a frame, each cell of which becomes one pixel of a
// picture: columns side by side, and the groups of rows that were read.
type cells struct {
	*sample
	columns int // cells along a row
	high    int // rows of the picture; a group of rows may fill several
}

func (s *sample) cells() cells {
	longest := max(s.width, s.height)
	side := min(longest, pictureSide)
	columns := max(1, min(s.width/s.periodX, (s.width*side+longest/2)/longest))
	return cells{s, columns, max(leastHigh, (s.height*side+longest/2)/longest)}
}

// span returns the columns of the frame that cell column c covers.
func (g *cells) span(c int) (from, to int) {
	return c * g.width / g.columns, (c + 1) * g.width / g.columns
}

// means returns the mean of the values without flag in each cell, NaN where there
// is no value; a cell with flags alone has the mean of all its values. No flags:
// all are good.
func (g *cells) means(values []float32, flags []calib.Flags) []float32 {
	out := make([]float32, g.columns*len(g.starts))
	for i := range g.starts {
		for c := range g.columns {
			from, to := g.span(c)
			out[i*g.columns+c] = g.mean(values, flags, i, from, to)
		}
	}
	return out
}

func (g *cells) mean(values []float32, flags []calib.Flags, group, from, to int) float32 {
	var sum, flagged float64
	var n, bad int
	for j := range g.periodY {
		at := (group*g.periodY + j) * g.width
		for i := at + from; i < at+to; i++ {
			switch v := float64(values[i]); {
			case !isNumber(values[i]):
			case flags == nil || flags[i] == 0:
				sum += v
				n++
			default:
				flagged += v
				bad++
			}
		}
	}
	if n == 0 {
		sum, n = flagged, bad
	}
	return float32(sum / float64(n)) // 0/0 is NaN
}

// grey makes a grey picture of cells. What has no value is black.
func (g *cells) grey(values []float32, s *Stretch) *image.Gray {
	im := image.NewGray(image.Rect(0, 0, g.columns, g.high))
	scale := 255 / (s.High - s.Low)
	for y := range g.high {
		from := y * len(g.starts) / g.high * g.columns
		for x, v := range values[from : from+g.columns] {
			level := (float64(v) - s.Low) * scale
			if !(level > 0) {
				level = 0
			}
			im.Pix[y*im.Stride+x] = uint8(min(255, level+0.5))
		}
	}
	return im
}

// stretchOf chooses black and white for sorted values; nil: there is no value.
func stretchOf(sorted []float32, unit, of string) *Stretch {
	if len(sorted) == 0 {
		return nil
	}
	s := &Stretch{Low: quantile(sorted, blackBelow), High: quantile(sorted, whiteBelow), Unit: unit,
		Rule: fmt.Sprintf("grey is linear in the value between the percentiles %g and %g of %s of this picture alone", 100*blackBelow, 100*whiteBelow, of)}
	if s.High <= s.Low { // all are equal: grey
		s.Low, s.High = s.Low-1, s.Low+1
		s.Rule = fmt.Sprintf("all of %s are equal", of)
	}
	return s
}

// kindsOfFlag puts flags together that are alike to the eye, the gravest first,
// in the colours of Okabe & Ito, "Color Universal Design" (2008).
var kindsOfFlag = [...]struct {
	name   string
	bits   calib.Flags // 0: all the others
	colour color.NRGBA
}{
	{"no value", calib.Missing | calib.NoCalibration, color.NRGBA{0x56, 0xb4, 0xe9, 255}},
	{"saturated or out of range", calib.Saturated | calib.NearSaturated | calib.AtFloor | calib.BeyondRange, color.NRGBA{0xd5, 0x5e, 0x00, 255}},
	{"bad pixel", calib.BadPixel, color.NRGBA{0xcc, 0x79, 0xa7, 255}},
	{"correction unsure", calib.OffsetUnsure | calib.SmearUnsure | calib.LineSmear | calib.ResidualUnsure | calib.MixUnsure, color.NRGBA{0xe6, 0x9f, 0x00, 255}},
	{"other flags", 0, color.NRGBA{0x00, 0x9e, 0x73, 255}},
}

// kindOf returns the gravest kind of the flags of a pixel, which has some.
func kindOf(f calib.Flags) int {
	for k, kind := range kindsOfFlag {
		if kind.bits == 0 || f&kind.bits != 0 {
			return k
		}
	}
	return len(kindsOfFlag) - 1
}

// flagPicture shows the gravest flag in each cell, nothing where there is none,
// and counts the pixels of each kind. flags and values are of the sample.
func (g *cells) flagPicture(flags []calib.Flags) (*image.Paletted, []Key) {
	palette := color.Palette{color.NRGBA{}}
	for _, k := range kindsOfFlag {
		palette = append(palette, k.colour)
	}
	im := image.NewPaletted(image.Rect(0, 0, g.columns, g.high), palette)
	var counts [len(kindsOfFlag)]int
	gravest := make([]uint8, len(g.starts)*g.columns) // 0: no flag, else 1 + kind
	for i := range g.starts {
		for j := range g.periodY {
			row := flags[(i*g.periodY+j)*g.width:][:g.width]
			for c := range g.columns {
				from, to := g.span(c)
				cell := &gravest[i*g.columns+c]
				for _, f := range row[from:to] {
					if f == 0 {
						continue
					}
					k := kindOf(f)
					counts[k]++
					if *cell == 0 || uint8(k+1) < *cell {
						*cell = uint8(k + 1)
					}
				}
			}
		}
	}
	for y := range g.high {
		copy(im.Pix[y*im.Stride:][:g.columns], gravest[y*len(g.starts)/g.high*g.columns:])
	}
	var legend []Key
	for k, n := range counts {
		if n > 0 {
			c := kindsOfFlag[k].colour
			legend = append(legend, Key{kindsOfFlag[k].name, fmt.Sprintf("#%02x%02x%02x", c.R, c.G, c.B), n})
		}
	}
	return im, legend
}

// pngOf encodes a picture. The same picture gives the same bytes.
func pngOf(im image.Image) ([]byte, error) {
	var b bytes.Buffer
	e := png.Encoder{CompressionLevel: png.BestSpeed}
	if err := e.Encode(&b, im); err != nil {
		return nil, fmt.Errorf("PNG of a picture: %w", err)
	}
	return b.Bytes(), nil
}

// picture makes a grey picture of values of the sample; nil without values. Where
// none is good, all count.
// No flags: all are good.
func (s *sample) picture(kind, title, unit, of string, values []float32, flags []calib.Flags) (*Image, error) {
	sorted := sortedSome(values, func(i int) bool { return (flags == nil || flags[i] == 0) && isNumber(values[i]) })
	if len(sorted) == 0 && flags != nil {
		return s.picture(kind, title, unit, "all pixels, none of which is good,", values, nil)
	}
	stretch := stretchOf(sorted, unit, of)
	if stretch == nil {
		return nil, nil
	}
	g := s.cells()
	b, err := pngOf(g.grey(g.means(values, flags), stretch))
	if err != nil {
		return nil, err
	}
	return &Image{Kind: kind, Title: title, Width: g.columns, Height: g.high, Stretch: stretch, PNG: b,
		Alt: fmt.Sprintf("%s, black at %.4g and white at %.4g %s", title, stretch.Low, stretch.High, unit)}, nil
}

// flagImage makes the picture of flags.
func (s *sample) flagImage(kind, title string, flags []calib.Flags) (*Image, error) {
	g := s.cells()
	im, legend := g.flagPicture(flags)
	b, err := pngOf(im)
	if err != nil {
		return nil, err
	}
	alt := title + ": none in the rows that were read"
	for i, k := range legend {
		if i == 0 {
			alt = title + ", pixels in the rows that were read: "
		} else {
			alt += ", "
		}
		alt += fmt.Sprintf("%s %d", k.Name, k.Count)
	}
	return &Image{Kind: kind, Title: title, Width: g.columns, Height: g.high, Legend: legend, PNG: b, Alt: alt}, nil
}

// images makes the pictures of a frame.
func (s *sample) images(unit string) ([]Image, error) {
	var out []Image
	add := func(im *Image, err error) error {
		if err == nil && im != nil {
			out = append(out, *im)
		}
		return err
	}
	if len(s.raw) > 0 {
		if err := add(s.picture("raw", "raw frame", "DN, as coded", "the samples", s.raw, nil)); err != nil {
			return nil, err
		}
	}
	if err := add(s.picture("value", "result", unit, "the good pixels", s.value, s.flags)); err != nil {
		return nil, err
	}
	return out, add(s.flagImage("flags", "flags", s.flags))
}
