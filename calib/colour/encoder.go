package colour

import (
	"encoding/binary"
	"math"
)

// Encoder takes rows of linear red, green and blue through a stretch to codes
// of 16 and 8 bits. It is made once and may be used by many goroutines.
//
// The curve is a table of straight pieces, 512 to each factor of two from
// 2^-60 to 1. A piece of a power law x^p departs from the curve by p|p-1|/8 /
// 512^2 of the value at most near p = 0.4 (sRGB): 0.008 of a 16-bit code; by
// 0.03 for the extreme p = 2.5; 0.014 at the kink of sRGB. With float32's own
// rounding, a code is within 0.55 of the exact value before rounding. Below
// 2^-60 all curves are below half a code.
type Encoder struct {
	table       []float32 // 16-bit code, not rounded, at the ends of the pieces
	low, factor [3]float32
}

const (
	tableOctaves = 60
	pieceBits    = 9 // 512 pieces to a factor of two
	pieceShift   = 23 - pieceBits
	tableStart   = (127 - tableOctaves) << pieceBits // float32 bits of 2^-60, shifted
	tableSize    = tableOctaves<<pieceBits + 1
)

// NewEncoder prepares a stretch.
func NewEncoder(s Stretch) (*Encoder, error) {
	if err := s.check(); err != nil {
		return nil, err
	}
	e := &Encoder{table: make([]float32, tableSize+1)}
	curve := s.curve()
	for i := range tableSize {
		x := math.Float32frombits(uint32(tableStart+i) << pieceShift)
		e.table[i] = float32(65535 * curve(float64(x)))
	}
	e.table[tableSize] = e.table[tableSize-1]
	for c := range 3 {
		e.low[c] = float32(s.Low[c])
		e.factor[c] = float32(1 / (s.High[c] - s.Low[c]))
	}
	return e, nil
}

// Clipped counts the pixels of which a channel did not fit. One pixel may
// count in both.
type Clipped struct {
	Below int // a channel was below 0
	Above int // a channel was above 1
}

// clipMargin is how far outside 0..1 a value may lie by float32 rounding alone.
const clipMargin = 1e-6

// Row encodes a row. Linear has three values a pixel, and NaN where a pixel
// has no value: it becomes transparent black. Deep takes 8 bytes a pixel as in
// image.NRGBA64, plain 4 as in image.NRGBA; either may be nil. The 8-bit code
// is the 16-bit code / 257, rounded; as 257 is odd there are no ties, so it
// leans neither way. What does not fit is clipped channel by channel.
func (e *Encoder) Row(linear []float32, deep, plain []byte) Clipped {
	var clipped Clipped
	pixels := len(linear) / 3
	for i := range pixels {
		rgb := linear[3*i : 3*i+3 : 3*i+3]
		r := (rgb[0] - e.low[0]) * e.factor[0]
		g := (rgb[1] - e.low[1]) * e.factor[1]
		b := (rgb[2] - e.low[2]) * e.factor[2]
		if r != r || g != g || b != b {
			if deep != nil {
				binary.BigEndian.PutUint64(deep[8*i:], 0)
			}
			if plain != nil {
				binary.BigEndian.PutUint32(plain[4*i:], 0)
			}
			continue
		}
		if min(r, g, b) < -clipMargin {
			clipped.Below++
		}
		if max(r, g, b) > 1+clipMargin {
			clipped.Above++
		}
		cr, cg, cb := e.code(r), e.code(g), e.code(b)
		if deep != nil {
			binary.BigEndian.PutUint64(deep[8*i:], uint64(cr)<<48|uint64(cg)<<32|uint64(cb)<<16|0xffff)
		}
		if plain != nil {
			binary.BigEndian.PutUint32(plain[4*i:], eight(cr)<<24|eight(cg)<<16|eight(cb)<<8|0xff)
		}
	}
	return clipped
}

// code is the 16-bit code of a value that is not NaN.
func (e *Encoder) code(x float32) uint32 {
	if x >= 1 {
		return 65535
	}
	const smallest = 1.0 / (1 << tableOctaves)
	if x < smallest {
		return 0
	}
	bits := math.Float32bits(x)
	k := bits>>pieceShift - tableStart
	u := float32(bits&(1<<pieceShift-1)) * (1.0 / (1 << pieceShift))
	piece := e.table[k : k+2 : k+2]
	return uint32(piece[0] + u*(piece[1]-piece[0]) + 0.5)
}

// eight rounds a 16-bit code to 8 bits.
func eight(code uint32) uint32 { return (code + 128) / 257 }
