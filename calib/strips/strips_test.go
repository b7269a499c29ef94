package strips

import (
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"evenlight/calib"
)

// sigmas is the width of every statistical bound here.
const sigmas = 4.5

func within(t *testing.T, what string, got, want, bound float64) {
	t.Helper()
	if !(math.Abs(got-want) <= bound) {
		t.Errorf("%s is %.8g, want %.8g within %.3g", what, got, want, bound)
	}
}

// fescue is a small chip with three strips and unused rows between them.
var fescue = []Strip{{"green", 1, 7}, {"red", 9, 14}, {"far", 16, 22}}

const chipWidth, chipHeight = 13, 24

// sequence makes frames with the given motion a frame.
func sequence(n int, dx, dy float64) []Frame {
	var out []Frame
	for i := range n {
		out = append(out, Frame{fmt.Sprint("no. ", i+1), 2.5 * float64(i), Offset{dx * float64(i), dy * float64(i)}})
	}
	return out
}

// shoot makes the frames, each pixel from a function of its place in the
// frame and on the ground.
func shoot(frames []Frame, pixel func(i, x, y int, groundX, groundY float64) (value, variance float64)) []*calib.Raster {
	var out []*calib.Raster
	for i, f := range frames {
		r := calib.NewRaster(chipWidth, chipHeight)
		for y := range chipHeight {
			for x := range chipWidth {
				v, q := pixel(i, x, y, float64(x)-f.Offset.DX, float64(y)-f.Offset.DY)
				r.Value[y*chipWidth+x], r.Variance[y*chipWidth+x] = float32(v), float32(q)
			}
		}
		out = append(out, r)
	}
	return out
}

func assemble(t *testing.T, strips []Strip, frames []Frame, rasters []*calib.Raster, opt Options) ([]Image, Grid) {
	t.Helper()
	images, grid, err := Assemble(strips, frames, func(i int) (*calib.Raster, error) { return rasters[i], nil }, opt, 2)
	if err != nil {
		t.Fatal(err)
	}
	return images, grid
}

// expected is what one ground pixel should be.
type expected struct {
	area, value, variance float64
	most                  int // samples from one frame
	used, unused          calib.Flags
}

// byOverlap finds a ground pixel's mean the slow way, from the overlap of unit
// squares with every sample of every frame.
func byOverlap(strips []Strip, band string, frames []Frame, rasters []*calib.Raster, gx, gy int) expected {
	overlap := func(a, b float64) float64 { return max(0, 1-math.Abs(a-b)) }
	var e expected
	var sum, square float64
	for i, f := range frames {
		count := 0
		for _, s := range strips {
			if s.Band != band {
				continue
			}
			for y := s.Y0; y < s.Y1; y++ {
				for x := range chipWidth {
					area := overlap(float64(x)-f.Offset.DX, float64(gx)) * overlap(float64(y)-f.Offset.DY, float64(gy))
					if area < 1e-9 {
						continue
					}
					p := y*chipWidth + x
					if rasters[i].Flags[p]&(calib.Unusable|calib.BadPixel|calib.Hit) != 0 || !rasters[i].Good(p) {
						e.unused |= rasters[i].Flags[p]
						continue
					}
					e.used |= rasters[i].Flags[p]
					e.area += area
					sum += area * float64(rasters[i].Value[p])
					square += area * area * float64(rasters[i].Variance[p])
					count++
				}
			}
		}
		e.most = max(e.most, count)
	}
	e.value, e.variance = sum/e.area, square/(e.area*e.area)
	return e
}

