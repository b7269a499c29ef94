package fitsutil

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"sync"
	"syscall"
)

// backend is what a Writer writes into: a file under a temporary name, or
// memory.
type backend interface {
	// WriteAt may be called by several goroutines at once.
	WriteAt(p []byte, off int64) (int, error)
	// publish makes the finished content appear under its own name.
	publish() error
	// discard throws the content away, unless it was published.
	discard() error
}

// memoryBackend keeps the file in memory.
type memoryBackend struct {
	mu sync.Mutex
	b  []byte
}

func (m *memoryBackend) WriteAt(p []byte, off int64) (int, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	if end := off + int64(len(p)); end > int64(len(m.b)) {
		m.b = append(m.b, make([]byte, end-int64(len(m.b)))...)
	}
	return copy(m.b[off:], p), nil
}

func (m *memoryBackend) publish() error { return nil }

func (m *memoryBackend) discard() error {
	m.b = nil
	return nil
}

// partialFile is a file under a temporary name in the folder of its final one.
// A lock on it tells other processes that its owner is alive; the lock goes
// with the process, however that ends.
type partialFile struct {
	file   *os.File
	final  string
	opt    CreateOptions
	closed bool
}

// partialMark stands in the name of a partial file between the final name and
// a number: ".<final name>.partial-<number>".
const partialMark = ".partial-"

// maxPartials is how many writers may be at work on files of the same final
// name. There are so few names that looking at all of them is cheaper than
// searching a folder that may hold a great many products.
const maxPartials = 16

func partialName(final string, number int) string {
	dir, base := filepath.Split(final)
	return fmt.Sprintf("%s.%s%s%d", dir, base, partialMark, number)
}

// createPartial removes what dead processes left of the same file and makes a
// new partial file.
func createPartial(final string, opt CreateOptions) (*partialFile, error) {
	for number := range maxPartials {
		removeUnlocked(partialName(final, number))
	}
	if err := checkFinal(final, opt); err != nil {
		return nil, err
	}
	for number := range maxPartials {
		file, err := claimPartial(partialName(final, number))
		if err != nil {
			return nil, err
		}
		if file != nil {
			return &partialFile{file: file, final: final, opt: opt}, nil
		}
	}
	return nil, fmt.Errorf("create %s: there are %d unfinished files %s; wait for their writers, or remove them when there are none",
		final, maxPartials, partialName(final, 0))
}

func checkFinal(final string, opt CreateOptions) error {
	info, err := os.Lstat(final)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return nil
	case err != nil:
		return err
	case info.IsDir():
		return fmt.Errorf("create %s: it is a folder; name a file", final)
	case !opt.Overwrite:
		return existsError(final)
	}
	return nil
}

func existsError(final string) error {
	return fmt.Errorf("create %s: %w; allow overwriting, or choose another name", final, fs.ErrExist)
}

// claimPartial makes and locks a partial file. It returns nil without an error
// when the name is taken.
func claimPartial(name string) (*os.File, error) {
	for {
		file, err := os.OpenFile(name, os.O_RDWR|os.O_CREATE|os.O_EXCL, 0o666)
		if errors.Is(err, fs.ErrExist) {
			return nil, nil
		}
		if err != nil {
			return nil, err
		}
		// A file system without locks is no reason not to write: then nobody
		// can take the lock, and nobody removes the file.
		_ = lockFile(file, true)
		if stillNamed(file, name) {
			return file, nil
		}
		// In the instant before the lock another process took the new file
		// for a stale one and removed it.
		if err := file.Close(); err != nil {
			return nil, err
		}
	}
}

func stillNamed(file *os.File, name string) bool {
	open, err := file.Stat()
	if err != nil {
		return false
	}
	named, err := os.Lstat(name)
	return err == nil && os.SameFile(open, named)
}

// removeUnlocked removes a file when nobody holds its lock. Failure is no
// harm: the file stays until the next attempt.
func removeUnlocked(name string) {
	file, err := os.OpenFile(name, os.O_RDWR, 0)
	if err != nil {
		return
	}
	defer file.Close()
	if lockFile(file, false) == nil && stillNamed(file, name) {
		_ = os.Remove(name)
	}
}

// writebackBytes is the size from which a piece is worth a hint to the system.
const writebackBytes = 256 << 10

func (p *partialFile) WriteAt(b []byte, off int64) (int, error) {
	n, err := p.file.WriteAt(b, off)
	if err == nil && n >= writebackBytes && !p.opt.NoSync {
		startWriteback(p.file, off, int64(n))
	}
	return n, err
}

// publish brings the content to disk, then the name, then the folder's entry,
// so that after a crash the name stands for the whole content or for none.
func (p *partialFile) publish() error {
	if err := p.sync(p.file); err != nil {
		return err
	}
	if err := p.rename(); err != nil {
		return err
	}
	p.closed = true
	if err := p.file.Close(); err != nil {
		return err
	}
	return p.syncFolder()
}

func (p *partialFile) sync(file *os.File) error {
	if p.opt.NoSync {
		return nil
	}
	return file.Sync()
}

func (p *partialFile) syncFolder() error {
	if p.opt.NoSync {
		return nil
	}
	return syncFolder(filepath.Dir(p.final))
}

// syncFolder brings the names in a folder to disk.
func syncFolder(folder string) error {
	dir, err := os.Open(folder)
	if err != nil {
		return err
	}
	defer dir.Close()
	err = dir.Sync()
	if errors.Is(err, syscall.EINVAL) {
		return nil // a file system that cannot sync folders
	}
	return err
}

// rename gives the file its final name while the lock is still held. Without
// leave to overwrite it uses a hard link, which fails when the name is taken,
// even by someone who came in between.
func (p *partialFile) rename() error {
	if p.opt.Overwrite {
		return os.Rename(p.file.Name(), p.final)
	}
	err := os.Link(p.file.Name(), p.final)
	switch {
	case err == nil:
		return os.Remove(p.file.Name())
	case errors.Is(err, fs.ErrExist):
		return existsError(p.final)
	}
	// The file system has no hard links: look, then rename.
	if err := checkFinal(p.final, p.opt); err != nil {
		return err
	}
	return os.Rename(p.file.Name(), p.final)
}

func (p *partialFile) discard() error {
	if p.closed {
		return nil
	}
	p.closed = true
	return errors.Join(os.Remove(p.file.Name()), p.file.Close())
}

// WriteFile writes a whole file of any content as durably as a [Writer] writes
// FITS: under a temporary name, synced, renamed, folder synced.
func WriteFile(path string, content []byte, opt CreateOptions) error {
	p, err := createPartial(path, opt)
	if err != nil {
		return err
	}
	if _, err := p.WriteAt(content, 0); err != nil {
		return errors.Join(err, p.discard())
	}
	if err := p.publish(); err != nil {
		return errors.Join(err, p.discard())
	}
	return nil
}
