package align

import "math"

// Smoothing is by a Gaussian of scale s, sampled on every s-th pixel of every
// s-th row, so that in units of the grid it is the same at each scale. Its
// taps are at the pixels -reach s to reach s - 1 around a grid point; beyond
// the last one, displaced by half a pixel, lies 3e-6 of it.
const (
	reach = 6
	taps  = 2 * reach // in units of the scale
)

// gaussian returns the weights with which the 12 s pixels around a grid point
// make up the smoothed image, and its slope per pixel, at the fraction f of a
// pixel to the right of (or below) the grid point.
func gaussian(s int, f float64) (smooth, slope []float32) {
	n := taps * s
	w := make([]float64, n)
	sum := 0.0
	for i := range w {
		u := (float64(i-reach*s) - f) / float64(s)
		w[i] = math.Exp(-u * u / 2)
		sum += w[i]
	}
	smooth, slope = make([]float32, n), make([]float32, n)
	for i := range w {
		u := (float64(i-reach*s) - f) / float64(s)
		smooth[i] = float32(w[i] / sum)
		slope[i] = float32(w[i] / sum * u / float64(s))
	}
	return smooth, slope
}

// slopePower returns the sum of squared weights of one component of the
// gradient of an image smoothed by a Gaussian of width s, px^-2: the integral
// over the plane of (dG/dx)^2.
func slopePower(s float64) float64 { return 1 / (8 * math.Pi * s * s * s * s) }

// grid is the set of points at which smoothed images are compared.
type grid struct {
	scale         int
	width, height int // points
}

func (p *prepared) grid(scale int) grid {
	return grid{scale, p.width / scale, p.height / scale}
}

// span returns the range of grid points along an axis whose taps, displaced
// by whole pixels, all lie within an image of size pixels.
func (g grid) span(points, size, displaced int) (from, to int) {
	s := g.scale
	from = (max(0, reach*s-displaced) + s - 1) / s
	to = floorDiv(size-reach*s-displaced, s) + 1
	return min(points, from), max(min(points, from), min(points, to))
}

func floorDiv(a, b int) int { return int(math.Floor(float64(a) / float64(b))) }

// sampler takes the smoothed image and its gradient at grid points displaced
// by the same number of pixels.
type sampler struct {
	p                *prepared
	g                grid
	wholeX, wholeY   int // displacement, whole pixels
	smoothX, slopeX  []float32
	smoothY, slopeY  []float32
	fromX, toX       int         // grid columns with all taps within the image
	fromY, toY       int         // grid rows
	phases           [][]float32 // every scale-th pixel of the line
	smooths, slopesX [][]float32 // rows of the image, smoothed along x
}

func newSampler(p *prepared, g grid, dx, dy float64) *sampler {
	s := &sampler{p: p, g: g, wholeX: int(math.Round(dx)), wholeY: int(math.Round(dy))}
	s.smoothX, s.slopeX = gaussian(g.scale, dx-float64(s.wholeX))
	s.smoothY, s.slopeY = gaussian(g.scale, dy-float64(s.wholeY))
	s.fromX, s.toX = g.span(g.width, p.width, s.wholeX)
	s.fromY, s.toY = g.span(g.height, p.height, s.wholeY)
	return s
}

// fork returns a sampler for another worker.
func (s *sampler) fork() *sampler {
	f := *s
	f.phases, f.smooths, f.slopesX = nil, nil, nil
	return &f
}

// patch holds rows of a smoothed image and of its gradient, per pixel.
type patch struct {
	value, slopeX, slopeY []float32
}

func newPatch(n int) patch {
	return patch{make([]float32, n), make([]float32, n), make([]float32, n)}
}

// rows takes the grid rows [y0, y1), which must lie within fromY and toY.
// Columns outside of fromX and toX are left as they are.
func (s *sampler) rows(out patch, y0, y1 int) {
	first := y0*s.g.scale + s.wholeY - reach*s.g.scale
	count := (y1-y0-1)*s.g.scale + taps*s.g.scale
	s.smoothRows(first, count)
	n := s.toX - s.fromX
	for y := y0; y < y1; y++ {
		o := (y-y0)*s.g.width + s.fromX
		from := (y - y0) * s.g.scale
		smooths, slopes := s.smooths[from:from+taps*s.g.scale], s.slopesX[from:from+taps*s.g.scale]
		sumRows(out.value[o:o+n], smooths, s.smoothY)
		sumRows(out.slopeX[o:o+n], slopes, s.smoothY)
		sumRows(out.slopeY[o:o+n], smooths, s.slopeY)
	}
}

