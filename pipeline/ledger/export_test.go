package ledger

import (
	"context"
	"database/sql"
	"fmt"
	"strings"
)

// MigrateWith brings the tables up to date with more steps than there are.
func (l *Ledger) MigrateWith(ctx context.Context, more ...string) error {
	steps, err := migrations()
	if err != nil {
		return err
	}
	return l.migrate(ctx, append(steps, more...))
}

// Version is that of the tables.
func (l *Ledger) Version(ctx context.Context) (int, error) { return l.version(ctx, l.read) }

// Writer is the connection that writes.
func (l *Ledger) Writer() *sql.DB { return l.write }

// Tables are the names of all tables with content.
func Tables() []string { return append(append([]string{}, filesTables...), workTables...) }

// Dump writes out all rows, sorted.
func (l *Ledger) Dump(ctx context.Context) (string, error) {
	var b strings.Builder
	for _, t := range Tables() {
		rows, err := l.read.QueryContext(ctx, `SELECT * FROM `+t+` ORDER BY 1, 2`)
		if err != nil {
			return "", err
		}
		columns, err := rows.Columns()
		if err != nil {
			return "", err
		}
		for rows.Next() {
			values, into := make([]any, len(columns)), make([]any, len(columns))
			for i := range values {
				into[i] = &values[i]
			}
			if err := rows.Scan(into...); err != nil {
				return "", err
			}
			fmt.Fprintln(&b, t, values)
		}
		if err := rows.Err(); err != nil {
			return "", err
		}
	}
	return b.String(), nil
}

// TurnName is what others are told of who has the turn.
func TurnName(who string) string { return turnName(who) }

// WriterIn reads a line of /proc/locks.
func WriterIn(line string, inode uint64) (int, bool) { return writerIn(line, inode) }
