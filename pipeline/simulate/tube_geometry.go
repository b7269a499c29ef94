package simulate

import (
	"fmt"
	"math"
	"math/rand/v2"
)

// Distortion says where a tube puts the light of a place: a polynomial from
// true to raw coordinates,
//
//	raw = true + sum_k (DX_k, DY_k) u^i_k v^j_k,  u = (column-MiddleX)/HalfX,  v = (row-MiddleY)/HalfY
//
// Coordinates count raw pixels from 1, whole numbers at the middle of pixels;
// true ones are those of an undistorted picture. Over the image u and v go
// from -1 to 1.
type Distortion struct {
	Order   int     `json:"order"`
	MiddleX float64 `json:"middle_column"`
	MiddleY float64 `json:"middle_row"`
	HalfX   float64 `json:"half_width"`
	HalfY   float64 `json:"half_height"`
	// Terms are ordered by rising i+j and, within it, by rising j: 1, u, v,
	// u^2, uv, v^2, ...
	Terms []DistortionTerm `json:"terms"`

	dx, dy []float64
}

// DistortionTerm is what one product of powers adds, in pixels.
type DistortionTerm struct {
	PowerU int     `json:"power_u"`
	PowerV int     `json:"power_v"`
	DX     float64 `json:"dx"`
	DY     float64 `json:"dy"`
}

// TubeMark is a reference mark: a disc that lets little light through.
type TubeMark struct {
	Column    float64 `json:"column"` // true place
	Row       float64 `json:"row"`
	RawColumn float64 `json:"raw_column"` // where the raw frame shows it
	RawRow    float64 `json:"raw_row"`
}

// place is a point in pixel coordinates.
type place struct{ x, y float64 }

// termCount is the number of products u^i v^j with i+j up to order.
func termCount(order int) int { return (order + 1) * (order + 2) / 2 }

// polynomialAt adds up terms, of third order at most, that are ordered as
// those of a Distortion.
func polynomialAt(terms []float64, u, v float64) float64 {
	powersU, powersV := [4]float64{1, u, u * u, u * u * u}, [4]float64{1, v, v * v, v * v * v}
	var sum float64
	k := 0
	for order := 0; k < len(terms); order++ {
		for j := 0; j <= order; j++ {
			sum += terms[k] * powersU[order-j] * powersV[j]
			k++
		}
	}
	return sum
}

func (d *Distortion) unit(x, y float64) (u, v float64) {
	return (x - d.MiddleX) / d.HalfX, (y - d.MiddleY) / d.HalfY
}

// Raw returns where the raw frame shows a true place.
func (d *Distortion) Raw(column, row float64) (rawColumn, rawRow float64) {
	u, v := d.unit(column, row)
	return column + polynomialAt(d.dx, u, v), row + polynomialAt(d.dy, u, v)
}

// True returns the true place of what the raw frame shows at a place, to
// 1e-9 pixels. The distortion must not fold the picture.
func (d *Distortion) True(rawColumn, rawRow float64) (column, row float64) {
	column, row = rawColumn, rawRow
	for range 100 {
		x, y := d.Raw(column, row)
		stepX, stepY := rawColumn-x, rawRow-y
		column, row = column+stepX, row+stepY
		if math.Hypot(stepX, stepY) < 1e-9 {
			break
		}
	}
	return column, row
}

// readTerms takes the polynomial from Terms, as a file holds them.
func (d *Distortion) readTerms() error {
	if d.Order < 0 || d.Order > 3 || len(d.Terms) != termCount(d.Order) {
		return fmt.Errorf("a distortion of order %d has %d terms", d.Order, len(d.Terms))
	}
	d.dx, d.dy = make([]float64, len(d.Terms)), make([]float64, len(d.Terms))
	for k, term := range d.Terms {
		d.dx[k], d.dy[k] = term.DX, term.DY
	}
	return nil
}

// mostShiftPixels is how far the distortion moves the picture at most.
const mostShiftPixels = 6.0

