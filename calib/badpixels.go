package calib

import (
	"math"
	"slices"
)

// BadPixelLimits are the limits by which pixels are called bad.
type BadPixelLimits struct {
	HotEPerS          float64 // dark current at T0
	UnstableSigma     float64 // scatter over the darks, in sigmas of a chi-square of the same freedom
	DeadBelow         float64 // response relative to the surroundings
	LowBelow          float64
	NonlinearFraction float64 // departure from the amplifier's curve
}

// responseReach is the reach of the window whose median a pixel's response is
// compared with: wide enough that a dead column does not pass as normal.
const responseReach = 3 // less than blockSide

// leastResponse is the response, relative to the mean of the flat, below which
// surroundings are themselves without response: a dead patch wider than the
// window is then not measured by itself.
const leastResponse = 0.1

// steadyShare is the share of a pixel's dark samples that has to agree: a
// telegraph pixel that is seldom in its other state has more outliers than
// cosmic rays explain.
const steadyShare = 0.85

// MarkDark sets Hot and Unstable from the dark master of a number of frames:
// value in e-/s at T0, scatter the reduced chi-square of its kept samples and
// samples their number. A pixel is unstable where the scatter exceeds 1 by
// more than UnstableSigma standard deviations of a reduced chi-square,
// sqrt(2/(n-1)), or where too many samples were left out; a single one is
// never too many.
func MarkDark(mask []Flags, value, scatter []float32, samples []int32, frames int, lim BadPixelLimits) {
	for i, d := range value {
		if !(float64(d) <= lim.HotEPerS) { // NaN counts as hot: it saturated in every dark
			mask[i] |= Hot
		}
		if n := samples[i]; n > 1 && float64(scatter[i]) > 1+lim.UnstableSigma*math.Sqrt(2/float64(n-1)) {
			mask[i] |= Unstable
		}
		if n := int(samples[i]); n < frames-1 && float64(n) < steadyShare*float64(frames) && mask[i]&Hot == 0 {
			mask[i] |= Unstable
		}
	}
}

// MarkFlat sets Dead and Low from one band's flat: a pixel's response is
// taken relative to the median of the 7 x 7 pixels around it, so vignetting
// and dust do not count. No median is above the largest value around, so a
// pixel that is good by that is good, and nearly all are.
func MarkFlat(mask []Flags, flat *Plane, lim BadPixelLimits) {
	height := len(flat.Value) / flat.Width
	window := make([]float32, 0, (2*responseReach+1)*(2*responseReach+1))
	most := newBlockMaxima(flat, height)
	low, dead := float32(lim.LowBelow), float32(lim.DeadBelow)
	for y := range height {
		for x := range flat.Width {
			i := y*flat.Width + x
			f := flat.Value[i]
			if m := most.around(x, y); f >= low*m && f > dead*max(m, leastResponse) {
				continue
			}
			window = around(window[:0], flat, x, y, height)
			local := Median(window)
			switch {
			case !(f > dead*max(local, leastResponse)):
				mask[i] |= Dead
			case f < low*local:
				mask[i] |= Low
			}
		}
	}
}

// blockSide is the side of the blocks of blockMaxima; the blocks about a
// pixel's own cover its window.
const blockSide = 4

// blockMaxima holds the largest values of blocks of pixels and their
// neighbours.
type blockMaxima struct {
	columns int
	around3 []float32 // of a block and the 8 around it
}

func newBlockMaxima(p *Plane, height int) *blockMaxima {
	columns, rows := (p.Width+blockSide-1)/blockSide, (height+blockSide-1)/blockSide
	lowest := float32(math.Inf(-1))
	own := slices.Repeat([]float32{lowest}, columns*rows)
	for y := range height {
		blocks := own[y/blockSide*columns:][:columns]
		for x, v := range p.Value[y*p.Width : (y+1)*p.Width] {
			if v > blocks[x/blockSide] { // NaN is not
				blocks[x/blockSide] = v
			}
		}
	}
	b := &blockMaxima{columns, slices.Repeat([]float32{lowest}, columns*rows)}
	for r := range rows {
		for c := range columns {
			for i := max(0, r-1); i < min(rows, r+2); i++ {
				for _, v := range own[i*columns+max(0, c-1) : i*columns+min(columns, c+2)] {
					b.around3[r*columns+c] = max(b.around3[r*columns+c], v)
				}
			}
		}
	}
	return b
}

// around is not below any value in the window about (x, y).
func (b *blockMaxima) around(x, y int) float32 {
	return b.around3[y/blockSide*b.columns+x/blockSide]
}

// around collects the finite values in the window about (x, y).
func around(window []float32, p *Plane, x, y, height int) []float32 {
	for j := max(0, y-responseReach); j < min(height, y+responseReach+1); j++ {
		row := p.Value[j*p.Width : (j+1)*p.Width]
		for _, v := range row[max(0, x-responseReach):min(p.Width, x+responseReach+1)] {
			if v == v {
				window = append(window, v)
			}
		}
	}
	return window
}

// MarkDeparture sets Nonlinear where a pixel departs from its amplifier's
// curve by more than the limit and by more than five times its uncertainty.
func MarkDeparture(mask []Flags, departure, uncertainty []float32, lim BadPixelLimits) {
	for i, d := range departure {
		if d < 0 {
			d = -d
		}
		if d > float32(lim.NonlinearFraction) && d > 5*uncertainty[i] {
			mask[i] |= Nonlinear
		}
	}
}
