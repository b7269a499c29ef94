//go:build darwin || dragonfly || freebsd || linux || netbsd || openbsd

package ledger

import (
	"errors"
	"os"
	"syscall"
)

// openTurnFile opens the file of the lock, and makes it if need be, but follows
// no link. Each call opens it anew, so that parts of one process keep each
// other out.
func openTurnFile(path string) (*os.File, error) {
	return os.OpenFile(path, os.O_RDWR|os.O_CREATE|syscall.O_NOFOLLOW, 0o666)
}

// tryLock locks a file until it is closed, unless somebody else has locked it.
func tryLock(f *os.File) (bool, error) {
	for {
		err := syscall.Flock(int(f.Fd()), syscall.LOCK_EX|syscall.LOCK_NB)
		switch {
		case err == nil:
			return true, nil
		case errors.Is(err, syscall.EWOULDBLOCK):
			return false, nil
		case errors.Is(err, syscall.EINTR):
			continue
		}
		return false, &os.PathError{Op: "lock", Path: f.Name(), Err: err}
	}
}
