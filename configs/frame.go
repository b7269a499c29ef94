package configs

import (
	"cmp"
	"fmt"
	"math"
	"math/big"
	"slices"
	"strconv"
	"strings"
	"time"
)

// FrameInfo is what a frame's header says, in our own words and units.
type FrameInfo struct {
	Kind string // one of the Kind constants
	// Band is the name of one of the profile's bands. It is empty for bias
	// and dark frames, which no light reaches, for ignored ones, and where the
	// detector tells it: see [Profile.ManyBands] and [Profile.BandOfDetector].
	Band string
	// Mode is the readout mode; empty when the profile reads none. A line
	// scanner's has its stages and binning at the end: "normal-s32b1", or
	// "s32b1" where the profile reads no mode besides.
	Mode   string
	Target string // what was looked at; empty when the header does not say

	ExposureS     float64 // s; for a line scanner line time x stages
	WaitS         float64 // s; 0 when the profile reads none
	TempK         float64 // detector temperature, K; NaN when absent
	SunDistanceAU float64 // au; NaN when absent

	// Of a line scanner, else 0; GroundSpeedMS and FootprintM are NaN when absent.
	LineTimeS     float64 // s
	ChargeStages  int
	Binning       int // 1 when the profile reads none
	GroundSpeedMS float64
	FootprintM    float64 // of an output pixel, binned

	Time time.Time // start of the exposure, UTC
}

// HeaderValues gives the values of header keywords: a string, a bool, an
// integer, a float, or nil for a keyword whose value is undefined. The second
// result is false when the header has no such keyword.
//
// Where samples stand in an extension, the caller lets the primary header
// answer for what the extension's does not hold.
type HeaderValues interface {
	Value(key string) (any, bool)
}

// HeaderError tells that a frame's header cannot be read as the profile says.
type HeaderError struct {
	Key     string // the keyword; for the kind of a frame all that the rules look at
	Problem string
	Remedy  string
}

// Error gives "keyword KEY: problem; remedy".
func (e *HeaderError) Error() string {
	return fmt.Sprintf("keyword %s: %s; %s", e.Key, e.Problem, e.Remedy)
}

// Describe reads a frame's header: its kind by the first rule that fits, and
// the quantities by the keyword map, converted to our own units. The error is
// a [HeaderError]. Only Kind is filled in for an ignored frame. The profile must
// have passed [Profile.Check], as one from [Load] or [Parse] has.
func (p *Profile) Describe(h HeaderValues) (FrameInfo, error) {
	info := FrameInfo{TempK: math.NaN(), SunDistanceAU: math.NaN(), GroundSpeedMS: math.NaN(), FootprintM: math.NaN()}
	var err error
	if info.Kind, err = p.kindOf(h); err != nil || info.Kind == KindIgnore {
		return info, err
	}
	if err := p.readQuantities(h, &info); err != nil {
		return info, err
	}
	if err := p.readNames(h, &info); err != nil {
		return info, err
	}
	info.Time, err = p.Keywords.Time.read(h)
	return info, err
}

func (p *Profile) readQuantities(h HeaderValues, info *FrameInfo) error {
	k := &p.Keywords
	err := readAll(h, []reading{
		{k.WaitS, timeDimension(), &info.WaitS, true},
		{k.TemperatureK, temperatureDimension(), &info.TempK, false},
		{k.SunDistanceAU, distanceDimension(), &info.SunDistanceAU, false},
		{k.GroundSpeedMS, speedDimension(), &info.GroundSpeedMS, false},
		{k.FootprintM, lengthDimension(), &info.FootprintM, false},
	})
	if err != nil {
		return err
	}
	if k.LineTimeS != nil {
		return k.readLines(h, info)
	}
	return k.readExposure(h, info)
}

