package configs

import (
	"math"
	"slices"
	"strings"
	"testing"
)

func checkFaults(t *testing.T, instrument string, faults []fault) {
	t.Helper()
	base := builtin(t, instrument)
	for _, f := range faults {
		t.Run(f.name, func(t *testing.T) { f.check(t, base) })
	}
}

func TestFaultsOfAMosaic(t *testing.T) {
	const pattern, after = "        - [green, red]\n        - [blue, green]\n", "        - [green, red]\n"
	checkFaults(t, "brindle", []fault{
		{"row of another length", after, "        - [green, red, red]\n", "[blue, green]", "detectors.0.mosaic.pattern.1", "has 2 bands, and the first row 3", "same number"},
		{"band that is unknown", "[blue, green]", "[bleu, green]", "[bleu", "detectors.0.mosaic.pattern.1.0", `"bleu" is none of the profile's bands`, `"blue"`},
		{"row that is empty", after, "        - []\n", "- []", "detectors.0.mosaic.pattern.0", "is an empty list", "at least one"},
		{"pattern that is too high", pattern, strings.Repeat(after, 9), "pattern:", "detectors.0.mosaic.pattern", "has 9 rows", "1 to 8"},
		{"pattern that is too wide", pattern, "        - [red, red, red, red, red, red, red, red, red]\n", "- [red, red", "detectors.0.mosaic.pattern.0", "has 9 columns", "1 to 8"},
		{"pattern that does not divide the columns", pattern, "        - [green, red, blue]\n", "pattern:", "detectors.0.mosaic.pattern", "3 columns wide and does not divide the image's 512 columns", "multiple of 3"},
		{"pattern that does not divide the rows", pattern, after + after + after, "pattern:", "detectors.0.mosaic.pattern", "3 rows high and does not divide the image's 512 rows", "multiple of 3"},
		{"reference that holds no whole pattern", "columns: [145, 400]", "columns: [145, 145]", "[145, 145]", "detectors.0.reference", "no whole pattern of 2 x 2 pixels", "larger"},
		{"band keyword besides", "  target:          {key: OBJECT}\n", "  target:          {key: OBJECT}\n  band: {key: FILTER}\n", "band: {key", "keywords.band", "is given, and detector main has mosaic", "leave it out"},
		{"strips besides", "    offset: {from: overscan", "    strips: [{band: red, rows: [129, 384]}]\n    offset: {from: overscan", "strips:", "detectors.0.strips", "is given, and so is mosaic", "keep one of mosaic and strips"},
		{"band of the detector besides", "    height: 512\n", "    height: 512\n    band: red\n", "mosaic:", "detectors.0.mosaic", "is given, and so is band", "keep one of band and mosaic"},
		{"motion over no strips", "masters:", "motion: {from: profile, rows_per_s: 1}\nmasters:", "motion:", "motion", "no detector has strips", "leave motion out"},
		{"rows of an unknown kind", "kind: reset", "kind: resets", "kind: resets", "detectors.0.rolling.kind", `"resets" is not known`, `"reset"`},
		{"row time of 0", "row_s: 2.0e-5", "row_s: 0", "row_s: 0", "detectors.0.rolling.row_s", "is 0", "above 0"},
		{"row time in microseconds", "row_s: 2.0e-5", "row_s: 20", "row_s: 20", "detectors.0.rolling.row_s", "is 20", "seconds"},
		{"end that is unknown", "first: first_row", "first: top_row", "first: top_row", "detectors.0.rolling.first", `"top_row" is not known`, "first_row"},
		{"zones of which there is one", "order: 3}", "order: 3, zones: [1, 4]}", "zones: [1, 4]", "detectors.0.linearity.zones.0", "is 1", "from 2 to 32"},
		{"zones that are too many", "order: 3}", "order: 3, zones: [4, 33]}", "zones: [4, 33]", "detectors.0.linearity.zones.1", "is 33", "from 2 to 32"},
		{"zones of the wrong length", "order: 3}", "order: 3, zones: [4]}", "zones: [4]", "detectors.0.linearity.zones", "has 1 elements", "one along columns and one along rows"},
	})
}

