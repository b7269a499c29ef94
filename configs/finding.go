package configs

import "strings"

// finding is a problem that the checks found, with what it rests on.
type finding struct {
	Problem
	// clash marks a problem between several values; any other is about the
	// one value at its path.
	clash bool
	// needs holds the paths of the other values of a clash that lie elsewhere.
	needs []string
}

// problemsOf gives the findings without what they rest on.
func problemsOf(findings []finding) ProblemList {
	var l ProblemList
	for _, f := range findings {
		l.add(f.Problem)
	}
	return l
}

// notCausedBy keeps the findings that cannot be a mere consequence of faults
// in the text: a misspelt key makes everything that depends on its mapping
// look wrong, and saying so would bury the one thing to be mended.
func notCausedBy(findings []finding, root *node, causes ProblemList) []finding {
	if len(causes) == 0 {
		return findings
	}
	var kept []finding
	for _, f := range findings {
		if !f.causedBy(root, causes) {
			kept = append(kept, f)
		}
	}
	return kept
}

func (f *finding) causedBy(root *node, causes ProblemList) bool {
	if !f.clash && !root.has(f.Path) {
		return true // the text does not hold the value, perhaps under a wrong key
	}
	for _, c := range causes {
		if related(c.Path, f.Path) {
			return true
		}
		if !f.clash {
			continue
		}
		around := parentPath(c.Path)
		if related(around, f.Path) {
			return true
		}
		for _, need := range f.needs {
			if related(around, need) {
				return true
			}
		}
	}
	return false
}

// parentPath gives the path of the mapping or list that holds path.
func parentPath(path string) string {
	i := strings.LastIndexByte(path, '.')
	if i < 0 {
		return ""
	}
	return path[:i]
}

// related tells whether one of two paths leads to or through the other.
func related(a, b string) bool { return holds(a, b) || holds(b, a) }

// holds tells whether inner is outer itself or lies within it.
func holds(outer, inner string) bool {
	return outer == "" || inner == outer || strings.HasPrefix(inner, outer+".")
}
