package ledger

import (
	"context"
	"database/sql"
	"slices"
	"time"
)

// EachSeries calls f for the series that have frames which a filter chooses, in
// the order of [Ledger.EachFrame]. f may itself use the ledger.
func (l *Ledger) EachSeries(ctx context.Context, filter Filter, f func(Series) error) error {
	all, err := l.seriesWithFrames(ctx, filter)
	if err != nil {
		return l.explain(ctx, "list the series", err)
	}
	for _, s := range all {
		if err := f(s); err != nil {
			return l.explain(ctx, "go through the series", err)
		}
	}
	return nil
}

func (l *Ledger) seriesWithFrames(ctx context.Context, filter Filter) (with []Series, err error) {
	from, to, err := filter.span()
	if err != nil {
		return nil, err
	}
	return with, l.snapshot(ctx, func(tx *sql.Tx) error {
		all, err := seriesOf(ctx, tx, filter)
		if err != nil {
			return err
		}
		for _, s := range all {
			err := each(ctx, tx, func(scan) error {
				with = append(with, s.Series)
				return nil
			}, `SELECT key FROM part WHERE series = $1 AND begin_at >= $2 AND begin_at <= $3 LIMIT 1`, s.key, from, to)
			if err != nil {
				return err
			}
		}
		return nil
	})
}

// MetricPoint is one number about one product, as a control chart shows it.
type MetricPoint struct {
	Begin   time.Time // start of the exposure
	Frame   Hash      // content of the raw file
	Name    string    // of the raw file
	Product Hash      // identity of the product
	Value   float64   // a number
}

// MetricPoints returns values of one metric of the current products of one
// kind in one series, in the order of time: of the exposures at a time or
// later, the first n or else the last n. The zero time chooses all. Values that
// are not numbers are passed over. The time that it takes grows with n and with
// the number of frames without a value that lie between, and not with the
// ledger.
func (l *Ledger) MetricPoints(ctx context.Context, what, metric string, s Series, from time.Time, n int, first bool) ([]MetricPoint, error) {
	points, err := l.metricPoints(ctx, what, metric, s, from, n, first)
	if err != nil {
		return nil, l.explain(ctx, "read the metric "+metric, err)
	}
	if !first {
		slices.Reverse(points)
	}
	return points, nil
}

// Two queries, because the order cannot be an argument.
const (
	pointsQuery = `SELECT p.begin_at, f.sha256, f.name, r.id, m.value
		FROM part p JOIN frame f ON f.key = p.frame
		JOIN product r ON r.part = p.key AND r.what = $3 AND r.state = 'current'
		JOIN metric m ON m.product = r.key AND m.name = $4
		WHERE p.series = $1 AND p.begin_at >= $2 AND m.value IS NOT NULL `
	firstPointsQuery = pointsQuery + `ORDER BY p.begin_at, f.sha256, p.plane LIMIT $5`
	lastPointsQuery  = pointsQuery + `ORDER BY p.begin_at DESC, f.sha256 DESC, p.plane DESC LIMIT $5`
)

func (l *Ledger) metricPoints(ctx context.Context, what, metric string, s Series, from time.Time, n int, first bool) (points []MetricPoint, err error) {
	begin, _, err := (&Filter{From: from}).span()
	if err != nil {
		return nil, err
	}
	key, found, err := l.seriesKey(ctx, s)
	if err != nil || !found {
		return nil, err
	}
	query := lastPointsQuery
	if first {
		query = firstPointsQuery
	}
	return points, each(ctx, l.read, func(scan scan) error {
		var p MetricPoint
		var at int64
		var name []byte
		if err := scan(&at, &p.Frame, &name, &p.Product, &p.Value); err != nil {
			return err
		}
		p.Begin, p.Name = timeOf(at), string(name)
		points = append(points, p)
		return nil
	}, query, key, begin, what, metric, max(n, 0))
}

// seriesKey looks for a series and tells whether there is one.
func (l *Ledger) seriesKey(ctx context.Context, s Series) (key int64, found bool, err error) {
	err = each(ctx, l.read, func(scan scan) error {
		found = true
		return scan(&key)
	}, seriesKeyQuery, s.Instrument, s.Detector, s.Mode, s.Band, s.Kind)
	return key, found, err
}

// MetricNames returns the names of the metrics that the current product of one
// kind has whose exposure is the latest in a series, sorted.
func (l *Ledger) MetricNames(ctx context.Context, what string, s Series) ([]string, error) {
	names, err := l.metricNames(ctx, what, s)
	if err != nil {
		return nil, l.explain(ctx, "list the metrics", err)
	}
	return names, nil
}

func (l *Ledger) metricNames(ctx context.Context, what string, s Series) (names []string, err error) {
	key, found, err := l.seriesKey(ctx, s)
	if err != nil || !found {
		return nil, err
	}
	var product int64
	err = each(ctx, l.read, func(scan scan) error { return scan(&product) }, `SELECT r.key
		FROM part p JOIN product r ON r.part = p.key AND r.what = $2 AND r.state = 'current'
		WHERE p.series = $1 ORDER BY p.begin_at DESC LIMIT 1`, key, what)
	if err != nil || product == 0 {
		return nil, err
	}
	metrics, err := l.metrics(ctx, product)
	for _, m := range metrics {
		names = append(names, m.Name)
	}
	return names, err
}
