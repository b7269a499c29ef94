package hits

import (
	"math"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/stat/distuv"

	"evenlight/calib"
)

// readNoiseE is that of the frames here, e-.
const readNoiseE = 7

// image is a mean number of electrons in each pixel of a square frame.
type image struct {
	size int
	e    []float64
}

func newImage(size int, level float64) image {
	im := image{size, make([]float64, size*size)}
	for i := range im.e {
		im.e[i] = level
	}
	return im
}

// gauss is the Gaussian of a full width at half maximum, pixels.
func gauss(fwhm float64) float64 { return fwhm / (2 * math.Sqrt(2*math.Ln2)) }

// fine is how finely scenes are drawn before the optics blur them: parts of a
// pixel along each side.
const fine = 4

// through draws a scene in parts of pixels, blurs it to points of the given
// width, the pixel included, and takes it at the middles of the pixels.
func through(size int, fwhm float64, scene func(x, y float64) float64) image {
	n := size * fine
	drawn := make([]float64, n*n)
	for i := range drawn {
		drawn[i] = scene((float64(i%n)+0.5)/fine, (float64(i/n)+0.5)/fine)
	}
	s := gauss(fwhm) * fine
	reach := int(4 * s)
	kernel, sum := make([]float64, 2*reach+2), 0.0
	for i := range kernel { // pixel middles lie between parts
		d := float64(i-reach) - 0.5
		kernel[i] = math.Exp(-d * d / (2 * s * s))
		sum += kernel[i]
	}
	rows := make([]float64, n*size) // blurred along rows, at pixel middles
	for y := range n {
		for x := range size {
			v := 0.0
			for i, k := range kernel {
				at := min(max(x*fine+fine/2+i-reach-1, 0), n-1)
				v += k * drawn[y*n+at]
			}
			rows[y*size+x] = v / sum
		}
	}
	im := newImage(size, 0)
	for y := range size {
		for i, k := range kernel {
			at := min(max(y*fine+fine/2+i-reach-1, 0), n-1)
			for x := range size {
				im.e[y*size+x] += k / sum * rows[at*size+x]
			}
		}
	}
	return im
}

// limb is a sharp bright disc before a dark sky.
func limb(size int, fwhm, level float64) image {
	return through(size, fwhm, func(x, y float64) float64 {
		if math.Hypot(x-0.45*float64(size), y-0.55*float64(size)) < 0.36*float64(size) {
			return level
		}
		return 0
	})
}

// ground is a surface full of sharp-edged craters of all sizes down to less
// than a pixel, half bright and half dark, in places as dark as night.
func ground(size int, fwhm, level float64, seed uint64) image {
	r := rand.New(rand.NewPCG(seed, 1))
	n := size * fine
	albedo := make([]float64, n*n)
	for i := range albedo {
		albedo[i] = 1
	}
	for range size * size / 12 {
		radius := 0.4 * math.Pow(r.Float64(), -0.6) * fine
		cx, cy := r.Float64()*float64(n), r.Float64()*float64(n)
		change := 0.6 + 0.8*r.Float64()
		for y := max(0, int(cy-radius)); y < min(n, int(cy+radius)+1); y++ {
			for x := max(0, int(cx-radius)); x < min(n, int(cx+radius)+1); x++ {
				if d := math.Hypot(float64(x)-cx, float64(y)-cy); d < radius {
					side := 1.0
					if (float64(x)-cx)+(float64(y)-cy) < 0 {
						side = -1
					}
					albedo[y*n+x] *= 1 + side*(change-1)*min(1, 1.5*d/radius)
				}
			}
		}
	}
	return through(size, fwhm, func(x, y float64) float64 {
		light := max(0, math.Sin(3*x/float64(size))) // a terminator at either side
		return 0.5 * level * light * min(albedo[int(y*fine)*n+int(x*fine)], 2)
	})
}

// addStar adds a point of so many electrons in all.
func (im image) addStar(x, y, fwhm, electrons float64) {
	s := gauss(fwhm)
	for j := max(0, int(y-6*s)); j < min(im.size, int(y+6*s)+2); j++ {
		for i := max(0, int(x-6*s)); i < min(im.size, int(x+6*s)+2); i++ {
			dx, dy := float64(i)-x, float64(j)-y
			im.e[j*im.size+i] += electrons / (2 * math.Pi * s * s) * math.Exp(-(dx*dx+dy*dy)/(2*s*s))
		}
	}
}

// observed is a frame that went through the project's own noise stage.
type observed struct {
	size int
	raw  []float32
	calib.Raster
}

