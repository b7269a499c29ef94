package fitsutil

import (
	"fmt"
	"math/big"
	"strings"
)

// MaxHeaderRecords is the greatest number of records that a header may have;
// a longer one is refused with an [UnsupportedError]. The Standard has no
// limit, but a header without an end must not be read forever.
const MaxHeaderRecords = 1000 * perBlock

// Header is the ordered list of cards of one header and data unit.
//
// Records that are not changed through [Header.Set] or [Header.Delete] are
// kept as they were read, byte for byte. Characters that a header may not hold
// appear as "?" in cards, and stay as they are in the record.
//
// The zero value is an empty header. A Header may be read by several
// goroutines at once as long as none changes it.
type Header struct {
	entries []entry
	file    string // where it was read from, for errors
	hdu     int
}

// entry is a card and the records that it came from: one, or more when a long
// string continues.
type entry struct {
	raw     string // a multiple of 80 bytes
	card    Card
	problem string // why the value field cannot be read; "" when it can
}

// NewHeader returns an empty header.
func NewHeader() *Header {
	return &Header{}
}

// ParseHeader reads a header from block, which must hold records of 80 bytes
// up to an END record; what follows END is ignored. The names in file and hdu
// serve error messages only.
//
// The errors are [FormatError] (no END, bytes in a keyword that are not ASCII)
// and [UnsupportedError] (more than [MaxHeaderRecords] records). A value that
// cannot be understood is no error here: it becomes one when it is asked for.
func ParseHeader(block []byte, file string, hdu int) (*Header, error) {
	count, found := findEnd(block)
	if !found {
		return nil, &FormatError{
			File: file, Place: fmt.Sprintf("HDU %d", hdu),
			Problem: fmt.Sprintf("the header has no END record in %d records (clause 4.4.1)", count),
			Remedy:  "the file is cut off or not FITS: fetch it again",
		}
	}
	if count > MaxHeaderRecords {
		return nil, headerTooLong(file, hdu)
	}
	h := &Header{file: file, hdu: hdu, entries: make([]entry, 0, count)}
	raw := string(block[:count*recordSize])
	text := toPrintable(raw)
	for i := 0; i < count; {
		if err := h.checkKeyword(raw, i); err != nil {
			return nil, err
		}
		e, records := parseEntry(raw[i*recordSize:], text[i*recordSize:])
		h.entries = append(h.entries, e)
		i += records
	}
	return h, nil
}

func headerTooLong(file string, hdu int) error {
	return &UnsupportedError{
		File: file, Place: fmt.Sprintf("HDU %d", hdu),
		Problem: fmt.Sprintf("the header has more than %d records", MaxHeaderRecords),
		Remedy:  "check that the file is FITS",
	}
}

// findEnd returns the number of records before END (clause 4.4.1), or the
// number of records when there is no END.
func findEnd(block []byte) (count int, found bool) {
	n := len(block) / recordSize
	for i := 0; i < n; i++ {
		if string(block[i*recordSize:i*recordSize+8]) == "END     " {
			return i, true
		}
	}
	return n, false
}

// checkKeyword refuses a record whose keyword field is not text: the mark of a
// file that is damaged or not FITS at all.
func (h *Header) checkKeyword(raw string, i int) error {
	key := raw[i*recordSize : i*recordSize+8]
	if printable(key) {
		return nil
	}
	return &FormatError{
		File: h.file, Place: fmt.Sprintf("HDU %d, card %d", h.hdu, i+1),
		Problem: fmt.Sprintf("the keyword field %q is not ASCII text (clause 4.1.2.1)", key),
		Remedy:  "the header is damaged: fetch the file again",
	}
}

// parseEntry reads the card at the start of raw and says how many records it
// takes. text is raw with unprintable bytes replaced.
func parseEntry(raw, text string) (entry, int) {
	key, rest, hasValue := splitRecord(text[:recordSize])
	if !hasValue {
		return entry{raw: raw[:recordSize], card: Card{Key: key, Comment: strings.TrimRight(rest, " ")}}, 1
	}
	f := parseField(rest)
	records := 1
	if continues(f, text[recordSize:]) {
		f, records = joinContinued(f, text)
	}
	return entry{
		raw:     raw[:records*recordSize],
		card:    Card{Key: key, Value: f.value, Comment: f.comment},
		problem: f.problem,
	}, records
}

// continues reports whether the string in f goes on in the record at the
// start of next: it ends in an ampersand and the next keyword is CONTINUE
// with a string (clause 4.2.1.2).
func continues(f field, next string) bool {
	s, ok := f.value.(string)
	if !ok || !strings.HasSuffix(s, "&") {
		return false
	}
	_, ok = continuation(next)
	return ok
}

