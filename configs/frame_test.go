package configs

import (
	"errors"
	"math"
	"math/big"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// cards is a header for tests.
type cards map[string]any

func (c cards) Value(key string) (any, bool) {
	v, ok := c[key]
	return v, ok
}

// with gives a copy of the header with some cards changed; a card that is set
// to absent is taken out.
func (c cards) with(changes cards) cards {
	changed := cards{}
	for k, v := range c {
		changed[k] = v
	}
	for k, v := range changes {
		if v == absent {
			delete(changed, k)
			continue
		}
		changed[k] = v
	}
	return changed
}

type absence struct{}

var absent any = absence{}

func loaded(t testing.TB, path string) *Profile {
	t.Helper()
	p, err := Load(path, Overrides{})
	if err != nil {
		t.Fatal(err)
	}
	return p
}

func fourCorners(t testing.TB) *Profile {
	return loaded(t, filepath.Join("..", "testdata", "profiles", "four-corners.yaml"))
}

// A scene of quillon's, in the camera's own units.
func quillonScene() cards {
	return cards{
		"OBSTYPE": "IMAGE", "EXPDUR": int64(250), "FPATEMP": -9.85, "SOLDIST": 299195741.4,
		"OBSTIME": "2031-05-17T08:09:10.25", "FILTPOS": int64(2), "RDMODE": int64(0), "TGTNAME": "Tessaly ",
	}
}

func pellamScene() cards {
	return cards{"COVER": "open", "LAMP": false, "TINT": 1.5, "TCHIP": 208.5, "TSTART": 1.0e9, "AIM": "Tessaly"}
}

func TestAHeaderIsReadInOurWordsAndUnits(t *testing.T) {
	got, err := loaded(t, "quillon.yaml").Describe(quillonScene())
	if err != nil {
		t.Fatal(err)
	}
	// 250 ms; -9.85 degC + 273.15; 299195741.4 km is 2 au (IAU 2012 Resolution B2).
	want := FrameInfo{Kind: "scene", Band: "green", Mode: "normal", Target: "Tessaly", ExposureS: 0.25,
		TempK: 263.3, SunDistanceAU: 2, Time: time.Date(2031, 5, 17, 8, 9, 10, 250_000_000, time.UTC)}
	if math.Abs(got.TempK-want.TempK) > 1e-9 || math.Abs(got.SunDistanceAU-want.SunDistanceAU) > 1e-12 {
		t.Errorf("temperature %v K, distance %v au", got.TempK, got.SunDistanceAU)
	}
	if !math.IsNaN(got.GroundSpeedMS) || !math.IsNaN(got.FootprintM) {
		t.Errorf("a camera that tells neither has ground speed %v m/s, footprint %v m", got.GroundSpeedMS, got.FootprintM)
	}
	got.TempK, got.SunDistanceAU, got.GroundSpeedMS, got.FootprintM = want.TempK, want.SunDistanceAU, 0, 0
	if got != want {
		t.Errorf("got  %+v\nwant %+v", got, want)
	}
}

func TestTheFirstRuleThatFitsDecidesTheKind(t *testing.T) {
	quillon, pellam, corners := loaded(t, "quillon.yaml"), loaded(t, "pellam.yaml"), fourCorners(t)
	long := "HIERARCH CAM EXPOSURE"
	other := cards{long: 1.0, "SHUTTER": true, "TEMP": 1.0, "SUNDIST": 1e11, "MJD-OBS": 60000.0}
	for _, c := range []struct {
		name string
		p    *Profile
		h    cards
		want string
	}{
		{"text", quillon, quillonScene(), KindScene},
		{"text in small letters and with blanks", quillon, quillonScene().with(cards{"OBSTYPE": " lampseq "}), KindLadder},
		{"word that only begins alike", quillon, quillonScene().with(cards{"OBSTYPE": "LAMP"}), KindFlat},
		{"keyword that is there", pellam, cards{"TESTPAT": int64(0)}, KindIgnore},
		{"keyword that is there without a value", pellam, cards{"TESTPAT": nil}, KindIgnore},
		{"number below", pellam, pellamScene().with(cards{"TINT": 0.0004}), KindBias},
		{"number not below", pellam, pellamScene().with(cards{"TINT": 0.0005}), KindScene},
		{"number as text", pellam, pellamScene().with(cards{"TINT": "4e-4"}), KindBias},
		{"two tests of which one fails", pellam, pellamScene().with(cards{"LAMPSTEP": int64(0)}), KindScene},
		{"two tests that hold", pellam, pellamScene().with(cards{"LAMPSTEP": int64(1)}), KindLadder},
		{"number above, of a text that is none", pellam, pellamScene().with(cards{"LAMPSTEP": "ON"}), KindScene},
		{"switch as one of several", pellam, pellamScene().with(cards{"LAMP": true}), KindFlat},
		{"text as one of several", pellam, pellamScene().with(cards{"LAMP": "dome"}), KindFlat},
		{"number that equals, written otherwise", corners, other.with(cards{long: "0.00"}), KindBias},
		{"switch that equals false", corners, other.with(cards{"SHUTTER": false}), KindDark},
		{"rule without tests", corners, other, KindIgnore},
		{"keyword that is there in another rule", corners, other.with(cards{"OBJECT": "x"}), KindScene},
	} {
		t.Run(c.name, func(t *testing.T) {
			got, err := c.p.Describe(c.h)
			if err != nil {
				t.Fatal(err)
			}
			if got.Kind != c.want {
				t.Errorf("kind %s, not %s", got.Kind, c.want)
			}
		})
	}
}

func TestQuantitiesAreConvertedToOurUnits(t *testing.T) {
	for _, c := range []struct {
		d         dimension
		unit      string
		raw, want float64
	}{
		// SI prefixes and the minute: SI Brochure, 9th edition, tables 7 and 8.
		{timeDimension(), "s", 2.5, 2.5}, {timeDimension(), "ms", 125, 0.125}, {timeDimension(), "us", 500, 0.0005}, {timeDimension(), "min", 1.5, 90},
		{lengthDimension(), "m", 0.5, 0.5}, {lengthDimension(), "km", 1.25, 1250}, {lengthDimension(), "cm", 50, 0.5},
		{speedDimension(), "m/s", 1500, 1500}, {speedDimension(), "km/s", 5, 5000},
		{countDimension(), "count", 32, 32}, {countDimension(), "", 32, 32},
		// t/degC = T/K - 273.15: SI Brochure, 9th edition, 2.3.1. The Fahrenheit
		// scale has the ice point at 32 and the boiling point at 212 degrees.
		{temperatureDimension(), "K", 210, 210}, {temperatureDimension(), "degC", 0, 273.15}, {temperatureDimension(), "degC", -273.15, 0},
		{temperatureDimension(), "degF", 32, 273.15}, {temperatureDimension(), "degF", 212, 373.15}, {temperatureDimension(), "degF", -459.67, 0},
		// One au is 149 597 870 700 m exactly: IAU 2012 Resolution B2.
		{distanceDimension(), "au", 5.2, 5.2}, {distanceDimension(), "km", 149_597_870.7, 1}, {distanceDimension(), "m", 448_793_612_100, 3},
	} {
		if got := c.d.toOwnUnit(c.raw, c.unit); math.Abs(got-c.want) > 1e-13*max(1, math.Abs(c.want)) {
			t.Errorf("a %s of %v %s gives %v, not %v", c.d.name, c.raw, c.unit, got, c.want)
		}
	}
}

// allDimensions lists what header quantities can measure.
func allDimensions() []dimension {
	return []dimension{timeDimension(), temperatureDimension(), distanceDimension(), lengthDimension(), speedDimension(), countDimension()}
}

func TestEveryUnitThatTheProfileMayNameIsConverted(t *testing.T) {
	own := map[string]string{"time": "s", "temperature": "K", "distance": "au", "length": "m", "speed": "m/s", "count": "count"}
	for _, d := range allDimensions() {
		for _, unit := range d.unitNames() {
			if same := d.toOwnUnit(1000, unit) == 1000; same != (own[d.name] == unit) {
				t.Errorf("1000 %s gives %v %s", unit, d.toOwnUnit(1000, unit), d.ownUnit)
			}
		}
	}
}

func TestCodedWordsAndDefaultsStandForNumbers(t *testing.T) {
	pellam, corners := loaded(t, "pellam.yaml"), fourCorners(t)
	long := "HIERARCH CAM EXPOSURE"
	other := cards{"OBJECT": "x", long: 1.0, "SHUTTER": true, "MJD-OBS": 60000.0}
	for _, c := range []struct {
		name string
		p    *Profile
		h    cards
		got  func(FrameInfo) float64
		want float64
	}{
		{"word", pellam, pellamScene().with(cards{"TCHIP": "nominal "}), func(i FrameInfo) float64 { return i.TempK }, 210},
		{"word in our own unit, not in the header's", corners, other.with(cards{long: "BULB"}), func(i FrameInfo) float64 { return i.ExposureS }, 30},
		{"word that is a number", corners, other.with(cards{long: int64(7)}), func(i FrameInfo) float64 { return i.ExposureS }, 0.5},
		{"number that is no word", corners, other.with(cards{long: int64(2)}), func(i FrameInfo) float64 { return i.ExposureS }, 120},
		{"default", pellam, pellamScene(), func(i FrameInfo) float64 { return i.SunDistanceAU }, 3.2},
		{"default for a keyword without a value", pellam, pellamScene().with(cards{"RSUN": nil}), func(i FrameInfo) float64 { return i.SunDistanceAU }, 3.2},
		{"value before the default", pellam, pellamScene().with(cards{"RSUN": 4.0}), func(i FrameInfo) float64 { return i.SunDistanceAU }, 4},
		{"large integer", pellam, pellamScene().with(cards{"TPARK": big.NewInt(3_000_000)}), func(i FrameInfo) float64 { return i.WaitS }, 3},
	} {
		t.Run(c.name, func(t *testing.T) {
			info, err := c.p.Describe(c.h)
			if err != nil {
				t.Fatal(err)
			}
			if got := c.got(info); got != c.want {
				t.Errorf("got %v, not %v", got, c.want)
			}
		})
	}
}

func TestWhatAFrameMayLack(t *testing.T) {
	quillon := loaded(t, "quillon.yaml")
	for _, c := range []struct {
		name string
		h    cards
		ok   func(FrameInfo) bool
	}{
		{"temperature", quillonScene().with(cards{"FPATEMP": absent}), func(i FrameInfo) bool { return math.IsNaN(i.TempK) }},
		{"distance", quillonScene().with(cards{"SOLDIST": absent}), func(i FrameInfo) bool { return math.IsNaN(i.SunDistanceAU) }},
		{"target", quillonScene().with(cards{"TGTNAME": absent}), func(i FrameInfo) bool { return i.Target == "" }},
		{"band of a dark", quillonScene().with(cards{"OBSTYPE": "SHUT", "FILTPOS": absent}), func(i FrameInfo) bool { return i.Band == "" }},
		{"band of a bias, which is there", quillonScene().with(cards{"OBSTYPE": "ZERO"}), func(i FrameInfo) bool { return i.Band == "" }},
		{"exposure of a bias, which is 0", quillonScene().with(cards{"OBSTYPE": "ZERO", "EXPDUR": int64(0)}), func(i FrameInfo) bool { return i.ExposureS == 0 }},
	} {
		t.Run(c.name, func(t *testing.T) {
			info, err := quillon.Describe(c.h)
			if err != nil {
				t.Fatal(err)
			}
			if !c.ok(info) {
				t.Errorf("got %+v", info)
			}
		})
	}
}

func TestBandModeAndTargetByName(t *testing.T) {
	corners := fourCorners(t)
	h := cards{"OBJECT": "x", "HIERARCH CAM EXPOSURE": 1.0, "SHUTTER": true, "MJD-OBS": 60000.0}
	for _, c := range []struct {
		name       string
		p          *Profile
		h          cards
		band, mode string
	}{
		{"defaults", corners, h, "blue", "slow"},
		{"band by its own name", corners, h.with(cards{"COLOUR": "YELLOW  "}), "yellow", "slow"},
		{"mode as it stands", corners, h.with(cards{"MODE": " Burst"}), "blue", "Burst"},
		{"mode that is a number", corners, h.with(cards{"MODE": int64(3)}), "blue", "3"},
		{"the one band of a camera without a keyword", loaded(t, "pellam.yaml"), pellamScene(), "clear", ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			info, err := c.p.Describe(c.h)
			if err != nil {
				t.Fatal(err)
			}
			if info.Band != c.band || info.Mode != c.mode {
				t.Errorf("band %q, mode %q", info.Band, info.Mode)
			}
		})
	}
}

