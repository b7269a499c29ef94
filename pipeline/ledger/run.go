package ledger

import (
	"context"
	"database/sql"
	"fmt"
	"time"
)

// Run is one run of the pipeline over a batch of files.
type Run struct {
	ID      int64     `json:"id"`
	What    string    `json:"what"`  // it did, such as intake
	Owner   string    `json:"owner"` // which program or process; empty: not known
	Host    string    `json:"host"`  // computer; empty: not known
	Started time.Time `json:"started"`
	Ended   time.Time `json:"ended,omitzero"` // zero: it goes on, or broke off
	Counts  Counts    `json:"counts"`
	Outcome string    `json:"outcome"` // in a word, such as done or failed
}

// Counts are the numbers of frames in a run.
type Counts struct {
	Found   int `json:"found"`
	Done    int `json:"done"`
	Skipped int `json:"skipped"`
	Failed  int `json:"failed"`
	Warned  int `json:"warned"`
}

// BeginRun records that a run began, and returns its number. What is known
// only at its end, and the number, are not looked at.
func (l *Ledger) BeginRun(ctx context.Context, r Run) (int64, error) {
	var id int64
	err := l.change(ctx, "record the beginning of a run", func(c *change) error {
		at, err := nanos(r.Started)
		if err != nil {
			return err
		}
		if err := checkText(r.What, r.Owner, r.Host); err != nil {
			return err
		}
		id, err = c.key(ctx, `INSERT INTO run (what, owner, host, started_at) VALUES ($1, $2, $3, $4) RETURNING key`, r.What, r.Owner, r.Host, at)
		return err
	})
	return id, err
}

// EndRun records how a run ended. It wraps [ErrUnknown] if there is no such
// run.
func (l *Ledger) EndRun(ctx context.Context, id int64, ended time.Time, counts Counts, outcome string) error {
	return l.change(ctx, "record the end of a run", func(c *change) error {
		at, err := nanos(ended)
		if err != nil {
			return err
		}
		if err := checkText(outcome); err != nil {
			return err
		}
		n, err := c.exec(ctx, `UPDATE run SET ended_at = $2, found = $3, done = $4, skipped = $5, failed = $6, warned = $7, outcome = $8 WHERE key = $1`,
			id, at, counts.Found, counts.Done, counts.Skipped, counts.Failed, counts.Warned, outcome)
		if err == nil && n == 0 {
			err = fmt.Errorf("run %d: %w", id, ErrUnknown)
		}
		return err
	})
}

// restoreRun records a run that was read back, under a new number, unless
// there is one of the same beginning, owner and work.
func (c *change) restoreRun(ctx context.Context, r *Run) error {
	started, err := nanos(r.Started)
	if err != nil {
		return err
	}
	ended, err := optionalNanos(r.Ended)
	if err != nil {
		return err
	}
	if err := checkText(r.What, r.Owner, r.Host, r.Outcome); err != nil {
		return err
	}
	_, known, err := c.number(ctx, `SELECT key FROM run WHERE started_at = $1 AND owner = $2 AND what = $3 LIMIT 1`, started, r.Owner, r.What)
	if err != nil || known {
		return err
	}
	_, err = c.exec(ctx, `INSERT INTO run (what, owner, host, started_at, ended_at, found, done, skipped, failed, warned, outcome)
		VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11)`,
		r.What, r.Owner, r.Host, started, ended, r.Counts.Found, r.Counts.Done, r.Counts.Skipped, r.Counts.Failed, r.Counts.Warned, r.Outcome)
	return err
}

// Runs returns the last runs, the latest first.
func (l *Ledger) Runs(ctx context.Context, most int) ([]Run, error) {
	var runs []Run
	err := l.runs(ctx, func(r Run) error {
		runs = append(runs, r)
		return nil
	}, `ORDER BY started_at DESC, key DESC LIMIT $1`, most)
	if err != nil {
		return nil, l.explain(ctx, "list the runs", err)
	}
	return runs, nil
}

// EndBroken gives the runs that did something and have no end, because their
// process was killed, an end at the time when they began, and an outcome. A run
// that goes on after all has its own end recorded by EndRun.
func (l *Ledger) EndBroken(ctx context.Context, what, outcome string) error {
	return l.change(ctx, "end runs that broke off", func(c *change) error {
		if err := checkText(what, outcome); err != nil {
			return err
		}
		_, err := c.exec(ctx, `UPDATE run SET ended_at = started_at, outcome = $2 WHERE what = $1 AND ended_at IS NULL`, what, outcome)
		return err
	})
}

// RunsBetween calls f for the runs that began at one time or later and before
// another, in the order in which they began. A zero time sets no bound.
func (l *Ledger) RunsBetween(ctx context.Context, from, to time.Time, f func(Run) error) error {
	first, last, err := (&Filter{From: from, To: to}).span()
	if err == nil {
		err = l.runs(ctx, f, `WHERE started_at >= $1 AND started_at <= $2 ORDER BY started_at, key`, first, last)
	}
	if err != nil {
		return l.explain(ctx, "go through the runs", err)
	}
	return nil
}

func (l *Ledger) runs(ctx context.Context, f func(Run) error, which string, args ...any) error {
	return each(ctx, l.read, func(scan scan) error {
		var r Run
		var started int64
		var ended sql.NullInt64
		c := &r.Counts
		if err := scan(&r.ID, &r.What, &r.Owner, &r.Host, &started, &ended, &c.Found, &c.Done, &c.Skipped, &c.Failed, &c.Warned, &r.Outcome); err != nil {
			return err
		}
		r.Started, r.Ended = timeOf(started), optionalTime(ended)
		return f(r)
	}, `SELECT key, what, owner, host, started_at, ended_at, found, done, skipped, failed, warned, outcome FROM run `+which, args...)
}

// CountsSince adds up the numbers of the runs that began at a time or later;
// those of runs that go on are not known yet. The zero time adds up all.
func (l *Ledger) CountsSince(ctx context.Context, t time.Time) (Counts, error) {
	var c Counts
	from, _, err := (&Filter{From: t}).span()
	if err == nil {
		err = each(ctx, l.read, func(scan scan) error { return scan(&c.Found, &c.Done, &c.Skipped, &c.Failed, &c.Warned) },
			`SELECT CAST(coalesce(sum(found), 0) AS BIGINT), CAST(coalesce(sum(done), 0) AS BIGINT), CAST(coalesce(sum(skipped), 0) AS BIGINT),
				CAST(coalesce(sum(failed), 0) AS BIGINT), CAST(coalesce(sum(warned), 0) AS BIGINT) FROM run WHERE started_at >= $1`, from)
	}
	if err != nil {
		return Counts{}, l.explain(ctx, "add up the runs", err)
	}
	return c, nil
}
