package simulate

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"evenlight/configs"
	"evenlight/fitsutil"
)

// frameHeader writes the header cards of a frame the way the profile reads
// them: the keyword map backwards. The result has been read back through the
// profile; it is an error when the profile does not see the planned frame in
// it.
func frameHeader(p *configs.Profile, f *Planned) (*fitsutil.Header, error) {
	facts, err := factCards(p, f)
	if err != nil {
		return nil, err
	}
	for i := range p.FrameKinds {
		rule := &p.FrameKinds[i]
		if rule.Kind != f.Kind {
			continue
		}
		h, err := facts.header(kindCards(rule, facts))
		if err != nil {
			return nil, err
		}
		info, err := p.Describe(h)
		if err == nil && info.Kind == f.Kind {
			return h, addInnocentCards(h, p)
		}
	}
	return nil, fmt.Errorf("no frame_kinds rule of the profile can be met for a frame of kind %s; give the kind a rule that the rules before it leave alone", f.Kind)
}

// card is one header card to be.
type card struct {
	key     string
	value   any
	comment string
}

type cards []card

func (c cards) has(key string) bool {
	return slices.ContainsFunc(c, func(k card) bool { return k.key == key })
}

func (c cards) header(more cards) (*fitsutil.Header, error) {
	h := fitsutil.NewHeader()
	for _, k := range slices.Concat(c, more) {
		if err := h.Set(k.key, k.value, k.comment); err != nil {
			return nil, err
		}
	}
	return h, nil
}

// factCards returns the cards of what is known about the frame besides its
// kind.
func factCards(p *configs.Profile, f *Planned) (cards, error) {
	var c cards
	k := &p.Keywords
	for _, q := range []struct {
		key     *configs.Quantity
		value   float64
		comment string
	}{
		{&k.ExposureS, f.Exposure.ExposureS, "exposure time"},
		{k.WaitS, f.Exposure.WaitS, "wait before readout"},
		{k.TemperatureK, f.Exposure.TempK, "detector temperature"},
		{k.SunDistanceAU, f.SunDistanceAU, "target to Sun"},
	} {
		if q.key == nil || q.key.Key == "" {
			continue
		}
		value, err := rawQuantity(q.key, q.value)
		if err != nil {
			return nil, err
		}
		c = append(c, card{q.key.Key, value, fmt.Sprintf("[%s] %s", q.key.Unit, q.comment)})
	}
	start, err := rawTime(k.Time, f.Time)
	if err != nil {
		return nil, err
	}
	c = append(c, card{k.Time.Key, start, "start of the exposure, UTC"})
	for _, w := range []struct {
		key     *configs.Word
		name    string
		comment string
	}{
		{k.Band, f.Exposure.Band, "filter"},
		{k.Mode, f.Mode, "readout mode"},
		{k.Target, f.Target, "target"},
	} {
		if w.key != nil && w.key.Key != "" {
			c = append(c, card{w.key.Key, rawName(w.key, w.name), w.comment})
		}
	}
	return c, nil
}

// kindCards returns cards that meet the tests of a rule. A key that already
// has a card keeps it: whether it meets the test is found when the header is
// read back.
func kindCards(rule *configs.KindRule, facts cards) cards {
	var c cards
	for i := range rule.When {
		t := &rule.When[i]
		if facts.has(t.Key) || c.has(t.Key) {
			continue
		}
		if value, ok := meeting(rule.When, t.Key); ok {
			c = append(c, card{t.Key, value, "kind of frame"})
		}
	}
	return c
}

// meeting returns a value for key that meets all tests of it, and whether the
// key is to be there at all.
func meeting(tests []configs.KeyTest, key string) (any, bool) {
	low, high := math.Inf(-1), math.Inf(1)
	for i := range tests {
		t := &tests[i]
		switch {
		case t.Key != key:
		case t.Equals != "":
			return coded(t.Equals), true
		case len(t.OneOf) > 0:
			return coded(t.OneOf[0]), true
		case t.Above != nil:
			low = *t.Above
		case t.Below != nil:
			high = *t.Below
		case t.Present != nil && !*t.Present:
			return nil, false
		}
	}
	switch {
	case !math.IsInf(low, 0) && !math.IsInf(high, 0):
		return (low + high) / 2, true
	case !math.IsInf(low, 0):
		return low + 1, true
	case !math.IsInf(high, 0):
		return high - 1, true
	}
	return true, true
}

