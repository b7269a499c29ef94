package main

import (
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
)

// mountsVariable allows tests to mount small file systems. The script
// scripts/faults sets it, in a mount namespace that ends with it.
const mountsVariable = "EVENLIGHT_TEST_MOUNTS"

// smallDisk is a file system of its own with little room.
type smallDisk struct {
	t   *testing.T
	dir string
}

// newSmallDisk mounts one of so many KiB, for a folder of an archive.
func newSmallDisk(t *testing.T, dir string, kib int) *smallDisk {
	t.Helper()
	if os.Getenv(mountsVariable) == "" {
		t.Skip("this test mounts small file systems: run scripts/faults, which gives it a mount namespace of its own")
	}
	if err := os.MkdirAll(dir, 0o755); err != nil {
		t.Fatal(err)
	}
	if err := syscall.Mount("tmpfs", dir, "tmpfs", 0, fmt.Sprintf("size=%dk", kib)); err != nil {
		t.Fatalf("mounting a file system on %s: %v; it needs root, or a user namespace", dir, err)
	}
	t.Cleanup(func() {
		if err := syscall.Unmount(dir, 0); err != nil {
			t.Errorf("unmounting %s: %v", dir, err)
		}
	})
	return &smallDisk{t, dir}
}

// fill leaves so many KiB of room. It can be called again.
func (d *smallDisk) fill(leaveKiB int64) {
	d.t.Helper()
	d.empty()
	var st syscall.Statfs_t
	if err := syscall.Statfs(d.dir, &st); err != nil {
		d.t.Fatal(err)
	}
	if n := int64(st.Bavail)*st.Bsize - leaveKiB<<10; n > 0 {
		if err := os.WriteFile(d.filler(), make([]byte, n), 0o600); err != nil {
			d.t.Fatal(err)
		}
	}
}

func (d *smallDisk) filler() string { return filepath.Join(d.dir, ".filler") }

// empty makes room.
func (d *smallDisk) empty() {
	d.t.Helper()
	if err := os.RemoveAll(d.filler()); err != nil {
		d.t.Fatal(err)
	}
}

// readOnly takes the leave to write away, or gives it back.
func (d *smallDisk) readOnly(yes bool) {
	d.t.Helper()
	flags := uintptr(syscall.MS_REMOUNT)
	if yes {
		flags |= syscall.MS_RDONLY
	}
	if err := syscall.Mount("tmpfs", d.dir, "tmpfs", flags, ""); err != nil {
		d.t.Fatal(err)
	}
}

// trouble is something that keeps a folder of an archive from being written to.
type trouble struct {
	name   string
	folder string // that is a small disk
	kib    int    // size of the disk
	lines  []string
	// begin brings the trouble about.
	begin func(d *smallDisk)
	end   func(d *smallDisk)
	// masters tells whether they are there.
	masters bool
	// says are parts of the message: what is the matter, and what to do.
	says []string
}

func full(leaveKiB int64) func(*smallDisk) {
	return func(d *smallDisk) { d.fill(leaveKiB) }
}

func TestWithoutRoomOrLeaveToWriteARunStopsSaysWhyAndTheNextGoesOn(t *testing.T) {
	ledgerLine := []string{"ledger: disk/ledger.db"}
	noRoom, noLeave := "no space left on device", "read-only file system"
	readOnly, writable := func(d *smallDisk) { d.readOnly(true) }, func(d *smallDisk) { d.readOnly(false) }
	tests := []trouble{
		{"no room for products", "products", 8 << 10, nil, full(300), (*smallDisk).empty, true, []string{noRoom, "room", "products"}},
		{"no room for any product", "products", 8 << 10, nil, full(0), (*smallDisk).empty, true, []string{noRoom, "room", "products"}},
		{"no room for the ledger to grow", "disk", 8 << 10, ledgerLine, full(60), (*smallDisk).empty, true, []string{"full", "make room", "ledger"}},
		{"no room for the ledger at all", "disk", 8 << 10, ledgerLine, full(0), (*smallDisk).empty, true, []string{"room", "ledger"}},
		{"no room for the journal", "journal", 64, nil, full(0), (*smallDisk).empty, true, []string{noRoom, "journal", "room"}},
		{"no room for the quarantine", "quarantine", 8 << 10, nil, full(60), (*smallDisk).empty, false, []string{noRoom, "quarantine", "room"}},
		{"no leave to write products", "products", 8 << 10, nil, readOnly, writable, true, []string{noLeave, "leave to write", "products"}},
		{"no leave to write the ledger", "disk", 8 << 10, ledgerLine, readOnly, writable, true, []string{"writ", "ledger"}},
		{"no leave to write the journal", "journal", 64, nil, readOnly, writable, true, []string{noLeave, "journal", "writ"}},
		{"no leave to write the quarantine", "quarantine", 8 << 10, nil, readOnly, writable, false, []string{noLeave, "quarantine", "writ"}},
	}
	d := sharedDownlink(t, 12)
	reference := inProcesses(arrived(t, t.TempDir(), d))
	reference.intake(exitDone)
	want := reference.tree("products")
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) { test.meet(t, d, want) })
	}
}

