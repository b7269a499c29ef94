package ledger

import (
	"bufio"
	"context"
	"database/sql"
	"errors"
	"fmt"
	"net/url"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"time"

	"modernc.org/sqlite"
	sqlitelib "modernc.org/sqlite/lib"
)

// sqliteReaders is the number of connections for reading that are kept. There
// may be more: who goes through the frames and looks up other things meanwhile
// must not wait for others who do the same.
const sqliteReaders = 4

// Bounds, in KiB, on the pages of the file that a connection keeps in memory.
// Writing goes to all places of the indexes by hash, and those of a million
// frames hardly fit into less; reading goes along them.
const (
	writerCacheKiB = 64 << 10
	readerCacheKiB = 16 << 10
)

// keptLogBytes is the size to which the log of changes is cut back when its
// content is in the ledger's file. A rebuild makes it as large as that.
const keptLogBytes = 64 << 20

// sqliteFile is a ledger in a SQLite file.
type sqliteFile struct {
	path        string // absolute
	wait        time.Duration
	read, write *sql.DB
}

func openSQLite(path string, wait time.Duration) (*Ledger, error) {
	abs, err := filepath.Abs(path)
	if err != nil {
		return nil, fmt.Errorf("ledger %s: %w", path, err)
	}
	write, err := sql.Open("sqlite", sqliteURI(abs, wait, writerCacheKiB, "&_txlock=immediate"))
	if err != nil {
		return nil, fmt.Errorf("ledger %s: %w", path, err)
	}
	write.SetMaxOpenConns(1)
	read, err := sql.Open("sqlite", sqliteURI(abs, wait, readerCacheKiB, "&_pragma=query_only(1)"))
	if err != nil {
		return nil, fmt.Errorf("ledger %s: %w", path, errors.Join(err, write.Close()))
	}
	read.SetMaxIdleConns(sqliteReaders)
	return &Ledger{write: write, read: read, name: path, base: &sqliteFile{abs, wait, read, write}}, nil
}

// sqliteURI is a file name with settings (https://www.sqlite.org/uri.html).
// With synchronous=FULL a transaction that was committed survives a loss of
// power (https://www.sqlite.org/pragma.html#pragma_synchronous).
func sqliteURI(abs string, wait time.Duration, cacheKiB int, more string) string {
	u := url.URL{Scheme: "file", Path: filepath.ToSlash(abs)}
	return fmt.Sprintf("%s?_pragma=busy_timeout(%d)&_pragma=synchronous(FULL)&_pragma=foreign_keys(1)&_pragma=cache_size(-%d)&_pragma=journal_size_limit(%d)%s",
		u.String(), wait.Milliseconds(), cacheKiB, keptLogBytes, more)
}

// beginAgain is after what time a file is tried again that others begin.
const beginAgain = 10 * time.Millisecond

// begin makes the file write changes to a log first, so that readers and the
// writer do not wait for each other; the file remembers that. Where several
// want to do it at once SQLite does not always wait by itself.
func (s *sqliteFile) begin(ctx context.Context) error {
	patience, cancel := context.WithTimeout(ctx, s.wait)
	defer cancel()
	for {
		_, err := s.write.ExecContext(ctx, `PRAGMA journal_mode = WAL`)
		if sqliteCode(err) != sqlitelib.SQLITE_BUSY {
			return err
		}
		select {
		case <-patience.Done():
			return err
		case <-time.After(beginAgain):
		}
	}
}

// sqliteCode is the kind of an error, without what tells more about it; 0 if
// it is none of SQLite.
func sqliteCode(err error) int {
	var e *sqlite.Error
	if !errors.As(err, &e) {
		return sqlitelib.SQLITE_OK
	}
	return e.Code() & 0xff
}

func (*sqliteFile) words() *strings.Replacer {
	return strings.NewReplacer("{{key}}", "key INTEGER PRIMARY KEY", "{{lasting_key}}", "key INTEGER PRIMARY KEY AUTOINCREMENT", "{{by_primary_key}}", "WITHOUT ROWID")
}

// beginMigration refuses a database of another program. The transaction holds
// the lock for writing from its start.
func (*sqliteFile) beginMigration(ctx context.Context, tx *sql.Tx) error {
	others, err := tablesOf(ctx, tx, `SELECT count(*) FROM sqlite_master WHERE NOT EXISTS (SELECT 1 FROM sqlite_master WHERE name = 'ledger_version')`)
	if err == nil && others > 0 {
		err = fmt.Errorf("%w: name another file", errNotLedger)
	}
	return err
}

