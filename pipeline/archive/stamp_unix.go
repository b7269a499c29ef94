//go:build unix

package archive

import (
	"fmt"
	"io/fs"
	"syscall"
)

// stampOf tells one state of a file from another: its size, the time of its
// last change and its number in the file system, so that a file that took
// another's place is told from it too.
func stampOf(info fs.FileInfo) string {
	inode := uint64(0)
	if st, ok := info.Sys().(*syscall.Stat_t); ok {
		inode = st.Ino
	}
	return fmt.Sprintf("%d %d %d", info.Size(), info.ModTime().UnixNano(), inode)
}
