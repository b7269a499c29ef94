package calib

import "math"

// OffsetRule says how o_a(y) is found.
type OffsetRule struct {
	FromOverscan bool    // false: the master bias carries the level
	SmoothRows   int     // rows averaged for one row's offset, odd; 0: one value for the frame
	RejectSigma  float64 // clipping limit about the median of a row's samples
}

// OffsetTrace is the measured offset of one amplifier in one frame.
type OffsetTrace struct {
	DN       []float32 // o_a(y) for each image row
	Variance []float32 // DN^2, common to the pixels of a row
	Unsure   []bool    // fewer than half of the samples were good
	Level    float64   // mean over the frame, DN
	NoiseDN  float64   // standard deviation of one overscan sample
	Drift    float64   // largest minus smallest of DN
}

// RawRows gives rows of the whole raw frame, DN; a sample that never arrived is NaN.
type RawRows interface {
	// RawRow returns columns x0 <= x < x1 of raw row y in dst or a slice of its own.
	RawRow(y, x0, x1 int, dst []float32) ([]float32, error)
}

// MeasureOffset finds the offset of amplifier a for each row of the image
// region from its overscan samples: about the median of each row, samples
// further than RejectSigma robust standard deviations (of the whole overscan)
// are left out; what is kept of SmoothRows rows is averaged. The variance of
// the mean is that of one sample over the number kept.
//
// Overscan pixels have a fixed pattern of their own. It is the same in every
// frame, so the master bias, made with the same offsets, takes it out.
func MeasureOffset(s *Sensor, a int, raw RawRows) (OffsetTrace, error) {
	amp := s.Amps[a]
	rows := s.Image.Height()
	t := OffsetTrace{DN: make([]float32, rows), Variance: make([]float32, rows), Unsure: make([]bool, rows)}
	o := amp.Overscan
	n := o.Width()
	sums, counts, residuals, err := overscanRows(s, o, raw)
	if err != nil {
		return t, err
	}
	_, sigma := MedianMAD(append([]float32(nil), residuals...))
	// Quantised samples can agree to the last code; the step's own spread
	// keeps the limit from shrinking to nothing.
	limit := float32(s.Offset.RejectSigma) * max(sigma, float32(1/math.Sqrt(12)))
	var q float64
	var kept int
	for y := range sums {
		row := residuals[y*n : (y+1)*n]
		median := sums[y]
		var sum float64
		c := 0
		for _, d := range row {
			if d <= limit && d >= -limit {
				sum += float64(d)
				q += float64(d) * float64(d)
				c++
			}
		}
		kept += c
		sums[y] = median*float64(c) + sum
		counts[y] = c
	}
	variance := 0.0
	if kept > rows {
		variance = overscanVariance(q, kept, len(sums), n)
	}
	t.NoiseDN = math.Sqrt(variance)
	t.smooth(s, o, sums, counts, variance)
	return t, nil
}

// overscanVariance turns the sum of squares about row medians into the
// variance of one sample. The mean of a row would cost one degree of freedom
// a row; the median of n normal samples, whose variance is pi/2 sigma^2/n for
// large n, leaves n + pi/2 - 2 on average (E[(x-med)^2] = sigma^2 (1 - 2/n +
// pi/(2n)), since cov(x_i, med) = sigma^2/n).
func overscanVariance(q float64, kept, rows, n int) float64 {
	return q / (float64(kept) - float64(rows)*(2-math.Pi/2)*float64(kept)/float64(rows*n))
}

// overscanRows returns the median of each overscan row and the residuals
// about it; samples that never arrived are left as NaN.
func overscanRows(s *Sensor, o Region, raw RawRows) (medians []float64, counts []int, residuals []float32, err error) {
	n := o.Width()
	medians = make([]float64, o.Height())
	counts = make([]int, o.Height())
	residuals = make([]float32, n*o.Height())
	scratch := make([]float32, 0, n)
	buf := make([]float32, n)
	for y := range medians {
		row, err := raw.RawRow(o.Y0+y, o.X0, o.X1, buf)
		if err != nil {
			return nil, nil, nil, err
		}
		scratch = scratch[:0]
		for _, v := range row {
			if v == v && v != float32(s.FillDN) {
				scratch = append(scratch, v)
			}
		}
		m := Median(scratch)
		medians[y] = float64(m)
		for i, v := range row {
			d := v - m
			if v != v || v == float32(s.FillDN) {
				d = float32(math.Inf(1))
			}
			residuals[y*n+i] = d
		}
		if len(scratch) == 0 {
			medians[y] = 0
		}
	}
	return medians, counts, residuals, nil
}

// smooth fills the trace for the rows of the image from the sums and counts
// of the overscan's rows.
func (t *OffsetTrace) smooth(s *Sensor, o Region, sums []float64, counts []int, variance float64) {
	half := s.Offset.SmoothRows / 2
	if s.Offset.SmoothRows == 0 {
		half = len(sums)
	}
	lowest, highest := math.Inf(1), math.Inf(-1)
	total := 0.0
	for y := range t.DN {
		c := y + s.Image.Y0 - o.Y0 // the overscan's row beside image row y
		lo, hi := max(0, c-half), min(len(sums), c+half+1)
		if lo >= hi { // rows beyond a shorter overscan take the nearest
			lo = min(max(c, 0), len(sums)-1)
			hi = lo + 1
		}
		var sum float64
		n, all := 0, (hi-lo)*o.Width()
		for i := lo; i < hi; i++ {
			sum += sums[i]
			n += counts[i]
		}
		if n == 0 {
			t.DN[y], t.Variance[y], t.Unsure[y] = float32(math.NaN()), float32(math.NaN()), true
			continue
		}
		v := sum / float64(n)
		t.DN[y] = float32(v)
		t.Variance[y] = float32(variance / float64(n))
		t.Unsure[y] = 2*n < all
		lowest, highest = min(lowest, v), max(highest, v)
		total += v
	}
	t.Level = total / float64(len(t.DN))
	t.Drift = highest - lowest
}

// NoOffset returns the trace of a frame whose level the master bias carries.
func NoOffset(rows int) OffsetTrace {
	return OffsetTrace{DN: make([]float32, rows), Variance: make([]float32, rows), Unsure: make([]bool, rows)}
}
