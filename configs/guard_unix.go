//go:build unix

package configs

import (
	"io/fs"
	"syscall"
)

// hasPermissions tells that files have an owner, a group and others.
const hasPermissions = true

// ownerOf is the number of the user that a file belongs to.
func ownerOf(info fs.FileInfo) (uint32, bool) {
	st, ok := info.Sys().(*syscall.Stat_t)
	if !ok {
		return 0, false
	}
	return st.Uid, true
}
