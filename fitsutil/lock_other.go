//go:build !unix || solaris || aix

package fitsutil

import (
	"errors"
	"os"
)

// lockFile has no lock to take here, so partial files of dead processes are
// never removed.
func lockFile(*os.File, bool) error { return errors.ErrUnsupported }
