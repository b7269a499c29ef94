package simulate

import (
	"fmt"

	"evenlight/configs"
)

// A detector whose pixels see bands of their own (a mosaic, strips of filters,
// or one band for good) takes all bands at once, each where its pixels are.

// noBand marks pixels that lie under no filter and see no light.
const noBand = -1

// lampSpectrum is the charge rate that the lamp gives in the profile's bands,
// relative to LampRate, where one frame takes all bands; after the last it
// begins again. The values are invented.
var lampSpectrum = [...]float64{1, 0.8, 0.55, 0.7}

// lampFactor is the lamp's share in band number band.
func lampFactor(band int) float64 { return lampSpectrum[band%len(lampSpectrum)] }

// takesAllBands tells whether one frame of a camera takes all bands, because
// its detectors see bands of their own.
func takesAllBands(p *configs.Profile) bool {
	for i := range p.Detectors {
		d := &p.Detectors[i]
		if d.Mosaic != nil || len(d.Strips) > 0 || d.Band != "" {
			return true
		}
	}
	return false
}

// mapBands returns the number of the band that each pixel of the raw frame
// sees, or noBand; nil when all pixels see the band of the exposure.
func mapBands(p *configs.Profile, d *configs.Detector) ([]int16, error) {
	switch {
	case d.Mosaic != nil:
		return mapMosaic(p, d)
	case len(d.Strips) > 0:
		return mapStrips(p, d)
	case d.Band != "":
		return mapStrips(p, &configs.Detector{Width: d.Width, Height: d.Height,
			Strips: []configs.Strip{{Band: d.Band, Rows: [2]int{1, d.Height}}}})
	}
	return nil, nil
}

// mapMosaic repeats the pattern from the first pixel of the raw frame on.
func mapMosaic(p *configs.Profile, d *configs.Detector) ([]int16, error) {
	pattern := make([][]int16, len(d.Mosaic.Pattern))
	for j, names := range d.Mosaic.Pattern {
		for _, name := range names {
			b, err := numberOfBand(p, name)
			if err != nil {
				return nil, fmt.Errorf("mosaic: %w", err)
			}
			pattern[j] = append(pattern[j], b)
		}
		if len(pattern[j]) == 0 {
			return nil, fmt.Errorf("row %d of the mosaic's pattern is empty; name a band for each of its cells", j+1)
		}
	}
	if len(pattern) == 0 {
		return nil, fmt.Errorf("the mosaic has no pattern; give it rows of band names")
	}
	at := make([]int16, d.Width*d.Height)
	for i := range at {
		cells := pattern[i/d.Width%len(pattern)]
		at[i] = cells[i%d.Width%len(cells)]
	}
	return at, nil
}

func mapStrips(p *configs.Profile, d *configs.Detector) ([]int16, error) {
	at := make([]int16, d.Width*d.Height)
	for i := range at {
		at[i] = noBand
	}
	for _, strip := range d.Strips {
		b, err := numberOfBand(p, strip.Band)
		if err != nil {
			return nil, fmt.Errorf("strips: %w", err)
		}
		if strip.Rows[0] < 1 || strip.Rows[0] > strip.Rows[1] || strip.Rows[1] > d.Height {
			return nil, fmt.Errorf("the strip of band %s has rows %d to %d; the frame has rows 1 to %d", strip.Band, strip.Rows[0], strip.Rows[1], d.Height)
		}
		rows := at[(strip.Rows[0]-1)*d.Width : strip.Rows[1]*d.Width]
		for i := range rows {
			rows[i] = b
		}
	}
	return at, nil
}

func numberOfBand(p *configs.Profile, name string) (int16, error) {
	for i := range p.Bands {
		if p.Bands[i].Name == name {
			return int16(i), nil
		}
	}
	return 0, fmt.Errorf("the profile has no band %q; it has %s", name, bandNames(p))
}

// TakesAllBands tells whether the detector's pixels see bands of their own, so
// that one frame takes all bands ([Exposure].Bands).
func (s *Sensor) TakesAllBands() bool { return s.bandAt != nil }

// seesAt tells whether a pixel can see a band.
func (s *Sensor) seesAt(pixel, band int) bool {
	return s.bandAt == nil || int(s.bandAt[pixel]) == band
}

// sees tells whether any pixel of the image can see a band.
func (s *Sensor) sees(band int) bool {
	if s.bandAt == nil {
		return true
	}
	seen := false
	s.each(s.image, func(p int) { seen = seen || s.seesAt(p, band) })
	return seen
}

// darkenOthers takes the response away from the pixels that do not see a band.
func (s *Sensor) darkenOthers(flat []float32, band int) {
	if s.bandAt == nil {
		return
	}
	for p := range flat {
		if !s.seesAt(p, band) {
			flat[p] = 0
		}
	}
}

// addToOwnFlat takes over what a band's flat says about the band's own pixels.
func (s *Sensor) addToOwnFlat(flat []float32, band int) {
	if s.bandAt == nil {
		return
	}
	if s.ownFlat == nil {
		s.ownFlat = make([]float32, len(flat))
	}
	for p := range flat {
		if s.seesAt(p, band) {
			s.ownFlat[p] = flat[p]
		}
	}
}

// fillOwnRates writes the light rate of every pixel in its own band, e-/s at
// F = 1, and the radiance that the pixel sees.
func (f *frame) fillOwnRates(s *Sensor, e *Exposure) {
	lamp, k := make([]float64, len(s.Profile.Bands)), make([]float64, len(s.Profile.Bands))
	for b := range lamp {
		lamp[b], k[b] = e.LampRate*lampFactor(b), responsivity(s.Profile, s.Profile.Bands[b].Name)
	}
	i := 0
	s.each(s.image, func(p int) {
		if b := s.bandAt[p]; b != noBand {
			f.light[i] = lamp[b]
			if e.Bands != nil {
				f.raw.Truth.Radiance[i] = e.Bands[b][i]
				f.light[i] += k[b] * float64(e.Bands[b][i])
			}
		}
		i++
	})
	f.raw.Truth.BandRadiance = e.Bands
	for b := range e.Bands {
		f.raw.Truth.BandNames = append(f.raw.Truth.BandNames, s.Profile.Bands[b].Name)
	}
}

// checkBands refuses light in another form than the detector can take.
func (s *Sensor) checkBands(e *Exposure) error {
	if s.bandAt == nil {
		if e.Bands != nil {
			return fmt.Errorf("the detector takes one band at a time; give its name and radiance")
		}
		return nil
	}
	if e.Radiance != nil {
		return fmt.Errorf("the detector takes all bands at once; give the radiance of each in bands")
	}
	if e.Bands == nil {
		return nil
	}
	if len(e.Bands) != len(s.Profile.Bands) {
		return fmt.Errorf("there are %d bands of radiance; the profile has %d", len(e.Bands), len(s.Profile.Bands))
	}
	for b := range e.Bands {
		if want := s.image.pixels(); len(e.Bands[b]) != want {
			return fmt.Errorf("the radiance of band %s has %d values; the image region has %d pixels", s.Profile.Bands[b].Name, len(e.Bands[b]), want)
		}
	}
	return nil
}
