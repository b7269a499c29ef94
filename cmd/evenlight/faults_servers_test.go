//go:build unix

package main

import (
	"database/sql"
	"errors"
	"fmt"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"time"
)

// serverVariable names a PostgreSQL server on which tests make schemas of their
// own, as scripts/with-postgres gives it.
const serverVariable = "EVENLIGHT_TEST_POSTGRES"

var schemas atomic.Int64 // numbers them, so that each test has its own

// newSchema makes a schema for a test and returns the address of a ledger in it.
func newSchema(t *testing.T, server string) string {
	t.Helper()
	name := fmt.Sprintf("faults_%d_%d", os.Getpid(), schemas.Add(1))
	tellServer(t, server, `CREATE SCHEMA `+name)
	t.Cleanup(func() { tellServer(t, server, `DROP SCHEMA `+name+` CASCADE`) })
	u, err := url.Parse(server)
	if err != nil {
		t.Fatal(err)
	}
	q := u.Query()
	q.Set("search_path", name)
	u.RawQuery = q.Encode()
	return u.String()
}

// tellServer keeps no connection, of which a server has few.
func tellServer(t *testing.T, server, statement string) {
	t.Helper()
	db, err := sql.Open("pgx", server)
	if err != nil {
		t.Fatal(err)
	}
	_, err = db.Exec(statement)
	if err := errors.Join(err, db.Close()); err != nil {
		t.Error(err)
	}
}

func TestSeveralRunsOnOneArchiveMakeEachProductOnce(t *testing.T) {
	d := sharedDownlink(t, 21)
	t.Run("sqlite", func(t *testing.T) { mustShareArchive(t, newKept(t, t.TempDir(), d.profile), d) })
	t.Run("postgres", func(t *testing.T) {
		server := os.Getenv(serverVariable)
		if server == "" {
			t.Skipf("%s names no server: scripts/faults starts one", serverVariable)
		}
		address := newSchema(t, server)
		a := newKept(t, t.TempDir(), d.profile, fmt.Sprintf("ledger: %q", address))
		a.ledger = address
		mustShareArchive(t, a, d)
	})
}

// mustShareArchive lets two services and two loops of one-shot runs work on an
// archive while frames arrive.
func mustShareArchive(t *testing.T, a *kept, d *downlink) {
	reference := inProcesses(arrived(t, t.TempDir(), d))
	reference.intake(exitDone)
	a.accept(d)

	services := []*exec.Cmd{a.start("watch"), a.start("watch")}
	t.Cleanup(func() {
		for _, s := range services {
			if s.ProcessState == nil {
				_ = s.Process.Kill() // it may have ended
				_ = s.Wait()
			}
		}
	})
	arrivedAll := make(chan struct{})
	var loops sync.WaitGroup
	for range 2 {
		loops.Go(func() {
			for {
				select {
				case <-arrivedAll:
					return
				default:
				}
				// Another may be at work for longer than this one waits.
				c := a.command("intake", "--wait", "100ms")
				if err := c.Run(); err != nil && c.ProcessState.ExitCode() != exitBusy {
					t.Errorf("intake: %v", err)
				}
			}
		})
	}
	for i, scene := range d.scenes {
		content := readFile(t, scene)
		path := a.path("raw", filepath.Base(scene))
		for _, piece := range [][]byte{content[:len(content)/3], content} {
			if err := os.WriteFile(path, piece, 0o600); err != nil {
				t.Fatal(err)
			}
			time.Sleep(time.Duration(10+7*i%30) * time.Millisecond)
		}
	}
	waitFor(t, "all products", func() bool {
		n := 0
		for rel := range a.identities("products") {
			if !isHidden(rel) {
				n++
			}
		}
		return n >= len(d.scenes)
	})
	close(arrivedAll)
	loops.Wait()
	for _, s := range services {
		if err := s.Process.Signal(syscall.SIGTERM); err != nil {
			t.Fatal(err)
		}
	}
	for _, s := range services {
		if err := s.Wait(); err != nil {
			t.Errorf("a service that was told to stop: %v", err)
		}
	}
	if t.Failed() {
		t.Logf("%.4000s", a.logText())
	}
	made := a.events("frame-done")
	if len(made) != len(d.scenes) {
		t.Errorf("%d products were made, want %d", len(made), len(d.scenes))
	}
	a.mustBeMadeOnce(a.logText())
	if n := len(a.events("product-adopted")); n > 0 {
		t.Errorf("%d products were taken over from runs that had not ended", n)
	}
	if r, _ := a.intake(exitDone); r.Counts.Done+r.Adopted > 0 {
		t.Errorf("when all was done another intake did something: %+v", r)
	}
	a.mustBeIn("products", reference.tree("products"))
	a.mustHoldNoPartials("products", "earlier", "quarantine")
	mustHaveNoneAside(t, a)
	a.mustAgree(len(d.scenes))
	a.mustPlanNothing()
}

// waitFor waits until something holds. The bound is only there so that a test
// that fails ends.
func waitFor(t *testing.T, what string, holds func() bool) {
	t.Helper()
	for end := time.Now().Add(2 * time.Minute); !holds(); time.Sleep(20 * time.Millisecond) {
		if time.Now().After(end) {
			t.Fatalf("waited in vain for %s", what)
		}
	}
}

func TestARunThatMayNotWaitLeavesWithItsOwnCodeAndSaysWhoIsAtWork(t *testing.T) {
	d := sharedDownlink(t, 3)
	a := inProcesses(arrived(t, t.TempDir(), d))
	a.mustRun(exitDone, "status")
	l := a.openLedger()
	defer l.Close()
	turn, err := l.TakeTurn(t.Context(), "the test", 0)
	if err != nil {
		t.Fatal(err)
	}
	for _, words := range [][]string{{"intake", "--wait", "0s"}, {"ledger", "rebuild"}} {
		got := a.mustRun(exitBusy, words...)
		mustContain(t, strings.Join(words, " "), message(got), "the test", fmt.Sprintf("process %d", os.Getpid()))
	}
	if err := turn.End(); err != nil {
		t.Fatal(err)
	}
	a.intake(exitDone, "--wait", "0s")
	a.mustAgree(len(d.scenes))
}
