// Package moving tells whether colour is real. Bands that are exposed one
// after another show false colour where something moved in between (common
// practice, no source); this package measures where aligned bands disagree
// and finds what moved.
//
// # Model
//
// Band b of n sees the ground of brightness R at pixel x:
//
//	I_b(x) = G_b(x) R(x - d_b) [1 + sum_k c_kb m_k(x - p_kb)] + noise
//
// G_b is the colour of the ground, smooth over the window of the comparison;
// R is common to all bands and free in each pixel, so shading, craters and
// every other texture drops out; d_b is a small error of the alignment; and
// mover k has the shape m_k (a round Gaussian of peak 1) with the contrast
// c_kb relative to the ground, at place p_kb in band b.
//
// Motion and colour differ in this: a coloured feature of the ground stands
// at one place in all bands. A mover stands at another place in each band,
// and at each of them one band alone departs from the rest, with the same
// shape. [Compare] only asks whether the bands agree with a smooth colour;
// [Find] asks for that pattern, and compares it with the best feature that
// stands still.
//
// What drifts before the ground hides the share o of it and has a brightness
// B_b of its own: a pixel shows (1 - o m) of the ground and o m of B_b. Its
// contrast o (B_b/ground - 1) differs from band to band with the colour of
// the ground, and over the ground with R; the opacity o and the shape are
// common to all bands. Find fits the contrast of each band and the opacity.
//
// Two bands alone hold no proof: a pair of coloured spots, of like size, like
// strength and opposite colour, looks the same as a mover. With three bands or
// more such an accident would have to repeat itself. The demands on two bands
// are therefore stricter, and the answer still deserves less trust.
//
// # Conventions
//
// Positions are in pixels; the centre of the first pixel of the first row is
// (0, 0), x runs along rows, y down the columns. Times are in s from any
// origin. Uncertainties are standard uncertainties, propagated to first order
// (JCGM 100:2008, clause 5.1).
package moving
