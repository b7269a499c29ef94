// Package fill estimates pixels that hold no measurement of the scene (bad
// pixels, hits, samples that were lost) from the sound pixels of the same
// colour around them, and says how well.
//
// The estimate is ordinary kriging (Matheron 1963; Cressie 1993, Statistics
// for Spatial Data, 3.2; both from memory): the linear combination
//
//	s* = sum w_i z_i,    sum w_i = 1
//
// of the nearest 16 sound pixels z_i with the least expected squared error,
// for a scene with the variogram g(h) = half the mean square of the difference
// of two pixels h apart, and for the known noise variance D_i of each pixel:
//
//	E (s* - s)^2 = 2 sum w_i g(h_i0) - sum w_i w_j g(h_ij)  +  sum w_i^2 D_i
//
// The first two terms are the error of interpolation, which the structure of
// the scene makes, the last is the neighbours' noise. Where there is no
// structure the estimate is the mean weighted by 1/D_i with the variance
// 1/sum(1/D_i).
//
// Nothing about the scene is given; all is learnt around each pixel, in a
// window of 15 x 15 pixels of its own place in the pattern (down to 7 x 7 where
// the pattern is large):
//
//   - The variogram a h^p is fitted to squared differences less the noise, by
//     weighted least squares, over distances of 1 to some 7 pixels.
//   - A scene is rougher in one place than in another, at a limb above all. So
//     the same weights predict the sound pixels of the window as if they were
//     missing, and the error of interpolation is scaled by what those show
//     whose surroundings vary about as much as the pixel's own.
//
// So the uncertainty is of the scene's value at the pixel, which a sound
// detector would have measured but for its noise. It is honest on average over
// places of one kind. What no neighbour hints at, such as a crater smaller than
// the hole, cannot be foreseen: such pixels lie further off than a normal
// distribution has them.
//
// Neighbours' errors are taken as independent; a common part, such as that of a
// row's offset, is not made smaller in truth by averaging, and has to be small
// against the rest.
//
// All of it follows from the pixels around, in an order that is fixed, so the
// result does not depend on how the image is cut into blocks. The cost of a
// pixel is bounded: a hole whose middle is too far from any sound pixel is left
// as it was.
package fill
