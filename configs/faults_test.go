package configs

import (
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

// builtin gives the text of a built-in profile.
func builtin(t testing.TB, name string) string {
	t.Helper()
	text, err := Builtin(name)
	if err != nil {
		t.Fatal(err)
	}
	return string(text)
}

// edited replaces the one place where old stands in text.
func edited(t testing.TB, text, old, replacement string) string {
	t.Helper()
	if n := strings.Count(text, old); n != 1 {
		t.Fatalf("the text to replace, %q, stands %d times in the profile, not once", old, n)
	}
	return strings.Replace(text, old, replacement, 1)
}

// lineOf gives the number of the line on which marker first stands.
func lineOf(t testing.TB, text, marker string) int {
	t.Helper()
	before, _, ok := strings.Cut(text, marker)
	if !ok {
		t.Fatalf("the marker %q is not in the profile", marker)
	}
	return strings.Count(before, "\n") + 1
}

// problemsIn gives the problems of a profile's text.
func problemsIn(t testing.TB, name, text string, over Overrides) ProblemList {
	t.Helper()
	_, err := Parse(name, []byte(text), over)
	return problemList(t, err)
}

// problemList gives what an error lists, if there is one.
func problemList(t testing.TB, err error) ProblemList {
	t.Helper()
	if err == nil {
		return nil
	}
	var list ProblemList
	if !errors.As(err, &list) {
		t.Fatalf("the error is a %T, not a ProblemList: %v", err, err)
	}
	return list
}

// fault is an edit of a good profile and the one problem that it makes.
type fault struct {
	name     string
	old, new string
	marker   string // stands on the line that the message must name
	path     string
	says     string // part of the problem
	remedy   string // part of the remedy
}

func (f fault) check(t *testing.T, base string) { f.checkAs(t, "camera.yaml", base, problemsIn) }

// checkAs takes the problems from the reader of a format.
func (f fault) checkAs(t *testing.T, file, base string, problemsIn func(t testing.TB, name, text string, over Overrides) ProblemList) {
	t.Helper()
	text := edited(t, base, f.old, f.new)
	list := problemsIn(t, file, text, Overrides{})
	if len(list) != 1 {
		t.Fatalf("got %d problems, not one:\n%v", len(list), list)
	}
	p := list[0]
	if want := lineOf(t, text, f.marker); p.File != file || p.Line != want {
		t.Errorf("placed at %s:%d, not %s:%d", p.File, p.Line, file, want)
	}
	if p.Path != f.path {
		t.Errorf("path %q, not %q", p.Path, f.path)
	}
	if !strings.Contains(p.Problem, f.says) {
		t.Errorf("the problem %q does not say %q", p.Problem, f.says)
	}
	if p.Remedy == "" || !strings.Contains(p.Remedy, f.remedy) {
		t.Errorf("the remedy %q does not say %q", p.Remedy, f.remedy)
	}
}

func TestEachFaultIsReportedOnceWithPlaceAndRemedy(t *testing.T) {
	quillon := []fault{
		// Text and structure.
		{"key that is unknown", "height: 512", "height: 512\n    colour: 1", "colour: 1", "detectors.0.colour", "unknown key", "valid here: name, hdu, plane, band, width"},
		{"key that is misspelt", "height: 512", "hieght: 512", "hieght: 512", "detectors.0.hieght", "unknown key", `"height"`},
		{"key in capitals", "height: 512", "HEIGHT: 512", "HEIGHT: 512", "detectors.0.HEIGHT", "unknown key", `"height"`},
		{"key twice", "adc_bits: 14", "adc_bits: 14\n    adc_bits: 12", "adc_bits: 12", "detectors.0.adc_bits", "stands twice, first in line 54", "keep one"},
		{"key that is missing", "    adc_bits: 14\n", "", "- name: main", "detectors.0.adc_bits", "is missing", "add the key"},
		{"key without a value", "adc_bits: 14", "adc_bits:", "adc_bits:", "detectors.0.adc_bits", "has no value", "leave the key out"},
		{"merge key", "adc_bits: 14", "adc_bits: 14\n    <<: {fill_dn: 0}", "<<:", "detectors.0", "merge key", "write it out"},
		{"key that is a list", "adc_bits: 14", "adc_bits: 14\n    ? [1, 2]\n    : 3", "[1, 2]", "detectors.0", "not a plain word", "are words"},
		{"text for a number", "adc_bits: 14", "adc_bits: fourteen", "fourteen", "detectors.0.adc_bits", `the text "fourteen"`, "write a number"},
		{"number in quotes", "read_noise_e: 7.5", "read_noise_e: '7.5'", "'7.5'", "detectors.0.amplifiers.0.read_noise_e", `the text "7.5"`, "without quotes"},
		{"number with a unit", "read_noise_e: 7.5", "read_noise_e: 7.5 e-", "7.5 e-", "detectors.0.amplifiers.0.read_noise_e", "not a number", "without a unit"},
		{"fraction for a whole number", "adc_bits: 14", "adc_bits: 14.5", "14.5", "detectors.0.adc_bits", "not a whole number", "write a whole number"},
		{"number that readers disagree about", "adc_bits: 14", "adc_bits: 014", "014", "detectors.0.adc_bits", "not a finite decimal", "plainly"},
		{"hexadecimal number", "width: 544", "width: 0x220", "0x220", "detectors.0.width", "not a finite decimal", "plainly"},
		{"infinity", "read_noise_e: 7.5", "read_noise_e: .inf", ".inf", "detectors.0.amplifiers.0.read_noise_e", "not a finite decimal", "plainly"},
		{"number too large for any", "read_noise_e: 7.5", "read_noise_e: 1e999", "1e999", "detectors.0.amplifiers.0.read_noise_e", `the text "1e999"`, "write a number"},
		{"not a number", "read_noise_e: 7.5", "read_noise_e: .nan", ".nan", "detectors.0.amplifiers.0.read_noise_e", "not a finite decimal", "plainly"},
		{"number for a text", "instrument: quillon", "instrument: 7", "instrument: 7", "instrument", "the number 7", "in quotes"},
		{"mapping for a number", "adc_bits: 14", "adc_bits: {bits: 14}", "{bits: 14}", "detectors.0.adc_bits", "is a mapping", "write a whole number"},
		{"number for a mapping", "{columns: [17, 528],  rows: [1, 512]}", "512", "image:", "detectors.0.image", "is the number 512", "columns, rows"},
		{"list of the wrong length", "columns: [17, 528]", "columns: [17, 528, 529]", "[17, 528, 529]", "detectors.0.image.columns", "has 3 elements", "exactly 2"},
		{"YAML tag", "adc_bits: 14", "adc_bits: !!int 14", "!!int", "detectors.0.adc_bits", "YAML tag !!int", "leave the tag out"},
		{"letter outside ASCII", "key: FILTPOS", "key: FILTPÖS", "FILTPÖS", "keywords.band.key", "U+00D6", "printable characters"},
		{"text that is empty", "target: {key: TGTNAME}", "target: {key: TGTNAME, default: ''}", "target:", "keywords.target.default", "is empty", "leave the key out"},
		{"switch for a text", "instrument: quillon", "instrument: true", "instrument: true", "instrument", "the switch true", "in quotes"},
		{"format of the future", "format: 1 ", "format: 2 ", "format: 2", "format", "is 2, and this software reads format 1", "bring the profile to format 1"},

		// Names.
		{"instrument with a blank", "instrument: quillon", "instrument: quil lon", "quil lon", "instrument", "no plain name", "a-z"},
		{"keyword in small letters", "key: FILTPOS", "key: filtpos", "filtpos", "keywords.band.key", "no FITS keyword", "A-Z"},
		{"keyword that is too long", "key: FILTPOS", "key: FILTERPOSITION", "FILTERPOSITION", "keywords.band.key", "no FITS keyword", "up to 8"},

		{"amplifier name twice", "- name: right", "- name: left # again", "left # again", "detectors.0.amplifiers.1.name", `"left" stands twice`, "a name of its own"},

		// Keywords.
		{"unit of the wrong kind", "{key: EXPDUR, unit: ms}", "{key: EXPDUR, unit: km}", "EXPDUR", "keywords.exposure_s.unit", `"km" is not known`, "s, ms, us, min"},
		{"unit that is missing", "{key: EXPDUR, unit: ms}", "{key: EXPDUR}", "EXPDUR", "keywords.exposure_s.unit", `"" is not known`, "s, ms, us, min"},
		{"quantity without a source", "{key: FPATEMP, unit: degC}", "{unit: degC}", "temperature_k:", "keywords.temperature_k", "neither a key nor a default", "name the header keyword"},
		{"default that cannot be", "{key: FPATEMP, unit: degC}", "{key: FPATEMP, unit: degC, default: -10}", "FPATEMP", "keywords.temperature_k.default", "is -10", "above 0 K"},
		{"coded number that cannot be", "{key: EXPDUR, unit: ms}", "{key: EXPDUR, unit: ms, words: [{raw: X, is: -1}]}", "EXPDUR", "keywords.exposure_s.words.0.is", "is -1", "0 s or more"},
		{"time of an unknown form", "form: iso8601", "form: iso", "form: iso", "keywords.time.form", `"iso" is not known`, "iso8601, unix_s"},
		{"word for no band", "is: nir", "is: near", "is: near", "keywords.band.words.3.is", "none of the profile's bands", `"nir"`},
		{"coded value twice", "raw: 3, is: red", "raw: '2.0 ', is: red", "'2.0 '", "keywords.band.words.2.raw", "stands twice", "keep one"},
		{"blank word", "raw: 1, is: fast", "raw: 1, is: ' '", "is: ' '", "keywords.mode.words.1.is", "is blank", "name what"},

		{"keyword of two words", "  band:\n    key: FILTPOS", "  band:\n    default: green\n    key: 'A B'", "key: 'A B'", "keywords.band.key", "no FITS keyword", "as it stands in the header"},

		// Kinds of frame.
		{"kind that is unknown", "kind: flat,", "kind: flt,", "kind: flt", "frame_kinds.2.kind", `"flt" is not known`, `"flat"`},
		{"two tests in one", "equals: LAMPSEQ}", "equals: LAMPSEQ, above: 3}", "above: 3", "frame_kinds.3.when.0", "holds 2 tests", "exactly one"},
		{"no test", "{key: OBSTYPE, equals: LAMPSEQ}", "{key: OBSTYPE}", "kind: ladder", "frame_kinds.3.when.0", "holds 0 tests", "exactly one"},
		{"rule that is never reached", "{kind: dark,   when: [{key: OBSTYPE, equals: SHUT}]}", "{kind: dark}", "kind: flat", "frame_kinds.2", "never reached: frame_kinds.1", "move it to the end"},
		{"no scenes", "kind: scene,", "kind: ignore,", "frame_kinds:", "frame_kinds", "no rule tells which frames are scenes", "kind: scene"},

		// Detector.
		{"HDU of no form", "width: 544", "hdu: 'CHIP,0'\n    width: 544", "hdu:", "detectors.0.hdu", `"CHIP,0" names no HDU`, "EXTNAME,EXTVER"},
		{"too many bits", "adc_bits: 14", "adc_bits: 33", "adc_bits: 33", "detectors.0.adc_bits", "is 33", "from 1 to 32"},
		{"frame of no height", "height: 512", "height: 0", "height: 0", "detectors.0.height", "is 0", "from 1 to 65536"},
		{"image beyond the frame", "columns: [17, 528],  rows: [1, 512]", "columns: [17, 528],  rows: [1, 513]", "rows: [1, 513]", "detectors.0.image", "not inside the raw frame", "columns 1..544, rows 1..512"},
		{"region that runs backwards", "rows: [129, 384]", "rows: [384, 129]", "[384, 129]", "detectors.0.reference", "runs backwards", "smaller number first"},
		{"pixels counted from 0", "{columns: [1, 16],  rows: [1, 512]}", "{columns: [0, 15],  rows: [1, 512]}", "[0, 15]", "detectors.0.amplifiers.0.overscan", "not inside the region of its amplifier left", "first column and row are 1"},
		{"reference outside the image", "columns: [145, 400]", "columns: [10, 400]", "[10, 400]", "detectors.0.reference", "not inside the image region", "columns 17..528"},
		{"amplifiers that overlap", "columns: [273, 544]", "columns: [270, 544]", "[270, 544]", "detectors.0.amplifiers.1.region", "amplifier right overlaps amplifier left at columns 270..272, rows 1..512", "one amplifier"},
		{"pixels that no amplifier reads", "columns: [273, 544]", "columns: [280, 544]", "amplifiers:", "detectors.0.amplifiers", "no amplifier reads columns 273..279, rows 1..512", "cover the whole raw frame"},
		{"overscan in another's region", "{columns: [529, 544], rows: [1, 512]}", "{columns: [1, 16], rows: [1, 512]}", "[1, 16], rows", "detectors.0.amplifiers.1.overscan", "not inside the region of its amplifier right", "columns 273..544"},
		{"overscan in the image", "columns: [529, 544]", "columns: [520, 544]", "[520, 544]", "detectors.0.amplifiers.1.overscan", "share columns 520..528, rows 1..512", "apart"},
		{"overscan of too few rows", "{columns: [529, 544], rows: [1, 512]}", "{columns: [529, 544], rows: [1, 500]}", "[1, 500]", "detectors.0.amplifiers.1.overscan", "rows 1..500 do not span the amplifier's image rows 1..512", "smooth_rows to 0"},
		{"overscan that is missing", "        overscan: {columns: [529, 544], rows: [1, 512]}\n", "", "- name: right", "detectors.0.amplifiers.1.overscan", "amplifier right has none", "offset.from to bias"},
		{"gain of zero", "gain_e_per_dn: 2.1", "gain_e_per_dn: 0", "gain_e_per_dn: 0", "detectors.0.amplifiers.0.gain_e_per_dn", "is 0", "above 0"},
		{"negative noise", "read_noise_e: 7.5", "read_noise_e: -7.5", "-7.5", "detectors.0.amplifiers.0.read_noise_e", "is -7.5", "0 or more"},
		{"uncertainty in per cent", "law_relative_uncertainty: 0.03", "law_relative_uncertainty: 3", "law_relative_uncertainty: 3", "detectors.0.dark.law_relative_uncertainty", "is 3", "3 % is 0.03"},
		{"even number of rows", "smooth_rows: 15", "smooth_rows: 14", "smooth_rows: 14", "detectors.0.offset.smooth_rows", "is 14", "odd"},
		{"more rows than the frame has", "smooth_rows: 15", "smooth_rows: 513", "smooth_rows: 513", "detectors.0.offset.smooth_rows", "the frame has 512 rows", "fewer"},
		{"clipping into the noise", "reject_sigma: 4", "reject_sigma: 2", "reject_sigma: 2", "detectors.0.offset.reject_sigma", "is 2", "3 or more"},
		{"offset from nowhere", "from: overscan ", "from: overscam ", "overscam", "detectors.0.offset.from", `"overscam" is not known`, `"overscan"`},
		{"saturation above the ceiling", "margin_sigma: 5", "level_dn: 16384", "level_dn", "detectors.0.saturation.level_dn", "above the ceiling of 14 bits, 16383 DN", "can reach"},
		{"saturation under the offset", "margin_sigma: 5", "level_dn: 320", "level_dn", "detectors.0.saturation.level_dn", "not above the offset of amplifier right, 325 DN", "above the offset"},
		{"full well under its margin", "full_well_e: 30000", "full_well_e: 40", "full_well_e: 40", "detectors.0.saturation.full_well_e", "margin of amplifier right, 41 e-", "smaller margin"},
		{"flags that grow without end", "grow_pixels: 1", "grow_pixels: 17", "grow_pixels: 17", "detectors.0.saturation.grow_pixels", "is 17", "from 0 to 16"},
		{"order of a fit that is too high", "order: 3", "order: 6", "order: 6", "detectors.0.linearity.order", "is 6", "from 2 to 5"},
		{"doubling law without its interval", "      interval_k: 7.1\n", "", "dark:\n", "detectors.0.dark.interval_k", "is 0", "above 0"},
		{"reference temperature in degrees C", "reference_k: 263.15", "reference_k: -10", "reference_k: -10", "detectors.0.dark.reference_k", "is -10", "from 20 to 400"},
		{"low below dead", "low_below: 0.6", "low_below: 0.1", "low_below: 0.1", "detectors.0.bad_pixels.low_below", "below dead_below 0.2", "larger"},

		// The rest.
		{"band without responsivity", "    responsivity: 2.4e6\n", "", "- name: red", "bands.2.responsivity", "radiance needs it", "electrons"},
		{"stage that cannot be switched off", "output:\n", "stages_off: [gain]\noutput:\n", "stages_off", "stages_off.0", "the stage gain cannot be switched off", "offset, bias, linearity, dark, residual, smear, flat, bad_pixels"},
		{"stage that is unknown", "output:\n", "stages_off: [flats]\noutput:\n", "stages_off", "stages_off.0", `"flats" is no stage`, `"flat"`},
		{"stage twice", "output:\n", "stages_off: [flat, flat]\noutput:\n", "stages_off", "stages_off.1", "stands twice", "keep one"},
		{"too few frames", "min_frames: 5", "min_frames: 2", "min_frames: 2", "masters.min_frames", "is 2", "from 3"},
		{"too little memory", "memory_mib: 512", "memory_mib: 8", "memory_mib: 8", "masters.memory_mib", "is 8", "from 16"},
		{"negative age", "max_age_days: 365", "max_age_days: -1", "max_age_days: -1", "selection.linearity.max_age_days", "is -1", "0 or more"},
		{"quantity that is unknown", "quantity: radiance", "quantity: radiants", "radiants", "output.quantity", `"radiants" is not known`, `"radiance"`},
	}
	base := builtin(t, "quillon")
	for _, f := range quillon {
		t.Run(f.name, func(t *testing.T) { f.check(t, base) })
	}
}

func TestFaultsOfACameraWithSeveralDetectors(t *testing.T) {
	const (
		between     = "\n    offset: {from: bias}\n    saturation: {level_dn: 4000, grow_pixels: 2}\n    linearity: {from: profile, max_dn: 3900}"
		fallingFrom = "c2: -1.5e-6" + between
		fallingTo   = "c2: -1.5e-4" + between + " # falls"
	)
	base := builtin(t, "pellam")
	for _, f := range []fault{
		{"HDU that another detector reads", "hdu: CHIP2", "hdu: chip1", "hdu: chip1", "detectors.1.hdu", "detector chip1 reads HDU chip1 already", "HDU of its own"},
		{"HDU of which another detector reads every plane", "hdu: CHIP2", "hdu: chip1\n    plane: 2", "hdu: chip1", "detectors.1.hdu", "detector chip1 reads HDU chip1 already", "a plane of the cube"},
		{"HDU that is missing", "    hdu: CHIP2\n", "", "- name: chip2", "detectors.1.hdu", "several detectors", "which HDU"},
		{"detector name twice", "name: chip2", "name: chip1 # again", "chip1 # again", "detectors.1.name", `"chip1" stands twice`, "name of its own"},
		{"correction that falls", fallingFrom, fallingTo, "# falls", "detectors.1.linearity.from", "falls below 3900 DN", "max_dn"},
		{"band name in capitals", "- name: clear", "- name: Clear", "- name: Clear", "bands.0.name", "no plain name", "a-z"},
		{"reflectance without solar irradiance", "    solar_irradiance: 1.6\n", "", "- name: clear", "bands.0.solar_irradiance", "reflectance needs it", "another output.quantity"},
		{"reflectance without a distance", "  sun_distance_au: {key: RSUN, unit: au, default: 3.2}\n", "", "keywords:", "keywords.sun_distance_au", "reflectance needs it", "give a default"},
		{"second band without a keyword", "output:", "  - {name: dim, responsivity: 1, solar_irradiance: 1}\noutput:", "keywords:", "keywords.band", "the camera has 2 bands", "name the header keyword"},
	} {
		t.Run(f.name, func(t *testing.T) { f.check(t, base) })
	}
}

func TestProblemsAreCollectedInTheOrderOfLines(t *testing.T) {
	text := builtin(t, "quillon")
	text = edited(t, text, "gain_e_per_dn: 2.2", "gian_e_per_dn: 2.2")
	text = edited(t, text, "law: doubling", "law: tripling")
	text = edited(t, text, "unit: ms", "unit: hours")
	text = edited(t, text, "is: red", "is: rad")
	list := problemsIn(t, "camera.yaml", text, Overrides{})
	want := []string{
		"keywords.exposure_s.unit", "keywords.band.words.2.is",
		"detectors.0.amplifiers.1.gian_e_per_dn", "detectors.0.dark.law",
	}
	if len(list) != len(want) {
		t.Fatalf("got %d problems, not %d:\n%v", len(list), len(want), list)
	}
	for i, p := range list {
		if p.Path != want[i] {
			t.Errorf("problem %d is at %s, not at %s", i, p.Path, want[i])
		}
		if i > 0 && p.Line < list[i-1].Line {
			t.Errorf("line %d follows line %d", p.Line, list[i-1].Line)
		}
	}
}

// One slip makes much else look wrong; only the slip itself is to be named.
func TestASlipIsNotBuriedUnderItsConsequences(t *testing.T) {
	for _, c := range []struct{ name, old, new, path string }{
		{"detectors misspelt", "\ndetectors:", "\ndetecters:", "detecters"},
		{"bands misspelt", "\nbands:", "\nbnds:", "bnds"},
		{"name of a band misspelt", "- name: red", "- nmae: red", "bands.2.nmae"},
		{"width misspelt", "width: 544", "widht: 544", "detectors.0.widht"},
		{"rows misspelt", "[1, 272], rows:", "[1, 272], rwos:", "detectors.0.amplifiers.0.region.rwos"},
		{"height is a word", "height: 512", "height: tall", "detectors.0.height"},
		{"temperature keyword misspelt", "temperature_k: ", "temprature_k: ", "keywords.temprature_k"},
		{"responsivity misspelt", "responsivity: 2.4e6", "responsiveness: 2.4e6", "bands.2.responsiveness"},
	} {
		t.Run(c.name, func(t *testing.T) {
			list := problemsIn(t, "camera.yaml", edited(t, builtin(t, "quillon"), c.old, c.new), Overrides{})
			if len(list) != 1 || list[0].Path != c.path {
				t.Errorf("want one problem at %s, got:\n%v", c.path, list)
			}
		})
	}
}

func TestEverythingThatNeedsTheTemperatureAsksForIt(t *testing.T) {
	text := edited(t, builtin(t, "quillon"), "  temperature_k:   {key: FPATEMP, unit: degC}\n", "")
	list := problemsIn(t, "camera.yaml", text, Overrides{})
	if len(list) != 2 || list[0].Path != "keywords.temperature_k" || list[1].Path != "selection.dark.max_temp_diff_k" {
		t.Errorf("want the dark law's need and the selection's limit, got:\n%v", list)
	}
}

func TestListsThatAreTooLongAreRefused(t *testing.T) {
	for _, c := range []struct {
		name    string
		lengthy func(p *Profile)
		want    string
	}{
		{"bands", func(p *Profile) { p.Bands = make([]Band, 256) }, "bands: lists 256 bands; list at most 255"},
		{"detectors", func(p *Profile) { p.Detectors = make([]Detector, 65) }, "detectors: lists 65 detectors; list at most 64"},
		{"amplifiers", func(p *Profile) { p.Detectors[1].Amplifiers = make([]Amplifier, 65) },
			"detectors.1.amplifiers: lists 65 amplifiers; list at most 64"},
	} {
		t.Run(c.name, func(t *testing.T) {
			p := loaded(t, "pellam.yaml")
			c.lengthy(p)
			if err := p.Check(); err == nil || !slices.Contains(strings.Split(err.Error(), "\n"), c.want) {
				t.Errorf("want among others %q, got: %v", c.want, err)
			}
		})
	}
}

func TestFaultyFiles(t *testing.T) {
	for _, c := range []struct {
		file   string
		line   int
		says   string
		remedy string
	}{
		{"faulty-alias-bomb.yaml", 2, "more than 200000 values", "fewer aliases"},
		{"faulty-alias-in-itself.yaml", 3, "alias *a stands inside its own anchor", "write the value out"},
		{"faulty-key-twice.yaml", 3, "stands twice, first in line 2", "keep one"},
		{"faulty-tab.yaml", 3, "a tab stands in the indentation", "indent with blanks"},
		{"faulty-two-documents.yaml", 3, "second YAML document", "drop the line with ---"},
	} {
		t.Run(c.file, func(t *testing.T) {
			path := filepath.Join("..", "testdata", "profiles", c.file)
			_, err := Load(path, Overrides{})
			var list ProblemList
			if !errors.As(err, &list) || len(list) != 1 {
				t.Fatalf("want one problem, got: %v", err)
			}
			p := list[0]
			if p.File != path || p.Line != c.line || !strings.Contains(p.Problem, c.says) || !strings.Contains(p.Remedy, c.remedy) {
				t.Errorf("got %v", p)
			}
		})
	}
}

func TestTextThatIsNoProfile(t *testing.T) {
	for _, c := range []struct{ name, text, says string }{
		{"nothing", "", "is empty"},
		{"a comment only", "# nothing here\n", "is empty"},
		{"a list", "- 1\n- 2\n", "holds no mapping"},
		{"a word", "profile\n", "holds no mapping"},
		{"a bracket left open", "format: [1\n", "no valid YAML"},
		{"a quote left open", "instrument: 'x\n", "no valid YAML"},
		{"bytes that are no UTF-8", "instrument: \xff\xfe\n", "no valid YAML"},
		{"an alias of nothing", "instrument: *nowhere\n", "unknown anchor"},
		{"a second document that is broken", "format: 1\n---\n[\n", "no valid YAML"},
		{"great depth", "a: " + strings.Repeat("[", 200) + strings.Repeat("]", 200), "levels deep"},
		{"great size", "description: '" + strings.Repeat("x", 1<<20) + "'\n", "larger than the 1048576 bytes"},
	} {
		t.Run(c.name, func(t *testing.T) {
			list := problemsIn(t, "camera.yaml", c.text, Overrides{})
			if len(list) == 0 || !strings.Contains(list[0].Problem, c.says) || list[0].Remedy == "" {
				t.Errorf("want a problem that says %q and a remedy, got: %v", c.says, list)
			}
		})
	}
}

func TestSyntaxErrorsNameTheLine(t *testing.T) {
	for _, c := range []struct {
		name, text string
		line       int
	}{
		{"indentation that fits nothing", "a: 1\nb:\n  c: 1\n d: 2\n", 4},
		{"a list among keys", "a: 1\nb: 2\n- 3\n", 3},
		{"a bracket left open", "a: 1\nb: [1, 2\nc: 3\n", 2},
		{"two colons", "a: 1\nb: c: 3\n", 2},
		{"a character that begins nothing", "a: 1\nb: 2\nc: @x\n", 3},
	} {
		t.Run(c.name, func(t *testing.T) {
			list := problemsIn(t, "camera.yaml", c.text, Overrides{})
			if len(list) != 1 || list[0].Line != c.line || !strings.Contains(list[0].Problem, "no valid YAML") {
				t.Errorf("want line %d, got %v", c.line, list)
			}
		})
	}
}

func TestTheListOfProblemsIsBounded(t *testing.T) {
	var text strings.Builder
	text.WriteString("format: 1\n")
	for i := range 5000 {
		text.WriteString("k" + strings.Repeat("x", i%40) + "_" + string(rune('a'+i%26)) + strings.Repeat("y", i/26%40) + ": 1\n")
	}
	list := problemsIn(t, "camera.yaml", text.String(), Overrides{})
	if len(list) == 0 || len(list) > 2*maxProblems {
		t.Errorf("got %d problems", len(list))
	}
}

func TestAFileThatIsNotThereIsToldFromAFaultyOne(t *testing.T) {
	path := filepath.Join(t.TempDir(), "absent.yaml")
	_, err := Load(path, Overrides{})
	if !errors.Is(err, fs.ErrNotExist) || !strings.Contains(err.Error(), path) {
		t.Errorf("want fs.ErrNotExist with the path, got: %v", err)
	}
	if err := os.WriteFile(path, []byte("format: 9"), 0o600); err != nil {
		t.Fatal(err)
	}
	_, err = Load(path, Overrides{})
	var list ProblemList
	if errors.Is(err, fs.ErrNotExist) || !errors.As(err, &list) {
		t.Errorf("want a ProblemList, got: %v", err)
	}
}
