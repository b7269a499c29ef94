package configs

import (
	"fmt"
	"math"
	"reflect"
	"regexp"
	"strconv"
	"strings"
	"unicode"
)

type shapeKind int

const (
	objectShape shapeKind = iota
	listShape
	textShape
	integerShape
	numberShape
	switchShape
)

// shape is what the Go types allow at one place of a file. It is read from
// [Profile] or [Archive] by reflection, so the types stay the one statement of
// the format.
type shape struct {
	kind     shapeKind
	fields   []fieldShape // of an object
	elem     *shape       // of a list
	length   int          // of a list of fixed length; else 0
	pair     string       // of a list of fixed length: what its elements are
	required bool         // the file must have it; of a list: at least one element
	style    textStyle    // of a text
}

type fieldShape struct {
	name     string
	shape    *shape
	required bool
}

// textStyle says what a text may be made of.
type textStyle int

const (
	plainText  textStyle = iota // printable ASCII, as FITS headers carry it
	headerText                  // the same, and numbers and switches need no quotes
	freeText                    // any printable characters, and line breaks
	pathText                    // any printable characters, as file names have them
)

// styleOf tells the style of a text field by its key. Values that are compared
// with a header's may be numbers there, so they may be written as numbers.
func styleOf(key string) textStyle {
	switch key {
	case "raw", "equals", "one_of", "hdu":
		return headerText
	case "description":
		return freeText
	case "ledger", "masters", "products", "earlier", "quarantine", "journal", "folder", "profile", "set", "metrics_file", "secret_file":
		return pathText
	}
	return plainText
}

// pairOf words what the two numbers under a key are.
func pairOf(key string) string {
	switch key {
	case "first", "step", "count", "zones":
		return "one along columns and one along rows, as in [6, 6]"
	}
	return "the first and the last, as in [1, 512]"
}

// shapeOf reads the shape of a Go type; key is the key that holds it. A field
// is required unless its yaml tag says omitempty.
func shapeOf(t reflect.Type, key string) *shape {
	switch t.Kind() {
	case reflect.Pointer:
		return shapeOf(t.Elem(), key)
	case reflect.Struct:
		s := &shape{kind: objectShape}
		for i := range t.NumField() {
			f := t.Field(i)
			name := f.Tag.Get("mapstructure")
			required := !strings.Contains(f.Tag.Get("yaml"), "omitempty")
			fs := shapeOf(f.Type, name)
			fs.required = required
			s.fields = append(s.fields, fieldShape{name: name, shape: fs, required: required})
		}
		return s
	case reflect.Slice:
		elem := shapeOf(t.Elem(), key)
		elem.required = true // a list within a list is never empty
		return &shape{kind: listShape, elem: elem}
	case reflect.Array:
		return &shape{kind: listShape, elem: shapeOf(t.Elem(), key), length: t.Len(), pair: pairOf(key)}
	case reflect.String:
		return &shape{kind: textShape, style: styleOf(key)}
	case reflect.Int:
		return &shape{kind: integerShape}
	case reflect.Float64:
		return &shape{kind: numberShape}
	case reflect.Bool:
		return &shape{kind: switchShape}
	}
	panic(fmt.Sprintf("configs: the types hold a %s at %q, which files cannot express", t, key))
}

// keys gives the valid keys of an object.
func (s *shape) keys() []string {
	names := make([]string, len(s.fields))
	for i, f := range s.fields {
		names[i] = f.name
	}
	return names
}

// field gives the shape of a key, or nil.
func (s *shape) field(key string) *shape {
	for _, f := range s.fields {
		if f.name == key {
			return f.shape
		}
	}
	return nil
}

// binder compares a tree with a shape and turns it into Go values: maps,
// lists, strings, ints, floats and bools of exactly the types that the
// format has, so that decoding them needs no conversion.
type binder struct {
	problems ProblemList
}

func (b *binder) complain(n *node, path, problem, remedy string) {
	b.problems.add(Problem{File: n.at.file, Line: n.at.line, Path: path, Problem: problem, Remedy: remedy})
}

// value gives the Go value of a node, and false when there is none that fits.
func (b *binder) value(n *node, s *shape, path string) (any, bool) {
	if b.problems.full() {
		return nil, false
	}
	if n.kind == scalarNode && n.tag == "!!null" {
		b.complain(n, path, "has no value", "give it one or leave the key out")
		return nil, false
	}
	if want, ok := wantedKind(s); n.kind != want {
		b.complain(n, path, fmt.Sprintf("is %s", n.describe()), fmt.Sprintf("write %s here", ok))
		return nil, false
	}
	switch s.kind {
	case objectShape:
		return b.object(n, s, path)
	case listShape:
		return b.list(n, s, path)
	case textShape:
		return b.text(n, s, path)
	case integerShape:
		return b.integer(n, path)
	case numberShape:
		return b.number(n, path)
	default:
		return b.toggle(n, path)
	}
}

// wantedKind gives the kind of node that a shape needs, and words for it.
func wantedKind(s *shape) (nodeKind, string) {
	switch s.kind {
	case objectShape:
		return mappingNode, "a mapping with the keys " + strings.Join(s.keys(), ", ")
	case listShape:
		return listNode, "a list"
	case textShape:
		return scalarNode, "a text"
	case integerShape:
		return scalarNode, "a whole number"
	case numberShape:
		return scalarNode, "a number"
	default:
		return scalarNode, "true or false"
	}
}

