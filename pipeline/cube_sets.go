package pipeline

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"evenlight/calib"
	"evenlight/calib/align"
	"evenlight/configs"
)

// Ways in which bands come together.
const (
	wayMosaic = "mosaic"    // interpolated from the pixels of one frame
	wayStack  = "stack"     // layers of one frame, separated
	wayWheel  = "wheel"     // frames one after another, aligned
	wayStrips = "strips"    // rows of many frames, assembled
	wayLines  = "detectors" // detectors of one frame, aligned
)

// stageKeepPlace says that bands were left where they are.
const stageKeepPlace = "keep place"

// sets sorts products, which are in the order of time, into the sources of
// cubes.
func (b *cubeBuilder) sets(products []*productFile) []*source {
	var out []*source
	byRaw := map[string]*source{}
	byDetector := map[string][]*productFile{}
	var detectors []string
	for _, p := range products {
		d := &b.in.Profile.Detectors[p.detector]
		switch {
		case d.Mosaic != nil:
			out = append(out, &source{p.stem(), []*productFile{p}, b.mosaic})
		case b.in.isLayer(d.Name):
			out = gather(out, byRaw, p, b.stack)
		case d.Band != "":
			out = gather(out, byRaw, p, b.detectors)
		default:
			key := fmt.Sprintf("%d|%s|%s", p.detector, p.record.Mode, p.target)
			if byDetector[key] == nil {
				detectors = append(detectors, key)
			}
			byDetector[key] = append(byDetector[key], p)
		}
	}
	for _, key := range detectors {
		all := byDetector[key]
		if len(b.in.Profile.Detectors[all[0].detector].Strips) > 0 {
			for _, pass := range b.passes(all) {
				out = append(out, &source{pass[0].stem() + "-to-" + rawStem(pass[len(pass)-1].raw), pass, b.strips})
			}
			continue
		}
		out = append(out, b.wheelSets(all)...)
	}
	return out
}

// passes splits the frames of a detector with strips of filters where the
// ground moves on by more than all strips together from one frame to the next,
// or more than the time allowed goes by: what follows is another pass.
func (b *cubeBuilder) passes(all []*productFile) [][]*productFile {
	list := b.stripList(&b.in.Profile.Detectors[all[0].detector])
	height, rate := 0.0, math.Inf(1)
	for _, s := range list {
		height = max(height, float64(s.Y1-list[0].Y0))
	}
	if m := b.in.Profile.Motion; m != nil {
		rate = math.Abs(m.RowsPerS)
	}
	var out [][]*productFile
	start := 0
	for i := 1; i <= len(all); i++ {
		if i < len(all) {
			gap := all[i].time.Sub(all[i-1].time).Seconds()
			if gap <= b.opt.WithinS && !(gap*rate > height) {
				continue
			}
		}
		out = append(out, all[start:i])
		start = i
	}
	return out
}

// gather puts the products of one raw frame together.
func gather(out []*source, byRaw map[string]*source, p *productFile, make func(*source) (*bandSet, error)) []*source {
	key := p.rawSHA + fmt.Sprint(p.record.Plane)
	if s := byRaw[key]; s != nil {
		s.products = append(s.products, p)
		return out
	}
	s := &source{rawStem(p.raw), []*productFile{p}, make}
	byRaw[key] = s
	return append(out, s)
}

// rawStem is a raw frame's name without its ending.
func rawStem(raw string) string { return fileStem(raw) }

// wheelSets sorts the frames of a filter wheel, in the order of time, into
// sets. A frame joins a set that lacks its band and began no longer ago than
// the time allowed; of several sets, as where long and short exposures were
// taken in turn, the one of the nearest exposure time, and of those alike
// the one that grew last. Else it begins a set.
func (b *cubeBuilder) wheelSets(all []*productFile) []*source {
	var sets []*wheelSet
	for n, p := range all {
		if len(b.opt.Bands) > 0 && !slices.Contains(b.opt.Bands, p.record.Band) {
			continue
		}
		var best *wheelSet
		for _, s := range sets {
			if s.takes(p, b.opt.WithinS) && (best == nil || s.nearer(best, p)) {
				best = s
			}
		}
		if best == nil {
			best = &wheelSet{source: source{p.stem(), nil, b.wheel}}
			sets = append(sets, best)
		}
		best.products, best.grew = append(best.products, p), n
	}
	var out []*source
	for _, s := range sets {
		out = append(out, &s.source)
	}
	return out
}

// wheelSet is a set that is being gathered.
type wheelSet struct {
	source
	grew int // number of the frame that joined last
}