// TestGroundPixelIsTheAreaWeightedMean compares every pixel with the overlap
// of squares, for whole and fractional motion up and down the chip, with
// samples that must be left out.
func TestGroundPixelIsTheAreaWeightedMean(t *testing.T) {
	uneven := sequence(9, 0, 0)
	for i, o := range []Offset{{0, 0}, {0.3, 1.25}, {-0.6, 2}, {-1.4, 5.5}, {0, 5.5}, {2, 9}, {2.75, 11.9}, {1, 13}, {0.5, 17.125}} {
		uneven[i].Offset = o
	}
	twice := append([]Strip{{"green", 22, 24}}, fescue...)
	for _, c := range []struct {
		name   string
		strips []Strip
		frames []Frame
	}{
		{"whole steps", fescue, sequence(9, 1, 2)},
		{"whole steps backwards over the chip", fescue, sequence(9, -1, -2)},
		{"fractional steps", fescue, sequence(14, 0.31, 1.37)},
		{"fractional steps backwards over the chip", fescue, sequence(14, 0.31, -1.37)},
		{"uneven steps", fescue, uneven},
		{"two strips of one band", twice, sequence(9, -0.25, 2.2)},
		{"a single row", []Strip{{"only", 12, 13}}, sequence(9, 0.2, 0.7)},
	} {
		rng := rand.New(rand.NewPCG(1, 2))
		rasters := shoot(c.frames, func(int, int, int, float64, float64) (float64, float64) {
			return 100 + 50*rng.Float64(), 1 + rng.Float64()
		})
		for _, r := range rasters {
			for range 30 {
				p := rng.IntN(len(r.Value))
				r.Flags[p] = 1 << rng.IntN(len(calib.FlagTable()))
				if r.Flags[p]&calib.Unusable != 0 {
					r.Value[p], r.Variance[p] = float32(math.NaN()), float32(math.NaN())
				}
			}
			r.Value[rng.IntN(len(r.Value))] = float32(math.NaN())
		}
		images, grid := assemble(t, c.strips, c.frames, rasters, Options{})
		gaps := 0
		for _, m := range images {
			for y := range grid.Height {
				for x := range grid.Width {
					i := y*grid.Width + x
					want := byOverlap(c.strips, m.Band, c.frames, rasters, grid.X0+x, grid.Y0+y)
					where := fmt.Sprintf("%s, %s, column %d, row %d", c.name, m.Band, x, y)
					within(t, where+": coverage", float64(m.Coverage[i]), want.area, 1e-6*(1+want.area))
					if want.area < 0.5-1e-5 {
						gaps++
						if m.Raster.Good(i) || m.Raster.Flags[i] != calib.Missing|want.unused {
							t.Fatalf("%s: %g, %s where there is a gap", where, m.Raster.Value[i], m.Raster.Flags[i])
						}
						continue
					}
					if want.most > 1 {
						want.used |= calib.Interpolated
					}
					// Half a unit in the last place of single precision.
					within(t, where+": value", float64(m.Raster.Value[i]), want.value, 1.2e-7*want.value)
					within(t, where+": variance", float64(m.Raster.Variance[i]), want.variance, 1.2e-7*want.variance)
					if m.Raster.Flags[i] != want.used {
						t.Errorf("%s: flags %s, want %s", where, m.Raster.Flags[i], want.used)
					}
				}
			}
		}
		if gaps == 0 {
			t.Errorf("%s: no gap was tried", c.name)
		}
	}
}

// TestBandsLieOnOneAnother gives the ground a pattern and whole motion: each
// band image is that pattern, and a sample seen once is not changed at all.
func TestBandsLieOnOneAnother(t *testing.T) {
	frames := sequence(10, 1, 3)
	ground := func(x, y float64) float64 { return 1000 + 17.3*x - 5.1*y + 0.37*x*y }
	rasters := shoot(frames, func(_, _, _ int, x, y float64) (float64, float64) { return ground(x, y), 4 })
	images, grid := assemble(t, fescue, frames, rasters, Options{})
	if len(images) != 3 || images[0].Band != "green" || images[1].Band != "red" || images[2].Band != "far" {
		t.Fatalf("bands are not in the strips' order")
	}
	seen := 0
	for _, m := range images {
		for i, v := range m.Raster.Value {
			if !m.Raster.Good(i) {
				continue
			}
			seen++
			want := float32(ground(float64(grid.X0+i%grid.Width), float64(grid.Y0+i/grid.Width)))
			if v != want || m.Raster.Flags[i] != 0 {
				t.Fatalf("%s, pixel %d: %g, %s; want %g and no flag", m.Band, i, v, m.Raster.Flags[i], want)
			}
			within(t, "variance", float64(m.Raster.Variance[i]), 4/float64(m.Coverage[i]), 1e-6)
		}
		if m.LagX != 0 || m.LagY != 0 {
			t.Errorf("%s: neighbours share errors, %g and %g, after whole motion", m.Band, m.LagX, m.LagY)
		}
	}
	if seen == 0 {
		t.Fatal("no pixel was seen")
	}
}

