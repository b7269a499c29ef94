package archive

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"go.uber.org/zap"

	"evenlight/fitsutil"
	"evenlight/pipeline"
	"evenlight/pipeline/ledger"
)

// masters are the master frames of an archive, whose contents the library knows.
type masters struct {
	lib   *pipeline.Library
	state string // of the folder: changes when a file in it does, and when something is decided

	places   []ledger.Place
	records  []ledger.Master
	recorded bool // the ledger knows of them
}

// masterFile is a file in the folder of masters.
type masterFile struct{ dir, name, stamp string }

func (f *masterFile) path() string { return filepath.Join(f.dir, f.name) }

// refreshMasters looks whether the folder of masters changed, and reads it anew
// if so. Only files that changed are read whole. It writes nothing.
func (a *Archive) refreshMasters(ctx context.Context) (changed bool, err error) {
	files, err := masterFiles(a.cfg.Masters)
	if err != nil && !errors.Is(err, fs.ErrNotExist) { // there may be none yet
		return false, fmt.Errorf("masters: %w", err)
	}
	var state strings.Builder
	for _, f := range files {
		fmt.Fprintf(&state, "%q %s\n", f.path(), f.stamp)
	}
	if info, err := os.Lstat(filepath.Join(a.cfg.Masters, pipeline.DecisionsFile)); err == nil {
		fmt.Fprintf(&state, "decisions %s\n", stampOf(info))
	}
	if a.masters != nil && a.masters.state == state.String() {
		return false, nil
	}
	decisions, err := pipeline.ReadDecisions(a.cfg.Masters)
	if err != nil {
		return false, fmt.Errorf("decisions about masters: %w", err)
	}
	decisions.ReportTorn(a.opt.Log, a.cfg.Masters)
	m := &masters{lib: &pipeline.Library{Dir: a.cfg.Masters, Decisions: decisions}, state: state.String()}
	known := map[string]map[string]ledger.Place{}
	for _, f := range files {
		a.beat()
		master, err := pipeline.ReadMaster(f.path())
		if errors.Is(err, pipeline.ErrNotMaster) {
			continue
		}
		if err == nil {
			var place ledger.Place
			if place, err = a.masterPlace(ctx, known, f); err == nil {
				m.lib.Take(master, place.SHA256.String())
				m.places, m.records = append(m.places, place), append(m.records, recordOf(master, place.SHA256))
			}
		}
		if err != nil {
			a.opt.Log.Warn(pipeline.EventMasterUnread, zap.String("path", f.path()), zap.Error(err))
		}
	}
	a.masters, a.lanes = m, nil
	return true, nil
}

// masterFiles lists the FITS files in the folder of masters and below it, sorted.
func masterFiles(folder string) ([]masterFile, error) {
	var files []masterFile
	err := filepath.WalkDir(folder, func(path string, e fs.DirEntry, err error) error {
		if err != nil || !e.Type().IsRegular() || !pipeline.IsFITSName(path) {
			return err
		}
		info, err := e.Info()
		if errors.Is(err, fs.ErrNotExist) {
			return nil // it was replaced just now
		}
		if err != nil {
			return err
		}
		files = append(files, masterFile{filepath.Dir(path), e.Name(), stampOf(info)})
		return nil
	})
	return files, err
}

// masterPlace returns a master's place with its hash, which is calculated only
// where the file changed since the last time.
func (a *Archive) masterPlace(ctx context.Context, known map[string]map[string]ledger.Place, f masterFile) (ledger.Place, error) {
	if known[f.dir] == nil {
		places, err := a.placesIn(ctx, f.dir)
		if err != nil {
			return ledger.Place{}, err
		}
		known[f.dir] = places
	}
	if p, ok := known[f.dir][f.name]; ok && p.Stamp == f.stamp && !p.SHA256.IsZero() {
		return p, nil
	}
	digits, _, err := fitsutil.HashFile(f.path())
	if err != nil {
		return ledger.Place{}, err
	}
	sha, err := ledger.ParseHash(digits)
	return ledger.Place{Folder: f.dir, Name: f.name, Stamp: f.stamp, SHA256: sha, Since: a.opt.Now()}, err
}

// placesIn returns the known places in a folder by name.
func (a *Archive) placesIn(ctx context.Context, folder string) (map[string]ledger.Place, error) {
	all, err := a.led.PlacesIn(ctx, folder)
	if err != nil {
		return nil, err
	}
	byName := make(map[string]ledger.Place, len(all))
	for _, p := range all {
		byName[p.Name] = p
	}
	return byName, nil
}

func recordOf(m *pipeline.Master, sha ledger.Hash) ledger.Master {
	return ledger.Master{SHA256: sha, Kind: m.Kind, Instrument: m.Instrument, Detector: m.Detector, Mode: m.Mode, Band: m.Band,
		Begin: m.Begin, End: m.End, TempMinK: m.TempMinK, TempMaxK: m.TempMaxK, Frames: m.Frames, Path: m.Path}
}

// recordMasters tells the ledger which masters there are, and which are gone.
func (a *Archive) recordMasters(ctx context.Context) error {
	m := a.masters
	if err := a.led.AddMasters(ctx, m.records); err != nil {
		return err
	}
	if err := a.led.SetPlaces(ctx, m.places...); err != nil {
		return err
	}
	for _, s := range a.sources {
		old, err := a.led.Masters(ctx, s.in.Profile.Instrument, ledger.Current)
		if err != nil {
			return err
		}
		for _, o := range old {
			if slices.ContainsFunc(m.records, func(r ledger.Master) bool { return r.SHA256 == o.SHA256 }) {
				continue
			}
			if err := a.led.SetMasterState(ctx, o.SHA256, ledger.Missing); err != nil {
				return err
			}
		}
	}
	m.recorded = true
	return nil
}
