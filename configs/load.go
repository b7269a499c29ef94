package configs

import (
	"fmt"
	"io"
	"os"

	"github.com/go-viper/mapstructure/v2"
	"github.com/spf13/viper"
)

// formatVersion is the version of the profile format that this software reads.
const formatVersion = 1

// Load reads the profile in a file. The error is a [ProblemList] when the
// file could be read and is faulty; it wraps fs.ErrNotExist when there is no
// such file.
func Load(path string, over Overrides) (*Profile, error) {
	text, err := readProfile(path)
	if err != nil {
		return nil, fmt.Errorf("reading profile: %w; check the path", err)
	}
	return Parse(path, text, over)
}

// readProfile reads one byte more than a profile may have at most, so that
// [Parse] can tell that it is too large.
func readProfile(path string) ([]byte, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	return io.ReadAll(io.LimitReader(f, maxProfileBytes+1))
}

// Parse reads a profile from its text; name stands for the file in messages.
// Overrides and defaults are filled in, and everything is checked. The error
// is a [ProblemList] with everything that is wrong.
func Parse(name string, text []byte, over Overrides) (*Profile, error) {
	root, problems := readTree(name, text)
	if problems != nil {
		return nil, problems.asError()
	}
	if problems := checkFormat(root); problems != nil {
		return nil, problems.asError()
	}
	problems = applyOverrides(root, over)
	fillDefaults(root)
	var b binder
	values, _ := b.value(root, profileShape(), "")
	problems = append(problems, b.problems...)
	profile, err := decode(values)
	if err != nil {
		return nil, fmt.Errorf("decoding profile %s: %w", name, err)
	}
	found := notCausedBy(profile.check(), root, problems)
	problems = append(problems, locateAll(root, problemsOf(found))...)
	if err := problems.asError(); err != nil {
		return nil, err
	}
	return profile, nil
}

// checkFormat looks at the format number before anything else: a profile of
// another format would otherwise drown the reader in complaints.
func checkFormat(root *node) ProblemList {
	n := root.get("format")
	if n == nil || n.kind != scalarNode || n.tag != "!!int" || n.text == fmt.Sprint(formatVersion) {
		return nil // present and good, or reported with everything else
	}
	return ProblemList{{File: n.at.file, Line: n.at.line, Path: "format",
		Problem: fmt.Sprintf("is %s, and this software reads format %d", shorten(n.text), formatVersion),
		Remedy:  fmt.Sprintf("bring the profile to format %d", formatVersion)}}
}

// decode fills a Profile from bound values, by way of viper, strictly: no
// value is converted and no key is left over.
func decode(values any) (*Profile, error) {
	settings, ok := values.(map[string]any)
	if !ok {
		return nil, fmt.Errorf("a profile is a mapping, not a %T", values)
	}
	v := viper.New()
	if err := v.MergeConfigMap(settings); err != nil {
		return nil, err
	}
	var p Profile
	err := v.UnmarshalExact(&p, func(c *mapstructure.DecoderConfig) {
		c.WeaklyTypedInput = false
		c.DecodeHook = nil
	})
	if err != nil {
		return nil, err
	}
	return &p, nil
}

// locateAll gives each problem the place of the value that it is about.
func locateAll(root *node, problems ProblemList) ProblemList {
	for i := range problems {
		at := root.locate(problems[i].Path)
		problems[i].File, problems[i].Line = at.file, at.line
	}
	return problems
}
