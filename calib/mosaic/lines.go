package mosaic

import "evenlight/calib"

// Lines are worked on row by row. A ring keeps the last rows of each quantity,
// with pad pixels more at both ends, where the frame is mirrored about its
// first and last pixel (which keeps the colours in step).
const (
	ringRows  = 16
	pad       = 8
	leastLine = 2 * pad // columns and rows of the smallest frame
	lineReach = 4       // of the weights
	loadAhead = 5       // rows that must be loaded beyond the one that is worked out
)

// ring holds rows y, y+1, ... modulo ringRows.
type ring [ringRows][]float32

func (r *ring) at(y int) []float32 { return r[y&(ringRows-1)] }

// rings holds what is known along rows (h) and columns (v). All is in units
// of the detail of each colour. The diagonal colour is called the first, and a
// difference is always first minus other.
type rings struct {
	value, variance ring
	diffH, diffV    ring // difference of the colours
	meanH, meanV    ring // the same, smoothed along the line by 1 2 1
	changeH         ring // |change of diffH along the row|, summed over five pixels of the row
	changeV         ring // |change of diffV along the column|, summed likewise
	varH, varV      ring // variance of meanH and meanV
	pairH, pairV    ring // variance of the mean of meanH at the neighbours left and right, of meanV above and below
	modulus         []float32
	share           []float32 // weight of the direction along the row, of each pixel of one row
}

func newRings(width int) *rings {
	g := &rings{}
	n := width + 2*pad
	for _, r := range []*ring{
		&g.value, &g.variance, &g.diffH, &g.diffV, &g.meanH, &g.meanV,
		&g.changeH, &g.changeV, &g.varH, &g.varV, &g.pairH, &g.pairV,
	} {
		for i := range r {
			r[i] = make([]float32, n)
		}
	}
	g.modulus, g.share = make([]float32, n), make([]float32, n)
	return g
}

// openLines fills the rings for the rows before y0.
func (ip *Interpolator) openLines(s *scratch, y0 int) {
	if s.rings == nil {
		s.rings = newRings(ip.r.Width)
	}
	g := s.rings
	for y := y0 - loadAhead; y < y0+loadAhead; y++ {
		ip.load(g, y)
	}
	for y := y0 - 3; y < y0+3; y++ {
		ip.lines.differenceV(g, y)
	}
	for y := y0 - 2; y < y0+2; y++ {
		ip.lines.alongRow(g, y)
		g.changesV(y)
	}
	for y := y0 - 1; y < y0+1; y++ {
		g.smoothV(y)
	}
}

// advance makes ready what row y needs.
func (ip *Interpolator) advance(g *rings, y int) {
	ip.load(g, y+loadAhead)
	ip.lines.differenceV(g, y+3)
	ip.lines.alongRow(g, y+2)
	g.changesV(y + 2)
	g.smoothV(y + 1)
	g.weighDirections(y)
}

func mirror(i, n int) int {
	if i < 0 {
		return -i
	}
	if i >= n {
		return 2*(n-1) - i
	}
	return i
}

// load scales a row of samples and puts the neighbours' mean in place of those
// that are left out.
func (ip *Interpolator) load(g *rings, y int) {
	value, variance := g.value.at(y), g.variance.at(y)
	y = mirror(y, ip.r.Height)
	src := lineOf(ip.r, y)
	w := len(src.value)
	v, u := value[pad:pad+w], variance[pad:pad+w]
	for px := range 2 {
		scale := ip.lines.toDetail[ip.p.At(px, y)]
		scale2 := scale * scale
		for x := px; x < len(v) && x < len(u) && x < len(src.value) && x < len(src.variance); x += 2 {
			v[x] = src.value[x] * scale
			u[x] = src.variance[x] * scale2
		}
	}
	if ip.outRow[y] {
		ip.standIn(v, u, y)
	}
	for k := 1; k <= pad; k++ {
		value[pad-k], value[pad+w-1+k] = value[pad+k], value[pad+w-1-k]
		variance[pad-k], variance[pad+w-1+k] = variance[pad+k], variance[pad+w-1-k]
	}
}

// standIn replaces samples that are left out, so that the choice of direction
// next to them has numbers to work with: by the mean of the good ones of the
// eight nearest of their column and row parity, or else by the one before.
func (ip *Interpolator) standIn(v, u []float32, y int) {
	w, h := ip.r.Width, ip.r.Height
	for x, out := range ip.out[y*w : (y+1)*w] {
		if !out {
			continue
		}
		sum, n := float32(0), float32(0)
		for yy := max(y-2, y&1); yy <= min(y+2, h-1); yy += 2 {
			for xx := max(x-2, x&1); xx <= min(x+2, w-1); xx += 2 {
				if i := yy*w + xx; !ip.out[i] {
					sum += ip.r.Value[i]
					n++
				}
			}
		}
		switch {
		case n > 0:
			v[x] = sum / n * ip.lines.toDetail[ip.p.At(x, y)]
		case x >= 2:
			v[x] = v[x-2]
		default:
			v[x] = 0
		}
		u[x] = 0
	}
}