// makeGeometry draws the distortion, places the marks and finds where the
// light of each pixel comes from.
func (t *Tube) makeGeometry() error {
	t.Distortion = t.newDistortion()
	if !t.Options.NoDistortion {
		t.drawDistortion()
		if t.Distortion.folds() {
			return fmt.Errorf("a distortion of %g pixels folds an image of %d x %d; use a larger image region or a smaller search_pixels",
				t.mostShift(), t.ImageWidth(), t.ImageHeight())
		}
	}
	t.placeMarks()
	t.shadeMarks()
	t.findPlaces()
	return nil
}

func (t *Tube) newDistortion() Distortion {
	im := t.base.image
	d := Distortion{
		Order:   3,
		MiddleX: float64(im.x0+im.x1+1) / 2, MiddleY: float64(im.y0+im.y1+1) / 2,
		HalfX: float64(t.ImageWidth()) / 2, HalfY: float64(t.ImageHeight()) / 2,
	}
	if m := t.Detector.Marks; m != nil {
		d.Order = min(d.Order, m.Order) // so that the profile's model can follow
	}
	n := termCount(d.Order)
	d.dx, d.dy = make([]float64, n), make([]float64, n)
	d.listTerms()
	return d
}

// listTerms writes the terms that others read.
func (d *Distortion) listTerms() {
	d.Terms = d.Terms[:0]
	for order := 0; order <= d.Order; order++ {
		for j := 0; j <= order; j++ {
			k := len(d.Terms)
			d.Terms = append(d.Terms, DistortionTerm{PowerU: order - j, PowerV: j, DX: d.dx[k], DY: d.dy[k]})
		}
	}
}

// mostShift leaves a third of the distance within which marks are looked for.
func (t *Tube) mostShift() float64 {
	if m := t.Detector.Marks; m != nil && m.SearchPixels > 0 {
		return min(mostShiftPixels, m.SearchPixels*2/3)
	}
	return mostShiftPixels
}

// drawDistortion draws terms that grow with the order, and scales them so that
// the largest shift anywhere in the image is mostShift.
func (t *Tube) drawDistortion() {
	d := &t.Distortion
	r := rand.New(newStream(t.Options.Seed, forTubeDistortion, 0, 0))
	for k, term := range d.Terms {
		weight := [...]float64{0.2, 0.35, 0.6, 1}[term.PowerU+term.PowerV]
		d.dx[k], d.dy[k] = weight*r.NormFloat64(), weight*r.NormFloat64()
	}
	var most float64
	eachOfGrid(func(u, v float64) {
		most = max(most, math.Hypot(polynomialAt(d.dx, u, v), polynomialAt(d.dy, u, v)))
	})
	for k := range d.dx {
		d.dx[k] *= t.mostShift() / most
		d.dy[k] *= t.mostShift() / most
	}
	d.listTerms()
}

// folds tells whether the shift changes so fast somewhere in the image, by
// half a pixel a pixel or more, that places may fall together or that True
// does not converge.
func (d *Distortion) folds() bool {
	const step = 1e-3
	steep := false
	eachOfGrid(func(u, v float64) {
		for _, terms := range [][]float64{d.dx, d.dy} {
			alongX := (polynomialAt(terms, u+step, v) - polynomialAt(terms, u-step, v)) / (2 * step * d.HalfX)
			alongY := (polynomialAt(terms, u, v+step) - polynomialAt(terms, u, v-step)) / (2 * step * d.HalfY)
			steep = steep || math.Hypot(alongX, alongY) >= 0.5
		}
	})
	return steep
}

func (t *Tube) placeMarks() {
	m := t.Detector.Marks
	if m == nil || t.Options.NoMarks {
		return
	}
	for j := range m.Count[1] {
		for i := range m.Count[0] {
			mark := TubeMark{Column: m.First[0] + float64(i)*m.Step[0], Row: m.First[1] + float64(j)*m.Step[1]}
			mark.RawColumn, mark.RawRow = t.Distortion.Raw(mark.Column, mark.Row)
			t.Marks = append(t.Marks, mark)
		}
	}
}

