package ledger

import (
	"cmp"
	"context"
	"database/sql"
	"math"
	"slices"
	"time"
)

// Filter chooses parts of frames. Empty fields choose all.
type Filter struct {
	Instrument string
	Kind       string
	Detector   string
	Mode       string
	Band       string
	From       time.Time // exposures that began at this time or later
	To         time.Time // and before this one
}

func (f *Filter) fits(s series) bool {
	fits := func(want, is string) bool { return want == "" || want == is }
	return fits(f.Instrument, s.instrument) && fits(f.Kind, s.kind) && fits(f.Detector, s.detector) && fits(f.Mode, s.mode) && fits(f.Band, s.band)
}

// span is the time that a filter chooses, in nanoseconds, ends included.
func (f *Filter) span() (from, to int64, err error) {
	from, to = math.MinInt64, math.MaxInt64
	if !f.From.IsZero() {
		if from, err = nanos(f.From); err != nil {
			return from, to, err
		}
	}
	if !f.To.IsZero() {
		if to, err = nanos(f.To); err != nil {
			return from, to, err
		}
		to--
	}
	return from, to, nil
}

func (a series) compare(b series) int {
	return cmp.Or(cmp.Compare(a.instrument, b.instrument), cmp.Compare(a.detector, b.detector), cmp.Compare(a.mode, b.mode), cmp.Compare(a.band, b.band), cmp.Compare(a.kind, b.kind))
}

// FrameRow is a part of a frame with what was made of it.
type FrameRow struct {
	Part
	Frame   Hash   // content of the raw file
	Path    string // of the raw file
	Product Hash   // identity of the current product; zero: there is none
	Failed  Hash   // identity of what could last not be made; zero: nothing failed
	Failure string // why
}

// EachFrame calls f for the parts of frames that a filter chooses, with their
// current products of one kind, such as calibrated frames. They come sorted by
// instrument, detector, mode, band and kind, each by the bytes of the word,
// and then by time, content and plane: a planner that has the masters sorted
// likewise goes through both lists once. However many they are, only a few are
// in memory at a time. All are of one moment, whatever is recorded meanwhile;
// f may itself record. f must not keep the row, which is used again, but may
// copy it.
func (l *Ledger) EachFrame(ctx context.Context, what string, filter Filter, f func(*FrameRow) error) error {
	if err := l.eachFrame(ctx, what, filter, f); err != nil {
		return l.explain(ctx, "go through the frames", err)
	}
	return nil
}

func (l *Ledger) eachFrame(ctx context.Context, what string, filter Filter, f func(*FrameRow) error) error {
	from, to, err := filter.span()
	if err != nil {
		return err
	}
	return l.snapshot(ctx, func(tx *sql.Tx) error {
		return eachSeries(ctx, tx, filter, func(key int64, s series) error {
			row := FrameRow{Part: Part{Instrument: s.instrument, Detector: s.detector, Mode: s.mode, Band: s.band, Kind: s.kind}}
			return each(ctx, tx, func(scan scan) error {
				if err := row.scan(scan); err != nil {
					return err
				}
				return f(&row)
			}, `SELECT p.begin_at, p.temp_k, p.plane, f.sha256, f.path, r.id, p.failed_id, p.failure
				FROM part p JOIN frame f ON f.key = p.frame
				LEFT JOIN product r ON r.part = p.key AND r.what = $4 AND r.state = 'current'
				WHERE p.series = $1 AND p.begin_at >= $2 AND p.begin_at <= $3
				ORDER BY p.begin_at, f.sha256, p.plane`, key, from, to, what)
		})
	})
}

func (r *FrameRow) scan(scan scan) error {
	var begin int64
	var temp sql.NullFloat64
	var frame, path, product, failed sql.RawBytes
	if err := scan(&begin, &temp, &r.Plane, &frame, &path, &product, &failed, &r.Failure); err != nil {
		return err
	}
	r.Begin, r.TempK, r.Path = timeOf(begin), numberOf(temp), string(path)
	for _, h := range []struct {
		to   *Hash
		from []byte
	}{{&r.Frame, frame}, {&r.Product, product}, {&r.Failed, failed}} {
		*h.to = Hash{}
		copy(h.to[:], h.from)
	}
	return nil
}

// snapshot reads several tables as they are at one moment.
func (l *Ledger) snapshot(ctx context.Context, f func(*sql.Tx) error) error {
	tx, err := l.read.BeginTx(ctx, l.base.snapshotOptions())
	if err != nil {
		return err
	}
	defer tx.Rollback() // nothing was written
	return f(tx)
}

// eachSeries calls f for the series that a filter chooses, in order.
func eachSeries(ctx context.Context, tx *sql.Tx, filter Filter, f func(int64, series) error) error {
	type keyed struct {
		key int64
		series
	}
	var all []keyed
	err := each(ctx, tx, func(scan scan) error {
		var k keyed
		if err := scan(&k.key, &k.instrument, &k.detector, &k.mode, &k.band, &k.kind); err != nil {
			return err
		}
		if filter.fits(k.series) {
			all = append(all, k)
		}
		return nil
	}, `SELECT key, instrument, detector, mode, band, kind FROM series`)
	if err != nil {
		return err
	}
	slices.SortFunc(all, func(a, b keyed) int { return a.series.compare(b.series) })
	for _, k := range all {
		if err := f(k.key, k.series); err != nil {
			return err
		}
	}
	return nil
}

// MetricRow is one number about one product.
type MetricRow struct {
	Part
	Frame   Hash // content of the raw file
	Product Hash // identity of the product
	Value   float64
}

// EachMetric calls f for the values of one metric of the current products of
// the parts that a filter chooses, in the order of [Ledger.EachFrame]: what
// control charts are made of. f must not keep the row.
func (l *Ledger) EachMetric(ctx context.Context, what, name string, filter Filter, f func(*MetricRow) error) error {
	if err := l.eachMetric(ctx, what, name, filter, f); err != nil {
		return l.explain(ctx, "go through the metric "+name, err)
	}
	return nil
}

func (l *Ledger) eachMetric(ctx context.Context, what, name string, filter Filter, f func(*MetricRow) error) error {
	from, to, err := filter.span()
	if err != nil {
		return err
	}
	return l.snapshot(ctx, func(tx *sql.Tx) error {
		return eachSeries(ctx, tx, filter, func(key int64, s series) error {
			row := MetricRow{Part: Part{Instrument: s.instrument, Detector: s.detector, Mode: s.mode, Band: s.band, Kind: s.kind}}
			return each(ctx, tx, func(scan scan) error {
				var begin int64
				var temp, value sql.NullFloat64
				if err := scan(&begin, &temp, &row.Plane, &row.Frame, &row.Product, &value); err != nil {
					return err
				}
				row.Begin, row.TempK, row.Value = timeOf(begin), numberOf(temp), numberOf(value)
				return f(&row)
			}, `SELECT p.begin_at, p.temp_k, p.plane, f.sha256, r.id, m.value
				FROM part p JOIN frame f ON f.key = p.frame
				JOIN product r ON r.part = p.key AND r.what = $4 AND r.state = 'current'
				JOIN metric m ON m.product = r.key AND m.name = $5
				WHERE p.series = $1 AND p.begin_at >= $2 AND p.begin_at <= $3
				ORDER BY p.begin_at, f.sha256, p.plane`, key, from, to, what, name)
		})
	})
}
