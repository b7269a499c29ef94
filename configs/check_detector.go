package configs

import (
	"fmt"
	"math"
	"regexp"
	"slices"
	"strings"
)

func (c *checker) detectors() {
	n := len(c.p.Detectors)
	if n == 0 {
		c.add("detectors", "lists no detector", "describe at least one")
	}
	if n > maxDetectors {
		c.addf("detectors", fmt.Sprintf("list at most %d", maxDetectors), "lists %d detectors", n)
		return
	}
	names, hdus := map[string]bool{}, map[string][]*Detector{}
	for i := range c.p.Detectors {
		d, path := &c.p.Detectors[i], at("detectors", i)
		if names[d.Name] {
			c.clash(path+".name", "give each detector a name of its own", "the detector name %q stands twice", d.Name)
		}
		names[d.Name] = true
		if n > 1 {
			c.ownHDU(path, d, hdus)
		}
		c.detector(path, d)
	}
}

// ownHDU checks that the detectors of a camera with several do not read the
// same samples: each has an HDU of its own, or a plane of a cube. Names of
// extensions are compared without regard to case.
func (c *checker) ownHDU(path string, d *Detector, taken map[string][]*Detector) {
	hdu := strings.ToUpper(strings.TrimSpace(d.HDU))
	if hdu == "" {
		c.clash(path+".hdu", "say which HDU holds this one's samples", "is missing, and the camera has several detectors")
		return
	}
	for _, other := range taken[hdu] {
		switch {
		case d.Plane == 0 || other.Plane == 0:
			c.clash(path+".hdu", "give each detector an HDU of its own, or each a plane of the cube in this one",
				"detector %s reads HDU %s already", other.Name, d.HDU)
		case d.Plane == other.Plane:
			c.clash(path+".plane", "give each detector a plane of its own", "detector %s reads plane %d of HDU %s already", other.Name, d.Plane, d.HDU)
		default:
			continue
		}
		break // one clash is enough
	}
	taken[hdu] = append(taken[hdu], d)
}

func (c *checker) detector(path string, d *Detector) {
	c.name(path+".name", d.Name)
	c.hdu(path+".hdu", d.HDU)
	c.within(path+".plane", float64(d.Plane), 0, maxPlanes)
	c.within(path+".adc_bits", float64(d.ADCBits), 1, 32)
	if d.FillDN != nil {
		c.finite(path+".fill_dn", *d.FillDN)
	}
	if !c.amplifierCount(path+".amplifiers", len(d.Amplifiers)) {
		return
	}
	c.offset(path, d)
	c.saturation(path, d)
	c.linearity(path, d)
	c.dark(path+".dark", &d.Dark)
	c.badPixels(path+".bad_pixels", &d.BadPixels)
	c.characterised(path+".characterised", d.Characterised)
	c.amplifierValues(path+".amplifiers", d)
	c.sensor(path, d)
	if c.frameSize(path, d) && c.regions(path, d) {
		c.sensorRegions(path, d)
	}
}

// contentHash is a SHA-256 in hexadecimal.
var contentHash = regexp.MustCompile(`^[0-9a-f]{64}$`)

func (c *checker) characterised(path string, ref *Characterised) {
	switch {
	case ref == nil:
	case ref.File == "":
		c.add(path+".file", "is empty", "name the JSON file that 'evenlight characterise' wrote, relative to the profile")
	case ref.SHA256 != "" && !contentHash.MatchString(ref.SHA256):
		c.addf(path+".sha256", "leave it out: it is filled in from the file", "%q is no SHA-256", shorten(ref.SHA256))
	}
}

func (c *checker) amplifierCount(path string, n int) bool {
	switch {
	case n == 0:
		c.add(path, "lists no amplifier", "describe at least one")
	case n > maxAmplifiers:
		c.addf(path, fmt.Sprintf("list at most %d", maxAmplifiers), "lists %d amplifiers", n)
	default:
		return true
	}
	return false
}

