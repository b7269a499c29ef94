package simulate

import (
	"math"
	"time"

	"evenlight/configs"
)

// PlanTube plans a tube's campaign. Calibration frames stand so far apart that
// nothing is left of the frame before: 20 bias frames, darks at three
// temperatures, and for each band 10 flats; an exposure ladder in one band.
// The scenes are a ramp in every band, and the moon twice over in two bands in
// quick succession, a bright frame in the second band (or the only one) before
// one with a sixth of its charge in the first, so that the faint ones show
// what is left of the bright ones. With [ScenarioOptions].Sequence a bright
// moon follows, and after it in quick succession a grey wedge in both bands, so
// that something is left in each of the frame before. Kinds that the profile
// has no rule for are left out.
func PlanTube(p *configs.Profile, opt ScenarioOptions) []Planned {
	opt.CosmicRate = -1
	c := &tubeCampaign{campaign: newCampaign(p, opt)}
	c.biases()
	c.pause(2 * time.Hour)
	c.darks()
	c.pause(3 * time.Hour)
	c.flats()
	c.pause(time.Hour)
	c.ladder()
	c.pause(20 * time.Hour)
	c.scenes()
	return c.plan
}

// tubeCampaign keeps the clock while a plan is made.
type tubeCampaign struct{ *campaign }

// settle waits until nothing is left of any frame before.
func (c *tubeCampaign) settle() {
	var longest float64
	for i := range c.p.Detectors {
		if r := c.p.Detectors[i].Residual; r != nil {
			longest = max(longest, r.MaxGapS)
		}
	}
	c.pause(time.Duration(math.Ceil(longest)) * time.Second)
}

// flats plans flats at 60 percent of full well with an unsteady lamp.
func (c *tubeCampaign) flats() {
	if !c.has(configs.KindFlat) {
		return
	}
	for b := range c.p.Bands {
		for range c.count(10) {
			c.settle()
			lamp := c.fullE / lampFillS * (1 + 0.01*c.lamp.NormFloat64())
			c.add(configs.KindFlat, c.referenceK(), Exposure{Band: c.p.Bands[b].Name, ExposureS: 0.6 * lampFillS, LampRate: lamp}, nil)
		}
		c.pause(10 * time.Minute)
	}
}

// ladder plans the levels of [Scenario]'s ladder.
func (c *tubeCampaign) ladder() {
	if !c.has(configs.KindLadder) {
		return
	}
	for _, level := range ladderLevels {
		for range 4 {
			c.settle()
			c.add(configs.KindLadder, c.referenceK(), Exposure{
				Band: ladderBand(c.p), ExposureS: level * lampFillS, LampRate: c.fullE / lampFillS,
			}, nil)
		}
	}
}

func (c *tubeCampaign) scenes() {
	if !c.has(configs.KindScene) {
		return
	}
	for _, band := range c.p.Bands {
		c.settle()
		ramp := c.fullE / (responsivity(c.p, band.Name) * rampExposureS)
		c.add(configs.KindScene, c.referenceK(), Exposure{Band: band.Name, ExposureS: rampExposureS}, Ramp(0.9*ramp))
	}
	c.settle()
	bright, faint := c.p.Bands[len(c.p.Bands)-1], c.p.Bands[0]
	if len(c.p.Bands) > 1 {
		bright = c.p.Bands[1]
	}
	for range 2 {
		c.moon(bright, 1)
		c.moon(faint, 1.0/6)
	}
	if c.opt.Sequence && len(c.p.Bands) > 1 {
		c.settle()
		c.moon(bright, 1)
		c.wedge(faint)
		c.wedge(bright)
	}
}

// wedge plans a grey wedge.
func (c *tubeCampaign) wedge(band configs.Band) {
	white := whiteRadiance(c.p, band)
	exposureS := moonExposureS(c.fullE, responsivity(c.p, band.Name)*white)
	c.add(configs.KindScene, c.referenceK(), Exposure{Band: band.Name, ExposureS: exposureS}, wedgeOf(white)).Target = wedgeTarget
}

// moon plans the moon with a part of the exposure that uses the range.
func (c *tubeCampaign) moon(band configs.Band, part float64) {
	white := whiteRadiance(c.p, band)
	exposureS := moonExposureS(part*c.fullE, responsivity(c.p, band.Name)*white)
	c.add(configs.KindScene, c.referenceK(), Exposure{Band: band.Name, ExposureS: exposureS}, Tessaly(c.opt.Seed, band, white))
}
