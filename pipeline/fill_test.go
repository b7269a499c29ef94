package pipeline_test

import (
	"bytes"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"go.uber.org/zap"

	"evenlight/calib"
	"evenlight/pipeline"
	"evenlight/pipeline/demo"
)

// filling asks for all that can be filled in.
const filling = "detectors.0.fill={causes: [bad_pixels, hits, missing, no_calibration], max_depth: 3}"

// A frame that is filled in differs from one that is not in the filled pixels
// alone. These keep their flags, have a value and an uncertainty, and are not at
// saturation; the summary counts them.
func TestFillingChangesNothingElse(t *testing.T) {
	c := mustRun(t, quillon)
	scenes := c.frames(t, "scene")[:4]
	plain := calibrate(t, instrument(t, "quillon"), scenes, pipeline.RunOptions{MastersDir: c.masters})
	got := calibrate(t, instrument(t, "quillon", filling), scenes, pipeline.RunOptions{MastersDir: c.masters})
	if len(plain.Failures)+len(got.Failures) > 0 || len(got.Frames) != len(scenes) {
		t.Fatal(plain.Failures, got.Failures)
	}
	alike := func(a, b float64) bool { return a == b || a != a && b != b }
	const causes = calib.BadPixel | calib.Hit | calib.Missing | calib.NoCalibration
	for k, after := range got.Frames {
		before := plain.Frames[k]
		v, u, f := planeOf(t, before.Product, "VALUE"), planeOf(t, before.Product, "UNCERTAINTY"), planeOf(t, before.Product, "FLAGS")
		nv, nu, nf := planeOf(t, after.Product, "VALUE"), planeOf(t, after.Product, "UNCERTAINTY"), planeOf(t, after.Product, "FLAGS")
		n := pipeline.FillReport{}
		for i := range v {
			was, is := calib.Flags(f[i]), calib.Flags(nf[i])
			switch {
			case is&calib.Filled != 0:
				n.Filled++
				if is&^calib.Filled&was != was || was&causes == 0 || is&(calib.Saturated|calib.NearSaturated) != 0 || nv[i] != nv[i] || !(nu[i] > 0) {
					t.Fatalf("%s: pixel %d was %v and is %v, %g ± %g", after.Product, i, was, is, nv[i], nu[i])
				}
			case is != was || !alike(nv[i], v[i]) || !alike(nu[i], u[i]):
				t.Fatalf("%s: pixel %d was %g ± %g %v and is %g ± %g %v, and not filled", after.Product, i, v[i], u[i], was, nv[i], nu[i], is)
			case is&causes != 0 && is&(calib.Saturated|calib.NearSaturated) != 0:
				n.Saturated++
			case is&causes != 0:
				n.Deep++
			}
		}
		if before.Fill != nil || after.Fill == nil || after.Fill.Filled != n.Filled || after.Fill.Saturated != n.Saturated || after.Fill.Deep+after.Fill.Few != n.Deep {
			t.Errorf("%s: the summary has %+v, and there are %+v", after.Product, after.Fill, n)
		}
		// 0.4 % of quillon's pixels are bad at the least.
		if n.Filled < len(v)/250 || after.Fractions["filled"] != float64(n.Filled)/float64(len(v)) || after.Good != before.Good {
			t.Errorf("%s: %d pixels are filled, the summary has %g and good ones %g, before %g", after.Product, n.Filled, after.Fractions["filled"], after.Good, before.Good)
		}
	}
}

// What was filled in is recorded, is the same for any number of workers, and can
// be made again byte for byte.
func TestFillingCanBeMadeAgain(t *testing.T) {
	for _, x := range []struct {
		camera, set string
		run         func() (*demo.Result, error)
	}{{"quillon", filling, quillon}, {"pellam", "detectors.1.fill={causes: [bad_pixels]}", pellam}} {
		t.Run(x.camera, func(t *testing.T) {
			c := mustRun(t, x.run)
			in := instrument(t, x.camera, x.set)
			scene := c.frames(t, "scene")[:1]
			var files [2][]byte
			for i, workers := range []int{1, 3} {
				s, err := pipeline.Calibrate(in, scene, pipeline.RunOptions{MastersDir: c.masters, OutDir: t.TempDir(), Workers: workers, Log: zap.NewNop()})
				if err != nil || len(s.Failures) > 0 {
					t.Fatal(err, s.Failures)
				}
				last := s.Frames[len(s.Frames)-1].Product
				if files[i], err = os.ReadFile(last); err != nil {
					t.Fatal(err)
				}
				v, err := pipeline.Verify(last, []string{c.raw, c.masters}, 2)
				if err != nil || !v.Same {
					t.Errorf("%s: %v %v", filepath.Base(last), v, err)
				}
				p, err := pipeline.ReadProvenance(last)
				if err != nil {
					t.Fatal(err)
				}
				stage := p.Stages[len(p.Stages)-1]
				if stage.Name != "fill" || len(stage.Settings) != 4 || stage.Settings[1] != (calib.Setting{Name: "max_depth", Value: "3"}) {
					t.Errorf("the last stage is %+v", stage)
				}
			}
			if !bytes.Equal(files[0], files[1]) {
				t.Error("products by 1 and 3 workers differ")
			}
		})
	}
}

// A filled pixel's uncertainty is that of an estimate from others, so its budget
// is refused for that reason, and a sound pixel's is not.
func TestFilledPixelHasNoBudget(t *testing.T) {
	c := mustRun(t, quillon)
	s := calibrate(t, instrument(t, "quillon", filling), c.frames(t, "scene")[:1], pipeline.RunOptions{MastersDir: c.masters})
	product := s.Frames[0].Product
	width, _, _, flags := planesOf(t, product)
	budget := func(i int) error {
		_, err := pipeline.BudgetOf(product, []string{c.raw, c.masters}, &calib.Region{X0: i % width, X1: i%width + 1, Y0: i / width, Y1: i/width + 1}, 2)
		return err
	}
	filled := slices.IndexFunc(flags, func(f int32) bool {
		return calib.Flags(f)&calib.Filled != 0 && calib.Flags(f)&calib.Unusable == 0
	})
	if filled < 0 {
		t.Fatal("no pixel is filled")
	}
	if err := budget(filled); err == nil || !strings.Contains(err.Error(), "was filled in") {
		t.Errorf("pixel %d, %v: %v", filled, calib.Flags(flags[filled]), err)
	}
	if err := budget(slices.Index(flags, 0)); err != nil {
		t.Error(err)
	}
}

func TestFillingIsAmongTheStages(t *testing.T) {
	for _, c := range []struct {
		want string
		set  []string
	}{{"none", nil}, {"on", []string{filling}}, {"off", []string{filling, "stages_off=[fill]"}}} {
		got := "none"
		for _, s := range instrument(t, "quillon", c.set...).Stages(0) {
			switch {
			case s.Name == "fill" && s.On:
				got = "on"
			case s.Name == "fill":
				got = "off"
			}
		}
		if got != c.want {
			t.Errorf("%v: fill is %s, want %s", c.set, got, c.want)
		}
	}
}
