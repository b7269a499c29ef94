package configs

import (
	"slices"
	"testing"
)

// withFill is a profile whose detector has a section fill.
func withFill(t *testing.T, section string) string {
	t.Helper()
	return edited(t, builtin(t, "sallow"), "    marks:\n", section+"    marks:\n")
}

func TestFaultsOfFilling(t *testing.T) {
	const section = "    fill: {causes: [bad_pixels, missing], max_depth: 3}\n"
	base := withFill(t, section)
	for _, f := range []fault{
		{"cause that is unknown", "causes: [bad_pixels, missing]", "causes: [bad_pixel]", "bad_pixel]", "detectors.0.fill.causes.0", `"bad_pixel" is not known`, `"bad_pixels"`},
		{"saturation as a cause", "causes: [bad_pixels, missing]", "causes: [saturated]", "saturated]", "detectors.0.fill.causes.0", `"saturated" is not known`, "no_calibration"},
		{"cause that stands twice", "causes: [bad_pixels, missing]", "causes: [missing, missing]", "fill:", "detectors.0.fill.causes.1", `"missing" stands twice`, "keep one"},
		{"no cause", "causes: [bad_pixels, missing]", "causes: []", "fill:", "detectors.0.fill.causes", "is an empty list", "at least one"},
		{"hits that are not searched for", "causes: [bad_pixels, missing]", "causes: [hits]", "fill:", "detectors.0.fill.causes.0", "does not search for them", "give the detector hits"},
		{"depth of 0", "max_depth: 3", "max_depth: 0", "max_depth: 0", "detectors.0.fill.max_depth", "is 0", "1 to 8"},
		{"depth without end", "max_depth: 3", "max_depth: 9", "max_depth: 9", "detectors.0.fill.max_depth", "is 9", "1 to 8"},
		{"causes left out", "causes: [bad_pixels, missing], ", "", "fill:", "detectors.0.fill.causes", "is missing", ""},
	} {
		t.Run(f.name, func(t *testing.T) { f.check(t, base) })
	}
}

func TestFillingHasADefaultDepth(t *testing.T) {
	p, err := Parse("camera.yaml", []byte(withFill(t, "    fill: {causes: [bad_pixels]}\n")), Overrides{})
	if err != nil {
		t.Fatal(err)
	}
	if f := p.Detectors[0].Fill; f == nil || f.MaxDepth != 3 || !slices.Equal(f.Causes, []string{FillBadPixels}) {
		t.Errorf("fill is %+v", f)
	}
	if p := loaded(t, "quillon.yaml"); p.Detectors[0].Fill != nil {
		t.Errorf("a camera that asks for no filling gets %+v", p.Detectors[0].Fill)
	}
}
