package fitsutil

import (
	"bytes"
	"compress/gzip"
	"errors"
	"fmt"
	"io"
	"os"
	"sync"
)

// source is where the bytes of a file come from.
type source interface {
	io.ReaderAt
	// reach returns how many bytes there are up to end: end itself, or less
	// when the file is shorter.
	reach(end int64) (int64, error)
	// view returns n bytes at off without copying them, when that is possible.
	view(off, n int64) ([]byte, bool)
	io.Closer
}

// isGzip recognises a gzip stream by its first bytes (RFC 1952, 2.3.1).
func isGzip(b []byte) bool {
	return len(b) >= 2 && b[0] == 0x1f && b[1] == 0x8b
}

// plainSource reads an open file by position.
type plainSource struct {
	*os.File
	size int64
}

func (s *plainSource) reach(end int64) (int64, error)   { return min(end, s.size), nil }
func (s *plainSource) view(int64, int64) ([]byte, bool) { return nil, false }

// memorySource serves bytes that are in memory already.
type memorySource struct {
	*bytes.Reader
	b []byte
}

func newMemorySource(b []byte) *memorySource {
	return &memorySource{Reader: bytes.NewReader(b), b: b}
}

func (s *memorySource) reach(end int64) (int64, error) { return min(end, int64(len(s.b))), nil }
func (s *memorySource) Close() error                   { return nil }

func (s *memorySource) view(off, n int64) ([]byte, bool) {
	return s.b[off : off+n : off+n], true
}

// gzipSource inflates a file as a stream. It holds one inflater and no data:
// reading onward goes on where the last reading ended, reading back starts
// again from the beginning.
type gzipSource struct {
	mu       sync.Mutex
	file     *os.File
	inflater *gzip.Reader
	pos      int64 // of the inflated stream
}

func newGzipSource(file *os.File) (*gzipSource, error) {
	s := &gzipSource{file: file}
	return s, s.restart()
}

func (s *gzipSource) restart() error {
	if _, err := s.file.Seek(0, io.SeekStart); err != nil {
		return err
	}
	s.pos = 0
	if s.inflater == nil {
		inflater, err := gzip.NewReader(s.file)
		s.inflater = inflater
		return s.broken(err)
	}
	return s.broken(s.inflater.Reset(s.file))
}

// broken turns an error of the inflater into a FormatError; the end of the
// stream and errors of the file system pass as they are.
func (s *gzipSource) broken(err error) error {
	var pathError *os.PathError
	if err == nil || err == io.EOF || errors.As(err, &pathError) {
		return err
	}
	return gzipError(s.file.Name(), err)
}

func gzipError(file string, err error) error {
	return &FormatError{
		File:    file,
		Problem: fmt.Sprintf("the gzip stream cannot be inflated: %v", err),
		Remedy:  "the file is cut off or damaged: fetch it again",
		CutOff:  errors.Is(err, io.ErrUnexpectedEOF) || errors.Is(err, io.EOF),
	}
}

// moveTo brings the stream to off, or to its end when that comes earlier.
func (s *gzipSource) moveTo(off int64) error {
	if off < s.pos {
		if err := s.restart(); err != nil {
			return err
		}
	}
	n, err := io.CopyN(io.Discard, s.inflater, off-s.pos)
	s.pos += n
	if err == io.EOF {
		return nil
	}
	return s.broken(err)
}

func (s *gzipSource) reach(end int64) (int64, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	err := s.moveTo(end)
	return s.pos, err
}

// ReadAt reads as io.ReaderAt wants it; one caller at a time.
func (s *gzipSource) ReadAt(p []byte, off int64) (int, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if err := s.moveTo(off); err != nil {
		return 0, err
	}
	if s.pos < off {
		return 0, io.EOF
	}
	n, err := io.ReadFull(s.inflater, p)
	s.pos += int64(n)
	if err == io.ErrUnexpectedEOF {
		return n, s.cutShort(err)
	}
	return n, s.broken(err)
}

// cutShort tells the plain end of the inflated data (io.EOF) from a
// compressed stream that breaks off, which gzip reports by the same error
// that io.ReadFull uses.
func (s *gzipSource) cutShort(err error) error {
	if _, again := s.inflater.Read(make([]byte, 1)); again == io.EOF {
		return io.EOF
	}
	return gzipError(s.file.Name(), err)
}

func (s *gzipSource) view(int64, int64) ([]byte, bool) { return nil, false }
func (s *gzipSource) Close() error                     { return s.file.Close() }

// inflate returns the whole inflated content of a gzip stream, which must not
// be longer than limit.
func inflate(name string, b []byte, limit int64) ([]byte, error) {
	r, err := gzip.NewReader(bytes.NewReader(b))
	if err != nil {
		return nil, gzipError(name, err)
	}
	var out bytes.Buffer
	out.Grow(int(min(inflatedSizeHint(b), limit) + bytes.MinRead))
	n, err := io.Copy(&out, io.LimitReader(r, limit+1))
	if err != nil {
		return nil, gzipError(name, err)
	}
	if n > limit {
		return nil, &UnsupportedError{
			File:    name,
			Problem: fmt.Sprintf("the gzip stream inflates to more than the limit of %d bytes", limit),
			Remedy:  "raise the limit, or inflate the file and open it from disk",
		}
	}
	return out.Bytes(), nil
}

// inflatedSizeHint reads the length that the stream's trailer claims (RFC
// 1952, 2.3.1), bounded by what deflate can reach: a factor of 1032.
func inflatedSizeHint(b []byte) int64 {
	if len(b) < 18 {
		return 0
	}
	t := b[len(b)-4:]
	claim := int64(t[0]) | int64(t[1])<<8 | int64(t[2])<<16 | int64(t[3])<<24
	return min(claim, int64(len(b))*1032)
}
