package align

import (
	"errors"
	"fmt"
	"math"

	"evenlight/calib"
)

// The ways in which two images cannot be aligned; [errors.Is] tells them.
var (
	// ErrSize: the images differ in size, or are too small.
	ErrSize = errors.New("images cannot be compared")
	// ErrTexture: nothing stands out of the noise by which to align.
	ErrTexture = errors.New("no texture to align on")
	// ErrBeyond: the images fit best at a displacement beyond the limit.
	ErrBeyond = errors.New("displacement beyond the limit")
	// ErrDisagree: the parts of the scene do not agree on a displacement.
	ErrDisagree = errors.New("the parts of the scene disagree")
)

// Options steer [Find], [FindAll] and [FindLocal]. The zero value is usable.
type Options struct {
	// MaxShift is the largest displacement looked for, px along either axis;
	// 0 and anything larger than half of the side mean a quarter of the side.
	MaxShift float64
	// FalseAlarm is the probability with which images without common texture
	// may pass for aligned; 0 means 1e-4.
	FalseAlarm float64
	// Allow holds flags with which a pixel is used nevertheless. A pixel with
	// another flag is left out, except for Interpolated.
	Allow calib.Flags
	// Workers is the number of processors to use; 0 means 1. The result does
	// not depend on it.
	Workers int
}

// Shift is the displacement of an image relative to a reference.
type Shift struct {
	DX, DY float64 // px
	// SigmaX and SigmaY are standard uncertainties, px, and Correlation is
	// the correlation coefficient of the two errors.
	SigmaX, SigmaY, Correlation float64
	// Peak is the height of the phase correlation at its maximum, in standard
	// deviations of the correlation surface.
	Peak float64
	// Agree is the share of the tiles with texture that agree with the
	// displacement; the others were left out.
	Agree float64
	// Scatter is the scatter of the tiles about the displacement, in units of
	// what their noise explains. Above 1 the bands differ by more than noise,
	// or the displacement is not the same everywhere; the standard
	// uncertainties are then larger by this factor, or more where the tiles
	// with the most contrast fit worse than the rest.
	Scatter float64
	// Gain is the contrast of the image relative to that of the reference.
	Gain float64
	// Scale is the width (standard deviation, px) of the smoothing at which
	// the displacement is known best: 1, 2 or 4.
	Scale int
	// Cell is the side, px, of the squares in each of which contrast and
	// offset are free and with which the displacement is known best: a
	// power of two from 4 to 64. Small ones tell of coloured ground.
	Cell int
}

// leastSide is the smallest width and height that can be aligned, px.
const leastSide = 32

// defaultFalseAlarm is the default of Options.FalseAlarm.
const defaultFalseAlarm = 1e-4

// limits returns the largest displacement looked for along each axis.
func (o Options) limits(width, height int) (x, y float64) {
	limit := func(side int) float64 {
		if o.MaxShift <= 0 || o.MaxShift > float64(side)/2 {
			return float64(side) / 4
		}
		return o.MaxShift
	}
	return limit(width), limit(height)
}

func (o Options) falseAlarm() float64 {
	if o.FalseAlarm <= 0 {
		return defaultFalseAlarm
	}
	return o.FalseAlarm
}

