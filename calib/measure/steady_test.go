package measure

import (
	"math"
	"strings"
	"testing"
)

// lamp draws a series of levels with a trend and with scatter beyond noise.
func lamp(normal func() float64, n int, noise, trend, scatter float64) []Timed {
	out := make([]Timed, n)
	for i := range out {
		level := 10000*(1+trend*float64(i)+scatter*normal()) + noise*normal()
		out[i] = Timed{float64(i), Figure{level, noise}}
	}
	return out
}

// falseAlarms asks for the stated rate, within 4 standard deviations.
func falseAlarms(t *testing.T, what string, alarms, sets int, rate float64) {
	t.Helper()
	bound := 4 * math.Sqrt(rate*(1-rate)/float64(sets))
	t.Logf("%s: %.4f false alarms, %g stated", what, float64(alarms)/float64(sets), rate)
	if got := float64(alarms) / float64(sets); got > rate+bound {
		t.Errorf("%s: %.4f false alarms, stated are %g", what, got, rate)
	}
}

func TestSteadyLampIsSeldomAccused(t *testing.T) {
	const sets, alarm = 20_000, 0.01
	rng := newRand(101)
	either := 0
	for range sets {
		d, err := TestDrift(lamp(rng.NormFloat64, 10, 3, 0, 0), alarm)
		if err != nil {
			t.Fatal(err)
		}
		if d.Trending || d.Scattered {
			either++
		}
	}
	falseAlarms(t, "steady lamp", either, sets, alarm)
	// The two tests are independent, so the rate is not far below.
	if float64(either) < 0.5*alarm*sets {
		t.Errorf("only %d alarms: the limit is too high", either)
	}
}

func TestScatteringLampIsSeldomCalledTrending(t *testing.T) {
	const sets, alarm = 5000, 0.02
	rng := newRand(102)
	trending, scattered, scatter := 0, 0, 0.0
	for range sets {
		d, err := TestDrift(lamp(rng.NormFloat64, 10, 3, 0, 2e-3), alarm)
		if err != nil {
			t.Fatal(err)
		}
		if d.Trending {
			trending++
		}
		if d.Scattered {
			scattered++
		}
		scatter += d.Scatter * d.Scatter / sets
	}
	falseAlarms(t, "trend of a scattering lamp", trending, sets, alarm/2)
	if scattered < sets*99/100 {
		t.Errorf("scatter of 7 times the noise was found in %d of %d", scattered, sets)
	}
	// Expected squared scatter 4e-6 (10 levels, 8 free: the estimate's factor is
	// 8/8); its own relative deviation is sqrt(2/8).
	within(t, "squared scatter", scatter, 4e-6, 4*4e-6*math.Sqrt(2.0/8/sets)+0.02*4e-6)
}

func TestDriftingLampIsFound(t *testing.T) {
	rng := newRand(103)
	var trend coverage
	found := 0
	for range 2000 {
		d, err := TestDrift(lamp(rng.NormFloat64, 10, 3, 2e-4, 0), 0.001)
		if err != nil {
			t.Fatal(err)
		}
		if d.Trending {
			found++
		}
		trend.add(d.Trend, 2e-4/(1+2e-4*4.5)) // relative to the mean level
	}
	// 2e-4 is 2 DN a frame with u = 3/sqrt(82.5) = 0.33: 6 sigmas.
	if found < 1980 {
		t.Errorf("a trend of 6 sigmas was found in %d of 2000", found)
	}
	trend.check(t, "trend", 0.03)
	if _, err := TestDrift(lamp(none, 2, 3, 0, 0), 0.01); err == nil || !strings.Contains(err.Error(), "too few") {
		t.Errorf("two frames: %v", err)
	}
	if _, err := TestDrift([]Timed{{1, Figure{5, 1}}, {1, Figure{5, 1}}, {1, Figure{5, 1}}}, 0.01); err == nil || !strings.Contains(err.Error(), "times must differ") {
		t.Errorf("one time: %v", err)
	}
}

func TestSaturatedStepsAreFound(t *testing.T) {
	var steps []Step
	for _, s := range []float64{1, 8, 2, 4, 16, 32, 64, 16} { // not in order
		m := min(1000*s, 20000)
		steps = append(steps, Step{ExposureS: s, Mean: Figure{m, 2}})
	}
	got := SaturatedSteps(steps, 0.001)
	if len(got) != 2 || got[0].Index != 5 || got[1].Index != 6 || !strings.Contains(got[1].Detail, "less than half as fast") {
		t.Errorf("%+v", got)
	}
	steps[3].Ceiling = 0.02
	got = SaturatedSteps(steps, 0.001)
	if len(got) != 3 || got[0].Index != 3 || !strings.Contains(got[0].Detail, "ceiling") {
		t.Errorf("%+v", got)
	}
	// A response that bends by a tenth is not saturated, nor is noise.
	for i := range steps {
		s := steps[i].ExposureS
		steps[i] = Step{ExposureS: s, Mean: Figure{1000*s - 1.5*s*s, 400}}
	}
	if got := SaturatedSteps(steps, 0.001); len(got) != 0 {
		t.Errorf("a bent response: %+v", got)
	}
}

