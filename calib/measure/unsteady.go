package measure

import (
	"fmt"

	"evenlight/calib"
	"gonum.org/v1/gonum/stat/distuv"
)

// Unsteady is the streaming statistic of pixels that jump between levels
// (telegraph-like) over frames of equal exposure and temperature. It holds
// five planes, whatever the number of frames. Different pixels may be added at
// once.
//
// Hits, which are rare and always upwards, must not make a pixel unsteady. So
// the two highest samples of each pixel stay out of the sums of v and v^2,
// which are taken as seen from the lower of the first two samples: a hit costs
// them no digits.
type Unsteady struct {
	from, sum, square, highest, second []float32
}

// unsteadyBlock is the number of pixels whose planes stay in the cache while
// several frames are added.
const unsteadyBlock = 1024

// NewUnsteady makes the statistic of so many pixels.
func NewUnsteady(pixels int) *Unsteady {
	plane := func() []float32 { return make([]float32, pixels) }
	return &Unsteady{plane(), plane(), plane(), plane(), plane()}
}

// Add takes the pixels from first on of some frames, DN above offset, one row
// a frame. before is the number of frames that these pixels have had; the
// first call for them must bring two frames or more. A pixel that is NaN in
// any frame is not judged.
func (u *Unsteady) Add(before, first int, rows [][]float32) {
	for x := 0; x < len(rows[0]); x += unsteadyBlock {
		end := min(x+unsteadyBlock, len(rows[0]))
		if before == 0 {
			u.start(first+x, rows[0][x:end], rows[1][x:end])
		}
		for f, row := range rows {
			if before == 0 && f < 2 {
				continue
			}
			u.add(first+x, row[x:end])
		}
	}
}

// start takes a run of pixels of the first two frames.
func (u *Unsteady) start(first int, a, b []float32) {
	for x, v := range a {
		i := first + x
		low := min(v, b[x])
		u.from[i], u.highest[i], u.second[i] = low, max(v, b[x])-low, 0
		u.sum[i], u.square[i] = 0, 0
	}
}

// add takes a run of pixels of one frame: what is no more among the two
// highest goes into the sums.
func (u *Unsteady) add(first int, row []float32) {
	n := len(row)
	from, sum, square := u.from[first:first+n], u.sum[first:first+n], u.square[first:first+n]
	highest, second := u.highest[first:first+n], u.second[first:first+n]
	for x, v := range row {
		d, h, s := v-from[x], highest[x], second[x]
		highest[x] = max(h, d)
		second[x] = max(s, min(h, d))
		low := min(s, d)
		sum[x] += low
		square[x] += low * low
	}
}

// PixelNoise is the temporal variance of a pixel at level v above offset, DN^2:
// FloorDN2 + PerDN v, with PerDN = 1/g from photon transfer.
type PixelNoise struct{ FloorDN2, PerDN float64 }

// leastUnsteady is the number of frames with which two levels can be told from
// a hit.
const leastUnsteady = 4

// manyFrames is the number of frames from which two hits on one pixel are
// allowed for.
const manyFrames = 8

// Mark sets [calib.Unstable] where the samples of a pixel scatter more than
// noise does, and returns the number of these pixels. Of K frames the highest
// sample, of 8 and more the two highest, are left out, and
//
//	sum (v - mean)^2 > variance * chi^2_{K-1}(1 - alarm)
//
// is asked for. Leaving a sample out never adds to the sum, so that a steady
// pixel of normal noise is marked with the probability alarm at most; a
// pixel that was hit more often than that is marked, too.
func (u *Unsteady) Mark(mask []calib.Flags, frames int, noise PixelNoise, alarm float64) (int, error) {
	if frames < leastUnsteady {
		return 0, fmt.Errorf("unstable pixels: %d frames are too few to tell jumps from hits: take %d or more of equal exposure", frames, leastUnsteady)
	}
	limit := distuv.ChiSquared{K: float64(frames - 1)}.Quantile(1 - alarm)
	marked := 0
	for i := range u.sum {
		n, sum, square := float64(frames-2), float64(u.sum[i]), float64(u.square[i])
		if frames < manyFrames {
			second := float64(u.second[i])
			n, sum, square = n+1, sum+second, square+second*second
		}
		level := float64(u.from[i]) + sum/n
		variance := noise.FloorDN2 + noise.PerDN*max(level, 0)
		if square-sum*sum/n > limit*variance {
			mask[i] |= calib.Unstable
			marked++
		}
	}
	return marked, nil
}