func TestFaultsOfAFrameTransferCamera(t *testing.T) {
	const smear, table = "when: both, masked_rows: [513, 520]", "      square_root: {codes: 256, max_dn: 4095}\n"
	checkFaults(t, "oxlip", []fault{
		{"row time that is negative", "row_s: 2.0e-6", "row_s: -2.0e-6", "row_s: -2", "detectors.0.smear.row_s", "is -2e-06", "above 0"},
		{"end that is unknown", "toward: first_row", "toward: firstrow", "firstrow", "detectors.0.smear.toward", `"firstrow" is not known`, `"first_row"`},
		{"shift that is unknown", "when: both, masked_rows: [513, 520]", "when: twice", "when: twice", "detectors.0.smear.when", `"twice" is not known`, "before, after, both"},
		{"masked rows that pass half of the smear", smear, "when: after, masked_rows: [513, 520]", "when: after", "detectors.0.smear.masked_rows", "only after the exposure", "when: both"},
		{"masked rows beyond the frame", smear, "when: both, masked_rows: [513, 521]", "521", "detectors.0.smear.masked_rows", "rows 513..521 are not inside the raw frame of 520 rows", "within 1..520"},
		{"masked rows that run backwards", smear, "when: both, masked_rows: [520, 513]", "[520, 513]", "detectors.0.smear.masked_rows", "run backwards", "smaller number first"},
		{"masked rows in the image", smear, "when: both, masked_rows: [512, 520]", "[512, 520]", "detectors.0.smear.masked_rows", "rows 512..520 and the image rows 1..512 overlap", "apart"},
		{"no table at all", table, "      width_dn: [1, 1]\n", "decompanding:", "detectors.0.decompanding", "holds neither dn nor square_root", "exactly one"},
		{"two tables", table, table + "      dn: [0, 1]\n", "decompanding:", "detectors.0.decompanding", "holds both dn and square_root", "exactly one"},
		{"widths besides a rule", table, table + "      width_dn: [1, 1]\n", "width_dn", "detectors.0.decompanding.width_dn", "is given, and so is square_root", "leave it out"},
		{"one code", "codes: 256", "codes: 1", "codes: 1", "detectors.0.decompanding.square_root.codes", "is 1", "from 2 to 65536"},
		{"more codes than DN", "max_dn: 4095", "max_dn: 254", "max_dn: 254", "detectors.0.decompanding.square_root.max_dn", "256 codes need at least 255", "highest DN"},
		{"rule beyond the converter", "max_dn: 4095", "max_dn: 4096", "max_dn: 4096", "detectors.0.decompanding.square_root.max_dn", "4096 DN is above the ceiling of 12 bits, 4095 DN", "adc_bits"},
		{"table of one code", table, "      dn: [7]\n", "dn: [7]", "detectors.0.decompanding.dn", "lists 1 codes", "2 to 65536"},
		{"table that does not rise", table, "      dn: [0, 5, 5, 9]\n", "dn: [0", "detectors.0.decompanding.dn.2", "5 DN follows 5 DN", "more DN"},
		{"table that begins below 0", table, "      dn: [-1, 5]\n", "dn: [-1", "detectors.0.decompanding.dn.0", "is -1", "0 or more"},
		{"table beyond the converter", table, "      dn: [0, 5000]\n", "dn: [0", "detectors.0.decompanding.dn.1", "5000 DN is above the ceiling", "adc_bits"},
		{"widths of another number", table, "      dn: [0, 5]\n      width_dn: [1, 2, 3]\n", "width_dn", "detectors.0.decompanding.width_dn", "3 widths for 2 codes", "each code one"},
		{"width of 0", table, "      dn: [0, 5]\n      width_dn: [1, 0]\n", "width_dn", "detectors.0.decompanding.width_dn.1", "is 0", "above 0"},
		{"zones without a ladder", "linearity: {from: profile}", "linearity: {from: profile, zones: [6, 6]}", "zones", "detectors.0.linearity.zones", "linearity.from is profile", "ladder"},
	})
}

