package pipeline

import (
	"fmt"
	"math"
	"slices"

	"evenlight/calib"
	"evenlight/configs"
)

// masterSet holds the masters of one frame; nil where none is needed.
type masterSet struct {
	bias, dark, flat, linearity, mask *loaded
}

// list returns the masters that are there, in the order of the stages.
func (m *masterSet) list() []*loaded {
	var out []*loaded
	for _, l := range []*loaded{m.bias, m.linearity, m.dark, m.flat, m.mask} {
		if l != nil {
			out = append(out, l)
		}
	}
	return out
}

// kindOfStage names the kind of master that a stage needs, "" for none.
func (in *Instrument) kindOfStage(stage string, detector int) string {
	switch stage {
	case configs.StageBias:
		return MasterBias
	case configs.StageLinearity:
		if in.Profile.Detectors[detector].Linearity.From == configs.LinearityLadder {
			return MasterLinearity
		}
	case configs.StageDark:
		return MasterDark
	case configs.StageFlat:
		return MasterFlat
	case configs.StageBadPixels:
		return MasterBadPixels
	}
	return ""
}

func (in *Instrument) limits(kind string) configs.Limits {
	s := in.Profile.Selection
	switch kind {
	case MasterBias:
		return s.Bias
	case MasterDark:
		return s.Dark
	case MasterFlat:
		return s.Flat
	case MasterLinearity:
		return s.Linearity
	}
	return s.BadPixels
}

// StageList tells for each stage, in the order of acting, whether it is on.
type StageList struct {
	Name   string `json:"name"`
	On     bool   `json:"on"`
	Master string `json:"master,omitempty"` // kind of master that it needs
	Does   string `json:"does"`
}

// Stages lists the stages that a detector's frames have, on or off.
func (in *Instrument) Stages(detector int) []StageList {
	does := map[string]string{
		configs.StageFrame:      "marks samples that never arrived; starts the variance with the quantisation's",
		configs.StageDecompand:  "turns transmitted codes into DN",
		configs.StageResidual:   "takes off what the target kept of the frame before",
		configs.StageSmear:      "takes off the charge that was gathered while the image was shifted",
		configs.StagePace:       "marks frames of a line scanner that is out of pace with the ground",
		configs.StageSaturation: "marks samples at saturation",
		configs.StageOffset:     "takes off the electronic offset of each row",
		configs.StageBias:       "takes off the fixed pattern of the offset",
		configs.StageLinearity:  "straightens the response of each amplifier",
		configs.StageGain:       "turns DN into electrons and adds the read noise",
		configs.StageDark:       "takes off the dark current, scaled by time and temperature",
		configs.StageFlat:       "divides by the flat field of the band",
		configs.StageNoise:      "adds the shot noise, estimated from the neighbours",
		configs.StageRadiance:   "turns electrons into the product's quantity",
		configs.StageBadPixels:  "marks bad pixels",
		configs.StageHits:       "marks hits of cosmic rays, which are sharper than the optics",
		configs.StageFill:       "fills in pixels without a measurement from their neighbours",
	}
	var out []StageList
	for _, name := range configs.Stages() {
		if !in.hasStage(name, detector) {
			continue
		}
		s := StageList{Name: name, On: in.stageOn(name, detector), Does: does[name]}
		if s.On {
			s.Master = in.kindOfStage(name, detector)
		}
		out = append(out, s)
	}
	return out
}

// hasStage tells whether a detector is of a kind that a stage serves.
func (in *Instrument) hasStage(name string, detector int) bool {
	d := &in.Profile.Detectors[detector]
	switch name {
	case configs.StageDecompand:
		return d.Decompanding != nil
	case configs.StageResidual:
		return d.Residual != nil
	case configs.StageSmear:
		return d.Smear != nil
	case configs.StagePace:
		return d.LineScan != nil
	case configs.StageRadiance:
		return !in.isLayer(d.Name) // layers are separated first
	case configs.StageHits:
		return d.Hits != nil
	case configs.StageFill:
		return d.Fill != nil
	}
	return true
}

