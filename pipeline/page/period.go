package page

import (
	"cmp"
	"context"
	"fmt"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"evenlight/configs"
	"evenlight/pipeline"
	"evenlight/pipeline/archive"
	"evenlight/pipeline/ledger"
	"evenlight/pipeline/trend"
)

// Span chooses the frames of an archive that a page shows.
type Span struct {
	From, To time.Time // zero: no bound; From is inside, To is not
	By       string    // ByExposure or ByArrival
}

func (s *Span) holds(t time.Time) bool {
	return (s.From.IsZero() || !t.Before(s.From)) && (s.To.IsZero() || t.Before(s.To))
}

func (s *Span) period() *Period {
	p := &Period{By: s.By}
	if !s.From.IsZero() {
		p.From = s.From.UTC().Format(time.RFC3339)
	}
	if !s.To.IsZero() {
		p.To = s.To.UTC().Format(time.RFC3339)
	}
	return p
}

// words say what the span is.
func (s *Span) words() string {
	text := "all times"
	p := s.period()
	switch {
	case p.From != "" && p.To != "":
		text = p.From + " to " + p.To
	case p.From != "":
		text = "from " + p.From
	case p.To != "":
		text = "up to " + p.To
	}
	return text + " by " + s.By
}

// OfPeriod makes the page of a period of an archive, out of its ledger. A page
// by arrival goes through all frames of the ledger, since exposures come down in
// any order; one by exposure through those of the period.
func OfPeriod(ctx context.Context, a *archive.Archive, span Span, opt Options) (*Page, error) {
	o := &ofPeriod{ctx: ctx, a: a, led: a.Ledger(), span: span}
	masters, err := o.masters()
	if err != nil {
		return nil, err
	}
	b := newBuilder(opt, KindPeriod, masters)
	b.base = o.baseline
	p := &b.page
	p.Instrument, p.Period = strings.Join(a.Instruments(), ", "), span.period()
	p.Title = fmt.Sprintf("%s, %s", p.Instrument, span.words())
	if err := o.frames(b); err != nil {
		return nil, err
	}
	if err := o.wholeFiles(b); err != nil {
		return nil, err
	}
	return b.finishPeriod(o)
}

// finishPeriod adds what holds of the archive besides its frames.
func (b *builder) finishPeriod(o *ofPeriod) (*Page, error) {
	p := &b.page
	p.Counts.Failed = len(p.Failures)
	alerts, err := o.alerts()
	if err != nil {
		return nil, err
	}
	p.Alerts = append(p.Alerts, alerts...)
	if o.undated > 0 {
		p.Attention = append(p.Attention, Attention{Kind: "warning", Grade: GradeLook, Count: o.undated,
			Text: "frames whose arrival the ledger does not know are left out, such as those of before it was made anew", Remedy: "make the page by exposure"})
	}
	return b.make()
}

// ofPeriod reads what a page of a period shows from the ledger.
type ofPeriod struct {
	ctx     context.Context
	a       *archive.Archive
	led     *ledger.Ledger
	span    Span
	undated int // frames whose arrival is not known
}

// masters indexes the masters that products may have been made with.
func (o *ofPeriod) masters() (*masterIndex, error) {
	x := &masterIndex{byName: map[[2]string][]*pipeline.Master{}, bySHA: map[string]*pipeline.Master{}}
	for _, instrument := range o.a.Instruments() {
		for _, state := range []ledger.State{ledger.Current, ledger.Superseded} {
			all, err := o.led.Masters(o.ctx, instrument, state)
			if err != nil {
				return nil, err
			}
			for _, m := range all {
				x.bySHA[m.SHA256.String()] = &pipeline.Master{Kind: m.Kind, Instrument: m.Instrument, Detector: m.Detector, Mode: m.Mode, Band: m.Band,
					Begin: m.Begin, End: m.End, TempMinK: m.TempMinK, TempMaxK: m.TempMaxK, Frames: m.Frames, Path: m.Path}
			}
		}
	}
	return x, nil
}

// dated is an item with the time that its place on the page follows.
type dated struct {
	item
	at     time.Time
	series ledger.Series
	id     ledger.Hash // of the product
}