func TestFaultsOfALineScanner(t *testing.T) {
	const bg = "    hdu: BG\n    band: bluegreen\n    width: 528\n    height: 1\n"
	checkFaults(t, "tarn", []fault{
		{"stages that are missing", "  charge_stages:    {key: NSTAGE}\n", "", "keywords:", "keywords.charge_stages", "is missing, and line_time_s is given", "default of 1"},
		{"line time that is missing", "  line_time_s:      {key: LINETIME, unit: us}\n  charge_stages:    {key: NSTAGE}\n  binning:          {key: BINNING, unit: count, default: 1}\n",
			"  exposure_s: {key: LINETIME, unit: us}\n", "keywords:", "keywords.line_time_s", "is missing, and a detector has line_scan", "from line to line"},
		{"exposure time besides", "  target: ", "  exposure_s: {key: EXPO, unit: s}\n  target: ", "exposure_s:", "keywords.exposure_s", "comes from line_time_s and charge_stages", "leave it out"},
		{"stages that are a fraction", "{key: NSTAGE}", "{key: NSTAGE, default: 1.5}", "NSTAGE", "keywords.charge_stages.default", "is 1.5", "write a whole number from 1"},
		{"count in metres", "{key: NSTAGE}", "{key: NSTAGE, unit: m}", "NSTAGE", "keywords.charge_stages.unit", `"m" is not known`, "count"},
		{"speed in metres", "{key: GRNDVEL, unit: km/s}", "{key: GRNDVEL, unit: m}", "GRNDVEL", "keywords.ground_speed_m_s.unit", `"m" is not known`, "m/s"},
		{"speed that is negative", "{key: GRNDVEL, unit: km/s}", "{key: GRNDVEL, unit: km/s, default: -1}", "GRNDVEL", "keywords.ground_speed_m_s.default", "is -1", "in m/s, 0 m/s or more"},
		{"footprint in au", "{key: FOOTPRNT, unit: m}", "{key: FOOTPRNT, unit: au}", "FOOTPRNT", "keywords.footprint_m.unit", `"au" is not known`, "m, km, cm"},
		{"footprint of 0", "{key: FOOTPRNT, unit: m}", "{key: FOOTPRNT, unit: m, default: 0}", "FOOTPRNT", "keywords.footprint_m.default", "is 0", "above 0 m"},
		{"frame of two lines", bg, strings.Replace(bg, "height: 1", "height: 2", 1), "height: 2", "detectors.1.height", "is 2, and a line scanner's profile describes one line", "write 1"},
		{"smear besides", bg, bg + "    smear: {row_s: 1e-6, toward: last_row, when: after}\n", "smear:", "detectors.1.smear", "is given, and so is line_scan", "leave one"},
		{"rolling rows besides", bg, bg + "    rolling: {kind: shutter, row_s: 1e-6}\n", "rolling:", "detectors.1.rolling", "is given, and so is line_scan", "leave one"},
		{"residual image besides", bg, bg + "    residual: {fraction: 0.1, max_gap_s: 1}\n", "residual:", "detectors.1.residual", "is given, and so is line_scan", "leave one"},
		{"band that is unknown", "    band: bluegreen\n", "    band: bluegrey\n", "band: bluegrey", "detectors.1.band", `"bluegrey" is none of the profile's bands`, `"bluegreen"`},
		{"band that one detector lacks", "    band: bluegreen\n", "", "- name: bluegreen", "detectors.1.band", "is missing, and detector pan has band, detector nir has band", "keywords.band"},
		{"band keyword besides", "  target: ", "  band: {key: COLOUR}\n  target: ", "band: {key", "keywords.band", "detector pan has band", "leave it out"},
		{"overscan in the image", "overscan: {columns: [1041, 1056], rows: [1, 1]}", "overscan: {columns: [1040, 1056], rows: [1, 1]}", "[1040, 1056]", "detectors.0.amplifiers.1.overscan", "share columns 1040..1040, rows 1..1", "apart"},
	})
}

