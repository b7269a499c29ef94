package configs

// Hits says how hits of cosmic rays and like particles are told from light in
// single frames: they stand out from their neighbours, and are sharper than the
// optics can make an image.
type Hits struct {
	PointFWHMPixels float64 `mapstructure:"point_fwhm_pixels" yaml:"point_fwhm_pixels" json:"point_fwhm_pixels"`      // full width at half maximum of the sharpest image of a point, the pixel's own width included
	ThresholdSigma  float64 `mapstructure:"threshold_sigma" yaml:"threshold_sigma" json:"threshold_sigma"`            // noise sigmas by which a hit stands out
	SharpSigma      float64 `mapstructure:"sharp_sigma" yaml:"sharp_sigma" json:"sharp_sigma"`                        // noise sigmas by which it is sharper than an image
	GrowSigma       float64 `mapstructure:"grow_sigma" yaml:"grow_sigma" json:"grow_sigma"`                           // noise sigmas by which a pixel beside a hit stands out
	OtherColour     float64 `mapstructure:"other_colour" yaml:"other_colour,omitempty" json:"other_colour,omitempty"` // under a mosaic: least share of a coloured target's contrast in another colour
}

// Bounds of the settings of hits.
const (
	minPointFWHM = 1
	maxPointFWHM = 100
	minHitSigma  = 3
	maxHitSigma  = 1000
)

func (c *checker) hits(path string, h *Hits) {
	if h == nil {
		return
	}
	c.within(path+".point_fwhm_pixels", h.PointFWHMPixels, minPointFWHM, maxPointFWHM)
	c.within(path+".threshold_sigma", h.ThresholdSigma, minHitSigma, maxHitSigma)
	c.within(path+".sharp_sigma", h.SharpSigma, 0, maxHitSigma)
	c.within(path+".grow_sigma", h.GrowSigma, 1, maxHitSigma)
	if !(h.OtherColour > 0 && h.OtherColour <= 1) {
		c.addf(path+".other_colour", "write a fraction above 0, and 1 at most", "is %s", brief(h.OtherColour))
	}
}
