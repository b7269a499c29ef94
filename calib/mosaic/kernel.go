package mosaic

import (
	"cmp"
	"math/bits"
	"slices"

	"evenlight/calib"
)

// site is the place of a sample relative to the pixel that is interpolated.
type site struct{ dx, dy int }

// sample is a site with its colour.
type sample struct {
	site
	colour int
}

// surroundings lists the samples that may serve one colour at one place of
// the pattern: those of the wanted colour first, each part by distance. There
// are at most 64, so that a word can tell which of them are good.
type surroundings struct {
	want        int
	half        int // half width of the tent
	samples     []sample
	wanted      int // samples of the wanted colour
	mostWanted  int // so many of them are taken, the nearest in the frame
	mostForeign int // so many of the other colours
}

// weigher gives the weights of samples that are measured in units of the
// detail of their colour. At least one has the wanted colour. The weights
// depend on the arguments alone.
type weigher func(around *surroundings, taken []sample) []float64

// kernel is a linear combination of samples.
type kernel struct {
	offset     []int // in the row-major frame
	weight     []float32
	weight2    []float32 // squares of weight
	flagOffset []int     // offsets of the samples whose flags count
	reach      int
}

// flagWeight is the least weight, in modulus, with which a sample passes its
// flags on.
const flagWeight = 1.0 / 16

// kernelSet holds the kernels of a pattern.
type kernelSet struct {
	p      *Pattern
	around []surroundings // of each cell and colour
	clean  []*kernel      // the same, where all samples are good
	weigh  weigher
	scale  []float64 // detail of each colour, in its own unit
	width  int       // of the frame
	reach  int       // of all clean kernels
}

// kernelKey names a kernel for surroundings with gaps.
type kernelKey struct {
	index int
	taken uint64
}

// mostKernels bounds the kernels that a goroutine keeps.
const mostKernels = 1 << 14

// mostGaps bounds the gaps among a kernel's samples for which a kernel is
// made; more of them, and almost every pixel would need one of its own, which
// takes a thousand times as long as using it.
const mostGaps = 2

func newKernelSet(f *frame, around []surroundings, weigh weigher) *kernelSet {
	s := &kernelSet{p: f.p, around: around, weigh: weigh, scale: f.scale, width: f.r.Width}
	for i := range around {
		k := s.build(i, around[i].choose(^uint64(0)))
		s.clean = append(s.clean, k)
		s.reach = max(s.reach, k.reach)
	}
	return s
}

// index finds the kernel of a colour at a pixel.
func (s *kernelSet) index(x, y, colour int) int {
	return (y%s.p.height*s.p.width+x%s.p.width)*len(s.p.colours) + colour
}

// choose picks the samples to take of those that the frame has.
func (a *surroundings) choose(inFrame uint64) uint64 {
	wanted, foreign := 0, 0
	var taken uint64
	for i := range a.samples {
		if inFrame>>i&1 == 0 {
			continue
		}
		if i < a.wanted && wanted < a.mostWanted {
			wanted++
			taken |= 1 << i
		}
		if i >= a.wanted && foreign < a.mostForeign {
			foreign++
			taken |= 1 << i
		}
	}
	return taken
}

// build makes a kernel.
func (s *kernelSet) build(index int, taken uint64) *kernel {
	a := &s.around[index]
	var samples []sample
	for i, t := range a.samples {
		if taken>>i&1 != 0 {
			samples = append(samples, t)
		}
	}
	k := &kernel{}
	for i, w := range s.weigh(a, samples) {
		if w == 0 {
			continue
		}
		t := samples[i]
		if max(w, -w) >= flagWeight {
			k.flagOffset = append(k.flagOffset, t.dy*s.width+t.dx)
		}
		w *= s.scale[a.want] / s.scale[t.colour]
		k.offset = append(k.offset, t.dy*s.width+t.dx)
		k.weight = append(k.weight, float32(w))
		k.weight2 = append(k.weight2, float32(w)*float32(w))
		k.reach = max(k.reach, t.dx, -t.dx, t.dy, -t.dy)
	}
	return k
}