// readExposure reads the exposure of a camera that takes whole frames.
func (k *Keywords) readExposure(h HeaderValues, info *FrameInfo) error {
	if err := readAll(h, []reading{{&k.ExposureS, timeDimension(), &info.ExposureS, true}}); err != nil {
		return err
	}
	if lit := info.Kind == KindScene || info.Kind == KindFlat; lit && info.ExposureS == 0 {
		return &HeaderError{k.ExposureS.Key, fmt.Sprintf("the exposure is 0 s, and the frame is a %s", info.Kind),
			"mend the rules in frame_kinds so that it is taken for what it is"}
	}
	return nil
}

// readLines reads what a line scanner tells in place of an exposure: each
// pixel collects for one line time in each of its stages.
func (k *Keywords) readLines(h HeaderValues, info *FrameInfo) error {
	stages, binning := 0.0, 1.0
	err := readAll(h, []reading{
		{k.LineTimeS, timeDimension(), &info.LineTimeS, true},
		{k.ChargeStages, countDimension(), &stages, true},
		{k.Binning, countDimension(), &binning, true},
	})
	if err != nil {
		return err
	}
	if info.LineTimeS == 0 {
		return &HeaderError{k.LineTimeS.Key, "the line time is 0 s, and a line scanner has no zero exposure",
			"check the frame, or add a rule with kind: ignore for frames like it"}
	}
	info.ChargeStages, info.Binning = int(stages), int(binning)
	info.ExposureS = info.LineTimeS * stages
	return nil
}

// reading is a quantity to be read from a header, and where to.
type reading struct {
	quantity *Quantity // nil: the camera has none
	d        dimension
	into     *float64
	needed   bool
}

// readAll reads quantities. What the camera does not have, or a header need
// not tell, is left as it is.
func readAll(h HeaderValues, readings []reading) error {
	for _, r := range readings {
		if r.quantity == nil {
			continue
		}
		x, ok, err := r.quantity.read(h, r.d)
		if err != nil {
			return err
		}
		if ok {
			*r.into = x
		} else if r.needed {
			return &HeaderError{r.quantity.Key, fmt.Sprintf("is absent, and the frame's %s comes from it", r.d.name),
				"check that the frame is from this camera, or give the quantity a default in the profile"}
		}
	}
	return nil
}

func (p *Profile) readNames(h HeaderValues, info *FrameInfo) error {
	var err error
	if info.Kind != KindBias && info.Kind != KindDark {
		if info.Band, err = p.bandOf(h); err != nil {
			return err
		}
	}
	if info.Mode, err = p.modeOf(h); err != nil {
		return err
	}
	info.Mode += p.Keywords.lineMode(info)
	info.Target = p.targetOf(h)
	return nil
}

// lineMode gives what stages and binning add to a line scanner's mode.
func (k *Keywords) lineMode(info *FrameInfo) string {
	if k.LineTimeS == nil {
		return ""
	}
	text := fmt.Sprintf("s%d", info.ChargeStages)
	if k.Binning != nil {
		text += fmt.Sprintf("b%d", info.Binning)
	}
	if info.Mode != "" {
		text = "-" + text
	}
	return text
}

// read gives the quantity in our own unit, and false when neither the header
// nor the profile has it.
func (q *Quantity) read(h HeaderValues, d dimension) (float64, bool, error) {
	raw, ok := present(h, q.Key)
	if !ok {
		if q.Default == nil {
			return 0, false, nil
		}
		return *q.Default, true, nil
	}
	for _, w := range q.Words {
		if sameValue(raw, w.Raw) {
			return w.Is, true, nil
		}
	}
	x, ok := numberOf(raw)
	if !ok {
		return 0, false, &HeaderError{q.Key, fmt.Sprintf("its value %s is not a number of %s", valueText(raw), cmp.Or(q.Unit, d.ownUnit)),
			"if it is a coded word, add it to the words of this quantity in the profile"}
	}
	own := d.toOwnUnit(x, q.Unit)
	if !d.accepts(own) {
		value := strings.TrimSpace(valueText(raw) + " " + q.Unit)
		return 0, false, &HeaderError{q.Key, fmt.Sprintf("its value %s is no possible %s (%s)", value, d.name, d.bound),
			"check the frame, and the unit in the profile"}
	}
	return own, true, nil
}

