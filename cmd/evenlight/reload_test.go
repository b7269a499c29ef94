package main

import (
	"syscall"
	"testing"
	"time"
)

// A service that runs for years is not begun anew for a corrected profile.
func TestAServiceTakesAChangedConfigurationAndRefusesAFaultyOne(t *testing.T) {
	d := sharedDownlink(t, 3)
	a := newKept(t, t.TempDir(), d.profile)
	a.accept(d)
	c := a.start("watch")
	t.Cleanup(func() {
		if c.ProcessState == nil {
			_ = c.Process.Kill() // it may have ended
			_ = c.Wait()
		}
	})
	wait := func(event string, n int) {
		t.Helper()
		for end := time.Now().Add(time.Minute); len(a.events(event)) < n; time.Sleep(20 * time.Millisecond) {
			if time.Now().After(end) {
				t.Fatalf("%d events %s, want %d\n%s", len(a.events(event)), event, n, a.logText())
			}
		}
	}
	wait("service-ready", 1)
	a.copyInto("raw", d.scenes[0])
	wait("frame-done", 1)

	// The profile is corrected; the next frame is made with it.
	good := readFile(t, a.path("archive.yaml"))
	a.write("archive.yaml", append(append([]byte{}, good...), "versions: replace\n"...))
	a.copyInto("raw", d.scenes[1])
	wait("config-reloaded", 1)
	wait("frame-done", 2)

	a.write("archive.yaml", append(append([]byte{}, good...), "bogus: 1\n"...))
	if err := c.Process.Signal(syscall.SIGHUP); err != nil {
		t.Fatal(err)
	}
	wait("config-refused", 1)
	a.copyInto("raw", d.scenes[2])
	wait("frame-done", 3)

	a.write("archive.yaml", good)
	if err := c.Process.Signal(syscall.SIGHUP); err != nil {
		t.Fatal(err)
	}
	wait("config-reloaded", 2)
	if err := c.Process.Signal(syscall.SIGTERM); err != nil {
		t.Fatal(err)
	}
	if code, killed := endOf(t, c.Wait()); killed || code != exitDone {
		t.Errorf("it ended with code %d, killed: %t", code, killed)
	}
	if n := len(a.events("config-refused")); n != 1 {
		t.Errorf("the faulty configuration was refused %d times, want once", n)
	}
}
