package calib

// flatContrast is the share by which a flat's pixel may differ from those
// about it and still have their level.
const flatContrast = 0.25

// FlatSurroundings writes for each pixel of row y of a flat the mean of the good
// ones (above zero) of the eight pixels about it, or its own value where there
// is none or where it differs from that mean by more than
// flatContrast, as that of a dead pixel does. What is worked out at this level and not at the pixel's
// own does not depend on the pixel's error.
func FlatSurroundings(width int, value []float32, y int, dst []float32) {
	rows := len(value) / width
	row := value[y*width : (y+1)*width]
	for x, own := range row {
		var sum, n float32
		for j := max(0, y-1); j <= min(rows-1, y+1); j++ {
			near := value[j*width+max(0, x-1) : j*width+min(width, x+2)]
			for _, v := range near {
				if v > 0 {
					sum += v
					n++
				}
			}
		}
		if own > 0 {
			sum -= own
			n--
		}
		dst[x] = own
		if m := sum / max(n, 1); n > 0 && abs32(own-m) <= flatContrast*m {
			dst[x] = m
		}
	}
}
