package ledger

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"net"
	"net/url"
	"strconv"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"
	"github.com/jackc/pgx/v5/stdlib"
)

// What one process keeps of connections, and the most that it uses at a time.
// Who goes through the frames and looks up other things meanwhile uses two.
const (
	postgresConnections     = 8
	mostPostgresConnections = 32
)

// postgresServer is a ledger on a PostgreSQL server.
type postgresServer struct {
	db     *sql.DB
	config *pgx.ConnConfig
	wait   time.Duration
	secret []string // what must not appear in an error
}

func isServer(address string) bool {
	return strings.HasPrefix(address, "postgres://") || strings.HasPrefix(address, "postgresql://")
}

func openPostgres(address string, wait time.Duration) (*Ledger, error) {
	cfg, err := pgx.ParseConfig(address)
	if err != nil {
		// The error may quote the address with the password in it.
		return nil, errors.New("ledger: the address of the PostgreSQL server is not of the form postgres://user@host:port/database?name=value, or one of its parameters is wrong: special characters in a URL are written as % and two digits")
	}
	if cfg.RuntimeParams["application_name"] == "" {
		cfg.RuntimeParams["application_name"] = "evenlight"
	}
	// What was recorded while a statement waited has to be seen by the next.
	cfg.RuntimeParams["default_transaction_isolation"] = "read committed"
	// All statements go along indexes. The server would remember that a table
	// was empty when a long transaction began, and search all of it each time.
	// What that does to the server's estimates would have it compile statements
	// that take no time.
	cfg.RuntimeParams["enable_seqscan"] = "off"
	cfg.RuntimeParams["jit"] = "off"
	cfg.RuntimeParams["lock_timeout"] = strconv.FormatInt(wait.Milliseconds(), 10)
	db := stdlib.OpenDB(*cfg)
	db.SetMaxOpenConns(mostPostgresConnections)
	db.SetMaxIdleConns(postgresConnections)
	return &Ledger{write: db, read: db, name: serverName(cfg), base: &postgresServer{db, cfg, wait, secrets(cfg.Password)}}, nil
}

func serverName(cfg *pgx.ConnConfig) string {
	host := cfg.Host
	if !strings.HasPrefix(host, "/") { // else the folder of a socket
		host = net.JoinHostPort(host, strconv.Itoa(int(cfg.Port)))
	}
	return "postgres://" + host + "/" + cfg.Database
}

// secrets are the forms in which a password could be quoted.
func secrets(password string) []string {
	if password == "" {
		return nil
	}
	return []string{password, url.QueryEscape(password), url.PathEscape(password)}
}

// begin asks the server whether it is there.
func (p *postgresServer) begin(ctx context.Context) error { return p.db.PingContext(ctx) }

func (*postgresServer) words() *strings.Replacer {
	const key = "key BIGINT GENERATED ALWAYS AS IDENTITY PRIMARY KEY"
	return strings.NewReplacer("{{key}}", key, "{{lasting_key}}", key, "{{by_primary_key}}", "")
}

// The numbers of the locks by which migrations and batches take turns. They
// mean nothing, but must never change.
const (
	migrationLock int64 = 7_305_216_840
	batchLock     int64 = 7_305_216_841
)

func takeTurns(ctx context.Context, tx *sql.Tx, lock int64) error {
	_, err := tx.ExecContext(ctx, `SELECT pg_advisory_xact_lock($1)`, lock)
	return err
}

func (*postgresServer) beginBatch(ctx context.Context, tx *sql.Tx) error {
	return takeTurns(ctx, tx, batchLock)
}

func (*postgresServer) beginMigration(ctx context.Context, tx *sql.Tx) error {
	if err := takeTurns(ctx, tx, migrationLock); err != nil {
		return err
	}
	others, err := tablesOf(ctx, tx, `SELECT count(*) FROM pg_tables WHERE schemaname = current_schema()
		AND NOT EXISTS (SELECT 1 FROM pg_tables WHERE schemaname = current_schema() AND tablename = 'ledger_version')`)
	if err == nil && others > 0 {
		err = fmt.Errorf("%w: name another database, one for the ledger alone", errNotLedger)
	}
	return err
}

// afterRebuild counts the rows, by which the server plans its queries, and
// which it would else do some minutes later.
func (*postgresServer) afterRebuild(ctx context.Context, tx *sql.Tx) error {
	_, err := tx.ExecContext(ctx, `ANALYZE `+strings.Join(filesTables, ", "))
	return err
}

func (*postgresServer) snapshotOptions() *sql.TxOptions {
	return &sql.TxOptions{Isolation: sql.LevelRepeatableRead, ReadOnly: true}
}

func (*postgresServer) check(context.Context) error { return nil }

// Codes of errors (PostgreSQL documentation, appendix A).
const (
	pgSerialization = "40001"
	pgDeadlock      = "40P01"
	pgUnique        = "23505"
	pgLockWait      = "55P03"
	pgNoDatabase    = "3D000"
	pgNoSchema      = "3F000"
	pgDiskFull      = "53100"
	pgDamagedData   = "XX001"
	pgDamagedIndex  = "XX002"
	pgTooMany       = "53300"
)

func (p *postgresServer) explain(ctx context.Context, err error) (error, bool) {
	var e *pgconn.PgError
	var connect *pgconn.ConnectError
	switch {
	case errors.As(err, &connect) && ctx.Err() != nil:
		return fmt.Errorf("%s: %w", p.clean(err.Error()), ctx.Err()), false
	case errors.As(err, &e) && e.Code == pgTooMany:
		return fmt.Errorf("%s: the server has no room for another connection: wait, or raise its max_connections", p.clean(err.Error())), false
	case errors.As(err, &connect):
		// It holds the whole configuration, so that only its words go on.
		return fmt.Errorf("%s: see that the server runs and that the address, the user and the password are right", p.clean(err.Error())), false
	case !errors.As(err, &e):
		return err, false
	}
	switch e.Code {
	case pgSerialization, pgDeadlock:
		return err, true
	case pgUnique: // two made a product of the same part at the same moment
		return err, e.ConstraintName == "product_current"
	case pgLockWait:
		return fmt.Errorf("%w by %s for longer than %v: wait until it is done, or allow a longer wait", ErrLocked, p.holder(ctx), p.wait), false
	case pgNoDatabase, pgNoSchema:
		return fmt.Errorf("%w: make it with createdb or CREATE SCHEMA", err), false
	case pgDiskFull:
		return fmt.Errorf("%w: make room on the server's disk", err), false
	case pgDamagedData, pgDamagedIndex:
		return fmt.Errorf("%w: %w: restore the database, or make an empty one and rebuild the ledger from the archive's headers", ErrCorrupt, err), false
	}
	return err, false
}

func (p *postgresServer) clean(text string) string {
	for _, s := range p.secret {
		text = strings.ReplaceAll(text, s, "***")
	}
	return text
}

// holder names the session whose transaction began first, which is the most
// likely one to hold up the others.
func (p *postgresServer) holder(ctx context.Context) string {
	var pid int
	var program, client string
	err := p.db.QueryRowContext(ctx, `SELECT pid, application_name, coalesce(client_addr::text, 'this computer') FROM pg_stat_activity
		WHERE datname = current_database() AND pid <> pg_backend_pid() AND xact_start IS NOT NULL
		ORDER BY xact_start LIMIT 1`).Scan(&pid, &program, &client)
	if err != nil {
		return "another session (pg_stat_activity lists them)"
	}
	return fmt.Sprintf("session %d of the server (%s on %s)", pid, program, client)
}
