package page

import (
	"encoding/json"
	"math"
	"strconv"
	"strings"
)

// frameTable is the table of frames as the page's script reads it: column by
// column, numbers to little more than what is shown. What all frames share is no column
// but a line above the table.
type frameTable struct {
	IDs      []string `json:"ids"`
	Files    []string `json:"files"` // part files
	Part     []int    `json:"part"`  // by frame: number in Files; -1: this file
	Columns  []column `json:"columns"`
	Warnings column   `json:"warnings"` // stands below the name
	Common   []common `json:"-"`
}

// column is one column of the table, with a value for each frame.
type column struct {
	Title   string    `json:"title"`
	Unit    string    `json:"unit,omitempty"`
	Kind    string    `json:"kind"` // of columnKinds
	Digits  int       `json:"digits"`
	Choice  bool      `json:"choice,omitempty"` // frames can be chosen by it
	Texts   []int     `json:"texts,omitempty"`  // by frame: number in Words
	Words   []string  `json:"words,omitempty"`
	Numbers []rounded `json:"numbers,omitempty"`
}

// Kinds of columns.
const (
	columnName   = "name"
	columnState  = "state"
	columnText   = "text"
	columnTime   = "time"
	columnNumber = "number" // Digits after the point
	columnPlain  = "plain"  // as short as the number is
)

// common is what all frames share.
type common struct{ Title, Value string }

// rounded is a number of JSON, null where it is not finite.
type rounded float64

func (r rounded) MarshalJSON() ([]byte, error) {
	if math.IsNaN(float64(r)) || math.IsInf(float64(r), 0) {
		return []byte("null"), nil
	}
	return json.Marshal(float64(r))
}

func newFrameTable(frames []Frame) frameTable {
	t := frameTable{IDs: make([]string, len(frames)), Files: []string{}, Part: make([]int, len(frames)), Columns: []column{}}
	at := map[string]int{"": -1}
	for i := range frames {
		f := &frames[i]
		t.IDs[i] = f.ID
		n, ok := at[f.Part]
		if !ok {
			n = len(t.Files)
			at[f.Part] = n
			t.Files = append(t.Files, f.Part)
		}
		t.Part[i] = n
	}
	t.addTexts(frames)
	t.addNumbers(frames)
	t.Warnings = textColumn("warnings", columnText, frames, func(f *Frame) string { return strings.Join(f.Warnings, "; ") })
	return t
}

func (t *frameTable) addTexts(frames []Frame) {
	state := textColumn("state", columnState, frames, func(f *Frame) string { return word(f.State) })
	state.Choice = true
	t.Columns = append(t.Columns, state,
		textColumn("frame", columnName, frames, func(f *Frame) string { return f.Name }),
		t.times(frames))
	for _, c := range []struct {
		title string
		of    func(f *Frame) string
	}{
		{"instrument", func(f *Frame) string { return f.Instrument }},
		{"detector", func(f *Frame) string { return f.Detector }},
		{"mode", func(f *Frame) string { return f.Mode }},
		{"band", func(f *Frame) string { return f.Band }},
		{"target", func(f *Frame) string { return f.Target }},
		{"unit", func(f *Frame) string { return unitText(f.Unit) }},
	} {
		one := textColumn(c.title, columnText, frames, c.of)
		if len(one.Words) > 1 {
			one.Choice = c.title != "unit"
			t.Columns = append(t.Columns, one)
		} else if len(one.Words) == 1 && one.Words[0] != "" {
			t.Common = append(t.Common, common{c.title, one.Words[0]})
		}
	}
}

// times makes the column of times, without the date where that is the same for
// all frames.
func (t *frameTable) times(frames []Frame) column {
	const title = "start, UTC"
	whole := func(f *Frame) string { return utc(f.Time) }
	day := ""
	for i := range frames {
		date, _, ok := strings.Cut(whole(&frames[i]), " ")
		if !ok || i > 0 && date != day {
			return textColumn(title, columnTime, frames, whole)
		}
		day = date
	}
	if len(frames) > 0 {
		t.Common = append(t.Common, common{"date", day})
	}
	return textColumn(title, columnTime, frames, func(f *Frame) string { return strings.TrimPrefix(whole(f), day+" ") })
}

// textColumn makes a column of texts, each of which is kept once.
func textColumn(title, kind string, frames []Frame, of func(f *Frame) string) column {
	c := column{Title: title, Kind: kind, Texts: make([]int, len(frames)), Words: []string{}}
	at := map[string]int{}
	for i := range frames {
		text := show(of(&frames[i]))
		n, ok := at[text]
		if !ok {
			n = len(c.Words)
			at[text] = n
			c.Words = append(c.Words, text)
		}
		c.Texts[i] = n
	}
	return c
}

