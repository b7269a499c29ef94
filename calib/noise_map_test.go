package calib

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"
)

// mapped is a kind of sensor: its map and what a window is on it.
type mapped struct {
	name string
	m    *BandMap
	// like tells whether pixel (i, j) is in the window of pixel (x, y).
	like func(x, y, i, j int) bool
	// sideX is the distance along the row to the next like pixel.
	sideX int
}

// plainWindow has no map: 5 x 5 pixels.
func plainWindow() mapped {
	return mapped{"no map", nil, func(x, y, i, j int) bool { return abs(i-x) <= 2 && abs(j-y) <= 2 }, 1}
}

// mosaicWindow is 3 x 3 pixels of the pixel's own place in the pattern; a
// pattern of one cell is no mosaic.
func mosaicWindow(name string, width, height int, pattern [][]uint8) mapped {
	px, py := len(pattern[0]), len(pattern)
	m := NewMosaicMap(width, height, pattern, bandsOf(pattern))
	if px == 1 && py == 1 {
		w := plainWindow()
		w.name, w.m = name, m
		return w
	}
	return mapped{name, m, func(x, y, i, j int) bool {
		return (i-x)%px == 0 && (j-y)%py == 0 && abs(i-x) <= px && abs(j-y) <= py
	}, px}
}

// stripWindow is 5 x 5 pixels less those beyond the strip's own edges. Two
// strips of one band with others between them are not one.
func stripWindow(name string, width int, rows []uint8) mapped {
	return mapped{name, NewStripMap(width, rows, 4), func(x, y, i, j int) bool {
		if abs(i-x) > 2 || abs(j-y) > 2 {
			return false
		}
		for k := min(y, j); k <= max(y, j); k++ {
			if rows[k] != rows[y] {
				return false
			}
		}
		return true
	}, 1}
}

func abs(i int) int { return max(i, -i) }

// heights lays out strips of so many rows, by turns of bands 0 to 3, with gaps
// of so many rows without a band between them.
func heights(rows, gap, total int) []uint8 {
	out := slices.Repeat([]uint8{NoBand}, total)
	for y, n := 0, 0; y < total; y, n = y+rows+gap, n+1 {
		for i := y; i < min(y+rows, total); i++ {
			out[i] = uint8(n % 4)
		}
	}
	return out
}

// kinds are the sensors that a frame of a size can be of.
func kinds(width, height int) []mapped {
	out := []mapped{plainWindow()}
	for name, pattern := range patterns {
		out = append(out, mosaicWindow(name, width, height, pattern))
	}
	for _, rows := range []int{1, 2, 3, 7} {
		for _, gap := range []int{0, 1, 2, 3, 4} {
			out = append(out, stripWindow(fmt.Sprintf("strips of %d rows, %d apart", rows, gap), width, heights(rows, gap, height)))
		}
	}
	return out
}

// lit is a frame of electrons and all that the estimate of its noise uses.
type lit struct {
	width, height int
	sensor        *Sensor
	raw           memoryFrame // electrons + litOffset
	noise         *Noise
	flat, dark    *Plane
	mask          []Flags
	rowHT         []float32
}

const (
	litOffset = 5000
	litNoise  = 5.0 // e-
	litWell   = 60000
)

// litFrame draws a frame under a map: each band has a level of its own, and
// there are spikes, bad, lost and saturated pixels.
func litFrame(rng *rand.Rand, width, height int, k mapped) *lit {
	l := &lit{width: width, height: height, sensor: plainSensor(width, height), raw: newFrame(width, height),
		flat: constant(width, height, 1, 0), dark: constant(width, height, 0, 0), mask: make([]Flags, width*height)}
	levels := []float64{3, 40, 800, 20000}
	for i := range l.raw.dn {
		level := levels[2]
		if k.m != nil {
			if b := k.m.Row(i / width)[i%width]; b != NoBand {
				level = levels[b]
			}
		}
		l.raw.dn[i] = float32(math.Round(litOffset + level + math.Sqrt(level+litNoise*litNoise)*rng.NormFloat64()))
		l.flat.Value[i] = float32(0.7 + 0.6*rng.Float64())
		l.dark.Value[i] = float32(10 * rng.Float64())
		switch rng.IntN(20) {
		case 0:
			l.mask[i] = Hot
		case 1:
			l.raw.dn[i] = float32(math.NaN())
		case 2:
			l.raw.dn[i] += float32(rng.IntN(20000))
		case 3:
			l.raw.dn[i] = litWell
		}
	}
	for y := range height {
		l.rowHT = append(l.rowHT, float32(2+0.1*float64(y)))
	}
	l.noise = &Noise{Flat: NewFlatField(l.flat), Dark: l.dark, HT: 2, RowHT: l.rowHT, Mask: l.mask, Map: k.m, FloorE2: litNoise * litNoise, Steps: NoiseSteps(litWell)}
	return l
}

