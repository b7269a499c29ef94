package configs_test

import (
	"strings"
	"testing"

	"evenlight/configs"
)

// The section hits takes its defaults where values are left out, and impossible
// ones are named with their place.
func TestHitsInProfiles(t *testing.T) {
	text, err := configs.Builtin("pellam")
	if err != nil {
		t.Fatal(err)
	}
	p, err := configs.Parse("pellam", text, configs.Overrides{Set: []string{"detectors.1.hits={point_fwhm_pixels: 1.8}"}})
	if err != nil {
		t.Fatal(err)
	}
	if p.Detectors[0].Hits != nil {
		t.Error("hits are searched for where the profile does not say so")
	}
	if h := p.Detectors[1].Hits; h == nil || *h != (configs.Hits{PointFWHMPixels: 1.8, ThresholdSigma: 5, SharpSigma: 2, GrowSigma: 3, OtherColour: 0.5}) {
		t.Errorf("%+v", h)
	}
	for value, path := range map[string]string{
		"{threshold_sigma: 5}":                       "hits",
		"{point_fwhm_pixels: 0.5}":                   "hits.point_fwhm_pixels",
		"{point_fwhm_pixels: 2, threshold_sigma: 2}": "hits.threshold_sigma",
		"{point_fwhm_pixels: 2, sharp_sigma: -1}":    "hits.sharp_sigma",
		"{point_fwhm_pixels: 2, grow_sigma: 0}":      "hits.grow_sigma",
		"{point_fwhm_pixels: 2, other_colour: 1.5}":  "hits.other_colour",
		"{point_fwhm_pixels: 2, other_colours: 0.5}": "other_colours",
	} {
		_, err := configs.Parse("pellam", text, configs.Overrides{Set: []string{"detectors.1.hits=" + value}})
		if err == nil || !strings.Contains(err.Error(), path) {
			t.Errorf("%s: %v, want an error at %s", value, err, path)
		}
	}
}
