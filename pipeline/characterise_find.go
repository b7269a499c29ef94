package pipeline

import "slices"

// Kinds of what is found amiss in calibration frames. They are stable.
const (
	FoundTooFew     = "too-few"
	FoundMixedModes = "mixed-modes"
	FoundLampDrift  = "lamp-drift"
	FoundSaturated  = "saturated-step"
	FoundLightLeak  = "light-leak"
	FoundUnpaired   = "unpaired"
	FoundUnequal    = "unequal-pair"
	FoundNoExposure = "no-exposure"
	FoundUnreadable = "unreadable"
	FoundOffCurve   = "off-curve"
	FoundOtherLaw   = "other-law"
	FoundLawsAlike  = "laws-alike"
)

// SensorFinding is something amiss in the frames that a sensor was measured
// from. What is named was left out and not averaged in, unless What says
// otherwise.
type SensorFinding struct {
	Kind   string   `json:"kind"`
	Files  []string `json:"files,omitempty"`
	What   string   `json:"what"`
	Remedy string   `json:"remedy"`
}

// NotMeasured is a figure that these frames, or this kind of sensor, do not
// give, and why.
type NotMeasured struct {
	Figure string `json:"figure"`
	Why    string `json:"why"`
}

// findings gathers what is found.
type findings struct{ list []SensorFinding }

func (f *findings) add(kind string, frames []*calFrame, what, remedy string) {
	var files []string
	for _, c := range frames {
		files = append(files, c.Name())
	}
	slices.Sort(files)
	f.list = append(f.list, SensorFinding{Kind: kind, Files: slices.Compact(files), What: what, Remedy: remedy})
}

// once adds what several cells show, if it is not there yet.
func (f *findings) once(kind, what, remedy string) {
	if !slices.ContainsFunc(f.list, func(o SensorFinding) bool { return o.Kind == kind && o.What == what }) {
		f.add(kind, nil, what, remedy)
	}
}

// extend adds frames to a finding that is there already, or makes it.
func (f *findings) extend(kind string, frames []*calFrame, what, remedy string) {
	i := slices.IndexFunc(f.list, func(o SensorFinding) bool { return o.Kind == kind && o.What == what })
	if i < 0 {
		f.add(kind, frames, what, remedy)
		return
	}
	for _, c := range frames {
		f.list[i].Files = append(f.list[i].Files, c.Name())
	}
	slices.Sort(f.list[i].Files)
	f.list[i].Files = slices.Compact(f.list[i].Files)
}
