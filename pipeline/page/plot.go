package page

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"evenlight/calib"
	"evenlight/pipeline/plots"
)

const (
	histogramBins = 96
	profilePoints = 256
)

// plots draws what the sample tells of a frame. What cannot be drawn is told.
func (s *sample) plots(unit string) (drawn []Plot, missing []string, err error) {
	sorted := s.usual()
	if len(sorted) == 0 {
		return nil, []string{"no pixel in the rows that were read is good: there are no plots"}, nil
	}
	h, err := s.histogram(sorted, unit)
	if err != nil {
		return nil, nil, err
	}
	profiles, err := s.profiles(unit)
	if err != nil {
		return nil, nil, err
	}
	drawn = []Plot{h, profiles}
	bins := s.noise()
	if bins == nil {
		return drawn, []string{"too few good pixels side by side for the plot of noise against signal"}, nil
	}
	n, err := drawNoise(bins, unit)
	return append(drawn, n), nil, err
}

// histogram counts the good pixels in bins of equal width. sorted are some of
// their values: what lies far outside of nearly all of them is counted apart.
func (s *sample) histogram(sorted []float32, unit string) (Plot, error) {
	low, high := quantile(sorted, 0.001), quantile(sorted, 0.999)
	margin := 0.1 * (high - low)
	if !(margin > 0) {
		margin = max(0.5, math.Abs(low)*1e-6)
	}
	low, high = low-margin, high+margin
	counts := make([]float64, histogramBins)
	below, above := 0, 0
	scale := histogramBins / (high - low)
	for i, v := range s.value {
		if !s.good(i) {
			continue
		}
		switch bin := math.Floor((float64(v) - low) * scale); {
		case bin < 0:
			below++
		case bin >= histogramBins:
			above++
		default:
			counts[int(bin)]++
		}
	}
	edges := make([]float64, histogramBins+1)
	for i := range edges {
		edges[i] = low + float64(i)/scale
	}
	h := plots.Histogram{Heading: plots.Heading{Title: "Values of good pixels"}, XLabel: "value, " + unit, Sets: []plots.Counts{{Name: "pixels", Edges: edges, Counts: counts}}}
	if below+above > 0 {
		h.Notes = []string{fmt.Sprintf("Outside of the plot: %d pixels below, %d above.", below, above)}
	}
	svg, err := svgOf(h.Draw())
	if err != nil {
		return Plot{}, err
	}
	total := 0.0
	for _, n := range counts {
		total += n
	}
	p := Plot{Kind: "histogram", Title: h.Title, X: h.XLabel, Y: "pixels in a bin", SVG: svg,
		Alt: fmt.Sprintf("histogram of %.0f good pixels from %.4g to %.4g %s on a logarithmic scale of counts; half of them lie below %.4g", total, low, high, unit, quantile(sorted, 0.5))}
	p.Series = []Series{{Name: "pixels, at the middle of the bin", X: middles(edges), Y: pointers(counts)}}
	return p, nil
}

func middles(edges []float64) []float64 {
	out := make([]float64, len(edges)-1)
	for i := range out {
		out[i] = (edges[i] + edges[i+1]) / 2
	}
	return out
}

// pointers makes JSON's null of NaN.
func pointers(values []float64) []*float64 {
	out := make([]*float64, len(values))
	for i, v := range values {
		out[i] = finite(v)
	}
	return out
}

func finite(v float64) *float64 {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return nil
	}
	return &v
}

// profiles are the means of the good pixels along columns and rows.
func (s *sample) profiles(unit string) (Plot, error) {
	// Columns are put together to whole repeats of a mosaic's pattern.
	step := max(1, s.width/profilePoints/s.periodX) * s.periodX
	sums, counts := make([]float64, s.width/step), make([]float64, s.width/step)
	rows := make([]float64, len(s.starts))
	for i := range s.starts {
		sum, n := 0.0, 0.0
		for j := range s.periodY {
			at := (i*s.periodY + j) * s.width
			for c := range sums {
				cell, count := 0.0, 0.0
				for k := at + c*step; k < at+(c+1)*step; k++ {
					if s.good(k) {
						cell += float64(s.value[k])
						count++
					}
				}
				sums[c] += cell
				counts[c] += count
				sum += cell
				n += count
			}
		}
		rows[i] = sum / n // 0/0 is NaN, a gap
	}
	for c := range sums {
		sums[c] /= counts[c]
	}
	stepY := s.periodY
	if len(s.starts) > 1 {
		stepY = max(1, (s.starts[len(s.starts)-1]-s.starts[0])/(len(s.starts)-1))
	}
	p := plots.Pattern{Heading: plots.Heading{Title: "Means of good pixels along columns and rows"}, YLabel: unit}
	if anyFinite(sums) {
		p.Columns = []plots.Profile{{First: 1, Step: step, Values: sums}}
	}
	if anyFinite(rows) {
		p.Rows = []plots.Profile{{First: s.starts[0] + 1, Step: stepY, Values: rows}}
	}
	svg, err := svgOf(p.Draw())
	if err != nil {
		return Plot{}, err
	}
	out := Plot{Kind: "profiles", Title: p.Title, X: "column or row, from 1", Y: "mean, " + unit, SVG: svg,
		Alt: fmt.Sprintf("mean of the good pixels: %s; %s", rangeText("columns", sums, unit), rangeText("rows", rows, unit))}
	columns := Series{Name: "columns", Y: pointers(sums)}
	for c := range sums {
		columns.X = append(columns.X, float64(c*step+1))
	}
	along := Series{Name: "rows", Y: pointers(rows)}
	for _, y := range s.starts {
		along.X = append(along.X, float64(y+1))
	}
	out.Series = []Series{columns, along}
	return out, nil
}