// takes tells whether a frame may join.
func (s *wheelSet) takes(p *productFile, withinS float64) bool {
	return p.time.Sub(s.products[0].time).Seconds() <= withinS &&
		!slices.ContainsFunc(s.products, func(o *productFile) bool { return o.record.Band == p.record.Band })
}

// exposureStep is the ratio of exposure times from which they count as unlike:
// bands differ by as much where each is exposed for its own brightness.
const exposureStep = 4

// nearer tells whether a frame belongs to s rather than to o.
func (s *wheelSet) nearer(o *wheelSet, p *productFile) bool {
	own, other := s.unlike(p), o.unlike(p)
	if own != other {
		return own < other
	}
	return s.grew > o.grew
}

// unlike is how far, in steps, a frame's exposure time is from that of the
// frame that joined last.
func (s *wheelSet) unlike(p *productFile) int {
	last := s.products[len(s.products)-1].exposureS
	if !(last > 0) || !(p.exposureS > 0) {
		return 0
	}
	return int(math.Abs(math.Log(p.exposureS/last)) / math.Log(exposureStep))
}

// complete checks that a set of products, a band each, has all the bands that
// are wanted, in one unit and size, and returns them in that order.
func (b *cubeBuilder) complete(s *source, wanted []string) error {
	var ordered []*productFile
	var missing []string
	for _, band := range wanted {
		i := slices.IndexFunc(s.products, func(p *productFile) bool { return p.record.Band == band })
		if i < 0 {
			missing = append(missing, band)
			continue
		}
		ordered = append(ordered, s.products[i])
	}
	if len(missing) > 0 {
		have := make([]string, len(s.products))
		for i, p := range s.products {
			have[i] = p.record.Band + " (" + p.name() + ")"
		}
		word := "band " + missing[0] + " is"
		if len(missing) > 1 {
			word = "bands " + strings.Join(missing, ", ") + " are"
		}
		return fmt.Errorf("%s missing within the time of this set; there is %s: add frames (one that could not be read is reported by itself), name the frames of one set, widen the time with --within, or name the bands wanted with --bands",
			word, strings.Join(have, ", "))
	}
	if err := alike(ordered); err != nil {
		return err
	}
	s.products = ordered
	return nil
}

// alike checks that products can stand side by side in a cube.
func alike(products []*productFile) error {
	first := products[0]
	for _, p := range products[1:] {
		if p.unit != first.unit || p.widthPx != first.widthPx || p.heightPx != first.heightPx {
			return fmt.Errorf("%s is %d x %d pixels in %q and %s is %d x %d pixels in %q: bands of one cube share size and unit",
				first.name(), first.widthPx, first.heightPx, first.unit, p.name(), p.widthPx, p.heightPx, p.unit)
		}
		if p.unit == calib.ElectronLight().Unit && math.Abs(p.exposureS-first.exposureS) > 1e-3*first.exposureS {
			return fmt.Errorf("%s was exposed for %g s and %s for %g s, and their unit is electrons: calibrate to radiance or reflectance, which the exposure does not change",
				first.name(), first.exposureS, p.name(), p.exposureS)
		}
		if p.record.ProfileHash != first.record.ProfileHash {
			return fmt.Errorf("%s and %s were made with different profiles: calibrate them again with one", first.name(), p.name())
		}
	}
	return nil
}

// mosaic interpolates the bands of one frame.
func (b *cubeBuilder) mosaic(s *source) (*bandSet, error) {
	if err := b.load(s); err != nil {
		return nil, err
	}
	set := newSet(s, wayMosaic)
	return set, b.interpolate(set, s.products[0])
}

// wheel aligns frames that were taken one after another.
func (b *cubeBuilder) wheel(s *source) (*bandSet, error) {
	if err := b.complete(s, b.wanted()); err != nil {
		return nil, err
	}
	return b.aligned(s, wayWheel)
}

// detectors aligns the detectors of one frame that have the size which most
// of them have; others are left out and named.
func (b *cubeBuilder) detectors(s *source) (*bandSet, error) {
	count := map[int]int{}
	best := 0
	for _, p := range s.products {
		count[p.widthPx]++
		if n := count[p.widthPx]; n > count[best] || (n == count[best] && p.widthPx < best) {
			best = p.widthPx
		}
	}
	var same []*productFile
	var bands, others []string
	for _, p := range s.products {
		if p.widthPx != best || (len(b.opt.Bands) > 0 && !slices.Contains(b.opt.Bands, p.record.Band)) {
			others = append(others, p.record.Band)
			continue
		}
		same, bands = append(same, p), append(bands, p.record.Band)
	}
	s.products = same
	if len(b.opt.Bands) > 0 {
		bands = b.opt.Bands
	}
	if err := b.complete(s, bands); err != nil {
		return nil, err
	}
	if len(s.products) < 2 {
		return nil, fmt.Errorf("only band %s has images of %d pixels: there is nothing to put together", s.products[0].record.Band, best)
	}
	set, err := b.aligned(s, wayLines)
	if err == nil && len(others) > 0 {
		set.warnings = append(set.warnings, fmt.Sprintf("band %s is left out: its lines have another number of pixels, or it was not asked for", strings.Join(others, ", ")))
	}
	return set, err
}

