package ledger

import (
	"bytes"
	"cmp"
	"context"
	"database/sql"
	"fmt"
	"slices"
	"time"
)

// Master is a master frame, with all that the choice of masters looks at.
type Master struct {
	SHA256     Hash
	ID         Hash // of everything that made it (ProductID); zero: not known
	Kind       string
	Instrument string
	Detector   string
	Mode       string
	Band       string
	Begin, End time.Time // of the first and the last exposure
	TempMinK   float64   // of the exposures; NaN: not known
	TempMaxK   float64
	Frames     int // that went in
	Path       string
	State      State
}

// AddMasters records masters, all of them or none. One that is current takes
// the place of others at its path, which are replaced.
func (l *Ledger) AddMasters(ctx context.Context, masters []Master) error {
	return l.changeMany(ctx, "record masters", len(masters), func(c *change, i int) error { return c.addMaster(ctx, &masters[i]) })
}

func (c *change) addMaster(ctx context.Context, m *Master) error {
	if err := c.writeMaster(ctx, m, m.State.orCurrent()); err != nil {
		return fmt.Errorf("master %s: %w", m.Path, err)
	}
	return nil
}

func (c *change) writeMaster(ctx context.Context, m *Master, state State) error {
	if err := needHash("the master", m.SHA256); err != nil {
		return err
	}
	if err := state.check(); err != nil {
		return err
	}
	if err := checkText(m.Kind, m.Instrument, m.Detector, m.Mode, m.Band); err != nil {
		return err
	}
	begin, err := nanos(m.Begin)
	if err != nil {
		return err
	}
	end, err := nanos(m.End)
	if err != nil {
		return err
	}
	if state == Current {
		if _, err := c.exec(ctx, `UPDATE master SET state = 'replaced' WHERE path = $1 AND state <> 'replaced' AND sha256 <> $2`, []byte(m.Path), m.SHA256[:]); err != nil {
			return err
		}
	}
	_, err = c.exec(ctx, `INSERT INTO master (sha256, id, kind, instrument, detector, mode, band, begin_at, end_at, temp_min_k, temp_max_k, frames, path, state)
		VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13, $14)
		ON CONFLICT (sha256) DO UPDATE SET id = excluded.id, kind = excluded.kind, instrument = excluded.instrument, detector = excluded.detector,
			mode = excluded.mode, band = excluded.band, begin_at = excluded.begin_at, end_at = excluded.end_at,
			temp_min_k = excluded.temp_min_k, temp_max_k = excluded.temp_max_k, frames = excluded.frames, path = excluded.path, state = excluded.state`,
		m.SHA256[:], optionalHash(m.ID), m.Kind, m.Instrument, m.Detector, m.Mode, m.Band, begin, end,
		optionalNumber(m.TempMinK), optionalNumber(m.TempMaxK), m.Frames, []byte(m.Path), string(state))
	return err
}

// Masters returns the masters of an instrument that are in a state, sorted by
// kind, detector, mode, band, time and content.
func (l *Ledger) Masters(ctx context.Context, instrument string, state State) ([]Master, error) {
	var masters []Master
	err := each(ctx, l.read, func(scan scan) error {
		m := Master{Instrument: instrument, State: state}
		var begin, end int64
		var low, high sql.NullFloat64
		var path []byte
		if err := scan(&m.SHA256, &m.ID, &m.Kind, &m.Detector, &m.Mode, &m.Band, &begin, &end, &low, &high, &m.Frames, &path); err != nil {
			return err
		}
		m.Begin, m.End, m.TempMinK, m.TempMaxK, m.Path = timeOf(begin), timeOf(end), numberOf(low), numberOf(high), string(path)
		masters = append(masters, m)
		return nil
	}, `SELECT sha256, id, kind, detector, mode, band, begin_at, end_at, temp_min_k, temp_max_k, frames, path
		FROM master WHERE instrument = $1 AND state = $2`, instrument, string(state))
	if err != nil {
		return nil, l.explain(ctx, "list the masters", err)
	}
	slices.SortFunc(masters, Master.compare)
	return masters, nil
}

// compare orders by the bytes of the texts, which the database would not do
// alike everywhere.
func (a Master) compare(b Master) int {
	return cmp.Or(cmp.Compare(a.Kind, b.Kind), cmp.Compare(a.Detector, b.Detector), cmp.Compare(a.Mode, b.Mode), cmp.Compare(a.Band, b.Band),
		a.Begin.Compare(b.Begin), bytes.Compare(a.SHA256[:], b.SHA256[:]))
}

// SetMasterState says what became of a master. It wraps [ErrUnknown] if there
// is none of that content.
func (l *Ledger) SetMasterState(ctx context.Context, sha Hash, state State) error {
	return l.change(ctx, "set the state of a master", func(c *change) error {
		return c.setState(ctx, `UPDATE master SET state = $2 WHERE sha256 = $1`, "master", sha, state)
	})
}

func (c *change) setState(ctx context.Context, query, what string, id Hash, state State) error {
	if err := state.check(); err != nil {
		return err
	}
	n, err := c.exec(ctx, query, id[:], string(state))
	if err == nil && n == 0 {
		err = fmt.Errorf("%s %v: %w", what, id, ErrUnknown)
	}
	return err
}
