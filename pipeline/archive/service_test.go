package archive_test

import (
	"context"
	"net"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"go.uber.org/zap"

	"evenlight/pipeline/archive"
	"evenlight/pipeline/watch"
)

// manager hears what a service tells the service manager (sd_notify(3)).
type manager struct {
	mu   sync.Mutex
	said []string
}

// listen makes a manager that services of this test tell how they are.
func listen(t *testing.T) *manager {
	t.Helper()
	dir, err := os.MkdirTemp("", "e") // short: the name of a socket is bounded (unix(7))
	must(t, err)
	t.Cleanup(func() { os.RemoveAll(dir) })
	path := filepath.Join(dir, "n")
	conn, err := net.ListenUnixgram("unixgram", &net.UnixAddr{Name: path, Net: "unixgram"})
	must(t, err)
	t.Cleanup(func() { conn.Close() })
	t.Setenv("NOTIFY_SOCKET", path)
	m := &manager{}
	go func() {
		buf := make([]byte, 4096)
		for {
			n, err := conn.Read(buf)
			if err != nil {
				return
			}
			m.mu.Lock()
			m.said = append(m.said, string(buf[:n]))
			m.mu.Unlock()
		}
	}()
	return m
}

// count counts the messages that begin with some words.
func (m *manager) count(begin string) int {
	m.mu.Lock()
	defer m.mu.Unlock()
	n := 0
	for _, s := range m.said {
		if strings.HasPrefix(s, begin) {
			n++
		}
	}
	return n
}

// passes counts the passes that ended.
func (m *manager) passes() int { return m.count("STATUS=last pass") }

// patience is how long a test waits for what must come. It says nothing of how
// fast it comes.
const patience = 20 * time.Second

func waitFor(t *testing.T, what string, so func() bool) {
	t.Helper()
	for begin := time.Now(); !so(); time.Sleep(10 * time.Millisecond) {
		if time.Since(begin) > patience {
			t.Fatalf("%s did not come", what)
		}
	}
}

// serve runs the service until stop is called, which tells how it ended.
func (h *house) serve() (stop func() error) {
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- h.Serve(ctx, watch.NewNotifier(zap.NewNop())) }()
	return func() error { cancel(); return <-ended }
}

// It is not parallel to others: it sets the environment.
func TestTheServiceTakesWhatArrivesAndRestsOtherwise(t *testing.T) {
	m := listen(t)
	h := newHouse(t, "quillon", nil)
	h.dropMasters("flat-*-violet-*.fits")
	stop := h.serve()
	waitFor(t, "the first pass", func() bool { return m.passes() >= 1 })
	if m.count("READY=1") != 1 {
		t.Errorf("it is ready %d times, want once", m.count("READY=1"))
	}

	// A frame arrives, as senders deliver it that write where it belongs.
	raw := h.arrive(h.c.scenes[2])[0]
	waitFor(t, "the product", func() bool { return isThere(h.product(raw)) })
	// In a folder that is new.
	inside := h.arriveAs(h.c.scenes[3], "new folder/inside/0102.fits")
	waitFor(t, "the product of the frame in a new folder", func() bool { return isThere(h.product(inside)) })
	// A frame whose master comes later.
	violet := h.arrive(h.c.scenes[0])[0]
	waitFor(t, "the frame in quarantine", func() bool { return len(h.quarantined()) == 1 })
	h.takeMasters("flat-*-violet-*.fits")
	waitFor(t, "the product of the frame whose master came", func() bool { return isThere(h.product(violet)) && len(h.quarantined()) == 0 })

	// Nothing arrives, nothing is done: when all that was told has been looked
	// at, no pass follows.
	rest := func() int {
		n := m.passes()
		time.Sleep(2 * time.Second)
		return m.passes() - n
	}
	waitFor(t, "rest", func() bool { return rest() == 0 })
	if n := rest(); n > 0 {
		t.Errorf("%d passes although nothing arrived", n)
	}
	if err := stop(); err != nil {
		t.Errorf("it ended with %v", err)
	}
	waitFor(t, "word that it stops", func() bool { return m.count("STOPPING=1") == 1 })
	if h.events(archive.EventServiceStopped) != 1 {
		t.Error("the log does not say that it stops")
	}
	h.isCurrent(3)

	// What came while it did not run is found when it runs again.
	h.reopen()
	late := h.arrive(h.c.scenes[4])[0]
	stop = h.serve()
	waitFor(t, "the product of the frame that came meanwhile", func() bool { return isThere(h.product(late)) })
	if err := stop(); err != nil {
		t.Errorf("it ended with %v", err)
	}
	h.isCurrent(4)
	if n := len(files(h.products())); n != 4 {
		t.Errorf("%d products, want 4", n)
	}
}

// What grows while the service watches is taken when it is whole, once.
func TestTheServiceWaitsForTheWholeFile(t *testing.T) {
	m := listen(t)
	h := newHouse(t, "quillon", nil)
	stop := h.serve()
	waitFor(t, "the first pass", func() bool { return m.passes() >= 1 })
	data := read(t, h.c.scenes[0])
	raw := filepath.Join(h.src, "growing.fits")
	f, err := os.Create(raw)
	must(t, err)
	for at, piece := 0, len(data)/4; at < len(data); at += piece {
		_, err := f.Write(data[at:min(at+piece, len(data))])
		must(t, err)
		seen := m.passes()
		waitFor(t, "a look at the piece", func() bool { return m.passes() > seen || isThere(h.product(raw)) })
	}
	must(t, f.Close())
	waitFor(t, "the product", func() bool { return isThere(h.product(raw)) })
	if err := stop(); err != nil {
		t.Errorf("it ended with %v", err)
	}
	h.pass()
	h.isCurrent(1)
	if s := h.stats(); s.Frames != 1 {
		t.Errorf("%d frames are known, want the whole one only", s.Frames)
	}
}

// Told to stop in the midst of work, it brings what is under way to its end and
// leaves the rest to the next.
func TestTheServiceStopsCleanlyAmidstWork(t *testing.T) {
	listen(t)
	h := newHouse(t, "quillon", nil)
	h.arrive(h.c.scenes...)
	first := make(chan struct{}, len(h.c.scenes))
	h.progress = func(int, int, string) { first <- struct{}{} }
	stop := h.serve()
	<-first
	if err := stop(); err != nil {
		t.Errorf("it ended with %v", err)
	}
	h.progress = nil
	for _, name := range files(contents(t, h.cfg.Products)) {
		if !strings.HasSuffix(name, "-calibrated.fits") || strings.HasPrefix(filepath.Base(name), ".") {
			t.Errorf("%s is left", name)
		}
	}
	made := len(files(h.products()))
	h.reopen()
	did(t, h.pass(), len(h.c.scenes)-made, 0, 0)
	h.isCurrent(len(h.c.scenes))
	sameProducts(t, h)
}
