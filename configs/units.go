package configs

import (
	"math"
	"slices"
)

// metresPerAU is exact (IAU 2012 Resolution B2).
const metresPerAU = 149_597_870_700

// maxCount bounds what headers count; it lies far beyond any line scanner.
const maxCount = 65_536

// dimension is what a header quantity measures: the units that a header may
// give it in, and the values that it can have in our own unit.
type dimension struct {
	name    string
	ownUnit string
	units   []unit
	// unitless tells that the unit may be left out.
	unitless bool
	// valid tells whether a value in our own unit can be.
	valid func(x float64) bool
	bound string // the same in words
}

// unit is one that a header may use, with its conversion to our own. Unlike
// dimensions may have units of one name: metres of a footprint stay metres,
// metres to the Sun become au.
type unit struct {
	name  string
	toOwn func(x float64) float64
}

// Conversions divide where the factor's inverse is exact, which keeps round
// numbers round.

func asItIs(x float64) float64 { return x }

func divideBy(d float64) func(float64) float64 {
	return func(x float64) float64 { return x / d }
}

func multiplyBy(f float64) func(float64) float64 {
	return func(x float64) float64 { return x * f }
}

func timeDimension() dimension {
	return dimension{name: "time", ownUnit: "s",
		units: []unit{{"s", asItIs}, {"ms", divideBy(1e3)}, {"us", divideBy(1e6)}, {"min", multiplyBy(60)}},
		valid: func(x float64) bool { return x >= 0 }, bound: "0 s or more"}
}

func temperatureDimension() dimension {
	return dimension{name: "temperature", ownUnit: "K",
		units: []unit{
			{"K", asItIs},
			{"degC", func(x float64) float64 { return x + 273.15 }},
			{"degF", func(x float64) float64 { return (x + 459.67) * 5 / 9 }},
		},
		valid: func(x float64) bool { return x > 0 }, bound: "above 0 K"}
}

func distanceDimension() dimension {
	return dimension{name: "distance", ownUnit: "au",
		units: []unit{{"au", asItIs}, {"km", divideBy(metresPerAU / 1e3)}, {"m", divideBy(metresPerAU)}},
		valid: func(x float64) bool { return x > 0 }, bound: "above 0 au"}
}

func lengthDimension() dimension {
	return dimension{name: "length", ownUnit: "m",
		units: []unit{{"m", asItIs}, {"km", multiplyBy(1e3)}, {"cm", divideBy(1e2)}},
		valid: func(x float64) bool { return x > 0 }, bound: "above 0 m"}
}

func speedDimension() dimension {
	return dimension{name: "speed", ownUnit: "m/s",
		units: []unit{{"m/s", asItIs}, {"km/s", multiplyBy(1e3)}},
		valid: func(x float64) bool { return x >= 0 }, bound: "0 m/s or more"}
}

func countDimension() dimension {
	return dimension{name: "count", ownUnit: "counts", units: []unit{{"count", asItIs}}, unitless: true,
		valid: func(x float64) bool { return x >= 1 && x <= maxCount && x == math.Trunc(x) }, bound: "a whole number from 1 to 65536"}
}

// accepts tells whether a number in our own unit is a possible value.
func (d dimension) accepts(x float64) bool {
	return !math.IsNaN(x) && !math.IsInf(x, 0) && d.valid(x)
}

// remedy words what a number in the profile itself must be.
func (d dimension) remedy() string {
	if d.unitless {
		return "write " + d.bound
	}
	return "write a number in " + d.ownUnit + ", " + d.bound
}

// unitNames gives the names of the units that a profile may write.
func (d dimension) unitNames() []string {
	names := make([]string, len(d.units))
	for i, u := range d.units {
		names[i] = u.name
	}
	return names
}

// toOwnUnit converts a header's number to our own unit. The unit is one that
// the profile's check let pass.
func (d dimension) toOwnUnit(x float64, name string) float64 {
	i := slices.IndexFunc(d.units, func(u unit) bool { return u.name == name })
	if i < 0 {
		return x // no unit, of a dimension that needs none
	}
	return d.units[i].toOwn(x)
}
