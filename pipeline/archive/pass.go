package archive

import (
	"context"
	"errors"
	"fmt"
	"os"
	"sync"
	"time"

	"go.uber.org/zap"

	"evenlight/configs"
	"evenlight/fitsutil"
	"evenlight/pipeline"
	"evenlight/pipeline/ledger"
)

// PassOptions says what a pass looks at.
type PassOptions struct {
	// Folders are those in which something changed; nil: all are looked at.
	Folders []string
	// Retry tries all frames in quarantine again, whatever their reasons.
	Retry bool
	// Wait is how long to wait for another run on the archive; negative: the
	// configuration's.
	Wait time.Duration
	// Begin, if set, is called when the turn is in hand.
	Begin func()
}

// Report says what a pass did. Its JSON form is documented in the README.
type Report struct {
	What        string                 `json:"what"` // intake or reprocess
	Counts      pipeline.Counts        `json:"counts"`
	Known       int                    `json:"known"`       // products that were there already
	Adopted     int                    `json:"adopted"`     // products that were there and not in the ledger
	Waiting     int                    `json:"waiting"`     // files that are incomplete or still changing
	Gone        int                    `json:"gone"`        // files that went away before they were read
	Quarantined int                    `json:"quarantined"` // frames that went to quarantine
	Returned    int                    `json:"returned"`    // frames that came back from there
	Bytes       int64                  `json:"bytes"`       // of the products that were written
	Stopped     string                 `json:"stopped,omitempty"`
	Failures    []pipeline.Failure     `json:"failures"`
	Frames      []pipeline.FrameReport `json:"frames"`
	Missing     []string               `json:"missing_sources"` // that are not there, or were emptied
	Alerts      []AlertView            `json:"alerts"`          // that hold

	changing []string         // folders with files that are still being written
	missing  map[*source]bool // sources that are not there
}

// maxListed bounds the frames and failures that a report lists one by one; all
// are counted, in the ledger and in the log.
const maxListed = 1000

func (r *Report) add(e *ending) {
	c := &r.Counts
	c.Found += e.done + e.adopted + e.known + e.skipped + e.failed
	c.Done += e.done
	c.Skipped += e.skipped
	c.Failed += e.failed
	c.Warned += e.warned
	r.Known += e.known
	r.Adopted += e.adopted
	r.Bytes += e.bytes
	for _, n := range []struct {
		to *int
		is bool
	}{{&r.Gone, e.gone}, {&r.Waiting, e.changed}, {&r.Quarantined, e.quarantined}, {&r.Returned, e.returned}} {
		if n.is {
			*n.to++
		}
	}
	if len(r.Failures) < maxListed {
		r.Failures = append(r.Failures, e.failures...)
	}
	if len(r.Frames) < maxListed {
		r.Frames = append(r.Frames, e.reports...)
	}
}

// What runs do.
const (
	runIntake    = "intake"
	runReprocess = "reprocess"
	runRebuild   = "rebuild"
)

// ErrStopped is wrapped by the error of a pass that had to stop because of its
// surroundings, such as a full disk. What it did until then is recorded.
var ErrStopped = errors.New("the pass had to stop")

// Pass takes in what has arrived, tries frames in quarantine whose reason is
// gone, and judges the rules for alerts. It wraps [ledger.ErrBusy] when another
// run has the turn, and [ErrStopped] when it could not go on; the report is
// there in the latter case too. A context that ends stops it after the files
// under way.
func (a *Archive) Pass(ctx context.Context, opt PassOptions) (*Report, error) {
	report := newReport(runIntake)
	o := a.newOpener()
	defer o.close()
	found, left, err := a.scan(ctx, o, opt.Folders, report)
	if err != nil {
		return nil, err
	}
	ready, rest, err := a.settled(ctx, o, found, report)
	if err != nil {
		return nil, err
	}
	if opt.Wait < 0 {
		opt.Wait = time.Duration(a.cfg.Intake.WaitS * float64(time.Second))
	}
	turn, err := a.led.TakeTurn(ctx, runIntake, opt.Wait)
	if err != nil {
		return nil, err
	}
	defer turn.End()
	if opt.Begin != nil {
		opt.Begin()
	}
	if err := a.sinceRebuild(ctx); err != nil {
		return nil, err
	}
	if err = a.notUnmounted(ctx); err == nil {
		err = errors.Join(a.forget(ctx, left), a.wait(ctx, rest))
	}
	if err == nil {
		err = a.intake(ctx, &run{open: o, turn: turn, missing: report.missing}, ready, opt, report)
	}
	err = errors.Join(err, a.attend(ctx, report))
	err = errors.Join(err, turn.End())
	a.deliver(ctx)
	return report, err
}

