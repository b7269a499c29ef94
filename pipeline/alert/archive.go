package alert

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"maps"
	"math"
	"slices"
	"time"

	"evenlight/configs"
	"evenlight/pipeline/ledger"
)

const (
	defaultAtLeast = 10
	bytesPerGiB    = 1 << 30
	hoursPerDay    = 24
)

// hours is a time span that the configuration gives in hours. Spans too long
// for a time.Duration, some 292 years, are cut there.
func hours(h float64) time.Duration {
	return time.Duration(min(h*float64(time.Hour), math.MaxInt64/2))
}

// failures judges the share of frames that failed in the runs of some hours.
func (j *judge) failures(ctx context.Context, r *configs.Rule) ([]Finding, error) {
	from := j.Now.Add(-hours(r.Hours))
	var counts ledger.Counts
	var since time.Time
	err := j.led.RunsBetween(ctx, from, j.Now.Add(time.Nanosecond), func(run ledger.Run) error {
		counts.Done += run.Counts.Done
		counts.Failed += run.Counts.Failed
		if run.Counts.Failed > 0 && since.IsZero() {
			since = run.Started
		}
		return nil
	})
	if err != nil {
		return nil, err
	}
	tried := counts.Done + counts.Failed
	if tried < cmp.Or(r.AtLeast, defaultAtLeast) {
		return nil, nil
	}
	// Frames that failed and were made later are no longer a reason.
	if left, err := j.led.CountFailures(ctx); err != nil || left == 0 {
		return nil, err
	}
	percent := 100 * float64(counts.Failed) / float64(tried)
	if percent <= r.Percent {
		return nil, nil
	}
	message := fmt.Sprintf("%d of %d frames that were tried in the last %g hours failed (%.3g %%, more than %g %%), the first in the run of %s; look at the events frame-failed in the log and at the reasons in the folder of quarantine",
		counts.Failed, tried, r.Hours, percent, r.Percent, clock(since))
	return []Finding{{Subject: subjectArchive, Message: message, Since: since}}, nil
}

// silence judges how long ago the last new frame of an instrument arrived. An
// instrument that never delivered any does not count.
func (j *judge) silence(ctx context.Context, r *configs.Rule) ([]Finding, error) {
	arrivals, err := j.led.Arrivals(ctx)
	if err != nil {
		return nil, err
	}
	var found []Finding
	for _, instrument := range slices.Sorted(maps.Keys(arrivals)) {
		last := arrivals[instrument]
		quiet := j.Now.Sub(last)
		if r.Instrument != "" && r.Instrument != instrument {
			continue
		}
		if -quiet > hours(r.Hours) {
			message := fmt.Sprintf("the last frame of %s arrived at %s by the clock, which lies ahead of now: until then nobody can tell for how long it has been silent; look at the downlink by hand, and at what had set the clock",
				plain(instrument), clock(last))
			found = append(found, Finding{Subject: words("instrument", instrument), Message: message})
			continue
		}
		if quiet <= hours(r.Hours) {
			continue
		}
		message := fmt.Sprintf("no new frame of %s has arrived for %.1f hours (more than %g), since %s; look at the downlink and at the source folders",
			plain(instrument), quiet.Hours(), r.Hours, clock(last))
		found = append(found, Finding{Subject: words("instrument", instrument), Message: message, Since: last})
	}
	return found, nil
}

// space judges how much can still be written to a folder.
func (j *judge) space(r *configs.Rule) ([]Finding, error) {
	finding := func(format string, args ...any) []Finding {
		return []Finding{{Subject: words("folder", r.Folder), Message: fmt.Sprintf(format, args...)}}
	}
	path, err := j.folder(r.Folder)
	if err != nil {
		return nil, err
	}
	free, err := j.Free(path)
	if err != nil {
		return finding("nothing tells how much room is left in the folder of %s, %s: %v; look whether it is there and mounted", r.Folder, plain(path), err), nil
	}
	if gib := float64(free) / bytesPerGiB; gib < r.BelowGiB {
		return finding("%.2f GiB are left in the folder of %s, %s (less than %g GiB); make room, or move the folder to a larger disk", gib, r.Folder, plain(path), r.BelowGiB), nil
	}
	return nil, nil
}