// continuation reads the record at the start of s as a CONTINUE record.
func continuation(s string) (field, bool) {
	if len(s) < recordSize || s[:8] != keyContinue {
		return field{}, false
	}
	rest := strings.TrimLeft(s[8:recordSize], " ")
	if rest == "" || rest[0] != '\'' {
		return field{}, false
	}
	f := parseStringField(rest)
	return f, f.problem == ""
}

// joinContinued puts a long string together from its first field and the
// CONTINUE records behind it; comments are joined too.
func joinContinued(f field, text string) (field, int) {
	var value, comment strings.Builder
	comment.WriteString(f.comment)
	records := 1
	for continues(f, text[records*recordSize:]) {
		s := f.value.(string)
		value.WriteString(s[:len(s)-1])
		f, _ = continuation(text[records*recordSize:])
		joinComment(&comment, f.comment)
		records++
	}
	value.WriteString(f.value.(string))
	return field{value: strings.TrimRight(value.String(), " "), comment: comment.String()}, records
}

func joinComment(b *strings.Builder, more string) {
	if b.Len() > 0 && more != "" {
		b.WriteByte(' ')
	}
	b.WriteString(more)
}

// Len returns the number of cards. A long string is one card.
func (h *Header) Len() int { return len(h.entries) }

// Card returns the i-th card, counted from 0. It panics when i is out of range.
func (h *Header) Card(i int) Card { return h.entries[i].card }

// Cards returns all cards in order.
func (h *Header) Cards() []Card {
	cards := make([]Card, len(h.entries))
	for i := range h.entries {
		cards[i] = h.entries[i].card
	}
	return cards
}

// Clone returns a copy that can be changed without touching h.
func (h *Header) Clone() *Header {
	c := *h
	c.entries = append([]entry(nil), h.entries...)
	return &c
}

// Value returns the value of the first card with this key. Small letters in
// key are taken as capitals. A key of several words, or of more than eight
// characters, is looked up under the HIERARCH convention, with or without the
// prefix. The second result is false when there is no such card; see [Card]
// for the types and for what nil means.
func (h *Header) Value(key string) (any, bool) {
	i := h.index(key)
	if i < 0 {
		return nil, false
	}
	return h.entries[i].card.Value, true
}

// index returns the place of the first card with this key, or -1.
func (h *Header) index(key string) int {
	key = lookupKey(key)
	for i := range h.entries {
		if h.entries[i].card.Key == key {
			return i
		}
	}
	return -1
}

// lookupKey returns key as [Card] holds it.
func lookupKey(key string) string {
	key = strings.ToUpper(strings.TrimSpace(key))
	long := len(key) > 8 || strings.ContainsRune(key, ' ')
	if long && !strings.HasPrefix(key, hierarchPrefix) {
		return hierarchPrefix + key
	}
	return key
}

// Text returns the string of the first card with this key. The second result
// is false when there is no such card or its value is undefined. A value of
// another type is a [FormatError] that names the card.
func (h *Header) Text(key string) (string, bool, error) {
	return typedValue(h, key, "a string", func(v any) (string, bool) {
		s, ok := v.(string)
		return s, ok
	})
}

// Int returns the integer of the first card with this key; results are those
// of [Header.Text]. A real number is an error even when it is whole, and so is
// an integer beyond 64 bits.
func (h *Header) Int(key string) (int64, bool, error) {
	return typedValue(h, key, "an integer of up to 64 bits", func(v any) (int64, bool) {
		n, ok := v.(int64)
		return n, ok
	})
}

// Float returns the number of the first card with this key; results are those
// of [Header.Text]. An integer is taken as a real number.
func (h *Header) Float(key string) (float64, bool, error) {
	return typedValue(h, key, "a number", asFloat)
}

// Bool returns the logical value of the first card with this key; results are
// those of [Header.Text].
func (h *Header) Bool(key string) (bool, bool, error) {
	return typedValue(h, key, "a logical value (T or F)", func(v any) (bool, bool) {
		b, ok := v.(bool)
		return b, ok
	})
}

func typedValue[T any](h *Header, key, want string, as func(any) (T, bool)) (T, bool, error) {
	var none T
	i := h.index(key)
	if i < 0 {
		return none, false, nil
	}
	e := &h.entries[i]
	if e.problem != "" {
		return none, false, h.cardError(i, fmt.Sprintf("the value cannot be read: %s", e.problem))
	}
	if e.card.Value == nil {
		return none, false, nil
	}
	v, ok := as(e.card.Value)
	if !ok {
		return none, false, h.cardError(i, fmt.Sprintf("the value is %s, where %s is wanted", describe(e.card.Value), want))
	}
	return v, true, nil
}

