package calib

import (
	"fmt"
	"math"
)

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

	sample       float64 // variance of one overscan sample, DN^2
	first, after []int   // the rows of the overscan that an image row's offset rests on
	kept         []int   // samples kept in all rows of the overscan before each, and in all
}

// Covariance returns the covariance of the offsets of two image rows, DN^2:
// that of two means of n1 and n2 samples of which n12 are the same is
// s^2 n12/(n1 n2).
func (t *OffsetTrace) Covariance(y1, y2 int) float64 {
	if t.first == nil {
		if y1 == y2 {
			return float64(t.Variance[y1])
		}
		return 0
	}
	lo, hi := max(t.first[y1], t.first[y2]), min(t.after[y1], t.after[y2])
	n1, n2 := t.samples(y1), t.samples(y2)
	if lo >= hi || n1 == 0 || n2 == 0 {
		return 0
	}
	return t.sample * float64(t.kept[hi]-t.kept[lo]) / (float64(n1) * float64(n2))
}

// samples returns the number of overscan samples in the offset of a row.
func (t *OffsetTrace) samples(y int) int { return t.kept[t.after[y]] - t.kept[t.first[y]] }

// MeanVariance is the variance of the mean offset of the frame, DN^2; 0 where it
// was not measured.
func (t *OffsetTrace) MeanVariance() float64 {
	if t.first == nil || t.kept[len(t.kept)-1] == 0 {
		return 0
	}
	return t.sample / float64(t.kept[len(t.kept)-1])
}

// Apart tells whether the offsets of two rows, and of all further apart, have
// no sample in common.
func (t *OffsetTrace) Apart(y1, y2 int) bool {
	if t.first == nil {
		return y1 != y2
	}
	return max(t.first[y1], t.first[y2]) >= min(t.after[y1], t.after[y2])
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
// the mean is that of one sample, about the means of the rows, over the number
// kept; where no row has two samples, one sample has the variance of read
// noise and quantisation. Rows beyond the overscan take its nearest row.
//
// Overscan pixels have a fixed pattern of their own. It is the same in every
// frame, so the master bias, made with the same offsets, takes it out.
func MeasureOffset(s *Sensor, a int, raw RawRows) (OffsetTrace, error) {
	amp := s.Amps[a]
	rows := s.Image.Height()
	t := OffsetTrace{DN: make([]float32, rows), Variance: make([]float32, rows), Unsure: make([]bool, rows)}
	o := amp.Overscan
	if o.Empty() {
		return t, fmt.Errorf("amplifier %s has no overscan to measure its offset from: give its region in the profile, or set offset.from to bias", amp.Name)
	}
	n := o.Width()
	sums, counts, residuals, err := overscanRows(s, o, raw)
	if err != nil {
		return t, err
	}
	_, sigma := MedianMAD(arrived(residuals))
	// The MAD of codes can be half a code too small, and zero where the samples
	// agree.
	step := float32(1)
	if s.Codes != nil {
		step = float32(s.Codes.at(float64(Median(asFloat32(sums)))))
	}
	limit := float32(s.Offset.RejectSigma) * (sigma + step*madToSigma/2)
	var q, freedom float64
	for y := range sums {
		row := residuals[y*n : (y+1)*n]
		median := sums[y]
		var sum, square float64
		c := 0
		for _, d := range row {
			if d <= limit && d >= -limit {
				sum += float64(d)
				square += float64(d) * float64(d)
				c++
			}
		}
		if c > 0 { // about the row's mean, which costs one degree of freedom
			q += square - sum*sum/float64(c)
			freedom += float64(c - 1)
		}
		sums[y] = median*float64(c) + sum
		counts[y] = c
	}
	r := amp.ReadNoiseE / amp.GainEPerDN
	variance := r*r + quantisation // where no row tells more
	if freedom > 0 {
		variance = q / freedom
	}
	t.NoiseDN = math.Sqrt(variance)
	t.smooth(s, amp, sums, counts, variance)
	return t, nil
}

func asFloat32(v []float64) []float32 {
	out := make([]float32, len(v))
	for i, x := range v {
		out[i] = float32(x)
	}
	return out
}

// arrived copies the residuals of the samples that are there.
func arrived(residuals []float32) []float32 {
	there := make([]float32, 0, len(residuals))
	for _, d := range residuals {
		if d <= math.MaxFloat32 {
			there = append(there, d)
		}
	}
	if len(there) == 0 {
		return []float32{0}
	}
	return there
}

// overscanRows returns the median of each overscan row and the residuals
// about it; samples that never arrived are left as NaN.
func overscanRows(s *Sensor, o Region, raw RawRows) (medians []float64, counts []int, residuals []float32, err error) {
	n := o.Width()
	medians = make([]float64, o.Height())
	counts = make([]int, o.Height())
	residuals = make([]float32, n*o.Height())
	fill := float32(s.FillDN)
	if s.Codes != nil {
		fill = float32(math.NaN()) // a code; Decompanded has marked it
	}
	scratch := make([]float32, 0, n)
	buf := make([]float32, n)
	for y := range medians {
		row, err := raw.RawRow(o.Y0+y, o.X0, o.X1, buf)
		if err != nil {
			return nil, nil, nil, err
		}
		scratch = scratch[:0]
		for _, v := range row {
			if v == v && v != fill {
				scratch = append(scratch, v)
			}
		}
		m := Median(scratch)
		medians[y] = float64(m)
		for i, v := range row {
			d := v - m
			if v != v || v == fill {
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
// of the overscan's rows. Level and Drift count over the rows that the
// amplifier reads; they are NaN where none of them has an offset.
func (t *OffsetTrace) smooth(s *Sensor, amp Amplifier, sums []float64, counts []int, variance float64) {
	o := amp.Overscan
	half := s.Offset.SmoothRows / 2
	if s.Offset.SmoothRows == 0 {
		half = len(sums)
	}
	t.sample, t.first, t.after, t.kept = variance, make([]int, len(t.DN)), make([]int, len(t.DN)), make([]int, len(counts)+1)
	for i, n := range counts {
		t.kept[i+1] = t.kept[i] + n
	}
	lowest, highest := math.Inf(1), math.Inf(-1)
	total, known := 0.0, 0
	for y := range t.DN {
		// The overscan's row beside image row y, or the nearest to it.
		c := min(max(y+s.Image.Y0-o.Y0, 0), len(sums)-1)
		lo, hi := max(0, c-half), min(len(sums), c+half+1)
		t.first[y], t.after[y] = lo, hi
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
		if raw := y + s.Image.Y0; raw >= amp.Region.Y0 && raw < amp.Region.Y1 {
			lowest, highest = min(lowest, v), max(highest, v)
			total += v
			known++
		}
	}
	t.Level, t.Drift = total/float64(known), highest-lowest
	if known == 0 {
		t.Drift = math.NaN()
	}
}

// NoOffset returns the trace of a frame whose level the master bias carries.
func NoOffset(rows int) OffsetTrace {
	return OffsetTrace{DN: make([]float32, rows), Variance: make([]float32, rows), Unsure: make([]bool, rows)}
}
