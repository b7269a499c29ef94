package fitsutil

import (
	"encoding/binary"
	"fmt"
	"math"
)

// The decoders below have one loop for each BITPIX and no call or branch for a
// pixel beyond what the numbers need; the commonest case, 16-bit samples that
// are unsigned by BZERO = 32768 or plain, has loops of its own.

// DecodeFloat32 turns raw samples from [File.ReadRows] into physical numbers:
// Zero + Scale * stored (clause 4.4.2.5), worked out in double precision.
// Integers equal to Blank and IEEE NaN (annex E) become NaN.
//
// It is an error when src does not hold exactly len(dst) samples of h.Bitpix
// bits, or when the HDU is not an image.
func (h *HDU) DecodeFloat32(dst []float32, src []byte) error {
	if err := h.checkSamples(len(dst), src); err != nil {
		return err
	}
	if h.Bitpix == 16 && h.Scale == 1 && h.Blank == nil {
		switch h.Zero {
		case 0:
			decodeInt16AsFloat32(dst, src)
			return nil
		case 32768:
			decodeUint16AsFloat32(dst, src)
			return nil
		}
	}
	if h.Bitpix == -32 && h.unscaled() {
		decodePlainFloat32(dst, src)
		return nil
	}
	decodeScaled(h, dst, src)
	return nil
}

// DecodeFloat64 is [HDU.DecodeFloat32] in double precision.
func (h *HDU) DecodeFloat64(dst []float64, src []byte) error {
	if err := h.checkSamples(len(dst), src); err != nil {
		return err
	}
	decodeScaled(h, dst, src)
	return nil
}

// DecodeInt32 turns raw integer samples (BITPIX 8, 16 or 32, with BSCALE 1 and
// a whole BZERO) into integers, for flags and counts: Zero + stored. Blank has
// no meaning here. It is an [UnsupportedError] when the HDU holds other
// samples or when the sum could leave the range of int32; src must hold
// exactly len(dst) samples.
func (h *HDU) DecodeInt32(dst []int32, src []byte) error {
	if err := h.checkSamples(len(dst), src); err != nil {
		return err
	}
	zero, err := h.integerZero()
	if err != nil {
		return err
	}
	switch h.Bitpix {
	case 8:
		for i, b := range src[:len(dst)] {
			dst[i] = int32(b) + zero
		}
	case 16:
		for i := range dst {
			dst[i] = int32(int16(binary.BigEndian.Uint16(src[2*i:]))) + zero
		}
	case 32:
		for i := range dst {
			dst[i] = int32(binary.BigEndian.Uint32(src[4*i:])) + zero
		}
	}
	return nil
}

// integerZero returns Zero as an integer, provided that no sample can leave
// the range of int32 when it is added.
func (h *HDU) integerZero() (int32, error) {
	var room float64 // how far Zero may be from 0
	switch h.Bitpix {
	case 8:
		room = math.MaxInt32 - math.MaxUint8
	case 16:
		room = math.MaxInt32 - math.MaxUint16
	case 32:
		room = 0
	default:
		return 0, h.unsupported(fmt.Sprintf("samples of BITPIX %d are not integers of up to 32 bits", h.Bitpix), "decode them as real numbers")
	}
	if h.Scale != 1 || h.Zero != math.Trunc(h.Zero) || math.Abs(h.Zero) > room {
		return 0, h.unsupported(fmt.Sprintf("BSCALE %v and BZERO %v do not give integers of 32 bits", h.Scale, h.Zero), "decode them as real numbers")
	}
	return int32(h.Zero), nil
}

func (h *HDU) unscaled() bool { return h.Scale == 1 && h.Zero == 0 }

func (h *HDU) checkSamples(n int, src []byte) error {
	if h.Kind != ImageHDU {
		return h.unsupported(fmt.Sprintf("a %s has no samples to decode", h.Kind), "name an image HDU")
	}
	if want := n * sampleBytes(h.Bitpix); len(src) != want {
		return fmt.Errorf("%s: HDU %d: decode %d samples of BITPIX %d: %d bytes given, %d wanted", h.file(), h.Index, n, h.Bitpix, len(src), want)
	}
	return nil
}

// magic is 2^23 as a float32: a 16-bit number or-ed into its mantissa reads as
// 2^23 + number, so taking 2^23 away converts the number exactly.
const magic = 0x4B000000

func decodeUint16AsFloat32(dst []float32, src []byte) {
	// BZERO = 32768 on two's complement is the flip of the top bit.
	decode16(dst, src, 0x8000800080008000, 1<<23)
}

func decodeInt16AsFloat32(dst []float32, src []byte) {
	// The flipped top bit adds 32768, which is taken away again.
	decode16(dst, src, 0x8000800080008000, 1<<23+32768)
}

// decode16 converts four samples to a 64-bit word, with the bits in flip
// inverted and offset subtracted from 2^23 + sample.
func decode16(dst []float32, src []byte, flip uint64, offset float32) {
	for len(dst) >= 8 && len(src) >= 16 {
		a := binary.BigEndian.Uint64(src) ^ flip
		b := binary.BigEndian.Uint64(src[8:]) ^ flip
		dst[0] = math.Float32frombits(uint32(a>>48)|magic) - offset
		dst[1] = math.Float32frombits(uint32(a>>32)&0xFFFF|magic) - offset
		dst[2] = math.Float32frombits(uint32(a)>>16|magic) - offset
		dst[3] = math.Float32frombits(uint32(a)&0xFFFF|magic) - offset
		dst[4] = math.Float32frombits(uint32(b>>48)|magic) - offset
		dst[5] = math.Float32frombits(uint32(b>>32)&0xFFFF|magic) - offset
		dst[6] = math.Float32frombits(uint32(b)>>16|magic) - offset
		dst[7] = math.Float32frombits(uint32(b)&0xFFFF|magic) - offset
		dst, src = dst[8:], src[16:]
	}
	for i := range dst {
		v := binary.BigEndian.Uint16(src[2*i:]) ^ uint16(flip)
		dst[i] = math.Float32frombits(uint32(v)|magic) - offset
	}
}

