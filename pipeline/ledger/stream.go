package ledger

import (
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

func (f *Filter) fits(s Series) bool {
	fits := func(want, is string) bool { return want == "" || want == is }
	return fits(f.Instrument, s.Instrument) && fits(f.Kind, s.Kind) && fits(f.Detector, s.Detector) && fits(f.Mode, s.Mode) && fits(f.Band, s.Band)
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

// part is one of the series.
func (s Series) part() Part {
	return Part{Instrument: s.Instrument, Detector: s.Detector, Mode: s.Mode, Band: s.Band, Kind: s.Kind}
}

// FrameRow is a part of a frame with what was made of it. All that is said of
// the product is empty where there is none.
type FrameRow struct {
	Part
	Frame   Hash      // content of the raw file
	Path    string    // of the raw file
	Seen    time.Time // when the raw file was seen first; zero: not known
	Failed  Hash      // identity of what could last not be made; zero: nothing failed
	Failure string    // why

	Product          Hash // identity of the current product; zero: there is none
	ProductPath      string
	ProductRecipe    Hash
	ProductAlgorithm string
	ProductInputs    int64 // the set of its inputs besides the raw file (Ledger.InputsOf)
	ProductBytes     int64
	ProductTook      time.Duration
}

// EachFrame calls f for the parts of frames that a filter chooses, with their
// current products of one kind, such as calibrated frames. They come sorted by
// instrument, detector, mode, band and kind, each by the bytes of the word,
// and then by time, content and plane: a planner that has the masters sorted
// likewise goes through both lists once. However many they are, only a few are
// in memory at a time. All are of one moment, whatever is recorded meanwhile;
// f may itself record and look up. f must not keep the row, which is used again, but may
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
		recipes, err := recipeHashes(ctx, tx)
		if err != nil {
			return err
		}
		all, err := seriesOf(ctx, tx, filter)
		if err != nil {
			return err
		}
		for _, s := range all {
			reader := frameReader{row: FrameRow{Part: s.part()}, recipes: recipes}
			err := each(ctx, tx, func(scan scan) error {
				if err := reader.read(scan); err != nil {
					return err
				}
				return f(&reader.row)
			}, `SELECT p.begin_at, p.temp_k, p.plane, f.sha256, f.path, f.seen_at, p.failed_id, p.failure,
				r.id, r.path, r.recipe, r.algorithm, r.input_set, r.bytes, r.took_ns
				FROM part p JOIN frame f ON f.key = p.frame
				LEFT JOIN product r ON r.part = p.key AND r.what = $4 AND r.state = 'current'
				WHERE p.series = $1 AND p.begin_at >= $2 AND p.begin_at <= $3
				ORDER BY p.begin_at, f.sha256, p.plane`, s.key, from, to, what)
			if err != nil {
				return err
			}
		}
		return nil
	})
}

// recipeHashes lists the recipes by key, which saves a look for each product.
func recipeHashes(ctx context.Context, q querier) (map[int64]Hash, error) {
	recipes := map[int64]Hash{}
	return recipes, each(ctx, q, func(scan scan) error {
		var key int64
		var hash Hash
		err := scan(&key, &hash)
		recipes[key] = hash
		return err
	}, `SELECT key, hash FROM recipe`)
}

// frameReader reads one row after the other into the same place.
type frameReader struct {
	row     FrameRow
	recipes map[int64]Hash

	// Columns, here so that they are not made anew for each row.
	begin                       int64
	temp                        sql.NullFloat64
	frame, path, failed         sql.RawBytes
	product, productPath        sql.RawBytes
	algorithm                   sql.RawBytes
	recipe, inputs, bytes, took sql.NullInt64
	seen                        sql.NullInt64
}

func (f *frameReader) read(scan scan) error {
	r := &f.row
	if err := scan(&f.begin, &f.temp, &r.Plane, &f.frame, &f.path, &f.seen, &f.failed, &r.Failure,
		&f.product, &f.productPath, &f.recipe, &f.algorithm, &f.inputs, &f.bytes, &f.took); err != nil {
		return err
	}
	r.Begin, r.TempK, r.Path, r.ProductPath = timeOf(f.begin), numberOf(f.temp), string(f.path), string(f.productPath)
	r.Seen = optionalTime(f.seen)
	r.ProductRecipe = f.recipes[f.recipe.Int64] // key 0 is none
	r.ProductInputs, r.ProductBytes, r.ProductTook = f.inputs.Int64, f.bytes.Int64, time.Duration(f.took.Int64)
	if r.ProductAlgorithm != string(f.algorithm) { // hardly ever
		r.ProductAlgorithm = string(f.algorithm)
	}
	for _, h := range []struct {
		to   *Hash
		from []byte
	}{{&r.Frame, f.frame}, {&r.Product, f.product}, {&r.Failed, f.failed}} {
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

// keyedSeries is a row of the series.
type keyedSeries struct {
	key int64
	Series
}

// seriesOf lists the series that a filter chooses by their words, in order.
func seriesOf(ctx context.Context, q querier, filter Filter) ([]keyedSeries, error) {
	var all []keyedSeries
	err := each(ctx, q, func(scan scan) error {
		var k keyedSeries
		if err := scan(&k.key, &k.Instrument, &k.Detector, &k.Mode, &k.Band, &k.Kind); err != nil {
			return err
		}
		if filter.fits(k.Series) {
			all = append(all, k)
		}
		return nil
	}, `SELECT key, instrument, detector, mode, band, kind FROM series`)
	slices.SortFunc(all, func(a, b keyedSeries) int { return a.Series.compare(b.Series) })
	return all, err
}
