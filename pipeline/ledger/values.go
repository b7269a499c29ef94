package ledger

import (
	"cmp"
	"database/sql"
	"fmt"
	"math"
	"strings"
	"time"
	"unicode/utf8"
)

// The first and the last whole year whose times fit into nanoseconds.
const firstYear, lastYear = 1678, 2261

// nanos is a time that has to be there.
func nanos(t time.Time) (int64, error) {
	if y := t.UTC().Year(); y < firstYear || y > lastYear {
		return 0, fmt.Errorf("%w: the time %s lies outside of the years %d to %d that a ledger can hold: check the time keyword of the file and keywords.time in the profile", ErrUnfit, t.UTC().Format(time.RFC3339), firstYear, lastYear)
	}
	return t.UnixNano(), nil
}

// optionalNanos is NULL for the zero time.
func optionalNanos(t time.Time) (sql.NullInt64, error) {
	if t.IsZero() {
		return sql.NullInt64{}, nil
	}
	n, err := nanos(t)
	return sql.NullInt64{Int64: n, Valid: true}, err
}

func timeOf(nanos int64) time.Time { return time.Unix(0, nanos).UTC() }

func optionalTime(n sql.NullInt64) time.Time {
	if !n.Valid {
		return time.Time{}
	}
	return timeOf(n.Int64)
}

// optionalNumber is NULL for NaN, which SQLite does not keep.
func optionalNumber(v float64) sql.NullFloat64 {
	return sql.NullFloat64{Float64: v, Valid: !math.IsNaN(v)}
}

func numberOf(v sql.NullFloat64) float64 {
	if !v.Valid {
		return math.NaN()
	}
	return v.Float64
}

// optionalHash is NULL for the zero hash.
func optionalHash(h Hash) []byte {
	if h.IsZero() {
		return nil
	}
	return h[:]
}

// needHash refuses the zero hash.
func needHash(what string, h Hash) error {
	if h.IsZero() {
		return fmt.Errorf("%s has no SHA-256: calculate it before recording", what)
	}
	return nil
}

// checkText refuses what PostgreSQL would not store as text, so that a ledger
// takes the same on either database.
func checkText(texts ...string) error {
	for _, s := range texts {
		if !utf8.ValidString(s) || strings.ContainsRune(s, 0) {
			return fmt.Errorf("%w: %q is not text in UTF-8 without zero bytes: check the header and the profile that it comes from", ErrUnfit, s)
		}
	}
	return nil
}

// State tells what became of a file that the pipeline made.
type State string

// States of products and masters. The empty state stands for Current where a
// file is recorded.
const (
	Current    State = "current"
	Superseded State = "superseded" // another has taken its place, and it is kept under the path in its record
	Replaced   State = "replaced"   // another has taken its place, and the file is gone
	Missing    State = "missing"    // it should be there and is not
)

func (s State) orCurrent() State { return cmp.Or(s, Current) }

func (s State) check() error {
	switch s {
	case Current, Superseded, Replaced, Missing:
		return nil
	}
	return fmt.Errorf("%q is no state: the states are %s, %s, %s and %s", string(s), Current, Superseded, Replaced, Missing)
}
