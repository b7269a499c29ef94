package demo

import (
	"fmt"
	"math"
	"path/filepath"
	"strings"

	"evenlight/calib"
	"evenlight/pipeline"
)

// PicturesDir holds the pictures below a demo's folder.
const PicturesDir = "pictures"

// Picture is one picture of the demo.
type Picture struct {
	Shows       string `json:"shows"`
	Preview     string `json:"preview"` // file name
	Statement   string `json:"statement"`
	Approximate bool   `json:"approximate"`
}

// GreyColour tells whether a grey wedge is grey in natural colour.
type GreyColour struct {
	// X and Y are the chromaticities of the steps, less that of white, over
	// their random uncertainties.
	X Pulls `json:"x"`
	Y Pulls `json:"y"`
	// Largest is the largest departure of a step from white in x or y.
	Largest float64 `json:"largest_departure"`
}

// wish is a picture to be made.
type wish struct {
	shows  string
	file   string // a cube, or a calibrated frame
	rgb    []string
	marked bool // outline what moved
}

// pictures makes pictures.
func (c *campaign) pictures(out *Colour, wishes []wish) error {
	for _, w := range wishes {
		r, err := c.picture(w, nil)
		if err != nil {
			return err
		}
		out.Pictures = append(out.Pictures, Picture{Shows: w.shows, Preview: r.Files.Preview, Statement: r.Statement, Approximate: r.Approximate})
	}
	return nil
}

func (c *campaign) picture(w wish, probes []calib.Region) (*pipeline.PictureReport, error) {
	return pipeline.MakePicture(w.file, pipeline.PictureOptions{OutDir: filepath.Join(c.opt.Dir, PicturesDir), Workers: c.opt.Workers,
		RGB: w.rgb, MarkMoved: w.marked, Probes: probes, PNGLevel: pngLevel, Log: c.opt.Log})
}

// pngLevel compresses little and fast.
const pngLevel = 1

// greyWedge makes the picture of a grey wedge and measures its steps.
func (c *campaign) greyWedge(out *Colour, cube string, view wedgeView) error {
	w := wish{shows: "grey wedge", file: cube}
	r, err := c.picture(w, view.probes())
	if err != nil {
		return err
	}
	out.Pictures = append(out.Pictures, Picture{Shows: w.shows, Preview: r.Files.Preview, Statement: r.Statement, Approximate: r.Approximate})
	white, err := chromaticityOfWhite(r.MatrixXYZ)
	if err != nil {
		return fmt.Errorf("picture of the grey wedge: %w", err)
	}
	grey := &GreyColour{X: Pulls{Name: "x"}, Y: Pulls{Name: "y"}}
	for _, p := range r.Probes {
		for k, into := range []*Pulls{&grey.X, &grey.Y} {
			m := p.Chromaticity[k]
			into.add((m.Value - white[k]) / m.Random)
			grey.Largest = max(grey.Largest, math.Abs(m.Value-white[k]))
		}
	}
	grey.X.finish()
	grey.Y.finish()
	out.Grey = grey
	return nil
}

// chromaticityOfWhite is x and y of band values that are all 1.
func chromaticityOfWhite(xyz [][]float64) ([2]float64, error) {
	if len(xyz) != 3 {
		return [2]float64{}, fmt.Errorf("there is no natural colour")
	}
	var sums [3]float64
	all := 0.0
	for i, row := range xyz {
		for _, v := range row {
			sums[i] += v
		}
		all += sums[i]
	}
	return [2]float64{sums[0] / all, sums[1] / all}, nil
}

// pictureText writes the pictures for people.
func (c *Colour) pictureText() string {
	var b strings.Builder
	if g := c.Grey; g != nil {
		fmt.Fprintf(&b, "colour of the grey wedge's steps, chromaticity less that of white over its uncertainty\n  x %s\n  y %s; largest departure %.5f\n", g.X.line(), g.Y.line(), g.Largest)
	}
	b.WriteString("\npictures\n")
	for _, p := range c.Pictures {
		fmt.Fprintf(&b, "  %-34s %s: %s\n", p.Preview, p.Shows, p.Statement)
	}
	return b.String()
}