// TestUniformSceneStaysUniform asks for the very same number everywhere.
func TestUniformSceneStaysUniform(t *testing.T) {
	const level = float32(0.0123456)
	rng := rand.New(rand.NewPCG(7, 7))
	frames := sequence(20, 0.37, -0.83)
	rasters := shoot(frames, func(i, x, y int, _, _ float64) (float64, float64) {
		return float64(level), (1 + rng.Float64()) * float64(i+1)
	})
	for _, opt := range []Options{{}, {InverseVariance: true}, {MinCoverage: 1e-3}} {
		images, _ := assemble(t, fescue, frames, rasters, opt)
		for _, m := range images {
			n := 0
			for i, v := range m.Raster.Value {
				if m.Raster.Good(i) {
					n++
					if v != level {
						t.Fatalf("%+v, %s: pixel %d is %g, want %g", opt, m.Band, i, v, level)
					}
				}
			}
			if n < 100 {
				t.Errorf("%+v, %s: only %d pixels", opt, m.Band, n)
			}
		}
	}
}

// TestLightIsConserved compares the sum over the ground with that over the
// samples. Values and coverages are rounded to single precision, 2^-24 each.
func TestLightIsConserved(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 9))
	for _, motion := range []Offset{{1, 2}, {0.45, 1.7}, {-0.21, -2.9}} {
		frames := sequence(12, motion.DX, motion.DY)
		rasters := shoot(frames, func(int, int, int, float64, float64) (float64, float64) { return 1000 * rng.Float64(), 1 })
		rasters[4].Flags[10*chipWidth+5] = calib.Hot
		images, _ := assemble(t, fescue, frames, rasters, Options{MinCoverage: 1e-5})
		for b, m := range images {
			var want, got, area, ground float64
			for _, r := range rasters {
				for i := fescue[b].Y0 * chipWidth; i < fescue[b].Y1*chipWidth; i++ {
					if r.Flags[i] == 0 {
						want += float64(r.Value[i])
						area++
					}
				}
			}
			for i, v := range m.Raster.Value {
				ground += float64(m.Coverage[i])
				if m.Raster.Good(i) {
					got += float64(v) * float64(m.Coverage[i])
				}
			}
			within(t, m.Band+": light", got, want, 2*math.Exp2(-24)*want)
			within(t, m.Band+": area", ground, area, 2*math.Exp2(-24)*area)
		}
	}
}

