package pipeline_test

import (
	"os"
	"slices"
	"strings"
	"testing"

	"go.uber.org/zap"

	"evenlight/pipeline"
)

// TestWhatEachKindOfSensorGives measures the small campaigns of the built-in
// cameras: what they give, within five standard uncertainties of the profile's
// value, which is the simulator's, and what they refuse.
func TestWhatEachKindOfSensorGives(t *testing.T) {
	for _, c := range []struct {
		camera  string
		sensors int
		cells   int  // of each
		gain    bool // and full transfer
		linear  bool
		refuses string // part of a line that says what cannot be measured
	}{
		{"brindle", 1, 6, true, true, ""},
		{"fescue", 1, 4, true, false, "linearity error: no frames of kind ladder"},
		{"oxlip", 1, 1, true, false, "linearity error: no frames of kind ladder"},
		{"umber", 3, 1, true, false, "linearity error: no frames of kind ladder"},
		{"sallow", 1, 1, false, false, "two flats are not two exposures"},
		{"tarn", 9, 0, false, false, "a line scanner's frames have no two exposures of one size"},
	} {
		t.Run(c.camera, func(t *testing.T) {
			f := mustFamily(t, c.camera)
			r, err := pipeline.Characterise(f.in, f.files, pipeline.CharacteriseOptions{OutDir: t.TempDir(), Workers: 2, Log: zap.NewNop()})
			if err != nil || len(r.Failures) > 0 || len(r.Made) != c.sensors {
				t.Fatalf("%v: %d sensors, failures %v", err, len(r.Made), r.Failures)
			}
			for _, s := range r.Made {
				if c.refuses != "" && !slices.ContainsFunc(s.NotMeasured, func(n pipeline.NotMeasured) bool { return strings.Contains(n.Figure+": "+n.Why, c.refuses) }) {
					t.Errorf("%s does not say %q: %v", s.Stem(), c.refuses, s.NotMeasured)
				}
				if slices.ContainsFunc(s.Findings, func(f pipeline.SensorFinding) bool { return f.Kind == pipeline.FoundLightLeak }) {
					t.Errorf("%s: light leaks where there are none: %+v", s.Stem(), s.Findings)
				}
				measured := 0
				for _, cell := range s.Cells {
					if cell.ReadNoise == nil {
						continue
					}
					measured++
					if (cell.Gain != nil) != c.gain || (cell.LinearityError != nil) != c.linear || cell.DarkRate == nil || cell.DSNU == nil {
						t.Errorf("%s, %s: gain %v, linearity error %v, dark current %v", s.Stem(), cell.Name, cell.Gain, cell.LinearityError, cell.DarkRate)
					}
					for _, m := range []*pipeline.SensorFigure{cell.Gain, cell.ReadNoise} {
						if m != nil && (m.Sigmas == nil || *m.Sigmas > 5 || *m.Sigmas < -5) {
							t.Errorf("%s, %s: %+v is not near the nominal %g", s.Stem(), cell.Name, m, *m.Nominal)
						}
					}
				}
				if measured != c.cells {
					t.Errorf("%s: %d cells were measured, want %d", s.Stem(), measured, c.cells)
				}
			}
			for _, file := range r.Files {
				if st, err := os.Stat(file); err != nil || st.Size() == 0 {
					t.Errorf("%s: %v", file, err)
				}
			}
		})
	}
}
