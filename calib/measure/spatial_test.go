package measure

import (
	"math"
	"math/rand/v2"
	"testing"
)

// pattern is a plane with normal patterns of rows, columns and pixels.
type pattern struct {
	width, height int
	value         []float64
}

func newPattern(rng *rand.Rand, width, height int, row, column, pixel float64) pattern {
	p := pattern{width, height, make([]float64, width*height)}
	columns := make([]float64, width)
	for x := range columns {
		columns[x] = column * rng.NormFloat64()
	}
	for y := range height {
		r := row * rng.NormFloat64()
		for x := range width {
			p.value[y*width+x] = r + columns[x] + pixel*rng.NormFloat64()
		}
	}
	return p
}

// sums looks at the pattern, of a level and with noise, through a choice of
// pixels: all, or those of a chequered colour.
func (p pattern) sums(normal func() float64, level, noise float64, chequered bool) *Spatial {
	s := NewSpatial(p.width)
	row := make([]float32, 0, p.width)
	for y := range p.height {
		x0, step := 0, 1
		if chequered {
			x0, step = y%2, 2
		}
		row = row[:0]
		for x := x0; x < p.width; x += step {
			row = append(row, float32(level+p.value[y*p.width+x]+noise*normal()))
		}
		s.AddRow(x0, step, row)
	}
	return s
}

// EMVA 1288 (from memory): with the variances of the column means, the row
// means and all values of M rows and N columns,
//
//	s2_cav = s2_col + s2_pixel/M, s2_rav = s2_row + s2_pixel/N,
//	s2_av = s2_row + s2_col + s2_pixel
//
// with denominators M, N and MN where ours are unbiased, which makes a relative
// difference of 1/M.
func TestPatternIsEMVAsSplit(t *testing.T) {
	p := newPattern(newRand(81), 120, 100, 3, 2, 5)
	m, n := float64(p.height), float64(p.width)
	rows, columns := make([]float64, p.height), make([]float64, p.width)
	mean, square := 0.0, 0.0
	for i, v := range p.value {
		rows[i/p.width] += v / n
		columns[i%p.width] += v / m
		mean += v / m / n
		square += v * v / m / n
	}
	about := func(x []float64) float64 {
		q := 0.0
		for _, v := range x {
			q += (v - mean) * (v - mean) / float64(len(x))
		}
		return q
	}
	av, rav, cav := square-mean*mean, about(rows), about(columns)
	// The three equations solved.
	pixel := (av - rav - cav) / (1 - 1/n - 1/m)
	row, column := rav-pixel/n, cav-pixel/m

	got := p.sums(none, 1000, 0, false).Pattern(Figure{})
	const bias = 1.5 / 100 // 1/M, and what the split makes of it
	within(t, "total", got.Total.Value, av, 1e-3*av)
	within(t, "row", got.Row.Value, row, bias*row)
	within(t, "column", got.Column.Value, column, bias*column)
	within(t, "pixel", got.Pixel.Value, pixel, bias*pixel)
	within(t, "mean", got.Mean.Value, 1000+mean, 1e-4)
	if got.N != 12000 {
		t.Errorf("%d values", got.N)
	}
}

// Over many patterns the split is unbiased, whatever the set of pixels.
func TestPatternSplitIsUnbiased(t *testing.T) {
	const sets = 3000
	for _, chequered := range []bool{false, true} {
		rng := newRand(82)
		var sum, square [3]float64
		for range sets {
			p := newPattern(rng, 24, 16, 3, 2, 5).sums(none, 50, 0, chequered).Pattern(Figure{})
			for i, f := range []Figure{p.Row, p.Column, p.Pixel} {
				sum[i] += f.Value / sets
				square[i] += f.Value * f.Value / sets
			}
		}
		for i, want := range []float64{9, 4, 25} {
			within(t, []string{"row", "column", "pixel"}[i], sum[i], want, 4*math.Sqrt((square[i]-sum[i]*sum[i])/sets))
		}
	}
}

// Uncertainties are for this sensor's own pixels: the truth is what the same
// pixels show without noise.
func TestIntervalsOfPatternsHoldTheTruth(t *testing.T) {
	const sets, frames, sigma = 2500, 8.0, 4.0
	for _, c := range []struct {
		name               string
		row, column, pixel float64
		chequered          bool
	}{
		{"all pixels", 0.5, 0.7, 2, false},
		{"a colour of a mosaic", 0.5, 0.7, 2, true},
		{"pattern far below the noise", 0.05, 0.1, 0.1, false},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			rng := newRand(83)
			dark := newPattern(rng, 64, 50, c.row, c.column, c.pixel)
			light := newPattern(rng, 64, 50, c.row, c.column, c.pixel)
			for i, v := range dark.value {
				light.value[i] = v + 2*light.value[i]
			}
			truth := dark.sums(none, 100, 0, c.chequered).Pattern(Figure{})
			bright := light.sums(none, 8100, 0, c.chequered).Pattern(Figure{})
			prnu := PRNU(bright, truth)
			var total, row, column, pixel, dsnu, response coverage
			for range sets {
				// The temporal variance is known from the frames themselves.
				freedom := 3200 * (frames - 1)
				temporal := Figure{sigma * sigma / frames, sigma * sigma / frames * math.Sqrt(2/freedom)}
				temporal.Value += temporal.U * rng.NormFloat64()
				d := dark.sums(rng.NormFloat64, 100, sigma/math.Sqrt(frames), c.chequered).Pattern(temporal)
				b := light.sums(rng.NormFloat64, 8100, sigma/math.Sqrt(frames), c.chequered).Pattern(temporal)
				total.add(d.Total, truth.Total.Value)
				row.add(d.Row, truth.Row.Value)
				column.add(d.Column, truth.Column.Value)
				pixel.add(d.Pixel, truth.Pixel.Value)
				dsnu.add(DSNU(d, Figure{2.5, 0}).Total, DSNU(truth, Figure{2.5, 0}).Total.Value)
				response.add(PRNU(b, d).Total, prnu.Total.Value)
			}
			// A variance and its own uncertainty are correlated, sqrt(2/k) for
			// k rows or columns at most.
			bias := math.Sqrt(2.0 / 49)
			total.check(t, "total", 0.03)
			row.check(t, "row", bias)
			column.check(t, "column", bias)
			pixel.check(t, "pixel", 0.03)
			if c.pixel > 1 { // else the root has no first order
				dsnu.check(t, "DSNU1288", 0.05)
				response.check(t, "PRNU1288", 0.05)
			}
		})
	}
}

func TestPatternLeavesMissingPixelsOut(t *testing.T) {
	p := newPattern(newRand(84), 40, 30, 1, 1, 3)
	for i := 0; i < len(p.value); i += 7 {
		p.value[i] = math.NaN()
	}
	got := p.sums(none, 0, 0, false).Pattern(Figure{})
	if got.N != 1200-172 || math.IsNaN(got.Pixel.Value) {
		t.Errorf("%+v", got)
	}
}