// aligned brings bands, one a product, onto the grid of the one whose signal
// is best above its noise.
func (b *cubeBuilder) aligned(s *source, way string) (*bandSet, error) {
	if err := b.load(s); err != nil {
		return nil, err
	}
	set := newSet(s, way)
	set.begin, set.end = s.products[0].time, s.products[0].time
	for _, p := range s.products {
		set.begin, set.end = earlier(set.begin, p.time), later(set.end, p.time)
	}
	reference, best := 0, math.Inf(-1)
	for i, p := range s.products {
		set.bands = append(set.bands, p.bandOf(p.record.Band, set.begin))
		set.rasters = append(set.rasters, p.raster)
		if snr := medianSNR(p.raster); snr > best {
			reference, best = i, snr
		}
	}
	for _, p := range s.products {
		p.raster = nil // the set has them
	}
	set.alignSigma = leastAlignSigma
	if len(set.rasters) < 2 {
		set.alignSigma = math.NaN()
		return set, nil
	}
	if b.opt.KeepPlace {
		set.stages = append(set.stages, StageRecord{stageKeepPlace, nil})
		return set, nil
	}
	return set, b.align(set, reference)
}

// align measures the displacements of a set's bands and takes them out.
func (b *cubeBuilder) align(set *bandSet, reference int) error {
	var others []*calib.Raster
	var index []int
	for i, r := range set.rasters {
		if i != reference {
			others, index = append(others, r), append(index, i)
		}
	}
	shifts, errs := align.FindAll(set.rasters[reference], others, align.Options{MaxShift: b.opt.MaxShiftPx, Workers: b.opt.Workers,
		Allow: calib.NearSaturated | calib.OffsetUnsure | calib.SmearUnsure | calib.LineSmear | calib.ResidualUnsure | calib.MixUnsure})
	for i, err := range errs {
		if err != nil {
			return fmt.Errorf("band %s against %s: %w; nothing is made up: choose frames of one scene, or --keep-place where the camera looked at one place",
				set.bands[index[i]].Name, set.bands[reference].Name, err)
		}
	}
	record := StageRecord{"align", []calib.Setting{{Name: "reference", Value: set.bands[reference].Name}, {Name: "kernel", Value: b.opt.Kernel.String()},
		{Name: "max_shift_px", Value: fmt.Sprint(b.opt.MaxShiftPx)}}}
	for i, sh := range shifts {
		band := &set.bands[index[i]]
		band.DX, band.DY, band.SigmaX, band.SigmaY = sh.DX, sh.DY, sh.SigmaX, sh.SigmaY
		set.rasters[index[i]] = align.Resample(set.rasters[index[i]], sh.DX, sh.DY, b.opt.Kernel, b.opt.Workers)
		lagX, lagY := align.Correlation(b.opt.Kernel, sh.DX, sh.DY)
		widen(set.rasters[index[i]], (1+2*band.LagX*lagX)*(1+2*band.LagY*lagY))
		band.LagX, band.LagY = joinLag(band.LagX, lagX), joinLag(band.LagY, lagY)
		set.alignSigma = max(set.alignSigma, sh.SigmaX, sh.SigmaY)
		record.Settings = append(record.Settings, calib.Setting{Name: "shift." + band.Name, Value: fmt.Sprintf("%.5f,%.5f", sh.DX, sh.DY)})
	}
	set.stages = append(set.stages, record)
	return nil
}

// widen multiplies the variance of an image that was resampled before: its
// neighbours' errors were correlated by lag, so that the sum of w_k w_l cov_kl
// exceeds that of w_k^2 var_k by 1 + 2 lag rho along each axis, rho being the
// correlation that the new weights make (JCGM 100:2008, 5.2).
func widen(r *calib.Raster, factor float64) {
	if factor == 1 {
		return
	}
	for i := range r.Variance {
		r.Variance[i] *= float32(factor)
	}
}

// joinLag is the correlation of neighbours after a second resampling, to
// first order.
func joinLag(a, b float64) float64 { return a + b - a*b }

