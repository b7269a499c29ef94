package ledger

import (
	"context"
	"database/sql"
	"embed"
	"errors"
	"fmt"
	"io/fs"
	"slices"
)

// The steps from one version of the tables to the next, in the order of their
// names. A step that was released is never changed; a change is a new step.
//
//go:embed migrations/*.sql
var migrationFiles embed.FS

// migrations returns the text of the steps; step i leads to version i+1.
func migrations() ([]string, error) {
	names, err := fs.Glob(migrationFiles, "migrations/*.sql")
	if err != nil {
		return nil, err
	}
	slices.Sort(names)
	steps := make([]string, len(names))
	for i, name := range names {
		text, err := migrationFiles.ReadFile(name)
		if err != nil {
			return nil, err
		}
		steps[i] = string(text)
	}
	return steps, nil
}

// migrate brings the tables up to the version that the steps lead to, in one
// transaction.
func (l *Ledger) migrate(ctx context.Context, steps []string) error {
	if v, err := l.version(ctx, l.read); err == nil && v == len(steps) {
		return nil // without waiting for those who write
	}
	return l.change(ctx, "bring the tables up to date", func(c *change) error {
		if err := l.base.beginMigration(ctx, c.tx); err != nil {
			return err
		}
		if _, err := c.exec(ctx, `CREATE TABLE IF NOT EXISTS ledger_version (version BIGINT NOT NULL)`); err != nil {
			return err
		}
		have, err := l.version(ctx, c.tx)
		if err != nil {
			return err
		}
		if have > len(steps) {
			return fmt.Errorf("%w: its tables are of version %d and this software knows up to %d: install the version of the software that wrote it, or rebuild the ledger under another name with this one", ErrNewer, have, len(steps))
		}
		return l.apply(ctx, c, steps, have)
	})
}

// version is that of the tables; 0 where there are none.
func (l *Ledger) version(ctx context.Context, q querier) (int, error) {
	version := 0
	err := each(ctx, q, func(scan scan) error { return scan(&version) }, `SELECT version FROM ledger_version`)
	return version, err
}

func (l *Ledger) apply(ctx context.Context, c *change, steps []string, have int) error {
	for i := have; i < len(steps); i++ {
		if _, err := c.tx.ExecContext(ctx, l.base.words().Replace(steps[i])); err != nil {
			return fmt.Errorf("step %d: %w", i+1, err)
		}
	}
	if have == len(steps) {
		return nil
	}
	n, err := c.exec(ctx, `UPDATE ledger_version SET version = $1`, len(steps))
	if err == nil && n == 0 {
		_, err = c.exec(ctx, `INSERT INTO ledger_version (version) VALUES ($1)`, len(steps))
	}
	return err
}

var errNotLedger = errors.New("the database holds other things and no ledger")

// tablesOf counts tables by a query.
func tablesOf(ctx context.Context, tx *sql.Tx, query string) (n int, err error) {
	err = tx.QueryRowContext(ctx, query).Scan(&n)
	return n, err
}