// describe words what a node is, for a message.
func (n *node) describe() string {
	switch {
	case n.kind == mappingNode:
		return "a mapping"
	case n.kind == listNode:
		return "a list"
	case n.tag == "!!int" || n.tag == "!!float":
		return "the number " + shorten(n.text)
	case n.tag == "!!bool":
		return "the switch " + n.text
	default:
		return fmt.Sprintf("the text %q", shorten(n.text))
	}
}

func (b *binder) object(n *node, s *shape, path string) (any, bool) {
	if len(n.entries) == 0 && path != "" {
		b.complain(n, path, "is empty", "fill it in or leave the key out")
		return nil, false
	}
	values := map[string]any{}
	meant := map[string]bool{}
	for _, e := range n.entries {
		fs := s.field(e.key)
		if fs == nil {
			if near, ok := nearest(e.key, s.keys()); ok {
				meant[near] = true
			}
			b.problems.add(Problem{File: e.at.file, Line: e.at.line, Path: join(path, shorten(e.key)),
				Problem: "unknown key", Remedy: suggest(e.key, s.keys())})
			continue
		}
		if v, ok := b.value(e.value, fs, join(path, e.key)); ok {
			values[e.key] = v
		}
	}
	for _, f := range s.fields {
		// A required key that a misspelt one was meant to be is not missing as well.
		if f.required && n.get(f.name) == nil && !meant[f.name] {
			b.complain(n, join(path, f.name), "is missing", "add the key")
		}
	}
	return values, true
}

func (b *binder) list(n *node, s *shape, path string) (any, bool) {
	if s.length > 0 && len(n.items) != s.length {
		b.complain(n, path, fmt.Sprintf("has %d elements", len(n.items)),
			fmt.Sprintf("write exactly %d: %s", s.length, s.pair))
		return nil, false
	}
	if len(n.items) == 0 {
		// An optional list that is empty is the same as one left out.
		if s.required {
			b.complain(n, path, "is an empty list", "list at least one element")
		}
		return nil, false
	}
	values := make([]any, 0, len(n.items))
	for i, item := range n.items {
		if v, ok := b.value(item, s.elem, join(path, strconv.Itoa(i))); ok {
			values = append(values, v)
		}
	}
	return values, len(values) == len(n.items)
}

func (b *binder) text(n *node, s *shape, path string) (any, bool) {
	isText := n.tag == "!!str" || n.tag == "!!timestamp"
	if !isText && s.style != headerText {
		b.complain(n, path, fmt.Sprintf("is %s, not a text", n.describe()), "put it in quotes if it is meant as text")
		return nil, false
	}
	if n.text == "" && (s.style == plainText || s.style == pathText) {
		b.complain(n, path, "is empty", "write it or leave the key out")
		return nil, false
	}
	for _, r := range n.text {
		if !s.style.allows(r) {
			b.complain(n, path, fmt.Sprintf("holds the character %U", r), s.style.remedy())
			return nil, false
		}
	}
	return n.text, true
}

func (s textStyle) allows(r rune) bool {
	printable := r != unicode.ReplacementChar && unicode.IsPrint(r)
	switch s {
	case freeText:
		return printable || r == '\n'
	case pathText:
		return printable
	}
	return r >= ' ' && r <= '~'
}

func (s textStyle) remedy() string {
	if s == freeText || s == pathText {
		return "use printable characters only"
	}
	return "use printable characters only, of ASCII (others may stand in a description)"
}

// decimal is how a file writes numbers. Forms that readers of YAML disagree
// about (010, 0x1F, 1_000) are left out.
var decimal = regexp.MustCompile(`^[-+]?(0|[1-9][0-9]*)?(\.[0-9]*)?([eE][-+]?[0-9]+)?$`)

func (b *binder) number(n *node, path string) (any, bool) {
	if n.tag != "!!int" && n.tag != "!!float" {
		b.complain(n, path, fmt.Sprintf("is %s, not a number", n.describe()), "write a number, without quotes and without a unit")
		return nil, false
	}
	x, err := strconv.ParseFloat(n.text, 64)
	if err != nil || !decimal.MatchString(n.text) || math.IsInf(x, 0) {
		b.complain(n, path, fmt.Sprintf("is %s, which is not a finite decimal number", n.describe()), "write it plainly, as in 0.05 or 3e4")
		return nil, false
	}
	return x + 0, true // + 0 makes a negative zero an ordinary one
}

func (b *binder) integer(n *node, path string) (any, bool) {
	v, ok := b.number(n, path)
	if !ok {
		return nil, false
	}
	x := v.(float64)
	if x != math.Trunc(x) || math.Abs(x) > 1<<31 {
		b.complain(n, path, fmt.Sprintf("is %s, not a whole number of sensible size", n.describe()), "write a whole number")
		return nil, false
	}
	return int(x), true
}

func (b *binder) toggle(n *node, path string) (any, bool) {
	if n.tag != "!!bool" {
		b.complain(n, path, fmt.Sprintf("is %s, not a switch", n.describe()), "write true or false")
		return nil, false
	}
	return strings.EqualFold(n.text, "true"), true
}
