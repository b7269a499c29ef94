package demo

import (
	"fmt"
	"math"
	"path/filepath"
	"strings"

	"evenlight/pipeline"
	"evenlight/pipeline/simulate"
)

// StereoTruth compares the agreement of two eyes with the truth: both look at
// the same ground, so the ratio is 1.
type StereoTruth struct {
	RatioError float64 `json:"ratio_error"`
	Random     float64 `json:"ratio_random_uncertainty"`
	// Known is the uncertainty of the ratio by what the simulator does not
	// take from the profile: the normalisation of both flats.
	Known float64 `json:"ratio_flat_uncertainty"`
	// The displacement found, against the mean of the true one, pixels.
	ErrorX float64 `json:"displacement_error_x"`
	ErrorY float64 `json:"displacement_error_y"`
	// Relief is the rms of the true displacement about its mean.
	Relief float64 `json:"relief_rms"`
	// Steps are the ratios, right over left, on the steps of a grey wedge.
	Steps []RatioTest `json:"wedge_steps"`
}

// RatioTest is a ratio of brightness whose true value is 1.
type RatioTest struct {
	Pixels int     `json:"pixels"`
	Error  float64 `json:"ratio_error"`
	Random float64 `json:"ratio_random_uncertainty"`
}

// stereo compares both eyes of the pair.
func (c *campaign) stereo(out *Colour) error {
	all, err := simulate.LoadSequences(filepath.Join(c.truthDir(), simulate.SequenceFile))
	if err != nil {
		return err
	}
	pair, err := c.named(all[0].Frames[0].Frame)
	if err != nil {
		return err
	}
	if out.Eyes, err = pipeline.Agree(c.in, pair.products, c.opt.Workers); err != nil {
		return err
	}
	if len(out.Eyes.Pairs) == 0 {
		return fmt.Errorf("the eyes were not compared: %v", out.Eyes.Failures)
	}
	r := &out.Eyes.Pairs[0]
	t := &StereoTruth{RatioError: r.Found.Ratio - 1, Random: r.Found.U}
	for _, p := range pair.products {
		record, err := pipeline.ReadProvenance(p)
		if err != nil {
			return err
		}
		t.Known = math.Hypot(t.Known, termOf(record, "flat normalisation"))
	}
	x, y, relief := disparity(all[0].Frames, c.in.Profile.Stereo.Right)
	t.ErrorX, t.ErrorY, t.Relief = r.DX-x, r.DY-y, relief
	out.EyesSeen = t
	if err := c.wedgeOfEyes(out, all); err != nil {
		return err
	}
	return c.pictures(out, []wish{{shows: "ground, left eye", file: pair.products[0]}, {shows: "ground, right eye", file: pair.products[1]}})
}

// wedgeOfEyes finds the frame of the grey wedge and compares the eyes on it.
func (c *campaign) wedgeOfEyes(out *Colour, all []simulate.Sequence) error {
	q, err := sequence(all, simulate.WedgeSequence)
	if err != nil {
		return err
	}
	wedge, err := c.framesOf(q)
	if err != nil {
		return err
	}
	return c.eyesWedge(out, wedge[0])
}

// termOf is a systematic uncertainty of a product; 0 where it has none.
func termOf(p *pipeline.Provenance, name string) float64 {
	for _, t := range p.Systematic {
		if t.Name == name {
			return t.Relative
		}
	}
	return 0
}

// disparity is the mean displacement of the right eye's image, and the rms of
// what the relief of the ground adds.
func disparity(steps []simulate.Step, right string) (x, y, relief float64) {
	for _, s := range steps {
		if s.Detector != right {
			continue
		}
		mean := 0.0
		for _, dx := range s.RowShiftX {
			mean += dx / float64(len(s.RowShiftX))
		}
		var about rootMean
		for _, dx := range s.RowShiftX {
			about.add(dx - mean)
		}
		return s.ShiftX + mean, s.ShiftY, about.value()
	}
	return 0, 0, 0
}

// Text writes the comparison for people.
func (t *StereoTruth) Text() string {
	var b strings.Builder
	fmt.Fprintf(&b, "eyes: the ratio is %+.5f off the true 1 (± %.5f random, ± %.5f by the flats)\n  displacement %+.3f, %+.3f pixels off the true mean; the relief of the ground is %.2f pixels rms\n",
		t.RatioError, t.Random, t.Known, t.ErrorX, t.ErrorY, t.Relief)
	b.WriteString("steps of the grey wedge: right/left less 1, and its random uncertainty\n")
	for i, s := range t.Steps {
		fmt.Fprintf(&b, "  %+.5f ± %.5f", s.Error, s.Random)
		if i%4 == 3 || i == len(t.Steps)-1 {
			b.WriteString("\n")
		}
	}
	return b.String()
}
