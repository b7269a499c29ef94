package page

import (
	"fmt"
	"os"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"evenlight/pipeline"
)

// Options says how a page is made.
type Options struct {
	Out     string // folder of the page
	Workers int    // goroutines for frames; 0: 1. The bytes do not depend on it
	// Stamp is written onto the page as the time at which it was made; zero:
	// none, and the same files give the same bytes.
	Stamp time.Time
	// Progress, if set, is told of each frame when it is done.
	Progress func(done, total int, name string)
}

// builder makes a page.
type builder struct {
	opt     Options
	page    Page
	items   []item
	masters *masterIndex
	base    baselineOf
	detail  func(w *worker, it *item) built // made of an item
}

func newBuilder(opt Options, kind string, masters *masterIndex) *builder {
	b := &builder{opt: opt, masters: masters}
	b.page = Page{Kind: kind, Software: pipeline.Software, Version: pipeline.Version, Sampling: samplingText,
		Attention: []Attention{}, Trends: []Chart{}, Frames: []Frame{}, Masters: []Master{}, Failures: []Failure{}, Alerts: []Alert{}, Parts: []PartRef{}}
	b.page.Counts.ByBand = []Count{}
	if !opt.Stamp.IsZero() {
		b.page.Stamp = opt.Stamp.UTC().Format(time.RFC3339)
	}
	b.detail = func(w *worker, it *item) built { return w.detail(it, b.masters) }
	return b
}

// framesAtOnce is the number of frames whose details are made before they are
// written: memory does not grow with the number of frames. It does not depend on
// the number of workers, and neither does the result.
const framesAtOnce = 16

// make makes all files of the page.
func (b *builder) make() (*Page, error) {
	if err := os.MkdirAll(b.opt.Out, 0o777); err != nil {
		return nil, fmt.Errorf("folder of the page: %w", err)
	}
	out := newPageWriter(b.opt.Out, &b.page)
	t := &tracks{byName: map[string]*track{}}
	list := &masterList{lines: map[masterKey]*Master{}}
	workers := make([]*worker, max(1, b.opt.Workers))
	for i := range workers {
		workers[i] = &worker{reader: pipeline.NewProductReader()}
	}
	for from := 0; from < len(b.items); from += framesAtOnce {
		some := b.items[from:min(from+framesAtOnce, len(b.items))]
		for i, one := range b.details(workers, some) {
			if err := b.take(&some[i], one, t, list, out); err != nil {
				return nil, err
			}
			if b.opt.Progress != nil {
				b.opt.Progress(from+i+1, len(b.items), one.Frame.Name)
			}
		}
	}
	if err := b.takeMasters(workers, list, out); err != nil {
		return nil, err
	}
	charts, all, err := t.charts(b.base)
	if err != nil {
		return nil, err
	}
	b.page.Trends = append(b.page.Trends, charts...)
	b.count()
	b.attend()
	return &b.page, out.finish(all)
}

// inTurns calls do for each 0 <= i < n, each worker with one i at a time.
func inTurns(workers []*worker, n int, do func(w *worker, i int)) {
	var next atomic.Int64
	var wait sync.WaitGroup
	for _, w := range workers[:min(len(workers), n)] {
		wait.Go(func() {
			for i := int(next.Add(1)) - 1; i < n; i = int(next.Add(1)) - 1 {
				do(w, i)
			}
		})
	}
	wait.Wait()
}

// details makes the details of some frames, in their order.
func (b *builder) details(workers []*worker, items []item) []built {
	out := make([]built, len(items))
	inTurns(workers, len(items), func(w *worker, i int) { out[i] = b.detail(w, &items[i]) })
	return out
}

// take puts a frame onto the page.
func (b *builder) take(it *item, one built, t *tracks, list *masterList, out *pageWriter) error {
	f := &one.Frame
	f.N = len(b.page.Frames) + 1
	f.ID = frameID(f.N)
	f.Link = link(b.opt.Out, it.product)
	if f.Instrument == "" {
		f.Instrument = b.page.Instrument
	}
	one.Command = provenanceCommand(it.product)
	list.add(f, one.Masters)
	if one.report != nil {
		t.add(f, one.report)
	}
	b.page.Frames = append(b.page.Frames, *f)
	return out.addFrame(&one.Detail)
}

// takeMasters puts the masters onto the page.
func (b *builder) takeMasters(workers []*worker, list *masterList, out *pageWriter) error {
	for lines := range slices.Chunk(list.sorted(), framesAtOnce) {
		details := make([]MasterDetail, len(lines))
		inTurns(workers, len(lines), func(w *worker, i int) { details[i] = w.masterDetail(lines[i], b.masters, b.opt.Out) })
		for i := range lines {
			b.page.Masters = append(b.page.Masters, *lines[i])
			if err := out.addMaster(&details[i]); err != nil {
				return err
			}
		}
	}
	return nil
}

// count fills in the counts that follow from the lines.
func (b *builder) count() {
	c := &b.page.Counts
	c.Masters = len(b.page.Masters)
	at := map[[2]string]int{}
	c.Done, c.Warned = len(b.page.Frames), 0
	for i := range b.page.Frames {
		f := &b.page.Frames[i]
		key := [2]string{f.Detector, f.Band}
		k, ok := at[key]
		if !ok {
			k = len(c.ByBand)
			at[key] = k
			c.ByBand = append(c.ByBand, Count{Detector: f.Detector, Band: f.Band})
		}
		c.ByBand[k].Done++
		if len(f.Warnings) > 0 {
			c.ByBand[k].Warned++
			c.Warned++
		}
	}
	slices.SortFunc(c.ByBand, func(a, b Count) int {
		return strings.Compare(a.Detector+"\x00"+a.Band, b.Detector+"\x00"+b.Band)
	})
	for _, a := range b.page.Alerts {
		if a.Holds {
			c.Alerts++
		}
	}
	for _, f := range b.page.Failures {
		if f.Entry != "" {
			c.Quarantined++
		}
	}
}

// mostThings bounds what a page says of attention, should each frame have words of
// its own.
const mostThings = 200

// attend gathers what needs attention.
func (b *builder) attend() {
	p := &b.page
	things := alertThings(p.Alerts)
	things = append(things, failureThings(p.Failures)...)
	things = append(things, frameThings(p.Frames)...)
	things = append(things, trendThings(p.Trends)...)
	things = order(append(p.Attention, things...))
	if more := len(things) - mostThings; more > 0 {
		things = append(things[:mostThings], Attention{Kind: "warning", Grade: GradeLook, Text: fmt.Sprintf("%d more things call for a look: the tables of frames, trends and failures have them all", more)})
	}
	p.Attention = things
}
