package fitsutil

import (
	"encoding/binary"
	"errors"
	"math"
	"testing"
)

// rawSamples writes stored integers or reals in the layout of clause 5, one
// number at a time.
func rawSamples(bitpix int, stored []float64) []byte {
	var b []byte
	for _, v := range stored {
		switch bitpix {
		case 8:
			b = append(b, byte(v))
		case 16:
			b = binary.BigEndian.AppendUint16(b, uint16(int16(v)))
		case 32:
			b = binary.BigEndian.AppendUint32(b, uint32(int32(v)))
		case 64:
			b = binary.BigEndian.AppendUint64(b, uint64(int64(v)))
		case -32:
			b = binary.BigEndian.AppendUint32(b, math.Float32bits(float32(v)))
		case -64:
			b = binary.BigEndian.AppendUint64(b, math.Float64bits(v))
		}
	}
	return b
}

// Physical numbers are BZERO + BSCALE * stored and BLANK is NaN (FITS Standard
// 4.0, clause 4.4.2.5). All numbers here are exact in float32.
func TestDecodeAppliesScaleZeroAndBlank(t *testing.T) {
	nan := math.NaN()
	blank := int64(7)
	cases := []struct {
		name        string
		bitpix      int
		scale, zero float64
		blank       *int64
		stored      []float64
		want        []float64
	}{
		{"bytes", 8, 1, 0, nil, []float64{0, 1, 128, 255}, []float64{0, 1, 128, 255}},
		{"signed bytes", 8, 1, -128, nil, []float64{0, 128, 255}, []float64{-128, 0, 127}},
		{"int16", 16, 1, 0, nil, []float64{-32768, -1, 0, 1, 32767}, []float64{-32768, -1, 0, 1, 32767}},
		{"uint16", 16, 1, 32768, nil, []float64{-32768, -1, 0, 32767}, []float64{0, 32767, 32768, 65535}},
		{"int16 scaled", 16, 0.5, 10, nil, []float64{-4, 0, 3}, []float64{8, 10, 11.5}},
		{"int16 blank", 16, 1, 0, &blank, []float64{7, 8}, []float64{nan, 8}},
		{"uint16 blank", 16, 1, 32768, &blank, []float64{7, 8}, []float64{nan, 32776}},
		{"bytes blank and scaled", 8, 2, 1, &blank, []float64{7, 8}, []float64{nan, 17}},
		{"int32", 32, 1, 0, nil, []float64{-1 << 31, 5, 1 << 30}, []float64{-1 << 31, 5, 1 << 30}},
		{"int32 blank", 32, 4, 0, &blank, []float64{7, -7}, []float64{nan, -28}},
		{"int64", 64, 1, 0, nil, []float64{-1 << 62, 5, 1 << 40}, []float64{-1 << 62, 5, 1 << 40}},
		{"int64 blank", 64, 1, 1, &blank, []float64{7, 8}, []float64{nan, 9}},
		{"float32", -32, 1, 0, nil, []float64{1.5, nan, math.Inf(-1), 0}, []float64{1.5, nan, math.Inf(-1), 0}},
		{"float32 scaled", -32, 2, 1, nil, []float64{1.5, nan}, []float64{4, nan}},
		{"float64", -64, 1, 0, nil, []float64{0.1, nan, 1e300}, []float64{0.1, nan, 1e300}},
		{"float64 scaled", -64, 2, -1, nil, []float64{1.5}, []float64{2}},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			h := &HDU{Bitpix: c.bitpix, Scale: c.scale, Zero: c.zero, Blank: c.blank}
			// Repetition makes every position of the unrolled loops see every
			// value, and their remainders all lengths.
			for copies := 1; copies <= 9; copies++ {
				stored, want := repeat(c.stored, copies), repeat(c.want, copies)
				src := rawSamples(c.bitpix, stored)
				single := make([]float32, len(want))
				double := make([]float64, len(want))
				if err := errors.Join(h.DecodeFloat32(single, src), h.DecodeFloat64(double, src)); err != nil {
					t.Fatal(err)
				}
				for i, w := range want {
					if !sameFloat(double[i], w) || !sameFloat(float64(single[i]), float64(float32(w))) {
						t.Fatalf("sample %d of %d: float32 %v and float64 %v, want %v", i, len(want), single[i], double[i], w)
					}
				}
			}
		})
	}
}

