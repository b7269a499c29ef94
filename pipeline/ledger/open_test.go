package ledger_test

import (
	"bytes"
	"context"
	"database/sql"
	"errors"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"evenlight/pipeline/ledger"
)

func TestALedgerKeepsWhatItHoldsWhenItIsOpenedAgain(t *testing.T) {
	onEach(t, func(t *testing.T, address string) {
		l, err := ledger.Open(context.Background(), address, ledger.Options{})
		must(t, err)
		made(t, l, 1, 2)
		want := got[string](t)(l.Dump(context.Background()))
		must(t, l.Close())
		if again := got[string](t)(open(t, address).Dump(context.Background())); again != want {
			t.Errorf("then\n%s\nand now\n%s", want, again)
		}
	})
}

// Characters that mean something in a URI are no different in a path.
func TestThePathOfALedgerMayBeAnyPath(t *testing.T) {
	for _, name := range []string{"a?b=c", "100%25.db", "with space#1", "été.db", "_pragma=query_only(1)&x.db"} {
		path := filepath.Join(t.TempDir(), name)
		l := open(t, path)
		must(t, l.AddFrames(context.Background(), []ledger.Frame{frame(1)}))
		if _, err := os.Stat(path); err != nil {
			t.Errorf("the ledger is not at its path: %v", err)
		}
	}
}

func TestACommittedChangeIsOnTheDisk(t *testing.T) {
	l := open(t, filepath.Join(t.TempDir(), "ledger.db"))
	for pragma, want := range map[string]string{"journal_mode": "wal", "synchronous": "2", "foreign_keys": "1"} { // 2 is FULL
		var is string
		must(t, l.Writer().QueryRow(`PRAGMA `+pragma).Scan(&is))
		if is != want {
			t.Errorf("%s is %s, want %s", pragma, is, want)
		}
	}
}

func TestAnOlderLedgerIsBroughtUpToDate(t *testing.T) {
	onEach(t, func(t *testing.T, address string) {
		ctx := context.Background()
		l := open(t, address)
		made(t, l, 1)
		before := got[int](t)(l.Version(ctx))
		must(t, l.MigrateWith(ctx, `ALTER TABLE run ADD COLUMN note TEXT NOT NULL DEFAULT ''`, `CREATE TABLE added (note TEXT)`))
		if now := got[int](t)(l.Version(ctx)); now != before+2 {
			t.Errorf("version %d, want %d", now, before+2)
		}
		if _, err := l.Writer().Exec(`INSERT INTO added (note) SELECT note FROM run`); err != nil {
			t.Errorf("the steps were not taken: %v", err)
		}
		made(t, l, 1)
	})
}

func TestAStepThatFailsLeavesTheLedgerAsItWas(t *testing.T) {
	onEach(t, func(t *testing.T, address string) {
		ctx := context.Background()
		l := open(t, address)
		before := got[int](t)(l.Version(ctx))
		if err := l.MigrateWith(ctx, `CREATE TABLE added (note TEXT)`, `CREATE NONSENSE`); err == nil || !strings.Contains(err.Error(), "step 3") {
			t.Errorf("error %v, want that step 3 failed", err)
		}
		if now := got[int](t)(l.Version(ctx)); now != before {
			t.Errorf("version %d, want %d", now, before)
		}
		if _, err := l.Writer().Exec(`SELECT * FROM added`); err == nil {
			t.Error("the step before the one that failed has left its table")
		}
	})
}

func TestANewerLedgerIsRefusedWithAWayOut(t *testing.T) {
	onEach(t, func(t *testing.T, address string) {
		l := open(t, address)
		must(t, l.MigrateWith(context.Background(), `CREATE TABLE added (note TEXT)`))
		_, err := ledger.Open(context.Background(), address, ledger.Options{})
		refused(t, err, ledger.ErrNewer, l.Name(), "version 2", "up to 1", "install", "rebuild")
	})
}

// refused wants an error that wraps another and says some words.
func refused(t *testing.T, err, want error, words ...string) {
	t.Helper()
	if want != nil && !errors.Is(err, want) {
		t.Fatalf("error %v, want %v", err, want)
	}
	for _, w := range words {
		if err == nil || !strings.Contains(err.Error(), w) {
			t.Errorf("the error %v does not say %q", err, w)
		}
	}
}

func TestADamagedLedgerIsRefusedWithAWayOut(t *testing.T) {
	path := filepath.Join(t.TempDir(), "ledger.db")
	l, err := ledger.Open(context.Background(), path, ledger.Options{})
	must(t, err)
	made(t, l, 1, 2, 3)
	must(t, l.Close()) // and so all is in the one file
	whole, err := os.ReadFile(path)
	must(t, err)
	const page = 4096
	found := 0
	for at := page; at < len(whole); at += page { // the first page holds the header and the tables' definitions
		damaged := bytes.Clone(whole)
		copy(damaged[at:], bytes.Repeat([]byte{0xa5}, page))
		must(t, os.WriteFile(path, damaged, 0o666))
		l, err := ledger.Open(context.Background(), path, ledger.Options{})
		if err == nil {
			l.Close()
			continue // that page was free
		}
		found++
		refused(t, err, ledger.ErrCorrupt, path, "move the file", "rebuild")
	}
	if pages := len(whole)/page - 1; found < pages-1 {
		t.Errorf("damage is found in %d of %d pages", found, pages)
	}
}

