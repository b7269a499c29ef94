package fitsutil

import (
	"os"
	"syscall"
)

// syncFileRangeWrite is SYNC_FILE_RANGE_WRITE of sync_file_range(2): begin to
// write these pages, and do not wait.
const syncFileRangeWrite = 2

// startWriteback asks the system to begin writing a piece of the file to disk
// while the next is being calculated, so that the final sync finds little
// left to do. It is a hint: an error costs nothing but that.
func startWriteback(f *os.File, off, n int64) {
	_ = syscall.SyncFileRange(int(f.Fd()), off, n, syncFileRangeWrite)
}
