package fitsutil

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"math/big"
	"math/rand/v2"
	"strings"
	"testing"
)

// FITS Standard 4.0, appendix J, encoding example (also in Seaman, Pence &
// Rots, FITS checksum proposal): the sum 868229149, whose complement is
// 3426738146, is written "hcHjjc9ghcEghc9g".
func TestChecksumExampleOfTheStandard(t *testing.T) {
	const sum, want = 868229149, "hcHjjc9ghcEghc9g"
	if got := EncodeChecksum(sum, true); got != want {
		t.Errorf("complement of %d is written %q, want %q", uint32(sum), got, want)
	}
	if got := EncodeChecksum(3426738146, false); got != want {
		t.Errorf("3426738146 is written %q, want %q", got, want)
	}
}

// By appendix J the characters, turned back by one place and less '0' each, sum
// to the number they stand for, and none is punctuation.
func TestEncodedChecksumSumsToItsNumber(t *testing.T) {
	random := rand.New(rand.NewPCG(3, 4))
	values := []uint32{0, 1, 0xFF, 0xFFFFFFFF, 0x80808080, 0xFF00FF00}
	for range 2000 {
		values = append(values, random.Uint32())
	}
	for _, v := range values {
		text := EncodeChecksum(v, false)
		turned := text[1:] + text[:1]
		var sum uint32
		for i := 0; i < 16; i += 4 {
			var word uint32
			for j := range 4 {
				c := turned[i+j]
				if !strings.ContainsRune("0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz", rune(c)) {
					t.Fatalf("%d is written %q with %q in it", v, text, c)
				}
				word = word<<8 + uint32(c-'0')
			}
			sum += word
		}
		if sum != v {
			t.Fatalf("%d is written %q, which sums to %d", v, text, sum)
		}
	}
}

// slowSum is the definition: the sum of 32-bit words modulo 2^32 - 1, where
// only a sum of zeros is written 0.
func slowSum(b []byte) uint32 {
	total := new(big.Int)
	for i := 0; i < len(b); i += 4 {
		total.Add(total, big.NewInt(int64(binary.BigEndian.Uint32(b[i:]))))
	}
	if total.Sign() == 0 {
		return 0
	}
	rest := total.Mod(total, big.NewInt(0xFFFFFFFF)).Uint64()
	if rest == 0 {
		return 0xFFFFFFFF
	}
	return uint32(rest)
}

func TestChecksumIsTheOnesComplementSum(t *testing.T) {
	random := rand.New(rand.NewPCG(5, 6))
	for n := 0; n <= 400; n += 4 {
		for _, fill := range []int{0x00, 0xFF, -1} {
			b := bytes.Repeat([]byte{byte(fill)}, n)
			if fill < 0 {
				b = randomBytes(n)
			}
			want := slowSum(b)
			if got := Checksum(b, 0); got != want {
				t.Fatalf("%d bytes of kind %d sum to %d, want %d", n, fill, got, want)
			}
			cut := 0
			if n > 0 {
				cut = random.IntN(n/4) * 4
			}
			head, tail := Checksum(b[:cut], 0), Checksum(b[cut:], 0)
			if got := AddSums(tail, head); got != want {
				t.Fatalf("%d bytes in two parts sum to %d, want %d", n, got, want)
			}
			if got := Checksum(b[cut:], head); got != want {
				t.Fatalf("%d bytes in two steps sum to %d, want %d", n, got, want)
			}
		}
	}
}

func TestPiecesAtAnyPositionAddUp(t *testing.T) {
	b := randomBytes(1003)
	whole := append(bytes.Clone(b), 0)
	want := slowSum(whole)
	random := rand.New(rand.NewPCG(7, 8))
	for range 500 {
		var sum uint32
		for at := 0; at < len(b); {
			n := min(1+random.IntN(40), len(b)-at)
			sum = AddSums(sum, sumAt(int64(at), b[at:at+n]))
			at += n
		}
		if sum != want {
			t.Fatalf("the pieces sum to %d, the whole to %d", sum, want)
		}
	}
}

func TestChecksumOfOddLengthPanics(t *testing.T) {
	defer func() {
		if recover() == nil {
			t.Error("a sum of 5 bytes was taken")
		}
	}()
	Checksum(make([]byte, 5), 0)
}

func TestAstropyChecksumsAreVerified(t *testing.T) {
	for name, hdus := range map[string]int{"unsigned.fits": 1, "unsigned.fits.gz": 1, "blank.fits": 2, "chips.fits": 2, "table.fits": 2} {
		f := openSeed(t, name)
		if checked, err := f.VerifyChecksums(); checked != hdus || err != nil {
			t.Errorf("%s: %d HDUs checked, %v; want %d and no error", name, checked, err, hdus)
		}
	}
}

