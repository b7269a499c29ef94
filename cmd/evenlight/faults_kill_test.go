//go:build unix

package main

import (
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"syscall"
	"testing"
	"time"

	"evenlight/pipeline"
)

// killsVariable sets the number of kills of each phase; scripts/faults does.
const killsVariable = "EVENLIGHT_KILLS"

func killsOfPhase(t *testing.T) int {
	t.Helper()
	if text := os.Getenv(killsVariable); text != "" {
		n, err := strconv.Atoi(text)
		if err != nil || n < 1 {
			t.Fatalf("%s=%s: name a number from 1", killsVariable, text)
		}
		return n
	}
	return fewer(30)
}

// killsOfArchive is how often at most the work on one archive is killed before
// it is brought to its end.
const killsOfArchive = 6

// phase is work on an archive that is killed.
type phase struct {
	name string
	// ready makes an archive in dir on which the work begins.
	ready func(t *testing.T, dir string) *kept
	words []string // of the command
	// codes are those of a run that comes to its end.
	codes []int
	// meanwhile, if set, goes on while the command runs, until the context
	// ends. Such a command does not end by itself; span is how long it is
	// observed.
	meanwhile func(ctx context.Context, a *kept)
	span      time.Duration
	// finish brings the work to its end.
	finish func(a *kept)
	// made is the number of frames that then have a product.
	made int
	// check, if set, looks at what is particular to the phase.
	check func(t *testing.T, a *kept)
}

// siege kills a phase again and again.
type siege struct {
	*phase
	t       *testing.T
	random  *rand.Rand
	span    time.Duration
	want    map[string]map[string]string // by folder: files of an undisturbed archive
	caught  int
	adopted int // products that a kill left without a record
}

// compared are the folders that hold the same after kills as without.
var compared = []string{"products", "earlier", "raw"}

func TestKilledWorkOnAnArchiveTearsNothingLosesNothingAndIsNotDoneTwice(t *testing.T) {
	n := killsOfPhase(t)
	for i, p := range phasesOf(t) {
		t.Run(p.name, func(t *testing.T) {
			t.Parallel()
			s := &siege{phase: &p, t: t, random: rand.New(rand.NewPCG(20310405, uint64(i)))}
			s.observe()
			archives := 0
			for s.caught < n {
				if archives++; archives > 20*n {
					t.Fatalf("caught only %d runs before they ended", s.caught)
				}
				s.round()
				if t.Failed() {
					break
				}
			}
			t.Logf("%d kills within %v, %d archives, %d products taken over", s.caught, s.span.Round(time.Millisecond), archives, s.adopted)
		})
	}
}

// observe does the work undisturbed, and takes its usual duration as the time
// within which it is killed.
func (s *siege) observe() {
	var spans []time.Duration
	for range 3 {
		a := s.ready(s.t, s.t.TempDir())
		start := time.Now()
		if s.meanwhile == nil {
			a.here = false // the time that a process takes counts
			a.mustRun(s.codes[0], s.words...)
			a.here = true
		}
		spans = append(spans, time.Since(start))
		s.finish(a)
		s.want = map[string]map[string]string{}
		for _, folder := range compared {
			s.want[folder] = a.tree(folder)
		}
		s.mustBeDone(a)
	}
	slices.Sort(spans)
	s.span = max(s.phase.span, spans[1])
}

// round makes an archive, kills the work on it some times, and brings it to
// its end.
func (s *siege) round() {
	dir, err := os.MkdirTemp(s.t.TempDir(), "")
	if err != nil {
		s.t.Fatal(err)
	}
	a := s.ready(s.t, dir)
	begin := len(a.logText())
	complete := map[string]identity{}
	for range killsOfArchive {
		if !s.kill(a) {
			break
		}
		s.caught++
		when := fmt.Sprintf("kill %d", s.caught)
		a.mustBeWhole(when)
		a.mustBeUntouched(when, "products", complete)
		s.noteComplete(a, complete)
	}
	s.finish(a)
	a.mustBeUntouched("the end", "products", complete)
	log := a.logText()[begin:]
	a.mustBeMadeOnce(log)
	s.adopted += len(eventsIn(log, "product-adopted"))
	s.mustBeDone(a)
	if s.t.Failed() {
		s.t.Logf("after kill %d the log ends with\n%s", s.caught, log[max(0, len(log)-3000):])
	}
	if err := os.RemoveAll(dir); err != nil {
		s.t.Error(err)
	}
}

