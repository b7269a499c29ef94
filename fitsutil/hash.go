package fitsutil

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"os"
)

// HashFile returns the SHA-256 of a file, as 64 hexadecimal digits, and its
// size in bytes, in bounded memory.
func HashFile(path string) (sha256hex string, size int64, err error) {
	file, err := os.Open(path)
	if err != nil {
		return "", 0, err
	}
	defer file.Close()
	hash := sha256.New()
	size, err = io.Copy(hash, file)
	if err != nil {
		return "", 0, err
	}
	return hex.EncodeToString(hash.Sum(nil)), size, nil
}

// ReadAll reads a whole file and works out its SHA-256, as 64 hexadecimal
// digits, in one pass; hashing goes on beside the reading. buf is used for the
// data when it is large enough, else new memory is taken. A file of more than
// limit bytes, one that is not a regular file, and one that changes its size
// while it is read, is an error; other errors are those of [os.Open].
func ReadAll(path string, buf []byte, limit int64) (data []byte, sha256hex string, err error) {
	file, err := os.Open(path)
	if err != nil {
		return nil, "", err
	}
	defer file.Close()
	return ReadOpen(file, buf, limit)
}

// ReadOpen is [ReadAll] of a file that is open, and stays so.
func ReadOpen(file *os.File, buf []byte, limit int64) (data []byte, sha256hex string, err error) {
	size, err := readableSize(file, limit)
	if err != nil {
		return nil, "", err
	}
	if int64(cap(buf)) < size {
		buf = make([]byte, size)
	}
	data = buf[:size]
	sum, err := readAndHash(file, data)
	if err != nil {
		return nil, "", err
	}
	return data, sum, checkAtEnd(file)
}

func readableSize(file *os.File, limit int64) (int64, error) {
	info, err := file.Stat()
	switch {
	case err != nil:
		return 0, err
	case !info.Mode().IsRegular():
		return 0, fmt.Errorf("%s: not a regular file; name a FITS file", file.Name())
	case info.Size() > limit:
		return 0, fmt.Errorf("%s: the file has %d bytes, more than the limit of %d; raise the limit if the file is right", file.Name(), info.Size(), limit)
	}
	return info.Size(), nil
}

// readAndHash fills data from r in pieces; a second goroutine hashes each piece
// while the next is read.
func readAndHash(file *os.File, data []byte) (string, error) {
	const piece = 1 << 20
	pieces := make(chan []byte, 4)
	sum := make(chan string)
	go func() {
		hash := sha256.New()
		for p := range pieces {
			hash.Write(p)
		}
		sum <- hex.EncodeToString(hash.Sum(nil))
	}()
	err := readPieces(file, data, piece, pieces)
	close(pieces)
	return <-sum, err
}

func readPieces(file *os.File, data []byte, piece int, pieces chan<- []byte) error {
	for len(data) > 0 {
		p := data[:min(piece, len(data))]
		_, err := io.ReadFull(file, p)
		if err == io.EOF || err == io.ErrUnexpectedEOF {
			return sizeChanged(file)
		}
		if err != nil {
			return err
		}
		pieces <- p
		data = data[len(p):]
	}
	return nil
}

// checkAtEnd makes sure that the file has not grown.
func checkAtEnd(file *os.File) error {
	n, err := file.Read(make([]byte, 1))
	if n > 0 {
		return sizeChanged(file)
	}
	if err == io.EOF {
		return nil
	}
	return err
}

// ErrChanged is wrapped by the errors of [ReadAll] and [ReadOpen] for a file
// that changed its size while it was read.
var ErrChanged = errors.New("the size of the file changed while it was read")

func sizeChanged(file *os.File) error {
	return fmt.Errorf("%s: %w; read it again when it is no longer written to", file.Name(), ErrChanged)
}
