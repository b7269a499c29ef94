package fill

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"evenlight/calib"
	"evenlight/configs"
	"evenlight/pipeline/simulate"
)

// readNoiseE is the noise without light of the simulated frames, e-.
const readNoiseE = 8

// exposure is a frame whose truth is known.
type exposure struct {
	width, height int
	truth         []float64 // e-
	block         *calib.Block
}

// expose adds the noise of light and readout to a scene. The uncertainty that
// the frame states is the true one.
func expose(scene []float32, width int, peakE float64, r *rand.Rand) *exposure {
	height := len(scene) / width
	e := &exposure{width: width, height: height, truth: make([]float64, len(scene))}
	e.block = &calib.Block{Raster: *calib.NewRaster(width, height), ImageRows: height}
	for i, s := range scene {
		e.truth[i] = float64(s) * peakE
		q := e.truth[i] + readNoiseE*readNoiseE
		e.block.Value[i] = float32(e.truth[i] + r.NormFloat64()*math.Sqrt(q))
		e.block.Variance[i] = float32(q)
	}
	return e
}

// spoil makes a pixel dead.
func (e *exposure) spoil(x, y int) {
	if x < e.width && y < e.height {
		i := y*e.width + x
		e.block.Flags[i] |= calib.Dead
		e.block.Value[i] = -1e6
	}
}

// hole is a kind of gap.
type hole struct {
	name          string
	width, height int
	number        int // in a frame of 256 x 256; 0: one each 40 columns
}

func holes() []hole {
	return []hole{{"single pixel", 1, 1, 650}, {"2 x 2", 2, 2, 130}, {"3 x 3", 3, 3, 60}, {"column", 1, 256, 6}, {"two columns", 2, 256, 6}}
}

// independentRows is the number of rows of a dead column that are taken as one
// sample: its pixels share neighbours.
const independentRows = 8

// make makes holes at random places and returns, for each pixel of the frame,
// the number of its hole, from 1; a column is many.
func (h hole) make(e *exposure, r *rand.Rand) (of []int) {
	of = make([]int, e.width*e.height)
	last := 0
	for range h.number {
		x, y := r.IntN(e.width), r.IntN(e.height)
		if h.height >= e.height {
			y = 0
		}
		for j := range h.height {
			if j%independentRows == 0 {
				last++
			}
			for i := range h.width {
				e.spoil(x+i, y+j)
				if x+i < e.width && y+j < e.height {
					of[(y+j)*e.width+x+i] = last
				}
			}
		}
	}
	return of
}

// zone is a part of a scene.
type zone struct {
	name   string
	within func(x, y int, truth float64) bool
}

func anywhere() []zone {
	return []zone{{"", func(int, int, float64) bool { return true }}}
}

// Parts of the disc of simulate.Tessaly in a square frame.
const (
	far   = "sky, far from it"
	near  = "sky near (16 pixels)"
	limb  = "limb (2 pixels)"
	day   = "day"
	night = "night"
)

func moonZones(side float64) []zone {
	beyond := func(x, y int) float64 {
		return math.Hypot(float64(x)+0.5-0.52*side, float64(y)+0.5-0.48*side) - 0.42*side
	}
	return []zone{
		{far, func(x, y int, _ float64) bool { return beyond(x, y) > 16 }},
		{near, func(x, y int, _ float64) bool { d := beyond(x, y); return d > 2 && d <= 16 }},
		{limb, func(x, y int, t float64) bool { return math.Abs(beyond(x, y)) <= 2 }},
		{day, func(x, y int, t float64) bool { return beyond(x, y) < -2 && t > 0 }},
		{night, func(x, y int, t float64) bool { return beyond(x, y) < -2 && t == 0 }},
	}
}

// pulls gathers (value - truth)/uncertainty of filled pixels, hole by hole.
type pulls struct {
	n                  int
	sum, squares       float64
	holes              map[[2]int]*holeSum // by frame and hole
	uncertainty, error float64             // sums: of u, of the squared error
}

type holeSum struct{ n, squares float64 }

