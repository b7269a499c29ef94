package demo

import (
	"fmt"
	"path/filepath"
	"slices"
	"strings"

	"evenlight/calib/align"
	"evenlight/pipeline"
)

// Colour is what came of bringing the bands together, or of comparing two
// eyes, and how it compares with the truth. What the camera's family does not
// have is absent.
type Colour struct {
	Cubes    *pipeline.CubeSummary  `json:"cubes,omitempty"`
	Mosaic   *MosaicTruth           `json:"mosaic,omitempty"`
	Wheel    []WheelTruth           `json:"wheel,omitempty"`
	Lines    *LinesTruth            `json:"lines,omitempty"`
	Strips   *StripsTruth           `json:"strips,omitempty"`
	Stack    *StackTruth            `json:"stack,omitempty"`
	Tube     *TubeTruth             `json:"tube,omitempty"`
	Eyes     *pipeline.AgreeSummary `json:"eyes,omitempty"`
	EyesSeen *StereoTruth           `json:"stereo,omitempty"`
	// GreyPairs holds, for pairs of bands (of eyes, where there is one band),
	// the pulls of the difference of both reflectances on a grey wedge: over
	// each whole pattern of a mosaic, and in each pixel of the others.
	GreyPairs []Pulls     `json:"grey_pairs,omitempty"`
	Grey      *GreyColour `json:"grey,omitempty"`
	Pictures  []Picture   `json:"pictures,omitempty"`
}

// colour brings the bands of a campaign together, as its family needs it.
func (c *campaign) colour() (*Colour, error) {
	out := &Colour{}
	var err error
	switch familyOf(c.in.Profile) {
	case filterWheel:
		err = c.wheel(out)
	case stereoPair:
		err = c.stereo(out)
	case colourMosaic:
		err = c.mosaic(out)
	case filterStrips:
		err = c.strips(out)
	case lineScanner:
		err = c.lines(out)
	case stackedDiodes:
		err = c.stack(out)
	case cameraTube:
		err = c.tube(out)
	case singleBand:
		err = c.greyMoon(out)
	}
	if err != nil {
		return nil, err
	}
	return out, nil
}

// greyMoon makes a picture of the moon in the one band that there is.
func (c *campaign) greyMoon(out *Colour) error {
	moon, err := c.at(firstMoon)
	if err != nil {
		return err
	}
	return c.pictures(out, []wish{{shows: "moon", file: moon[0].product()}})
}

// firstMoon is the number of the first moon in a campaign band by band.
const firstMoon = 1

// cubes makes band cubes of products.
func (c *campaign) cubes(files []string) (*pipeline.CubeSummary, error) {
	return c.cubesBy(files, pipeline.CubeOptions{})
}

// cubesBy makes them with some options set.
func (c *campaign) cubesBy(files []string, opt pipeline.CubeOptions) (*pipeline.CubeSummary, error) {
	opt.OutDir, opt.Kernel = filepath.Join(c.opt.Dir, CubesDir), align.Cubic
	opt.Workers, opt.Log, opt.Progress = c.opt.Workers, c.opt.Log, c.opt.Progress
	s, err := pipeline.BuildCubes(c.in, files, opt)
	if err != nil {
		return nil, err
	}
	if len(s.Failures) > 0 {
		return nil, fmt.Errorf("%s: %s", s.Failures[0].Raw, s.Failures[0].Reason)
	}
	return s, nil
}

// cubeOf finds the cube that a product went into, and reads it.
func cubeOf(s *pipeline.CubeSummary, product string) (*pipeline.CubeReport, *planeSet, error) {
	r, err := reportOf(s, product)
	if err != nil {
		return nil, nil, err
	}
	p, err := readPlanes(r.Cube)
	return r, p, err
}

// reportOf finds the report of the cube that a product went into.
func reportOf(s *pipeline.CubeSummary, product string) (*pipeline.CubeReport, error) {
	name := filepath.Base(product)
	for i := range s.Cubes {
		for _, b := range s.Cubes[i].Bands {
			if slices.Contains(b.Products, name) {
				return &s.Cubes[i], nil
			}
		}
	}
	return nil, fmt.Errorf("no cube was made of %s", name)
}

// cubePath is the cube that a frame's product went into.
func cubePath(made *pipeline.CubeSummary, s *shot) (string, error) {
	r, err := reportOf(made, s.product())
	if err != nil {
		return "", err
	}
	return r.Cube, nil
}

// Text writes what came of the bands for people.
func (c *Colour) Text() string {
	var b strings.Builder
	if c.Cubes != nil {
		b.WriteString(c.Cubes.Text())
	}
	if c.Eyes != nil {
		b.WriteString(c.Eyes.Text())
	}
	if c.Cubes != nil || c.Eyes != nil {
		b.WriteString("\nbands against the truth\n")
	}
	if c.Mosaic != nil {
		b.WriteString(c.Mosaic.Text())
	}
	for i := range c.Wheel {
		b.WriteString(c.Wheel[i].Text())
	}
	if c.Lines != nil {
		b.WriteString(c.Lines.Text())
	}
	if c.Strips != nil {
		b.WriteString(c.Strips.Text())
	}
	if c.Stack != nil {
		b.WriteString(c.Stack.Text())
	}
	if c.Tube != nil {
		b.WriteString(c.Tube.Text())
	}
	if c.EyesSeen != nil {
		b.WriteString(c.EyesSeen.Text())
	}
	b.WriteString(c.greyText())
	b.WriteString(c.pictureText())
	return b.String()
}

// folders lists what folders the colour part filled.
func (c *Colour) folders() string {
	text := ""
	if c.Cubes != nil {
		text += ", " + CubesDir
	}
	if len(c.Pictures) > 0 {
		text += ", " + PicturesDir
	}
	return text
}