func TestIntervalsOfTiltHoldTheTruth(t *testing.T) {
	const width, height = 40, 25
	rng := newRand(104)
	var level, x, y coverage
	row := make([]float32, width/2)
	for range 2500 {
		var tilt Tilt
		for j := range height {
			x0 := j % 2
			for i := range row {
				row[i] = float32(300 + 2*float64(x0+2*i)/39 - 3*float64(j)/24 + 5*rng.NormFloat64())
			}
			row[rng.IntN(len(row))] += 900
			tilt.AddRow(x0, 2, j, row)
		}
		p := tilt.Plane(25)
		level.add(p.Level, 300+1-1.5)
		x.add(p.X, 2)
		y.add(p.Y, -3)
	}
	level.check(t, "level", 0.05) // hits are not always in the middle
	x.check(t, "rise along rows", 0.03)
	y.check(t, "rise along columns", 0.03)
}

func TestTiltWithoutNoiseGivenTakesTheScatter(t *testing.T) {
	rng := newRand(105)
	var tilt Tilt
	for j := range 60 {
		row := make([]float32, 50)
		for i := range row {
			row[i] = float32(10 + 0.1*float64(i) + 4*rng.NormFloat64())
		}
		tilt.AddRow(0, 1, j, row)
	}
	p := tilt.Plane(0)
	within(t, "u(level)", p.Level.U, 4/math.Sqrt(3000), 4*4/math.Sqrt(3000)/math.Sqrt(6000))
	within(t, "rise along rows", p.X.Value, 4.9, 4*p.X.U)
}

// darkSet draws darks of three times with glow, some with a leak.
func darkSet(normal func() float64, n int, leaking map[int]float64) []DarkLevel {
	out := make([]DarkLevel, n)
	for i := range out {
		s := []float64{10, 60, 300}[i%3]
		leak := leaking[i]
		out[i] = DarkLevel{
			Seconds: s,
			Level:   Figure{2 + 0.5*s + leak + 0.3*normal(), 0.3},
			TiltX:   Figure{0.02*s + 0.5*leak + 0.4*normal(), 0.4},
			TiltY:   Figure{-0.01*s + 0.4*normal(), 0.4},
		}
	}
	return out
}

func TestDarkDarksAreSeldomAccused(t *testing.T) {
	const alarm = 0.02
	rng := newRand(106)
	for _, n := range []int{6, 15} {
		accused, sets := 0, 24_000/n
		for range sets {
			leaks, err := FindLeaks(darkSet(rng.NormFloat64, n, nil), alarm)
			if err != nil {
				t.Fatal(err)
			}
			if len(leaks) > 0 {
				accused++
			}
		}
		falseAlarms(t, "darks without leak", accused, sets, alarm)
	}
}

func TestLeaksAreFound(t *testing.T) {
	rng := newRand(107)
	const sets = 300
	found, wrong := 0, 0
	for range sets {
		leaks, err := FindLeaks(darkSet(rng.NormFloat64, 12, map[int]float64{3: 4, 7: 9, 8: 30}), 0.001)
		if err != nil {
			t.Fatal(err)
		}
		seen := map[int]bool{}
		for _, l := range leaks {
			if l.Index != 3 && l.Index != 7 && l.Index != 8 {
				wrong++
			} else if l.What == "level" {
				seen[l.Index] = true
			}
		}
		if len(seen) == 3 {
			found++
		}
	}
	// The faintest leak is 4 DN against u = 0.3 sqrt(1 + 1/3): 11 sigmas above
	// a limit of 4.
	if found < sets-2 || wrong > 4 {
		t.Errorf("all three leaks in %d of %d, %d wrong", found, sets, wrong)
	}
	if _, err := FindLeaks(darkSet(none, 3, nil), 0.01); err == nil || !strings.Contains(err.Error(), "too few") {
		t.Errorf("three darks: %v", err)
	}
}

// Darks of one length have no line, only a level.
func TestLeakAmongEqualDarksIsFound(t *testing.T) {
	rng := newRand(108)
	darks := darkSet(rng.NormFloat64, 9, nil)
	for i := range darks {
		darks[i] = DarkLevel{Seconds: 60, Level: Figure{30 + 0.3*rng.NormFloat64(), 0.3}}
	}
	darks[4].Level.Value += 5
	leaks, err := FindLeaks(darks, 0.01)
	if err != nil {
		t.Fatal(err)
	}
	if len(leaks) != 1 || leaks[0].Index != 4 || leaks[0].What != "level" {
		t.Errorf("%+v", leaks)
	}
	within(t, "excess", leaks[0].Excess.Value, 5, 4*leaks[0].Excess.U)
}
