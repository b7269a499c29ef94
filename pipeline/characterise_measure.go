package pipeline

import (
	"cmp"
	"fmt"
	"slices"

	"evenlight/calib"
	"evenlight/calib/measure"
)

// sensorMeasuring is a set at work: what its frames tell while they are gone
// through.
type sensorMeasuring struct {
	*sensorSet
	opt      CharacteriseOptions
	pass     *framePass
	done     int
	total    int
	failures []error
	out      *Characterisation

	bias      *meanPlane       // nil without biases
	zero      []measure.Figure // by cell: level without charge, DN above offset
	zeroPairs []pairSet        // by cell: pairs of biases
	mask      []calib.Flags    // of the image
	darks     *darkPlanes      // nil without darks
	darkNoise []darkNoise      // by amplifier
	levels    []darkLevel      // of the runs, in their order
	slopes    []*cellSums      // by temperature: of the good pixels of darkPlanes.slope
	biasGood  *cellSums        // of the biases' mean over the good pixels
	lit       [][]litPair      // by cell: pairs of flats
	flats     []*flatResponse  // what the flats of one step gave, by band
	unsteady  bool             // the lamp of the ladder was

	nearHot, nearUnstable, nearDead, nearLow nearLimit
}

// pairSet gathers the temporal variances of pairs of one level.
type pairSet struct {
	variance []measure.Figure // DN^2, without the part of the offsets
	mean     []float64        // DN above offset
	offset   []float64        // variance of the pair's mean that the offsets bring, DN^2
	codesU   float64          // what rounding to codes leaves open of the variance, DN^2
}

// litPair is one pair of flats in one cell.
type litPair struct {
	step      *lampStep
	pair      measure.Pair
	variance  measure.Figure // without the part of the offsets, DN^2
	offsetDN2 float64        // variance that the offsets bring to the mean
	saturated float64        // share of the samples at the ceiling
	timeS     float64        // of the middle of the two, since the set's first frame
	stepDN    float64        // of the converter
	frames    []*calFrame
}

// darkLevel is one run of darks as it was gone through.
type darkLevel struct {
	run       *darkRun
	frames    int
	offsetDN2 []float64 // by cell: variance that the offsets bring to the mean, DN^2
	faint     []float64 // by cell: sum of what faint hits leave in, DN
}

// measure goes through the frames of a set and works out its figures.
func (s *sensorSet) measure(opt CharacteriseOptions) (*Characterisation, []error) {
	m := &sensorMeasuring{sensorSet: s, opt: opt, out: s.begin()}
	if s.sensor.LineScan {
		m.refuseLines()
		return m.end(), m.failures
	}
	s.sort()
	m.refuse()
	order := m.order()
	m.total = len(order)
	m.pass = s.in.newPass(s.detector, s.sensor, s.cells, order, opt.Workers)
	defer m.pass.close()
	m.mask = make([]calib.Flags, s.sensor.Image.Width()*s.sensor.Image.Height())
	m.takeBiases()
	m.takeDarks()
	m.takeLamps()
	m.judgeLamp()
	m.figures()
	return m.end(), m.failures
}

// begin fills in what does not need the pixels.
func (s *sensorSet) begin() *Characterisation {
	p := s.in.Profile
	c := &Characterisation{Format: CharacterisationFormat, What: whatCharacterisation, Software: Software, Version: Version,
		Instrument: p.Instrument, Detector: p.Detectors[s.detector].Name, Mode: s.mode, ProfileHash: s.in.Hash,
		Begin: s.all[0].Info.Time.UTC().Format(timeForm), End: s.all[len(s.all)-1].Info.Time.UTC().Format(timeForm),
		Inputs: []Input{}}
	for i, name := range s.cells.names {
		f := CellFigures{Name: name, Amplifier: s.sensor.Amps[s.cells.amps[i]].Name}
		if s.sensor.Map != nil {
			f.Band = p.Bands[i%s.sensor.Map.Bands].Name
		}
		c.Cells = append(c.Cells, f)
	}
	return c
}

// end closes the lists of findings and inputs.
func (m *sensorMeasuring) end() *Characterisation {
	c := m.out
	c.Findings = append([]SensorFinding{}, m.found.list...)
	c.NotMeasured = append([]NotMeasured{}, m.without...)
	seen := map[string]bool{}
	for _, f := range m.all {
		if f.SHA256 != "" && !seen[f.SHA256+f.Name()] {
			seen[f.SHA256+f.Name()] = true
			c.Inputs = append(c.Inputs, Input{roleRaw, f.Name(), f.SHA256})
		}
	}
	slices.SortFunc(c.Inputs, func(a, b Input) int {
		return cmp.Or(cmp.Compare(a.Name, b.Name), cmp.Compare(a.SHA256, b.SHA256))
	})
	return c
}

// cannot names a figure that is not measured.
func (m *sensorMeasuring) cannot(figure, why string) {
	m.without = append(m.without, NotMeasured{figure, why})
}

// cannotOnce is cannot for what several cells lack for one reason.
func (m *sensorMeasuring) cannotOnce(figure, why string) {
	if !slices.Contains(m.without, NotMeasured{figure, why}) {
		m.cannot(figure, why)
	}
}

// refuseLines says what a line scanner lacks.
func (m *sensorMeasuring) refuseLines() {
	m.cannot("photon transfer, read noise, linearity, dark current, DSNU, PRNU",
		"a line scanner's frames have no two exposures of one size and no zero exposure; its masters of dark and flat tell what its columns do")
}

// refuse names what this kind of sensor, or these frames, cannot give, and
// leaves the frames out that would be gone through for nothing.
func (m *sensorMeasuring) refuse() {
	if n := len(m.biases); n < 2 {
		m.cannot("level without charge, read noise from biases, DSNU, row and column patterns", fmt.Sprintf("%d frames without exposure, and two or more are needed", n))
	}
	if m.in.Profile.Detectors[m.detector].Residual != nil && len(m.lamps) > 0 {
		m.lamps = nil
		m.cannot("photon transfer, linearity, PRNU, dead pixels", "the target keeps part of each frame for the next, so that two flats are not two exposures")
	}
	if len(m.biases) < 2 && len(m.lamps)+len(m.runs) > 0 {
		m.lamps, m.runs = nil, nil
		m.cannot("photon transfer, linearity, PRNU, dark current", "signals are counted from the level without charge, which is not known")
	}
}