// ManyBands tells whether one frame sees several bands, side by side in a
// mosaic or in strips of filters, or mixed in the layers of a stack. Then
// [FrameInfo].Band is empty for every kind of frame.
func (p *Profile) ManyBands() bool {
	for i := range p.Detectors {
		if p.Detectors[i].Mosaic != nil || len(p.Detectors[i].Strips) > 0 {
			return true
		}
	}
	return p.Stack != nil
}

// BandOfDetector gives the band that the detector with this number, from 0,
// always sees; it is empty where the header tells the band, where the camera
// has but one, and for a detector that sees several. It panics where there is
// no such detector.
func (p *Profile) BandOfDetector(i int) string { return p.Detectors[i].Band }

// bandFromDetectors tells whether the detectors, and not the header, decide
// what bands a frame sees.
func (p *Profile) bandFromDetectors() bool {
	return p.ManyBands() || slices.ContainsFunc(p.Detectors, func(d Detector) bool { return d.Band != "" })
}

// bandOf gives the name of the frame's band.
func (p *Profile) bandOf(h HeaderValues) (string, error) {
	if p.bandFromDetectors() {
		return "", nil
	}
	w := p.Keywords.Band
	if w == nil {
		return p.Bands[0].Name, nil // the check lets this pass only when it is the one band
	}
	raw, ok := present(h, w.Key)
	if !ok {
		return w.fallback("band")
	}
	if name, ok := w.lookUp(raw); ok {
		return name, nil
	}
	if len(w.Words) > 0 {
		return "", w.unlisted("band", raw)
	}
	for _, b := range p.Bands {
		if sameValue(raw, b.Name) {
			return b.Name, nil
		}
	}
	return "", &HeaderError{w.Key, fmt.Sprintf("its value %s is none of the bands %s", valueText(raw), strings.Join(p.bandNames(), ", ")),
		"describe the band in the profile, or add the value to the words of keywords.band"}
}

// modeOf gives the readout mode.
func (p *Profile) modeOf(h HeaderValues) (string, error) {
	w := p.Keywords.Mode
	if w == nil {
		return "", nil
	}
	raw, ok := present(h, w.Key)
	if !ok {
		return w.fallback("mode")
	}
	if name, ok := w.lookUp(raw); ok {
		return name, nil
	}
	if len(w.Words) > 0 {
		return "", w.unlisted("mode", raw)
	}
	return plainValue(raw), nil
}

// targetOf gives the target's name. It is for people only, so a header without
// it, or with a name that the profile does not translate, is no error.
func (p *Profile) targetOf(h HeaderValues) string {
	w := p.Keywords.Target
	if w == nil {
		return ""
	}
	raw, ok := present(h, w.Key)
	if !ok {
		return w.Default
	}
	if name, ok := w.lookUp(raw); ok {
		return name
	}
	return plainValue(raw)
}

// lookUp gives the name that a coded value stands for.
func (w *Word) lookUp(raw any) (string, bool) {
	for _, word := range w.Words {
		if sameValue(raw, word.Raw) {
			return word.Is, true
		}
	}
	return "", false
}

// fallback gives the default for a header without the keyword.
func (w *Word) fallback(what string) (string, error) {
	if w.Default != "" {
		return w.Default, nil
	}
	return "", &HeaderError{w.Key, fmt.Sprintf("is absent, and the frame's %s comes from it", what),
		fmt.Sprintf("check that the frame is from this camera, or give keywords.%s a default in the profile", what)}
}

func (w *Word) unlisted(what string, raw any) error {
	return &HeaderError{w.Key, fmt.Sprintf("its value %s is not among the words of keywords.%s", valueText(raw), what),
		fmt.Sprintf("add {raw: %q, is: ...} to them in the profile", plainValue(raw))}
}

// Rules for the kind of a frame.

