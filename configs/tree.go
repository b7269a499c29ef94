package configs

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"regexp"
	"strconv"
	"strings"

	"go.yaml.in/yaml/v3"
)

// Limits on what a file may ask of the reader.
const (
	maxFileBytes = 1 << 20 // size of the file
	maxDepth     = 16      // mappings and lists within one another
	maxNodes     = 200_000 // values after aliases are written out; a table of 16-bit codes has 131 072
)

// place is where a value stands, for messages.
type place struct {
	file string
	line int
}

type nodeKind int

const (
	scalarNode nodeKind = iota
	mappingNode
	listNode
)

// node is one value of a file's text: YAML without aliases and tags, but
// with places. Overrides and defaults are written into it before it is
// compared with the Go types.
type node struct {
	at      place
	kind    nodeKind
	text    string // of a scalar
	tag     string // of a scalar: !!str, !!int, !!float, !!bool, !!null or !!timestamp
	entries []entry
	items   []*node
}

// entry is one key of a mapping with its value.
type entry struct {
	key   string
	at    place
	value *node
}

// get gives the value of a key, or nil.
func (n *node) get(key string) *node {
	for _, e := range n.entries {
		if e.key == key {
			return e.value
		}
	}
	return nil
}

// put sets the value of a key in place or at the end.
func (n *node) put(key string, value *node) {
	for i := range n.entries {
		if n.entries[i].key == key {
			n.entries[i] = entry{key: key, at: value.at, value: value}
			return
		}
	}
	n.entries = append(n.entries, entry{key: key, at: value.at, value: value})
}

// locate gives the place of the value at path, or of the nearest thing around
// it that the text holds.
func (n *node) locate(path string) place {
	at, _ := n.find(path)
	return at
}

// has tells whether there is a value at path.
func (n *node) has(path string) bool {
	_, ok := n.find(path)
	return ok
}

// find follows path as far as it goes: the place that it came to, and whether
// that is the end.
func (n *node) find(path string) (place, bool) {
	at := n.at
	if path == "" {
		return at, true
	}
	for _, step := range strings.Split(path, ".") {
		var next *node
		switch n.kind {
		case mappingNode:
			for _, e := range n.entries {
				if e.key == step {
					next, at = e.value, e.at
				}
			}
		case listNode:
			if i, err := strconv.Atoi(step); err == nil && i >= 0 && i < len(n.items) {
				next, at = n.items[i], n.items[i].at
			}
		}
		if next == nil {
			return at, false
		}
		n = next
	}
	return at, true
}

// readTree parses the text of a file. The root is a mapping when there are no
// problems.
func (f *format) readTree(file string, text []byte) (*node, ProblemList) {
	var problems ProblemList
	whole := func(line int, problem, remedy string) (*node, ProblemList) {
		problems.add(Problem{File: file, Line: line, Problem: problem, Remedy: remedy})
		return nil, problems
	}
	if len(text) > maxFileBytes {
		return whole(0, fmt.Sprintf("is larger than the %d bytes that %s may have", maxFileBytes, f.one()),
			"check that it is "+f.one())
	}
	decoder := yaml.NewDecoder(bytes.NewReader(text))
	var document yaml.Node
	err := decoder.Decode(&document)
	if errors.Is(err, io.EOF) {
		return whole(0, "is empty", f.start)
	}
	if err != nil {
		return nil, syntaxProblems(file, text, err)
	}
	var second yaml.Node
	switch err := decoder.Decode(&second); {
	case err == nil:
		return whole(second.Line, "a second YAML document begins here", "keep one "+f.name+" and drop the line with ---")
	case !errors.Is(err, io.EOF):
		return nil, syntaxProblems(file, text, err)
	}
	r := treeReader{format: f, file: file, problems: &problems}
	root := r.read(document.Content[0], "", 1)
	if len(problems) > 0 {
		return root, problems
	}
	if root.kind != mappingNode {
		return whole(root.at.line, "holds no mapping of keys to values", f.start)
	}
	return root, nil
}

var (
	yamlErrorLine = regexp.MustCompile(`^yaml: (?:line ([0-9]+): )?`)
	tabIndent     = regexp.MustCompile(`^ *\t`)
	// The library counts lines from 0 in the errors of its parser, which these
	// words tell from those of its scanner, where it counts from 1.
	countedFromZero = regexp.MustCompile(`^did not find expected (<|key|node content|',' or|'-' indicator)`)
)

