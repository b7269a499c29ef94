package calib

import "testing"

func TestFlagTableListsTheConstantsInOrder(t *testing.T) {
	want := []struct {
		flag Flags
		name string
	}{
		{Missing, "missing"}, {Saturated, "saturated"}, {NearSaturated, "near-saturated"}, {AtFloor, "at-floor"},
		{Hot, "hot"}, {Unstable, "unstable"}, {Dead, "dead"}, {Low, "low"}, {Nonlinear, "nonlinear"},
		{BeyondRange, "beyond-range"}, {NoCalibration, "no-calibration"}, {OffsetUnsure, "offset-unsure"},
		{Interpolated, "interpolated"}, {SmearUnsure, "smear-unsure"}, {LineSmear, "line-smear"}, {ResidualUnsure, "residual-unsure"},
		{MixUnsure, "mix-unsure"}, {Mark, "mark"}, {Moved, "moved"}, {Hit, "hit"}, {Filled, "filled"},
	}
	table := FlagTable()
	if len(table) != len(want) {
		t.Fatalf("%d flags are listed, want %d", len(table), len(want))
	}
	for i, w := range want {
		row := table[i]
		if Flags(1)<<row.Bit != w.flag || row.Name != w.name || row.Meaning == "" {
			t.Errorf("row %d is %+v, want bit of %b and name %s with a meaning", i, row, w.flag, w.name)
		}
		if got := w.flag.String(); got != w.name {
			t.Errorf("String of bit %d is %q, want %q", row.Bit, got, w.name)
		}
	}
}

// FITS readers see the bits as numbers, so they must never move.
func TestFlagBitsAreThoseOfTheFiles(t *testing.T) {
	for _, c := range []struct {
		flag Flags
		bits Flags
	}{{Missing, 1}, {Saturated, 2}, {Hot, 16}, {NoCalibration, 1024}, {Interpolated, 1 << 12}, {Mark, 1 << 17}, {Moved, 1 << 18}, {Filled, 1 << 20}, {BadPixel, 0b1_1111_0000}, {Unusable, 0b100_0000_0011}} {
		if c.flag != c.bits {
			t.Errorf("%v is %b, want %b", c.flag, uint32(c.flag), uint32(c.bits))
		}
	}
}

// A filled pixel has a value, whatever it was filled for; one at saturation has
// a bound alone.
func TestFilledPixelsHaveAValue(t *testing.T) {
	r := NewRaster(1, 1)
	for flags, good := range map[Flags]bool{
		0: true, Hot: true, Missing: false, NoCalibration | Dead: false, Saturated: false,
		Missing | Filled: true, NoCalibration | Dead | Filled: true, Saturated | Filled: false,
	} {
		if r.Flags[0] = flags; r.Good(0) != good {
			t.Errorf("%v: good is %v", flags, !good)
		}
	}
	if f := Hot | Missing | Saturated | Filled; f.Standing() != Hot|Saturated|Filled {
		t.Errorf("of %v there stand %v", f, f.Standing())
	}
}

func TestFlagsStringJoinsNames(t *testing.T) {
	for _, c := range []struct {
		flags Flags
		want  string
	}{
		{0, "good"},
		{Hot, "hot"},
		{Dead | Missing, "missing+dead"},
		{OffsetUnsure | Saturated | NearSaturated, "saturated+near-saturated+offset-unsure"},
	} {
		if got := c.flags.String(); got != c.want {
			t.Errorf("%b is %q, want %q", uint32(c.flags), got, c.want)
		}
	}
}