// A frame of tarn's, in the camera's own units.
func tarnScene() cards {
	return cards{
		"LIGHT": "SKY", "LINETIME": 100.0, "NSTAGE": int64(32), "BINNING": int64(2), "GRNDVEL": 5.0, "FOOTPRNT": 1.0,
		"FPLTEMP": 0.0, "HELIODST": 3.2, "FIRSTLIN": int64(1_936_771_750_250), "AIMPOINT": "Tessaly",
	}
}

// edits gives a camera's profile with edits of its text: old, new, old, new ...
func edits(t *testing.T, instrument string, pairs ...string) *Profile {
	t.Helper()
	text := builtin(t, instrument)
	for i := 0; i < len(pairs); i += 2 {
		text = edited(t, text, pairs[i], pairs[i+1])
	}
	p, err := Parse("camera.yaml", []byte(text), Overrides{})
	if err != nil {
		t.Fatal(err)
	}
	return p
}

func TestTheHeaderOfALineScanner(t *testing.T) {
	got, err := loaded(t, "tarn.yaml").Describe(tarnScene())
	if err != nil {
		t.Fatal(err)
	}
	// 100 us in each of 32 stages; 5 km/s; a footprint in metres stays in metres.
	want := FrameInfo{Kind: "scene", Mode: "s32b2", Target: "Tessaly", ExposureS: 0.0032, TempK: 273.15, SunDistanceAU: 3.2,
		LineTimeS: 1e-4, ChargeStages: 32, Binning: 2, GroundSpeedMS: 5000, FootprintM: 1,
		Time: time.Date(2031, 5, 17, 8, 9, 10, 250_000_000, time.UTC)}
	if math.Abs(got.ExposureS-want.ExposureS) > 1e-15 {
		t.Errorf("the exposure is %v s, not %v s", got.ExposureS, want.ExposureS)
	}
	got.ExposureS = want.ExposureS
	if got != want {
		t.Errorf("got  %+v\nwant %+v", got, want)
	}
}

