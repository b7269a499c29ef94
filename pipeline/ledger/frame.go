package ledger

import (
	"cmp"
	"context"
	"database/sql"
	"errors"
	"fmt"
	"path/filepath"
	"time"
)

// Frame is a raw file. Its content is what it is known by: the same content at
// another place is the same frame.
type Frame struct {
	SHA256   Hash
	Path     string // of the place that it is taken from, as given; empty: not known, only what was made of it
	Name     string // file name; empty: that of Path
	Bytes    int64
	Seen     time.Time // zero: not known
	Failure  string    // why the file as a whole could not be processed; empty: it could
	FailedAs Hash      // identity of the attempt that failed; zero: not known
	Parts    []Part
}

// Part is what one detector, or one plane of a cube, saw in a raw file.
type Part struct {
	Instrument string
	Detector   string
	Plane      int // of a cube, from 1; 0: the file is no cube
	Kind       string
	Mode       string
	Band       string
	Begin      time.Time // start of the exposure
	TempK      float64   // of the detector; NaN: not known
}

// Series is what parts have in common that can share masters.
type Series struct{ Instrument, Detector, Mode, Band, Kind string }

// Series is the one that the part belongs to.
func (p *Part) Series() Series {
	return Series{p.Instrument, p.Detector, p.Mode, p.Band, p.Kind}
}

// compare orders by the bytes of the words.
func (a Series) compare(b Series) int {
	return cmp.Or(cmp.Compare(a.Instrument, b.Instrument), cmp.Compare(a.Detector, b.Detector), cmp.Compare(a.Mode, b.Mode), cmp.Compare(a.Band, b.Band), cmp.Compare(a.Kind, b.Kind))
}

// AddFrames records raw files, all of them or none. A frame that is known
// already takes the new values; parts that it no longer has keep their record,
// because products may have been made of them.
func (l *Ledger) AddFrames(ctx context.Context, frames []Frame) error {
	return l.changeMany(ctx, "record frames", len(frames), func(c *change, i int) error { return c.addFrame(ctx, &frames[i]) })
}

// SetFramePath says that a frame is taken from another place from now on. It
// wraps [ErrUnknown] if there is no frame of that content.
func (l *Ledger) SetFramePath(ctx context.Context, sha Hash, path string) error {
	return l.change(ctx, "set the path of a frame", func(c *change) error {
		n, err := c.exec(ctx, `UPDATE frame SET path = $2 WHERE sha256 = $1`, sha[:], []byte(path))
		if err == nil && n == 0 {
			err = fmt.Errorf("frame %v: %w", sha, ErrUnknown)
		}
		return err
	})
}

// Arrivals tells for each instrument when a frame that was not known before
// was last seen.
func (l *Ledger) Arrivals(ctx context.Context) (map[string]time.Time, error) {
	arrivals := map[string]time.Time{}
	err := each(ctx, l.read, func(scan scan) error {
		var instrument string
		var seen int64
		if err := scan(&instrument, &seen); err != nil {
			return err
		}
		arrivals[instrument] = timeOf(seen)
		return nil
	}, `SELECT instrument, seen_at FROM arrival`)
	if err != nil {
		return nil, l.explain(ctx, "look for the last arrivals", err)
	}
	return arrivals, nil
}

func (c *change) addFrame(ctx context.Context, f *Frame) error {
	if err := c.writeFrame(ctx, f); err != nil {
		return fmt.Errorf("frame %s: %w", f.name(), err)
	}
	return nil
}

func (f *Frame) name() string {
	if f.Name != "" || f.Path == "" {
		return f.Name
	}
	return filepath.Base(f.Path)
}

func (f *Frame) check() error {
	if err := errors.Join(needHash("the frame", f.SHA256), checkText(f.Failure)); err != nil {
		return err
	}
	if f.Failure == "" && !f.FailedAs.IsZero() {
		return errors.New("it has the identity of a failed attempt but no failure: say why it failed")
	}
	return nil
}

func (c *change) writeFrame(ctx context.Context, f *Frame) error {
	if err := f.check(); err != nil {
		return err
	}
	seen, err := optionalNanos(f.Seen)
	if err != nil {
		return err
	}
	key, isNew, err := c.writeFile(ctx, f, seen)
	if err != nil {
		return err
	}
	for i := range f.Parts {
		if err := c.writePart(ctx, key, &f.Parts[i]); err != nil {
			return err
		}
	}
	if !isNew || !seen.Valid {
		return nil
	}
	return c.writeArrival(ctx, f.Parts, seen.Int64)
}

