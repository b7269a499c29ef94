package measure

import "math"

// Spatial sums up a plane of pixel means, row by row, to split its pattern
// into rows, columns and single pixels.
type Spatial struct {
	columns []float64 // sums by column, about the pivot
	counts  []float64 // values by column
	pivot   float64
	n       float64
	sum     float64 // of all values
	square  float64 // of squares
	byRow   float64 // of (row sum)^2 / n, over the rows
	perRow  float64 // of n^2, over the rows
	rows    float64
}

// NewSpatial makes sums for a region of so many columns.
func NewSpatial(width int) *Spatial {
	return &Spatial{columns: make([]float64, width), counts: make([]float64, width)}
}

// AddRow takes the values of columns x0, x0+step, ... of one row. NaN is left
// out. Bad pixels are the caller's to leave out: a single hot one may
// outweigh the pattern.
func (s *Spatial) AddRow(x0, step int, v []float32) {
	var sum, square, n float64
	x := x0
	for _, f := range v {
		if f == f {
			if s.n == 0 && n == 0 {
				s.pivot = float64(f)
			}
			d := float64(f) - s.pivot
			sum += d
			square += d * d
			n++
			s.columns[x] += d
			s.counts[x]++
		}
		x += step
	}
	if n == 0 {
		return
	}
	s.n += n
	s.sum += sum
	s.square += square
	s.byRow += sum * sum / n
	s.perRow += n * n
	s.rows++
}

// Pattern is the spatial pattern of a plane, as variances in its unit
// squared. Noise may make a small one negative.
type Pattern struct {
	N                         int
	Mean                      Figure // U is from temporal noise
	Total, Row, Column, Pixel Figure
}

// Pattern returns EMVA 1288's spatial variance s^2 of the plane, and its
// split into variances of rows, columns and pixels. temporal is the
// variance of one value of the plane from temporal noise, sigma^2/L for a
// mean of L frames; it belongs to Total and Pixel and is taken off.
//
// The split is by moments: with T_0 the sum of squares, T_r and T_c those of
// row and column sums divided by their numbers of pixels, and T_m that of all,
//
//	E T_0 = n m^2 + n (r + c + p)
//	E T_r = n m^2 + n r + R c + R p                     R rows
//	E T_c = n m^2 + C r + n c + C p                     C columns
//	E T_m = n m^2 + r sum n_i^2/n + c sum n_j^2/n + p
//
// which holds for any set of pixels, those of a colour of a mosaic or without
// bad ones, too (Henderson's method 1, Biometrics 9, 1953, from memory), and
// for a full rectangle is EMVA 1288's.
//
// Uncertainties are those for this sensor's own pixels: of k values with the
// spatial variance s^2 and the noise variance t, the sample variance has the
// variance (2 t^2 + 4 t s^2)/(k-1), and what is taken off has its own.
func (s *Spatial) Pattern(temporal Figure) Pattern {
	n, r := s.n, s.rows
	var c, byColumn, perColumn float64
	for x, k := range s.counts {
		if k > 0 {
			c++
			byColumn += s.columns[x] * s.columns[x] / k
			perColumn += k * k
		}
	}
	mean := s.sum / n
	all := n * mean * mean
	vr, vc, vp := split(n, r, c, s.perRow/n, perColumn/n, s.square-all, s.byRow-all, byColumn-all)
	t := temporal.Value
	total := (s.square-all)/(n-1) - t
	vp -= t
	wide, high := n/r, n/c // pixels of a row, of a column
	rest := spatialU(n-r-c+1, t, vp)
	return Pattern{
		N:      int(n),
		Mean:   Figure{s.pivot + mean, math.Sqrt(t / n)},
		Total:  Figure{total, math.Hypot(spatialU(n-1, t, total), temporal.U)},
		Row:    Figure{vr, math.Hypot(spatialU(r-1, t/wide, vr+vp/wide), rest/wide)},
		Column: Figure{vc, math.Hypot(spatialU(c-1, t/high, vc+vp/high), rest/high)},
		Pixel:  Figure{vp, math.Hypot(rest, temporal.U)},
	}
}

// spatialU is the standard uncertainty of the spatial variance s2 of k+1
// values with the noise variance t. An s2 that noise made negative is held at
// minus half of its uncertainty without a pattern, t sqrt(2/k): at zero the
// uncertainty would be too large on average, and without bound it would
// vanish just where s2 is furthest off.
func spatialU(k, t, s2 float64) float64 {
	least := -t * math.Sqrt(2/k) / 2
	return math.Sqrt((2*t*t + 4*t*max(s2, least)) / k)
}

// split solves the moment equations, less that of the mean, for the variances
// of r rows, c columns and the pixels: t0, tr and tc are T_0, T_r and T_c less
// T_m, and kr and kc sum n_i^2/n and sum n_j^2/n.
func split(n, r, c, kr, kc, t0, tr, tc float64) (row, column, pixel float64) {
	a := [3][4]float64{
		{n - kr, n - kc, n - 1, t0},
		{n - kr, r - kc, r - 1, tr},
		{c - kr, n - kc, c - 1, tc},
	}
	det := func(i, j, k int) float64 {
		return a[0][i]*(a[1][j]*a[2][k]-a[1][k]*a[2][j]) -
			a[0][j]*(a[1][i]*a[2][k]-a[1][k]*a[2][i]) +
			a[0][k]*(a[1][i]*a[2][j]-a[1][j]*a[2][i])
	}
	whole := det(0, 1, 2)
	return det(3, 1, 2) / whole, det(0, 3, 2) / whole, det(0, 1, 3) / whole
}

// NonUniformity is a pattern as standard deviations.
type NonUniformity struct{ Total, Row, Column, Pixel Figure }

// DSNU is EMVA 1288's DSNU1288 in electrons, from the pattern of a plane of
// darks in DN and the gain in e-/DN.
func DSNU(dark Pattern, gain Figure) NonUniformity {
	return NonUniformity{
		dark.Total.root().Times(gain), dark.Row.root().Times(gain),
		dark.Column.root().Times(gain), dark.Pixel.root().Times(gain),
	}
}

// PRNU is EMVA 1288's PRNU1288 in per cent: with the patterns of a plane of
// flats near half of saturation and of one of darks of the same exposure,
//
//	PRNU = 100 sqrt(s^2_bright - s^2_dark) / (mean_bright - mean_dark)
//
// The shading of lamp and optics is not the sensor's and has to be taken out
// of the flats before.
func PRNU(bright, dark Pattern) NonUniformity {
	signal := bright.Mean.minus(dark.Mean)
	percent := func(b, d Figure) Figure {
		return b.minus(d).root().over(signal).scaled(100)
	}
	return NonUniformity{
		percent(bright.Total, dark.Total), percent(bright.Row, dark.Row),
		percent(bright.Column, dark.Column), percent(bright.Pixel, dark.Pixel),
	}
}