func repeat(x []float64, n int) []float64 {
	var out []float64
	for range n {
		out = append(out, x...)
	}
	return out
}

func sameFloat(a, b float64) bool {
	return a == b || math.IsNaN(a) && math.IsNaN(b)
}

// Samples of the converter's range come out as DecodeFloat32 has them, less the
// offset; one sample out of range, wherever it is, is told.
func TestDecodeAboveTellsSamplesOutOfRange(t *testing.T) {
	const n, bits, offset = 21, 12, 317.25
	for _, zero := range []float64{0, 32768} {
		h := &HDU{Kind: ImageHDU, Bitpix: 16, Scale: 1, Zero: zero}
		samples := make([]float64, n) // as stored
		for i := range samples {
			samples[i] = float64(i*4095/(n-1)) - zero
		}
		want, got := make([]float32, n), make([]float32, n)
		if err := h.DecodeFloat32(want, rawSamples(16, samples)); err != nil {
			t.Fatal(err)
		}
		if !h.DecodeAbove(got, rawSamples(16, samples), offset, bits) {
			t.Errorf("BZERO %g: samples of 0 to 4095 are not taken", zero)
		}
		for i := range want {
			if got[i] != want[i]-offset {
				t.Errorf("BZERO %g: sample %d is %g, want %g", zero, i, got[i], want[i]-offset)
			}
		}
		beyond := []float64{4096, 32767}
		if zero == 0 {
			beyond = append(beyond, -1, -32768)
		} else {
			beyond = append(beyond, 32768, 65535)
		}
		for i := range samples {
			for _, v := range beyond {
				bad := append([]float64{}, samples...)
				bad[i] = v - zero
				if h.DecodeAbove(got, rawSamples(16, bad), offset, bits) {
					t.Errorf("BZERO %g: %g in place %d passes as a sample of %d bits", zero, v, i, bits)
				}
			}
		}
	}
	all := &HDU{Kind: ImageHDU, Bitpix: 16, Scale: 1, Zero: 32768}
	if !all.DecodeAbove(make([]float32, 2), rawSamples(16, []float64{-32768, 32767}), 0, 16) {
		t.Error("samples of 0 and 65535 are not taken as 16 bits")
	}
}

// What is not stored as plain 16-bit numbers is left to DecodeFloat32.
func TestDecodeAboveRefusesOtherSamples(t *testing.T) {
	blank := int64(3)
	for name, h := range map[string]*HDU{
		"float32": {Kind: ImageHDU, Bitpix: -32, Scale: 1}, "int32": {Kind: ImageHDU, Bitpix: 32, Scale: 1},
		"scaled": {Kind: ImageHDU, Bitpix: 16, Scale: 2}, "shifted": {Kind: ImageHDU, Bitpix: 16, Scale: 1, Zero: 5},
		"blank": {Kind: ImageHDU, Bitpix: 16, Scale: 1, Blank: &blank},
	} {
		if h.DecodeAbove(make([]float32, 2), rawSamples(h.Bitpix, []float64{1, 2}), 0, 16) {
			t.Errorf("%s: taken", name)
		}
	}
	h := &HDU{Kind: ImageHDU, Bitpix: 16, Scale: 1}
	if h.DecodeAbove(make([]float32, 3), rawSamples(16, []float64{1, 2}), 0, 16) {
		t.Error("two samples for a row of three: taken")
	}
}

func TestDecodeInt32(t *testing.T) {
	cases := []struct {
		bitpix int
		zero   float64
		stored []float64
		want   []int32
	}{
		{8, 0, []float64{0, 255}, []int32{0, 255}},
		{8, -128, []float64{0, 255}, []int32{-128, 127}},
		{16, 0, []float64{-32768, 32767}, []int32{-32768, 32767}},
		{16, 32768, []float64{-32768, 32767}, []int32{0, 65535}},
		{32, 0, []float64{-1 << 31, 1<<31 - 1}, []int32{-1 << 31, 1<<31 - 1}},
	}
	for _, c := range cases {
		h := &HDU{Bitpix: c.bitpix, Scale: 1, Zero: c.zero}
		got := make([]int32, len(c.want))
		if err := h.DecodeInt32(got, rawSamples(c.bitpix, c.stored)); err != nil {
			t.Fatal(err)
		}
		for i := range got {
			if got[i] != c.want[i] {
				t.Errorf("BITPIX %d, BZERO %v: %d, want %d", c.bitpix, c.zero, got[i], c.want[i])
			}
		}
	}
}

