package demo

import (
	"cmp"
	"fmt"
	"math"
	"path/filepath"
	"strings"

	"evenlight/pipeline"
	"evenlight/pipeline/simulate"
)

// Sensor holds what the calibration frames tell of the camera's detectors
// against what the simulator knows of them.
type Sensor struct {
	Detectors []SensorFigures    `json:"detectors"`
	Failures  []pipeline.Failure `json:"failures"` // what cannot be measured at all, and why
	// Pulls are those of all figures that have one. Figures of one detector
	// share frames and pixels, so they are not all independent.
	Pulls Pulls `json:"pulls"`
}

// SensorFigures are those of one detector in one mode.
type SensorFigures struct {
	Detector    string                   `json:"detector"`
	Mode        string                   `json:"mode,omitempty"`
	Figures     []SensorFigure           `json:"figures"`
	Findings    []pipeline.SensorFinding `json:"findings"`
	NotMeasured []pipeline.NotMeasured   `json:"not_measured"`
}

// SensorFigure is a figure beside its truth.
type SensorFigure struct {
	Of    string  `json:"of,omitempty"` // amplifier, and band where it sees several; empty: the detector
	Name  string  `json:"name"`         // with the unit
	Value float64 `json:"value"`
	U     float64 `json:"u"`
	Bound string  `json:"bound,omitempty"` // "at least" or "at most" where Value is only a limit
	True  float64 `json:"true"`
	// TrueTo is the upper end where the truth is known as a range only.
	TrueTo *float64 `json:"true_to,omitempty"`
	// Pull is (Value - True)/U; absent for a limit and for numbers of pixels.
	Pull *float64 `json:"pull,omitempty"`
}

// characterise measures the sensor from the campaign's calibration frames, in
// a folder of its own, and compares it with the truth.
func characterise(in *pipeline.Instrument, files []string, opt Options) (*Sensor, error) {
	made, err := pipeline.Characterise(in, files, pipeline.CharacteriseOptions{
		OutDir: filepath.Join(opt.Dir, SensorDir), Workers: opt.Workers, Log: opt.Log, Progress: opt.Progress})
	if err != nil {
		return nil, err
	}
	truth, err := loadSensorTruth(filepath.Join(opt.Dir, TruthDir), in.Profile)
	if err != nil {
		return nil, err
	}
	s := &Sensor{Failures: made.Failures}
	for _, c := range made.Made {
		t, err := truth.of(c.Detector)
		if err != nil {
			return nil, err
		}
		s.Detectors = append(s.Detectors, t.compare(c))
	}
	for i := range s.Detectors {
		for _, f := range s.Detectors[i].Figures {
			if f.Pull != nil {
				s.Pulls.add(*f.Pull)
			}
		}
	}
	s.Pulls.finish()
	return s, nil
}

// compare puts the figures of a characterisation beside the truth.
func (t *detectorTruth) compare(c *pipeline.Characterisation) SensorFigures {
	out := SensorFigures{Detector: c.Detector, Mode: c.Mode, Findings: c.Findings, NotMeasured: c.NotMeasured}
	for i := range c.Cells {
		out.Figures = append(out.Figures, t.cell(&c.Cells[i])...)
	}
	out.Figures = append(out.Figures, t.badPixels(c.BadPixels)...)
	return out
}

// beside adds a figure with its truth to a list, if it was measured.
func beside(list []SensorFigure, of, name string, m *pipeline.SensorFigure, truth float64) []SensorFigure {
	if m == nil || math.IsNaN(truth) {
		return list
	}
	f := SensorFigure{Of: of, Name: name, Value: m.Value, U: m.U, Bound: m.Bound, True: truth}
	if m.Bound == "" && m.U > 0 {
		pull := (m.Value - truth) / m.U
		f.Pull = &pull
	}
	return append(list, f)
}

// cell compares the figures of an amplifier, or of a band of it.
func (t *detectorTruth) cell(c *pipeline.CellFigures) []SensorFigure {
	amp := t.amplifier(c.Amplifier)
	of := strings.TrimSpace(c.Amplifier + " " + c.Band)
	good := t.pixels(c.Amplifier, c.Band)
	var out []SensorFigure
	add := func(name string, m *pipeline.SensorFigure, truth float64) { out = beside(out, of, name, m, truth) }
	add("gain, e-/DN", c.Gain, amp.GainEPerDN)
	add("read noise, e-", c.ReadNoise, amp.ReadNoiseE)
	add("full well, e-", c.FullWell, t.fullWellE())
	add("linearity error, %", c.LinearityError, t.linearityError(amp, c.Linearity))
	add("dark current, e-/s", c.DarkRate, t.meanDark(good))
	add("doubling interval, K", c.Doubling, t.doublingK())
	add("activation energy, eV", c.Activation, t.energyEV())
	if c.DSNU != nil {
		add("DSNU, e-", c.DSNU.Total, amp.GainEPerDN*t.dsnu(c.Amplifier, good))
	}
	for _, p := range c.PRNU {
		add(strings.TrimSpace("PRNU "+p.Band)+", %", p.Total, t.prnu(amp, cmp.Or(p.Band, c.Band), p.Level, good))
	}
	return out
}