// signs gives the sign that turns neighbours minus pixel into first minus
// other, for even and odd places of a padded row.
func (l *lineKernels) signs(y int) [2]float32 {
	if l.isFirst(0, y) {
		return [2]float32{-1, 1}
	}
	return [2]float32{1, -1}
}

func (l *lineKernels) isFirst(x, y int) bool { return (x+y)&1 == l.parity }

// alongRow works out the difference along a row, its changes, and variances.
func (l *lineKernels) alongRow(g *rings, y int) {
	differenceH(g.diffH.at(y), g.value.at(y), l.signs(y))
	d, mean, modulus := g.diffH.at(y), g.meanH.at(y), g.modulus
	n := len(d) - 2
	before, here, after := d[:n], d[1:][:n], d[2:][:n]
	m, c := mean[1:][:n], modulus[1:][:n]
	for i := range m {
		m[i] = 0.25*(before[i]+after[i]) + 0.5*here[i]
		c[i] = abs(after[i] - before[i])
	}
	sumFive(g.changeH.at(y), modulus)
	varianceH(g.varH.at(y), g.pairH.at(y), g.variance.at(y))
}

// differenceH is a colour at a pixel of the other, from the mean of the
// neighbours and half the second difference of the pixel's own colour, less
// the other colour.
func differenceH(dst, v []float32, sign [2]float32) {
	n := len(v) - 4
	a, b, c, d, e := v[:n], v[1:][:n], v[2:][:n], v[3:][:n], v[4:][:n]
	out := dst[2:][:n]
	for i := range out {
		out[i] = (0.5*(b[i]+d[i]) - 0.25*(a[i]+e[i]) - 0.5*c[i]) * sign[i&1]
	}
}

// differenceV does the same along columns.
func (l *lineKernels) differenceV(g *rings, y int) {
	out, sign := g.diffV.at(y), l.signs(y)
	n := len(out)
	a, b, c, d, e := g.value.at(y - 2)[:n], g.value.at(y - 1)[:n], g.value.at(y)[:n], g.value.at(y + 1)[:n], g.value.at(y + 2)[:n]
	for i := range out {
		out[i] = (0.5*(b[i]+d[i]) - 0.25*(a[i]+e[i]) - 0.5*c[i]) * sign[i&1]
	}
}

func (g *rings) changesV(y int) {
	m := g.modulus
	before, after := g.diffV.at(y - 1)[:len(m)], g.diffV.at(y + 1)[:len(m)]
	for i := range m {
		m[i] = abs(after[i] - before[i])
	}
	sumFive(g.changeV.at(y), m)
}

func sumFive(dst, v []float32) {
	n := len(v) - 4
	a, b, c, d, e := v[:n], v[1:][:n], v[2:][:n], v[3:][:n], v[4:][:n]
	out := dst[2:][:n]
	for i := range out {
		out[i] = a[i] + b[i] + c[i] + d[i] + e[i]
	}
}

// The squares of the weights of nine samples in a row: in the smoothed
// difference in the middle, 1 -4 7 -8 7 -4 1 over 16, and in the mean of the
// smoothed differences left and right of it, 1 -4 8 -12 14 -12 8 -4 1 over 32.
const (
	one0, one1, one2, one3       = 64.0 / 256, 49.0 / 256, 16.0 / 256, 1.0 / 256
	two0, two1, two2, two3, two4 = 196.0 / 1024, 144.0 / 1024, 64.0 / 1024, 16.0 / 1024, 1.0 / 1024
)

func varianceH(one, two, u []float32) {
	n := len(u) - 8
	a, b, c, d, e := u[:n], u[1:][:n], u[2:][:n], u[3:][:n], u[4:][:n]
	f, g, h, k := u[5:][:n], u[6:][:n], u[7:][:n], u[8:][:n]
	one, two = one[4:][:n], two[4:][:n]
	for i := range one {
		s1, s2, s3 := d[i]+f[i], c[i]+g[i], b[i]+h[i]
		one[i] = one0*e[i] + one1*s1 + one2*s2 + one3*s3
		two[i] = two0*e[i] + two1*s1 + two2*s2 + two3*s3 + two4*(a[i]+k[i])
	}
}

