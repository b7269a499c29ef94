//go:build linux || darwin

package fitsutil

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"math/rand/v2"
	"os"
	"os/exec"
	"os/signal"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"
)

// The test binary runs itself again as a process that can be killed or be put
// under a limit; these variables say what the copy shall do, and where.
const (
	childRole = "EVENLIGHT_TEST_CHILD"
	childDir  = "EVENLIGHT_TEST_DIR"
)

func TestMain(m *testing.M) {
	switch os.Getenv(childRole) {
	case "write":
		exitWith(writeForever(os.Getenv(childDir)))
	case "full":
		exitWith(writeUnderLimit(os.Getenv(childDir)))
	}
	os.Exit(m.Run())
}

func exitWith(err error) {
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
	os.Exit(0)
}

// Files of the kill test: each sample and the header hold the number of the
// round that wrote them, so that a mixture of two rounds shows.
const (
	killFiles = 3
	killWidth = 2000
	killRows  = 60
)

func killPath(dir string, round int) string {
	return filepath.Join(dir, fmt.Sprintf("product-%d.fits", round%killFiles))
}

// writeForever writes one file after the other until it is killed.
func writeForever(dir string) error {
	fmt.Println("started")
	for round := 0; ; round++ {
		if err := writeRound(killPath(dir, round), round); err != nil {
			return err
		}
	}
}

func writeRound(path string, round int) error {
	w, err := Create(path, CreateOptions{Overwrite: true})
	if err != nil {
		return err
	}
	defer w.Abort()
	h := NewHeader()
	if err := h.Set("ROUND", round, ""); err != nil {
		return err
	}
	iw, err := w.AddImage(h, 8, killWidth, killRows)
	if err != nil {
		return err
	}
	row := make([]byte, killWidth)
	for i := range row {
		row[i] = byte(round)
	}
	for y := range killRows {
		if err := iw.WriteRows(0, y, 1, row); err != nil {
			return err
		}
	}
	return w.Commit()
}

func TestAKilledProcessLeavesNoTornFile(t *testing.T) {
	dir := t.TempDir()
	random := rand.New(rand.NewPCG(11, 12))
	leftovers := 0
	for range 40 {
		killWriter(t, dir, time.Duration(random.IntN(20000))*time.Microsecond)
		checkKillFiles(t, dir)
		leftovers += len(partials(t, dir))
	}
	if leftovers == 0 {
		t.Error("no kill came while a file was being written: the test has shown nothing")
	}
	for round := range killFiles {
		if err := writeRound(killPath(dir, round), round); err != nil {
			t.Error(err)
		}
	}
	if names := partials(t, dir); len(names) != 0 {
		t.Errorf("left behind by dead processes and not removed: %q", names)
	}
	checkKillFiles(t, dir)
}

// killWriter starts a writing process and kills it some time after it began.
func killWriter(t *testing.T, dir string, after time.Duration) {
	t.Helper()
	child := childProcess("write", dir)
	out, err := child.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := child.Start(); err != nil {
		t.Fatal(err)
	}
	if _, err := bufio.NewReader(out).ReadString('\n'); err != nil {
		t.Fatal(err)
	}
	time.Sleep(after)
	if err := child.Process.Kill(); err != nil {
		t.Fatal(err)
	}
	var exit *exec.ExitError
	if err := child.Wait(); !errors.As(err, &exit) || exit.ExitCode() >= 0 {
		t.Fatalf("the writing process ended by itself: %v", err)
	}
}

func childProcess(role, dir string) *exec.Cmd {
	child := exec.Command(os.Args[0])
	child.Env = append(os.Environ(), childRole+"="+role, childDir+"="+dir)
	child.Stderr = os.Stderr
	return child
}

func partials(t *testing.T, dir string) []string {
	t.Helper()
	names, err := filepath.Glob(filepath.Join(dir, ".*"+partialMark+"*"))
	if err != nil {
		t.Fatal(err)
	}
	return names
}

// checkKillFiles makes sure that each file that shows is whole and of one round.
func checkKillFiles(t *testing.T, dir string) {
	t.Helper()
	for i := range killFiles {
		f, err := Open(killPath(dir, i))
		if errors.Is(err, fs.ErrNotExist) {
			continue
		}
		if err != nil {
			t.Error(err)
			continue
		}
		checkRound(t, f)
		f.Close()
	}
}

func checkRound(t *testing.T, f *File) {
	t.Helper()
	if n, err := f.VerifyChecksums(); n != 1 || err != nil {
		t.Errorf("%d HDUs checked, %v", n, err)
	}
	h := f.HDUs()[0]
	round, _, err := h.Header.Int("ROUND")
	if err != nil {
		t.Error(err)
	}
	raw, err := f.ReadRows(h, 0, 0, killRows, nil)
	if err != nil {
		t.Error(err)
	}
	for i, b := range raw {
		if b != byte(round) {
			t.Errorf("%s of round %d has byte %d of another round, %d", f.Name(), round, i, b)
			return
		}
	}
}

