package page

import (
	"math"
	"net/url"
	"strconv"
	"strings"
	"time"
)

// digitsShown is the number of significant digits of a figure on the page; the
// JSON and CSV forms have all.
const digitsShown = 4

// figure writes a number with digitsShown digits, a dash where there is none.
func figure(v any) string {
	var x float64
	switch v := v.(type) {
	case float64:
		x = v
	case *float64:
		if v == nil {
			return "–"
		}
		x = *v
	}
	text, power, scaled := strings.Cut(strconv.FormatFloat(x, 'g', digitsShown, 64), "e")
	if !scaled {
		return minus(text)
	}
	p, err := strconv.Atoi(power)
	if err != nil {
		return text // not reached: FormatFloat writes an integer
	}
	return minus(text) + " × " + powerOfTen(p)
}

func minus(text string) string { return strings.Replace(text, "-", "−", 1) }

func powerOfTen(p int) string { return "10" + raised(strconv.Itoa(p)) }

var raisedSigns = strings.NewReplacer("-", "⁻", "0", "⁰", "1", "¹", "2", "²", "3", "³", "4", "⁴", "5", "⁵", "6", "⁶", "7", "⁷", "8", "⁸", "9", "⁹")

func raised(text string) string { return raisedSigns.Replace(text) }

// unitText writes the powers of a unit as such: W m-2 sr-1 becomes W m⁻² sr⁻¹.
func unitText(unit string) string {
	words := strings.Split(show(unit), " ")
	for i, w := range words {
		at := strings.LastIndexAny(w, "-")
		if at > 0 && at < len(w)-1 && strings.Trim(w[at+1:], "0123456789") == "" {
			words[i] = w[:at] + raised(w[at:])
		}
	}
	return strings.Join(words, " ")
}

// percent writes a fraction with as many digits as a small fraction needs.
func percent(v any) string {
	x, ok := v.(float64)
	if p, isPointer := v.(*float64); isPointer {
		if p == nil {
			return "–"
		}
		x, ok = *p, true
	}
	if !ok {
		return "–"
	}
	x *= 100
	decimals := 2
	if math.Abs(x) < 10 {
		decimals = 3
	}
	return strconv.FormatFloat(x, 'f', decimals, 64) + " %"
}

// count writes a number of things, digits in groups of three from five digits
// on (ISO 80000-1, 7.3.1).
func count(n int) string {
	text := strconv.Itoa(n)
	if len(text) < 5 {
		return text
	}
	var b strings.Builder
	for i, r := range text {
		if i > 0 && (len(text)-i)%3 == 0 {
			b.WriteRune('\u202f')
		}
		b.WriteRune(r)
	}
	return b.String()
}

// utc writes a time of RFC 3339 for reading, to the second; other text stays.
func utc(text string) string {
	t, err := time.Parse(time.RFC3339, text)
	if err != nil {
		return show(text)
	}
	return t.UTC().Format(time.DateTime)
}

// word is what a state or grade is called, with a sign of its own, so that
// colour is never needed to tell them apart.
func word(state string) string {
	switch state {
	case StateGood:
		return "✓ good"
	case StateLook:
		return "▲ look"
	case StateBroken:
		return "✕ broken"
	case GradeAct:
		return "✕ act"
	}
	return show(state)
}

// short is the beginning of a hash, enough to tell files apart.
func short(hash string) string {
	const enough = 12
	if len(hash) <= enough {
		return show(hash)
	}
	return show(hash[:enough]) + "…"
}

// address makes a relative path that a browser reads as one, whatever signs are
// in its names (RFC 3986, sections 3.3 and 4.2).
func address(link string) string {
	segments := strings.Split(link, "/")
	for i, s := range segments {
		segments[i] = url.PathEscape(s)
	}
	return "./" + strings.Join(segments, "/")
}