// hduForm is a number or an EXTNAME, with or without an EXTVER.
var hduForm = regexp.MustCompile(`^[^,]*[^, ][^,]*(, *[1-9][0-9]* *)?$`)

func (c *checker) hdu(path, hdu string) {
	if hdu != "" && !hduForm.MatchString(hdu) {
		c.addf(path, "write a number, an EXTNAME, or EXTNAME,EXTVER as in CHIP,2", "%q names no HDU", shorten(hdu))
	}
}

// frameSize tells whether the frame has a size that regions can be compared
// with. Regions of a line scanner are compared with its one line only.
func (c *checker) frameSize(path string, d *Detector) bool {
	wide := c.within(path+".width", float64(d.Width), 1, maxSide)
	high := c.within(path+".height", float64(d.Height), 1, maxSide)
	return wide && high && (d.LineScan == nil || d.Height == 1)
}

// regions tells whether image and reference region are such that other things
// can be compared with them.
func (c *checker) regions(path string, d *Detector) bool {
	frame := namedRegion{d.Frame(), "the raw frame", path}
	good := c.inside(path+".image", d.Image, frame)
	good = c.inside(path+".reference", d.Reference, namedRegion{d.Image, "the image region", path + ".image"}) && good
	if c.amplifierRegions(path+".amplifiers", d, frame) {
		c.tiling(path+".amplifiers", d)
	}
	for i := range d.Amplifiers {
		c.overscan(path, i, d)
	}
	return good
}

// namedRegion is a region with the words for it and the path of its numbers.
type namedRegion struct {
	Region
	name string
	path string
}

// inside checks that a region is one and lies in another.
func (c *checker) inside(path string, r Region, outer namedRegion) bool {
	switch {
	case r.Columns[0] > r.Columns[1] || r.Rows[0] > r.Rows[1]:
		c.clash(path, "write the smaller number first", "%s runs backwards", r)
	case !outer.Contains(r):
		c.clashWith([]string{outer.path}, path, fmt.Sprintf("keep it inside %s (the first column and row are 1)", outer.Region),
			"%s is not inside %s", r, outer.name)
	default:
		return true
	}
	return false
}

// amplifierRegions tells whether the regions lie in the frame, so that it
// makes sense to ask whether they tile it.
func (c *checker) amplifierRegions(path string, d *Detector, frame namedRegion) bool {
	good := true
	for i, a := range d.Amplifiers {
		good = c.inside(at(path, i)+".region", a.Region, frame) && good
	}
	return good
}

// tiling checks that each pixel of the frame is read by exactly one amplifier.
func (c *checker) tiling(path string, d *Detector) {
	regions := make([]Region, len(d.Amplifiers))
	for i, a := range d.Amplifiers {
		regions[i] = a.Region
		for j := range i {
			if both, ok := a.Region.Intersect(d.Amplifiers[j].Region); ok {
				c.clashWith([]string{path}, at(path, i)+".region", "each pixel belongs to one amplifier",
					"amplifier %s overlaps amplifier %s at %s", a.Name, d.Amplifiers[j].Name, both)
			}
		}
	}
	for _, gap := range gaps(d.Frame(), regions) {
		c.clash(path, "let the regions, overscan included, cover the whole raw frame", "no amplifier reads %s", gap)
	}
}

func (c *checker) overscan(detectorPath string, i int, d *Detector) {
	a := &d.Amplifiers[i]
	amplifierPath := at(detectorPath+".amplifiers", i)
	path := amplifierPath + ".overscan"
	if a.Overscan == nil {
		if d.Offset.From == OffsetOverscan {
			c.clash(path, "give its region, or set offset.from to bias", "amplifier %s has none, and offset.from is overscan", a.Name)
		}
		return
	}
	outer := namedRegion{a.Region, "the region of its amplifier " + a.Name, amplifierPath + ".region"}
	if c.inside(path, *a.Overscan, outer) {
		c.overscanAndImage(path, []string{amplifierPath + ".region", detectorPath + ".image", detectorPath + ".offset"}, a, d)
	}
}

