package ledger

import (
	"bytes"
	"context"
	"database/sql"
	"errors"
	"fmt"
	"time"
)

// Place is where a file lies, a raw frame or a master, and what was last known
// of it. A file whose stamp is still the same need not be read again.
type Place struct {
	Folder, Name string    // bytes, as the file system has them
	Stamp        string    // of size, time and number of the file at the last look, in the caller's form
	SHA256       Hash      // of the content; zero: not read yet
	Since        time.Time // when this stamp was first seen; zero: not known
}

func (p *Place) check() error {
	if p.Folder == "" || p.Name == "" {
		return errors.New("a place needs a folder and a name")
	}
	return checkText(p.Stamp)
}

// PlacesIn returns the places in a folder, sorted by the bytes of their names.
// Folders inside of it have places of their own.
func (l *Ledger) PlacesIn(ctx context.Context, folder string) ([]Place, error) {
	return l.places(ctx, `WHERE folder = $1 ORDER BY name`, []byte(folder))
}

// PlacesOf returns the places at which a content lies, sorted by the bytes of
// folder and name.
func (l *Ledger) PlacesOf(ctx context.Context, sha Hash) ([]Place, error) {
	return l.places(ctx, `WHERE sha256 = $1 ORDER BY folder, name`, sha[:])
}

func (l *Ledger) places(ctx context.Context, which string, arg any) ([]Place, error) {
	var places []Place
	err := each(ctx, l.read, func(scan scan) error {
		var p Place
		var folder, name []byte
		var since sql.NullInt64
		if err := scan(&folder, &name, &p.Stamp, &p.SHA256, &since); err != nil {
			return err
		}
		p.Folder, p.Name, p.Since = string(folder), string(name), optionalTime(since)
		places = append(places, p)
		return nil
	}, `SELECT folder, name, stamp, sha256, since_at FROM place `+which, arg)
	if err != nil {
		return nil, l.explain(ctx, "list places", err)
	}
	return places, nil
}

// PlaceFolders returns the folders that have places, sorted by their bytes.
func (l *Ledger) PlaceFolders(ctx context.Context) ([]string, error) {
	var folders []string
	err := l.snapshot(ctx, func(tx *sql.Tx) error {
		// From one to the next: each may have a great many places.
		for last := []byte{}; ; {
			next := last
			err := each(ctx, tx, func(scan scan) error { return scan(&next) }, `SELECT folder FROM place WHERE folder > $1 ORDER BY folder LIMIT 1`, last)
			if err != nil || bytes.Equal(next, last) {
				return err
			}
			folders, last = append(folders, string(next)), next
		}
	})
	if err != nil {
		return nil, l.explain(ctx, "list the folders of places", err)
	}
	return folders, nil
}

// SetPlaces records places, or what is now known of them, all or none.
func (l *Ledger) SetPlaces(ctx context.Context, places ...Place) error {
	return l.changeMany(ctx, "record places", len(places), func(c *change, i int) error {
		p := &places[i]
		if err := c.setPlace(ctx, p); err != nil {
			return fmt.Errorf("file %q in folder %q: %w", p.Name, p.Folder, err)
		}
		return nil
	})
}

func (c *change) setPlace(ctx context.Context, p *Place) error {
	if err := p.check(); err != nil {
		return err
	}
	since, err := optionalNanos(p.Since)
	if err != nil {
		return err
	}
	_, err = c.exec(ctx, `INSERT INTO place (folder, name, stamp, sha256, since_at) VALUES ($1, $2, $3, $4, $5)
		ON CONFLICT (folder, name) DO UPDATE SET stamp = excluded.stamp, sha256 = excluded.sha256, since_at = excluded.since_at`,
		[]byte(p.Folder), []byte(p.Name), p.Stamp, optionalHash(p.SHA256), since)
	return err
}

// DropPlaces forgets files that are no longer in a folder, all or none. Names
// that have no place there do not count.
func (l *Ledger) DropPlaces(ctx context.Context, folder string, names ...string) error {
	return l.changeMany(ctx, "forget places", len(names), func(c *change, i int) error {
		_, err := c.exec(ctx, `DELETE FROM place WHERE folder = $1 AND name = $2`, []byte(folder), []byte(names[i]))
		return err
	})
}
