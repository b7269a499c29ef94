package demo

import (
	"fmt"
	"math"
	"path/filepath"
	"testing"
	"time"

	"go.uber.org/zap"

	"evenlight/configs"
	"evenlight/pipeline"
	"evenlight/pipeline/simulate"
)

// hardCase is a small campaign of one of the cameras in which an uncertainty is
// hard to tell. Its scenes are evenly lit.
type hardCase struct {
	camera     string
	set        []string         // changes of the camera's profile
	sim        simulate.Options // besides the seed
	plan       func(h *hardPlan)
	calibrated func(p *configs.Profile) // nil; or what the calibration believes instead
}

// hardPlan plans the frames of a hard case.
type hardPlan struct {
	p      *configs.Profile
	frames []simulate.Planned
}

// add plans n frames, of the first band, at T0 if nothing else is said.
func (h *hardPlan) add(kind string, n int, e simulate.Exposure) {
	e.Band = h.p.Bands[0].Name
	if e.TempK == 0 {
		e.TempK = h.p.Detectors[0].Dark.ReferenceK
	}
	f := simulate.Planned{Kind: kind, Exposure: e, Target: "Tessaly", SunDistanceAU: 3.2}
	if h.p.Keywords.Mode != nil {
		f.Mode = h.p.Keywords.Mode.Words[0].Is
	}
	if kind == configs.KindScene {
		f.Scene = func(width, height int) []float32 { return make([]float32, width*height) }
	}
	for range n {
		f.Exposure.Index = uint64(len(h.frames) + 1)
		f.Name = fmt.Sprintf("%04d-%s", len(h.frames)+1, kind)
		f.Time = time.Date(2031, time.March, 14, 6, len(h.frames), 0, 0, time.UTC)
		h.frames = append(h.frames, f)
	}
}

// lit plans n frames of even light that gives so many electrons where F = 1.
func (h *hardPlan) lit(kind string, n int, electrons float64) {
	const exposureS = 0.02
	h.add(kind, n, simulate.Exposure{ExposureS: exposureS, LampRate: electrons / exposureS})
}

func (h *hardPlan) masters(bias, dark, flat int, flatE float64) {
	h.add(configs.KindBias, bias, simulate.Exposure{})
	h.add(configs.KindDark, dark, simulate.Exposure{ExposureS: 20})
	h.lit(configs.KindFlat, flat, flatE)
}

// The small quillon: all columns, half of the rows, no curvature.
const (
	hardRows   = 256
	hardPixels = 512 * hardRows
)

func smallQuillonWith(readE, gain float64) []string {
	set := []string{"output.quantity=electrons", "masters.min_frames=3", "detectors.0.linearity.from=none",
		"detectors.0.height=256", "detectors.0.image.rows=[1, 256]", "detectors.0.reference.rows=[65, 192]"}
	for a := range 2 {
		amp := fmt.Sprintf("detectors.0.amplifiers.%d.", a)
		set = append(set, amp+"region.rows=[1, 256]", amp+"overscan.rows=[1, 256]",
			fmt.Sprintf("%sread_noise_e=%g", amp, readE), fmt.Sprintf("%sgain_e_per_dn=%g", amp, gain))
	}
	return set
}

// sample is a pixel of a scene that carries no flag, and one that carries any.
type sample struct {
	frame       int
	truth, flat float64 // S, e-, and true F
	value, unc  float64 // e-
	flagged     bool
}

