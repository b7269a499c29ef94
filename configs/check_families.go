package configs

import (
	"fmt"
	"slices"
	"strings"
)

// families checks what the detectors of a camera are to one another.
func (c *checker) families() {
	if len(c.p.Detectors) > maxDetectors {
		return // said already
	}
	c.bandSources()
	c.lineScanners()
	c.stack()
	c.stereo()
	c.motion()
}

// bandSources checks that one thing tells the band of each pixel: for all
// detectors the header, or for each its band, its mosaic or its strips.
func (c *checker) bandSources() {
	names := c.p.bandNames()
	fromDetectors := c.p.bandFromDetectors() && c.p.Stack == nil
	for i := range c.p.Detectors {
		d, path := &c.p.Detectors[i], at("detectors", i)
		if d.Band != "" {
			c.bandName(path+".band", d.Band, names)
		}
		sources := d.bandSources()
		switch {
		case c.p.Stack != nil && len(sources) > 0:
			c.clashWith([]string{"stack"}, path+"."+sources[0], "leave one of the two out", "is given, and so is stack, whose layers see all bands")
		case len(sources) > 1:
			c.clash(path+"."+sources[1], "keep one of "+strings.Join(sources, " and "), "is given, and so is %s", sources[0])
		case fromDetectors && len(sources) == 0:
			c.clashWith([]string{"detectors"}, path+".band", "say which band the detector sees, or leave band out everywhere and name keywords.band",
				"is missing, and %s", c.p.whoTellsTheBand())
		}
	}
}

// lineScanners checks that the header's line times belong to detectors that
// scan lines. All detectors of a camera share a header.
func (c *checker) lineScanners() {
	scans := func(d Detector) bool { return d.LineScan != nil }
	k, lines := &c.p.Keywords, slices.ContainsFunc(c.p.Detectors, scans)
	detectors := []string{"detectors"}
	switch {
	case lines && k.LineTimeS == nil:
		c.clashWith(detectors, "keywords.line_time_s", "name the header keyword that holds the time from line to line", "is missing, and a detector has line_scan")
	case !lines && k.LineTimeS != nil && len(c.p.Detectors) > 0:
		c.clashWith(detectors, "keywords.line_time_s", "give the detectors line_scan, or use exposure_s", "is given, and no detector has line_scan")
	}
	for i := range c.p.Detectors {
		if lines && !scans(c.p.Detectors[i]) {
			c.clashWith(detectors, at("detectors", i)+".line_scan", "give all detectors of the camera line_scan, or write two profiles",
				"is missing, and another detector has it")
		}
	}
}

// detectorNames gives the names of the detectors in the profile's order.
func (p *Profile) detectorNames() []string {
	names := make([]string, len(p.Detectors))
	for i := range p.Detectors {
		names[i] = p.Detectors[i].Name
	}
	return names
}

// detectorName checks the name of a detector and gives its number.
func (c *checker) detectorName(path, name string) (int, bool) {
	names := c.p.detectorNames()
	i := slices.Index(names, name)
	if i < 0 {
		c.clashWith([]string{"detectors"}, path, suggest(name, names), "%q is none of the profile's detectors", shorten(name))
	}
	return i, i >= 0
}

// sameSize checks that two detectors, which are to be combined pixel by pixel,
// have images of one size.
func (c *checker) sameSize(path string, i, j int) {
	a, b := &c.p.Detectors[i], &c.p.Detectors[j]
	if a.Image.Width() != b.Image.Width() || a.Image.Height() != b.Image.Height() {
		c.clashWith([]string{"detectors"}, path, "give both detectors an image of the same size",
			"the image of %s has %d x %d pixels and that of %s %d x %d",
			a.Name, a.Image.Width(), a.Image.Height(), b.Name, b.Image.Width(), b.Image.Height())
	}
}

// Stacked photodiodes.

func (c *checker) stack() {
	s := c.p.Stack
	if s == nil {
		return
	}
	c.layers(s)
	c.matrix(s)
	c.atLeast("stack.max_amplification", s.MaxAmplification, 1)
	c.atLeast("stack.min_snr", s.MinSNR, 0)
}

// layers checks that the layers are the camera's detectors, each once.
func (c *checker) layers(s *Stack) {
	if len(s.Layers) > maxDetectors {
		c.addf("stack.layers", fmt.Sprintf("list at most %d", maxDetectors), "lists %d layers", len(s.Layers))
		return
	}
	first, seen := -1, map[int]bool{}
	for k, name := range s.Layers {
		path := at("stack.layers", k)
		i, ok := c.detectorName(path, name)
		switch {
		case !ok:
			continue
		case seen[i]:
			c.clash(path, "list each layer once", "the layer %q stands twice", name)
		case first < 0:
			first = i
		default:
			c.sameSize(path, first, i)
		}
		seen[i] = true
	}
	if len(seen) != len(s.Layers) {
		return // said already
	}
	for i, name := range c.p.detectorNames() {
		if !seen[i] {
			c.clashWith([]string{"detectors"}, "stack.layers", "add it; a detector of its own needs a profile of its own", "the detector %s is none of the layers", name)
		}
	}
	if bands := len(c.p.Bands); len(s.Layers) < bands {
		c.clashWith([]string{"bands"}, "stack.layers", "describe as many layers as bands, or fewer bands", "%d layers cannot tell %d bands apart", len(s.Layers), bands)
	}
}

func (c *checker) matrix(s *Stack) {
	if len(s.Matrix) != len(s.Layers) {
		c.clash("stack.matrix", "write a row for each layer", "has %d rows for %d layers", len(s.Matrix), len(s.Layers))
		return
	}
	for i, row := range s.Matrix {
		path := at("stack.matrix", i)
		if len(row) != len(c.p.Bands) {
			c.clashWith([]string{"bands"}, path, "write the share of each band, in the order of the bands", "has %d shares for %d bands", len(row), len(c.p.Bands))
		}
		for k, share := range row {
			c.finite(at(path, k), share)
		}
	}
}

// Stereo pairs.

func (c *checker) stereo() {
	s := c.p.Stereo
	if s == nil {
		return
	}
	left, knownLeft := c.detectorName("stereo.left", s.Left)
	right, knownRight := c.detectorName("stereo.right", s.Right)
	switch {
	case !knownLeft || !knownRight:
	case left == right:
		c.clash("stereo.right", "name the other detector", "%q is the left eye already", s.Right)
	default:
		c.sameSize("stereo.right", left, right)
	}
	c.within("stereo.max_disparity_pixels", s.MaxDisparityPixels, 0, maxSide)
}

// Motion over strips of filters.

func (c *checker) motion() {
	m := c.p.Motion
	if m == nil {
		return
	}
	if !slices.ContainsFunc(c.p.Detectors, func(d Detector) bool { return len(d.Strips) > 0 }) {
		c.clashWith([]string{"detectors"}, "motion", "give a detector strips, or leave motion out", "is given, and no detector has strips")
	}
	c.oneOf("motion.from", m.From, []string{MotionProfile, MotionMeasured})
	c.finite("motion.columns_per_s", m.ColumnsPerS)
	c.finite("motion.rows_per_s", m.RowsPerS)
	if m.RowsPerS == 0 {
		c.add("motion.rows_per_s", "is 0, and the ground never comes from strip to strip", "write the rows that the ground moves in 1 s; negative towards the first row")
	}
	c.atLeast("motion.search_pixels", m.SearchPixels, 0)
	if m.From == MotionMeasured && m.SearchPixels == 0 {
		c.clash("motion.search_pixels", "write how far from the given rates the motion may be", "is not given, and motion.from is measured")
	}
}
