package simulate

import (
	"math"
	"testing"
	"time"

	"evenlight/configs"
)

func builtin(t testing.TB, name string) *configs.Profile {
	t.Helper()
	text, err := configs.Builtin(name)
	if err != nil {
		t.Fatal(err)
	}
	p, err := configs.Parse(name, text, configs.Overrides{})
	if err != nil {
		t.Fatal(err)
	}
	return p
}

func countKinds(plan []Planned) map[string]int {
	kinds := map[string]int{}
	for i := range plan {
		kinds[plan[i].Kind]++
	}
	return kinds
}

func TestScenarioHoldsTheWholeCampaign(t *testing.T) {
	kinds := countKinds(Scenario(builtin(t, "quillon"), ScenarioOptions{Seed: 1}))
	for kind, want := range map[string]int{
		configs.KindBias: 20, configs.KindDark: 3 * 3 * 6, configs.KindFlat: 4 * 10,
		configs.KindLadder: 14 * 4, configs.KindScene: 4*2 + 1,
	} {
		if kinds[kind] != want {
			t.Errorf("%d frames of kind %s, want %d", kinds[kind], kind, want)
		}
	}
}

func TestSmallScenarioStillFillsEveryMaster(t *testing.T) {
	p := builtin(t, "quillon")
	kinds := countKinds(Scenario(p, ScenarioOptions{Seed: 1, Scale: 0.01}))
	for kind, want := range map[string]int{
		configs.KindBias: p.Masters.MinFrames, configs.KindDark: 3 * 3 * p.Masters.MinFrames,
		configs.KindFlat: 4 * p.Masters.MinFrames, configs.KindLadder: 14 * 4,
	} {
		if kinds[kind] != want {
			t.Errorf("%d frames of kind %s, want %d", kinds[kind], kind, want)
		}
	}
}

func TestKindsWithoutARuleAreLeftOut(t *testing.T) {
	kinds := countKinds(Scenario(smallCamera(), ScenarioOptions{Seed: 1}))
	if len(kinds) != 2 || kinds[configs.KindBias] != 20 || kinds[configs.KindScene] != 3 {
		t.Errorf("kinds are %v, want 20 bias frames and 3 scenes", kinds)
	}
}

func TestScenarioAdvancesInTimeWithinTwoDays(t *testing.T) {
	for _, name := range configs.BuiltinNames() {
		p := builtin(t, name)
		plan := Scenario(p, ScenarioOptions{Seed: 1})
		for i := 1; i < len(plan); i++ {
			before, f := &plan[i-1], &plan[i]
			busy := time.Duration((before.Exposure.ExposureS + before.Exposure.WaitS) * float64(time.Second))
			if f.Time.Sub(before.Time) < busy {
				t.Errorf("%s: %s begins before %s has ended", name, f.Name, before.Name)
			}
			if f.Name <= before.Name || f.Exposure.Index <= before.Exposure.Index {
				t.Errorf("%s: %s does not come after %s by name and number", name, f.Name, before.Name)
			}
		}
		first, last := plan[0].Time, plan[len(plan)-1].Time
		if span := last.Sub(first); first.Year() != 2031 || span < 24*time.Hour || span > 48*time.Hour {
			t.Errorf("%s: the campaign lasts %v from %v", name, span, first)
		}
	}
}

func TestTemperaturesStayNearTheirSetting(t *testing.T) {
	p := builtin(t, "quillon")
	warmest, coldest := math.Inf(-1), math.Inf(1)
	for _, f := range Scenario(p, ScenarioOptions{Seed: 1}) {
		off := f.Exposure.TempK - 263.15
		if f.Kind == configs.KindDark {
			off = math.Remainder(off, 6)
		}
		if math.Abs(off) > 0.12+5*0.03 {
			t.Errorf("%s is %.3f K off its setting", f.Name, off)
		}
		warmest, coldest = max(warmest, off), min(coldest, off)
	}
	if warmest-coldest < 0.1 {
		t.Errorf("the temperature moves by %.3f K only", warmest-coldest)
	}
}

func TestLadderClimbsFromOneToNinetySevenPercent(t *testing.T) {
	plan := Scenario(builtin(t, "quillon"), ScenarioOptions{Seed: 1})
	lowest, highest := math.Inf(1), 0.0
	times := map[float64]int{}
	for _, f := range plan {
		if f.Kind != configs.KindLadder {
			continue
		}
		level := f.Exposure.LampRate * f.Exposure.ExposureS / 30000
		lowest, highest = min(lowest, level), max(highest, level)
		times[f.Exposure.ExposureS]++
		if f.Exposure.LampRate != 30000 || f.Exposure.Band != "green" {
			t.Errorf("%s has lamp rate %g e-/s in band %s; a ladder has a steady lamp and one band", f.Name, f.Exposure.LampRate, f.Exposure.Band)
		}
	}
	if math.Abs(lowest-0.01) > 1e-9 || math.Abs(highest-0.97) > 1e-9 || len(times) != 14 {
		t.Errorf("the ladder goes from %g to %g of full well in %d steps", lowest, highest, len(times))
	}
}

// Only the glint may saturate, besides hot pixels and cosmic rays; the light
// alone stays 5 sigma, of its shot noise and the read noise, below full well.
func TestOnlyTheGlintSaturates(t *testing.T) {
	for _, name := range configs.BuiltinNames() {
		p := builtin(t, name)
		sensors, err := NewAll(p, Options{Seed: 1})
		if err != nil {
			t.Fatal(err)
		}
		full := capacityE(p)
		saturated := 0
		for _, f := range Scenario(p, ScenarioOptions{Seed: 1}) {
			if f.Scene == nil {
				continue
			}
			brightest := 0.0
			for _, s := range sensors {
				flat := Trim(s, s.flats[f.Exposure.Band])
				for i, l := range f.Scene(s.ImageWidth(), s.ImageHeight()) {
					brightest = max(brightest, float64(flat[i]*l)*responsivity(p, f.Exposure.Band)*f.Exposure.ExposureS)
				}
			}
			if brightest+5*math.Sqrt(brightest+25*25) >= full {
				saturated++
				if brightest < 2*full {
					t.Errorf("%s: %s reaches %.0f of %.0f electrons", name, f.Name, brightest, full)
				}
			}
			if brightest < 0.25*full {
				t.Errorf("%s: %s reaches %.0f of %.0f electrons only", name, f.Name, brightest, full)
			}
		}
		if saturated != 1 {
			t.Errorf("%s: %d scenes saturate, want 1", name, saturated)
		}
	}
}

func TestCosmicRateCanBeSetAndTurnedOff(t *testing.T) {
	for _, c := range []struct{ option, want float64 }{{0, scenarioCosmicRate}, {2e-6, 2e-6}, {-1, 0}} {
		plan := Scenario(smallCamera(), ScenarioOptions{CosmicRate: c.option})
		if got := plan[0].Exposure.CosmicRate; got != c.want {
			t.Errorf("option %g gives rate %g, want %g", c.option, got, c.want)
		}
	}
}