func anyFinite(values []float64) bool {
	return slices.ContainsFunc(values, func(v float64) bool { return !math.IsNaN(v) })
}

func rangeText(what string, values []float64, unit string) string {
	low, high := math.Inf(1), math.Inf(-1)
	for _, v := range values {
		if v == v {
			low, high = min(low, v), max(high, v)
		}
	}
	if low > high {
		return what + " have none"
	}
	return fmt.Sprintf("%s from %.4g to %.4g %s", what, low, high, unit)
}

// noiseBin compares measured and stated noise at one level of signal.
type noiseBin struct {
	signal   float64 // mean of the pixels
	measured float64 // standard deviation of a pixel, from its neighbours
	u        float64 // standard uncertainty of measured
	stated   float64 // root mean square of the stated uncertainty
}

const (
	noiseTriples = 1 << 13 // that are looked at
	noiseBins    = 12
	leastTriples = 100 // in a bin
)

// madSpread times sigma/sqrt(n) is the standard deviation of the estimate of
// sigma that a median absolute deviation of n normal values gives: its
// efficiency is 36.7 % (Rousseeuw & Croux 1993, J. Am. Stat. Assoc. 88, 1273;
// from memory), so sqrt(0.5/0.367).
const madSpread = 1.167

// triple is the second difference of three like pixels side by side, as in the
// noise ratio of the QA summary: it takes out the slope of the scene.
type triple struct {
	signal float64
	pull   float64 // difference over its stated standard deviation
	varOf  float64 // variance that is stated for the difference
}

// noise measures the noise in bins of signal with as many triples each; nil:
// there are too few. With d = v0 - 2 v1 + v2 of like pixels, and e^2 = u0^2 +
// 4 u1^2 + u2^2 what their uncertainties say of it, the noise of a pixel is
// sigma(d/e) rms(e)/sqrt(6), sigma from the median absolute deviation, so that
// edges of the scene hardly count. Triples do not overlap.
func (s *sample) noise() []noiseBin {
	all := s.triples()
	bins := min(noiseBins, len(all)/leastTriples)
	if bins == 0 {
		return nil
	}
	slices.SortFunc(all, func(a, b triple) int { return cmp.Compare(a.signal, b.signal) })
	out := make([]noiseBin, bins)
	pulls := make([]float64, 0, len(all)/bins+1)
	for b := range out {
		from, to := b*len(all)/bins, (b+1)*len(all)/bins
		pulls = pulls[:0]
		signal, varOf := 0.0, 0.0
		for _, t := range all[from:to] {
			signal += t.signal
			varOf += t.varOf
			pulls = append(pulls, t.pull)
		}
		n := float64(to - from)
		_, sigma := calib.MedianMAD(pulls)
		stated := math.Sqrt(varOf / n / 6)
		out[b] = noiseBin{signal: signal / n, measured: sigma * stated, u: sigma * stated * madSpread / math.Sqrt(n), stated: stated}
	}
	return out
}

func (s *sample) triples() []triple {
	far := 2 * s.periodX
	rows := len(s.starts) * s.periodY
	perRow := max(0, s.width/(3*s.periodX)) * s.periodX
	stride := max(1, rows*perRow/noiseTriples)
	var out []triple
	n := 0
	for r := range rows {
		at := r * s.width
		for start := 0; start+3*s.periodX <= s.width; start += 3 * s.periodX {
			for x := start; x < start+s.periodX; x++ {
				if n++; n%stride != 0 {
					continue
				}
				a, b, c := at+x, at+x+s.periodX, at+x+far
				if !s.good(a) || !s.good(b) || !s.good(c) {
					continue
				}
				v0, v1, v2 := float64(s.value[a]), float64(s.value[b]), float64(s.value[c])
				u0, u1, u2 := float64(s.unc[a]), float64(s.unc[b]), float64(s.unc[c])
				e2 := u0*u0 + 4*u1*u1 + u2*u2
				if e2 > 0 && e2 <= math.MaxFloat64 {
					out = append(out, triple{(v0 + v1 + v2) / 3, (v0 - 2*v1 + v2) / math.Sqrt(e2), e2})
				}
			}
		}
	}
	return out
}

func drawNoise(bins []noiseBin, unit string) (Plot, error) {
	var x, y, u, e []float64
	low, high, top := math.Inf(1), math.Inf(-1), 0.0
	for _, b := range bins {
		top = max(top, b.measured+b.u, b.stated)
		x, y, u, e = append(x, b.signal), append(y, b.measured), append(u, b.u), append(e, b.stated)
		low, high = min(low, b.measured/b.stated), max(high, b.measured/b.stated)
	}
	c := plots.Chart{Heading: plots.Heading{Title: "Noise against signal", Notes: []string{"Measured from differences of neighbours; fine structure of the scene counts as noise here."}},
		X: plots.Axis{Label: "mean signal, " + unit}, Y: plots.Axis{Label: "standard deviation of a pixel, " + unit, Max: 1.1 * top},
		Points: []plots.Points{{Name: "measured", X: x, Y: y, U: u}}, Curves: []plots.Curve{{Name: "expected: stated uncertainty", X: x, Y: e}}}
	svg, err := svgOf(c.Draw())
	return Plot{Kind: "noise", Title: c.Title, X: c.X.Label, Y: c.Y.Label, SVG: svg,
		Alt:    fmt.Sprintf("measured noise over stated uncertainty from %.2f to %.2f in %d levels of signal", low, high, len(bins)),
		Series: []Series{{"measured", x, pointers(y)}, {"standard uncertainty of measured", x, pointers(u)}, {"expected", x, pointers(e)}}}, err
}

func svgOf(f *plots.Figure, err error) ([]byte, error) {
	if err != nil {
		return nil, err
	}
	return f.SVG()
}
