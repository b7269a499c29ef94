// Package calib holds the physics of the measurement: what turns the numbers
// of a camera into light, and how well the answer is known. It knows no
// files, no clock and no logger.
//
// Pixels are float32, row by row; regions count from zero and are half open.
// The symbols are those of the measurement model:
//
//	o_a(y)  electronic offset of amplifier a, DN
//	B       fixed pattern of the offset (master bias), DN
//	lin(v)  linearity correction, DN above offset -> linear DN
//	g_a     gain, e-/DN
//	r_a     read noise, e-
//	d, h(T) dark current at T0, e-/s, and its temperature law
//	F_b     flat field of band b, relative response
//	K_b     responsivity, e-/s per W m^-2 sr^-1 nm^-1
//
// A frame is corrected by a list of stages, each of which treats one row at a
// time, so all of them together pass over the pixels once ([Chain]).
// Uncertainties are propagated to first order (JCGM 100:2008, clause 5.1).
package calib
