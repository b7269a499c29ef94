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
	Unsure   []bool    // fewer than half of the samples were good, or a jump is near
	Level    float64   // mean over the frame, DN
	NoiseDN  float64   // standard deviation of one overscan sample
	Drift    float64   // largest minus smallest of DN

	// Departure is by how much the mean of each overscan row lies above the
	// smoothed course, DN; NaN where nothing tells.
	Departure []float32
	noise     []float32 // variance of Departure from noise, DN^2

	sample float64      // variance of one overscan sample, DN^2
	fits   []courseFit  // by image row: how its offset follows from the overscan; nil: it was not measured
	kept   [][3]float64 // before each overscan row, and at the end: sums over the rows of n, n i and n i^2, n samples kept in row i
	wander float64      // mean square by which the smoothed course is wrong, DN^2
	reach  int          // rows over which that is alike
}

// Covariance returns the covariance from noise of the offsets of two image
// rows, DN^2. Both are sums of samples, of variance s^2, those of overscan row i
// with the weights a1 + b1 i and a2 + b2 i:
//
//	s^2 sum over their common rows of n(i) (a1 + b1 i)(a2 + b2 i)
func (t *OffsetTrace) Covariance(y1, y2 int) float64 {
	if t.fits == nil {
		if y1 == y2 {
			return float64(t.Variance[y1])
		}
		return 0
	}
	f, g := &t.fits[y1], &t.fits[y2]
	lo, hi := max(f.lo, g.lo), min(f.hi, g.hi)
	if lo >= hi || f.n == 0 || g.n == 0 {
		return 0
	}
	var k [3]float64
	for p := range k {
		k[p] = t.kept[hi][p] - t.kept[lo][p]
	}
	return t.sample * (f.a*g.a*k[0] + (f.a*g.b+f.b*g.a)*k[1] + f.b*g.b*k[2])
}

// Wander returns the covariance of what the offsets of two rows wander about
// the smoothed course, DN^2. It is taken to fall linearly to nothing over half
// of the rows that are smoothed: further apart, it goes to the other side.
func (t *OffsetTrace) Wander(y1, y2 int) float64 {
	apart := max(y1-y2, y2-y1)
	if apart >= t.reach {
		return 0
	}
	return t.wander * (1 - float64(apart)/float64(t.reach))
}

// errors returns the covariance of all that is wrong with the offsets of two
// rows, DN^2.
func (t *OffsetTrace) errors(y1, y2 int) float64 { return t.Covariance(y1, y2) + t.Wander(y1, y2) }

// MeanVariance is the variance of the mean offset of the frame, DN^2; 0 where it
// was not measured. What the offset wanders does not count: in the mean of all
// rows it is measured.
func (t *OffsetTrace) MeanVariance() float64 {
	if t.fits == nil || t.kept[len(t.kept)-1][0] == 0 {
		return 0
	}
	return t.sample / t.kept[len(t.kept)-1][0]
}

// Apart tells whether the offsets of two rows, and of all further apart, have
// no error in common.
func (t *OffsetTrace) Apart(y1, y2 int) bool {
	if t.fits == nil {
		return y1 != y2
	}
	f, g := &t.fits[y1], &t.fits[y2]
	return max(f.lo, g.lo) >= min(f.hi, g.hi) && max(y1-y2, y2-y1) >= t.reach
}

// RawRows gives rows of the whole raw frame, DN; a sample that never arrived is NaN.
type RawRows interface {
	// RawRow returns columns x0 <= x < x1 of raw row y in dst or a slice of its own.
	RawRow(y, x0, x1 int, dst []float32) ([]float32, error)
}

// MeasureOffset finds the offset of amplifier a for each row of the image
// region from its overscan samples: about the median of each row, samples
// further than RejectSigma robust standard deviations (of the whole overscan)
// are left out; what is kept of SmoothRows rows is averaged, and at the frame's
// edges a straight line is fitted. The variance of one sample is that about the
// means of the rows; where no row has two samples, it is that of read noise and
// quantisation. What the offset wanders besides is for AddWander to add. Rows
// beyond the overscan take its nearest row.
//
// Overscan pixels have a fixed pattern of their own. It is the same in every
// frame, so the master bias, made with the same offsets, takes it out; but it is
// in the scatter of the samples, and where it exceeds their noise the variance
// of the offset is stated too large.
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
	t.findDepartures(s.Offset, m)
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