func (in *Instrument) stageOn(name string, detector int) bool {
	if name == configs.StageLinearity && in.Profile.Detectors[detector].Linearity.From == configs.LinearityNone {
		return false
	}
	return in.hasStage(name, detector) && in.Profile.StageOn(name)
}

// neededMasters returns the kinds of master that the stages up to and
// including the named one need.
func (in *Instrument) neededMasters(through string, detector int) []string {
	var out []string
	for _, name := range configs.Stages() {
		if in.stageOn(name, detector) {
			if k := in.kindOfStage(name, detector); k != "" {
				out = append(out, k)
			}
		}
		if name == through {
			break
		}
	}
	return out
}

// need is what the choice of masters looks at in a frame, but for the kind.
func (in *Instrument) need(f *Frame) Need {
	return Need{Instrument: in.Profile.Instrument, Detector: in.Profile.Detectors[f.Detector].Name,
		Mode: f.Info.Mode, Band: f.Info.Band, Time: f.Info.Time, TempK: f.Info.TempK}
}

// selectMasters finds and loads the masters that a frame needs.
func (in *Instrument) selectMasters(f *Frame, through string, lib *Library, cache *masterCache) (*masterSet, error) {
	s := f.sensor
	set := &masterSet{}
	need := in.need(f)
	for _, kind := range in.neededMasters(through, f.Detector) {
		need.Kind = kind
		m, err := lib.Select(need, in.limits(kind))
		if err != nil {
			return nil, err
		}
		l, err := cache.get(m, s)
		if err != nil {
			return nil, fmt.Errorf("master %s cannot be used: %w", m.Name(), err)
		}
		if (kind == MasterBias || kind == MasterDark) && l.masked == nil && in.readsMaskedRows(f.Detector) {
			return nil, fmt.Errorf("master %s has no levels of masked rows: it was made with another profile; make the masters again", m.Name())
		}
		switch kind {
		case MasterBias:
			set.bias = l
		case MasterDark:
			set.dark = l
		case MasterFlat:
			set.flat = l
		case MasterLinearity:
			if l.zones == nil && len(l.curves) != len(s.Amps) {
				return nil, fmt.Errorf("master %s has %d amplifiers and the profile has %d: it was made with another profile", m.Name(), len(l.curves), len(s.Amps))
			}
			set.linearity = l
		case MasterBadPixels:
			set.mask = l
		}
	}
	return set, nil
}

// plan is everything that the stages of one frame are made from.
type plan struct {
	in      *Instrument
	frame   *Frame
	sensor  *calib.Sensor
	traces  []calib.OffsetTrace
	masters *masterSet
	curves  []calib.Polynomial
	maxDN   []float64
	ht      float64 // h(T) t_d, s; of the first row where rows differ

	// Where rows are exposed for different times; else nil.
	rowHT     []float32 // h(T) t_d of each row
	rowFactor []float32 // exposure time of the first row over that of each row

	smear    *calib.SmearStage    // nil: none, or not solved yet
	residual *calib.ResidualStage // nil: none
	before   []Input              // what the residual image that was taken off was made from
	// residualErr says why the frame before could not be used.
	residualErr error
}

