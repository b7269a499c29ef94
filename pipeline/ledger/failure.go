package ledger

import (
	"cmp"
	"context"
	"database/sql"
	"errors"
	"fmt"
	"slices"
	"strings"
)

// Failure is an attempt that failed, on a part of a frame or on the file as a
// whole.
type Failure struct {
	Wanted   Hash   // identity of what was to be made, so that it is not tried again in vain
	Frame    Hash   // of the raw file
	Detector string // empty: the file as a whole
	Plane    int
	Message  string // why
}

func (f *Failure) whole() bool { return f.Detector == "" }

func (c *change) addFailure(ctx context.Context, f *Failure) error {
	if err := errors.Join(needHash("what was to be made", f.Wanted), checkText(f.Message)); err != nil {
		return err
	}
	if f.Message == "" {
		return errors.New("a failure needs a message: say why")
	}
	if !f.whole() {
		part, err := c.partKey(ctx, f.Frame, f.Detector, f.Plane)
		if err != nil {
			return err
		}
		_, err = c.exec(ctx, `UPDATE part SET failed_id = $2, failure = $3 WHERE key = $1`, part, f.Wanted[:], f.Message)
		return err
	}
	n, err := c.exec(ctx, `UPDATE frame SET failed_id = $2, failure = $3 WHERE sha256 = $1`, f.Frame[:], f.Wanted[:], f.Message)
	if err == nil && n == 0 {
		err = fmt.Errorf("%w: record the frame first", ErrUnknown)
	}
	return err
}

// ClearFailure forgets the failure of a part of a frame, or of the file as a
// whole if the detector is empty. Without such a failure it does nothing.
func (l *Ledger) ClearFailure(ctx context.Context, frame Hash, detector string, plane int) error {
	return l.change(ctx, "clear a failure", func(c *change) error {
		if detector == "" {
			return c.clearWhole(ctx, frame)
		}
		part, err := c.partKey(ctx, frame, detector, plane)
		if errors.Is(err, ErrUnknown) {
			return nil
		}
		if err != nil {
			return err
		}
		return c.clearPart(ctx, part)
	})
}

// The conditions below are not those of the indexes of failures, all of which
// PostgreSQL could else search.

func (c *change) clearWhole(ctx context.Context, frame Hash) error {
	_, err := c.exec(ctx, `UPDATE frame SET failed_id = NULL, failure = '' WHERE sha256 = $1 AND length(failure) > 0`, frame[:])
	return err
}

func (c *change) clearPart(ctx context.Context, part int64) error {
	_, err := c.exec(ctx, `UPDATE part SET failed_id = NULL, failure = '' WHERE key = $1 AND length(failure) > 0`, part)
	return err
}

// FailureRow is a failure with the file that it befell.
type FailureRow struct {
	Failure
	Path, Name string // of the raw file
	Instrument string // empty for a file as a whole that told none
}

func (a *FailureRow) compare(b *FailureRow) int {
	return cmp.Or(strings.Compare(a.Path, b.Path), strings.Compare(a.Detector, b.Detector), cmp.Compare(a.Plane, b.Plane), slices.Compare(a.Frame[:], b.Frame[:]))
}

// EachFailure calls f for the failures that hold, of files as a whole and of
// parts, sorted by path, detector and plane. How many frames there are without
// failure makes no difference to the time. f may itself use the ledger.
func (l *Ledger) EachFailure(ctx context.Context, f func(*FailureRow) error) error {
	all, err := l.failures(ctx)
	if err != nil {
		return l.explain(ctx, "list the failures", err)
	}
	slices.SortFunc(all, (*FailureRow).compare)
	for _, r := range all {
		if err := f(r); err != nil {
			return l.explain(ctx, "go through the failures", err)
		}
	}
	return nil
}

func (l *Ledger) failures(ctx context.Context) (all []*FailureRow, err error) {
	add := func(scan scan) error {
		r := &FailureRow{}
		var path, name []byte
		if err := scan(&r.Wanted, &r.Frame, &r.Detector, &r.Plane, &r.Message, &path, &name, &r.Instrument); err != nil {
			return err
		}
		r.Path, r.Name = string(path), string(name)
		all = append(all, r)
		return nil
	}
	return all, l.snapshot(ctx, func(tx *sql.Tx) error {
		if err := each(ctx, tx, add, `SELECT f.failed_id, f.sha256, '', 0, f.failure, f.path, f.name,
			coalesce((SELECT s.instrument FROM part p JOIN series s ON s.key = p.series WHERE p.frame = f.key ORDER BY p.key LIMIT 1), '')
			FROM frame f WHERE f.failure <> ''`); err != nil {
			return err
		}
		return each(ctx, tx, add, `SELECT p.failed_id, f.sha256, p.detector, p.plane, p.failure, f.path, f.name, s.instrument
			FROM part p JOIN frame f ON f.key = p.frame JOIN series s ON s.key = p.series WHERE p.failure <> ''`)
	})
}

// HasFailure tells whether a frame, or a part of it, has a failure.
func (l *Ledger) HasFailure(ctx context.Context, frame Hash) (bool, error) {
	n := 0
	err := each(ctx, l.read, func(scan scan) error { return scan(&n) },
		`SELECT (SELECT count(*) FROM frame WHERE sha256 = $1 AND failed_id IS NOT NULL)
			+ (SELECT count(*) FROM part p JOIN frame f ON f.key = p.frame WHERE f.sha256 = $2 AND p.failed_id IS NOT NULL)`, frame[:], frame[:])
	if err != nil {
		return false, l.explain(ctx, "look for a failure", err)
	}
	return n > 0, nil
}

// CountFailures returns the number of frames that have a failure, as a whole
// or in a part.
func (l *Ledger) CountFailures(ctx context.Context) (int, error) {
	n := 0
	err := each(ctx, l.read, func(scan scan) error { return scan(&n) }, failedFramesQuery)
	if err != nil {
		return 0, l.explain(ctx, "count the failures", err)
	}
	return n, nil
}

const failedFramesQuery = `SELECT count(*) FROM (SELECT key FROM frame WHERE failure <> '' UNION SELECT frame FROM part WHERE failure <> '') AS failed`
