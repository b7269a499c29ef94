package pipeline_test

import (
	"encoding/json"
	"math"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"evenlight/configs"
	"evenlight/fitsutil"
	"evenlight/pipeline"
)

// singleRounding is what rounding of values and uncertainties to single
// precision may make of a ratio: some units of the last place, 2^-24 each.
const singleRounding = 4.0 / (1 << 24)

// violet calibrates the first scene frame, of band violet, with a profile in
// which words are replaced by others.
func violet(t *testing.T, c campaign, masters string, replaced []string, set ...string) string {
	t.Helper()
	text, err := configs.Builtin("quillon")
	if err != nil {
		t.Fatal(err)
	}
	changed := strings.NewReplacer(replaced...).Replace(string(text))
	if len(replaced) > 0 && changed == string(text) {
		t.Fatalf("the profile does not have the words %q", replaced)
	}
	out := t.TempDir()
	s := calibrate(t, parsed(t, "quillon.yaml", []byte(changed), set...), c.frames(t, "scene")[:1], pipeline.RunOptions{MastersDir: masters, OutDir: out})
	if s.Counts.Done != 1 {
		t.Fatal(s.Failures)
	}
	return s.Frames[0].Product
}

func mustCompare(t *testing.T, a, b string, opt pipeline.CompareOptions) *pipeline.Comparison {
	t.Helper()
	opt.Workers = 2
	c, err := pipeline.Compare(a, b, opt)
	if err != nil {
		t.Fatal(err)
	}
	if c.Compared < c.Pixels/2 {
		t.Fatalf("%d of %d pixels compared", c.Compared, c.Pixels)
	}
	return c
}

// madeWhats lists what changes are about.
func madeWhats(c *pipeline.Comparison) []string {
	var out []string
	for _, m := range c.Made {
		out = append(out, strings.TrimSpace(m.What+" "+m.Name))
	}
	return out
}

func TestProductDoesNotDifferFromItself(t *testing.T) {
	c := mustRun(t, quillon)
	path := violet(t, c, c.masters, nil)
	got := mustCompare(t, path, path, pipeline.CompareOptions{})
	d, r := got.Difference, got.Relative
	for what, v := range map[string]*float64{"mean": d.Mean, "sd": d.SD, "median": d.Median, "mean over u": r.Mean, "sd over u": r.SD, "median over u": r.Median} {
		if v == nil || *v != 0 {
			t.Errorf("%s of the difference is %v, want 0", what, v)
		}
	}
	if got.Same != 1 || *got.Uncertainty != 1 || got.Beyond1 != 0 || got.Appeared+got.Disappeared != 0 || len(got.Made)+len(got.Systematic) != 0 {
		t.Errorf("it differs from itself:\n%s", got.Text())
	}
	for _, f := range got.Flags {
		if f.Gained+f.Lost != 0 || f.A != f.B {
			t.Errorf("flag %+v", f)
		}
	}
}

// Radiance is electrons over responsivity, so 1 % more of that is 1/101 less
// radiance, in value and uncertainty alike.
func TestMoreResponsivityIsLessRadiance(t *testing.T) {
	c := mustRun(t, quillon)
	a := violet(t, c, c.masters, nil)
	b := violet(t, c, c.masters, []string{"responsivity: 1.4e6", "responsivity: 1.414e6"})
	got := mustCompare(t, a, b, pipeline.CompareOptions{})
	checkScale(t, got, 1/1.01)
	if math.Abs(*got.Uncertainty*1.01-1) > singleRounding {
		t.Errorf("uncertainties have the ratio %g, want 1/1.01", *got.Uncertainty)
	}
	if want := []string{"profile", "setting radiance.per_electron"}; !slices.Equal(madeWhats(got), want) {
		t.Errorf("made differently: %q, want %q", madeWhats(got), want)
	}
}

// checkScale compares the relative difference at each level with that of a
// product whose values are so many times as large.
func checkScale(t *testing.T, c *pipeline.Comparison, scale float64) {
	t.Helper()
	if len(c.Levels) == 0 {
		t.Fatal("no levels")
	}
	for _, l := range c.Levels {
		// The difference is a small part of the values whose rounding it has.
		if l.Relative == nil || math.Abs(*l.Relative-(scale-1)) > singleRounding {
			t.Errorf("level %+v, want the relative difference %g", l, scale-1)
		}
	}
}

// Electrons are DN times gain as long as no dark charge, which the master
// counts in electrons, is taken off.
func TestMoreGainIsMoreElectrons(t *testing.T) {
	c := mustRun(t, quillon)
	set := []string{"output.quantity=electrons", "stages_off=[dark]"}
	a := violet(t, c, c.masters, nil, set...)
	b := violet(t, c, c.masters, []string{"gain_e_per_dn: 2.1", "gain_e_per_dn: 2.121", "gain_e_per_dn: 2.2", "gain_e_per_dn: 2.222"}, set...)
	got := mustCompare(t, a, b, pipeline.CompareOptions{})
	checkScale(t, got, 1.01)
	// Shot noise grows with the root of the gain, all else by it or not at all.
	if r := *got.Uncertainty; r < 1 || r > 1.01 {
		t.Errorf("uncertainties have the ratio %g, want one from 1 to 1.01", r)
	}
	for _, want := range []string{"profile", "setting gain.gain_e_per_dn.1", "setting gain.gain_e_per_dn.2"} {
		if !slices.Contains(madeWhats(got), want) {
			t.Errorf("made differently: %q, want %q among them", madeWhats(got), want)
		}
	}
}

