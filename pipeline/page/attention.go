package page

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"evenlight/calib"
	"evenlight/pipeline"
)

// A frame is out of the way where fewer of its pixels are good than those of its
// like: by more than outSigmas robust standard deviations, and by more than
// outLeast of all pixels, since like frames can be very much alike.
const (
	outSigmas = 5
	outLeast  = 0.01
	leastLike = 5 // frames of one detector and band that are needed to tell
)

// goodOf is the fraction of good pixels of a frame and what it is compared by.
type goodOf struct {
	like string
	good float64
}

// outOfTheWay tells for each frame whether it has markedly fewer good pixels
// than its like, in words; empty: it has not.
func outOfTheWay(frames []goodOf) []string {
	like := map[string][]float64{}
	for _, f := range frames {
		like[f.like] = append(like[f.like], f.good)
	}
	type usual struct{ median, sigma float64 }
	of := map[string]usual{}
	for key, good := range like {
		if len(good) >= leastLike {
			median, sigma := calib.MedianMAD(good)
			of[key] = usual{median, sigma}
		}
	}
	out := make([]string, len(frames))
	for i, f := range frames {
		if u, ok := of[f.like]; ok && u.median-f.good > max(outSigmas*u.sigma, outLeast) {
			out[i] = fmt.Sprintf("%.1f %% of its pixels are good, of its like %.1f %%", 100*f.good, 100*u.median)
		}
	}
	return out
}

func likeOf(r *pipeline.FrameReport) string {
	return strings.Join([]string{r.Detector, r.Mode, r.Band}, "\x00")
}

// remedies are the words with which this software's errors begin what helps.
var remedies = [...]string{"build ", "name ", "make ", "correct ", "check ", "see ", "choose ", "calibrate ", "move ", "leave ", "use ", "widen ", "install ", "find ", "set ", "look ", "split ", "fetch ", "give ", "switch ", "keep "}

// splitReason parts an error's text into what is wrong and what helps: the
// errors of this software end with a remedy behind a colon, where there is one.
func splitReason(text string) (reason, remedy string) {
	for rest := text; ; {
		at := strings.LastIndex(rest, ": ")
		if at < 0 {
			return text, ""
		}
		tail := text[at+2:]
		for _, word := range remedies {
			if strings.HasPrefix(tail, word) {
				return text[:at], tail
			}
		}
		rest = rest[:at]
	}
}

// failureOf makes the entry of a frame that failed.
func failureOf(raw, text string) Failure {
	f := Failure{Raw: raw, Name: baseName(raw)}
	f.Reason, f.Remedy = splitReason(strings.TrimPrefix(text, raw+": "))
	return f
}

// Causes puts failures together by their cause, in the order in which these
// come first. Names are whole paths.
func Causes(failures []pipeline.Failure) []Attention {
	all := make([]Failure, len(failures))
	for i, f := range failures {
		all[i] = failureOf(f.Raw, f.Reason)
		all[i].Name = f.Raw
	}
	return failureThings(all)
}

// missingMaster is how the errors about masters that are not there go on after
// the name of the file.
const missingMaster = " master for "

// failureThings groups failures by their reason.
func failureThings(failures []Failure) []Attention {
	var out []Attention
	at := map[string]int{}
	for _, f := range failures {
		kind := "failure"
		if strings.Contains(f.Reason, missingMaster) {
			kind = "missing-master"
		}
		if f.Entry != "" && kind == "failure" {
			kind = "quarantine"
		}
		// Figures differ from frame to frame; the nearest of masters that are too
		// far away does too, and comes behind a colon.
		cause := withoutNumbers(f.Reason)
		if kind == "missing-master" {
			cause, _, _ = strings.Cut(f.Reason, ": ")
		}
		key := kind + "\x00" + cause
		i, ok := at[key]
		if !ok {
			i = len(out)
			at[key] = i
			out = append(out, Attention{Kind: kind, Grade: GradeAct, Text: f.Reason, Remedy: f.Remedy})
		} else {
			out[i].Text = cause
		}
		a := &out[i]
		a.Count++
		if f.Time != "" && (a.Since == "" || f.Time < a.Since) {
			a.Since = f.Time
		}
		if len(a.Names) < MostNamed {
			a.Names = append(a.Names, f.Name)
		}
	}
	return out
}

// frameThings groups what calls for a look in frames: warnings that differ in
// their figures alone are one.
func frameThings(frames []Frame) []Attention {
	var out []Attention
	at := map[string]int{}
	for i := range frames {
		f := &frames[i]
		for _, w := range f.Warnings {
			kind := kindOfWarning(w)
			text := withoutNumbers(w)
			j, ok := at[text]
			if !ok {
				j = len(out)
				at[text] = j
				grade := GradeLook
				if f.State == StateBroken {
					grade = GradeAct
				}
				out = append(out, Attention{Kind: kind, Grade: grade, Text: text})
			}
			a := &out[j]
			a.Count++
			if f.Time != "" && (a.Since == "" || f.Time < a.Since) {
				a.Since = f.Time
			}
			if len(a.Frames) < MostNamed {
				a.Frames = append(a.Frames, f.N)
			}
			if a.Count == 1 {
				a.Text = w // of a single frame the figures too
			} else {
				a.Text = text
			}
		}
	}
	return out
}

func kindOfWarning(w string) string {
	switch {
	case strings.HasPrefix(w, "noise is "):
		return "noise"
	case strings.Contains(w, "pixels are good, of its like"):
		return "good"
	}
	return "warning"
}

// withoutNumbers puts "…" for each number that stands by itself.
func withoutNumbers(text string) string {
	words := strings.Split(text, " ")
	for i, w := range words {
		if digits := strings.Trim(w, "+-(),;:"); digits != "" && strings.Trim(digits, "0123456789.e+-") == "" && strings.ContainsAny(digits, "0123456789") {
			words[i] = strings.Replace(w, digits, "…", 1)
		}
	}
	return strings.Join(words, " ")
}

func alertThings(alerts []Alert) []Attention {
	var out []Attention
	for _, a := range alerts {
		if a.Holds {
			of := ""
			if !strings.Contains(a.Message, a.Subject) {
				of = " of " + a.Subject
			}
			out = append(out, Attention{Kind: "alert", Grade: GradeAct, Text: fmt.Sprintf("Alert %s%s: %s", a.Rule, of, a.Message), Since: cmp.Or(a.Since, a.First)})
		}
	}
	return out
}

// trendThings tells of the charts with points that are out.
func trendThings(charts []Chart) []Attention {
	var out []Attention
	for i := range charts {
		c := &charts[i]
		if c.Out == 0 {
			continue
		}
		a := Attention{Kind: "trend", Grade: GradeLook, Since: c.FirstOut.Time, Count: c.Out, Charts: []string{c.ID},
			Text: fmt.Sprintf("%s is outside of its control limits", c.Title)}
		if c.OutSince != nil {
			a.Text += ", and has been since " + c.OutSince.Time
		}
		for _, p := range c.Worst {
			a.Frames = append(a.Frames, p.N)
		}
		out = append(out, a)
	}
	return out
}

// order puts what must be acted on first, then what most frames have; else the
// order in which things were found stays.
func order(things []Attention) []Attention {
	slices.SortStableFunc(things, func(a, b Attention) int {
		return cmp.Or(cmp.Compare(gradeOrder(a.Grade), gradeOrder(b.Grade)), cmp.Compare(b.Count, a.Count))
	})
	return things
}

func gradeOrder(grade string) int {
	if grade == GradeAct {
		return 0
	}
	return 1
}
