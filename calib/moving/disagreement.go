package moving

import (
	"math"

	"gonum.org/v1/gonum/mathext"

	"evenlight/calib"
)

// tile is the side, in pixels, of the tiles whose own scatter bounds what
// counts as disagreement.
const tile = 64

// Disagreement tells how far the bands disagree beyond their uncertainty.
type Disagreement struct {
	// Map has, in each pixel, the disagreement in sigmas: the chi-square of
	// the n bands usable there about a ground of smooth colour, n-1 degrees
	// of freedom, as the normal deviate that is exceeded as often. Its
	// variance is 1 where there is a value; NaN and calib.Missing elsewhere.
	Map *calib.Raster
	// Usable counts the pixels that have a value.
	Usable int
	// BeyondSigma is the threshold of the figures below.
	BeyondSigma float64
	// Beyond is the fraction of the usable pixels above the threshold, and
	// Expected the fraction that noise alone puts there, the upper tail of
	// the normal distribution. Excess is the difference.
	Beyond, Expected, Excess float64
	// RMSExcess is sqrt(max(0, mean(chi2/dof) - 1)): the root mean square
	// disagreement beyond the stated uncertainty, in sigmas.
	RMSExcess float64
	// Scatter is the median over tiles of 64 px of the factor by which the
	// variance was raised since the tile as a whole scatters more than
	// stated; 1 where noise and alignment explain the scatter.
	Scatter float64
	// ShiftPx is the shift of each band against the ground, along x and y,
	// that was measured and taken out before the bands were compared.
	ShiftPx [][2]float64
}

// Compare measures where the aligned bands disagree. The colour of the ground
// is taken to be smooth over 2 WindowPx + 1 pixels; the gains cost about
// n-1 in that many squared degrees of freedom, which is neglected. Where half
// of a tile's pixels or more scatter beyond their uncertainty (sharp edges of
// colour, uneven blurring, correlated noise), the variance of the tile is
// raised to what its median says, so that such ground raises no alarm.
//
// The result is the same for any number of workers. Errors: ErrBands,
// ErrNoOverlap, ErrOption.
func Compare(bands []*calib.Raster, opt Options, workers int) (*Disagreement, error) {
	opt, err := opt.withDefaults()
	if err != nil {
		return nil, err
	}
	if err := checkBands(bands); err != nil {
		return nil, err
	}
	g, err := newGround(bands, opt.WindowPx, opt.AlignSigmaPx, workers)
	if err != nil {
		return nil, err
	}
	d := &Disagreement{Map: calib.NewRaster(g.width, g.height), BeyondSigma: opt.BeyondSigma}
	for _, w := range g.warp {
		d.ShiftPx = append(d.ShiftPx, [2]float64{w[0], w[1]})
	}
	dof := g.chiSquares(d.Map.Value, workers)
	scatter := newScatter(d.Map.Value, dof, g.width, g.height, len(bands)-1, workers)
	d.Scatter = scatter.median()
	d.sumUp(d.toSigmas(dof, scatter, len(bands)-1, workers))
	return d, nil
}

// chiSquares writes the chi-square of each pixel, NaN where there is none,
// and returns its degrees of freedom. The brightness is solved once more with
// the weights that hold the alignment's part, so only contrasts count.
func (g *ground) chiSquares(dst []float32, workers int) []uint16 {
	dof := make([]uint16, len(dst))
	eachBlock(g.height, workers, func(_, y0, y1 int) {
		d := newDepartures(len(g.bands), g.width)
		for y := y0; y < y1; y++ {
			g.departuresOf(y, d)
			d.contrast(dst[y*g.width:][:g.width], dof[y*g.width:][:g.width])
		}
	})
	return dof
}

// contrast writes sum p e^2 - (sum p k e)^2 / sum p k^2 over the bands.
func (d *departures) contrast(dst []float32, dof []uint16) {
	for x := range dst {
		var pee, pke, pkk float32
		n := 0
		for b := range d.p {
			p := d.p[b][x]
			if p == 0 {
				continue
			}
			k, e := d.gain[b][x], d.e[b][x]
			pee += p * e * e
			pke += p * k * e
			pkk += p * k * k
			n++
		}
		if n < 2 {
			dst[x] = float32(math.NaN())
			continue
		}
		dst[x] = max(0, pee-pke*pke/pkk)
		dof[x] = uint16(n - 1)
	}
}

// scatter holds the factor by which the variance of each tile is raised.
type scatter struct {
	cols, rows int
	factor     []float32
}

// newScatter compares the median of chi2/median(chi2 distribution) of each
// tile with 1. Only what exceeds 1 by three standard errors counts.
func newScatter(chi2 []float32, dof []uint16, width, height, most, workers int) *scatter {
	s := &scatter{cols: (width + tile - 1) / tile, rows: (height + tile - 1) / tile}
	s.factor = make([]float32, s.cols*s.rows)
	medians := make([]float32, most+1)
	for k := 1; k <= most; k++ {
		medians[k] = float32(chiSquareMedian(k))
	}
	inParallel(s.rows, workers, func(r int) {
		sample := make([]float32, 0, tile*tile)
		for c := range s.cols {
			sample = sample[:0]
			for y := r * tile; y < min(height, (r+1)*tile); y++ {
				// Every other pixel, in a chequered pattern, is enough.
				for x := c*tile + y%2; x < min(width, (c+1)*tile); x += 2 {
					if k := dof[y*width+x]; k > 0 {
						sample = append(sample, chi2[y*width+x]/medians[k])
					}
				}
			}
			s.factor[r*s.cols+c] = tileFactor(sample)
		}
	})
	return s
}