// overscanAndImage checks that an overscan is no part of the image, and that
// it has a sample in each row of it that needs one.
func (c *checker) overscanAndImage(path string, needs []string, a *Amplifier, d *Detector) {
	if both, ok := a.Overscan.Intersect(d.Image); ok {
		c.clashWith(needs, path, "keep the two apart", "the overscan of amplifier %s and the image region share %s", a.Name, both)
		return
	}
	lit, ok := a.Region.Intersect(d.Image)
	perRow := d.Offset.From == OffsetOverscan && d.Offset.SmoothRows > 0
	if ok && perRow && (a.Overscan.Rows[0] > lit.Rows[0] || a.Overscan.Rows[1] < lit.Rows[1]) {
		c.clashWith(needs, path, "let it span them, or set offset.smooth_rows to 0 for one offset a frame",
			"rows %d..%d do not span the amplifier's image rows %d..%d, which the offset of each row needs",
			a.Overscan.Rows[0], a.Overscan.Rows[1], lit.Rows[0], lit.Rows[1])
	}
}

func (c *checker) amplifierValues(path string, d *Detector) {
	seen := map[string]bool{}
	for i := range d.Amplifiers {
		a, path := &d.Amplifiers[i], at(path, i)
		c.name(path+".name", a.Name)
		if seen[a.Name] {
			c.clash(path+".name", "give each amplifier of a detector a name of its own", "the amplifier name %q stands twice", a.Name)
		}
		seen[a.Name] = true
		c.above(path+".gain_e_per_dn", a.GainEPerDN, 0)
		c.relative(path+".gain_relative_uncertainty", a.GainRelUncert)
		c.atLeast(path+".read_noise_e", a.ReadNoiseE, 0)
		c.finite(path+".offset_dn", a.OffsetDN)
		c.atLeast(path+".offset_tolerance_dn", a.OffsetToleranceDN, 0)
		c.finite(path+".c2", a.C2)
		c.finite(path+".c3", a.C3)
	}
}

func (c *checker) offset(path string, d *Detector) {
	o, path := &d.Offset, path+".offset"
	c.oneOf(path+".from", o.From, []string{OffsetOverscan, OffsetBias})
	switch {
	case o.SmoothRows < 0 || o.SmoothRows != 0 && o.SmoothRows%2 == 0:
		c.addf(path+".smooth_rows", "write an odd number of rows, or 0 for one offset a frame", "is %d", o.SmoothRows)
	case o.SmoothRows > d.Height && d.Height > 0 && d.LineScan == nil: // lines have no end
		c.clash(path+".smooth_rows", "write fewer rows", "is %d, and the frame has %d rows", o.SmoothRows, d.Height)
	}
	c.atLeast(path+".reject_sigma", o.RejectSigma, 3)
}

// ceilingDN gives the largest number that the converter can write.
func (d *Detector) ceilingDN() float64 { return math.Ldexp(1, d.ADCBits) - 1 }

func (c *checker) saturation(path string, d *Detector) {
	s, path := &d.Saturation, path+".saturation"
	c.atLeast(path+".full_well_e", s.FullWellE, 0)
	c.within(path+".margin_sigma", s.MarginSigma, 0, 100)
	c.within(path+".grow_pixels", float64(s.GrowPixels), 0, maxGrowPixels)
	c.atLeast(path+".level_dn", s.LevelDN, 0)
	if s.LevelDN > d.ceilingDN() {
		c.clash(path+".level_dn", "write a level that the converter can reach, or leave it out",
			"%s DN is above the ceiling of %d bits, %s DN", brief(s.LevelDN), d.ADCBits, brief(d.ceilingDN()))
	}
	for i := range d.Amplifiers {
		c.saturationOf(path, s, &d.Amplifiers[i])
	}
}

