package page

import (
	"fmt"
	"math"
	"slices"

	"evenlight/calib"
	"evenlight/pipeline"
)

// rowsRead bounds the rows of a frame that pictures and plots are made of, so
// that a page costs little beside the run that it describes.
const rowsRead = 128

// samplingText says in words what pictures and plots are made of.
var samplingText = fmt.Sprintf("Pictures and plots are made of at most %d rows of a frame, evenly spread (of a mosaic whole repeats of its pattern); figures and fractions of flags are of all its pixels.", rowsRead)

// sample holds some rows of a frame: groups of rows, evenly spread, as high as
// a mosaic's pattern or else of one row.
type sample struct {
	width, height    int // of the frame
	periodX, periodY int
	starts           []int // first row of each group
	value, unc       []float32
	flags            []calib.Flags
	raw              []float32 // of the raw frame; empty: it was not read
}

// lay chooses the rows of a frame.
func (s *sample) lay(width, height, periodX, periodY int) {
	if periodX > width || periodY > height {
		periodX, periodY = 1, 1
	}
	s.width, s.height, s.periodX, s.periodY = width, height, periodX, periodY
	s.starts = spread(height/periodY, max(1, rowsRead/periodY), s.starts[:0])
	for i := range s.starts {
		s.starts[i] *= periodY
	}
	n := len(s.starts) * periodY * width
	s.value, s.unc, s.flags, s.raw = grown(s.value, n), grown(s.unc, n), grown(s.flags, n), s.raw[:0]
}

// spread appends at most most of the numbers from 0 to n-1, evenly spread.
func spread(n, most int, dst []int) []int {
	k := min(n, most)
	for i := range k {
		dst = append(dst, (2*i+1)*n/(2*k))
	}
	return dst
}

func grown[T any](b []T, n int) []T {
	if cap(b) < n {
		return make([]T, n)
	}
	return b[:n]
}

// read fills the sample from a product.
func (s *sample) read(v *pipeline.ProductView) error {
	s.lay(v.Width, v.Height, v.PeriodX, v.PeriodY)
	n := s.periodY * s.width
	for i, y := range s.starts {
		from, to := i*n, (i+1)*n
		if err := v.ReadRows(y, s.periodY, s.value[from:to], s.unc[from:to], s.flags[from:to]); err != nil {
			return err
		}
	}
	return nil
}

// readRaw adds the same rows of the raw frame.
func (s *sample) readRaw(r *pipeline.RawRows) error {
	if r.Width != s.width || r.Height != s.height {
		return fmt.Errorf("the raw image is %d x %d samples and the product %d x %d", r.Width, r.Height, s.width, s.height)
	}
	raw := grown(s.raw, len(s.value))
	for i, start := range s.starts {
		for j := range s.periodY {
			at := (i*s.periodY + j) * s.width
			if _, err := r.Row(start+j, raw[at:at+s.width]); err != nil {
				return err
			}
		}
	}
	s.raw = raw
	return nil
}

// good tells whether pixel i of the sample has a value and no flag.
func (s *sample) good(i int) bool { return s.flags[i] == 0 && isNumber(s.value[i]) }

// isNumber tells a number from NaN and the infinities.
func isNumber(v float32) bool { return v-v == 0 }

// usual returns some of the good values, evenly spread and sorted; nil: there is
// none.
func (s *sample) usual() []float32 {
	return sortedSome(s.value, s.good)
}

// percentileSamples is the number of values that percentiles are taken from.
const percentileSamples = 1 << 13

// sortedSome returns at most about percentileSamples of the values that are
// good, sorted.
func sortedSome(values []float32, good func(i int) bool) []float32 {
	var out []float32
	// A step without a common factor with the width of frames meets all columns.
	for i := 0; i < len(values); i += max(1, len(values)/percentileSamples) | 1 {
		if good(i) {
			out = append(out, values[i])
		}
	}
	slices.Sort(out)
	return out
}

// quantile is the q-quantile of sorted values, of which there is at least one.
func quantile(sorted []float32, q float64) float64 {
	return float64(sorted[int(math.Round(q*float64(len(sorted)-1)))])
}