func TestFaultsOfStripsAndMotion(t *testing.T) {
	checkFaults(t, "fescue", []fault{
		{"strips that overlap", "rows: [139, 238]", "rows: [110, 238]", "[110, 238]", "detectors.0.strips.1.rows", "rows 110..238 overlap those of the strip of violet, 13..112", "one strip"},
		{"strip beyond the frame", "rows: [391, 490]", "rows: [391, 513]", "[391, 513]", "detectors.0.strips.3.rows", "not inside the raw frame of 512 rows", "within 1..512"},
		{"strip that begins at 0", "rows: [13, 112]", "rows: [0, 112]", "[0, 112]", "detectors.0.strips.0.rows", "not inside the raw frame", "the first row is 1"},
		{"strip that runs backwards", "rows: [139, 238]", "rows: [238, 139]", "[238, 139]", "detectors.0.strips.1.rows", "run backwards", "smaller number first"},
		{"strip of an unknown band", "{band: red,    rows", "{band: rad,    rows", "{band: rad", "detectors.0.strips.2.band", `"rad" is none of the profile's bands`, `"red"`},
		{"strip outside the image", "image:     {columns: [17, 528],  rows: [1, 512]}\n    reference: {columns: [145, 400], rows: [1, 512]}", "image:     {columns: [17, 528],  rows: [1, 380]}\n    reference: {columns: [145, 400], rows: [1, 380]}",
			"rows: [391, 490]", "detectors.0.strips.3.rows", "none of the rows 391..490 lies in the image rows 1..380", "leave the strip out"},
		{"reference without a row of a strip", "rows: [1, 512]}   # some rows", "rows: [1, 380]}   # some rows", "reference:", "detectors.0.reference", "holds no row of the band nir", "every strip"},
		{"band keyword besides", "  target: ", "  band: {key: COLOUR}\n  target: ", "band: {key", "keywords.band", "detector main has strips", "leave it out"},
		{"motion from nowhere", "from: profile, rows_per_s", "from: profiles, rows_per_s", "from: profiles", "motion.from", `"profiles" is not known`, `"profile"`},
		{"ground that stands still", "rows_per_s: 1.25", "rows_per_s: 0", "rows_per_s: 0", "motion.rows_per_s", "is 0", "negative towards the first row"},
		{"measured without a search", "from: profile, rows_per_s", "from: measured, rows_per_s", "motion:", "motion.search_pixels", "motion.from is measured", "how far"},
		{"search that is negative", "columns_per_s: 0.05", "search_pixels: -1", "search_pixels: -1", "motion.search_pixels", "is -1", "0 or more"},
	})
}

func TestFaultsOfStackedPhotodiodes(t *testing.T) {
	checkFaults(t, "umber", []fault{
		{"layer that is no detector", "layers: [top, middle, bottom]", "layers: [top, midle, bottom]", "layers:", "stack.layers.1", `"midle" is none of the profile's detectors`, `"middle"`},
		{"layer twice", "layers: [top, middle, bottom]", "layers: [top, middle, top]", "layers:", "stack.layers.2", `"top" stands twice`, "once"},
		{"row of another length", "    - [0.22, 0.60, 0.22]\n", "    - [0.22, 0.60]\n", "[0.22, 0.60]", "stack.matrix.1", "has 2 shares for 3 bands", "order of the bands"},
		{"row that is missing", "    - [0.22, 0.60, 0.22]\n", "", "matrix:", "stack.matrix", "has 2 rows for 3 layers", "each layer"},
		{"amplification below 1", "max_amplification: 5", "max_amplification: 0.5", "max_amplification: 0.5", "stack.max_amplification", "is 0.5", "1 or more"},
		{"ratio that is negative", "min_snr: 10", "min_snr: -10", "min_snr: -10", "stack.min_snr", "is -10", "0 or more"},
		{"plane of another layer", "plane: 3", "plane: 2 # again", "2 # again", "detectors.2.plane", "detector middle reads plane 2 of HDU 0 already", "plane of its own"},
		{"plane that is missing", "    hdu: 0\n    plane: 3\n", "    hdu: 0 # third\n", "0 # third", "detectors.2.hdu", "detector top reads HDU 0 already", "each a plane"},
		{"plane that is negative", "plane: 3", "plane: -3", "plane: -3", "detectors.2.plane", "is -3", "from 0"},
		{"band keyword besides", "  target: ", "  band: {key: COLOUR}\n  target: ", "band: {key", "keywords.band", "each layer of the stack sees all bands", "leave it out"},
		{"band of a layer", "    plane: 2\n", "    plane: 2\n    band: green\n", "band: green", "detectors.1.band", "is given, and so is stack", "leave one"},
	})
}