func (j *judge) folder(word string) (string, error) {
	path, ok := j.Folders[word]
	switch {
	case !ok:
		return "", fmt.Errorf("there is no folder of %q: choose one of %v", word, slices.Sorted(maps.Keys(j.Folders)))
	case j.Free == nil:
		return "", errors.New("room on the disk cannot be measured on this system: remove the rule")
	}
	return path, nil
}

// masterSeries is what masters have in common of which the newest counts.
type masterSeries struct{ kind, instrument, detector, mode, band string }

func (a masterSeries) compare(b masterSeries) int {
	return cmp.Or(cmp.Compare(a.instrument, b.instrument), cmp.Compare(a.kind, b.kind), cmp.Compare(a.detector, b.detector), cmp.Compare(a.mode, b.mode), cmp.Compare(a.band, b.band))
}

// masterAge judges how long ago the last exposure of the newest master of each
// series was taken.
func (j *judge) masterAge(ctx context.Context, r *configs.Rule) ([]Finding, error) {
	masters, err := j.masters(ctx, r.Instrument)
	if err != nil {
		return nil, err
	}
	newest := j.newestMasters(r, masters)
	var found []Finding
	for _, s := range slices.SortedFunc(maps.Keys(newest), masterSeries.compare) {
		m := newest[s]
		series := words("instrument", s.instrument, "detector", s.detector, "mode", s.mode, "band", s.band)
		subject := words("master", s.kind) + " " + series
		if m == nil {
			found = append(found, Finding{Subject: subject, Message: fmt.Sprintf("no master %s of %s may serve: all were withdrawn, or not accepted where that is required; 'evenlight library list' says by whom and why; accept one, or build another", plain(s.kind), series)})
			continue
		}
		limit := hours(hoursPerDay * r.Days)
		age := j.Now.Sub(m.End)
		if age <= limit {
			continue
		}
		message := fmt.Sprintf("the newest master %s of %s is %.1f days old (more than %g): %s, whose last exposure is of %s; take new calibration frames and build a master",
			plain(s.kind), series, age.Hours()/hoursPerDay, r.Days, plain(m.Path), clock(m.End))
		found = append(found, Finding{Subject: subject, Message: message, Since: m.End.Add(limit)})
	}
	return found, nil
}

// newestMasters finds the newest master of each series that may serve; nil: none
// of them may.
func (j *judge) newestMasters(r *configs.Rule, masters []ledger.Master) map[masterSeries]*ledger.Master {
	fits := func(want, is string) bool { return want == "" || want == is }
	newest := map[masterSeries]*ledger.Master{}
	for i := range masters {
		m := &masters[i]
		if !fits(r.Instrument, m.Instrument) || !fits(r.Detector, m.Detector) || !fits(r.Master, m.Kind) {
			continue
		}
		s := masterSeries{m.Kind, m.Instrument, m.Detector, m.Mode, m.Band}
		before := newest[s]
		switch {
		case j.Barred[m.SHA256]:
			newest[s] = before // there is such a series
		case before == nil || m.End.After(before.End):
			newest[s] = m
		}
	}
	return newest
}

// masters returns the current masters, of one instrument if it is named.
func (j *judge) masters(ctx context.Context, instrument string) ([]ledger.Master, error) {
	if j.Masters != nil {
		return j.Masters, nil
	}
	instruments := []string{instrument}
	if instrument == "" {
		series, err := seriesOf(ctx, j.led, ledger.Filter{})
		if err != nil {
			return nil, err
		}
		instruments = nil
		for _, s := range series {
			instruments = append(instruments, s.Instrument)
		}
		instruments = slices.Compact(instruments) // they are sorted
	}
	var all []ledger.Master
	for _, name := range instruments {
		masters, err := j.led.Masters(ctx, name, ledger.Current)
		if err != nil {
			return nil, err
		}
		all = append(all, masters...)
	}
	return all, nil
}