func TestStagesAndBinningArePartOfTheMode(t *testing.T) {
	const noBinning = "  binning:          {key: BINNING, unit: count, default: 1}\n"
	const target = "  target:           {key: AIMPOINT}\n"
	withMode := []string{target, target + "  mode: {key: GAINSET, words: [{raw: 0, is: normal}]}\n"}
	h := tarnScene().with(cards{"GAINSET": int64(0)})
	for _, c := range []struct {
		name    string
		p       *Profile
		h       cards
		mode    string
		stages  int
		binning int
	}{
		{"both", loaded(t, "tarn.yaml"), h, "s32b2", 32, 2},
		{"after the profile's own mode", edits(t, "tarn", withMode...), h, "normal-s32b2", 32, 2},
		{"of a dark", edits(t, "tarn", withMode...), h.with(cards{"LIGHT": "COVER", "NSTAGE": "128"}), "normal-s128b2", 128, 2},
		{"binning that the header leaves to its default", loaded(t, "tarn.yaml"), h.with(cards{"BINNING": absent}), "s32b1", 32, 1},
		{"no binning in the profile", edits(t, "tarn", noBinning, ""), h, "s32", 32, 1},
		{"stages that are fixed", edits(t, "tarn", noBinning, "", "{key: NSTAGE}", "{default: 64}"), h, "s64", 64, 1},
	} {
		t.Run(c.name, func(t *testing.T) {
			info, err := c.p.Describe(c.h)
			if err != nil {
				t.Fatal(err)
			}
			if info.Mode != c.mode || info.ChargeStages != c.stages || info.Binning != c.binning {
				t.Errorf("mode %q, %d stages, binning %d", info.Mode, info.ChargeStages, info.Binning)
			}
			if want := 1e-4 * float64(c.stages); math.Abs(info.ExposureS-want) > 1e-15 {
				t.Errorf("exposure %v s, not %v s", info.ExposureS, want)
			}
		})
	}
}

