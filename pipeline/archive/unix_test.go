//go:build unix

package archive_test

import (
	"bytes"
	"context"
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"evenlight/configs"
	"evenlight/pipeline/archive"
)

// On another file system a frame is copied to quarantine.
func TestQuarantineMayLieOnAnotherFileSystem(t *testing.T) {
	t.Parallel()
	const memory = "/dev/shm" // a file system in memory: common practice on Linux, no source
	other, err := os.MkdirTemp(memory, "evenlight-")
	if err != nil {
		t.Skip("there is no second file system: ", err)
	}
	t.Cleanup(func() { os.RemoveAll(other) })
	if device(t, other) == device(t, t.TempDir()) {
		t.Skip("temporary folders lie on that file system too")
	}
	h, raw := lacking(t, func(c *configs.Archive) {
		c.Quarantine, c.Earlier = filepath.Join(other, "quarantine"), filepath.Join(other, "earlier")
	})
	must(t, os.Remove(raw))
	h.takeMasters("flat-*.fits")
	did(t, h.pass(), 1, 0, 0)
	h.returned(raw)

	first := hashOf(t, h.product(raw)).String()
	h.newFlat("violet")
	did(t, h.reprocess(h.plan(archive.Selection{}), archive.Limits{}), 1, 0, 0)
	kept := contents(t, h.cfg.Earlier)
	if names := files(kept); len(names) != 1 || kept[names[0]] != first {
		t.Errorf("earlier versions: %v, want the first product", kept)
	}
}

func device(t *testing.T, path string) uint64 {
	t.Helper()
	var st syscall.Stat_t
	must(t, syscall.Stat(path, &st))
	return uint64(st.Dev)
}

func TestACopyHasItsNameOnlyWhenItIsWhole(t *testing.T) {
	t.Parallel()
	source, dir := filepath.Join(t.TempDir(), "pipe"), t.TempDir()
	to := filepath.Join(dir, "to.fits")
	content := bytes.Repeat([]byte("frame"), 50_000)
	must(t, syscall.Mkfifo(source, 0o666))
	copied := make(chan error)
	go func() { copied <- archive.CopyFile(source, to) }()
	pipe, err := os.OpenFile(source, os.O_WRONLY, 0)
	must(t, err)
	_, err = pipe.Write(content[:len(content)/2])
	must(t, err)
	var partial string
	waitFor(t, "the unfinished copy", func() bool {
		for name, sha := range contents(t, dir) {
			if len(sha) == 64 {
				partial = name
			}
		}
		return partial != ""
	})
	if partial == filepath.Base(to) || !strings.HasPrefix(partial, ".") {
		t.Errorf("the copy is called %s before it is whole", partial)
	}
	_, err = pipe.Write(content[len(content)/2:])
	must(t, errors.Join(err, pipe.Close()))
	must(t, <-copied)
	holds := func() {
		t.Helper()
		if got := files(contents(t, dir)); len(got) != 1 || !bytes.Equal(read(t, to), content) {
			t.Errorf("the folder holds %v, want the whole copy and nothing else", got)
		}
	}
	holds()

	// What a process that was killed left is no hindrance.
	plain := filepath.Join(t.TempDir(), "plain.fits")
	write(t, plain, content)
	must(t, os.Remove(to))
	write(t, filepath.Join(dir, partial), bytes.Repeat([]byte("more than the whole"), 50_000))
	must(t, archive.CopyFile(plain, to))
	holds()

	if err := archive.CopyFile(filepath.Join(dir, "none"), filepath.Join(dir, "nothing")); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("a copy of nothing: %v", err)
	}
	holds()
}

// What is no file, such as a pipe that nobody writes to, holds nobody up:
// neither where it is found, nor where it comes in place of a file.
func TestAPipeHoldsNobodyUp(t *testing.T) {
	t.Parallel()
	h := newHouse(t, "quillon", nil)
	must(t, syscall.Mkfifo(filepath.Join(h.src, "pipe.fits"), 0o666))
	must(t, syscall.Mkfifo(filepath.Join(h.cfg.Masters, "pipe.fits"), 0o666))
	at := h.arrive(h.c.scenes[0], h.c.scenes[1])
	done := make(chan *archive.Report)
	go func() {
		r, err := h.Pass(context.Background(), archive.PassOptions{Begin: func() {
			if err := errors.Join(os.Remove(at[0]), syscall.Mkfifo(at[0], 0o666)); err != nil {
				t.Error(err)
			}
		}})
		if err != nil {
			t.Error(err)
		}
		done <- r
	}()
	select {
	case r := <-done:
		if r.Counts.Done != 1 {
			t.Errorf("%d products, want that of the other frame", r.Counts.Done)
		}
	case <-time.After(patience):
		t.Fatal("the pass waits for what comes through a pipe")
	}
}