// smoothRows smooths rows of the image along x.
func (s *sampler) smoothRows(first, count int) {
	n := s.toX - s.fromX
	for len(s.smooths) < count {
		s.smooths = append(s.smooths, make([]float32, n))
		s.slopesX = append(s.slopesX, make([]float32, n))
	}
	shifted := make([][]float32, taps*s.g.scale)
	for i := range count {
		s.split(first + i)
		for k := range shifted {
			shifted[k] = s.phases[k%s.g.scale][k/s.g.scale:]
		}
		sumRows(s.smooths[i], shifted, s.smoothX)
		sumRows(s.slopesX[i], shifted, s.slopeX)
	}
}

// split takes the pixels of a row that the grid points need apart, so that
// the same tap of neighbouring grid points lies side by side.
func (s *sampler) split(y int) {
	scale := s.g.scale
	each := s.toX - s.fromX - 1 + taps
	first := s.fromX*scale + s.wholeX - reach*scale
	row := s.p.value[y*s.p.width+first : (y+1)*s.p.width]
	if scale == 1 {
		s.phases = append(s.phases[:0], row)
		return
	}
	if s.phases == nil {
		for range scale {
			s.phases = append(s.phases, make([]float32, each))
		}
	}
	for k, phase := range s.phases {
		for i, j := 0, k; i < len(phase) && j < len(row); i, j = i+1, j+scale {
			phase[i] = row[j]
		}
	}
}

// sumRows sets dst to the weighted sum of rows, of which there must be a
// multiple of four, each at least as long as dst.
func sumRows(dst []float32, rows [][]float32, weights []float32) {
	clear(dst)
	for k := 0; k < len(weights); k += 4 {
		w0, w1, w2, w3 := weights[k], weights[k+1], weights[k+2], weights[k+3]
		r0, r1, r2, r3 := rows[k][:len(dst)], rows[k+1][:len(dst)], rows[k+2][:len(dst)], rows[k+3][:len(dst)]
		for i := range dst {
			dst[i] += w0*r0[i] + w1*r1[i] + w2*r2[i] + w3*r3[i]
		}
	}
}

// fields is the reference smoothed at one scale.
type fields struct {
	grid
	patch
	// spreadX and spreadY are the gradient smoothed once more: the weights
	// with which the noise of the pixels enters the least-squares sums.
	spreadX, spreadY []float32
	fromX, toX       int // grid columns with all taps within the image
	fromY, toY       int
}

func newFields(a *prepared, scale int) *fields {
	g := a.grid(scale)
	n := g.width * g.height
	f := &fields{grid: g, patch: newPatch(n), spreadX: make([]float32, n), spreadY: make([]float32, n)}
	s := newSampler(a, g, 0, 0)
	f.fromX, f.toX, f.fromY, f.toY = s.fromX, s.toX, s.fromY, s.toY
	samplers := make([]*sampler, a.workers)
	eachBlock(a.workers, f.toY-f.fromY, func(worker, y0, y1 int) {
		if samplers[worker] == nil {
			samplers[worker] = s.fork()
		}
		y0, y1 = y0+f.fromY, y1+f.fromY
		o, e := y0*g.width, y1*g.width
		samplers[worker].rows(patch{f.value[o:e], f.slopeX[o:e], f.slopeY[o:e]}, y0, y1)
	})
	f.spread(f.spreadX, f.slopeX, a.workers)
	f.spread(f.spreadY, f.slopeY, a.workers)
	return f
}

// spread smooths a field of the grid by the Gaussian, whose width is one in
// units of the grid. The field is zero where it is not known.
func (f *fields) spread(out, in []float32, workers int) {
	smooth, _ := gaussian(1, 0)
	w := f.width
	along := make([]float32, len(in))
	eachBlock(workers, f.height, func(_, y0, y1 int) {
		padded := make([]float32, w+taps)
		shifted := make([][]float32, taps)
		for k := range shifted {
			shifted[k] = padded[k:]
		}
		for y := y0; y < y1; y++ {
			copy(padded[reach:], in[y*w:(y+1)*w])
			sumRows(along[y*w:(y+1)*w], shifted, smooth)
		}
	})
	none := make([]float32, w)
	eachBlock(workers, f.height, func(_, y0, y1 int) {
		rows := make([][]float32, taps)
		for y := y0; y < y1; y++ {
			for k := range rows {
				rows[k] = none
				if v := y + k - reach; v >= 0 && v < f.height {
					rows[k] = along[v*w : (v+1)*w]
				}
			}
			sumRows(out[y*w:(y+1)*w], rows, smooth)
		}
	})
}
