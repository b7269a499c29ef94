// Package watch tells that something changed below some folders, so that only
// the folders concerned are read again, and keeps a service manager informed.
//
// Events of the file system are hints and no more: network file systems send
// none, queues overflow, watches run out. So a [Watcher] also says at set
// intervals that everything is to be looked at, and at once where it knows that
// it missed something. Whoever acts on a [Change] reads the folder itself and
// compares with what was there before.
package watch

import (
	"context"
	"errors"
	"fmt"
	"path/filepath"
	"slices"
	"time"

	"github.com/fsnotify/fsnotify"
	"go.uber.org/zap"
)

// Names of log events. They are stable: alerts may be set on them.
const (
	EventLimited    = "watch-limited"     // not every folder can be watched: changes are found at the rescan
	EventRestored   = "watch-restored"    // every folder is watched again
	EventMissing    = "folder-missing"    // a folder to be watched is not there
	EventBack       = "folder-back"       // it is there again
	EventUnreadable = "folder-unreadable" // a folder below one cannot be read
	EventLost       = "events-lost"       // more happened than the system's queue holds: everything is looked at
	EventNotify     = "notify-failed"     // the service manager does not hear
)

// Why a change is told.
const (
	WhyChanged  = "changed"  // something happened in the folder
	WhyStart    = "start"    // the watch begins: nothing is known of before
	WhyRescan   = "rescan"   // the interval is over
	WhyOverflow = "overflow" // events were lost
	WhyMany     = "many"     // in more folders than are told one by one
)

// Change says what is to be read again.
type Change struct {
	// Folder is the cleaned path of the directory in which something happened:
	// one of the watched folders, or below one. It may be gone by now. Empty:
	// everything is to be looked at.
	Folder string
	Why    string // WhyChanged ...
}

// All tells whether everything is to be looked at.
func (c Change) All() bool { return c.Folder == "" }

// gather is how long the changes of a folder are gathered before it is told: a
// file that is being written makes an event at every write.
const gather = 500 * time.Millisecond

// Watcher tells what changed below some folders. Links are never followed,
// except that a watched folder may itself be one: where the archive's
// configuration points is the operator's choice.
type Watcher struct {
	folders []string
	rescan  time.Duration
	log     *zap.Logger
	changes chan Change

	// Fields, so that tests can run out of watches and say when the time is up.
	open   func() (*source, error)                        // begins to listen
	every  func(time.Duration) (<-chan time.Time, func()) // a clock, and what stops it
	source *source                                        // nil: the system sends no events

	pending    pending
	watched    map[string]bool // folders that have a watch
	unreadable map[string]bool // folders that were reported as such
	missing    map[string]bool // folders to be watched that were reported as such
	full       bool            // no further watch can be had from this source
	limited    bool            // that has been reported
}

// New makes a watcher of the given folders and all below them. Paths are told
// as they are given here, cleaned. Every rescan it says that everything is to
// be looked at.
func New(folders []string, rescan time.Duration, log *zap.Logger) (*Watcher, error) {
	if len(folders) == 0 {
		return nil, errors.New("no folder to watch: name one or more")
	}
	if rescan <= 0 {
		return nil, fmt.Errorf("%v between rescans: name a time above 0, since some file systems tell of no change", rescan)
	}
	w := &Watcher{rescan: rescan, log: log, changes: make(chan Change), open: listen, every: tick,
		watched: map[string]bool{}, unreadable: map[string]bool{}, missing: map[string]bool{}}
	for _, f := range folders {
		if f == "" {
			return nil, errors.New("the name of a folder to watch is empty: name it")
		}
		if f = filepath.Clean(f); !slices.Contains(w.folders, f) {
			w.folders = append(w.folders, f)
		}
	}
	return w, nil
}

// Changes returns the channel on which changes are told, the first of them
// being that everything is to be looked at. What happens again before it is
// taken from the channel is told once, so a slow reader costs no memory. What
// happens after it was taken is told again. The channel is closed when Run
// ends.
func (w *Watcher) Changes() <-chan Change { return w.changes }