func TestEveryChangedByteIsNoticed(t *testing.T) {
	sound := seed(t, "chips.fits")
	f := openSeed(t, "chips.fits")
	for _, h := range f.HDUs() {
		for _, at := range []int64{h.HeaderOffset + 5*recordSize + 40, h.DataOffset, h.DataOffset + h.DataSize - 1} {
			b := bytes.Clone(sound)
			b[at] ^= 0x04
			changed, err := OpenBytes("changed", b, 0)
			if err != nil {
				t.Fatalf("byte %d: %v", at, err)
			}
			_, err = changed.VerifyChecksums()
			var broken *FormatError
			if !errors.As(err, &broken) || broken.Place != h.Header.place(0)[:5] {
				t.Errorf("byte %d changed: %v, want a FormatError about HDU %d", at, err, h.Index)
			}
		}
	}
}

func TestAFileWithoutChecksumsIsNotChecked(t *testing.T) {
	f, err := OpenBytes("plain", blockOf("SIMPLE  = T", "BITPIX  = 8", "NAXIS   = 0", "CHECKSUM= ''"), 0)
	if err != nil {
		t.Fatal(err)
	}
	if checked, err := f.VerifyChecksums(); checked != 0 || err != nil {
		t.Errorf("%d HDUs checked, %v; want none", checked, err)
	}
}

func TestSumsThatAreNoSums(t *testing.T) {
	for _, card := range []string{"DATASUM = 'many'", "DATASUM = '4294967296'", "DATASUM = 0", "CHECKSUM= 5", "DATASUM = '1'", "CHECKSUM= 'hcHjjc9ghcEghc9g'"} {
		f, err := OpenBytes("f", blockOf("SIMPLE  = T", "BITPIX  = 8", "NAXIS   = 0", card), 0)
		if err != nil {
			t.Fatal(err)
		}
		var broken *FormatError
		if _, err := f.VerifyChecksums(); !errors.As(err, &broken) || !strings.Contains(err.Error(), card[:7]) {
			t.Errorf("%s: %v, want a FormatError", card, err)
		}
	}
}

func openSeed(tb testing.TB, name string) *File {
	tb.Helper()
	f, err := OpenBytes(name, seed(tb, name), 0)
	if err != nil {
		tb.Fatal(err)
	}
	return f
}

// Whatever bit of a file with checksums is turned over, fill and names of
// keywords included, it is found. Only a header whose structure no longer
// tells that there is another HDU could hide one, and then its bytes are left
// over.
func TestEveryBitOfAFileWithChecksumsIsGuarded(t *testing.T) {
	w := CreateBuffer()
	iw, err := w.AddImage(NewHeader(), 16, 7, 3)
	if err != nil {
		t.Fatal(err)
	}
	if err := iw.WriteRows(0, 0, 3, make([]byte, 2*7*3)); err != nil {
		t.Fatal(err)
	}
	if err := w.Commit(); err != nil {
		t.Fatal(err)
	}
	whole := w.Bytes()
	for bit := range 8 * len(whole) {
		data := bytes.Clone(whole)
		data[bit/8] ^= 1 << (bit % 8)
		f, err := OpenBytes("turned.fits", data, 1<<20)
		if err == nil {
			err = f.RequireChecksums()
		}
		if err == nil {
			t.Fatalf("bit %d of byte %d was turned over, and nothing was said", bit%8, bit/8)
		}
	}
	f, err := OpenBytes("whole.fits", whole, 1<<20)
	if err != nil {
		t.Fatal(err)
	}
	if err := f.RequireChecksums(); err != nil {
		t.Error(err)
	}
}

func TestAFileWithoutChecksumsIsToldFromOneThatHasThem(t *testing.T) {
	f, err := OpenBytes("plain.fits", plainImage(t), 1<<20)
	if err != nil {
		t.Fatal(err)
	}
	if err := f.RequireChecksums(); err == nil || !strings.Contains(err.Error(), "DATASUM") {
		t.Errorf("error is %v, want one that names DATASUM", err)
	}
}

// plainImage is the smallest image, without checksums.
func plainImage(t *testing.T) []byte {
	t.Helper()
	head := fmt.Sprintf("%-80s%-80s%-80s%-80s%-80s%-80s", "SIMPLE  =                    T", "BITPIX  =                    8", "NAXIS   =                    1", "NAXIS1  =                    4", "OBJECT  = 'Tessaly '", "END")
	block := bytes.Repeat([]byte{' '}, blockSize)
	copy(block, head)
	return append(block, make([]byte, blockSize)...)
}
