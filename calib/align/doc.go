// Package align finds how far one image of a scene is displaced against
// another, says how well that is known, and brings images onto a common
// pixel grid. It knows no files; pixels and flags are those of [calib.Raster].
//
// Coordinates are pixels, x along a row and y from row to row, and the centre
// of the first pixel is (0, 0). The displacement d of image b relative to
// image a is defined by
//
//	b(x, y) = g a(x - dx, y - dy) + o
//
// with a contrast g > 0 and an offset o that may differ from place to place,
// as they do between spectral bands.
//
// # How a displacement is found
//
// First to about a pixel, by phase correlation of the frames, then to a small
// part of one, by least squares on the intensities of many tiles. The parts
// are described at [Find]. Two properties decided for least squares rather
// than for a finer correlation peak: its uncertainty follows from the variance
// of the pixels, and tiles in which something moved can be told from the rest.
package align
