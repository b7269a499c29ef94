package configs

import (
	"fmt"
	"reflect"
	"strings"

	"github.com/go-viper/mapstructure/v2"
	"github.com/spf13/viper"
)

// formatVersion is the version of both formats that this software reads.
const formatVersion = 1

// format is a kind of file that this package reads: its words in messages, its
// shape and what it may leave out.
type format struct {
	name      string // what such a file is called
	start     string // what to do where there is nothing
	override  string // an example of an override
	variables string // the beginning of the names of environment variables that override
	shape     *shape
	defaults  []defaultSetting
	// resolve, if set, fills in what stands in files beside the named one.
	resolve func(root *node, name string) ProblemList
}

func profileFormat() *format {
	return &format{name: "profile", start: "start from a copy of a built-in profile", override: "output.quantity=radiance",
		variables: "EVENLIGHT_SET_", shape: shapeOf(reflect.TypeFor[Profile](), ""), defaults: profileDefaults(), resolve: takeCharacterised}
}

// one is the format's name with its article.
func (f *format) one() string {
	if strings.ContainsRune("aeiou", rune(f.name[0])) {
		return "an " + f.name
	}
	return "a " + f.name
}

// bound is a file's text, read and compared with the shape of its format.
type bound struct {
	root     *node
	values   any // for decode
	problems ProblemList
}

// bind reads a text, fills in overrides and defaults, and compares it with the
// format's shape. The error is a [ProblemList], for a text that is too far
// from the format to say more about it.
func (f *format) bind(name string, text []byte, over Overrides) (*bound, error) {
	root, problems := f.readTree(name, text)
	if problems != nil {
		return nil, problems.asError()
	}
	if problems := f.checkVersion(root); problems != nil {
		return nil, problems.asError()
	}
	problems = f.applyOverrides(root, over)
	if f.resolve != nil {
		problems = append(problems, f.resolve(root, name)...)
	}
	f.fillDefaults(root)
	var b binder
	values, _ := b.value(root, f.shape, "")
	return &bound{root: root, values: values, problems: append(problems, b.problems...)}, nil
}

// checkVersion looks at the format number before anything else: a file of
// another version would otherwise drown the reader in complaints.
func (f *format) checkVersion(root *node) ProblemList {
	n := root.get("format")
	if n == nil || n.kind != scalarNode || n.tag != "!!int" || n.text == fmt.Sprint(formatVersion) {
		return nil // present and good, or reported with everything else
	}
	return ProblemList{{File: n.at.file, Line: n.at.line, Path: "format",
		Problem: fmt.Sprintf("is %s, and this software reads format %d", shorten(n.text), formatVersion),
		Remedy:  fmt.Sprintf("bring the %s to format %d", f.name, formatVersion)}}
}

// verdict adds what checks of the decoded values found, unless it follows from
// faults of the text. It is nil when nothing is wrong.
func (b *bound) verdict(found []finding) error {
	found = notCausedBy(found, b.root, b.problems)
	return append(b.problems, locateAll(b.root, problemsOf(found))...).asError()
}

// locateAll gives each problem the place of the value that it is about.
func locateAll(root *node, problems ProblemList) ProblemList {
	for i := range problems {
		at := root.locate(problems[i].Path)
		problems[i].File, problems[i].Line = at.file, at.line
	}
	return problems
}

// decode fills a Go value from bound values, by way of viper, strictly: no
// value is converted and no key is left over.
func decode[T any](values any) (*T, error) {
	settings, ok := values.(map[string]any)
	if !ok {
		return nil, fmt.Errorf("it is a %T, not a mapping", values)
	}
	v := viper.New()
	if err := v.MergeConfigMap(settings); err != nil {
		return nil, err
	}
	var t T
	err := v.UnmarshalExact(&t, func(c *mapstructure.DecoderConfig) {
		c.WeaklyTypedInput = false
		c.DecodeHook = nil
	})
	if err != nil {
		return nil, err
	}
	return &t, nil
}