// beginBatch has nothing to do where all that write take turns.
func (*sqliteFile) beginBatch(context.Context, *sql.Tx) error { return nil }

// afterRebuild has nothing to do: SQLite does not count rows to plan queries.
func (*sqliteFile) afterRebuild(context.Context, *sql.Tx) error { return nil }

// snapshotOptions are none: all transactions are so in SQLite.
func (*sqliteFile) snapshotOptions() *sql.TxOptions { return nil }

// check runs SQLite's own search for damage
// (https://www.sqlite.org/pragma.html#pragma_quick_check).
func (s *sqliteFile) check(ctx context.Context) error {
	var found string
	if err := s.read.QueryRowContext(ctx, `PRAGMA quick_check(1)`).Scan(&found); err != nil {
		return err
	}
	if found != "ok" {
		return fmt.Errorf("%w: %s: %s", ErrCorrupt, strings.Join(strings.Fields(found), " "), corruptRemedy)
	}
	return nil
}

const corruptRemedy = "move the file and those beside it that begin with its name away, and make it anew from the archive's headers: 'evenlight ledger rebuild --archive FILE', then 'evenlight intake --archive FILE'"

func (s *sqliteFile) explain(_ context.Context, err error) (error, bool) {
	switch sqliteCode(err) {
	case sqlitelib.SQLITE_BUSY, sqlitelib.SQLITE_LOCKED:
		return fmt.Errorf("%w by %s for longer than %v: wait until it is done, or allow a longer wait", ErrLocked, s.holder(), s.wait), false
	case sqlitelib.SQLITE_CORRUPT, sqlitelib.SQLITE_NOTADB:
		return fmt.Errorf("%w: %w: %s", ErrCorrupt, err, corruptRemedy), false
	case sqlitelib.SQLITE_CANTOPEN:
		return fmt.Errorf("%w: its folder must exist and be writable", err), false
	case sqlitelib.SQLITE_READONLY, sqlitelib.SQLITE_PERM:
		return fmt.Errorf("%w: allow writing to the file and its folder", err), false
	case sqlitelib.SQLITE_FULL:
		return fmt.Errorf("%w: make room on the disk", err), false
	case sqlitelib.SQLITE_IOERR:
		return fmt.Errorf("%w: see that its disk has room and is well", err), false
	}
	return err, false
}

// holder names the process that is writing, as far as the system tells.
func (s *sqliteFile) holder() string {
	f, err := os.Open("/proc/locks")
	if err != nil {
		return "another process"
	}
	defer f.Close()
	inode, err := inodeOf(s.path + "-shm")
	if err != nil {
		return "another process"
	}
	for lines := bufio.NewScanner(f); lines.Scan(); {
		if pid, ok := writerIn(lines.Text(), inode); ok {
			return processName(pid)
		}
	}
	return "another process"
}

// walWriteLock is the byte of the shared-memory file that whoever is writing
// has locked (https://www.sqlite.org/walformat.html, section 2.3.2).
const walWriteLock = 120

// writerIn tells which process a line of /proc/locks says is writing. A line
// is "1: POSIX ADVISORY WRITE pid major:minor:inode first last" (proc(5)).
func writerIn(line string, inode uint64) (pid int, ok bool) {
	f := strings.Fields(line)
	if len(f) != 8 || f[1] != "POSIX" || f[3] != "WRITE" {
		return 0, false
	}
	if f[5][strings.LastIndexByte(f[5], ':')+1:] != strconv.FormatUint(inode, 10) {
		return 0, false
	}
	first, err := strconv.Atoi(f[6])
	if err != nil || first > walWriteLock {
		return 0, false
	}
	if last, err := strconv.Atoi(f[7]); f[7] != "EOF" && (err != nil || last < walWriteLock) {
		return 0, false
	}
	pid, err = strconv.Atoi(f[4])
	return pid, err == nil && pid > 0
}

func processName(pid int) string {
	if pid == os.Getpid() {
		return "another part of this process"
	}
	name, err := os.ReadFile(fmt.Sprintf("/proc/%d/comm", pid))
	if err != nil {
		return fmt.Sprintf("process %d", pid)
	}
	return fmt.Sprintf("process %d (%s)", pid, strings.TrimSpace(string(name)))
}