func TestDecodeInt32RefusesWhatIsNoInteger(t *testing.T) {
	for _, h := range []HDU{
		{Bitpix: -32, Scale: 1}, {Bitpix: 64, Scale: 1}, {Bitpix: 16, Scale: 2}, {Bitpix: 16, Scale: 1, Zero: 0.5},
		{Bitpix: 32, Scale: 1, Zero: 1 << 31}, {Bitpix: 16, Scale: 1, Zero: math.MaxInt32},
	} {
		var unsupported *UnsupportedError
		if err := h.DecodeInt32(make([]int32, 1), make([]byte, sampleBytes(h.Bitpix))); !errors.As(err, &unsupported) {
			t.Errorf("BITPIX %d, BSCALE %v, BZERO %v: %v, want an UnsupportedError", h.Bitpix, h.Scale, h.Zero, err)
		}
	}
}

func TestDecodeRefusesWrongLengths(t *testing.T) {
	h := &HDU{Bitpix: 16, Scale: 1}
	for _, n := range []int{0, 9, 11, 12} {
		if err := h.DecodeFloat32(make([]float32, 5), make([]byte, n)); err == nil {
			t.Errorf("%d bytes for 5 samples of 2 bytes were accepted", n)
		}
	}
	table := &HDU{Kind: BinaryTable, Bitpix: 8, Scale: 1}
	var unsupported *UnsupportedError
	if err := table.DecodeFloat64(make([]float64, 5), make([]byte, 5)); !errors.As(err, &unsupported) {
		t.Errorf("decoding a table: %v", err)
	}
}

// Encoders are checked against encoding/binary, one number at a time.
func TestEncodersWriteBigEndian(t *testing.T) {
	for n := range 20 {
		singles, doubles := make([]float32, n), make([]float64, n)
		words, longs := make([]uint16, n), make([]int32, n)
		var want32, want64, want16, wantOffset, wantLong []byte
		for i := range n {
			singles[i], doubles[i] = float32(i)*-1.7, float64(i)*-1.7
			words[i], longs[i] = uint16(i*7919), int32(i*-7919777)
			want32 = binary.BigEndian.AppendUint32(want32, math.Float32bits(singles[i]))
			want64 = binary.BigEndian.AppendUint64(want64, math.Float64bits(doubles[i]))
			want16 = binary.BigEndian.AppendUint16(want16, words[i])
			wantOffset = binary.BigEndian.AppendUint16(wantOffset, words[i]-32768)
			wantLong = binary.BigEndian.AppendUint32(wantLong, uint32(longs[i]))
		}
		for _, c := range []struct {
			name   string
			encode func(dst []byte)
			want   []byte
		}{
			{"EncodeFloat32", func(dst []byte) { EncodeFloat32(dst, singles) }, want32},
			{"EncodeFloat64", func(dst []byte) { EncodeFloat64(dst, doubles) }, want64},
			{"EncodeInt16", func(dst []byte) { EncodeInt16(dst, words) }, want16},
			{"EncodeUint16Offset", func(dst []byte) { EncodeUint16Offset(dst, words) }, wantOffset},
			{"EncodeInt32", func(dst []byte) { EncodeInt32(dst, longs) }, wantLong},
		} {
			dst := make([]byte, len(c.want)+3)
			c.encode(dst)
			if string(dst[:len(c.want)]) != string(c.want) || dst[len(c.want)] != 0 {
				t.Errorf("%s of %d numbers: % x, want % x and zeros behind", c.name, n, dst, c.want)
			}
		}
	}
}

func TestEncodersPanicOnShortBuffers(t *testing.T) {
	defer func() {
		if recover() == nil {
			t.Error("5 numbers were written into 19 bytes")
		}
	}()
	EncodeFloat32(make([]byte, 19), make([]float32, 5))
}
