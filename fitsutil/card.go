package fitsutil

import (
	"fmt"
	"math"
	"math/big"
	"strconv"
	"strings"
)

// Card is one keyword of a header with its value and comment.
type Card struct {
	// Key is the keyword in upper case. Commentary cards have the key
	// COMMENT, HISTORY or, for blank keywords, "". A key of the HIERARCH
	// convention keeps its prefix: "HIERARCH DET GAIN".
	Key string
	// Value is a string, bool, int64, float64, complex128 or, for integers
	// beyond 64 bits, *big.Int. It is nil where the value is undefined
	// (clause 4.1.2.3), where the card is commentary, and where the value
	// field cannot be understood; the typed accessors of [Header] tell the
	// last case from the others.
	Value any
	// Comment is the text behind the slash, or the text of a commentary card.
	Comment string
}

// Keywords that never carry a value of their own (clause 4.4.2.4), and the
// ones that structure the sequence of records.
const (
	keyComment  = "COMMENT"
	keyHistory  = "HISTORY"
	keyBlank    = ""
	keyContinue = "CONTINUE"
	keyEnd      = "END"

	hierarchPrefix = "HIERARCH "
)

// field is the content of one value field.
type field struct {
	value   any
	comment string
	problem string // why the value cannot be read; "" when it can
	text    string // a string value with its trailing blanks, for CONTINUE
}

// splitRecord takes a record of 80 printable characters apart into its key
// and, when there is a value indicator, its value field (clause 4.1.2).
func splitRecord(rec string) (key, rest string, hasValue bool) {
	key = strings.ToUpper(strings.TrimRight(rec[:8], " "))
	switch key {
	case keyComment, keyHistory, keyBlank, keyContinue:
		return key, rec[8:], false
	}
	if rec[8:10] == "= " { // the value indicator, clause 4.1.2.2
		return key, rec[10:], true
	}
	if name, value, ok := splitHierarch(rec); ok {
		return name, value, true
	}
	return key, rec[8:], false
}

// splitHierarch reads a record of the registered HIERARCH convention:
// "HIERARCH" and a name of several words before an equal sign.
func splitHierarch(rec string) (key, value string, ok bool) {
	if !strings.HasPrefix(rec, hierarchPrefix) {
		return "", "", false
	}
	name, value, found := strings.Cut(rec[len(hierarchPrefix):], "=")
	words := strings.Fields(name)
	if !found || len(words) == 0 {
		return "", "", false
	}
	return hierarchPrefix + strings.ToUpper(strings.Join(words, " ")), value, true
}

// parseField reads a value field: value, slash, comment (clause 4.2).
func parseField(s string) field {
	s = strings.TrimLeft(s, " ")
	switch {
	case s == "":
		return field{} // undefined, clause 4.1.2.3
	case s[0] == '/':
		return field{comment: strings.TrimSpace(s[1:])}
	case s[0] == '\'':
		return parseStringField(s)
	case s[0] == '(':
		return parseComplexField(s)
	}
	end := strings.IndexAny(s, " /")
	if end < 0 {
		end = len(s)
	}
	return finishField(s[:end], s[end:], parseScalar)
}

// parseStringField reads a value field that holds a string (clause 4.2.1).
// Text behind the closing quote is taken as the comment even when its slash is
// missing, for the value is clear all the same.
func parseStringField(s string) field {
	text, rest, ok := cutQuoted(s)
	if !ok {
		return field{problem: "the string has no closing quote"}
	}
	rest = strings.TrimPrefix(strings.TrimSpace(rest), "/")
	// Trailing blanks are not significant (clause 4.2.1.1).
	return field{value: strings.TrimRight(text, " "), text: text, comment: strings.TrimSpace(rest)}
}

// cutQuoted reads the quoted string at the start of s; a quote inside it is
// doubled (clause 4.2.1.1).
func cutQuoted(s string) (text, rest string, ok bool) {
	doubled := false
	for i := 1; i < len(s); i++ {
		if s[i] != '\'' {
			continue
		}
		if i+1 < len(s) && s[i+1] == '\'' {
			doubled = true
			i++
			continue
		}
		text = s[1:i]
		if doubled {
			text = strings.ReplaceAll(text, "''", "'")
		}
		return text, s[i+1:], true
	}
	return "", "", false
}

