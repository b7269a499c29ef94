package configs

import (
	"fmt"
	"slices"
	"strings"
)

// Bounds on what particular kinds of sensor have.
const (
	maxPatternSide = 8 // pixels
	maxStrips      = 256
	maxRowS        = 10     // s from row to row
	maxCodes       = 65_536 // of a decompanding table: 16 bits
	minZones       = 2
	maxZones       = 32
	maxMarks       = 1000 // along columns or rows
)

func ends() []string { return []string{FirstRow, LastRow} }

// sensor checks what particular kinds of sensor have, as far as it does not
// need the frame's regions.
func (c *checker) sensor(path string, d *Detector) {
	c.mosaic(path+".mosaic", d.Mosaic)
	c.rolling(path+".rolling", d.Rolling)
	c.smear(path+".smear", d.Smear)
	c.decompanding(path, d)
	c.residual(path+".residual", d.Residual)
	c.lineScan(path, d)
}

// sensorRegions checks what particular kinds of sensor have against the
// regions of the frame.
func (c *checker) sensorRegions(path string, d *Detector) {
	c.patternFits(path, d)
	c.strips(path, d)
	c.maskedRows(path, d)
	c.zonesFit(path, d)
	c.marks(path, d)
	c.hits(path+".hits", d.Hits)
	c.fill(path+".fill", d)
}

// Mosaics.

func (c *checker) mosaic(path string, m *Mosaic) {
	if m == nil {
		return
	}
	path += ".pattern"
	if len(m.Pattern) == 0 || len(m.Pattern) > maxPatternSide {
		c.addf(path, fmt.Sprintf("write 1 to %d", maxPatternSide), "has %d rows", len(m.Pattern))
		return
	}
	names := c.p.bandNames()
	for i, row := range m.Pattern {
		switch {
		case len(row) == 0 || len(row) > maxPatternSide:
			c.addf(at(path, i), fmt.Sprintf("write 1 to %d", maxPatternSide), "has %d columns", len(row))
		case len(row) != len(m.Pattern[0]):
			c.clash(at(path, i), "give every row of the pattern the same number of bands", "has %d bands, and the first row %d", len(row), len(m.Pattern[0]))
		}
		for k, name := range row {
			c.bandName(at(at(path, i), k), name, names)
		}
	}
}

// size gives the columns and rows of the pattern, and whether it is a
// rectangle of a size that is let pass.
func (m *Mosaic) size() (wide, high int, ok bool) {
	if m == nil || len(m.Pattern) == 0 || len(m.Pattern) > maxPatternSide {
		return 0, 0, false
	}
	wide, high = len(m.Pattern[0]), len(m.Pattern)
	ragged := slices.ContainsFunc(m.Pattern, func(row []string) bool { return len(row) != wide })
	return wide, high, !ragged && wide >= 1 && wide <= maxPatternSide
}

// patternFits checks that a mosaic's pattern fits a whole number of times into
// the image, and at least once into the reference region.
func (c *checker) patternFits(path string, d *Detector) {
	wide, high, ok := d.Mosaic.size()
	if !ok {
		return // no mosaic, or said already
	}
	image := []string{path + ".image"}
	if w := d.Image.Width(); w%wide != 0 {
		c.clashWith(image, path+".mosaic.pattern", fmt.Sprintf("let image.columns span a multiple of %d", wide),
			"is %d columns wide and does not divide the image's %d columns", wide, w)
	}
	if h := d.Image.Height(); h%high != 0 {
		c.clashWith(image, path+".mosaic.pattern", fmt.Sprintf("let image.rows span a multiple of %d", high),
			"is %d rows high and does not divide the image's %d rows", high, h)
	}
	if d.Reference.Width() < wide || d.Reference.Height() < high {
		c.clashWith([]string{path + ".mosaic"}, path+".reference", "make it larger, so that it holds every band",
			"%s holds no whole pattern of %d x %d pixels", d.Reference, wide, high)
	}
}

// Strips of filters.

