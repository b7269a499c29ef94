package simulate

import (
	"fmt"
	"math"
	"math/rand/v2"
	"time"

	"evenlight/configs"
)

// ScenarioOptions chooses the campaign.
type ScenarioOptions struct {
	Seed uint64
	// Scale multiplies the numbers of calibration frames, 1 if it is 0; no
	// fewer are planned than the profile asks for a master.
	Scale float64
	// CosmicRate is hits per pixel and second; 0 is the scenario's own,
	// negative is none.
	CosmicRate float64
	// Sequence adds, after the rest, sequences in all bands, one after another,
	// where a filter wheel brings the bands: of the ground with a camera whose
	// pointing drifts, and with a cloud of dust drifting besides. It adds a
	// grey wedge in every band, to a pair of eyes too, and one that moves over
	// strips of filters. Other plans of several bands have a wedge anyway.
	Sequence bool
	// Overfull adds, at the end, pairs of ladder frames beyond full well, so
	// that full well can be measured. Plans without a ladder have none.
	Overfull bool
}

// Planned is one frame of a campaign.
type Planned struct {
	Name     string   // of the frame's file, without folder and ending
	Kind     string   // one of the kinds in configs
	Exposure Exposure // Radiance is left to Scene
	// What the camera looks at, if anything; one of them at most is set.
	Scene Scene     // in the band of the exposure, seen by all detectors
	Bands BandScene // in all bands at once
	Eyes  []Scene   // what each detector sees, in the profile's order, where they differ

	// Sequence is what the frame belongs to; nil for a frame by itself.
	Sequence *Sequence

	Time          time.Time // UTC, start of the exposure
	Mode          string    // readout mode; empty where the camera has none
	Target        string
	SunDistanceAU float64
}

// The invented campaign.
const (
	scenarioTarget     = "Tessaly"
	scenarioCosmicRate = 4e-5             // hits per pixel and second
	scenarioSunAU      = 3.2              // at the start
	scenarioRecession  = 2e-5             // au an hour
	readoutPause       = 35 * time.Second // between frames
	lampFillS          = 1.0              // s in which the lamp would fill a pixel
	rampExposureS      = 4.0
	whiteLevel         = 0.85 // of full well: a white surface that faces the Sun
)

// ladderLevels are the levels of the exposure ladder, relative to full well:
// close at both ends, where the fit of a curve is decided.
var ladderLevels = [...]float64{0.01, 0.025, 0.05, 0.10, 0.17, 0.25, 0.35, 0.45, 0.55, 0.65, 0.75, 0.84, 0.92, 0.97}

// overfullLevels are those of the frames beyond full well. The weakest band of
// a mosaic has 0.55 of the light, and a corner of the image 0.75: at the last
// level all pixels are full.
var overfullLevels = [...]float64{1.1, 1.5, 3}

// looks tells whether the camera looks at a scene.
func (f *Planned) looks() bool { return f.Scene != nil || f.Bands != nil || f.Eyes != nil }

// exposure is what sensor number i of the camera is given.
func (f *Planned) exposure(i int, s *Sensor) Exposure {
	e := f.Exposure
	switch {
	case f.Scene != nil:
		e.Radiance = s.throughOptics(f.Scene(s.ImageWidth(), s.ImageHeight()))
	case f.Bands != nil:
		e.Bands = f.Bands(s.ImageWidth(), s.ImageHeight())
		for b := range e.Bands {
			e.Bands[b] = s.throughOptics(e.Bands[b])
		}
	case f.Eyes != nil:
		e.Radiance = s.throughOptics(f.Eyes[i](s.ImageWidth(), s.ImageHeight()))
	}
	return e
}

// Scenario plans a campaign of two days: 20 bias frames, darks at three
// temperatures and three exposure times, 10 flats a band, an exposure ladder
// in one band with a steady lamp, and of the target in every band a ramp
// scene and the moon, besides one scene with a saturated glint. Kinds that
// the profile has no rule for are left out, and so are temperature runs of a
// camera whose frames do not tell the temperature.
//
// A camera that takes all bands at once has one set of flats and a ladder in
// all bands, and of scenes a grey and a colour ramp, the moon, a grey wedge and
// the glint. With strips of filters and ground that moves over them, it takes
// a sequence of that besides, and a stereo pair a frame of its own view for
// each eye. Line scanners, stacked diodes and camera tubes have plans of
// their own.
func Scenario(p *configs.Profile, opt ScenarioOptions) []Planned {
	c := newCampaign(p, opt)
	c.biases()
	c.pause(2 * time.Hour)
	c.darks()
	c.pause(3 * time.Hour)
	c.flats()
	c.pause(time.Hour)
	c.ladder()
	c.pause(20 * time.Hour)
	c.scenes()
	if opt.Overfull {
		c.pause(time.Hour)
		c.lampSteps(overfullLevels[:], 2)
	}
	return c.plan
}

