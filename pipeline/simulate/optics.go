package simulate

import "math"

// throughOptics blurs the radiance over the image region as the detector's
// optics do: a point becomes a Gaussian of the full width at half maximum that
// the profile gives for the sharpest image (hits.point_fwhm_pixels). Where it
// gives none, the optics are ideal. Beyond its edges the scene goes on as at
// the edge.
func (s *Sensor) throughOptics(radiance []float32) []float32 {
	if s.Detector.Hits == nil {
		return radiance
	}
	kernel := pointKernel(s.Detector.Hits.PointFWHMPixels)
	width, height := s.ImageWidth(), s.ImageHeight()
	along := make([]float32, len(radiance))
	blurred := make([]float32, len(radiance))
	blur(along, radiance, kernel, width, height, 1, width)
	blur(blurred, along, kernel, height, width, width, 1)
	return blurred
}

// pointKernel returns one half of a Gaussian with sum 1, from its middle on.
func pointKernel(fwhm float64) []float64 {
	sigma := fwhm / (2 * math.Sqrt(2*math.Ln2))
	kernel := make([]float64, int(math.Ceil(5*sigma))+1)
	sum := 0.0
	for i := range kernel {
		kernel[i] = math.Exp(-float64(i*i) / (2 * sigma * sigma))
		sum += 2 * kernel[i]
	}
	sum -= kernel[0]
	for i := range kernel {
		kernel[i] /= sum
	}
	return kernel
}

// blur convolves lines of n pixels, step apart, with a kernel; the lines begin
// next apart.
func blur(dst, src []float32, kernel []float64, n, lines, step, next int) {
	for line := range lines {
		start := line * next
		for i := range n {
			v := kernel[0] * float64(src[start+i*step])
			for k := 1; k < len(kernel); k++ {
				v += kernel[k] * float64(src[start+max(i-k, 0)*step]+src[start+min(i+k, n-1)*step])
			}
			dst[start+i*step] = float32(v)
		}
	}
}
