package archive

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"sync"
)

// opener opens raw files below the folders that they may lie in. No link leads
// it out of them: the folders are held open as roots, and what a name leads to
// must be the file itself. It may be used by several goroutines.
type opener struct {
	mu      sync.Mutex
	folders []string
	roots   map[string]*os.Root
}

func (a *Archive) newOpener() *opener {
	o := &opener{roots: map[string]*os.Root{}, folders: []string{a.cfg.Quarantine}}
	for _, s := range a.sources {
		o.folders = append(o.folders, s.Folder)
	}
	return o
}

// root returns the root of a folder, which must be one of the archive's.
func (o *opener) root(folder string) (*os.Root, error) {
	o.mu.Lock()
	defer o.mu.Unlock()
	if r := o.roots[folder]; r != nil {
		return r, nil
	}
	r, err := os.OpenRoot(folder)
	if err == nil {
		o.roots[folder] = r
	}
	return r, err
}

func (o *opener) close() {
	o.mu.Lock()
	defer o.mu.Unlock()
	for _, r := range o.roots {
		r.Close()
	}
	clear(o.roots)
}

// errOutside says that a name leads elsewhere than below the archive's folders.
var errOutside = errors.New("it does not lie in the archive's source folders, or a link is on its way: links are not followed; move the file itself there")

// open opens a raw file for reading.
func (o *opener) open(path string) (*os.File, error) {
	for _, folder := range o.folders {
		if rel, ok := below(folder, path); ok {
			root, err := o.root(folder)
			if err != nil {
				return nil, err
			}
			return openBelow(root, path, rel)
		}
	}
	return nil, fmt.Errorf("%s: %w", path, errOutside)
}

// openBelow opens a regular file that no link leads to.
func openBelow(root *os.Root, path, rel string) (*os.File, error) {
	for dir := filepath.Dir(rel); dir != "."; dir = filepath.Dir(dir) {
		info, err := root.Lstat(dir)
		if err != nil {
			return nil, err
		}
		if !info.IsDir() {
			return nil, fmt.Errorf("%s: %w", path, errOutside)
		}
	}
	before, err := root.Lstat(rel)
	if err != nil {
		return nil, err
	}
	if !before.Mode().IsRegular() {
		return nil, fmt.Errorf("%s: %w", path, errOutside)
	}
	file, err := root.Open(rel)
	if err != nil {
		return nil, err
	}
	info, err := file.Stat()
	if err == nil && !os.SameFile(before, info) {
		err = fmt.Errorf("%s: %w", path, errOutside)
	}
	if err != nil {
		return nil, errors.Join(err, file.Close())
	}
	return file, nil
}

// isThere tells whether a regular file lies at a path.
func isThere(path string) bool {
	info, err := os.Lstat(path)
	return err == nil && info.Mode().IsRegular()
}

// isWhole tells whether a regular file of a size lies at a path.
func isWhole(path string, bytes int64) bool {
	info, err := os.Lstat(path)
	return err == nil && info.Mode().IsRegular() && info.Size() == bytes
}

// makeFolder makes a folder inside of one of the archive's own, and refuses to
// go through links.
func makeFolder(top, folder string) error {
	rel, ok := below(top, folder)
	if !ok {
		return nil // it is the archive's folder itself
	}
	root, err := os.OpenRoot(top)
	if err != nil {
		return err
	}
	defer root.Close()
	return makeBelow(root, rel)
}

// makeBelow makes a folder below a root, and refuses to go through links.
func makeBelow(root *os.Root, rel string) error {
	for dir := rel; dir != "."; dir = filepath.Dir(dir) {
		info, err := root.Lstat(dir)
		if err == nil && info.Mode()&fs.ModeSymlink != 0 {
			return fmt.Errorf("%s is a link, and the archive writes to folders only: put a folder in its place", filepath.Join(root.Name(), dir))
		}
	}
	return root.MkdirAll(rel, 0o777)
}
