package fitsutil

import (
	"errors"
	"io"
	"os"
	"path/filepath"
	"syscall"
)

// AppendLine adds a line to a file of lines, which is made if need be. When it
// returns, the line is on the disk. Processes that add lines at the same time
// take turns by a lock on the file, where the file system has locks. A line that
// a process that was killed, or a full disk, cut off stays, as a line of its
// own. The line must end with a line feed.
func AppendLine(path string, line []byte) error {
	return AppendAfter(path, func(io.Reader) ([]byte, error) { return line, nil })
}

// AppendAfter adds lines as [AppendLine] does. What they say may depend on what
// the file holds: next reads it while others wait, and an error of next leaves
// the file as it is.
func AppendAfter(path string, next func(held io.Reader) ([]byte, error)) error {
	f, err := os.OpenFile(path, os.O_APPEND|os.O_CREATE|os.O_RDWR, 0o666)
	if err != nil {
		return err
	}
	if err := lockFile(f, true); err != nil && !lacksLocks(err) {
		return errors.Join(err, f.Close())
	}
	info, err := f.Stat()
	if err != nil {
		return errors.Join(err, f.Close())
	}
	lines, err := next(io.NewSectionReader(f, 0, info.Size()))
	if err == nil {
		err = appendTo(f, info.Size(), lines)
	}
	if err == nil && info.Size() == 0 {
		err = syncFolder(filepath.Dir(path))
	}
	return errors.Join(err, f.Close())
}

// lacksLocks tells whether an error says that the system or the file system
// has no locks, which is no reason not to write.
func lacksLocks(err error) bool {
	return errors.Is(err, errors.ErrUnsupported) || errors.Is(err, syscall.ENOLCK)
}

// appendTo writes whole lines at the end of a file of some size.
func appendTo(f *os.File, size int64, lines []byte) error {
	cut, err := isCutOff(f, size)
	if err != nil {
		return err
	}
	if cut {
		lines = append([]byte{'\n'}, lines...)
	}
	if _, err := f.Write(lines); err != nil {
		return err
	}
	return f.Sync()
}

// isCutOff tells whether a file ends amid a line.
func isCutOff(f *os.File, size int64) (bool, error) {
	if size == 0 {
		return false, nil
	}
	last := make([]byte, 1)
	_, err := f.ReadAt(last, size-1)
	return last[0] != '\n', err
}