// newPlan gathers what the stages of a frame need.
func (in *Instrument) newPlan(f *Frame, traces []calib.OffsetTrace, m *masterSet) *plan {
	d := &in.Profile.Detectors[f.Detector]
	p := &plan{in: in, frame: f, sensor: f.sensor, traces: traces, masters: m}
	p.curves, p.maxDN = make([]calib.Polynomial, len(d.Amplifiers)), make([]float64, len(d.Amplifiers))
	if in.stageOn(configs.StageLinearity, f.Detector) {
		for a, amp := range d.Amplifiers {
			switch {
			case m.linearity != nil && m.linearity.zones != nil:
				p.curves[a], p.maxDN[a] = m.linearity.zones.Mean(), slices.Max(m.linearity.zones.MaxDN)
			case m.linearity != nil:
				p.curves[a], p.maxDN[a] = m.linearity.curves[a], m.linearity.maxDN[a]
			case d.Linearity.From == configs.LinearityProfile:
				p.curves[a], p.maxDN[a] = calib.Polynomial{amp.C2, amp.C3}, d.Linearity.MaxDN
			}
		}
	}
	p.addWander()
	h := hAt(darkLaw(d), f.Info.TempK)
	p.ht = h * (f.Info.ExposureS + f.Info.WaitS)
	if delay := in.rowDelay(f.Detector); delay != nil {
		p.rowHT, p.rowFactor = make([]float32, len(delay)), make([]float32, len(delay))
		for y, later := range delay {
			p.rowHT[y] = float32(h * (f.Info.ExposureS + later + f.Info.WaitS))
			p.rowFactor[y] = float32(f.Info.ExposureS / (f.Info.ExposureS + later))
		}
	}
	return p
}

// addWander adds to the variance of the offsets what they wander besides the
// pattern that the master bias takes off.
func (p *plan) addWander() {
	for a := range p.traces {
		var pattern *calib.RowPattern
		if b := p.masters.bias; b != nil && !p.sensor.LineScan { // lines have no pattern in common
			if pattern = b.rows[a]; pattern == nil {
				continue // the bias does not tell, and so nothing is known
			}
		}
		p.traces[a].AddWander(p.sensor, a, pattern)
	}
}

// rowDelay returns by how much longer each image row is exposed than the
// first one of the detector; nil where all are exposed alike.
func (in *Instrument) rowDelay(detector int) []float64 {
	d := &in.Profile.Detectors[detector]
	if d.Rolling == nil || d.Rolling.Kind != configs.RollingReset {
		return nil
	}
	im := region(d.Image)
	delay := make([]float64, im.Height())
	for y := range delay {
		after := y + im.Y0
		if d.Rolling.First == configs.LastRow {
			after = d.Height - 1 - after
		}
		delay[y] = float64(after) * d.Rolling.RowS
	}
	return delay
}

// local makes the stages before the noise, up to and including the named one.
func (p *plan) local(through string) ([]calib.Stage, error) {
	var out []calib.Stage
	for _, name := range configs.Stages() {
		if name == configs.StageNoise {
			break
		}
		if p.in.stageOn(name, p.frame.Detector) {
			s, err := p.stage(name)
			if err != nil {
				return nil, err
			}
			out = append(out, s)
		}
		if name == through {
			break
		}
	}
	return out, nil
}

// stage makes one stage. This is the one place where a stage's name meets its
// code.
func (p *plan) stage(name string) (calib.Stage, error) {
	d := &p.in.Profile.Detectors[p.frame.Detector]
	s := p.sensor
	switch name {
	case configs.StageFrame:
		return calib.FrameStage{CeilingDN: s.CeilingCode(), FillDN: s.FillDN}, nil
	case configs.StageDecompand:
		return calib.NewDecompandStage(s.Codes), nil
	case configs.StageSaturation:
		return p.saturation()
	case configs.StageOffset:
		return calib.OffsetStage{Rule: s.Offset, Traces: p.traces}, nil
	case configs.StageBias:
		return calib.BiasStage{Master: p.masters.bias.plane, VarFactor: p.biasFactor()}, nil
	case configs.StageLinearity:
		if l := p.masters.linearity; l != nil && l.zones != nil {
			return calib.ZoneLinearityStage{Zones: l.zones}, nil
		}
		return calib.LinearityStage{Curves: p.curves, MaxDN: p.maxDN}, nil
	case configs.StageGain:
		return calib.GainStage{Amps: s.Amps}, nil
	case configs.StageDark:
		return calib.DarkStage{Master: p.masters.dark.plane, HT: p.ht, RowHT: p.rowHT, Law: darkLaw(d),
			TempK: p.frame.Info.TempK, TimeS: p.frame.Info.ExposureS + p.frame.Info.WaitS}, nil
	case configs.StageFlat:
		return calib.FlatStage{Flat: p.masters.flat.flat}, nil
	case configs.StageResidual:
		return *p.residual, nil
	case configs.StageSmear:
		return *p.smear, nil
	case configs.StageRadiance:
		lights, err := p.lights()
		if err != nil {
			return nil, err
		}
		if p.in.Profile.Output.Quantity == configs.Electrons {
			return calib.NewLightStage(lights, nil, nil), nil
		}
		return calib.NewLightStage(lights, s.Map, p.rowFactor), nil
	case configs.StagePace:
		return calib.PaceStage{SmearPixels: p.lineSmear(), LimitPixels: d.LineScan.MaxSmearPixels}, nil
	case configs.StageBadPixels:
		return calib.BadPixelStage{Mask: p.masters.mask.mask}, nil
	}
	return nil, fmt.Errorf("stage %q is not known", name)
}

