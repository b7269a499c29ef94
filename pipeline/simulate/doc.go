// Package simulate makes raw frames of a camera that is described by a
// profile, and keeps the truth about each of them.
//
// It is the forward side of the measurement model, from light to number:
//
//	Q   = F(x,y) (K_b L + lamp) t  +  d(x,y) h(T) (t + wait)  +  m(x,y)  mean electrons
//	N   = min( Poisson(Q) + cosmic rays, full well ) + Normal(0, r_a)  electrons at the output
//	v   = lin^-1( N / g_a )                                        DN above offset
//	raw = code of clip( round( o_a(y) + B(x,y) + v ), 0, 2^bits - 1 )
//
// b is the band of the frame or, in a mosaic or under strips of filters, the
// pixel's own. t is the exposure time, longer from row to row where a rolling
// exposure ends so. m, the charge that is gathered while the image is shifted,
// is 0 but for detectors whose profile describes it. The code is the DN itself
// but for a camera that compands its samples.
//
// L is what the optics make of the scene: blurred, where the profile tells how
// sharp the image of a point is (its section hits), for frames of a mosaic, strips
// or a single band.
//
// Light falls on the image region of the profile and nowhere else; samples
// outside of it (overscan) hold no charge at all, but for masked rows that are
// shifted through the image.
//
// The package shares no code with the calibration that undoes these steps:
// it is the other side of the check.
//
// Every random number comes from a stream that is named by the seed, the
// frame and the row, so that a frame never depends on how many workers made
// it or on the frames made before it.
package simulate
