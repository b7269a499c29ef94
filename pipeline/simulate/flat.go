package simulate

import (
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
)

// makeFlats draws F_b of every band: the response of the single pixels (1
// percent, nearly the same in all bands), the fall of the light to the
// corners (to 0.75 of the centre), dust on the window (the same in all bands)
// and on the filter (its own), dead and low pixels. Of a detector whose pixels
// see bands of their own, each band's flat is 0 elsewhere.
func (s *Sensor) makeFlats() error {
	window := s.dust(forDust, 0, 12)
	pixel := s.pixelResponse()
	defect := s.defectResponse()
	for b := range s.Profile.Bands {
		if !s.sees(b) {
			continue
		}
		flat := make([]float32, len(s.Pattern))
		filter := append(s.dust(forBandDust, uint64(b), 4), window...)
		r := rand.New(newStream(s.Options.Seed, forBandResponse, uint64(b), 0))
		s.each(s.image, func(p int) {
			response := defect[p]
			own := r.NormFloat64()
			if !s.Options.NoUnevenness {
				x, y := p%s.Detector.Width, p/s.Detector.Width
				response *= (pixel[p] + 0.003*own) * s.vignetting(x, y) * shade(filter, x, y)
			}
			flat[p] = float32(response)
		})
		name := s.Profile.Bands[b].Name
		if err := s.normalise(flat, b); err != nil {
			return fmt.Errorf("flat of band %s: %w", name, err)
		}
		s.flats[name] = flat
		s.addToOwnFlat(flat, b)
	}
	return nil
}

// pixelResponse draws the part of the pixels' response that all bands share.
func (s *Sensor) pixelResponse() []float64 {
	const spread = 0.0095 // with 0.003 of a band's own: 1 percent
	response := make([]float64, len(s.Pattern))
	r := rand.New(newStream(s.Options.Seed, forResponse, 0, 0))
	s.each(s.image, func(p int) { response[p] = 1 + spread*r.NormFloat64() })
	return response
}

// defectResponse returns the factor that dead and low pixels have in every
// band; 1 for the others.
func (s *Sensor) defectResponse() []float64 {
	response := make([]float64, len(s.Pattern))
	r := rand.New(newStream(s.Options.Seed, forResponse, 1, 0))
	s.each(s.image, func(p int) {
		u := r.Float64()
		switch s.Defects[p] {
		case Dead:
			response[p] = 0.05 * u
		case Low:
			response[p] = 0.25 + 0.30*u
		default:
			response[p] = 1
		}
	})
	return response
}

// vignetting falls with the square of the distance from the centre of the
// image, to 0.75 in its corners.
func (s *Sensor) vignetting(x, y int) float64 {
	halfWidth, halfHeight := float64(s.ImageWidth())/2, float64(s.ImageHeight())/2
	dx := float64(x-s.image.x0) + 0.5 - halfWidth
	dy := float64(y-s.image.y0) + 0.5 - halfHeight
	return 1 - 0.25*(dx*dx+dy*dy)/(halfWidth*halfWidth+halfHeight*halfHeight)
}

// ring is the shadow of a grain of dust far from focus.
type ring struct {
	x, y, radius, width float64 // pixels
	depth               float64 // relative
}

func (s *Sensor) dust(p purpose, band uint64, grains int) []ring {
	r := rand.New(newStream(s.Options.Seed, p, band, 0))
	size := float64(min(s.ImageWidth(), s.ImageHeight())) / 512
	rings := make([]ring, grains)
	for i := range rings {
		rings[i] = ring{
			x:      float64(s.image.x0) + between(r, 0, float64(s.ImageWidth())),
			y:      float64(s.image.y0) + between(r, 0, float64(s.ImageHeight())),
			radius: size * between(r, 8, 25),
			width:  size * between(r, 2, 5),
			depth:  between(r, 0.01, 0.04),
		}
	}
	return rings
}

// shade is the light that the dust lets through to a pixel.
func shade(rings []ring, x, y int) float64 {
	light := 1.0
	for i := range rings {
		g := &rings[i]
		dx, dy := float64(x)-g.x, float64(y)-g.y
		reach := g.radius + 4*g.width
		if dx*dx+dy*dy > reach*reach {
			continue
		}
		off := (math.Sqrt(dx*dx+dy*dy) - g.radius) / g.width
		light *= 1 - g.depth*math.Exp(-off*off)
	}
	return light
}

// normalise scales a flat to mean 1 over the good pixels of the reference
// region that see the band, as the measurement model defines F.
func (s *Sensor) normalise(flat []float32, band int) error {
	s.darkenOthers(flat, band)
	var sum float64
	var count int
	s.each(boxOf(s.Detector.Reference), func(p int) {
		if s.Defects[p] == 0 && s.seesAt(p, band) {
			sum += float64(flat[p])
			count++
		}
	})
	if count == 0 || sum <= 0 {
		return errors.New("the reference region holds no good pixel that sees light; choose a reference region inside the image region that holds pixels of every band")
	}
	scale := float32(float64(count) / sum)
	for i := range flat {
		flat[i] *= scale
	}
	return nil
}
