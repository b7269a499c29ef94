package ledger

import (
	"context"
	"crypto/sha256"
	"encoding/binary"
	"errors"
	"time"

	"github.com/jackc/pgx/v5"
)

// turnSession is a session of a server whose lock is the turn. The server takes
// it off when the connection ends.
type turnSession struct {
	server *postgresServer
	conn   *pgx.Conn
	lock   int64
}

// How long, in s, a server takes a silent computer for living: it looks after
// the first time, and then some times more at intervals. By its defaults the
// turn of a computer that lost its power would last for hours.
const turnKeepAlive = `SET tcp_keepalives_idle = 30; SET tcp_keepalives_interval = 10; SET tcp_keepalives_count = 3`

func (p *postgresServer) queue(ctx context.Context, who string) (ticket, error) {
	cfg := p.config.Copy()
	cfg.RuntimeParams["application_name"] = who
	// It lasts as long as the run, also where others are ended earlier.
	cfg.RuntimeParams["idle_session_timeout"] = "0"
	conn, err := pgx.ConnectConfig(ctx, cfg)
	if err != nil {
		return nil, err
	}
	t := &turnSession{server: p, conn: conn}
	if err := t.prepare(ctx); err != nil {
		return nil, errors.Join(err, t.leave())
	}
	return t, nil
}

// prepare chooses the lock: each schema of a database may have its ledger.
func (t *turnSession) prepare(ctx context.Context) error {
	if _, err := t.conn.Exec(ctx, turnKeepAlive); err != nil {
		return err
	}
	var schema string
	if err := t.conn.QueryRow(ctx, `SELECT current_schema()`).Scan(&schema); err != nil {
		return err
	}
	key := sha256.Sum256([]byte("turn of the ledger in schema " + schema))
	t.lock = int64(binary.BigEndian.Uint64(key[:]))
	return nil
}

func (t *turnSession) try(ctx context.Context) (taken bool, err error) {
	err = t.conn.QueryRow(ctx, `SELECT pg_try_advisory_lock($1)`, t.lock).Scan(&taken)
	return taken, err
}

// turnHolders are the sessions that have the lock: the server lists it in two
// halves (PostgreSQL documentation, pg_locks).
const turnHolders = ` FROM pg_locks l WHERE l.locktype = 'advisory' AND l.objsubid = 1 AND l.granted
	AND l.database = (SELECT oid FROM pg_database WHERE datname = current_database())
	AND l.classid::bigint = ($1::bigint >> 32) & 4294967295 AND l.objid::bigint = $1::bigint & 4294967295`

func (t *turnSession) holder(ctx context.Context) string {
	var who string
	err := t.conn.QueryRow(ctx, `SELECT a.application_name FROM pg_stat_activity a WHERE a.pid IN (SELECT l.pid`+turnHolders+`)`, t.lock).Scan(&who)
	if err != nil || who == "" {
		return "a session of the server (pg_locks lists it)"
	}
	return who
}

// check asks the server. A context that ends does not break the connection, by
// which the turn would be lost.
func (t *turnSession) check(ctx context.Context) error {
	patience, cancel := context.WithTimeout(context.WithoutCancel(ctx), t.server.wait)
	defer cancel()
	var mine int
	err := t.conn.QueryRow(patience, `SELECT count(*)`+turnHolders+` AND l.pid = pg_backend_pid()`, t.lock).Scan(&mine)
	if err == nil && mine == 0 {
		err = errors.New("the server knows nothing of it: name the server itself and no pool of connections")
	}
	return err
}

// leaveWithin is how long a server may take to answer the good-bye.
const leaveWithin = 5 * time.Second

// leave ends the session. The lock is given back before, because the server
// ends sessions when it comes to it.
func (t *turnSession) leave() error {
	patience, cancel := context.WithTimeout(context.Background(), leaveWithin)
	defer cancel()
	if !t.conn.IsClosed() {
		if _, err := t.conn.Exec(patience, `SELECT pg_advisory_unlock_all()`); err != nil {
			return errors.Join(err, t.conn.Close(patience))
		}
	}
	return t.conn.Close(patience)
}
