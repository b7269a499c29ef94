package ledger

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
)

// attempts is how often a transaction is tried that a server broke off because
// it and another waited for each other.
const attempts = 5

// change is a transaction that writes.
type change struct {
	tx       *sql.Tx
	prepared map[string]*sql.Stmt // nil: the statement was used once so far

	// Keys that this transaction has looked up.
	series  map[Series]int64
	recipes map[Hash]int64
	sets    map[Hash]int64
}

// change makes all of f's changes, or none. It may call f more than once.
func (l *Ledger) change(ctx context.Context, doing string, f func(*change) error) error {
	for attempt := 1; ; attempt++ {
		err := l.once(ctx, f)
		if err == nil {
			return nil
		}
		meaning, again := l.base.explain(ctx, err)
		if !again || attempt == attempts {
			return fmt.Errorf("ledger %s: %s: %w", l.name, doing, meaning)
		}
	}
}

// changeMany makes changes for each of n things, all of them or none.
func (l *Ledger) changeMany(ctx context.Context, doing string, n int, f func(c *change, i int) error) error {
	if n == 0 {
		return nil
	}
	return l.change(ctx, doing, func(c *change) error {
		if n > 1 {
			if err := l.base.beginBatch(ctx, c.tx); err != nil {
				return err
			}
		}
		for i := range n {
			if err := f(c, i); err != nil {
				return err
			}
		}
		return nil
	})
}

func (l *Ledger) once(ctx context.Context, f func(*change) error) error {
	tx, err := l.write.BeginTx(ctx, nil)
	if err != nil {
		return err
	}
	defer tx.Rollback() // of no effect after Commit
	c := &change{tx, map[string]*sql.Stmt{}, map[Series]int64{}, map[Hash]int64{}, map[Hash]int64{}}
	if err := f(c); err != nil {
		return err
	}
	return tx.Commit()
}

// statement prepares a query from its second use on, which is what makes
// batches fast and costs single changes nothing. It returns nil at the first.
func (c *change) statement(ctx context.Context, query string) (*sql.Stmt, error) {
	s, used := c.prepared[query]
	if !used || s != nil {
		c.prepared[query] = s
		return s, nil
	}
	s, err := c.tx.PrepareContext(ctx, query)
	if err == nil {
		c.prepared[query] = s
	}
	return s, err
}

// exec changes rows and returns how many.
func (c *change) exec(ctx context.Context, query string, args ...any) (int64, error) {
	s, err := c.statement(ctx, query)
	if err != nil {
		return 0, err
	}
	var res sql.Result
	if s == nil {
		res, err = c.tx.ExecContext(ctx, query, args...)
	} else {
		res, err = s.ExecContext(ctx, args...)
	}
	if err != nil {
		return 0, err
	}
	return res.RowsAffected()
}

// number runs a query that returns one whole number, such as a key. It returns
// false where there is no row.
func (c *change) number(ctx context.Context, query string, args ...any) (int64, bool, error) {
	s, err := c.statement(ctx, query)
	if err != nil {
		return 0, false, err
	}
	var row *sql.Row
	if s == nil {
		row = c.tx.QueryRowContext(ctx, query, args...)
	} else {
		row = s.QueryRowContext(ctx, args...)
	}
	var n int64
	err = row.Scan(&n)
	if errors.Is(err, sql.ErrNoRows) {
		return 0, false, nil
	}
	return n, err == nil, err
}

// key runs a query that returns the key of the row it wrote.
func (c *change) key(ctx context.Context, query string, args ...any) (int64, error) {
	key, found, err := c.number(ctx, query, args...)
	if err == nil && !found {
		err = errors.New("the database wrote no row")
	}
	return key, err
}

// scan reads the columns of a row.
type scan func(columns ...any) error

// querier is a pool of connections or a transaction.
type querier interface {
	QueryContext(ctx context.Context, query string, args ...any) (*sql.Rows, error)
}

// each calls f for each row of a query.
func each(ctx context.Context, q querier, f func(scan) error, query string, args ...any) error {
	rows, err := q.QueryContext(ctx, query, args...)
	if err != nil {
		return err
	}
	defer rows.Close()
	for rows.Next() {
		if err := f(rows.Scan); err != nil {
			return err
		}
	}
	return rows.Err()
}
