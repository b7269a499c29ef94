//go:build unix

package archive

import (
	"fmt"

	"golang.org/x/sys/unix"
)

// freeBytes tells how many bytes can still be written to a folder by those who
// are not the administrator.
func freeBytes(folder string) (uint64, error) {
	var s unix.Statfs_t
	if err := unix.Statfs(folder, &s); err != nil {
		return 0, fmt.Errorf("room in %s: %w", folder, err)
	}
	return uint64(s.Bavail) * uint64(s.Bsize), nil
}