// reach returns the rows over which what an offset wanders is alike.
func (r OffsetRule) reach(rows int) int {
	if r.SmoothRows == 0 {
		return max(1, rows/2)
	}
	return r.SmoothRows/2 + 1
}

// courseFit is how the offset at one row follows from the overscan: it is the
// sum over the rows i of its window, lo <= i < hi, of their samples, each with
// the weight a + b i.
type courseFit struct {
	value    float64 // DN
	variance float64 // for a variance of 1 of one sample
	n        int     // samples in the window
	lo, hi   int
	a, b     float64
}

// fit returns the offset at overscan row c: the mean of its window, of variance
// 1/n. Where the frame's edge cuts the window, a mean would lag behind a drift
// by up to a quarter of the window; there it is a straight line of least
// squares, with 1/n + (c-x)^2/Sxx, x the mean row.
func (r OffsetRule) fit(m *rowMeans, c int) courseFit {
	f := courseFit{}
	f.lo, f.hi = r.window(c, len(m.sums))
	sum, rows := 0.0, 0.0
	for i := f.lo; i < f.hi; i++ {
		sum += m.sums[i]
		rows += float64(m.counts[i]) * float64(i-c)
		f.n += m.counts[i]
	}
	f.value, f.variance, f.a = sum/float64(f.n), 1/float64(f.n), 1/float64(f.n)
	if f.n == 0 || r.SmoothRows == 0 || f.hi-c == c+1-f.lo {
		return f
	}
	mean := rows / float64(f.n) // of the rows, from c
	var sxx, sxy float64
	for i := f.lo; i < f.hi; i++ {
		d := float64(i-c) - mean
		sxx += float64(m.counts[i]) * d * d
		sxy += d * m.sums[i]
	}
	if sxx > 0 {
		f.value -= mean * sxy / sxx
		f.variance += mean * mean / sxx
		f.b = -mean / sxx
		f.a -= f.b * (float64(c) + mean)
	}
	return f
}

// findDepartures measures by how much each overscan row lies above the smoothed
// course. The mean of a row's c samples of variance s departs from the fit to
// its window, which it is part of and whose variance is s h, by noise of
// variance s (1/c - h), by just what the smoothed course is wrong by, and by the
// row's own part of the fixed pattern.
func (t *OffsetTrace) findDepartures(r OffsetRule, m *rowMeans) {
	t.Departure, t.noise = make([]float32, len(m.counts)), make([]float32, len(m.counts))
	for y, c := range m.counts {
		f := r.fit(m, y)
		if c == 0 || f.n == c {
			t.Departure[y] = float32(math.NaN())
			continue
		}
		t.Departure[y] = float32(m.sums[y]/float64(c) - f.value)
		t.noise[y] = float32(m.variance * (1/float64(c) - f.variance))
	}
}

// RowPattern is the part of the departures of overscan rows that all frames
// have in common, DN, and its variance, DN^2; NaN where nothing tells.
type RowPattern struct{ Mean, Variance []float32 }

// NewRowPattern returns the pattern of some frames: the mean of their
// departures, with the variance between the frames over their number.
func NewRowPattern(departures [][]float32) RowPattern {
	p := RowPattern{make([]float32, len(departures[0])), make([]float32, len(departures[0]))}
	for y := range p.Mean {
		var n, mean, square float64
		for _, d := range departures {
			if v := float64(d[y]); v == v {
				n++
				mean += v
				square += v * v
			}
		}
		mean /= n
		p.Mean[y] = float32(mean)
		p.Variance[y] = float32((square/n - mean*mean) / (n - 1))
	}
	return p
}

// wanderSigma is the significance from which an offset counts as wandering.
const wanderSigma = 1

