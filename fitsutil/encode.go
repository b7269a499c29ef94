package fitsutil

import (
	"encoding/binary"
	"math"
)

// The encoders turn numbers into the big-endian bytes of a data unit (clause
// 5). Each panics when dst is too short for src. Bytes (BITPIX 8) need no
// encoding: they are their own raw samples.

// EncodeFloat32 writes 4 bytes a number, for BITPIX -32 (clause 5.3).
func EncodeFloat32(dst []byte, src []float32) {
	dst = dst[:4*len(src)]
	for len(src) >= 4 && len(dst) >= 16 {
		a := uint64(math.Float32bits(src[0]))<<32 | uint64(math.Float32bits(src[1]))
		b := uint64(math.Float32bits(src[2]))<<32 | uint64(math.Float32bits(src[3]))
		binary.BigEndian.PutUint64(dst, a)
		binary.BigEndian.PutUint64(dst[8:], b)
		src, dst = src[4:], dst[16:]
	}
	for i, x := range src {
		binary.BigEndian.PutUint32(dst[4*i:], math.Float32bits(x))
	}
}

// EncodeFloat64 writes 8 bytes a number, for BITPIX -64 (clause 5.3).
func EncodeFloat64(dst []byte, src []float64) {
	dst = dst[:8*len(src)]
	for i, x := range src {
		binary.BigEndian.PutUint64(dst[8*i:], math.Float64bits(x))
	}
}

// EncodeInt16 writes 2 bytes a number, for BITPIX 16 (clause 5.2.2). src holds
// two's complement bit patterns.
func EncodeInt16(dst []byte, src []uint16) {
	encode16(dst, src, 0)
}

// EncodeUint16Offset writes unsigned numbers as BITPIX 16 has them together
// with BSCALE = 1 and BZERO = 32768 (clause 5.2.5, table 11).
func EncodeUint16Offset(dst []byte, src []uint16) {
	encode16(dst, src, 0x8000)
}

func encode16(dst []byte, src []uint16, flip uint16) {
	dst = dst[:2*len(src)]
	flips := uint64(flip) * 0x0001000100010001
	for len(src) >= 4 && len(dst) >= 8 {
		a := uint64(src[0])<<48 | uint64(src[1])<<32 | uint64(src[2])<<16 | uint64(src[3])
		binary.BigEndian.PutUint64(dst, a^flips)
		src, dst = src[4:], dst[8:]
	}
	for i, v := range src {
		binary.BigEndian.PutUint16(dst[2*i:], v^flip)
	}
}

// EncodeInt32 writes 4 bytes a number, for BITPIX 32 (clause 5.2.3).
func EncodeInt32(dst []byte, src []int32) {
	dst = dst[:4*len(src)]
	for i, v := range src {
		binary.BigEndian.PutUint32(dst[4*i:], uint32(v))
	}
}