func TestStalePartialsAreRemovedAndNothingElse(t *testing.T) {
	dir := t.TempDir()
	keep := []string{".f.fits.partial-", ".f.fits.partial-16", ".f.fits.partial-notes", ".g.fits.partial-0"}
	stale := []string{".f.fits.partial-0", ".f.fits.partial-3", ".f.fits.partial-15"}
	for _, name := range append(stale, keep...) {
		if err := os.WriteFile(filepath.Join(dir, name), nil, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	if err := writeTiny(filepath.Join(dir, "f.fits"), 1, CreateOptions{}); err != nil {
		t.Fatal(err)
	}
	onlyFile(t, dir, append(keep, "f.fits")...)
}

func TestAFewWritersOfTheSameNameAreEnough(t *testing.T) {
	path := filepath.Join(t.TempDir(), "f.fits")
	for range maxPartials {
		w, err := Create(path, CreateOptions{})
		if err != nil {
			t.Fatal(err)
		}
		defer w.Abort()
	}
	if _, err := Create(path, CreateOptions{}); err == nil || !strings.Contains(err.Error(), "unfinished") {
		t.Errorf("one writer more: %v", err)
	}
}

func TestALiveWriterKeepsItsPartialFile(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "f.fits")
	slow, err := Create(path, CreateOptions{Overwrite: true})
	if err != nil {
		t.Fatal(err)
	}
	defer slow.Abort()
	if _, err := slow.AddImage(nil, 8); err != nil {
		t.Fatal(err)
	}
	if err := writeTiny(path, 1, CreateOptions{Overwrite: true}); err != nil {
		t.Fatal(err)
	}
	if err := slow.Commit(); err != nil {
		t.Errorf("the file under the slow writer is gone: %v", err)
	}
	onlyFile(t, dir, "f.fits")
}

func TestWritersOfOneNameDoNotHarmEachOther(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "f.fits")
	var wg sync.WaitGroup
	for worker := range 6 {
		wg.Go(func() {
			for range 50 {
				if err := writeTiny(path, byte(worker), CreateOptions{Overwrite: true, NoSync: true}); err != nil {
					t.Error(err)
				}
			}
		})
	}
	wg.Wait()
	if got := readTiny(t, path); got >= 6 {
		t.Errorf("the file holds %d, which nobody wrote", got)
	}
	onlyFile(t, dir, "f.fits")
}

// writeUnderLimit tries to write a file larger than the process may.
func writeUnderLimit(dir string) error {
	signal.Ignore(syscall.SIGXFSZ)
	limit := syscall.Rlimit{Cur: 50000, Max: 50000}
	if err := syscall.Setrlimit(syscall.RLIMIT_FSIZE, &limit); err != nil {
		return err
	}
	err := writeRound(killPath(dir, 0), 0)
	if !errors.Is(err, syscall.EFBIG) {
		return fmt.Errorf("writing %d bytes under a limit of %d: %v, want EFBIG", killWidth*killRows, limit.Cur, err)
	}
	return nil
}

func TestAFullDiskLeavesNoFile(t *testing.T) {
	dir := t.TempDir()
	if err := childProcess("full", dir).Run(); err != nil {
		t.Error(err)
	}
	onlyFile(t, dir)
}

// fullBackend is a disk with room for so many bytes more.
type fullBackend struct {
	memoryBackend
	room      int
	published bool
	discarded bool
}

var errFull = errors.New("no room")

func (b *fullBackend) WriteAt(p []byte, off int64) (int, error) {
	if len(p) > b.room {
		return 0, errFull
	}
	b.room -= len(p)
	return b.memoryBackend.WriteAt(p, off)
}

func (b *fullBackend) publish() error { b.published = true; return nil }
func (b *fullBackend) discard() error { b.discarded = true; return nil }

func TestAFullDiskIsNoticedWhereverItHappens(t *testing.T) {
	const size = 2*blockSize + 3*blockSize // two headers, 7000 bytes of data with fill
	for room := 0; room <= size; room += 500 {
		b := &fullBackend{room: room}
		err := writeTwo(&Writer{name: "full", backend: b})
		if fits := room >= size; fits != (err == nil) || b.published != fits || b.discarded == fits {
			t.Errorf("room for %d of %d bytes: %v, published %v, discarded %v", room, size, err, b.published, b.discarded)
		}
		if err != nil && (!errors.Is(err, errFull) || !strings.Contains(err.Error(), "full")) {
			t.Errorf("room for %d bytes: %v", room, err)
		}
	}
}

// writeTwo writes a header and an image of 7000 bytes.
func writeTwo(w *Writer) error {
	defer w.Abort()
	if _, err := w.AddImage(nil, 8); err != nil {
		return err
	}
	iw, err := w.AddImage(nil, 8, 1000, 7)
	if err != nil {
		return err
	}
	for y := range 7 {
		_ = iw.WriteRows(0, y, 1, make([]byte, 1000)) // Commit must notice
	}
	return w.Commit()
}

func TestReadersSeeTheOldFileUntilTheNewOneIsWhole(t *testing.T) {
	path := filepath.Join(t.TempDir(), "f.fits")
	if err := writeTiny(path, 1, CreateOptions{}); err != nil {
		t.Fatal(err)
	}
	old, err := os.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer old.Close()
	if err := writeTiny(path, 2, CreateOptions{Overwrite: true}); err != nil {
		t.Fatal(err)
	}
	content, err := io.ReadAll(old)
	if err != nil || content[blockSize] != 1 {
		t.Errorf("the open file changed under its reader: %v", err)
	}
	if got := readTiny(t, path); got != 2 {
		t.Errorf("the name stands for the file with %d, want 2", got)
	}
}