func TestAHeaderWithoutSpeedAndFootprint(t *testing.T) {
	info, err := loaded(t, "tarn.yaml").Describe(tarnScene().with(cards{"GRNDVEL": absent, "FOOTPRNT": nil}))
	if err != nil {
		t.Fatal(err)
	}
	if !math.IsNaN(info.GroundSpeedMS) || !math.IsNaN(info.FootprintM) {
		t.Errorf("speed %v m/s, footprint %v m", info.GroundSpeedMS, info.FootprintM)
	}
}

func TestACameraThatTakesFramesHasNoLines(t *testing.T) {
	info, err := loaded(t, "quillon.yaml").Describe(quillonScene())
	if err != nil {
		t.Fatal(err)
	}
	if info.LineTimeS != 0 || info.ChargeStages != 0 || info.Binning != 0 {
		t.Errorf("line time %v s, %d stages, binning %d", info.LineTimeS, info.ChargeStages, info.Binning)
	}
}

func TestTheBandIsLeftToTheDetectorsThatTellIt(t *testing.T) {
	for _, c := range []struct {
		camera string
		h      cards
	}{
		{"tarn", tarnScene()},
		{"brindle", cards{"FRAMETYP": "S", "EXPTIME": 0.05, "DATE-OBS": "2031-05-17"}},
		{"fescue", cards{"ACTIVITY": "FLAT", "SHUTTIME": 5e4, "EPOCH-S": 1.9e9}},
		{"umber", cards{"USE": "PICTURE", "TEXP": 50.0, "TIMETAG": "2031-05-17"}},
	} {
		t.Run(c.camera, func(t *testing.T) {
			info, err := loaded(t, c.camera+".yaml").Describe(c.h)
			if err != nil {
				t.Fatal(err)
			}
			if info.Band != "" {
				t.Errorf("the band is %q", info.Band)
			}
		})
	}
}

