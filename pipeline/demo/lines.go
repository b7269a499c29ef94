package demo

import (
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"strings"

	"evenlight/pipeline/simulate"
)

// LinesTruth compares the scenes of a line scanner.
type LinesTruth struct {
	Scenes []PaceTest `json:"scenes"`
	// Places are the displacements that were found between the detectors of
	// each frame; the truth is none.
	Places []PlaceTest `json:"places"`
}

// PaceTest compares how far a detector's charge fell behind the ground.
type PaceTest struct {
	Frame    string  `json:"frame"`
	Detector string  `json:"detector"`
	Smear    float64 `json:"smear"`      // stated, pixels
	True     float64 `json:"true_smear"` // pixels
	Flagged  float64 `json:"flagged_fraction"`
}

// lineModes is the number of modes of a line scanner's campaign, each with a
// ramp and the ground. A scene out of pace follows, which makes no cube, and a
// grey wedge.
const (
	lineModes      = 3
	lineWedgeScene = 2*lineModes + 1
)

// lines makes cubes of the ground in each mode.
func (c *campaign) lines(out *Colour) error {
	var numbers []int
	for m := range lineModes {
		numbers = append(numbers, 2*m+1)
	}
	grounds, err := c.at(numbers...)
	if err != nil {
		return err
	}
	if out.Cubes, err = c.cubes(products(grounds)); err != nil {
		return err
	}
	out.Lines = &LinesTruth{}
	if err := c.pace(out.Lines); err != nil {
		return err
	}
	if err := c.linePicture(out, grounds[0]); err != nil {
		return err
	}
	wedge, err := c.at(lineWedgeScene)
	if err != nil {
		return err
	}
	if err := c.lineWedge(out, wedge[0]); err != nil {
		return err
	}
	for i := range out.Cubes.Cubes {
		r := &out.Cubes.Cubes[i]
		reference := referenceOf(r)
		for k := range r.Bands {
			if b := &r.Bands[k]; k != reference {
				out.Lines.Places = append(out.Lines.Places, PlaceTest{Band: b.Name, ErrorX: b.DX, ErrorY: b.DY, SigmaX: b.SigmaX, SigmaY: b.SigmaY})
			}
		}
	}
	return nil
}

// linePicture shows the ground in false colour, which two bands give.
func (c *campaign) linePicture(out *Colour, ground *shot) error {
	r, err := reportOf(out.Cubes, ground.products[len(ground.products)-1])
	if err != nil {
		return err
	}
	first, last := r.Bands[0].Name, r.Bands[len(r.Bands)-1].Name
	return c.pictures(out, []wish{{shows: "ground", file: r.Cube, rgb: []string{last, first, first}}})
}

// pace compares the stated smear of every scene.
func (c *campaign) pace(out *LinesTruth) error {
	text, err := os.ReadFile(filepath.Join(c.truthDir(), simulate.LinesFile))
	if err != nil {
		return err
	}
	var facts []simulate.LinesTruth
	if err := json.Unmarshal(text, &facts); err != nil {
		return fmt.Errorf("reading %s: %w", simulate.LinesFile, err)
	}
	truth := map[string]float64{}
	for _, f := range facts {
		truth[f.Name] = f.SmearLines
	}
	for i := range c.run.Frames {
		f := &c.run.Frames[i]
		if f.LineSmear == nil {
			return fmt.Errorf("%s states no smear", f.Product)
		}
		out.Scenes = append(out.Scenes, PaceTest{Frame: stemOf(f.Raw), Detector: f.Detector, Smear: *f.LineSmear, True: truth[stemOf(f.Raw)], Flagged: f.Fractions["line-smear"]})
	}
	return nil
}

// Text writes the comparison for people.
func (l *LinesTruth) Text() string {
	var b strings.Builder
	b.WriteString("pace: smear stated and true, pixels, and how many pixels are flagged line-smear\n")
	for i, s := range l.Scenes {
		if i == 0 || s.Frame != l.Scenes[i-1].Frame {
			fmt.Fprintf(&b, "%s  %-12s %6.3f %6.3f ", newLine(i), s.Frame, s.Smear, s.True)
		}
		fmt.Fprintf(&b, "  %s %.0f %%", s.Detector, 100*s.Flagged)
	}
	b.WriteString("\ndisplacement of detectors that see one place, columns and rows, pixels; the truth is none\n")
	writePlaces(&b, l.Places)
	return b.String()
}

// newLine ends the line before all but the first.
func newLine(i int) string {
	if i == 0 {
		return ""
	}
	return "\n"
}
