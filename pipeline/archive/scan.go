package archive

import (
	"context"
	"errors"
	"fmt"
	"io"
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
}

func (c *candidate) path() string { return filepath.Join(c.folder, c.name) }

// scanner looks for candidates.
type scanner struct {
	a     *Archive
	ctx   context.Context
	src   *source
	root  *os.Root
	found []candidate
	gone  []ledger.Place  // whose files are not there any more
	seen  map[string]bool // folders
}

// scan looks into the given folders, or, where there are none, into all source
// folders and those inside them: for files that are new and places whose files
// are gone. A source that is not there is reported; the others go on.
func (a *Archive) scan(ctx context.Context, o *opener, folders []string, report *Report) (found []candidate, left []ledger.Place, err error) {
	for _, src := range a.sources {
		root, err := o.root(src.Folder)
		if err == nil {
			err = a.notEmptied(ctx, root, src)
		}
		if err != nil {
			a.opt.Log.Error(EventSourceMissing, zap.String("source", src.Name), zap.String("folder", src.Folder), zap.Error(err))
			report.missing[src] = true
			report.Missing = append(report.Missing, fmt.Sprintf("%s: %s: %v", src.Name, src.Folder, err))
			continue
		}
		s := &scanner{a: a, ctx: ctx, src: src, root: root, seen: map[string]bool{}}
		if err := s.look(folders); err != nil {
			return nil, nil, err
		}
		found, left = append(found, s.found...), append(left, s.gone...)
	}
	slices.SortFunc(found, func(x, y candidate) int { return strings.Compare(x.path(), y.path()) })
	return found, left, nil
}

// notEmptied refuses a source folder that held files and has nothing in it: it
// may be the place where a file system is not mounted, and the files not gone.
func (a *Archive) notEmptied(ctx context.Context, root *os.Root, src *source) error {
	dir, err := root.Open(".")
	if err != nil {
		return err
	}
	defer dir.Close()
	if _, err := dir.ReadDir(1); !errors.Is(err, io.EOF) {
		return err
	}
	folders, err := a.led.PlaceFolders(ctx)
	if err != nil {
		return err
	}
	for _, folder := range folders {
		if _, ok := below(src.Folder, folder); ok || folder == src.Folder {
			return errors.New("there is nothing in it any more: if that is right, nothing need be done; else see that its file system is mounted")
		}
	}
	return nil
}