// apply works out value and variance at pixel i.
func (k *kernel) apply(value, variance []float32, i int) (v, u float32) {
	weight := k.weight[:len(k.offset)]
	weight2 := k.weight2[:len(k.offset)]
	for j, o := range k.offset {
		v += weight[j] * value[i+o]
		u += weight2[j] * variance[i+o]
	}
	return v, u
}

func (k *kernel) flags(flags []calib.Flags, i int) calib.Flags {
	all := calib.Interpolated
	for _, o := range k.flagOffset {
		all |= flags[i+o]
	}
	return all
}

// kernelRow interpolates a row by kernels.
func (ip *Interpolator) kernelRow(s *scratch, y int, dst []line) {
	w, reach := ip.r.Width, ip.kernels.reach
	near := ip.near(s, y, reach)
	flagged := anyRow(ip.flagRow, y-reach, y+reach)
	for px := range min(ip.p.width, w) {
		for c := range dst {
			if c == ip.p.At(px, y) {
				continue
			}
			k := ip.kernels.clean[ip.kernels.index(px, y, c)]
			d := &dst[c]
			for x := px; x < w; x += ip.p.width {
				if near != nil && near[x] || x < reach || x >= w-reach {
					ip.kernelPixel(s, x, y, c, d)
					continue
				}
				i := y*w + x
				d.value[x], d.variance[x] = k.apply(ip.r.Value, ip.r.Variance, i)
				d.flags[x] = calib.Interpolated
				if flagged {
					d.flags[x] = k.flags(ip.r.Flags, i)
				}
			}
		}
	}
}

// near marks the pixels of a row that have a sample that is left out, or one
// above or below the frame, within reach. It is nil where there are none.
func (ip *Interpolator) near(s *scratch, y, reach int) []bool {
	w, h := ip.r.Width, ip.r.Height
	edge := y < reach || y >= h-reach
	if !edge && !anyRow(ip.outRow, y-reach, y+reach) {
		return nil
	}
	if s.near == nil {
		s.near = make([]bool, w)
	}
	for x := range s.near {
		s.near[x] = edge
	}
	if edge {
		return s.near
	}
	for yy := y - reach; yy <= y+reach; yy++ {
		if !ip.outRow[yy] {
			continue
		}
		for x, out := range ip.out[yy*w : (yy+1)*w] {
			if !out {
				continue
			}
			for xx := max(x-reach, 0); xx <= min(x+reach, w-1); xx++ {
				s.near[xx] = true
			}
		}
	}
	return s.near
}

// kernelPixel interpolates one pixel from the good samples that it has: by a
// kernel made for them, or where it has many gaps by a tent.
func (ip *Interpolator) kernelPixel(s *scratch, x, y, colour int, d *line) {
	index := ip.kernels.index(x, y, colour)
	a := &ip.kernels.around[index]
	good, gaps := ip.goodAndGaps(a, x, y)
	taken := a.choose(good | gaps)
	wanted := uint64(1)<<a.wanted - 1
	i := y*ip.r.Width + x
	switch {
	case good&wanted == 0:
		d.setMissing(x)
	case a.mostForeign == 0 || bits.OnesCount64(gaps&taken) > mostGaps || taken&good&wanted == 0:
		ip.tentPixel(a, good, i, x, d)
	default:
		k := ip.kernelFor(s, kernelKey{index, taken & good})
		d.value[x], d.variance[x] = k.apply(ip.r.Value, ip.r.Variance, i)
		d.flags[x] = k.flags(ip.r.Flags, i)
	}
}

// goodAndGaps tells which samples around a pixel are good, and which are in
// the frame but left out.
func (ip *Interpolator) goodAndGaps(a *surroundings, x, y int) (good, gaps uint64) {
	w, h := ip.r.Width, ip.r.Height
	for i, t := range a.samples {
		xx, yy := x+t.dx, y+t.dy
		switch {
		case uint(xx) >= uint(w) || uint(yy) >= uint(h):
		case ip.out[yy*w+xx]:
			gaps |= 1 << i
		default:
			good |= 1 << i
		}
	}
	return good, gaps
}