// zeroDN is the raw level of an amplifier without signal.
func (p *plan) zeroDN(a int) float64 {
	level := p.traces[a].Level
	if level != level {
		level = 0
	}
	if b := p.masters.bias; b != nil {
		level += b.means[a]
	}
	return level
}

// noResidual is the residual stage of a frame with none before it, nil where
// the camera has no such stage.
func (p *plan) noResidual() *calib.ResidualStage {
	if !p.in.stageOn(configs.StageResidual, p.frame.Detector) {
		return nil
	}
	return &calib.ResidualStage{Fraction: p.in.Profile.Detectors[p.frame.Detector].Residual.Fraction}
}

// biasFactor returns what the variance of the bias counts with.
func (p *plan) biasFactor() float64 {
	d := p.masters.dark
	if d == nil {
		return 1
	}
	return calib.BiasVarianceFactor(d.BiasKappa, p.ht, d.BiasSHA256 == p.masters.bias.SHA256)
}

// saturation finds the raw level at which each amplifier saturates in this
// frame.
func (p *plan) saturation() (calib.Stage, error) {
	levels := make([]float64, len(p.sensor.Amps))
	for a := range levels {
		offset := 0.0
		if t := p.traces[a]; len(t.DN) > 0 {
			lowest := math.Inf(1)
			for _, v := range t.DN {
				if v == v {
					lowest = min(lowest, float64(v))
				}
			}
			if !math.IsInf(lowest, 1) {
				offset = lowest
			}
		}
		if b := p.masters.bias; b != nil {
			offset += b.means[a]
		}
		levels[a] = p.saturationLevel(a, offset)
		if math.IsNaN(levels[a]) {
			return nil, fmt.Errorf("the linearity curve of amplifier %s does not reach full well: correct full_well_e or the curve", p.sensor.Amps[a].Name)
		}
	}
	return calib.SaturationStage{LevelDN: levels, CloseDN: p.closeDN(levels)}, nil
}

// zone returns the charge at which each amplifier saturates at the given raw
// levels.
func (p *plan) zone(levels []float64) *calib.SaturationZone {
	z := &calib.SaturationZone{}
	for a, level := range levels {
		z.LimitE = append(z.LimitE, p.sensor.Amps[a].GainEPerDN*p.curves[a].At(level-p.zeroDN(a)))
	}
	return z
}

// closeDN returns the raw levels from which on saturation cuts noise; the curve
// counts as straight over so short a way.
func (p *plan) closeDN(levels []float64) []float64 {
	z := p.zone(levels)
	out := make([]float64, len(levels))
	for a, amp := range p.sensor.Amps {
		base, slope := p.sensor.Quantisation(p.zeroDN(a))
		rounding := amp.GainEPerDN * amp.GainEPerDN * (base + slope*levels[a])
		out[a] = levels[a] - (z.LimitE[a]-z.CloseTo(a, amp.ReadNoiseE*amp.ReadNoiseE+rounding))/amp.GainEPerDN
	}
	return out
}