func (p *pulls) add(frame, hole int, pull, u float64) {
	p.n++
	p.sum += pull
	p.squares += pull * pull
	p.uncertainty += u
	p.error += pull * pull * u * u
	key := [2]int{frame, hole}
	if p.holes == nil {
		p.holes = map[[2]int]*holeSum{}
	}
	if p.holes[key] == nil {
		p.holes[key] = &holeSum{}
	}
	p.holes[key].n++
	p.holes[key].squares += pull * pull
}

// rms is the root of the mean square of the pulls, and its standard
// uncertainty by the scatter of the holes: that of a ratio of sums over
// independent holes (Cochran 1977, Sampling Techniques, 6.4, from memory).
func (p *pulls) rms() (rms, uncertainty float64) {
	mean, scatter := p.squares/float64(p.n), 0.0
	for _, h := range p.holes {
		d := h.squares - h.n*mean
		scatter += d * d
	}
	rms = math.Sqrt(mean)
	return rms, math.Sqrt(scatter) / float64(p.n) / (2 * rms)
}

// claim is what the README says of the standard deviation of pulls.
type claim struct{ low, high float64 }

// claimFor gives the claim for a zone of a scene and a kind of hole. Where there
// is structure, the uncertainty is too large rather than too small, but for
// columns: a shadow's edge along one is met by nothing beside it.
func claimFor(scene, zone string, h hole) claim {
	switch {
	case scene == "even", zone == far:
		return claim{0.9, 1.1}
	case h.height > independentRows:
		return claim{0.75, 1.5}
	}
	return claim{0.75, 1.2}
}

// TestPulls prints how far filled pixels are from the truth, in units of their
// uncertainty. No pixel of these frames is flagged but the holes.
func TestPulls(t *testing.T) {
	const side, frames = 256, 3
	one := []configs.Band{{WavelengthNM: 600}}
	ground := func(seed uint64) []float32 {
		return simulate.NewGround(seed, one, []float64{1}).Window(0, 0, side, side)[0]
	}
	mosaic := calib.NewMosaicMap(side, side, [][]uint8{{0, 1}, {1, 2}}, 3)
	for _, s := range []struct {
		name   string
		scene  func(seed uint64) []float32
		bands  *calib.BandMap
		zones  []zone
		levels []float64
	}{
		{"even", func(uint64) []float32 { return slices.Repeat([]float32{0.01}, side*side) }, nil, anywhere(), []float64{0, 40000}},
		{"ground", ground, nil, anywhere(), []float64{1000, 40000}},
		{"ground, mosaic", ground, mosaic, anywhere(), []float64{1000, 40000}},
		{"moon", func(seed uint64) []float32 { return simulate.Tessaly(seed, one[0], 1)(side, side) }, nil, moonZones(side), []float64{1000, 40000}},
	} {
		t.Logf("%-14s %-22s %-13s %6s %8s %15s %10s %10s", s.name, "", "hole", "pixels", "mean", "sd", "stated, e-", "found, e-")
		for _, level := range s.levels {
			for _, h := range holes() {
				got := make([]pulls, len(s.zones))
				for frame := range frames {
					r := rand.New(rand.NewPCG(uint64(frame), 200))
					e := expose(s.scene(200+uint64(frame)), side, level, r)
					of := h.make(e, r)
					filled(NewFiller(calib.Dead, 3, s.bands), e.block)
					for i, f := range e.block.Flags {
						if f&calib.Filled == 0 {
							continue
						}
						for k, z := range s.zones {
							if z.within(i%side, i/side, e.truth[i]) {
								u := math.Sqrt(float64(e.block.Variance[i]))
								got[k].add(frame, of[i], (float64(e.block.Value[i])-e.truth[i])/u, u)
							}
						}
					}
				}
				for k, z := range s.zones {
					p, n := &got[k], float64(got[k].n)
					rms, u := p.rms()
					t.Logf("%7.0f e-     %-22s %-13s %6d %8.3f %7.3f ± %.3f %10.2f %10.2f", level, z.name, h.name, p.n, p.sum/n, rms, u, p.uncertainty/n, math.Sqrt(p.error/n))
					if c := claimFor(s.name, z.name, h); rms < c.low-4*u || rms > c.high+4*u {
						t.Errorf("%s, %g e-, %s, %s: the pulls have a standard deviation of %.3f ± %.3f, not of %g to %g", s.name, level, z.name, h.name, rms, u, c.low, c.high)
					}
				}
			}
		}
	}
}
