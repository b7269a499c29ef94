package simulate

import (
	"math"
	"math/rand/v2"

	"evenlight/configs"
)

// Ground is invented land without end, seen from straight above: patches
// of dark and bright land whose albedo depends on the wavelength, and small
// pits, lit from one side. All of it is made of Gaussians and their slopes,
// whose mean over a square has a closed form, so that a pixel's radiance is
// the exact mean over its unit square wherever the camera points.
//
// Positions are in pixels: the ground's own pixel (0, 0) is the square from 0
// to 1 along columns and rows.
type Ground struct {
	seed   uint64
	colour []float64 // by band: relative distance of its wavelength from 600 nm
	whites []float64 // by band: radiance of a white surface that faces the Sun
}

// NewGround returns the ground that the seed draws, in bands whose white
// surfaces have the given radiances. A band without a wavelength counts as 600
// nm.
func NewGround(seed uint64, bands []configs.Band, whites []float64) *Ground {
	g := &Ground{seed: seed, colour: make([]float64, len(bands)), whites: whites}
	for b := range bands {
		if nm := bands[b].WavelengthNM; nm != 0 {
			g.colour[b] = (nm - middleNM) / middleNM
		}
	}
	return g
}

// Limits of the ground's reflectance. The land itself stays within them
// nearly everywhere; few pixels are cut.
const (
	groundAlbedo    = 0.4 // mean at 600 nm
	groundDarkest   = 0.02
	groundBrightest = 0.75
)

// Window returns the radiance of every band over width x height pixels, row
// by row. The corner of the first pixel lies at (x, y) of the ground.
func (g *Ground) Window(x, y float64, width, height int) [][]float32 {
	return g.window(func(int) float64 { return x }, y, width, height)
}

// window is [Ground.Window] with a left edge of its own for every row.
func (g *Ground) window(left func(row int) float64, y float64, width, height int) [][]float32 {
	w := &groundWindow{left: left, y: y, width: width, height: height,
		shape: make([]float64, width*height), tint: make([]float64, width*height), columns: make([]float64, 2*width)}
	w.paint(g.seed, patchField(), forPatches)
	w.paint(g.seed, pitField(), forPits)
	bands := make([][]float32, len(g.colour))
	for b := range bands {
		bands[b] = w.radiance(g.colour[b], g.whites[b])
	}
	return bands
}

// field is a kind of feature, perCell of which lie in every cell of the ground.
type field struct {
	cell    int // pixels
	perCell int
	draw    func(r *rand.Rand) feature
}

// feature is a Gaussian or the lit slope of one.
type feature struct {
	x, y, size  float64 // pixels; the size is the standard deviation
	shape, tint float64 // height: relative change of the albedo, and of its colour
	pit         bool    // a slope, bright on the far side from the Sun
}

// featureReach is how far a feature goes, in sizes: a Gaussian has fallen to
// 1.5e-8 there.
const featureReach = 6

// patchMost is the size of the widest feature.
const patchMost = 50.0

func patchField() field {
	return field{cell: 256, perCell: 8, draw: func(r *rand.Rand) feature {
		return feature{size: between(r, 12, patchMost), shape: between(r, -0.22, 0.22), tint: between(r, -0.4, 0.4)}
	}}
}

func pitField() field {
	return field{cell: 64, perCell: 14, draw: func(r *rand.Rand) feature {
		return feature{size: math.Pow(between(r, 0.05, 1), -0.6), shape: between(r, 0.08, 0.3), pit: true}
	}}
}

// groundWindow is a part of the ground in the making.
type groundWindow struct {
	left          func(row int) float64
	y             float64
	width, height int
	shape, tint   []float64 // sums of the features
	columns       []float64 // a feature's means along columns, and its slope's
}

// paint adds all features of a kind, in the order of their cells.
func (w *groundWindow) paint(seed uint64, f field, p purpose) {
	least, most := w.left(0), w.left(0)
	for row := range w.height {
		least, most = min(least, w.left(row)), max(most, w.left(row))
	}
	const reach = featureReach * patchMost
	cellOf := func(at float64) int { return int(math.Floor(at / float64(f.cell))) }
	for cy := cellOf(w.y - reach); cy <= cellOf(w.y+float64(w.height)+reach); cy++ {
		for cx := cellOf(least - reach); cx <= cellOf(most+float64(w.width)+reach); cx++ {
			r := rand.New(newStream(seed, p, uint64(cx), uint64(cy)))
			for range f.perCell {
				x, y := r.Float64(), r.Float64()
				one := f.draw(r)
				one.x, one.y = float64(f.cell)*(float64(cx)+x), float64(f.cell)*(float64(cy)+y)
				w.add(&one)
			}
		}
	}
}

// The Sun's direction in the plane of the ground.
const sunX, sunY = 0.94, 0.34

func (w *groundWindow) add(f *feature) {
	reach := featureReach * f.size
	top := max(0, int(math.Floor(f.y-reach-w.y)))
	bottom := min(w.height, int(math.Ceil(f.y+reach-w.y)))
	first, last, left := 0, 0, math.NaN()
	for row := top; row < bottom; row++ {
		if l := w.left(row); l != left {
			left = l
			first = max(0, int(math.Floor(f.x-reach-left)))
			last = min(w.width, int(math.Ceil(f.x+reach-left)))
			for x := first; x < last; x++ {
				w.columns[x] = f.meanBell(left + float64(x) - f.x)
				w.columns[w.width+x] = f.meanSlope(left + float64(x) - f.x)
			}
		}
		if first >= last {
			continue
		}
		from := w.y + float64(row) - f.y
		w.addRow(f, row, first, w.columns[first:last], w.columns[w.width+first:w.width+last], f.meanBell(from), f.meanSlope(from))
	}
}

// addRow adds a feature to one row, given its means along columns and the
// row's own.
func (w *groundWindow) addRow(f *feature, row, first int, bell, slope []float64, rowBell, rowSlope float64) {
	shape := w.shape[row*w.width+first:][:len(bell)]
	if f.pit {
		alongX, alongY := f.shape*sunX*rowBell, f.shape*sunY*rowSlope
		for i := range shape {
			shape[i] += alongX*slope[i] + alongY*bell[i]
		}
		return
	}
	tint := w.tint[row*w.width+first:][:len(bell)]
	for i := range shape {
		shape[i] += f.shape * rowBell * bell[i]
		tint[i] += f.tint * rowBell * bell[i]
	}
}

// meanBell is the mean of exp(-u^2/2s^2) from u = from to from + 1.
func (f *feature) meanBell(from float64) float64 {
	scale := f.size * math.Sqrt2
	return f.size * math.Sqrt(math.Pi/2) * (math.Erf((from+1)/scale) - math.Erf(from/scale))
}

// meanSlope is the mean of sqrt(e) u/s exp(-u^2/2s^2), whose peaks are 1 high,
// from u = from to from + 1.
func (f *feature) meanSlope(from float64) float64 {
	fall := func(u float64) float64 { return math.Exp(-u * u / (2 * f.size * f.size)) }
	return math.Sqrt(math.E) * f.size * (fall(from) - fall(from+1))
}

// radiance is what a band sees.
func (w *groundWindow) radiance(colour, white float64) []float32 {
	out := make([]float32, len(w.shape))
	albedo := groundAlbedo * (1 + 0.3*colour)
	for i := range out {
		reflectance := albedo * (1 + w.shape[i] + colour*w.tint[i])
		out[i] = float32(white * min(max(reflectance, groundDarkest), groundBrightest))
	}
	return out
}
