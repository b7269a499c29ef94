package pipeline

import (
	"evenlight/calib"
	"evenlight/calib/fill"
	"evenlight/configs"
)

// fill makes the pass that fills pixels in, as the profile says.
func (p *plan) fill() *fill.Filler {
	f := p.in.Profile.Detectors[p.frame.Detector].Fill
	var causes calib.Flags
	for _, c := range f.Causes {
		causes |= fillCause(c)
	}
	return fill.NewFiller(causes, f.MaxDepth, p.sensor.Map)
}

// fillCause returns the flags of a cause in the profile.
func fillCause(name string) calib.Flags {
	switch name {
	case configs.FillBadPixels:
		return calib.BadPixel
	case configs.FillHits:
		return calib.Hit
	case configs.FillMissing:
		return calib.Missing
	case configs.FillNoCalibration:
		return calib.NoCalibration
	}
	return 0 // the profile's check lets no other pass
}

// FillReport says what became of the pixels of a frame that were to be filled
// in.
type FillReport struct {
	Filled    int `json:"filled"`
	Saturated int `json:"left_saturated"` // at or beside saturation
	Deep      int `json:"left_deep"`      // too far from any sound pixel of the same colour
	Few       int `json:"left_few"`       // too few such pixels near
}

// filled reports what the workers have filled in since the frame began; nil
// where nothing was to be.
func filled(workers []*worker) *FillReport {
	var sum fill.Counts
	asked := false
	for _, w := range workers {
		for _, p := range w.after.workers {
			if f, ok := p.(*fill.Worker); ok {
				sum.Add(f.Counts())
				asked = true
			}
		}
	}
	if !asked {
		return nil
	}
	return &FillReport{sum.Filled, sum.Saturated, sum.Deep, sum.Few}
}
