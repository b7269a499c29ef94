// Package measure is the mathematics of measuring a sensor: photon transfer,
// linearity, dark current, fixed patterns, and whether the frames that were
// meant for it can be trusted. It knows no files and no clock.
//
// Pixels are summed up in one pass over rows ([PairSums], [Spatial], [Tilt]),
// and small fits follow ([FitTransfer], [LinearityError], [FitDark]).
//
// Where EMVA Standard 1288, Release 4.0 Linear, defines a quantity, its name
// and symbol stand beside ours; the definitions were written down from
// memory. Its system gain K, in DN/e-, is 1/g.
//
// Every result is a [Figure], a value with its standard uncertainty,
// propagated to first order (JCGM 100:2008, clause 5). It is the uncertainty
// from the noise of this measurement for this sensor: a fixed pattern is a
// property of the sensor, not a draw from a population of sensors. What is
// common to all measurements (the lamp, the thermometer's zero) is not in it.
package measure