// DecodeAbove is [HDU.DecodeFloat32] of 16-bit samples with an offset taken off
// each. It is false, and dst holds nothing of use, where a sample is negative or
// has more than so many bits, and for samples that are stored in other ways:
// decode them as real numbers then.
func (h *HDU) DecodeAbove(dst []float32, src []byte, offset float32, bits int) bool {
	if h.checkSamples(len(dst), src) != nil || h.Bitpix != 16 || h.Scale != 1 || h.Blank != nil {
		return false
	}
	const each = 0x0001000100010001
	beyond := uint64(0xFFFF) &^ (1<<bits - 1)
	switch h.Zero {
	case 0:
		return decode16Above(dst, src, 0, each*(beyond|0x8000), offset)
	case 32768: // the flip of the top bit
		return decode16Above(dst, src, each*0x8000, each*beyond, offset)
	}
	return false
}

// decode16Above is decode16 of samples that are not negative, with an offset
// taken off. It tells whether none has a bit that is set in beyond.
func decode16Above(dst []float32, src []byte, flip, beyond uint64, offset float32) bool {
	var seen uint64
	for len(dst) >= 8 && len(src) >= 16 {
		a := binary.BigEndian.Uint64(src) ^ flip
		b := binary.BigEndian.Uint64(src[8:]) ^ flip
		seen |= a | b
		dst[0] = math.Float32frombits(uint32(a>>48)|magic) - 1<<23 - offset
		dst[1] = math.Float32frombits(uint32(a>>32)&0xFFFF|magic) - 1<<23 - offset
		dst[2] = math.Float32frombits(uint32(a)>>16|magic) - 1<<23 - offset
		dst[3] = math.Float32frombits(uint32(a)&0xFFFF|magic) - 1<<23 - offset
		dst[4] = math.Float32frombits(uint32(b>>48)|magic) - 1<<23 - offset
		dst[5] = math.Float32frombits(uint32(b>>32)&0xFFFF|magic) - 1<<23 - offset
		dst[6] = math.Float32frombits(uint32(b)>>16|magic) - 1<<23 - offset
		dst[7] = math.Float32frombits(uint32(b)&0xFFFF|magic) - 1<<23 - offset
		dst, src = dst[8:], src[16:]
	}
	for i := range dst {
		v := binary.BigEndian.Uint16(src[2*i:]) ^ uint16(flip)
		seen |= uint64(v)
		dst[i] = math.Float32frombits(uint32(v)|magic) - 1<<23 - offset
	}
	return seen&beyond == 0
}

func decodePlainFloat32(dst []float32, src []byte) {
	for len(dst) >= 4 && len(src) >= 16 {
		a := binary.BigEndian.Uint64(src)
		b := binary.BigEndian.Uint64(src[8:])
		dst[0] = math.Float32frombits(uint32(a >> 32))
		dst[1] = math.Float32frombits(uint32(a))
		dst[2] = math.Float32frombits(uint32(b >> 32))
		dst[3] = math.Float32frombits(uint32(b))
		dst, src = dst[4:], src[16:]
	}
	for i := range dst {
		dst[i] = math.Float32frombits(binary.BigEndian.Uint32(src[4*i:]))
	}
}

// decodeScaled applies Scale and Zero. The product is rounded before the sum
// (the explicit conversion forbids a fused operation), so that all machines
// give the same bits.
func decodeScaled[T float32 | float64](h *HDU, dst []T, src []byte) {
	scale, zero := h.Scale, h.Zero
	switch h.Bitpix {
	case 8:
		for i := range dst {
			dst[i] = T(float64(scale*float64(src[i])) + zero)
		}
	case 16:
		for i := range dst {
			v := int16(binary.BigEndian.Uint16(src[2*i:]))
			dst[i] = T(float64(scale*float64(v)) + zero)
		}
	case 32:
		for i := range dst {
			v := int32(binary.BigEndian.Uint32(src[4*i:]))
			dst[i] = T(float64(scale*float64(v)) + zero)
		}
	case 64:
		for i := range dst {
			v := int64(binary.BigEndian.Uint64(src[8*i:]))
			dst[i] = T(float64(scale*float64(v)) + zero)
		}
	case -32:
		for i := range dst {
			v := math.Float32frombits(binary.BigEndian.Uint32(src[4*i:]))
			dst[i] = T(float64(scale*float64(v)) + zero)
		}
	case -64:
		for i := range dst {
			v := math.Float64frombits(binary.BigEndian.Uint64(src[8*i:]))
			dst[i] = T(float64(scale*v) + zero)
		}
	}
	if h.Blank != nil {
		blankOut(h.Bitpix, *h.Blank, dst, src)
	}
}

// blankOut puts NaN where the stored integer is blank.
func blankOut[T float32 | float64](bitpix int, blank int64, dst []T, src []byte) {
	nan := T(math.NaN())
	for i := range dst {
		if storedInt(bitpix, src, i) == blank {
			dst[i] = nan
		}
	}
}

// storedInt returns the i-th integer of src.
func storedInt(bitpix int, src []byte, i int) int64 {
	switch bitpix {
	case 8:
		return int64(src[i])
	case 16:
		return int64(int16(binary.BigEndian.Uint16(src[2*i:])))
	case 32:
		return int64(int32(binary.BigEndian.Uint32(src[4*i:])))
	}
	return int64(binary.BigEndian.Uint64(src[8*i:]))
}
