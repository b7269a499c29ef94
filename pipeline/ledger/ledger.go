package ledger

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"strings"
	"time"
)

// Errors that a caller may want to tell apart. The errors that methods return
// wrap them, and say which ledger, what was being done and what helps.
var (
	// ErrNewer: the ledger was written by a newer version of the software.
	ErrNewer = errors.New("the ledger is of a newer version")
	// ErrCorrupt: the ledger's file is damaged, or is no ledger.
	ErrCorrupt = errors.New("the ledger is damaged")
	// ErrLocked: somebody else held the ledger for longer than Options.Wait.
	ErrLocked = errors.New("the ledger is locked")
	// ErrUnfit: what was to be recorded is nothing that a ledger can hold.
	ErrUnfit = errors.New("a ledger cannot hold this")
	// ErrUnknown: what was named is not in the ledger.
	ErrUnknown = errors.New("not in the ledger")
	// ErrBusy: another run has the turn.
	ErrBusy = errors.New("another run has the turn")
	// ErrTurnLost: the turn under which work was done is no longer held.
	ErrTurnLost = errors.New("the turn was lost")
)

// Options says how a ledger is opened.
type Options struct {
	// Wait is how long to wait for somebody else who is writing; 0: 10 s.
	Wait time.Duration
	// SkipCheck leaves out the search for damage when a SQLite ledger is
	// opened. The search reads the whole file.
	SkipCheck bool
}

const defaultWait = 10 * time.Second

// Ledger is an open ledger.
type Ledger struct {
	// write and read are one pool of connections to a server. With SQLite
	// write is one connection, for which goroutines queue, and read are
	// several, which the writer does not hold up.
	write, read *sql.DB
	base        database
	name        string
}

// database is what the kinds of database do differently.
type database interface {
	// begin comes before anything else.
	begin(ctx context.Context) error
	// words are put for the words in double braces in the migrations.
	words() *strings.Replacer
	// beginMigration makes sure that nobody else migrates at the same time,
	// and that the database is ours or empty.
	beginMigration(ctx context.Context, tx *sql.Tx) error
	// beginBatch makes batches take turns, which would else wait for each
	// other's rows in a circle.
	beginBatch(ctx context.Context, tx *sql.Tx) error
	// explain says what an error means and what helps, and takes out of it
	// what is nobody's business. The second value tells whether the same
	// transaction may succeed when it is tried again.
	explain(ctx context.Context, err error) (error, bool)
	// afterRebuild lets the database take note of what the tables now hold.
	afterRebuild(ctx context.Context, tx *sql.Tx) error
	// snapshotOptions make a transaction see the database of one moment.
	snapshotOptions() *sql.TxOptions
	// queue gets ready to wait for the turn in somebody's name.
	queue(ctx context.Context, who string) (ticket, error)
	// check searches for damage.
	check(ctx context.Context) error
}

// Open opens the ledger at an address, and makes it or brings it up to date if
// need be. The address is the path of a file, or the URL
// postgres://user@host:port/database of a PostgreSQL server, whose
// documentation (libpq, "Connection URIs") lists the parameters; a password is
// better kept in the file ~/.pgpass than in the URL. A password never appears
// in an error.
func Open(ctx context.Context, address string, opt Options) (*Ledger, error) {
	if opt.Wait == 0 {
		opt.Wait = defaultWait
	}
	open := openSQLite
	if isServer(address) {
		open = openPostgres
	}
	l, err := open(address, opt.Wait)
	if err != nil {
		return nil, err
	}
	if err := l.prepare(ctx, opt); err != nil {
		return nil, errors.Join(err, l.Close())
	}
	return l, nil
}

func (l *Ledger) prepare(ctx context.Context, opt Options) error {
	if err := l.base.begin(ctx); err != nil {
		return l.explain(ctx, "open", err)
	}
	if !opt.SkipCheck {
		if err := l.Check(ctx); err != nil {
			return err
		}
	}
	steps, err := migrations()
	if err != nil {
		return err
	}
	return l.migrate(ctx, steps)
}

// Close closes the ledger.
func (l *Ledger) Close() error {
	err := l.write.Close()
	if l.read != l.write {
		err = errors.Join(err, l.read.Close())
	}
	return err
}

// Name is the ledger's address without user and password.
func (l *Ledger) Name() string { return l.name }

// Check searches a SQLite ledger for damage, and wraps [ErrCorrupt] if there
// is any. A server looks after its files itself.
func (l *Ledger) Check(ctx context.Context) error {
	if err := l.base.check(ctx); err != nil {
		return l.explain(ctx, "search for damage", err)
	}
	return nil
}

func (l *Ledger) explain(ctx context.Context, doing string, err error) error {
	meaning, _ := l.base.explain(ctx, err)
	return fmt.Errorf("ledger %s: %s: %w", l.name, doing, meaning)
}
