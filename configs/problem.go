package configs

import (
	"fmt"
	"sort"
	"strings"
)

// Problem is one fault of a profile or an archive file: where it is, what is
// wrong and what to do.
type Problem struct {
	// File is the name of the file, or the override or the environment
	// variable that the value came from.
	File string
	// Line counts from 1; 0 means that the fault has no line of its own.
	Line int
	// Path leads to the value, as in "detectors.0.offset.smooth_rows";
	// elements of lists count from 0. It is empty for the file as a whole.
	Path    string
	Problem string
	Remedy  string
}

// String gives the fault as "file:line: path: problem; remedy".
func (p Problem) String() string {
	var b strings.Builder
	b.WriteString(p.File)
	if p.Line > 0 {
		fmt.Fprintf(&b, ":%d", p.Line)
	}
	if p.File != "" {
		b.WriteString(": ")
	}
	if p.Path != "" {
		b.WriteString(p.Path)
		b.WriteString(": ")
	}
	b.WriteString(p.Problem)
	if p.Remedy != "" {
		b.WriteString("; ")
		b.WriteString(p.Remedy)
	}
	return b.String()
}

// ProblemList holds everything that is wrong with a file, in the order of its
// lines. It is the error that [Load], [Parse] and [Profile.Check] return for a
// faulty profile, and [LoadArchive] for a faulty archive file; errors.As finds
// it.
type ProblemList []Problem

// Error gives one line for each problem.
func (l ProblemList) Error() string {
	lines := make([]string, len(l))
	for i, p := range l {
		lines[i] = p.String()
	}
	return strings.Join(lines, "\n")
}

// asError gives the sorted list, or nil when nothing is wrong, so that an
// empty list never becomes a non-nil error.
func (l ProblemList) asError() error {
	if len(l) == 0 {
		return nil
	}
	sort.SliceStable(l, func(i, j int) bool { return l[i].Line < l[j].Line })
	return l
}

// maxProblems bounds the list: a file of another kind altogether would
// otherwise answer with a complaint about every one of its lines.
const maxProblems = 100

// add appends a problem unless the list is full.
func (l *ProblemList) add(p Problem) {
	if len(*l) < maxProblems {
		*l = append(*l, p)
	}
}

// full tells whether further problems would be dropped.
func (l ProblemList) full() bool { return len(l) >= maxProblems }
