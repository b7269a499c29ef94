// Package trend follows a number over time on a control chart: whether the
// latest values are what the first ones let expect.
//
// There are two charts, of the NIST/SEMATECH e-Handbook of Statistical
// Methods (https://www.itl.nist.gov/div898/handbook/). [Individuals] (section
// 6.3.2.2) compares each value with limits and finds large changes at once.
// [EWMA] (section 6.3.2.4), the exponentially weighted moving average, compares
// a mean that forgets slowly and finds small changes that last.
//
// Both learn centre and limits from a baseline, the values of a time when all
// was well, and then judge the values after it. A cause that disturbed the
// baseline itself widens the limits. The handbook's practice is to find that
// cause and to leave out its values; a program cannot know the cause, so
// nothing is left out here, and [Limits.Suspects] names the values to look at.
//
// The limits hold for values that are independent of one another and nearly
// normal. Where neighbours are alike, as when a value drifts with temperature,
// the individuals chart underestimates the spread and calls too often.
//
// The package reads no clock and no file.
package trend