// badPixels compares the numbers of bad pixels. They have no pulls: nearly all
// of the simulator's bad pixels are far from any limit, so the numbers are right
// or wrong.
func (t *detectorTruth) badPixels(c *pipeline.BadPixelCount) []SensorFigure {
	if c == nil {
		return nil
	}
	limits := &t.detector.BadPixels
	var out []SensorFigure
	out = beside(out, "", "hot pixels", c.Hot, t.count(simulate.Hot))
	if len(out) > 0 {
		// An unstable pixel is hot, too, where its mean is above the limit,
		// which depends on how often it was on.
		most := t.count(simulate.Hot | simulate.Unstable)
		out[0].TrueTo = &most
	}
	out = beside(out, "", "unstable pixels", c.Unstable, t.count(simulate.Unstable))
	out = beside(out, "", "dead pixels", c.Dead, t.responding(math.Inf(-1), limits.DeadBelow))
	out = beside(out, "", "pixels of low response", c.Low, t.responding(limits.DeadBelow, limits.LowBelow))
	for i := range out {
		out[i].Pull = nil
	}
	return out
}

// Text writes the comparison for people.
func (s *Sensor) Text() string {
	var b strings.Builder
	b.WriteString("the sensor as its calibration frames tell, and as the simulator made it; pull = (measured - true)/uncertainty\n")
	for i := range s.Detectors {
		s.Detectors[i].write(&b)
	}
	s.writeFailures(&b)
	if s.Pulls.Pixels > 1 {
		fmt.Fprintf(&b, "pulls of all %d figures: mean %.2f ± %.2f, sd %.2f ± %.2f\n", s.Pulls.Pixels,
			s.Pulls.Mean, 1/math.Sqrt(float64(s.Pulls.Pixels)), s.Pulls.SD, 1/math.Sqrt(2*float64(s.Pulls.Pixels)))
	}
	return b.String()
}

// writeFailures names together what fails for one reason.
func (s *Sensor) writeFailures(b *strings.Builder) {
	var reasons []string
	names := map[string][]string{}
	for _, f := range s.Failures {
		if names[f.Reason] == nil {
			reasons = append(reasons, f.Reason)
		}
		names[f.Reason] = append(names[f.Reason], f.Raw)
	}
	for _, r := range reasons {
		fmt.Fprintf(b, "%16s  %s: %s\n", "not measured", strings.Join(names[r], "; "), r)
	}
}

func (d *SensorFigures) write(b *strings.Builder) {
	name := "detector " + d.Detector
	if d.Mode != "" {
		name += ", mode " + d.Mode
	}
	fmt.Fprintf(b, "%-40s %26s %12s %7s\n", name, "measured", "true", "pull")
	for _, f := range d.Figures {
		fmt.Fprintf(b, "%16s  %-22s %s\n", f.Of, f.Name, f.columns())
	}
	for _, n := range d.NotMeasured {
		fmt.Fprintf(b, "%16s  %s: %s\n", "not measured", n.Figure, n.Why)
	}
	for _, f := range d.Findings {
		fmt.Fprintf(b, "%16s  %s\n", "found", f.What)
	}
}

// columns writes the figure as a line of the table, to two digits of its
// uncertainty.
func (f *SensorFigure) columns() string {
	decimals := decimalsFor(f.U)
	if f.Of == "" { // a number of pixels
		decimals = min(decimals, 1)
	}
	measured := fmt.Sprintf("%.*f ± %.*f", decimals, f.Value, decimals, f.U)
	if f.Bound != "" {
		measured = fmt.Sprintf("%s %.*f", f.Bound, decimals, f.Value)
	}
	pull := ""
	if f.Pull != nil {
		pull = fmt.Sprintf("%.2f", *f.Pull)
	}
	truth := fmt.Sprintf("%.*f", decimals, f.True)
	if f.TrueTo != nil {
		truth += fmt.Sprintf(" to %.*f", decimals, *f.TrueTo)
	}
	return fmt.Sprintf("%26s %12s %7s", measured, truth, pull)
}

// decimalsFor is the number of decimals that shows two digits of u.
func decimalsFor(u float64) int {
	if !(u > 0) {
		return 0
	}
	return max(0, 1-int(math.Floor(math.Log10(u))))
}