// tentPixel interpolates pixel i, in column x, from the good samples of the
// wanted colour. There is at least one.
func (ip *Interpolator) tentPixel(a *surroundings, good uint64, i, x int, d *line) {
	var weights [64]float32
	sum := float32(0)
	for half := a.half; sum == 0; half *= 2 {
		for j, t := range a.samples[:a.wanted] {
			if good>>j&1 != 0 {
				weights[j] = float32(t.tent(half))
				sum += weights[j]
			}
		}
	}
	var value, variance float32
	flags := calib.Interpolated
	for j, t := range a.samples[:a.wanted] {
		if weights[j] == 0 {
			continue // a sample that is left out may be no number
		}
		w, k := weights[j]/sum, i+t.dy*ip.r.Width+t.dx
		value += w * ip.r.Value[k]
		variance += w * w * ip.r.Variance[k]
		if w >= flagWeight {
			flags |= ip.r.Flags[k]
		}
	}
	d.value[x], d.variance[x], d.flags[x] = value, variance, flags
}

func (ip *Interpolator) kernelFor(s *scratch, key kernelKey) *kernel {
	k, known := s.kernels[key]
	if known {
		return k
	}
	if len(s.kernels) >= mostKernels {
		clear(s.kernels)
	}
	k = ip.kernels.build(key.index, key.taken)
	s.kernels[key] = k
	return k
}

// eachCell makes surroundings for each cell of the pattern and each colour.
func eachCell(p *Pattern, fill func(a *surroundings, x, y int)) []surroundings {
	var all []surroundings
	for y := range p.height {
		for x := range p.width {
			for c := range p.colours {
				a := surroundings{want: c, half: p.tentHalf(c)}
				fill(&a, x, y)
				all = append(all, a)
			}
		}
	}
	return all
}

// tentHalf gives the half width of the narrowest square tent that finds a
// sample of the colour wherever it stands.
func (p *Pattern) tentHalf(colour int) int {
	half := 1
	for !p.covers(colour, half) {
		half++
	}
	return half
}

func (p *Pattern) covers(colour, half int) bool {
	for y := range p.height {
		for x := range p.width {
			if len(p.inSquare(x, y, half-1, func(c int) bool { return c == colour })) == 0 {
				return false
			}
		}
	}
	return true
}

// inSquare lists the samples around pixel (x, y), up to reach columns and rows
// away, whose colour passes the test, by distance.
func (p *Pattern) inSquare(x, y, reach int, test func(colour int) bool) []sample {
	var found []sample
	for dy := -reach; dy <= reach; dy++ {
		for dx := -reach; dx <= reach; dx++ {
			if c := p.At(x+dx, y+dy); test(c) {
				found = append(found, sample{site{dx, dy}, c})
			}
		}
	}
	slices.SortStableFunc(found, func(a, b sample) int {
		return cmp.Compare(a.dx*a.dx+a.dy*a.dy, b.dx*b.dx+b.dy*b.dy)
	})
	return found
}

// tentSites lists the samples of the wanted colour under a tent of twice the
// width that a frame without gaps needs.
func tentSites(p *Pattern) []surroundings {
	return eachCell(p, func(a *surroundings, x, y int) {
		found := p.inSquare(x, y, 2*a.half-1, func(c int) bool { return c == a.want })
		a.samples = found[:min(len(found), 64)]
		a.wanted = len(a.samples)
		a.mostWanted = a.wanted
	})
}

// tent is (half-|dx|)(half-|dy|), or 0 where a factor would be negative.
func (s site) tent(half int) int {
	return max(0, half-max(s.dx, -s.dx)) * max(0, half-max(s.dy, -s.dy))
}

// tents weighs samples by the tent.
func tents(a *surroundings, taken []sample) []float64 {
	weights, sum := make([]float64, len(taken)), 0.0
	for i, t := range taken {
		weights[i] = float64(t.tent(a.half))
		sum += weights[i]
	}
	for i := range weights {
		weights[i] /= sum
	}
	return weights
}
