// Package fitsutil reads and writes FITS files. It knows the file format and
// no physics.
//
// The rules are those of the FITS Standard, version 4.0
// (https://fits.gsfc.nasa.gov/fits_standard.html); clause numbers in this
// package point into that document.
//
// Reading is guarded: a header never makes the package take memory for more
// than the file really holds, a file that breaks the Standard is reported as a
// [FormatError], one that is sound but needs a feature that this package does
// not have as an [UnsupportedError], and what is not there keeps
// errors.Is(err, fs.ErrNotExist) for files and errors.Is(err, [ErrNoHDU]) for
// parts of a file.
//
// Pixels travel as the raw big-endian bytes of whole rows ([File.ReadRows],
// [ImageWriter.WriteRows]) and are turned into numbers and back in bulk
// ([HDU.DecodeFloat32], [EncodeFloat32] and their kin), so that an image can
// be worked through in bands of rows, by several goroutines, in memory that
// does not grow with the image.
//
// A file is written under a temporary name and appears under its own name
// complete, with checksums, or not at all ([Create]).
//
// Binary tables are coded by github.com/astrogo/fitsio; headers, images, file
// structure and checksums are this package's own.
package fitsutil

// Sizes that the FITS Standard fixes.
const (
	recordSize = 80                     // a keyword record, clause 4.1
	blockSize  = 2880                   // a FITS block, clause 3.1
	perBlock   = blockSize / recordSize // 36 records
)

// padded returns n rounded up to whole FITS blocks.
func padded(n int64) int64 {
	return (n + blockSize - 1) / blockSize * blockSize
}