func (t *frameTable) addNumbers(frames []Frame) {
	unit := ""
	oneUnit := true
	for i := range frames {
		oneUnit = oneUnit && frames[i].Unit == frames[0].Unit
		unit = frames[0].Unit
	}
	level := func(title string, of func(f *Frame) *float64) {
		if oneUnit {
			t.addNumber(scaled(title, unit, values(frames, of)))
		} else {
			t.addNumber(plain(title, "", values(frames, of)))
		}
	}
	t.addNumber(plain("exposure", "s", values(frames, func(f *Frame) *float64 { return f.ifKnown(&f.ExposureS) })))
	t.addNumber(fixed("temperature", "K", 2, values(frames, func(f *Frame) *float64 { return f.TempK })))
	level("background", func(f *Frame) *float64 { return f.Background })
	level("median", func(f *Frame) *float64 { return f.Median })
	t.addNumber(fixed("good", "%", 2, times(100, values(frames, func(f *Frame) *float64 { return f.Good }))))
	t.addNumber(fixed("saturated", "%", 2, times(100, values(frames, func(f *Frame) *float64 { return f.ifKnown(&f.Saturated) }))))
	t.addNumber(fixed("noise", "× expected", 2, values(frames, func(f *Frame) *float64 { return f.NoiseRatio })))
	t.addNumber(fixed("oldest master", "days", 1, values(frames, func(f *Frame) *float64 { return f.OldestDays })))
}

// ifKnown returns nil for a frame of which nothing is known but its name.
func (f *Frame) ifKnown(v *float64) *float64 {
	if f.Unit == "" {
		return nil
	}
	return v
}

// addNumber takes a column whose numbers differ. One that is the same for all
// frames goes above the table, and one without any number is left out.
func (t *frameTable) addNumber(c column) {
	same, some := true, false
	for _, v := range c.Numbers {
		same = same && v == c.Numbers[0] // NaN differs from itself
		some = some || !math.IsNaN(float64(v))
	}
	switch {
	case some && same && len(c.Numbers) > 1:
		value := strconv.FormatFloat(float64(c.Numbers[0]), 'f', c.Digits, 64)
		if c.Kind == columnPlain {
			value = figure(float64(c.Numbers[0]))
		}
		t.Common = append(t.Common, common{c.Title, strings.TrimSpace(value + " " + c.Unit)})
	case some:
		t.Columns = append(t.Columns, c)
	}
}

func values(frames []Frame, of func(f *Frame) *float64) []float64 {
	out := make([]float64, len(frames))
	for i := range frames {
		out[i] = math.NaN()
		if v := of(&frames[i]); v != nil {
			out[i] = *v
		}
	}
	return out
}

func times(factor float64, v []float64) []float64 {
	for i := range v {
		v[i] *= factor
	}
	return v
}

// digitsKept are kept beyond the digits that are shown, so that frames sort as
// their numbers do.
const digitsKept = 3

// fixed makes a column with so many digits after the point.
func fixed(title, unit string, digits int, v []float64) column {
	c := column{Title: title, Unit: unitText(unit), Kind: columnNumber, Digits: digits, Numbers: make([]rounded, len(v))}
	for i, x := range v {
		c.Numbers[i] = roundTo(x, 'f', digits+digitsKept)
	}
	return c
}

// plain makes a column of numbers as short as they are.
func plain(title, unit string, v []float64) column {
	c := column{Title: title, Unit: unitText(unit), Kind: columnPlain, Digits: digitsShown, Numbers: make([]rounded, len(v))}
	for i, x := range v {
		c.Numbers[i] = roundTo(x, 'g', digitsShown+digitsKept)
	}
	return c
}

// scaled makes a column whose numbers have a power of ten in common, which
// stands beside the unit, so that they can be compared at a glance.
func scaled(title, unit string, v []float64) column {
	most := 0.0
	for _, x := range v {
		if !math.IsInf(x, 0) && math.Abs(x) > most {
			most = math.Abs(x)
		}
	}
	if most == 0 {
		return fixed(title, unit, 0, v)
	}
	power := 0
	if most < 0.1 || most >= 1e6 {
		power = 3 * int(math.Floor(math.Log10(most)/3))
	}
	digits := max(0, digitsShown-1-int(math.Floor(math.Log10(most)))+power)
	if power != 0 {
		unit = powerOfTen(power) + " " + unit
	}
	return fixed(title, unit, digits, times(math.Pow10(-power), v))
}

// roundTo rounds to what strconv writes.
func roundTo(x float64, format byte, digits int) rounded {
	r, err := strconv.ParseFloat(strconv.FormatFloat(x, format, digits, 64), 64)
	if err != nil {
		return rounded(x) // not reached: what strconv writes it can read
	}
	return rounded(r)
}