func (s *scanner) look(folders []string) error {
	if folders == nil {
		if err := s.tree("."); err != nil {
			return err
		}
		return s.foldersGone()
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
	s.a.beat()
	abs := filepath.Join(s.src.Folder, rel)
	s.seen[abs] = true
	entries, errRead := readFolder(s.root, rel)
	if errRead != nil && !errors.Is(errRead, fs.ErrNotExist) {
		s.a.opt.Log.Warn(EventFolderUnread, zap.String("folder", abs), zap.Error(errRead))
		return nil
	}
	known, err := s.a.placesIn(s.ctx, abs)
	if err != nil {
		return err
	}
	if errRead == nil && len(entries) == 0 && len(known) > 0 {
		// A file system that lies here may not be mounted.
		s.a.opt.Log.Warn(EventFolderUnread, zap.String("folder", abs), zap.String("error", "there is nothing in it any more: if that is right, remove it; else see that its file system is mounted"))
		return nil
	}
	for _, e := range entries {
		switch {
		case e.IsDir():
			if inside != nil {
				*inside = append(*inside, filepath.Join(rel, e.Name()))
			}
		case e.Type().IsRegular() && pipeline.IsFITSName(e.Name()):
			s.file(abs, e, known)
			delete(known, e.Name())
		}
	}
	for _, p := range known {
		s.gone = append(s.gone, p)
	}
	return nil
}

// foldersGone finds the places in folders that are not there any more, when all
// that are have been looked at.
func (s *scanner) foldersGone() error {
	folders, err := s.a.led.PlaceFolders(s.ctx)
	if err != nil {
		return err
	}
	for _, folder := range folders {
		if _, ok := below(s.src.Folder, folder); !ok || s.seen[folder] {
			continue
		}
		places, err := s.a.led.PlacesIn(s.ctx, folder)
		if err != nil {
			return err
		}
		s.gone = append(s.gone, places...)
	}
	return nil
}

// forget drops the places whose files are gone, and with the turn in hand makes
// sure first that they are. Frames that they were of are read from another place
// from now on, if they have one.
func (a *Archive) forget(ctx context.Context, places []ledger.Place) error {
	for _, p := range places {
		a.beat()
		path := filepath.Join(p.Folder, p.Name)
		if isThere(path) {
			continue
		}
		if err := a.led.DropPlaces(ctx, p.Folder, p.Name); err != nil {
			return err
		}
		if !p.SHA256.IsZero() {
			if err := a.replaced(ctx, path, p.SHA256); err != nil {
				return err
			}
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

// stamp tells one state of a raw file from another, and one way of reading its
// header from another.
func (s *source) stamp(info fs.FileInfo) string { return stampOf(info) + " " + s.reads }

// sameFile tells whether two stamps are of the same state of a file, however its
// header was read.
func sameFile(a, b string) bool {
	i, j := strings.LastIndexByte(a, ' '), strings.LastIndexByte(b, ' ')
	return i > 0 && j > 0 && a[:i] == b[:j]
}

// file takes a file among the candidates, unless its content is known.
func (s *scanner) file(folder string, e os.DirEntry, known map[string]ledger.Place) {
	info, err := e.Info()
	if err != nil {
		return // it went away again
	}
	stamp := s.src.stamp(info)
	since := s.a.opt.Now()
	p := known[e.Name()]
	switch p.Stamp {
	case stamp:
		if !p.SHA256.IsZero() {
			return
		}
	case waiting + stamp:
		if !p.Since.After(since) { // else the clock went back
			since = p.Since
		}
	}
	s.found = append(s.found, candidate{s.src, folder, e.Name(), stamp, since})
}

// settled waits as long as a file has to rest, and returns the candidates that
// are complete and did not change meanwhile, and the rest, which come again.
func (a *Archive) settled(ctx context.Context, o *opener, all []candidate, report *Report) (ready, rest []candidate, err error) {
	if len(all) == 0 {
		return nil, nil, nil
	}
	select {
	case <-ctx.Done():
		return nil, nil, ctx.Err()
	case <-time.After(time.Duration(a.cfg.Intake.SettleS * float64(time.Second))):
	}
	for _, c := range all {
		a.beat()
		switch reason := a.unready(o, &c); {
		case reason == "":
			ready = append(ready, c)
		case reason == gone:
		default:
			a.opt.Log.Debug(EventFrameWaiting, zap.String("raw", c.path()), zap.String("reason", reason))
			report.Waiting++
			if reason == changing || reason == unfilled {
				report.changing = append(report.changing, c.folder)
			}
			rest = append(rest, c)
		}
	}
	return ready, rest, nil
}

// wait notes, with the turn in hand, since when files rest that are not taken
// yet, but for those that another run has taken meanwhile.
func (a *Archive) wait(ctx context.Context, rest []candidate) error {
	var places []ledger.Place
	err := a.eachPlace(ctx, rest, func(c *candidate, p ledger.Place) {
		if p.Stamp != c.stamp || p.SHA256.IsZero() {
			places = append(places, ledger.Place{Folder: c.folder, Name: c.name, Stamp: waiting + c.stamp, SHA256: p.SHA256, Since: c.since})
		}
	})
	if err != nil {
		return err
	}
	return a.led.SetPlaces(ctx, places...)
}

// eachPlace calls f for candidates, which are sorted, and what is known of their
// places now.
func (a *Archive) eachPlace(ctx context.Context, all []candidate, f func(*candidate, ledger.Place)) error {
	known, folder := map[string]ledger.Place(nil), ""
	for i := range all {
		c := &all[i]
		if known == nil || folder != c.folder {
			var err error
			if known, err = a.placesIn(ctx, c.folder); err != nil {
				return err
			}
			folder = c.folder
		}
		f(c, known[c.name])
	}
	return nil
}

// Why a file is not taken yet.
const (
	gone     = "it is gone"
	changing = "it is still changing"
	unfilled = "the last block is not full (FITS Standard 4.0, clause 3.3.2): more may come"
)

// waiting begins the stamp of a place whose file is not taken yet; the place
// still holds what was read of it before.
const waiting = "waiting "

// fillRest is how long a file must rest that is complete but for the bytes that
// fill its last block. Some cameras leave them out.
const fillRest = time.Minute

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
	if err != nil || c.src.stamp(info) != c.stamp {
		file.Close()
		return changing
	}
	rested := a.opt.Now().Sub(c.since)
	f, err := fitsutil.OpenFile(file)
	if err == nil {
		if info.Size()%fitsBlock != 0 && !f.Compressed() && rested < fillRest {
			f.Close()
			return unfilled
		}
		f.Close()
		return ""
	}
	if !errors.Is(err, fitsutil.ErrCutOff) || rested > time.Duration(a.cfg.Intake.IncompleteHours*float64(time.Hour)) {
		return ""
	}
	return fmt.Sprintf("it is not complete: %v", err)
}

// fitsBlock is the length of the blocks that a FITS file is made of, in bytes
// (FITS Standard 4.0, clause 3.1).
const fitsBlock = 2880
