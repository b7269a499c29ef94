package hits

import (
	"errors"
	"fmt"
	"math"
	"slices"

	"evenlight/calib"
)

// MostRepeats is the largest number of frames that [Repeated] compares.
const MostRepeats = 64

// RepeatOptions says how hits are told among exposures of one scene.
type RepeatOptions struct {
	// Sigma is the departure from the other frames, in standard deviations,
	// from which on a pixel was hit.
	Sigma float64
	// ShiftPixels is how far, for each frame, the scene may be displaced
	// against the others: one standard deviation; nil: not at all.
	ShiftPixels []float64
	// PerElectron turns electrons into the frames' unit: for each frame.
	PerElectron []float64
	// StepX and StepY are the distances of like pixels; 0: 1.
	StepX, StepY int
}

// Repeated finds hits by comparing N >= 2 exposures of one scene, of equal or
// unequal length, and returns for each frame how many pixels it flagged Hit.
//
// Each frame is put on the scale of the first by the median of the ratios of
// well exposed pixels. A pixel of value v is then compared with the lower
// median m of the n others that have a value there, the smaller one of two and
// the other one alone: so another frame's hit does not hide it, as long as
// fewer than half of the others, one of two, were hit there. It was hit where
//
//	v - (m - c s) > Sigma sqrt(Var0(v) + q s^2 + (shift x slope)^2)
//
// with s^2 the mean variance of the others, and c and q the mean and the
// variance of that order statistic of n normal deviates. Var0 is what it is in
// a [Detector]. The last term allows for the displacement: slope is that of the
// lower median of all frames.
func Repeated(frames []*calib.Raster, opt RepeatOptions) ([]int, error) {
	if err := opt.check(frames); err != nil {
		return nil, err
	}
	scale := make([]float32, len(frames))
	for k, f := range frames {
		s, ok := scaleOf(f, frames[0])
		if !ok {
			s = 1 // too dark for a scale to matter
		}
		scale[k] = s
	}
	r := &repeats{RepeatOptions: opt, frames: frames, scale: scale, stepX: max(1, opt.StepX), stepY: max(1, opt.StepY)}
	r.orders = make([]order, len(frames))
	for n := 1; n < len(frames); n++ {
		r.orders[n] = lowerMedian(n)
	}
	r.scene = make([]float32, len(frames[0].Value))
	values := make([]float32, 0, len(frames))
	for i := range r.scene {
		r.scene[i] = r.middle(i, values)
	}
	found := make([]int, len(frames))
	for i := range r.scene {
		r.compare(i, found)
	}
	return found, nil
}

func (o *RepeatOptions) check(frames []*calib.Raster) error {
	switch n := len(frames); {
	case n < 2:
		return errors.New("a single frame cannot be compared: give two exposures of the scene or more")
	case n > MostRepeats:
		return fmt.Errorf("%d frames are more than %d: split the set", n, MostRepeats)
	case !(o.Sigma >= 3):
		return fmt.Errorf("the limit is %g sigma: give 3 or more", o.Sigma)
	case o.ShiftPixels != nil && len(o.ShiftPixels) != n, len(o.PerElectron) != n:
		return errors.New("give a displacement and a unit per electron for each frame")
	}
	for _, f := range frames[1:] {
		if f.Width != frames[0].Width || f.Height != frames[0].Height {
			return fmt.Errorf("frames of %d x %d and %d x %d pixels are not of one scene", f.Width, f.Height, frames[0].Width, frames[0].Height)
		}
	}
	return nil
}

// scaleSNR is the ratio of signal to noise from which on a pixel tells how the
// exposures compare, and scaleSamples the number of pixels that are asked.
const (
	scaleSNR     = 20
	scaleSamples = 1 << 16
	leastSamples = 100
)

// scaleOf is the median ratio of a frame to the first.
func scaleOf(f, first *calib.Raster) (float32, bool) {
	var ratios []float32
	step := max(1, len(f.Value)/scaleSamples)
	for i := 0; i < len(f.Value); i += step {
		if f.Flags[i]|first.Flags[i] == 0 && bright(f, i) && bright(first, i) {
			ratios = append(ratios, f.Value[i]/first.Value[i])
		}
	}
	if len(ratios) < leastSamples {
		return 0, false
	}
	return calib.Median(ratios), true
}

func bright(f *calib.Raster, i int) bool {
	v := f.Value[i]
	return v > 0 && v*v > scaleSNR*scaleSNR*f.Variance[i]
}

// order is the mean and the variance of an order statistic of normal deviates.
type order struct{ mean, variance float64 }