func newReport(what string) *Report {
	return &Report{What: what, Failures: []pipeline.Failure{}, Frames: []pipeline.FrameReport{}, Missing: []string{}, Alerts: []AlertView{}, missing: map[*source]bool{}}
}

// sinceRebuild finds out whether the ledger was made anew and nothing was taken
// in since: files that it does not know then are not new.
func (a *Archive) sinceRebuild(ctx context.Context) error {
	last, err := a.led.Runs(ctx, 1)
	a.rebuilt = len(last) > 0 && last[0].What == runRebuild
	return err
}

// intake does the work of a pass with the turn in hand.
func (a *Archive) intake(ctx context.Context, r *run, ready []candidate, opt PassOptions, report *Report) error {
	changed, err := a.prepare(ctx)
	if err != nil {
		return err
	}
	tasks, err := a.tasksOf(ctx, r.open, ready)
	if err != nil {
		return err
	}
	failures, err := a.led.CountFailures(ctx)
	if err != nil {
		return err
	}
	aside, err := os.ReadDir(a.cfg.Quarantine)
	if err != nil {
		return err
	}
	retry := (opt.Folders == nil || changed || opt.Retry) && failures+len(aside) > 0
	if len(tasks) == 0 && !retry {
		return nil
	}
	fresh, err := a.register(ctx, r, tasks)
	if err != nil {
		return err
	}
	from, to, err := a.span(ctx, fresh, retry)
	if err != nil {
		return err
	}
	if !from.IsZero() {
		if r.exposures, err = a.exposuresOf(ctx, from, to); err != nil {
			return err
		}
	}
	see := a.newForesight(r.exposures)
	if retry {
		more, err := a.retries(ctx, r, see, opt.Retry)
		if err != nil {
			return err
		}
		tasks = append(tasks, more...)
	}
	late, err := a.followers(ctx, see, fresh)
	if err != nil {
		return err
	}
	return a.work(ctx, r, late, once(tasks), report)
}

// tasksOf makes tasks of the candidates, but for those that another run has
// taken since they were found.
func (a *Archive) tasksOf(ctx context.Context, o *opener, ready []candidate) (tasks []task, err error) {
	errPlaces := a.eachPlace(ctx, ready, func(c *candidate, p ledger.Place) {
		if p.Stamp == c.stamp && !p.SHA256.IsZero() {
			return
		}
		if sameFile(p.Stamp, c.stamp) && !p.SHA256.IsZero() {
			done, e := a.readAnew(ctx, o, c, p.SHA256)
			err = errors.Join(err, e)
			if done {
				return
			}
		}
		tasks = append(tasks, task{src: c.src, path: c.path(), read: c.path(), old: p.SHA256,
			place: ledger.Place{Folder: c.folder, Name: c.name, Stamp: c.stamp, Since: c.since}})
	})
	return tasks, errors.Join(err, errPlaces)
}

// readAnew reads the header of a file whose content is known, since the profile
// reads headers in another way now. It tells whether that was all: the file need
// not be treated, because each scene in it has a product.
func (a *Archive) readAnew(ctx context.Context, o *opener, c *candidate, sha ledger.Hash) (bool, error) {
	a.beat()
	file, err := o.open(c.path())
	if err != nil {
		return false, nil // the work on it will tell
	}
	f, err := fitsutil.OpenFile(file)
	if err != nil {
		return false, nil
	}
	defer f.Close()
	frames, errs := c.src.in.FramesOf(c.path(), sha.String(), f)
	if len(errs) > 0 {
		return false, nil
	}
	record, err := a.led.Frame(ctx, sha)
	if err != nil || record.Failure != "" {
		return false, nil
	}
	record.Parts = nil
	for _, fr := range frames {
		if fr.Info.Kind != configs.KindIgnore {
			record.Parts = append(record.Parts, c.src.part(fr))
		}
	}
	if err := a.led.AddFrames(ctx, []ledger.Frame{record}); err != nil {
		return false, err
	}
	for _, p := range record.Parts {
		have, _, err := a.current(ctx, sha, p)
		if err != nil || p.Kind == configs.KindScene && have == nil {
			return false, err
		}
	}
	return true, a.led.SetPlaces(ctx, ledger.Place{Folder: c.folder, Name: c.name, Stamp: c.stamp, SHA256: sha, Since: c.since})
}

