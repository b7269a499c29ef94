package moving

// slopes holds, for one row, the derivatives of the brightness per pixel.
type slopes struct {
	x, y    []float32 // central differences
	curve   []float32 // Laplacian
	steep   []float32 // square of the steepest one-sided slope, beyond noise
	defined []bool    // all four neighbours have a brightness
}

// steepNoise is what noise may add to the square of the steepest slope, in
// units of the variance of the brightness. Each one-sided slope has twice that
// variance; the mean of the sum of the two largest squares is about 6, and
// 12 is hardly exceeded.
const steepNoise = 12

func newSlopes(width int) *slopes {
	r := rowsOf(4, width)
	return &slopes{r[0], r[1], r[2], r[3], make([]bool, width)}
}

// slopesOf fills s for row y; noise is the variance of the brightness along
// it. At the edge, and beside pixels without
// brightness, the slopes are taken as zero.
func (g *ground) slopesOf(y int, noise []float32, s *slopes) {
	w := g.width
	row := g.bright[y*w:][:w]
	if y == 0 || y == g.height-1 {
		clear(s.x)
		clear(s.y)
		clear(s.curve)
		clear(s.steep)
		clear(s.defined)
		return
	}
	above, below := g.bright[(y-1)*w:][:w], g.bright[(y+1)*w:][:w]
	for x := range row {
		s.x[x], s.y[x], s.curve[x], s.steep[x], s.defined[x] = 0, 0, 0, 0, false
		if x == 0 || x == w-1 {
			continue
		}
		west, east := row[x]-row[x-1], row[x+1]-row[x]
		north, south := row[x]-above[x], below[x]-row[x]
		curve := east - west + south - north
		if curve != curve {
			continue
		}
		s.x[x], s.y[x], s.curve[x], s.defined[x] = (west+east)/2, (north+south)/2, curve, true
		s.steep[x] = max(0, max(west*west, east*east)+max(north*north, south*south)-steepNoise*noise[x])
	}
}

// warpSums are the normal equations of the warp of one band: minus the slope
// along x and y, and the curvature, times the gain, against the residual.
type warpSums struct {
	a     [3][3]float64
	b     [3]float64
	noise float64 // sum of w G^2 Var(R)
}

// slopeNoise is the variance of a central difference along x, along y, and of
// a Laplacian, in units of that of a pixel. leastSlope is the least share of
// the squared slopes that is left when noise is taken off.
var slopeNoise = [3]float64{0.5, 0.5, 20}

const leastSlope = 0.1

// warpSigma is the departure, in sigmas, that no shift within the alignment
// explains, and warpMargin the number of pixels of the row that are left out
// on both sides of it.
const (
	warpSigma  = 4
	warpMargin = 16
)

// measureWarp fits, for each band as a whole, its shift against the others
// and the difference of its sharpness, held to what the alignment allows. The
// steep pixels, for which a shift is no longer small, weigh less. Noise of
// the slopes themselves would make shifts too small; what it adds to their
// squares is taken off. It must run on sharp gains, since colour that the
// gains do not follow looks like a shift.
func (g *ground) measureWarp(workers int) {
	n := len(g.bands)
	blocks := make([][]warpSums, blocksOf(g.height))
	eachBlock(g.height, workers, func(block, y0, y1 int) {
		sums := make([]warpSums, n)
		s, gains, noise := newSlopes(g.width), rowsOf(n, g.width), make([]float32, g.width)
		for y := y0; y < y1; y++ {
			g.brightNoise(y, gains, noise)
			g.slopesOf(y, noise, s)
			for b := range n {
				g.addToWarp(&sums[b], b, y, s, gains[b], noise)
			}
		}
		blocks[block] = sums
	})
	for b := range n {
		var total warpSums
		for _, block := range blocks {
			total.add(&block[b])
		}
		g.warp[b] = total.solve(g.alignSigma)
	}
}

// brightNoise fills in the gains of row y and the variance of its brightness.
func (g *ground) brightNoise(y int, gains [][]float32, noise []float32) {
	clear(noise)
	for b := range gains {
		g.gainRow(b, y, gains[b])
		inv := g.inv[b][y*g.width:][:g.width]
		for x, k := range gains[b] {
			noise[x] += k * k * inv[x]
		}
	}
	for x, v := range noise {
		if v > 0 {
			noise[x] = 1 / v
		}
	}
}