// run simulates and calibrates the campaign and hands over all pixels of its
// scenes.
func (c *hardCase) run(t *testing.T, each func(s sample)) *pipeline.RunSummary {
	t.Helper()
	heavy(t)
	text, err := configs.Builtin(c.camera)
	if err != nil {
		t.Fatal(err)
	}
	p, err := configs.Parse(c.camera, text, configs.Overrides{Set: c.set})
	if err != nil {
		t.Fatal(err)
	}
	h := &hardPlan{p: p}
	c.plan(h)
	c.sim.Seed, c.sim.NoBadLinearity = 5, true
	sensors, err := simulate.NewAll(p, c.sim)
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	raw, truths := filepath.Join(dir, RawDir), filepath.Join(dir, TruthDir)
	if err := simulate.WriteFrames(raw, truths, sensors, h.frames, 2); err != nil {
		t.Fatal(err)
	}
	if c.calibrated != nil {
		c.calibrated(p)
	}
	run := calibrateIn(t, p, raw, dir)
	all, err := sensors[0].Flat(p.Bands[0].Name)
	if err != nil {
		t.Fatal(err)
	}
	flat := simulate.Trim(sensors[0], all)
	for i, f := range run.Frames {
		truth, err := simulate.LoadTruth(simulate.TruthFile(truths, stemOf(f.Raw), f.Detector))
		if err != nil {
			t.Fatal(err)
		}
		product, err := readPlanes(f.Product)
		if err != nil {
			t.Fatal(err)
		}
		m := &product.images[0]
		for x, s := range truth.Electrons {
			each(sample{frame: i, truth: float64(s), flat: float64(flat[x]), value: float64(m.value[x]), unc: float64(m.unc[x]), flagged: m.flags[x] != 0})
		}
	}
	return run
}

// calibrateIn makes masters and products, in dir, of the raw frames of a folder.
func calibrateIn(t *testing.T, p *configs.Profile, raw, dir string) *pipeline.RunSummary {
	t.Helper()
	in := pipeline.NewInstrument(p)
	files, err := pipeline.FindFrames([]string{raw})
	if err != nil {
		t.Fatal(err)
	}
	masters := filepath.Join(dir, MastersDir)
	built, err := pipeline.BuildMasters(in, files, pipeline.BuildOptions{OutDir: masters, Workers: 2, Log: zap.NewNop()})
	if err != nil {
		t.Fatal(err)
	}
	run, err := pipeline.Calibrate(in, files, pipeline.RunOptions{MastersDir: masters, OutDir: filepath.Join(dir, ProductsDir), Workers: 2, Log: zap.NewNop()})
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range append(built.Failures, run.Failures...) {
		t.Fatalf("failed: %s: %s", f.Raw, f.Reason)
	}
	return run
}

// level gathers the pulls of the scenes of one level.
type level struct {
	Pulls
	frames map[int]bool
	u2     float64 // sum of the stated variances
}

// levels gathers the pulls of the unflagged pixels by the level of their frame.
func (c *hardCase) levels(t *testing.T) (order []float64, by map[float64]*level) {
	t.Helper()
	by = map[float64]*level{}
	c.run(t, func(s sample) {
		key := math.Round(s.truth)
		l := by[key]
		if l == nil {
			l = &level{frames: map[int]bool{}}
			by[key] = l
			order = append(order, key)
		}
		if !s.flagged {
			l.add((s.value - s.truth) / s.unc)
			l.u2 += s.unc * s.unc
			l.frames[s.frame] = true
		}
	})
	for _, l := range by {
		l.finish()
	}
	return order, by
}

// variance is the mean stated variance, e-^2.
func (l *level) variance() float64 { return l.u2 / float64(l.Pixels) }

// doubt is what is known of the pulls of a level besides their number.
type doubt struct {
	mean, sd float64 // what theory expects; sd 0 stands for 1
	// Of the variance: the share of the masters, which the frames have in
	// common, and of what pixels of a frame have in common, with the number of
	// independent values of that in all frames.
	masters, common, independent float64
	kurtosis                     float64 // excess, of the error
	moreMean, moreSD             float64 // what theory leaves open
}

