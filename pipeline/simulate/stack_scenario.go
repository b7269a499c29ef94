package simulate

import (
	"math"
	"time"

	"evenlight/configs"
)

// A StackScene paints the radiance L_b, W m^-2 sr^-1 nm^-1, of an image of the
// given size in every band of the profile, row by row.
type StackScene func(width, height int) [][]float32

// PlannedStack is one frame of a stack's campaign. Exposure's Radiance, and
// Scene of Planned, stay nil.
type PlannedStack struct {
	Planned
	Colours StackScene // nil where the camera does not look at a scene
}

// blocksOf cuts an image into 16 x 16 blocks and paints each with the level
// of its number, counted row by row.
func blocksOf(width, height int, level func(block int) float64) []float32 {
	out := make([]float32, width*height)
	for y := range height {
		for x := range width {
			block := y*rampSteps/height*rampSteps + x*rampSteps/width
			out[y*width+x] = float32(level(block))
		}
	}
	return out
}

// StackColours is a test scene of 256 even blocks in which the bands vary
// independently: with n bands each has the most levels k for which k^n blocks
// fit (6 for three bands), and every combination of levels is a block; what
// blocks are left begin again. Levels rise with the square of their number
// from no light to peak, of which there is one for each band.
func StackColours(peak []float64) StackScene {
	levels := 1
	for math.Pow(float64(levels+1), float64(len(peak))) <= rampSteps*rampSteps {
		levels++
	}
	return func(width, height int) [][]float32 {
		out := make([][]float32, len(peak))
		period := 1
		for b := range peak {
			out[b] = blocksOf(width, height, func(block int) float64 {
				u := float64(block/period%levels) / float64(max(levels-1, 1))
				return peak[b] * u * u
			})
			period *= levels
		}
		return out
	}
}

// StackWedge is a grey target under sunlight: 16 columns whose reflectance
// rises by equal ratios from 0.02 to 0.9 and is the same in all bands; white
// is the radiance, by band, of a white surface.
func StackWedge(white []float64) StackScene {
	return stackGrey(white, func(width, height int) []float32 {
		return blocksOf(width, height, func(block int) float64 {
			return 0.02 * math.Pow(0.9/0.02, float64(block%rampSteps)/(rampSteps-1))
		})
	})
}

// stackGrey paints a scene of the same reflectance in all bands.
func stackGrey(white []float64, reflectance Scene) StackScene {
	return func(width, height int) [][]float32 {
		grey := reflectance(width, height)
		out := make([][]float32, len(white))
		for b := range white {
			out[b] = make([]float32, len(grey))
			for i, r := range grey {
				out[b][i] = float32(white[b] * float64(r))
			}
		}
		return out
	}
}

// StackTessaly is the invented moon in all bands at once; see [Tessaly].
func StackTessaly(seed uint64, bands []configs.Band, white []float64) StackScene {
	return func(width, height int) [][]float32 {
		out := make([][]float32, len(bands))
		for b := range bands {
			out[b] = Tessaly(seed, bands[b], white[b])(width, height)
		}
		return out
	}
}

// PlanStack plans a stack's campaign: bias, darks and ladder as [Scenario]
// does, ten flats with a lamp that lights all bands at once, and as scenes a
// colour ramp, a grey wedge, the moon, a grey background with an over-exposed
// glint, and the moon once more with a sixtieth of its exposure. Kinds that
// the profile has no rule for are left out.
func PlanStack(p *configs.Profile, opt ScenarioOptions) []PlannedStack {
	c := &stackCampaign{campaign: newCampaign(p, opt)}
	c.biases()
	c.pause(2 * time.Hour)
	c.darks()
	c.pause(3 * time.Hour)
	c.flats()
	c.pause(time.Hour)
	c.ladder()
	c.pause(20 * time.Hour)
	c.scenes()
	plan := make([]PlannedStack, len(c.plan))
	for i := range plan {
		plan[i] = PlannedStack{Planned: c.plan[i], Colours: c.colours[i]}
	}
	return plan
}

// stackCampaign keeps the clock while a plan is made.
type stackCampaign struct {
	*campaign
	colours map[int]StackScene // by number in the plan
}

// flats plans flats at 60 percent of full well with an unsteady lamp.
func (c *stackCampaign) flats() {
	if !c.has(configs.KindFlat) {
		return
	}
	for range c.count(10) {
		lamp := c.fullE / lampFillS * (1 + 0.01*c.lamp.NormFloat64())
		c.add(configs.KindFlat, c.referenceK(), Exposure{ExposureS: 0.6 * lampFillS, LampRate: lamp}, nil)
	}
}

// scenes exposes the sunlit scenes so that a white surface gives 85 percent
// of full well in the layer that gathers most.
func (c *stackCampaign) scenes() {
	if !c.has(configs.KindScene) {
		return
	}
	c.colours = map[int]StackScene{}
	white := stackWhite(c.p)
	exposureS := moonExposureS(c.fullE, mostRate(c.p, white))
	peak := stackTimes(white, exposureS/rampExposureS)
	moon := StackTessaly(c.opt.Seed, c.p.Bands, white)
	c.scene(rampExposureS, StackColours(peak))
	c.scene(exposureS, StackWedge(white))
	c.scene(exposureS, moon)
	c.scene(exposureS, stackGrey(white, Glint(0.3, 4/whiteLevel)))
	c.scene(max(math.Floor(1e3*exposureS/60), 1)/1e3, moon)
}

func (c *stackCampaign) scene(exposureS float64, scene StackScene) {
	c.colours[len(c.plan)] = scene
	c.add(configs.KindScene, c.referenceK(), Exposure{ExposureS: exposureS}, nil)
}

// stackWhite is the radiance of a white surface by band.
func stackWhite(p *configs.Profile) []float64 {
	white := make([]float64, len(p.Bands))
	for b := range white {
		white[b] = whiteRadiance(p, p.Bands[b])
	}
	return white
}

// mostRate is the light, e-/s, of the layer that gathers most.
func mostRate(p *configs.Profile, radiance []float64) float64 {
	var most float64
	for _, row := range p.Stack.Matrix {
		var rate float64
		for b, m := range row {
			rate += m * responsivity(p, p.Bands[b].Name) * radiance[b]
		}
		most = max(most, rate)
	}
	return most
}

func stackTimes(values []float64, by float64) []float64 {
	out := make([]float64, len(values))
	for i, v := range values {
		out[i] = by * v
	}
	return out
}
