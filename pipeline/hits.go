package pipeline

import (
	"cmp"
	"slices"

	"evenlight/calib/hits"
	"evenlight/configs"
)

// hits prepares the search for cosmic-ray hits in a frame.
func (p *plan) hits() (*hits.Detector, error) {
	h := p.in.Profile.Detectors[p.frame.Detector].Hits
	opt := hits.Options{
		Sigma: h.ThresholdSigma, SharpSigma: h.SharpSigma, GrowSigma: h.GrowSigma,
		FWHMPixels: h.PointFWHMPixels, Colour: h.OtherColour, Map: p.sensor.Map,
		PerElectron: []float64{1},
	}
	if p.in.isLayer(p.in.Profile.Detectors[p.frame.Detector].Name) {
		return hits.NewDetector(opt)
	}
	lights, err := p.lights()
	if err != nil {
		return nil, err
	}
	opt.PerElectron = opt.PerElectron[:0]
	for _, l := range lights {
		opt.PerElectron = append(opt.PerElectron, l.Scale)
	}
	if p.in.Profile.Output.Quantity != configs.Electrons {
		opt.RowFactor = p.rowFactor
	}
	if p.sensor.Map != nil {
		opt.Grey = p.in.grey()
	}
	return hits.NewDetector(opt)
}

// grey tells what a grey target gives in each band of the profile, in the
// product's quantity, up to a common factor. Figures that are not given
// count as equal.
func (in *Instrument) grey() []float64 {
	out := make([]float64, len(in.Profile.Bands))
	for i, b := range in.Profile.Bands {
		sun := cmp.Or(b.SolarIrradiance, 1)
		switch in.Profile.Output.Quantity {
		case configs.Electrons:
			out[i] = cmp.Or(b.Responsivity, 1) * sun
		case configs.Radiance:
			out[i] = sun
		default:
			out[i] = 1
		}
	}
	return out
}

// hitPixel is the place of a pixel that was struck.
type hitPixel struct{ x, y int }

// groups counts the groups of pixels that touch at a side or a corner. It puts
// the pixels in order.
func groups(pixels []hitPixel) int {
	slices.SortFunc(pixels, func(a, b hitPixel) int { return cmp.Or(cmp.Compare(a.y, b.y), cmp.Compare(a.x, b.x)) })
	leader := make([]int, len(pixels)) // of the pixel's group, by way of others
	find := func(i int) int {
		for leader[i] != i {
			leader[i] = leader[leader[i]]
			i = leader[i]
		}
		return i
	}
	n, above := 0, 0
	for i, p := range pixels {
		leader[i] = i
		n++
		join := func(k int) {
			if a, b := find(i), find(k); a != b {
				leader[b] = a
				n--
			}
		}
		if i > 0 && pixels[i-1] == (hitPixel{p.x - 1, p.y}) {
			join(i - 1)
		}
		for above < i && (pixels[above].y < p.y-1 || pixels[above].y == p.y-1 && pixels[above].x < p.x-1) {
			above++
		}
		for k := above; k < i && pixels[k].y == p.y-1 && pixels[k].x <= p.x+1; k++ {
			join(k)
		}
	}
	return n
}