func TestAHeaderThatCannotBeReadNamesKeywordValueAndRemedy(t *testing.T) {
	quillon, tarn, corners := loaded(t, "quillon.yaml"), loaded(t, "tarn.yaml"), fourCorners(t)
	for _, c := range []struct {
		name         string
		p            *Profile
		h            cards
		key          string
		says, remedy string
	}{
		{"kind", quillon, quillonScene().with(cards{"OBSTYPE": "FOCUS"}), "OBSTYPE", `OBSTYPE is "FOCUS"`, "add a rule"},
		{"kind without its keyword", quillon, quillonScene().with(cards{"OBSTYPE": absent}), "OBSTYPE", "OBSTYPE is absent", "add a rule"},
		{"exposure absent", quillon, quillonScene().with(cards{"EXPDUR": absent}), "EXPDUR", "is absent", "default"},
		{"exposure undefined", quillon, quillonScene().with(cards{"EXPDUR": nil}), "EXPDUR", "is absent", "default"},
		{"exposure in words", quillon, quillonScene().with(cards{"EXPDUR": "AUTO"}), "EXPDUR", `"AUTO" is not a number of ms`, "add it to the words"},
		{"exposure that is a switch", quillon, quillonScene().with(cards{"EXPDUR": true}), "EXPDUR", "T is not a number", "add it to the words"},
		{"exposure that is negative", quillon, quillonScene().with(cards{"EXPDUR": -1.0}), "EXPDUR", "-1 ms is no possible time", "unit"},
		{"exposure of a scene that is 0", quillon, quillonScene().with(cards{"EXPDUR": int64(0)}), "EXPDUR", "the exposure is 0 s, and the frame is a scene", "frame_kinds"},
		{"temperature below absolute zero", quillon, quillonScene().with(cards{"FPATEMP": -300.0}), "FPATEMP", "-300 degC is no possible temperature", "unit"},
		{"temperature that is no number", quillon, quillonScene().with(cards{"FPATEMP": math.NaN()}), "FPATEMP", "NaN is not a number", "words"},
		{"distance of 0", quillon, quillonScene().with(cards{"SOLDIST": 0.0}), "SOLDIST", "0 km is no possible distance", "unit"},
		{"line time absent", tarn, tarnScene().with(cards{"LINETIME": absent}), "LINETIME", "is absent, and the frame's time", "default"},
		{"line time of 0", tarn, tarnScene().with(cards{"LIGHT": "COVER", "LINETIME": 0.0}), "LINETIME", "no zero exposure", "kind: ignore"},
		{"stages absent", tarn, tarnScene().with(cards{"NSTAGE": absent}), "NSTAGE", "is absent, and the frame's count", "default"},
		{"stages that are a fraction", tarn, tarnScene().with(cards{"NSTAGE": 32.5}), "NSTAGE", "its value 32.5 is no possible count (a whole number from 1 to 65536)", "unit"},
		{"no stages", tarn, tarnScene().with(cards{"NSTAGE": int64(0)}), "NSTAGE", "its value 0 is no possible count", "unit"},
		{"stages in words", tarn, tarnScene().with(cards{"NSTAGE": "ALL"}), "NSTAGE", `"ALL" is not a number of counts`, "words"},
		{"binning below 1", tarn, tarnScene().with(cards{"BINNING": 0.5}), "BINNING", "its value 0.5 count is no possible count", "unit"},
		{"speed that is negative", tarn, tarnScene().with(cards{"GRNDVEL": -5.0}), "GRNDVEL", "-5 km/s is no possible speed (0 m/s or more)", "unit"},
		{"footprint of 0", tarn, tarnScene().with(cards{"FOOTPRNT": 0.0}), "FOOTPRNT", "0 m is no possible length (above 0 m)", "unit"},
		{"band that is not coded", quillon, quillonScene().with(cards{"FILTPOS": int64(7)}), "FILTPOS", "7 is not among the words of keywords.band", `add {raw: "7", is: ...}`},
		{"band absent", quillon, quillonScene().with(cards{"FILTPOS": absent}), "FILTPOS", "is absent, and the frame's band", "default"},
		{"band of no such name", corners, cards{"OBJECT": "x", "HIERARCH CAM EXPOSURE": 1.0, "SHUTTER": true, "COLOUR": "pink"}, "COLOUR", `"pink" is none of the bands blue, yellow`, "keywords.band"},
		{"mode that is not coded", quillon, quillonScene().with(cards{"RDMODE": "TURBO"}), "RDMODE", `"TURBO" is not among the words of keywords.mode`, `add {raw: "TURBO", is: ...}`},
		{"mode absent", quillon, quillonScene().with(cards{"RDMODE": absent}), "RDMODE", "is absent, and the frame's mode", "default"},
		{"time absent", quillon, quillonScene().with(cards{"OBSTIME": absent}), "OBSTIME", "is absent", "masters are chosen by time"},
		{"time of another form", quillon, quillonScene().with(cards{"OBSTIME": "17/05/2031"}), "OBSTIME", `"17/05/2031" is no time of the form iso8601`, "keywords.time"},
	} {
		t.Run(c.name, func(t *testing.T) {
			_, err := c.p.Describe(c.h)
			var fault *HeaderError
			if !errors.As(err, &fault) {
				t.Fatalf("want a HeaderError, got: %v", err)
			}
			if fault.Key != c.key || !strings.Contains(fault.Problem, c.says) || !strings.Contains(fault.Remedy, c.remedy) {
				t.Errorf("got %v", fault)
			}
		})
	}
}

