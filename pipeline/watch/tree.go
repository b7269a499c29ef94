package watch

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
	"syscall"

	"github.com/fsnotify/fsnotify"
	"go.uber.org/zap"
)

// source is where events of the file system come from. A nil one sends none.
type source struct {
	*fsnotify.Watcher
	add      func(folder string) error // begins to watch a folder
	troubles chan error                // events were lost, or may have been
}

// listen begins to listen, to no folder yet.
func listen() (*source, error) {
	n, err := fsnotify.NewWatcher()
	if err != nil {
		return nil, err
	}
	s := &source{Watcher: n, add: n.Add, troubles: make(chan error, 1)}
	// Errors are sent while the library holds the lock that Add waits for, so
	// that they must be taken by a goroutine which does nothing else.
	go func() {
		for err := range n.Errors {
			select {
			case s.troubles <- err:
			default: // one that has not been seen yet says the same
			}
		}
	}()
	return s, nil
}

func (s *source) happened() <-chan fsnotify.Event {
	if s == nil {
		return nil
	}
	return s.Events
}

func (s *source) trouble() <-chan error {
	if s == nil {
		return nil
	}
	return s.troubles
}

// enter watches one of the folders to be watched and what is below it, and
// reports when it is missing or back. tell, if set, is told of each folder;
// known are the folders that have been reported as unreadable.
func (w *Watcher) enter(ctx context.Context, folder string, known map[string]bool, tell func(string)) {
	st, err := os.Stat(folder)
	if err == nil && !st.IsDir() {
		err = fmt.Errorf("%s is not a folder", folder)
	}
	if err != nil {
		if !w.missing[folder] {
			w.missing[folder] = true
			w.log.Warn(EventMissing, zap.String("folder", folder), zap.Error(err), zap.Duration("rescan", w.rescan),
				zap.String("remedy", "mount or make it: it is looked for at every rescan"))
		}
		return
	}
	if w.missing[folder] {
		delete(w.missing, folder)
		w.log.Info(EventBack, zap.String("folder", folder))
	}
	w.walk(ctx, folder, known, tell)
}

// walk watches a folder and all below it. A watch is set before the folder is
// read, so that what arrives meanwhile is seen by the one or by the other.
// Folders are read through an [os.Root], so that no link which takes the place
// of a folder leads outside.
func (w *Watcher) walk(ctx context.Context, folder string, known map[string]bool, tell func(string)) {
	top := w.above(folder)
	root, err := os.OpenRoot(top)
	if err != nil {
		w.report(top, err, known)
		return
	}
	defer root.Close()
	stack := []string{folder}
	for len(stack) > 0 && ctx.Err() == nil {
		at := stack[len(stack)-1]
		stack = stack[:len(stack)-1]
		if tell == nil && w.full {
			return // neither to be watched nor to be told of
		}
		if !w.watch(root, at, known) {
			continue
		}
		if tell != nil {
			tell(at)
		}
		inside, err := foldersIn(root, at)
		if err != nil {
			w.report(at, err, known)
		}
		stack = append(stack, inside...)
	}
}

// above returns which of the folders to be watched a folder lies in.
func (w *Watcher) above(folder string) string {
	top := ""
	for _, f := range w.folders {
		if len(f) > len(top) && (f == folder || strings.HasPrefix(folder, below(f))) {
			top = f
		}
	}
	return top
}

// below is how the paths of all that is in a folder begin.
func below(folder string) string {
	if folder == "." {
		return ""
	}
	return strings.TrimSuffix(folder, string(filepath.Separator)) + string(filepath.Separator)
}

// watch sets the watch of a folder, where one can be had. It returns false for
// a folder that is gone or cannot be read.
func (w *Watcher) watch(root *os.Root, folder string, known map[string]bool) bool {
	if w.full || w.watched[folder] {
		return true
	}
	switch err := w.source.add(folder); {
	case err == nil:
		w.watched[folder] = true
	case isLimit(err):
		w.limit(err)
		return true
	default:
		w.report(folder, err, known)
		return false
	}
	// A link may have taken the folder's place before the watch was set.
	if st, err := root.Lstat(within(root, folder)); err != nil || !st.IsDir() {
		w.unwatch(folder)
		return false
	}
	return true
}

// within returns a folder's path as seen from its root.
func within(root *os.Root, folder string) string {
	if folder == root.Name() {
		return "."
	}
	return strings.TrimPrefix(folder, below(root.Name()))
}

// isLimit tells errors that say that no further watch can be had from those
// that concern one folder.
func isLimit(err error) bool {
	for _, limit := range []error{syscall.ENOSPC, syscall.EMFILE, syscall.ENFILE, syscall.ENOMEM, syscall.ENOSYS, fsnotify.ErrClosed} {
		if errors.Is(err, limit) {
			return true
		}
	}
	return false
}

// report says, once, that a folder cannot be read; one that is gone is none.
func (w *Watcher) report(folder string, err error, known map[string]bool) {
	if errors.Is(err, fs.ErrNotExist) || errors.Is(err, syscall.ENOTDIR) {
		return
	}
	if !known[folder] {
		w.log.Warn(EventUnreadable, zap.String("folder", folder), zap.Error(err),
			zap.String("remedy", "let the user that this runs as read and enter it"))
	}
	w.unreadable[folder] = true
}

// drop ends the watches of a folder that is gone or has another name, and of
// all below it, which would go on telling of the old name.
func (w *Watcher) drop(folder string, tell func(string)) {
	if !w.watched[folder] {
		return
	}
	inside := below(folder)
	var gone []string
	for f := range w.watched {
		if f == folder || strings.HasPrefix(f, inside) {
			gone = append(gone, f)
		}
	}
	slices.Sort(gone)
	for _, f := range gone {
		w.unwatch(f)
		tell(f)
	}
}

func (w *Watcher) unwatch(folder string) {
	// The system ends the watch of a folder that was removed by itself, so
	// that there may be none to end.
	_ = w.source.Remove(folder)
	delete(w.watched, folder)
}

// isFolder tells whether a name is a folder and no link.
func isFolder(name string) bool {
	st, err := os.Lstat(name)
	return err == nil && st.IsDir()
}

// foldersIn returns the paths of the folders, not links, in a folder. It reads
// piece by piece: a folder may hold very many files.
func foldersIn(root *os.Root, folder string) ([]string, error) {
	f, err := root.Open(within(root, folder))
	if err != nil {
		return nil, err
	}
	defer f.Close()
	var out []string
	for {
		entries, err := f.ReadDir(1024)
		for _, e := range entries {
			if e.IsDir() {
				out = append(out, filepath.Join(folder, e.Name()))
			}
		}
		if errors.Is(err, io.EOF) {
			return out, nil
		}
		if err != nil {
			return out, err
		}
	}
}