// saturationOf refuses limits under which every sample would be saturated.
func (c *checker) saturationOf(path string, s *Saturation, a *Amplifier) {
	if s.LevelDN > 0 && s.LevelDN <= a.OffsetDN {
		c.clash(path+".level_dn", "write a raw level above the offset", "%s DN is not above the offset of amplifier %s, %s DN",
			brief(s.LevelDN), a.Name, brief(a.OffsetDN))
	}
	if margin := s.MarginSigma * a.ReadNoiseE; s.FullWellE > 0 && s.FullWellE <= margin {
		c.clash(path+".full_well_e", "write the full well in electrons, or a smaller margin",
			"%s e- is not above the margin of amplifier %s, %s e-", brief(s.FullWellE), a.Name, brief(margin))
	}
}

func (c *checker) linearity(path string, d *Detector) {
	l, path := &d.Linearity, path+".linearity"
	c.oneOf(path+".from", l.From, []string{LinearityNone, LinearityProfile, LinearityLadder})
	c.within(path+".order", float64(l.Order), 2, 5)
	c.atLeast(path+".max_dn", l.MaxDN, 0)
	c.zones(path, l)
	if l.From != LinearityProfile {
		return
	}
	for i := range d.Amplifiers {
		c.rising(path, d, &d.Amplifiers[i])
	}
}

// rising checks that a correction from the profile never falls in the range in
// which it is used: two signals would come out as one otherwise.
func (c *checker) rising(path string, d *Detector, a *Amplifier) {
	top := d.ceilingDN() - a.OffsetDN
	if d.Linearity.MaxDN > 0 {
		top = min(top, d.Linearity.MaxDN)
	}
	slope := func(v float64) float64 { return 1 + 2*a.C2*v + 3*a.C3*v*v }
	lowest := min(1, slope(top))
	if turn := -a.C2 / (3 * a.C3); a.C3 != 0 && turn > 0 && turn < top {
		lowest = min(lowest, slope(turn))
	}
	if !(lowest > 0) {
		c.clash(path+".from", "check c2 and c3 (per DN, not per electron), or set max_dn",
			"the correction of amplifier %s, c2 = %s and c3 = %s, falls below %s DN above offset", a.Name, brief(a.C2), brief(a.C3), brief(top))
	}
}

func (c *checker) dark(path string, d *Dark) {
	laws := []string{DarkDoubling, DarkActivation, DarkConstant}
	c.oneOf(path+".law", d.Law, laws)
	c.within(path+".reference_k", d.ReferenceK, 20, 400)
	c.relative(path+".law_relative_uncertainty", d.LawRelUncert)
	c.lawValue(path+".interval_k", d.IntervalK, d.Law == DarkDoubling)
	c.lawValue(path+".energy_ev", d.EnergyEV, d.Law == DarkActivation)
	if slices.Contains(laws, d.Law) && d.Law != DarkConstant && c.p.Keywords.TemperatureK == nil {
		c.clash("keywords.temperature_k", "name the keyword, or set the law to constant", "is missing, and the dark law %s needs it", d.Law)
	}
}

// lawValue checks the parameter of a dark law; one that the law does not use
// may stay out, or be there ready for a change of law.
func (c *checker) lawValue(path string, x float64, used bool) {
	if used {
		c.above(path, x, 0)
		return
	}
	c.atLeast(path, x, 0)
}

func (c *checker) badPixels(path string, b *BadPixels) {
	c.above(path+".hot_e_per_s", b.HotEPerS, 0)
	c.above(path+".unstable_sigma", b.UnstableSigma, 0)
	c.within(path+".dead_below", b.DeadBelow, 0, 1)
	c.within(path+".low_below", b.LowBelow, 0, 1)
	if b.LowBelow < b.DeadBelow {
		c.clash(path+".low_below", "write a larger fraction", "is %s, below dead_below %s", brief(b.LowBelow), brief(b.DeadBelow))
	}
	c.above(path+".nonlinear_fraction", b.NonlinearFraction, 0)
}
