package pipeline

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"

	"evenlight/configs"
	"evenlight/fitsutil"
)

// HeaderMap tells by a few digits how the profile reads headers: where that
// changes, what was read of raw files under another map no longer counts.
func (in *Instrument) HeaderMap() (string, error) {
	type place struct {
		Name, HDU            string
		Plane, Width, Height int
	}
	m := struct {
		Keywords configs.Keywords
		Kinds    []configs.KindRule
		Bands    []string
		Places   []place
	}{Keywords: in.Profile.Keywords, Kinds: in.Profile.FrameKinds}
	for _, b := range in.Profile.Bands {
		m.Bands = append(m.Bands, b.Name)
	}
	for _, d := range in.Profile.Detectors {
		m.Places = append(m.Places, place{d.Name, d.HDU, d.Plane, d.Width, d.Height})
	}
	text, err := json.Marshal(m)
	if err != nil {
		return "", fmt.Errorf("how the profile reads headers: %w", err)
	}
	sum := sha256.Sum256(text)
	return hex.EncodeToString(sum[:6]), nil
}

// FramesOf finds the frames of an open raw file whose content is known already,
// and reads their headers. What cannot be read is an error of its own.
func (in *Instrument) FramesOf(path, sha string, file *fitsutil.File) ([]*Frame, []error) {
	return in.framesIn(path, sha, file)
}

// MetricNames lists the figures that products of a profile can have.
func MetricNames(p *configs.Profile) []string {
	zero := 0.0
	seen := map[string]bool{}
	var names []string
	for _, d := range p.Detectors {
		r := FrameReport{TempK: &zero, Background: &zero, Median: &zero, NoiseRatio: &zero, LineSmear: &zero}
		for _, a := range d.Amplifiers {
			r.Amplifiers = append(r.Amplifiers, AmpReport{a.Name, &zero, &zero, &zero})
		}
		for _, b := range p.Bands {
			r.Bands = append(r.Bands, BandReport{Name: b.Name, Background: &zero, Median: &zero, NoiseRatio: &zero})
		}
		for _, f := range r.Figures() {
			if !seen[f.Name] {
				seen[f.Name] = true
				names = append(names, f.Name)
			}
		}
	}
	return names
}