// hold compares pulls with 0 and 1, or with what theory expects. With N pixels
// in M frames, a share s of the variance common to the frames and a share o
// common to groups of pixels, of which there are n, the mean has the variance
// (1 + s (M-1))/N + o/n, and the standard deviation that of the mean square,
// 2 (1 + s^2 (M-1))/N + 2 o^2/n + k/N, over 4, with k the excess kurtosis.
func (l *level) hold(t *testing.T, what string, d doubt) {
	t.Helper()
	if d.sd == 0 {
		d.sd = 1
	}
	n, more := float64(l.Pixels), float64(len(l.frames)-1)
	mean := math.Sqrt((1+d.masters*more)/n + d.common/math.Max(d.independent, 1))
	sd := math.Sqrt((2+2*d.masters*d.masters*more+d.kurtosis)/n+2*d.common*d.common/math.Max(d.independent, 1)) / 2
	mean, sd = mostSigma*mean+d.moreMean, mostSigma*sd+d.moreSD
	t.Logf("%-34s mean pull %+.4f (%.4f ± %.4f)  sd %.4f (%.4f ± %.4f)", what, l.Mean, d.mean, mean, l.SD, d.sd, sd)
	if !(math.Abs(l.Mean-d.mean) <= mean) {
		t.Errorf("%s: mean pull %.4f, want %.4f within %.4f", what, l.Mean, d.mean, mean)
	}
	if !(math.Abs(l.SD-d.sd) <= sd) {
		t.Errorf("%s: sd of pulls %.4f, want %.4f within %.4f", what, l.SD, d.sd, sd)
	}
}

// The offset of a row comes from 15 rows of 16 columns of an amplifier.
const (
	offsetRows    = 15
	offsetSamples = 16 * offsetRows
)

// offsets tells the share of the variance V that the offset of a group of rows
// has, and the number of such groups of two amplifiers in so many frames.
func offsets(readE, gain, variance float64, frames int) (share, groups float64) {
	return (readE*readE + gain*gain/12) / (offsetSamples * variance), 2 * hardRows / offsetRows * float64(frames)
}

// overscanPattern is the mean square, DN^2, of the fixed pattern of overscan
// pixels within a row: of columns, 0.8 rms, and of pixels, 1.0.
const overscanPattern = 0.8*0.8 + 1.0*1.0

// Light of a few electrons, with a read noise of 1 to 3 e- and codes of 0.5 to
// 4 e-. The scatter of the overscan, from which the variance of the offset
// comes, has the fixed pattern of its pixels in it: where that is several times
// the read noise, as with codes of 4 e-, it states 5 % too much. What the
// estimate from 24 neighbours leaves open is 3/(24 V)^2 in the mean square.
func TestHardCasesFewPhotons(t *testing.T) {
	const n = 20
	for _, c := range []struct{ readE, gain float64 }{{1, 0.5}, {3, 0.5}, {1, 4}} {
		what := fmt.Sprintf("read noise %g e-, codes of %g e-", c.readE, c.gain)
		t.Run(what, func(t *testing.T) {
			h := hardCase{camera: "quillon", set: smallQuillonWith(c.readE, c.gain), plan: func(h *hardPlan) {
				h.masters(n, 10, 10, 6000*c.gain)
				for _, e := range []float64{0, 1, 3, 10} {
					h.lit(configs.KindScene, 2, e)
				}
			}}
			order, by := h.levels(t)
			for _, e := range order {
				l := by[e]
				rest := (c.readE*c.readE + c.gain*c.gain/12) * (1 + 1.0/n)
				v := rest + e
				share, groups := offsets(c.readE, c.gain, v, len(l.frames))
				pattern := c.gain * c.gain * overscanPattern / offsetSamples
				l.hold(t, fmt.Sprintf("%g e- of light", e), doubt{sd: math.Sqrt(v / (v + pattern)), masters: 1.0 / n, common: share, independent: groups,
					kurtosis: e/(v*v) + 1/v, moreSD: 1.5 / (24 * 24 * v * v)})
			}
		})
	}
}

