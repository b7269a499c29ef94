package configs

import (
	"fmt"
	"math"
	"regexp"
	"slices"
	"strconv"
	"strings"
)

// Bounds that keep a faulty profile from asking for impossible work. They lie
// far beyond any framing camera.
const (
	maxSide       = 65_536 // columns or rows of a raw frame
	maxDetectors  = 64
	maxAmplifiers = 64 // of one detector
	maxPlanes     = 65_536
	maxBands      = 255
	maxMemoryMiB  = 1 << 20
	maxGrowPixels = 16

	maxResponsePoints = 4096 // of one band
)

var (
	plainName = regexp.MustCompile(`^[a-z0-9_-]{1,32}$`)
	// FITS Standard 4.0, 4.1.2.1; the second form is the registered HIERARCH
	// convention for longer names.
	headerKey = regexp.MustCompile(`^([A-Z0-9_-]{1,8}|HIERARCH( [A-Z0-9_-]+)+)$`)
)

const nameRemedy = "use 1 to 32 of a-z, 0-9, _ and -"

// Check looks for impossible values and for values that contradict one
// another. The error is a [ProblemList] whose problems name the path of the
// value but no file. Profiles that come from [Load] or [Parse] have passed it.
func (p *Profile) Check() error { return problemsOf(p.check()).asError() }

func (p *Profile) check() []finding {
	c := checker{p: p}
	c.profile()
	return c.found
}

type checker struct {
	findings
	p *Profile
}

// findings gathers what checks find.
type findings struct{ found []finding }

// add notes a problem of the one value at path.
func (c *findings) add(path, problem, remedy string) {
	c.found = append(c.found, finding{Problem: Problem{Path: path, Problem: problem, Remedy: remedy}})
}

func (c *findings) addf(path, remedy, problem string, args ...any) {
	c.add(path, fmt.Sprintf(problem, args...), remedy)
}

// clash notes that the value at path does not agree with others near it.
func (c *findings) clash(path, remedy, problem string, args ...any) {
	c.clashWith(nil, path, remedy, problem, args...)
}

// clashWith notes that the value at path does not agree with those at the
// paths in needs.
func (c *findings) clashWith(needs []string, path, remedy, problem string, args ...any) {
	c.found = append(c.found, finding{
		Problem: Problem{Path: path, Problem: fmt.Sprintf(problem, args...), Remedy: remedy},
		clash:   true, needs: needs,
	})
}

func (c *checker) profile() {
	if c.p.Format != formatVersion {
		c.addf("format", fmt.Sprintf("bring the profile to format %d", formatVersion), "is %d", c.p.Format)
	}
	c.name("instrument", c.p.Instrument)
	c.bands()
	c.keywords()
	c.frameKinds()
	c.detectors()
	c.families()
	c.stagesOff()
	c.masters()
	c.selection()
	c.output()
}

// Checks of single values.

func (c *findings) name(path, name string) {
	if !plainName.MatchString(name) {
		c.addf(path, nameRemedy, "%q is no plain name", shorten(name))
	}
}

func (c *findings) key(path, key string) {
	if !headerKey.MatchString(key) {
		c.addf(path, "write it as it stands in the header: up to 8 of A-Z, 0-9, _ and -", "%q is no FITS keyword", shorten(key))
	}
}

func (c *findings) oneOf(path, value string, valid []string) {
	if !slices.Contains(valid, value) {
		c.addf(path, suggest(value, valid), "%q is not known", shorten(value))
	}
}

// within checks that low <= x <= high, which NaN is not.
func (c *findings) within(path string, x, low, high float64) bool {
	if x >= low && x <= high {
		return true
	}
	if math.IsInf(high, 1) {
		c.addf(path, fmt.Sprintf("write a finite number, %s or more", brief(low)), "is %s", brief(x))
	} else {
		c.addf(path, fmt.Sprintf("write a number from %s to %s", brief(low), brief(high)), "is %s", brief(x))
	}
	return false
}

// atLeast checks that x is finite and not below low.
func (c *findings) atLeast(path string, x, low float64) {
	if math.IsInf(x, 1) {
		x = math.NaN()
	}
	c.within(path, x, low, math.Inf(1))
}

// above checks that x is finite and greater than low.
func (c *findings) above(path string, x, low float64) {
	if !(x > low) || math.IsInf(x, 1) {
		c.addf(path, fmt.Sprintf("write a finite number above %s", brief(low)), "is %s", brief(x))
	}
}