// kill starts the work and kills it at a random moment. It tells whether the
// work was still under way then.
func (s *siege) kill(a *kept) bool {
	s.t.Helper()
	c := a.start(s.words...)
	ctx, stop := context.WithCancel(s.t.Context())
	ended := make(chan struct{})
	go func() {
		defer close(ended)
		if s.meanwhile != nil {
			s.meanwhile(ctx, a)
		}
	}()
	time.Sleep(time.Duration(s.random.Float64() * float64(s.span)))
	// The process may have ended already, which Wait tells.
	_ = c.Process.Kill()
	err := c.Wait()
	stop()
	<-ended
	if code, killed := endOf(s.t, err); !killed {
		if !slices.Contains(s.codes, code) {
			s.t.Fatalf("a run that was not killed ended with code %d, want one of %v\n%s", code, s.codes, a.logText())
		}
		return false
	}
	return true
}

// endOf tells a killed run from one that ended, and the code of that.
func endOf(t *testing.T, err error) (code int, killed bool) {
	t.Helper()
	if err == nil {
		return 0, false
	}
	var exit *exec.ExitError
	if !errors.As(err, &exit) {
		t.Fatal(err)
	}
	status := exit.Sys().(syscall.WaitStatus)
	return exit.ExitCode(), status.Signaled() && status.Signal() == syscall.SIGKILL
}

// noteComplete remembers the products that are what they should be: nobody has
// to make them again.
func (s *siege) noteComplete(a *kept, complete map[string]identity) {
	ids := a.identities("products")
	for rel, sum := range a.tree("products") {
		if sum == s.want["products"][rel] {
			complete[rel] = ids[rel]
		}
	}
}

// mustBeDone fails unless the archive is as if nothing had happened.
func (s *siege) mustBeDone(a *kept) {
	s.t.Helper()
	a.mustBeWhole("the end")
	for _, folder := range compared {
		a.mustBeIn(folder, s.want[folder])
	}
	a.mustHoldNoPartials("products", "earlier", "quarantine", "masters", "raw")
	a.mustAgree(s.made)
	a.mustPlanNothing()
	ids := a.identities("products")
	r, _ := a.intake(exitDone)
	if r.Counts.Done+r.Adopted+r.Returned+r.Quarantined > 0 {
		s.t.Errorf("when all was done another intake did something: %+v", r)
	}
	a.mustBeUntouched("another intake", "products", ids)
	if s.check != nil {
		s.check(s.t, a)
	}
}

