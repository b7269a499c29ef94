package configs

import (
	"fmt"
	"slices"
	"strings"
)

// What pixels can be filled in for.
const (
	FillBadPixels     = "bad_pixels"     // flags of the bad-pixel mask
	FillHits          = "hits"           // hits of cosmic rays, where they are searched for
	FillMissing       = "missing"        // samples that never arrived
	FillNoCalibration = "no_calibration" // a master has no value
)

// Fill says which pixels are filled in from their neighbours of the same
// colour. They are flagged, and the flags of what was wrong with them stay.
type Fill struct {
	Causes []string `mapstructure:"causes" yaml:"causes,flow" json:"causes"`
	// MaxDepth is how far into a hole pixels are filled, in steps to the next
	// pixel of the same colour: with 1 only those that touch a sound one.
	MaxDepth int `mapstructure:"max_depth" yaml:"max_depth" json:"max_depth"`
}

// maxFillDepth bounds the cost of a pixel.
const maxFillDepth = 8

func fillCauses() []string { return []string{FillBadPixels, FillHits, FillMissing, FillNoCalibration} }

func (c *checker) fill(path string, d *Detector) {
	f := d.Fill
	if f == nil {
		return
	}
	if len(f.Causes) == 0 {
		c.add(path+".causes", "is empty", "list what pixels are filled in for, or leave fill out: "+strings.Join(fillCauses(), ", "))
	}
	for i, cause := range f.Causes {
		c.oneOf(at(path+".causes", i), cause, fillCauses())
		if slices.Contains(f.Causes[:i], cause) {
			c.addf(at(path+".causes", i), "keep one of the two", "%q stands twice", shorten(cause))
		}
		if cause == FillHits && d.Hits == nil {
			c.clash(at(path+".causes", i), "give the detector hits, or leave the cause out", "names hits, and the detector does not search for them")
		}
	}
	if f.MaxDepth < 1 || f.MaxDepth > maxFillDepth {
		c.addf(path+".max_depth", fmt.Sprintf("write 1 to %d", maxFillDepth), "is %d", f.MaxDepth)
	}
}