// Three, five and ten frames a master. The scatter of each pixel's own frames
// would give Student's t, of sd 1.02 in darkness and 1.04 below saturation with
// three frames; two are refused.
func TestHardCasesMastersOfFewFrames(t *testing.T) {
	const readE, gain, flatE = 8.0, 2.1, 18000.0
	for _, n := range []int{3, 5, 10} {
		t.Run(fmt.Sprintf("%d frames", n), func(t *testing.T) {
			h := hardCase{camera: "quillon", set: smallQuillonWith(readE, gain), plan: func(h *hardPlan) {
				h.masters(n, n, n, flatE)
				for _, e := range []float64{0, 3000, 27000} {
					h.lit(configs.KindScene, 1, e)
				}
			}}
			order, by := h.levels(t)
			for _, e := range order {
				l := by[e]
				share, groups := offsets(readE, gain, l.variance(), 1)
				l.hold(t, fmt.Sprintf("%g e- of light", e), doubt{common: share * (1 + 1/float64(n)), independent: groups,
					moreMean: normalisation(e, flatE, n, l.variance())})
			}
		})
	}
}

// normalisation is the departure of a mean pull by the level of the flats:
// each of n flats is scaled by the median of the 64 rows of 256 columns that
// are sampled, which for pixels of relative variance 1/flatE has the variance
// pi/2 of a mean's.
func normalisation(e, flatE float64, n int, variance float64) float64 {
	const sampled = 64 * 256
	return mostSigma * e / math.Sqrt(variance) * math.Sqrt(math.Pi/2/(flatE*sampled*float64(n)))
}

// Flats of 150 to 1000 electrons, whose own noise rules the products. What all
// of them have in common, the noise of the bias, is a quarter of the variance
// of a flat of 150 e- and does not show in their scatter. The same bias was
// taken off the scene: its error b moves the value by -(1 - S/L) b at a level S
// with flats of level L, and not by the root of 1 + (S/L)^2, which is stated.
func TestHardCasesFaintFlats(t *testing.T) {
	const readE, gain, n = 8.0, 2.1, 10
	for _, flatE := range []float64{150, 1000} {
		t.Run(fmt.Sprintf("flats of %g e-", flatE), func(t *testing.T) {
			h := hardCase{camera: "quillon", set: smallQuillonWith(readE, gain), plan: func(h *hardPlan) {
				h.masters(n, n, n, flatE)
				for _, e := range []float64{100, 3000, 27000} {
					h.lit(configs.KindScene, 1, e)
				}
			}}
			order, by := h.levels(t)
			for _, e := range order {
				l := by[e]
				v := l.variance()
				share, groups := offsets(readE, gain, v, 1)
				bias := (readE*readE + gain*gain/12) / n
				// Rho of a pixel of F = 0.8 is the largest; what is left of
				// the second order is below it squared.
				rho := (1/flatE + (readE*readE+bias*n)/(flatE*flatE)/n) / 0.64
				l.hold(t, fmt.Sprintf("%g e- of light", e), doubt{sd: math.Sqrt(1 - 2*bias*e/flatE/v), common: share * (1 + e/flatE*e/flatE/n), independent: groups,
					moreMean: normalisation(e, flatE, n, v), moreSD: rho})
			}
		})
	}
}

