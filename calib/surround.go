package calib

// flatContrast is the share by which a flat's pixel may differ from those
// about it and still have their level.
const flatContrast = 0.25

// Surroundings works out levels of a flat's pixels from those about them; it
// holds sums over the columns of three rows. The zero value is ready for use.
type Surroundings struct{ sum, n []float32 }

// Flat writes for each pixel of row y of a flat the mean of the good ones (above
// zero) of the eight pixels about it, or its own value where there is none or
// where it differs from that mean by more than flatContrast, as that of a dead
// pixel does. What is worked out at this level and not at the pixel's own does
// not depend on the pixel's error.
func (s *Surroundings) Flat(width int, value []float32, y int, dst []float32) {
	s.columns(width, value, y)
	row := value[y*width : (y+1)*width]
	dst = dst[:width]
	for x, own := range row {
		sum, n := s.sum[x+1], s.n[x+1]
		if own > 0 {
			sum -= own
			n--
		}
		sum += s.sum[x] + s.sum[x+2]
		n += s.n[x] + s.n[x+2]
		m := sum / n // NaN where there is none
		if abs32(own-m) <= flatContrast*m {
			own = m
		}
		dst[x] = own
	}
}

// columns sums the good pixels of each column over row y and those beside it,
// with nothing beyond the first and the last column.
func (s *Surroundings) columns(width int, value []float32, y int) {
	if len(s.sum) != width+2 {
		s.sum, s.n = make([]float32, width+2), make([]float32, width+2)
	}
	sum, n := s.sum[1:width+1], s.n[1:width+1]
	clear(sum)
	clear(n)
	for j := max(0, y-1); j <= min(len(value)/width-1, y+1); j++ {
		for x, v := range value[j*width : (j+1)*width] {
			if v > 0 {
				sum[x] += v
				n[x]++
			}
		}
	}
}