// syntaxProblems words what the YAML parser could not read.
func syntaxProblems(file string, text []byte, err error) ProblemList {
	for i, line := range bytes.Split(text, []byte("\n")) {
		if tabIndent.Match(line) {
			return ProblemList{{File: file, Line: i + 1, Problem: "a tab stands in the indentation, which YAML forbids",
				Remedy: "indent with blanks"}}
		}
	}
	line, message := splitSyntaxError(err)
	return ProblemList{{File: file, Line: line, Problem: "is no valid YAML: " + shorten(message),
		Remedy: "check indentation, colons, brackets and quotes at and just after this line"}}
}

// splitSyntaxError takes the line, 0 if unknown, out of the library's message.
func splitSyntaxError(err error) (line int, message string) {
	message = err.Error()
	if m := yamlErrorLine.FindStringSubmatch(message); m != nil {
		message = strings.TrimPrefix(message, m[0])
		line, _ = strconv.Atoi(m[1]) // none given: 0
	}
	if countedFromZero.MatchString(message) {
		line++
	}
	return line, message
}

// treeReader turns the YAML library's nodes into ours.
type treeReader struct {
	format   *format
	file     string
	problems *ProblemList
	nodes    int
	open     []*yaml.Node // anchors being written out, to notice one within itself
}

func (r *treeReader) complain(line int, path, problem, remedy string) {
	r.problems.add(Problem{File: r.file, Line: line, Path: path, Problem: problem, Remedy: remedy})
}

// read never gives nil, so that its callers need not care what went wrong.
func (r *treeReader) read(y *yaml.Node, path string, depth int) *node {
	n := &node{at: place{file: r.file, line: y.Line}, tag: "!!null"}
	r.nodes++
	if r.nodes > maxNodes {
		if r.nodes == maxNodes+1 {
			r.complain(y.Line, path, fmt.Sprintf("the file comes to more than %d values", maxNodes),
				"write fewer aliases, or check that it is "+r.format.one())
		}
		return n
	}
	if depth > maxDepth {
		r.complain(y.Line, path, fmt.Sprintf("lies more than %d levels deep", maxDepth), "check that it is "+r.format.one())
		return n
	}
	if y.Style&yaml.TaggedStyle != 0 {
		r.complain(y.Line, path, fmt.Sprintf("has the YAML tag %s, which is not used here", shorten(y.Tag)),
			"leave the tag out; put text in quotes")
		return n
	}
	switch y.Kind {
	case yaml.AliasNode:
		return r.readAlias(y, path, depth)
	case yaml.MappingNode:
		n.kind = mappingNode
		r.readEntries(n, y, path, depth)
	case yaml.SequenceNode:
		n.kind = listNode
		for i, item := range y.Content {
			n.items = append(n.items, r.read(item, join(path, strconv.Itoa(i)), depth+1))
		}
	default:
		n.tag, n.text = y.Tag, y.Value
	}
	return n
}

func (r *treeReader) readAlias(y *yaml.Node, path string, depth int) *node {
	for _, a := range r.open {
		if a == y.Alias {
			r.complain(y.Line, path, fmt.Sprintf("the alias *%s stands inside its own anchor", shorten(y.Value)), "write the value out")
			return &node{at: place{file: r.file, line: y.Line}, tag: "!!null"}
		}
	}
	r.open = append(r.open, y.Alias)
	n := r.read(y.Alias, path, depth)
	r.open = r.open[:len(r.open)-1]
	return n
}

func (r *treeReader) readEntries(n *node, y *yaml.Node, path string, depth int) {
	lineOf := map[string]int{}
	for i := 0; i+1 < len(y.Content); i += 2 {
		k, v := y.Content[i], y.Content[i+1]
		if k.Kind != yaml.ScalarNode {
			r.complain(k.Line, path, "a key is not a plain word", "keys are words")
			continue
		}
		if k.Tag == "!!merge" {
			r.complain(k.Line, path, "the merge key << is not used here", "give the whole mapping an alias, or write it out")
			continue
		}
		if first, seen := lineOf[k.Value]; seen {
			r.complain(k.Line, join(path, shorten(k.Value)), fmt.Sprintf("the key stands twice, first in line %d", first), "keep one of them")
			continue
		}
		lineOf[k.Value] = k.Line
		value := r.read(v, join(path, shorten(k.Value)), depth+1)
		n.entries = append(n.entries, entry{key: k.Value, at: place{file: r.file, line: k.Line}, value: value})
	}
}

// join appends a step to a path.
func join(path, step string) string {
	if path == "" {
		return step
	}
	return path + "." + step
}