// relative checks a relative uncertainty.
func (c *findings) relative(path string, x float64) {
	if !(x >= 0 && x < 1) {
		c.addf(path, "write a fraction from 0 to below 1 (3 % is 0.03)", "is %s", brief(x))
	}
}

func (c *findings) finite(path string, x float64) {
	if math.IsNaN(x) || math.IsInf(x, 0) {
		c.addf(path, "write a finite number", "is %s", brief(x))
	}
}

func brief(x float64) string { return strconv.FormatFloat(x, 'g', -1, 64) }

func at(path string, i int) string { return path + "." + strconv.Itoa(i) }

// Bands.

func (c *checker) bands() {
	if len(c.p.Bands) == 0 {
		c.add("bands", "lists no band", "describe at least one")
	}
	if len(c.p.Bands) > maxBands {
		c.addf("bands", fmt.Sprintf("list at most %d", maxBands), "lists %d bands", len(c.p.Bands))
		return
	}
	seen := map[string]bool{}
	for i := range c.p.Bands {
		b, path := &c.p.Bands[i], at("bands", i)
		c.name(path+".name", b.Name)
		if seen[b.Name] {
			c.clash(path+".name", "give each band a name of its own", "the band name %q stands twice", b.Name)
		}
		seen[b.Name] = true
		c.atLeast(path+".wavelength_nm", b.WavelengthNM, 0)
		c.atLeast(path+".responsivity", b.Responsivity, 0)
		c.relative(path+".responsivity_relative_uncertainty", b.ResponsivityRelUncert)
		c.atLeast(path+".solar_irradiance", b.SolarIrradiance, 0)
		c.relative(path+".solar_irradiance_relative_uncertainty", b.SolarIrradianceRelUncert)
		c.response(path+".response", b.Response)
	}
}

// response checks a relative spectral response; one that is left out is none.
func (c *checker) response(path string, points []ResponsePoint) {
	if len(points) == 0 {
		return
	}
	if len(points) < 2 || len(points) > maxResponsePoints {
		c.addf(path, fmt.Sprintf("list 2 to %d", maxResponsePoints), "lists %d points", len(points))
		return
	}
	largest := 0.0
	for i, p := range points {
		c.above(at(path, i)+".nm", p.NM, 0)
		c.atLeast(at(path, i)+".relative", p.Relative, 0)
		largest = max(largest, p.Relative)
		if i > 0 && p.NM <= points[i-1].NM {
			c.clash(at(path, i)+".nm", "list the points by rising wavelength, each once", "%s nm follows %s nm", brief(p.NM), brief(points[i-1].NM))
		}
	}
	if largest == 0 {
		c.clash(path, "give the response, or leave it out", "is 0 at every wavelength")
	}
}

// bandNames gives the names of the bands in the profile's order.
func (p *Profile) bandNames() []string {
	names := make([]string, len(p.Bands))
	for i, b := range p.Bands {
		names[i] = b.Name
	}
	return names
}

// Keywords.

func (c *checker) keywords() {
	k := &c.p.Keywords
	c.exposure(k)
	c.quantity("keywords.wait_s", k.WaitS, timeDimension())
	c.quantity("keywords.temperature_k", k.TemperatureK, temperatureDimension())
	c.quantity("keywords.sun_distance_au", k.SunDistanceAU, distanceDimension())
	c.quantity("keywords.line_time_s", k.LineTimeS, timeDimension())
	c.quantity("keywords.charge_stages", k.ChargeStages, countDimension())
	c.quantity("keywords.binning", k.Binning, countDimension())
	c.quantity("keywords.ground_speed_m_s", k.GroundSpeedMS, speedDimension())
	c.quantity("keywords.footprint_m", k.FootprintM, lengthDimension())
	c.key("keywords.time.key", k.Time.Key)
	c.oneOf("keywords.time.form", k.Time.Form, timeForms())
	c.word("keywords.band", k.Band)
	c.word("keywords.mode", k.Mode)
	c.word("keywords.target", k.Target)
	c.bandWord("keywords.band", k.Band)
}

