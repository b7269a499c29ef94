package align

import (
	"math"

	"evenlight/calib"
)

// negligible is the weight up to which a pixel does not count: neither its
// flags nor its absence pass to what is made from it. Where pixels without
// value lie under such weights, the others' weights are scaled to add up to
// one; they change by less than 2 %, since there are at most 15 of them.
const negligible = 1e-3

// Resample displaces an image by a constant: out(x, y) = r(x+dx, y+dy). With
// the displacement of b relative to a, as found by [Find], it brings b onto
// the grid of a.
//
// A displacement by whole pixels (to 1e-6 px) copies values, variances and
// flags bit by bit, and so does Nearest, which adds the flag Interpolated if
// the displacement is not whole. Otherwise a pixel is made from those around
// it: the variance is the sum of the squared weights times their variances,
// which is exact if their errors are independent; the errors of neighbours in
// the result then are not (see [Correlation]). The flags are those of all
// pixels with a weight of more than 1e-3, and Interpolated. If one of these
// pixels is Unusable (and not filled), without value, or outside of the image,
// the result is NaN and Missing: no value is invented. Outside of the image every kernel
// gives NaN and Missing.
func Resample(r *calib.Raster, dx, dy float64, kernel Kernel, workers int) *calib.Raster {
	out := calib.NewRaster(r.Width, r.Height)
	if !(math.Abs(dx) < float64(r.Width) && math.Abs(dy) < float64(r.Height)) { // NaN too
		absent(out, 0, len(out.Value))
		return out
	}
	s := shifted{r: r, out: out, x: kernel.at(dx), y: kernel.at(dy), copies: kernel == Nearest}
	s.copies = s.copies || s.x.whole && s.y.whole
	eachBlock(workers, r.Height, func(_, y0, y1 int) {
		if s.copies {
			s.copyRows(y0, y1)
			return
		}
		s.mixRows(y0, y1)
	})
	return out
}

// shifted is a resampling by a constant displacement.
type shifted struct {
	r, out *calib.Raster
	x, y   weights // for the first pixel
	copies bool
}

// copyRows copies rows of pixels as they are.
func (s *shifted) copyRows(y0, y1 int) {
	w := s.r.Width
	shift := s.x.first + 1
	x0, x1 := max(0, min(w, -shift)), max(0, min(w, w-shift))
	var add calib.Flags
	if !s.x.whole || !s.y.whole {
		add = calib.Interpolated
	}
	for y := y0; y < y1; y++ {
		v, o := y+s.y.first+1, y*w
		if v < 0 || v >= s.r.Height || x0 >= x1 {
			absent(s.out, o, o+w)
			continue
		}
		absent(s.out, o, o+x0)
		absent(s.out, o+x1, o+w)
		from := v*w + shift
		copy(s.out.Value[o+x0:o+x1], s.r.Value[from+x0:from+x1])
		copy(s.out.Variance[o+x0:o+x1], s.r.Variance[from+x0:from+x1])
		for x, f := range s.r.Flags[from+x0 : from+x1] {
			s.out.Flags[o+x0+x] = f | add
		}
	}
}

// absent marks pixels [i, j) as missing.
func absent(r *calib.Raster, i, j int) {
	nan := float32(math.NaN())
	for ; i < j; i++ {
		r.Value[i], r.Variance[i], r.Flags[i] = nan, nan, calib.Missing
	}
}

// mixRows makes rows of pixels: along y first, then along x. Where a pixel
// that took part has a flag or no value, the result is made once more, with
// care.
func (s *shifted) mixRows(y0, y1 int) {
	w, h := s.r.Width, s.r.Height
	value, variance, flags := make([]float32, w), make([]float32, w), make([]calib.Flags, w)
	for y := y0; y < y1; y++ {
		first := y + s.y.first
		x0, x1 := max(0, min(w, -s.x.first)), max(0, min(w, w-3-s.x.first))
		if first < 0 || first+3 >= h || x0 >= x1 {
			x0, x1 = 0, 0
		} else {
			s.mixColumns(first, value, variance, flags)
			s.mixAlong(y, x0, x1, value, variance, flags)
		}
		s.mixEdge(y, 0, x0)
		s.mixEdge(y, x1, w)
	}
}

// mixEdge makes the pixels [x0, x1) of row y, each with care.
func (s *shifted) mixEdge(y, x0, x1 int) {
	for x := x0; x < x1; x++ {
		mix(s.r, s.out, y*s.r.Width+x, s.x.moved(x), s.y.moved(y))
	}
}

// moved returns the weights for a place n pixels further.
func (w weights) moved(n int) weights {
	w.first += n
	return w
}

// mixColumns mixes four rows of the image into one.
func (s *shifted) mixColumns(first int, value, variance []float32, flags []calib.Flags) {
	w := len(value)
	var v, q [4][]float32
	var f [4][]calib.Flags
	for k := range 4 {
		o := (first + k) * w
		v[k], q[k], f[k] = s.r.Value[o:o+w], s.r.Variance[o:o+w], s.r.Flags[o:o+w]
	}
	a, a2 := s.y.single(), s.y.squares()
	v0, v1, v2, v3 := v[0], v[1], v[2], v[3]
	for x := range value {
		value[x] = a[0]*v0[x] + a[1]*v1[x] + a[2]*v2[x] + a[3]*v3[x]
	}
	q0, q1, q2, q3 := q[0], q[1], q[2], q[3]
	for x := range variance {
		variance[x] = a2[0]*q0[x] + a2[1]*q1[x] + a2[2]*q2[x] + a2[3]*q3[x]
	}
	f0, f1, f2, f3 := f[0], f[1], f[2], f[3]
	for x := range flags {
		flags[x] = f0[x] | f1[x] | f2[x] | f3[x]
	}
}

