package hits

import (
	"fmt"
	"math"
	"strconv"

	"evenlight/calib"
)

// Options says how hits are told in single frames.
type Options struct {
	// Sigma is the significance S from which on a pixel stands out.
	Sigma float64
	// SharpSigma is the sharpness D from which on it is no image.
	SharpSigma float64
	// GrowSigma is the significance that is asked beside a hit.
	GrowSigma float64
	// FWHMPixels is the full width at half maximum of the sharpest image of a
	// point, pixels, the pixel's own width included.
	FWHMPixels float64
	// Colour is the least share, 0 to 1, that the contrast of a coloured
	// target has in another colour of a mosaic, in grey units.
	Colour float64

	// PerElectron turns electrons into the frame's unit: for each band of Map,
	// or one. RowFactor multiplies it in each image row; nil: 1 for all.
	PerElectron []float64
	RowFactor   []float32
	// Grey is what a grey target gives in each band of a mosaic, in any
	// common unit; nil: the same in all.
	Grey []float64
	Map  *calib.BandMap // nil: all pixels are alike
}

// growRounds is how often the neighbours of hits are looked at.
const growRounds = 3

// growSharpSigma is the sharpness that is asked beside a hit.
const growSharpSigma = 1

// Name is what the pass is called in records.
const Name = "hits"

// Detector finds hits in single frames, as a pass over blocks of rows. Its
// flags do not depend on how the frame was cut.
type Detector struct {
	opt Options
	// ratio is r of the package comment, slantRatio that along diagonals.
	ratio, slantRatio float32
	stepX, stepY      int // to the next like pixel
	asideX, asideY    int // to where the background is taken
	mosaic            bool
	perElectron       []float32
	inverseGrey       []float32
}

// NewDetector prepares the detection in frames of one kind.
func NewDetector(opt Options) (*Detector, error) {
	bands := 1
	if opt.Map != nil {
		bands = opt.Map.Bands
	}
	switch {
	case !(opt.Sigma >= 3):
		return nil, fmt.Errorf("the limit of significance is %g sigma: give 3 or more", opt.Sigma)
	case !(opt.SharpSigma >= 0):
		return nil, fmt.Errorf("the limit of sharpness is %g sigma: give 0 or more", opt.SharpSigma)
	case !(opt.GrowSigma >= 1):
		return nil, fmt.Errorf("the limit beside hits is %g sigma: give 1 or more", opt.GrowSigma)
	case !(opt.FWHMPixels >= 1 && opt.FWHMPixels <= 100):
		return nil, fmt.Errorf("the width of a point is %g pixels: give 1 to 100", opt.FWHMPixels)
	case !(opt.Colour > 0 && opt.Colour <= 1):
		return nil, fmt.Errorf("the least contrast in another colour is %g: give more than 0, and 1 at most", opt.Colour)
	case len(opt.PerElectron) != bands:
		return nil, fmt.Errorf("%d units per electron for %d bands: give one for each", len(opt.PerElectron), bands)
	case opt.Grey != nil && len(opt.Grey) != bands:
		return nil, fmt.Errorf("%d grey levels for %d bands: give one for each", len(opt.Grey), bands)
	}
	d := &Detector{opt: opt, stepX: 1, stepY: 1}
	straight, slant := SharpestRatios(opt.FWHMPixels)
	d.ratio, d.slantRatio = float32(straight), float32(slant)
	if m := opt.Map; m != nil {
		d.stepX, d.stepY = m.PeriodX, m.PeriodY
		d.mosaic = m.PeriodX > 1 || m.PeriodY > 1
	}
	d.asideX, d.asideY = max(2, d.stepX), max(2, d.stepY)
	for b := range bands {
		d.perElectron = append(d.perElectron, float32(opt.PerElectron[b]))
		grey := 1.0
		if opt.Grey != nil {
			grey = opt.Grey[b]
		}
		d.inverseGrey = append(d.inverseGrey, float32(1/grey))
	}
	return d, nil
}

// Name implements calib.Pass.
func (*Detector) Name() string { return Name }

// Settings implements calib.Pass.
func (d *Detector) Settings() []calib.Setting {
	number := func(v float64) string { return strconv.FormatFloat(v, 'g', -1, 64) }
	out := []calib.Setting{
		{Name: "sigma", Value: number(d.opt.Sigma)}, {Name: "sharp_sigma", Value: number(d.opt.SharpSigma)},
		{Name: "grow_sigma", Value: number(d.opt.GrowSigma)}, {Name: "point_fwhm_pixels", Value: number(d.opt.FWHMPixels)},
	}
	if d.mosaic {
		out = append(out, calib.Setting{Name: "colour", Value: number(d.opt.Colour)})
	}
	return out
}

// reach is the number of rows around a pixel that one test of it reads.
func (d *Detector) reach() int {
	if d.mosaic {
		// The background of a pixel across a hit beside.
		return max(d.asideY+2, 2*d.stepY)
	}
	return max(d.asideY, 2*d.stepY)
}

// Halo implements calib.Pass.
func (d *Detector) Halo() int { return (1 + growRounds) * d.reach() }

// Worker implements calib.Pass.
func (d *Detector) Worker() calib.PassWorker { return &worker{Detector: d} }

// worker is a detector with the working memory of one goroutine.
type worker struct {
	*Detector
	b *calib.Block
	// v is the block's values, NaN where a pixel cannot be used or was found
	// to be hit.
	v     []float32
	found []int32 // pixels of the block, in the order in which they were found
	fresh []int32 // those of this round
}

// unusable pixels are neither tested nor compared with.
const unusable = calib.Unusable | calib.BadPixel | calib.Mark | calib.Interpolated | calib.Filled

// untested pixels are compared with only: charge that has spilled over is as
// sharp as a hit.
const untested = unusable | calib.NearSaturated

// Apply implements calib.PassWorker: it sets the flag Hit.
func (w *worker) Apply(b *calib.Block, y0, y1 int) {
	w.b, w.found = b, w.found[:0]
	w.load()
	margin := growRounds * w.reach()
	for y := max(0, y0-margin); y < min(b.ImageRows, y1+margin); y++ {
		w.searchRow(y)
	}
	w.settle(0)
	from := 0
	for range growRounds {
		margin -= w.reach()
		next := len(w.found)
		w.grow(from, max(0, y0-margin), min(b.ImageRows, y1+margin))
		w.settle(next)
		from = next
	}
	first, last := int32(b.At(y0)), int32(b.At(y1))
	for _, i := range w.found {
		if i >= first && i < last {
			b.Flags[i] |= calib.Hit
		}
	}
}

// load makes the values that may be used.
func (w *worker) load() {
	b := w.b
	if cap(w.v) < len(b.Value) {
		w.v = make([]float32, len(b.Value))
	}
	w.v = w.v[:len(b.Value)]
	nan := float32(math.NaN())
	fl, v := b.Flags[:len(w.v)], b.Value[:len(w.v)]
	for i := range w.v {
		w.v[i] = v[i]
		if fl[i]&unusable != 0 {
			w.v[i] = nan
		}
	}
	if w.opt.Map == nil {
		return
	}
	for y := b.Top; y < b.Top+b.Height; y++ {
		at := b.At(y)
		for x, band := range w.opt.Map.Row(y) {
			if band == calib.NoBand {
				w.v[at+x] = nan
			}
		}
	}
}

// settle takes the pixels that were found from number from on out of use.
func (w *worker) settle(from int) {
	for _, i := range w.found[from:] {
		w.v[i] = float32(math.NaN())
	}
}