func (c *checker) strips(path string, d *Detector) {
	if len(d.Strips) > maxStrips {
		c.addf(path+".strips", fmt.Sprintf("list at most %d", maxStrips), "lists %d strips", len(d.Strips))
		return
	}
	names := c.p.bandNames()
	lit := map[string]bool{} // bands with a row in the reference region
	for i, s := range d.Strips {
		own := at(path+".strips", i)
		c.bandName(own+".band", s.Band, names)
		if !c.rowsInFrame(own+".rows", path, s.Rows, d) {
			lit[s.Band] = true // said already
			continue
		}
		if !d.Image.sharesRows(s.Rows) {
			c.clashWith([]string{path + ".image"}, own+".rows", "leave the strip out, or mend its rows or the image's",
				"none of the rows %d..%d lies in the image rows %d..%d", s.Rows[0], s.Rows[1], d.Image.Rows[0], d.Image.Rows[1])
			continue
		}
		lit[s.Band] = lit[s.Band] || d.Reference.sharesRows(s.Rows)
		for j := range i {
			if other := d.Strips[j]; overlap(other.Rows, s.Rows) {
				c.clash(own+".rows", "each row belongs to one strip", "rows %d..%d overlap those of the strip of %s, %d..%d",
					s.Rows[0], s.Rows[1], other.Band, other.Rows[0], other.Rows[1])
			}
		}
	}
	c.stripsInReference(path, d, lit)
}

// stripsInReference checks that flats can be normalised in every band.
func (c *checker) stripsInReference(path string, d *Detector, lit map[string]bool) {
	for _, s := range d.Strips {
		inImage, seen := lit[s.Band]
		if seen && !inImage {
			c.clashWith([]string{path + ".strips"}, path+".reference", "let it span some rows of every strip",
				"%s holds no row of the band %s, whose flats have mean 1 there", d.Reference, s.Band)
			lit[s.Band] = true // said once
		}
	}
}

// rowsInFrame checks that a range of raw rows is one and lies in the frame.
func (c *checker) rowsInFrame(path, detectorPath string, rows [2]int, d *Detector) bool {
	switch {
	case rows[0] > rows[1]:
		c.clash(path, "write the smaller number first", "rows %d..%d run backwards", rows[0], rows[1])
	case rows[0] < 1 || rows[1] > d.Height:
		c.clashWith([]string{detectorPath}, path, fmt.Sprintf("keep them within 1..%d (the first row is 1)", d.Height),
			"rows %d..%d are not inside the raw frame of %d rows", rows[0], rows[1], d.Height)
	default:
		return true
	}
	return false
}

func (r Region) sharesRows(rows [2]int) bool { return overlap(r.Rows, rows) }

// overlap tells whether two ranges share a number.
func overlap(a, b [2]int) bool { return a[0] <= b[1] && b[0] <= a[1] }

// Rows in time.

func (c *checker) rowTime(path string, rowS float64) {
	if !(rowS > 0 && rowS <= maxRowS) {
		c.addf(path, fmt.Sprintf("write the seconds from row to row, above 0 and up to %d", maxRowS), "is %s", brief(rowS))
	}
}

func (c *checker) rolling(path string, r *Rolling) {
	if r == nil {
		return
	}
	c.oneOf(path+".kind", r.Kind, []string{RollingShutter, RollingReset})
	c.rowTime(path+".row_s", r.RowS)
	c.oneOf(path+".first", r.First, ends())
}

func (c *checker) smear(path string, s *Smear) {
	if s == nil {
		return
	}
	c.rowTime(path+".row_s", s.RowS)
	c.oneOf(path+".toward", s.Toward, ends())
	when := []string{ShiftBefore, ShiftAfter, ShiftBoth}
	c.oneOf(path+".when", s.When, when)
	if s.MaskedRows != nil && s.When != ShiftBoth && slices.Contains(when, s.When) {
		c.clash(path+".masked_rows", "leave them out; only with when: both does every pixel pass the same rows as they do",
			"are given, and the image is shifted only %s the exposure", s.When)
	}
}

func (c *checker) maskedRows(path string, d *Detector) {
	if d.Smear == nil || d.Smear.MaskedRows == nil {
		return
	}
	rows, own := *d.Smear.MaskedRows, path+".smear.masked_rows"
	if c.rowsInFrame(own, path, rows, d) && d.Image.sharesRows(rows) {
		c.clashWith([]string{path + ".image"}, own, "keep the two apart: light falls on the image",
			"rows %d..%d and the image rows %d..%d overlap", rows[0], rows[1], d.Image.Rows[0], d.Image.Rows[1])
	}
}

