package archive

import (
	"bufio"
	"context"
	"encoding/gob"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"iter"
	"os"
	"path/filepath"

	"go.uber.org/zap"

	"evenlight/configs"
	"evenlight/pipeline"
	"evenlight/pipeline/ledger"
)

// Rebuilt says what a ledger was rebuilt from.
type Rebuilt struct {
	Records  int      `json:"records"`
	Products int      `json:"products"`
	Earlier  int      `json:"earlier"`
	Masters  int      `json:"masters"`
	Runs     int      `json:"runs"`
	Alerts   int      `json:"alerts"`
	Skipped  []string `json:"skipped"` // files that could not be read, and why
}

// Rebuild makes the ledger anew from the headers of masters, products and their
// earlier versions, and from the journal. Each product is read whole and its
// checksums are verified; a damaged one is left out, so that it counts as not
// made. Raw files are looked at by the next pass, which finds the products that
// they have.
func (a *Archive) Rebuild(ctx context.Context) (*Rebuilt, error) {
	turn, err := a.led.TakeTurn(ctx, runRebuild, 0)
	if err != nil {
		return nil, err
	}
	defer turn.End()
	if err := a.notUnmounted(ctx); err != nil && !errors.Is(err, ErrLedgerLost) {
		return nil, err
	}
	if _, err := a.prepare(ctx); err != nil {
		return nil, err
	}
	run, err := a.beginRun(ctx, runRebuild, 0)
	if err != nil {
		return nil, err
	}
	r := &Rebuilt{Skipped: []string{}}
	n, err := a.rebuildFrom(ctx, r)
	if err != nil {
		return nil, err
	}
	r.Records = n
	a.masters = nil
	if _, err := a.prepare(ctx); err != nil {
		return nil, err
	}
	if err := a.endRun(ctx, run, newReport(runRebuild), nil); err != nil {
		return nil, err
	}
	a.opt.Log.Info(EventRebuilt, zap.Int("products", r.Products), zap.Int("masters", r.Masters), zap.Int("skipped", len(r.Skipped)))
	return r, nil
}

// rebuildFrom gathers what the files tell in a file of its own first, so that
// the ledger is not held up while all products are read.
func (a *Archive) rebuildFrom(ctx context.Context, r *Rebuilt) (int, error) {
	f, err := os.CreateTemp(a.cfg.Journal, ".rebuild-*")
	if err != nil {
		return 0, &pipeline.WriteError{Path: a.cfg.Journal, Err: err}
	}
	defer os.Remove(f.Name())
	defer f.Close()
	w := bufio.NewWriter(f)
	to := gob.NewEncoder(w)
	recipes := map[ledger.Hash]bool{} // each is written once: it is long
	for rec, err := range a.records(ctx, r) {
		if err != nil {
			return 0, err
		}
		a.beat()
		if rec.Recipe != nil {
			if h := rec.Recipe.Hash(); recipes[h] {
				rec.Recipe = nil
			} else {
				recipes[h] = true
			}
		}
		if err := to.Encode(rec); err != nil {
			return 0, &pipeline.WriteError{Path: f.Name(), Err: err}
		}
	}
	if err := w.Flush(); err != nil {
		return 0, &pipeline.WriteError{Path: f.Name(), Err: err}
	}
	if _, err := f.Seek(0, io.SeekStart); err != nil {
		return 0, err
	}
	return a.led.Rebuild(ctx, recordsIn(f))
}

// recordsIn reads back what was gathered.
func recordsIn(f io.Reader) iter.Seq2[ledger.Record, error] {
	return func(yield func(ledger.Record, error) bool) {
		from := gob.NewDecoder(bufio.NewReader(f))
		for {
			var rec ledger.Record
			err := from.Decode(&rec)
			if errors.Is(err, io.EOF) || !yield(rec, err) || err != nil {
				return
			}
		}
	}
}

// records reads the archive. Products come last, so that they are the current
// versions.
func (a *Archive) records(ctx context.Context, r *Rebuilt) iter.Seq2[ledger.Record, error] {
	return func(yield func(ledger.Record, error) bool) {
		ended := errors.New("no more is wanted")
		put := func(rec ledger.Record) error {
			if err := ctx.Err(); err != nil {
				return err
			}
			if !yield(rec, nil) {
				return ended
			}
			return nil
		}
		reader := pipeline.NewProductReader()
		for _, part := range []func() error{
			func() error { return a.masterRecords(r, put) },
			func() error { return a.journalRecords(r, put) },
			func() error {
				return a.productRecords(a.cfg.Earlier, ledger.Superseded, &r.Earlier, r, reader, put)
			},
			func() error {
				return a.productRecords(a.cfg.Products, ledger.Current, &r.Products, r, reader, put)
			},
		} {
			err := part()
			if errors.Is(err, ended) {
				return
			}
			if err != nil {
				yield(ledger.Record{}, err)
				return
			}
		}
	}
}