// addToWarp adds a row of band b, but for what departs too far to be a shift
// within the alignment, with a margin along the row: a mover that overlaps with
// its own trace would be taken for a shift of the band.
func (g *ground) addToWarp(t *warpSums, b, y int, s *slopes, gain, noise []float32) {
	inv, value, bright := g.inv[b][y*g.width:], g.bands[b].Value[y*g.width:], g.bright[y*g.width:]
	align := float32(g.alignSigma * g.alignSigma)
	var waiting [warpMargin]warpTerm // what a departure further on may still strike out
	clearUntil := 0
	for x, ok := range s.defined {
		slot := &waiting[x%warpMargin]
		t.addTerm(slot)
		*slot = warpTerm{}
		w := inv[x]
		if !ok || w == 0 {
			continue
		}
		k := gain[x]
		w /= 1 + w*align*k*k*s.steep[x]
		e := value[x] - k*bright[x]
		if e*e*w > warpSigma*warpSigma {
			waiting = [warpMargin]warpTerm{}
			clearUntil = x + warpMargin
		}
		if x >= clearUntil {
			*slot = warpTerm{w, e, w * k * k * noise[x], [3]float32{-k * s.x[x], -k * s.y[x], k * s.curve[x]}}
		}
	}
	for i := range waiting {
		t.addTerm(&waiting[i])
	}
}

// warpTerm is what one pixel adds to the normal equations.
type warpTerm struct {
	w, e, noise float32
	a           [3]float32
}

func (t *warpSums) addTerm(p *warpTerm) {
	if p.w == 0 {
		return
	}
	t.noise += float64(p.noise)
	for i := range 3 {
		wa := float64(p.w) * float64(p.a[i])
		t.b[i] += wa * float64(p.e)
		for j := i; j < 3; j++ {
			t.a[i][j] += wa * float64(p.a[j])
		}
	}
}

func (t *warpSums) add(o *warpSums) {
	t.noise += o.noise
	for i := range 3 {
		t.b[i] += o.b[i]
		for j := i; j < 3; j++ {
			t.a[i][j] += o.a[i][j]
		}
	}
}

// solve adds the priors, which also make the system definite, and solves it
// by elimination.
func (t *warpSums) solve(alignSigma float64) [3]float64 {
	a, b := t.a, t.b
	a[1][0], a[2][0], a[2][1] = a[0][1], a[0][2], a[1][2]
	for i, share := range slopeNoise {
		a[i][i] = max(a[i][i]-share*t.noise, leastSlope*a[i][i])
	}
	hold := 1 / max(alignSigma*alignSigma, 1e-8)
	a[0][0] += hold
	a[1][1] += hold
	a[2][2] += 1 / (blurPrior * blurPrior)
	for i := range 3 {
		for j := i + 1; j < 3; j++ {
			f := a[j][i] / a[i][i]
			for k := i; k < 3; k++ {
				a[j][k] -= f * a[i][k]
			}
			b[j] -= f * b[i]
		}
	}
	for i := 2; i >= 0; i-- {
		for k := i + 1; k < 3; k++ {
			b[i] -= a[i][k] * b[k]
		}
		b[i] /= a[i][i]
	}
	return b
}

// departures holds, for one row and each band, how far the band departs from
// the ground, in its own unit, and the weight 1/variance of that.
type departures struct {
	e, p   [][]float32
	gain   [][]float32
	noise  []float32 // variance of the brightness
	slopes *slopes
}

func newDepartures(bands, width int) *departures {
	return &departures{rowsOf(bands, width), rowsOf(bands, width), rowsOf(bands, width), make([]float32, width), newSlopes(width)}
}

// departuresOf fills d for row y:
//
//	e = I - G R',  variance = v + (G s |grad R|)^2
//
// with R' the brightness moved by the warp of the band, v the variance of the
// pixel and s the standard uncertainty of the alignment. The weight is zero
// where the pixel cannot be compared.
func (g *ground) departuresOf(y int, d *departures) {
	g.brightNoise(y, d.gain, d.noise)
	g.slopesOf(y, d.noise, d.slopes)
	s := d.slopes
	bright := g.bright[y*g.width:][:g.width]
	align := float32(g.alignSigma * g.alignSigma)
	for b := range g.bands {
		gain := d.gain[b]
		inv, value := g.inv[b][y*g.width:][:g.width], g.bands[b].Value[y*g.width:][:g.width]
		dx, dy, blur := float32(g.warp[b][0]), float32(g.warp[b][1]), float32(g.warp[b][2])
		e, p := d.e[b], d.p[b]
		for x, w := range inv {
			if w == 0 {
				e[x], p[x] = 0, 0
				continue
			}
			k := gain[x]
			p[x] = w / (1 + w*align*k*k*s.steep[x])
			e[x] = value[x] - k*(bright[x]-dx*s.x[x]-dy*s.y[x]+blur*s.curve[x])
		}
	}
}
