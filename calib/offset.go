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

	// Departure is by how much the mean of each overscan row lies above the
	// smoothed course, DN; NaN where nothing tells.
	Departure []float32
	Wander    float64   // mean square of Departure less that of its noise, DN^2
	wanderSD  float64   // standard deviation of Wander from noise alone
	noise     []float32 // variance of Departure from noise, DN^2
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
// kept; what the offset wanders besides is for AddWander to add. Where no row has two samples, one sample has the variance of read
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
	m := &rowMeans{sums, counts, variance}
	t.smooth(s, amp, m)
	t.findWander(s.Offset, m)
	t.markJumps(s, o)
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

// rowMeans are the kept overscan samples of each overscan row: their sum and
// their number.
type rowMeans struct {
	sums     []float64
	counts   []int
	variance float64 // of one sample
}

// window returns the rows that the offset of overscan row c rests on, c's own
// among them.
func (r OffsetRule) window(c, rows int) (lo, hi int) {
	if r.SmoothRows == 0 {
		return 0, rows
	}
	return max(0, c-r.SmoothRows/2), min(rows, c+r.SmoothRows/2+1)
}

// fit returns the offset at overscan row c, and its variance for a variance of
// 1 of one sample, from n samples of its window: their mean, 1/n. Where the
// frame's edge cuts the window, a mean would lag behind a drift by up to a
// quarter of the window; there it is a straight line of least squares, with
// 1/n + (c-x)^2/Sxx, x the mean row.
func (r OffsetRule) fit(m *rowMeans, c int) (value, variance float64, n int) {
	lo, hi := r.window(c, len(m.sums))
	sum, rows := 0.0, 0.0
	for i := lo; i < hi; i++ {
		sum += m.sums[i]
		rows += float64(m.counts[i]) * float64(i-c)
		n += m.counts[i]
	}
	value, variance = sum/float64(n), 1/float64(n)
	if n == 0 || r.SmoothRows == 0 || hi-c == c+1-lo {
		return value, variance, n
	}
	mean := rows / float64(n) // of the rows, from c
	var sxx, sxy float64
	for i := lo; i < hi; i++ {
		d := float64(i-c) - mean
		sxx += float64(m.counts[i]) * d * d
		sxy += d * m.sums[i]
	}
	if sxx > 0 {
		value -= mean * sxy / sxx
		variance += mean * mean / sxx
	}
	return value, variance, n
}

// wanderSigma is the significance from which an offset counts as wandering.
const wanderSigma = 1

// findWander measures how far the offset departs from its smoothed course. The
// mean of a row's c samples of variance s departs from the fit to its window,
// which it is part of and whose variance is s h, by noise of variance
// s (1/c - h) and by just what the smoothed course is wrong by:
//
//	w = mean over the rows of (departure^2 - s (1/c - h))
//
// It is unbiased and may be negative. Rows that are the same in every frame,
// the overscan's fixed pattern, are in it too; the master bias knows them.
func (t *OffsetTrace) findWander(r OffsetRule, m *rowMeans) {
	t.Departure = make([]float32, len(m.counts))
	t.noise = make([]float32, len(m.counts))
	var sum, square, rows float64
	for y, c := range m.counts {
		v, h, n := r.fit(m, y)
		if c == 0 || n == c {
			t.Departure[y] = float32(math.NaN())
			continue
		}
		d := m.sums[y]/float64(c) - v
		noise := m.variance * (1/float64(c) - h)
		t.Departure[y], t.noise[y] = float32(d), float32(noise)
		sum += d*d - noise
		square += 2 * noise * noise
		rows++
	}
	if rows > 0 {
		t.Wander, t.wanderSD = sum/rows, math.Sqrt(square)/rows
	}
}

// markJumps marks rows as unsure in whose window the course departs by more
// than noise and the wander of the whole frame explain, as about a jump: the
// sum of n squared departures over their variance exceeds the limit of a
// chi-square of n degrees of freedom. A jump of J DN between rows shows from
// about J = 3.5 standard deviations of a row's mean in a window of 15 rows.
func (t *OffsetTrace) markJumps(s *Sensor, o Region) {
	if s.Offset.SmoothRows < 3 {
		return
	}
	for y := range t.Unsure {
		lo, hi := s.Offset.window(min(max(y+s.Image.Y0-o.Y0, 0), len(t.Departure)-1), len(t.Departure))
		sum, n := 0.0, 0.0
		for i := lo; i < hi; i++ {
			if d := float64(t.Departure[i]); d == d {
				sum += d * d / (float64(t.noise[i]) + max(t.Wander, 0))
				n++
			}
		}
		if n > 0 && sum > n*farRatio(n, jumpZ) {
			t.Unsure[y] = true
		}
	}
}

// jumpZ is the departure, in sigmas, from which a course counts as jumping:
// 3e-7 of steady rows.
const jumpZ = 5

// AddWander adds to the variance what the offset wanders about its smoothed
// course, fixed being the part of Wander that is the same in every frame, DN^2
// (FixedWander). Less than wanderSigma standard deviations count as none, which
// hides less than 0.01 of the variance of a sample; steady offsets get 0.24
// standard deviations too much on average, the mean of a normal number above 1:
// sqrt(2/rows)/4 of the variance of a row's mean.
func (t *OffsetTrace) AddWander(fixed float64) {
	if w := t.Wander - fixed; w > wanderSigma*t.wanderSD {
		for y := range t.Variance {
			t.Variance[y] += float32(w)
		}
	}
}

// FixedWander returns the part of the wander of some frames, DN^2, that all of
// them have in common: the mean over the rows of the squared mean departure
// less what chance gives it, the variance between the frames over their number.
func FixedWander(departures [][]float32) float64 {
	var total, rows float64
	for y := range departures[0] {
		var n, mean, square float64
		for _, d := range departures {
			if v := float64(d[y]); v == v {
				n++
				mean += v
				square += v * v
			}
		}
		if n < 2 {
			continue
		}
		mean /= n
		total += mean*mean - (square/n-mean*mean)/(n-1)
		rows++
	}
	return total / max(rows, 1)
}

// smooth fills the trace for the rows of the image. Level and Drift count over
// the rows that the amplifier reads; they are NaN where none of them has an
// offset.
func (t *OffsetTrace) smooth(s *Sensor, amp Amplifier, m *rowMeans) {
	o := amp.Overscan
	lowest, highest := math.Inf(1), math.Inf(-1)
	total, known := 0.0, 0
	for y := range t.DN {
		// The overscan's row beside image row y, or the nearest to it.
		c := min(max(y+s.Image.Y0-o.Y0, 0), len(m.sums)-1)
		v, h, n := s.Offset.fit(m, c)
		if n == 0 {
			t.DN[y], t.Variance[y], t.Unsure[y] = float32(math.NaN()), float32(math.NaN()), true
			continue
		}
		lo, hi := s.Offset.window(c, len(m.sums))
		t.DN[y] = float32(v)
		t.Variance[y] = float32(m.variance * h)
		t.Unsure[y] = 2*n < (hi-lo)*o.Width()
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