// Decompanding.

func (c *checker) decompanding(path string, d *Detector) {
	t, path := d.Decompanding, path+".decompanding"
	const one = "give exactly one of dn and square_root"
	switch {
	case t == nil:
	case len(t.DN) > 0 && t.SquareRoot != nil:
		c.clash(path, one, "holds both dn and square_root")
	case t.SquareRoot != nil:
		c.squareRoot(path, t, d)
	case len(t.DN) > 0:
		c.codeTable(path, t, d)
	default:
		c.clash(path, one, "holds neither dn nor square_root")
	}
}

func (c *checker) squareRoot(path string, t *Decompanding, d *Detector) {
	if len(t.WidthDN) > 0 {
		c.clash(path+".width_dn", "leave it out; the rule of square_root gives the widths", "is given, and so is square_root")
	}
	r, path := t.SquareRoot, path+".square_root"
	if !c.within(path+".codes", float64(r.Codes), 2, maxCodes) {
		return
	}
	if r.MaxDN < r.Codes-1 {
		c.clash(path+".max_dn", "write the highest DN that the codes stand for", "is %d, and %d codes need at least %d", r.MaxDN, r.Codes, r.Codes-1)
	}
	c.belowCeiling(path+".max_dn", float64(r.MaxDN), d)
}

func (c *checker) codeTable(path string, t *Decompanding, d *Detector) {
	if n := len(t.DN); n < 2 || n > maxCodes {
		c.addf(path+".dn", fmt.Sprintf("list 2 to %d", maxCodes), "lists %d codes", n)
		return
	}
	for k, dn := range t.DN {
		if k == 0 {
			c.atLeast(at(path+".dn", k), dn, 0)
			continue
		}
		if !(dn > t.DN[k-1]) {
			c.clash(at(path+".dn", k), "let each code stand for more DN than the code before it", "%s DN follows %s DN", brief(dn), brief(t.DN[k-1]))
			return
		}
	}
	c.belowCeiling(at(path+".dn", len(t.DN)-1), t.DN[len(t.DN)-1], d)
	if len(t.WidthDN) > 0 && len(t.WidthDN) != len(t.DN) {
		c.clash(path+".width_dn", "give each code one, or leave them out", "lists %d widths for %d codes", len(t.WidthDN), len(t.DN))
	}
	for k, w := range t.WidthDN {
		c.above(at(path+".width_dn", k), w, 0)
	}
}

// belowCeiling checks that the highest code stands for what the converter can
// have written.
func (c *checker) belowCeiling(path string, dn float64, d *Detector) {
	if dn > d.ceilingDN() {
		c.clash(path, "mend the table, or adc_bits, which is the converter's before companding",
			"%s DN is above the ceiling of %d bits, %s DN", brief(dn), d.ADCBits, brief(d.ceilingDN()))
	}
}

// Line scanners.

// lineScan checks that a detector that exposes line by line is described as
// one line, and has nothing that needs a frame.
func (c *checker) lineScan(path string, d *Detector) {
	if d.LineScan == nil {
		return
	}
	c.atLeast(path+".line_scan.max_smear_pixels", d.LineScan.MaxSmearPixels, 0)
	if d.Height > 1 {
		c.clash(path+".height", "write 1; a file may hold any number of lines", "is %d, and a line scanner's profile describes one line", d.Height)
	}
	for _, part := range []struct {
		key   string
		there bool
	}{
		{"mosaic", d.Mosaic != nil}, {"strips", len(d.Strips) > 0}, {"rolling", d.Rolling != nil},
		{"smear", d.Smear != nil}, {"residual", d.Residual != nil}, {"marks", d.Marks != nil},
	} {
		if part.there {
			c.clash(path+"."+part.key, "leave one of the two out", "is given, and so is line_scan, which takes no whole frames")
		}
	}
}

// Camera tubes.

func (c *checker) residual(path string, r *Residual) {
	if r == nil {
		return
	}
	if !(r.Fraction > 0 && r.Fraction < 1) {
		c.addf(path+".fraction", "write a fraction between 0 and 1 (4 % is 0.04)", "is %s", brief(r.Fraction))
	}
	c.relative(path+".fraction_relative_uncertainty", r.FractionRelUncert)
	c.above(path+".max_gap_s", r.MaxGapS, 0)
}