// campaign keeps the clock while a plan is made.
type campaign struct {
	p          *configs.Profile
	opt        ScenarioOptions
	plan       []Planned
	start, now time.Time
	waitS      float64
	cosmic     float64
	fullE      float64 // capacityE
	all        bool    // one frame takes all bands
	lamp       *rand.Rand
	warmth     *rand.Rand
}

func newCampaign(p *configs.Profile, opt ScenarioOptions) *campaign {
	start := time.Date(2031, time.March, 14, 6, 0, 0, 0, time.UTC)
	if opt.Scale == 0 {
		opt.Scale = 1
	}
	return &campaign{
		p: p, opt: opt, start: start, now: start,
		waitS:  defaultOf(p.Keywords.WaitS, 0),
		cosmic: max(0, orElse(opt.CosmicRate, scenarioCosmicRate)),
		fullE:  capacityE(p),
		all:    takesAllBands(p),
		lamp:   rand.New(newStream(opt.Seed, forLamp, 0, 0)),
		warmth: rand.New(newStream(opt.Seed, forTemperature, 0, 0)),
	}
}

func orElse(value, otherwise float64) float64 {
	if value == 0 {
		return otherwise
	}
	return value
}

// defaultOf is the value that frames have whose header does not tell it.
func defaultOf(q *configs.Quantity, otherwise float64) float64 {
	if q != nil && q.Default != nil {
		return *q.Default
	}
	return otherwise
}

// capacityE is the charge, e-, at which the first amplifier of any detector
// reaches the end of the range that the profile allows.
func capacityE(p *configs.Profile) float64 {
	least := math.Inf(1)
	for i := range p.Detectors {
		d := &p.Detectors[i]
		for j := range d.Amplifiers {
			least = math.Min(least, usableDN(d, &d.Amplifiers[j])*d.Amplifiers[j].GainEPerDN)
		}
	}
	return least
}

// usableDN is the level, DN above offset, up to which an amplifier tells the
// light: full well, the converter's ceiling, the last code of companding, the
// profile's saturation level or the end of its linearity correction, whichever
// is lowest.
func usableDN(d *configs.Detector, a *configs.Amplifier) float64 {
	usable := topDN(d, a)
	if d.Saturation.LevelDN > 0 {
		usable = math.Min(usable, d.Saturation.LevelDN-a.OffsetDN)
	}
	if d.Decompanding != nil {
		usable = math.Min(usable, lastCodeDN(d.Decompanding)-a.OffsetDN)
	}
	if d.Linearity.MaxDN > 0 {
		usable = math.Min(usable, d.Linearity.MaxDN)
	}
	return usable
}

func (c *campaign) pause(d time.Duration) { c.now = c.now.Add(d) }

func (c *campaign) has(kind string) bool {
	for i := range c.p.FrameKinds {
		if c.p.FrameKinds[i].Kind == kind {
			return true
		}
	}
	return false
}

// count scales a number of frames.
func (c *campaign) count(n int) int {
	scaled := int(math.Round(float64(n) * c.opt.Scale))
	return max(scaled, min(n, c.p.Masters.MinFrames), 1)
}

// referenceK is T0, which the campaign is held at.
func (c *campaign) referenceK() float64 { return c.p.Detectors[0].Dark.ReferenceK }

// add plans a frame at the present time and lets the time go on. The detector
// follows its setting to some 0.1 K, with the hours and from frame to frame.
func (c *campaign) add(kind string, setK float64, e Exposure, scene Scene) *Planned {
	number := len(c.plan) + 1
	hours := c.now.Sub(c.start).Hours()
	e.Index = uint64(number)
	e.CosmicRate = c.cosmic
	e.WaitS = c.waitS
	e.TempK = c.temperature(setK, hours)
	if e.Band == "" && !c.all {
		e.Band = c.p.Bands[0].Name // the filter that happens to be in place
	}
	c.plan = append(c.plan, Planned{
		Name: fmt.Sprintf("%04d-%s", number, kind), Kind: kind,
		Exposure: e, Scene: scene,
		Time: c.now, Mode: mode(c.p), Target: c.target(kind),
		SunDistanceAU: c.sunDistance(hours),
	})
	exposed := time.Duration(math.Round(1e3*(e.ExposureS+e.WaitS))) * time.Millisecond
	c.pause(exposed + readoutPause)
	return &c.plan[number-1]
}

// look plans a frame of the target at the reference temperature.
func (c *campaign) look(e Exposure, scene Scene) *Planned {
	return c.add(configs.KindScene, c.referenceK(), e, scene)
}

