// Package colour turns calibrated band values into colour that can be shown:
// CIE XYZ, linear and encoded sRGB, and false colour.
//
// A band value here is a number that is 1 for a perfect white target: I/F, or
// radiance divided by the radiance of a white reference ([White]). [Matrix]
// finds the 3 x n matrix that takes n band values to XYZ, and says how far
// colours are off ([Quality]). [Renderer] takes rows of band values to linear
// sRGB, then to 16 and 8 bits a channel; [EncodePNG] writes the file's bytes.
//
// No more than three numbers can come from fewer bands than three: one band
// gives grey, two give a line through white. A matrix made from centre
// wavelengths alone is marked approximate, and says so in all that it prints.
//
// Sources: ISO/CIE 11664-1 (observer), 11664-2 (D65), 11664-4 (CIELAB),
// 11664-6 (CIEDE2000), CIE 13.3-1995 (test colours), IEC 61966-2-1 (sRGB),
// JCGM 100:2008 clause 5.1 (uncertainty), W3C PNG Specification.
package colour
