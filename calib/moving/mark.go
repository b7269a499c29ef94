package moving

import (
	"math"

	"evenlight/calib"
)

// markReach is the radius, in units of a mover's sigma, within which it is
// marked; 3 % of the peak is left there.
const markReach = 2.65

// Mark sets calib.Moved, in all bands alike, where the disagreement exceeds
// its threshold and where a mover is in any of the bands, grown by GrowPx. It
// changes nothing but the flags. d and movers may be nil. It returns the
// number of pixels that are marked in each band.
//
// Errors: ErrBands (also where the map has another size), ErrOption.
func Mark(bands []*calib.Raster, d *Disagreement, movers []Mover, opt Options) (int, error) {
	opt, err := opt.withDefaults()
	if err != nil {
		return 0, err
	}
	if err := checkBands(bands); err != nil {
		return 0, err
	}
	width, height := bands[0].Width, bands[0].Height
	mask := make([]bool, width*height)
	if d != nil {
		if err := checkBands([]*calib.Raster{bands[0], d.Map}); err != nil {
			return 0, err
		}
		for i, v := range d.Map.Value {
			mask[i] = float64(v) > d.BeyondSigma
		}
		mask = grown(mask, width, height, opt.GrowPx)
	}
	for i := range movers {
		for _, p := range movers[i].Positions {
			markDisc(mask, width, height, p, markReach*movers[i].SizePx+float64(opt.GrowPx))
		}
	}
	count := 0
	for i, m := range mask {
		if !m {
			continue
		}
		count++
		for _, r := range bands {
			r.Flags[i] |= calib.Moved
		}
	}
	return count, nil
}

// grown returns the mask with every pixel within px rows and columns of one
// that is set.
func grown(mask []bool, width, height, px int) []bool {
	across, out := make([]bool, len(mask)), make([]bool, len(mask))
	for i, m := range mask {
		if !m {
			continue
		}
		y, x := i/width, i%width
		for k := max(0, x-px); k <= min(width-1, x+px); k++ {
			across[y*width+k] = true
		}
	}
	for i, m := range across {
		if !m {
			continue
		}
		y, x := i/width, i%width
		for k := max(0, y-px); k <= min(height-1, y+px); k++ {
			out[k*width+x] = true
		}
	}
	return out
}

func markDisc(mask []bool, width, height int, p Position, radius float64) {
	for y := max(0, int(math.Ceil(p.Y-radius))); y <= min(height-1, int(p.Y+radius)); y++ {
		half := math.Sqrt(max(0, radius*radius-(float64(y)-p.Y)*(float64(y)-p.Y)))
		for x := max(0, int(math.Ceil(p.X-half))); x <= min(width-1, int(p.X+half)); x++ {
			mask[y*width+x] = true
		}
	}
}