// lookAtAll plans a frame of the target in all bands at once.
func (c *campaign) lookAtAll(exposureS float64, scene BandScene) *Planned {
	f := c.look(Exposure{ExposureS: exposureS}, nil)
	f.Bands = scene
	return f
}

func (c *campaign) temperature(setK, hours float64) float64 {
	key := c.p.Keywords.TemperatureK
	if key == nil || key.Key == "" {
		return defaultOf(key, c.referenceK())
	}
	const swingK, jitterK, periodHours = 0.12, 0.03, 11.0
	return setK + swingK*math.Sin(2*math.Pi*hours/periodHours) + jitterK*c.warmth.NormFloat64()
}

func (c *campaign) sunDistance(hours float64) float64 {
	key := c.p.Keywords.SunDistanceAU
	if key != nil && key.Key == "" {
		return defaultOf(key, scenarioSunAU)
	}
	return scenarioSunAU + scenarioRecession*hours
}

func (c *campaign) target(kind string) string {
	if kind == configs.KindScene {
		return scenarioTarget
	}
	return "none"
}

// mode is the first readout mode that the profile knows.
func mode(p *configs.Profile) string {
	word := p.Keywords.Mode
	switch {
	case word == nil:
		return ""
	case word.Key != "" && len(word.Words) > 0:
		return word.Words[0].Is
	case word.Default != "":
		return word.Default
	case word.Key == "":
		return ""
	}
	return "normal"
}

func (c *campaign) biases() {
	if !c.has(configs.KindBias) {
		return
	}
	for range c.count(20) {
		c.add(configs.KindBias, c.referenceK(), Exposure{}, nil)
	}
}

// darks plans three runs, colder, at, and warmer than T0, with the hours that
// the detector needs to settle between them.
func (c *campaign) darks() {
	if !c.has(configs.KindDark) {
		return
	}
	for _, fromReferenceK := range [...]float64{-6, 0, 6} {
		for _, exposureS := range [...]float64{5, 15, 40} {
			for range c.count(6) {
				c.add(configs.KindDark, c.referenceK()+fromReferenceK, Exposure{ExposureS: exposureS}, nil)
			}
		}
		c.pause(90 * time.Minute)
	}
}

// flats plans flats at 60 percent of full well. The lamp is not steady: it
// varies by 1 percent from frame to frame. Where one frame takes all bands,
// the brightest has that level.
func (c *campaign) flats() {
	if !c.has(configs.KindFlat) {
		return
	}
	for _, band := range c.lampBands() {
		for range c.count(10) {
			lamp := c.fullE / lampFillS * (1 + 0.01*c.lamp.NormFloat64())
			c.add(configs.KindFlat, c.referenceK(), Exposure{Band: band, ExposureS: 0.6 * lampFillS, LampRate: lamp}, nil)
		}
		c.pause(10 * time.Minute)
	}
}

// lampBands names the bands in which flats are taken; empty: all at once.
func (c *campaign) lampBands() []string {
	if c.all {
		return []string{""}
	}
	names := make([]string, len(c.p.Bands))
	for b := range c.p.Bands {
		names[b] = c.p.Bands[b].Name
	}
	return names
}

func (c *campaign) ladder() { c.lampSteps(ladderLevels[:], 4) }

// lampSteps plans so many ladder frames at each of the levels.
func (c *campaign) lampSteps(levels []float64, frames int) {
	if !c.has(configs.KindLadder) {
		return
	}
	band := ladderBand(c.p)
	if c.all {
		band = ""
	}
	for _, level := range levels {
		for range frames {
			c.add(configs.KindLadder, c.referenceK(), Exposure{
				Band: band, ExposureS: level * lampFillS, LampRate: c.fullE / lampFillS,
			}, nil)
		}
	}
}

// ladderBand is green where there is one, otherwise the middle one.
func ladderBand(p *configs.Profile) string {
	for i := range p.Bands {
		if p.Bands[i].Name == "green" {
			return "green"
		}
	}
	return p.Bands[len(p.Bands)/2].Name
}

func (c *campaign) scenes() {
	switch {
	case !c.has(configs.KindScene):
		return
	case c.all:
		c.scenesInAllBands()
	default:
		c.scenesBandByBand()
	}
	if c.p.Motion != nil {
		c.strip()
	}
	if c.p.Stereo != nil {
		c.pairs()
	}
	if c.opt.Sequence {
		c.sequences()
	}
}