// phasesOf lists what is killed.
func phasesOf(t *testing.T) []phase {
	d := sharedDownlink(t, 16)
	n := len(d.scenes)
	intake := func(a *kept) { a.intake(exitDone) }
	reprocess := func(a *kept) { a.mustRun(exitDone, "reprocess") }
	phases := []phase{
		{name: "intake of new frames", words: []string{"intake"}, codes: []int{exitDone}, made: n, finish: intake,
			ready: func(t *testing.T, dir string) *kept { return arrived(t, dir, d) }},
		{name: "intake of frames whose masters are missing", words: []string{"intake"}, codes: []int{exitNothing, exitDone}, // all may be set aside already
			ready:  func(t *testing.T, dir string) *kept { return withoutMasters(t, dir, d) },
			finish: func(a *kept) { a.run("intake") },
			check:  func(t *testing.T, a *kept) { mustBeSetAside(t, a, d) }},
		{name: "return from quarantine", words: []string{"intake"}, codes: []int{exitDone}, made: n, finish: intake,
			ready: func(t *testing.T, dir string) *kept { return setAside(t, dir, d) }, check: mustHaveReturned},
		{name: "reprocessing that keeps versions", words: []string{"reprocess"}, codes: []int{exitDone}, made: n,
			ready:  func(t *testing.T, dir string) *kept { return outdated(t, dir, d, "versions: keep") },
			finish: reprocess,
			check:  func(t *testing.T, a *kept) { mustKnowEarlier(t, a, n) }},
		{name: "reprocessing that replaces versions", words: []string{"reprocess"}, codes: []int{exitDone}, made: n,
			ready:  func(t *testing.T, dir string) *kept { return outdated(t, dir, d, "versions: replace") },
			finish: reprocess,
			check:  func(t *testing.T, a *kept) { mustKnowEarlier(t, a, 0) }},
		{name: "quarantine on another file system", words: []string{"intake"}, codes: []int{exitNothing, exitDone},
			ready:  func(t *testing.T, dir string) *kept { spread(t, dir); return withoutMasters(t, dir, d) },
			finish: func(a *kept) { a.run("intake") },
			check:  func(t *testing.T, a *kept) { mustBeSetAside(t, a, d) }},
		{name: "return from another file system", words: []string{"intake"}, codes: []int{exitDone}, made: n, finish: intake,
			ready: func(t *testing.T, dir string) *kept { spread(t, dir); return setAside(t, dir, d) }, check: mustHaveReturned},
		{name: "reprocessing that keeps versions on another file system", words: []string{"reprocess"}, codes: []int{exitDone}, made: n,
			ready:  func(t *testing.T, dir string) *kept { spread(t, dir); return outdated(t, dir, d) },
			finish: reprocess,
			check:  func(t *testing.T, a *kept) { mustKnowEarlier(t, a, n) }},
		{name: "rebuilding of a lost ledger", words: []string{"ledger", "rebuild"}, codes: []int{exitDone}, made: n,
			ready: func(t *testing.T, dir string) *kept { return lostLedger(t, dir, d) },
			finish: func(a *kept) {
				a.mustRun(exitDone, "ledger", "rebuild")
				a.intake(exitDone)
			},
			check: func(t *testing.T, a *kept) { mustKnowEarlier(t, a, n) }},
		{name: "the service while frames arrive", words: []string{"watch"}, made: n, span: 900 * time.Millisecond,
			ready: func(t *testing.T, dir string) *kept {
				a := newKept(t, dir, d.profile)
				a.here = true
				a.accept(d)
				return a
			},
			meanwhile: func(ctx context.Context, a *kept) { arriveInPieces(ctx, a, d) },
			finish: func(a *kept) {
				arriveInPieces(context.Background(), a, d)
				a.intake(exitDone)
			}},
	}
	if server := os.Getenv(serverVariable); server != "" {
		phases = append(phases,
			phase{name: "intake of new frames with the ledger on a server", words: []string{"intake"}, codes: []int{exitDone}, made: n, finish: intake,
				ready: func(t *testing.T, dir string) *kept {
					a := onServer(t, dir, d, server)
					a.copyInto("raw", d.scenes...)
					return a
				}},
			phase{name: "reprocessing that keeps versions with the ledger on a server", words: []string{"reprocess"}, codes: []int{exitDone}, made: n,
				ready: func(t *testing.T, dir string) *kept {
					a := onServer(t, dir, d, server)
					a.copyInto("raw", d.scenes...)
					a.intake(exitDone)
					newKept(t, dir, d.profile, "    set: [output.quantity=electrons]", fmt.Sprintf("ledger: %q", a.ledger))
					return a
				},
				finish: reprocess,
				check:  func(t *testing.T, a *kept) { mustKnowEarlier(t, a, n) }})
	}
	return phases
}

