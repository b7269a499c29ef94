package configs

import (
	"bytes"
	"path/filepath"
	"reflect"
	"strings"
	"testing"
)

// goodProfiles gives the texts of all profiles that come with the project and
// have no fault.
func goodProfiles(t testing.TB) map[string][]byte {
	t.Helper()
	texts := map[string][]byte{}
	for _, pattern := range []string{"*.yaml", filepath.Join("..", "testdata", "profiles", "*.yaml")} {
		paths, err := filepath.Glob(pattern)
		if err != nil {
			t.Fatal(err)
		}
		for _, path := range paths {
			if name := filepath.Base(path); strings.HasPrefix(name, "faulty-") || name == "archive.yaml" {
				continue
			}
			if texts[path], err = readFile(path); err != nil {
				t.Fatal(err)
			}
		}
	}
	if len(texts) < 4 {
		t.Fatalf("found only %d profiles", len(texts))
	}
	return texts
}

func TestTheCanonicalTextGivesAnEqualProfile(t *testing.T) {
	for path, text := range goodProfiles(t) {
		t.Run(path, func(t *testing.T) {
			p, err := Parse(path, text, Overrides{})
			if err != nil {
				t.Fatal(err)
			}
			again, err := Parse("canonical", p.Canonical(), Overrides{})
			if err != nil {
				t.Fatal(err)
			}
			if !reflect.DeepEqual(p, again) {
				t.Errorf("the profile\n%+v\nbecame\n%+v", p, again)
			}
			if !bytes.Equal(p.Canonical(), again.Canonical()) {
				t.Errorf("the text\n%s\nbecame\n%s", p.Canonical(), again.Canonical())
			}
		})
	}
}

func TestTheHashTellsValuesAndNotTheirWriting(t *testing.T) {
	text := builtin(t, "quillon")
	hash := func(text string, set ...string) string {
		p, err := Parse("camera.yaml", []byte(text), Overrides{Set: set})
		if err != nil {
			t.Fatal(err)
		}
		return p.Hash()
	}
	original := hash(text)
	if len(original) != 64 || strings.Trim(original, "0123456789abcdef") != "" {
		t.Errorf("%q is no SHA-256 in hexadecimal", original)
	}
	for _, c := range []struct {
		name  string
		other string
		same  bool
	}{
		{"a comment", hash(text + "# nothing\n"), true},
		{"a number written otherwise", hash(edited(t, text, "responsivity: 2.4e6", "responsivity: 2400000.0")), true},
		{"a default written out", hash(edited(t, text, "      grow_pixels: 1", "      # grow_pixels")), true},
		{"an override with the same value", hash(text, "output.quantity=radiance"), true},
		{"an override with another value", hash(text, "output.quantity=electrons"), false},
		{"a number that differs a little", hash(edited(t, text, "gain_e_per_dn: 2.1", "gain_e_per_dn: 2.1000000000000001e0")), true},
		{"a number that differs by its last bit", hash(edited(t, text, "gain_e_per_dn: 2.1", "gain_e_per_dn: 2.1000000000000005")), false},
		{"zero in place of nothing", hash(edited(t, text, "    adc_bits: 14", "    fill_dn: 0\n    adc_bits: 14")), false},
		{"a negative zero", hash(edited(t, text, "offset_dn: 310", "offset_dn: 310\n        c2: -0.0")), true},
	} {
		if same := c.other == original; same != c.same {
			t.Errorf("%s: the same hash: %t, want %t", c.name, same, c.same)
		}
	}
}

func TestAProfileMadeInGoIsChecked(t *testing.T) {
	p, err := Parse("camera.yaml", []byte(builtin(t, "quillon")), Overrides{})
	if err != nil {
		t.Fatal(err)
	}
	if err := p.Check(); err != nil {
		t.Fatalf("a profile that was parsed has faults: %v", err)
	}
	p.Detectors[0].Amplifiers[1].GainEPerDN = 0
	err = p.Check()
	want := "detectors.0.amplifiers.1.gain_e_per_dn: is 0; write a finite number above 0"
	if err == nil || err.Error() != want {
		t.Errorf("got %v, want %s", err, want)
	}
}

func TestBuiltinProfilesAreCopies(t *testing.T) {
	for _, name := range BuiltinNames() {
		text := []byte(builtin(t, name))
		p, err := Parse(name, text, Overrides{})
		if err != nil {
			t.Fatal(err)
		}
		if p.Instrument != name {
			t.Errorf("the profile %s is of the instrument %s", name, p.Instrument)
		}
		one, err := Builtin(name)
		if err != nil {
			t.Fatal(err)
		}
		one[0] ^= 0xff
		if builtin(t, name) != string(text) {
			t.Errorf("changing a copy of %s changed the original", name)
		}
	}
	if _, err := Builtin("qillon"); err == nil || !strings.Contains(err.Error(), "pellam, quillon") {
		t.Errorf("an unknown name gives %v", err)
	}
}

// The demo camera's numbers are fixed: demos and documentation rest on them.
func TestTheDemoCameraIsAsAgreed(t *testing.T) {
	p, err := Parse("quillon", []byte(builtin(t, "quillon")), Overrides{})
	if err != nil {
		t.Fatal(err)
	}
	d := p.Detectors[0]
	if d.Width != 544 || d.Height != 512 || d.ADCBits != 14 || d.Image != region(17, 528, 1, 512) || d.Reference != region(145, 400, 129, 384) {
		t.Errorf("the detector is %+v", d)
	}
	for i, want := range []struct {
		name             string
		region, overscan Region
		gain, noise, o   float64
	}{
		{"left", region(1, 272, 1, 512), region(1, 16, 1, 512), 2.1, 7.5, 310},
		{"right", region(273, 544, 1, 512), region(529, 544, 1, 512), 2.2, 8.2, 325},
	} {
		a := d.Amplifiers[i]
		if a.Name != want.name || a.Region != want.region || *a.Overscan != want.overscan ||
			a.GainEPerDN != want.gain || a.ReadNoiseE != want.noise || a.OffsetDN != want.o {
			t.Errorf("amplifier %d is %+v", i, a)
		}
	}
	if d.Dark.ReferenceK != 263.15 || d.Dark.IntervalK != 7.1 || d.Saturation.FullWellE != 30000 {
		t.Errorf("dark %+v, saturation %+v", d.Dark, d.Saturation)
	}
}

func TestSwitchableStagesAreStagesInTheSameOrder(t *testing.T) {
	i := 0
	for _, s := range Stages() {
		if i < len(SwitchableStages()) && SwitchableStages()[i] == s {
			i++
		}
	}
	if i != len(SwitchableStages()) {
		t.Errorf("%v does not follow %v", SwitchableStages(), Stages())
	}
	p := Profile{StagesOff: []string{StageFlat}}
	if p.StageOn(StageFlat) || !p.StageOn(StageDark) {
		t.Error("the flat stage is not the one that is off")
	}
}