// once drops the tasks of a file that has one already. The first is that of the
// place where it was found.
func once(tasks []task) []task {
	seen := map[string]int{}
	var out []task
	for _, t := range tasks {
		i, ok := seen[t.read]
		if !ok {
			seen[t.read] = len(out)
			out = append(out, t)
			continue
		}
		if out[i].remake == nil {
			out[i].remake = t.remake
		}
		out[i].only = out[i].only && t.only
	}
	return out
}

// span is the time that the frames of a pass were exposed in, new ones and, where
// they are tried again, those in quarantine: only what was exposed then may have
// left something in them or in those that follow.
func (a *Archive) span(ctx context.Context, fresh map[*source][]time.Time, retry bool) (from, to time.Time, err error) {
	add := func(at time.Time) {
		if from.IsZero() || at.Before(from) {
			from = at
		}
		if at.After(to) {
			to = at
		}
	}
	for s, times := range fresh {
		for _, at := range times {
			add(at)
			add(at.Add(s.reach())) // those that follow
		}
	}
	if !retry {
		return from, to, nil
	}
	err = a.led.EachFailure(ctx, func(row *ledger.FailureRow) error {
		if s := a.sourceFor(row.Instrument); s == nil || s.in.ResidualGapS() == 0 {
			return nil
		}
		frame, err := a.led.Frame(ctx, row.Frame)
		for i := range frame.Parts {
			add(frame.Parts[i].Begin)
		}
		return err
	})
	return from, to, err
}

// register records the new frames of sources whose frames keep something of the
// ones before, ahead of all work on them: a product must not depend on the
// order of arrival. It returns the times of their exposures.
func (a *Archive) register(ctx context.Context, r *run, tasks []task) (map[*source][]time.Time, error) {
	fresh := map[*source][]time.Time{}
	l := a.lanesFor(r)[0]
	for i := range tasks {
		t := &tasks[i]
		if t.src.in.ResidualGapS() == 0 {
			continue
		}
		a.beat()
		raw := l.cal[t.src].Open(t.read)
		if raw.SHA256 == "" {
			continue // the work on it will tell
		}
		sha, err := ledger.ParseHash(raw.SHA256)
		if err != nil {
			return nil, err
		}
		old, err := a.led.Frame(ctx, sha)
		known := err == nil
		if !known && !errors.Is(err, ledger.ErrUnknown) {
			return nil, err
		}
		f, err := l.frame(ctx, t, raw, sha, a.opt.Now())
		if err != nil {
			return nil, err
		}
		switch {
		case !known:
			err = a.led.AddFrames(ctx, []ledger.Frame{*f})
		case f.Path != old.Path: // it has moved, or the ledger was made anew
			err = a.led.SetFramePath(ctx, sha, f.Path)
		}
		if errors.Is(err, ledger.ErrUnfit) {
			continue // the work on it will tell
		}
		if err != nil {
			return nil, err
		}
		// Also of a frame that is known: a process that was stopped may not have
		// come to those that follow it.
		for _, p := range f.Parts {
			fresh[t.src] = append(fresh[t.src], p.Begin)
		}
	}
	return fresh, nil
}

// work treats files, several at a time, as a run of its own: first those that
// follow new exposures, whose places are recorded with the second.
func (a *Archive) work(ctx context.Context, r *run, first, then []task, report *Report) error {
	if len(first)+len(then) == 0 {
		return nil
	}
	r.total = len(first) + len(then)
	r.minFreeGiB = a.cfg.Intake.MinFreeGiB
	if err := a.checkRoom(r.minFreeGiB); err != nil {
		report.Stopped = err.Error()
		a.opt.Log.Error(EventPassStopped, zap.Error(err))
		return fmt.Errorf("%w: %w", ErrStopped, err)
	}
	record, err := a.beginRun(ctx, report.What, r.total)
	if err != nil {
		return err
	}
	r.id = record.ID
	err = a.treatAll(ctx, r, first, report)
	if err == nil {
		err = a.treatAll(ctx, r, then, report)
	}
	return a.endRun(ctx, record, report, err)
}

// beginRun records that a run begins.
func (a *Archive) beginRun(ctx context.Context, what string, n int) (*ledger.Run, error) {
	if err := a.led.EndBroken(ctx, what, "broke off"); err != nil { // none goes on while this one has the turn
		return nil, err
	}
	host, _ := os.Hostname() // empty: not known
	r := &ledger.Run{What: what, Owner: fmt.Sprintf("process %d", os.Getpid()), Host: host, Started: a.opt.Now()}
	id, err := a.led.BeginRun(ctx, *r)
	r.ID = id
	a.opt.Log.Info(EventPassStarted, zap.String("what", what), zap.Int("files", n), zap.Int64("run", id))
	return r, err
}