// onServer is an archive with masters and with its ledger on a server.
func onServer(t *testing.T, dir string, d *downlink, server string) *kept {
	t.Helper()
	address := newSchema(t, server)
	a := newKept(t, dir, d.profile, fmt.Sprintf("ledger: %q", address))
	a.ledger, a.here = address, true
	a.accept(d)
	return a
}

// sharedMemory is a file system of its own on Linux (shm_overview(7)).
const sharedMemory = "/dev/shm"

// spread puts the quarantine and the earlier versions of the archive in dir on
// another file system, where files cannot have a second name.
func spread(t *testing.T, dir string) {
	t.Helper()
	here, err := os.Stat(dir)
	if err != nil {
		t.Fatal(err)
	}
	there, err := os.Stat(sharedMemory)
	if err != nil || there.Sys().(*syscall.Stat_t).Dev == here.Sys().(*syscall.Stat_t).Dev {
		t.Skipf("%s is no file system of its own here", sharedMemory)
	}
	away, err := os.MkdirTemp(sharedMemory, "evenlight-test-")
	if err != nil {
		t.Skip(err)
	}
	t.Cleanup(func() {
		if err := os.RemoveAll(away); err != nil {
			t.Error(err)
		}
	})
	for _, folder := range []string{"quarantine", "earlier"} {
		if err := os.Mkdir(filepath.Join(away, folder), 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.Symlink(filepath.Join(away, folder), filepath.Join(dir, folder)); err != nil {
			t.Fatal(err)
		}
	}
}

// arrived is an archive with masters, and frames that nobody has looked at.
func arrived(t *testing.T, dir string, d *downlink, lines ...string) *kept {
	t.Helper()
	a := newKept(t, dir, d.profile, lines...)
	a.here = true
	a.accept(d)
	a.copyInto("raw", d.scenes...)
	return a
}

func withoutMasters(t *testing.T, dir string, d *downlink) *kept {
	t.Helper()
	a := newKept(t, dir, d.profile)
	a.here = true
	a.copyInto("raw", d.scenes...)
	return a
}

// setAside is an archive whose frames are all in quarantine, some of them only
// there, and whose masters have just arrived.
func setAside(t *testing.T, dir string, d *downlink) *kept {
	t.Helper()
	a := withoutMasters(t, dir, d)
	a.intake(exitNothing)
	for i, scene := range d.scenes {
		if i%3 == 0 {
			if err := os.Remove(a.path("raw", filepath.Base(scene))); err != nil {
				t.Fatal(err)
			}
		}
	}
	a.accept(d)
	return a
}

// outdated is an archive whose products are all of another profile than its
// own.
func outdated(t *testing.T, dir string, d *downlink, lines ...string) *kept {
	t.Helper()
	a := arrived(t, dir, d, lines...)
	a.intake(exitDone)
	newKept(t, dir, d.profile, append([]string{"    set: [output.quantity=electrons]"}, lines...)...)
	return a
}

// lostLedger is an archive with two versions of each product and no ledger.
func lostLedger(t *testing.T, dir string, d *downlink) *kept {
	t.Helper()
	a := outdated(t, dir, d)
	a.mustRun(exitDone, "reprocess")
	a.dropLedger()
	return a
}

// dropLedger removes the ledger.
func (a *kept) dropLedger() {
	a.t.Helper()
	for _, suffix := range []string{"", "-wal", "-shm", "-turn"} {
		if err := os.Remove(a.path("ledger.db" + suffix)); err != nil && !errors.Is(err, fs.ErrNotExist) {
			a.t.Fatal(err)
		}
	}
}

// arriveInPieces writes the frames that are not there whole yet, each in two
// pieces, until the context ends.
func arriveInPieces(ctx context.Context, a *kept, d *downlink) {
	for _, scene := range d.scenes {
		content, err := os.ReadFile(scene)
		if err != nil {
			a.t.Error(err)
			return
		}
		path := a.path("raw", filepath.Base(scene))
		if info, err := os.Stat(path); err == nil && info.Size() == int64(len(content)) {
			continue
		}
		for _, piece := range [][]byte{content[:len(content)/2], content} {
			if ctx.Err() != nil {
				return
			}
			if err := os.WriteFile(path, piece, 0o600); err != nil {
				a.t.Error(err)
			}
			time.Sleep(5 * time.Millisecond)
		}
	}
}

// mustBeSetAside fails unless each frame is in quarantine, whole and with its
// reason.
func mustBeSetAside(t *testing.T, a *kept, d *downlink) {
	t.Helper()
	got := a.tree("quarantine")
	for _, scene := range d.scenes {
		sum := hashOf(t, scene)
		entry := sum[:16]
		if got[filepath.Join(entry, filepath.Base(scene))] != sum {
			t.Errorf("%s is not in quarantine", scene)
		}
		mustContain(t, "reason", string(readFile(t, a.path("quarantine", entry, "reason.txt"))), "sha256: "+sum, "no bias master", "evenlight masters")
		delete(got, filepath.Join(entry, filepath.Base(scene)))
		delete(got, filepath.Join(entry, "reason.txt"))
	}
	if len(got) > 0 {
		t.Errorf("the quarantine also holds %q", slices.Sorted(maps.Keys(got)))
	}
}

// mustHaveReturned fails when something is left in quarantine.
func mustHaveReturned(t *testing.T, a *kept) {
	t.Helper()
	left, err := os.ReadDir(a.path("quarantine"))
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range left {
		t.Errorf("the quarantine still holds %s with %q", e.Name(), slices.Sorted(maps.Keys(a.tree(filepath.Join("quarantine", e.Name())))))
	}
	if n := len(a.events(pipeline.EventFrameFailed)); n == 0 {
		t.Error("no frame had failed before")
	}
}

// mustKnowEarlier fails unless the ledger knows n versions that are kept.
func mustKnowEarlier(t *testing.T, a *kept, n int) {
	t.Helper()
	if files := a.tree("earlier"); len(files) != n {
		t.Errorf("%d earlier versions are kept, want %d", len(files), n)
	}
	l := a.openLedger()
	defer l.Close()
	s, err := l.Stats(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	if s.Superseded != n {
		t.Errorf("the ledger knows of %d earlier versions, want %d", s.Superseded, n)
	}
}

func hashOf(t testing.TB, path string) string {
	t.Helper()
	content, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return fmt.Sprintf("%x", sha256.Sum256(content))
}

// copyLedger copies the ledger to a name beside it, or back.
func (a *kept) copyLedger(from, to string) {
	a.t.Helper()
	for _, suffix := range []string{"", "-wal", "-shm"} {
		content, err := os.ReadFile(a.path(from + suffix))
		if errors.Is(err, fs.ErrNotExist) {
			err = os.Remove(a.path(to + suffix))
			if err != nil && !errors.Is(err, fs.ErrNotExist) {
				a.t.Fatal(err)
			}
			continue
		}
		if err != nil {
			a.t.Fatal(err)
		}
		a.write(to+suffix, content)
	}
}

// The moments between two steps are short, and random kills seldom meet them.
func TestWhatAKillLeavesBetweenTwoStepsTheNextRunFinishes(t *testing.T) {
	d := sharedDownlink(t, 4)
	n := len(d.scenes)
	entryOf := func(a *kept, scene string) string { return a.path("quarantine", hashOf(t, scene)[:16]) }
	mustDo := func(err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
	}
	tests := []struct {
		name  string
		ready func(dir string) *kept // the archive as the kill leaves it
		words []string
		check func(t *testing.T, a *kept, r report)
	}{
		{"products have their names and the ledger does not know of them",
			func(dir string) *kept {
				a := arrived(t, dir, sharedDownlink(t, 1))
				a.intake(exitDone)
				a.copyLedger("ledger.db", "ledger-before")
				a.copyInto("raw", d.scenes[1:]...)
				a.intake(exitDone)
				a.copyLedger("ledger-before", "ledger.db")
				return a
			}, []string{"intake"}, func(t *testing.T, a *kept, r report) {
				if r.Adopted != n-1 || r.Counts.Done != 0 {
					t.Errorf("%d products were taken over and %d made, want %d and none", r.Adopted, r.Counts.Done, n-1)
				}
			}},
		{"new versions have their names, old ones are kept, and the ledger does not know of either",
			func(dir string) *kept {
				a := outdated(t, dir, d)
				a.copyLedger("ledger.db", "ledger-before")
				a.mustRun(exitDone, "reprocess")
				a.copyLedger("ledger-before", "ledger.db")
				return a
			}, []string{"reprocess"}, func(t *testing.T, a *kept, r report) {
				if r.Adopted != n || r.Counts.Done != 0 {
					t.Errorf("%d products were taken over and %d made, want %d and none", r.Adopted, r.Counts.Done, n)
				}
				mustKnowEarlier(t, a, n)
			}},
		{"old versions are kept, and new ones have not their names yet",
			func(dir string) *kept {
				a := outdated(t, dir, d)
				mustDo(os.MkdirAll(a.path("earlier", "quillon"), 0o755))
				for rel, sum := range a.tree("products") {
					stem := rel[:len(rel)-len(".fits")]
					mustDo(os.Link(a.path("products", rel), a.path("earlier", stem+"~"+sum[:12]+".fits")))
					mustDo(os.WriteFile(a.path("products", filepath.Dir(rel), "."+filepath.Base(rel)+".partial-0"), []byte("SIMPLE  ="), 0o600))
				}
				return a
			}, []string{"reprocess"}, func(t *testing.T, a *kept, r report) {
				if r.Counts.Done != n {
					t.Errorf("%d products were made, want %d", r.Counts.Done, n)
				}
				mustKnowEarlier(t, a, n)
			}},
		{"a frame has returned and its entry in quarantine is half removed",
			func(dir string) *kept {
				a := setAside(t, dir, d)
				reason := readFile(t, filepath.Join(entryOf(a, d.scenes[0]), "reason.txt"))
				a.intake(exitDone)
				mustDo(os.Mkdir(entryOf(a, d.scenes[0]), 0o755))
				writeFile(t, entryOf(a, d.scenes[0]), "reason.txt", reason)
				return a
			}, []string{"intake"}, func(t *testing.T, a *kept, _ report) { mustHaveReturned(t, a) }},
		{"a frame has returned and its entry in quarantine is empty",
			func(dir string) *kept {
				a := setAside(t, dir, d)
				a.intake(exitDone)
				mustDo(os.Mkdir(entryOf(a, d.scenes[0]), 0o755))
				return a
			}, []string{"intake"}, func(t *testing.T, a *kept, _ report) { mustHaveReturned(t, a) }},
		{"a frame is back in its place and in quarantine too",
			func(dir string) *kept {
				a := setAside(t, dir, d)
				mustDo(os.Link(filepath.Join(entryOf(a, d.scenes[0]), filepath.Base(d.scenes[0])), a.path("raw", filepath.Base(d.scenes[0]))))
				return a
			}, []string{"intake"}, func(t *testing.T, a *kept, r report) {
				mustHaveReturned(t, a)
				if r.Counts.Done != n {
					t.Errorf("%d products were made, want %d", r.Counts.Done, n)
				}
			}},
	}
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			a := test.ready(t.TempDir())
			r, _ := a.report(exitDone, test.words...)
			test.check(t, a, r)
			a.mustHoldNoPartials("products", "earlier", "quarantine")
			a.mustAgree(n)
			a.mustPlanNothing()
			if again, _ := a.intake(exitDone); again.Counts.Done+again.Adopted+again.Returned > 0 {
				t.Errorf("another intake did something: %+v", again)
			}
		})
	}
}
