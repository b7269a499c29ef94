package pipeline

import (
	"fmt"
	"image"
	"image/color"
	"math"

	"evenlight/calib"
	"evenlight/calib/colour"
)

// regionMeans are the means of a palette's rasters over a region.
type regionMeans struct {
	pixels   int // good in all rasters
	mean     []float64
	variance []float64 // of the mean, random
	// inflation is by how much correlated neighbours and interpolated pixels
	// raise the standard uncertainty of the mean above that of as many
	// independent pixels.
	inflation []float64
	// scatter is the standard deviation of the pixels over what their
	// variances lead to.
	scatter []float64
}

// measure takes means over the pixels of a region that are good in all rasters
// and have no bit of skip.
//
// The variance of a mean counts the pixels that were measured in place:
// interpolated ones are made of them and add no knowledge. Where there are no
// such pixels, all are taken as one. Errors of neighbours that correlate by
// rho raise the variance by 1 + 2 rho (1 - 1/n) along each axis, correlation
// over two pixels and more, which is small or negative, being left out.
func (p *palette) measure(region calib.Region, skip calib.Flags) regionMeans {
	n := len(p.rasters)
	s := regionMeans{mean: make([]float64, n), variance: make([]float64, n), inflation: make([]float64, n), scatter: make([]float64, n)}
	good := p.good(region, skip)
	s.pixels = len(good)
	if s.pixels == 0 {
		return s
	}
	count := float64(s.pixels)
	for j, r := range p.rasters {
		var sum, all, measured, there float64
		for _, i := range good {
			sum += float64(r.Value[i])
			all += float64(r.Variance[i])
			// A resampled band is interpolated everywhere, and the correlation
			// of its neighbours accounts for it; a mosaic's interpolated samples
			// and filled ones add nothing to the measured ones.
			if resampled := p.lagX[j] > 0 || p.lagY[j] > 0; resampled || r.Flags[i]&(calib.Interpolated|calib.Filled) == 0 {
				measured += float64(r.Variance[i])
				there++
			}
		}
		s.mean[j] = sum / count
		s.variance[j] = all / count
		if there > 0 {
			s.variance[j] = measured / (there * there) * joined(p.lagX[j], region.Width()) * joined(p.lagY[j], region.Height())
		}
		s.inflation[j] = 1
		if all > 0 {
			s.inflation[j] = math.Sqrt(s.variance[j] / (all / (count * count)))
			var squares float64
			for _, i := range good {
				d := float64(r.Value[i]) - s.mean[j]
				squares += d * d
			}
			s.scatter[j] = math.Sqrt(squares / max(1, count-1) / (all / count))
		}
	}
	return s
}

// joined is the factor by which neighbours' correlation raises the variance of
// a mean over n of them in line.
func joined(lag float64, n int) float64 { return 1 + 2*max(0, lag)*(1-1/float64(n)) }

// good lists the pixels of a region that are good in all rasters.
func (p *palette) good(region calib.Region, skip calib.Flags) []int {
	var out []int
	width := p.rasters[0].Width
	for y := region.Y0; y < region.Y1; y++ {
	pixels:
		for i := y*width + region.X0; i < y*width+region.X1; i++ {
			for _, r := range p.rasters {
				if !r.Good(i) || r.Flags[i].Standing()&skip != 0 {
					continue pixels
				}
			}
			out = append(out, i)
		}
	}
	return out
}

// probes measures the colours of the regions that were asked for.
func (m *pictureMaker) probes(p *palette) ([]PictureProbe, error) {
	var out []PictureProbe
	whole := calib.Region{X1: p.rasters[0].Width, Y1: p.rasters[0].Height}
	for _, region := range m.opt.Probes {
		if region.Empty() || region.Intersect(whole) != region {
			return nil, fmt.Errorf("probe of %s is not within the picture of %d x %d pixels: choose a region inside", region, whole.X1, whole.Y1)
		}
		s := p.measure(region, m.hide)
		if s.pixels < 2 {
			return nil, fmt.Errorf("probe of %s has %d good pixels: choose a region with two at least", region, s.pixels)
		}
		out = append(out, p.probe(region, s))
	}
	return out, nil
}

