package configs

import "math"

// metresPerAU is exact (IAU 2012 Resolution B2).
const metresPerAU = 149_597_870_700

// dimension is what a header quantity measures: the units that a header may
// give it in, and the values that it can have in our own unit.
type dimension struct {
	name    string
	ownUnit string
	units   []string
	// valid tells whether a value in our own unit can be.
	valid func(x float64) bool
	bound string // the same in words
}

func timeDimension() dimension {
	return dimension{name: "time", ownUnit: "s", units: []string{"s", "ms", "us", "min"},
		valid: func(x float64) bool { return x >= 0 }, bound: "0 s or more"}
}

func temperatureDimension() dimension {
	return dimension{name: "temperature", ownUnit: "K", units: []string{"K", "degC", "degF"},
		valid: func(x float64) bool { return x > 0 }, bound: "above 0 K"}
}

func distanceDimension() dimension {
	return dimension{name: "distance", ownUnit: "au", units: []string{"au", "km", "m"},
		valid: func(x float64) bool { return x > 0 }, bound: "above 0 au"}
}

// accepts tells whether a number in our own unit is a possible value.
func (d dimension) accepts(x float64) bool {
	return !math.IsNaN(x) && !math.IsInf(x, 0) && d.valid(x)
}

// toOwnUnit converts a header's number to s, K or au. Conversions divide
// where the factor's inverse is exact, which keeps round numbers round. The
// unit is one that the profile's check let pass.
func toOwnUnit(x float64, unit string) float64 {
	switch unit {
	case "ms":
		return x / 1e3
	case "us":
		return x / 1e6
	case "min":
		return x * 60
	case "degC":
		return x + 273.15
	case "degF":
		return (x + 459.67) * 5 / 9
	case "km":
		return x / (metresPerAU / 1e3)
	case "m":
		return x / metresPerAU
	default: // s, K, au
		return x
	}
}
