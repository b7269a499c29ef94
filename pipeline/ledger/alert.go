package ledger

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"time"
)

// Alert says that something is not as it should be.
type Alert struct {
	Rule    string    `json:"rule"`    // that was broken
	Subject string    `json:"subject"` // what broke it, such as a detector or a master
	Message string    `json:"message"` // for people; the latest
	First   time.Time `json:"first"`
	Last    time.Time `json:"last"`             // when it was last found so
	Told    time.Time `json:"told,omitzero"`    // when people were last told; zero: not yet
	Cleared time.Time `json:"cleared,omitzero"` // zero: it still holds
}

// RaiseAlert records that a rule is broken by a subject. It returns true if
// that is new, and false if the alert held already and was only renewed.
func (l *Ledger) RaiseAlert(ctx context.Context, rule, subject, message string, at time.Time) (bool, error) {
	isNew := false
	err := l.change(ctx, "raise an alert", func(c *change) error {
		when, err := nanos(at)
		if err != nil {
			return err
		}
		if err := checkText(rule, subject, message); err != nil {
			return err
		}
		n, err := c.exec(ctx, `INSERT INTO alert (rule, subject, message, first_at, last_at) VALUES ($1, $2, $3, $4, $4)
			ON CONFLICT (rule, subject) WHERE cleared_at IS NULL DO NOTHING`, rule, subject, message, when)
		isNew = n > 0
		if err != nil || isNew {
			return err
		}
		_, err = c.exec(ctx, `UPDATE alert SET message = $3, last_at = $4 WHERE rule = $1 AND subject = $2 AND cleared_at IS NULL`, rule, subject, message, when)
		return err
	})
	return isNew, err
}

// AlertTold records that people were told of an alert that holds. It wraps
// [ErrUnknown] if there is no such alert.
func (l *Ledger) AlertTold(ctx context.Context, rule, subject string, at time.Time) error {
	return l.change(ctx, "record that an alert was told", func(c *change) error {
		when, err := nanos(at)
		if err != nil {
			return err
		}
		n, err := c.exec(ctx, `UPDATE alert SET told_at = $3 WHERE rule = $1 AND subject = $2 AND cleared_at IS NULL`, rule, subject, when)
		if err == nil && n == 0 {
			err = fmt.Errorf("alert of rule %q and subject %q: %w", rule, subject, ErrUnknown)
		}
		return err
	})
}

// restoreAlert records an alert that was read back, unless there is one of the
// same rule, subject and beginning, or it holds and another of the same rule
// and subject does so too.
func (c *change) restoreAlert(ctx context.Context, a *Alert) error {
	first, err := nanos(a.First)
	if err != nil {
		return err
	}
	last, err := nanos(a.Last)
	if err != nil {
		return err
	}
	told, toldErr := optionalNanos(a.Told)
	cleared, clearedErr := optionalNanos(a.Cleared)
	if err := errors.Join(toldErr, clearedErr, checkText(a.Rule, a.Subject, a.Message)); err != nil {
		return err
	}
	_, known, err := c.number(ctx, `SELECT key FROM alert WHERE rule = $1 AND subject = $2 AND first_at = $3 LIMIT 1`, a.Rule, a.Subject, first)
	if err != nil || known {
		return err
	}
	_, err = c.exec(ctx, `INSERT INTO alert (rule, subject, message, first_at, last_at, told_at, cleared_at) VALUES ($1, $2, $3, $4, $5, $6, $7) ON CONFLICT DO NOTHING`,
		a.Rule, a.Subject, a.Message, first, last, told, cleared)
	return err
}

// ClearAlert records that all is well again. It returns false if there was no
// such alert.
func (l *Ledger) ClearAlert(ctx context.Context, rule, subject string, at time.Time) (bool, error) {
	cleared := false
	err := l.change(ctx, "clear an alert", func(c *change) error {
		when, err := nanos(at)
		if err != nil {
			return err
		}
		n, err := c.exec(ctx, `UPDATE alert SET cleared_at = $3 WHERE rule = $1 AND subject = $2 AND cleared_at IS NULL`, rule, subject, when)
		cleared = n > 0
		return err
	})
	return cleared, err
}

// Alerts returns the alerts in the order in which they were raised; those that
// were cleared only if asked for.
func (l *Ledger) Alerts(ctx context.Context, withCleared bool) ([]Alert, error) {
	query := `SELECT rule, subject, message, first_at, last_at, told_at, cleared_at FROM alert WHERE cleared_at IS NULL ORDER BY key`
	if withCleared {
		query = `SELECT rule, subject, message, first_at, last_at, told_at, cleared_at FROM alert ORDER BY key`
	}
	var alerts []Alert
	err := each(ctx, l.read, func(scan scan) error {
		var a Alert
		var first, last int64
		var told, cleared sql.NullInt64
		if err := scan(&a.Rule, &a.Subject, &a.Message, &first, &last, &told, &cleared); err != nil {
			return err
		}
		a.First, a.Last, a.Told, a.Cleared = timeOf(first), timeOf(last), optionalTime(told), optionalTime(cleared)
		alerts = append(alerts, a)
		return nil
	}, query)
	if err != nil {
		return nil, l.explain(ctx, "list the alerts", err)
	}
	return alerts, nil
}
