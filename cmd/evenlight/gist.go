package main

import (
	"cmp"
	"fmt"
	"io"
	"math"
	"os"
	"slices"
	"strings"
	"unicode/utf8"

	"evenlight/pipeline"
	"evenlight/pipeline/page"
)

// paint says whether words are coloured. Colour never says anything that the
// words do not.
type paint bool

// paintFor tells whether colours are wanted: on a terminal that can show them,
// unless the environment has NO_COLOR, not empty (https://no-color.org, an
// informal standard).
func paintFor(w io.Writer) paint {
	return paint(isTerminal(w) && os.Getenv("NO_COLOR") == "" && os.Getenv("TERM") != "dumb")
}

// Colours as ECMA-48, clause 8.3.117 (SGR) has them.
func (p paint) bad(s string) string  { return p.in("31", s) }
func (p paint) look(s string) string { return p.in("33", s) }
func (p paint) good(s string) string { return p.in("32", s) }

func (p paint) in(code, s string) string {
	if !p || s == "" {
		return s
	}
	return "\x1b[" + code + "m" + s + "\x1b[0m"
}

// counted colours a number of things that should be 0.
func (p paint) counted(n int, colour func(string) string, what string) string {
	text := fmt.Sprintf("%d %s", n, what)
	if n == 0 {
		return text
	}
	return colour(text)
}

// shownFrames and shownCauses bound what a gist lists.
const (
	shownFrames = 15
	shownCauses = 10
)

// runGist writes the gist of a run for people.
func runGist(s *pipeline.RunSummary, p paint) string {
	var b strings.Builder
	c := s.Counts
	fmt.Fprintf(&b, "%s %s, instrument %s, profile %.12s\n", s.Software, s.Version, visible(s.Instrument), s.ProfileHash)
	fmt.Fprintf(&b, "%d found, %d done (%s), %s, %d skipped; %.1f s, %.1f Mpixel/s\n", c.Found, c.Done,
		p.counted(c.Warned, p.look, "with warnings"), p.counted(c.Failed, p.bad, "failed"), c.Skipped, s.Throughput.Seconds, s.Throughput.MegapixelsPerS)
	failuresGist(&b, s.Failures, p)
	framesGist(&b, s.Frames, p)
	return b.String()
}

// failuresGist lists the causes for which frames failed.
func failuresGist(b *strings.Builder, failures []pipeline.Failure, p paint) {
	causes := page.Causes(failures)
	slices.SortStableFunc(causes, func(a, b page.Attention) int { return cmp.Compare(b.Count, a.Count) })
	for i, a := range causes {
		if i == shownCauses {
			fmt.Fprintf(b, "%d other causes\n", len(causes)-i)
			break
		}
		what := visible(a.Names[0])
		if a.Count > 1 {
			what = fmt.Sprintf("%d frames", a.Count)
		}
		fmt.Fprintf(b, "%s %s: %s\n", p.bad("failed"), what, visible(a.Text))
		if a.Remedy != "" {
			fmt.Fprintf(b, "       %s\n", visible(a.Remedy))
		}
		if a.Count > 1 {
			names := visible(strings.Join(a.Names, ", "))
			if more := a.Count - len(a.Names); more > 0 {
				names += fmt.Sprintf(" and %d more", more)
			}
			fmt.Fprintf(b, "       %s\n", names)
		}
	}
}

// framesGist is a table of frames, the worst first.
func framesGist(b *strings.Builder, frames []pipeline.FrameReport, p paint) {
	if len(frames) == 0 {
		return
	}
	worst := worstFirst(frames)
	fmt.Fprintf(b, "\n%-5s %-28s %-8s %8s %10s %7s %7s %6s %s\n", "state", "product", "band", "exp. s", "background", "sat. %", "good %", "noise", "oldest master")
	left := 0
	for i, f := range worst {
		if i >= shownFrames {
			if len(f.Warnings) > 0 {
				left++
			}
			continue
		}
		state := p.good("good ")
		if len(f.Warnings) > 0 {
			state = p.look("look ")
		}
		fmt.Fprintf(b, "%s %s %s %8.4g %10s %7.2f %7.2f %6s %s\n", state, column(pipeline.ShortName(f.Product), 28), column(f.Band, 8), f.ExposureS,
			optional(f.Background, "%.4g"), 100*f.Fractions["saturated"], 100*f.Good, optional(f.NoiseRatio, "%.2f"), oldestMaster(f))
		for _, w := range f.Warnings {
			fmt.Fprintf(b, "      %s\n", visible(w))
		}
	}
	if n := len(worst) - shownFrames; n > 0 {
		fmt.Fprintf(b, "%d more frames, %s; 'evenlight page' shows them all\n", n, p.counted(left, p.look, "with warnings"))
	}
}

// worstFirst orders frames by the number of their warnings, then by how far
// their noise is from the expected; else their order stays.
func worstFirst(frames []pipeline.FrameReport) []*pipeline.FrameReport {
	out := make([]*pipeline.FrameReport, len(frames))
	for i := range frames {
		out[i] = &frames[i]
	}
	off := func(f *pipeline.FrameReport) float64 {
		if f.NoiseRatio == nil || !(*f.NoiseRatio > 0) {
			return 0
		}
		return math.Abs(math.Log(*f.NoiseRatio))
	}
	slices.SortStableFunc(out, func(a, b *pipeline.FrameReport) int {
		return cmp.Or(cmp.Compare(len(b.Warnings), len(a.Warnings)), cmp.Compare(off(b), off(a)))
	})
	return out
}

// oldestMaster names the oldest master that served a frame.
func oldestMaster(f *pipeline.FrameReport) string {
	if len(f.Masters) == 0 {
		return "-"
	}
	m := slices.MaxFunc(f.Masters, func(a, b pipeline.MasterUse) int { return cmp.Compare(a.AgeDays, b.AgeDays) })
	return fmt.Sprintf("%s, %.1f days", visible(m.Kind), m.AgeDays)
}

func optional(v *float64, format string) string {
	if v == nil {
		return "-"
	}
	return fmt.Sprintf(format, *v)
}

// column makes text of others as wide as a column of a table, keeping its end.
func column(text string, width int) string {
	text = visible(text)
	if n := utf8.RuneCountInString(text); n <= width {
		return text + strings.Repeat(" ", width-n)
	}
	r := []rune(text)
	return "…" + string(r[len(r)-width+1:])
}
