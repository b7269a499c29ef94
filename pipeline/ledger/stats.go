package ledger

import (
	"context"
	"database/sql"
)

// Stats says how much is in a ledger.
type Stats struct {
	Version    int            // of the tables
	Frames     int            // raw files
	Parts      map[string]int // of frames, by kind
	Products   int            // that are current
	Superseded int            // products that are kept although others have taken their place
	Missing    int            // products that should be there and are not
	Masters    int            // that are current
	Failures   int            // frames that have a failure
}

// Stats counts what is in the ledger, which takes about a second for a million
// frames.
func (l *Ledger) Stats(ctx context.Context) (Stats, error) {
	s := Stats{Parts: map[string]int{}}
	if err := l.snapshot(ctx, func(tx *sql.Tx) error { return l.count(ctx, tx, &s) }); err != nil {
		return Stats{}, l.explain(ctx, "count", err)
	}
	return s, nil
}

func (l *Ledger) count(ctx context.Context, tx *sql.Tx, s *Stats) (err error) {
	if s.Version, err = l.version(ctx, tx); err != nil {
		return err
	}
	for _, of := range []struct {
		number *int
		query  string
	}{
		{&s.Frames, `SELECT count(*) FROM frame`},
		{&s.Products, `SELECT count(*) FROM product WHERE state = 'current'`},
		{&s.Superseded, `SELECT count(*) FROM product WHERE state <> 'current' AND state = 'superseded'`},
		{&s.Missing, `SELECT count(*) FROM product WHERE state <> 'current' AND state = 'missing'`},
		{&s.Masters, `SELECT count(*) FROM master WHERE state = 'current'`},
		{&s.Failures, failedFramesQuery},
	} {
		if err := each(ctx, tx, func(scan scan) error { return scan(of.number) }, of.query); err != nil {
			return err
		}
	}
	return each(ctx, tx, func(scan scan) error {
		var kind string
		var n int
		if err := scan(&kind, &n); err != nil {
			return err
		}
		s.Parts[kind] += n
		return nil
	}, `SELECT s.kind, c.n FROM (SELECT series, count(*) AS n FROM part GROUP BY series) AS c JOIN series s ON s.key = c.series`)
}
