package fitsutil

import (
	"errors"
	"fmt"
	"io/fs"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"sync"
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
func (m *memoryBackend) discard() error { return nil }

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
// a random part: ".<final name>.partial-<random>".
const partialMark = ".partial-"

// createPartial removes what dead processes left of the same file and makes a
// new partial file.
func createPartial(final string, opt CreateOptions) (*partialFile, error) {
	if err := checkFinal(final, opt); err != nil {
		return nil, err
	}
	if err := removeStale(final); err != nil {
		return nil, err
	}
	for {
		p, err := tryPartial(final, opt)
		if p != nil || err != nil {
			return p, err
		}
	}
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

// tryPartial makes and locks a partial file. It returns nil without an error
// when another process took the new file for a stale one in the instant before
// the lock, and removed it.
func tryPartial(final string, opt CreateOptions) (*partialFile, error) {
	dir, base := filepath.Split(final)
	name := fmt.Sprintf("%s.%s%s%016x", dir, base, partialMark, rand.Uint64())
	file, err := os.OpenFile(name, os.O_RDWR|os.O_CREATE|os.O_EXCL, 0o666)
	if errors.Is(err, fs.ErrExist) {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	// A file system without locks is no reason not to write: then nobody can
	// take the lock, and nobody removes the file.
	_ = lockFile(file, true)
	if !stillNamed(file, name) {
		return nil, file.Close()
	}
	return &partialFile{file: file, final: final, opt: opt}, nil
}

func stillNamed(file *os.File, name string) bool {
	open, err := file.Stat()
	if err != nil {
		return false
	}
	named, err := os.Lstat(name)
	return err == nil && os.SameFile(open, named)
}

// removeStale removes partial files of final whose owner is gone.
func removeStale(final string) error {
	dir, base := filepath.Split(final)
	if dir == "" {
		dir = "."
	}
	entries, err := os.ReadDir(dir)
	if err != nil {
		return err
	}
	prefix := "." + base + partialMark
	for _, entry := range entries {
		if random, ok := strings.CutPrefix(entry.Name(), prefix); ok && isPartialSuffix(random) {
			removeUnlocked(filepath.Join(dir, entry.Name()))
		}
	}
	return nil
}

// isPartialSuffix recognises the random part, so that no file of another
// origin is ever taken for a partial one.
func isPartialSuffix(s string) bool {
	return len(s) == 16 && strings.Trim(s, "0123456789abcdef") == ""
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

func (p *partialFile) WriteAt(b []byte, off int64) (int, error) { return p.file.WriteAt(b, off) }

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
	dir, err := os.Open(filepath.Dir(p.final))
	if err != nil {
		return err
	}
	defer dir.Close()
	return p.sync(dir)
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
