package archive

import (
	"context"
	"errors"
	"fmt"
	"time"

	"golang.org/x/time/rate"

	"evenlight/pipeline/ledger"
)

// batchItems is how many products are made anew before the turn is given to
// whoever waits for it, such as the intake of new frames.
const batchItems = 16

// handover is how long the turn stays free between two batches, for those that
// look for it ever so often.
const handover = 200 * time.Millisecond

// Reprocess makes the products of a plan, in batches between which others may
// have the turn. Each product is compared once more with what it should be just
// before it is made, so a plan that has aged does no harm, and one that was
// broken off goes on where it was when it is planned again. Limits that are
// reached, and a context that ends, stop it with the reason in the report.
func (a *Archive) Reprocess(ctx context.Context, p *Plan, lim Limits) (*Report, error) {
	report := newReport(runReprocess)
	if len(p.items) == 0 {
		return report, a.attendInTurn(ctx, report)
	}
	record, err := a.beginRun(ctx, report.What, len(p.items))
	if err != nil {
		return nil, err
	}
	if err := a.notUnmounted(ctx); err != nil {
		return report, err
	}
	err = a.batches(ctx, &run{id: record.ID, total: len(p.items), minFreeGiB: lim.MinFreeGiB}, p, lim, report)
	err = a.endRun(ctx, record, report, err)
	return report, errors.Join(err, a.attendInTurn(ctx, report))
}

// attendInTurn judges the rules for alerts when the turn comes soon; else whoever
// has it will.
func (a *Archive) attendInTurn(ctx context.Context, report *Report) error {
	turn, err := a.led.TakeTurn(ctx, runReprocess, time.Duration(a.cfg.Intake.WaitS*float64(time.Second)))
	if errors.Is(err, ledger.ErrBusy) || errors.Is(err, context.Canceled) {
		return nil
	}
	if err != nil {
		return err
	}
	err = errors.Join(a.attend(ctx, report), turn.End())
	a.deliver(ctx)
	return err
}

// batches makes the products of a plan until a limit is reached.
func (a *Archive) batches(ctx context.Context, r *run, p *Plan, lim Limits, report *Report) error {
	pace, most := rate.NewLimiter(rate.Inf, 1), batchItems
	if lim.FramesPerHour > 0 {
		pace, most = rate.NewLimiter(rate.Limit(lim.FramesPerHour/3600), 1), 1 // one at a time: else they would come in gusts
	}
	largest := int64(0) // product so far
	for at := 0; at < len(p.items); {
		n := min(most, len(p.items)-at)
		if err := a.checkRoom(lim.MinFreeGiB); err != nil {
			return err
		}
		if n, report.Stopped = allowed(p, lim, report, at, n, largest); report.Stopped != "" {
			return nil
		}
		if err := pace.Wait(ctx); err != nil {
			return ctx.Err()
		}
		done, bytes := report.Counts.Done, report.Bytes
		if err := a.batch(ctx, r, p.items[at:at+n], report); err != nil {
			return err
		}
		if done = report.Counts.Done - done; done > 0 {
			largest = max(largest, (report.Bytes-bytes)/int64(done))
		}
		at += n
	}
	return nil
}

// allowed tells how many of the next n items of a plan the limits allow, and,
// where they allow none, which is reached.
func allowed(p *Plan, lim Limits, r *Report, at, n int, largest int64) (int, string) {
	if lim.MostFrames > 0 {
		if n = min(n, lim.MostFrames-r.Counts.Done); n <= 0 {
			return 0, fmt.Sprintf("%d products were made, as many as allowed; run again to go on", r.Counts.Done)
		}
	}
	if lim.MostBytes == 0 {
		return n, ""
	}
	left := lim.MostBytes - r.Bytes
	for i := range n {
		size := max(p.size(at+i), largest)
		if size == 0 { // not known before one was made
			return 1, ""
		}
		if left -= size; left < 0 && i == 0 {
			return 0, fmt.Sprintf("%.2f GiB were written, and one product more would be more than allowed; run again to go on", float64(r.Bytes)/(1<<30))
		} else if left < 0 {
			return i, ""
		}
	}
	return n, ""
}

// batch makes some products with the turn in hand.
func (a *Archive) batch(ctx context.Context, r *run, items []item, report *Report) (err error) {
	if r.turn, err = a.led.TakeTurn(ctx, runReprocess, forever); err != nil {
		return err
	}
	r.open = a.newOpener()
	err = a.batchInTurn(ctx, r, items, report)
	r.open.close()
	if err := errors.Join(err, r.turn.End()); err != nil {
		return err
	}
	select {
	case <-ctx.Done():
	case <-time.After(handover):
	}
	return nil
}

// forever is longer than anybody waits.
const forever = 100 * 365 * 24 * time.Hour

func (a *Archive) batchInTurn(ctx context.Context, r *run, items []item, report *Report) error {
	if _, err := a.prepare(ctx); err != nil {
		return err
	}
	from, to := window(items)
	var err error
	if r.exposures, err = a.exposuresOf(ctx, from, to); err != nil {
		return err
	}
	tasks, err := a.tasks(ctx, items)
	if err != nil {
		return err
	}
	return a.treatAll(ctx, r, tasks, report)
}

// window is the time in which exposures may have left something in some items.
func window(items []item) (from, to time.Time) {
	first, last := items[0].begin, items[0].begin
	for i := range items {
		first, last = min(first, items[i].begin), max(last, items[i].begin)
	}
	return time.Unix(0, first), time.Unix(0, last)
}
