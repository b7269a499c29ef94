package colour

import "math"

// Lab is a colour in CIELAB: L* of white is 100.
type Lab struct{ L, A, B float64 }

// ToLab takes X, Y and Z to CIELAB relative to a white (ISO/CIE 11664-4). The
// straight part near black goes on below zero.
func ToLab(xyz, white [3]float64) Lab {
	f := func(t float64) float64 {
		const d = 6.0 / 29
		if t > d*d*d {
			return math.Cbrt(t)
		}
		return t/(3*d*d) + 4.0/29
	}
	x, y, z := f(xyz[0]/white[0]), f(xyz[1]/white[1]), f(xyz[2]/white[2])
	return Lab{116*y - 16, 500 * (x - y), 200 * (y - z)}
}

// DeltaE76 is the CIE 1976 colour difference (ISO/CIE 11664-4): the distance
// in CIELAB.
func DeltaE76(a, b Lab) float64 {
	return math.Sqrt(square(a.L-b.L) + square(a.A-b.A) + square(a.B-b.B))
}

func square(x float64) float64 { return x * x }

// DeltaE2000 is the CIEDE2000 colour difference (ISO/CIE 11664-6) with all
// parametric factors 1.
func DeltaE2000(a, b Lab) float64 {
	g := 0.5 * (1 - chromaShare((math.Hypot(a.A, a.B)+math.Hypot(b.A, b.B))/2))
	a1, b1 := (1+g)*a.A, (1+g)*b.A
	c1, c2 := math.Hypot(a1, a.B), math.Hypot(b1, b.B)
	h1, h2 := hueDegrees(a1, a.B), hueDegrees(b1, b.B)
	step, hue := hueStepAndMean(h1, h2, c1*c2 == 0)

	lightness, chroma := (a.L+b.L)/2, (c1+c2)/2
	sl := 1 + 0.015*square(lightness-50)/math.Sqrt(20+square(lightness-50))
	sc := 1 + 0.045*chroma
	t := 1 - 0.17*cosDegrees(hue-30) + 0.24*cosDegrees(2*hue) + 0.32*cosDegrees(3*hue+6) - 0.20*cosDegrees(4*hue-63)
	sh := 1 + 0.015*chroma*t
	turn := 60 * math.Exp(-square((hue-275)/25)) // degrees
	rt := -2 * chromaShare(chroma) * math.Sin(turn*math.Pi/180)

	dl := (b.L - a.L) / sl
	dc := (c2 - c1) / sc
	dh := 2 * math.Sqrt(c1*c2) * math.Sin(step/2*math.Pi/180) / sh
	return math.Sqrt(dl*dl + dc*dc + dh*dh + rt*dc*dh)
}

// chromaShare is sqrt(C^7/(C^7+25^7)).
func chromaShare(c float64) float64 {
	c7 := math.Pow(c, 7)
	return math.Sqrt(c7 / (c7 + math.Pow(25, 7)))
}

func cosDegrees(d float64) float64 { return math.Cos(d * math.Pi / 180) }

// hueDegrees is the hue angle, 0 to 360, and 0 for grey.
func hueDegrees(a, b float64) float64 {
	h := math.Atan2(b, a) * 180 / math.Pi
	if h < 0 {
		h += 360
	}
	return h
}

// hueStepAndMean returns the difference of two hues by the shorter way, and
// the hue halfway; where one colour is grey, no difference and the sum.
func hueStepAndMean(h1, h2 float64, grey bool) (step, mean float64) {
	if grey {
		return 0, h1 + h2
	}
	step, mean = h2-h1, (h1+h2)/2
	if math.Abs(step) <= 180 {
		return step, mean
	}
	if step > 0 {
		step -= 360
	} else {
		step += 360
	}
	if mean < 180 {
		return step, mean + 180
	}
	return step, mean - 180
}
