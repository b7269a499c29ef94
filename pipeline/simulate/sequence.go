package simulate

import (
	"encoding/json"
	"fmt"
	"math"
	"os"
	"path/filepath"
)

// Sequence is the truth about frames that belong together: how the scene
// stands in each of them, and what moved meanwhile.
//
// Shifts and places are in pixels of the image region: column 0 and row 0 are
// its first, and the centres of pixels are whole numbers. A frame with the
// shift (dx, dy) sees at (x, y) what lies at (x-dx, y-dy) of the ground, and
// the ground's coordinates are those of a frame without shift.
type Sequence struct {
	Name string `json:"name"`
	// ColumnsPerS and RowsPerS tell how fast the ground moves over the
	// detector, pixels a second; 0 where the camera only jitters.
	ColumnsPerS float64 `json:"columns_per_s"`
	RowsPerS    float64 `json:"rows_per_s"`
	Cloud       *Cloud  `json:"cloud,omitempty"`
	Frames      []Step  `json:"frames"`

	ground *groundTruth
}

// Step is one frame of a sequence, seen by one detector or by all.
type Step struct {
	Frame    string  `json:"frame"`
	Detector string  `json:"detector,omitempty"` // empty: all see the same
	Band     string  `json:"band,omitempty"`     // empty: all bands at once
	TimeS    float64 `json:"time_s"`             // start of the exposure since that of the first frame
	ShiftX   float64 `json:"shift_x"`
	ShiftY   float64 `json:"shift_y"`
	// RowShiftX is what each image row is shifted along the columns besides;
	// empty: nothing.
	RowShiftX []float64 `json:"row_shift_x,omitempty"`
	// CloudAt is where the cloud's centre stands in this frame.
	CloudAt *Place `json:"cloud_at,omitempty"`
}

// Place is a position in an image.
type Place struct {
	X float64 `json:"x"`
	Y float64 `json:"y"`
}

// Cloud is a cloud of dust that drifts before the ground: a pixel shows
// (1 - c) of the ground and c of the dust, where c is Opacity at the centre
// and falls off as a Gaussian. It moves at a steady speed over the ground. A
// frame shows it where it stands when the exposure starts.
type Cloud struct {
	SigmaPixels float64 `json:"sigma_pixels"`
	Opacity     float64 `json:"opacity"`
	Reflectance float64 `json:"reflectance"` // of the dust, in all bands
	// X and Y are where it stands on the ground in the first frame.
	X           float64 `json:"x"`
	Y           float64 `json:"y"`
	ColumnsPerS float64 `json:"columns_per_s"`
	RowsPerS    float64 `json:"rows_per_s"`
}

// over paints the cloud at a place of the image before a scene; white is the
// radiance of a white surface.
func (c *Cloud) over(scene []float32, at Place, white float64, width int) {
	for i := range scene {
		dx, dy := float64(i%width)-at.X, float64(i/width)-at.Y
		cover := c.Opacity * math.Exp(-(dx*dx+dy*dy)/(2*c.SigmaPixels*c.SigmaPixels))
		scene[i] = float32((1-cover)*float64(scene[i]) + cover*c.Reflectance*white)
	}
}

// groundTruth is the ground that a sequence passes over, to be written.
type groundTruth struct {
	ground        *Ground
	bands         []string
	column, row   int // ground coordinates of the first pixel
	width, height int
}

// SequenceFile is the name of the file, in the truth's folder, that
// [LoadSequences] reads.
const SequenceFile = "sequence.json"

// GroundFile names the file that holds the ground of a band that a camera
// with strips of filters has passed over: radiance in the pixels of the first
// frame's image region. Its keywords GRNDCOL and GRNDROW are the ground's
// coordinates (see [Sequence]) of the file's first pixel.
func GroundFile(truthDir, band string) string {
	return filepath.Join(truthDir, "truth-ground-"+band+".fits")
}

// planeGround is the EXTNAME of a ground.
const planeGround = "GROUND"

func (g *groundTruth) write(truthDir string) error {
	bands := g.ground.Window(float64(g.column), float64(g.row), g.width, g.height)
	for b, name := range g.bands {
		about := cards{
			{"BAND", name, ""},
			{"GRNDCOL", int64(g.column), "column of the ground in the first column"},
			{"GRNDROW", int64(g.row), "row of the ground in the first row"},
		}
		one := floatPlane(planeGround, "W m-2 sr-1 nm-1", bands[b])
		if err := writePlanes(GroundFile(truthDir, name), about, g.width, g.height, []plane{one}); err != nil {
			return err
		}
	}
	return nil
}

// sequencesOf returns the sequences of a plan in its order.
func sequencesOf(plan []Planned) []*Sequence {
	var all []*Sequence
	for i := range plan {
		if s := plan[i].Sequence; s != nil && (len(all) == 0 || all[len(all)-1] != s) {
			all = append(all, s)
		}
	}
	return all
}

// writeSequences writes the truth about the sequences of a plan, if it has
// any, and refuses to replace a file.
func writeSequences(truthDir string, plan []Planned) error {
	all := sequencesOf(plan)
	if len(all) == 0 {
		return nil
	}
	if err := writeJSON(filepath.Join(truthDir, SequenceFile), all); err != nil {
		return err
	}
	for _, s := range all {
		if s.ground == nil {
			continue
		}
		if err := s.ground.write(truthDir); err != nil {
			return err
		}
	}
	return nil
}

// LoadSequences reads the truth about sequences from the file that
// [WriteFrames] wrote.
func LoadSequences(path string) ([]Sequence, error) {
	text, err := os.ReadFile(path)
	if err != nil {
		return nil, err
	}
	var all []Sequence
	if err := json.Unmarshal(text, &all); err != nil {
		return nil, fmt.Errorf("reading the truth about sequences from %s: %w; simulate the frames again", path, err)
	}
	return all, nil
}