// AddWander adds to the variance of the offset what it wanders about its
// smoothed course. With e the departure of a row less the fixed pattern, and v
// the variance of both from noise,
//
//	w = mean over the rows of (e^2 - v)
//
// is an unbiased estimate of the mean square by which the smoothed course is
// wrong. Less than wanderSigma standard deviations of it, sqrt(2/rows) v, count
// as none; so a steady offset gets a quarter of one too much on average (the
// mean of a standard normal number above 1).
//
// A row is marked as unsure in whose window n departures are larger than v and
// w explain, as about a jump: their mean square exceeds the limit of a
// chi-square of n degrees of freedom. With windows of 15 rows that finds jumps
// of some 6 standard deviations of a row's mean.
//
// Without a pattern (no bias is taken off) departures count as they are.
func (t *OffsetTrace) AddWander(s *Sensor, a int, pattern *RowPattern) {
	e, v := t.unfixed(pattern)
	var sum, square, rows float64
	for y, d := range e {
		if d == d {
			sum += d*d - v[y]
			square += 2 * v[y] * v[y]
			rows++
		}
	}
	if rows == 0 {
		return
	}
	w := 0.0
	if sum > wanderSigma*math.Sqrt(square) {
		w = sum / rows
	}
	t.wander, t.reach = w, s.Offset.reach(len(e))
	for y := range t.Variance {
		t.Variance[y] += float32(w)
	}
	if s.Offset.SmoothRows > 1 {
		t.markJumps(s, s.Amps[a].Overscan, e, v, w)
	}
}

// unfixed returns the departures less the fixed pattern and their variance from
// noise; departures are NaN where either is not known.
func (t *OffsetTrace) unfixed(pattern *RowPattern) (e, v []float64) {
	e, v = make([]float64, len(t.Departure)), make([]float64, len(t.Departure))
	for y, d := range t.Departure {
		e[y], v[y] = float64(d), float64(t.noise[y])
		if pattern != nil {
			e[y] -= float64(pattern.Mean[y])
			v[y] += float64(pattern.Variance[y])
		}
		if v[y] != v[y] { // a row that one frame of the bias alone had: its pattern has no variance
			e[y] = math.NaN()
		}
	}
	return e, v
}

// jumpZ is the departure, in sigmas, from which a course counts as jumping:
// 3e-5 of steady rows.
const jumpZ = 4

// markJumps marks the rows of the image in whose window the course jumps.
func (t *OffsetTrace) markJumps(s *Sensor, o Region, e, v []float64, w float64) {
	for y := range t.Unsure {
		lo, hi := s.Offset.window(overscanRow(s, o, y), len(e))
		sum, n := 0.0, 0.0
		for i := lo; i < hi; i++ {
			if e[i] == e[i] {
				sum += e[i] * e[i] / (v[i] + w)
				n++
			}
		}
		if n > 0 && sum > n*farRatio(n, jumpZ) {
			t.Unsure[y] = true
		}
	}
}

// overscanRow is the overscan's row beside image row y, or the nearest to it.
func overscanRow(s *Sensor, o Region, y int) int {
	return min(max(y+s.Image.Y0-o.Y0, 0), o.Height()-1)
}

// smooth fills the trace for the rows of the image. Level and Drift count over
// the rows that the amplifier reads; they are NaN where none of them has an
// offset.
func (t *OffsetTrace) smooth(s *Sensor, amp Amplifier, m *rowMeans) {
	o := amp.Overscan
	t.sample, t.fits, t.kept = m.variance, make([]courseFit, len(t.DN)), make([][3]float64, len(m.counts)+1)
	for i, n := range m.counts {
		k, w := t.kept[i], float64(n)
		t.kept[i+1] = [3]float64{k[0] + w, k[1] + w*float64(i), k[2] + w*float64(i)*float64(i)}
	}
	lowest, highest := math.Inf(1), math.Inf(-1)
	total, known := 0.0, 0
	for y := range t.DN {
		f := s.Offset.fit(m, overscanRow(s, o, y))
		t.fits[y] = f
		if f.n == 0 {
			t.DN[y], t.Variance[y], t.Unsure[y] = float32(math.NaN()), float32(math.NaN()), true
			continue
		}
		v := f.value
		t.DN[y] = float32(v)
		t.Variance[y] = float32(m.variance * f.variance)
		t.Unsure[y] = 2*f.n < (f.hi-f.lo)*o.Width()
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
