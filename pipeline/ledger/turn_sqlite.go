package ledger

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
)

// turnFile is the lock by which runs on a SQLite ledger take turns. The system
// takes it off when the process ends.
type turnFile struct {
	path string
	who  string
	file *os.File
}

func (s *sqliteFile) queue(_ context.Context, who string) (ticket, error) {
	// The ledger may have several names by links, and one turn.
	path, err := filepath.EvalSymlinks(s.path)
	if err != nil {
		return nil, err
	}
	t := &turnFile{path: path + "-turn", who: who}
	return t, t.open()
}

func (t *turnFile) open() (err error) {
	t.file, err = openTurnFile(t.path)
	if err != nil {
		return fmt.Errorf("%w: it must be an ordinary file and no link, and it and its folder writable", err)
	}
	info, err := t.file.Stat()
	if err == nil && !info.Mode().IsRegular() {
		err = fmt.Errorf("%s is no ordinary file: move it away", t.path)
	}
	if err != nil {
		return errors.Join(err, t.file.Close())
	}
	return nil
}

func (t *turnFile) try(context.Context) (bool, error) {
	taken, err := tryLock(t.file)
	if err != nil || !taken {
		return false, err
	}
	if err := t.here(); err != nil {
		// Somebody removed the file between opening and locking it.
		if err := t.file.Close(); err != nil {
			return false, err
		}
		return false, t.open()
	}
	t.sign()
	return true, nil
}

// here makes sure that others who ask for the turn look at the same file.
func (t *turnFile) here() error {
	mine, err := t.file.Stat()
	if err != nil {
		return err
	}
	there, err := os.Lstat(t.path)
	if err != nil {
		return err
	}
	if !os.SameFile(mine, there) {
		return fmt.Errorf("%s is another file than before", t.path)
	}
	return nil
}

// sign says in the file who has the turn. It is only for people: a disk that is
// full must not keep a run from starting, which may be the one to report it.
func (t *turnFile) sign() {
	if err := t.file.Truncate(0); err == nil {
		_, _ = t.file.WriteAt([]byte(t.who+"\n"), 0)
	}
}

func (t *turnFile) holder(context.Context) string {
	line, err := io.ReadAll(io.NewSectionReader(t.file, 0, 1024))
	who := strings.TrimSpace(oneLine(string(line)))
	if err != nil || who == "" {
		return "a process that has not said its name (fuser " + t.path + " tells its number)"
	}
	return who
}

func (t *turnFile) check(context.Context) error { return t.here() }

// leave closes the file, which takes the lock off. The name of who had it may
// stay: it is only looked at while somebody has the turn.
func (t *turnFile) leave() error { return t.file.Close() }
