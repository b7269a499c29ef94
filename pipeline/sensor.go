package pipeline

import (
	"math"

	"evenlight/calib"
	"evenlight/configs"
)

// region turns a profile's region (from 1, ends included) into one that
// counts from zero and is half open.
func region(r configs.Region) calib.Region {
	return calib.Region{X0: r.Columns[0] - 1, X1: r.Columns[1], Y0: r.Rows[0] - 1, Y1: r.Rows[1]}
}

// newSensor gives the stages what they need to know of a detector.
func newSensor(d *configs.Detector) *calib.Sensor {
	s := &calib.Sensor{
		Width: d.Width, Height: d.Height,
		Image: region(d.Image), Reference: region(d.Reference),
		CeilingDN: math.Ldexp(1, d.ADCBits) - 1, FillDN: math.NaN(),
		Offset: calib.OffsetRule{
			FromOverscan: d.Offset.From == configs.OffsetOverscan,
			SmoothRows:   d.Offset.SmoothRows,
			RejectSigma:  d.Offset.RejectSigma,
		},
		FullWellE: d.Saturation.FullWellE, MarginSigma: d.Saturation.MarginSigma,
		LevelDN: d.Saturation.LevelDN, GrowPixels: d.Saturation.GrowPixels,
	}
	if d.FillDN != nil {
		s.FillDN = *d.FillDN
	}
	for _, a := range d.Amplifiers {
		amp := calib.Amplifier{Name: a.Name, Region: region(a.Region), GainEPerDN: a.GainEPerDN, ReadNoiseE: a.ReadNoiseE}
		if a.Overscan != nil {
			amp.Overscan = region(*a.Overscan)
		}
		s.Amps = append(s.Amps, amp)
	}
	return s
}

// darkLaw returns the detector's h(T).
func darkLaw(d *configs.Detector) calib.DarkLaw {
	return calib.DarkLaw{
		Kind: d.Dark.Law, ReferenceK: d.Dark.ReferenceK, IntervalK: d.Dark.IntervalK,
		EnergyEV: d.Dark.EnergyEV, RelUncert: d.Dark.LawRelUncert,
	}
}

// hAt returns h(T), with 1 where the camera reports no temperature: the
// profile allows that only for a constant law.
func hAt(law calib.DarkLaw, tempK float64) float64 {
	if math.IsNaN(tempK) {
		return 1
	}
	return law.At(tempK)
}

// Instrument is a profile made ready: one sensor for each of its detectors.
type Instrument struct {
	Profile *configs.Profile
	Hash    string // of the canonical profile, SHA-256
	sensors []*calib.Sensor
}

// NewInstrument prepares a profile for use.
func NewInstrument(p *configs.Profile) *Instrument {
	in := &Instrument{Profile: p, Hash: p.Hash()}
	for i := range p.Detectors {
		in.sensors = append(in.sensors, newSensor(&p.Detectors[i]))
	}
	return in
}

// band returns the profile's band of that name, the only one for "".
func (in *Instrument) band(name string) *configs.Band {
	for i := range in.Profile.Bands {
		if b := &in.Profile.Bands[i]; b.Name == name || name == "" {
			return b
		}
	}
	return nil
}