// Find returns the displacement of b relative to a, two images of one size,
// at least 32 px wide and high.
//
// To about a pixel it is found by phase correlation (Kuglin & Hines 1975) of
// the images, binned to at most two million pixels. Each pixel is compared with
// its surroundings first, so that no bright part outweighs the rest; pixels
// that are not good take the local mean. A Tukey window keeps the edges from
// correlating, and sides are padded with zeros to lengths that the transform
// likes. The cross spectrum is divided by the square root of its modulus: the
// full modulus would weigh up frequencies that hold only noise. The peak must
// stand out of the surface, with the false-alarm probability of the options
// shared among the displacements looked at.
//
// Then it is refined by least squares on intensity (Lucas & Kanade 1981, with
// the gradient of the reference as in Baker & Matthews 2004), from coarse to
// fine with both images smoothed by a Gaussian of 4, 2 and 1 px as far as the
// uncertainty goes down. The Gaussian is sampled at the displaced place, which
// displaces the band-limited image exactly, so there is no interpolation that
// would pull towards whole or half pixels. Tiles of at most 64 px that depart
// from the common displacement by four times the scatter are left out: something
// moved there.
//
// Contrast and offset are free within each tile. Bands of coloured ground
// differ in both from place to place, and where these change within a tile,
// the change looks like a displacement, of the same sign for all tiles across
// a patch of colour. So contrast and offset are free in squares of half the
// side, a quarter and so on, down to four times the smoothing, if these lessen
// the uncertainty by a tenth or more, or, where tiles scatter by more than
// their noise, raise it by less than a fifth. On ground without colour they do
// neither.
//
// The uncertainty is that of the estimator for independent noise of the
// images' variances. For a texture that the smoothing leaves as it is, it is
// the bound of Cramér and Rao, sigma^2 / sum of squared gradients with
// sigma^2 the variance of b plus that of a at equal contrast; for fine texture
// it is larger, about twice where the gradient's power is even up to 0.4 cycles
// per pixel. Where tiles scatter by more than their noise it is raised, by
// their scatter or to what follows from their residuals (White 1980), whichever
// is larger. It is too large by up to 1.5 where one pixel in ten is bad, and by
// up to 1.25 where the squares are the smallest.
//
// A pattern that stays with the detector, such as the rest of a flat field, is
// texture too, with the displacement zero. Images of less than 64 px need a
// good part of their texture in common: they align to about an eighth of the
// side.
func Find(a, b *calib.Raster, opt Options) (Shift, error) {
	shifts, errs := FindAll(a, []*calib.Raster{b}, opt)
	return shifts[0], errs[0]
}

// FindAll returns the displacement of each of the others relative to ref, as
// [Find] does. The reference is prepared once. Where an error is not nil, its
// shift is to be ignored.
func FindAll(ref *calib.Raster, others []*calib.Raster, opt Options) ([]Shift, []error) {
	shifts, errs := make([]Shift, len(others)), make([]error, len(others))
	var r *reference
	for i, b := range others {
		if errs[i] = comparable(ref, b); errs[i] != nil {
			continue
		}
		if r == nil {
			r = newReference(ref, opt)
		}
		shifts[i], errs[i] = r.find(b)
	}
	return shifts, errs
}

// comparable tells why two images cannot be compared at all.
func comparable(a, b *calib.Raster) error {
	switch {
	case a == nil || b == nil:
		return fmt.Errorf("%w: one of them is absent; give both", ErrSize)
	case a.Width != b.Width || a.Height != b.Height:
		return fmt.Errorf("%w: the reference has %d x %d pixels, the other %d x %d; cut both to the same part of the detector",
			ErrSize, a.Width, a.Height, b.Width, b.Height)
	case a.Width < leastSide || a.Height < leastSide:
		return fmt.Errorf("%w: %d x %d pixels are too few; give at least %d x %d",
			ErrSize, a.Width, a.Height, leastSide, leastSide)
	}
	return nil
}

// reference is an image made ready for others to be compared with it.
type reference struct {
	opt    Options
	coarse *correlator
	image  *prepared
	fields map[int]*fields // by scale, made when first needed
}

func newReference(a *calib.Raster, opt Options) *reference {
	p := prepare(a, opt)
	return &reference{opt: opt, coarse: newCorrelator(p, opt), image: p, fields: map[int]*fields{}}
}

// find returns the displacement of b.
func (r *reference) find(b *calib.Raster) (Shift, error) {
	p := prepare(b, r.opt)
	peak, err := r.coarse.correlate(p)
	if err != nil {
		return Shift{}, err
	}
	s, err := r.refine(p, peak)
	if err != nil {
		return Shift{}, err
	}
	limitX, limitY := r.opt.limits(p.width, p.height)
	if math.Abs(s.DX) > limitX || math.Abs(s.DY) > limitY {
		return Shift{}, beyond(s.DX, s.DY, limitX, limitY)
	}
	s.Peak = peak.height
	return s, nil
}

func beyond(dx, dy, limitX, limitY float64) error {
	return fmt.Errorf("%w: the images fit best at %.1f, %.1f px, and the limit is %.1f, %.1f px; raise MaxShift (up to half of the side) or give images that overlap more",
		ErrBeyond, dx, dy, limitX, limitY)
}