// TestBadSamplesAreCoveredOrLeaveAGap puts a bad sample where another frame
// sees the same ground, and where none does.
func TestBadSamplesAreCoveredOrLeaveAGap(t *testing.T) {
	strip := []Strip{{"green", 4, 8}}
	for _, c := range []struct {
		name  string
		step  float64 // rows a frame; the strip is 4 high
		flag  calib.Flags
		gap   bool
		flags calib.Flags
	}{
		{"covered by another frame", 2, calib.Dead, false, 0},
		{"covered by another frame", 2, calib.Saturated, false, 0},
		{"alone", 4, calib.Dead, true, calib.Missing | calib.Dead},
		{"alone", 4, calib.Saturated, true, calib.Missing | calib.Saturated},
		{"near saturation, used", 4, calib.NearSaturated, false, calib.NearSaturated},
		{"a flag that the caller leaves out", 4, calib.Mark, true, calib.Missing | calib.Mark},
	} {
		frames := sequence(4, 0, c.step)
		rasters := shoot(frames, func(int, int, int, float64, float64) (float64, float64) { return 10, 1 })
		bad := 5*chipWidth + 6
		rasters[1].Flags[bad] = c.flag
		if c.flag != calib.NearSaturated {
			rasters[1].Value[bad] = 5000
		}
		images, grid := assemble(t, strip, frames, rasters, Options{LeaveOut: calib.Mark})
		y := 5 - int(c.step) - grid.Y0
		i := y*grid.Width + 6 - grid.X0
		r := images[0].Raster
		if r.Flags[i] != c.flags || r.Good(i) == c.gap {
			t.Errorf("%s, %s: %g, %s", c.name, c.flag, r.Value[i], r.Flags[i])
		}
		if !c.gap && r.Value[i] != 10 {
			t.Errorf("%s, %s: the bad sample shows: %g", c.name, c.flag, r.Value[i])
		}
		if r.Flags[i+1] != 0 || r.Value[i+1] != 10 {
			t.Errorf("%s, %s: the neighbour is %g, %s", c.name, c.flag, r.Value[i+1], r.Flags[i+1])
		}
	}
}

// TestWeightsByVariance averages two looks with variances 1 and 4: the mean has
// the weights 4/5 and 1/5 and the variance 4/5, or 1/2 each and 5/4.
func TestWeightsByVariance(t *testing.T) {
	frames := sequence(2, 0, 0)
	rasters := shoot(frames, func(i, _, _ int, _, _ float64) (float64, float64) {
		return []float64{10, 20}[i], []float64{1, 4}[i]
	})
	for _, c := range []struct {
		opt             Options
		value, variance float64
	}{{Options{InverseVariance: true}, 12, 0.8}, {Options{}, 15, 1.25}} {
		images, _ := assemble(t, []Strip{{"green", 0, 5}}, frames, rasters, c.opt)
		within(t, "value", float64(images[0].Raster.Value[0]), c.value, 1e-5)
		within(t, "variance", float64(images[0].Raster.Variance[0]), c.variance, 1e-6)
		within(t, "coverage", float64(images[0].Coverage[0]), 2, 0)
		// Two values 10 apart, variance of the difference 5: chi-square 20.
		within(t, "chi-square", images[0].ChiSquare, 20, 1e-9)
		// sqrt(20) = 4.5 sigma is not 5.
		if images[0].Disagreeing != 0 || images[0].Compared != 5*chipWidth {
			t.Errorf("%d of %d pixels disagree", images[0].Disagreeing, images[0].Compared)
		}
	}
	rasters[1].Variance = make([]float32, len(rasters[1].Variance))
	_, _, err := Assemble([]Strip{{"green", 0, 5}}, frames, func(i int) (*calib.Raster, error) { return rasters[i], nil }, Options{InverseVariance: true}, 1)
	if err == nil || !strings.Contains(err.Error(), `frame no. 2: band "green" has no variance`) {
		t.Errorf("without a variance: %v", err)
	}
}

