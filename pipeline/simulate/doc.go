// Package simulate makes raw frames of a camera that is described by a
// profile, and keeps the truth about each of them.
//
// It is the forward side of the measurement model, from light to number:
//
//	Q   = F(x,y) (K_b L + lamp) t  +  d(x,y) h(T) (t + wait)       mean electrons
//	N   = min( Poisson(Q) + cosmic rays, full well ) + Normal(0, r_a)  electrons at the output
//	v   = lin^-1( N / g_a )                                        DN above offset
//	raw = clip( round( o_a(y) + B(x,y) + v ), 0, 2^bits - 1 )      DN
//
// The camera has a shutter, so that no charge is gathered while the image is
// shifted out. Light falls on the image region of the profile and nowhere
// else; samples outside of it (overscan) hold no charge at all.
//
// The package shares no code with the calibration that undoes these steps:
// it is the other side of the check.
//
// Every random number comes from a stream that is named by the seed, the
// frame and the row, so that a frame never depends on how many workers made
// it or on the frames made before it.
package simulate