// saturationLevel returns the raw level at which an amplifier saturates; where
// its curve varies over the detector, the lowest.
func (p *plan) saturationLevel(a int, offset float64) float64 {
	l := p.masters.linearity
	if l == nil || l.zones == nil {
		return p.sensor.SaturationLevel(a, offset, p.curves[a])
	}
	lowest := math.Inf(1)
	for _, curve := range l.zones.Curves {
		lowest = min(lowest, p.sensor.SaturationLevel(a, offset, curve)) // NaN stays
	}
	return lowest
}

// lineSmear is the motion of the ground against a line scanner's charge, in
// pixels; NaN where the header does not tell.
func (p *plan) lineSmear() float64 {
	i := p.frame.Info
	return calib.LineSmearPixels(i.LineTimeS, i.GroundSpeedMS, i.FootprintM, i.ChargeStages)
}

// lights returns what turns electrons into the product's quantity: for each
// band of the profile where pixels see different ones, else for the frame's.
func (p *plan) lights() ([]calib.Light, error) {
	if p.sensor.Map == nil {
		l, err := p.light(p.in.band(p.frame.Info.Band))
		return []calib.Light{l}, err
	}
	var out []calib.Light
	for i := range p.in.Profile.Bands {
		l, err := p.light(&p.in.Profile.Bands[i])
		if err != nil {
			return nil, err
		}
		out = append(out, l)
	}
	return out, nil
}

// unit is the unit of the product.
func (p *plan) unit() (string, error) {
	if p.in.isLayer(p.in.Profile.Detectors[p.frame.Detector].Name) {
		return calib.ElectronLight().Unit, nil
	}
	l, err := p.lights()
	if err != nil {
		return "", err
	}
	return l[0].Unit, nil
}

// light returns what turns electrons into the product's quantity in one band.
// On-chip binning of a line scanner adds up columns; its lines are as long as
// their line time says.
func (p *plan) light(b *configs.Band) (calib.Light, error) {
	info, quantity := p.frame.Info, p.in.Profile.Output.Quantity
	if quantity == configs.Electrons {
		return calib.ElectronLight(), nil
	}
	if !(info.ExposureS > 0) {
		return calib.Light{}, fmt.Errorf("an exposure time of %g s gives no %s: set output.quantity to electrons, or mark such frames as another kind", info.ExposureS, quantity)
	}
	k := b.Responsivity * float64(max(1, info.Binning))
	if quantity == configs.Radiance {
		return calib.RadianceLight(k, info.ExposureS), nil
	}
	if !(info.SunDistanceAU > 0) {
		return calib.Light{}, fmt.Errorf("reflectance needs the distance to the Sun: see keywords.sun_distance_au in the profile")
	}
	return calib.ReflectanceLight(k, info.ExposureS, b.SolarIrradiance, info.SunDistanceAU), nil
}

// chain makes the chain of a scene frame: every stage that is on.
func (p *plan) chain() (*calib.Chain, error) {
	before, err := p.local(configs.StageNoise)
	if err != nil {
		return nil, err
	}
	n := &calib.Noise{HT: p.ht, RowHT: p.rowHT, Map: p.sensor.Map, FloorE2: math.Inf(1)}
	top := 0.0
	for i, a := range p.sensor.Amps {
		rounding, _ := p.sensor.Quantisation(p.zeroDN(i))
		n.FloorE2 = min(n.FloorE2, a.ReadNoiseE*a.ReadNoiseE+a.GainEPerDN*a.GainEPerDN*rounding)
		top = max(top, a.GainEPerDN*p.sensor.CeilingDN)
	}
	n.Steps = calib.NoiseSteps(top)
	if p.masters.flat != nil {
		n.Flat = p.masters.flat.flat
	}
	if p.masters.dark != nil {
		n.Dark = p.masters.dark.charge
		n.FloorE2 += max(0, p.masters.dark.typicalEPerS) * p.ht
	}
	if p.masters.mask != nil {
		n.Mask = p.masters.mask.mask
	}
	var after []calib.Stage
	for _, name := range []string{configs.StageRadiance, configs.StageBadPixels, configs.StagePace} {
		if !p.in.stageOn(name, p.frame.Detector) {
			continue
		}
		s, err := p.stage(name)
		if err != nil {
			return nil, err
		}
		after = append(after, s)
	}
	c := calib.NewChain(p.sensor, before, n, after)
	for _, st := range before {
		if sat, ok := st.(calib.SaturationStage); ok {
			c.Zone = p.zone(sat.LevelDN)
		}
	}
	return c, nil
}