func (w weights) single() [4]float32 {
	return [4]float32{float32(w.w[0]), float32(w.w[1]), float32(w.w[2]), float32(w.w[3])}
}

func (w weights) squares() [4]float32 {
	var out [4]float32
	for k, v := range w.w {
		out[k] = float32(v * v)
	}
	return out
}

// mixAlong makes the pixels [x0, x1) of row y from the mixed row.
func (s *shifted) mixAlong(y, x0, x1 int, value, variance []float32, flags []calib.Flags) {
	n, from, o := x1-x0, x0+s.x.first, y*s.r.Width+x0
	a, a2 := s.x.single(), s.x.squares()
	v, q, f := value[from:from+n+3], variance[from:from+n+3], flags[from:from+n+3]
	outV, outQ, outF := s.out.Value[o:o+n], s.out.Variance[o:o+n], s.out.Flags[o:o+n]
	for x := range outV {
		value := a[0]*v[x] + a[1]*v[x+1] + a[2]*v[x+2] + a[3]*v[x+3]
		if f[x]|f[x+1]|f[x+2]|f[x+3] != 0 || value-value != 0 {
			mix(s.r, s.out, o+x, s.x.moved(x0+x), s.y.moved(y))
			continue
		}
		outV[x] = value
		outQ[x] = a2[0]*q[x] + a2[1]*q[x+1] + a2[2]*q[x+2] + a2[3]*q[x+3]
		outF[x] = calib.Interpolated
	}
}

// mix makes pixel i of out from the 4 x 4 pixels of r that the weights name.
func mix(r, out *calib.Raster, i int, wx, wy weights) {
	var value, variance, total float64
	var flags calib.Flags
	absent := false
	for j, a := range wy.w {
		y := wy.first + j
		for k, b := range wx.w {
			w, x := a*b, wx.first+k
			if w == 0 {
				continue
			}
			counts := math.Abs(w) > negligible
			if x < 0 || x >= r.Width || y < 0 || y >= r.Height {
				absent = absent || counts
				continue
			}
			at := y*r.Width + x
			if counts {
				flags |= r.Flags[at]
			}
			if v := float64(r.Value[at]); r.Flags[at].Standing()&calib.Unusable == 0 && v-v == 0 {
				value += w * v
				variance += w * w * float64(r.Variance[at])
				total += w
			} else if counts {
				absent = true
			}
		}
	}
	if !wx.whole || !wy.whole {
		flags |= calib.Interpolated
	}
	if absent || total < 0.5 {
		nan := float32(math.NaN())
		out.Value[i], out.Variance[i], out.Flags[i] = nan, nan, flags&^calib.Filled|calib.Missing
		return
	}
	out.Value[i] = float32(value / total)
	out.Variance[i] = float32(variance / (total * total))
	out.Flags[i] = flags
}

// ResampleMap makes an image of width x height whose pixel (x, y) is taken
// from r at the place that source gives. source fills in the coordinates of a
// whole row of the result, x into sx and y into sy, px in r; NaN means that
// there is nothing. It is called once per row, by several workers at once.
//
// Values, variances and flags are treated as by [Resample]. A value is that of
// the scene at the place, not a mean over the area of the new pixel, so the
// mapping should neither shrink the image by much nor tear it; and a quantity
// per pixel stays per pixel of r.
func ResampleMap(r *calib.Raster, width, height int, source func(y int, sx, sy []float64), kernel Kernel, workers int) *calib.Raster {
	out := calib.NewRaster(width, height)
	eachBlock(workers, height, func(_, y0, y1 int) {
		sx, sy := make([]float64, width), make([]float64, width)
		for y := y0; y < y1; y++ {
			source(y, sx, sy)
			for x := range width {
				take(r, out, y*width+x, sx[x], sy[x], kernel)
			}
		}
	})
	return out
}

// take makes pixel i of out from r at u, v.
func take(r, out *calib.Raster, i int, u, v float64, kernel Kernel) {
	const far = 4                                                                         // px outside of the image, beyond the reach of any kernel
	if !(u > -far && u < float64(r.Width+far) && v > -far && v < float64(r.Height+far)) { // NaN too
		absent(out, i, i+1)
		return
	}
	wx, wy := kernel.at(u), kernel.at(v)
	if kernel != Nearest && !(wx.whole && wy.whole) {
		mix(r, out, i, wx, wy)
		return
	}
	x, y := wx.first+1, wy.first+1
	if x < 0 || x >= r.Width || y < 0 || y >= r.Height {
		absent(out, i, i+1)
		return
	}
	at := y*r.Width + x
	out.Value[i], out.Variance[i], out.Flags[i] = r.Value[at], r.Variance[at], r.Flags[at]
	if !wx.whole || !wy.whole {
		out.Flags[i] |= calib.Interpolated
	}
}
