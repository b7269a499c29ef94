//go:build unix && !solaris && !aix

package fitsutil

import (
	"os"
	"syscall"
)

// lockFile takes the exclusive lock of an open file, waiting for it or not.
func lockFile(file *os.File, wait bool) error {
	how := syscall.LOCK_EX
	if !wait {
		how |= syscall.LOCK_NB
	}
	for {
		err := syscall.Flock(int(file.Fd()), how)
		if err != syscall.EINTR {
			return err
		}
	}
}
