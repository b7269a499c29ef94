package moving

import (
	"errors"
	"fmt"
	"math"

	"evenlight/calib"
)

// Errors that callers may want to tell apart.
var (
	// ErrBands says that the bands cannot be compared: fewer than two, or
	// unlike sizes.
	ErrBands = errors.New("bands cannot be compared")
	// ErrNoOverlap says that hardly any pixel is usable in two bands.
	ErrNoOverlap = errors.New("no usable overlap of the bands")
	// ErrTimes says that the times do not belong to the bands.
	ErrTimes = errors.New("times do not fit the bands")
	// ErrOption says that an option is out of its range.
	ErrOption = errors.New("option out of range")
)

// skipped holds the flags with which a pixel is left out: all but those that
// say nothing against its value.
const skipped = ^(calib.Interpolated | calib.Moved)

// leastOverlap is the number of pixels, usable in two bands or more, below
// which there is nothing to compare.
const leastOverlap = 256

// Options steers the comparison. The zero value of a field stands for the
// default.
type Options struct {
	// AlignSigmaPx is the standard uncertainty of the alignment of a band,
	// along x and along y. Default 0.1. A shift common to a whole band is
	// measured, within this uncertainty, and taken out.
	AlignSigmaPx float64
	// WindowPx is half the width of the square over which Compare takes the
	// colour of the ground to be smooth. Default 16, at least 8. Things that
	// are larger are followed by the colour and do not show in the map. Find
	// measures the shifts of the bands with it.
	WindowPx int
	// BeyondSigma is the threshold of the map's figures and of Mark.
	// Default 5.
	BeyondSigma float64
	// MaxShiftPx is the longest way of a mover between two bands that follow
	// one another in time. Default 45.
	MaxShiftPx float64
	// MinShiftPx is the shortest way, between any two bands, that counts as
	// motion. Default: the larger of 0.5 and five times AlignSigmaPx.
	MinShiftPx float64
	// MaxSizePx is the sigma of the largest mover that is looked for.
	// Default 15; the smallest has a sigma of about 2.
	MaxSizePx float64
	// MinSigma is the least significance of a mover. Default 8.
	MinSigma float64
	// MetrePerPx is the scale on the ground; 0 where it is not known.
	MetrePerPx float64
	// GrowPx is the margin that Mark puts around what moved. Default 2.
	GrowPx int
}

// withDefaults returns the options with every default filled in.
func (o Options) withDefaults() (Options, error) {
	setDefault(&o.AlignSigmaPx, 0.1)
	setDefault(&o.BeyondSigma, 5)
	setDefault(&o.MaxShiftPx, 45)
	setDefault(&o.MinShiftPx, max(0.5, 5*o.AlignSigmaPx))
	setDefault(&o.MaxSizePx, 15)
	setDefault(&o.MinSigma, 8)
	if o.WindowPx == 0 {
		o.WindowPx = 16
	}
	if o.GrowPx == 0 {
		o.GrowPx = 2
	}
	return o, o.check()
}

func setDefault(field *float64, value float64) {
	if *field == 0 {
		*field = value
	}
}

// check refuses options that have no meaning.
func (o Options) check() error {
	for _, c := range []struct {
		name       string
		value      float64
		least, top float64
	}{
		{"AlignSigmaPx", o.AlignSigmaPx, 0, 2},
		{"WindowPx", float64(o.WindowPx), 8, 1 << 12},
		{"BeyondSigma", o.BeyondSigma, 1, 30},
		{"MaxShiftPx", o.MaxShiftPx, 1, 500},
		{"MinShiftPx", o.MinShiftPx, 0, 500},
		{"MaxSizePx", o.MaxSizePx, 3, 200},
		{"MinSigma", o.MinSigma, 3, 1000},
		{"MetrePerPx", o.MetrePerPx, 0, math.MaxFloat64},
		{"GrowPx", float64(o.GrowPx), 0, 1 << 12},
	} {
		if !(c.value >= c.least && c.value <= c.top) {
			return fmt.Errorf("%w: %s is %g; give a value from %g to %g", ErrOption, c.name, c.value, c.least, c.top)
		}
	}
	return nil
}

// checkBands refuses bands that cannot be compared.
func checkBands(bands []*calib.Raster) error {
	if len(bands) < 2 {
		return fmt.Errorf("%w: %d band given; motion shows only between two or more", ErrBands, len(bands))
	}
	first := bands[0]
	for b, r := range bands {
		if r == nil {
			return fmt.Errorf("%w: band %d of %d is absent; leave it out", ErrBands, b+1, len(bands))
		}
		if r.Width != first.Width || r.Height != first.Height {
			return fmt.Errorf("%w: band 1 has %dx%d pixels but band %d has %dx%d; align them on one grid first",
				ErrBands, first.Width, first.Height, b+1, r.Width, r.Height)
		}
		n := r.Width * r.Height
		if len(r.Value) != n || len(r.Variance) != n || len(r.Flags) != n {
			return fmt.Errorf("%w: band %d has %d values, %d variances and %d flags for %dx%d pixels; fill all three planes",
				ErrBands, b+1, len(r.Value), len(r.Variance), len(r.Flags), r.Width, r.Height)
		}
	}
	return nil
}

// checkTimes refuses times that do not belong to the bands. No times at all
// are allowed.
func checkTimes(times []float64, bands int) error {
	if len(times) != 0 && len(times) != bands {
		return fmt.Errorf("%w: %d times for %d bands; give one each, or none", ErrTimes, len(times), bands)
	}
	for b, t := range times {
		if math.IsNaN(t) || math.IsInf(t, 0) {
			return fmt.Errorf("%w: the time of band %d is %g; give seconds, or no times at all", ErrTimes, b+1, t)
		}
	}
	return nil
}
