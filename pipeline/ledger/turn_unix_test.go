//go:build darwin || dragonfly || freebsd || linux || netbsd || openbsd

package ledger_test

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"

	"evenlight/pipeline/ledger"
)

func TestWhatIsNoFileIsNoLock(t *testing.T) {
	for name, make := range map[string]func(path string) error{
		"folder": func(path string) error { return os.Mkdir(path, 0o777) },
		"pipe":   func(path string) error { return syscall.Mkfifo(path, 0o666) },
	} {
		address := filepath.Join(t.TempDir(), "ledger.db")
		l := open(t, address)
		must(t, make(address+"-turn"))
		_, err := l.TakeTurn(context.Background(), "intake", 0)
		if err == nil || errors.Is(err, ledger.ErrBusy) || !strings.Contains(err.Error(), "ordinary file") {
			t.Errorf("a %s in place of the lock: %v", name, err)
		}
	}
}

func TestALockWithoutANameIsBusyToo(t *testing.T) {
	address := filepath.Join(t.TempDir(), "ledger.db")
	l := open(t, address)
	f := got[*os.File](t)(os.Create(address + "-turn"))
	defer f.Close()
	must(t, syscall.Flock(int(f.Fd()), syscall.LOCK_EX))
	_, err := l.TakeTurn(context.Background(), "intake", 0)
	refused(t, err, ledger.ErrBusy, "fuser "+address+"-turn")
}