// smoothV works out the smoothed difference along columns, and variances.
func (g *rings) smoothV(y int) {
	mean := g.meanV.at(y)
	n := len(mean)
	before, here, after := g.diffV.at(y - 1)[:n], g.diffV.at(y)[:n], g.diffV.at(y + 1)[:n]
	for i := range mean {
		mean[i] = 0.25*(before[i]+after[i]) + 0.5*here[i]
	}
	var u [9][]float32
	for k := range u {
		u[k] = g.variance.at(y + k - 4)[:n]
	}
	varianceV(g.varV.at(y), g.pairV.at(y), &u)
}

func varianceV(one, two []float32, u *[9][]float32) {
	n := len(one)
	two = two[:n]
	a, b, c, d, e := u[0][:n], u[1][:n], u[2][:n], u[3][:n], u[4][:n]
	f, g, h, k := u[5][:n], u[6][:n], u[7][:n], u[8][:n]
	for i := range one {
		s1, s2, s3 := d[i]+f[i], c[i]+g[i], b[i]+h[i]
		one[i] = one0*e[i] + one1*s1 + one2*s2 + one3*s3
		two[i] = two0*e[i] + two1*s1 + two2*s2 + two3*s3 + two4*(a[i]+k[i])
	}
}

// weighDirections compares the changes along rows and along columns, over a
// square of five pixels. The direction with the smaller ones gets the greater
// weight, by the square.
func (g *rings) weighDirections(y int) {
	share := g.share
	n := len(share)
	var h, v [5][]float32
	for k := range h {
		h[k], v[k] = g.changeH.at(y + k - 2)[:n], g.changeV.at(y + k - 2)[:n]
	}
	h0, h1, h2, h3, h4 := h[0][:n], h[1][:n], h[2][:n], h[3][:n], h[4][:n]
	v0, v1, v2, v3, v4 := v[0][:n], v[1][:n], v[2][:n], v[3][:n], v[4][:n]
	for i := range share {
		sh := h0[i] + h1[i] + h2[i] + h3[i] + h4[i]
		sv := v0[i] + v1[i] + v2[i] + v3[i] + v4[i]
		const evenScene = 1e-12 // where nothing changes, both directions count alike
		sh, sv = sh*sh+evenScene, sv*sv+evenScene
		share[i] = sv / (sh + sv)
	}
}

func abs(v float32) float32 { return max(v, -v) }

// lineRow interpolates a row by lines.
func (ip *Interpolator) lineRow(s *scratch, y int, dst []line) {
	g, l, w := s.rings, ip.lines, ip.r.Width
	ip.advance(g, y)
	rowColour, otherColour := l.colours(y)
	atOther := l.parity ^ 1 ^ y&1 // the first column that is not of the first colour
	first, beside, other := l.target(dst, l.first), l.target(dst, rowColour), l.target(dst, otherColour)
	g.atOther(y, atOther, first, other)
	g.atFirst(y, atOther^1, beside, other)
	ip.lineFlags(y, dst)
	near := ip.near(s, y, lineReach)
	for x := range w {
		if near != nil && near[x] || x < lineReach || x >= w-lineReach {
			ip.linePixel(s, x, y, g.share[x+pad], dst)
		}
	}
}

// target is a row of a plane with the scale of its colour.
type target struct {
	line
	scale float32 // from units of detail
}

func (l *lineKernels) target(dst []line, colour int) target {
	return target{dst[colour], l.fromDetail[colour]}
}

// atOther interpolates, where a row has a colour other than the first, the
// first colour and the third. The variance of a blend of two sums with shares
// a and b is a²A + b²B + 2abC, with C the covariance from the samples that
// both have.
func (g *rings) atOther(y, x0 int, first, third target) {
	w := len(first.value)
	n := w + 2*pad
	share, value := g.share[:n], g.value.at(y)[:n]
	u, uAbove, uBelow := g.variance.at(y)[:n], g.variance.at(y - 1)[:n], g.variance.at(y + 1)[:n]
	meanH, meanHAbove, meanHBelow := g.meanH.at(y)[:n], g.meanH.at(y - 1)[:n], g.meanH.at(y + 1)[:n]
	meanV, meanVAbove, meanVBelow := g.meanV.at(y)[:n], g.meanV.at(y - 1)[:n], g.meanV.at(y + 1)[:n]
	varH, varV := g.varH.at(y)[:n], g.varV.at(y)[:n]
	pairHAbove, pairHBelow, pairV := g.pairH.at(y - 1)[:n], g.pairH.at(y + 1)[:n], g.pairV.at(y)[:n]
	v1, u1, v3, u3 := first.value[:w], first.variance[:w], third.value[:w], third.variance[:w]
	firstScale2, thirdScale2 := first.scale*first.scale, third.scale*third.scale
	for x := x0; x < w; x += 2 {
		i := x + pad
		a := share[i]
		b := 1 - a
		a2, b2, ab2 := a*a, b*b, 2*a*b
		v := value[i] + a*meanH[i] + b*meanV[i]
		v1[x] = v * first.scale
		u1[x] = (a2*varH[i] + b2*varV[i] + ab2*0.25*u[i]) * firstScale2

		h := meanHAbove[i-1] + meanHAbove[i+1] + meanHBelow[i-1] + meanHBelow[i+1]
		q := meanVAbove[i-1] + meanVAbove[i+1] + meanVBelow[i-1] + meanVBelow[i+1]
		v3[x] = (v - 0.25*(a*h+b*q)) * third.scale
		const c0, c1, c2 = 1.0 / 4, -98.0 / 1024, 9.0 / 256
		cov := c0*u[i] + c1*(u[i-1]+u[i+1]+uAbove[i]+uBelow[i]) + c2*(uAbove[i-1]+uAbove[i+1]+uBelow[i-1]+uBelow[i+1])
		u3[x] = (a2*(varH[i]+0.25*(pairHAbove[i]+pairHBelow[i])) +
			b2*(varV[i]+0.25*(pairV[i-1]+pairV[i+1])) + ab2*cov) * thirdScale2
	}
}