// chain takes the offset off and, with the noise, estimates it. The frame's
// samples are electrons after the flat field already.
func (l *lit) chain(noise *Noise) *Chain {
	return NewChain(l.sensor, []Stage{
		FrameStage{65535, math.NaN()}, SaturationStage{LevelDN: []float64{litWell}},
		OffsetStage{OffsetRule{}, []OffsetTrace{level(l.height, litOffset)}}, GainStage{l.sensor.Amps},
	}, noise, nil)
}

// held is the value that a pixel counts with in its neighbours' windows: no
// more than that of the like pixel beside it where it stands above both by
// more than five sigmas.
func (l *lit) held(p *picture, k mapped, x, y int) float64 {
	v, _, _ := p.at(x, y)
	side := math.Inf(-1)
	for _, i := range []int{x - k.sideX, x + k.sideX} {
		if i < 0 || i >= l.width {
			continue
		}
		if s, _, _ := p.at(i, y); s > side {
			side = s
		}
	}
	if !math.IsInf(side, -1) && v-side > 5*math.Sqrt(l.noise.FloorE2+1+max(side, 0)) {
		return side
	}
	return v
}

// expected is the variance of a pixel by the definition: the mean of the other
// good pixels of its window for the light, or its own count.
func (l *lit) expected(p *picture, k mapped, x, y int) (variance float64, doubtful bool) {
	var sum, n float64
	for j := max(0, y-8); j < min(l.height, y+9); j++ {
		for i := max(0, x-8); i < min(l.width, x+9); i++ {
			_, _, flags := p.at(i, j)
			if (i == x && j == y) || !k.like(x, y, i, j) || flags&Unusable != 0 || l.mask[j*l.width+i] != 0 {
				continue
			}
			sum += l.held(p, k, i, j)
			n++
		}
	}
	v, rest, _ := p.at(x, y)
	f := float64(l.flat.Value[y*l.width+x])
	dark := float64(l.dark.Value[y*l.width+x]) * float64(l.rowHT[y])
	own := rest + (max(v, 0)*f+dark)/(f*f)
	if n == 0 {
		return own, false
	}
	m := sum / n
	variance = rest + (m*f+dark)/(f*f) + 1/(n*f*f)
	departure := math.Abs(v-m) / (5 * math.Sqrt(variance))
	if departure > 1 {
		variance = own
	}
	return max(variance, rest/4), math.Abs(departure-1) < 1e-3
}

// The estimate against a plain one written from its definition, over frames
// of all sizes, under all maps, with faults of all kinds.
func TestNoiseUnderAMapIsThatOfLikePixels(t *testing.T) {
	rng := newRand(510)
	for _, size := range [][2]int{{1, 1}, {3, 2}, {2, 9}, {9, 1}, {5, 5}, {8, 8}, {17, 13}, {24, 31}} {
		for _, k := range kinds(size[0], size[1]) {
			t.Run(fmt.Sprintf("%d x %d, %s", size[0], size[1], k.name), func(t *testing.T) {
				width, height := size[0], size[1]
				l := litFrame(rng, width, height, k)
				before, got := develop(t, l.chain(nil), l.raw, height), develop(t, l.chain(l.noise), l.raw, height)
				for y := range height {
					for x := range width {
						value, variance, flags := got.at(x, y)
						if flags&Unusable != 0 {
							continue
						}
						if v, _, _ := before.at(x, y); v != value {
							t.Fatalf("column %d row %d had the value %g and has %g", x, y, v, value)
						}
						want, doubtful := l.expected(before, k, x, y)
						if doubtful {
							continue // rounding decides whether it stands out
						}
						f := float64(l.flat.Value[y*width+x])
						within(t, fmt.Sprintf("variance at column %d row %d", x, y), variance, want, 1/(l.noise.Steps*f)+1e-5*want)
					}
				}
			})
		}
	}
}

// Whatever the map, a worker may begin at any row.
func TestNoiseUnderAMapDoesNotDependOnTheRuns(t *testing.T) {
	rng := newRand(520)
	for _, size := range [][2]int{{1, 1}, {5, 5}, {8, 8}, {17, 13}, {9, 31}} {
		for _, k := range kinds(size[0], size[1]) {
			l := litFrame(rng, size[0], size[1], k)
			c := l.chain(l.noise)
			want := develop(t, c, l.raw, size[1])
			for _, run := range []int{1, 2, 3, 5, 16} {
				got := develop(t, c, l.raw, run)
				if !sameBits(got.value, want.value) || !sameBits(got.variance, want.variance) || !slices.Equal(got.flags, want.flags) {
					t.Errorf("%d x %d, %s: runs of %d rows differ from the whole", size[0], size[1], k.name, run)
				}
			}
		}
	}
}