// exposure checks that the header tells how long pixels collect light: by an
// exposure time, or by a line scanner's line time and stages.
func (c *checker) exposure(k *Keywords) {
	given := k.ExposureS.Key != "" || k.ExposureS.Default != nil || k.ExposureS.Unit != "" || len(k.ExposureS.Words) > 0
	const lines, stages = "keywords.line_time_s", "keywords.charge_stages"
	switch {
	case given && k.LineTimeS != nil:
		c.clash("keywords.exposure_s", "leave it out", "is given, and the exposure of a line scanner comes from line_time_s and charge_stages")
	case given:
		c.quantity("keywords.exposure_s", &k.ExposureS, timeDimension())
	case k.LineTimeS == nil:
		c.clash("keywords.exposure_s", "name the header keyword that holds the exposure time (of a line scanner line_time_s and charge_stages)", "is missing")
	}
	if k.LineTimeS != nil && k.ChargeStages == nil {
		c.clash(stages, "name the header keyword, or give a default of 1", "is missing, and line_time_s is given")
	}
	if k.LineTimeS != nil {
		return
	}
	for _, q := range []struct {
		path     string
		quantity *Quantity
	}{{stages, k.ChargeStages}, {"keywords.binning", k.Binning}} {
		if q.quantity != nil {
			c.clash(q.path, "add "+lines+", or leave it out", "is given without "+lines)
		}
	}
}

func (c *checker) quantity(path string, q *Quantity, d dimension) {
	if q == nil {
		return
	}
	if q.Key == "" && q.Default == nil {
		c.add(path, "has neither a key nor a default", "name the header keyword that holds the "+d.name)
		return
	}
	if q.Key != "" {
		c.key(path+".key", q.Key)
	}
	if q.Unit != "" || q.Key != "" && !d.unitless {
		c.oneOf(path+".unit", q.Unit, d.unitNames())
	}
	if q.Default != nil && !d.accepts(*q.Default) {
		c.addf(path+".default", d.remedy(), "is %s", brief(*q.Default))
	}
	raws := make([]string, len(q.Words))
	for i, w := range q.Words {
		raws[i] = w.Raw
		if !d.accepts(w.Is) {
			c.addf(at(path+".words", i)+".is", d.remedy(), "is %s", brief(w.Is))
		}
	}
	c.distinct(path+".words", raws)
}

// distinct refuses coded values that a header's value could not tell apart.
func (c *checker) distinct(path string, raws []string) {
	seen := map[string]bool{}
	for i, raw := range raws {
		f := foldValue(raw)
		if seen[f] {
			c.addf(at(path, i)+".raw", "keep one of the two; blanks at the ends and case do not count", "the coded value %q stands twice", shorten(raw))
		}
		seen[f] = true
	}
}

func (c *checker) word(path string, w *Word) {
	if w == nil {
		return
	}
	if w.Key == "" && w.Default == "" {
		c.add(path, "has neither a key nor a default", "name the header keyword")
		return
	}
	if w.Key != "" {
		c.key(path+".key", w.Key)
	}
	raws := make([]string, len(w.Words))
	for i, word := range w.Words {
		raws[i] = word.Raw
		if strings.TrimSpace(word.Is) == "" {
			c.add(at(path+".words", i)+".is", "is blank", "name what the coded value stands for")
		}
	}
	c.distinct(path+".words", raws)
}

func (c *checker) bandWord(path string, w *Word) {
	names := c.p.bandNames()
	if c.p.bandFromDetectors() {
		if w != nil {
			c.clashWith([]string{"detectors", "stack"}, path, "leave it out", "is given, and %s", c.p.whoTellsTheBand())
		}
		return
	}
	if w == nil {
		if len(names) > 1 {
			c.clashWith([]string{"bands", "detectors", "stack"}, path, "name the header keyword that tells the band", "is missing, and the camera has %d bands", len(names))
		}
		return
	}
	if w.Default != "" {
		c.bandName(path+".default", w.Default, names)
	}
	for i, word := range w.Words {
		c.bandName(at(path+".words", i)+".is", word.Is, names)
	}
}

func (c *checker) bandName(path, name string, names []string) {
	if !slices.Contains(names, name) {
		c.clashWith([]string{"bands"}, path, suggest(name, names), "%q is none of the profile's bands", shorten(name))
	}
}

// Kinds of frame.

func frameKinds() []string {
	return []string{KindBias, KindDark, KindFlat, KindLadder, KindScene, KindIgnore}
}