// tileFactor returns the median of sample less three standard errors, or 1.
func tileFactor(sample []float32) float32 {
	const fewest = 32
	if len(sample) < fewest {
		return 1
	}
	// The relative standard error of the median of chi2 is 1/(2 f(m) m
	// sqrt(N)); 2 f(m) m, with f the density at the median m, is 0.43 for one
	// degree of freedom, 0.69 for two, and grows from there.
	se := 1 / (0.43 * math.Sqrt(float64(len(sample))))
	return max(1, calib.Median(sample)*float32(1-3*se))
}

// median returns the median factor of the tiles.
func (s *scatter) median() float64 {
	return float64(calib.Median(append([]float32(nil), s.factor...)))
}

// row writes the factors along row y, linear between the centres of tiles.
func (s *scatter) row(y int, dst []float32) {
	fy := min(max((float32(y)+0.5)/tile-0.5, 0), float32(s.rows-1))
	r0 := int(fy)
	r1, ty := min(r0+1, s.rows-1), fy-float32(r0)
	for x := range dst {
		fx := min(max((float32(x)+0.5)/tile-0.5, 0), float32(s.cols-1))
		c0 := int(fx)
		c1, tx := min(c0+1, s.cols-1), fx-float32(c0)
		upper := s.factor[r0*s.cols+c0]*(1-tx) + s.factor[r0*s.cols+c1]*tx
		lower := s.factor[r1*s.cols+c0]*(1-tx) + s.factor[r1*s.cols+c1]*tx
		dst[x] = upper*(1-ty) + lower*ty
	}
}

// mapSums holds what the figures of the frame are made from.
type mapSums struct {
	usable, beyond int
	reduced        float64 // sum of chi2/dof
}

// toSigmas turns the chi-squares of the map into sigmas.
func (d *Disagreement) toSigmas(dof []uint16, s *scatter, most, workers int) mapSums {
	tables := make([]*sigmaTable, most+1)
	for k := 1; k <= most; k++ {
		tables[k] = newSigmaTable(k)
	}
	m := d.Map
	blocks := make([]mapSums, blocksOf(m.Height))
	eachBlock(m.Height, workers, func(block, y0, y1 int) {
		factor := make([]float32, m.Width)
		var t mapSums
		for y := y0; y < y1; y++ {
			s.row(y, factor)
			for x := range factor {
				i := y*m.Width + x
				k := dof[i]
				if k == 0 {
					m.Variance[i], m.Flags[i] = float32(math.NaN()), calib.Missing
					continue
				}
				t.usable++
				t.reduced += float64(m.Value[i]) / float64(k)
				m.Value[i] = tables[k].at(m.Value[i] / factor[x])
				m.Variance[i] = 1
				if float64(m.Value[i]) > d.BeyondSigma {
					t.beyond++
				}
			}
		}
		blocks[block] = t
	})
	var total mapSums
	for _, t := range blocks {
		total.usable += t.usable
		total.beyond += t.beyond
		total.reduced += t.reduced
	}
	return total
}

// sumUp fills in the figures of the frame.
func (d *Disagreement) sumUp(t mapSums) {
	d.Usable = t.usable
	d.Expected = math.Erfc(d.BeyondSigma/math.Sqrt2) / 2
	if t.usable == 0 {
		return
	}
	d.Beyond = float64(t.beyond) / float64(t.usable)
	d.Excess = d.Beyond - d.Expected
	d.RMSExcess = math.Sqrt(max(0, t.reduced/float64(t.usable)-1))
}

// chiSquareTail is the probability that chi-square with k degrees of freedom
// exceeds x.
func chiSquareTail(k int, x float64) float64 {
	return mathext.GammaIncRegComp(float64(k)/2, x/2)
}

func chiSquareMedian(k int) float64 {
	return 2 * mathext.GammaIncRegInv(float64(k)/2, 0.5)
}

// sigmaTable turns chi-square into the normal deviate of the same upper tail.
type sigmaTable struct{ z []float32 }

// The table is even in the square root of chi-square, in steps fine enough
// for linear interpolation to 1e-3; above its end, where the tail probability
// leaves the range of numbers, the deviate grows as the square root does.
const (
	sigmaStep = 1.0 / 64
	sigmaEnd  = 36.0
	sigmaLow  = -6 // a chi-square near zero is no evidence of anything
)

func newSigmaTable(k int) *sigmaTable {
	t := &sigmaTable{make([]float32, int(sigmaEnd/sigmaStep)+2)}
	for i := range t.z {
		root := float64(i) * sigmaStep
		p := chiSquareTail(k, root*root)
		t.z[i] = sigmaLow
		if p < 1 {
			t.z[i] = float32(max(sigmaLow, -mathext.NormalQuantile(p)))
		}
	}
	return t
}

func (t *sigmaTable) at(chi2 float32) float32 {
	root := float32(math.Sqrt(float64(chi2)))
	last := len(t.z) - 2
	if root >= sigmaEnd {
		return t.z[last] + root - sigmaEnd
	}
	f := root / sigmaStep
	i := min(int(f), last)
	return t.z[i] + (f-float32(i))*(t.z[i+1]-t.z[i])
}