// TestStatedNoiseIsTheNoise assembles pure noise many times. Every third pixel
// along both axes is independent of the others. The correlation of neighbours
// is the same for all frames and pixels where the fraction of the offsets is.
func TestStatedNoiseIsTheNoise(t *testing.T) {
	same := sequence(14, 0, 1)
	for i := range same {
		same[i].Offset.DX += 0.4
		same[i].Offset.DY += 0.3
	}
	for _, c := range []struct {
		name         string
		frames       []Frame
		sameFraction bool
	}{{"fractions that differ", sequence(12, 0.4, 1.3), false}, {"one fraction", same, true}} {
		rng := rand.New(rand.NewPCG(8, 1))
		var square, products, n, lag, chi, compared float64
		for range 60 {
			rasters := shoot(c.frames, func(int, int, int, float64, float64) (float64, float64) {
				return 50 + 3*rng.NormFloat64(), 9
			})
			images, grid := assemble(t, fescue, c.frames, rasters, Options{})
			for _, m := range images {
				pull := func(i int) float64 {
					return (float64(m.Raster.Value[i]) - 50) / math.Sqrt(float64(m.Raster.Variance[i]))
				}
				for y := 0; y < grid.Height; y += 3 {
					for x := 1; x < grid.Width-2; x += 3 { // whole coverage along the row
						i := y*grid.Width + x
						if m.Raster.Good(i) && m.Raster.Good(i+1) {
							square += pull(i) * pull(i)
							products += pull(i) * pull(i+1)
							n++
						}
					}
				}
				lag = m.LagX
				chi += m.ChiSquare * float64(m.Compared)
				compared += float64(m.Compared)
			}
		}
		within(t, c.name+": mean square pull", square/n, 1, sigmas*math.Sqrt(2/n))
		if c.sameFraction {
			// The variance of a product of normal pulls is 1 + r^2.
			within(t, c.name+": correlation of neighbours", products/n, lag, sigmas*math.Sqrt((1+lag*lag)/n))
		}
		// Neighbours share errors: at most 9 values move together.
		within(t, c.name+": chi-square", chi/compared, 1, sigmas*math.Sqrt(2*9/compared))
	}
}

// TestNeighboursShareErrorsAsStated shifts one frame by half a pixel: two
// neighbours then share half of their samples, correlation 1/2.
func TestNeighboursShareErrorsAsStated(t *testing.T) {
	for _, c := range []struct {
		offset Offset
		x, y   float64
	}{{Offset{0.5, 0}, 0.5, 0}, {Offset{0, 0.5}, 0, 0.5}, {Offset{0.5, 0.5}, 0.5, 0.5}, {Offset{3, -2}, 0, 0}, {Offset{-0.25, 0}, 0.1875 / 0.625, 0}} {
		frames := []Frame{{"a", 0, c.offset}}
		images, _ := assemble(t, fescue[:1], frames, shoot(frames, func(int, int, int, float64, float64) (float64, float64) { return 1, 1 }), Options{})
		within(t, fmt.Sprint(c.offset, " along rows"), images[0].LagX, c.x, 1e-12)
		within(t, fmt.Sprint(c.offset, " along columns"), images[0].LagY, c.y, 1e-12)
	}
}

// TestDisagreementIsSeen spoils one thing at a time.
func TestDisagreementIsSeen(t *testing.T) {
	frames := sequence(16, 0, 1)
	ground := func(x, y float64) float64 { return 1000 + 100*math.Sin(x/3)*math.Cos(y/4) }
	const sigma = 2
	for _, c := range []struct {
		name    string
		spoil   func(i int, x, y float64) float64
		agrees  bool
		standUp bool
	}{
		{"nothing", func(_ int, x, y float64) float64 { return ground(x, y) }, true, false},
		{"an offset that is a row wrong", func(i int, x, y float64) float64 { return ground(x, y+float64(i/8)) }, false, true},
		{"one frame 3 % brighter", func(i int, x, y float64) float64 {
			if i == 9 {
				return 1.03 * ground(x, y)
			}
			return ground(x, y)
		}, false, true},
	} {
		rng := rand.New(rand.NewPCG(5, 5))
		rasters := shoot(frames, func(i, _, _ int, x, y float64) (float64, float64) {
			return c.spoil(i, x, y) + sigma*rng.NormFloat64(), sigma * sigma
		})
		images, _ := assemble(t, fescue, frames, rasters, Options{})
		for _, m := range images {
			bound := sigmas * math.Sqrt(2/float64(m.Compared))
			if (m.ChiSquare <= 1+bound) != c.agrees || m.ChiSquare < 1-bound {
				t.Errorf("%s, %s: reduced chi-square is %.3f +- %.3f", c.name, m.Band, m.ChiSquare, bound)
			}
			if (m.Disagreeing > 0) != c.standUp {
				t.Errorf("%s, %s: %d pixels disagree", c.name, m.Band, m.Disagreeing)
			}
		}
	}
}

