package page

import (
	"fmt"
	"strings"
)

// indexView is the index as the templates see it.
type indexView struct {
	*Page
	furniture
	Lines frameTable
}

func newIndexView(p *Page, f furniture) *indexView {
	return &indexView{p, f, newFrameTable(p.Frames)}
}

// Heading is what stands above all. A period has a line of its own.
func (v *indexView) Heading() string {
	if v.Kind == KindPeriod && v.Period != nil && v.Instrument != "" {
		return v.Instrument
	}
	return v.Title
}

// Span says which frames the page shows; empty: those of a run.
func (v *indexView) Span() string {
	if v.Period == nil {
		return ""
	}
	from, to := "the beginning", "the end"
	if v.Period.From != "" {
		from = utc(v.Period.From)
	}
	if v.Period.To != "" {
		to = utc(v.Period.To)
	}
	by := "start of the exposure"
	if v.Period.By == ByArrival {
		by = "arrival"
	}
	return fmt.Sprintf("%s to %s UTC, by %s", from, to, by)
}

// Verdict says in a sentence how much there is to do.
func (v *indexView) Verdict() string {
	act := 0
	for _, a := range v.Attention {
		if a.Grade == GradeAct {
			act++
		}
	}
	look := len(v.Attention) - act
	switch {
	case act+look == 0:
		return "Nothing calls for attention."
	case look == 0:
		return things(act) + " to act on."
	case act == 0:
		return "Nothing to act on; " + things(look) + " to look at."
	}
	return fmt.Sprintf("%s to act on, %s to look at.", things(act), count(look))
}

func things(n int) string {
	if n == 1 {
		return "1 thing"
	}
	return count(n) + " things"
}

// Shares are the ends to which frames came, for the bar of counts.
func (v *indexView) Shares() []share {
	c := &v.Counts
	all := []share{
		{"good", "✓", "without a warning", c.Done - c.Warned, 0},
		{"look", "▲", "with warnings", c.Warned, 0},
		{"act", "✕", "failed", c.Failed, 0},
		{"rest", "–", "skipped: not scenes", c.Skipped, 0},
	}
	total := 0
	for _, s := range all {
		total += s.Count
	}
	var out []share
	for _, s := range all {
		if s.Count > 0 {
			s.Percent = 100 * float64(s.Count) / float64(total)
			out = append(out, s)
		}
	}
	return out
}

// share is a part of a whole.
type share struct {
	Class, Sign, Name string
	Count             int
	Percent           float64
}

// mention is a frame that something names.
type mention struct{ Name, Href string }

// Named lists the frames that a thing names, with addresses where they have one.
func (v *indexView) Named(a *Attention) []mention {
	var out []mention
	for _, n := range a.Frames {
		if m := v.Frame(n); m.Name != "" {
			out = append(out, m)
		}
	}
	for _, name := range a.Names {
		out = append(out, mention{Name: name})
	}
	return out
}

// More is the number of frames of a thing beyond those that it names.
func (v *indexView) More(a *Attention) int { return max(0, a.Count-len(a.Frames)-len(a.Names)) }

// Frame finds a frame by its number; its name is empty where it is not on the
// page.
func (v *indexView) Frame(n int) mention {
	if n < 1 || n > len(v.Frames) {
		return mention{}
	}
	f := &v.Frames[n-1]
	return mention{f.Name, f.Part + "#" + f.ID}
}

// OutCharts are those with points outside of their limits, InCharts those
// without such, and OpenCharts those that have no limits.
func (v *indexView) OutCharts() []chartView {
	return v.charts(func(c *Chart) bool { return c.Out > 0 })
}

func (v *indexView) InCharts() []chartView {
	return v.charts(func(c *Chart) bool { return c.Out == 0 && c.Problem == "" })
}

func (v *indexView) OpenCharts() []chartView {
	return v.charts(func(c *Chart) bool { return c.Out == 0 && c.Problem != "" })
}

func (v *indexView) charts(chosen func(c *Chart) bool) []chartView {
	var some []chartView
	for i := range v.Trends {
		if c := &v.Trends[i]; chosen(c) {
			some = append(some, chartView{c, v})
		}
	}
	return some
}

// chartView is a chart with the frames that it names.
type chartView struct {
	*Chart
	index *indexView
}

// Series says which frames the chart compares.
func (c chartView) Series() string {
	return strings.Join(nonEmpty(c.Instrument, c.Detector, c.Mode, c.Band), ", ")
}

// WorstFrame is the frame of the point that is farthest outside.
func (c chartView) WorstFrame() mention {
	if len(c.Worst) == 0 {
		return mention{}
	}
	return c.index.Frame(c.Worst[0].N)
}

func nonEmpty(words ...string) []string {
	var out []string
	for _, w := range words {
		if w != "" {
			out = append(out, w)
		}
	}
	return out
}

// FrameViews and MasterViews are the details that are in this file.
func (v *indexView) FrameViews() []frameView   { return frameViews(v.Details, "") }
func (v *indexView) MasterViews() []masterView { return masterViews(v.MasterDetails) }

// partView is a part file as the templates see it.
type partView struct {
	*Part
	furniture
}

func newPartView(p *Part, f furniture) *partView { return &partView{p, f} }

func (v *partView) FrameViews() []frameView   { return frameViews(v.Part.Frames, IndexFile) }
func (v *partView) MasterViews() []masterView { return masterViews(v.Part.Masters) }

// Index is the address of the index.
func (v *partView) Index() string { return IndexFile }

// frameView is the details of a frame as the templates see them.
type frameView struct {
	Detail
	Index string // file of the index; empty: this one
}

func frameViews(details []Detail, index string) []frameView {
	out := make([]frameView, len(details))
	for i, d := range details {
		out[i] = frameView{d, index}
	}
	return out
}

// What says in short what the frame is of.
func (v frameView) What() string {
	f := &v.Detail.Frame
	return strings.Join(nonEmpty(f.Target, f.Band, f.Detector, f.Mode, f.Instrument), " · ")
}

// Pictures are those of the frame, that of the flags over the result.
func (v frameView) Pictures() []picture {
	var value *Image
	for i := range v.Images {
		if v.Images[i].Kind == "value" {
			value = &v.Images[i]
		}
	}
	return pictures(v.Images, "flags", value)
}

// picture is an image, with what lies under it.
type picture struct {
	Image
	Under *Image // nil: nothing
}

// Tall tells that a picture is higher than wide.
func (p picture) Tall() bool { return p.Height > p.Width }

func pictures(images []Image, over string, under *Image) []picture {
	out := make([]picture, len(images))
	for i, im := range images {
		out[i] = picture{Image: im}
		if im.Kind == over {
			out[i].Under = under
		}
	}
	return out
}

// masterView is the details of a master as the templates see them.
type masterView struct{ MasterDetail }

func masterViews(details []MasterDetail) []masterView {
	out := make([]masterView, len(details))
	for i, d := range details {
		out[i] = masterView{d}
	}
	return out
}

// Pictures are the maps of the master.
func (v masterView) Pictures() []picture { return pictures(v.Images, "", nil) }

// Of says in short what the master is for.
func (v masterView) Of() string {
	m := &v.Master
	return strings.Join(nonEmpty(m.Detector, m.Mode, m.Band), " · ")
}
