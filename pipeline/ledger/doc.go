// Package ledger remembers what was done: which raw frames were seen, which
// masters and recipes there are, which product was made from what, in which
// run, how good it was, and what there was to complain about.
//
// A ledger is a database reached through [Ledger]. By default it is one SQLite
// file, with the database built into the program; a PostgreSQL server serves
// as well, and the same tests run on both. Frames are known by their content
// and products by [ProductID], a hash of everything that made them, so that
// the same work is recognised wherever its files lie, and work that changed
// in any part is recognised as new.
//
// The ledger is an index and not an archive. Everything in it about frames,
// masters, recipes and products also stands in the headers of the files, and
// [Ledger.Rebuild] reads it back from there; runs and alerts it reads from
// whatever journal the caller keeps of them.
//
// Runs on one archive take turns ([Ledger.TakeTurn]): the turn ends with the
// process that holds it, so that nothing has to be released after a crash, and
// no clock decides whether somebody is still at work.
//
// No time in a ledger is read off a clock here: times are the caller's, kept
// to the nanosecond and returned in UTC. They must lie in the years 1678 to
// 2261.
// All methods may be called from several goroutines at once.
//
// A SQLite ledger may be shared by processes of one computer. It must not lie
// on a network file system, because its log of changes needs memory that the
// processes share (https://www.sqlite.org/wal.html, section 1); computers that
// share a ledger need a PostgreSQL server. A process that has a SQLite ledger
// open must not open and close the file by other means: POSIX takes all the
// locks of a process off a file when any descriptor of it is closed.
package ledger
