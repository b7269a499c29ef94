package demo

import "math"

// colourWindow is half the side, in pixels, of the square over which bands are
// compared as if the ground had one colour (the default of package moving).
const colourWindow = 16

// evenColour tells which pixels have, in every band, the colour of their
// surroundings to within a limit: radiance over the mean of all bands, less
// the mean of the same over the window, relative. The planes are those of all
// bands at one place. Where there is no light there is no colour.
func evenColour(planes [][]float32, width, height int, limit []float64) []bool {
	out := make([]bool, width*height)
	for i := range out {
		out[i] = true
	}
	mean := make([]float64, width*height)
	for _, p := range planes {
		for i, v := range p {
			mean[i] += float64(v) / float64(len(planes))
		}
	}
	colour := make([]float64, width*height)
	for b, p := range planes {
		for i, v := range p {
			colour[i] = math.NaN()
			if v > 0 {
				colour[i] = math.Log(float64(v) / mean[i])
			}
		}
		around := windowMean(colour, width, height, colourWindow)
		for i := range out {
			// NaN fails the comparison.
			out[i] = out[i] && math.Abs(colour[i]-around[i]) <= limit[b]
		}
	}
	return out
}

// windowMean is the mean over a square around each pixel, NaN where that holds
// a NaN or ends beyond the image.
func windowMean(v []float64, width, height, half int) []float64 {
	return alongColumns(alongRows(v, width, half), width, height, half)
}

func alongRows(v []float64, width, half int) []float64 {
	out := make([]float64, len(v))
	for from := 0; from < len(v); from += width {
		runningMean(func(i int) float64 { return v[from+i] }, func(i int, m float64) { out[from+i] = m }, width, half)
	}
	return out
}

func alongColumns(v []float64, width, height, half int) []float64 {
	out := make([]float64, len(v))
	for x := range width {
		runningMean(func(i int) float64 { return v[i*width+x] }, func(i int, m float64) { out[i*width+x] = m }, height, half)
	}
	return out
}

// runningMean averages 2 half + 1 values in a line.
func runningMean(at func(i int) float64, put func(i int, mean float64), n, half int) {
	sum, bad := 0.0, 0
	count := func(i, sign int) {
		if v := at(i); v == v {
			sum += float64(sign) * v
		} else {
			bad += sign
		}
	}
	for i := range min(half, n) {
		count(i, 1)
	}
	for i := range n {
		if i+half < n {
			count(i+half, 1)
		}
		if i-half-1 >= 0 {
			count(i-half-1, -1)
		}
		if bad > 0 || i < half || i+half >= n {
			put(i, math.NaN())
			continue
		}
		put(i, sum/float64(2*half+1))
	}
}