func (a *Archive) masterRecords(r *Rebuilt, put func(ledger.Record) error) error {
	files, err := masterFiles(a.cfg.Masters)
	if err != nil {
		return fmt.Errorf("masters: %w", err)
	}
	known := map[string]map[string]ledger.Place{}
	for _, f := range files {
		known[f.dir] = map[string]ledger.Place{} // nothing is known while the ledger is made anew
		m, err := pipeline.ReadMaster(f.path())
		if errors.Is(err, pipeline.ErrNotMaster) {
			continue
		}
		var place ledger.Place
		if err == nil {
			place, err = a.masterPlace(context.Background(), known, f)
		}
		if err != nil {
			a.skip(r, f.path(), err)
			continue
		}
		record := recordOf(m, place.SHA256)
		if err := put(ledger.Record{Master: &record}); err != nil {
			return err
		}
		r.Masters++
	}
	return nil
}

func (a *Archive) skip(r *Rebuilt, path string, err error) {
	r.Skipped = append(r.Skipped, fmt.Sprintf("%s: %v", path, err))
	a.opt.Log.Warn(EventRebuildSkipped, zap.String("path", path), zap.Error(err))
}

func (a *Archive) journalRecords(r *Rebuilt, put func(ledger.Record) error) error {
	type key struct {
		rule, subject string
		first         int64
	}
	alerts := map[key]*ledger.Alert{}
	var order []key
	err := a.eachJournalLine(func(l journalLine) error {
		if l.Alert != nil {
			k := key{l.Alert.Rule, l.Alert.Subject, l.Alert.First.UnixNano()}
			if alerts[k] == nil {
				order = append(order, k)
			}
			// The line that it ended may stand in the file of an earlier month,
			// where the clock was set back.
			if old := alerts[k]; old == nil || old.Cleared.IsZero() {
				alerts[k] = l.Alert
			}
		}
		if l.Run == nil {
			return nil
		}
		r.Runs++
		return put(ledger.Record{Run: l.Run})
	})
	if err != nil {
		return err
	}
	for _, k := range order {
		if err := put(ledger.Record{Alert: alerts[k]}); err != nil {
			return err
		}
		r.Alerts++
	}
	return nil
}

// productRecords reads the products below a folder.
func (a *Archive) productRecords(folder string, state ledger.State, count *int, r *Rebuilt, reader *pipeline.ProductReader, put func(ledger.Record) error) error {
	return filepath.WalkDir(folder, func(path string, e fs.DirEntry, err error) error {
		if err != nil || !e.Type().IsRegular() || !pipeline.IsFITSName(path) {
			return err
		}
		record, err := reader.Read(path)
		if errors.Is(err, pipeline.ErrNotProduct) {
			return nil // such as a cube
		}
		var rec ledger.Record
		if err == nil {
			rec, err = a.productRecord(record, path, state)
		}
		if err != nil {
			a.skip(r, path, err)
			return nil
		}
		*count++
		return put(rec)
	})
}

// productRecord is what the ledger is to know of a product that was read back.
func (a *Archive) productRecord(p *pipeline.ProductRecord, path string, state ledger.State) (ledger.Record, error) {
	o, recipe, err := outcomeOf(p, path)
	if err != nil {
		return ledger.Record{}, err
	}
	o.Product.State = state
	info, err := os.Lstat(path)
	if err != nil {
		return ledger.Record{}, err
	}
	o.Product.Made = info.ModTime()
	raw, err := ledger.ParseHash(p.RawSHA)
	if err != nil {
		return ledger.Record{}, err
	}
	n := p.Frame
	o.Frame = &ledger.Frame{SHA256: raw, Name: p.RawName, Seen: info.ModTime(), Parts: []ledger.Part{{Instrument: n.Instrument, Detector: n.Detector, Plane: p.Plane,
		Kind: configs.KindScene, Mode: n.Mode, Band: n.Band, Begin: n.Time, TempK: n.TempK}}}
	return ledger.Record{Recipe: recipe, Outcome: o}, nil
}