func TestFaultsOfACameraTube(t *testing.T) {
	checkFaults(t, "sallow", []fault{
		{"nothing that is kept", "fraction: 0.04,", "fraction: 0,", "fraction: 0,", "detectors.0.residual.fraction", "is 0", "4 % is 0.04"},
		{"all that is kept", "fraction: 0.04,", "fraction: 1,", "fraction: 1,", "detectors.0.residual.fraction", "is 1", "between 0 and 1"},
		{"gap of 0", "max_gap_s: 120", "max_gap_s: 0", "max_gap_s: 0", "detectors.0.residual.max_gap_s", "is 0", "above 0"},
		{"uncertainty in per cent", "fraction_relative_uncertainty: 0.05", "fraction_relative_uncertainty: 5", "fraction_relative_uncertainty: 5", "detectors.0.residual.fraction_relative_uncertainty", "is 5", "3 % is 0.03"},
		{"marks beyond the image", "step: [60, 60]", "step: [70, 60]", "marks:", "detectors.0.marks", "reach from column 28 to 448, and the image from 1 to 416", "first, step or count"},
		{"marks before the image", "first: [28, 28]", "first: [28, 0]", "marks:", "detectors.0.marks", "reach from row 0 to 360, and the image from 1 to 416", "first, step or count"},
		{"marks that do not determine the polynomial", "count: [7, 7]", "count: [7, 3]", "order: 3\n\nbands", "detectors.0.marks.order", "7 x 3 marks do not determine", "lower order"},
		{"order that is too high", "      order: 3\n", "      order: 6\n", "order: 6", "detectors.0.marks.order", "is 6", "from 1 to 5"},
		{"step of 0", "step: [60, 60]", "step: [60, 0]", "step:", "detectors.0.marks.step.1", "is 0", "distance of neighbouring marks"},
		{"no marks", "count: [7, 7]", "count: [0, 7]", "count:", "detectors.0.marks.count.0", "is 0", "from 1"},
		{"marks of no size", "radius_pixels: 2", "radius_pixels: 0", "radius_pixels: 0", "detectors.0.marks.radius_pixels", "is 0", "above 0"},
		{"search that reaches the neighbour", "search_pixels: 9", "search_pixels: 30", "search_pixels: 30", "detectors.0.marks.search_pixels", "is 30, and the marks stand 60 apart", "half the step"},
		{"pair of the wrong length", "step: [60, 60]", "step: [60]", "step:", "detectors.0.marks.step", "has 1 elements", "one along columns and one along rows"},
		{"mosaic besides a band keyword", "    height: 416\n", "    height: 416\n    mosaic: {pattern: [[orange, clear]]}\n", "band:\n", "keywords.band", "detector tube has mosaic", "leave it out"},
	})
}

func TestFaultsOfAStereoPair(t *testing.T) {
	checkFaults(t, "gemel", []fault{
		{"eye that is no detector", "right: right,", "right: rihgt,", "rihgt", "stereo.right", `"rihgt" is none of the profile's detectors`, `"right"`},
		{"one eye twice", "right: right,", "right: left,", "right: left", "stereo.right", `"left" is the left eye already`, "the other detector"},
		{"shift that is negative", "max_disparity_pixels: 12", "max_disparity_pixels: -12", "max_disparity_pixels: -12", "stereo.max_disparity_pixels", "is -12", "from 0"},
		{"response that falls back", "{nm: 420, relative", "{nm: 410, relative", "{nm: 410, relative: 0.062}, {nm: 410", "bands.0.response.1.nm", "410 nm follows 410 nm", "rising wavelength"},
		{"response that is negative", "{nm: 570, relative: 1}", "{nm: 570, relative: -1}", "relative: -1", "bands.0.response.16.relative", "is -1", "0 or more"},
		{"no line scan, yet a line time", "  exposure_s:      {key: EXPSECS, unit: s}\n", "  line_time_s: {key: EXPSECS, unit: s}\n  charge_stages: {default: 1}\n", "line_time_s:", "keywords.line_time_s", "no detector has line_scan", "use exposure_s"},
		{"no exposure", "  exposure_s:      {key: EXPSECS, unit: s}\n", "", "keywords:", "keywords.exposure_s", "is missing", "the exposure time"},
		{"stages without lines", "  target: ", "  charge_stages: {key: STAGES}\n  target: ", "charge_stages:", "keywords.charge_stages", "without keywords.line_time_s", "leave it out"},
		{"binning without lines", "  target: ", "  binning: {default: 1}\n  target: ", "binning:", "keywords.binning", "without keywords.line_time_s", "leave it out"},
	})
}