// probe works out the colour of a region and its uncertainty.
func (p *palette) probe(region calib.Region, s regionMeans) PictureProbe {
	n := len(p.rasters)
	values := make([]float64, n)
	random, systematic := newCovariance(n), newCovariance(n)
	for i := range n {
		values[i] = s.mean[i] / p.white.Values[i]
	}
	for i := range n {
		for j := range n {
			random[i][j] = p.correlation[i][j] * math.Sqrt(s.variance[i]*s.variance[j]) / (p.white.Values[i] * p.white.Values[j])
			systematic[i][j] = values[i] * values[j] * p.shared[i] * p.shared[j]
		}
		systematic[i][i] += values[i] * values[i] * p.own[i] * p.own[i]
	}
	out := PictureProbe{Columns: [2]int{region.X0 + 1, region.X1}, Rows: [2]int{region.Y0 + 1, region.Y1}, Pixels: s.pixels}
	for i, name := range p.names {
		out.Values = append(out.Values, Measured{name, values[i], root(random[i][i]), root(systematic[i][i])})
		out.Scatter = max(out.Scatter, s.scatter[i])
	}
	for c, name := range []string{"red", "green", "blue"} {
		out.RGB = append(out.RGB, measured(name, p.rgb.RawRowView(c), values, random, systematic))
	}
	if p.transform != nil {
		out.colour(p.transform, values, random, systematic)
	}
	return out
}

// measured is a linear combination of values.
func measured(name string, row, values []float64, random, systematic covariance) Measured {
	sum := 0.0
	for i, a := range row {
		sum += a * values[i]
	}
	return Measured{name, sum, root(random.of(row)), root(systematic.of(row))}
}

// colour adds what only a colour matrix tells. Chromaticity and CIELAB are
// propagated to first order (JCGM 100:2008, 5.1).
func (q *PictureProbe) colour(t *colour.Transform, values []float64, random, systematic covariance) {
	var rows [3][]float64
	for c, name := range []string{"X", "Y", "Z"} {
		rows[c] = t.XYZ.RawRowView(c)
		q.XYZ = append(q.XYZ, measured(name, rows[c], values, random, systematic))
	}
	xyz := [3]float64{q.XYZ[0].Value, q.XYZ[1].Value, q.XYZ[2].Value}
	sum := xyz[0] + xyz[1] + xyz[2]
	if sum > 0 {
		for c, name := range []string{"x", "y"} {
			slope := [3]float64{-xyz[c] / (sum * sum), -xyz[c] / (sum * sum), -xyz[c] / (sum * sum)}
			slope[c] += 1 / sum
			chain := combine(slope, rows)
			q.Chromaticity = append(q.Chromaticity, Measured{name, xyz[c] / sum, root(random.of(chain)), root(systematic.of(chain))})
		}
	}
	lab := colour.ToLab(xyz, t.White)
	grey := colour.Lab{L: lab.L}
	q.ToGrey = &GreyDistance{DeltaE76: colour.DeltaE76(lab, grey), DeltaE2000: colour.DeltaE2000(lab, grey)}
	var a, b [3]float64
	for c := range 3 {
		a[c], b[c] = labSlopes(xyz, t.White, c)
	}
	rowA, rowB := combine(a, rows), combine(b, rows)
	q.ToGrey.Random = root(random.of(rowA) + random.of(rowB))
	q.ToGrey.Systematic = root(systematic.of(rowA) + systematic.of(rowB))
}

// labSlopes are the slopes of a* and b* with X, Y or Z, by a central
// difference over a thousandth of white.
func labSlopes(xyz, white [3]float64, c int) (a, b float64) {
	step := white[c] / 1000
	up, down := xyz, xyz
	up[c] += step
	down[c] -= step
	high, low := colour.ToLab(up, white), colour.ToLab(down, white)
	return (high.A - low.A) / (2 * step), (high.B - low.B) / (2 * step)
}

// combine is the row of slopes with the band values.
func combine(slope [3]float64, rows [3][]float64) []float64 {
	out := make([]float64, len(rows[0]))
	for c, row := range rows {
		for i, a := range row {
			out[i] += slope[c] * a
		}
	}
	return out
}

// noise is the median, over evenly spread good pixels, of the standard
// uncertainty of linear red, green and blue; nil where there is none.
func (p *palette) noise(hide calib.Flags) *[3]float64 {
	var samples [3][]float32
	n := len(p.rasters)
	sigma := make([]float64, n)
	step := evenStep(p.rasters[0].Width, p.rasters[0].Height)
pixels:
	for i := 0; i < len(p.rasters[0].Value); i += step {
		for j, r := range p.rasters {
			if !r.Good(i) || r.Flags[i].Standing()&hide != 0 || !(r.Variance[i] >= 0) {
				continue pixels
			}
			sigma[j] = math.Sqrt(float64(r.Variance[i])) / p.white.Values[j]
		}
		for c := range 3 {
			row := p.rgb.RawRowView(c)
			sum := 0.0
			for j := range n {
				for k := range n {
					sum += row[j] * row[k] * p.correlation[j][k] * sigma[j] * sigma[k]
				}
			}
			samples[c] = append(samples[c], float32(root(sum)))
		}
	}
	if len(samples[0]) == 0 {
		return nil
	}
	var out [3]float64
	for c := range 3 {
		out[c] = float64(calib.Median(samples[c]))
	}
	return &out
}