func (c *campaign) scenesBandByBand() {
	rampS := c.rampExposureS()
	for i := range c.p.Bands {
		band := c.p.Bands[i]
		ramp := c.fullE / (responsivity(c.p, band.Name) * rampS)
		c.look(Exposure{Band: band.Name, ExposureS: rampS}, Ramp((0.9-smearAt(c.p, rampS))*ramp))
		white := whiteRadiance(c.p, band)
		exposureS := moonExposureS(c.fullE, responsivity(c.p, band.Name)*white)
		c.look(Exposure{Band: band.Name, ExposureS: exposureS}, Tessaly(c.opt.Seed, band, white))
		c.pause(5 * time.Minute)
	}
	band := ladderBand(c.p)
	glintS := min(1, rampS)
	full := c.fullE / (responsivity(c.p, band) * glintS)
	c.look(Exposure{Band: band, ExposureS: glintS}, Glint(0.3*full, 4*full))
}

// scenesInAllBands plans the scenes of a camera that takes all bands at once.
// The exposures suit the brightest band and the row that is exposed longest.
func (c *campaign) scenesInAllBands() {
	n := len(c.p.Bands)
	delayS := lastRowDelayS(c.p)
	whites := whiteRadiances(c.p)
	rate := c.brightestRate(whites)
	grey, peaks := make([]Scene, n), make([]float64, n)
	moon, glint := make([]Scene, n), make([]Scene, n)
	for b, band := range c.p.Bands {
		full := c.fullE / responsivity(c.p, band.Name)
		grey[b] = Ramp(0.9 * whites[b] * c.fullE / (rate * (rampExposureS + delayS)))
		peaks[b] = 0.9 * full / (rampExposureS + delayS)
		moon[b] = Tessaly(c.opt.Seed, band, whites[b])
		glint[b] = Glint(0.3*full, 4*full)
	}
	whiteS := whiteExposureS(c.fullE, rate, delayS)
	c.lookAtAll(rampExposureS, EachBand(grey))
	c.lookAtAll(rampExposureS, ColourRamp(peaks))
	c.lookAtAll(whiteS, EachBand(moon))
	c.lookAtAll(whiteS, GreyWedge(whites))
	c.lookAtAll(1, EachBand(glint))
	c.pause(5 * time.Minute)
}

// rampExposureS is the exposure time of a ramp. Where the image smears, it is
// so short, in whole milliseconds, that a shift of all rows takes 4 percent of
// it.
func (c *campaign) rampExposureS() float64 {
	shortest := rampExposureS
	for i := range c.p.Detectors {
		if d := &c.p.Detectors[i]; d.Smear != nil {
			shortest = min(shortest, max(math.Round(1e3*25*shiftS(d)), 1)/1e3)
		}
	}
	return shortest
}

// shiftS is the time in which charge passes all of the image.
func shiftS(d *configs.Detector) float64 {
	return d.Smear.RowS * float64(d.Image.Rows[1]-d.Image.Rows[0]+1)
}

// smearAt is the most that smear adds to an even scene, relative.
func smearAt(p *configs.Profile, exposureS float64) float64 {
	most := 0.0
	for i := range p.Detectors {
		if d := &p.Detectors[i]; d.Smear != nil {
			most = max(most, shiftS(d)/exposureS)
		}
	}
	return most
}

// lastRowDelayS is by how much the row that ends last is exposed longer than
// the first.
func lastRowDelayS(p *configs.Profile) float64 {
	longest := 0.0
	for i := range p.Detectors {
		d := &p.Detectors[i]
		if r := d.Rolling; r != nil && r.Kind == configs.RollingReset {
			longest = max(longest, r.RowS*float64(d.Height-1))
		}
	}
	return longest
}

func whiteRadiances(p *configs.Profile) []float64 {
	whites := make([]float64, len(p.Bands))
	for b := range whites {
		whites[b] = whiteRadiance(p, p.Bands[b])
	}
	return whites
}

// brightestRate is the highest light rate, e-/s, of white in any band.
func (c *campaign) brightestRate(whites []float64) float64 {
	most := 0.0
	for b, white := range whites {
		most = max(most, responsivity(c.p, c.p.Bands[b].Name)*white)
	}
	return most
}

// whiteRadiance is L of a white Lambert surface that faces the Sun,
// E_b / (pi r^2); where the profile tells no irradiance, an invented one that
// gives 1e5 e-/s.
func whiteRadiance(p *configs.Profile, band configs.Band) float64 {
	if band.SolarIrradiance > 0 {
		return band.SolarIrradiance / (math.Pi * scenarioSunAU * scenarioSunAU)
	}
	return 1e5 / responsivity(p, band.Name)
}

// moonExposureS is the time, in whole milliseconds, in which a white surface
// would gather 85 percent of full well.
func moonExposureS(fullE, rate float64) float64 { return whiteExposureS(fullE, rate, 0) }

// whiteExposureS is the same where the row that ends last is exposed delayS
// longer.
func whiteExposureS(fullE, rate, delayS float64) float64 {
	return max(math.Floor(1e3*whiteLevel*fullE/rate-1e3*delayS), 1) / 1e3
}