// Run watches until ctx ends; it is called once. While nothing happens it does
// nothing, from one rescan to the next.
func (w *Watcher) Run(ctx context.Context) {
	defer close(w.changes)
	defer w.close()
	rescan, stop := w.every(w.rescan)
	defer stop()
	wake := time.NewTimer(w.rescan)
	defer wake.Stop()
	w.lookAtAll(ctx, WhyStart)
	for {
		now := time.Now()
		change, ready := w.pending.next(now)
		var out chan<- Change
		if ready {
			out = w.changes
		}
		wake.Stop()
		if until, waiting := w.pending.wait(now); waiting {
			wake.Reset(until)
		}
		select {
		case <-ctx.Done():
			return
		case e, ok := <-w.source.happened():
			if ok {
				w.take(ctx, e)
			} else {
				w.limit(errors.New("the system ended the watch"))
				w.close()
			}
		case err := <-w.source.trouble():
			w.log.Info(EventLost, zap.Error(err))
			w.pending.lost(time.Now())
		case <-rescan:
			w.lookAtAll(ctx, WhyRescan)
		case <-wake.C:
			if w.pending.mustLook(time.Now()) {
				w.lookAtAll(ctx, WhyOverflow)
			}
		case out <- change:
			w.pending.told()
		}
	}
}

func tick(d time.Duration) (<-chan time.Time, func()) {
	t := time.NewTicker(d)
	return t.C, t.Stop
}

// lookAtAll sets every watch anew and says that everything is to be looked at.
// New watches are the one way to be sure of what their events mean: names of
// folders go stale when the news of their renaming is lost, and a file system
// that is unmounted takes its watches with it.
func (w *Watcher) lookAtAll(ctx context.Context, why string) {
	w.close()
	w.full = false
	source, err := w.open()
	if err != nil {
		w.limit(err)
	}
	w.source = source
	before := w.unreadable
	w.unreadable = map[string]bool{}
	for _, f := range w.folders {
		w.enter(ctx, f, before, nil)
	}
	if w.limited && !w.full {
		w.limited = false
		w.log.Info(EventRestored, zap.Int("folders", len(w.watched)))
	}
	w.pending.all(why)
}

// take handles an event of the file system.
func (w *Watcher) take(ctx context.Context, e fsnotify.Event) {
	now := time.Now()
	tell := func(folder string) { w.pending.add(folder, now) }
	name := filepath.Clean(e.Name)
	if slices.Contains(w.folders, name) {
		tell(name)
		if e.Has(fsnotify.Remove) || e.Has(fsnotify.Rename) {
			w.drop(name, tell)
			w.enter(ctx, name, w.unreadable, tell)
		}
		return
	}
	tell(filepath.Dir(name))
	if e.Has(fsnotify.Remove) || e.Has(fsnotify.Rename) {
		w.drop(name, tell)
	}
	// Rights that change may open a folder that could not be read.
	if (e.Has(fsnotify.Create) || e.Has(fsnotify.Chmod)) && !w.watched[name] && isFolder(name) {
		w.walk(ctx, name, w.unreadable, tell)
	}
}

// limit reports, once, that not everything can be watched.
func (w *Watcher) limit(err error) {
	w.full = true
	if w.limited {
		return
	}
	w.limited = true
	w.log.Warn(EventLimited, zap.Error(err), zap.Int("watched", len(w.watched)), zap.Duration("rescan", w.rescan),
		zap.String("remedy", "changes in the other folders are found at the rescan; raise the limits fs.inotify.max_user_watches and fs.inotify.max_user_instances of the system, or its limit of open files"))
}

// close stops listening and forgets what was watched.
func (w *Watcher) close() {
	if w.source != nil {
		// What it could not close, the system closes with the process.
		_ = w.source.Close()
		w.source = nil
	}
	clear(w.watched)
}
