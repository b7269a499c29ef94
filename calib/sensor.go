package calib

import (
	"fmt"
	"math"
	"sync"
)

// Amplifier is one output of a detector.
type Amplifier struct {
	Name       string
	Region     Region  // raw coordinates, overscan included
	Overscan   Region  // raw coordinates; empty where there is none
	GainEPerDN float64 // g_a
	ReadNoiseE float64 // r_a
}

// Sensor is what the stages need to know of a detector.
type Sensor struct {
	Width, Height int     // raw frame, pixels
	Image         Region  // the part that products keep, raw coordinates
	Reference     Region  // where flats have mean 1, raw coordinates
	CeilingDN     float64 // of the converter, or of the last code of Codes
	FillDN        float64 // raw value of a sample that never arrived; NaN: none
	Amps          []Amplifier
	Offset        OffsetRule
	FullWellE     float64 // 0: the converter saturates first
	MarginSigma   float64 // read-noise sigmas below full well at which a sample counts as saturated
	LevelDN       float64 // raw level of saturation; 0: the ceiling
	GrowPixels    int     // neighbours of a saturated pixel that are flagged
	// Codes is the decompanding table; nil where samples are DN.
	Codes *CodeTable
	Map   *BandMap // which band each pixel sees; nil: the frame's
	// LineScan says that each row is a line of the same pixels: masters have
	// one row.
	LineScan bool

	once     sync.Once
	segments [][]Segment
}

// MasterRows returns the number of rows of a master.
func (s *Sensor) MasterRows() int {
	if s.LineScan {
		return 1
	}
	return s.Image.Height()
}

// Segment is a run of columns of an image row that one amplifier reads.
type Segment struct {
	X0, X1 int // image coordinates, half open
	Amp    int // index into Sensor.Amps
}

// Segments returns, for each row of the image region, the runs of columns
// and their amplifiers, from left to right. Rows that are split alike share
// one slice. The result is shared and must not be changed.
func (s *Sensor) Segments() [][]Segment {
	s.once.Do(func() { s.segments = s.findSegments() })
	return s.segments
}

func (s *Sensor) findSegments() [][]Segment {
	rows := make([][]Segment, s.Image.Height())
	var last []Segment
	for y := range rows {
		var segs []Segment
		for x := 0; x < s.Image.Width(); {
			a := s.ampAt(x+s.Image.X0, y+s.Image.Y0)
			end := min(s.Amps[a].Region.X1, s.Image.X1) - s.Image.X0
			segs = append(segs, Segment{x, end, a})
			x = end
		}
		if equalSegments(segs, last) {
			segs = last
		}
		rows[y], last = segs, segs
	}
	return rows
}

func equalSegments(a, b []Segment) bool {
	if len(a) != len(b) {
		return false
	}
	for i := range a {
		if a[i] != b[i] {
			return false
		}
	}
	return true
}

// ampAt returns the amplifier that reads raw pixel (x, y).
func (s *Sensor) ampAt(x, y int) int {
	for i, a := range s.Amps {
		r := a.Region
		if x >= r.X0 && x < r.X1 && y >= r.Y0 && y < r.Y1 {
			return i
		}
	}
	panic(fmt.Sprintf("calib: no amplifier reads column %d row %d: the regions do not tile the detector", x+1, y+1))
}

// Light turns calibrated electrons into what a product carries.
type Light struct {
	Scale float64 // per electron: 1, or 1/(K t), or pi r^2/(E K t)
	Unit  string  // for BUNIT, FITS Standard 4.0, clause 4.3
}

// ElectronLight leaves electrons as they are.
func ElectronLight() Light { return Light{1, "electron"} }

// RadianceLight returns L = S / (K t), with K in e-/s per W m^-2 sr^-1 nm^-1
// and t in seconds.
func RadianceLight(responsivity, exposureS float64) Light {
	return Light{1 / (responsivity * exposureS), "W m-2 sr-1 nm-1"}
}

// ReflectanceLight returns I/F = pi L r^2 / E with r, the distance to the
// Sun, in au (IAU 2012 Resolution B2) and E the band's solar irradiance at
// 1 au in W m^-2 nm^-1.
func ReflectanceLight(responsivity, exposureS, irradiance, sunAU float64) Light {
	return Light{math.Pi * sunAU * sunAU / (irradiance * responsivity * exposureS), ""}
}