// Faults that an edit of one place cannot make alone.
func TestFaultsOfProfilesMadeInGo(t *testing.T) {
	for _, c := range []struct {
		name, camera string
		spoil        func(p *Profile)
		want         string
	}{
		{"eyes of unlike size", "gemel", func(p *Profile) { p.Detectors[1].Image.Columns[1] = 398 },
			"stereo.right: the image of left has 400 x 400 pixels and that of right 398 x 400; give both detectors an image of the same size"},
		{"layers of unlike size", "umber", func(p *Profile) { p.Detectors[2].Image.Rows[1] = 280 },
			"stack.layers.2: the image of top has 384 x 288 pixels and that of bottom 384 x 280; give both detectors an image of the same size"},
		{"more bands than layers", "umber", func(p *Profile) {
			p.Bands = append(p.Bands, Band{Name: "nir", Responsivity: 1})
			for i := range p.Stack.Matrix {
				p.Stack.Matrix[i] = append(p.Stack.Matrix[i], 0.1)
			}
		}, "stack.layers: 3 layers cannot tell 4 bands apart; describe as many layers as bands, or fewer bands"},
		{"detector that is no layer", "umber", func(p *Profile) {
			p.Stack.Layers, p.Stack.Matrix, p.Bands = p.Stack.Layers[:2], [][]float64{{1, 0.2}, {0.2, 1}}, p.Bands[:2]
		}, "stack.layers: the detector bottom is none of the layers; add it; a detector of its own needs a profile of its own"},
		{"share that is no number", "umber", func(p *Profile) { p.Stack.Matrix[1][2] = math.NaN() },
			"stack.matrix.1.2: is NaN; write a finite number"},
		{"response of one point", "umber", func(p *Profile) { p.Bands[0].Response = p.Bands[0].Response[:1] },
			"bands.0.response: lists 1 points; list 2 to 4096"},
		{"response of nothing", "umber", func(p *Profile) { p.Bands[2].Response = []ResponsePoint{{400, 0}, {500, 0}} },
			"bands.2.response: is 0 at every wavelength; give the response, or leave it out"},
		{"detector that scans no lines", "tarn", func(p *Profile) { p.Detectors[2].LineScan, p.Detectors[2].Offset.SmoothRows = nil, 1 },
			"detectors.2.line_scan: is missing, and another detector has it; give all detectors of the camera line_scan, or write two profiles"},
		{"limit of smear that is negative", "tarn", func(p *Profile) { p.Detectors[1].LineScan.MaxSmearPixels = -1 },
			"detectors.1.line_scan.max_smear_pixels: is -1; write a finite number, 0 or more"},
		{"zones that are narrower than a pixel", "sallow", func(p *Profile) {
			p.Detectors[0].Marks = nil
			p.Detectors[0].Image.Rows, p.Detectors[0].Reference.Rows = [2]int{201, 205}, [2]int{201, 205}
		}, "detectors.0.linearity.zones: are 12 x 12, and the image has 416 x 5 pixels; write fewer zones"},
		{"motion that is no number", "fescue", func(p *Profile) { p.Motion.ColumnsPerS = math.Inf(1) },
			"motion.columns_per_s: is +Inf; write a finite number"},
	} {
		t.Run(c.name, func(t *testing.T) {
			p := loaded(t, c.camera+".yaml")
			c.spoil(p)
			err := p.Check()
			if err == nil || err.Error() != c.want {
				t.Errorf("got  %v\nwant %s", err, c.want)
			}
		})
	}
}

