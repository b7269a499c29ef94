package ledger

import (
	"context"
	"database/sql"
	"fmt"
	"path/filepath"
	"time"
)

// Frame is a raw file. Its content is what it is known by: the same content at
// another place is the same frame, with the place where it was last seen.
type Frame struct {
	SHA256   Hash
	Path     string // as given; empty: not known, only what was made of it
	Name     string // file name; empty: that of Path
	Bytes    int64
	Modified time.Time // of the file; zero: not known
	Seen     time.Time // zero: not known
	Failure  string    // why the file as a whole could not be read; empty: it could
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

// series is what parts have in common that can share masters.
type series struct{ instrument, detector, mode, band, kind string }

func (p *Part) series() series {
	return series{p.Instrument, p.Detector, p.Mode, p.Band, p.Kind}
}

// AddFrames records raw files, all of them or none. A frame that is known
// already takes the new values; parts that it no longer has keep their record,
// because products may have been made of them.
func (l *Ledger) AddFrames(ctx context.Context, frames []Frame) error {
	return l.changeMany(ctx, "record frames", len(frames), func(c *change, i int) error { return c.addFrame(ctx, &frames[i]) })
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

func (c *change) writeFrame(ctx context.Context, f *Frame) error {
	if err := needHash("the frame", f.SHA256); err != nil {
		return err
	}
	if err := checkText(f.Failure); err != nil {
		return err
	}
	modified, err := optionalNanos(f.Modified)
	if err != nil {
		return err
	}
	seen, err := optionalNanos(f.Seen)
	if err != nil {
		return err
	}
	key, err := c.key(ctx, `INSERT INTO frame (sha256, name, path, bytes, modified_at, seen_at, failure) VALUES ($1, $2, $3, $4, $5, $6, $7)
		ON CONFLICT (sha256) DO UPDATE SET name = excluded.name, path = excluded.path, bytes = excluded.bytes,
			modified_at = excluded.modified_at, seen_at = excluded.seen_at, failure = excluded.failure
		RETURNING key`,
		f.SHA256[:], []byte(f.name()), []byte(f.Path), f.Bytes, modified, seen, f.Failure)
	if err != nil {
		return err
	}
	for i := range f.Parts {
		if err := c.writePart(ctx, key, &f.Parts[i]); err != nil {
			return err
		}
	}
	return nil
}

func (c *change) writePart(ctx context.Context, frame int64, p *Part) error {
	series, err := c.seriesKey(ctx, p.series())
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

func (c *change) seriesKey(ctx context.Context, s series) (int64, error) {
	if key, ok := c.series[s]; ok {
		return key, nil
	}
	if err := checkText(s.instrument, s.detector, s.mode, s.band, s.kind); err != nil {
		return 0, err
	}
	key, found, err := c.number(ctx, `SELECT key FROM series WHERE instrument = $1 AND detector = $2 AND mode = $3 AND band = $4 AND kind = $5`,
		s.instrument, s.detector, s.mode, s.band, s.kind)
	if err == nil && !found {
		// Another process may have written it in between.
		key, err = c.key(ctx, `INSERT INTO series (instrument, detector, mode, band, kind) VALUES ($1, $2, $3, $4, $5)
			ON CONFLICT (instrument, detector, mode, band, kind) DO UPDATE SET kind = excluded.kind RETURNING key`,
			s.instrument, s.detector, s.mode, s.band, s.kind)
	}
	if err == nil {
		c.series[s] = key
	}
	return key, err
}

const frameColumns = `SELECT key, sha256, name, path, bytes, modified_at, seen_at, failure FROM frame `

// Frame returns a raw file by its content. It wraps [ErrUnknown] if there is
// none.
func (l *Ledger) Frame(ctx context.Context, sha Hash) (Frame, error) {
	f, found, err := l.frame(ctx, frameColumns+`WHERE sha256 = $1`, sha[:])
	if err == nil && !found {
		err = fmt.Errorf("frame %v: %w", sha, ErrUnknown)
	}
	if err != nil {
		return Frame{}, l.explain(ctx, "look for a frame", err)
	}
	return f, nil
}

// FrameAt returns the raw file that was last seen at a path; false if there is
// none. A file whose size and time are still the same need not be read again.
func (l *Ledger) FrameAt(ctx context.Context, path string) (Frame, bool, error) {
	// Of several contents at one path only the last can still be there.
	f, found, err := l.frame(ctx, frameColumns+`WHERE path = $1 ORDER BY seen_at IS NULL, seen_at DESC, key DESC LIMIT 1`, []byte(path))
	if err != nil {
		return Frame{}, false, l.explain(ctx, "look for a frame", err)
	}
	return f, found, nil
}

func (l *Ledger) frame(ctx context.Context, query string, arg any) (f Frame, found bool, err error) {
	var key int64
	err = each(ctx, l.read, func(scan scan) error {
		var name, path []byte
		var modified, seen sql.NullInt64
		if err := scan(&key, &f.SHA256, &name, &path, &f.Bytes, &modified, &seen, &f.Failure); err != nil {
			return err
		}
		f.Name, f.Path, f.Modified, f.Seen, found = string(name), string(path), optionalTime(modified), optionalTime(seen), true
		return nil
	}, query, arg)
	if err != nil || !found {
		return f, found, err
	}
	f.Parts, err = l.parts(ctx, key)
	return f, true, err
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
