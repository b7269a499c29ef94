package watch

import (
	"context"
	"net"
	"path/filepath"
	"testing"
	"time"

	"go.uber.org/zap"
	"go.uber.org/zap/zapcore"
	"go.uber.org/zap/zaptest/observer"
)

// manager is the end of a service manager's socket.
type manager struct {
	t *testing.T
	*net.UnixConn
}

// managed listens where NOTIFY_SOCKET says.
func managed(t *testing.T) manager {
	t.Helper()
	path := filepath.Join(t.TempDir(), "notify")
	c, err := net.ListenUnixgram("unixgram", &net.UnixAddr{Name: path, Net: "unixgram"})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { c.Close() })
	t.Setenv("NOTIFY_SOCKET", path)
	return manager{t, c}
}

// hears waits for the next message; empty: there is none at present.
func (m manager) hears(wait time.Duration) string {
	m.t.Helper()
	if err := m.SetReadDeadline(time.Now().Add(wait)); err != nil {
		m.t.Fatal(err)
	}
	buf := make([]byte, 4096)
	n, err := m.Read(buf)
	if err != nil {
		return ""
	}
	return string(buf[:n])
}

// hasHeard returns what lies in the socket already.
func (m manager) hasHeard() string { return m.hears(10 * time.Millisecond) }

func TestServiceManagerIsTold(t *testing.T) {
	m, n := managed(t), NewNotifier(zap.NewNop())
	for _, test := range []struct {
		tell func()
		want string
	}{
		{n.Ready, "READY=1"},
		{n.Stopping, "STOPPING=1"},
		{func() { n.Status("3 of 7 frames") }, "STATUS=3 of 7 frames"},
		{func() { n.Status("raw/a\nREADY=1\x1b\u0085é\xff.fits") }, "STATUS=raw/a READY=1  é\uFFFD.fits"},
	} {
		test.tell()
		if got := m.hears(patience); got != test.want {
			t.Errorf("the manager hears %q, want %q", got, test.want)
		}
	}
}

func TestWatchdogIsFedOnlyWhileTheWorkGoesOn(t *testing.T) {
	m, n := managed(t), NewNotifier(zap.NewNop())
	for i, step := range []struct {
		name string
		do   func()
		fed  bool
	}{
		{"just begun", func() {}, true},
		{"no beat since", func() {}, false},
		{"a beat", n.Beat, true},
		{"the beat before counts once", func() {}, false},
		{"idle", func() { n.Idle(true) }, true},
		{"still idle", func() {}, true},
		{"work begins", func() { n.Idle(false) }, true},
		{"and hangs", func() {}, false},
	} {
		step.do()
		n.feed()
		if got := m.hasHeard() == "WATCHDOG=1"; got != step.fed {
			t.Errorf("step %d, %s: fed is %v, want %v", i, step.name, got, step.fed)
		}
	}
}

func TestWatchdogIsFedInTime(t *testing.T) {
	m, n := managed(t), NewNotifier(zap.NewNop())
	t.Setenv("WATCHDOG_USEC", "20000")
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan struct{})
	go func() { defer close(done); n.Run(ctx) }()
	n.Idle(true)
	for range 3 {
		if got := m.hears(patience); got != "WATCHDOG=1" {
			t.Errorf("the manager hears %q", got)
		}
	}
	cancel()
	<-done
}

func TestNothingIsToldWhereThereIsNoManager(t *testing.T) {
	t.Setenv("NOTIFY_SOCKET", "")
	t.Setenv("WATCHDOG_USEC", "")
	core, logs := observer.New(zapcore.DebugLevel)
	n := NewNotifier(zap.New(core))
	n.Ready()
	n.Run(context.Background()) // returns, since there is no watchdog
	if logs.Len() != 0 {
		t.Errorf("logged %v", logs.All())
	}
}

func TestManagerThatDoesNotHearIsReportedOnce(t *testing.T) {
	t.Setenv("NOTIFY_SOCKET", filepath.Join(t.TempDir(), "nobody"))
	t.Setenv("WATCHDOG_USEC", "soon")
	core, logs := observer.New(zapcore.DebugLevel)
	n := NewNotifier(zap.New(core))
	n.Ready()
	n.Ready()
	n.Run(context.Background())
	if got := logs.FilterMessage(EventNotify).Len(); got != 1 {
		t.Errorf("%d events, want 1", got)
	}
}
