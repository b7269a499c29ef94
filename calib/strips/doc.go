// Package strips assembles the band images of a camera whose one chip carries
// strips of filters. Each frame shows every band, each of another piece of
// ground; as the ground moves over the chip, every band comes to see all of
// it. An [Assembler] takes the calibrated frames one after another and builds
// an image for each band on one ground grid, that of the first frame
// continued on all sides, so the bands lie on one another.
//
// A sample is the mean light over its pixel's square. A ground pixel is the
// mean of the samples that overlap its own square, weighted by the area of the
// overlap. Light is then neither lost nor made: the sum of values times
// covered areas over the ground is the sum over the samples, to rounding, and a
// uniform scene stays uniform exactly. The price is some blur where the motion
// is not a whole number of pixels, and errors that neighbouring ground pixels
// share (see Image.LagX).
//
// Memory holds the band images, and for each band the sums of the rows that
// the present frame touches; never more than one frame.
package strips
