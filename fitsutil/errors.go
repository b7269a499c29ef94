package fitsutil

import (
	"errors"
	"strings"
)

// ErrNoHDU is wrapped by the error of [File.Find] when the file has no header
// and data unit of the kind or name that was asked for.
var ErrNoHDU = errors.New("no such HDU")

// ErrCutOff is what a [FormatError] is, as errors.Is tells, when the file ends
// before its own structure does: the rest may be on its way.
var ErrCutOff = errors.New("the file is cut off")

// FormatError reports a file that breaks the FITS Standard.
type FormatError struct {
	File    string // the file's name
	Place   string // for example "HDU 1, card 7 (NAXIS1)"; may be empty
	Problem string // what is wrong
	Remedy  string // what can be done about it; may be empty
	CutOff  bool   // the file ends too early
}

// Is tells whether the error is [ErrCutOff].
func (e *FormatError) Is(target error) bool { return target == ErrCutOff && e.CutOff }

// Error says what is wrong, where, and what to do.
func (e *FormatError) Error() string {
	return sentence(e.File, e.Place, "broken FITS", e.Problem, e.Remedy)
}

// UnsupportedError reports a file that is sound but needs a feature of the
// FITS Standard that this package does not have.
type UnsupportedError struct {
	File    string // the file's name
	Place   string // as in [FormatError]
	Problem string // which feature is missing
	Remedy  string // what can be done about it; may be empty
}

// Error says what is not supported, where, and what to do.
func (e *UnsupportedError) Error() string {
	return sentence(e.File, e.Place, "unsupported FITS", e.Problem, e.Remedy)
}

func sentence(file, place, class, problem, remedy string) string {
	var b strings.Builder
	for _, part := range []string{file, place, class} {
		if part == "" {
			continue
		}
		b.WriteString(part)
		b.WriteString(": ")
	}
	b.WriteString(problem)
	if remedy != "" {
		b.WriteString("; ")
		b.WriteString(remedy)
	}
	return b.String()
}
