package colour

import (
	"errors"
	"fmt"
	"slices"
	"strings"

	"evenlight/calib"
)

// Expression is a band, or the ratio of two.
type Expression struct {
	Over  int // the band, or the dividend: an index into the names it was read with
	Under int // the divisor; -1: no ratio
}

// ParseExpression reads "red" or "nir/green", blanks ignored, given the names
// of the bands there are.
func ParseExpression(text string, names []string) (Expression, error) {
	over, under, ratio := strings.Cut(text, "/")
	a, err := bandIndex(over, names)
	if err != nil {
		return Expression{}, fmt.Errorf("expression %q: %w", text, err)
	}
	if !ratio {
		return Expression{a, -1}, nil
	}
	if strings.Contains(under, "/") {
		return Expression{}, fmt.Errorf("expression %q: more than one division: write one band or band/band", text)
	}
	b, err := bandIndex(under, names)
	if err != nil {
		return Expression{}, fmt.Errorf("expression %q: %w", text, err)
	}
	if a == b {
		return Expression{}, fmt.Errorf("expression %q: a band divided by itself is 1 everywhere: name two bands", text)
	}
	return Expression{a, b}, nil
}

func bandIndex(word string, names []string) (int, error) {
	word = strings.TrimSpace(word)
	if word == "" {
		return 0, errors.New("a band is missing: write one band or band/band")
	}
	if i := slices.Index(names, word); i >= 0 {
		return i, nil
	}
	if len(names) == 0 {
		return 0, fmt.Errorf("no band %q: there are no bands", word)
	}
	return 0, fmt.Errorf("no band %q: did you mean %q? there are %s", word, nearest(word, names), strings.Join(names, ", "))
}

// nearest returns the name that takes the fewest letters to change into word,
// upper and lower case being the same; the first of several.
func nearest(word string, names []string) string {
	best, fewest := "", -1
	for _, name := range names {
		if d := editDistance(strings.ToLower(word), strings.ToLower(name)); fewest < 0 || d < fewest {
			best, fewest = name, d
		}
	}
	return best
}

// editDistance counts insertions, deletions and replacements (Levenshtein).
func editDistance(a, b string) int {
	row := make([]int, len(b)+1)
	for j := range row {
		row[j] = j
	}
	for i := range len(a) {
		diagonal := row[0]
		row[0] = i + 1
		for j := range len(b) {
			replaced := diagonal
			if a[i] != b[j] {
				replaced++
			}
			diagonal = row[j+1]
			row[j+1] = min(replaced, row[j]+1, row[j+1]+1)
		}
	}
	return row[len(b)]
}

// significance is how many of its standard uncertainties a divisor must be
// away from zero; nearer, the first-order uncertainty of a ratio means little.
const significance = 3

// Of returns the expression of bands, which share one grid. A band comes back
// as it is, not copied. A ratio r = a/b has variance (var a + r^2 var b) / b^2
// (JCGM 100:2008, 5.1; the bands independent) and the flags of both; it is NaN
// where either is unusable or the divisor is less than three of its standard
// uncertainties from zero.
func (e Expression) Of(bands []*calib.Raster, workers int) *calib.Raster {
	if e.Under < 0 {
		return bands[e.Over]
	}
	a, b := bands[e.Over], bands[e.Under]
	out := calib.NewRaster(a.Width, a.Height)
	eachRow(a.Height, workers, func(_, y int) {
		for i := a.Width * y; i < a.Width*(y+1); i++ {
			out.Flags[i] = a.Flags[i] | b.Flags[i]
			out.Value[i], out.Variance[i] = ratio(a.Value[i], a.Variance[i], b.Value[i], b.Variance[i])
			if !a.Good(i) || !b.Good(i) {
				out.Value[i], out.Variance[i] = nan(), nan()
			}
		}
	})
	return out
}

// ratio works in float64: the square of a small divisor would leave float32's
// range.
func ratio(a, varA, b, varB float32) (r, variance float32) {
	d := float64(b)
	if !(d*d > 0 && d*d >= significance*significance*float64(varB)) {
		return nan(), nan()
	}
	q := float64(a) / d
	return float32(q), float32((float64(varA) + q*q*float64(varB)) / (d * d))
}

// FalseColour makes the three channels of a false-colour picture from
// expressions, say "nir/green", "red" and "green". Show them with Direct.
func FalseColour(expressions [3]string, names []string, bands []*calib.Raster, workers int) ([3]*calib.Raster, error) {
	var channels [3]*calib.Raster
	if err := sameShape(names, bands); err != nil {
		return channels, fmt.Errorf("false colour: %w", err)
	}
	for c, text := range expressions {
		e, err := ParseExpression(text, names)
		if err != nil {
			return channels, fmt.Errorf("false colour, %s: %w", channelNames()[c], err)
		}
		channels[c] = e.Of(bands, workers)
	}
	return channels, nil
}