func TestAnotherFlatIsNamedAndMattersLittle(t *testing.T) {
	c := mustRun(t, quillon)
	// One flat of the band differs by a count up or down in each pixel: the
	// masters of other kinds come out as they were.
	var violets []string
	for _, path := range c.frames(t, "flat") {
		if views, err := instrument(t, "quillon").Inspect(path); err != nil {
			t.Fatal(err)
		} else if views[0].Info.Band == "violet" {
			violets = append(violets, path)
		}
	}
	flats := slices.Clone(violets)
	flats[0] = rewrite(t, violets[0], filepath.Join(t.TempDir(), filepath.Base(violets[0])), func(_ *fitsutil.Header, samples []byte) ([]int, []byte) {
		for i := 1; i < len(samples); i += 2 {
			samples[i] ^= 1
		}
		return nil, nil
	})
	rest := slices.Concat(c.frames(t, "bias"), c.frames(t, "dark"), c.frames(t, "ladder"))
	before, after := build(t, instrument(t, "quillon"), slices.Concat(rest, violets)), build(t, instrument(t, "quillon"), slices.Concat(rest, flats))
	if len(before.Failures)+len(after.Failures) > 0 {
		t.Fatal(before.Failures, after.Failures)
	}
	got := mustCompare(t, violet(t, c, filepath.Dir(before.Made[0].Path), nil), violet(t, c, filepath.Dir(after.Made[0].Path), nil), pipeline.CompareOptions{})
	if !slices.Contains(madeWhats(got), "input flat") {
		t.Errorf("made differently: %q, want another flat", madeWhats(got))
	}
	for _, m := range got.Made {
		if m.What != "input" || m.Name != "flat" && m.Name != "bad-pixels" {
			t.Errorf("made differently: %+v", m)
		}
	}
	if got.Same == 1 || *got.Difference.SD == 0 {
		t.Error("another flat changes nothing")
	}
	// The variance of the flat is a part of that of the product, and most of it
	// is common to both flats.
	if sd := *got.Relative.SD; sd >= 1 {
		t.Errorf("the difference has the sd %g of the uncertainty, want less than 1", sd)
	}
}

func TestFramesOfOneSceneAreComparedAsIndependent(t *testing.T) {
	c := mustRun(t, quillon)
	scenes := c.frames(t, "scene")[:2]
	out := t.TempDir()
	s := calibrate(t, instrument(t, "quillon"), scenes, pipeline.RunOptions{MastersDir: c.masters, OutDir: out})
	if s.Counts.Done != 2 {
		t.Fatal(s.Failures)
	}
	a, b := s.Frames[0].Product, s.Frames[1].Product
	if _, err := pipeline.Compare(a, b, pipeline.CompareOptions{}); err == nil {
		t.Error("no error")
	} else {
		says(t, err.Error(), a, b, "raw frame", "--any")
	}
	if got := mustCompare(t, a, b, pipeline.CompareOptions{Any: true}); !got.Independent {
		t.Error("their errors do not count as independent")
	} else if !slices.Contains(madeWhats(got), "input raw") {
		t.Errorf("made differently: %q, want another raw frame", madeWhats(got))
	}
}

func TestMasterIsNotCompared(t *testing.T) {
	c := mustRun(t, quillon)
	masters, err := filepath.Glob(filepath.Join(c.masters, "bias-*.fits"))
	if err != nil || len(masters) == 0 {
		t.Fatal("no bias master", err)
	}
	if _, err := pipeline.Compare(masters[0], masters[0], pipeline.CompareOptions{}); err == nil {
		t.Error("no error")
	} else {
		says(t, err.Error(), masters[0], "bias", "name calibrated frames")
	}
}

// The text is for people and tells what the JSON tells.
func TestComparisonIsToldInBothForms(t *testing.T) {
	c := mustRun(t, quillon)
	a := violet(t, c, c.masters, nil)
	b := violet(t, c, c.masters, []string{"responsivity: 1.4e6", "responsivity: 1.414e6"})
	got := mustCompare(t, a, b, pipeline.CompareOptions{})
	says(t, got.Text(), a, b, got.Unit, "same raw samples", "-0.0099", "0.99010", "radiance.per_electron")
	text, err := json.Marshal(got)
	if err != nil {
		t.Fatal(err)
	}
	for _, key := range []string{`"a":`, `"unit":"`, `"compared":`, `"difference":{"mean":`, `"difference_over_u":{"mean":`, `"percent":99.9`,
		`"uncertainty_ratio":0.99`, `"levels":[{"from":`, `"flags":[{"name":`, `"made_differently":[{"what":"profile"`, `"systematic_differently":[]`} {
		says(t, string(text), key)
	}
}
