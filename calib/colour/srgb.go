package colour

import (
	"math"

	"gonum.org/v1/gonum/mat"
)

// SRGBWhite returns X, Y and Z of the white of sRGB, x = 0.3127 and y = 0.3290
// (IEC 61966-2-1), with Y = 1.
func SRGBWhite() [3]float64 { return fromChromaticity(0.3127, 0.3290) }

func fromChromaticity(x, y float64) [3]float64 { return [3]float64{x / y, 1, (1 - x - y) / y} }

// LinearToXYZ returns the 3 x 3 matrix that takes linear sRGB to XYZ, from the
// primaries and the white of IEC 61966-2-1: the columns are the primaries, each
// scaled so that together they make white.
func LinearToXYZ() *mat.Dense {
	primaries := mat.NewDense(3, 3, nil)
	for c, xy := range [3][2]float64{{0.64, 0.33}, {0.30, 0.60}, {0.15, 0.06}} {
		p := fromChromaticity(xy[0], xy[1])
		primaries.SetCol(c, p[:])
	}
	white := SRGBWhite()
	var amounts mat.VecDense
	if err := amounts.SolveVec(primaries, mat.NewVecDense(3, white[:])); err != nil {
		panic(err) // the primaries are constants, and independent
	}
	var m mat.Dense
	m.Mul(primaries, mat.NewDiagDense(3, amounts.RawVector().Data))
	return &m
}

// XYZToLinear returns the inverse of LinearToXYZ.
func XYZToLinear() *mat.Dense { return inverse(LinearToXYZ()) }

func inverse(m *mat.Dense) *mat.Dense {
	var inv mat.Dense
	if err := inv.Inverse(m); err != nil {
		panic(err) // only constant matrices come here
	}
	return &inv
}

// Adaptation returns the 3 x 3 matrix that takes the XYZ of a colour seen in
// light of one white to those of the colour that looks the same in light of
// another: von Kries scaling in the Bradford cone space, as in ICC.1:2022,
// annex E (the cone matrix from memory; the tests compare it).
func Adaptation(from, to [3]float64) *mat.Dense {
	cones := mat.NewDense(3, 3, []float64{
		0.8951, 0.2664, -0.1614,
		-0.7502, 1.7135, 0.0367,
		0.0389, -0.0685, 1.0296,
	})
	var a, b mat.VecDense
	a.MulVec(cones, mat.NewVecDense(3, from[:]))
	b.MulVec(cones, mat.NewVecDense(3, to[:]))
	b.DivElemVec(&b, &a)
	var m mat.Dense
	m.Product(inverse(cones), mat.NewDiagDense(3, b.RawVector().Data), cones)
	return &m
}

// Encode takes linear sRGB, 0 to 1, to the encoded value, 0 to 1 (IEC
// 61966-2-1). Values outside go on along the same curve, negative ones along
// its mirror image.
func Encode(linear float64) float64 {
	if linear < 0 {
		return -Encode(-linear)
	}
	if linear <= 0.0031308 {
		return 12.92 * linear
	}
	return 1.055*math.Pow(linear, 1/2.4) - 0.055
}

// Decode takes encoded sRGB back to linear.
func Decode(encoded float64) float64 {
	if encoded < 0 {
		return -Decode(-encoded)
	}
	if encoded <= 0.04045 {
		return encoded / 12.92
	}
	return math.Pow((encoded+0.055)/1.055, 2.4)
}