// shadeMarks fills in the light that the marks let through: 0.15 in the middle
// of a disc whose edge is blurred by a Gaussian of half a pixel.
func (t *Tube) shadeMarks() {
	const through, blurPixels = 0.15, 0.5
	for p := range t.Passed {
		t.Passed[p] = 1
	}
	for _, m := range t.Marks {
		radius := t.Detector.Marks.RadiusPixels
		reach := radius + 6*blurPixels
		x0, x1 := max(int(m.RawColumn-reach), 1), min(int(m.RawColumn+reach)+1, t.Detector.Width)
		y0, y1 := max(int(m.RawRow-reach), 1), min(int(m.RawRow+reach)+1, t.Detector.Height)
		for y := y0; y <= y1; y++ {
			for x := x0; x <= x1; x++ {
				from := math.Hypot(float64(x)-m.RawColumn, float64(y)-m.RawRow)
				covered := math.Erfc((from-radius)/(blurPixels*math.Sqrt2)) / 2
				t.Passed[(y-1)*t.Detector.Width+x-1] *= float32(1 - (1-through)*covered)
			}
		}
	}
}

// fineness is the number of sub-pixels along each side of a pixel.
const fineness = 2

// findPlaces finds the true place of the middle of each sub-pixel of the
// image region.
func (t *Tube) findPlaces() {
	im := t.base.image
	width, height := t.ImageWidth()*fineness, t.ImageHeight()*fineness
	t.places = make([]place, width*height)
	for y := range height {
		for x := range width {
			rawX := float64(im.x0) + (float64(x)+0.5)/fineness + 0.5
			rawY := float64(im.y0) + (float64(y)+0.5)/fineness + 0.5
			q := &t.places[y*width+x]
			q.x, q.y = t.Distortion.True(rawX, rawY)
		}
	}
}

// View paints a scene as the tube shows it, and as it is. Both cover the image
// region, row by row. The scene is painted with two sub-pixels along each side
// of a pixel. A pixel of ideal, the undistorted picture, is the mean of its
// sub-pixels; a pixel of raw is the mean of the scene at the true places of
// its sub-pixels, between which it is interpolated. Beyond its edges the scene
// goes on as it is there.
func (t *Tube) View(scene Scene) (raw, ideal []float32) {
	width := t.ImageWidth() * fineness
	fine := scene(width, t.ImageHeight()*fineness)
	shown := make([]float32, len(fine))
	for i, q := range t.places {
		x := (q.x-0.5-float64(t.base.image.x0))*fineness - 0.5
		y := (q.y-0.5-float64(t.base.image.y0))*fineness - 0.5
		shown[i] = interpolated(fine, width, x, y)
	}
	return coarse(shown, width), coarse(fine, width)
}

// interpolated is a raster's value between four pixels; the middle of the
// first pixel is at 0, 0.
func interpolated(values []float32, width int, x, y float64) float32 {
	height := len(values) / width
	x = min(max(x, 0), float64(width-1))
	y = min(max(y, 0), float64(height-1))
	i, j := min(int(x), max(width-2, 0)), min(int(y), max(height-2, 0))
	u, v := float32(x-float64(i)), float32(y-float64(j))
	i1, j1 := min(i+1, width-1), min(j+1, height-1)
	top := values[j*width+i]*(1-u) + values[j*width+i1]*u
	bottom := values[j1*width+i]*(1-u) + values[j1*width+i1]*u
	return top*(1-v) + bottom*v
}

// coarse averages sub-pixels to pixels.
func coarse(fine []float32, width int) []float32 {
	w, h := width/fineness, len(fine)/width/fineness
	out := make([]float32, w*h)
	for y := range h {
		for x := range w {
			var sum float32
			for j := range fineness {
				for i := range fineness {
					sum += fine[(y*fineness+j)*width+x*fineness+i]
				}
			}
			out[y*w+x] = sum / (fineness * fineness)
		}
	}
	return out
}
