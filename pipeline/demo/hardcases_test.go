package demo

import (
	"fmt"
	"math"
	"path/filepath"
	"sort"
	"testing"
	"time"

	"go.uber.org/zap"

	"evenlight/configs"
	"evenlight/pipeline"
	"evenlight/pipeline/simulate"
)

// hardPlan is the plan of a few frames of a camera.
type hardPlan struct {
	p      *configs.Profile
	band   string
	mode   string
	frames []simulate.Planned
}

func (h *hardPlan) add(kind string, n int, e simulate.Exposure) {
	for range n {
		e := e
		e.Index = uint64(len(h.frames) + 1)
		if e.Band == "" {
			e.Band = h.band
		}
		if e.TempK == 0 {
			e.TempK = h.p.Detectors[0].Dark.ReferenceK
		}
		var scene simulate.Scene
		if kind == configs.KindScene {
			scene = func(width, height int) []float32 { return make([]float32, width*height) }
		}
		h.frames = append(h.frames, simulate.Planned{
			Name: fmt.Sprintf("%04d-%s", e.Index, kind), Kind: kind, Exposure: e, Scene: scene,
			Time: time.Date(2031, time.March, 14, 6, len(h.frames), 0, 0, time.UTC),
			Mode: h.mode, Target: "Tessaly", SunDistanceAU: 3.2,
		})
	}
}

func (h *hardPlan) lit(kind string, n int, electrons float64) {
	h.add(kind, n, simulate.Exposure{ExposureS: 0.02, LampRate: electrons / 0.02})
}

type hardCase struct {
	name, camera string
	set          []string
	sim          simulate.Options
	text         func(string) string
	plan         func(h *hardPlan)
}

func (c *hardCase) run(t *testing.T) {
	text, err := configs.Builtin(c.camera)
	if err != nil {
		t.Fatal(err)
	}
	p, err := configs.Parse(c.camera, text, configs.Overrides{Set: append([]string{"output.quantity=electrons"}, c.set...)})
	if err != nil {
		t.Fatal(err)
	}
	h := &hardPlan{p: p, band: p.Bands[0].Name}
	if p.Keywords.Mode != nil {
		h.mode = p.Keywords.Mode.Words[0].Is
	}
	c.plan(h)
	c.sim.Seed = 5
	c.sim.NoBadLinearity = true
	sensors, err := simulate.NewAll(p, c.sim)
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	raw, truthDir := filepath.Join(dir, RawDir), filepath.Join(dir, TruthDir)
	if err := simulate.WriteFrames(raw, truthDir, sensors, h.frames, 2); err != nil {
		t.Fatal(err)
	}
	in := pipeline.NewInstrument(p)
	files, err := pipeline.FindFrames([]string{raw})
	if err != nil {
		t.Fatal(err)
	}
	built, err := pipeline.BuildMasters(in, files, pipeline.BuildOptions{OutDir: filepath.Join(dir, MastersDir), Workers: 2, Log: zap.NewNop()})
	if err != nil {
		t.Fatal(err)
	}
	run, err := pipeline.Calibrate(in, files, pipeline.RunOptions{MastersDir: filepath.Join(dir, MastersDir), OutDir: filepath.Join(dir, ProductsDir), Workers: 2, Log: zap.NewNop()})
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range append(built.Failures, run.Failures...) {
		t.Errorf("failed: %s: %s", f.Raw, f.Reason)
	}
	byLevel := map[int]*Pulls{}
	var order []int
	for _, f := range run.Frames {
		truth, err := simulate.LoadTruth(simulate.TruthFile(truthDir, stemOf(f.Raw), f.Detector))
		if err != nil {
			t.Fatal(err)
		}
		product, err := readPlanes(f.Product)
		if err != nil {
			t.Fatal(err)
		}
		m := &product.images[0]
		key := int(math.Round(float64(truth.Electrons[0])))
		if byLevel[key] == nil {
			byLevel[key] = &Pulls{}
			order = append(order, key)
		}
		unc, uncN := 0.0, 0.0
		var flat []float32
		full, _ := sensors[0].Flat(h.band)
		flat = simulate.Trim(sensors[0], full)
		for i, s := range truth.Electrons {
			if c.name == "saturation" {
				q := float64(flat[i] * s)
				z := int(math.Floor((30000 - q) / 173))
				if byLevel[1000+z] == nil {
					byLevel[1000+z] = &Pulls{}
					order = append(order, 1000+z)
				}
				b := byLevel[1000+z]
				if m.flags[i] == 0 {
					b.add(float64((m.value[i] - s) / m.unc[i]))
				}
			} else if m.flags[i] == 0 {
				byLevel[key].add(float64((m.value[i] - s) / m.unc[i]))
				unc += float64(m.unc[i])
				uncN++
			}
		}
		byLevel[key].Name = fmt.Sprintf("unc %.2f good %.4f", unc/uncN, uncN/float64(len(truth.Electrons)))
	}
	sort.Ints(order)
	for _, k := range order {
		b := byLevel[k]
		b.finish()
		n := float64(b.Pixels)
		t.Logf("%-40s %6d e-: mean %+.4f (%.4f) sd %.4f (%.4f) %s", c.name, k, b.Mean, 1/math.Sqrt(n), b.SD, 1/math.Sqrt(2*n), b.Name)
	}
}

