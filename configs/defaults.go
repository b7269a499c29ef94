package configs

import "strings"

// defaultSetting is one value that a file may leave out.
type defaultSetting struct {
	path  string // * stands for every element of a list
	tag   string
	value string
}

// profileDefaults lists every value that is filled in where a profile leaves it out.
// Within a part that only some cameras have it is filled in only where the
// profile has the part.
// The published schema repeats them for people and editors; a test holds the
// two together.
func profileDefaults() []defaultSetting {
	return []defaultSetting{
		{"detectors.*.offset.smooth_rows", "!!int", "1"},
		{"detectors.*.offset.reject_sigma", "!!int", "4"},
		{"detectors.*.saturation.margin_sigma", "!!int", "5"},
		{"detectors.*.saturation.grow_pixels", "!!int", "1"},
		{"detectors.*.linearity.order", "!!int", "3"},
		{"detectors.*.bad_pixels.unstable_sigma", "!!int", "8"},
		{"detectors.*.bad_pixels.dead_below", "!!float", "0.2"},
		{"detectors.*.bad_pixels.low_below", "!!float", "0.6"},
		{"detectors.*.bad_pixels.nonlinear_fraction", "!!float", "0.05"},
		{"detectors.*.rolling.first", "!!str", FirstRow},
		{"detectors.*.line_scan.max_smear_pixels", "!!float", "0.5"},
		{"detectors.*.marks.order", "!!int", "3"},
		{"detectors.*.hits.threshold_sigma", "!!int", "5"},
		{"detectors.*.hits.sharp_sigma", "!!int", "2"},
		{"detectors.*.hits.grow_sigma", "!!int", "3"},
		{"detectors.*.hits.other_colour", "!!float", "0.5"},
		{"detectors.*.fill.max_depth", "!!int", "3"},
		{"stack.max_amplification", "!!int", "5"},
		{"masters.reject_sigma", "!!int", "5"},
		{"masters.min_frames", "!!int", "5"},
		{"masters.split_gap_hours", "!!int", "48"},
		{"masters.memory_mib", "!!int", "512"},
		{"selection.bias.max_age_days", "!!int", "0"},
		{"selection.dark.max_age_days", "!!int", "0"},
		{"selection.flat.max_age_days", "!!int", "0"},
		{"selection.linearity.max_age_days", "!!int", "0"},
		{"selection.bad_pixels.max_age_days", "!!int", "0"},
		{"output.quantity", "!!str", Electrons},
	}
}

// fillDefaults writes the defaults into a tree where it has no such value.
func (f *format) fillDefaults(root *node) {
	for _, d := range f.defaults {
		fillDefault(root, f.shape, strings.Split(d.path, "."), d)
	}
}

func fillDefault(n *node, s *shape, steps []string, d defaultSetting) {
	if steps[0] == "*" {
		if n.kind != listNode {
			return
		}
		for _, item := range n.items {
			fillDefault(item, s.elem, steps[1:], d)
		}
		return
	}
	if n.kind != mappingNode {
		return
	}
	next := n.get(steps[0])
	if len(steps) == 1 {
		if next == nil {
			n.put(steps[0], &node{at: n.at, kind: scalarNode, tag: d.tag, text: d.value})
		}
		return
	}
	inner := s.field(steps[0])
	if next == nil {
		if steps[1] == "*" || !inner.required {
			return // a missing list gains no elements, and a camera no part that it does not have
		}
		next = &node{at: n.at, kind: mappingNode}
		n.put(steps[0], next)
	}
	fillDefault(next, inner, steps[1:], d)
}