func (c *checker) frameKinds() {
	scene, open := false, -1
	for i := range c.p.FrameKinds {
		r, path := &c.p.FrameKinds[i], at("frame_kinds", i)
		c.oneOf(path+".kind", r.Kind, frameKinds())
		scene = scene || r.Kind == KindScene
		if open >= 0 {
			c.clash(path, fmt.Sprintf("give %s tests or move it to the end", at("frame_kinds", open)),
				"is never reached: %s has no tests, so it takes every frame", at("frame_kinds", open))
			open = -1 // said once
		}
		if len(r.When) == 0 && i < len(c.p.FrameKinds)-1 {
			open = i
		}
		for k := range r.When {
			c.keyTest(at(path+".when", k), &r.When[k])
		}
	}
	if !scene {
		c.clash("frame_kinds", "add a rule with kind: scene", "no rule tells which frames are scenes")
	}
}

func (c *checker) keyTest(path string, t *KeyTest) {
	c.key(path+".key", t.Key)
	set := 0
	for _, is := range []bool{t.Equals != "", len(t.OneOf) > 0, t.Above != nil, t.Below != nil, t.Present != nil} {
		if is {
			set++
		}
	}
	if set != 1 {
		c.addf(path, "write exactly one of equals, one_of, above, below and present; several tests are several entries", "holds %d tests", set)
	}
	if t.Above != nil {
		c.finite(path+".above", *t.Above)
	}
	if t.Below != nil {
		c.finite(path+".below", *t.Below)
	}
}

// Stages, masters, selection and output.

func (c *checker) stagesOff() {
	seen := map[string]bool{}
	for i, name := range c.p.StagesOff {
		path := at("stages_off", i)
		switch {
		case slices.Contains(SwitchableStages(), name):
		case slices.Contains(Stages(), name):
			c.addf(path, "only these can be: "+strings.Join(SwitchableStages(), ", "), "the stage %s cannot be switched off", name)
		default:
			c.addf(path, suggest(name, SwitchableStages()), "%q is no stage", shorten(name))
		}
		if seen[name] {
			c.addf(path, "keep one of the two", "%q stands twice", shorten(name))
		}
		seen[name] = true
	}
}

func (c *checker) masters() {
	m := &c.p.Masters
	c.atLeast("masters.reject_sigma", m.RejectSigma, 3)
	c.within("masters.min_frames", float64(m.MinFrames), 3, 1e6)
	c.above("masters.split_gap_hours", m.SplitGapHours, 0)
	c.within("masters.memory_mib", float64(m.MemoryMiB), 16, maxMemoryMiB)
}

func (c *checker) selection() {
	s := &c.p.Selection
	for _, l := range []struct {
		path   string
		limits Limits
	}{
		{"selection.bias", s.Bias}, {"selection.dark", s.Dark}, {"selection.flat", s.Flat},
		{"selection.linearity", s.Linearity}, {"selection.bad_pixels", s.BadPixels},
	} {
		c.atLeast(l.path+".max_age_days", l.limits.MaxAgeDays, 0)
		c.atLeast(l.path+".max_temp_diff_k", l.limits.MaxTempDiffK, 0)
		if l.limits.MaxTempDiffK > 0 && c.p.Keywords.TemperatureK == nil {
			c.clashWith([]string{"keywords.temperature_k"}, l.path+".max_temp_diff_k", "add keywords.temperature_k or leave the limit out",
				"limits the temperature, which the profile reads from no keyword")
		}
	}
}

func (c *checker) output() {
	quantity := c.p.Output.Quantity
	c.oneOf("output.quantity", quantity, []string{Electrons, Radiance, Reflectance})
	c.relative("output.sun_distance_relative_uncertainty", c.p.Output.SunDistanceRelUncert)
	if quantity != Radiance && quantity != Reflectance {
		return
	}
	for i, b := range c.p.Bands {
		if b.Responsivity == 0 {
			c.clash(at("bands", i)+".responsivity", "give it, or set output.quantity to electrons", "is not given, and %s needs it", quantity)
		}
		if b.SolarIrradiance == 0 && quantity == Reflectance {
			c.clash(at("bands", i)+".solar_irradiance", "give it, or choose another output.quantity", "is not given, and %s needs it", quantity)
		}
	}
	if quantity == Reflectance && c.p.Keywords.SunDistanceAU == nil {
		c.clash("keywords.sun_distance_au", "name the keyword, or give a default", "is not given, and %s needs it", quantity)
	}
}