// frames gathers products and failures of the period.
func (o *ofPeriod) frames(b *builder) error {
	filter := ledger.Filter{}
	if o.span.By == ByExposure {
		filter.From, filter.To = o.span.From, o.span.To
	}
	var products []dated
	c := &b.page.Counts
	err := o.led.EachFrame(o.ctx, pipeline.ProductFrame, filter, func(row *ledger.FrameRow) error {
		at := row.Begin
		if o.span.By == ByArrival {
			if at = row.Seen; at.IsZero() {
				o.undated++
				return nil
			}
			if !o.span.holds(at) {
				return nil
			}
		}
		c.Found++
		switch {
		case row.Failure != "":
			f := failureOf(row.Path, row.Failure)
			f.Time, f.Entry = at.UTC().Format(time.RFC3339), o.a.Entry(row.Frame)
			b.page.Failures = append(b.page.Failures, f)
		case row.Kind != configs.KindScene:
			c.Skipped++
		}
		if !row.Product.IsZero() {
			products = append(products, dated{item{product: row.ProductPath, raw: row.Path}, at, row.Series(), row.Product})
		}
		return nil
	})
	if err != nil {
		return err
	}
	slices.SortFunc(b.page.Failures, func(a, b Failure) int { return cmp.Or(strings.Compare(a.Time, b.Time), strings.Compare(a.Raw, b.Raw)) })
	slices.SortFunc(products, func(a, b dated) int { return cmp.Or(a.at.Compare(b.at), strings.Compare(a.product, b.product)) })
	return o.compare(b, products)
}

// compare finds the products that are out of the way among their like, and puts
// all onto the page.
func (o *ofPeriod) compare(b *builder, products []dated) error {
	goods := make([]goodOf, len(products))
	for i := range products {
		p := &products[i]
		_, metrics, err := o.led.Product(o.ctx, p.id)
		if err != nil {
			return err
		}
		goods[i] = goodOf{like: strings.Join([]string{p.series.Instrument, p.series.Detector, p.series.Mode, p.series.Band}, "\x00"), good: 1}
		for _, m := range metrics {
			if m.Name == "good_fraction" {
				goods[i].good = m.Value
			}
		}
	}
	out := outOfTheWay(goods)
	for i := range products {
		it := products[i].item
		if out[i] != "" {
			it.look = []string{out[i]}
		}
		b.items = append(b.items, it)
	}
	return nil
}

// wholeFiles adds the files that could not be read at all. They tell no time of
// an exposure, so they belong to the period in which they arrived; those whose
// arrival is not known belong to every period.
func (o *ofPeriod) wholeFiles(b *builder) error {
	return o.led.EachFailure(o.ctx, func(f *ledger.FailureRow) error {
		if f.Detector != "" {
			return nil // of a part, which was found among the frames
		}
		frame, err := o.led.Frame(o.ctx, f.Frame)
		if err != nil {
			return err
		}
		if !frame.Seen.IsZero() && !o.span.holds(frame.Seen) {
			return nil
		}
		one := failureOf(cmp.Or(f.Path, f.Name), f.Message)
		one.Entry = o.a.Entry(f.Frame)
		if !frame.Seen.IsZero() {
			one.Time = frame.Seen.UTC().Format(time.RFC3339)
		}
		one.Name = filepath.Base(f.Name)
		b.page.Failures = append(b.page.Failures, one)
		b.page.Counts.Found++
		return nil
	})
}

// alerts lists those that held at some time of the period.
func (o *ofPeriod) alerts() ([]Alert, error) {
	all, err := o.led.Alerts(o.ctx, true)
	if err != nil {
		return nil, err
	}
	var out []Alert
	for _, h := range all {
		if !o.span.To.IsZero() && !h.First.Before(o.span.To) || !o.span.From.IsZero() && !h.Cleared.IsZero() && h.Cleared.Before(o.span.From) {
			continue
		}
		out = append(out, Alert{Rule: h.Rule, Subject: h.Subject, Message: h.Message, First: h.First.UTC().Format(time.RFC3339), Holds: h.Cleared.IsZero()})
	}
	return out, nil
}

// baseline is the first values that the ledger has of a metric, as 'evenlight
// trends' takes them; nil: there are too few, and the period is compared with
// its own first half.
func (o *ofPeriod) baseline(s trendSeries, metric string) ([]trend.Sample, error) {
	points, err := o.led.MetricPoints(o.ctx, pipeline.ProductFrame, metric,
		ledger.Series{Instrument: s.instrument, Detector: s.detector, Mode: s.mode, Band: s.band, Kind: configs.KindScene}, time.Time{}, fullBaseline, true)
	if err != nil || len(points) < fullBaseline {
		return nil, err
	}
	out := make([]trend.Sample, len(points))
	for i, p := range points {
		out[i] = trend.Sample{Time: p.Begin, Name: p.Name, Value: p.Value}
	}
	return out, nil
}
