package calib

import "strings"

// Flags marks what is wrong with a pixel; zero means nothing is. The bits are
// those of the FLAGS plane of a product.
type Flags uint32

// The quality flags.
const (
	Missing        Flags = 1 << iota // the sample never arrived (fill value, BLANK)
	Saturated                        // at or above the saturation level: the value is a lower bound
	NearSaturated                    // next to a saturated pixel, or so bright that saturation cuts its noise
	AtFloor                          // the converter's lowest code: the value is an upper bound
	Hot                              // dark current above the profile's limit
	Unstable                         // dark current that changes from frame to frame
	Dead                             // hardly any response
	Low                              // response well below its surroundings
	Nonlinear                        // response curve unlike its amplifier's
	BeyondRange                      // above the level up to which the linearity correction was measured
	NoCalibration                    // a master has no value here
	OffsetUnsure                     // the row's offset rests on too few good overscan samples, or jumps
	Interpolated                     // not measured here: made from neighbours or other frames
	SmearUnsure                      // the smear taken off rests on lost or saturated pixels of the column
	LineSmear                        // charge stepping did not keep pace with the ground
	ResidualUnsure                   // the residual image of the frame before could not be taken off
	MixUnsure                        // a layer is too dark or too bright for the layers to be separated
	Mark                             // covered by a reference mark
	Moved                            // the bands disagree: something moved between them
	Hit                              // struck by a cosmic ray or a like particle
	Filled                           // filled in from neighbours; the flag of the cause stays
)

// FlagInfo describes one bit for people.
type FlagInfo struct {
	Bit     int    // number of the bit, 0 is the least significant
	Name    string // one word, as in headers and reports
	Meaning string
}

// FlagTable lists the bits in order, as they are documented in every product.
func FlagTable() []FlagInfo {
	return []FlagInfo{
		{0, "missing", "sample never arrived; value is NaN"},
		{1, "saturated", "at saturation; value is a lower bound"},
		{2, "near-saturated", "neighbour of saturation, or within its noise"},
		{3, "at-floor", "lowest code of the converter; upper bound"},
		{4, "hot", "dark current above the limit"},
		{5, "unstable", "dark current changes between frames"},
		{6, "dead", "hardly any response to light"},
		{7, "low", "response well below its surroundings"},
		{8, "nonlinear", "response curve unlike its amplifier's"},
		{9, "beyond-range", "above the measured linearity range"},
		{10, "no-calibration", "a master has no value here; value is NaN"},
		{11, "offset-unsure", "offset of the row jumps, or too few samples"},
		{12, "interpolated", "made from neighbours, not measured here"},
		{13, "smear-unsure", "smear from lost or saturated pixels"},
		{14, "line-smear", "charge stepping out of pace with the ground"},
		{15, "residual-unsure", "residual image of the frame before left in"},
		{16, "mix-unsure", "too dark or bright to separate the layers"},
		{17, "mark", "covered by a reference mark"},
		{18, "moved", "bands disagree; something moved between them"},
		{19, "hit", "struck by a cosmic ray or a like particle"},
		{20, "filled", "filled in from neighbours; flag of cause stays"},
	}
}

// BadPixel holds the bits that a bad-pixel mask may set.
const BadPixel = Hot | Unstable | Dead | Low | Nonlinear

// Unusable holds the bits with which a pixel has no standard uncertainty: its
// value is absent or only a bound.
const Unusable = Missing | Saturated | NoCalibration

// Standing returns the flags that still say of a value that there is none or
// that it is a bound: a filled pixel has a value and an uncertainty, so Missing
// and NoCalibration, which tell why it was filled, no longer do.
func (f Flags) Standing() Flags {
	if f&Filled != 0 {
		return f &^ (Missing | NoCalibration)
	}
	return f
}

// String lists the names of the bits that are set, joined by "+".
func (f Flags) String() string {
	if f == 0 {
		return "good"
	}
	var names []string
	for _, i := range FlagTable() {
		if f&(1<<i.Bit) != 0 {
			names = append(names, i.Name)
		}
	}
	return strings.Join(names, "+")
}