// endRun records how a run ended. It returns why it had to stop, if it had.
func (a *Archive) endRun(ctx context.Context, r *ledger.Run, report *Report, stopped error) error {
	ctx = context.WithoutCancel(ctx) // also of a run that was told to stop
	switch {
	case errors.Is(stopped, context.Canceled):
		report.Stopped = "it was told to stop; what is left is done by the next run"
	case stopped != nil:
		report.Stopped = stopped.Error()
	}
	c := report.Counts
	r.Ended, r.Outcome = a.opt.Now(), outcomeWord(report, stopped)
	r.Counts = ledger.Counts{Found: c.Found, Done: c.Done, Skipped: c.Skipped, Failed: c.Failed, Warned: c.Warned}
	if err := a.led.EndRun(ctx, r.ID, r.Ended, r.Counts, r.Outcome); err != nil {
		return err
	}
	a.opt.Log.Info(EventPassEnded, zap.String("what", r.What), zap.Int64("run", r.ID), zap.Int("done", c.Done),
		zap.Int("failed", c.Failed), zap.Int("skipped", c.Skipped), zap.Int("known", report.Known),
		zap.Int("adopted", report.Adopted), zap.Int("waiting", report.Waiting), zap.String("outcome", r.Outcome))
	if err := a.journal(journalLine{Run: r}); err != nil {
		return err
	}
	if stopped == nil || errors.Is(stopped, context.Canceled) {
		return stopped
	}
	a.opt.Log.Error(EventPassStopped, zap.Error(stopped))
	return fmt.Errorf("%w: %w", ErrStopped, stopped)
}

func outcomeWord(r *Report, stopped error) string {
	switch {
	case stopped != nil || r.Stopped != "":
		return "stopped"
	case r.Counts.Failed > 0:
		return "some failed"
	}
	return "done"
}

// treatAll treats files until all are done, the context ends, or the
// surroundings allow no more.
func (a *Archive) treatAll(ctx context.Context, r *run, tasks []task, report *Report) error {
	lanes := a.lanesFor(r)
	var mu sync.Mutex
	var stopped error
	next := 0
	take := func() *task {
		mu.Lock()
		defer mu.Unlock()
		if stopped == nil {
			stopped = ctx.Err()
		}
		if stopped == nil {
			stopped = a.checkRoom(r.minFreeGiB)
		}
		if stopped != nil || next == len(tasks) {
			return nil
		}
		next++
		return &tasks[next-1]
	}
	var wg sync.WaitGroup
	for _, l := range lanes {
		wg.Go(func() {
			for t := take(); t != nil; t = take() {
				// What is under way is brought to its end.
				end, err := l.treat(context.WithoutCancel(ctx), t)
				mu.Lock()
				if err != nil && stopped == nil {
					stopped = err
				}
				if err == nil {
					report.add(end)
					a.logEnding(t, end)
				}
				r.done++
				if a.opt.Progress != nil {
					a.opt.Progress(min(r.done, r.total), r.total, t.path)
				}
				mu.Unlock()
			}
		})
	}
	wg.Wait()
	return stopped
}

// logEnding writes one event for each frame, and one for each warning.
func (a *Archive) logEnding(t *task, e *ending) {
	for _, f := range e.failures {
		a.opt.Log.Error(pipeline.EventFrameFailed, zap.String("raw", t.path), zap.String("error", f.Reason))
	}
	for i := range e.reports {
		r := &e.reports[i]
		a.opt.Log.Info(pipeline.EventFrameDone, zap.String("raw", t.path), zap.String("product", r.Product))
		for _, w := range r.Warnings {
			a.opt.Log.Warn(pipeline.EventFrameWarning, zap.String("raw", t.path), zap.String("product", r.Product), zap.String("warning", w))
		}
	}
	switch {
	case e.known > 0:
		a.opt.Log.Debug(EventFrameKnown, zap.String("raw", t.path))
	case e.skipped > 0:
		a.opt.Log.Debug(pipeline.EventFrameSkipped, zap.String("raw", t.path))
	}
}

// checkRoom makes sure that so much room is left for products.
func (a *Archive) checkRoom(gib float64) error {
	free, err := freeBytes(a.cfg.Products)
	if err != nil {
		return err
	}
	if have := float64(free) / (1 << 30); have < gib {
		return fmt.Errorf("%s has %.2f GiB left and %.2f are to stay free: make room, or lower min_free_gib", a.cfg.Products, have, gib)
	}
	return nil
}