// systematic lists the uncertainties that are common to the frame.
func (p *plan) systematic() []Term {
	d := &p.in.Profile.Detectors[p.frame.Detector]
	var gain, linearity float64
	for _, amp := range d.Amplifiers {
		gain = max(gain, amp.GainRelUncert)
	}
	if l := p.masters.linearity; l != nil {
		linearity = slices.Max(l.relUncert)
		if l.zones != nil {
			linearity = math.Hypot(linearity, l.zones.Uncertainty())
		}
	}
	terms := []Term{{"gain", gain}}
	if p.masters.linearity != nil {
		terms = append(terms, Term{"linearity", linearity})
	}
	if p.masters.dark != nil && !math.IsNaN(p.frame.Info.TempK) {
		// Relative to the dark charge, not to the signal.
		terms = append(terms, Term{termDarkLaw, p.darkLawUncertainty()})
	}
	if p.masters.flat != nil {
		terms = append(terms, Term{"flat normalisation", p.masters.flat.Normalisation})
	}
	if d.Residual != nil && p.residual != nil && p.residual.Before != nil {
		// Relative to the residual image, not to the signal.
		terms = append(terms, Term{termResidual, d.Residual.FractionRelUncert})
	}
	if !p.in.isLayer(d.Name) {
		terms = append(terms, p.lightTerms()...)
	}
	return terms
}

// darkLawUncertainty is that of the dark charge from the law's parameter; a
// master that does not tell the temperature of its frames counts as one at T0.
func (p *plan) darkLawUncertainty() float64 {
	law := darkLaw(&p.in.Profile.Detectors[p.frame.Detector])
	from := p.masters.dark.EffectiveK
	if !(from > 0) {
		from = law.ReferenceK
	}
	return law.RelativeUncertainty(p.frame.Info.TempK, from)
}

// lightTerms lists the uncertainties of what turns electrons into the
// product's quantity.
func (p *plan) lightTerms() []Term {
	q := p.in.Profile.Output.Quantity
	if q == configs.Electrons {
		return nil
	}
	k, sun := p.bandUncertainty()
	terms := []Term{{"responsivity", k}}
	if q == configs.Reflectance {
		// I/F goes with the square of the distance (JCGM 100:2008, 5.1).
		terms = append(terms, Term{"solar irradiance", sun},
			Term{"distance to the Sun", 2 * p.in.Profile.Output.SunDistanceRelUncert})
	}
	return terms
}

// bandUncertainty returns the relative uncertainties of responsivity and solar
// irradiance: of the frame's band, or the largest of the bands that it sees.
func (p *plan) bandUncertainty() (responsivity, irradiance float64) {
	if p.sensor.Map == nil && !p.in.Profile.ManyBands() {
		b := p.in.band(p.frame.Info.Band)
		return b.ResponsivityRelUncert, b.SolarIrradianceRelUncert
	}
	for _, b := range p.in.Profile.Bands {
		responsivity, irradiance = max(responsivity, b.ResponsivityRelUncert), max(irradiance, b.SolarIrradianceRelUncert)
	}
	return responsivity, irradiance
}

// readsMaskedRows tells whether a detector's smear is measured in masked rows.
func (in *Instrument) readsMaskedRows(detector int) bool {
	s := in.Profile.Detectors[detector].Smear
	return s != nil && s.MaskedRows != nil && in.stageOn(configs.StageSmear, detector)
}

// isLayer tells whether a detector is one of stacked photodiodes' layers.
func (in *Instrument) isLayer(detector string) bool {
	return in.Profile.Stack != nil && slices.Contains(in.Profile.Stack.Layers, detector)
}