func parseComplexField(s string) field {
	end := strings.IndexByte(s, ')')
	if end < 0 {
		return field{problem: "the complex number has no closing parenthesis"}
	}
	return finishField(s[:end+1], s[end+1:], parseComplex)
}

// finishField reads the value word and what follows it.
func finishField(word, rest string, parse func(string) (any, bool)) field {
	rest = strings.TrimLeft(rest, " ")
	if rest != "" && rest[0] != '/' {
		return field{problem: fmt.Sprintf("%q is followed by text without a slash", word)}
	}
	value, ok := parse(word)
	if !ok {
		return field{problem: fmt.Sprintf("%q is not a value that the FITS Standard knows (clause 4.2)", word)}
	}
	return field{value: value, comment: strings.TrimSpace(strings.TrimPrefix(rest, "/"))}
}

// parseScalar reads a logical value or a number (clauses 4.2.2 to 4.2.4).
func parseScalar(word string) (any, bool) {
	switch word {
	case "T":
		return true, true
	case "F":
		return false, true
	}
	return parseNumber(word)
}

// parseComplex reads "(real, imaginary)" (clauses 4.2.5 and 4.2.6).
func parseComplex(word string) (any, bool) {
	re, im, found := strings.Cut(word[1:len(word)-1], ",")
	if !found {
		return nil, false
	}
	x, okX := parseReal(strings.TrimSpace(re))
	y, okY := parseReal(strings.TrimSpace(im))
	return complex(x, y), okX && okY
}

func parseReal(word string) (float64, bool) {
	value, ok := parseNumber(word)
	if !ok {
		return 0, false
	}
	return asFloat(value)
}

// asFloat returns the number that a header value stands for.
func asFloat(value any) (float64, bool) {
	switch v := value.(type) {
	case float64:
		return v, true
	case int64:
		return float64(v), true
	case *big.Int:
		x, _ := new(big.Float).SetInt(v).Float64()
		return x, true
	}
	return 0, false
}

// parseNumber reads an integer or a real number (clauses 4.2.3 and 4.2.4).
// The grammar is checked first, because strconv knows forms that FITS does
// not: hexadecimal, underscores, Inf and NaN. The exponent letter may be E or
// D; small letters are accepted although the Standard has only capitals.
func parseNumber(word string) (any, bool) {
	mantissa, exponent, hasExponent := cutExponent(word)
	whole, fraction, hasPoint := strings.Cut(trimSign(mantissa), ".")
	if len(whole)+len(fraction) == 0 || !allDigits(whole) || !allDigits(fraction) {
		return nil, false
	}
	if !hasPoint && !hasExponent {
		return parseInteger(word)
	}
	if !hasExponent {
		return parseFloat(mantissa)
	}
	digits := trimSign(exponent)
	if digits == "" || !allDigits(digits) {
		return nil, false
	}
	return parseFloat(mantissa + "E" + exponent)
}

func cutExponent(word string) (mantissa, exponent string, found bool) {
	i := strings.IndexAny(word, "EDed")
	if i < 0 {
		return word, "", false
	}
	return word[:i], word[i+1:], true
}

func trimSign(s string) string {
	if s != "" && (s[0] == '+' || s[0] == '-') {
		return s[1:]
	}
	return s
}

func allDigits(s string) bool {
	for i := 0; i < len(s); i++ {
		if s[i] < '0' || s[i] > '9' {
			return false
		}
	}
	return true
}

func parseInteger(word string) (any, bool) {
	if n, err := strconv.ParseInt(word, 10, 64); err == nil {
		return n, true
	}
	n, ok := new(big.Int).SetString(word, 10)
	return n, ok
}

// parseFloat refuses numbers too great for a float64 rather than making them
// infinite.
func parseFloat(word string) (any, bool) {
	x, err := strconv.ParseFloat(word, 64)
	return x, err == nil
}

// formatValue returns the text of a value other than a string.
func formatValue(value any) (string, error) {
	switch v := value.(type) {
	case nil:
		return "", nil
	case bool:
		if v {
			return "T", nil
		}
		return "F", nil
	case int, int8, int16, int32, int64, uint, uint8, uint16, uint32, uint64:
		return fmt.Sprint(v), nil
	case *big.Int:
		return v.String(), nil
	case float32:
		return formatFloat(float64(v), 32)
	case float64:
		return formatFloat(v, 64)
	}
	return "", fmt.Errorf("a header cannot hold a value of type %T", value)
}