// writeFile writes the row of a raw file and tells whether there was none.
func (c *change) writeFile(ctx context.Context, f *Frame, seen sql.NullInt64) (key int64, isNew bool, err error) {
	row := []any{f.SHA256[:], []byte(f.name()), []byte(f.Path), f.Bytes, seen, optionalHash(f.FailedAs), f.Failure}
	key, isNew, err = c.number(ctx, `INSERT INTO frame (sha256, name, path, bytes, seen_at, failed_id, failure) VALUES ($1, $2, $3, $4, $5, $6, $7)
		ON CONFLICT (sha256) DO NOTHING RETURNING key`, row...)
	if err != nil || isNew {
		return key, isNew, err
	}
	key, err = c.key(ctx, `UPDATE frame SET name = $2, path = $3, bytes = $4, seen_at = $5, failed_id = $6, failure = $7 WHERE sha256 = $1 RETURNING key`, row...)
	return key, false, err
}

func (c *change) writePart(ctx context.Context, frame int64, p *Part) error {
	series, err := c.seriesKey(ctx, p.Series())
	if err != nil {
		return err
	}
	begin, err := nanos(p.Begin)
	if err != nil {
		return err
	}
	_, err = c.exec(ctx, `INSERT INTO part (frame, detector, plane, series, begin_at, temp_k) VALUES ($1, $2, $3, $4, $5, $6)
		ON CONFLICT (frame, detector, plane) DO UPDATE SET series = excluded.series, begin_at = excluded.begin_at, temp_k = excluded.temp_k`,
		frame, p.Detector, p.Plane, series, begin, optionalNumber(p.TempK))
	return err
}

// writeArrival never goes back, whatever the clocks do.
func (c *change) writeArrival(ctx context.Context, parts []Part, seen int64) error {
	for i := range parts {
		if i > 0 && parts[i].Instrument == parts[i-1].Instrument {
			continue
		}
		if _, err := c.exec(ctx, `INSERT INTO arrival (instrument, seen_at) VALUES ($1, $2)
			ON CONFLICT (instrument) DO UPDATE SET seen_at = excluded.seen_at WHERE arrival.seen_at < excluded.seen_at`, parts[i].Instrument, seen); err != nil {
			return err
		}
	}
	return nil
}

func (c *change) seriesKey(ctx context.Context, s Series) (int64, error) {
	if key, ok := c.series[s]; ok {
		return key, nil
	}
	if err := checkText(s.Instrument, s.Detector, s.Mode, s.Band, s.Kind); err != nil {
		return 0, err
	}
	key, found, err := c.number(ctx, seriesKeyQuery, s.Instrument, s.Detector, s.Mode, s.Band, s.Kind)
	if err == nil && !found {
		// Another process may have written it in between.
		key, err = c.key(ctx, `INSERT INTO series (instrument, detector, mode, band, kind) VALUES ($1, $2, $3, $4, $5)
			ON CONFLICT (instrument, detector, mode, band, kind) DO UPDATE SET kind = excluded.kind RETURNING key`,
			s.Instrument, s.Detector, s.Mode, s.Band, s.Kind)
	}
	if err == nil {
		c.series[s] = key
	}
	return key, err
}

const seriesKeyQuery = `SELECT key FROM series WHERE instrument = $1 AND detector = $2 AND mode = $3 AND band = $4 AND kind = $5`

// Frame returns a raw file by its content. It wraps [ErrUnknown] if there is
// none.
func (l *Ledger) Frame(ctx context.Context, sha Hash) (Frame, error) {
	f, err := l.frame(ctx, sha)
	if err != nil {
		return Frame{}, l.explain(ctx, "look for a frame", err)
	}
	return f, nil
}

func (l *Ledger) frame(ctx context.Context, sha Hash) (f Frame, err error) {
	var key int64
	err = each(ctx, l.read, func(scan scan) error {
		var name, path []byte
		var seen sql.NullInt64
		if err := scan(&key, &f.SHA256, &name, &path, &f.Bytes, &seen, &f.FailedAs, &f.Failure); err != nil {
			return err
		}
		f.Name, f.Path, f.Seen = string(name), string(path), optionalTime(seen)
		return nil
	}, `SELECT key, sha256, name, path, bytes, seen_at, failed_id, failure FROM frame WHERE sha256 = $1`, sha[:])
	if err == nil && key == 0 {
		err = fmt.Errorf("frame %v: %w", sha, ErrUnknown)
	}
	if err != nil {
		return f, err
	}
	f.Parts, err = l.parts(ctx, key)
	return f, err
}

func (l *Ledger) parts(ctx context.Context, frame int64) (parts []Part, err error) {
	err = each(ctx, l.read, func(scan scan) error {
		var p Part
		var begin int64
		var temp sql.NullFloat64
		if err := scan(&p.Instrument, &p.Detector, &p.Plane, &p.Kind, &p.Mode, &p.Band, &begin, &temp); err != nil {
			return err
		}
		p.Begin, p.TempK = timeOf(begin), numberOf(temp)
		parts = append(parts, p)
		return nil
	}, `SELECT s.instrument, s.detector, p.plane, s.kind, s.mode, s.band, p.begin_at, p.temp_k
		FROM part p JOIN series s ON s.key = p.series WHERE p.frame = $1 ORDER BY s.detector, p.plane`, frame)
	return parts, err
}
