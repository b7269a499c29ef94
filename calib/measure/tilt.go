package measure

import "math"

// Tilt fits a plane to a region of one frame, row by row: light that leaks
// into darks hardly ever falls evenly.
type Tilt struct {
	n, x, y, xx, xy, yy float64
	v, xv, yv, vv       float64
	pivot               float64
	first, last         [2]int // x and y
}

// AddRow takes the values of columns x0, x0+step, ... of row y, DN above
// offset. NaN is left out, and so are values further than 5 robust sigmas from
// the row's centre: hits and hot pixels.
func (t *Tilt) AddRow(x0, step, y int, v []float32) {
	if len(v) == 0 {
		return
	}
	w := windowOf(v, 0)
	if t.n == 0 {
		t.pivot = float64(w.centre)
		t.first, t.last = [2]int{x0, y}, [2]int{x0, y}
	}
	var n, sx, sxx, sv, sxv, svv float64
	for i, f := range v {
		if !w.holds(f) {
			continue
		}
		x, d := float64(i), float64(f)-t.pivot
		n++
		sx += x
		sxx += x * x
		sv += d
		sxv += x * d
		svv += d * d
	}
	// From places in the row to columns.
	a, b, row := float64(x0), float64(step), float64(y)
	t.xx += n*a*a + 2*a*b*sx + b*b*sxx
	t.xv += a*sv + b*sxv
	sx = n*a + b*sx
	t.n, t.x, t.y = t.n+n, t.x+sx, t.y+n*row
	t.xy, t.yy = t.xy+row*sx, t.yy+n*row*row
	t.v, t.yv, t.vv = t.v+sv, t.yv+row*sv, t.vv+svv
	t.first = [2]int{min(t.first[0], x0), min(t.first[1], y)}
	t.last = [2]int{max(t.last[0], x0+step*(len(v)-1)), max(t.last[1], y)}
}

// TiltFit is the plane through a region.
type TiltFit struct {
	Level Figure // mean, DN
	X, Y  Figure // rise from the first column (row) to the last, DN
}

// Plane returns the least-squares plane. noise is the variance of a pixel
// from temporal noise, DN^2, and decides the uncertainties; 0: the scatter
// about the plane, fixed pattern included. Without two rows and two columns
// it is NaN.
func (t *Tilt) Plane(noise float64) TiltFit {
	sxx, sxy, syy := t.xx-t.x*t.x/t.n, t.xy-t.x*t.y/t.n, t.yy-t.y*t.y/t.n
	sxv, syv, svv := t.xv-t.x*t.v/t.n, t.yv-t.y*t.v/t.n, t.vv-t.v*t.v/t.n
	det := sxx*syy - sxy*sxy
	cx, cy := (sxv*syy-syv*sxy)/det, (syv*sxx-sxv*sxy)/det
	if noise == 0 {
		noise = max(svv-cx*sxv-cy*syv, 0) / (t.n - 3)
	}
	width, height := float64(t.last[0]-t.first[0]), float64(t.last[1]-t.first[1])
	return TiltFit{
		Level: Figure{t.pivot + t.v/t.n, math.Sqrt(noise / t.n)},
		X:     Figure{cx, math.Sqrt(noise * syy / det)}.scaled(width),
		Y:     Figure{cy, math.Sqrt(noise * sxx / det)}.scaled(height),
	}
}