func (c *checker) zones(path string, l *Linearity) {
	if l.Zones == [2]int{} {
		return
	}
	for i, n := range l.Zones {
		c.within(at(path+".zones", i), float64(n), minZones, maxZones)
	}
	if from := []string{LinearityNone, LinearityProfile}; slices.Contains(from, l.From) {
		c.clash(path+".zones", "leave them out, or set linearity.from to ladder", "are given, and linearity.from is %s", l.From)
	}
}

// zonesFit checks that each zone has pixels of its own.
func (c *checker) zonesFit(path string, d *Detector) {
	z := d.Linearity.Zones
	if z[0] > d.Image.Width() || z[1] > d.Image.Height() {
		c.clashWith([]string{path + ".image"}, path+".linearity.zones", "write fewer zones",
			"are %d x %d, and the image has %d x %d pixels", z[0], z[1], d.Image.Width(), d.Image.Height())
	}
}

func (c *checker) marks(path string, d *Detector) {
	if d.Marks == nil {
		return
	}
	m, own := d.Marks, path+".marks"
	good := true
	for i := range 2 {
		good = c.within(at(own+".count", i), float64(m.Count[i]), 1, maxMarks) && good
		good = c.within(at(own+".first", i), m.First[i], -maxSide, maxSide) && good
		if !(m.Step[i] > 0 && m.Step[i] <= maxSide) {
			c.addf(at(own+".step", i), "write the distance of neighbouring marks in pixels", "is %s", brief(m.Step[i]))
			good = false
		}
	}
	c.above(own+".radius_pixels", m.RadiusPixels, 0)
	c.above(own+".search_pixels", m.SearchPixels, 0)
	good = c.within(own+".order", float64(m.Order), 1, 5) && good
	if good {
		c.markGrid(path, d)
	}
}

// markGrid checks that the marks lie in the image, can be told apart and
// suffice for the distortion.
func (c *checker) markGrid(path string, d *Detector) {
	m, own := d.Marks, path+".marks"
	for i, axis := range []struct {
		name        string
		first, last int
	}{{"column", d.Image.Columns[0], d.Image.Columns[1]}, {"row", d.Image.Rows[0], d.Image.Rows[1]}} {
		last := m.First[i] + float64(m.Count[i]-1)*m.Step[i]
		if m.First[i] < float64(axis.first) || last > float64(axis.last) {
			c.clashWith([]string{path + ".image"}, own, "mend first, step or count",
				"reach from %s %s to %s, and the image from %d to %d", axis.name, brief(m.First[i]), brief(last), axis.first, axis.last)
		}
	}
	// A polynomial of order n needs n + 1 places along each axis; a grid that
	// has them determines all of its (n+1)(n+2)/2 terms.
	if least := min(m.Count[0], m.Count[1]); m.Order >= least {
		c.clash(own+".order", "write a lower order", "is %d, which %d x %d marks do not determine", m.Order, m.Count[0], m.Count[1])
	}
	if nearest := min(m.Step[0], m.Step[1]); 2*m.SearchPixels >= nearest {
		c.clash(own+".search_pixels", "write less than half the step, or marks are taken for their neighbours",
			"is %s, and the marks stand %s apart", brief(m.SearchPixels), brief(nearest))
	}
}

// whoTellsTheBand words why no header keyword does.
func (p *Profile) whoTellsTheBand() string {
	if p.Stack != nil {
		return "each layer of the stack sees all bands"
	}
	var with []string
	for i := range p.Detectors {
		if d := &p.Detectors[i]; len(d.bandSources()) > 0 {
			with = append(with, fmt.Sprintf("detector %s has %s", d.Name, strings.Join(d.bandSources(), " and ")))
		}
	}
	return strings.Join(with, ", ")
}

// bandSources names what tells the band of the detector's pixels besides a
// header keyword.
func (d *Detector) bandSources() []string {
	var s []string
	if d.Band != "" {
		s = append(s, "band")
	}
	if d.Mosaic != nil {
		s = append(s, "mosaic")
	}
	if len(d.Strips) > 0 {
		s = append(s, "strips")
	}
	return s
}
