// Package hits finds what cosmic rays and like particles left in a frame.
//
// # One frame
//
// Light comes through the optics, a particle does not. So a hit can be sharper
// than any image, and that alone tells it from a star, a ridge or a limb.
//
// A pixel of value I has two pairs of like neighbours, left and right, above
// and below, with means P_h and P_v, and P_4 over all four. It is tested twice
// against each of the three:
//
//	significance  S = (I - P) / sqrt(Var0(I) + Var(P))
//	sharpness     D = (r (I - b) - (P - b)) / its standard deviation
//
// S asks whether the pixel stands out beyond noise. I - P_4 is the Laplacian
// edge detector of van Dokkum (2001, PASP 113, 1420): on an image whose pixels
// were first cut in four, the Laplacian of a part is 2I - h - v, with h and v
// the neighbours on its outer sides, and the mean of the four parts is
// 2(I - P_4), twice the difference used here ([Detector] does without the
// cutting). The pairs take the place of his clipping of negative parts: they
// find pixels along a track, whose neighbours on two sides were hit too.
//
// D asks whether any image could do that. An image is a sum of points, blurred
// by the optics and the pixel. For a point of Gaussian shape the mean of a
// pair of neighbours, at one pixel to either side, is never below
//
//	r = exp(-1/(2 s^2)) = 2^(-4/w^2)
//
// times the pixel between them, wherever the point falls, with s its standard
// deviation and w its full width at half maximum, pixels; what holds for every
// point holds for their sum. To hold above a bright background b, the lowest
// of the levels two pixels off on four sides is taken as the part that does
// not come from the feature; r is the smallest ratio that points of width w
// and more then give, worked out numerically, with w a tenth smaller than stated
// for optics that are not Gaussian ([SharpestRatios]). Pairs along the diagonals
// are tested as well where one of the three stands out: they find the corners of
// wide tracks. Van Dokkum compares with the fine structure of the frame instead,
// by medians of 3 and 7 pixels; the bound needs the width of a point, which a
// camera's makers know, and no tuning.
//
// Under a colour mosaic like pixels stand a whole pattern apart, where a star
// has no light left. S uses those; D uses the pixels beside, whatever their
// colour, each above a background of its own colour and in units in which a
// grey target is the same in all; since targets are not grey, a neighbour of
// another colour may be weaker than r by the factor Colour.
//
// Var0 is the variance that the pixel would have without the hit. The noise
// stage lets a pixel that stands out speak for itself, so the shot noise of
// the excess is taken off again, though never below what its neighbours have.
//
// Around what was found the tests are repeated with lower limits, three times,
// each time without the pixels found before: so tracks more than a pixel wide
// and their faint ends are found too. A pixel two steps off takes the place of a
// neighbour that was hit, by a straight line, so that a slope does not stand out.
//
// Pixels of no value, bad, saturated and near-saturated ones are not tested,
// and but for the last not used.
//
// # Frames of one scene
//
// [Repeated] compares exposures of the same scene pixel by pixel.
package hits