func TestTimesInEveryForm(t *testing.T) {
	at := func(y int, mo time.Month, d, h, mi, s, ns int) time.Time {
		return time.Date(y, mo, d, h, mi, s, ns, time.UTC)
	}
	for _, c := range []struct {
		name   string
		form   string
		raw    any
		want   time.Time
		within time.Duration
	}{
		{"to the second", "iso8601", "2031-05-17T08:09:10", at(2031, 5, 17, 8, 9, 10, 0), 0},
		{"with a fraction", "iso8601", "2031-05-17T08:09:10.123456789", at(2031, 5, 17, 8, 9, 10, 123456789), 0},
		{"with a Z", "iso8601", " 2031-05-17T08:09:10.5Z ", at(2031, 5, 17, 8, 9, 10, 500000000), 0},
		{"with more digits than a nanosecond has", "iso8601", "2031-05-17T08:09:10.1234567899", at(2031, 5, 17, 8, 9, 10, 123456789), 0},
		{"date alone", "iso8601", "2031-05-17", at(2031, 5, 17, 0, 0, 0, 0), 0},
		{"leap second", "iso8601", "2016-12-31T23:59:60.25", at(2017, 1, 1, 0, 0, 0, 250000000), 0},
		{"leap day", "iso8601", "2032-02-29T00:00:00", at(2032, 2, 29, 0, 0, 0, 0), 0},
		{"before the epoch", "iso8601", "1858-11-17T00:00:00", at(1858, 11, 17, 0, 0, 0, 0), 0},

		{"seconds", "unix_s", int64(1_000_000_000), at(2001, 9, 9, 1, 46, 40, 0), 0},
		{"seconds and a half", "unix_s", 1_000_000_000.5, at(2001, 9, 9, 1, 46, 40, 500000000), 0},
		{"seconds as text", "unix_s", "0.25", at(1970, 1, 1, 0, 0, 0, 250000000), 0},
		{"seconds before the epoch", "unix_s", -1.25, at(1969, 12, 31, 23, 59, 58, 750000000), 0},
		{"milliseconds", "unix_ms", int64(1_000_000_000_001), at(2001, 9, 9, 1, 46, 40, 1000000), 0},
		{"milliseconds and a half", "unix_ms", 1500.5, at(1970, 1, 1, 0, 0, 1, 500500000), 0},
		{"milliseconds before the epoch", "unix_ms", -1.0, at(1969, 12, 31, 23, 59, 59, 999000000), 0},

		// J2000.0 is JD 2451545.0, MJD = JD - 2400000.5, and MJD counts from
		// 1858-11-17 (FITS Standard 4.0, 9.1; from memory).
		{"Julian date of J2000.0", "jd", 2451545.0, at(2000, 1, 1, 12, 0, 0, 0), 0},
		{"Julian date that is whole", "jd", int64(2451545), at(2000, 1, 1, 12, 0, 0, 0), 0},
		{"modified Julian date of J2000.0", "mjd", 51544.5, at(2000, 1, 1, 12, 0, 0, 0), 0},
		{"modified Julian date 0", "mjd", int64(0), at(1858, 11, 17, 0, 0, 0, 0), 0},
		// Neighbouring float64 values are 2^-31 days apart near this Julian date
		// and 2^-37 near this MJD: half of that may be lost in writing the number
		// down. The nanoseconds are 0.123456789 (0.623456789) of 86400 s.
		{"Julian date with a fraction", "jd", 2460000.123456789, at(2023, 2, 24, 14, 57, 46, 666569600), 20118 * time.Nanosecond},
		{"modified Julian date with a fraction", "mjd", 60000.123456789, at(2023, 2, 25, 2, 57, 46, 666569600), 316 * time.Nanosecond},
	} {
		t.Run(c.form+" "+c.name, func(t *testing.T) {
			got, err := parseTime(c.raw, c.form)
			if err != nil {
				t.Fatal(err)
			}
			if d := got.Sub(c.want).Abs(); d > c.within {
				t.Errorf("%v gives %v, %v from %v", c.raw, got, d, c.want)
			}
			if got.Location() != time.UTC {
				t.Errorf("the time is in %v", got.Location())
			}
		})
	}
}

func TestTextThatIsNoTime(t *testing.T) {
	for _, c := range []struct {
		form string
		raw  any
	}{
		{"iso8601", ""}, {"iso8601", "2031-5-17"}, {"iso8601", "2031-05-17 08:09:10"}, {"iso8601", "2031-05-17T08:09"},
		{"iso8601", "2031-02-29"}, {"iso8601", "2031-13-01"}, {"iso8601", "2031-05-17T24:00:00"}, {"iso8601", "2031-05-17T08:09:60"},
		{"iso8601", "2031-05-17T08:09:10,5"}, {"iso8601", "2031-05-17T08:09:10+01:00"}, {"iso8601", "0000-01-01"}, {"iso8601", int64(20310517)},
		{"unix_s", "now"}, {"unix_s", true}, {"unix_s", 1e300}, {"unix_s", math.NaN()}, {"unix_ms", int64(math.MaxInt64)},
		{"unix_ms", math.Inf(1)}, {"jd", -1e7}, {"jd", "2031-05-17"}, {"mjd", 1e9},
	} {
		if got, err := parseTime(c.raw, c.form); err == nil {
			t.Errorf("%v as %s gives %v and no error", c.raw, c.form, got)
		}
	}
}
