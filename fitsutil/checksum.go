package fitsutil

import (
	"encoding/binary"
	"errors"
	"fmt"
	"math/bits"
	"strconv"
	"strings"
)

// Checksum adds the bytes of b to the running sum acc, as 32-bit big-endian
// numbers in 1's complement arithmetic (clause 4.4.2.7 and appendix J). Sums
// of pieces of a data unit that start at multiples of 4 bytes may be taken in
// any order and put together with [AddSums].
//
// It panics when the length of b is not a multiple of 4.
func Checksum(b []byte, acc uint32) uint32 {
	if len(b)%4 != 0 {
		panic(fmt.Sprintf("fitsutil: checksum of %d bytes, which is not a multiple of 4", len(b)))
	}
	// 2^64 - 1 is a multiple of 2^32 - 1, so 64-bit words may be added with
	// their carry brought round, and the halves folded at the end.
	sum := uint64(acc)
	var carry uint64
	for len(b) >= 64 {
		w := b[:64:64]
		sum, carry = bits.Add64(sum, binary.BigEndian.Uint64(w[0:8]), carry)
		sum, carry = bits.Add64(sum, binary.BigEndian.Uint64(w[8:16]), carry)
		sum, carry = bits.Add64(sum, binary.BigEndian.Uint64(w[16:24]), carry)
		sum, carry = bits.Add64(sum, binary.BigEndian.Uint64(w[24:32]), carry)
		sum, carry = bits.Add64(sum, binary.BigEndian.Uint64(w[32:40]), carry)
		sum, carry = bits.Add64(sum, binary.BigEndian.Uint64(w[40:48]), carry)
		sum, carry = bits.Add64(sum, binary.BigEndian.Uint64(w[48:56]), carry)
		sum, carry = bits.Add64(sum, binary.BigEndian.Uint64(w[56:64]), carry)
		b = b[64:]
	}
	for len(b) >= 4 {
		sum, carry = bits.Add64(sum, uint64(binary.BigEndian.Uint32(b)), carry)
		b = b[4:]
	}
	return fold(sum, carry)
}

// fold brings a 64-bit 1's complement sum down to 32 bits. Only a sum of
// nothing but zeros stays zero.
func fold(sum, carry uint64) uint32 {
	sum, carry = bits.Add64(sum, 0, carry)
	sum += carry
	sum = sum>>32 + sum&0xFFFFFFFF
	sum = sum>>32 + sum&0xFFFFFFFF
	return uint32(sum)
}

// AddSums adds two sums in 1's complement arithmetic.
func AddSums(a, b uint32) uint32 {
	return fold(uint64(a)+uint64(b), 0)
}

// sumAt is the contribution to the sum of bytes that start at any position of
// the data unit: the bytes that share a 32-bit word with others count as if
// those were zero.
func sumAt(position int64, b []byte) uint32 {
	var sum uint32
	if lead := int(position % 4); lead != 0 {
		var word [4]byte
		n := copy(word[lead:], b)
		sum = Checksum(word[:], sum)
		b = b[n:]
	}
	whole := len(b) &^ 3
	sum = Checksum(b[:whole], sum)
	if whole < len(b) {
		var word [4]byte
		copy(word[:], b[whole:])
		sum = Checksum(word[:], sum)
	}
	return sum
}

// EncodeChecksum writes a sum, or its complement, as the 16 characters of a
// CHECKSUM keyword (appendix J): each byte as four characters of which it is
// the sum, none of them punctuation, and the whole turned right by one place,
// because the value starts at the fourth byte of a word.
func EncodeChecksum(sum uint32, complement bool) string {
	if complement {
		sum = ^sum
	}
	var text [16]byte
	for i := 0; i < 4; i++ {
		quarters := splitByte(byte(sum >> (24 - 8*i)))
		for j, c := range quarters {
			text[(4*j+i+1)%16] = c
		}
	}
	return string(text[:])
}

// splitByte returns four letters or digits whose distances from '0' add up to
// b. Pairs are moved apart in steps of one until none is punctuation.
func splitByte(b byte) [4]byte {
	var q [4]byte
	for i := range q {
		q[i] = b/4 + '0'
	}
	q[0] += b % 4
	for punctuated(q) {
		for i := 0; i < 4; i += 2 {
			if isPunctuation(q[i]) || isPunctuation(q[i+1]) {
				q[i]++
				q[i+1]--
			}
		}
	}
	return q
}

