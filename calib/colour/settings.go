package colour

import (
	"strconv"
	"strings"

	"evenlight/calib"
)

// number records a value so that it reads back to the same float64.
func number(name string, v float64) calib.Setting {
	return calib.Setting{Name: name, Value: numbers(v)}
}

// numbers does so for several, with a blank between.
func numbers(values ...float64) string {
	words := make([]string, len(values))
	for i, v := range values {
		words[i] = strconv.FormatFloat(v, 'g', -1, 64)
	}
	return strings.Join(words, " ")
}
