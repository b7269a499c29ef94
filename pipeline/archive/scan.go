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
	"time"

	"go.uber.org/zap"

	"evenlight/fitsutil"
	"evenlight/pipeline"
	"evenlight/pipeline/ledger"
)

// candidate is a raw file that is new, or has changed since it was read.
type candidate struct {
	src         *source
	folder      string // that it lies in
	name, stamp string
	since       time.Time // when this state of it was first seen
	old         ledger.Hash
}

func (c *candidate) path() string { return filepath.Join(c.folder, c.name) }

// scanner looks for candidates.
type scanner struct {
	a     *Archive
	ctx   context.Context
	src   *source
	root  *os.Root
	found []candidate
}

// scan looks into the given folders, or, where there are none, into all source
// folders and those inside them. A source that is not there is reported; the
// others go on.
func (a *Archive) scan(ctx context.Context, o *opener, folders []string) ([]candidate, error) {
	var found []candidate
	for _, src := range a.sources {
		root, err := o.root(src.Folder)
		if err != nil {
			a.opt.Log.Error(EventSourceMissing, zap.String("source", src.Name), zap.String("folder", src.Folder), zap.Error(err))
			continue
		}
		s := &scanner{a: a, ctx: ctx, src: src, root: root}
		if err := s.look(folders); err != nil {
			return nil, err
		}
		found = append(found, s.found...)
	}
	slices.SortFunc(found, func(x, y candidate) int { return strings.Compare(x.path(), y.path()) })
	return found, nil
}

func (s *scanner) look(folders []string) error {
	if folders == nil {
		return s.tree(".")
	}
	for _, folder := range folders {
		if folder == s.src.Folder {
			if err := s.folder(".", nil); err != nil {
				return err
			}
		} else if rel, ok := below(s.src.Folder, folder); ok {
			if err := s.folder(rel, nil); err != nil {
				return err
			}
		}
	}
	return nil
}

// tree looks into a folder and those inside it.
func (s *scanner) tree(rel string) error {
	var inside []string
	if err := s.folder(rel, &inside); err != nil {
		return err
	}
	for _, dir := range inside {
		if err := s.tree(dir); err != nil {
			return err
		}
	}
	return nil
}

// folder looks into one folder. Folders inside it are added to inside, if set.
// A folder that is gone or cannot be read is passed over with a warning.
func (s *scanner) folder(rel string, inside *[]string) error {
	if err := s.ctx.Err(); err != nil {
		return err
	}
	abs := filepath.Join(s.src.Folder, rel)
	entries, err := readFolder(s.root, rel)
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	if err != nil {
		s.a.opt.Log.Warn(EventFolderUnread, zap.String("folder", abs), zap.Error(err))
		return nil
	}
	known, err := s.a.placesIn(s.ctx, abs)
	if err != nil {
		return err
	}
	for _, e := range entries {
		switch {
		case e.IsDir():
			if inside != nil {
				*inside = append(*inside, filepath.Join(rel, e.Name()))
			}
		case e.Type().IsRegular() && pipeline.IsFITSName(e.Name()):
			s.file(abs, e, known)
		}
	}
	return nil
}

func readFolder(root *os.Root, rel string) ([]os.DirEntry, error) {
	dir, err := root.Open(rel)
	if err != nil {
		return nil, err
	}
	defer dir.Close()
	return dir.ReadDir(-1)
}

// file takes a file among the candidates, unless its content is known.
func (s *scanner) file(folder string, e os.DirEntry, known map[string]ledger.Place) {
	info, err := e.Info()
	if err != nil {
		return // it went away again
	}
	stamp := stampOf(info)
	since := s.a.opt.Now()
	p, ok := known[e.Name()]
	if ok && p.Stamp == stamp {
		if !p.SHA256.IsZero() {
			return
		}
		if !p.Since.After(since) { // else the clock went back
			since = p.Since
		}
	}
	s.found = append(s.found, candidate{s.src, folder, e.Name(), stamp, since, p.SHA256})
}

// settled waits as long as a file has to rest, and returns the candidates that
// are complete and did not change meanwhile. The others are remembered with the
// time since when they rest; they come again.
func (a *Archive) settled(ctx context.Context, o *opener, all []candidate, report *Report) (ready []candidate, err error) {
	if len(all) == 0 {
		return nil, nil
	}
	select {
	case <-ctx.Done():
		return nil, ctx.Err()
	case <-time.After(time.Duration(a.cfg.Intake.SettleS * float64(time.Second))):
	}
	var rest []ledger.Place
	for _, c := range all {
		switch reason := a.unready(o, &c); {
		case reason == "":
			ready = append(ready, c)
		case reason == gone:
		default:
			a.opt.Log.Debug(EventFrameWaiting, zap.String("raw", c.path()), zap.String("reason", reason))
			report.Waiting++
			if reason == changing {
				report.changing = append(report.changing, c.folder)
			}
			rest = append(rest, ledger.Place{Folder: c.folder, Name: c.name, Stamp: c.stamp, Since: c.since})
		}
	}
	return ready, a.led.SetPlaces(ctx, rest...)
}

// Why a file is not taken yet.
const (
	gone     = "it is gone"
	changing = "it is still changing"
)

// unready tells why a file cannot be taken yet; "" if it can. A file that has
// been incomplete for too long can: it will fail, and say why.
func (a *Archive) unready(o *opener, c *candidate) string {
	file, err := o.open(c.path())
	if errors.Is(err, fs.ErrNotExist) {
		return gone
	}
	if err != nil {
		return "" // reading it will tell
	}
	info, err := file.Stat()
	if err != nil || stampOf(info) != c.stamp {
		file.Close()
		return changing
	}
	f, err := fitsutil.OpenFile(file)
	if err == nil {
		return closeReason(f.Close())
	}
	rested := a.opt.Now().Sub(c.since)
	if !errors.Is(err, fitsutil.ErrCutOff) || rested > time.Duration(a.cfg.Intake.IncompleteHours*float64(time.Hour)) {
		return ""
	}
	return fmt.Sprintf("it is not complete: %v", err)
}

func closeReason(err error) string {
	if err != nil {
		return err.Error()
	}
	return ""
}