// RawRow implements calib.RawRows.
func (o *observed) RawRow(y, x0, x1 int, dst []float32) ([]float32, error) {
	return o.raw[y*o.size+x0 : y*o.size+x1], nil
}

// observe exposes a frame of an image with hits of so many electrons (nil:
// none), and finds values, variances and flags as the pipeline does.
func observe(t testing.TB, im image, hit []float64, m *calib.BandMap, r *rand.Rand, src rand.Source) *observed {
	t.Helper()
	n := im.size
	o := &observed{size: n, raw: make([]float32, n*n), Raster: *calib.NewRaster(n, n)}
	const offset = 1000 // so that no sample is at the floor
	for i, e := range im.e {
		v := readNoiseE * r.NormFloat64()
		if e > 0 {
			v += distuv.Poisson{Lambda: e, Src: src}.Rand()
		}
		if hit != nil {
			v += hit[i]
		}
		o.raw[i] = float32(math.Round(v)) + offset
	}
	all := calib.Region{X0: 0, X1: n, Y0: 0, Y1: n}
	s := &calib.Sensor{Width: n, Height: n, Image: all, CeilingDN: 1 << 20, FillDN: math.NaN(), GrowPixels: 1, Map: m,
		Amps: []calib.Amplifier{{Name: "a", Region: all, GainEPerDN: 1, ReadNoiseE: readNoiseE}}}
	level := calib.NoOffset(n)
	for y := range level.DN {
		level.DN[y] = offset
	}
	chain := calib.NewChain(s, []calib.Stage{calib.FrameStage{CeilingDN: s.CeilingDN, FillDN: s.FillDN},
		calib.OffsetStage{Rule: s.Offset, Traces: []calib.OffsetTrace{level}}, calib.GainStage{Amps: s.Amps}},
		&calib.Noise{FloorE2: readNoiseE * readNoiseE, Steps: calib.NoiseSteps(s.CeilingDN), Map: m}, nil)
	var scratch calib.Scratch
	err := chain.Run(o, 0, n, &scratch, func(r *calib.Row) error {
		copy(o.Value[r.Y*n:], r.V)
		copy(o.Variance[r.Y*n:], r.Var)
		copy(o.Flags[r.Y*n:], r.Flags)
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	return o
}

// usual are the limits that profiles have by default.
func usual(fwhm float64) Options {
	return Options{Sigma: 5, SharpSigma: 2, GrowSigma: 3, FWHMPixels: fwhm, Colour: 0.5, PerElectron: []float64{1}}
}

// find flags the hits of a frame as one block, and returns where they are.
func find(t testing.TB, o *observed, opt Options) []bool {
	t.Helper()
	d, err := NewDetector(opt)
	if err != nil {
		t.Fatal(err)
	}
	d.Worker().Apply(&calib.Block{Raster: o.Raster, ImageRows: o.Height}, 0, o.Height)
	return flagged(o)
}

func flagged(o *observed) []bool {
	out := make([]bool, len(o.Flags))
	for i, f := range o.Flags {
		out[i] = f&calib.Hit != 0
	}
	return out
}

func count(b []bool) int {
	n := 0
	for _, v := range b {
		if v {
			n++
		}
	}
	return n
}

// shape is a hit: the pixels that it touches, from its first.
type shape struct {
	name   string
	pixels [][2]int
}

var shapes = []shape{
	{"one pixel", [][2]int{{0, 0}}},
	{"row of 3", [][2]int{{0, 0}, {1, 0}, {2, 0}}},
	{"diagonal of 4", [][2]int{{0, 0}, {1, 1}, {2, 2}, {3, 3}}},
	{"stairs of 6", [][2]int{{0, 0}, {1, 0}, {1, 1}, {2, 1}, {2, 2}, {3, 2}}},
	{"2 by 6", [][2]int{{0, 0}, {1, 0}, {0, 1}, {1, 1}, {0, 2}, {1, 2}, {0, 3}, {1, 3}, {0, 4}, {1, 4}, {0, 5}, {1, 5}}},
}

// strike leaves hits of one shape on a grid, so that they do not touch, each
// pixel so many standard deviations of the image's noise strong.
func strike(im image, s shape, sigmas float64) []float64 {
	hit := make([]float64, len(im.e))
	for y := 8; y < im.size-12; y += 16 {
		for x := 8; x < im.size-12; x += 16 {
			for _, p := range s.pixels {
				i := (y+p[1])*im.size + x + p[0]
				hit[i] = sigmas * math.Sqrt(im.e[i]+readNoiseE*readNoiseE)
			}
		}
	}
	return hit
}