// TestGapsBetweenFramesAreCounted lets the ground move by more rows than the
// strip is high.
func TestGapsBetweenFramesAreCounted(t *testing.T) {
	for _, c := range []struct {
		name string
		step float64
		gaps int
	}{
		{"overlapping", 3, 0},
		{"edge to edge", 5, 0},
		{"two rows are missed each time", 7, 2 * 5},
		{"the same the other way", -7, 2 * 5},
	} {
		frames := sequence(6, 0, c.step)
		rasters := shoot(frames, func(int, int, int, float64, float64) (float64, float64) { return 1, 1 })
		images, grid := assemble(t, []Strip{{"red", 9, 14}}, frames, rasters, Options{})
		m := images[0]
		if m.GapRows != c.gaps || m.Rows != [2]int{0, grid.Height} {
			t.Errorf("%s: %d gap rows between %v, want %d", c.name, m.GapRows, m.Rows, c.gaps)
		}
		if want := 5 + 5*int(math.Abs(c.step)); grid.Height != want {
			t.Errorf("%s: %d rows of ground, want %d", c.name, grid.Height, want)
		}
		if c.step >= 5 && !math.IsNaN(m.ChiSquare) {
			t.Errorf("%s: chi-square %g though nothing was seen twice", c.name, m.ChiSquare)
		}
	}
}

func TestMemoryDoesNotGrowWithTheSequence(t *testing.T) {
	for _, n := range []int{5, 500} {
		a, err := New(chipWidth, chipHeight, []Strip{{"red", 9, 14}}, sequence(n, 0, 1.3), Options{})
		if err != nil {
			t.Fatal(err)
		}
		if rows := a.bands[0].ringRows; rows > 5+1 {
			t.Errorf("%d frames: sums of %d rows are held for a strip of 5", n, rows)
		}
	}
}

func TestWorkersDoNotChangeTheResult(t *testing.T) {
	frames := sequence(30, 0.11, 1.9)
	rng := rand.New(rand.NewPCG(2, 2))
	rasters := shoot(frames, func(int, int, int, float64, float64) (float64, float64) { return rng.Float64(), rng.Float64() })
	var first string
	for _, workers := range []int{0, 1, 2, 3} {
		images, grid, err := Assemble([]Strip{{"all", 0, chipHeight}}, frames, func(i int) (*calib.Raster, error) { return rasters[i], nil }, Options{InverseVariance: true}, workers)
		if err != nil {
			t.Fatal(err)
		}
		got := fmt.Sprintf("%v %v", images[0].Raster, grid) + fmt.Sprintf("%x", images[0].ChiSquare)
		if first == "" {
			first = got
		}
		if got != first {
			t.Errorf("%d workers: another result", workers)
		}
	}
}