func (p *Profile) kindOf(h HeaderValues) (string, error) {
	for i := range p.FrameKinds {
		if p.FrameKinds[i].fits(h) {
			return p.FrameKinds[i].Kind, nil
		}
	}
	var keys, values []string
	for _, r := range p.FrameKinds {
		for _, t := range r.When {
			if slices.Contains(keys, t.Key) {
				continue
			}
			keys = append(keys, t.Key)
			values = append(values, t.Key+" "+situation(h, t.Key))
		}
	}
	return "", &HeaderError{strings.Join(keys, ", "), "no rule of frame_kinds fits this frame: " + strings.Join(values, ", "),
		"add a rule to the profile (kind: ignore for frames that are not to be used)"}
}

// situation words what the header holds under a key.
func situation(h HeaderValues, key string) string {
	raw, ok := h.Value(key)
	if !ok {
		return "is absent"
	}
	return "is " + valueText(raw)
}

func (r *KindRule) fits(h HeaderValues) bool {
	for i := range r.When {
		if !r.When[i].holds(h) {
			return false
		}
	}
	return true
}

// holds tells whether the one test that is set holds. A keyword that is absent
// or no number fails every comparison.
func (t *KeyTest) holds(h HeaderValues) bool {
	raw, ok := present(h, t.Key)
	if t.Present != nil {
		_, there := h.Value(t.Key)
		return there == *t.Present
	}
	if !ok {
		return false
	}
	number, isNumber := numberOf(raw)
	switch {
	case t.Above != nil:
		return isNumber && number > *t.Above
	case t.Below != nil:
		return isNumber && number < *t.Below
	case len(t.OneOf) > 0:
		return slices.ContainsFunc(t.OneOf, func(want string) bool { return sameValue(raw, want) })
	default:
		return sameValue(raw, t.Equals)
	}
}

// Values of header keywords.

// present gives the value of a keyword that is there and defined. An empty key
// is never there.
func present(h HeaderValues, key string) (any, bool) {
	if key == "" {
		return nil, false
	}
	raw, ok := h.Value(key)
	return raw, ok && raw != nil
}

// sameValue compares a header's value with one from the profile: numbers as
// numbers, all else as text without regard to case and blanks at the ends.
func sameValue(raw any, want string) bool {
	if b, ok := raw.(bool); ok {
		word, short := "false", "f"
		if b {
			word, short = "true", "t"
		}
		folded := foldValue(want)
		return folded == word || folded == short
	}
	return foldValue(plainValue(raw)) == foldValue(want)
}

// foldValue brings texts that count as the same value to one form.
func foldValue(text string) string {
	if x, ok := parseNumber(text); ok {
		return strconv.FormatFloat(x+0, 'g', -1, 64)
	}
	return strings.ToLower(strings.TrimSpace(text))
}

// parseNumber reads a finite decimal number.
func parseNumber(text string) (float64, bool) {
	text = strings.TrimSpace(text)
	if strings.ContainsAny(text, "xX_pP") { // the forms of Go's own numbers that headers do not have
		return 0, false
	}
	x, err := strconv.ParseFloat(text, 64)
	if err != nil || math.IsInf(x, 0) || math.IsNaN(x) {
		return 0, false
	}
	return x, true
}

// numberOf gives the number that a header's value is, or that its text spells.
func numberOf(raw any) (float64, bool) {
	switch v := raw.(type) {
	case float64:
		return v, !math.IsNaN(v) && !math.IsInf(v, 0)
	case float32:
		return numberOf(float64(v))
	case int64:
		return float64(v), true
	case int:
		return float64(v), true
	case *big.Int:
		x, _ := new(big.Float).SetInt(v).Float64()
		return numberOf(x)
	case string:
		return parseNumber(v)
	}
	return 0, false
}

// plainValue gives a header's value as text without blanks at the ends.
func plainValue(raw any) string {
	switch v := raw.(type) {
	case string:
		return strings.TrimSpace(v)
	case bool:
		if v {
			return "T"
		}
		return "F"
	case float64:
		return brief(v)
	}
	return fmt.Sprint(raw)
}

// valueText gives a header's value as a message shows it.
func valueText(raw any) string {
	switch v := raw.(type) {
	case nil:
		return "undefined"
	case string:
		return strconv.Quote(shorten(v))
	}
	return shorten(plainValue(raw))
}