func TestWhatASensorMayAlsoBe(t *testing.T) {
	for _, c := range []struct {
		name, camera, old, new string
	}{
		{"a clear pixel in a mosaic of 4 x 2", "brindle", "        - [green, red]\n", "        - [green, red, green, blue]\n        - [red, green, blue, green]\n        # "},
		{"a pattern of one row", "brindle", "        - [blue, green]\n", ""},
		{"one zone of all", "brindle", "order: 3}", "order: 3, zones: [0, 0]}"},
		{"a shift before the exposure alone", "oxlip", "when: both, masked_rows: [513, 520]", "when: before, own_row: true"},
		{"a table of codes", "oxlip", "      square_root: {codes: 256, max_dn: 4095}\n", "      dn: [0, 1, 2.5, 4.5]\n      width_dn: [1, 1, 2, 2]\n"},
		{"as many codes as DN", "oxlip", "{codes: 256, max_dn: 4095}", "{codes: 4096, max_dn: 4095}"},
		{"two strips of one band", "fescue", "{band: nir,    rows: [391, 490]}", "{band: nir, rows: [391, 440]}\n      - {band: nir, rows: [451, 490]}"},
		{"motion towards the first row", "fescue", "rows_per_s: 1.25", "rows_per_s: -1.25"},
		{"motion that is measured", "fescue", "{from: profile, rows_per_s", "{from: measured, search_pixels: 4, rows_per_s"},
		{"no limit of signal to noise", "umber", "  min_snr: 10\n", ""},
		{"a line scanner that does not bin", "tarn", "  binning:          {key: BINNING, unit: count, default: 1}\n", ""},
		{"stages that are fixed", "tarn", "{key: NSTAGE}", "{default: 64}"},
	} {
		t.Run(c.name, func(t *testing.T) {
			text := edited(t, builtin(t, c.camera), c.old, c.new)
			if list := problemsIn(t, "camera.yaml", text, Overrides{}); list != nil {
				t.Error(list)
			}
		})
	}
}

func TestWhichCamerasSeeManyBandsAtOnce(t *testing.T) {
	many := []string{"brindle", "fescue", "umber"}
	for _, name := range BuiltinNames() {
		if got, want := loaded(t, name+".yaml").ManyBands(), slices.Contains(many, name); got != want {
			t.Errorf("%s sees many bands at once: %t, want %t", name, got, want)
		}
	}
	tarn := loaded(t, "tarn.yaml")
	for i, want := range []string{"pan", "bluegreen", "nir"} {
		if got := tarn.BandOfDetector(i); got != want {
			t.Errorf("detector %d sees %q, not %q", i, got, want)
		}
	}
	if got := loaded(t, "quillon.yaml").BandOfDetector(0); got != "" {
		t.Errorf("the detector behind a filter wheel always sees %q", got)
	}
}

func TestAPartThatACameraDoesNotHaveGainsNoDefaults(t *testing.T) {
	p := loaded(t, "quillon.yaml")
	d := &p.Detectors[0]
	if d.Rolling != nil || d.LineScan != nil || d.Marks != nil || p.Stack != nil {
		t.Errorf("rolling %v, line scan %v, marks %v, stack %v", d.Rolling, d.LineScan, d.Marks, p.Stack)
	}
	for _, c := range []struct {
		camera, old, new string
		ok               func(p *Profile) bool
	}{
		{"brindle", ", first: first_row}", "}", func(p *Profile) bool { return p.Detectors[0].Rolling.First == FirstRow }},
		{"sallow", "      order: 3\n", "", func(p *Profile) bool { return p.Detectors[0].Marks.Order == 3 }},
		{"umber", "  max_amplification: 5\n", "", func(p *Profile) bool { return p.Stack.MaxAmplification == 5 }},
	} {
		p, err := Parse("camera.yaml", []byte(edited(t, builtin(t, c.camera), c.old, c.new)), Overrides{})
		if err != nil {
			t.Fatal(err)
		}
		if !c.ok(p) {
			t.Errorf("%s without %q lacks the default", c.camera, c.old)
		}
	}
	tarn := strings.ReplaceAll(builtin(t, "tarn"), "line_scan: {max_smear_pixels: 0.5}", "line_scan: {}")
	p, err := Parse("camera.yaml", []byte(tarn), Overrides{})
	if err != nil || p.Detectors[2].LineScan.MaxSmearPixels != 0.5 {
		t.Errorf("an empty line_scan: %v", err)
	}
}