// A surface close to full well: 30000 e-, where shot and read noise are 174 e-.
// Saturation cuts its upward fluctuations away, and what is left unflagged would
// be too dark, by 0.5 sigma at full well. Such pixels are flagged by the light
// and the flats about them, which tell a pixel's charge to the 1 % by which
// responses differ: that of 1.7 sigma. A pixel whose charge lies g sigmas below
// full well escapes with the probability that a normal number exceeds
// (2.5 sqrt(1 + 1.7^2) - g)/1.7; twice that is allowed, as eight flats tell
// their own scatter roughly.
//
// From 3 sigma on the pulls of what escapes are honest: a normal number that is
// cut at 3 sigma has a mean of -phi(3) and a variance of 1 - 3 phi(3).
func TestHardCasesBesideSaturation(t *testing.T) {
	const readE, gain, flatE, full, spread = 8.0, 2.1, 18000.0, 30000.0, 0.01
	sigma := math.Sqrt(full + readE*readE)
	h := hardCase{camera: "quillon", set: smallQuillonWith(readE, gain), plan: func(h *hardPlan) {
		h.masters(10, 10, 10, flatE)
		for k := -8.0; k <= 10; k += 2 {
			h.lit(configs.KindScene, 1, full+k*sigma)
		}
	}}
	const zones = 12
	var all [zones]int
	var by [zones]level
	h.run(t, func(s sample) {
		z := int(math.Floor((full - s.flat*s.truth) / sigma))
		if z < 0 || z >= zones {
			return
		}
		all[z]++
		if l := &by[z]; !s.flagged {
			if l.frames == nil {
				l.frames = map[int]bool{}
			}
			l.frames[s.frame] = true
			l.add((s.value - s.truth) / s.unc)
			l.u2 += s.unc * s.unc
		}
	})
	c := spread * full / sigma
	for z := range by {
		l := &by[z]
		l.finish()
		escaped := float64(l.Pixels) / float64(all[z])
		escapes := math.Erfc((2.5*math.Sqrt(1+c*c)-float64(z+1))/(c*math.Sqrt2)) / 2
		t.Logf("%2d to %2d sigma below full well: %6d pixels, %5.1f %% unflagged, mean pull %+.3f, sd %.3f", z, z+1, all[z], 100*escaped, l.Mean, l.SD)
		if escaped > 2*escapes {
			t.Errorf("%d sigma below full well %.2f %% of the pixels carry no flag, want %.2f %% at most", z, 100*escaped, 200*escapes)
		}
		if z < 3 {
			continue
		}
		cut := math.Exp(-float64(z*z)/2) / math.Sqrt(2*math.Pi)
		// 10 frames share the flats, 0.15 of the variance.
		l.hold(t, fmt.Sprintf("%d sigma below full well", z), doubt{masters: 0.15, common: 1.0 / offsetSamples, independent: 2 * hardRows / offsetRows,
			moreMean: normalisation(full, flatE, 10, l.variance()) + cut, moreSD: float64(z) * cut})
	}
}

// An offset that wanders in waves of 10 to 200 rows, which the mean of 15 rows
// follows in part. Of 6 waves of random phase and strength there are 12
// independent numbers in each amplifier of a frame, or as many as half waves fit
// into its rows.
func TestHardCasesWanderingOffset(t *testing.T) {
	const readE, gain, frames = 3.0, 1.0, 4
	for _, rows := range []float64{10, 40, 200} {
		t.Run(fmt.Sprintf("waves of %g rows", rows), func(t *testing.T) {
			const wanderDN = 1.5
			h := hardCase{camera: "quillon", set: smallQuillonWith(readE, gain), sim: simulate.Options{WanderDN: wanderDN, WanderRows: rows}, plan: func(h *hardPlan) {
				h.masters(20, 10, 10, 10000)
				for _, e := range []float64{0, 100} {
					h.lit(configs.KindScene, frames, e)
				}
			}}
			order, by := h.levels(t)
			for _, e := range order {
				l := by[e]
				wander := 0.0
				// The mean over 15 rows lets sinc(15/rows) of a wave pass.
				for k := range 6 { // as the simulator has them
					x := math.Pi * offsetRows / (rows * math.Exp2(float64(k)/5-0.5))
					lost := 1 - math.Sin(x)/x
					wander += wanderDN * wanderDN * lost * lost / 6
				}
				v := l.variance()
				share := gain*gain*wander/v + (readE*readE+gain*gain/12)/(offsetSamples*v)
				independent := 2 * frames * math.Min(12, 2*hardRows/rows)
				// A quarter of a standard deviation of w, sqrt(2/rows)/16 of the
				// read noise, is stated without wander, and as much is hidden.
				hidden := readE * readE / 16 * math.Sqrt(2.0/hardRows) / v
				l.hold(t, fmt.Sprintf("%g e- of light", e), doubt{masters: 1.0 / 20, common: share, independent: independent, moreSD: hidden / 2})
			}
		})
	}
}

