package configs

import (
	"fmt"
	"path/filepath"
	"reflect"
	"strings"
	"testing"
)

func TestOverridesTakeThePlaceOfTheFilesValues(t *testing.T) {
	text := []byte(builtin(t, "quillon"))
	for _, c := range []struct {
		name string
		set  string
		got  func(p *Profile) any
		want any
	}{
		{"a text", "output.quantity=electrons", func(p *Profile) any { return p.Output.Quantity }, "electrons"},
		{"a number in a list", "detectors.0.offset.smooth_rows=9", func(p *Profile) any { return p.Detectors[0].Offset.SmoothRows }, 9},
		{"a number in a list in a list", "detectors.0.amplifiers.1.gain_e_per_dn=3.5", func(p *Profile) any { return p.Detectors[0].Amplifiers[1].GainEPerDN }, 3.5},
		{"an element of a pair", "detectors.0.reference.rows.1=256", func(p *Profile) any { return p.Detectors[0].Reference.Rows }, [2]int{129, 256}},
		{"a pair", "detectors.0.reference.columns=[200, 300]", func(p *Profile) any { return p.Detectors[0].Reference.Columns }, [2]int{200, 300}},
		{"a key that the file leaves out", "detectors.0.fill_dn=0", func(p *Profile) any { return *p.Detectors[0].FillDN }, 0.0},
		{"a mapping that the file leaves out", "keywords.wait_s.default=0.25", func(p *Profile) any { return *p.Keywords.WaitS.Default }, 0.25},
		{"a mapping in braces", "keywords.wait_s={key: TWAIT, unit: us}", func(p *Profile) any { return *p.Keywords.WaitS }, Quantity{Key: "TWAIT", Unit: "us"}},
		{"a list", "stages_off=[flat, dark]", func(p *Profile) any { return p.StagesOff }, []string{"flat", "dark"}},
		{"a header text with an equals sign", "frame_kinds.0.when.0.equals=A=B", func(p *Profile) any { return p.FrameKinds[0].When[0].Equals }, "A=B"},
		{"an element of a list of texts", "bands.0.name=violet", func(p *Profile) any { return p.Bands[0].Name }, "violet"},
	} {
		t.Run(c.name, func(t *testing.T) {
			p, err := Parse("camera.yaml", text, Overrides{Set: []string{c.set}})
			if err != nil {
				t.Fatal(err)
			}
			if got := c.got(p); !reflect.DeepEqual(got, c.want) {
				t.Errorf("%s gives %v, not %v", c.set, got, c.want)
			}
		})
	}
}

func TestAnEmptyListSwitchesAllStagesOnAgain(t *testing.T) {
	p, err := Load(filepath.Join("..", "testdata", "profiles", "four-corners.yaml"), Overrides{Set: []string{"stages_off=[]"}})
	if err != nil {
		t.Fatal(err)
	}
	if len(p.StagesOff) != 0 || !p.StageOn(StageFlat) {
		t.Errorf("stages off: %v", p.StagesOff)
	}
}

func TestSetWinsOverTheEnvironmentAndThatOverTheFile(t *testing.T) {
	text := []byte(builtin(t, "quillon")) // its own value: 15
	const variable, path = "EVENLIGHT_SET_DETECTORS__0__OFFSET__SMOOTH_ROWS", "detectors.0.offset.smooth_rows"
	t.Setenv(variable, "9")
	for _, c := range []struct {
		name string
		over Overrides
		want int
	}{
		{"the environment is not asked for", Overrides{}, 15},
		{"the environment alone", Overrides{Env: true}, 9},
		{"both", Overrides{Env: true, Set: []string{path + "=5"}}, 5},
		{"the later of two", Overrides{Set: []string{path + "=5", path + "=3"}}, 3},
	} {
		t.Run(c.name, func(t *testing.T) {
			p, err := Parse("camera.yaml", text, c.over)
			if err != nil {
				t.Fatal(err)
			}
			if got := p.Detectors[0].Offset.SmoothRows; got != c.want {
				t.Errorf("smooth_rows is %d, not %d", got, c.want)
			}
		})
	}
}

func TestAnElementOfAnAliasedListIsOverriddenAlone(t *testing.T) {
	// The amplifiers ne and se share their columns by an alias; so do the
	// overscans. Changing one must leave the other.
	path := filepath.Join("..", "testdata", "profiles", "four-corners.yaml")
	p, err := Load(path, Overrides{Set: []string{"detectors.0.amplifiers.1.overscan.columns.0=110"}})
	if err != nil {
		t.Fatal(err)
	}
	a := p.Detectors[0].Amplifiers
	if a[1].Overscan.Columns != [2]int{110, 200} || a[1].Region.Columns != [2]int{101, 200} || a[3].Overscan.Columns != [2]int{101, 200} {
		t.Errorf("overscan %v, region %v, the other overscan %v", a[1].Overscan.Columns, a[1].Region.Columns, a[3].Overscan.Columns)
	}
}