func punctuated(q [4]byte) bool {
	return isPunctuation(q[0]) || isPunctuation(q[1]) || isPunctuation(q[2]) || isPunctuation(q[3])
}

// isPunctuation reports the characters between the digits and letters that
// appendix J excludes.
func isPunctuation(c byte) bool {
	return c >= ':' && c <= '@' || c >= '[' && c <= '`'
}

// VerifyChecksums works out the DATASUM and CHECKSUM of each HDU that has them
// (clause 4.4.2.7) and returns how many HDUs were checked. Each that does not
// agree gives a [FormatError] that names the HDU; several are joined.
func (f *File) VerifyChecksums() (checked int, err error) {
	var problems []error
	for _, h := range f.hdus {
		some, err := f.verifyHDU(h)
		if some {
			checked++
		}
		problems = append(problems, err)
	}
	return checked, errors.Join(problems...)
}

// RequireChecksums is VerifyChecksums for files that must carry both sums in
// every HDU: one that lacks them is a [FormatError] too.
func (f *File) RequireChecksums() error {
	for _, h := range f.hdus {
		for _, key := range []string{"DATASUM", "CHECKSUM"} {
			if _, ok, err := h.checksumText(key); err != nil || !ok {
				return errors.Join(err, h.checksumMismatch("lacks "+key+", which every HDU of such a file carries"))
			}
		}
	}
	_, err := f.VerifyChecksums()
	return err
}

func (f *File) verifyHDU(h *HDU) (some bool, err error) {
	dataText, hasData, err := h.checksumText("DATASUM")
	if err != nil {
		return false, err
	}
	headText, hasHead, err := h.checksumText("CHECKSUM")
	if err != nil || !hasData && !hasHead {
		return false, err
	}
	head, err := f.sumRange(h, h.HeaderOffset, h.DataOffset)
	if err != nil {
		return true, err
	}
	// The fill up to the whole block belongs to the sum, where the file has it.
	end, err := f.src.reach(h.DataOffset + padded(h.DataSize))
	if err != nil {
		return true, err
	}
	data, err := f.sumRange(h, h.DataOffset, end)
	if err != nil {
		return true, err
	}
	var problems []error
	if hasData {
		problems = append(problems, h.compareDataSum(dataText, data))
	}
	// The sum of the whole HDU is -0 when it is intact.
	if total := AddSums(head, data); hasHead && total != 0xFFFFFFFF && total != 0 {
		problems = append(problems, h.checksumMismatch(fmt.Sprintf("CHECKSUM %q does not fit: the HDU sums to %d instead of -0", headText, total)))
	}
	return true, errors.Join(problems...)
}

// checksumText returns the text of a checksum keyword; an empty one means that
// the sum is undefined (clause 4.4.2.7).
func (h *HDU) checksumText(key string) (string, bool, error) {
	text, ok, err := h.Header.Text(key)
	return text, ok && text != "", err
}

func (h *HDU) compareDataSum(text string, sum uint32) error {
	want, err := strconv.ParseUint(strings.TrimSpace(text), 10, 32)
	if err != nil {
		return h.broken(fmt.Sprintf("DATASUM %q is not an unsigned integer of 32 bits (clause 4.4.2.7)", text), "the header is damaged")
	}
	if uint32(want) != sum {
		return h.checksumMismatch(fmt.Sprintf("DATASUM says %d, the data sums to %d", want, sum))
	}
	return nil
}

func (h *HDU) checksumMismatch(problem string) error {
	return h.broken(problem+" (clause 4.4.2.7)", "the HDU was changed or damaged after it was written: fetch the file again")
}

// sumRange sums the bytes of a file from start to end, as if zeros followed.
func (f *File) sumRange(h *HDU, start, end int64) (uint32, error) {
	if b, ok := f.src.view(start, end-start); ok {
		return sumAt(0, b), nil
	}
	buf := make([]byte, min(end-start, 64*blockSize))
	var sum uint32
	for at := start; at < end; at += int64(len(buf)) {
		buf = buf[:min(end-at, int64(len(buf)))]
		if err := f.readFull(h, buf, at); err != nil {
			return 0, err
		}
		sum = AddSums(sum, sumAt(at-start, buf))
	}
	return sum, nil
}