// atFirst interpolates, where a row has the first colour, the one that the row
// has beside it and the one of the rows above and below.
func (g *rings) atFirst(y, x0 int, beside, above target) {
	w := len(beside.value)
	n := w + 2*pad
	share, value := g.share[:n], g.value.at(y)[:n]
	u, uAbove, uBelow := g.variance.at(y)[:n], g.variance.at(y - 1)[:n], g.variance.at(y + 1)[:n]
	meanH, meanHAbove, meanHBelow := g.meanH.at(y)[:n], g.meanH.at(y - 1)[:n], g.meanH.at(y + 1)[:n]
	meanV, meanVAbove, meanVBelow := g.meanV.at(y)[:n], g.meanV.at(y - 1)[:n], g.meanV.at(y + 1)[:n]
	varHAbove, varHBelow, varV := g.varH.at(y - 1)[:n], g.varH.at(y + 1)[:n], g.varV.at(y)[:n]
	pairH, pairV := g.pairH.at(y)[:n], g.pairV.at(y)[:n]
	vb, ub, va, ua := beside.value[:w], beside.variance[:w], above.value[:w], above.variance[:w]
	besideScale2, aboveScale2 := beside.scale*beside.scale, above.scale*above.scale
	const own, cross, side = 1.0 / 8, 18.0 / 32, 3.0 / 32
	for x := x0; x < w; x += 2 {
		i := x + pad
		a := share[i]
		b := 1 - a
		a2, b2, ab2 := a*a, b*b, 2*a*b
		vb[x] = (value[i] - 0.5*(a*(meanH[i-1]+meanH[i+1])+b*(meanV[i-1]+meanV[i+1]))) * beside.scale
		ub[x] = (a2*(pairH[i]+own*u[i]) + b2*(u[i]+0.25*(varV[i-1]+varV[i+1])) +
			ab2*(cross*u[i]+side*(u[i-1]+u[i+1]))) * besideScale2

		va[x] = (value[i] - 0.5*(a*(meanHAbove[i]+meanHBelow[i])+b*(meanVAbove[i]+meanVBelow[i]))) * above.scale
		ua[x] = (a2*(u[i]+0.25*(varHAbove[i]+varHBelow[i])) + b2*(pairV[i]+own*u[i]) +
			ab2*(cross*u[i]+side*(uAbove[i]+uBelow[i]))) * aboveScale2
	}
}

// lineFlags sets the flags of a row: those of the good samples up to two
// columns and rows away, corners excepted. No sample farther away has a weight
// above 1/8.
func (ip *Interpolator) lineFlags(y int, dst []line) {
	if !anyRow(ip.flagRow, y-2, y+2) {
		for c := range dst {
			flags := dst[c].flags
			for x := range flags {
				flags[x] = calib.Interpolated
			}
		}
		return
	}
	w, h := ip.r.Width, ip.r.Height
	for x := range w {
		all := calib.Interpolated
		for yy := max(y-2, 0); yy <= min(y+2, h-1); yy++ {
			reach := 2
			if yy == y-2 || yy == y+2 {
				reach = 1
			}
			for xx := max(x-reach, 0); xx <= min(x+reach, w-1); xx++ {
				if i := yy*w + xx; !ip.out[i] {
					all |= ip.r.Flags[i]
				}
			}
		}
		for c := range dst {
			dst[c].flags[x] = all
		}
	}
}