func describe(value any) string {
	switch v := value.(type) {
	case string:
		return fmt.Sprintf("the string %q", v)
	case bool:
		return fmt.Sprintf("the logical value %v", v)
	case int64, *big.Int:
		return fmt.Sprintf("the integer %v", v)
	case float64:
		return fmt.Sprintf("the real number %v", v)
	}
	return fmt.Sprintf("the complex number %v", value)
}

// cardError is a FormatError about the i-th card.
func (h *Header) cardError(i int, problem string) error {
	return &FormatError{
		File: h.file, Place: h.place(i), Problem: problem,
		Remedy: "correct the card in a copy of the file",
	}
}

// place names the i-th card by the number of its first record, from 1, as a
// listing of the header shows it.
func (h *Header) place(i int) string {
	record := 1
	for j := range h.entries[:i] {
		record += len(h.entries[j].raw) / recordSize
	}
	return fmt.Sprintf("HDU %d, card %d (%s)", h.hdu, record, h.entries[i].card.Key)
}

// Set gives key a new value: in place when there is such a card, else at the
// end. An empty comment keeps the comment that the card had; one that does not
// fit its record is cut off.
//
// The value may be of any integer type, float32, float64, bool, string, or nil
// for an undefined value. Real numbers are written with the fewest digits that
// read back as the same number; a text too long for one record is continued
// (clause 4.2.1.2). Trailing blanks of a text are not significant and not kept
// (clause 4.2.1.1).
//
// It is an error when key is not 1 to 8 of the characters A-Z, 0-9, hyphen and
// underscore (clause 4.1.2.1; small letters are taken as capitals), when text
// is not printable ASCII, and when a number is NaN or infinite. The header is
// then unchanged.
func (h *Header) Set(key string, value any, comment string) error {
	key = strings.ToUpper(key)
	if err := checkSettable(key); err != nil {
		return err
	}
	i := h.index(key)
	if i >= 0 && comment == "" {
		comment = h.entries[i].card.Comment
	}
	raw, err := formatRecords(key, value, comment)
	if err != nil {
		return fmt.Errorf("set header keyword %s: %w", key, err)
	}
	e, _ := parseEntry(raw, raw)
	if i >= 0 {
		h.entries[i] = e
	} else {
		h.entries = append(h.entries, e)
	}
	return nil
}

func checkSettable(key string) error {
	switch key {
	case keyComment, keyHistory, keyContinue, keyEnd, strings.TrimSpace(hierarchPrefix):
		return fmt.Errorf("set header keyword %s: it takes no value; use AddComment or AddHistory for text", key)
	}
	if len(key) < 1 || len(key) > 8 {
		return fmt.Errorf("set header keyword %q: a keyword has 1 to 8 characters (clause 4.1.2.1)", key)
	}
	for i := 0; i < len(key); i++ {
		c := key[i]
		if (c < 'A' || c > 'Z') && (c < '0' || c > '9') && c != '-' && c != '_' {
			return fmt.Errorf("set header keyword %q: a keyword has only letters, digits, hyphen and underscore (clause 4.1.2.1)", key)
		}
	}
	return nil
}

// AddComment appends COMMENT cards with this text (clause 4.4.2.4): one for
// each line, and more where a line is longer than 72 characters. Characters
// outside printable ASCII become "?".
func (h *Header) AddComment(text string) { h.addText(keyComment, text) }

// AddHistory appends HISTORY cards, in the same way as [Header.AddComment].
func (h *Header) AddHistory(text string) { h.addText(keyHistory, text) }

func (h *Header) addText(key, text string) {
	const room = recordSize - 8
	for line := range strings.SplitSeq(text, "\n") {
		line = toPrintable(line)
		for len(line) > room {
			h.appendText(key, line[:room])
			line = line[room:]
		}
		h.appendText(key, line)
	}
}

func (h *Header) appendText(key, text string) {
	raw := closeRecord(fmt.Sprintf("%-8s%s", key, text), "")
	e, _ := parseEntry(raw, raw)
	h.entries = append(h.entries, e)
}

// Delete removes all cards with this key.
func (h *Header) Delete(key string) {
	key = lookupKey(key)
	kept := h.entries[:0]
	for _, e := range h.entries {
		if e.card.Key != key {
			kept = append(kept, e)
		}
	}
	h.entries = kept
}

// Encode returns the header as it stands in a file: records of 80 bytes, END,
// and blanks up to a multiple of 2880 bytes (clause 3.3.1).
func (h *Header) Encode() []byte {
	size := recordSize // END
	for i := range h.entries {
		size += len(h.entries[i].raw)
	}
	b := make([]byte, 0, padded(int64(size)))
	for i := range h.entries {
		b = append(b, h.entries[i].raw...)
	}
	b = append(b, closeRecord(keyEnd, "")...)
	for len(b) < cap(b) {
		b = append(b, ' ')
	}
	return b
}