func TestNewRefuses(t *testing.T) {
	good := sequence(12, 0, 2)
	swapped := sequence(12, 0, 2)
	swapped[3], swapped[4] = swapped[4], swapped[3]
	back := sequence(12, 0, 2)
	back[5].Offset.DY = 7
	wild := sequence(12, 0, 2)
	wild[11].Offset.DY = math.Inf(1)
	for _, c := range []struct {
		name   string
		strips []Strip
		frames []Frame
		opt    Options
		says   string
	}{
		{"no frames", fescue, nil, Options{}, "no frames"},
		{"no strips", nil, good, Options{}, "no strips"},
		{"a band with no rows", []Strip{{"red", 9, 9}}, good, Options{}, `"red" has a strip without rows`},
		{"a strip without a band", []Strip{{"", 9, 12}}, good, Options{}, "strip 1 has no band"},
		{"rows outside", []Strip{{"red", 20, 25}}, good, Options{}, "rows 21 to 25, is not within the frame's 24 rows"},
		{"strips that overlap", []Strip{{"red", 9, 12}, {"far", 11, 15}}, good, Options{}, `band "far", rows 12 to 15, overlap`},
		{"frames out of order", fescue, swapped, Options{}, "frame no. 4 (7.5 s) does not come after frame no. 5 (10 s)"},
		{"ground that moves back", fescue, back, Options{}, "from frame no. 5 to frame no. 6 the ground moves by -1 rows"},
		{"ground that moves the wrong way", fescue, good, Options{Direction: -1}, "from frame no. 1 to frame no. 2"},
		{"an offset that is none", fescue, wild, Options{}, "frame no. 12 has the offset"},
		{"offsets in another unit", fescue, sequence(12, 0, 1e7), Options{}, "check them for a wrong unit"},
		{"no common ground", fescue, sequence(2, 0, 2), Options{}, `bands "green" and "red" see no row of ground in common: 2 unused`},
		{"a negative coverage", fescue, good, Options{MinCoverage: -1}, "0 or more"},
		{"a strange direction", fescue, good, Options{Direction: 2}, "give 1, -1, or 0"},
	} {
		if _, err := New(chipWidth, chipHeight, c.strips, c.frames, c.opt); err == nil || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%s: %v, want a word of %q", c.name, err, c.says)
		}
	}
	var apart *NoOverlapError
	if _, err := New(chipWidth, chipHeight, fescue, sequence(2, 0, 2), Options{}); !errors.As(err, &apart) || apart.GapRows != 2 || apart.MotionPx != 2 {
		t.Errorf("no common ground: %+v", apart)
	}
}

func TestAddRefuses(t *testing.T) {
	a, err := New(chipWidth, chipHeight, fescue, sequence(12, 0, 2), Options{})
	if err != nil {
		t.Fatal(err)
	}
	if err := a.Add(calib.NewRaster(chipWidth, chipHeight+1), 1); err == nil || !strings.Contains(err.Error(), "frame no. 1 has 13 x 25 pixels, the others 13 x 24") {
		t.Errorf("a frame of another size: %v", err)
	}
	for range 11 {
		if err := a.Add(calib.NewRaster(chipWidth, chipHeight), 1); err != nil {
			t.Fatal(err)
		}
	}
	if _, err := a.Images(); err == nil || !strings.Contains(err.Error(), "11 of 12 frames have been added; frame no. 12 is next") {
		t.Errorf("images too early: %v", err)
	}
	if err := a.Add(calib.NewRaster(chipWidth, chipHeight), 1); err != nil {
		t.Fatal(err)
	}
	if err := a.Add(calib.NewRaster(chipWidth, chipHeight), 1); err == nil || !strings.Contains(err.Error(), "after the last of the 12") {
		t.Errorf("one frame too many: %v", err)
	}
	missing := errors.New("the file is gone")
	if _, _, err := Assemble(fescue, sequence(2, 0, 2), func(int) (*calib.Raster, error) { return nil, missing }, Options{}, 1); !errors.Is(err, missing) || !strings.Contains(err.Error(), "frame no. 1") {
		t.Errorf("a frame that cannot be read: %v", err)
	}
}

// BenchmarkAdd adds frames of 2048 columns with four strips of 200 rows, moved
// by fractions, on two workers. One operation is one frame.
func BenchmarkAdd(b *testing.B) {
	four := []Strip{{"a", 10, 210}, {"b", 260, 460}, {"c", 510, 710}, {"d", 760, 960}}
	r := calib.NewRaster(2048, 1024)
	for i := range r.Value {
		r.Value[i], r.Variance[i] = 100, 100
	}
	const n = 60
	var a *Assembler
	next := n
	for b.Loop() {
		if next == n {
			b.StopTimer()
			var err error
			if a, err = New(2048, 1024, four, sequence(n, 0.3, 15.7), Options{}); err != nil {
				b.Fatal(err)
			}
			next = 0
			b.StartTimer()
		}
		if err := a.Add(r, 2); err != nil {
			b.Fatal(err)
		}
		next++
	}
}
