package ledger

import (
	"context"
	"database/sql"
	"fmt"
	"time"
)

// Run is one run of the pipeline over a batch of files.
type Run struct {
	ID      int64
	Owner   string // which program or process; empty: not known
	Host    string // computer; empty: not known
	Started time.Time
	Ended   time.Time // zero: it goes on, or broke off
	Counts  Counts
	Outcome string // in a word, such as done or failed
}

// Counts are the numbers of frames in a run.
type Counts struct{ Found, Done, Skipped, Failed, Warned int }

// BeginRun records that a run began, and returns its number.
func (l *Ledger) BeginRun(ctx context.Context, owner, host string, started time.Time) (int64, error) {
	var id int64
	err := l.change(ctx, "record the beginning of a run", func(c *change) error {
		at, err := nanos(started)
		if err != nil {
			return err
		}
		if err := checkText(owner, host); err != nil {
			return err
		}
		id, err = c.key(ctx, `INSERT INTO run (owner, host, started_at) VALUES ($1, $2, $3) RETURNING key`, owner, host, at)
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

// Runs returns the last runs, the latest first.
func (l *Ledger) Runs(ctx context.Context, most int) ([]Run, error) {
	var runs []Run
	err := each(ctx, l.read, func(scan scan) error {
		var r Run
		var started int64
		var ended sql.NullInt64
		c := &r.Counts
		if err := scan(&r.ID, &r.Owner, &r.Host, &started, &ended, &c.Found, &c.Done, &c.Skipped, &c.Failed, &c.Warned, &r.Outcome); err != nil {
			return err
		}
		r.Started, r.Ended = timeOf(started), optionalTime(ended)
		runs = append(runs, r)
		return nil
	}, `SELECT key, owner, host, started_at, ended_at, found, done, skipped, failed, warned, outcome FROM run ORDER BY key DESC LIMIT $1`, most)
	if err != nil {
		return nil, l.explain(ctx, "list the runs", err)
	}
	return runs, nil
}
