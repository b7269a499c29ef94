package pipeline

import (
	"fmt"
	"math"
	"slices"
	"sync"

	"evenlight/calib"
	"evenlight/configs"
)

// region turns a profile's region (from 1, ends included) into one that
// counts from zero and is half open.
func region(r configs.Region) calib.Region {
	return calib.Region{X0: r.Columns[0] - 1, X1: r.Columns[1], Y0: r.Rows[0] - 1, Y1: r.Rows[1]}
}

// newSensor gives the stages what they need to know of a detector.
func newSensor(p *configs.Profile, d *configs.Detector) *calib.Sensor {
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
		LineScan: d.LineScan != nil,
	}
	if d.FillDN != nil {
		s.FillDN = *d.FillDN
	}
	if d.Decompanding != nil {
		dn, width := d.Decompanding.Table()
		s.Codes = &calib.CodeTable{DN: dn, Width: width}
		s.Codes.Unbias(codeNoise(d))
		s.CeilingDN = dn[len(dn)-1]
	}
	for _, a := range d.Amplifiers {
		amp := calib.Amplifier{Name: a.Name, Region: region(a.Region), GainEPerDN: a.GainEPerDN, ReadNoiseE: a.ReadNoiseE}
		if a.Overscan != nil {
			amp.Overscan = region(*a.Overscan)
		}
		s.Amps = append(s.Amps, amp)
	}
	s.Map = bandMap(p, d, s)
	return s
}

// bandMap tells which band each pixel of a detector's image sees; nil where
// all see the same.
func bandMap(p *configs.Profile, d *configs.Detector, s *calib.Sensor) *calib.BandMap {
	index := map[string]uint8{}
	for i, b := range p.Bands {
		index[b.Name] = uint8(i)
	}
	im := s.Image
	switch {
	case d.Mosaic != nil:
		cells := d.Mosaic.Pattern
		pattern := make([][]uint8, len(cells))
		for y := range cells {
			pattern[y] = make([]uint8, len(cells[0]))
			for x := range cells[0] {
				pattern[y][x] = index[cells[(y+im.Y0)%len(cells)][(x+im.X0)%len(cells[0])]]
			}
		}
		return calib.NewMosaicMap(im.Width(), im.Height(), pattern, len(p.Bands))
	case len(d.Strips) > 0:
		rows := slices.Repeat([]uint8{calib.NoBand}, im.Height())
		for _, strip := range d.Strips {
			for y := max(strip.Rows[0]-1, im.Y0); y < min(strip.Rows[1], im.Y1); y++ {
				rows[y-im.Y0] = index[strip.Band]
			}
		}
		return calib.NewStripMap(im.Width(), rows, len(p.Bands))
	}
	return nil
}

// lineSensor is the sensor of a line scanner's frame: the profile describes
// one line without binning.
func lineSensor(p *configs.Profile, d *configs.Detector, lines, binning int) (*calib.Sensor, error) {
	s := newSensor(p, d)
	for _, r := range lineRegions(s) {
		if r.X0%binning != 0 || r.X1%binning != 0 {
			return nil, fmt.Errorf("columns %d to %d of detector %s are not divided by the binning of %d: correct the region in the profile, or keywords.binning",
				r.X0+1, r.X1, d.Name, binning)
		}
		r.X0, r.X1, r.Y1 = r.X0/binning, r.X1/binning, lines
	}
	s.Width, s.Height = s.Width/binning, lines
	return s, nil
}

// lineRegions lists all regions of a sensor.
func lineRegions(s *calib.Sensor) []*calib.Region {
	out := []*calib.Region{&s.Image, &s.Reference}
	for i := range s.Amps {
		out = append(out, &s.Amps[i].Region)
		if !s.Amps[i].Overscan.Empty() {
			out = append(out, &s.Amps[i].Overscan)
		}
	}
	return out
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

	mu    sync.Mutex
	lines map[[3]int]*calib.Sensor // of line scanners, by detector, rows and binning
}

// NewInstrument prepares a profile for use.
func NewInstrument(p *configs.Profile) *Instrument {
	in := &Instrument{Profile: p, Hash: p.Hash()}
	for i := range p.Detectors {
		in.sensors = append(in.sensors, newSensor(p, &p.Detectors[i]))
	}
	return in
}

// sensorFor returns the sensor of a detector for a frame of so many rows and
// such binning; both matter for line scanners only.
func (in *Instrument) sensorFor(detector, rows, binning int) (*calib.Sensor, error) {
	d := &in.Profile.Detectors[detector]
	if d.LineScan == nil {
		return in.sensors[detector], nil
	}
	key := [3]int{detector, rows, binning}
	in.mu.Lock()
	defer in.mu.Unlock()
	if s := in.lines[key]; s != nil {
		return s, nil
	}
	s, err := lineSensor(in.Profile, d, rows, binning)
	if err != nil {
		return nil, err
	}
	if in.lines == nil || len(in.lines) >= maxLineSensors {
		in.lines = map[[3]int]*calib.Sensor{}
	}
	in.lines[key] = s
	return s, nil
}

// Check looks for what a profile asks and no calculation can give: layers that
// cannot be separated.
func (in *Instrument) Check() error {
	if in.Profile.Stack == nil {
		return nil
	}
	_, err := in.unmixer()
	return err
}

// unmixer separates the layers of stacked photodiodes.
func (in *Instrument) unmixer() (*calib.Unmixer, error) {
	p := in.Profile
	u, err := calib.NewUnmixer(p.Stack.Matrix, maxCondition)
	if err != nil {
		return nil, fmt.Errorf("stack.matrix of the profile: %w", err)
	}
	for i, gain := range u.NoiseGain {
		if gain > p.Stack.MaxAmplification {
			return nil, fmt.Errorf("stack.matrix of the profile: separating band %s would raise the noise %.2f times (limit %g): measure the matrix again, or raise stack.max_amplification",
				p.Bands[i].Name, gain, p.Stack.MaxAmplification)
		}
	}
	return u, nil
}

// maxLineSensors bounds the shapes of a line scanner's frames that are kept.
const maxLineSensors = 64

// band returns the profile's band of that name, the only one for "".
func (in *Instrument) band(name string) *configs.Band {
	for i := range in.Profile.Bands {
		if b := &in.Profile.Bands[i]; b.Name == name || name == "" {
			return b
		}
	}
	return nil
}

// codeNoise is the noise of a detector's samples before they become codes:
// the mean over its amplifiers.
func codeNoise(d *configs.Detector) calib.CodeNoise {
	var n calib.CodeNoise
	share := 1 / float64(len(d.Amplifiers))
	for _, a := range d.Amplifiers {
		n.ZeroDN += a.OffsetDN * share
		n.ReadDN += a.ReadNoiseE / a.GainEPerDN * share
		n.GainEPerDN += a.GainEPerDN * share
	}
	return n
}
