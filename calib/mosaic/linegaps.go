package mosaic

import (
	"cmp"
	"slices"
)

// lineKernels holds what lines need to know of a pattern, and the same weights
// as the rows are worked out with, sample by sample, for pixels next to gaps.
type lineKernels struct {
	first                int       // colour of the diagonal
	parity               int       // (x+y)&1 where it is
	rows                 [2]int    // the other colour of even and odd rows
	toDetail, fromDetail []float32 // between a colour's unit and that of its detail
	pairs                []linePair
}

// linePair combines samples along the row and along the column.
type linePair struct {
	taps []lineTap
}

type lineTap struct {
	site
	offset int
	h, v   float32 // weights of the two directions
}

func newLineKernels(f *frame) *lineKernels {
	l := &lineKernels{first: f.p.diagonal()}
	if f.p.At(0, 0) != l.first {
		l.parity = 1
	}
	for y := range l.rows {
		l.rows[y] = f.p.At(l.parity^1^y, y)
	}
	for _, s := range f.scale {
		l.toDetail, l.fromDetail = append(l.toDetail, float32(1/s)), append(l.fromDetail, float32(s))
	}
	for y := range 2 {
		for x := range 2 {
			for c := range f.p.colours {
				l.pairs = append(l.pairs, newLinePair(f, l.combination(f.p, x, y, c, site{1, 0}), l.combination(f.p, x, y, c, site{0, 1}), x, y, c))
			}
		}
	}
	return l
}

// colours gives the colour that row y has beside the first, and the one that
// it has not.
func (l *lineKernels) colours(y int) (row, other int) { return l.rows[y&1], l.rows[y&1^1] }

// combination is a weighted sum of samples, in units of detail.
type combination map[site]float64

func (c combination) add(o combination, factor float64) {
	for s, w := range o {
		c[s] += w * factor
	}
}

// difference is first minus other at a site of the pattern, along a direction.
func (l *lineKernels) difference(x, y int, s, along site) combination {
	c := combination{}
	for k, w := range []float64{-0.25, 0.5, -0.5, 0.5, -0.25} {
		if l.isFirst(x+s.dx, y+s.dy) {
			w = -w
		}
		c[site{s.dx + (k-2)*along.dx, s.dy + (k-2)*along.dy}] = w
	}
	return c
}

func (l *lineKernels) smoothed(x, y int, s, along site) combination {
	c := combination{}
	for k, w := range []float64{0.25, 0.5, 0.25} {
		c.add(l.difference(x, y, site{s.dx + (k-1)*along.dx, s.dy + (k-1)*along.dy}, along), w)
	}
	return c
}

// combination makes a colour at a cell (x, y) of the pattern from the samples
// along one direction: the first colour is the sample plus the difference, and
// another is the first less the mean of the differences at its nearest pixels.
func (l *lineKernels) combination(p *Pattern, x, y, colour int, along site) combination {
	c := combination{{0, 0}: 1}
	if p.At(x, y) == colour {
		return c
	}
	if !l.isFirst(x, y) {
		c.add(l.smoothed(x, y, site{}, along), 1)
	}
	if colour == l.first {
		return c
	}
	var nearest []site
	for _, s := range p.inSquare(x, y, 1, func(c int) bool { return c == colour }) {
		nearest = append(nearest, s.site)
	}
	for _, s := range nearest {
		c.add(l.smoothed(x, y, s, along), -1/float64(len(nearest)))
	}
	return c
}

func newLinePair(f *frame, h, v combination, x, y, colour int) linePair {
	var sites []site
	both := combination{}
	both.add(h, 1)
	both.add(v, 1)
	for s := range both {
		sites = append(sites, s)
	}
	slices.SortFunc(sites, func(a, b site) int { return cmp.Or(cmp.Compare(a.dy, b.dy), cmp.Compare(a.dx, b.dx)) })
	var p linePair
	for _, s := range sites {
		scale := f.scale[colour] / f.scale[f.p.At(x+s.dx, y+s.dy)]
		p.taps = append(p.taps, lineTap{s, s.dy*f.r.Width + s.dx, float32(h[s] * scale), float32(v[s] * scale)})
	}
	return p
}

// linePixel interpolates a pixel next to a gap or a border: by the direction
// that has all its samples, by both where both have, and by the kernels for
// gaps where neither has.
func (ip *Interpolator) linePixel(s *scratch, x, y int, share float32, dst []line) {
	for c := range dst {
		if c == ip.p.At(x, y) {
			continue
		}
		pair := &ip.lines.pairs[(y&1*2+x&1)*len(dst)+c]
		okH, okV := ip.complete(pair, x, y)
		switch {
		case okH && okV:
			ip.applyPair(pair, x, y, share, &dst[c])
		case okH:
			ip.applyPair(pair, x, y, 1, &dst[c])
		case okV:
			ip.applyPair(pair, x, y, 0, &dst[c])
		default:
			ip.kernelPixel(s, x, y, c, &dst[c])
		}
	}
}

// complete tells which directions have all their samples.
func (ip *Interpolator) complete(p *linePair, x, y int) (h, v bool) {
	w, height := ip.r.Width, ip.r.Height
	h, v = true, true
	for _, t := range p.taps {
		xx, yy := x+t.dx, y+t.dy
		if uint(xx) < uint(w) && uint(yy) < uint(height) && !ip.out[yy*w+xx] {
			continue
		}
		h = h && t.h == 0
		v = v && t.v == 0
	}
	return h, v
}

func (ip *Interpolator) applyPair(p *linePair, x, y int, share float32, d *line) {
	i := y*ip.r.Width + x
	var value, variance float32
	for _, t := range p.taps {
		w := share*t.h + (1-share)*t.v
		if w == 0 {
			continue // a sample that is left out may be no number
		}
		value += w * ip.r.Value[i+t.offset]
		variance += w * w * ip.r.Variance[i+t.offset]
	}
	d.value[x], d.variance[x] = value, variance
}