// lowerMedian is the order statistic of n deviates that has (n-1)/2 below it,
// by numerical integration of its density,
//
//	n!/(k! (n-1-k)!) F^k (1-F)^(n-1-k) f,  k = (n-1)/2.
func lowerMedian(n int) order {
	k := (n - 1) / 2
	a, _ := math.Lgamma(float64(n + 1))
	b, _ := math.Lgamma(float64(k + 1))
	c, _ := math.Lgamma(float64(n - k))
	const step = 1.0 / 256
	var sum, first, second float64
	for i := -8 * 256; i <= 8*256; i++ {
		z := float64(i) * step
		below, above := math.Erfc(-z/math.Sqrt2)/2, math.Erfc(z/math.Sqrt2)/2
		p := math.Exp(a-b-c+float64(k)*math.Log(below)+float64(n-1-k)*math.Log(above)-z*z/2) / math.Sqrt(2*math.Pi) * step
		sum, first, second = sum+p, first+p*z, second+p*z*z
	}
	mean := first / sum
	return order{mean, second/sum - mean*mean}
}

// repeats is a comparison under way.
type repeats struct {
	RepeatOptions
	frames       []*calib.Raster
	scale        []float32
	orders       []order // by number of deviates
	scene        []float32
	stepX, stepY int
}

// value is a frame's pixel on the common scale; not ok where it cannot be used.
func (r *repeats) value(k, i int) (v, variance float32, ok bool) {
	f := r.frames[k]
	if v = f.Value[i]; v != v || f.Flags[i]&untested != 0 {
		return 0, 0, false
	}
	return v / r.scale[k], f.Variance[i] / (r.scale[k] * r.scale[k]), true
}

// middle is the lower median of all frames at a pixel, NaN for none.
func (r *repeats) middle(i int, values []float32) float32 {
	for k := range r.frames {
		if v, _, ok := r.value(k, i); ok {
			values = append(values, v)
		}
	}
	if len(values) == 0 {
		return float32(math.NaN())
	}
	slices.Sort(values)
	return values[(len(values)-1)/2]
}

// compare tests a pixel in all frames and flags it where it was hit.
func (r *repeats) compare(i int, found []int) {
	var v, variance [MostRepeats]float32
	var has [MostRepeats]bool
	n, least, most := 0, float32(math.Inf(1)), float32(math.Inf(-1))
	for k := range r.frames {
		if v[k], variance[k], has[k] = r.value(k, i); has[k] {
			n++
			least, most = min(least, v[k]), max(most, v[k])
		}
	}
	if n < 2 || most == least {
		return
	}
	var hit [MostRepeats]bool
	for k := range r.frames {
		hit[k] = has[k] && v[k] > least && r.departs(i, k, v[:len(r.frames)], variance[:], has[:])
	}
	for k, h := range hit[:len(r.frames)] {
		if h {
			r.frames[k].Flags[i] |= calib.Hit
			found[k]++
		}
	}
}

// departs tells whether frame k's pixel is too bright for the others.
func (r *repeats) departs(i, k int, v, variance []float32, has []bool) bool {
	var others [MostRepeats]float32
	n, sum, most := 0, float32(0), float32(0)
	for j, x := range v {
		if j == k || !has[j] {
			continue
		}
		at := n
		for ; at > 0 && others[at-1] > x; at-- {
			others[at] = others[at-1]
		}
		others[at] = x
		n++
		sum += variance[j]
		most = max(most, variance[j])
	}
	o := r.orders[n]
	s2 := float64(sum) / float64(n)
	excess := float64(v[k]-others[(n-1)/2]) + o.mean*math.Sqrt(s2)
	if excess <= 0 {
		return false
	}
	own := float64(variance[k])
	per := r.PerElectron[k] / float64(r.scale[k])
	if without := max(own-per*excess, min(own, float64(most))); excess*excess > spokeSigma*spokeSigma*without {
		own = without
	}
	limit := own + o.variance*s2
	if excess*excess <= r.Sigma*r.Sigma*limit {
		return false
	}
	if r.ShiftPixels != nil {
		shift := r.ShiftPixels[k] * r.slope(i)
		limit += shift * shift
	}
	return excess*excess > r.Sigma*r.Sigma*limit
}

// slope is the steepest slope of the scene at a pixel, to any neighbour of its
// kind, per pixel.
func (r *repeats) slope(i int) float64 {
	width := r.frames[0].Width
	x, y := i%width, i/width
	steepest := float32(0)
	look := func(x, y, step int) {
		if x < 0 || y < 0 || x >= width || y >= r.frames[0].Height {
			return
		}
		if d := (r.scene[y*width+x] - r.scene[i]) / float32(step); d == d {
			steepest = max(steepest, d, -d)
		}
	}
	look(x-r.stepX, y, r.stepX)
	look(x+r.stepX, y, r.stepX)
	look(x, y-r.stepY, r.stepY)
	look(x, y+r.stepY, r.stepY)
	return float64(steepest)
}
