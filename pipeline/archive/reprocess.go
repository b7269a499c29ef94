package archive

import (
	"context"
	"errors"
	"fmt"
	"time"

	"golang.org/x/time/rate"
)

// batchFiles is how many files are made anew before the turn is given to
// whoever waits for it, such as the intake of new frames.
const batchFiles = 8

// handover is how long the turn stays free between two batches, for those that
// look for it ever so often.
const handover = 200 * time.Millisecond

// Reprocess makes the products of a plan, in batches between which others may
// have the turn. Each product is compared once more with what it should be just
// before it is made, so a plan that has aged does no harm, and one that was
// broken off goes on where it was when it is planned again. Limits that are
// reached, and a context that ends, stop it with the reason in the report.
func (a *Archive) Reprocess(ctx context.Context, p *Plan, lim Limits) (*Report, error) {
	report := newReport("reprocess")
	if len(p.items) == 0 {
		return report, a.attendInTurn(ctx, report)
	}
	exposures, err := a.exposuresOf(ctx)
	if err != nil {
		return nil, err
	}
	record, err := a.beginRun(ctx, report.What, len(p.items))
	if err != nil {
		return nil, err
	}
	err = a.batches(ctx, &run{id: record.ID, exposures: exposures, total: len(p.items), minFreeGiB: lim.MinFreeGiB}, p, lim, report)
	err = a.endRun(ctx, record, report, err)
	return report, errors.Join(err, a.attendInTurn(ctx, report))
}

// attendInTurn waits for the turn to judge the rules for alerts.
func (a *Archive) attendInTurn(ctx context.Context, report *Report) error {
	ctx = context.WithoutCancel(ctx)
	turn, err := a.led.TakeTurn(ctx, who("reprocess"), forever)
	if err != nil {
		return err
	}
	err = a.attend(ctx, report)
	return errors.Join(err, turn.End(), a.deliver(ctx))
}

// batches makes the products of a plan until a limit is reached.
func (a *Archive) batches(ctx context.Context, r *run, p *Plan, lim Limits, report *Report) error {
	pace, files := rate.NewLimiter(rate.Inf, 1), batchFiles
	if lim.FramesPerHour > 0 {
		pace, files = rate.NewLimiter(rate.Limit(lim.FramesPerHour/3600), 1), 1 // one at a time: else they would come in gusts
	}
	for at := 0; at < len(p.items); {
		if report.Stopped = a.limit(lim, report); report.Stopped != "" {
			return nil
		}
		if lim.MostFrames > 0 {
			files = min(files, lim.MostFrames-report.Counts.Done)
		}
		if err := pace.Wait(ctx); err != nil {
			return ctx.Err()
		}
		n, err := a.batch(ctx, r, p, at, files, report)
		if err != nil {
			return err
		}
		at += n
	}
	return nil
}

// limit tells which limit is reached; "" for none.
func (a *Archive) limit(lim Limits, r *Report) string {
	switch {
	case lim.MostFrames > 0 && r.Counts.Done >= lim.MostFrames:
		return fmt.Sprintf("%d products were made, as many as allowed; run again to go on", r.Counts.Done)
	case lim.MostBytes > 0 && r.Bytes >= lim.MostBytes:
		return fmt.Sprintf("%.2f GiB were written, as many as allowed; run again to go on", float64(r.Bytes)/(1<<30))
	}
	if err := a.checkRoom(lim.MinFreeGiB); err != nil {
		return err.Error()
	}
	return ""
}

// batch makes some products with the turn in hand, and returns how many items
// of the plan they are.
func (a *Archive) batch(ctx context.Context, r *run, p *Plan, at, files int, report *Report) (n int, err error) {
	if r.turn, err = a.led.TakeTurn(ctx, who("reprocess"), forever); err != nil {
		return 0, err
	}
	r.open = a.newOpener()
	n, err = a.batchInTurn(ctx, r, p, at, files, report)
	r.open.close()
	if err := errors.Join(err, r.turn.End()); err != nil {
		return n, err
	}
	select {
	case <-ctx.Done():
	case <-time.After(handover):
	}
	return n, nil
}

// forever is longer than anybody waits.
const forever = 100 * 365 * 24 * time.Hour

func (a *Archive) batchInTurn(ctx context.Context, r *run, p *Plan, at, files int, report *Report) (int, error) {
	if _, err := a.prepare(ctx); err != nil {
		return 0, err
	}
	tasks, n, err := a.tasks(ctx, p, at, files)
	if err != nil {
		return 0, err
	}
	return n, a.treatAll(ctx, r, tasks, report)
}
