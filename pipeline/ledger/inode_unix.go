//go:build unix

package ledger

import (
	"fmt"
	"os"
	"syscall"
)

// inodeOf is the number by which the system knows a file.
func inodeOf(path string) (uint64, error) {
	i, err := os.Stat(path)
	if err != nil {
		return 0, err
	}
	s, ok := i.Sys().(*syscall.Stat_t)
	if !ok {
		return 0, fmt.Errorf("%s has no inode", path)
	}
	return uint64(s.Ino), nil
}