func TestFaultyOverridesNameThemselvesAndTheRemedy(t *testing.T) {
	for _, c := range []struct {
		set          string
		path         string
		says, remedy string
	}{
		{"output.quantty=radiance", "output.quantty", "unknown key", `"output.quantity"`},
		{"outptu.quantity=radiance", "outptu.quantity", "unknown key", `"output"`},
		{"detectors.0.offst.smooth_rows=9", "detectors.0.offst.smooth_rows", "unknown key", `"detectors.0.offset"`},
		{"detectors.1.width=9", "detectors.1.width", `"1" is no element of detectors, which has 1`, "from 0"},
		{"detectors.main.width=9", "detectors.main.width", `"main" is no element`, "from 0"},
		{"format.major=1", "format.major", "has no keys to set within it", "set format itself"},
		{"output.quantity", "", "not of the form path=value", "output.quantity=radiance"},
		{"=3", "", "not of the form path=value", "output.quantity=radiance"},
		{"output.quantity=radiants", "output.quantity", "not known", `"radiance"`},
		{"detectors.0.width=wide", "detectors.0.width", "not a number", "write a number"},
		{"detectors.0.width=", "detectors.0.width", "has no value", "give it one"},
		{"detectors.0.width=[1", "detectors.0.width", "no valid YAML", "brackets"},
		{"detectors.0.width=1\nother: 2", "detectors.0.width", "several lines", "braces and brackets"},
		{"stages_off.0=flat", "stages_off.0", "there is no stages_off", "as a whole"},
		{"detectors.0.image.rows=[1, 600]", "detectors.0.image", "not inside the raw frame", "rows 1..512"},
	} {
		t.Run(c.set, func(t *testing.T) {
			list := problemsIn(t, "camera.yaml", builtin(t, "quillon"), Overrides{Set: []string{c.set}})
			if len(list) == 0 {
				t.Fatal("no problem was found")
			}
			p := list[0]
			if p.Path != c.path || !strings.Contains(p.Problem, c.says) || !strings.Contains(p.Remedy, c.remedy) {
				t.Errorf("got %v", p)
			}
		})
	}
}

func TestAFaultyVariableIsNamed(t *testing.T) {
	t.Setenv("EVENLIGHT_SET_OUTPUT__QUANTTY", "radiance")
	list := problemsIn(t, "camera.yaml", builtin(t, "quillon"), Overrides{Env: true})
	want := `environment variable EVENLIGHT_SET_OUTPUT__QUANTTY: output.quantty: unknown key "quantty"; the nearest valid one is "output.quantity"`
	if len(list) != 1 || list[0].String() != want {
		t.Errorf("got %v\nwant %s", list, want)
	}
}

func TestValuesLeftOutGetTheirDefaults(t *testing.T) {
	p, err := Load(filepath.Join("..", "testdata", "profiles", "minimal.yaml"), Overrides{})
	if err != nil {
		t.Fatal(err)
	}
	d := &p.Detectors[0]
	for _, c := range []struct {
		name      string
		got, want any
	}{
		{"offset", d.Offset, Offset{From: "bias", SmoothRows: 1, RejectSigma: 4}},
		{"saturation", d.Saturation, Saturation{MarginSigma: 5, GrowPixels: 1}},
		{"linearity", d.Linearity, Linearity{From: "none", Order: 3}},
		{"bad pixels", d.BadPixels, BadPixels{HotEPerS: 50, UnstableSigma: 8, DeadBelow: 0.2, LowBelow: 0.6, NonlinearFraction: 0.05}},
		{"masters", p.Masters, Masters{RejectSigma: 5, MinFrames: 5, SplitGapHours: 48, MemoryMiB: 512}},
		{"selection", p.Selection, Selection{}},
		{"output", p.Output, Output{Quantity: "electrons"}},
	} {
		if !reflect.DeepEqual(c.got, c.want) {
			t.Errorf("%s: %+v, not %+v", c.name, c.got, c.want)
		}
	}
}

func TestADefaultGivesWayToTheFile(t *testing.T) {
	for _, c := range []struct{ old, new string }{
		{"offset: {from: bias}", "offset: {from: bias, reject_sigma: 6}"},
		{"offset: {from: bias}", "offset: {reject_sigma: 6, from: bias}"},
	} {
		text, err := readFile(filepath.Join("..", "testdata", "profiles", "minimal.yaml"))
		if err != nil {
			t.Fatal(err)
		}
		p, err := Parse("camera.yaml", []byte(edited(t, string(text), c.old, c.new)), Overrides{})
		if err != nil {
			t.Fatal(err)
		}
		if got := fmt.Sprint(p.Detectors[0].Offset); got != "{bias 1 6}" {
			t.Errorf("%s gives %s", c.new, got)
		}
	}
}