// Darks of 20 or 5 s at T0 for scenes of 40 s that are 12 K colder to 18 K
// warmer: up to six times the dark current. The noise of the dark and of its
// master are worked out from the master's own value, whose error is in the
// product too: the uncertainty is larger where too much is taken off, which moves
// the mean pull, and an estimate of few electrons makes pulls heavier. How much,
// follows from the distributions (darkPulls). Unstable pixels are left out: five
// darks of 5 s cannot tell them, and no uncertainty covers them.
func TestHardCasesDarkFarFromReference(t *testing.T) {
	const readE, gain, biases, exposureS, frames = 3.0, 1.0, 20, 40.0, 2
	for _, c := range []struct{ dT, darkS, n float64 }{{-12, 20, 10}, {6, 20, 10}, {18, 20, 10}, {12, 5, 5}} {
		t.Run(fmt.Sprintf("%+g K, %g darks of %g s", c.dT, c.n, c.darkS), func(t *testing.T) {
			dT, darkS, n := c.dT, c.darkS, c.n
			h := hardCase{camera: "quillon", set: smallQuillonWith(readE, gain), sim: simulate.Options{NoUnstable: true}, plan: func(h *hardPlan) {
				h.add(configs.KindBias, biases, simulate.Exposure{})
				h.add(configs.KindDark, int(n), simulate.Exposure{ExposureS: darkS})
				h.lit(configs.KindFlat, 10, 10000)
				h.add(configs.KindScene, frames, simulate.Exposure{ExposureS: exposureS, TempK: h.p.Detectors[0].Dark.ReferenceK + dT})
			}}
			_, by := h.levels(t)
			l := by[0]
			ht := exposureS * math.Exp2(dT/7.1)
			rest := readE*readE + gain*gain/12
			// The bias comes in by its own and by the dark's frames.
			far := 1 - ht/darkS
			fixed := rest * (1 + far*far/biases)
			mean, square, master := darkPulls(ht, darkS*n, fixed, rest/(darkS*darkS*n))
			share, groups := offsets(readE, gain, l.variance(), frames)
			masters := (ht/darkS)*(ht/darkS)/n + far*far/biases
			l.hold(t, "in darkness", doubt{mean: mean, sd: math.Sqrt(square - mean*mean), masters: master, common: share * (1 + frames*masters), independent: groups, kurtosis: 2 * ht / (l.variance() * l.variance())})
		})
	}
}

// darkPulls works out mean and mean square of pulls, and the share of the master
// in the variance, over dark currents d of 2 e-/s with a spread of 0.35 of their
// logarithm and errors e of the master: values have the variance fixed + d ht
// and the error -ht e, and the stated variance has d + e for d, with that of the
// master, (d + e)/exposed + read.
func darkPulls(ht, exposed, fixed, read float64) (mean, square, master float64) {
	const steps, reach = 160, 5.0
	for i := range steps {
		z := (float64(i)+0.5)/steps*2*reach - reach
		d := 2 * math.Exp(0.35*z-0.35*0.35/2)
		dark := read + d/exposed
		v := fixed + d*ht
		for j := range steps {
			y := (float64(j)+0.5)/steps*2*reach - reach
			weight := math.Exp(-(z*z+y*y)/2) / (2 * math.Pi) * (2 * reach / steps) * (2 * reach / steps)
			e := y * math.Sqrt(dark)
			stated := fixed + max(d+e, 0)*ht + ht*ht*(read+max(d+e, 0)/exposed)
			mean -= weight * ht * e / math.Sqrt(stated)
			square += weight * (v + ht*ht*e*e) / stated
			master += weight * ht * ht * dark / (v + ht*ht*dark)
		}
	}
	return mean, square, master
}

