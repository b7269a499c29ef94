package colour

import (
	"encoding/binary"
	"math"
	"testing"
)

func mustEncoder(t *testing.T, s Stretch) *Encoder {
	t.Helper()
	e, err := NewEncoder(s)
	if err != nil {
		t.Fatal(err)
	}
	return e
}

func withGamma(g float64) Stretch {
	s := FullRange()
	s.Gamma = g
	return s
}

// codes are the 16-bit and 8-bit codes of a grey value.
func codes(e *Encoder, x float32) (deep uint16, plain uint8) {
	var d [8]byte
	var p [4]byte
	e.Row([]float32{x, x, x}, d[:], p[:])
	return binary.BigEndian.Uint16(d[:]), p[0]
}

// TestCodesAreExactToRounding goes through the whole range, evenly and by
// factors, so that the pieces near zero are seen too.
func TestCodesAreExactToRounding(t *testing.T) {
	var values []float32
	for i := range 1 << 17 {
		values = append(values, float32(i)/(1<<17-1))
	}
	for x := 1.0; x > 1e-19; x *= 0.9993 {
		values = append(values, float32(x))
	}
	for name, s := range map[string]Stretch{
		"sRGB": FullRange(), "gamma 0.4": withGamma(0.4), "gamma 1": withGamma(1), "gamma 2.2": withGamma(2.2), "gamma 3.5": withGamma(3.5),
	} {
		e, curve := mustEncoder(t, s), s.curve()
		var worst float64
		for _, x := range values {
			deep, _ := codes(e, x)
			worst = max(worst, math.Abs(float64(deep)-65535*curve(float64(x))))
		}
		if worst > 0.55 {
			t.Errorf("%s: a code is %.3f from the exact value, want 0.55 at most", name, worst)
		}
	}
}

func TestCodesNeverFall(t *testing.T) {
	for _, s := range []Stretch{FullRange(), withGamma(0.4), withGamma(3.5)} {
		e := mustEncoder(t, s)
		var lastDeep uint16
		var lastPlain uint8
		for x := float32(0); x <= 1; x += 1.0 / (1 << 18) {
			deep, plain := codes(e, x)
			if deep < lastDeep || plain < lastPlain {
				t.Fatalf("gamma %g: the code falls at %g", s.Gamma, x)
			}
			lastDeep, lastPlain = deep, plain
		}
	}
}

func TestEveryCodeComesBack(t *testing.T) {
	e := mustEncoder(t, FullRange())
	for code := range 65536 {
		if deep, _ := codes(e, float32(Decode(float64(code)/65535))); int(deep) != code {
			t.Fatalf("code %d comes back as %d", code, deep)
		}
	}
	for code := range 256 {
		if _, plain := codes(e, float32(Decode(float64(code)/255))); int(plain) != code {
			t.Fatalf("8-bit code %d comes back as %d", code, plain)
		}
	}
}

func TestEightBitsAreRoundedWithoutBias(t *testing.T) {
	var sum float64
	for code := range uint32(65536) {
		got, exact := float64(eight(code)), float64(code)/257
		if math.Abs(got-exact) >= 0.5 {
			t.Fatalf("code %d becomes %g, exactly %g", code, got, exact)
		}
		sum += got - exact
	}
	within(t, "mean error", sum/65536, 0, 1e-12)
}

func TestWhiteBlackAndWhatDoesNotFit(t *testing.T) {
	e := mustEncoder(t, FullRange())
	inf := float32(math.Inf(1))
	for _, c := range []struct {
		name    string
		rgb     [3]float32
		plain   [4]uint8
		clipped Clipped
	}{
		{"black", [3]float32{0, 0, 0}, [4]uint8{0, 0, 0, 255}, Clipped{}},
		{"white", [3]float32{1, 1, 1}, [4]uint8{255, 255, 255, 255}, Clipped{}},
		{"white but for rounding", [3]float32{1.0000002, 0.9999998, 1}, [4]uint8{255, 255, 255, 255}, Clipped{}},
		{"too bright", [3]float32{1.5, 0, 1}, [4]uint8{255, 0, 255, 255}, Clipped{Above: 1}},
		{"out of gamut", [3]float32{-0.1, 1, 0}, [4]uint8{0, 255, 0, 255}, Clipped{Below: 1}},
		{"both", [3]float32{-0.1, 2, 1}, [4]uint8{0, 255, 255, 255}, Clipped{Below: 1, Above: 1}},
		{"infinite", [3]float32{inf, 0, 0}, [4]uint8{255, 0, 0, 255}, Clipped{Above: 1}},
		{"no value", [3]float32{nan(), nan(), nan()}, [4]uint8{}, Clipped{}},
		{"no value in one channel", [3]float32{1, nan(), 1}, [4]uint8{}, Clipped{}},
	} {
		deep, plain := []byte{1, 1, 1, 1, 1, 1, 1, 1}, []byte{1, 1, 1, 1}
		clipped := e.Row(c.rgb[:], deep, plain)
		if clipped != c.clipped || [4]uint8(plain) != c.plain {
			t.Errorf("%s: %v, clipped %+v, want %v, %+v", c.name, plain, clipped, c.plain, c.clipped)
		}
		for k := range 4 {
			if deep[2*k] != c.plain[k] || deep[2*k+1] != c.plain[k] { // 0 and 65535 only
				t.Errorf("%s: 16 bits %v, 8 bits %v", c.name, deep, plain)
			}
		}
		if alone := e.Row(c.rgb[:], nil, nil); alone != c.clipped {
			t.Errorf("%s: clipped %+v where no codes are wanted", c.name, alone)
		}
	}
}

func TestStretchComesBeforeTheCurve(t *testing.T) {
	s := Stretch{Low: [3]float64{0.1, 0.1, 0.1}, High: [3]float64{0.3, 0.3, 0.3}, Gamma: 2}
	deep, _ := codes(mustEncoder(t, s), 0.15) // a quarter of the way, so half after the curve
	within(t, "code", float64(deep), 32767.5, 0.6)
}