// evenStep is the distance of samples that prefer neither columns nor the
// pixels of a mosaic's pattern of two or three: it has no factor in common with
// any of these.
func evenStep(width, height int) int {
	step := max(1, width*height/typicalSamples)
	for divisor(step, 6*width) > 1 {
		step++
	}
	return step
}

// divisor is the greatest common one.
func divisor(a, b int) int {
	for b != 0 {
		a, b = b, a%b
	}
	return a
}

// preview makes a small picture of a large one: each of its pixels is the mean,
// in linear light, of a square of pixels, saturated ones left out where there
// are others. It returns how many of its pixels were drawn over.
func (m *pictureMaker) preview(full *colour.Picture, mix *palette, e *colour.Encoder) (*colour.Picture, int) {
	side := previewSide(full.Width, full.Height, m.opt.PreviewPx)
	w, h := (full.Width+side-1)/side, (full.Height+side-1)/side
	small := &colour.Picture{Width: w, Height: h, Linear: make([]float32, 3*w*h), Plain: image.NewNRGBA(image.Rect(0, 0, w, h))}
	moved := make([]bool, w*h)
	_ = parallel(m.opt.Workers, h, func(_, y int) error {
		averageRow(full, mix.rasters, side, y, small.Linear[3*w*y:3*w*(y+1)], moved[w*y:w*(y+1)])
		return nil
	})
	small.Encode(e, m.opt.Workers)
	if !m.opt.MarkMoved {
		return small, 0
	}
	return small, outline(small.Plain, moved)
}

// previewSide is the side of the squares that are averaged, pixels.
func previewSide(width, height, most int) int {
	return (max(width, height) + most - 1) / most
}

// averageRow makes one row of the preview.
func averageRow(full *colour.Picture, rasters []*calib.Raster, side, y int, linear []float32, moved []bool) {
	bottom := min((y+1)*side, full.Height)
	for x := range moved {
		var clean, every boxSum
		for sy := y * side; sy < bottom; sy++ {
			for i := sy*full.Width + x*side; i < sy*full.Width+min((x+1)*side, full.Width); i++ {
				var flags calib.Flags
				for _, r := range rasters {
					flags |= r.Flags[i]
				}
				moved[x] = moved[x] || flags&calib.Moved != 0
				rgb := full.Linear[3*i : 3*i+3]
				if rgb[0]+rgb[1]+rgb[2] != rgb[0]+rgb[1]+rgb[2] {
					continue
				}
				every.add(rgb)
				if flags&calib.Saturated == 0 {
					clean.add(rgb)
				}
			}
		}
		if clean.n == 0 {
			clean = every
		}
		clean.mean(linear[3*x : 3*x+3])
	}
}

// boxSum gathers the light of some pixels.
type boxSum struct {
	n   int
	rgb [3]float64
}

func (s *boxSum) add(rgb []float32) {
	s.n++
	s.rgb[0] += float64(rgb[0])
	s.rgb[1] += float64(rgb[1])
	s.rgb[2] += float64(rgb[2])
}

// mean is NaN where nothing was added.
func (s *boxSum) mean(rgb []float32) {
	for c := range rgb {
		rgb[c] = float32(s.rgb[c] / float64(s.n))
	}
}

// outlineColour is a magenta that hardly any scene has.
var outlineColour = color.NRGBA{R: 255, B: 255, A: 255}

// outline draws a line of one pixel around what moved, outside of it, so that
// a small mover stays visible. It returns the number of pixels drawn.
func outline(img *image.NRGBA, moved []bool) int {
	w, h := img.Rect.Dx(), img.Rect.Dy()
	drawn := 0
	for y := range h {
		for x := range w {
			if !moved[y*w+x] && touches(moved, w, h, x, y) {
				img.SetNRGBA(x, y, outlineColour)
				drawn++
			}
		}
	}
	return drawn
}

// touches tells whether one of the eight neighbours of a pixel is marked.
func touches(marked []bool, w, h, x, y int) bool {
	for ny := max(0, y-1); ny <= min(h-1, y+1); ny++ {
		for nx := max(0, x-1); nx <= min(w-1, x+1); nx++ {
			if marked[ny*w+nx] {
				return true
			}
		}
	}
	return false
}
