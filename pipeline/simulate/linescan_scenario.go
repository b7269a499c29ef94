package simulate

import (
	"fmt"
	"time"

	"evenlight/configs"
)

// PlannedLines is one file of a line scanner's campaign.
type PlannedLines struct {
	Name     string // of the file, without folder and ending
	Kind     string // one of the kinds in configs
	Exposure LineExposure
	Scene    LineScene // nil where the camera does not look at a scene

	Time          time.Time // UTC, start of the first line
	Mode          string    // readout mode without stages and binning; empty where the camera has none
	Target        string
	SunDistanceAU float64
}

// The invented passage over the ground. That 5 km/s and 0.5 m a pixel leave
// 1e-4 s a line is common practice, no source.
const (
	lineGroundSpeedMS = 5000.0
	lineFootprintM    = 0.5 // of an unbinned pixel
	lineRunLines      = 256 // of a calibration file
	lineSceneLines    = 512
	lineOutOfPace     = 1.05 // speed relative to the speed in pace
	lineFilesDark     = 4
	lineFilesFlat     = 6
)

// lineMode is a number of stages and a binning.
type lineMode struct{ stages, binning int }

// lineModes are the modes of the campaign.
func lineModes() []lineMode { return []lineMode{{32, 1}, {64, 1}, {32, 2}} }

// PlanLines plans a line scanner's campaign in three modes (32 and 64 stages,
// and 32 stages with binning 2). For each mode: dark runs with line times of
// 1, 4 and 16 times the usual one and flats at 60 percent of full well; then,
// in the order of the modes, a ramp and a landscape, and last a landscape
// taken at a speed 5 percent too fast. With [ScenarioOptions].Sequence a grey
// wedge follows, in 64 stages, its steps one after another in time. There is no
// bias frame: a line has no zero exposure. Kinds that the profile has no rule
// for are left out.
func PlanLines(p *configs.Profile, opt ScenarioOptions) []PlannedLines {
	c := &lineCampaign{campaign: newCampaign(p, opt)}
	for _, m := range lineModes() {
		c.darks(m)
		c.pause(30 * time.Minute)
	}
	c.pause(2 * time.Hour)
	for _, m := range lineModes() {
		c.flats(m)
		c.pause(30 * time.Minute)
	}
	c.pause(20 * time.Hour)
	c.scenes()
	return c.plan
}

// lineCampaign keeps the clock while a plan is made.
type lineCampaign struct {
	*campaign
	plan []PlannedLines
}

// exposure is one of a mode, in pace with the ground.
func (m lineMode) exposure(lines int) LineExposure {
	footprint := lineFootprintM * float64(m.binning)
	return LineExposure{
		LineTimeS: tidy(footprint / lineGroundSpeedMS), Stages: m.stages, Binning: m.binning, Lines: lines,
		GroundSpeedMS: lineGroundSpeedMS, FootprintM: footprint,
	}
}

// add plans a file at the present time and lets the time go on.
func (c *lineCampaign) add(kind string, e LineExposure, scene LineScene) {
	number := len(c.plan) + 1
	hours := c.now.Sub(c.start).Hours()
	e.Index = uint64(number)
	e.TempK = c.temperature(c.referenceK(), hours)
	c.plan = append(c.plan, PlannedLines{
		Name: fmt.Sprintf("%04d-%s", number, kind), Kind: kind,
		Exposure: e, Scene: scene,
		Time: c.now, Mode: mode(c.p), Target: c.target(kind),
		SunDistanceAU: c.sunDistance(hours),
	})
	c.pause(time.Duration(e.LineTimeS*float64(e.Lines)*float64(time.Second)).Round(time.Millisecond) + readoutPause)
}

func (c *lineCampaign) darks(m lineMode) {
	if !c.has(configs.KindDark) {
		return
	}
	for _, slower := range [...]float64{1, 4, 16} {
		for range c.count(lineFilesDark) {
			e := m.exposure(lineRunLines)
			e.LineTimeS = tidy(e.LineTimeS * slower)
			c.add(configs.KindDark, e, nil)
		}
	}
}

// flats plans flats at 60 percent of full well. The lamp is not steady: it
// varies by 1 percent from file to file.
func (c *lineCampaign) flats(m lineMode) {
	if !c.has(configs.KindFlat) {
		return
	}
	for range c.count(lineFilesFlat) {
		e := m.exposure(lineRunLines)
		lamp := 0.6 * c.fullE / (e.integrationS() * float64(m.binning))
		e.LampRate = lamp * (1 + 0.01*c.lamp.NormFloat64())
		c.add(configs.KindFlat, e, nil)
	}
}

func (c *lineCampaign) scenes() {
	if !c.has(configs.KindScene) {
		return
	}
	ground := LineGround(c.opt.Seed, whiteLevel*c.fullE)
	for _, m := range lineModes() {
		c.add(configs.KindScene, m.exposure(lineSceneLines), LineRamp(whiteLevel*c.fullE))
		c.add(configs.KindScene, m.exposure(lineSceneLines), ground)
		c.pause(5 * time.Minute)
	}
	fast := lineModes()[0].exposure(lineSceneLines)
	fast.GroundSpeedMS *= lineOutOfPace
	c.add(configs.KindScene, fast, ground)
	if c.opt.Sequence {
		c.pause(5 * time.Minute)
		c.add(configs.KindScene, lineModes()[lineWedgeMode].exposure(lineSceneLines), lineWedge)
		c.plan[len(c.plan)-1].Target = wedgeTarget
	}
}

// lineWedgeMode has the most stages: sunlight alone fills a good part of the
// range in it.
const lineWedgeMode = 1

// lineWedge is [GreyWedge] with its steps one after another in time, lit by the
// Sun alone, so that every column of every detector sees all of them.
func lineWedge(s *LineScanner, e *LineExposure) []float32 {
	white := whiteRadiance(s.Profile, s.Band)
	width := s.ImageWidth(max(e.Binning, 1))
	out := make([]float32, e.Lines*width)
	for i := range out {
		out[i] = float32(white * wedgeReflectance(i/width*wedgeSteps/e.Lines))
	}
	return out
}
