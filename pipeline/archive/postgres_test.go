package archive_test

import (
	"database/sql"
	"fmt"
	"net/url"
	"os"
	"sync/atomic"
	"testing"

	_ "github.com/jackc/pgx/v5/stdlib" // database/sql driver
)

// postgresVariable names a PostgreSQL server on which the ledgers of these
// tests lie, in place of files.
const postgresVariable = "EVENLIGHT_TEST_POSTGRES"

var schemas atomic.Int64 // numbers them, so that each archive has its own

// server is a schema on the PostgreSQL server.
type server struct {
	t      testing.TB
	db     *sql.DB
	schema string
}

// newServer makes a schema; nil where there is no server.
func newServer(t testing.TB) *server {
	t.Helper()
	address := os.Getenv(postgresVariable)
	if address == "" {
		return nil
	}
	db, err := sql.Open("pgx", address)
	must(t, err)
	s := &server{t, db, fmt.Sprintf("archive_%d_%d", os.Getpid(), schemas.Add(1))}
	s.exec("CREATE SCHEMA " + s.schema)
	t.Cleanup(func() {
		s.exec("DROP SCHEMA " + s.schema + " CASCADE")
		db.Close()
	})
	return s
}

func (s *server) exec(text string) {
	s.t.Helper()
	_, err := s.db.Exec(text)
	must(s.t, err)
}

// address is that of the ledger in the schema.
func (s *server) address() string {
	s.t.Helper()
	u, err := url.Parse(os.Getenv(postgresVariable))
	must(s.t, err)
	q := u.Query()
	q.Set("search_path", s.schema)
	u.RawQuery = q.Encode()
	return u.String()
}

// lose empties the schema.
func (s *server) lose() {
	s.t.Helper()
	s.exec("DROP SCHEMA " + s.schema + " CASCADE")
	s.exec("CREATE SCHEMA " + s.schema)
}
