package configs

import (
	"fmt"
	"os"
	"sort"
	"strconv"
	"strings"
)

// Overrides are values that take the place of those of a profile or of an
// archive file.
//
// A path names the keys from the top of the profile down, joined by dots;
// elements of lists count from 0: "detectors.0.offset.smooth_rows". A value is
// written as in the file, lists in brackets: "detectors.0.image.rows=[1, 64]".
// A key that may stand in a file can be set even where the file leaves it
// out; elements cannot be added to a list, but a list can be set as a whole.
//
// Set wins over the environment, which wins over the file, which wins over the
// built-in defaults. Of two settings of one path the later one in Set counts.
type Overrides struct {
	// Set holds settings of the form path=value.
	Set []string
	// Env takes in the environment variables whose names begin with
	// EVENLIGHT_SET_. The rest of the name is the path in either case, with
	// two underscores for a dot:
	// EVENLIGHT_SET_DETECTORS__0__OFFSET__SMOOTH_ROWS=9. For an archive file
	// the names begin with EVENLIGHT_ARCHIVE_SET_.
	Env bool
}

// setting is one override: where it came from, what it sets and to what.
type setting struct {
	origin string
	path   string
	value  string
}

// settings lists the overrides, the ones that win last.
func (f *format) settings(o Overrides) ([]setting, ProblemList) {
	var problems ProblemList
	var all []setting
	if o.Env {
		all = environmentSettings(f.variables, os.Environ())
	}
	for _, s := range o.Set {
		path, value, ok := strings.Cut(s, "=")
		origin := fmt.Sprintf("override %q", shorten(s))
		if !ok || path == "" {
			problems.add(Problem{File: origin, Problem: "is not of the form path=value", Remedy: "write it like " + f.override})
			continue
		}
		all = append(all, setting{origin: origin, path: strings.TrimSpace(path), value: value})
	}
	return all, problems
}

// environmentSettings picks the overrides out of "NAME=value" lines, sorted by
// name.
func environmentSettings(prefix string, environ []string) []setting {
	var found []setting
	for _, line := range environ {
		name, value, _ := strings.Cut(line, "=")
		rest, ok := strings.CutPrefix(name, prefix)
		if !ok {
			continue
		}
		path := strings.ReplaceAll(strings.ToLower(rest), "__", ".")
		found = append(found, setting{origin: "environment variable " + name, path: path, value: value})
	}
	sort.Slice(found, func(i, j int) bool { return found[i].origin < found[j].origin })
	return found
}

// applyOverrides writes the overrides into the tree.
func (f *format) applyOverrides(root *node, over Overrides) ProblemList {
	settings, problems := f.settings(over)
	for _, s := range settings {
		value, faults := f.overrideValue(s)
		if faults == nil {
			faults = s.place(root, f.shape, value)
		}
		for _, fault := range faults {
			fault.File, fault.Line = s.origin, 0
			if fault.Path == "" {
				fault.Path = shorten(s.path)
			}
			problems.add(fault)
		}
	}
	return problems
}

// overrideValue parses the value of a setting as YAML, like the same value in
// a file, but places every part of it at the override.
func (f *format) overrideValue(s setting) (*node, ProblemList) {
	root, problems := f.readTree(s.origin, []byte("value: "+s.value))
	if problems != nil {
		return nil, problems
	}
	value := root.get("value")
	if len(root.entries) != 1 || value == nil {
		return nil, ProblemList{{Problem: "its value runs over several lines", Remedy: "write mappings and lists in braces and brackets"}}
	}
	value.placeAt(place{file: s.origin})
	return value, nil
}

// placeAt moves a value and all within it to one place.
func (n *node) placeAt(at place) {
	n.at = at
	for i := range n.entries {
		n.entries[i].at = at
		n.entries[i].value.placeAt(at)
	}
	for _, item := range n.items {
		item.placeAt(at)
	}
}

// place puts the value where the setting's path leads.
func (s setting) place(n *node, sh *shape, value *node) ProblemList {
	steps := strings.Split(s.path, ".")
	for i, step := range steps {
		last := i == len(steps)-1
		around := strings.Join(steps[:i], ".")
		var next *node
		switch {
		case sh.kind == objectShape && n.kind == mappingNode:
			if sh.field(step) == nil {
				return ProblemList{{Problem: fmt.Sprintf("unknown key %q", shorten(step)), Remedy: suggestIn(around, step, sh.keys())}}
			}
			sh = sh.field(step)
			if last {
				n.put(step, value)
				return nil
			}
			if next = n.get(step); next == nil {
				if sh.kind != objectShape {
					return ProblemList{{Problem: fmt.Sprintf("there is no %s", join(around, step)), Remedy: "set it as a whole"}}
				}
				next = &node{at: value.at, kind: mappingNode}
				n.put(step, next)
			}
		case sh.kind == listShape && n.kind == listNode:
			k, err := strconv.Atoi(step)
			if err != nil || k < 0 || k >= len(n.items) {
				return ProblemList{{Problem: fmt.Sprintf("%q is no element of %s, which has %d", shorten(step), around, len(n.items)),
					Remedy: "count elements from 0"}}
			}
			sh = sh.elem
			if last {
				n.items[k] = value
				return nil
			}
			next = n.items[k]
		default:
			return ProblemList{{Problem: fmt.Sprintf("%s is %s and has no keys to set within it", around, n.describe()),
				Remedy: "set " + around + " itself"}}
		}
		n = next
	}
	return nil
}

// suggestIn words the remedy for an unknown step with the whole path.
func suggestIn(around, step string, keys []string) string {
	if near, ok := nearest(step, keys); ok {
		return fmt.Sprintf("the nearest valid one is %q", join(around, near))
	}
	return "valid here: " + strings.Join(keys, ", ")
}