// stack separates the layers of one frame.
func (b *cubeBuilder) stack(s *source) (*bandSet, error) {
	var layers []*productFile
	for _, name := range b.in.Profile.Stack.Layers {
		i := slices.IndexFunc(s.products, func(p *productFile) bool { return p.record.Detector == name })
		if i < 0 {
			return nil, fmt.Errorf("layer %s is missing: calibrate all layers of %s", name, s.stem)
		}
		layers = append(layers, s.products[i])
	}
	s.products = layers
	if err := alike(layers); err != nil {
		return nil, err
	}
	if err := b.load(s); err != nil {
		return nil, err
	}
	set := newSet(s, wayStack)
	if err := b.unmix(set, s.products); err != nil {
		return nil, err
	}
	set.choose(b.wanted())
	return set, nil
}

// choose keeps some bands, in the order wanted.
func (s *bandSet) choose(wanted []string) {
	var bands []BandOfCube
	var rasters []*calib.Raster
	for _, name := range wanted {
		i := slices.IndexFunc(s.bands, func(b BandOfCube) bool { return b.Name == name })
		bands, rasters = append(bands, s.bands[i]), append(rasters, s.rasters[i])
	}
	s.bands, s.rasters = bands, rasters
}

// unmix turns layers' electrons into bands.
func (b *cubeBuilder) unmix(set *bandSet, layers []*productFile) error {
	p := b.in.Profile
	u, err := b.in.unmixer()
	if err != nil {
		return err
	}
	width, height := layers[0].widthPx, layers[0].heightPx
	for i, band := range p.Bands {
		r := calib.NewRaster(width, height)
		set.rasters = append(set.rasters, r)
		of := layers[0].bandOf(band.Name, set.begin)
		of.Products = nil
		for _, l := range layers {
			of.Products = append(of.Products, l.name())
		}
		of.NoiseGain = u.NoiseGain[i]
		set.bands = append(set.bands, of)
	}
	var rasters []*calib.Raster
	for _, l := range layers {
		rasters = append(rasters, l.raster)
	}
	correlation, err := u.MeanCorrelation(rasters)
	if err != nil {
		return err
	}
	scales, unit, err := b.bandScales(layers[0], set)
	if err != nil {
		return err
	}
	set.unit = unit
	err = parallel(b.opt.Workers, (height+bandRows-1)/bandRows, func(_, block int) error {
		from, to := block*bandRows*width, min((block+1)*bandRows, height)*width
		if err := u.Rows(mixRows(rasters, from, to), mixRows(set.rasters, from, to), p.Stack.MinSNR); err != nil {
			return err
		}
		for i, r := range set.rasters {
			k := float32(scales[i])
			for x := from; x < to; x++ {
				r.Value[x] *= k
				r.Variance[x] *= k * k
			}
		}
		return nil
	})
	record := StageRecord{"separate layers", []calib.Setting{{Name: "condition", Value: fmt.Sprintf("%.4g", u.Condition)}}}
	for i, a := range p.Bands {
		record.Settings = append(record.Settings, calib.Setting{Name: "noise_gain." + a.Name, Value: fmt.Sprintf("%.4g", u.NoiseGain[i])})
		for j := i + 1; j < len(p.Bands); j++ {
			record.Settings = append(record.Settings, calib.Setting{Name: "correlation." + a.Name + "." + p.Bands[j].Name, Value: fmt.Sprintf("%.4f", correlation[i][j])})
		}
	}
	set.stages = append(set.stages, record)
	return err
}

// maxCondition bounds the condition number of a matrix of layers; what a
// camera stands is bounded by stack.max_amplification.
const maxCondition = 1e6

func mixRows(rasters []*calib.Raster, from, to int) calib.MixRows {
	var m calib.MixRows
	for _, r := range rasters {
		m.Value, m.Variance, m.Flags = append(m.Value, r.Value[from:to]), append(m.Variance, r.Variance[from:to]), append(m.Flags, r.Flags[from:to])
	}
	return m
}

// bandScales returns what turns the electrons of each band, separated, into
// the product's quantity, and adds the uncertainties of that to the set.
func (b *cubeBuilder) bandScales(p *productFile, set *bandSet) ([]float64, string, error) {
	f := &Frame{Detector: p.detector, Info: configs.FrameInfo{ExposureS: p.exposureS, SunDistanceAU: p.sunAU, Binning: 1}}
	pl := &plan{in: b.in, frame: f, sensor: b.in.sensors[p.detector]}
	set.addSystematic(pl.lightTerms())
	var out []float64
	unit := ""
	for i := range b.in.Profile.Bands {
		l, err := pl.light(&b.in.Profile.Bands[i])
		if err != nil {
			return nil, "", err
		}
		out, unit = append(out, l.Scale), l.Unit
	}
	return out, unit, nil
}
