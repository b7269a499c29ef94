package plots

import (
	"math"
	"strconv"
	"strings"
)

// Axis is a scale of a chart.
type Axis struct {
	Label    string // with the unit: "mean signal, DN"
	Log      bool
	Min, Max float64 // both 0: from the data
	Ticks    []Tick  // nil: chosen
	// Across is a second scale on the opposite side, of the horizontal axis
	// alone: the same places under other names.
	Across      []Tick
	AcrossLabel string
}

// Tick is a named place on an axis.
type Tick struct {
	At    float64
	Label string
}

// scale is an axis with its limits and ticks.
type scale struct {
	Axis
	minor []float64 // places without a name
}

// fraction tells how far along the axis a value lies, 0 at Min and 1 at Max.
func (s *scale) fraction(v float64) float64 {
	if s.Log {
		return math.Log(v/s.Min) / math.Log(s.Max/s.Min)
	}
	return (v - s.Min) / (s.Max - s.Min)
}

// shows tells whether a value has a place on any such axis.
func (a *Axis) shows(v float64) bool {
	return !math.IsNaN(v) && !math.IsInf(v, 0) && (!a.Log || v > 0)
}

// span collects the range of data.
type span struct{ low, high float64 }

func emptySpan() span { return span{math.Inf(1), math.Inf(-1)} }

func (s *span) add(v float64) { s.low, s.high = math.Min(s.low, v), math.Max(s.high, v) }

func (s *span) empty() bool { return s.low > s.high }

// scaleOf chooses limits and ticks of an axis for data.
func scaleOf(a Axis, data span) scale {
	if a.Min == a.Max {
		a.Min, a.Max = limitsOf(data, a.Log)
	}
	s := scale{Axis: a}
	if s.Ticks == nil {
		if s.Log {
			s.Ticks, s.minor = logTicks(s.Min, s.Max)
		} else {
			s.Ticks = linearTicks(s.Min, s.Max)
		}
	}
	return s
}

// limitsOf leaves room of 4 percent on both sides of the data; a single value
// stands in the middle.
func limitsOf(data span, log bool) (low, high float64) {
	const room = 0.04
	if log {
		if data.low == data.high {
			return data.low / 2, data.high * 2
		}
		factor := math.Pow(data.high/data.low, room)
		return data.low / factor, data.high * factor
	}
	width := data.high - data.low
	if width == 0 {
		width = max(math.Abs(data.low), 1)
	}
	return data.low - room*width, data.high + room*width
}

// linearTicks are multiples of 1, 2 or 5 times a power of ten, three to eight
// intervals of them.
func linearTicks(low, high float64) []Tick {
	raw := (high - low) / 6
	power := math.Pow(10, math.Floor(math.Log10(raw)))
	step := power
	for _, multiple := range [...]float64{2, 5, 10} {
		if step < raw*0.8 {
			step = multiple * power
		}
	}
	decimals := max(0, int(-math.Floor(math.Log10(step)+1e-9)))
	var ticks []Tick
	first := math.Ceil(low/step - 1e-9)
	for i := 0.0; (first+i)*step <= high+1e-9*step; i++ {
		at := (first + i) * step
		ticks = append(ticks, Tick{At: at, Label: number(at, decimals)})
	}
	return ticks
}

// logTicks names the powers of ten, where there are fewer than two of them the
// places 2 and 5 besides, and of more than nine every second or so.
func logTicks(low, high float64) (named []Tick, minor []float64) {
	first, last := int(math.Floor(math.Log10(low))), int(math.Ceil(math.Log10(high)))
	few := math.Log10(high/low) < 2
	every := 1 + (last-first-1)/8
	for n := first; n <= last; n++ {
		for digit := 1; digit <= 9; digit++ {
			at := float64(digit) * math.Pow(10, float64(n))
			switch {
			case at < low || at > high:
			case digit == 1 && (n-first)%every == 0 || few && (digit == 2 || digit == 5):
				named = append(named, Tick{At: at, Label: number(at, max(0, -n))})
			default:
				minor = append(minor, at)
			}
		}
	}
	return named, minor
}

// number writes a number with a minus sign, thousands set apart, and very
// large and small ones with a power of ten.
func number(v float64, decimals int) string {
	if magnitude := math.Abs(v); magnitude >= 1e7 || decimals > 5 {
		return strings.Replace(strconv.FormatFloat(v, 'g', 4, 64), "-", "−", 2)
	}
	s := strconv.FormatFloat(math.Abs(v), 'f', decimals, 64)
	whole, fraction, _ := strings.Cut(s, ".")
	if len(whole) > 4 {
		whole = whole[:len(whole)-3] + "\u2009" + whole[len(whole)-3:]
	}
	if fraction != "" {
		whole += "." + fraction
	}
	if v < 0 && strings.Trim(s, "0.") != "" {
		return "−" + whole
	}
	return whole
}
