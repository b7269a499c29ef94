package align

// sums are the sums over a part of the image. a and b are the smoothed reference and the
// image at the displaced place, A and B their gradients, S the reference's
// gradient smoothed once more, and u and v the variances of the pixels.
type sums struct {
	n, a, b   float64
	aa, ab    float64
	gradient  vector // A
	other     vector // B
	aGradient vector // a A
	aOther    vector // a B
	bGradient vector // b A
	power     matrix // A A'
	cross     matrix // A B', its symmetric part
	u, v      float64
	uSpread   matrix // u S S'
	vSpread   matrix // v S S'
	uSquared  float64
	points    float64 // if none were left out
}

// sums returns the sums of the finest cells with b displaced by at.
func (r *reference) sums(f *fields, b *prepared, at vector) *cells {
	s := newSampler(b, f.grid, at.x, at.y)
	side := tileFor(b.width, b.height) / f.scale
	c := newCells(f.grid, side)
	fromX, toX := max(f.fromX, s.fromX), min(f.toX, s.toX)
	samplers, patches := make([]*sampler, b.workers), make([]patch, b.workers)
	parallel(b.workers, c.down/c.perTile, func(worker, j int) {
		y0, y1 := max(j*side, f.fromY, s.fromY), min((j+1)*side, f.toY, s.toY)
		if y0 >= y1 || fromX >= toX {
			return
		}
		if samplers[worker] == nil {
			samplers[worker], patches[worker] = s.fork(), newPatch(side*f.width)
		}
		out := patches[worker]
		samplers[worker].rows(out, y0, y1)
		for k := j * c.perTile; k < (j+1)*c.perTile; k++ {
			for i := range c.across {
				t := &c.sums[k*c.across+i]
				t.points = float64(c.side * c.side)
				columns := span{max(i*c.side, fromX), min((i+1)*c.side, toX)}
				rows := span{max(k*c.side, y0), min((k+1)*c.side, y1)}
				t.add(f, r.image, b, s, out, y0, columns, rows)
			}
		}
	})
	return c
}

// span is the range [from, to) of grid points along an axis.
type span struct{ from, to int }

// add takes the grid points of a cell into the sums. out holds the rows of b
// from first on.
func (t *sums) add(f *fields, pa, pb *prepared, s *sampler, out patch, first int, columns, rows span) {
	n := columns.to - columns.from
	if n <= 0 {
		return
	}
	var r sums
	for y := rows.from; y < rows.to; y++ {
		o := y*f.width + columns.from
		a, ax, ay := f.value[o:o+n], f.slopeX[o:o+n], f.slopeY[o:o+n]
		sx, sy := f.spreadX[o:o+n], f.spreadY[o:o+n]
		q := (y-first)*f.width + columns.from
		b, bx, by := out.value[q:q+n], out.slopeX[q:q+n], out.slopeY[q:q+n]
		ia := y*f.scale*pa.width + columns.from*f.scale
		ib := (y*f.scale+s.wholeY)*pb.width + columns.from*f.scale + s.wholeX
		for i := range a {
			if pa.clear[ia] && pb.clear[ib] {
				a, b, ax, ay := float64(a[i]), float64(b[i]), float64(ax[i]), float64(ay[i])
				bx, by, sx, sy := float64(bx[i]), float64(by[i]), float64(sx[i]), float64(sy[i])
				u, v := float64(pa.variance[ia]), float64(pb.variance[ib])
				r.n++
				r.a += a
				r.b += b
				r.aa += a * a
				r.ab += a * b
				r.gradient.x += ax
				r.gradient.y += ay
				r.other.x += bx
				r.other.y += by
				r.aGradient.x += a * ax
				r.aGradient.y += a * ay
				r.aOther.x += a * bx
				r.aOther.y += a * by
				r.bGradient.x += b * ax
				r.bGradient.y += b * ay
				r.power.xx += ax * ax
				r.power.xy += ax * ay
				r.power.yy += ay * ay
				r.cross.xx += ax * bx
				r.cross.xy += (ax*by + ay*bx) / 2
				r.cross.yy += ay * by
				sxx, sxy, syy := sx*sx, sx*sy, sy*sy
				r.u += u
				r.v += v
				r.uSquared += u * u
				r.uSpread.xx += u * sxx
				r.uSpread.xy += u * sxy
				r.uSpread.yy += u * syy
				r.vSpread.xx += v * sxx
				r.vSpread.xy += v * sxy
				r.vSpread.yy += v * syy
			}
			ia += f.scale
			ib += f.scale
		}
	}
	t.merge(&r)
}

func (t *sums) merge(r *sums) {
	t.n += r.n
	t.points += r.points
	t.a += r.a
	t.b += r.b
	t.aa += r.aa
	t.ab += r.ab
	t.gradient = t.gradient.plus(1, r.gradient)
	t.other = t.other.plus(1, r.other)
	t.aGradient = t.aGradient.plus(1, r.aGradient)
	t.aOther = t.aOther.plus(1, r.aOther)
	t.bGradient = t.bGradient.plus(1, r.bGradient)
	t.power = t.power.plus(1, r.power)
	t.cross = t.cross.plus(1, r.cross)
	t.u += r.u
	t.v += r.v
	t.uSquared += r.uSquared
	t.uSpread = t.uSpread.plus(1, r.uSpread)
	t.vSpread = t.vSpread.plus(1, r.vSpread)
}