// meet lets an archive meet the trouble before its first run, and once more
// after a run.
func (tr *trouble) meet(t *testing.T, d *downlink, want map[string]string) {
	for _, when := range []string{"from the first run on", "later"} {
		t.Run(when, func(t *testing.T) {
			a := newKept(t, t.TempDir(), d.profile, tr.lines...)
			if len(tr.lines) > 0 {
				a.ledger = a.path("disk", "ledger.db")
			}
			disk := newSmallDisk(t, a.path(tr.folder), tr.kib)
			if tr.masters {
				a.accept(d)
			}
			if when == "later" {
				a.run("intake")
			}
			a.copyInto("raw", d.scenes...)
			raw := a.tree("raw")
			tr.begin(disk)
			got := a.run("intake")
			if got.code != exitNothing && got.code != exitSome {
				t.Errorf("the run ended with code %d, want %d or %d", got.code, exitSome, exitNothing)
			}
			mustContain(t, "what it says", message(got), tr.says...)
			a.mustBeWhole("in trouble")
			again := a.run("intake")
			if again.code != got.code && again.code != exitNothing && again.code != exitDone {
				t.Errorf("the next run in trouble ended with code %d, want %d", again.code, got.code)
			}
			a.mustBeWhole("in trouble")

			tr.end(disk)
			tr.recover(t, a, d, want)
			a.mustBeIn("raw", raw)
		})
	}
}

// recover brings the archive to its end when the trouble is over.
func (tr *trouble) recover(t *testing.T, a *kept, d *downlink, want map[string]string) {
	t.Helper()
	if !tr.masters {
		a.intake(exitNothing)
		mustBeSetAside(t, a, d)
		a.accept(d)
	}
	a.intake(exitDone)
	a.mustBeIn("products", want)
	a.mustBeMadeOnce(a.logText())
	a.mustHoldNoPartials("products", "quarantine", "earlier")
	a.mustAgree(len(d.scenes))
	a.mustPlanNothing()
}

func TestQuarantineOnAnotherFileSystemTakesTheLongestNames(t *testing.T) {
	d := sharedDownlink(t, 2)
	a := newKept(t, t.TempDir(), d.profile)
	newSmallDisk(t, a.path("quarantine"), 1<<10)
	name := strings.Repeat("n", 250) + ".fits"
	a.write(filepath.Join("raw", name), readFile(t, d.scenes[0]))
	a.copyInto("raw", d.scenes[1])
	raw := a.tree("raw")
	if r, got := a.intake(exitNothing); r.Quarantined != 2 {
		t.Fatalf("%+v\n%s", r, got.errors)
	}
	if err := os.Remove(a.path("raw", name)); err != nil {
		t.Fatal(err)
	}
	a.accept(d)
	if r, got := a.intake(exitDone); r.Returned != 2 || r.Counts.Done != 2 {
		t.Errorf("%+v\n%s", r, got.errors)
	}
	if got := a.tree("raw"); !maps.Equal(got, raw) {
		t.Errorf("the raw folder holds %v, want %v", got, raw)
	}
}

func TestEarlierVersionsOnAnotherFileSystemAreKeptOrTheNewOnesWait(t *testing.T) {
	d := sharedDownlink(t, 12)
	a := inProcesses(arrived(t, t.TempDir(), d))
	disk := newSmallDisk(t, a.path("earlier"), 8<<10)
	a.intake(exitDone)
	before := a.tree("products")
	newKept(t, a.dir, d.profile, "    set: [output.quantity=electrons]")
	disk.fill(300)
	got := a.run("reprocess")
	if got.code != exitSome && got.code != exitNothing {
		t.Errorf("the run ended with code %d, want %d or %d", got.code, exitSome, exitNothing)
	}
	mustContain(t, "what it says", message(got), "no space left on device", "room")
	a.mustBeWhole("in trouble")
	disk.empty()
	a.mustRun(exitDone, "reprocess")
	a.mustHoldNoPartials("products", "earlier")
	kept := map[string]bool{}
	for _, sum := range a.tree("earlier") {
		kept[sum] = true
	}
	for rel, sum := range before {
		if !kept[sum] {
			t.Errorf("the earlier version of %s is gone", rel)
		}
	}
	mustKnowEarlier(t, a, len(before))
	a.mustPlanNothing()
}

func TestRawFilesMayLieWhereNobodyMayWrite(t *testing.T) {
	d := sharedDownlink(t, 6)
	a := newKept(t, t.TempDir(), d.profile)
	disk := newSmallDisk(t, a.path("raw"), 4<<10)
	a.copyInto("raw", d.scenes...)
	disk.readOnly(true)
	raw := a.identities("raw")
	a.intake(exitNothing)
	mustBeSetAside(t, a, d)
	a.accept(d)
	if r, got := a.intake(exitDone); r.Counts.Done != len(d.scenes) || r.Returned != len(d.scenes) {
		t.Errorf("%+v\n%s", r, got.errors)
	}
	mustHaveReturned(t, a)
	a.mustBeUntouched("the end", "raw", raw)
	a.mustAgree(len(d.scenes))
	a.mustPlanNothing()
}

func TestAServiceWithoutRoomGoesOnByItselfWhenThereIsRoomAgain(t *testing.T) {
	d := sharedDownlink(t, 12)
	a := inProcesses(arrived(t, t.TempDir(), d))
	disk := newSmallDisk(t, a.path("products"), 8<<10)
	disk.fill(300)
	c := a.start("watch")
	t.Cleanup(func() {
		if c.ProcessState == nil {
			_ = c.Process.Kill() // it may have ended
			_ = c.Wait()
		}
	})
	waitFor(t, "the service to say that it cannot go on", func() bool { return len(a.events("pass-failed")) > 0 })
	mustContain(t, "the event", a.events("pass-failed")[0].Error, "no space left on device", "room")
	disk.empty()
	waitFor(t, "all products", func() bool { return len(a.events("frame-done")) >= len(d.scenes) })
	if err := c.Process.Signal(syscall.SIGTERM); err != nil {
		t.Fatal(err)
	}
	if err := c.Wait(); err != nil {
		t.Error(err)
	}
	a.mustBeMadeOnce(a.logText())
	a.mustHoldNoPartials("products")
	a.mustAgree(len(d.scenes))
	a.mustPlanNothing()
}