// formatFloat writes the shortest text that reads back as the same number of
// the given width. It always has a decimal point, so that it reads back as a
// real number and not as an integer (clause 4.2.4).
func formatFloat(x float64, bits int) (string, error) {
	if math.IsNaN(x) || math.IsInf(x, 0) {
		return "", fmt.Errorf("a header cannot hold %v (clause 4.2.4); leave the keyword out or set it undefined with nil", x)
	}
	text := strconv.FormatFloat(x, 'G', -1, bits)
	if strings.ContainsRune(text, '.') {
		return text, nil
	}
	mantissa, exponent, found := strings.Cut(text, "E")
	if !found {
		return text + ".0", nil
	}
	return mantissa + ".0E" + exponent, nil
}

// formatRecords returns the records of a card: one, or for a long string
// several (clause 4.2.1.2). A comment that does not fit is cut off.
func formatRecords(key string, value any, comment string) (string, error) {
	if !printable(comment) {
		return "", fmt.Errorf("the comment %q has characters outside the printable ASCII set (clause 4.1.2.3)", comment)
	}
	if s, ok := value.(string); ok {
		return formatStringRecords(key, s, comment)
	}
	text, err := formatValue(value)
	if err != nil {
		return "", err
	}
	// Fixed format: right-justified in columns 11 to 30 (clause 4.2).
	return closeRecord(fmt.Sprintf("%-8s= %20s", key, text), comment), nil
}

// maxFragment is the room for the text of one record of a continued string:
// 70 columns less two quotes and the ampersand.
const maxFragment = 67

func formatStringRecords(key, s, comment string) (string, error) {
	if !printable(s) {
		return "", fmt.Errorf("the text %q has characters outside the printable ASCII set (clause 4.2.1.1)", s)
	}
	s = strings.TrimRight(s, " ") // not significant, clause 4.2.1.1
	quoted := fmt.Sprintf("'%-8s'", strings.ReplaceAll(s, "'", "''"))
	if len(quoted) <= recordSize-10 && !strings.HasSuffix(s, "&") {
		return closeRecord(fmt.Sprintf("%-8s= %-20s", key, quoted), comment), nil
	}
	var b strings.Builder
	start := fmt.Sprintf("%-8s= ", key)
	for _, fragment := range stringFragments(s) {
		b.WriteString(closeRecord(start+"'"+fragment+"&'", ""))
		start = "CONTINUE  "
	}
	// The string is closed by an empty fragment that carries the comment; so
	// a text that itself ends in an ampersand stays unambiguous.
	b.WriteString(closeRecord(fmt.Sprintf("%s%-20s", start, "''"), comment))
	return b.String(), nil
}

// stringFragments cuts s into pieces that fit a record once their quotes are
// doubled; a doubled quote is never split between records.
func stringFragments(s string) []string {
	var fragments []string
	var b strings.Builder
	for i := 0; i < len(s); i++ {
		need := 1
		if s[i] == '\'' {
			need = 2
		}
		if b.Len()+need > maxFragment {
			fragments = append(fragments, b.String())
			b.Reset()
		}
		b.WriteByte(s[i])
		if need == 2 {
			b.WriteByte('\'')
		}
	}
	return append(fragments, b.String())
}

// closeRecord adds the comment and fills the record with blanks.
func closeRecord(start, comment string) string {
	if comment != "" {
		start += " / " + comment
	}
	if len(start) >= recordSize {
		return start[:recordSize]
	}
	return start + strings.Repeat(" ", recordSize-len(start))
}

// printable reports whether s has only the characters that a header may hold
// (clause 4.1.2.3: decimal 32 to 126).
func printable(s string) bool {
	for i := 0; i < len(s); i++ {
		if s[i] < 0x20 || s[i] > 0x7E {
			return false
		}
	}
	return true
}

// toPrintable puts a question mark in the place of each byte that a header
// may not hold.
func toPrintable(s string) string {
	if printable(s) {
		return s
	}
	b := []byte(s)
	for i, c := range b {
		if c < 0x20 || c > 0x7E {
			b[i] = '?'
		}
	}
	return string(b)
}