// coded returns a coded word as its header holds it: as a number where it is
// one and would be printed just so, otherwise as text.
func coded(word string) any {
	if n, err := strconv.ParseInt(word, 10, 64); err == nil && strconv.FormatInt(n, 10) == word {
		return n
	}
	return word
}

// rawName returns the coded word that stands for a name.
func rawName(w *configs.Word, name string) any {
	for i := range w.Words {
		if w.Words[i].Is == name {
			return coded(w.Words[i].Raw)
		}
	}
	return name
}

// rawQuantity returns the header's value, coded word or number in the
// header's unit, of a quantity in our own unit.
func rawQuantity(q *configs.Quantity, value float64) (any, error) {
	for i := range q.Words {
		if q.Words[i].Is == value {
			return coded(q.Words[i].Raw), nil
		}
	}
	raw, ok := toUnit(value, q.Unit)
	if !ok {
		return nil, fmt.Errorf("keyword %s has unit %q, which the simulator does not know; use s, ms, us, min, K, degC, degF, au, km or m", q.Key, q.Unit)
	}
	return tidy(raw), nil
}

// metresPerAU is exact: IAU 2012 Resolution B2.
const metresPerAU = 149597870700.0

// toUnit turns seconds, kelvins and astronomical units into the unit of a
// header.
func toUnit(value float64, unit string) (float64, bool) {
	switch unit {
	case "", "s", "K", "au":
		return value, true
	case "ms":
		return value * 1e3, true
	case "us":
		return value * 1e6, true
	case "min":
		return value / 60, true
	case "degC":
		return value - 273.15, true
	case "degF":
		return value*9/5 - 459.67, true
	case "km":
		return value * metresPerAU / 1e3, true
	case "m":
		return value * metresPerAU, true
	}
	return 0, false
}

// tidy rounds to 12 digits, so that 0.35 s is written as 350.0 ms and not as
// 349.99999999999994.
func tidy(x float64) float64 {
	rounded, err := strconv.ParseFloat(strconv.FormatFloat(x, 'g', 12, 64), 64)
	if err != nil {
		return x
	}
	return rounded
}

// Julian dates of 1970-01-01T00:00:00.
const (
	unixEpochJD  = 2440587.5
	unixEpochMJD = 40587.0
)

func rawTime(key configs.TimeKey, t time.Time) (any, error) {
	days := float64(t.Unix())/86400 + float64(t.Nanosecond())/86400e9
	switch key.Form {
	case "iso8601":
		return t.UTC().Format("2006-01-02T15:04:05.000"), nil
	case "unix_s":
		return float64(t.UnixMilli()) / 1e3, nil
	case "unix_ms":
		return t.UnixMilli(), nil
	case "jd":
		return unixEpochJD + days, nil
	case "mjd":
		return unixEpochMJD + days, nil
	}
	return nil, fmt.Errorf("keyword %s has time form %q, which the simulator does not know; use iso8601, unix_s, unix_ms, jd or mjd", key.Key, key.Form)
}

// addInnocentCards adds what real headers are full of and no calibration
// needs: a reader must get past them, the long string above all.
func addInnocentCards(h *fitsutil.Header, p *configs.Profile) error {
	more := cards{
		{"INSTRUME", strings.ToUpper(p.Instrument), "camera"},
		{"OPSNOTE", "invented observation: the probe holds its attitude, the cover is open, and the planner's remark " +
			"is longer than one record of the header can hold, so it goes on in the next ones", ""},
	}
	for _, k := range more {
		if _, taken := h.Value(k.key); taken {
			continue
		}
		if err := h.Set(k.key, k.value, k.comment); err != nil {
			return err
		}
	}
	h.AddComment("Simulated frame. Probe, camera and moon are invented.")
	return nil
}