func TestAFileThatIsNoLedgerIsRefused(t *testing.T) {
	path := filepath.Join(t.TempDir(), "notes.txt")
	text := []byte(strings.Repeat("not a database\n", 100))
	must(t, os.WriteFile(path, text, 0o666))
	_, err := ledger.Open(context.Background(), path, ledger.Options{})
	refused(t, err, ledger.ErrCorrupt, path, "move the file")
	if now, err := os.ReadFile(path); err != nil || !bytes.Equal(now, text) {
		t.Error("the file was changed")
	}
}

func TestADatabaseOfAnotherProgramIsRefused(t *testing.T) {
	onEach(t, func(t *testing.T, address string) {
		driver := "sqlite"
		if strings.HasPrefix(address, "postgres") {
			driver = "pgx"
		}
		db, err := sql.Open(driver, address)
		must(t, err)
		_, err = db.Exec(`CREATE TABLE songs (title TEXT)`)
		must(t, errors.Join(err, db.Close()))
		_, err = ledger.Open(context.Background(), address, ledger.Options{})
		refused(t, err, nil, "holds other things and no ledger", "another")
	})
}

func TestALedgerThatCannotBeMadeSaysWhy(t *testing.T) {
	path := filepath.Join(t.TempDir(), "nowhere", "ledger.db")
	_, err := ledger.Open(context.Background(), path, ledger.Options{})
	refused(t, err, nil, path, "folder must exist")
}

func TestAPasswordIsInNoError(t *testing.T) {
	const secret, quoted = "Sw0rd/fish&%", "Sw0rd%2Ffish&%25"
	addresses := map[string]string{
		"nobody listens":    "postgres://user:" + quoted + "@127.0.0.1:1/db?connect_timeout=1",
		"a bad port":        "postgres://user:" + quoted + "@127.0.0.1:port/db",
		"a bad escape":      "postgres://user:" + secret + "zz@127.0.0.1/db",
		"a bad parameter":   "postgres://user:" + quoted + "@127.0.0.1/db?sslmode=perhaps",
		"as a parameter":    "postgres://user@127.0.0.1:1/db?connect_timeout=1&password=" + url.QueryEscape(secret),
		"no such socket":    "postgres://user:" + quoted + "@/db?host=/nonexistent",
		"a host of nowhere": "postgresql://user:" + quoted + "@[::1]:1/db?connect_timeout=1",
	}
	if server := os.Getenv(postgresVariable); server != "" {
		u, err := url.Parse(server)
		must(t, err)
		u.User = url.UserPassword(u.User.Username(), secret)
		addresses["the wrong one"] = u.String()
	}
	for name, address := range addresses {
		_, err := ledger.Open(context.Background(), address, ledger.Options{Wait: time.Second})
		if err == nil {
			t.Errorf("%s: no error", name)
			continue
		}
		for _, form := range []string{secret, quoted, url.QueryEscape(secret), "Sw0rd"} {
			if strings.Contains(err.Error(), form) {
				t.Errorf("%s: the error quotes the password: %v", name, err)
			}
		}
		if !strings.Contains(err.Error(), "ledger") || !strings.Contains(err.Error(), "address") {
			t.Errorf("%s: the error does not say what to look at: %v", name, err)
		}
	}
}

func TestANameOfAServerIsWithoutUserAndPassword(t *testing.T) {
	server := os.Getenv(postgresVariable)
	if server == "" {
		t.Skip(postgresVariable + " names no server")
	}
	l := open(t, newSchema(t, server))
	u, err := url.Parse(server)
	must(t, err)
	password, _ := u.User.Password()
	if name := l.Name(); !strings.HasPrefix(name, "postgres://") || strings.Contains(name, u.User.Username()) || password != "" && strings.Contains(name, password) {
		t.Errorf("name %q", name)
	}
}

func TestAWorkThatIsCalledOffLeavesNothing(t *testing.T) {
	onLedger(t, func(t *testing.T, l *ledger.Ledger) {
		ctx, cancel := context.WithCancel(context.Background())
		_, err := l.Rebuild(ctx, func(yield func(ledger.Record, error) bool) {
			o := outcome(1)
			if !yield(ledger.Record{Recipe: &recipe, Outcome: &o}, nil) {
				return
			}
			cancel()
			yield(ledger.Record{Recipe: &recipe, Outcome: &o}, nil)
		})
		if !errors.Is(err, context.Canceled) {
			t.Errorf("error %v", err)
		}
		if left := got[string](t)(l.Dump(context.Background())); left != "" {
			t.Errorf("left:\n%s", left)
		}
	})
}
