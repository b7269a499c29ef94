//go:build !unix

package archive

import (
	"fmt"
	"io/fs"
)

// stampOf tells one state of a file from another: its size and the time of its
// last change.
func stampOf(info fs.FileInfo) string {
	return fmt.Sprintf("%d %d", info.Size(), info.ModTime().UnixNano())
}