// One worker's memory serves frames of any map, one after another.
func TestNoiseScratchServesOtherMaps(t *testing.T) {
	const width, height = 12, 16
	rng := newRand(530)
	var s Scratch
	for range 3 {
		for _, k := range kinds(width, height) {
			l := litFrame(rng, width, height, k)
			c := l.chain(l.noise)
			want := develop(t, c, l.raw, height)
			var got []float32
			if err := c.Run(l.raw, 0, height, &s, func(r *Row) error {
				got = append(got, r.Var...)
				return nil
			}); err != nil {
				t.Fatal(err)
			}
			if !sameBits(got, want.variance) {
				t.Errorf("%s: differs after others", k.name)
			}
		}
	}
}

// evenly lit frames, whose colours or strips differ a hundredfold in level:
// each pixel's variance is that of its own, known to the window's 1/n.
func TestNoiseOfUnlikeBandsIsEachBandsOwn(t *testing.T) {
	const width, height = 16, 24
	levels := []float64{0, 20, 2000, 40000}
	for _, k := range kinds(width, height) {
		if k.m == nil {
			continue
		}
		t.Run(k.name, func(t *testing.T) {
			s, f := plainSensor(width, height), newFrame(width, height)
			for i := range f.dn {
				f.dn[i] = litOffset + 30000
				if b := k.m.Row(i / width)[i%width]; b != NoBand {
					f.dn[i] = float32(litOffset + levels[b])
				}
			}
			c := NewChain(s, []Stage{FrameStage{65535, math.NaN()}, OffsetStage{OffsetRule{}, []OffsetTrace{level(height, litOffset)}}, GainStage{s.Amps}},
				&Noise{Map: k.m, FloorE2: litNoise * litNoise, Steps: NoiseSteps(litWell)}, nil)
			p := develop(t, c, f, 5)
			for y := range height {
				for x := range width {
					b := k.m.Row(y)[x]
					if b == NoBand {
						continue
					}
					n := 0.0
					for j := range height {
						for i := range width {
							if (i != x || j != y) && k.like(x, y, i, j) {
								n++
							}
						}
					}
					_, variance, _ := p.at(x, y)
					want := litNoise*litNoise + 1.0/12 + levels[b]
					if n > 0 {
						want += 1 / n
					}
					within(t, fmt.Sprintf("variance at column %d row %d", x, y), variance, want, 1.0/16+1e-6*want)
				}
			}
		})
	}
}

// Pulls of a mosaic lit in colours that differ a hundredfold are honest in
// each. An estimate from n pixels makes 1/V' too large by 1/(n V) at most
// before the term that takes it away, see Noise; n is 8 here.
func TestNoisePullsOfAMosaic(t *testing.T) {
	const size, frames = 128, 4
	pattern := patterns["2 x 2"]
	m := NewMosaicMap(size, size, pattern, 3)
	levels := []float64{100, 10000, 10} // red, green, blue
	s := plainSensor(size, size)
	s.CeilingDN = 1 << 20
	c := NewChain(s, []Stage{FrameStage{s.CeilingDN, math.NaN()}, OffsetStage{OffsetRule{}, []OffsetTrace{level(size, litOffset)}}, GainStage{s.Amps}},
		&Noise{Map: m, FloorE2: litNoise * litNoise, Steps: NoiseSteps(1 << 17)}, nil)
	rng := newRand(540)
	pulls := make([]moments, 3)
	for range frames {
		f := newFrame(size, size)
		for i := range f.dn {
			f.dn[i] = float32(math.Round(litOffset + poisson(rng, levels[m.Row(i / size)[i%size]]) + litNoise*rng.NormFloat64()))
		}
		p := develop(t, c, f, 32)
		for y := range size {
			for x := range size {
				b := m.Row(y)[x]
				v, variance, _ := p.at(x, y)
				pulls[b].add((v - levels[b]) / math.Sqrt(variance))
			}
		}
	}
	for b, pull := range pulls {
		v := levels[b] + litNoise*litNoise + 1.0/12
		within(t, fmt.Sprintf("mean pull at %g e-", levels[b]), pull.mean(), 0, sigmas*math.Sqrt((1+1/(32*v))/pull.n))
		// As TestNoisePullsAtEveryLevel, with eight pixels in place of 24:
		// the error of m, whose relative variance is 1/(8 V), is shared by 8.
		within(t, fmt.Sprintf("squared pull at %g e-", levels[b]), pull.meanSquare(), 1, sigmas*math.Sqrt((2+levels[b]/(v*v)+1/v)/pull.n)+1/(8*v))
	}
}