// The temperature law is wrong by its stated uncertainty, 3 % of the interval.
// Darks at +6 K for scenes at +6 and +18 K: the dark charge is wrong by what the
// products state, nothing where scene and darks have one temperature, to the
// second order, the square of the relative error.
func TestHardCasesLawOfTheDark(t *testing.T) {
	const wrong, darkK, exposureS = 1.03, 6.0, 40.0
	means := func(interval float64) (means []float64, terms []float64) {
		set := append(smallQuillonWith(3, 1), fmt.Sprintf("detectors.0.dark.interval_k=%g", interval))
		h := hardCase{camera: "quillon", set: set, plan: func(h *hardPlan) {
			t0 := h.p.Detectors[0].Dark.ReferenceK
			h.p.Detectors[0].Dark.IntervalK = 7.1 // the truth
			h.add(configs.KindBias, 10, simulate.Exposure{})
			h.add(configs.KindDark, 5, simulate.Exposure{ExposureS: exposureS, TempK: t0 + darkK})
			h.lit(configs.KindFlat, 5, 10000)
			for _, dT := range []float64{6, 18} {
				h.add(configs.KindScene, 1, simulate.Exposure{ExposureS: exposureS, TempK: t0 + dT})
			}
		}, calibrated: func(p *configs.Profile) { p.Detectors[0].Dark.IntervalK = interval }}
		sum, n := make([]float64, 2), make([]float64, 2)
		run := h.run(t, func(s sample) {
			if !s.flagged {
				sum[s.frame] += s.value * s.flat
				n[s.frame]++
			}
		})
		for i, f := range run.Frames {
			p, err := pipeline.ReadProvenance(f.Product)
			if err != nil {
				t.Fatal(err)
			}
			means, terms = append(means, sum[i]/n[i]), append(terms, termOf(p, "dark temperature law"))
		}
		return means, terms
	}
	right, _ := means(7.1)
	got, terms := means(7.1 * wrong)
	for i, dT := range []float64{6, 18} {
		charge := 2 * exposureS * math.Exp2(dT/7.1)
		relative := (got[i] - right[i]) / charge
		stated := math.Ln2 * math.Abs(dT-darkK) / (7.1 * wrong) * 0.03
		t.Logf("scene at %+g K, darks at %+g K: the dark charge is wrong by %.2f %%, stated %.2f %%", dT, darkK, 100*relative, 100*terms[i])
		if math.Abs(terms[i]-stated) > 1e-3*stated+1e-9 {
			t.Errorf("stated %g, want %g", terms[i], stated)
		}
		// Too long an interval takes too little off at higher temperatures. The
		// charge is known to 1 %, the hot pixels among the good ones.
		if math.Abs(relative-terms[i]) > terms[i]*(terms[i]+0.03)+1e-4 {
			t.Errorf("the dark charge is wrong by %g, want %g", relative, terms[i])
		}
	}
}

// Codes of a square-root table, 21 e- wide in darkness where the read noise is
// 14 e-. The smear of a whole frame comes from masked rows at its edge, whose
// offset, from the 24 rows of 16 columns that are left of a window there, all
// pixels have in common: 15.3 e- over the root of 384, times 1.12 as the end of
// a straight line.
//
// Widths alternate between 3 and 4, 4 and 5 DN there, while the rounding of a
// level depends on the few codes about it: by a third either way.
func TestHardCasesCompandedCodes(t *testing.T) {
	h := hardCase{camera: "oxlip", set: []string{"output.quantity=electrons"}, plan: func(h *hardPlan) {
		h.masters(10, 5, 5, 12000)
		for _, e := range []float64{0, 3, 10, 30, 100, 1000, 15000} {
			h.lit(configs.KindScene, 2, e)
		}
	}}
	const readE, gain, frames, n = 14.0, 5.5, 2, 10
	order, by := h.levels(t)
	for _, e := range order {
		l := by[e]
		v := l.variance()
		level := 60 + e/gain
		width := 2 * math.Sqrt(4096*level) / 256
		rounding := gain * gain * width * width / 12
		edge := (readE*readE + 22.0*22/12) / 384 * 1.26 * (1 + 1.0/n)
		alternate := 0.0
		if width < 6 { // wider ones differ less from one another
			alternate = rounding / 3 / v / 2
		}
		l.hold(t, fmt.Sprintf("%g e- of light", e), doubt{masters: 1.0 / n, common: edge / v, independent: frames,
			moreMean: normalisation(e, 12000, 5, v), moreSD: alternate})
	}
}