func sets(s ...string) []string { return s }

func quillonWith(readE, gain float64) []string {
	return sets("detectors.0.linearity.from=none", "masters.min_frames=3",
		fmt.Sprintf("detectors.0.amplifiers.0.read_noise_e=%g", readE), fmt.Sprintf("detectors.0.amplifiers.1.read_noise_e=%g", readE),
		fmt.Sprintf("detectors.0.amplifiers.0.gain_e_per_dn=%g", gain), fmt.Sprintf("detectors.0.amplifiers.1.gain_e_per_dn=%g", gain))
}

func masters(h *hardPlan, bias, dark, flat int, flatE float64) {
	h.add("bias", bias, simulate.Exposure{})
	h.add("dark", dark, simulate.Exposure{ExposureS: 40})
	h.lit("flat", flat, flatE)
}

func TestHardCases(t *testing.T) {
	var cases []hardCase
	for _, r := range []float64{1, 3} {
		for _, g := range []float64{0.5, 2, 4} {
			if r == 3 && g > 1 {
				continue
			}
			cases = append(cases, hardCase{name: fmt.Sprintf("few photons r=%g g=%g", r, g), camera: "quillon", set: quillonWith(r, g), plan: func(h *hardPlan) {
				masters(h, 20, 20, 10, 6000*g/.5*0.5)
				for _, e := range []float64{0, 1, 3, 10, 30} {
					h.lit("scene", 2, e)
				}
			}})
		}
	}
	cases = append(cases, hardCase{name: "companded", camera: "oxlip", plan: func(h *hardPlan) {
		masters(h, 20, 20, 10, 12000)
		for _, e := range []float64{0, 10, 30, 100, 300, 1000, 5000, 15000} {
			h.lit("scene", 2, e)
		}
	}})
	cases = append(cases, hardCase{name: "saturation", camera: "quillon", set: quillonWith(8, 2.1), plan: func(h *hardPlan) {
		masters(h, 10, 10, 10, 18000)
		for _, k := range []float64{-8, -6, -5, -4, -3, -2, -1, 0, 1, 2} {
			h.lit("scene", 1, 30000+k*173)
		}
	}})
	for _, n := range []int{3, 5, 10} {
		cases = append(cases, hardCase{name: fmt.Sprintf("masters of %d", n), camera: "quillon", set: quillonWith(8, 2.1), plan: func(h *hardPlan) {
			masters(h, n, n, n, 18000)
			for _, e := range []float64{0, 100, 3000, 27000} {
				h.lit("scene", 1, e)
			}
		}})
	}
	for _, e := range []float64{150, 300, 1000} {
		cases = append(cases, hardCase{name: fmt.Sprintf("flats of %g e-", e), camera: "quillon", set: quillonWith(8, 2.1), plan: func(h *hardPlan) {
			masters(h, 10, 10, 10, e)
			for _, e := range []float64{0, 100, 3000, 27000} {
				h.lit("scene", 1, e)
			}
		}})
	}
	for _, w := range []float64{10, 40, 200} {
		cases = append(cases, hardCase{name: fmt.Sprintf("wander over %g rows", w), camera: "quillon", set: quillonWith(3, 1), sim: simulate.Options{WanderDN: 1.5, WanderRows: w}, plan: func(h *hardPlan) {
			masters(h, 20, 10, 10, 10000)
			for _, e := range []float64{0, 100} {
				h.lit("scene", 4, e)
			}
		}})
	}
	for _, dT := range []float64{-12, -6, 6, 12, 18} {
		cases = append(cases, hardCase{name: fmt.Sprintf("dark at %+g K", dT), camera: "quillon", set: quillonWith(3, 1), plan: func(h *hardPlan) {
			h.add("bias", 20, simulate.Exposure{})
			h.add("dark", 10, simulate.Exposure{ExposureS: 20})
			h.lit("flat", 10, 10000)
			h.add("scene", 2, simulate.Exposure{ExposureS: 40, TempK: 263.15 + dT})
		}})
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) { c.run(t) })
	}
}
